"""What the chapter on uncertainty shows beside its quantities: tables, figures, sentences."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from validation.characteristics._precision_runs import place_text, unit_text
from validation.characteristics.uncertainty.budgets import BIAS, LevelBudget, measured_expanded
from validation.characteristics.uncertainty.checks import Check, checks, checks_table, checks_words
from validation.characteristics.uncertainty.sharing import Shared, shared, shared_table, shared_words
from validation.characteristics.uncertainty.sources import Sources
from validation.characteristics.uncertainty.tables import (
    Drawn,
    bias_table,
    checklist_table,
    drawn_table,
    map_table,
    top_down_table,
)
from validation.characteristics.uncertainty.used_oils import UsedOils, used_oil_words, used_oils
from validation.figures.detection import DetectionView
from validation.figures.uncertainty import BudgetLine, Curve, LevelUncertainty, UncertaintyView
from validation.stats.monte_carlo import agreement, monte_carlo
from validation.stats.uncertainty import UncertaintyFunction, measurement_model
from validation.study.budget import Budget
from validation.study.model import Study
from validation.study.quantity import Display, Table
from validation.words import fixed, places_for, sentence_list, significant

#: Draws at each level: the ends of the interval are then known to a hundredth of u, which two digits need.
DRAWS = 200_000
SEED = 2008


@dataclass(frozen=True)
class Budgets:
    """The budgets of a study over its levels, and what is looked at beside them once somebody looks."""

    budget: Budget
    sources: Sources
    levels: tuple[LevelBudget, ...]
    function: UncertaintyFunction | None
    checklist: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]

    @property
    def study(self) -> Study:
        return self.sources.study

    @property
    def coverage(self) -> float:
        """Coverage probability of the expanded uncertainty."""
        return self.budget.coverage or self.study.confidence

    @property
    def at_limits(self) -> list[LevelBudget]:
        """The levels that are limits of the customer."""
        return [one for one in self.levels if one.level in self.study.plan.study.customer_limits]

    @property
    def focus(self) -> LevelBudget:
        """The level whose budget is shown part by part: the highest customer limit, else the highest level."""
        return (self.at_limits or list(self.levels))[-1]

    @cached_property
    def checks(self) -> list[Check]:
        return checks(self.focus, self.sources, self.study.unit)

    @cached_property
    def sharing(self) -> list[Shared]:
        return shared(self.focus, self.sources)

    @cached_property
    def used_oils(self) -> UsedOils | None:
        new, used = blanks(self.sources)
        return used_oils(self.levels, self.focus, new, used, self.study.confidence)

    @cached_property
    def drawn(self) -> dict[float, Drawn]:
        """The bottom-up budgets by Monte Carlo, by level."""
        return {one.level: _drawn(one, self.coverage) for one in self.levels if one.bottom_up is not None}

    @property
    def omitted(self) -> list[str]:
        """Components that did not vary in the runs."""
        return [c.name for c in self.focus.components if c.part_of is None]


def blanks(sources: Sources) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The blanks of new oil and those of used oils that the chapter on detection tells apart."""
    view: DetectionView | None = sources.evaluations["detection"].display.view
    groups = [] if view is None else [group for group in view.groups if group.kind == "blank"]
    used = [group.results for group in groups if "used" in group.matrix.lower()]
    new = [group.results for group in groups if group.suffix == "" and "used" not in group.matrix.lower()]
    return next(iter(new), ()), next(iter(used), ())


def _drawn(one: LevelBudget, coverage: float) -> Drawn:
    assert one.bottom_up is not None
    model = measurement_model(one.level, one.places)
    result = monte_carlo(model, one.bottom_up_inputs, draws=DRAWS, seed=SEED, confidence=coverage)
    return result, agreement(one.bottom_up, result)


def display(budgets: Budgets) -> Display:
    """Tables, figures and sentences of the chapter."""
    unit, confidence = budgets.study.unit, budgets.study.confidence
    tables: list[Table] = [
        map_table(budgets.focus, unit),
        top_down_table(budgets.levels),
        bias_table(budgets.levels),
        drawn_table(budgets.levels, budgets.drawn),
        checklist_table(budgets.checklist),
        *([checks_table(budgets.checks)] if budgets.checks else []),
        *([shared_table(budgets.sharing, budgets.focus, unit, confidence)] if budgets.sharing else []),
    ]
    return Display(tables=tuple(tables), view=_view(budgets))


def _view(budgets: Budgets) -> UncertaintyView:
    return UncertaintyView(
        focus=budgets.focus.level,
        lines=tuple(BudgetLine(g.name, g.top_down, g.bottom_up) for g in budgets.focus.groups),
        levels=tuple(_level_view(one, budgets.study.confidence) for one in budgets.levels),
        function=None if budgets.function is None else _curve(budgets.function, budgets),
        sentences=tuple(_sentences(budgets)),
    )


def _level_view(one: LevelBudget, confidence: float) -> LevelUncertainty:
    return LevelUncertainty(
        at=one.level,
        combined=one.u,
        interval=one.result.combined.interval(confidence),
        measured_part=one.measured.combined.value,
        bottom_up=None if one.bottom_up is None else one.bottom_up.combined,
        bias_dominates=one.bias_dominates,
    )


