"""Settings of the procedure against the evidence that must support them. Prose is never read: `study.settings` is."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from math import floor

from validation.judging.conclusion import in_plain_words
from validation.judging.contradictions.record import Basis, Contradiction, Place, size_text
from validation.judging.requirements import RequirementResult, find_key
from validation.study.procedure_settings import ProcedureSetting
from validation.study.quantity import At
from validation.words import level_text, sentence_list

UNSUPPORTED = "setting against its evidence"
TWICE = "one factor, two values"
_DAYS = ("d", "day", "days")


def unsupported_settings(basis: Basis) -> Iterator[Contradiction]:
    """A setting beyond what its quantity shows, or whose quantity is not there or not met.

    Reason: whoever works by the procedure relies on the setting, not on the experiment.
    """
    for setting in basis.study.plan.study.settings:
        short = _SHORTCOMINGS[setting.kind](setting, basis)
        if short:
            named = f"The setting “{setting.name}” is {_value(setting)}: {short}"
            support = setting.supported_by
            places = (Place(plan=f"study.settings, {setting.name}"), Place(support.quantity, _at(setting)))
            need = "To be decided: another value in the procedure, or evidence for this one."
            yield Contradiction(UNSUPPORTED, named, need, "both", places)


def settings_twice(basis: Basis) -> Iterator[Contradiction]:
    """Two settings of one kind on one quantity, or of one name, with different values.

    Reason: a person at the bench can keep only one of them.
    """
    settings = basis.study.plan.study.settings
    for place, one in enumerate(settings):
        for other in settings[place + 1 :]:
            alike = (one.kind, one.supported_by) == (other.kind, other.supported_by) or one.name == other.name
            if alike and (one.value, one.unit) != (other.value, other.unit):
                text = (
                    f"The plan states {_value(one)} ({one.name}) and {_value(other)} ({other.name}) for "
                    f"{_support(one)}."
                )
                places = tuple(Place(plan=f"study.settings, {item.name}") for item in (one, other))
                yield Contradiction(TWICE, text, "To be decided: which of the two holds.", "both", places)


def _support(setting: ProcedureSetting) -> str:
    """ "carry-over effect (30 s)"."""
    at = setting.supported_by.at
    return in_plain_words(setting.supported_by.quantity) + ("" if at is None else f" ({level_text(at)})")


def _value(setting: ProcedureSetting) -> str:
    ends = (setting.low, setting.high)
    number = level_text(ends[0]) if ends[0] == ends[1] else f"{level_text(ends[0])} to {level_text(ends[1])}"
    return f"{number} {setting.unit}"


def _at(setting: ProcedureSetting) -> At:
    at = setting.supported_by.at
    return float(at) if isinstance(at, int | float) else at


def _rows(setting: ProcedureSetting, basis: Basis) -> list[RequirementResult]:
    """The verdicts on the quantity at its place, or at every place."""
    info = find_key(setting.supported_by.quantity)
    keys = {setting.supported_by.quantity} | ({info.key, *(info.pair or ())} if info is not None else set())
    at = _at(setting)
    return [row for row in basis.rows if row.quantity in keys and (at is None or row.at == at)]


def _absent(setting: ProcedureSetting) -> str:
    return f"the study has no {_support(setting)}, which must support it."


def _requirement_met(setting: ProcedureSetting, basis: Basis) -> str:
    """Why the requirement on the quantity does not hold; nothing where it is met everywhere it is set."""
    support, rows = setting.supported_by, _rows(setting, basis)
    if not rows:
        there = any(_at(setting) in (None, q.at) for q in basis.every(support.quantity))
        return f"the plan sets no requirement on {_support(setting)}." if there else _absent(setting)
    short = [row for row in rows if row.settled != "met"]
    if not short:
        return ""
    alike = {row.settled for row in short} == {short[0].settled}
    names = sentence_list(list(dict.fromkeys(row.id if alike else f"{row.id} {row.settled}" for row in short)))
    return f"{_support(setting)}, which must support it, is {short[0].settled} ({names})."


def _another_unit(setting: ProcedureSetting, unit: str) -> str:
    return f"it is stated in {setting.unit}, its evidence in {unit}." if setting.unit != unit else ""


def _highest_level(setting: ProcedureSetting, basis: Basis) -> str:
    """Carry-over: the level after which its limit is kept by the bound of the share; else the highest level met."""
    unit = basis.study.unit
    if setting.supported_by.quantity.startswith("carry_over."):
        reach = basis.quantity("carry_over.reach", _at(setting))
        if reach is None:
            return _requirement_met(setting, basis) or _absent(setting)
        limit: float | None = reach.value
    else:
        levels = _met_levels(setting, basis)
        if levels is None:
            return _absent(setting)
        limit = max(levels, default=None)
    if limit is None:
        return f"{_support(setting)} is met at no level."
    beyond = f"{_support(setting)} keeps its limit up to {size_text(limit, unit)} only."
    return _another_unit(setting, unit) or (beyond if setting.high > limit else "")


def _lowest_level(setting: ProcedureSetting, basis: Basis) -> str:
    """A quantity that is a content itself, such as a limit of quantification; else the lowest level met."""
    unit, support = basis.study.unit, setting.supported_by
    if support.quantity.startswith("detection."):
        rows = [row for row in _rows(setting, basis) if row.observed is not None]
        own = basis.quantity(support.quantity, _at(setting))
        limit = own.value if own is not None else next((row.observed for row in rows), None)
        if limit is None:
            return _absent(setting)
    else:
        levels = _met_levels(setting, basis)
        if levels is None:
            return _absent(setting)
        limit = min(levels, default=None)
    if limit is None:
        return f"{_support(setting)} is met at no level."
    below = f"{_support(setting)} is {size_text(limit, unit)}; nothing below is supported."
    return _another_unit(setting, unit) or (below if setting.low < limit else "")


def _met_levels(setting: ProcedureSetting, basis: Basis) -> list[float] | None:
    """The levels at which the requirement is met, up from the lowest one without a gap; None without any row."""
    rows = [row for row in _rows(setting, basis) if isinstance(row.at, float)]
    if not rows:
        return None
    met: list[float] = []
    for level in sorted({row.at for row in rows if isinstance(row.at, float)}):
        if all(row.settled == "met" for row in rows if row.at == level):
            met.append(level)
        elif met:
            break
    return met


def _age_limit(setting: ProcedureSetting, basis: Basis) -> str:
    """Days that stability shows for a state, or for which a lot record counts the loss in use."""
    support, at = setting.supported_by, _at(setting)
    wrong = "" if setting.unit in _DAYS else f"it is stated in {setting.unit}, its evidence in d."
    if support.quantity.startswith("standards."):
        record = basis.study.lot_records.get(str(at))
        loss = None if record is None else record.preparation.in_use_loss
        if loss is None or loss.days is None:
            return f"the record of lot {at} states no days of use."
        covered = f"the uncertainty of lot {at} counts the loss over {size_text(loss.days, 'd')} of use."
        return wrong or (covered if setting.high > loss.days else "")
    expiry = basis.quantity("stability.expiry", at)
    if expiry is None:
        there = any(q.at == at for q in basis.every("stability.change"))
        return f"stability shows no time of use for {at}." if there else _absent(setting)
    shown = f"stability shows {size_text(floor(expiry.value), 'd')} ({at})."
    return wrong or (shown if setting.high > floor(expiry.value) else "")


def _tolerance(setting: ProcedureSetting, basis: Basis) -> str:
    """Inside the two settings that ruggedness varied, and the effect between them met."""
    short = _requirement_met(setting, basis) if setting.low != setting.high else ""
    experiment = basis.study.plan.experiments.get("ruggedness")
    factors: Mapping[str, Mapping[str, str]] = {} if experiment is None else experiment.settings.get("factors", {})
    ends = factors.get(str(_at(setting)))
    if ends is None:
        return f"ruggedness did not vary {_at(setting)}."
    numbers = [_number(ends[end]) for end in ("low", "high")]
    if any(number is None for number in numbers):
        return f"ruggedness varied {_at(setting)} between {ends['low']} and {ends['high']}, which are no numbers."
    (low, unit), (high, _) = (number for number in numbers if number is not None)
    low, high = sorted((low, high))
    outside = f"ruggedness varied it from {ends['low']} to {ends['high']} only."
    beyond = setting.low < low or setting.high > high
    return _another_unit(setting, unit) or short or (outside if beyond else "")


def _number(text: str) -> tuple[float, str] | None:
    match = re.fullmatch(r"([+-]?[0-9]+(?:\.[0-9]+)?)\s*(.*)", text)
    return None if match is None else (float(match[1]), match[2].strip())


_SHORTCOMINGS: Mapping[str, Callable[[ProcedureSetting, Basis], str]] = {
    "requirement met": _requirement_met,
    "highest level": _highest_level,
    "lowest level": _lowest_level,
    "age limit": _age_limit,
    "tolerance": _tolerance,
}
