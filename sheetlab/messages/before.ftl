### Lists that a teacher keeps, and workbooks that are issued

# any list: what was found, and what is expected of a column
list-cell = “{ $title }” holds { $shown }
list-text = “{ $text }”
list-error = the error { $text }
list-truth = { $text }
list-no-value = a formula without a value
list-no-column = no column is headed “{ $heading }”
list-no-columns = no column is headed { $headings } in row { $row }
list-long = the sheet has { $count } rows
list-rows = up to { $most }; the others are not read
list-number = a number
list-number-above-0 = a number greater than 0
list-date = a date, typed as 2026-09-01
list-choice = one of: { $choices }
list-unit = a unit such as { $units }
list-letters = a text of at most { $letters } letters

# the register of instruments, wires and set-ups
register-refused =
    .found = this workbook is no register
    .expected = a workbook made with “sheetlab register new”, with its sheets { $sheets }
    .remedy = Check the name, or copy the lists into a new register.
register-cell =
    .found = { $found }
    .expected = { $expected }
    .remedy = Correct the cell in the register; until then it counts as unknown.
register-cell_no-sheet =
    .found = the sheet “{ $name }” is not there
    .expected = the sheets of a new register
    .remedy = Correct the cell in the register; until then it counts as unknown.
register-cell_no-instrument =
    .found = “{ $id }” is on no row of the sheet Instruments
    .expected = an id of it
    .remedy = Correct the cell in the register; until then it counts as unknown.
register-cell_twice =
    .found = “{ $id }” stands here twice
    .expected = each id once
    .remedy = Correct the cell in the register; until then it counts as unknown.
register-cell_missing =
    .found = this row has no { $heading }
    .expected = a { $heading } in each row
    .remedy = Correct the cell in the register; until then it counts as unknown.
register-mismatch_no-instrument =
    .found = the set-up { $setup } names “{ $id }” as { $part }, which the sheet Instruments does not have
    .expected = an id of the sheet Instruments
    .remedy = Look at the thing itself and correct the register.
register-mismatch_kept-elsewhere =
    .found = the set-up { $setup } has { $id } as { $part }, but the sheet Instruments keeps { $id } at { $other }
    .expected = the same on both sheets
    .remedy = Look at the thing itself and correct the register.
register-mismatch_wire-twice =
    .found = the wire { $wire } hangs at { $first } and at { $second }
    .expected = each wire at one set-up
    .remedy = Look at the thing itself and correct the register.
register-mismatch_no-wire =
    .found = the set-up { $setup } names the wire “{ $wire }”, which the sheet Wires does not have
    .expected = an id of the sheet Wires
    .remedy = Look at the thing itself and correct the register.
register-mismatch_least-count =
    .found = { $id }: the least count is { $typed } { $unit }, but { $step } ÷ { $divisions } = { $follows } { $unit }
    .expected = least count = pitch or main division ÷ divisions
    .remedy = Look at the thing itself and correct the register.
register-mismatch_nominal =
    .found = { $id } is of the kind nominal, and has a pitch or divisions
    .expected = a value that is marked and not read (a mass), or another kind
    .remedy = Look at the thing itself and correct the register.
register-mismatch_fraction =
    .found = { $id }: the permissible error is { $percent } % of the reading
    .expected = a fraction up to { $most } (0.005 is half a per cent)
    .remedy = Look at the thing itself and correct the register.
register-mismatch_limit =
    .found = { $id }: the permissible error is { $limit } { $unit }, which is { $divisions } divisions
    .expected = a permissible error of a few divisions, in { $unit }
    .remedy = Look at the thing itself and correct the register.
register-mismatch_zero =
    .found = { $id }: the zero error of { $on } is { $zero } { $unit }
    .expected = a zero error within { $most } { $unit }, in the unit of the instrument
    .remedy = Look at the thing itself and correct the register.
register-mismatch_no-set-up =
    .found = { $id } is kept at “{ $setup }”, which the sheet Set-ups does not have
    .expected = an id of the sheet Set-ups
    .remedy = Look at the thing itself and correct the register.
register-mismatch_length =
    .found = { $id } is { $length } m long
    .expected = a length in metres, from { $low } to { $high }
    .remedy = Look at the thing itself and correct the register.
