"""While the benches work: what their workbooks say so far."""