def _curve(function: UncertaintyFunction, budgets: Budgets) -> Curve:
    fitted = [one.level for one in budgets.levels if not one.bias_dominates] or [one.level for one in budgets.levels]
    x = tuple(max(fitted) * step / 40 for step in range(41))
    return Curve(x, tuple(function.at(value) for value in x))


def _sentences(budgets: Budgets) -> list[str]:
    """The result in sentences."""
    unit, focus = budgets.study.unit, budgets.focus
    function = budgets.function
    return [
        *_expanded_words(budgets),
        *_largest_part(budgets),
        gap_words(focus, unit),
        *_omission_words(budgets),
        *checks_words(budgets.checks),
        *(shared_words(budgets.sharing, focus.level, focus.result.expanded.value, unit) if budgets.sharing else []),
        *used_oil_words(budgets.used_oils, unit),
        *([] if function is None else [_function_words(function)]),
        *_drawn_words(budgets),
        *(
            f"Sampling, {answer}."
            for question, _, answer in budgets.checklist
            if question == "sampling" and answer != "not answered"
        ),
    ]


def _expanded_words(budgets: Budgets) -> list[str]:
    """U at the customer's limits, and how far it runs over the levels; the table has every level."""
    unit = budgets.study.unit
    named = budgets.at_limits or [budgets.levels[-1]]

    def size(one: LevelBudget) -> str:
        return f"{fixed(one.result.expanded.value, places_for(one.u))}{unit_text(unit)}"

    parts = [
        f"{size(one)} (k = {fixed(one.result.coverage_factor, 2)}) at {place_text(one.level, unit)}" for one in named
    ]
    coverage = f", for a coverage of {100 * budgets.coverage:g} %"
    sentences = [f"The expanded uncertainty of a result is {sentence_list(parts)}{coverage}."]
    if len(budgets.levels) > len(named):
        low, high = budgets.levels[0], budgets.levels[-1]
        sentences.append(
            f"Over the levels it runs from {size(low)} at {place_text(low.level, unit)} to {size(high)} at "
            f"{place_text(high.level, unit)}."
        )
    return sentences


def _largest_part(budgets: Budgets) -> list[str]:
    parts = [(g.top_down, g.name) for g in budgets.focus.groups if g.top_down]
    if not parts:
        return []
    total = sum(size**2 for size, _ in parts)
    size, name = max(parts, key=lambda part: part[0])
    return [
        f"At {place_text(budgets.focus.level, budgets.study.unit)} the largest part is the {name}, with "
        f"{100 * size**2 / total:.0f} % of the variance."
    ]


def gap_words(one: LevelBudget, unit: str) -> str:
    """Where the two budgets differ, in a sentence."""
    if one.agreement is None:
        return "There is no bottom-up budget: the plan names no component with a size."
    total = (
        f"At {place_text(one.level, unit)} the bottom-up budget gives {100 * one.agreement:.0f} % of the top-down one"
    )
    widest = max(one.groups, key=lambda group: abs(group.difference), default=None)
    if widest is None or abs(widest.difference) < 1e-4 * one.u**2:
        return f"{total}; no line of the map differs."

    def size(value: float | None) -> str:
        return "nothing" if value is None else f"{fixed(value, places_for(one.u) + 1)}{unit_text(unit)}"

    why = "; the measurement model takes the calibration as a straight line through zero" if widest.name == BIAS else ""
    return (
        f"{total}. The widest difference lies in the line {widest.name}: top-down {size(widest.top_down)}, bottom-up "
        f"{size(widest.bottom_up)}{why}."
    )


def _omission_words(budgets: Budgets) -> list[str]:
    """The expanded uncertainty without what did not vary in the runs; none where nothing else stands in the budget."""
    if not budgets.omitted:
        return []
    focus, of = budgets.focus, unit_text(budgets.study.unit)
    places = places_for(focus.result.expanded.value)
    return [
        f"Without what did not vary in the runs ({sentence_list(budgets.omitted)}) it would be "
        f"{fixed(measured_expanded(focus), places)}{of} instead of {fixed(focus.result.expanded.value, places)}{of} at "
        f"{place_text(focus.level, budgets.study.unit)}: repeating a measurement does not show it."
    ]


def _function_words(function: UncertaintyFunction) -> str:
    return (
        f"Over the levels u follows the root of {significant(function.constant, 2)}² + "
        f"({significant(function.proportional, 2)} × level)²."
    )


def _drawn_words(budgets: Budgets) -> list[str]:
    """How the bottom-up interval compares by Monte Carlo and by propagation."""
    focus, of = budgets.focus, unit_text(budgets.study.unit)
    if focus.bottom_up is None:
        return []
    result, verdict = budgets.drawn[focus.level]
    places = places_for(result.standard_uncertainty) + 1
    first, second = (
        " to ".join(fixed(end, places) for end in ends) for ends in (result.symmetric, focus.bottom_up.interval)
    )
    agree = (
        "they agree in the two digits of u that count"
        if verdict.agrees
        else f"they differ by up to {fixed(max(verdict.low, verdict.high), places)}{of}, beyond half a unit of the "
        "second digit of u; the one by Monte Carlo, which keeps the shape of each component, holds"
    )
    return [
        f"At {place_text(focus.level, budgets.study.unit)} the bottom-up interval is {first}{of} by Monte Carlo and "
        f"{second}{of} by propagation: {agree}."
    ]
