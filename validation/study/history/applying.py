"""Amendments applied to the rows they name: what was written stays, what counts is set beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches

from validation.faults import Fault, Refusal
from validation.study.folder import AMENDMENTS
from validation.study.history.amendments import Amendment
from validation.study.text_files import NUMBER, censored, decimal, moment, why_no_moment
from validation.study.worksheets import NUMERIC, Row, Sheet


@dataclass
class State:
    """A row while amendments are applied to it."""

    sheet: Sheet
    row: Row
    values: dict[str, str]
    excluded: bool = False
    reason: str = ""


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


def _fault(amendment: Amendment, column: str, reason: str, value: str, expected: str, mend: str) -> Fault:
    row = amendment.line or None
    return Fault(AMENDMENTS, reason, mend, row, amendment.reading or None, column, value, expected or None)


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
    faults = apply([amendment], [replace(item, values=dict(item.values)) for item in states])
    if faults:
        raise Refusal(str(faults[0]))
    return amendment
