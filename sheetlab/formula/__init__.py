"""Formulas of definitions: parsed once, used as number, samples, sensitivity, cell and print."""
