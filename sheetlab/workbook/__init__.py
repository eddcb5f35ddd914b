"""Workbooks: where things lie, blank sheets out, filled sheets in, result sheets back."""
