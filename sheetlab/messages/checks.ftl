### What is said of readings, lines and results

## Slips that would explain a number

would-fit = It would fit if { $slips }.
would-fit-as-if = { $value } would fit: as if { $slips }.
other-would-fit-as-if = “{ $title }” { $value } would fit: as if { $slips }.

## What the points of a line have in common

all-series = all series
every-series = every series
slope-unchanged = The slope changes by less than 0.1 % without it.
slope-without = Without it the slope would be { $change } % { $side ->
        [greater] greater
       *[smaller] smaller
    }.
as-well = It could as well be that { $count ->
        [one] { $first }
       *[other] { $first }; or that { $second }
    }.
perhaps-reading-alone = the reading in row { $row } alone is off
perhaps-slipped = something slipped between rows { $before } and { $row }
perhaps-slack = the first steps pulled out slack{ $kinks ->
        [none] { "" }
       *[other] {" "}or { $kinks }
    }
perhaps-yielded = something yielded at the end of the range
perhaps-main-scale = the main scale was misread from row { $row } on
perhaps-step-unwritten = a step before row { $row } was not written down
perhaps-row-off = the readings from row { $row } on stand one row off
perhaps-way-row-off = the readings of one way stand one row off
point-off-line =
    .found = “{ $column }” in row { $row }, { $value }, lies { $size } { $side ->
            [above] above
           *[below] below
        } the line through all other points
    .expected = a distance of about { $usual }, as the others have
    .remedy = { $meant } Look at this reading again, or repeat it.
slip =
    .found = { $series }: a jump of { $size } between rows { $before } and { $row }
    .expected = equal steps for equal { $loads }, from the first row to the last
    .remedy = Did something slip there, or was the apparatus touched? { $confirmed ->
            [1] The readings on the way back confirm it: they have the jump too. { "" }
           *[0] { "" }
        }Readings on both sides of a jump do not belong to one line: repeat the series.
block-shifted =
    .found = { $where }: all readings from row { $row } on lie { $size } { $grows ->
            [1] above
           *[0] below
        } where the rows before lead; the step of the main scale is { $step }
    .expected = readings that follow one line from the first row to the last
    .remedy = Was the main scale misread in row { $row }, and the mistake carried on? Look at the main-scale readings there.
load-not-recorded =
    .found = from row { $row } on every reading is { $size } { $grows ->
            [1] too far: as much as one more step
           *[0] short: as much as one step
        } of “{ $x }” gives
    .expected = readings that belong to the value written beside them
    .remedy = { $grows ->
            [1] Was something added before row { $row } and not written down?
           *[0] Was a step written down in row { $row } that was never made?
        } { $alone ->
            [1] Or was a reading { $grows ->
                [1] left out
               *[0] typed twice
            }, so that those after it stand one row off?
           *[0] { "" }
        }
readings-row-off =
    .found = { $series }: the readings from row { $row } on lie off by as much as one step of “{ $x }” gives; the other way does not
    .expected = each reading in the row of what it was taken at
    .remedy = Was a reading left out or typed twice, so that those after it stand one row off?
step-uneven =
    .found = the step of “{ $x }” to row { $row } moves the readings by { $size } { $grows ->
            [1] more
           *[0] less
        } than the other steps, on every way
    .expected = equal changes for equal steps
    .remedy = Is “{ $x }” right in row { $row }? What was added there may not be what is marked on it.
kink-at-start =
    .found = { $series }: the first reading lies { $size } short of the line of the others: the first step is longer
    .expected = equal steps for equal { $loads } from the first row on
    .remedy = { $kinks ->
            [none] Was there slack that the first steps pulled out, or did something slip? To go once up and down before the first reading helps.
           *[other] Were there { $kinks }, or slack, that the first steps pulled out, or did something slip? To begin under more tension, and once up and down before the first reading, helps.
        } If only the first reading was misread, look at it again.
yield-at-end =
    .found = { $way }: the last readings leave the line by { $size } upwards{ $stays ->
            [1] , and on the way back { $stay } of it stay
           *[0] { "" }
        }
    .expected = equal steps for equal { $loads } up to the last row
    .remedy = { $range ->
            [none] Was the range too much, or did something slip at the last step? Do not go further
           *[other] Was it loaded beyond its { $range }, or did something slip at the last step? Do not load it further
        }{ $measured ->
            [none] { "" }
           *[other] ; measure its { $measured } again
        }, and evaluate only the straight part.
line-bends_at-end =
    .found = { $way }: the last readings leave the line by { $size } downwards{ $stays ->
            [1] , and on the way back { $stay } of it stay
           *[0] { "" }
        }
    .expected = equal steps for equal { $loads } up to the last row
    .remedy = Was something in the way at the end of the range? Look at these readings again.