register-mismatch_gauge =
    .found = { $id }: “{ $gauge }” is no wire gauge that is known here
    .expected = a gauge such as 26 SWG or 26 AWG, from 10 to 40, or an empty cell
    .remedy = Look at the thing itself and correct the register.
register-mismatch_diameter =
    .found = { $id }: { $gauge } is { $named } mm, but { $measured } mm was measured ({ $off } %)
    .expected = a measured diameter within 5 % of the gauge
    .remedy = Look at the thing itself and correct the register.
register-mismatch_material =
    .found = { $id }: “{ $material }” is on no practical's list of materials
    .expected = one of: { $choices } (otherwise groups choose it themselves)
    .remedy = Look at the thing itself and correct the register.
register-mismatch_day-ahead =
    .found = { $id } was checked on { $day }, a day that has not come yet
    .expected = a day up to { $today }
    .remedy = Look at the thing itself and correct the register.
register-mismatch_kind =
    .found = { $id } is a { $kind } scale
    .expected = a { $wanted } scale as { $part }
    .remedy = Look at the thing itself and correct the register.
register-mismatch_unit =
    .found = { $id } is in { $unit }
    .expected = a unit of the same quantity as { $wanted }, for { $part }
    .remedy = Look at the thing itself and correct the register.
register-mismatch_error-given =
    .found = { $id } states its permissible error { $given }; a workbook is issued without it
    .expected = one { $wanted }, as the practical uses it for { $part }
    .remedy = Look at the thing itself and correct the register.
in-its-unit = in its unit
as-a-fraction = as a fraction
check-overdue_register =
    .found = { $id } was last checked on { $checked }; the next check was due on { $due }
    .expected = an instrument that was checked in time
    .remedy = Check it (the register has a sheet for it) and write the day into the register.

# workbooks that are bound to it
binding-damaged =
    .found = what this workbook knows of its set-up has been changed ({ $reason })
    .expected = the hidden sheet as it was issued
    .remedy = The readings are evaluated without the register; compare the least counts and zero errors with it by hand.
setup-not-in-register =
    .found = the register has no set-up “{ $setup }” { $groups }
    .expected = a set-up of it: { $known }
    .remedy = Name the set-up in the roster or the rota as in the register; without it a workbook is issued without the register.
setup-not-in-register_none =
    .found = no set-up is named { $groups }
    .expected = a set-up of it: { $known }
    .remedy = Name the set-up in the roster or the rota as in the register; without it a workbook is issued without the register.
of-groups = (group { $names })
setup-incomplete =
    .found = the set-up { $setup } names no instrument for { $part } ({ $title })
    .expected = an id of the sheet Instruments
    .remedy = Nothing is compared for it.

# the roster
roster-refused =
    .found = the roster is wrong: { $found }
    .expected = { $expected }
    .remedy = Correct the roster and try again; nothing was issued.
roster-refused_twice =
    .found = the roster names the group “{ $group }” twice (row { $row })
    .expected = each group once
    .remedy = Correct the roster and try again; nothing was issued.
roster-refused_many =
    .found = the roster has too many groups
    .expected = up to { $most }
    .remedy = Correct the roster and try again; nothing was issued.
roster-refused_none =
    .found = the roster names no group
    .expected = one group a row
    .remedy = Correct the roster and try again; nothing was issued.
roster-row =
    .found = row { $row } of the roster names no group ({ $texts }) and was passed over
    .expected = a group in each row
    .remedy = Write the group's name into the row, or delete it.
roster-columns =
    .found = these columns of the roster were not used: { $unused }
    .expected = the headings { $headings }; capitals, spaces and hyphens do not matter
    .remedy = If one of them is meant, give it that heading.

# the rota
rota-refused =
    .found = the rota is wrong: { $found }
    .expected = { $expected }
    .remedy = Correct the rota and try again; nothing was issued.
rota-refused_empty-cell =
    .found = the rota has no { $heading } in row { $row }
    .expected = every cell filled
    .remedy = Correct the rota and try again; nothing was issued.
rota-refused_week =
    .found = the rota has “{ $week }” as the week of row { $row }
    .expected = a whole number from 1
    .remedy = Correct the rota and try again; nothing was issued.
rota-refused_set-up =
    .found = the rota books the set-up { $setup } in week { $week } for { $groups }
    .expected = one group at a set-up at a time
    .remedy = Correct the rota and try again; nothing was issued.
