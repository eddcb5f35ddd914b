"""The add-in for LibreOffice Calc: an extension file, and the process that answers it."""
