"""A practical as data, what was observed in it, and the evaluation of the one by the other."""
