"""Amendments applied to the rows they name: what was written stays, what counts is kept with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches

from validation.faults import Fault, Refusal
from validation.study.columns import NUMERIC
from validation.study.folder import AMENDMENTS
from validation.study.history.amendments import Amendment
from validation.study.text_files import NUMBER, censored, decimal, moment, same_value, why_no_moment
from validation.study.worksheets import Row, Sheet


@dataclass
class State:
    """A row while amendments are applied to it."""

    sheet: Sheet
    row: Row
    values: dict[str, str]
    excluded: bool = False
    reason: str = ""


def levels_are_labels(states: Iterable[State]) -> bool:
    """Whether no level of a worksheet is a number; an experiment may then take them as names. "4 %" is a number."""
    return all(
        decimal(state.values.get("level", "").removesuffix(state.sheet.unit).strip()) is None
        for state in states
        if not state.excluded
    )


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
            faults.append(_fault(amendment, "number", "The number appears twice.", mend))
        seen.add(amendment.number)
        if amendment.kind not in ("correction", "exclusion", "reinstatement"):
            continue  # no other kind changes a reading
        named = by_reading.get(amendment.reading)
        fault = _no_reading(amendment, by_reading) if named is None else None
        for state in named or ():
            fault = fault or _apply_one(amendment, state)
        if fault is not None:
            faults.append(fault)
    return faults


def _fault(amendment: Amendment, column: str, reason: str, mend: str, expected: str | None = None) -> Fault:
    """A fault in one cell of an amendment."""
    row, cell = amendment.line or None, amendment.to_dict()[column] or "an empty cell"
    return Fault(AMENDMENTS, reason, mend, row, amendment.reading or None, column, cell, expected)


def _no_reading(amendment: Amendment, known: Mapping[str, object]) -> Fault:
    close = get_close_matches(amendment.reading, known, n=1)
    mend = f"Write {close[0]}." if close else "Name the identifier as the worksheet has it."
    return _fault(amendment, "reading", "No worksheet has this reading.", mend, "an identifier of the study")


def _apply_one(amendment: Amendment, state: State) -> Fault | None:
    if amendment.file and amendment.file != state.sheet.file:
        file = state.sheet.file
        return _fault(amendment, "file", "The reading is in another file.", f"Write {file}.", file)
    if amendment.kind == "correction":
        return _correct(amendment, state)
    excluding = amendment.kind == "exclusion"
    if state.excluded == excluding:
        reason = f"The reading is {'already' if excluding else 'not'} excluded."
        # A row that is already in the file cannot be deleted; one that is asked for now need not be added.
        mend = "Take the row back with a new one; delete nothing." if amendment.line else "Nothing needs to be added."
        return _fault(amendment, "kind", reason, mend)
    state.excluded, state.reason = excluding, amendment.reason
    return None


def _correct(amendment: Amendment, state: State) -> Fault | None:
    column = amendment.column
    if column == "reading" or column not in state.values:
        known = [name for name in state.values if name != "reading"]
        close = get_close_matches(column, known, n=1)
        mend = f"Write {close[0]}." if close else f"Write one of {', '.join(known)}."
        reason = "The identifier cannot be corrected." if column == "reading" else "The worksheet has no such column."
        return _fault(amendment, "column", reason, mend, "a column of the worksheet")
    current, written = state.values[column], state.row.written[column]
    # As long as nothing has changed it, the cell may also be quoted as the worksheet writes it, decimal comma and all.
    unchanged = current == state.row.values[column]
    if not same_value(amendment.old, current) and not (unchanged and amendment.old == written):
        reason = "The old value no longer matches the reading."
        mend = "Find out what changed since; a later correction quotes the value that the one before set."
        return _fault(amendment, "old", reason, mend, current or "an empty cell")
    fault = _new_value_fault(amendment, state)
    if fault is None:
        state.values[column] = amendment.new
    return fault


def _new_value_fault(amendment: Amendment, state: State) -> Fault | None:
    column, new = amendment.column, amendment.new
    if column == "time" and new and moment(new) is None:
        return _fault(amendment, "new", *why_no_moment(new), "an ISO 8601 date or time")
    label = column == "level" and state.sheet.kind.labels
    below = column == state.sheet.kind.value and censored(new)
    if column not in NUMERIC or label or not new or below or decimal(new) is not None:
        return None
    if NUMBER.fullmatch(new):
        reason, mend = "The new value is not a size that a reading can have.", "Write it as it was read."
        return _fault(amendment, "new", reason, mend, "a number from 1e-50 to 1e50 in size, or 0")
    mend = f"Write {new.replace(',', '.')}." if "," in new else "Write the number with a decimal point."
    return _fault(amendment, "new", "The new value is not a number.", mend, "a number")


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
    """The amendment of one reading, with the old value as it is now.

    Raises
    ------
    Refusal
        No such reading or column, the new value is no number, or nothing would change.
    """
    state = next((item for item in states if item.row.reading == reading), None)
    file = "" if state is None else state.sheet.file
    values = {} if state is None or kind != "correction" else state.values
    time, old, new = now.isoformat(timespec="seconds"), values.get(column, ""), new.strip()
    amendment = Amendment(number, time, by, kind, file, reading, column, old, new, reason)
    if column in values and same_value(new, old):
        raise Refusal(f"{reading} already has {old or 'an empty cell'} in {column}; nothing would change.")
    faults = apply([amendment], [replace(item, values=dict(item.values)) for item in states])
    if faults:
        raise Refusal(str(faults[0]))
    return amendment
