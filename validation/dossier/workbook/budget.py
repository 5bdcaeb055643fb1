"""Sheet Uncertainty: u and U at each level from the parts of the budget."""

from __future__ import annotations

from typing import Final

from validation.dossier.workbook.formulas import root, sum_of_squares
from validation.dossier.workbook.results import ASIDE, HEADS, LIVE, Results
from validation.dossier.workbook.sheets import HEAD, Book, Sheet, stretch
from validation.study.quantity import Evaluation, Table
from validation.words import level_text

NOTE: Final = (
    f"{LIVE} The parts of the budget and the coverage factor k are by value; u and U follow from them. Beside the "
    "results: the standard uncertainty of each part, by level."
)
#: The last columns of the table are u, U and U of the measured part alone.
_AFTER: Final = 3


def write_uncertainty(book: Book, evaluation: Evaluation) -> None:
    """Write the sheet; nothing where the dossier has no budget.

    Parameters
    ----------
    book : the workbook
    evaluation : of the chapter on uncertainty
    """
    table = next((table for table in evaluation.display.tables if table.name == "top-down"), None)
    if table is None or not book.of_key("uncertainty.combined"):
        return
    parts = table.head[1:-_AFTER]
    sheet = Sheet(book, "Uncertainty", NOTE, (*HEADS, ("Level", 10), ("Part", 38), ("u", 16)))
    results, row = Results(sheet), HEAD + 1
    for quantity in book.of_key("uncertainty.combined"):
        sizes = _sizes(table, level_text(quantity["at"]))
        cells = []
        for name, size in zip(parts, sizes, strict=True):
            if isinstance(size, float | int):
                sheet.text(row, ASIDE, quantity["at"])
                sheet.text(row, ASIDE + 1, name)
                cells.append(sheet.number(row, ASIDE + 2, size))
                row += 1
        if not cells:
            continue
        u = results.live(quantity, root(sum_of_squares(stretch(cells))), "root of the sum of squares of the parts")
        factor = book.quantity("uncertainty.coverage_factor", quantity["at"])
        expanded = book.quantity("uncertainty.expanded", quantity["at"])
        if factor is not None and expanded is not None:
            k = results.by_value(factor, "Student's t at the effective degrees of freedom")
            results.live(expanded, k * u, "k u")


def _sizes(table: Table, level: str) -> tuple[object, ...]:
    """The row of a level, without level and sums."""
    return next((row[1:-_AFTER] for row in table.rows if row[0] == level), ())