line-bends =
    .found = the points of “{ $title }” bend { $grows ->
            [1] upwards: the steps grow
           *[0] downwards: the steps shrink
        }{ $tested ->
            [1] {" "}(t = { $t })
           *[0] { "" }
        }
    .expected = points on a straight line
    .remedy = Look at the residuals on the sheet Graphs. Does the bend sit at the first readings or at the last? The sheet Lines shows the slope by other methods.
friction =
    .found = “{ $title }”: the ways up and down agree at both ends and differ by { $size } in the middle
    .expected = the same reading at the same { $load } on both ways
    .remedy = That is what friction does: is something rubbing somewhere? Tap gently before each reading, and wait as long on both ways. { $grows ->
            [0] (Here the way back lies below: look at the order of the columns.)
           *[1] { "" }
        }
drift =
    .found = “{ $title }”: the difference between the ways grows steadily with time, to { $twice } at the first { $load }
    .expected = the same reading at the same { $load } on both ways
    .remedy = Was the temperature changing, or did something creep or slip slowly? With equal times between readings the mean of both ways is right; wait before you begin, and repeat.
backlash =
    .found = “{ $title }”: on the way back the readings lie { $size } { $side ->
            [higher] higher
           *[lower] lower
        } at every { $load }, but for the reading at the turning point
    .expected = the same reading at the same { $load } on both ways
    .remedy = { $kind ->
            [screw] Was the mark reached from the other side (backlash)? Turn to the mark the same way for every reading.
           *[other] Was it reached from the other side (backlash)? Come to it the same way for every reading.
        } { $side ->
            [higher] If the first reading taken again stays there although { $kind ->
                [screw] the mark
               *[other] it
            } is reached the right way, it is a permanent set: the range was too much.
           *[lower] { "" }
        }
permanent-set =
    .found = “{ $title }”: on the way back the readings lie { $size } { $side ->
            [higher] higher
           *[lower] lower
        } at every { $load }, but for the reading at the turning point
    .expected = the same reading at the same { $load } on both ways
    .remedy = { $kind ->
            [screw] Was the mark reached from the other side (backlash)? Turn to the mark the same way for every reading.
           *[other] Was it reached from the other side (backlash)? Come to it the same way for every reading.
        } { $side ->
            [higher] If the first reading taken again stays there although { $kind ->
                [screw] the mark
               *[other] it
            } is reached the right way, it is a permanent set: the range was too much.
           *[lower] { "" }
        }

## What is missing

quoted = “{ $title }”
quoted-at = “{ $title }” ({ $cell })
workbook-not-filled =
    .found = no reading has been typed into this workbook
    .expected = a filled workbook
    .remedy = Is this the blank one? Evaluate the one that the group has filled.
reading-missing =
    .found = { $owner }: { $titles } { $column ->
            [1] { $count ->
                [one] has no reading
               *[other] have no reading
            }
           *[0] { $count ->
                [one] is empty
               *[other] are empty
            }
        }
    .expected = { $column ->
            [1] readings from row 1 on
           *[0] a number in each of these cells
        }
    .remedy = Fill in what is missing; the result needs it.
result-not-computable =
    .found = { $title } cannot be worked out from these readings
    .expected = complete rows of readings from which the formula gives a number
    .remedy = Look at the other findings first: rows that are not complete, or a zero where none can be, are the usual causes.
in-other-unit = { $value } would fit if it was typed in { $unit }.
outside-limits =
    .found = “{ $title }” is { $value }
    .expected = { $allowed }
    .remedy = { $meant } Is it in the unit of the heading, and in the right cell?
reading-incomplete =
    .found = “{ $title }” is empty in row { $row }, but the rest of the reading is there
    .expected = both parts of a reading
    .remedy = Fill it in; until then this reading is left out, it does not count as zero.
reading-incomplete_abscissa =
    .found = row { $row } has readings but no “{ $title }”
    .expected = a value beside its readings
    .remedy = Fill it in; until then this row takes no part in the line.
row-incomplete =
    .found = { $titles } { $count ->
            [one] is empty
           *[other] are empty
        } in row { $row } of “{ $table }”, but “{ $there }” is there
    .expected = every reading of a row, or none
    .remedy = Was it read? Fill it in if you have it; what is worked out of it in this row is missing, and does not count as zero.
scale-unknown =
    .found = { $instrument }: “{ $title }” is empty, but readings were taken with it
    .expected = { $allowed }
    .remedy = Fill it in. Until then the uncertainty lacks how well this scale can be read, and nobody can ask whether its readings are finer than it is.
series-empty =
    .found = { $titles } { $count ->
            [one] has no reading
           *[other] have no reading
        }
    .expected = readings in every column of repeats
    .remedy = The result rests on the other readings; what these would show is not known.
series-empty_pass =
    .found = “{ $title }” has no reading
    .expected = readings in every pass
    .remedy = The result rests on the other readings; whether both passes agree is not known.
