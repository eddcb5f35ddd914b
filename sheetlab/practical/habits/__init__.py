"""Wrong habits of groups: what goes wrong on a bench, in typing, and in the group's own sums. Pure.

A habit is a small function with an id and the places where it can happen. It works on any
definition, because it speaks of kinds of scale, lines and formulas only. From the clean bench it
plans a ``Change``; what the change does to the scales, the cells or the answers is then applied
to benches with and without other habits.
"""
