"""Statistics of method validation: numbers in, results out. No files, no columns, no plots."""
