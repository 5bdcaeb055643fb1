"""Worksheets of the further experiments, for the materials and settings that `start` is told."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import product
from typing import TYPE_CHECKING

from validation.stats.two_level_designs import run_sheet, screening_design
from validation.study.prepared import Prepared, level_cell, shuffled

if TYPE_CHECKING:
    from validation.study.start import Design

TRIPLES = 5
LOT_READINGS = 21
FUEL_RUNS = 4
AGES = (0, 7, 14, 21, 28, 35)


def further_worksheets(design: Design, levels: Sequence[float], seed: int) -> list[Prepared]:
    """Those experiments whose materials or settings are named."""
    low, high = _low_and_high(design, levels)
    found = []
    if len(design.grades) > 1:
        found.append(_interleaved(design, "matrix", "grade", design.grades, (0.0, low, high), design.runs, seed))
    if len(design.fuels) > 1:
        found.append(_interleaved(design, "fuel", "fuel", design.fuels, (low, high), FUEL_RUNS, seed))
    if design.purges:
        found.append(_triples(design, max(levels), seed))
    if design.factors:
        found.append(_screening(design, seed))
    if design.states:
        found.append(_storage(design, seed))
    if len(design.lots) > 1:
        found.append(_lots(design, seed))
    return found


def settings_of(design: Design) -> Mapping[str, str]:
    """What the plan says of these experiments beside their worksheets, as it is written."""

    def quoted(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    factors = ", ".join(
        f"{quoted(name)}: {{low: {quoted(low)}, high: {quoted(high)}}}" for name, low, high in design.factors
    )
    return {
        "ruggedness": f", factors: {{{factors}}}",
        "stability": ', allowed_change: "2.5%", planned_time: 14',
    }


def further_requirements(design: Design) -> list[str]:
    """The usual requirements on them, as the plan writes them; the limits are examples."""

    def entry(quantity: str, at: str | float, rule: str, limit: object) -> str:
        place = at if isinstance(at, float) else json.dumps(at, ensure_ascii=False)
        return f"quantity: {quantity}, at: {place}, rule: {rule}, limit: {limit}"

    limits = sorted(design.customer_limits)
    small = f"{design.range[0] / 10:.3g}"
    found = [entry("matrix.slope_ratio", name, "equivalence", 0.05) for name in design.grades[1:]]
    found += [entry("matrix.blank_difference", name, "equivalence", small) for name in design.grades[1:]]
    found += [entry("fuel.slope_ratio", name, "equivalence", 0.05) for name in design.fuels[1:]]
    found += [entry("carry_over.effect", name, "upper bound", small) for name in design.purges]
    found += [entry("ruggedness.relative_effect", name, "equivalence", 0.03) for name, _, _ in design.factors]
    found += [entry("stability.change", name, "equivalence", 0.025) for name in design.states]
    found += [entry("lots.response_ratio", name, "equivalence", 0.025) for name in design.lots[1:]]
    if len(limits) > 1:
        target = f"{(limits[-1] - limits[0]) / 4:.3g}"
        found.append(entry("uncertainty.expanded", limits[-1], "point", target))
    return found


def _low_and_high(design: Design, levels: Sequence[float]) -> tuple[float, float]:
    """Where grades and fuels are compared: the lowest customer limit and the routine standard, inside the range."""
    high = max(levels) if design.routine_level is None else design.routine_level
    below = [level for level in (*sorted(design.customer_limits), *sorted(levels)) if 0 < level < high]
    return (below[0] if below else high / 2), high


def _interleaved(
    design: Design,
    experiment: str,
    column: str,
    names: Sequence[str],
    levels: Sequence[float],
    runs: int,
    seed: int,
) -> Prepared:
    """Every material in every run, in random order: the run's own error then cancels between them."""
    head = ("reading", "order", "run", column, "level", f"result [{design.unit}]", "time", "instrument", "note")
    rows: list[tuple[object, ...]] = []
    number = 0
    for run in range(1, runs + 1):
        one: list[tuple[object, ...]] = []
        for name, level in product(names, levels):
            number += 1
            one.append((f"{experiment[0].upper()}-{number:03d}", name, level_cell(level)))
        for order, row in enumerate(shuffled(one, seed, f"{experiment} {run}"), start=1):
            rows.append((row[0], order, run, row[1], row[2], "", "", "", ""))
    return Prepared(experiment, experiment, head, tuple(rows))


def _triples(design: Design, high: float, seed: int) -> Prepared:
    head = (
        *("reading", "order", "sequence", "setting", "position", "level"),
        *(f"result [{design.unit}]", "time", "instrument", "note"),
    )
    wanted = shuffled(list(product(design.purges, range(1, TRIPLES + 1))), seed, "carry-over")
    rows: list[tuple[object, ...]] = []
    for setting, number in wanted:
        for position in ("high", "blank 1", "blank 2"):
            order = len(rows) + 1
            name = f"{setting} {number}"
            rows.append((f"X-{order:03d}", order, name, setting, position, level_cell(high), "", "", "", ""))
    return Prepared("carry_over", "carry-over", head, tuple(rows))


def _screening(design: Design, seed: int) -> Prepared:
    """Each trial once a day on two days, in random order."""
    factors = {name: (low, high) for name, low, high in design.factors}
    head = ("reading", "order", "run", "trial", *factors, f"result [{design.unit}]", "time", "note")
    planned = run_sheet(factors, screening_design(len(factors)), replicates=2, seed=seed)
    rows = tuple(
        (f"W-{number:03d}", item.order, item.replicate, item.trial, *item.settings.values(), "", "", "")
        for number, item in enumerate(planned, start=1)
    )
    return Prepared("ruggedness", "ruggedness", head, rows)


def _storage(design: Design, seed: int) -> Prepared:
    head = ("reading", "order", "run", "state", "age [d]", f"result [{design.unit}]", "time", "instrument", "note")
    planned = [(state, age) for state, age, _ in product(design.states, AGES, range(3))]
    named = [(f"T-{number:03d}", *row) for number, row in enumerate(planned, start=1)]
    placed = enumerate(shuffled(named, seed, "stability"), start=1)
    return Prepared(
        "stability", "stability", head, tuple((row[0], order, 1, *row[1:], "", "", "", "") for order, row in placed)
    )


def _lots(design: Design, seed: int) -> Prepared:
    head = ("reading", "order", "run", "lot", f"result [{design.unit}]", "time", "instrument", "note")
    planned = [lot for lot, _ in product(design.lots, range(LOT_READINGS))]
    named = [(f"L-{number:03d}", lot) for number, lot in enumerate(planned, start=1)]
    placed = enumerate(shuffled(named, seed, "lots"), start=1)
    return Prepared("lots", "lots", head, tuple((row[0], order, 1, row[1], "", "", "", "") for order, row in placed))
