### What can have gone wrong on the way to an own result: to the teacher after “consistent with”
### (found), and to the student (remedy). $what is a quantity, $of whose formula, $detail a number
### or a name.

because-zero-side-chosen =
    .found = the zero mark of the { $detail } on the other side than the one chosen, where the zero readings are doubtful anyway: then the own result is right
    .remedy = On which side did the zero mark of the { $detail } stand? Your result fits the other side.
because-another-method =
    .found = { $what } by { $detail }: another method, no mistake
    .remedy = Say in your report by which method you found { $what }.
because-every-row =
    .found = all rows used, also those that are left out: no mistake
    .remedy = Are the rows that you left out part of your own result?
because-convention =
    .found = { $detail }, a convention of the department: no mistake
    .remedy = Say in your report which value of { $what } you took.
because-other-convention =
    .found = { $detail }: a convention, and not what was to be used here
    .remedy = Which value of { $what } was to be used here?
because-line-by-eye =
    .found = a line drawn by eye through the same points: no mistake
    .remedy = Say in your report how you found { $what }.
because-zero-left-out =
    .found = the zero error of the { $detail } left out
    .remedy = Is the zero error of the { $detail } taken off every reading?
because-zero-wrong-sign =
    .found = the zero error of the { $detail } with the wrong sign
    .remedy = With which sign does the zero error of the { $detail } go into a reading?
because-diameter-for-radius =
    .found = a diameter taken for a radius in the formula of { $of } ({ $what } then counts double)
    .remedy = Which length goes into the { $power }: the diameter or the radius?
because-radius-for-diameter =
    .found = a radius taken for a diameter in the formula of { $of } ({ $what } then counts half)
    .remedy = Which length goes into the { $power }: the diameter or the radius?
because-weight =
    .found = a mass not turned into a weight ({ $what } left out)
    .remedy = Is the { $load } in your formula a mass in kilograms or a force in newtons?
because-unit =
    .found = { $detail }
    .remedy = { $which ->
            [answer] In which unit is your answer to be, and in which unit is the number that you gave?
            [either] In which unit is your answer to be, and in which unit is the number that you gave? Or in which unit did you take { $what }?
           *[taken] In which unit did you take { $what }, and in which unit is your answer to be?
        }
because-per-step =
    .found = { $detail } ({ $what })
    .remedy = Does the change that you used belong to the same number of steps on both axes?
because-slope-inverted =
    .found = { $what } turned over (one over the slope)
    .remedy = What stands on which axis, and which change is divided by which?
because-angle-mode =
    .found = { $detail } of an angle in the wrong unit (degrees and radians)
    .remedy = Is the calculator set to degrees or to radians?
because-decimal-logarithm =
    .found = the decimal logarithm in place of the natural one
    .remedy = Which logarithm does the formula ask for: to the base ten or the natural one?
because-natural-logarithm =
    .found = a factor 2.303 too much at a logarithm
    .remedy = Which logarithm does the formula ask for: to the base ten or the natural one?
because-power-lost =
    .found = { $what } to one power less than the { $power } in the formula of { $of }
    .remedy = To which power does { $what } go into the formula of { $of }?
because-pi-left-out =
    .found = { $detail } left out of the formula of { $of }
    .remedy = Is every π of the formula of { $of } in your sum?
because-pi-power-lost =
    .found = π to one power less than the { $power } in the formula of { $of }
    .remedy = To which power does π go into the formula of { $of }?
because-ratio-term-left-out =
    .found = { $what } left out of the sum for { $of }, and the mean of the ratios taken row by row (of a slope it would make no difference)
    .remedy = Which lengths or parts add up to { $of }?
because-correction-left-out =
    .found = the correction for { $what } left out of the formula of { $of }
    .remedy = Is every correction of the formula of { $of } in your sum?
because-term-left-out =
    .found = { $what } left out of the sum for { $of }
    .remedy = Which lengths or parts add up to { $of }?
because-number-left-out =
    .found = the number { $detail } left out of the formula of { $of }
    .remedy = Is every number of the formula of { $of } in your sum?
because-sum-for-mean =
    .found = a sum of readings in place of their mean ({ $what })
    .remedy = Is this the sum of the readings, or their mean?
