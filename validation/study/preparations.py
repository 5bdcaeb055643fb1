"""What `start` prepares for each experiment: its worksheet, its settings in the plan, its usual requirements.

A function that makes a worksheet gets the design, its levels and the seed of the measuring order; it answers None where
the materials or settings that the experiment compares are not named. Limits of requirements are examples.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from itertools import product

from validation.stats.two_level_designs import run_sheet, screening_design
from validation.study.design import Design
from validation.study.prepared import Prepared, in_random_order, level_cell, shuffled

BLANKS = 10
SAMPLES = 10
TRIPLES = 5
LOT_READINGS = 21
FUEL_RUNS = 4
AGES = (0, 7, 14, 21, 28, 35)

# Worksheets ---------------------------------------------------------------------------------------------------------


def calibration(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    """Every level, the blank and the routine standard in each of up to three runs."""
    wanted = sorted({0.0, *levels, *([] if design.routine_level is None else [design.routine_level])})
    empty = ("response", "time", "analyst", "instrument", "note")
    groups = _runs("calibration", wanted, min(design.runs, 3), design.replicates)
    return in_random_order("C", ("level", "run"), empty, groups, seed, on_and_on=True)


def precision(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    """Every level in each run."""
    empty = ("preparation", _result(design), "time", "analyst", "instrument", "note")
    groups = _runs("precision", levels, design.runs, design.replicates)
    return in_random_order("P", ("level", "run"), empty, groups, seed, on_and_on=True)


def _runs(
    group: str, levels: Sequence[float], runs: int, replicates: int
) -> list[tuple[str, list[tuple[object, ...]]]]:
    return [
        (f"{group} {run}", [(level_cell(level), run) for level in levels for _ in range(replicates)])
        for run in range(1, runs + 1)
    ]


def network(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    """Every level twice in each laboratory."""
    groups = [
        (f"network {laboratory}", [(laboratory, level_cell(level)) for level in levels for _ in range(2)])
        for laboratory in design.laboratories
    ]
    return in_random_order("N", ("laboratory", "level"), _bench(design), groups, seed)


def blanks(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    """Blanks, and blanks spiked to the low end of the range."""
    low = level_cell(design.range[0])
    kinds = [("blank", "new oil", 0)] * BLANKS
    spiked = [("spiked blank", "new oil", low)] * BLANKS if design.range[0] > 0 else []
    return in_random_order("B", ("material", "matrix", "level"), _bench(design), [("blanks", [*kinds, *spiked])], seed)


def reference(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    """Every sample twice by each method."""
    samples = [f"S{number:02d}" for number in range(1, SAMPLES + 1)]
    groups = [
        (f"reference {method}", [(sample, method, replicate) for sample in samples for replicate in (1, 2)])
        for method in ("candidate", "reference")
    ]
    return in_random_order("G", ("sample", "method", "replicate"), (_result(design), "time", "note"), groups, seed)


def grades(design: Design, levels: Sequence[float], seed: int) -> Prepared | None:
    """Every oil grade blank, low and high in every run."""
    low, high = _low_and_high(design, levels)
    return _interleaved(design, "matrix", "grade", design.grades, (0.0, low, high), design.runs, seed)


def fuels(design: Design, levels: Sequence[float], seed: int) -> Prepared | None:
    """Every fuel blend low and high in every run."""
    return _interleaved(design, "fuel", "fuel", design.fuels, _low_and_high(design, levels), FUEL_RUNS, seed)


def _low_and_high(design: Design, levels: Sequence[float]) -> tuple[float, float]:
    """Where grades and fuels are compared: the lowest customer limit and the routine standard, inside the range."""
    high = max(levels) if design.routine_level is None else design.routine_level
    below = [level for level in (*sorted(design.customer_limits), *sorted(levels)) if 0 < level < high]
    return (below[0] if below else high / 2), high


def _interleaved(
    design: Design,
    group: str,
    column: str,
    names: Sequence[str],
    levels: Sequence[float],
    runs: int,
    seed: int,
) -> Prepared | None:
    """Every material in every run, in random order: the run's own error then cancels between them."""
    if len(names) < 2:
        return None
    groups = [
        (f"{group} {run}", [(run, name, level_cell(level)) for name, level in product(names, levels)])
        for run in range(1, runs + 1)
    ]
    return in_random_order(group[0].upper(), ("run", column, "level"), _bench(design), groups, seed)


