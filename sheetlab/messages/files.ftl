### Files that cannot be used

file-unreadable =
    .found = the file { $what }
    .expected = { $wanted }
    .remedy = { $remedy }
an-issued-workbook = an .xlsx, .xlsm or .ods workbook that was issued by sheetlab

# what is wrong with the file
file-too-much = has a sheet with far more cells or texts than a practical needs
file-many-parts = has too many parts, or the same part twice
file-document-type = carries an XML document type, which no spreadsheet program writes
file-pipe = is a pipe, a device or a folder, not a file
file-old-kind = is a workbook of the old .xls kind
file-web-page = is a web page, not a workbook
file-text = is no workbook; it may be text with another ending
file-packed-oddly = is packed in a way that no spreadsheet program uses
file-unpacks-to-more = would unpack to far more than a workbook from sheetlab holds
file-archive = is an archive, but not a workbook
file-main-part-lost = has lost its main part
file-other-format = is not an ordinary .xlsx workbook (another Office format)
file-no-workbook = is not a workbook
file-other-document = is an OpenDocument file, but no spreadsheet
file-parts-overlap = has parts that lie in each other
file-cut-short = is cut short, damaged, or no workbook
file-many-texts = has far more texts than sheetlab writes
file-other-part = has a part that is not built like those of sheetlab
file-part-lost = has lost a part
file-damaged = is damaged inside ({ $error })
file-size = is { $size } MB, more than sheetlab reads
file-not-opened = cannot be opened: { $reason }
file-damaged-archive = is cut short or damaged
file-empty = is empty (0 bytes)
file-strict = is a workbook of the kind “Strict Open XML”, which hardly any program writes
file-password = is locked with a password
file-too-large = is far too large for a list
file-not-text = is no text file
file-no-table = cannot be read as a table: { $error }
file-not-there = is not there
file-no-year = is no workbook of a year as an archive writes it ({ $error })

# what to do
save-again = Open it in a spreadsheet program, save it again as .xlsx, and try again.
check-share = Check the name and the share.
check-name = Check the name.
get-again = Get it again from the student or the share; this copy cannot be read.
get-empty-again = Get it again; nothing was saved in it.
save-without-strict = Save it as “Excel workbook (.xlsx)”, without “Strict”.
save-without-password = Open it with the password and save it without one.
take-year-workbook = Take the one that lies beside the database, as sheetlab wrote it.
