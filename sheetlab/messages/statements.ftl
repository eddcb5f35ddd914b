### Sentences about a result and its uncertainty, on sheets and in reports

headline-ok = No reading looks doubtful.
headline-doubtful = { $count ->
        [one] One finding needs
       *[other] { $count } findings need
    } a look before this result is trusted.
headline-failed = The result could not be formed; the findings say what is missing.

## The statement and what it means

far-less-than = { $symbol } = { $value } { $unit }, far less than ± { $u } { $unit }
stated-maximum = The number after ± is the maximum error: all terms added, { $division ->
        [half] half least counts
       *[whole] least counts
    } as the error of a reading. { $wider }
stated-uncertainty = { $instead ->
        [1] No maximum error is laid down for this result. { "" }
       *[0] { "" }
    }The number after ± is the { $kind ->
        [standard] combined standard uncertainty u, with { $dof } effective degrees of freedom.
        [agreed] expanded uncertainty U = k u, with k = { $k } by agreement.
       *[student] expanded uncertainty U = k u, with k = { $k } from Student's t for { $dof } effective degrees of freedom; coverage probability { $probability } %.
    }
scatter-is-wider = It does not count the scatter of the readings, which is wider here: the expanded uncertainty is { $spread } { $unit }.
maximum-error = Maximum error (all terms added, { $division ->
        [half] half least counts
       *[whole] least counts
    } as errors): ± { $value } { $unit }{ $relative ->
        [1] , that is { $size }
       *[0] { "" }
    }{ $count ->
        [0] { "" }
       *[other] {" "}({ $terms })
    }. { $wider }
second-order-extreme = To first order no source changes this result, because its formula is at a highest or lowest value here. u and U are those of second order; on average the value lies off by { $shift }. { $trials ->
        [1] Take the interval of the trials, which has two sides of their own.
       *[0] { "" }
    }
second-order = The formula bends over the range of the uncertainties: terms of second order change u by { $change }, { $counted ->
        [1] which u and U include
       *[0] which is left out
    }, and the value by { $shift }. { $trials ->
        [1] Take the interval of the trials.
       *[0] { "" }
    }
alternative = { $title }: { $symbol } = { $value } { $unit }{ $changed ->
        [1] {" "}({ $change })
       *[0] { "" }
    }.
alternative-missing = { $title }: not formed; it needs a reading in every row.

## Books

verdict = { $verdict ->
        [agrees] The difference is within the expanded uncertainty (E_n = { $number }): they agree.
        [between] That is more than the expanded uncertainty explains (E_n = { $number }), but books differ by as much: it is neither confirmed nor contradicted.
        [differs] That is more than the expanded uncertainty { $books ->
            [1] and the differences of books explain
           *[0] explains
        } (E_n = { $number }): something is not accounted for, here or in the book.
       *[open] The expanded uncertainty is more than half of the accepted value. Such a result agrees with nearly anything, so the comparison says nothing.
    }
accepted-value = Accepted value: { $value } { $unit } (“{ $source }”){ $apart ->
        [1] ; books differ by ± { $books }
       *[0] { "" }
    }.
accepted-difference = The result is { $by } { $side ->
        [above] above
       *[below] below
    } it{ $shown ->
        [1] : 100 × ({ $rule }) ÷ accepted = { $signed }
       *[0] { "" }
    }.

## Random trials

trials = Check by { $count } random trials: { $probability } % of them lie between { $low } and { $high } { $unit }. { $stable ->
        [0] So many trials did not settle the figures to the last digit shown. { "" }
       *[1] { "" }
    }{ $another }
trials-another = That is { $side ->
        [wider] { $by } wider
        [narrower] { $by } narrower
       *[alike] another interval
    } than ± U{ $reason ->
        [factor] : k = { $k } by agreement is too small for so few readings; quote U with k = { $factor } from Student's t.
        [few] : they draw each scatter of a few readings by itself (JCGM 101), which makes the sum too wide. In simulated experiments ± U covers what it says; quote ± U.
        [bent] , because the formula bends over the range of the uncertainties; quote the interval of the trials.
       *[bounded] , because errors with sharp limits make up most of it; quote the interval of the trials.
    }

## Lines

about-the-line = { $through ->
        [origin] Standard deviation about the line
        [several] Mean intercept of the series { $intercept }; standard deviation about the line
       *[one] Intercept { $intercept }; standard deviation about the line
    } { $spread } { $unit }, { $known ->
        [1] χ² = { $chi } for { $dof } degrees of freedom; uncertainties here from the stated ones of the points.
       *[0] { $dof } degrees of freedom; uncertainties here from the scatter.
    }
line-tested = { $test ->
        [curvature] Curvature: { $far ->
            [1] the points bend
           *[0] none that chance would not explain
        } (t
       *[repeats] Line against repeats: { $far ->
            [1] the means lie farther from the line than repeats differ
           *[0] the means lie as near the line as repeats differ
        } (F
    } = { $infinite ->
        [1] very large
       *[0] { $size }
    }; for a straight line chance alone gives as much in { $chance } of cases).
slopes-of-ways = Slopes of { $second } and { $first }: their difference is { $ratio } times its standard uncertainty; { $agree ->
        [1] they agree.
       *[0] up to 2 is usual: look at the residuals.
    }
no-line-in-bars = No straight line passes through error bars of ± one division ({ $bar } { $unit }) of all mean readings.
triangle-corners = The group's gradient triangle: its corners lie { $first } and { $second } the best line; it spans { $span } of the line.
corner = { $distance } { $unit } { $side ->
        [above] above
       *[below] below
    }

## What is left out, and what counts most

left-out-by-hand = Left out by hand: row { $row } of “{ $title }”, because “{ $reason }”.
every-row-none = With every row no result could be formed.
every-row = With every row: { $statement }{ $changed ->
        [1] {" "}({ $change })
       *[0] { "" }
    }.
largest-source = Largest single source: { $source } ({ $share }). { $advised ->
        [1] What helps most: { $advice }.
       *[0] { "" }
    }
part-of-variance = { $name } makes { $share } of the variance of { $symbol }.
to-halve = To halve the uncertainty of { $symbol }, the uncertainty of this measurement alone has to fall to { $factor } of what it is.
not-halved = No better measurement of it alone can halve the uncertainty: without it, { $without } of the uncertainty would remain. { $more ->
        [1] Look at { $second } too.
       *[0] { "" }
    }
