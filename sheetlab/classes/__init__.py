"""A class together: hand-ins, comparison, marks, one workbook; and an invented class."""
