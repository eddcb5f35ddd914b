### The archive of the years

# the database
no-archive =
    .found = { $what }
    .expected = the database that “sheetlab archive add … --archive DEPARTMENT.sqlite” wrote
    .remedy = Check the name and the share. What counts in a class gets into an archive with “archive add CLASS.xlsx”.
no-archive-file = there is no archive { $name }
no-archive-folder = there is no folder { $folder }
no-archive-workbook = no workbook of a year is there, such as { $name }
no-archive_name =
    .found = the name of an archive has to end in .sqlite, and { $name } does not
    .expected = an archive, such as DEPARTMENT.sqlite, beside which the workbooks of the years lie
    .remedy = Write { $stem }.sqlite.
no-archive_file =
    .found = the name of an archive has to end in .sqlite, and { $name } does not
    .expected = an archive, such as DEPARTMENT.sqlite, beside which the workbooks of the years lie
    .remedy = Name the archive itself. What counts in a class gets into it with “sheetlab archive add CLASS.xlsx --archive DEPARTMENT.sqlite”.
archive-busy =
    .found = someone else is writing to { $name }, and was not done after { $seconds } s
    .expected = an archive that one PC at a time writes to
    .remedy = Try again in a minute. What was told of as added is kept.
archive-busy_program =
    .found = { $name } is in use by another program ({ $error })
    .expected = a database that no other program holds
    .remedy = Nothing is damaged: leave the file where it is. Close it where it is open (a database browser, a backup or the sync of a share), and try again.
archive-unreadable =
    .found = { $name } { $what }
    .expected = the database of an archive, in a folder that can be written to
    .remedy = Check the share. If the file is damaged, move it away and put the last backup there, or make it again from the workbooks of the years with “sheetlab archive import”.
archive-empty = is empty
archive-not-locked = cannot be locked ({ $error })
archive-damaged = is damaged or no database ({ $error })
archive-odd = holds what it should not ({ $error })
archive-unusable = cannot be used ({ $error })
not-written_full =
    .found = the disk or share of { $name } is full; what was begun in { $name } was taken back
    .expected = room for the database
    .remedy = Nothing is damaged: leave the file where it is. Make room, and try again.

# adding
older-source =
    .found = saved { $saved }, which is older than what row { $row } holds (saved { $held }); not added
    .expected = the last hand-in of the group
    .remedy = If this one is to count all the same, add it by itself with --older.
order-unknown =
    .found = replaces row { $row }, because it was added later: when { $which } was saved is not known
    .expected = the last hand-in of the group
    .remedy = Look whether it is. If not, add the right one by itself with --older.
order-this = this workbook
order-other = that of row { $row }
setup-not-kept =
    .found = what was typed as the set-up is no label such as “W1” or “bench 3”; row { $row } is kept without it, because it may be a name
    .expected = the label of the bench, or a workbook issued with a register
    .remedy = Charts of drift leave this row out of every set-up.
other-set-up_added =
    .found = the first sheet names the set-up “{ $typed }”, but the workbook was issued for “{ $bound }”; row { $row } counts for { $bound }, with what it has in the register
    .expected = the set-up { $bound }
    .remedy = Ask the group where it was. If it was not there, what the charts of drift say of { $bound } rests on the wrong instruments.
archive-altered_end =
    .found = rows at the end of the archive are missing or were changed; nothing was added
    .expected = the rows that were written
    .remedy = Run “sheetlab archive check”, which names the first row.
key-list-missing =
    .found = the rows of { $archive } have codes, and the list { $list } { $what }; nothing was added, because a workbook that was corrected would count twice
    .expected = the list of codes that belongs to the archive
    .remedy = Put it back under that name, or give its name with --codes. If it is gone for good, --new-codes begins a new list: corrected workbooks of groups that are in the archive then count beside the old ones.
key-list-other = holds none of them
key-list-gone = is not there
key-list-refused =
    .found = { $name } cannot be used as a list of codes ({ $why })
    .expected = a CSV file with the columns { $columns } that sheetlab wrote
    .remedy = Give another name with --codes. Nothing was added.