pass-missing =
    .found = “{ $title }” has no reading in row { $row }
    .expected = a reading of every pass in every row
    .remedy = The line rests on the other readings of this row.
digits-left-out_tenths =
    .found = “{ $title }” is { $value } in row { $row }; all { $count } other readings have tenths of a division
    .expected = tenths of a division in every reading
    .remedy = Was the tenth read, or left out? Where it is a zero, it is a reading too.
few-zero-readings =
    .found = { $instrument }: { $count ->
            [one] 1 zero reading
           *[other] { $count } zero readings
        }
    .expected = { $least } or more
    .remedy = Read the zero several times; its scatter is part of the uncertainty and is not known here.
too-few-rows =
    .found = “{ $title }” has { $count ->
            [one] 1 usable row
           *[other] { $count } usable rows
        }
    .expected = { $least } rows or more
    .remedy = Take more readings; the result below rests on few.
reason-too-short =
    .found = “{ $text }” stands where a reason for leaving row { $row } out belongs; the row is not left out
    .expected = nothing, or the reason in a few words
    .remedy = Clear the cell, or write why the row is to be left out.
row-left-out =
    .found = row { $row } of “{ $title }” is left out by hand: “{ $reason }”
    .remedy = The reading stays in the workbook; the sheet Evaluation shows the result with every row beside the other.
row-left-out_many =
    .found = row { $row } of “{ $title }” is left out by hand: “{ $reason }”
    .expected = at most { $most } % of the rows
    .remedy = The reading stays in the workbook; the sheet Evaluation shows the result with every row beside the other.
limit-doubtful =
    .found = { $owner }: “{ $title }” is { $value }, { $times } times the { $known } that it was issued with
    .expected = a permissible error near that of the register or of the definition
    .remedy = Was something else typed here, such as a reading or the smallest division? The uncertainty of the result rests on it.
default-used =
    .found = “{ $title }” ({ $owner }) is empty; { $value } is used
constant-used =
    .found = { $title }: the { $constant }, { $value }, is used
    .expected = { $wanted }
    .remedy = Fill in what you know; the uncertainty is larger without it.
formula-altered =
    .found = the worked-out cells of “{ $title }” do not show what follows from the readings: { $cells } ({ $shown } instead of { $value })
    .expected = the formulas of the issued workbook, calculated anew
    .remedy = The result is not touched by this: it is worked out from the readings. Was a formula changed, or the workbook saved by a program that does not calculate?

## What the register knows of the set-up

other-set-up =
    .found = the first sheet names the set-up “{ $typed }”, but this workbook was issued for “{ $setup }”
    .expected = the set-up { $setup }
    .remedy = { $wire ->
            [1] Which instruments and which wire were used? What is said here of least counts, zero errors and the wire
           *[0] Which instruments were used? What is said here of least counts and zero errors
        } compares with { $setup }.
scale-part = { $title } { $typed }, register { $registered }
least-count-against-register =
    .found = { $owner } ({ $id }): its least count comes to { $typed }, { $times } times that of the register, { $registered }{ $count ->
            [0] { "" }
           *[other] {" "}({ $parts })
        }
    .expected = a least count of { $registered }
    .remedy = Take the instrument and count again: full turns, the distance they move, the divisions once round. Or was it another one than { $id }?
zero-drifted =
    .found = { $owner } ({ $id }): the mean zero error is { $zero }, in the register it was { $last } on { $on }{ $count ->
            [1] { "" }
           *[other] {" "}(history of { $count }: { $least } to { $most })
        }; that is { $divisions } divisions { $side ->
            [more] more
           *[less] less
        }
    .expected = a zero error within two divisions of the last one
    .remedy = { $why ->
            [typed] { $kind ->
                [direct] Was its zero
               *[other] Were the jaws closed and
            } read, or was 0 typed?
            [side] It is the same size on the other side: on which side does the zero mark stand?
           *[moved] { $kind ->
                [screw] Clean the jaws, close them with the ratchet
                [vernier] Clean the jaws, close them
               *[other] Clean it, bring it to its zero
            } and read again.
        } If it is so, write the new zero error into the register.
gauge-near = { $gauge } { $diameter } mm ({ $off })
gauge-against-register =
    .found = { $title } is { $typed } mm; the wire { $id } is { $gauge }, { $diameter } mm ({ $off }). Nearest gauges: { $near }
    .expected = a diameter near { $diameter } mm
    .remedy = Is it the right reel, its label right (SWG or AWG), the wire bare of lacquer, and the zero error on the right side?
material-against-register =
    .found = “{ $title }” is “{ $typed }”; the wire { $id } of the register is { $registered }
    .expected = { $registered }
    .remedy = Which wire hung there, and what does its reel say? The result is compared with the accepted value of “{ $typed }”.
