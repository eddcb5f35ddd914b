"""Microsoft Excel on Windows, through the part of xlwings that is free (BSD)."""
