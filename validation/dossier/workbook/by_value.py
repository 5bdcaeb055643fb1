"""Sheet By value: every quantity of results.json that the workbook does not compute."""

from __future__ import annotations

from typing import Final

from validation.dossier.workbook.runs import REML
from validation.dossier.workbook.sheets import HEAD, Book, Sheet

NOTE: Final = (
    "By value, from results.json with every digit: what this workbook does not compute, and by what it was computed."
)
_HEADS: Final = (
    ("Quantity", 38),
    ("At", 26),
    ("Value", 22),
    ("Interval, low", 22),
    ("Interval, high", 22),
    ("Confidence", 11),
    ("Unit", 12),
    ("How", 100),
)
_NAMES: Final = {
    "intermediate_precision.s_run": REML,
    "intermediate_precision.s_I": REML,
    "intermediate_precision.component": REML,
    "calibration.weighted_lack_of_fit_p": "parametric bootstrap",
    "calibration.weighted_curvature_p": "parametric bootstrap",
}


def write_by_value(book: Book) -> None:
    """Write the sheet."""
    sheet, lived, row = Sheet(book, "By value", NOTE, _HEADS), book.lived(), HEAD + 1
    for (key, at), line in book.quantities.items():
        if (key, at) in lived:
            continue
        low, high = line["interval"] or (None, None)
        how = f"by value: {_NAMES.get(key) or line['source'] or 'see the chapter'}"
        for column, cell in enumerate((key, at, line["value"], low, high, line["confidence"], line["unit"], how)):
            sheet.text(row, column, cell)
        row += 1
