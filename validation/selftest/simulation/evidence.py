"""Grades, lots, carry-over, screening, stability, recovery: a plain loop over the public functions."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.rates import Array, Group, Place
from validation.selftest.simulation.straight_lines import CONSTANT, GROWTH
from validation.stats.carry_over import carry_over_effect, carry_over_share
from validation.stats.distributions import Rectangular, type_a
from validation.stats.estimate import Estimate
from validation.stats.propagation import propagate
from validation.stats.recovery import recovery
from validation.stats.ruggedness import effects
from validation.stats.slope_ratio import level_weights, slope_ratios, slope_ratios_by_run
from validation.stats.stability import expiry, stability_line
from validation.stats.two_level_designs import plackett_burman
from validation.stats.two_means import paired_difference, welch_ratio

Rows = Callable[[np.random.Generator, int], list[CoverageRow]]

LEVELS = np.array([0.0, 2.0, 5.0])
RATIO, AGES, LOSS = 0.9, np.repeat([0.0, 7.0, 14.0, 21.0, 28.0, 35.0], 3), 0.012 / 7
EFFECTS = np.array([0.24, -0.16, 0.02, 0.0, 0.0, 0.0, 0.0])
LENTH = "Lenth's scale of few contrasts is wide, and wider where several factors act; said in the notes."
GUM = "Effective degrees of freedom are an approximation, here on the side of caution: a rectangle has no tails."


def _inside(estimate: Estimate | Estimate | None, truth: float) -> bool:
    """Whether the interval at 95 % holds the truth; without one it does not."""
    if estimate is None:
        return False
    ends = estimate.interval(0.95) if isinstance(estimate, Estimate) else estimate.interval
    return ends is not None and ends[0] <= truth <= ends[1]


def _sd(x: float | Array) -> float | Array:
    return CONSTANT + GROWTH * x


def _rows(place: Place, names: Sequence[str], hits: Sequence[Sequence[bool]]) -> list[CoverageRow]:
    table = np.array(hits)
    return [place.row(name, 0.95, table[:, i]) for i, name in enumerate(names)]


def grade_rows(by_run: bool) -> Rows:
    """Two grades at three levels, 8 times: interleaved in 8 runs of their own gain, or independent readings."""
    levels = np.tile(LEVELS, 16)
    names = np.repeat(["N", "K"], 3).tolist() * 8
    runs = np.repeat([f"M{i}" for i in range(8)], 6).tolist()
    factor = np.where(np.array(names) == "K", RATIO, 1.0)

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        hits = []
        for _ in range(studies):
            gain = np.repeat(1 + 0.02 * rng.standard_normal(8), 6) if by_run else 1.0
            y = gain * factor * levels + 0.03 + _sd(levels) * rng.standard_normal(48)
            weights, _ = level_weights(levels, y.tolist(), names)
            if by_run:
                found = slope_ratios_by_run(levels, y.tolist(), names, runs, reference="N", weights=weights)
            else:
                found = slope_ratios(levels, y.tolist(), names, reference="N", weights=weights)
            blank = levels == 0
            first, second = (y[blank & (np.array(names) == name)].tolist() for name in ("K", "N"))
            hits.append([_inside(found.line("K").ratio, RATIO), _inside(paired_difference(first, second), 0.0)])
        how = "8 runs, 3 levels of 2 grades" if by_run else "2 grades, 3 levels x 8"
        return _rows(Place("grades", how, "ratio 0.9"), ("slope ratio", "blank difference"), hits)

    return simulate


def lot_rows(readings: int) -> Rows:
    """Two lots in one run, each read so often."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = 5.0 + 0.12 * rng.standard_normal((studies, 2, readings))
        y[:, 0] *= 0.955
        hits = [[_inside(welch_ratio(study[0].tolist(), study[1].tolist()), 0.955)] for study in y]
        place = Place("lots", f"2 lots x {readings}", "ratio 0.955, scatter 2.4 %")
        return _rows(place, ("response ratio",), hits)

    return simulate


