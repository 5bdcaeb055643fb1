"""Sheet Detection limits: those of IUPAC from the blanks of each matrix."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from validation.dossier.workbook.formulas import Formula, average, count, deviation, root, student
from validation.dossier.workbook.raw import Raw
from validation.dossier.workbook.results import ASIDE, HEADS, LIVE, Results
from validation.dossier.workbook.sheets import HEAD, Book, Sheet, stretch

NOTE: Final = (
    f"{LIVE} Limits from a calibration line, from runs kept and by performance are by value, on the sheet By value. "
    "Beside the results: the blanks of each definition."
)
_BLANK_HEADS: Final = (("Definition", 26), ("Reading", 14), ("Result", 14))
DEFINITION, ELSEWHERE = "IUPAC 1997", "runs kept"
_HOW: Final = {
    "detection.critical_value": "mean + t s sqrt(1 + 1/n), t one-sided on n - 1",
    "detection.detection_limit": "mean + 2 t s sqrt(1 + 1/n)",
    "detection.quantification_limit": "mean + 10 s",
}


def write_detection(book: Book, raw: Raw, outside: Formula) -> None:
    """Write the sheet; nothing where the dossier has no such limit.

    Parameters
    ----------
    book : the workbook
    raw : the worksheet of the blanks
    outside : 1 - confidence, as this sheet refers to it
    """
    limits: dict[str, list[Mapping[str, Any]]] = {}
    for key in _HOW:
        for quantity in book.of_key(key):
            at = str(quantity["at"])
            if at.startswith(DEFINITION) and ELSEWHERE not in at:
                limits.setdefault(at, []).append(quantity)
    if not limits:
        return
    sheet = Sheet(book, "Detection limits", NOTE, (*HEADS, *_BLANK_HEADS))
    results, row = Results(sheet), HEAD + 1
    for at, quantities in limits.items():
        readings = quantities[0]["readings"]
        _definition(results, raw, at, quantities, outside, row)
        row += len(readings)


def _definition(
    results: Results, raw: Raw, at: str, quantities: Sequence[Mapping[str, Any]], outside: Formula, row: int
) -> None:
    sheet, cells, readings = results.sheet, [], quantities[0]["readings"]
    offset = raw.offset("result", readings)
    for number, reading in enumerate(readings, start=row):
        sheet.text(number, ASIDE, at)
        sheet.text(number, ASIDE + 1, reading)
        cells.append(raw.used(sheet, number, ASIDE + 2, "result", reading, offset))
    blanks = stretch(cells)
    mean = average(blanks) + float(offset) if offset else average(blanks)
    one = student(2.0 * outside, count(blanks) - 1) * root(Formula("1", 1.0) + Formula("1", 1.0) / count(blanks))
    factors = dict(zip(_HOW, (one, 2.0 * one, Formula("10", 10.0)), strict=True))
    for quantity in quantities:
        key = quantity["key"]
        results.live(quantity, mean + factors[key] * deviation(blanks), _HOW[key])
