"""Lists, folders, processes and pages: what work with many files needs at any time of the year."""
