"""amendments.csv: corrections, exclusions, reinstatements, changed plans and lot records, impact notes; only grows."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path

from validation.faults import Fault, Refusal
from validation.files import content, write_files
from validation.study.columns import NUMERIC
from validation.study.text_files import NUMBER, censored, decimal, decode, moment, why_no_moment
from validation.study.worksheets import Row, Sheet

AMENDMENTS = "amendments.csv"
KINDS = ("correction", "exclusion", "reinstatement", "plan", "impact", "record")


@dataclass(frozen=True, slots=True)
class Amendment:
    """One line of amendments.csv. `line` is where it stands; 0 where it is not yet written."""

    number: int
    time: str
    by: str
    kind: str
    file: str
    reading: str
    column: str
    old: str
    new: str
    reason: str
    line: int = 0

    def to_dict(self) -> dict[str, str]:
        """The texts by column name, as the file holds them."""
        return {name: str(getattr(self, name)) for name in COLUMNS}


COLUMNS = tuple(item.name for item in fields(Amendment) if item.name != "line")


@dataclass
class State:
    """A row while amendments are applied to it."""

    sheet: Sheet
    row: Row
    values: dict[str, str]
    excluded: bool = False
    reason: str = ""
    amended_by: list[int] = field(default_factory=list)


def read_amendments(folder: Path) -> tuple[tuple[Amendment, ...], list[Fault]]:
    """Read amendments.csv; none there is none made."""
    path = folder / AMENDMENTS
    if not path.exists():
        return (), []
    try:
        raw = path.read_bytes()
    except OSError as error:
        return (), [
            Fault(AMENDMENTS, f"The file cannot be read: {error.strerror or error}.", "Check the access rights.")
        ]
    text, faults = decode(raw, AMENDMENTS)
    if faults:
        return (), faults
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for cells in reader:
            if any(cells):
                rows.append((line, [cell.strip() for cell in cells]))
            line = reader.line_num + 1
    except csv.Error as error:
        mend = "Close the quotes of this row."
        return (), [Fault(AMENDMENTS, f"The row cannot be read as CSV ({error}).", mend, row=line)]
    if not rows:
        return (), []
    return _parsed(rows)


def _parsed(rows: list[tuple[int, list[str]]]) -> tuple[tuple[Amendment, ...], list[Fault]]:
    heading = rows[0][1]
    if tuple(heading) != COLUMNS:
        mend = "Write the heading as `validation amend` does."
        found, expected = ",".join(heading), ",".join(COLUMNS)
        return (), [Fault(AMENDMENTS, "The heading is another one.", mend, row=1, found=found, expected=expected)]
    amendments: list[Amendment] = []
    faults: list[Fault] = []
    for line, cells in rows[1:]:
        if len(cells) != len(COLUMNS):
            mend = "Put a text with a comma in quotes."
            found, expected = f"{len(cells)} cells", f"{len(COLUMNS)} cells"
            reason = "The row has another number of cells."
            faults.append(Fault(AMENDMENTS, reason, mend, row=line, found=found, expected=expected))
            continue
        pairs = dict(zip(COLUMNS, cells, strict=True))
        row_faults = _row_faults(pairs, line, len(amendments) + 1)
        faults += row_faults
        if not row_faults:
            amendments.append(Amendment(int(pairs.pop("number")), **pairs, line=line))
    return tuple(amendments), faults


def _row_faults(pairs: Mapping[str, str], line: int, number: int) -> list[Fault]:
    faults = []

    def fault(column: str, reason: str, mend: str, expected: str) -> None:
        found = pairs[column] or "an empty cell"
        faults.append(Fault(AMENDMENTS, reason, mend, line, pairs["reading"] or None, column, found, expected))

    if not re.fullmatch("[0-9]{1,9}", pairs["number"]):
        fault("number", "The number is not a whole number.", "Count amendments from 1.", str(number))
    if pairs["kind"] not in KINDS:
        close = get_close_matches(pairs["kind"], KINDS, n=1)
        mend = f"Write {close[0]}." if close else f"Write {', '.join(KINDS)}."
        fault("kind", "The kind of amendment is unknown.", mend, ", ".join(KINDS))
    if moment(pairs["time"]) is None:
        fault("time", "The time cannot be read.", "Write 2026-07-01T09:30+02:00.", "an ISO 8601 time")
    for column in ("by", "reason"):
        if not pairs[column]:
            fault(column, "The cell is empty.", f"Say {'who' if column == 'by' else 'why'}.", "a text")
    if pairs["kind"] in KINDS[:3] and not pairs["reading"]:
        fault("reading", "No reading is named.", "Name the identifier of the reading.", "an identifier")
    if pairs["kind"] == "correction" and not pairs["column"]:
        fault("column", "No column is named.", "Name the column that is corrected.", "a column")
    if pairs["kind"] == "record" and not pairs["file"]:
        fault("file", "No lot record is named.", "Name its file as plan.yaml does.", "a file")
    if pairs["kind"] == "impact":
        faults += _impact_faults(pairs, line)
    return faults


def _impact_faults(pairs: Mapping[str, str], line: int) -> list[Fault]:
    """An impact note: `column` names what had expired, `old` the date on file, `new` until when it is covered."""
    faults = []
    reading = pairs["reading"] or None
    for column, mend in (
        ("file", "Write where the date stands: plan.yaml, or the file of the lot record."),
        ("column", "Write the name of the balance, instrument or lot that had expired."),
    ):
        if not pairs[column]:
            faults.append(
                Fault(AMENDMENTS, "The cell is empty.", mend, line, reading, column, "an empty cell", "a name")
            )
    days = {column: moment(pairs[column]) for column in ("old", "new")}
    for column, day in days.items():
        if day is None or not day[1]:
            found = pairs[column] or "an empty cell"
            mend = "Write the day as 2026-03-31."
            faults.append(Fault(AMENDMENTS, "The cell holds no day.", mend, line, reading, column, found, "a day"))
    old, new = days["old"], days["new"]
    if old is not None and new is not None and new[0] <= old[0]:
        mend = "Write until when later evidence covers it; that lies after the expiry on file."
        reason = "The later evidence ends before the expiry on file."
        expected = f"a day after {pairs['old']}"
        faults.append(Fault(AMENDMENTS, reason, mend, line, reading, "new", pairs["new"], expected))
    return faults


def apply(amendments: Iterable[Amendment], states: Sequence[State]) -> list[Fault]:
    """Apply amendments in order to the rows they name.

    Returns
    -------
    A fault for each that names no reading or column, whose old value no longer matches, or whose new one is no number.
    """
    by_reading: dict[str, list[State]] = {}
    for state in states:
        by_reading.setdefault(state.row.reading, []).append(state)
    faults: list[Fault] = []
    seen: set[int] = set()
    for amendment in amendments:
        if amendment.number in seen:
            mend = "Give each amendment its own number, counted from 1."
            faults.append(_fault(amendment, "number", "The number appears twice.", str(amendment.number), "", mend))
        seen.add(amendment.number)
        if amendment.kind in ("plan", "impact", "record"):
            continue  # none of them changes a reading
        named = by_reading.get(amendment.reading, [])
        if not named:
            faults.append(_no_reading(amendment, by_reading))
        for state in named:
            fault = _apply_one(amendment, state)
            if fault is not None:
                faults.append(fault)
                break
    return faults


def _fault(amendment: Amendment, column: str, reason: str, found: str, expected: str, mend: str) -> Fault:
    row = amendment.line or None
    return Fault(AMENDMENTS, reason, mend, row, amendment.reading or None, column, found, expected or None)


def _no_reading(amendment: Amendment, known: Mapping[str, object]) -> Fault:
    close = get_close_matches(amendment.reading, known, n=1)
    mend = f"Write {close[0]}." if close else "Name the identifier as the worksheet has it."
    reason = "No worksheet has this reading."
    return _fault(amendment, "reading", reason, amendment.reading, "an identifier of the study", mend)


def _apply_one(amendment: Amendment, state: State) -> Fault | None:
    if amendment.file and amendment.file != state.sheet.file:
        reason, mend = "The reading is in another file.", f"Write {state.sheet.file}."
        return _fault(amendment, "file", reason, amendment.file, state.sheet.file, mend)
    if amendment.kind == "correction":
        return _correct(amendment, state)
    excluding = amendment.kind == "exclusion"
    if state.excluded == excluding:
        reason = f"The reading is {'already' if excluding else 'not'} excluded."
        # A row that stands in the file already cannot be deleted; one that is asked for now need not be added.
        mend = "Take the row back with a new one; delete nothing." if amendment.line else "Nothing needs to be added."
        return _fault(amendment, "kind", reason, amendment.kind, "", mend)
    state.excluded, state.reason = excluding, amendment.reason
    state.amended_by.append(amendment.number)
    return None


def _correct(amendment: Amendment, state: State) -> Fault | None:
    column = amendment.column
    if column == "reading" or column not in state.values:
        known = [name for name in state.values if name != "reading"]
        close = get_close_matches(column, known, n=1)
        mend = f"Write {close[0]}." if close else f"Write one of {', '.join(known)}."
        reason = "The identifier cannot be corrected." if column == "reading" else "The worksheet has no such column."
        return _fault(amendment, "column", reason, column, "a column of the worksheet", mend)
    current, written = state.values[column], state.row.written[column]
    # As long as nothing has changed it, the cell may also be quoted as the worksheet writes it, decimal comma and all.
    unchanged = current == state.row.values[column]
    if not _agrees(amendment.old, current) and not (unchanged and amendment.old == written):
        reason = "The old value no longer matches the reading."
        mend = "Find out what changed since; a later correction quotes the value that the one before has made."
        return _fault(amendment, "old", reason, amendment.old or "an empty cell", current or "an empty cell", mend)
    fault = _new_value_fault(amendment, state)
    if fault is None:
        state.values[column] = amendment.new
        state.amended_by.append(amendment.number)
    return fault


def _new_value_fault(amendment: Amendment, state: State) -> Fault | None:
    column, new = amendment.column, amendment.new
    if column == "time" and new and moment(new) is None:
        mend = "Write 2026-07-01 or 2026-07-01T09:30."
        return _fault(amendment, "new", why_no_moment(new), new, "an ISO 8601 date or time", mend)
    label = column == "level" and state.sheet.kind.labels
    if column not in NUMERIC or label or not new or decimal(new) is not None:
        return None
    if column == state.sheet.kind.value and censored(new):
        return None
    mend = f"Write {new.replace(',', '.')}." if "," in new else "Write the number with a decimal point."
    if NUMBER.fullmatch(new):
        reason, mend = "The new value is no size that a reading can have.", "Write it as it was read."
        return _fault(amendment, "new", reason, new, "a number from 1e-50 to 1e50 in size, or 0", mend)
    return _fault(amendment, "new", "The new value is not a number.", new, "a number", mend)


def _agrees(quoted: str, current: str) -> bool:
    """The same text, or the same number: 20.7 and 20.70 are one value."""
    if quoted == current:
        return True
    first, second = decimal(quoted), decimal(current)
    return first is not None and first == second


def append(folder: Path, amendment: Amendment, also: Mapping[str, bytes] | None = None) -> Path:
    """Append one amendment; the heading is written with the first. What stands in the file is never touched.

    Parameters
    ----------
    also : files that change with it, by name; they are written after it, and all of them or none

    Raises
    ------
    Refusal
        The file holds another number of amendments than this one was made for: somebody else appended meanwhile; or an
        amendment that was seen there is gone or changed.
    """
    from validation.study.amendment_hashes import MEND, lost_amendments, recorded_with

    before = content(folder / AMENDMENTS)
    written, faults = read_amendments(folder)
    if faults or next_number(written) != amendment.number:
        raise Refusal(f"{AMENDMENTS} changed meanwhile; look at it and give the amendment again.")
    lost = lost_amendments(folder, written)
    if lost:
        told = "; ".join(loss.short for loss in lost)
        raise Refusal(f"{AMENDMENTS} is not as it was first seen, and nothing is appended to it: {told}. {MEND}")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    if not (before or b"").strip():
        writer.writerow(COLUMNS)
    elif not (before or b"").endswith(b"\n"):
        text.write("\n")
    writer.writerow(amendment.to_dict().values())
    grown = (before or b"") + text.getvalue().encode("utf-8")
    record = recorded_with(folder, (*written, amendment))
    write_files(folder, {AMENDMENTS: grown, **record, **(also or {})}, expected={AMENDMENTS: before})
    return folder / AMENDMENTS


def next_number(amendments: Sequence[Amendment]) -> int:
    return max((amendment.number for amendment in amendments), default=0) + 1


def amendment_for(
    states: Sequence[State],
    *,
    number: int,
    reading: str,
    kind: str,
    by: str,
    reason: str,
    now: datetime,
    column: str = "",
    new: str = "",
) -> Amendment:
    """The amendment of one reading, with the old value as it stands now.

    Raises
    ------
    Refusal
        No such reading or column, the new value is no number, or nothing would change.
    """
    state = next((item for item in states if item.row.reading == reading), None)
    time = now.isoformat(timespec="seconds")
    old = "" if state is None or kind != "correction" else state.values.get(column, "")
    file = "" if state is None else state.sheet.file
    new = new.strip()
    amendment = Amendment(number, time, by, kind, file, reading, column, old, new, reason)
    if state is not None and kind == "correction" and column in state.values and _agrees(new, old):
        raise Refusal(f"{reading} already has {old or 'an empty cell'} in {column}; nothing would change.")
    faults = apply([amendment], [_copy(item) for item in states])
    if faults:
        raise Refusal(str(faults[0]))
    return amendment


def _copy(state: State) -> State:
    return State(state.sheet, state.row, dict(state.values), state.excluded, state.reason, list(state.amended_by))
