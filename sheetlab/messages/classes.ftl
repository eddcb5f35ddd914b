### A class: its workbook, what lasts in it, the hand-ins that it was made of

# making it
no-files_class-folder =
    .found = there is no folder { $folder }
    .expected = the folder into which the class hands in its .xlsx files
    .remedy = Check the folder; nothing was written.
no-files_class-empty =
    .found = there is no workbook in { $folder }
    .expected = the folder into which the class hands in its .xlsx files
    .remedy = Check the folder; nothing was written.
not-written_class-name =
    .found = { $name } has a name that programs hide or use for files of the moment; it is as it was
    .expected = a workbook that can be replaced, in a folder that can be written to
    .remedy = Give another name, and { $again }.
not-written_class-meanwhile =
    .found = { $name } was saved by someone else while it was brought up; it is as it was
    .expected = a workbook that can be replaced, in a folder that can be written to
    .remedy = Close it, check the folder, and { $again }.
not-written_class =
    .found = { $name } could not be written: { $reason }; it is as it was
    .expected = a workbook that can be replaced, in a folder that can be written to
    .remedy = Close it, check the folder, and { $again }.
other-class =
    .found = { $name } was made of another folder, and none of its hand-ins is in { $folder }; its marks are those of another class, and it is as it was
    .expected = a new name for the workbook of a new class
    .remedy = Give another name with --out.
no-such-date =
    .found = “{ $text }” is no date
    .expected = 2026-03-13, or 2026-03-13T16:00 for a time of that day
    .remedy = Write it like this.
no-such-scheme =
    .found = there is no marking scheme “{ $name }”
    .expected = { $schemes }, or a file that ends in { $ending }
    .remedy = Check the name.

# what lasts in it
class-unreadable =
    .found = { $name } cannot be read: { $why }. It may hold marks, so nothing was written
    .expected = the class workbook as it was written, or no file of that name
    .remedy = Get it back from a copy, or move it away, or give another name with --out.
marks-moved =
    .found = rows show another group than they were written for: { $cells }. Marks and comments of these rows were given to { $whom ->
        [named] the group named in the row
       *[written] the group that stood there when written
    }
    .expected = each group in its row, or whole rows sorted, with the hidden columns before them
    .remedy = Look through the marks of these groups.
not-carried-over =
    .found = { $name } held what the new one does not: { $what }. The file as it was is { $copy }
    .expected = marks and comments on the sheet “Marks”, or a comment in the box on a page of feedback
    .remedy = Get it from { $copy }, and keep notes of your own in another workbook.

# the hand-ins that it was made of
source-refused_format =
    .found = { $name } is the workbook of a class, saved as { $ending }
    .expected = a class workbook as .xlsx
    .remedy = Add the .xlsx that “sheetlab class” wrote, or save this one as .xlsx first.
source-refused_outside =
    .found = “{ $file }” leads out of the folder of the class, or is no workbook
    .expected = a workbook in the folder that the class was made of, or below it
    .remedy = Do not trust this class workbook: find out who changed it, or make it anew with “sheetlab class”.
source-refused_folder =
    .found = the hand-ins of { $name } do not lie beside it or below it
    .expected = a class workbook in a folder that also holds its hand-ins
    .remedy = Name the folder of the hand-ins with --folder.
source-changed =
    .found = “{ $file }” holds other readings, or another group, than when the class workbook was written; it was not added
    .expected = the hand-in that counts in the class
    .remedy = Run “sheetlab class” again, look at the marks, and add the class again.
source-gone =
    .found = “{ $file }”, which counts for { $group } in this class, is not in { $folder }
    .expected = every hand-in that counts, where it lay when the class workbook was written
    .remedy = Put it back, or name the folder of the hand-ins with --folder.
source-gone_none =
    .found = { $name } does not say which hand-ins count: there is none, or an earlier sheetlab wrote it
    .expected = a class workbook with hand-ins
    .remedy = Run “sheetlab class” again, and add it then.
