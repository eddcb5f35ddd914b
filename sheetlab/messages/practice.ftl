### Practice sets and invented benches

file-exists_practice =
    .found = this file is there already; nothing was written
    .expected = a folder without a practice set
    .remedy = Write into another folder, or move the old set away.
no-such-set =
    .found = a set of { $count } workbooks with the seed { $seed } cannot be written
    .expected = 1 to { $most } workbooks, and a seed of 0 or more
    .remedy = Change the number.
