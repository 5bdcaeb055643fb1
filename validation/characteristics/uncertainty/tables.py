"""The further tables of the chapter on uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from validation.characteristics._precision_runs import place_text
from validation.characteristics.uncertainty.budgets import LevelBudget, measured_expanded
from validation.stats.monte_carlo import AgreementResult, MonteCarloResult
from validation.study.quantity import Cell, Table
from validation.words import level_text, significant

#: The bottom-up budget of a level by Monte Carlo, and how it compares with propagation.
Drawn = tuple[MonteCarloResult, AgreementResult]


def map_table(one: LevelBudget, unit: str) -> Table:
    """The two budgets at one level, line by line."""
    rows: list[tuple[Cell, ...]] = [
        (g.name, g.top_down, ", ".join(g.parts) or "none named", g.bottom_up, g.remark) for g in one.groups
    ]
    bottom = None if one.bottom_up is None else one.bottom_up.combined
    rows.append(("all together", one.u, "", bottom, "" if one.agreement is None else f"ratio {one.agreement:.2f}"))
    k = one.result.coverage_factor
    rows.append((f"times k = {k:.2f}", one.result.expanded.value, "", None if bottom is None else k * bottom, ""))
    caption = f"Map of the two budgets at {place_text(one.level, unit)}: each component counted once on each side"
    head = ("component", "top-down u", "single components in it", "bottom-up u", "remark")
    return Table("map", caption, head, tuple(rows))


def top_down_table(levels: Sequence[LevelBudget]) -> Table:
    """The top-down budget of every level."""
    names = list(dict.fromkeys(g.name for one in levels for g in one.groups if g.top_down is not None))
    rows: list[tuple[Cell, ...]] = []
    for one in levels:
        sizes = {g.name: g.top_down for g in one.groups}
        last = (one.u, one.result.expanded.value, measured_expanded(one))
        rows.append((level_text(one.level), *(sizes.get(name) for name in names), *last))
    head = ("level", *names, "u", "U", "U of the measured part alone")
    return Table("top-down", "Top-down budget over the levels", head, tuple(rows))


def bias_table(levels: Sequence[LevelBudget]) -> Table:
    """The bias of every level beside its own uncertainty."""
    rows: list[tuple[Cell, ...]] = []
    for one in levels:
        if one.bias is None:
            continue
        u = one.bias.uncertainty
        zeta = one.bias.value / u if u else None
        share = sum(t.standard_uncertainty**2 for t in one.bias_terms) / one.u**2 if one.u else None
        rows.append((level_text(one.level), one.bias.value, u, zeta, share))
    head = ("level", "bias", "its standard uncertainty", "bias over its uncertainty", "share of the variance")
    return Table("bias", "Bias and its own uncertainty over the levels", head, tuple(rows))


def drawn_table(levels: Sequence[LevelBudget], drawn: Mapping[float, Drawn]) -> Table:
    """The bottom-up budget of every level by propagation and by Monte Carlo."""
    rows: list[tuple[Cell, ...]] = []
    for one in levels:
        if one.bottom_up is None or one.level not in drawn:
            continue
        result, verdict = drawn[one.level]
        low, high = one.bottom_up.interval
        reach = "within the tolerance" if verdict.agrees else "beyond the tolerance"
        rows.append(
            (
                level_text(one.level),
                one.bottom_up.combined,
                result.standard_uncertainty,
                f"{significant(low, 4)} to {significant(high, 4)}",
                f"{significant(result.symmetric[0], 4)} to {significant(result.symmetric[1], 4)}",
                reach if verdict.resolved else f"{reach}, on the edge of what the draws can tell",
            )
        )
    intervals = ("interval, propagation", "interval, Monte Carlo")
    head = ("level", "u, propagation", "u, Monte Carlo", *intervals, "ends differ")
    return Table("bottom-up", "Bottom-up budget by propagation and by Monte Carlo", head, tuple(rows))


def checklist_table(checklist: Sequence[tuple[str, str, str]]) -> Table:
    """What the plan answers to each question."""
    return Table("checklist", "What the budget answers", ("component", "what it is", "answer"), tuple(checklist))
