"""What goes wrong on a bench, in typing and in a group's own sums: one catalogue. Pure.

``table`` lists every slip: how it changes cells, scales or an own result, where it can happen,
how common it is, what is said of it. Slips are planted from it (``practical.bench``), tried on
what was typed (``practical.edits``) and named (``checks``). It speaks of kinds of scale, lines and
formulas only, so that it works on any definition.
"""
