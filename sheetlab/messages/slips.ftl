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