def triple_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Five triples whose first blank carries 0.9 % of the high sample."""
    high = 10.0 + 0.21 * rng.standard_normal((studies, 5))
    blanks = 0.03 + 0.03 * rng.standard_normal((studies, 2, 5))
    first, second = blanks[:, 0] + 0.009 * high, blanks[:, 1]
    hits = []
    for a, b, c in zip(high, first, second, strict=True):
        share = carry_over_share(a.tolist(), b.tolist(), c.tolist())
        hits.append([_inside(carry_over_effect(b.tolist(), c.tolist()), 0.09), _inside(share, 0.009)])
    return _rows(Place("carry-over", "5 triples", "0.9 % of the high sample"), ("effect", "share"), hits)


def screening_rows(replicates: int) -> Rows:
    """Seven factors in 8 trials, two or three of them active."""
    matrix = np.array(plackett_burman(8).matrix, dtype=float)
    settings = np.vstack([matrix] * replicates)
    blocks = np.repeat([f"W{i}" for i in range(replicates)], 8).tolist()

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        hits = []
        for _ in range(studies):
            day = np.repeat(0.07 * rng.standard_normal(replicates), 8)
            y = 4.0 + settings @ EFFECTS / 2 + day + 0.1 * rng.standard_normal(8 * replicates)
            found = effects(y.tolist(), settings, blocks=blocks if replicates > 1 else None)
            hits.append([_inside(found.effects[i], EFFECTS[i]) for i in (0, 2, 5)])
        how = "7 factors in 8 trials" + (f", {replicates} days" if replicates > 1 else ", no replicates")
        place = Place("screening", how, "effects 0.24, -0.16 and 0.02 of scatter 0.1")
        names = ("largest effect", "small effect", "no effect")
        table = np.array(hits)
        if replicates > 1:
            return [place.row(name, 0.95, table[:, i]) for i, name in enumerate(names)]
        return [place.row(name, 0.95, table[:, i], more=True, note=LENTH) for i, name in enumerate(names)]

    return simulate


def storage_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Six ages read three times in one run; the standard loses 1.2 % a week."""
    hits, kept = [], []
    y = 5.0 * (1 - LOSS * AGES) + 0.12 * rng.standard_normal((studies, len(AGES)))
    for study in y:
        line = stability_line(AGES, study.tolist(), ["T1"] * len(AGES))
        hits.append([_inside(line.slope_estimate(), -5.0 * LOSS), _inside(line.change(14.0), -14 * LOSS)])
        found = expiry(line, 0.025, 35.0)
        assert found is not None
        # Where the bound stands, the true change has not passed the limit: wrong with 5 % at most.
        kept.append(found.expiry.value * LOSS <= 0.025)
    place = Place("stability", "6 ages x 3 in one run", "loss of 1.2 % a week, scatter 2.4 %")
    table = [*_rows(place, ("slope", "change over two weeks"), hits)]
    return [*table, place.row("expiry not too late", 0.95, np.array(kept))]


def spike_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """One used oil read four times before and after a spike of uncertain size."""
    hits = []
    for _ in range(studies):
        added = 2.0 + 0.02 * rng.standard_normal()
        before = 1.0 + 0.05 * rng.standard_normal(4)
        after = 1.0 * (1 - added / 100) + 0.95 * added + 0.07 * rng.standard_normal(4)
        found = recovery(before.tolist(), after.tolist(), 2.0, u_added=0.02, whole=100.0)
        hits.append([_inside(found.recovery, 0.95)])
    return _rows(Place("recovery", "4 readings before and after", "recovery 0.95"), ("recovery",), hits)


def budget_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """A mean of four readings and a rectangle, joined: k of the effective degrees of freedom."""
    hits = []
    for _ in range(studies):
        readings = 10.0 + rng.standard_normal(4)
        width = 1.0
        shift = rng.uniform(-width, width)
        found = propagate(
            lambda mean, shift: mean + shift,
            {"mean": type_a((readings + shift).tolist()), "shift": Rectangular(-width, width)},
        )
        hits.append(found.interval[0] <= 10.0 <= found.interval[1])
    place = Place("uncertainty", "mean of 4 readings and a rectangle", "their sizes 0.5 and 0.58")
    return [place.row("expanded uncertainty", 0.95, np.array(hits), more=True, note=GUM)]


def groups() -> list[Group]:
    """Every design and truth."""
    made = [Group(f"grades: {by_run}", 1500, None, grade_rows(by_run)) for by_run in (True, False)]
    made += [Group(f"lots: {readings}", 4000, None, lot_rows(readings)) for readings in (6, 21)]
    made.append(Group("triples", 4000, 400, triple_rows))
    made += [Group(f"screening: {replicates}", 2000, None, screening_rows(replicates)) for replicates in (1, 2, 3)]
    made.append(Group("storage", 2000, 400, storage_rows))
    made.append(Group("spike", 4000, None, spike_rows))
    made.append(Group("budget", 4000, None, budget_rows))
    return made
