"""Budgets of the lots: what is alike for several lots stands once, propagation and Monte Carlo side by side."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import sqrt
from typing import Any

from validation.figures.standards import LotBudget, MonteCarloWords
from validation.stats.monte_carlo import AgreementResult
from validation.stats.propagation import Part
from validation.stats.standards import LOSS, shared_values
from validation.study.lot_values import LotValue, errors_of
from validation.study.quantity import Table
from validation.words import fixed, places_for, sentence_list, significant

#: How the names of balance readings begin.
WEIGHINGS = ("mass of ", "gross with ", "tare before ")


def alike_budgets(values: Sequence[LotValue]) -> list[list[LotValue]]:
    """Lots together whose components are of the same kind and size as printed."""
    together: dict[tuple[Any, ...], list[LotValue]] = {}
    for value in values:
        together.setdefault(_signature(value), []).append(value)
    return list(together.values())


def _signature(value: LotValue) -> tuple[Any, ...]:
    return tuple(
        (part.name, value.shapes[part.name], _u(part), _contribution(value, part), _share(part.share))
        for part in value.result.propagated.parts
    )


def budget_tables(values: Sequence[LotValue]) -> list[Table]:
    """One table for all lots whose budgets are alike, with the value of each lot in a column of its own."""
    return [_budget_table(group) for group in alike_budgets(values)]


def _budget_table(group: Sequence[LotValue]) -> Table:
    first, lots = group[0], [value.record.lot for value in group]
    propagated, unit = first.result.propagated, first.record.preparation.unit
    rows = [_part_row(group, position, part) for position, part in enumerate(propagated.parts)]
    places = places_for(propagated.combined)
    assigned = [fixed(value.result.value, places) for value in group]
    u = fixed(propagated.combined, places)
    rows.append((f"assigned value / {unit}", *assigned, "", u, fixed(propagated.combined, places + 1), "100 %"))
    amounts = ["value"] if len(group) == 1 else lots
    head = ("component", *amounts, "distribution", "u", f"contribution / {unit}", "share of u²")
    whose = f"lot{'' if len(lots) == 1 else 's'} {sentence_list(lots)}"
    return Table("budget", f"Budget of {whose}, by the law of propagation", head, tuple(rows))


def _part_row(group: Sequence[LotValue], position: int, part: Part) -> tuple[str, ...]:
    """One component: its value in each lot, then what is alike for all of them."""
    first, unit = group[0], _unit(group[0].units[part.name])
    values = [f"{value.result.propagated.parts[position].estimate:.8g}" for value in group]
    shape = first.shapes[part.name] if part.standard_uncertainty else ""
    name = f"{part.name} / {unit}" if unit else part.name
    return (name, *values, shape, _u(part), _contribution(first, part), _share(part.share))


def _u(part: Part) -> str:
    return f"{part.standard_uncertainty:.2g}" if part.standard_uncertainty else "0"


def _contribution(value: LotValue, part: Part) -> str:
    """One place more than the combined one is printed with: what is smaller can be forgotten."""
    size = abs(part.contribution)
    places = places_for(value.result.propagated.combined) + 1
    if size == 0:
        return "0"
    return fixed(size, places) if size >= 0.5 * 10**-places else f"< {fixed(10**-places, places)}"


def _share(share: float) -> str:
    return "0" if share == 0 else "< 0.1 %" if share < 1e-3 else f"{significant(100 * share, 2)} %"


def _unit(unit: str) -> str:
    return {"1": "", "kg/m3": "kg/m³"}.get(unit, unit)


def methods_table(values: Sequence[LotValue]) -> Table:
    """Propagation and Monte Carlo, one line a lot."""
    unit, drawn = values[0].record.preparation.unit, values[0].result.drawn
    draws = "" if drawn is None else f" ({fixed(drawn.draws, 0)} draws)"
    head = ("lot", "value", "u", "u, Monte Carlo", "interval", "interval, Monte Carlo", "shortest", "the two")
    caption = f"Law of propagation and Monte Carlo{draws} side by side, in {unit}"
    rows = (_method_row(value) for value in values)
    return Table("methods", caption, head, tuple(row for row in rows if row is not None))


def _method_row(value: LotValue) -> tuple[str, ...] | None:
    propagated, drawn, agreed = value.result.propagated, value.result.drawn, value.result.agreement
    if drawn is None or agreed is None:
        return None
    # One place more than is reported, so that a difference can be seen.
    places = places_for(propagated.combined) + 1
    word = ("agree" if agreed.agrees else "differ") if agreed.resolved else "cannot be told apart"
    numbers = [fixed(x, places) for x in (propagated.value, propagated.combined, drawn.standard_uncertainty)]
    intervals = (propagated.interval, drawn.symmetric, drawn.shortest)
    spans = [f"{fixed(low, places)} to {fixed(high, places)}" for low, high in intervals]
    return (value.record.lot, *numbers, *spans, word)


#: A shared error is named where it makes up more than this share of a variance.
NAMED = 0.01


def shared_table(values: Sequence[LotValue]) -> list[Table]:
    """Correlation of the assigned values, pair by pair, and the uncertainty of their mean; of two lots or more."""
    values = [value for value in values if value.result.standard_uncertainty]
    if len(values) < 2:
        return []
    joint, unit = shared_values([errors_of(value) for value in values]), values[0].record.preparation.unit
    places = places_for(min(value.result.standard_uncertainty for value in values)) + 1
    rows = []
    for i, j in combinations(range(len(values)), 2):
        lots = sentence_list([values[k].record.lot for k in (i, j)])
        size = fixed(sqrt(max(joint.covariance[i, j], 0.0)), places)
        rows.append((lots, _common(values[i], values[j]), size, fixed(joint.correlation[i, j], 2)))
    apart = f"had they nothing in common: {fixed(joint.u_mean_if_independent, places)}"
    rows.append(("u of the mean of all", apart, fixed(joint.u_mean, places), ""))
    head = ("lots", "what both values err by together", f"its size / {unit}", "correlation")
    return [Table("shared", "What the assigned values of the lots have in common", head, tuple(rows))]


def _common(first: LotValue, second: LotValue) -> str:
    """The errors that two lots share, the largest first; without what a report or certificate says beside its name."""
    one, other = errors_of(first), errors_of(second)
    shares = {
        name: abs(one[name] * other[name]) / (first.result.standard_uncertainty * second.result.standard_uncertainty)
        for name in one
        if name in other
    }
    names = sorted((name for name in shares if shares[name] > NAMED), key=lambda name: -shares[name])
    return sentence_list([name.partition(",")[0] for name in names]) or "nothing of weight"


# What is drawn and said ---------------------------------------------------------------------------------------------


def lot_budget(value: LotValue) -> LotBudget:
    """The assigned value of one lot and its parts, as the figure draws them and the words say."""
    result, stated = value.result, value.record.preparation
    propagated, agreed, loss = result.propagated, result.agreement, stated.loss_while_weighing
    return LotBudget(
        lot=value.record.lot,
        value=propagated.value,
        u=propagated.combined,
        expanded=propagated.expanded,
        k=propagated.coverage_factor,
        weighed=result.weighed,
        loss_shift=result.loss_shift,
        loss_most=None if loss is None or loss.shape != "one sided" else loss.most,
        parts=propagated.parts,
        bars=_bars(propagated.parts),
        monte_carlo=None if agreed is None else MonteCarloWords(_verb(agreed), _reason(value, agreed)),
        masses=tuple((item.what, item.net) for item in stated.weighings),
        fuel=stated.fuel.name,
        oil=stated.oil.name,
    )


def _bars(parts: Sequence[Part]) -> tuple[tuple[str, float], ...]:
    """The parts by size, all weighings together and all densities together, for the figure."""
    squares: dict[str, float] = {}
    for part in parts:
        name = part.name
        name = "weighings" if name.startswith(WEIGHINGS) else "air buoyancy" if name.startswith("density") else name
        # Inputs of one kind are independent, so their squares add up.
        squares[name] = squares.get(name, 0.0) + abs(part.contribution) ** 2
    return tuple(sorted(((name, s**0.5) for name, s in squares.items() if s > 0), key=lambda bar: -bar[1]))


def _verb(agreed: AgreementResult) -> str:
    if not agreed.resolved:
        return "cannot tell the intervals apart"
    return "gives the same interval as propagation" if agreed.agrees else "gives another interval"


def _reason(value: LotValue, agreed: AgreementResult) -> str:
    """Why the interval of Monte Carlo is the same, or another."""
    if not agreed.resolved:
        return "the two cannot be told apart with this many draws"
    loss = next((part for part in value.result.propagated.parts if part.name == LOSS), None)
    if agreed.agrees:
        return "many components, none of them both large and far from normal, so the result is nearly normal"
    if loss is not None and loss.share > 0.2:
        return (
            f"the loss while weighing carries {100 * loss.share:.0f} % of the variance and cannot pass its limits: the "
            "result has shorter tails than the normal distribution that propagation takes for granted"
        )
    return "the model is not straight over the width of its inputs"
