"""How often questions that rest on chance are asked of clean studies, and of planted patterns.

`python tests/question_rates.py` writes both tables of docs/questions.md anew, in about a minute on one processor. The
truth of every study is stated here: levels, scatter and rounding as in the demonstration, normal or with heavy tails.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from validation.judging.questions.record import RATE
from validation.simulation.shape import NORMAL, Shape
from validation.stats.raw_patterns import (
    RunLayout,
    digit_preference,
    equal_runs,
    exact_hits,
    powers_of_others,
    too_regular,
    zero_blanks,
)

PAGE = Path(__file__).resolve().parents[1] / "docs" / "questions.md"
STUDIES, PLANTED, AT_ONCE = 200_000, 5_000, 5_000
RULES = ("same run", "regular run", "on the assigned value", "last digits", "zero blanks", "power of ten")
MARKS = ("<!-- rates: begin (written by tests/question_rates.py) -->", "<!-- rates: end -->")

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class CleanSheet:
    """A worksheet of runs, levels and replicates; a level of 0 are blanks."""

    runs: int
    levels: tuple[float, ...]
    replicates: int
    assigned: bool = False

    @property
    def layout(self) -> RunLayout:
        size = len(self.levels) * self.replicates
        return RunLayout(
            np.repeat(np.arange(self.runs), size),
            np.tile(np.repeat(np.arange(len(self.levels)), self.replicates), self.runs),
        )

    def steps(self, rng: np.random.Generator, studies: int, grid: float, shape: Shape) -> NDArray[np.int64]:
        """Readings in steps of the grid: s_r = 0.03 + 0.018 x, run 0.02 + 0.012 x; true levels lie on the grid."""
        x = np.array(self.levels)[self.layout.levels]
        of_run = shape.parts(rng, (studies, self.runs))[:, self.layout.runs]
        y = x + of_run * (0.02 + 0.012 * x) + shape.parts(rng, (studies, x.size)) * (0.03 + 0.018 * x)
        return np.round(y / grid).astype(np.int64)

    def asked(self, y: NDArray[np.int64], grid: float, sheets: int, runs: int) -> Iterator[tuple[str, Bools]]:
        """Rule and whether it is asked of each study, with the thresholds that `by_chance` has."""
        layout = self.layout
        repeats, expected = equal_runs(y, layout)
        yield RULES[0], (repeats >= 0).any(axis=1) & (expected * sheets < RATE)
        if self.runs >= 3:
            yield RULES[1], (too_regular(y, layout) * runs < RATE).any(axis=1)
        if self.assigned:
            values = np.round(np.array(self.levels)[layout.levels] / grid).astype(np.int64)
            whole, each = exact_hits(y, values, layout)
            yield RULES[2], (whole * sheets < RATE) | (each * sheets < RATE).any(axis=1)
        common = np.gcd.reduce(y, axis=1) % 5 == 0
        yield RULES[3], ~common & (digit_preference(y, layout) * sheets < RATE)
        if self.levels[0] == 0:
            variance, _ = layout.of_levels(y)
            blanks = y[:, layout.levels == 0]
            zero = (blanks == 0).all(axis=1)
            chance = [zero_blanks(blanks[k : k + 1], v**0.5 / 3)[0] for k, v in zip(*_of(zero, variance), strict=True)]
            asked = np.zeros(len(y), dtype=bool)
            asked[zero] = np.array(chance) * sheets < RATE
            yield RULES[4], asked
        yield RULES[5], powers_of_others(y, layout).any(axis=1)


def _of(zero: Bools, variance: NDArray[np.float64]) -> tuple[list[int], list[float]]:
    return np.flatnonzero(zero).tolist(), variance[zero, 1].tolist()


DEMONSTRATION = (
    CleanSheet(3, (0.0, 0.5, 1.0, 2.0, 4.0, 5.0, 7.5, 10.0), 3),
    CleanSheet(8, (0.5, 1.0, 2.0, 4.0, 7.5, 10.0), 3, assigned=True),
    CleanSheet(6, (0.5, 2.0, 4.0, 7.5), 2),
)
SMALL = (CleanSheet(3, (0.0, 0.5, 1.0, 2.0), 2), CleanSheet(3, (1.0, 2.0, 4.0), 2, assigned=True))
ONE_EACH = (CleanSheet(8, (0.5, 1.0, 2.0, 4.0, 7.5, 10.0), 1, assigned=True),)
HEAVY = Shape(tails=4.0)

CASES = (
    ("as the demonstration, written to 0.01", DEMONSTRATION, 0.01, NORMAL),
    ("as the demonstration, written to 0.1", DEMONSTRATION, 0.1, NORMAL),
    ("as the demonstration, to 0.01, Student's t of 4", DEMONSTRATION, 0.01, HEAVY),
    ("small, written to 0.01", SMALL, 0.01, NORMAL),
    ("small, written to 0.1", SMALL, 0.1, NORMAL),
    ("small, to 0.01, Student's t of 4", SMALL, 0.01, HEAVY),
    ("8 runs without replicates, to 0.01", ONE_EACH, 0.01, NORMAL),
)


def rates(sheets: tuple[CleanSheet, ...], grid: float, shape: Shape, seed: int, studies: int) -> dict[str, float]:
    """The share of clean studies of which each rule asks, and any of them."""
    rng = np.random.default_rng(seed)
    counts = dict.fromkeys((*RULES, "any"), 0)
    runs = sum(sheet.runs for sheet in sheets)
    for _ in range(studies // AT_ONCE):
        hits = {rule: np.zeros(AT_ONCE, dtype=bool) for rule in RULES}
        for sheet in sheets:
            for rule, asked in sheet.asked(sheet.steps(rng, AT_ONCE, grid, shape), grid, len(sheets), runs):
                hits[rule] |= asked
        for rule, asked in hits.items():
            counts[rule] += int(asked.sum())
        counts["any"] += int(np.logical_or.reduce(list(hits.values())).sum())
    return {rule: count / (studies // AT_ONCE * AT_ONCE) for rule, count in counts.items()}


def table(studies: int = STUDIES) -> str:
    """The table of the page, in 1000 studies."""
    lines = [f"| clean studies | {' | '.join((*RULES, 'any of them'))} |", f"|---|{'---|' * (len(RULES) + 1)}"]
    for number, (name, sheets, grid, shape) in enumerate(CASES):
        own = rates(sheets, grid, shape, 8004 + number, studies)
        lines.append(f"| {name} | {' | '.join(f'{1000 * own[rule]:.2f}' for rule in (*RULES, 'any'))} |")
    return "\n".join(lines)


def planted(rng: np.random.Generator) -> Iterator[tuple[str, str, NDArray[np.int64]]]:
    """What was done to studies of 8 runs of 6 levels of 3 readings, the rule that is to ask, and the readings."""
    sheet = DEMONSTRATION[1]
    runs = sheet.layout.runs
    values = np.round(np.array(sheet.levels)[sheet.layout.levels] / 0.01).astype(np.int64)

    def clean() -> NDArray[np.int64]:
        return sheet.steps(rng, PLANTED, 0.01, NORMAL)

    def where(chosen: Bools, changed: NDArray[np.int64], y: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.where(chosen, changed, y)

    y = clean()
    copied = y.copy()
    copied[:, runs == 7] = y[:, runs == 0]
    yield "one run is a copy of another", "same run", copied
    for share in (0.3, 0.1):
        y, means = clean(), np.zeros(y.shape)
        for run in range(8):
            for level in range(6):
                own = (runs == run) & (sheet.layout.levels == level)
                means[:, own] = y[:, own].mean(axis=1, keepdims=True)
        calm = np.round(means + share * (y - means)).astype(np.int64)
        yield f"one run scatters {share} times as much", "regular run", where(runs == 3, calm, y)
    yield "one run is the assigned values", "on the assigned value", where(runs == 3, values, clean())
    y = clean()
    yield (
        "a tenth of the results are the assigned values",
        "on the assigned value",
        where(rng.random(y.shape) < 0.1, values, y),
    )
    for share in (0.5, 0.25):
        y = clean()
        rounded = 5 * np.round(y / 5).astype(np.int64)
        name = f"{100 * share:g} % of the results are rounded to 0.05"
        yield name, "last digits", where(rng.random(y.shape) < share, rounded, y)
    yield "one run is ten times too high", "power of ten", where(runs == 3, 10 * (y := clean()), y)


def planted_table() -> str:
    """How often each planted pattern is asked about, in 100 studies."""
    sheet = DEMONSTRATION[1]
    lines = ["| what was done | rule | asked, of 100 |", "|---|---|---|"]
    for name, rule, y in planted(np.random.default_rng(8004)):
        asked = dict(sheet.asked(y, 0.01, len(DEMONSTRATION), 17))[rule]
        lines.append(f"| {name} | {rule} | {100 * asked.mean():.1f} |")
    return "\n".join(lines)


def main() -> None:
    start = time.process_time()
    text = table()
    power = planted_table()
    used = time.process_time() - start
    error = 1000 * (RATE * (1 - RATE) / STUDIES) ** 0.5
    made = (
        f"{text}\n\nIn 1000 studies, of {STUDIES:,} simulated each; the Monte Carlo standard error of 1 in 1000 is "
        f"{error:.2f}.\n\n{power}\n\nOf {PLANTED:,} studies each, 8 runs of 6 levels of 3 readings. Made in "
        f"{used:.0f} s of one processor by `python tests/question_rates.py`."
    )
    page = PAGE.read_text(encoding="utf-8")
    begin, end = (re.escape(mark) for mark in MARKS)
    page = re.sub(f"{begin}.*{end}", lambda _: f"{MARKS[0]}\n{made}\n{MARKS[1]}", page, flags=re.DOTALL)
    PAGE.write_text(page, encoding="utf-8")
    print(made)


if __name__ == "__main__":
    main()
