"""Figures: results in, matplotlib figures out. They compute no statistic and save no file."""
