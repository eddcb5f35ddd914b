### What a workbook is, and what stands in its cells

file-unreadable_by-rows =
    .found = the workbook is open in openpyxl for reading or writing only, row by row
    .expected = a workbook that openpyxl holds as a whole
    .remedy = Open it with openpyxl.load_workbook(path), or give the path itself.

## The hidden sheet

not-issued =
    .found = this workbook was not issued by sheetlab, or its hidden sheet was removed
    .expected = a workbook made with “sheetlab issue”
    .remedy = Copy the readings into an issued workbook and evaluate that.
other-format =
    .found = this workbook has the format { $format }
    .expected = format { $ours }
    .remedy = Evaluate it with the sheetlab version that issued it, or a newer one.
identity-damaged =
    .found = the hidden sheet that tells which practical this is has been changed
    .expected = the sheet as it was issued
    .remedy = Copy the readings into a newly issued workbook and evaluate that.
definition-altered =
    .found = the definition inside this workbook is not the one it was issued with
    .expected = an unchanged hidden sheet
    .remedy = Compare with another group's result, or copy the readings into a new workbook.
definition-altered_version =
    .found = the definition inside this workbook is not version { $version } of “{ $practical }”, as which it goes
    .expected = the definition that comes with sheetlab, or a version of its own for another
    .remedy = Was the hidden sheet changed? Copy the readings into a newly issued workbook, and compare the results. A department's own definition needs an id or version of its own.
definition-newer =
    .found = the definition inside this workbook is version { $version } of “{ $practical }”; this sheetlab has version { $ours }
    .expected = version { $ours } or an earlier one
    .remedy = Evaluate it with the sheetlab that issued it, or look whether the hidden sheet was changed.

## Where the cells are

rows-shifted =
    .found = the columns of a table no longer begin and end in the same rows: cells were inserted, deleted or moved in some of them
    .expected = readings that belong together in one row
    .remedy = Compare the rows with the group's notes; a reading may stand beside the wrong one.
names-doubled =
    .found = the names of “{ $first }” and “{ $second }” point at the same cells
    .expected = names as they were issued
    .remedy = Compare with the group's notes, or copy the readings into a newly issued workbook.
sheet-gone = the sheet “{ $sheet }” is not there;
cells-lost =
    .found = { $gone } the cells of { $titles } can no longer be found by their names
    .expected = the sheets, cells and names of the issued workbook
    .remedy = Copy the readings into a newly issued workbook.
hidden-readings =
    .found = { $count } filled cells are hidden: { $spots }
    .expected = readings that everyone can see
    .remedy = They count like the others. Show the rows again; write the reason beside a row that is to be left out.
formula-overwritten =
    .found = the worked-out cells of “{ $title }” were overwritten: { $cells }
    .expected = the formulas of the issued workbook
    .remedy = The result is not touched by this: it is worked out from the readings.
protection-removed_cells =
    .found = worked-out cells were unlocked: { $cells }
    .expected = cells that cannot be typed over
    .remedy = The result is not touched by this: it is worked out from the readings.
protection-removed_sheets =
    .found = the protection was taken off: { $sheets }
    .expected = sheets in which only input cells can be typed into
    .remedy = The result is not touched by this: it is worked out from the readings.

## What was typed

formula-for-reading =
    .found = “{ $title }” holds a formula{ $kind ->
            [number] ; its last value is used
            [truth] { "" }
            [never] { " that was never calculated" }
           *[other] { " without a number" }
        }
    .expected = a reading that was typed
    .remedy = Type what was read, not what follows from it.
not-a-number_kind =
    .found = “{ $title }” holds { $shown }
    .expected = { $expected }
    .remedy = Type it again; until then it is left out.
not-a-number_text =
    .found = “{ $title }” holds the text { $shown }
    .expected = { $expected }
    .remedy = Type the number only; until then it is left out.
not-a-number_size =
    .found = “{ $title }” is { $shown }, which no instrument shows
    .expected = { $expected }
    .remedy = Type it again; until then it is left out.
not-a-choice_kind =
    .found = “{ $title }” holds { $shown }
    .expected = { $expected }
    .remedy = Type it again; until then it is left out.
not-a-choice_text =
    .found = “{ $title }” holds { $shown }
    .expected = { $expected }
    .remedy = Choose from the list in the cell.
number-as-text_plain =
    .found = “{ $title }” holds the text { $shown }; it is understood as { $value }
    .expected = a number
    .remedy = Nothing is lost; the workbook's own formulas cannot use a text, though.
number-as-text_ambiguous =
    .found = “{ $title }” holds the text { $shown }; it is understood as { $value }
    .expected = a number
    .remedy = Is the comma a decimal comma, or does it separate thousands? Type it again.
date-for-number_format =
    .found = “{ $title }” was taken for a date by the spreadsheet program
    .expected = { $expected }
    .remedy = Type it again with the decimal sign of the program, and set the cell's format back to a number.
date-for-number_serial =
    .found = “{ $title }” is { $value }, the number that a spreadsheet program has for the day { $day }
    .expected = { $expected }
    .remedy = Was { $meant } typed, and taken for a date? Type it again with the decimal sign of the program; until then it is left out.
day-or-month = { $day } or { $month }
time-for-number =
    .found = “{ $title }” is { $value }, the number that a spreadsheet program has for the time of day { $typed }
    .expected = { $expected }
    .remedy = Was { $typed } typed, and taken for a time of day? Type it in { $unit }: { $meant }; until then it is left out.
