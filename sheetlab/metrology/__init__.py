"""Measurement science on plain numbers: no file, no spreadsheet, no definition is known here."""
