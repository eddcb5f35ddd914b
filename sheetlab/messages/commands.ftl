### Commands: what is asked for, and where it is to go

option-refused =
    .found = { $option }: “{ $text }” is not understood
    .expected = { $expected }
    .remedy = Type it again; nothing was done.
no-files =
    .found = there is no workbook in { $folders }
    .expected = a folder with .xlsx, .xlsm or .ods files
    .remedy = Check the folder.
no-files_watched =
    .found = there is no folder { $folder }
    .expected = the shared folder in which the benches save their workbooks
    .remedy = Check the name and the share.
folder-not-empty =
    .found = { $folder } is not an empty folder
    .expected = a new or empty folder
    .remedy = Give another name; nothing was written.
not-written_refused =
    .found = the disk or the network refused: { $reason }
    .expected = folders that can be read and written, with room in them
    .remedy = What was written before is whole; put the cause right and run it again.
no-such-page =
    .found = the manual has no page “{ $typed }”
    .expected = { $topics }
    .remedy = { $near ->
        [none] “sheetlab manual” says what each is about.
       *[other] Did you mean “{ $near }”?
    }
