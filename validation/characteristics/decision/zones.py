"""The zones at each limit of the customer, made from the combined standard uncertainty there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from validation.characteristics.decision.chances import percent
from validation.figures.decision import LimitZones
from validation.stats.decision import (
    RULE,
    RULES,
    Zones,
    guard_factor,
    guarded_rule,
    non_binary_rule,
    probability_above,
    simple_rule,
    u_curve,
)
from validation.stats.estimate import Estimate
from validation.stats.prior import UncertaintyOf
from validation.study.decision_rule import DecisionRule
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity, Table
from validation.words import fixed, level_text, places_for, significant

#: k where the uncertainty chapter states none.
USUAL_K = 2.0


@dataclass(frozen=True)
class Known:
    """The combined standard uncertainty by level, as the chapter on uncertainty states it; at least one level."""

    uncertainty: Evaluation
    levels: tuple[Quantity, ...]

    @property
    def values(self) -> tuple[float, ...]:
        """The levels, rising."""
        return tuple(_level(q) for q in self.levels)

    @property
    def sizes(self) -> tuple[float, ...]:
        """The standard uncertainty at each level."""
        return tuple(q.value for q in self.levels)

    @cached_property
    def curve(self) -> UncertaintyOf:
        return u_curve(self.values, self.sizes)

    def nearest(self, limit: float) -> Quantity:
        return min(self.levels, key=lambda q: abs(_level(q) - limit))

    def coverage_factor(self, limit: float) -> float:
        q = self.uncertainty.get("uncertainty.coverage_factor", self.nearest(limit).at)
        return USUAL_K if q is None or not q.value else q.value


def known_uncertainty(uncertainty: Evaluation) -> Known | str:
    """The uncertainty, or the sentence that says why there is none."""
    held = [q for q in uncertainty.judged if q.key == "uncertainty.combined" and isinstance(q.at, float | int)]
    levels = tuple(sorted((q for q in held if q.value), key=_level))
    if levels:
        return Known(uncertainty, levels)
    why = f" {uncertainty.missing}" if uncertainty.missing else ""
    return f"The decision needs the combined standard uncertainty of a result at the limit.{why}"


def _level(q: Quantity) -> float:
    return float(q.at or 0.0)


@dataclass(frozen=True)
class AtLimit:
    """What is known and decided at one limit, in the unit of the study.

    `others` holds the three rules side by side, with the agreed guard band or the usual one.
    """

    limit: float
    u: float
    coverage_factor: float
    degrees_of_freedom: float | None
    zones: Zones
    others: Mapping[str, Zones]

    @property
    def expanded(self) -> float:
        return self.coverage_factor * self.u

    @property
    def places(self) -> int:
        """Decimal places that show the guard band, or the uncertainty, with two digits."""
        return max(0, places_for(self.zones.guard_band or self.u))

    def text(self, value: float) -> str:
        return fixed(value, self.places)


def at_limit(limit: float, known: Known, rule: DecisionRule) -> AtLimit:
    """The agreed zones at one limit, the three rules beside them; ValueError where no guard band can be given."""
    df = known.nearest(limit).degrees_of_freedom if rule.distribution == "t" else None
    k = known.coverage_factor(limit)
    if rule.coverage is not None:
        k = guard_factor((1 - rule.coverage) / 2, degrees_of_freedom=df)
    factor = k if rule.guard == "U" else guard_factor(rule.one_sided_risk, degrees_of_freedom=df)
    at_result = rule.u_at == "result"
    others: dict[str, Zones] = {
        "simple": simple_rule(limit),
        "guarded": guarded_rule(limit, known.curve, factor, at_result=at_result),
        "non-binary": non_binary_rule(limit, known.curve, factor, at_result=at_result),
    }
    return AtLimit(limit, float(known.curve(limit)), k, df, others[rule.rule], {name: others[name] for name in RULES})


def unit_after(unit: str) -> str:
    """The unit after a number; nothing where it is 1."""
    return "" if unit == "1" else f"\N{NO-BREAK SPACE}{unit}"


def limit_notes(limits: Sequence[AtLimit], known: Known, rule: DecisionRule, study: Study) -> list[str]:
    """What must be said of the limits: where u comes from, what lies outside, and zones that overlap."""
    notes, (low, high) = [], study.plan.study.range
    for at in limits:
        name = level_text(at.limit)
        if at.limit not in known.values:
            notes.append(
                f"The uncertainty was not drawn up at the limit {name}: it is taken on the straight line between the "
                "levels beside it."
            )
        if not low <= at.limit <= high:
            notes.append(f"The limit {name} lies outside the range of the study.")
        if at.zones.acceptance_limit <= 0:
            notes.append(f"At the limit {name} the guard band reaches down to zero: no result is reported as below.")
    notes += _changing_u(limits, known, unit_after(study.unit)) if rule.u_at == "limit" else []
    for lower, upper in pairwise(limits):
        if lower.zones.rejection_limit > upper.zones.acceptance_limit:
            a, b = level_text(lower.limit), level_text(upper.limit)
            notes.append(
                f"The zones of the limits {a} and {b} overlap: a result can be neither above the one nor below the "
                "other. A smaller uncertainty would part them."
            )
    return notes


def _changing_u(limits: Sequence[AtLimit], known: Known, unit: str) -> list[str]:
    """Where u at an end of a zone is larger than at the limit, the guard band is too narrow there."""
    parts = []
    for at in limits:
        ends = [(at.zones.acceptance_limit, "false clearance")]
        if at.zones.rule == "non-binary":
            ends.append((at.zones.rejection_limit, "false condemnation"))
        for end, what in ends if at.zones.guard_band > 0 else ():
            there, meant = (_wrong(at, end, u) for u in (float(known.curve(end)), at.u))
            if there > meant + 0.005:
                parts.append(
                    f"at {at.text(end)}{unit} the risk of a {what} is {percent(there)} in place of "
                    f"{percent(meant)}, for u grows from {significant(at.u, 2)} to "
                    f"{significant(float(known.curve(end)), 2)}{unit}"
                )
    if not parts:
        return []
    return [
        f"The guard band is made from the uncertainty at the limit: {'; '.join(parts)}. Ends made with the uncertainty "
        "at the result itself would keep the risk (decision.u_at)."
    ]


def _wrong(at: AtLimit, end: float, u: float) -> float:
    """Probability that a result at an end of a zone lies on the other side of the limit."""
    above = float(probability_above(end, u, at.limit, degrees_of_freedom=at.degrees_of_freedom))
    return above if end <= at.limit else 1 - above


def zone_quantities(at: AtLimit, known: Known, study: Study) -> list[Quantity]:
    """Guard band, acceptance and rejection limit at one limit."""
    behind = known.nearest(at.limit)
    values = {
        "guard_band": at.zones.guard_band,
        "acceptance_limit": at.zones.acceptance_limit,
        "rejection_limit": at.zones.rejection_limit,
    }
    return [
        Quantity(
            key=f"decision.{name}",
            at=at.limit,
            estimate=Estimate(value, degrees_of_freedom=at.degrees_of_freedom, n=behind.n, source=RULE),
            level=study.confidence,
            unit=study.unit,
            worksheet=behind.worksheet,
            readings=behind.readings,
        )
        for name, value in values.items()
    ]


def rules_table(limits: Sequence[AtLimit], u: UncertaintyOf, rule: DecisionRule, stated: bool) -> Table:
    """The three rules at each limit, with the largest risk that one result can carry under each."""
    rows: list[tuple[str, ...]] = []
    for at in limits:
        for name, zones in at.others.items():
            a, r = zones.acceptance_limit, zones.rejection_limit
            cleared = float(probability_above(a, float(u(a)), at.limit, degrees_of_freedom=at.degrees_of_freedom))
            condemned = 1 - float(probability_above(r, float(u(r)), at.limit, degrees_of_freedom=at.degrees_of_freedom))
            mark = ("agreed" if rule.agreed_with else "planned") if stated and name == rule.rule else ""
            texts = [at.text(zones.guard_band), at.text(a), at.text(r), percent(cleared), percent(condemned)]
            rows.append((level_text(at.limit), name, mark, *texts))
    head = ["limit", "rule", "in use", "guard band", "below up to", "above from"]
    head += ["largest risk of a false clearance", "largest risk of a false condemnation"]
    return Table("rules", "Decision rules at the customer limits", tuple(head), tuple(rows))


def limit_zones(at: AtLimit, u: UncertaintyOf, results: Sequence[float], words: str) -> LimitZones:
    """What the figure draws about one limit: the probability that the true value lies above, and earlier results."""
    reach = max(0.2 * at.limit, 1.6 * max(at.zones.guard_band, at.u))
    x = np.linspace(max(at.limit - reach, 0.0), at.limit + reach, 161)
    above = probability_above(x, u(x), at.limit, degrees_of_freedom=at.degrees_of_freedom)
    return LimitZones(
        limit=at.limit,
        u=at.u,
        rule=at.zones.rule,
        rule_words=words,
        acceptance=at.zones.acceptance_limit,
        rejection=at.zones.rejection_limit,
        places=at.places,
        x=tuple(x.tolist()),
        above=tuple(above.tolist()),
        results=tuple(sorted(value for value in results if x[0] <= value <= x[-1])),
        beyond=sum(value > at.limit for value in results),
    )