option-refused_keep-until =
    .found = --keep-until: { $day } is not after today, { $today }; nothing was added, because the next “archive purge” would take the codes away
    .expected = a day to come
    .remedy = Type it again, or leave it out: codes are then kept to the end of the year that follows.
codes-due_added =
    .found = the codes of { $year } are kept to { $day }, which is past: the next “archive purge” takes them away
    .expected = codes that are kept as long as they are needed
    .remedy = What is added with --keep-until is kept longer.
file-unreadable_no-results =
    .found = its results cannot be put into a table ({ $error })
    .expected = a workbook that can be evaluated
    .remedy = Evaluate it by itself, and add it again.
readings-invented =
    .found = this workbook is of a practice set: its readings are invented; it was not added
    .expected = a workbook with readings that a group took
    .remedy = Take the practice set out of the folder.
other-year =
    .found = the same readings were added as a result of { $before } already; they were not added to { $year }
    .expected = readings of this year's class
    .remedy = Check --year and the folder: what is added stays.

# checking
archive-altered =
    .found = { $what }; the rows before it are in order, from row { $row } on nothing is proved
    .expected = rows as they were written, each with the digest of the one before
    .remedy = Take the database from the last backup that passes the check, and add again what is missing there.
altered-link = where row { $row } belongs stands a row that does not follow the one before it (rows were taken out, put in or moved here)
altered-row = row { $row } was altered (its digest does not fit it)
altered-code = row { $row } was altered (its code was changed)
altered-lost = row { $row } has lost its code (it was to be kept until { $day })
altered-end = the last rows are missing: { $count } were written, { $there } are there (the end was cut off)
archive-altered_digest =
    .found = no row has the digest { $digest }, which was noted as its last one
    .expected = every row that was ever there
    .remedy = Check the digest for a slip. If it is right, this is another archive or it was written anew: take the last backup that passes.
archive-altered_values =
    .found = there are numbers beside a row { $row }, which is not there
    .expected = numbers beside rows that are there
    .remedy = Take the database from the last backup that passes the check, and add again what is missing there.
codes-due =
    .found = { $count ->
        [one] 1 code
       *[other] { $count } codes
    } of groups may go since the day to which they were kept
    .expected = codes that are kept as long as they are needed
    .remedy = Run “sheetlab archive purge { $archive }”.
names-left =
    .found = { $count ->
        [one] 1 name
       *[other] { $count } names
    } in the list of codes with no row in the archive
    .expected = names of groups whose codes the archive still has
    .remedy = Take these lines out of the list, or delete the list if no other archive uses it. Look for copies of it in backups too.
not-in-archive =
    .found = no row of { $archive } holds the readings of this workbook
    .expected = a workbook as it was when it was added
    .remedy = Its readings were changed since, or it was never added.

# the workbooks of the years
database-behind =
    .found = { $book } { $what }; the workbook was left as it is
    .expected = a database with every row of the workbooks
    .remedy = Copy the workbooks of all years to a safe place. Then move { $archive } away, and make it again from them with “sheetlab archive import { $archive }”. If { $book } is the wrong one of the two, move that away instead.
behind-other = ends with another row { $row } than the database holds, which was altered or written anew
behind-rows = holds { $count ->
        [one] 1 row
       *[other] { $count } rows
    }, and the database { $archive } only { $there }: it was emptied, cut off, or put back from an older copy
behind-gone = holds { $count ->
        [one] 1 row
       *[other] { $count } rows
    }, and the database { $archive } is not there
view-behind =
    .found = { $name } { $what }; all rows are safe in the database
    .expected = the workbook of the year, closed, as the database holds it
    .remedy = Close it, or move it away if it is another one. The next “archive add” writes it, and “archive export” writes the workbooks of all years anew.
view-foreign = is no workbook of a year, or damaged, and was left as it is
view-open = is open in a spreadsheet program and was left as it is
view-long = was not written: a sheet cannot hold so many rows
view-kept = could not be replaced ({ $error }) and was left as it is
view-unread = cannot be read
view-gone = is not there
view-codes = still shows codes that were taken away
view-rows = shows { $count ->
        [one] 1 row
       *[other] { $count } rows
    }, and the database holds { $held }
