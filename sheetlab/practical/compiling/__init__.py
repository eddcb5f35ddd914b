"""Definition → flat names, or a refusal that says which key: one module for each of its parts."""
