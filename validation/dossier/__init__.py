"""The dossier: one frozen record in, HTML and PDF out. Computes no statistic, reads no clock."""
