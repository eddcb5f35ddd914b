### Results that are written

# why a file is left as it was
unsaved-signed = is signed, which results would break
unsaved-meanwhile = was saved by someone else while it was being evaluated
unsaved-foreign = is there already, and is no evaluated copy
unsaved-open = is open in a spreadsheet program
unsaved-failed = could not be written: { $reason }
unsaved-file-link = is not written through { $link }, a link to another file
unsaved-folder-link = is not written through { $link }, a link to another folder

# what to do then
again-evaluate = evaluate again
again-file = name that file itself
again-folder = name that folder itself

not-written_results =
    .found = { $name } { $why }; the results were not saved, and the file is as it was
    .expected = a file that can be replaced
    .remedy = Close it everywhere, check the folder, and { $again }.
file-unreadable_odd =
    .found = the file is built in a way that sheetlab does not understand ({ $kind })
    .expected = a workbook as a spreadsheet program saves it
    .remedy = Open it in a spreadsheet program, save it under another name as .xlsx, and try again. Please report the file if that does not help.
result-not-computable_arithmetic =
    .found = the readings lead beyond what can be calculated ({ $error })
    .expected = readings of a usual size
    .remedy = Look for a reading with a slip in its power of ten.
other-practical =
    .found = this is a workbook of “{ $practical }”
    .expected = a workbook of “{ $wanted }”
    .remedy = Evaluate it without asking for a practical, or look for the right file.