rota-refused_group =
    .found = the rota sends the group “{ $group }” to the set-ups { $setups } in week { $week }
    .expected = a group at one set-up at a time
    .remedy = Correct the rota and try again; nothing was issued.
rota-refused_none =
    .found = the rota has no sitting
    .expected = a row a sitting
    .remedy = Correct the rota and try again; nothing was issued.
rota-misses_no-row =
    .found = the group “{ $group }” is nowhere in the rota
    .expected = a row for each group
    .remedy = Correct the rota or the roster; no workbook was issued for it.
rota-misses_no-group =
    .found = the rota has a group “{ $group }” in week { $week }
    .expected = a group of the roster
    .remedy = Correct the rota or the roster; no workbook was issued for it.
rota-misses_practical =
    .found = by the rota nobody sits at “{ $practical }” in week { $week }
    .expected = a week of it: { $weeks }, and a practical of that week
    .remedy = Correct the rota or the roster; no workbook was issued for it.
rota-misses_week =
    .found = by the rota week { $week } is empty
    .expected = a week of it: { $weeks }, and a practical of that week
    .remedy = Correct the rota or the roster; no workbook was issued for it.
no-such-rota_numbers =
    .found = { $groups }, { $weeks } and { $practicals } make no rota
    .expected = groups, 1 to { $most_weeks } weeks, 1 to { $most_practicals } practicals
    .remedy = Change the numbers; nothing was written.
no-such-rota_names =
    .found = a practical is named twice, or has no name
    .expected = each practical once
    .remedy = Change the numbers; nothing was written.
no-such-rota_set-ups =
    .found = { $setups } is no number of set-ups
    .expected = one number from 1 to { $most }, or one for each practical ({ $count })
    .remedy = Change the numbers; nothing was written.
no-such-rota_typed =
    .found = “{ $text }” is no number of set-ups
    .expected = one number, such as 6, or one for each practical, such as 4,3
    .remedy = Correct --setups; nothing was written.
no-such-rota_weeks =
    .found = each group has { $practicals } to do, one a week, in { $weeks }
    .expected = { $least } weeks or more
    .remedy = Change the numbers; nothing was written.
no-such-rota_places =
    .found = { $groups } × { $practicals } = { $sittings } sittings, but { $setups } × { $weeks } = { $places } places
    .expected = { $more_setups }, or { $more_weeks }
    .remedy = Change the numbers; nothing was written.
no-such-rota_own-places =
    .found = “{ $practical }”: { $groups }, but { $setups } × { $weeks } = { $places } places
    .expected = { $more_setups } of it, or { $more_weeks }
    .remedy = Change the numbers; nothing was written.
count-groups = { $count ->
        [one] 1 group
       *[other] { $count } groups
    }
count-weeks = { $count ->
        [one] 1 week
       *[other] { $count } weeks
    }
count-practicals = { $count ->
        [one] 1 practical
       *[other] { $count } practicals
    }
count-set-ups = { $count ->
        [one] 1 set-up
       *[other] { $count } set-ups
    }

# the list of materials
materials-refused =
    .found = the list of materials is wrong: { $found }
    .expected = { $expected }
    .remedy = Correct the list of materials and try again; nothing was issued.
materials-refused_text =
    .found = the list of materials has no { $heading } in row { $row }
    .expected = a name and a source of every material
    .remedy = Correct the list of materials and try again; nothing was issued.
materials-refused_range =
    .found = the list of materials has no range of { $name } in row { $row }
    .expected = the lowest and the highest in { $unit }
    .remedy = Correct the list of materials and try again; nothing was issued.

# commands
no-such-practical_none =
    .found = no practical is named
    .expected = a practical, or a rota that names them
    .remedy = Type “sheetlab practicals” for the list.
file-exists_issued =
    .found = this file is there already and was left as it is
    .expected = a folder without workbooks of this practical for this group
    .remedy = Issue into another folder, or move the old file away.