def triples(design: Design, levels: Sequence[float], seed: int) -> Prepared | None:
    """A high sample and two blanks, which keep their order; the settings come in random order."""
    if not design.purges:
        return None
    wanted = shuffled(list(product(design.purges, range(1, TRIPLES + 1))), seed, "carry-over")
    high = level_cell(max(levels))
    planned = [
        (f"{setting} {number}", setting, position, high)
        for setting, number in wanted
        for position in ("high", "blank 1", "blank 2")
    ]
    rows = tuple((f"X-{order:03d}", order, *cells, "", "", "", "") for order, cells in enumerate(planned, start=1))
    return Prepared(("reading", "order", "sequence", "setting", "position", "level", *_bench(design)), rows)


def screening(design: Design, levels: Sequence[float], seed: int) -> Prepared | None:
    """Each trial once a day on two days, in random order."""
    if not design.factors:
        return None
    factors = {name: (low, high) for name, low, high in design.factors}
    head = ("reading", "order", "run", "trial", *factors, _result(design), "time", "note")
    planned = run_sheet(factors, screening_design(len(factors)), replicates=2, seed=seed)
    rows = tuple(
        (f"W-{number:03d}", item.order, item.replicate, item.trial, *item.settings.values(), "", "", "")
        for number, item in enumerate(planned, start=1)
    )
    return Prepared(head, rows)


def storage(design: Design, levels: Sequence[float], seed: int) -> Prepared | None:
    """Every state of a standard at every age, all in one run."""
    if not design.states:
        return None
    planned = [(1, state, age) for state, age, _ in product(design.states, AGES, range(3))]
    return in_random_order("T", ("run", "state", "age [d]"), _bench(design), [("stability", planned)], seed)


def lots(design: Design, levels: Sequence[float], seed: int) -> Prepared | None:
    """Every lot of the standard as often, all in one run."""
    if len(design.lots) < 2:
        return None
    planned = [(1, lot) for lot, _ in product(design.lots, range(LOT_READINGS))]
    return in_random_order("L", ("run", "lot"), _bench(design), [("lots", planned)], seed)


def _result(design: Design) -> str:
    return f"result [{design.unit}]"


def _bench(design: Design) -> tuple[str, ...]:
    return (_result(design), "time", "instrument", "note")


# Settings, as the plan writes them behind the worksheet ---------------------------------------------------------------


def routine_level(design: Design) -> str:
    """The level of the routine one-point standard, where there is one."""
    return f", routine_level: {design.routine_level!r}" if design.routine_level is not None else ""


def new_oil(design: Design) -> str:
    """What the blanks above consist of."""
    return ", matrix: new oil"


def factors(design: Design) -> str:
    """Each factor of a screening with its two settings."""
    named = ", ".join(
        f"{quoted(name)}: {{low: {quoted(low)}, high: {quoted(high)}}}" for name, low, high in design.factors
    )
    return f", factors: {{{named}}}"


def allowed_change(design: Design) -> str:
    """What a stored standard may change by, and over how long."""
    return ', allowed_change: "2.5%", planned_time: 14'


def quoted(text: str) -> str:
    """Text as YAML takes it whatever it holds: a JSON string is a YAML string."""
    return json.dumps(text, ensure_ascii=False)


# Usual requirements, as the plan writes them -------------------------------------------------------------------------


def usual(
    names: Callable[[Design], Sequence[str]], *entries: tuple[str, str, float | None]
) -> Callable[[Design], list[str]]:
    """Quantity, rule and limit for each of the names; without a limit, a tenth of the low end of the range."""

    def lines(design: Design) -> list[str]:
        small = f"{design.range[0] / 10:.3g}"
        return [
            _entry(quantity, name, rule, small if limit is None else limit)
            for quantity, rule, limit in entries
            for name in names(design)
        ]

    return lines


def expanded_uncertainty(design: Design) -> list[str]:
    """A quarter of the gap between the customer's limits, at the upper one."""
    limits = sorted(design.customer_limits)
    if len(limits) < 2:
        return []
    return [_entry("uncertainty.expanded", limits[-1], "point", f"{(limits[-1] - limits[0]) / 4:.3g}")]


def _entry(quantity: str, at: str | float, rule: str, limit: object) -> str:
    place = at if isinstance(at, float) else quoted(at)
    return f"quantity: {quantity}, at: {place}, rule: {rule}, limit: {limit}"
