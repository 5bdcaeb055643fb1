"""From the plan's requirements to rows with an outcome."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any

from validation.characteristics import KeyInfo
from validation.characteristics.registry import known_keys
from validation.faults import Fault
from validation.judging import rules
from validation.study.experiments import EXPERIMENTS
from validation.study.history.plan_order import PlanOrder
from validation.study.model import Study
from validation.study.plan import Plan, Requirement
from validation.study.quantity import At, Outcome, Quantity
from validation.words import counted, level_text, sentence_list

#: Filled in by judging itself, not by a characteristic: the lowest level where the other requirements hold.
BY_PERFORMANCE = "by performance"

#: Reason, mend, value that is there, column.
_MakeFault = Callable[[str, str, object, str], Fault]


@dataclass(frozen=True, slots=True)
class RequirementResult:
    """One row of the verdict table.

    `settled` is the rule's own word, whatever the age of the plan; `fragile` names the variants in which it changes.
    `content` is the share of single results that the rule `inside` asks for: `observed`, `interval` and `bound` of such
    a row are shares of one, while `limit` is in the unit of the results.
    """

    id: str
    quantity: str
    at: At
    rule: str
    limit: float | None
    limit_text: str
    target: float
    origin: str
    observed: float | None
    interval: tuple[float, float] | None
    confidence: float | None
    bound: float | None
    outcome: Outcome
    settled: str
    reason: str
    order: str
    thin: str
    unit: str
    fragile: tuple[str, ...] = ()
    content: float | None = None

    @property
    def text(self) -> str:
        """One line for the command line."""
        place = "" if self.at is None else f" at {self.at:g}" if isinstance(self.at, float) else f" at {self.at}"
        return f"{self.id} {self.quantity}{place}: {self.outcome}. {self.reason}"

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types in a fixed order: the contract's keys first."""
        return {
            "id": self.id,
            "quantity": self.quantity,
            "at": self.at,
            "limit": self.limit,
            "observed": self.observed,
            "interval": None if self.interval is None else list(self.interval),
            "outcome": self.outcome,
            "reason": self.reason,
            "confidence": self.confidence,
            "rule": self.rule,
            "target": self.target,
            "limit_text": self.limit_text,
            "bound": self.bound,
            "origin": self.origin,
            "order": self.order,
            "thin": self.thin,
            "settled": self.settled,
            "unit": self.unit,
            "fragile": list(self.fragile),
            "content": self.content,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> RequirementResult:
        pairs = dict(data)
        if pairs["interval"] is not None:
            low, high = pairs["interval"]
            pairs["interval"] = (low, high)
        pairs["fragile"] = tuple(pairs.get("fragile", ()))
        return cls(**pairs)


def judged_keys() -> dict[str, str]:
    """What a requirement may name, and what it means: every key that some rule fits, and each pair by its stem."""
    judged = {key: info.meaning for key, info in known_keys().items() if info.rules}
    return judged | {stem: info.meaning for stem, info in _pair_names().items() if info.rules}


def requirement_faults(
    plan: Plan, *, numeric_levels: Mapping[str, bool] | None = None, lines: Mapping[str, int] | None = None
) -> list[Fault]:
    """Requirements that cannot be judged as written: unknown quantity, unfit rule, a limit without its level.

    `numeric_levels` says by experiment whether its levels are numbers, once the worksheets are read.
    """
    faults = [
        fault
        for requirement in plan.requirements
        for fault in _faults(requirement, numeric_levels or {}, lines or {}, plan.study.range)
    ]
    return [*faults, *_setting_faults(plan)]


def _setting_faults(plan: Plan) -> Iterator[Fault]:
    """Settings of the procedure whose quantity no study can have."""
    for setting in plan.study.settings:
        quantity = setting.supported_by.quantity
        if find_key(quantity) is None:
            close = get_close_matches(quantity, known_keys(), n=1, cutoff=0.4)
            mend = f"Did you mean {close[0]}?" if close else f"Known are: {', '.join(sorted(known_keys()))}."
            place = f"study.settings, {setting.name}, supported_by"
            yield Fault("plan.yaml", "No such quantity.", mend, None, None, place, quantity, "a key of results.json")


def _faults(
    requirement: Requirement, numeric: Mapping[str, bool], lines: Mapping[str, int], range_: tuple[float, float]
) -> list[Fault]:
    def fault(reason: str, mend: str, value: object, column: str) -> Fault:
        text = f"Requirement {requirement.id}: {reason}"
        return Fault("plan.yaml", text, mend, lines.get(requirement.id), column=column, value=str(value))

    info = find_key(requirement.quantity)
    if info is None:
        return [_unknown(requirement, fault)]
    levels_are_numbers = numeric.get(_experiment(info.key)) if info.at == "level" else None
    return [
        *_rule_faults(requirement, info, fault),
        *_place_faults(requirement, info, levels_are_numbers, fault),
        *_size_faults(requirement, info, range_, fault),
        *_share_faults(requirement, info, levels_are_numbers, fault),
    ]


def _rule_faults(requirement: Requirement, info: KeyInfo, fault: _MakeFault) -> Iterator[Fault]:
    if requirement.rule not in info.rules:
        allowed = " or ".join(f"`{rule}`" for rule in info.rules)
        mend = f"Use {allowed}." if allowed else "This quantity is reported and never judged: remove the requirement."
        yield fault(f"the rule does not fit {requirement.quantity}.", mend, requirement.rule, "rule")


def _place_faults(
    requirement: Requirement, info: KeyInfo, levels_are_numbers: bool | None, fault: _MakeFault
) -> Iterator[Fault]:
    at = requirement.at
    if info.at == "label" and not isinstance(at, str):
        mend = 'Write at: "ISO 11843-2", for example.'
        yield fault("this quantity is reported by name; `at` must give one.", mend, at, "at")
    quoted = _number(at) if info.at == "level" and isinstance(at, str) else None
    if quoted is not None and levels_are_numbers:
        mend = f"Write it without quotes: at: {quoted:g}."
        yield fault("the level is a text; those of the worksheet are numbers.", mend, at, "at")
    if info.at == "none" and at is not None:
        yield fault("this quantity has no levels.", "Leave `at` out.", at, "at")


def _size_faults(
    requirement: Requirement, info: KeyInfo, range_: tuple[float, float], fault: _MakeFault
) -> Iterator[Fault]:
    """A limit of a size that is nothing or negative at some level where it is judged."""
    if not _of_a_size(requirement, info):
        return
    low, high = (float(requirement.at),) * 2 if isinstance(requirement.at, int | float) else range_
    least = requirement.limit.least(low, high)
    if least <= 0:
        place = ""
        if requirement.limit.number is None:
            place = f"; within {level_text(low)} to {level_text(high)} it falls to {level_text(least)}"
        mend = "Write a limit that is above zero at every level it is judged at."
        yield fault(f"a limit of zero or less can never be met{place}.", mend, requirement.limit, "limit")


def _share_faults(
    requirement: Requirement, info: KeyInfo, levels_are_numbers: bool | None, fault: _MakeFault
) -> Iterator[Fault]:
    """A share of the level where there is no level that is a number, or no unit."""
    if not requirement.limit.needs_level:
        return
    if info.at in ("none", "label") or levels_are_numbers is False or isinstance(requirement.at, str):
        mend = "Give the limit as a number in the unit of the quantity."
        yield fault("a share of the level needs a level that is a number.", mend, requirement.limit, "limit")
    elif info.unit == "1":
        mend = "Give the limit as a number, such as 0.05."
        yield fault("a share of the level does not fit a quantity without a unit.", mend, requirement.limit, "limit")


def _of_a_size(requirement: Requirement, info: KeyInfo) -> bool:
    """Whether the limit is a half-width or the bound of a size, and so above zero; a signed quantity may have any."""
    if requirement.rule == "upper bound":
        return "lower bound" not in info.rules
    return requirement.rule != "lower bound"


def _unknown(requirement: Requirement, fault: _MakeFault) -> Fault:
    near = get_close_matches(requirement.quantity, [*known_keys(), *_pair_names()], n=1, cutoff=0.4)
    mend = f"Did you mean {near[0]}?" if near else f"Known are: {', '.join(sorted(known_keys()))}."
    instead = [text for words, text in _NO_SIZE if re.search(words, requirement.quantity)]
    return fault("no such quantity.", instead[0] if instead else mend, requirement.quantity, "quantity")


#: What is often asked for and is no size of an error, and what is judged instead.
_NO_SIZE = (
    (
        r"correlation|determination|r2$|r_squared",
        "A correlation coefficient does not show that a line is straight, and bounds no error: set a limit on "
        "calibration.departure.",
    ),
    (
        r"t_?test|p_value|\.p$|_p$",
        "A large p shows few readings or much scatter as well as a small bias: set a limit on the size, such as "
        "trueness.bias with the rule `equivalence`.",
    ),
)


def levels_not_held(study: Study) -> list[str]:
    """Requirements set at a level that the worksheet does not hold: nothing can be shown there. A warning, no fault."""
    sentences = []
    for requirement in study.plan.requirements:
        info = find_key(requirement.quantity)
        if requirement.at is None or info is None or info.at != "level":
            continue
        data = study.experiments.get(_experiment(info.key))
        held = [] if data is None else [row.values["level"] for row in data.readings if row.values.get("level")]
        if data is None or not held:
            continue
        names = list(dict.fromkeys(map(_level_name, held)))
        wanted = _level_name(str(requirement.at))
        if wanted not in names:
            names.sort(key=lambda name: (_number(name) is None, _number(name) or 0.0, name))
            some = ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
            sentences.append(f"{requirement.id} is set at {wanted}; {data.worksheet} has no such level, only {some}.")
    return [*sentences, *_names_not_held(study)]


def _names_not_held(study: Study) -> list[str]:
    """The same for names: a grade, fuel, lot, state or setting that the worksheet does not hold."""
    sentences = []
    for requirement in study.plan.requirements:
        chapter = requirement.quantity.partition(".")[0]
        data = study.experiments.get(chapter)
        column = EXPERIMENTS[chapter].shape.names if chapter in EXPERIMENTS else ""
        if not column or data is None or not isinstance(requirement.at, str):
            continue
        held = list(dict.fromkeys(reading.values.get(column, "") for reading in data.readings))
        # A used oil is named with its grade; `all` and other experiments' names mean the whole worksheet.
        known = [name for name in held if name]
        if known and not any(requirement.at == name or requirement.at.startswith(f"{name}, ") for name in known):
            materials = {reading.values.get("material", "") for reading in data.readings}
            if requirement.at not in materials:
                some = ", ".join(known[:12])
                place = f"{requirement.id} is set at {requirement.at}"
                sentences.append(f"{place}; {data.worksheet} has no such {column}, only {some}.")
    return sentences


def _level_name(text: str) -> str:
    """One name for 4, 4.0 and 4,0."""
    number = _number(text)
    return text.strip() if number is None else level_text(number)


def _number(text: str) -> float | None:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return None


def _experiment(key: str) -> str:
    from validation.characteristics.registry import characteristics

    return next(item.experiment for item in characteristics().values() if any(info.key == key for info in item.keys))


def _pair_names() -> dict[str, KeyInfo]:
    """`accuracy.tolerance` names the pair accuracy.tolerance_low and accuracy.tolerance_high."""
    return {info.pair[0].rsplit("_", 1)[0]: info for info in known_keys().values() if info.pair is not None}


def find_key(quantity: str) -> KeyInfo | None:
    """What is known of a quantity that a requirement names, a pair by either member or by its common stem."""
    return known_keys().get(quantity) or _pair_names().get(quantity)


def judge(
    plan: Plan, quantities: Sequence[Quantity], order: PlanOrder, *, chapters: Collection[str]
) -> tuple[RequirementResult, ...]:
    """Every requirement on the evaluated chapters, one row a level where it names none, in the plan's order."""
    by_place = {(quantity.key, quantity.at): quantity for quantity in quantities}
    asked = [requirement for requirement in plan.requirements if requirement.quantity.partition(".")[0] in chapters]
    rows = [row for requirement in asked for row in _rows(requirement, plan, by_place)]
    return tuple(_with_order(row, order) for row in rows)


def _rows(requirement: Requirement, plan: Plan, by_place: Mapping[tuple[str, At], Quantity]) -> list[RequirementResult]:
    info = find_key(requirement.quantity)
    assert info is not None, "requirement_faults refuses unknown quantities before anything is judged"
    key = info.pair[0] if info.pair else info.key
    if requirement.at is not None:
        at = float(requirement.at) if isinstance(requirement.at, int | float) else requirement.at
        return [_row(requirement, info, at, by_place, plan.confidence)]
    low, high = plan.study.range
    places = [
        at
        for (name, at) in by_place
        if name == key
        and (info.at != "level" or not isinstance(at, float) or low <= at <= high)
        and not by_construction(by_place[name, at])
    ]
    return [_row(requirement, info, at, by_place, plan.confidence) for at in places] or [
        _row(requirement, info, None, by_place, plan.confidence)
    ]


def by_construction(quantity: Quantity) -> bool:
    """Whether the calibration itself makes a difference zero, so that no reading can speak for or against it."""
    return quantity.value == 0 and quantity.standard_uncertainty == 0


def without_rows(study: Study, quantities: Sequence[Quantity]) -> list[str]:
    """Why a requirement for every level has no row at some: the difference is zero there by construction."""
    low, high = study.plan.study.range
    sentences = []
    for item in study.plan.requirements:
        levels = [q.at for q in quantities if q.key == item.quantity and isinstance(q.at, float) and by_construction(q)]
        places = sentence_list([level_text(at) for at in levels if low <= at <= high])
        if places and item.at is None:
            why = "the calibration makes the difference zero there, whatever the readings are"
            sentences.append(f"{item.id} has no row at {places} {study.unit}: {why}.")
    return sentences


def _row(
    requirement: Requirement, info: KeyInfo, at: At, by_place: Mapping[tuple[str, At], Quantity], confidence: float
) -> RequirementResult:
    quantity = by_place.get((info.pair[0] if info.pair else info.key, at))
    level = at if isinstance(at, float) else None
    limit = None if requirement.limit.needs_level and level is None else requirement.limit.value(level)
    if quantity is None or limit is None:
        place = "" if at is None else f" at {at:g}" if isinstance(at, float) else f" at {at!r}"
        what = "share of single results within the limit" if requirement.rule == "inside" else info.meaning
        reason = f"There is no estimate of the {what}{place}: its chapter says why."
        verdict = rules.RuleVerdict("not shown", None, None, None, reason)
    else:
        verdict = _verdict(requirement, info, quantity, limit, confidence)
        if by_construction(quantity):
            nothing = "Zero by construction of the calibration: no reading speaks for or against it."
            verdict = replace(verdict, outcome="not shown", reason=nothing)
    if quantity is not None and quantity.censored and verdict.outcome == "met":
        were = "was" if quantity.censored == 1 else "were"
        left_out = f"{counted(quantity.censored, 'censored reading')} {were} left out"
        reason = f"{left_out}, so at best this is not shown. {verdict.reason}"
        verdict = replace(verdict, outcome="not shown", reason=reason)
    return RequirementResult(
        id=requirement.id,
        quantity=requirement.quantity,
        at=at,
        rule=requirement.rule,
        limit=limit,
        limit_text="" if limit is None else requirement.limit.derivation(level),
        target=requirement.target,
        content=(requirement.content or confidence) if requirement.rule == "inside" else None,
        origin=requirement.origin,
        observed=verdict.observed,
        interval=verdict.interval,
        confidence=verdict.confidence,
        bound=verdict.bound,
        outcome=verdict.outcome,
        settled=verdict.outcome,
        reason=verdict.reason,
        order="",
        thin=verdict.thin,
        unit="" if quantity is None else quantity.unit,
    )


def _verdict(
    requirement: Requirement, info: KeyInfo, quantity: Quantity, limit: float, confidence: float
) -> rules.RuleVerdict:
    match requirement.rule:
        case "equivalence":
            return rules.equivalence(quantity, limit, requirement.target)
        case "upper bound":
            return rules.upper_bound(quantity, limit)
        case "lower bound":
            return rules.lower_bound(quantity, limit)
        case "point":
            return rules.point(quantity, limit, requirement.target, about_target="equivalence" in info.rules)
    return rules.inside(quantity, limit, content=requirement.content or confidence)


def _with_order(row: RequirementResult, order: PlanOrder) -> RequirementResult:
    """A verdict needs a frozen plan; how old the requirement is goes with it."""
    if order.state in ("no lock", "lock does not match"):
        why = "no frozen plan" if order.state == "no lock" else "plan.yaml is not the plan that was frozen"
        return replace(row, outcome="not judged", order=order.state, reason=f"Not judged: {why}. {row.reason}")
    return replace(row, order=order.requirements.get(row.id, "cannot be shown"))
