### The command line

no-such-page =
    .found = the manual has no page “{ $typed }”
    .expected = { $topics }
    .remedy = “sheetlab manual” says what each is about.
no-such-page_near =
    .found = the manual has no page “{ $typed }”
    .expected = { $topics }
    .remedy = Did you mean “{ $near }”?
