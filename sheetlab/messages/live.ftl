### Functions for cells, and commands in the spreadsheet program

saved-as-ods =
    .found = the workbook is an .ods file, in which result sheets would not be found again
    .expected = a workbook that is saved as .xlsx
    .remedy = Choose File > Save As, take Excel Workbook (.xlsx), and try again.

other-template =
    .found = the xlwings that is installed has another template for add-ins
    .expected = one like that of xlwings 0.37
    .remedy = Install xlwings 0.37 (“pip install xlwings==0.37.8”), or a newer sheetlab.

no-xlwings =
    .found = xlwings is not installed in this environment
    .expected = the package that Excel and Python talk through
    .remedy = Type “pip install ".[excel]"” in the folder of sheetlab, and try again.

workbook-locked =
    .found = the workbook does not let sheets be added or deleted
    .expected = a workbook whose structure is not protected
    .remedy = Take the protection of the workbook off, and try again.

sheet-locked =
    .found = the sheet “{ $sheet }” is protected with a password, so its cells were left as they are
    .expected = a sheet without a password
    .remedy = Take the protection off, and try again.
