"""Components of the uncertainty budget against what the study itself measured of the same thing."""

from __future__ import annotations

from collections.abc import Iterator

from validation.judging.conclusion import in_plain_words
from validation.judging.contradictions.record import Basis, Contradiction, Place, per_cent, size_text
from validation.judging.contradictions.standards import ROUNDING
from validation.stats.intervals import Interval
from validation.study.budget import Component
from validation.study.quantity import Quantity
from validation.words import level_text, sentence_list

OUTSIDE = "budget component outside its measured interval"
DISAGREE = "two budgets that do not agree"
_DECIDE = "To be decided: the size of the component, or why the measured one does not apply."


def components_outside(basis: Basis) -> Iterator[Contradiction]:
    """A component whose size the study's own measurement of it excludes.

    Reason: an uncertainty is claimed by a number that the laboratory's own readings speak against. The intervals of
    all levels of one component are taken at once (Bonferroni), so that one component fires by chance in at most
    1 minus the plan's confidence of studies.
    """
    budget = basis.study.plan.uncertainty
    for component in budget.components if budget is not None else ():
        if component.size is None:
            continue
        if component.question == "standard":
            yield from _standard(component, basis)
        pairs = _measured(component, basis)
        outside = [
            (quantity, size, interval)
            for quantity, size in pairs
            if (interval := _joint(quantity, len(pairs), basis)) and not interval[0] <= size <= interval[1]
        ]
        if outside:
            yield _excluded(component, outside, basis)


def _measured(component: Component, basis: Basis) -> list[tuple[Quantity, float]]:
    """The quantities that measure the component, each with the size that the budget states there."""
    size = component.size
    assert size is not None
    if component.question == "sample reading":
        found = [(q, q.at) for q in basis.every("repeatability.s_r")]
    elif component.question in ("instrument", "analyst"):
        named = [(q, str(q.at).partition(", ")) for q in basis.every("intermediate_precision.component")]
        found = [(q, _level(level)) for q, (level, _, name) in named if name == component.question]
    elif component.question == "fuel":
        found = [(q, 1.0) for q in basis.every("fuel.spread")] if size.needs_level else []  # a share of the result
    else:
        return []
    return [(q, size.value(at)) for q, at in found if isinstance(at, float) and (at == 1.0 or basis.in_use(at))]


def _level(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _joint(quantity: Quantity, number: int, basis: Basis) -> Interval | None:
    return quantity.estimate.interval(1 - (1 - basis.study.confidence) / number)


def _excluded(component: Component, outside: list[tuple[Quantity, float, Interval]], basis: Basis) -> Contradiction:
    parts = []
    for quantity, size, (low, high) in outside:
        if quantity.unit == "1":
            parts.append(f"{per_cent(quantity.value)} ({per_cent(low)} to {per_cent(high)}), stated {per_cent(size)}")
        else:
            unit = quantity.unit
            at = level_text(quantity.at)
            ends = f"{size_text(low, '')} to {size_text(high, unit)}"
            parts.append(f"{size_text(quantity.value, unit)} at {at} ({ends}), stated {size_text(size, unit)}")
    names = sentence_list(list(dict.fromkeys(in_plain_words(quantity.key) for quantity, _, _ in outside)))
    text = f"Component {component.name} of the budget: {names} {sentence_list(parts)}."
    if component.question == "fuel":
        text += _outside_the_scope(basis)
    small = any(size < interval[0] for _, size, interval in outside)
    places = tuple(Place(quantity.key, quantity.at) for quantity, _, _ in outside)
    named = (Place(plan=f"uncertainty, {component.name}"), *places)
    return Contradiction(OUTSIDE, text, _DECIDE, "both" if small else "action", named)


def _outside_the_scope(basis: Basis) -> str:
    """The fuels in the spread that no requirement admits."""
    kept = {row.at for row in basis.rows if row.quantity == "fuel.slope_ratio" and row.settled == "met"}
    out = [str(q.at) for q in basis.every("fuel.slope_ratio") if q.at not in kept]
    verb = "is" if len(out) == 1 else "are"
    return f" {sentence_list(out)}, outside the scope, {verb} in it." if out else ""


def _standard(component: Component, basis: Basis) -> Iterator[Contradiction]:
    """The standard's component beside what the record of the lot in use gives."""
    lot = basis.study.plan.lots.in_use
    computed = basis.quantity("standards.relative_uncertainty", lot)
    value = basis.quantity("standards.mass_fraction", lot)
    if computed is None or value is None or component.size is None:
        return
    stated = component.size.value(value.value) / value.value
    if abs(stated - computed.value) <= ROUNDING * computed.value:
        return
    text = (
        f"Component {component.name} of the budget is {per_cent(stated)}; the record of lot {lot}, in use, gives "
        f"{per_cent(computed.value)}."
    )
    places = (Place(plan=f"uncertainty, {component.name}"), Place("standards.relative_uncertainty", lot))
    need = "To be decided: which of the two holds."
    yield Contradiction(OUTSIDE, text, need, "both" if stated < computed.value else "action", places)


def disagreeing_budgets(basis: Basis) -> Iterator[Contradiction]:
    """Levels of the proposed range where the interval of bottom-up over top-down excludes 1.

    Reason: something counts in one budget that the other does not hold. All levels are taken at once.
    """
    ratios = [q for q in basis.every("uncertainty.agreement") if isinstance(q.at, float) and basis.in_use(q.at)]
    apart = [q for q in ratios if (interval := _joint(q, len(ratios), basis)) and not interval[0] <= 1 <= interval[1]]
    if apart:
        parts = [f"{size_text(q.value, '')} at {level_text(q.at)} {basis.study.unit}" for q in apart]
        text = f"The budget of components over the measured uncertainty is {sentence_list(parts)}: 1 is excluded."
        need = "To be decided: which component is missing, too small or counted twice."
        yield Contradiction(DISAGREE, text, need, "action", tuple(Place(q.key, q.at) for q in apart))
