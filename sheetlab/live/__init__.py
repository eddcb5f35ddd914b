"""The science as functions of a spreadsheet program, and evaluation of an open workbook."""
