### Files in TOML: definitions of practicals, profiles, marking schemes, tables of materials

definition-refused =
    .found = the definition is refused at “{ $key }”: { $reason }
    .expected = { $allowed }
    .remedy = Correct the file and try again.
profile-refused =
    .found = the profile is refused at “{ $key }”: { $reason }
    .expected = { $allowed }
    .remedy = Correct the file and try again.
scheme-refused =
    .found = the marking scheme is refused at “{ $key }”: { $reason }
    .expected = { $allowed }
    .remedy = Correct the file and try again.
no-such-practical =
    .found = there is no practical “{ $practical }”
    .expected = { $ids }
    .remedy = Type “sheetlab practicals” for the list.
no-such-folder =
    .found = { $folder } is no folder that can be read
    .expected = a folder with definition files
    .remedy = Check the name.
no-such-profile =
    .found = there is no profile “{ $profile }”
    .expected = { $built_in }, or a file that ends in { $ending }
    .remedy = Check the name.
