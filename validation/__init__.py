"""From worksheets to a validation dossier for a headspace fuel-dilution method."""

__version__ = "0.7.0"