view-damaged = cannot be read ({ $error })
view-row = shows row { $row } otherwise than the database holds it
view-values = shows values beside rows that are not there
file-exists_database =
    .found = { $name } is there already; nothing was imported
    .expected = a folder without the database
    .remedy = If the database is damaged, move it away first.
years-missing =
    .found = { $names } { $count ->
        [one] is
       *[other] are
    } missing; nothing was imported, because the rows of all years are one chain of digests
    .expected = the workbooks of all years of the archive in one folder
    .remedy = Take what is missing from the department’s copies, and put it beside the others.
archive-unreadable_import =
    .found = the workbooks cannot be imported ({ $error }); nothing was
    .expected = the workbooks of the years, as sheetlab wrote them
    .remedy = Take them from the department’s copies.

# drift and evidence
no-such-years =
    .found = there is no row of { $asked }; the archive has { $years }
    .expected = years that are in the archive
    .remedy = Give one of them, or two, with --baseline-years.
years-span = { $first } to { $last }
years-none = no year at all
file-exists_drift =
    .found = { $name } is there already and holds no charts of drift; nothing was written
    .expected = a new file, or an earlier one of “sheetlab drift”
    .remedy = Give another name with --out, or move the old file away.
open-in-a-program = it is open in a spreadsheet program
no-such-folder_sources =
    .found = { $folder } is no folder that can be read
    .expected = the folder of the hand-ins
    .remedy = Check --sources; nothing was written.

# what stands on the sheets of a year
year-note = All results of the year, as the database beside this workbook holds them; whatever is typed here is lost when they change. Numbers are in the unit beside them (coherent SI). Groups are codes; the list that explains them is a file of its own.
year-rows = One row for each result, in the order in which they were added. Rows are only ever added: a workbook that was changed afterwards comes as a new revision, which names the row it replaces. Row numbers run through all years.
year-kept = This workbook is complete. From the workbooks of all years “sheetlab archive import” makes the database again, if that is lost.
year-proof = Every row carries a digest of itself and of the row before it. “sheetlab archive check” names the first row that was altered, taken out, put in or moved. Note the digest of the last row elsewhere (in the minutes, say): with --expect it proves later that nothing up to that row was written anew.
year-codes = No names are here. The list of codes is a file of its own and may be deleted. “sheetlab archive purge” takes codes away after the day to which they are kept; the results stay.
year-values = The numbers beside a result, by its row: zero (zero error of an instrument), division (its least count), scatter (about the line), quantity, comparison (difference from an accepted value as a fraction), own (fraction of the group’s own results that agree), saved (when the workbook was saved, by what stands in it), finding (how many of a kind made it doubtful).

# what charts of drift say; the documents are named from memory
drift-sources = Sources: limits of single values with moving range, ISO 7870-2; EWMA, ISO 7870-6 and Roberts 1959; means of a year and of the values that set the limits, Welch 1947; eight on one side, Western Electric handbook 1956. The limits are widened by Student’s t while few values set them, so that such a chart sees little of single values; the mean of a year ({ $least } values or more) is seen sooner. Of steady years less than one in 250 is told as apart, and of steady series of 36 values about one in 25 shows a signal of any rule all the same, and one in six a hint (a run on one side): a signal is a reason to look, not a proof. In the moving average a value beyond the limits of single values counts only as that limit, and not at all if its workbook has doubtful findings: one slip does not bend it for years. Three in a row beyond the same limit are no slips: from the third on they count in full. Findings that a drift itself causes (a zero error that is not that of the register) are not counted among the doubtful ones here.
drift-hint = A hint, no more: nothing is beyond its limits, and in one steady series of six a run comes by chance. Look at the chart after the next class.
drift-zero = Take the instrument and look: clean what touches (faces, jaws, pan), and read its zero five times yourself. If the zero has moved, have it set, or take the instrument out of use. Results stay right as long as every group subtracts the zero error it has read; where a group forgot it, they are off by just this much.
drift-quantity = If this is a property of the apparatus that should not change, measure it yourself with another instrument. If your value is the old one, look at the instrument (its zero chart first); if it is the new one, the part has changed: replace it, and write the new value into your register.
drift-result = Look first at the charts of zero errors and dimensions of the same set-up: a moved instrument shows there too. If they are steady, repeat the practical yourself at this set-up, and at another one, before the next class.
drift-scatter = More scatter: look for a loose clamp, play in a screw, a pointer that sticks, a table that shakes. Less scatter than ever: ask whether readings were invented or taken over from others.
drift-few = Only { $span } values set the limits{ $which }, so these are wide; more values (--baseline, --baseline-years) narrow them.
drift-steady = No signal: nothing seems to drift.
drift-no-chart = No series has enough values for a chart yet.
drift-slips = { $count } of these workbooks had doubtful findings: look at them first, it may be a slip of the group.

