"""The audit workbook: raw readings and live formulas beside the dossier's numbers; one module a sheet."""