because-unit-not-converted =
    .found = { $what } not converted from { $detail }
    .remedy = In which unit does { $what } go into the formula?
because-least-count =
    .found = the least count of the { $detail }
    .remedy = What is the least count of this instrument?
because-brackets =
    .found = brackets forgotten under the line of the formula of { $of }: one factor divides only
    .remedy = Which factors stand under the line, and did the calculator divide by all of them?
because-rounded-constant =
    .found = a rounded value: { $detail }
    .remedy = With how many figures did you put in { $what }?
because-left-out =
    .found = { $what } left out of the formula of { $of }
    .remedy = Is every quantity of the formula of { $of } in your sum?
because-pi-wrong-side =
    .found = π on the wrong side of the fraction in the formula of { $of }
    .remedy = On which side of the fraction does π stand in the formula of { $of }?
because-number-wrong-side =
    .found = the number { $detail } on the wrong side of the fraction in the formula of { $of }
    .remedy = On which side of the fraction does { $detail } stand in the formula of { $of }?
because-wrong-side =
    .found = { $what } on the wrong side of the fraction in the formula of { $of }
    .remedy = On which side of the fraction does { $what } stand in the formula of { $of }?
because-result-inverted =
    .found = one over the right number
    .remedy = Which quantity is divided by which in the formula of { $of }?
because-sign =
    .found = the opposite sign
    .remedy = Which value is taken from which?
because-term-sign =
    .found = { $what } with the wrong sign in the sum for { $of }
    .remedy = Is { $what } added or taken off for { $of }?
because-root-left-out =
    .found = the square root in the formula of { $of } left out
    .remedy = Is there a root in the formula?
because-half-readings =
    .found = only { $detail } of the readings used for { $what }{ $elsewhere ->
            [1] {" "}(or a value from elsewhere: a label, a table)
           *[0] { "" }
        }
    .remedy = From which of your readings did you work this out? { $elsewhere ->
            [1] Or does it come from a label or a table?
           *[0] { "" }
        }
because-one-column =
    .found = only one of the columns used ({ $what }){ $elsewhere ->
            [1] {" "}(or a value from elsewhere: a label, a table)
           *[0] { "" }
        }
    .remedy = From which of your readings did you work this out? { $elsewhere ->
            [1] Or does it come from a label or a table?
           *[0] { "" }
        }
because-number-square-lost =
    .found = the square lost for the numbers in the formula of { $of }
    .remedy = Is everything in the bracket squared in the formula of { $of }?
because-twice =
    .found = { $what } taken twice in the formula of { $of }
    .remedy = How many times does { $what } stand in the formula of { $of }?
because-half =
    .found = half of { $what } in the formula of { $of }
    .remedy = Did you take all of { $what }, or half of it?
because-per-step-later =
    .found = { $detail } ({ $what }), though { $what } was given for one step of each
    .remedy = Does the change that you used belong to the same number of steps on both axes?
because-radius-given =
    .found = half of { $what } given: a radius for a diameter
    .remedy = Which length is asked for: the diameter or the radius?
because-diameter-given =
    .found = twice { $what } given: a diameter for a radius
    .remedy = Which length is asked for: the diameter or the radius?
because-halved =
    .found = { $what } halved once too often
    .remedy = Is this a mean already, or still a sum of two?
because-pi-once-more =
    .found = one π too many in the formula of { $of }
    .remedy = How many π are there in the formula of { $of }?
because-power-more =
    .found = { $what } taken to the { $power } in the formula of { $of }, one power too many
    .remedy = To which power does { $what } go into the formula of { $of }?
because-rounded-on-the-way =
    .found = rounding on the way: { $detail }
    .remedy = With how many figures did you go on working?
because-decimal-point =
    .found = { $detail }
    .remedy = Where does the decimal point go? Count the powers of ten again.
because-rounded-result =
    .found = the result rounded to { $detail } figures or fewer
    .remedy = How many figures are certain?
because-one-reading =
    .found = one reading alone ({ $what }, { $detail }){ $elsewhere ->
            [1] {" "}(or a value from elsewhere: a label, a table)
           *[0] { "" }
        }
    .remedy = From which of your readings did you work this out? { $elsewhere ->
            [1] Or does it come from a label or a table?
           *[0] { "" }
        }
