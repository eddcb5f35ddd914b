"""sheetlab: laboratory practicals in spreadsheets, from the blank sheet to the stated result."""

__version__ = "0.1.0"