# what an evidence pack says
evidence-schedule = From { $archive }. A row a practical, year and version of its definition; only the last revision of each result is counted.
evidence-check = What “sheetlab archive check” found. Codes stand for groups; no names are here.
evidence-criteria = How many workbooks of a practical are evidence of what. – means none, or not asked for; an earlier sheetlab did not keep whether uncertainty and slope are the group's own.
evidence-samples = Best, middle and weakest workbook of each practical and year, by status, then how far the result is off the accepted value (without one, off the median of the year) in steps of 10 %, then the number of findings. Where no file stands, ask the department for the workbook by its code, while the list of codes is kept.
evidence-files = { $sums } holds the same digests: “sha256sum -c { $sums }” tells whether a file was changed since. The digest of a definition is the SHA-256 of its file. That of a sample is of its readings, as they were typed: “sheetlab archive check ARCHIVE --workbook FILE” works it out anew and names the row. Samples were made anew from what was typed and evaluated, with the code in the place of names; photos, comments and free texts stay in the original.
evidence-checked = Checked on { $day }: { $count ->
        [one] 1 row
       *[other] { $count } rows
    }; digest of the last row { $digest }.
evidence-sound = The table is complete and unaltered: the digest of every row fits its contents and the row before it.
evidence-broken = The table did not pass the check.
evidence-revised = Revisions of earlier rows, which are still there: { $revised }. Rows whose codes were taken away after the day to which they were kept: { $purged }.

# what the commands say
archive-row = { $file }: row { $row }, { $code }{ $again }{ $which }
archive-revision = , a revision of row { $row }
archive-added = { $archive }: { $rows ->
        [one] 1 row
       *[other] { $rows } rows
    } added ({ $revised ->
        [one] 1 of them a revision
       *[other] { $revised } of them revisions
    }), one for each result of a workbook; { $there ->
        [one] 1 workbook was
       *[other] { $there } workbooks were
    } there already, { $refused ->
        [one] 1 was
       *[other] { $refused } were
    } not taken
archive-checked = { $archive }: { $rows ->
        [one] 1 row
       *[other] { $rows } rows
    }, complete and unaltered
archive-noted = digest of the last row, to be noted elsewhere: { $digest }
archive-holds = { $file }: its readings are those of row { $row } ({ $year }, { $practical }, { $code })
archive-taken = code taken away
archive-due = { $year }: { $codes ->
        [one] 1 code
       *[other] { $codes } codes
    } of { $rows ->
        [one] 1 row
       *[other] { $rows } rows
    }, kept to { $day }: { $what ->
        [stay] stay
        [would] would go
       *[gone] are gone
    }
archive-purged = { $archive }: codes { $dry ->
        [one] to be taken
       *[other] taken
    } from { $rows ->
        [one] 1 row
       *[other] { $rows } rows
    }, and { $names ->
        [one] 1 name
       *[other] { $names } names
    } from the list of codes; { $waiting ->
        [one] 1 row
       *[other] { $waiting } rows
    } not due yet
archive-imported = { $archive }: { $rows ->
        [one] 1 row
       *[other] { $rows } rows
    } imported, all in order
archive-last = digest of the last row: { $digest }
archive-exported = { $file }: { $rows ->
        [one] 1 row
       *[other] { $rows } rows
    }
evidence-lacking = not in the pack: { $what } ({ $why })
drift-first = first { $count } sound values
drift-years = sound values of { $first } to { $last }
