### Work with many files

## Processes and clusters

took-too-long =
    .found = the workbook was given up after { $seconds } seconds
    .expected = a workbook that is evaluated in less than one
    .remedy = Was its hidden sheet changed? Copy the readings into a newly issued workbook.
file-unreadable_processes =
    .found = the workbook could not be evaluated: every process that took it ended; it may need more memory or time than there is
    .expected = a workbook of usual size
    .remedy = Evaluate it alone, and look into it with a spreadsheet program.
no-cluster_library =
    .found = a cluster needs dask.distributed, which is not installed here
    .expected = the optional part “cluster” of sheetlab, here and on every worker
    .remedy = Install it (in the folder of sheetlab: pip install '.[cluster]'), or leave --cluster out.
no-cluster_silent =
    .found = no Dask cluster answers at { $address } ({ $reason })
    .expected = address of a running Dask scheduler with workers, such as tcp://192.168.1.10:8786, or “{ $local }” for one on this machine
    .remedy = Check the address and that the scheduler and a worker run; nothing was done.
no-cluster_unfit =
    .found = the cluster at { $address } cannot do this: { $reason }
    .expected = workers with sheetlab { $version } that see the files under the same path as this PC
    .remedy = Install the same version there and mount the share at the same place; nothing was done.
cluster-lost =
    .found = the cluster at { $address } was lost after { $done } of { $of } workbooks
    .expected = a cluster that stays
    .remedy = The rest is evaluated on this machine, which gives the same results.
worker-without-sheetlab = a worker has no sheetlab ({ $error })
worker-unable = a worker cannot do it ({ $error })
worker-other-version = { $worker } has sheetlab { $version }
worker-blind = { $worker } does not see { $folder }

## Folders and files

not-written_own-copy =
    .found = { $name } would be replaced by its own evaluated copy
    .expected = --in-place
    .remedy = Give another folder with --out, and evaluate again.
not-written_same-name =
    .found = { $name } has the same name as one evaluated before it
    .expected = other names
    .remedy = Give another folder with --out, and evaluate again.
not-read =
    .found = not looked at: { $kinds }
    .remedy = { $remedies }
other-kinds = { $count ->
        [one] 1 file
       *[other] { $count } files
    } of other spreadsheet kinds ({ $names })
folders-below = { $count ->
        [one] 1 folder
       *[other] { $count } folders
    } below ({ $names })
pipes = what is a pipe or a device, not a file ({ $names })
this-and-that = { $first } and { $second }
save-other-kinds = Save such files as .xlsx or .ods if they are hand-ins.
name-folders = Name such folders too if there are hand-ins in them.
copy-pipes = Copy what comes out of such a pipe into a file if it is a hand-in.

## Printing

not-printed =
    .found = { $name } { $reason }
    .expected = a PDF file of the workbook
    .remedy = The workbook itself is there: print it from a spreadsheet program.
not-printed_no-office =
    .found = no PDF was made, because LibreOffice (soffice) is not installed or not on the path
    .expected = LibreOffice, for PDF files only
    .remedy = The workbooks are written: print them from any spreadsheet program, every sheet is set up for A4.
pdf-there = is there already and was left as it is
pdf-not-made = was not made ({ $reason })
no-page = no page came back
office-too-slow = LibreOffice took more than { $seconds } s
office-not-started = LibreOffice cannot be started: { $reason }
pdf-not-moved = it cannot be written: { $reason }