overdue = { $owner } ({ $id }), last checked on { $checked }, due on { $due }, { $days } days before
check-overdue =
    .found = checks were due before this was { $typed ->
            [1] measured
           *[0] issued
        } ({ $day }): { $instruments }
    .expected = instruments that were checked in time
    .remedy = Check them (the register has sheets for it) and write the day into the register.

## Lines as a whole

line-scatters =
    .found = the points of “{ $title }” scatter by { $scatter } about their straight line
    .expected = about { $most } or less
    .remedy = Look at the graph. Is each value in the right column and row, in the unit of the heading, and the abscissa the total from the first row on?
scatter-unexplained =
    .found = the points of “{ $title }” scatter { $times } times as much as their stated uncertainties explain (χ² = { $chi } for { $dof } degrees of freedom)
    .expected = χ² of about { $dof }; { $most } at most
    .remedy = Is one point wrong, is a stated uncertainty too small, or is the relation another? Until that is clear the uncertainty of the result, which follows from the stated ones, is too small.
curve-not-found =
    .found = no curve “{ $title }” was found through its { $count } points
    .expected = a curve that comes near the points, beginning with { $start }
    .remedy = Read from the graph of the points what the parameters are about, and give that as start values in the definition. Look for a wrong unit, a row that is far off, and whether the readings follow this formula at all. If two parameters do nearly the same, take readings over a wider range, or put a known value into the formula as an input or a constant.
curve-beside =
    .found = the points scatter about the curve “{ $title }” { $share } as much as about their mean
    .expected = { $most } at most
    .remedy = Look at the graph on the sheet Graphs. If the curve lies beside the points, other start values help (now { $start }); if not, a wrong row, a wrong unit, or a relation of another kind.
triangle-small =
    .found = the gradient triangle of “{ $title }” spans { $span } of the line
    .expected = { $least } or more
    .remedy = Take corners far apart: the same error of reading the graph counts less.
triangle-off-line =
    .found = a corner of the gradient triangle of “{ $title }” lies { $distance } { $side ->
            [above] above
           *[below] below
        } the best line
    .expected = corners on the line
    .remedy = Was it read off the line that was drawn, with the scale of the axis?
triangle-on-reading =
    .found = a corner of the gradient triangle of “{ $title }” is one of the readings
    .expected = corners on the line that was drawn, between readings
    .remedy = The slope of the line counts, not that of two readings.

## Repeats and results

repeat-off_row =
    .found = “{ $title }” in row { $row }, { $value }, lies { $distance } { $side ->
            [above] above
           *[below] below
        } the { $alone ->
            [1] other repeat
           *[0] mean of the other repeats
        } of its row; repeats of the other rows scatter by { $scatter }
    .expected = repeats of a row that scatter as those of the other rows
    .remedy = { $meant } { $alone ->
            [1] One of the two is wrong. { "" }
           *[0] { "" }
        }Look at this reading again, or repeat it.
implausible =
    .found = { $title } comes to { $value }
    .expected = something between { $low } and { $high }
    .remedy = { $slips } Look for a reading in the wrong unit or in the wrong column.
not-as-expected =
    .found = { $title } is { $value }, more than its uncertainty explains
    .expected = { $target } within { $limit }
    .remedy = { $slips } { $question }
far-from-accepted =
    .found = { $title } is { $ratio } { $side ->
            [times] times { "" }
            [above] above { "" }
           *[below] below { "" }
        }the accepted value, { $uncertainties } times its expanded uncertainty
    .expected = { $accepted } within the uncertainty{ $known ->
            [1] ; books differ by { $books }
           *[0] { "" }
        }
    .remedy = { $slips } { $question }
far-from-accepted_slip = Was it so?
far-from-accepted_any = Look for a mistake that all readings share: unit, zero error, count.
at-an-extreme =
    .found = the formula of { $title } is at its highest or lowest value: to first order its sources do not change it
    .expected = a result that grows or falls with its sources
    .remedy = u and U are those of second order; take the interval of the trials.
result-undetermined =
    .found = { $title } has an expanded uncertainty of more than half its value
    .expected = readings that determine the result
    .remedy = Look at the graph and the sheet Budget: one of the readings is far off, or there are too few.
own-result-differs =
    .found = { $which ->
            [first] the first own result that differs
           *[any] own result
        } “{ $title }” is { $given }
    .expected = { $value } from the same readings{ $carried ->
            [0] { "" }
           *[other] {" "}and the student's own { $own }
        }{ $compared ->
            [1] {" "}(the own result is { $ratio } times that)
           *[0] { "" }
        }{ $causes }
    .remedy = { $question }
own-result-differs_any = Which step leads from your readings to this number? Check units and powers of ten first.

## Questions that a definition asks in its own words
asked =
    .found = { $found }
    .expected = { $expected }
    .remedy = { $remedy }
