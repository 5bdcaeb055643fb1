"""One sheet a worksheet of the study: every row as written and as used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from xlsxwriter.utility import xl_col_to_name

from validation.dossier.workbook.formulas import Formula
from validation.dossier.workbook.sheets import HEAD, Book, Sheet
from validation.study.model import ExperimentData, Reading

NOTE = (
    "By value: every row of the worksheet. As written is the text of the file; as used is the number after amendments, "
    "empty where the reading does not enter. Row is the line of the file."
)
#: Numbers this much larger than their spread lose it as doubles: they are written less an exact offset.
STIFF = 1e5


@dataclass(frozen=True)
class Raw:
    """A worksheet in the workbook: where the number of each reading stands."""

    sheet: Sheet
    data: ExperimentData
    row_of: Mapping[str, int]
    column_of: Mapping[str, int]
    position: Mapping[str, int]

    def number(self, column: str, reading: str) -> Formula:
        """The number of a reading, as another sheet refers to it."""
        value = float(self.data.exact[column][self.position[reading]])
        cell = f"{xl_col_to_name(self.column_of[column])}{self.row_of[reading] + 1}"
        return self.sheet.abroad(Formula(cell, value))

    def entries(self, column: str) -> dict[str, float | str]:
        """By reading, the entry of a column that groups them: a number where the study takes it as one."""
        return dict(zip(self.data.identifiers, self.data.table[column].tolist(), strict=True))

    def exact(self, column: str, reading: str) -> Decimal:
        """The decimal that was written."""
        return self.data.exact[column][self.position[reading]]

    def offset(self, column: str, readings: Sequence[str]) -> Decimal:
        """What is taken off exactly before doubles are formed: zero unless the numbers are far from zero."""
        values = [self.exact(column, reading) for reading in readings]
        low, high = min(values), max(values)
        far = max(abs(low), abs(high)) > STIFF * float(high - low)
        return values[0] if far and high != low else Decimal(0)

    def used(self, sheet: Sheet, row: int, column: int, name: str, reading: str, offset: Decimal) -> Formula:
        """Write the number of a reading into another sheet: a link, or by value less an offset."""
        if not offset:
            return sheet.live(row, column, self.number(name, reading))
        return sheet.number(row, column, float(self.exact(name, reading) - offset))


def write_raw(book: Book, data: ExperimentData) -> Raw:
    """Write the sheet of a worksheet."""
    names = list(dict.fromkeys(name for r in data.readings for name in r.written if name != "reading"))
    numeric = [name for name in names if name in data.exact]
    amended = [name for name in names if name not in data.exact and _amended(data.readings, name)]
    heads = [("Row", 6), ("Reading", 14), ("Status", 10), ("Reason", 24)]
    heads += [(f"{name}, as written", 14) for name in names]
    heads += [(f"{name}, as used", 14) for name in (*numeric, *amended)]
    sheet = Sheet(book, f"Raw {data.name}", f"{NOTE} File: {data.worksheet}.", heads)
    first = 4 + len(names)
    raw = Raw(
        sheet,
        data,
        {r.reading: HEAD + 1 + at for at, r in enumerate(data.readings)},
        {name: first + at for at, name in enumerate(numeric)},
        {reading: at for at, reading in enumerate(data.identifiers)},
    )
    for reading in data.readings:
        _write_row(raw, reading, names, amended)
    if data.readings:
        sheet.page.ignore_errors(
            {"number_stored_as_text": f"A1:{xl_col_to_name(first)}{HEAD + 1 + len(data.readings)}"}
        )
        sheet.page.autofilter(HEAD, 0, HEAD + len(data.readings), len(heads) - 1)
    return raw


def _write_row(raw: Raw, reading: Reading, names: Sequence[str], amended: Sequence[str]) -> None:
    sheet, row = raw.sheet, raw.row_of[reading.reading]
    sheet.number(row, 0, reading.line)
    texts = (reading.reading, reading.status, reading.reason, *(reading.written.get(name, "") for name in names))
    for column, text in enumerate(texts, start=1):
        sheet.text(row, column, text)
    at = raw.position.get(reading.reading)
    for name, column in raw.column_of.items():
        if at is not None:
            sheet.number(row, column, float(raw.data.exact[name][at]))
    for column, name in enumerate(amended, start=4 + len(names) + len(raw.column_of)):
        sheet.text(row, column, reading.values.get(name, ""))


def _amended(readings: Sequence[Reading], name: str) -> bool:
    return any(r.values.get(name, "") != r.written.get(name, "") for r in readings)
