"""The whole workbook, from the study as read and the numbers as recorded."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from io import BytesIO
from math import isclose
from typing import Any, Final
from zipfile import BadZipFile, ZipFile

from validation.dossier.differences import RELATIVE
from validation.dossier.workbook.blanks import write_detection
from validation.dossier.workbook.budget import write_uncertainty
from validation.dossier.workbook.by_value import write_by_value
from validation.dossier.workbook.compared import ComparedSheet
from validation.dossier.workbook.formulas import Formula
from validation.dossier.workbook.line import write_calibration
from validation.dossier.workbook.pairs import write_comparison
from validation.dossier.workbook.raw import Raw, write_raw
from validation.dossier.workbook.runs import write_precision
from validation.dossier.workbook.sheets import Book
from validation.study.model import Study
from validation.study.quantity import Evaluation

#: Its name in a dossier.
WORKBOOK: Final = "workbook.xlsx"

#: Differences of numbers that agree are rounding, and differ themselves from machine to machine.
ROUNDING: Final = 1e-12

_CHAPTERS: Mapping[str, Callable[[Book, Raw, Formula], None]] = {
    "calibration": write_calibration,
    "precision": write_precision,
    "detection": write_detection,
    "comparison": write_comparison,
}
_NUMBER = re.compile(rb"(<v>)([^<]*)(</v>)")


def workbook_bytes(study: Study, evaluations: Mapping[str, Evaluation], results: Mapping[str, Any]) -> bytes:
    """The audit workbook as XLSX; the same inputs and versions give the same bytes.

    Parameters
    ----------
    study : as read, amendments applied
    evaluations : by chapter; that of the uncertainty gives the parts of its budget
    results : the content of results.json

    Returns
    -------
    bytes of the file
    """
    book = Book({(line["key"], line["at"]): line for line in results["quantities"]})
    first = ComparedSheet(book, study.confidence, max(map(abs, study.plan.study.range)))
    outside = first.sheet.abroad(first.outside)
    raws = {name: data for name, data in study.experiments.items() if not data.awaiting}
    for name, write in _CHAPTERS.items():
        if study.ready(name) is not None:
            raw = write_raw(book, raws.pop(name))
            write(book, raw, outside)
    if "uncertainty" in evaluations:
        write_uncertainty(book, evaluations["uncertainty"])
    write_by_value(book)
    for data in raws.values():
        write_raw(book, data)
    first.fill()
    return book.close()


def same_workbook(one: bytes, other: bytes) -> bool:
    """Whether two workbooks hold the same texts and formulas, and numbers to the difference that verify allows."""
    if one == other:
        return True
    try:
        parts, others = _parts(one), _parts(other)
    except (OSError, ValueError, KeyError, BadZipFile):
        return False
    return parts.keys() == others.keys() and all(_same(part, others[name]) for name, part in parts.items())


def _parts(content: bytes) -> dict[str, bytes]:
    with ZipFile(BytesIO(content)) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def _same(one: bytes, other: bytes) -> bool:
    if _NUMBER.sub(rb"\1\3", one) != _NUMBER.sub(rb"\1\3", other):
        return False
    pairs = zip(_NUMBER.findall(one), _NUMBER.findall(other), strict=True)
    return all(a[1] == b[1] or isclose(float(a[1]), float(b[1]), rel_tol=RELATIVE, abs_tol=ROUNDING) for a, b in pairs)
