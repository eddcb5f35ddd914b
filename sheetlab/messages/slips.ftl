### Slips in readings

# what the points of a line show that is one only with a slip undone
points-scatter = the points of “{ $title }” scatter by { $scatter } about their line
points-without-line = the points of “{ $title }” do not follow a line

# how they would scatter with it undone, and what it would mean
scale-backwards =
    .found = { $points }
    .expected = about { $scatter } about their line
    .remedy = { $would } Which way do the numbers of the scale run? Read three settings again.
divisions-doubtful_count =
    .found = { $points }
    .expected = about { $scatter } about their line
    .remedy = { $would } Count the divisions once round, and find the step of the main scale again.
divisions-doubtful_pitch =
    .found = { $points }
    .expected = about { $scatter } about their line
    .remedy = { $would } Turn it whole turns, and read how far they move it.
unit-doubtful =
    .found = { $points }
    .expected = about { $scatter } about their line
    .remedy = { $would } Look at the unit of the heading.
steps-not-totals =
    .found = { $points }
    .expected = about { $scatter } about their line
    .remedy = { $would } Each row wants the total from the first row on: add them up.
order-of-time =
    .found = { $points }
    .expected = about { $scatter } about their line
    .remedy = { $would } On the way back each reading stands beside what it was taken at: the column is filled from the bottom upwards.

divisions-doubtful_lines =
    .found = the { $scale } has { $count } divisions
    .expected = 10, 20, 25, 50 or 100 of them
    .remedy = It would fit if the { $scale } has { $gaps } divisions: was the zero line counted at the beginning and once more at the end? Count the gaps between lines.
repeat-off_of-all =
    .found = “{ $title }”{ $row }, { $reading }, lies { $distance } { $side ->
        [above] above
       *[below] below
    } the middle of its repeats
    .expected = repeats within about { $limit }
    .remedy = { $would } Look at this reading again, or repeat it.
digits-left-out =
    .found = all { $count } readings of “{ $title }” stop at tens of divisions
    .expected = readings to a whole division of the scale
    .remedy = Was the last digit read, or left out? Where it is a zero, it is a reading too.

## What would have stood there without a slip, to follow “it would fit if”

as-if-main-scale = the main scale showed { $new }, { $steps ->
        [half] half a step
        [one] one step
       *[two] two steps
    } ({ $by } { $unit }) off
as-if-digits-of-count = the digits of { $old } were swapped: { $new }
as-if-ten-off = the division was { $new }, ten off
as-if-counted-backwards = the scale was counted backwards: { $new }, not { $old }
as-if-two-digits = two digits were swapped: { $new } instead of { $old }
as-if-decimal-point = the decimal point is wrong: { $new }
as-if-whole-step = “{ $title }” was read { $by } { $unit } too { $way ->
        [long] long
       *[short] short
    }
as-if-counted-in-row = { $new } were counted in this row instead of { $old }
as-if-steps-for-totals = “{ $title }” holds what was added each time, not the total
as-if-order-of-time = “{ $title }” was typed in the order of time, from the top downwards, and not each reading in its row
as-if-divisions = the { $title } has { $new } divisions, not { $old }
as-if-pitch = the pitch of the { $title } is { $new } { $unit }, not { $old } { $unit }
as-if-scale-backwards = the circular scale was counted backwards in “{ $title }”
as-if-zero-sign = the zero error of the { $title } had the other sign
as-if-zero-count = { $new } stood at the line when the { $title } was closed: what is past the line is not counted backwards
as-if-zero-side = the zero mark of the { $title } stood { $side }
as-if-count = “{ $title }” were { $new } instead of { $old }
as-if-unit = { $was } in { $other }, not in { $unit }
as-if-counted-in-reading = { $new } were counted in this reading instead of { $old }
# what was in another unit
input-was = “{ $title }” was
scale-was = “{ $title }” of the { $scale } was
columns-were = the numbers under “{ $title }” in “{ $table }” were
table-was = the numbers in “{ $table }” were
