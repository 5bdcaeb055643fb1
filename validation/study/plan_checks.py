"""What the values of a plan say against each other and against what can be: names, sizes, limits. Reported by line."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from validation.faults import Fault
from validation.study.experiments import EXPERIMENTS
from validation.study.grammar import Limit
from validation.study.names import readings_of
from validation.study.text_files import ordinary, whole_of
from validation.study.yaml_reading import Path_, Reading, key_name

#: Where a plan states a content, in the unit of the study, in addition to its experiments; * is every key or entry.
CONTENTS: tuple[Path_, ...] = (
    ("study", "range", "*"),
    ("study", "customer_limits", "*"),
    ("standards", "*", "value"),
    ("decision", "limits", "*"),
    ("uncertainty", "levels", "*"),
)
#: Limits in addition to the requirements, which must be above zero, and sizes of the budget, which may be zero.
LIMITS: tuple[Path_, ...] = (("lots", "allowed_step"),)
SIZES: tuple[Path_, ...] = (
    ("uncertainty", "components", "*", "size"),
    ("uncertainty", "components", "*", "half_width"),
)


def plan_checks(value: Mapping[str, Any], reading: Reading, file: str) -> Iterator[Fault]:
    """The faults between the values of a plan; what is of the wrong kind is left to the schema.

    Parameters
    ----------
    value : the plan as plain values, `people`, `equipment` and `standards` as lists
    reading, file : the lines of its keys, and how it is named in messages
    """

    def fault(path: Path_, reason: str, mend: str, written: Any, expected: str | None = None) -> Fault:
        return Fault(file, reason, mend, reading.line(path), None, key_name(path), str(written), expected)

    yield from _names(value, fault, reading)
    yield from _exports(value, fault)
    yield from _contents(value, fault)
    yield from _limits(value, fault)


def _exports(value: Mapping[str, Any], fault: Any) -> Iterator[Fault]:
    """An export of an experiment that is not planned, or whose lines are named by a column that it does not give."""
    planned = value.get("experiments")
    for (_, position, _), name in _at(value, ("exports", "*", "experiment")):
        if isinstance(planned, Mapping) and name not in planned:
            close = difflib.get_close_matches(str(name), planned, n=1)
            mend = f"Write {close[0]}." if close else "Name one of the experiments."
            path = ("exports", position, "experiment")
            yield fault(path, "The experiment is not planned.", mend, name, ", ".join(planned))
    for (_, position, _), columns in _at(value, ("exports", "*", "columns")):
        entry = value["exports"][position]
        match, rows = entry.get("match", "reading"), entry.get("rows") or {}
        given = [*columns, *(rows if isinstance(rows, Mapping) else ())] if isinstance(columns, Mapping) else None
        for name in [match] if isinstance(match, str) else match if isinstance(match, list) else []:
            if given is not None and name not in given:
                path = ("exports", position, "match" if "match" in entry else "columns")
                mend = f"State its heading in columns, or match by others: {', '.join(given)}."
                yield fault(path, "The export gives no such column.", mend, name)


def _names(value: Mapping[str, Any], fault: Any, reading: Reading) -> Iterator[Fault]:
    """A thing named twice; a lot in use, or a unit, that is another one than stated."""
    for section in ("people", "equipment", "standards"):
        seen: dict[str, int] = {}
        for (_, position, _), name in _at(value, (section, "*", "name")):
            first = next((seen[text] for text in readings_of(str(name)) if text in seen), None)
            entry = value[section][position]
            if first is not None and not (section == "equipment" and _successive(value[section][first], entry)):
                other = value[section][first]["name"]
                path = (section, position, "name")
                same = str(other) == str(name)
                reason = f"The name {'appears twice' if same else f'is nearly that of another entry, {other}'}."
                line = reading.line((section, first, "name"))
                mend = f"Keep one entry for one thing, or give each its own clear name; the first is in line {line}."
                if section == "equipment":
                    mend += " Successive certificates of one item each state their own valid_from or valid_until."
                yield fault(path, reason, mend, name)
            for text in readings_of(str(name)):
                seen.setdefault(text, position)
    stated = [str(name) for _, name in _at(value, ("standards", "*", "name"))]
    for path, lot in _at(value, ("lots", "in_use")):
        if stated and str(lot) not in stated:
            close = difflib.get_close_matches(str(lot), stated, n=1, cutoff=0.5)
            mend = f"Write {close[0]}, or add" if close else "Add"
            reason = "The lot in use is not one of the standards."
            yield fault(path, reason, f"{mend} the lot to standards.", lot, ", ".join(stated[:8]))
    for _, unit in _at(value, ("study", "unit")):
        for path, other in _at(value, ("standards", "*", "unit")):
            if str(other) != str(unit):
                mend = f"Give value and uncertainty in {unit}, or correct the unit of the study."
                yield fault(path, "The standard is stated in another unit than the study.", mend, other, str(unit))


def _successive(first: Mapping[str, Any], second: Mapping[str, Any]) -> bool:
    """Two certificates of one item, written in the same way: each states its own dates."""
    periods = [(entry.get("valid_from"), entry.get("valid_until")) for entry in (first, second)]
    return first["name"] == second["name"] and periods[0] != periods[1] and all(any(period) for period in periods)


def _contents(value: Mapping[str, Any], fault: Any) -> Iterator[Fault]:
    whole = next((whole_of(str(unit)) for _, unit in _at(value, ("study", "unit"))), None)
    if whole is None:
        return
    unit = value["study"]["unit"]
    for pattern in (*CONTENTS, *_settings("content")):
        for path, number in _at(value, pattern):
            if not _is_number(number) or not ordinary(number) or 0 <= number <= whole:
                continue
            what = "is negative" if number < 0 else f"is more than the whole, {whole:g} {unit}"
            mend = f"Write the content in {unit}, or correct the unit of the study."
            yield fault(path, f"The content {what}.", mend, f"{number:g}", f"0 to {whole:g} {unit}")


def _limits(value: Mapping[str, Any], fault: Any) -> Iterator[Fault]:
    low, high = range_of(value)
    for patterns, zero in (((*LIMITS, *_settings("limit")), False), (SIZES, True)):
        least_allowed = "zero or more" if zero else "above zero"
        for pattern in patterns:
            for path, text in _at(value, pattern):
                try:
                    limit = Limit.parse(text)
                    least = limit.least(low, high)
                except ValueError:
                    continue  # the schema reports it
                if least < 0 or (least == 0 and not zero):
                    place = "" if limit.number is not None else f"; it falls to {least:g} within the range of the study"
                    mend = "Write a size that is above zero at every level of the range."
                    yield fault(path, f"The limit must be {least_allowed}{place}.", mend, text, least_allowed)


def _settings(kind: str) -> list[Path_]:
    """Where the experiments state a content, or a limit."""
    settings = [item for record in EXPERIMENTS.values() for item in record.settings]
    return [("experiments", "*", item.name) for item in settings if item.kind == kind]


def range_of(value: Mapping[str, Any]) -> tuple[float, float]:
    """The range of the study where it can be read; else any, which the fault on the range makes harmless."""
    ends = [number for _, number in _at(value, ("study", "range", "*"))]
    if len(ends) == 2 and all(_is_number(end) for end in ends) and ends[0] < ends[1]:
        return float(ends[0]), float(ends[1])
    return 1.0, 2.0


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _at(value: Any, pattern: Path_, path: Path_ = ()) -> Iterator[tuple[Any, Any]]:
    """Every value under a pattern with its path; what is not there, or of another kind, is passed over."""
    if not pattern:
        if value is not None:
            yield path, value
        return
    head, rest = pattern[0], pattern[1:]
    pairs: Sequence[tuple[Any, Any]] = ()
    if isinstance(value, Mapping):
        pairs = list(value.items()) if head == "*" else [(head, value[head])] if head in value else []
    elif isinstance(value, list) and head == "*":
        pairs = list(enumerate(value))
    elif head == "*" and not rest and value is not None:
        pairs = [(None, value)]  # one number may replace a list of one
    for key, item in pairs:
        yield from _at(item, rest, path if key is None else (*path, key))
