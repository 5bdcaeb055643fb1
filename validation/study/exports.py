"""Worksheets held against the exports of instruments, line by line: what was typed, and what the instrument wrote."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from zoneinfo import ZoneInfo

from validation.faults import Fault
from validation.study.columns import NUMERIC
from validation.study.export_comparison import Comparison, Difference
from validation.study.export_plan import Export
from validation.study.grids import read_grids
from validation.study.model import ExperimentData, Reading
from validation.study.plan import Plan
from validation.study.text_files import LARGEST, decimal, iso_of_written, moment
from validation.words import counted

_COMMA, _POINT = re.compile(r"[+-]?[0-9]+,[0-9]+"), re.compile(r"[+-]?[0-9]+\.[0-9]+")


def compared_exports(
    folder: Path, plan: Plan, experiments: Mapping[str, ExperimentData]
) -> tuple[tuple[Comparison, ...], list[Fault]]:
    """Every export that the plan names, held against its worksheet; and every fault of its layout.

    An export that is not there yet is no fault as long as its worksheet awaits readings.
    """
    comparisons: list[Comparison] = []
    faults: list[Fault] = []
    for export in plan.exports:
        data = experiments.get(export.experiment)
        if data is None or (data.awaiting and not (folder / export.file).exists()):
            continue
        table, table_faults = _read(folder, export)
        if not table_faults:
            matching = _Matching(export, plan, data, table)
            table_faults = matching.faults
            if not table_faults:
                comparisons.append(matching.compared())
        faults += table_faults
    return tuple(comparisons), faults


# ------------------------------------------------------------------------------------------------------ the export


@dataclass
class _Table:
    """The lines of an export: the cells of the columns that are compared, by the names of the worksheet."""

    sha256: str
    lines: list[tuple[int, dict[str, str]]] = field(default_factory=list)


def _read(folder: Path, export: Export) -> tuple[_Table, list[Fault]]:
    path, file = folder / export.file, export.file
    if not path.is_file():
        names = sorted(item.name for item in path.parent.iterdir()) if path.parent.is_dir() else []
        close = get_close_matches(path.name, names, n=1)
        hint = f' A file "{close[0]}" is there.' if close else ""
        mend = f"Put the export there, or correct exports in plan.yaml.{hint}"
        return _Table(""), [Fault(file, "The export is not there.", mend, value="no file", expected=f"a file {file}")]
    if path.stat().st_size > LARGEST:
        mend = "Export fewer runs a file, and name each."
        size = f"{path.stat().st_size} bytes"
        return _Table(""), [Fault(file, "The export is too large.", mend, value=size, expected=f"at most {LARGEST}")]
    raw = path.read_bytes()
    rows, stored, faults = _workbook(path, export) if file.lower().endswith(".xlsx") else _text(raw, export)
    if faults:
        return _Table(""), faults
    places, faults = _places(rows, export)
    table = _Table(hashlib.sha256(raw).hexdigest())
    for line, cells in rows if places else ():
        if line <= export.header or not any(cells):
            continue
        named = {column: cells[place] if place < len(cells) else "" for column, place in places.items()}
        numbers = {column: (line, places[column]) in stored for column in places}
        for column in places:
            named[column], cell_faults = _cell(export, line, column, named[column], stored=numbers[column])
            faults += cell_faults
        table.lines.append((line, named))
    return table, faults


_Rows = list[tuple[int, list[str]]]


def _text(raw: bytes, export: Export) -> tuple[_Rows, set[tuple[int, int]], list[Fault]]:
    encoding = "utf-8-sig" if export.encoding.lower().replace("_", "-") in ("utf-8", "utf8") else export.encoding
    try:
        text = raw.decode(encoding)
    except UnicodeError as error:
        at = raw[: getattr(error, "start", 0)].count(b"\n") + 1
        mend = "State its encoding in exports of plan.yaml, such as cp1252 or utf-16."
        reason = "The export is not a text of the stated encoding."
        value = f"byte {raw[error.start]:#04x}" if isinstance(error, UnicodeDecodeError) else type(error).__name__
        return [], set(), [Fault(export.file, reason, mend, at, value=value, expected=export.encoding)]
    if "\x00" in text:
        at = text[: text.index("\x00")].count("\n") + 1
        mend = "Export it as text, or state its encoding in exports of plan.yaml."
        return [], set(), [Fault(export.file, "The export holds NUL characters.", mend, at, expected="text")]
    lines = io.StringIO(text, newline=None).readlines()
    rows: _Rows = [(len(lines), [])] if export.header > len(lines) > 0 else []
    # What stands above the headings need not be a table.
    reader = csv.reader(lines[export.header - 1 :], delimiter=export.delimiter, strict=True)
    line = export.header
    try:
        for cells in reader:
            rows.append((line, [cell.strip() for cell in cells]))
            line = export.header + reader.line_num
    except csv.Error as error:
        mend = "State the delimiter of the export in plan.yaml, or export it again."
        return [], set(), [Fault(export.file, f"The line cannot be read ({error}).", mend, row=line)]
    return rows, set(), []


def _workbook(path: Path, export: Export) -> tuple[_Rows, set[tuple[int, int]], list[Fault]]:
    grids, faults = read_grids(path, export.file, len)
    if faults:
        return [], set(), faults
    grid = next((item for item in grids if export.sheet in (None, item.sheet)), None)
    if grid is None:
        sheets = ", ".join(item.sheet for item in grids)
        mend = "Correct sheet in exports of plan.yaml, or show the sheet."
        fault = Fault(export.file, "The sheet is not there.", mend, value=sheets, expected=str(export.sheet))
        return [], set(), [fault]
    return grid.rows, grid.stored - grid.formulas, []


def _places(rows: _Rows, export: Export) -> tuple[dict[str, int], list[Fault]]:
    """Where the heading of each column is."""
    head = next((cells for line, cells in rows if line == export.header), None)
    if head is None or not any(head):
        last = rows[-1][0] if rows else 0
        mend = "Correct header in exports of plan.yaml: the line of the headings, counted from 1."
        reason = "The line of the headings is not there."
        value = f"{counted(last, 'line')}" if last else "an empty file"
        return {}, [Fault(export.file, reason, mend, export.header, value=value, expected="headings")]
    places: dict[str, int] = {}
    faults = []
    for column, heading in export.columns.items():
        at = [place for place, cell in enumerate(head) if cell == heading.strip()]
        if len(at) == 1:
            places[column] = at[0]
            continue
        close = get_close_matches(heading, [cell for cell in head if cell], n=1)
        mend = f"Write {close[0]} in exports of plan.yaml." if close else "Correct columns, header or delimiter there."
        reason = "The heading is not there." if not at else f"The heading stands {len(at)} times."
        headings = ", ".join(cell for cell in head if cell)
        value = headings if len(headings) <= 80 else f"{headings[:77]}..."
        faults.append(Fault(export.file, reason, mend, export.header, None, column, value, heading))
    return ({} if faults else places), faults


def _cell(export: Export, line: int, column: str, text: str, *, stored: bool) -> tuple[str, list[Fault]]:
    """A cell with a decimal point, or the fault: a formula, or another decimal mark than the plan states."""
    if text.startswith("=") and len(text) > 1:
        reason, mend = "The cell holds a formula.", "Export values."
        return text, [Fault(export.file, reason, mend, line, None, column, text[:40], "a value")]
    if column not in NUMERIC or stored:
        return text, []
    wrong, right = (_COMMA, "decimal point") if export.decimal == "." else (_POINT, "decimal comma")
    if wrong.fullmatch(text):
        reason, mend = "The decimal mark is not the stated one.", "Correct decimal in exports of plan.yaml."
        return text, [Fault(export.file, reason, mend, line, None, column, text, f"a {right}")]
    return (text.replace(",", ".") if _COMMA.fullmatch(text) else text), []


# --------------------------------------------------------------------------------------------------- line by line


class _Matching:
    """The rows of a worksheet and the lines of an export, by what names them."""

    def __init__(self, export: Export, plan: Plan, data: ExperimentData, table: _Table) -> None:
        self.export, self.data, self.table = export, data, table
        self.zone, self.date_order = plan.study.time_zone, plan.study.date_order
        chosen = ((item, cells) for item in data.readings if self._chosen(cells := _as_written(item)))
        self.rows = [(item, cells, self._key(cells)) for item, cells in chosen]
        self.lines = [(line, {**export.rows, **cells}) for line, cells in table.lines]
        self.lines = [(line, cells) for line, cells in self.lines if self._chosen(cells)]
        self.faults = [*self._absent_columns(), *self._alike_rows()]

    def _chosen(self, cells: Mapping[str, str]) -> bool:
        return all(_name(cells.get(column, "")) == _name(text) for column, text in self.export.rows.items())

    def _absent_columns(self) -> Iterator[Fault]:
        columns = {"reading", *(self.data.readings[0].written if self.data.readings else ())}
        for column in (*self.export.columns, *self.export.match, *self.export.rows) if self.data.readings else ():
            if column not in columns:
                known = ", ".join(sorted(columns))
                mend = "Name a column of the worksheet in exports of plan.yaml."
                reason = "The worksheet has no such column."
                yield Fault(self.data.worksheet, reason, mend, None, None, column, column, known)

    def _alike_rows(self) -> Iterator[Fault]:
        """Two rows of the worksheet that `match` cannot tell apart."""
        counts = Counter(key for _, _, key in self.rows)
        alike = [(item, key) for item, _, key in self.rows if counts[key] > 1]
        if alike:
            columns = ", ".join(self.export.match)
            mend = "Name columns in match that together name one row, or choose the rows with rows: {run: R5}."
            reason, (first, key) = f"{counted(len(alike), 'row')} cannot be told apart by {columns}.", alike[0]
            value = ", ".join(key)
            yield Fault(self.data.worksheet, reason, mend, first.line, first.reading, columns, value, "one row each")

    def _key(self, cells: Mapping[str, str]) -> tuple[str, ...]:
        return tuple(_name(cells.get(column, "")) for column in self.export.match)

    def compared(self) -> Comparison:
        """The comparison, line by line in the order of the worksheet."""
        by_key: dict[tuple[str, ...], tuple[int, Mapping[str, str]]] = {}
        others: list[tuple[str, int]] = []
        known = {key for _, _, key in self.rows}
        for line, cells in self.lines:
            key = self._key(cells)
            if key in by_key or key not in known:
                others.append((", ".join(part for part in key if part) or "no name", line))
            else:
                by_key[key] = (line, cells)
        differences: list[Difference] = []
        compared = agree = amended = 0
        for item, written, key in self.rows:
            if (there := by_key.get(key)) is None:
                continue
            own = list(self._differences(item, written, *there))
            differences += own
            compared += 1
            agree += all(one.agrees_as_written for one in own)
            amended += all(one.agrees_as_amended for one in own)
        only = tuple((item.reading, item.line) for item, _, key in self.rows if key not in by_key)
        place = self.export.file, self.table.sha256, self.data.name, self.data.worksheet
        return Comparison(*place, compared, agree, amended, tuple(differences), only, tuple(others))

    def _differences(
        self, item: Reading, cells: Mapping[str, str], line: int, export: Mapping[str, str]
    ) -> Iterator[Difference]:
        for column in self.export.columns:
            if column in self.export.match:
                continue
            written, amended, text = cells.get(column, ""), item.values.get(column, ""), export[column]
            as_written, as_amended = self._same(column, written, text), self._same(column, amended, text)
            if not (as_written and as_amended):
                shown = written if self._same(column, written, amended) else amended
                yield Difference(item.reading, column, written, item.line, text, line, shown, as_written, as_amended)

    def _same(self, column: str, first: str, second: str) -> bool:
        if first == second:
            return True
        if column == "time":
            one, other = self._moment(first), self._moment(second)
            return one is not None and one == other
        return column in (*NUMERIC, "order") and _name(first) == _name(second)

    def _moment(self, text: str) -> datetime | None:
        """A time to the minute, in the zone of the study where that is stated."""
        iso = iso_of_written(text, self.date_order) if self.date_order else ""
        when = moment(iso or text.replace(" ", "T", 1))
        if when is None:
            return None
        time = when[0].replace(second=0, microsecond=0)
        if time.tzinfo is None or self.zone is None:
            return time.replace(tzinfo=None)
        return time.astimezone(ZoneInfo(self.zone)).replace(tzinfo=None)


def _as_written(item: Reading) -> dict[str, str]:
    """The cells as the worksheet writes them, numbers with a decimal point."""
    cells = {
        column: text.replace(",", ".") if column in NUMERIC and _COMMA.fullmatch(text) else text
        for column, text in item.written.items()
    }
    return {**cells, "reading": item.reading}


def _name(text: str) -> str:
    """A number by its value, any other text as it is: 7 and 07.0 are one."""
    number = decimal(text)
    return text.strip() if number is None else str(number.normalize() + 0)
