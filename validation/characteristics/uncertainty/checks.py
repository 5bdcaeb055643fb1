"""Components of the plan beside what the study itself measured of the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from validation.characteristics._precision_runs import place_text, unit_text
from validation.characteristics.uncertainty.budgets import CLOSE, LevelBudget, Sized
from validation.characteristics.uncertainty.sources import Sources
from validation.stats.uncertainty import root_sum_of_squares
from validation.study.quantity import Quantity, Table
from validation.words import fixed, places_for, sentence_list, significant


@dataclass(frozen=True, slots=True)
class Check:
    """One component of the plan beside what this study measured of the same."""

    name: str
    planned: str
    measured: str
    agrees: bool
    remark: str


def checks(one: LevelBudget, sources: Sources, unit: str) -> list[Check]:
    """Standard, fuel and the reading of a sample: each only where the plan states it and the study measured it."""
    possible = (_standard(one, sources), _fuel(one, sources), _reading(one, sources, unit))
    return [check for check in possible if check is not None]


def _stated(one: LevelBudget, question: str) -> list[Sized]:
    return [c for c in one.components if c.question == question and c.stated]


def size_of(parts: Sequence[Sized]) -> float:
    """Components joined, in the unit of the result."""
    return root_sum_of_squares([part.term.standard_uncertainty for part in parts])


def _standard(one: LevelBudget, sources: Sources) -> Check | None:
    q, parts = sources.single("standards.relative_uncertainty"), _stated(one, "standard")
    if q is None or not q.value or not parts or not one.level:
        return None
    planned = size_of(parts) / abs(one.level)
    agrees = abs(planned / q.value - 1) <= CLOSE
    top_down = "it is in the bias" if one.standard is None else "counts the record"
    counted = f"top-down {top_down}, bottom-up the plan" if parts[0].part_of else "the plan counts on both sides"
    remark = f"apart by less than a tenth; {counted}" if agrees else counted
    return Check("standard", _share(planned), f"{_share(q.value)} (lot record{_of(q)})", agrees, remark)


def _of(q: Quantity) -> str:
    return f" {q.at}" if q.at else ""


def _fuel(one: LevelBudget, sources: Sources) -> Check | None:
    q, parts = sources.single("fuel.spread"), _stated(one, "fuel")
    if q is None or q.interval is None or not parts or not one.level:
        return None
    planned, (low, high) = size_of(parts) / abs(one.level), q.interval
    names = sentence_list([str(slope.at) for slope in sources.quantities("fuel.slope")])
    measured = f"{_share(q.value)} over {names} ({significant(100 * low, 2)} to {significant(100 * high, 2)} %)"
    return Check("fuel", _share(planned), measured, low <= planned <= high, _beside(planned, low, high))


def _reading(one: LevelBudget, sources: Sources, unit: str) -> Check | None:
    s_r, parts = sources.at("repeatability.s_r", one.level), _stated(one, "sample reading")
    ends = None if s_r is None or s_r.distribution is None else s_r.distribution.interval(sources.study.confidence)
    if s_r is None or ends is None or not parts:
        return None
    planned, (low, high), of = size_of(parts), ends, unit_text(unit)
    places = places_for((high - low) / 4)
    measured = f"{fixed(s_r.value, places)}{of} ({fixed(low, places)} to {fixed(high, places)}{of}), its s_r"
    place = place_text(one.level, unit)
    return Check(
        "sample reading", f"{fixed(planned, places)}{of} at {place}", measured, low <= planned <= high,
        _beside(planned, low, high),
    )  # fmt: skip


def _beside(planned: float, low: float, high: float) -> str:
    if low <= planned <= high:
        return "the plan lies inside the interval"
    return f"the plan lies {'below' if planned < low else 'above'} the interval"


def _share(value: float) -> str:
    return f"{significant(100 * value, 2)} % of the level"


def checks_table(rows: Sequence[Check]) -> Table:
    """Planned and measured side by side."""
    cells = tuple((c.name, c.planned, c.measured, "yes" if c.agrees else "no", c.remark) for c in rows)
    head = ("component", "the plan states", "this study has", "agree", "remark")
    return Table("checks", "Components of the plan beside what this study measured", head, cells)


def checks_words(rows: Sequence[Check]) -> list[str]:
    """What disagrees, in one sentence."""
    if not rows:
        return []
    apart = [f"the {c.name} ({c.planned} stated, {c.measured} here; {c.remark})" for c in rows if not c.agrees]
    if not apart:
        names = sentence_list([c.name for c in rows])
        return [f"Where this study measured what the plan states ({names}), the two agree."]
    return [f"The plan and this study disagree on {sentence_list(apart)}."]
