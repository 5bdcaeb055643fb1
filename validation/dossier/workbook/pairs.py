"""Sheet Comparison: the mean difference of the two methods and the limits of agreement."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from validation.dossier.workbook.formulas import Formula, average, deviation, normal
from validation.dossier.workbook.raw import Raw
from validation.dossier.workbook.results import ASIDE, HEADS, LIVE, Results
from validation.dossier.workbook.sheets import HEAD, Book, Sheet, stretch

NOTE: Final = (
    f"{LIVE} The lines of both methods are by value, on the sheet By value. Beside the results: every sample, then "
    "every reading by sample and method."
)
METHODS: Final = ("candidate", "reference")
_SAMPLE_HEADS: Final = (("Sample", 14), ("Candidate", 14), ("Reference", 14), ("Difference", 14), ("", 3))
_READING_HEADS: Final = (("Sample", 14), ("Method", 12), ("Reading", 14), ("Result", 12))
_SAMPLES, _READINGS = ASIDE, ASIDE + len(_SAMPLE_HEADS)


def write_comparison(book: Book, raw: Raw, outside: Formula) -> None:
    """Write the sheet; nothing where the dossier has no mean difference.

    Parameters
    ----------
    book : the workbook
    raw : the worksheet of the comparison
    outside : 1 - confidence, as this sheet refers to it
    """
    mean = book.quantity("comparison.mean_difference")
    if mean is None:
        return
    samples, methods = raw.entries("sample"), raw.entries("method")
    rows: dict[str, dict[str, list[str]]] = {}
    for reading in mean["readings"]:
        method = str(methods[reading]).strip().lower()
        rows.setdefault(str(samples[reading]), {}).setdefault(method, []).append(reading)
    sheet = Sheet(book, "Comparison", NOTE, (*HEADS, *_SAMPLE_HEADS, *_READING_HEADS))
    offset = raw.offset("result", mean["readings"])
    differences = stretch(_differences(sheet, raw, rows, offset))
    results = Results(sheet, stiff=bool(offset))
    centre = results.mean(mean, differences, outside, "mean of candidate - reference, means over replicates")
    spread = book.quantity("comparison.sd_difference")
    if spread is None:
        return
    s = results.live(spread, deviation(differences), "standard deviation of the differences")
    reach = normal(Formula("1", 1.0) - outside / 2.0) * s
    for key, limit in (("agreement_low", centre - reach), ("agreement_high", centre + reach)):
        quantity = book.quantity(f"comparison.{key}")
        if quantity is not None:
            results.live(quantity, limit, "mean -/+ z s, z of the normal distribution")


def _differences(sheet: Sheet, raw: Raw, rows: dict[str, dict[str, list[str]]], offset: Decimal) -> list[Formula]:
    row, made = HEAD + 1, list[Formula]()
    for number, (sample, by_method) in enumerate(rows.items(), start=HEAD + 1):
        sheet.text(number, _SAMPLES, sample)
        means = []
        for column, method in enumerate(METHODS, start=_SAMPLES + 1):
            cells = []
            for reading in by_method[method]:
                for at, text in enumerate((sample, method, reading)):
                    sheet.text(row, _READINGS + at, text)
                cells.append(raw.used(sheet, row, _READINGS + 3, "result", reading, offset))
                row += 1
            means.append(sheet.live(number, column, average(stretch(cells))))
        made.append(sheet.live(number, _SAMPLES + 3, means[0] - means[1]))
    return made
