"""The five rules of a requirement, each a comparison of an interval with its limit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

from validation.stats.content import SingleResults
from validation.stats.sample_size import POWER, df_for_upper_bound, units_for_equivalence, units_for_mean_bound
from validation.study.quantity import Quantity, judged_level
from validation.words import fixed, places_for, share_text, significant, with_interval

RuleOutcome = Literal["met", "not met", "not shown"]
Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class RuleVerdict:
    """What a rule says of one estimate, before the plan's age is considered.

    `interval` is the judged one: two-sided 1 - 2*alpha, whose ends are the one-sided 1 - alpha bounds; of `inside` it
    is that of a share. `bound` is the one-sided bound printed with a `point`. `thin` is a sentence where the verdict
    hangs on the rule chosen.
    """

    outcome: RuleOutcome
    observed: float | None
    interval: Interval | None
    confidence: float | None
    reason: str
    bound: float | None = None
    thin: str = ""


def equivalence(quantity: Quantity, limit: float, target: float) -> RuleVerdict:
    """The 1 - 2*alpha interval against target +- limit: inside (touching included), outside, or across."""
    interval, value = quantity.judged_interval, quantity.value
    if interval is None or value is None:
        return _without_interval(quantity)
    low, high = interval
    text = f"{_observed(quantity)} against {_about(target, limit)}"
    if target - limit <= low and high <= target + limit:
        return RuleVerdict("met", value, interval, quantity.judged_confidence, f"The interval is inside: {text}.")
    if high < target - limit or low > target + limit:
        return RuleVerdict("not met", value, interval, quantity.judged_confidence, f"The interval is outside: {text}.")
    settles = _units_that_settle(quantity, limit, target)
    return RuleVerdict(
        "not shown", value, interval, quantity.judged_confidence, f"The interval crosses the limit: {text}. {settles}"
    )


def inside(low: Quantity, limit: float, *, content: float) -> RuleVerdict:
    """The share of single results within +-limit against `content`, by the bounds of the results behind the pair.

    `low` is the pair's lower limit. Judged is the share: `observed` and `interval` are shares of one.
    """
    results, level = low.estimate.distribution, judged_level(low.level)
    if not isinstance(results, SingleResults):
        return _without_interval(low)
    share, (lower, upper) = results.share(limit), results.share_interval(limit, level)
    asked = f"{100 * content:.6g} % is asked for within {_about(0.0, limit)}{_unit(low)}"
    estimated, least, most = (
        share_text(value, content, side=side) for value, side in ((share, 0), (lower, -1), (upper, 1))
    )
    at_least, at_most = f"estimated {estimated}, at least {least}", f"at most {most}"
    verdict = RuleVerdict("met", share, (lower, upper), level, "", lower)
    if lower >= content:
        reason = f"Enough single results lie within the limit: {at_least}; {asked}."
        return replace(verdict, reason=reason)
    if upper < content:
        reason = f"Too few single results lie within the limit: estimated {estimated}, {at_most}; {asked}."
        return replace(verdict, outcome="not met", reason=reason)
    settles = (
        "More readings in further runs would narrow it; no number can be promised."
        if share > content
        else "If bias and precision are as observed, more readings would not make it met."
    )
    reason = f"The share is not bounded closely: {at_least}, {at_most}; {asked}. {settles}"
    return replace(verdict, outcome="not shown", reason=reason)


def upper_bound(quantity: Quantity, limit: float) -> RuleVerdict:
    """The one-sided upper 1 - alpha bound against the limit; not met where the lower bound exceeds it too."""
    return _bound(quantity, limit, upper=True)


def lower_bound(quantity: Quantity, limit: float) -> RuleVerdict:
    """The one-sided lower 1 - alpha bound against the limit; not met where the upper bound is below it too."""
    return _bound(quantity, limit, upper=False)


def _bound(quantity: Quantity, limit: float, *, upper: bool) -> RuleVerdict:
    interval, value = quantity.judged_interval, quantity.value
    if interval is None or value is None:
        return _without_interval(quantity)
    low, high = interval
    judged, opposite = (high, low) if upper else (low, high)
    name, other, wrong = ("upper", "lower", "above") if upper else ("lower", "upper", "below")
    places = places_for((high - low) / 4)
    numbers = f"observed {fixed(value, places)}{_unit(quantity)}, {name} bound {fixed(judged, places)}"
    text = f"{numbers}, limit {significant(limit)}"
    if judged <= limit if upper else judged >= limit:
        outcome: RuleOutcome = "met"
        reason = f"The {name} bound is not {wrong} the limit: {text}."
    elif opposite > limit if upper else opposite < limit:
        outcome = "not met"
        reason = f"Even the {other} bound {fixed(opposite, places)} is {wrong} the limit: {text}."
    else:
        outcome = "not shown"
        settles = _bound_that_settles(quantity, limit, upper=upper)
        reason = f"The {name} bound is {wrong} the limit: {text}. {settles}"
    return RuleVerdict(outcome, value, interval, quantity.judged_confidence, reason, judged)


def point(quantity: Quantity, limit: float, target: float, *, about_target: bool) -> RuleVerdict:
    """The estimate alone. `about_target`: the limit is a half-width about the target, else an upper limit."""
    value = quantity.value
    if value is None:
        return _without_interval(quantity)
    met = abs(value - target) <= limit if about_target else value <= limit
    interval = quantity.judged_interval
    observed, _span = with_interval(value, interval)
    text = (
        f"The estimate {observed}{_unit(quantity)} alone is judged, against "
        f"{_about(target, limit) if about_target else significant(limit)}"
    )
    bound, thin = None, ""
    if interval is None:
        text += "; it has no stated error"
    else:
        bound = max(interval, key=lambda end: abs(end - target)) if about_target else interval[1]
        beyond = abs(bound - target) > limit if about_target else bound > limit
        text += f"; its one-sided {100 * _one_sided(quantity):.4g} % bound is {_like(bound, observed)}"
        if met and beyond:
            thin = "The estimate meets the limit, its bound does not; the plan chose the estimate alone."
    return RuleVerdict(
        "met" if met else "not met", value, interval, quantity.judged_confidence, f"{text}.", bound, thin
    )


def _without_interval(quantity: Quantity) -> RuleVerdict:
    why = quantity.notes[0] if quantity.notes else "The readings do not allow one."
    return RuleVerdict("not shown", quantity.value, None, None, f"There is no interval to judge. {why}")


def _one_sided(quantity: Quantity) -> float:
    return (1 + (quantity.judged_confidence or 0.9)) / 2


def _observed(quantity: Quantity) -> str:
    value, span = with_interval(quantity.value or 0.0, quantity.judged_interval)
    return f"{value}{_unit(quantity)}, from {span}"


def _unit(quantity: Quantity) -> str:
    return "" if quantity.unit == "1" else f" {quantity.unit}"


def _about(target: float, limit: float) -> str:
    return f"±{significant(limit)}" if target == 0 else f"{significant(target)} ± {significant(limit)}"


def _like(value: float, pattern: str) -> str:
    return fixed(value, len(pattern.partition(".")[2]))


def _units_that_settle(quantity: Quantity, limit: float, target: float) -> str:
    error, df, units = quantity.standard_uncertainty, quantity.degrees_of_freedom, quantity.units
    difference = (quantity.value or 0.0) - target
    if abs(difference) >= limit:
        return "If the true difference is as observed, more readings would not make it met."
    if error is None or units is None or units < 2 or df is None:
        return "More readings would narrow the interval; no number can be promised."
    alpha = (1 - (quantity.judged_confidence or 0.9)) / 2
    sd = error * sqrt(units)
    size = units_for_equivalence(difference, sd, limit, alpha=alpha)
    if size.units is None:
        return "If the true difference is as observed, more readings than is practical would be needed."
    places = places_for(error)
    return (
        f"About {size.units} {quantity.unit_name} instead of {units} would be enough (true difference "
        f"{fixed(difference, places)}, "
        f"standard deviation of one of the {quantity.unit_name} {significant(sd, 2)}, power {POWER:.0%})."
    )


def _bound_that_settles(quantity: Quantity, limit: float, *, upper: bool) -> str:
    """What would bring the bound to its side of the limit: of a mean more units, of a standard deviation more df."""
    error, units = quantity.standard_uncertainty, quantity.units
    if error is None or units is None or units < 2:
        more = "More readings would narrow it; no number can be promised."
        return _df_that_settle(quantity, limit) if upper else more
    value = quantity.value or 0.0
    room = limit - value if upper else value - limit
    if room <= 0:
        return "If the true value is as observed, more readings would not make it met."
    alpha = (1 - (quantity.judged_confidence or 0.9)) / 2
    sd = error * sqrt(units)
    size = units_for_mean_bound(room, sd, alpha=alpha)
    if size.units is None:
        return "If the true value is as observed, more readings than is practical would be needed."
    return (
        f"About {size.units} {quantity.unit_name} instead of {units} would be enough (true value "
        f"{fixed(value, places_for(error))}, standard deviation of one of the {quantity.unit_name} "
        f"{significant(sd, 2)}, power {POWER:.0%})."
    )


def _df_that_settle(quantity: Quantity, limit: float) -> str:
    value = quantity.value or 0.0
    if value >= limit:
        return "If the true value is as observed, more readings would not make it met."
    alpha = (1 - (quantity.judged_confidence or 0.9)) / 2
    size = df_for_upper_bound(value, limit, alpha=alpha)
    if size.units is None:
        return "If the true value is as observed, more readings than is practical would be needed."
    have = f" instead of {quantity.degrees_of_freedom:.0f}" if quantity.degrees_of_freedom else ""
    return (
        f"About {size.units} degrees of freedom{have} would be enough (true value {significant(value, 2)}, "
        f"power {POWER:.0%}); where runs differ, most of them must come from more runs."
    )