definition-workbook = a definition as .toml, .xlsx or .ods
definition-note-practical = What the practical is called, and what students read first. A row for each step, caution and piece of apparatus: write “method”, “cautions” or “apparatus” before it.
definition-note-instruments = A row for each instrument; its name in the first column is what formulas call it (letters, digits and _).
definition-note-readings = What students type and what each row works out. The name of a column begins with its table: positions.lens. Other keys (sheetlab manual keys) may be added as further headings.
definition-note-results = What is worked out of the readings, what it is compared with, and what is asked. Formulas are written without =.
definition-note-invented = What a bench of this practical is truly like, to try it before students do. Each true value has low and high, or fixed, or a formula.
definition-first = { $first ->
    [name] Its name: letters, digits and _. Delete the row, or leave it empty, if it is not needed.
    [of] The name of the thing that it belongs to.
   *[other] Which one; choose from the list.
}
definition-not-read =
    .found = the definition cannot be read: { $reason }
    .expected = a UTF-8 text file
    .remedy = Check the file.
definition-no-block =
    .found = this workbook has none of the blocks of a definition
    .expected = { $titles }
    .remedy = Begin with “sheetlab practicals new”.
definition-cell_title =
    .found = the headings below “{ $title }” have no title that is known{ $near }
    .expected = { $allowed }
    .remedy = Write the title above them and try again.
definition-cell_no-headings =
    .found = the headings of “{ $title }” are missing
    .expected = a row that begins with name, of or key
    .remedy = Write them below the title, or take the block from a new workbook (sheetlab practicals new).
definition-cell_twice =
    .found = “{ $heading }” is there twice
    .expected = once
    .remedy = Delete one of them.
definition-cell_heading =
    .found = “{ $heading }” is no key of these things{ $near }
    .expected = { $allowed }
    .remedy = Correct the cell and try again.
definition-cell_no-name =
    .found = this row of “{ $title }” has nothing in the column “{ $first }”
    .expected = a { $first }, or an empty row
    .remedy = Correct the cell and try again.
definition-cell_name =
    .found = “{ $name }” is { $reason }
    .expected = a name that is used once, of something that is there
    .remedy = Correct the cell and try again.
definition-cell_value =
    .found = what stands below “{ $heading }” { $reason }
    .expected = what the help of the cell says
    .remedy = Correct the cell and try again.
definition-cell_one-end =
    .found = one end of “{ $heading }” is missing
    .expected = both ends, or none
    .remedy = Correct the cell and try again.
trial-note = Tried on invented benches of the definition's own. Where its bench repeats a mistake of its formulas, nothing shows here: compare with a result from real apparatus, too.
trial-no-bench = The definition has no invented bench (the sheet “Invented readings”, or the table bench), so nothing could be tried but the sheets.
trial-other-sign = The result has the other sign than the truth of the bench: truth { $truth }, result { $value }. Look for a minus sign, or for a difference taken the wrong way round.
trial-times = The result is { $factor } times the truth of the bench: truth { $truth }, result { $value }. Look for this factor in the formulas, or for a unit.
trial-divided = The result is the truth of the bench divided by { $factor }: truth { $truth }, result { $value }. Look for this factor in the formulas, or for a unit.
trial-off = The result is not the truth of the bench: truth { $truth }, result { $value }, on average { $ratio } times the truth.
trial-covered = The stated interval holds the truth in { $covered } of { $count } careful benches; about 95 of 100 is right.
trial-asked = { $asked ->
    [0] None of { $count } careful benches was asked a question.
   *[other] { $asked } of { $count } careful benches were asked a question without a reason: { $codes }.
}
trial-planted = Of { $planted } planted mistakes { $matters } changed the result by more than its uncertainty; { $seen } of these were seen.
trial-silent = Passes in silence although it changes the result by more than its uncertainty: { $what }
trial-accepted = The result agrees with the accepted value in { $near } of { $count } careful benches.
trial-uncertainty = The result is uncertain by about { $share } (expanded).
trial-benches = Careful groups with the usual scatter. “Asked”: findings that such a group would be told without a reason.
trial-slips = Each mistake was planted in a few benches. What is not seen, and does not matter, is left out of the last column.
letters-small =
    .found = on paper the letters of the sheet “{ $sheet }” come out { $points } points high
    .expected = { $least } points or more
    .remedy = { $lies ->
        [True] Put some of its tables on another sheet, or take fewer repeats.
       *[other] Turn the sheet (landscape), or put some of its tables on another one.
    }
practicals-new = { $file }: open it in a spreadsheet program, change it, and try it: sheetlab practicals check { $file }
