### Anywhere

# parts of sentences
and-more = { $names } and { $count } more
likewise-cells = { $text }; and likewise in { $count ->
        [one] 1 more cell
       *[other] { $count } more cells
    } ({ $names })
likewise-files = { $text }; likewise { $count } more: { $names }

# files to be written
file-exists =
    .found = { $name } is there already and was left as it is
    .expected = a name that is not taken
    .remedy = Give another name, or move the old file away.
not-written =
    .found = { $name } cannot be written: { $reason }
    .expected = a folder that can be written to, with room in it
    .remedy = Close the file if it is open somewhere, check the folder, its permissions and the name, and try again.
wrong-ending =
    .found = the name “{ $name }” does not end in { $ending }
    .expected = a name such as { $example }
    .remedy = Give that name; nothing was written.
