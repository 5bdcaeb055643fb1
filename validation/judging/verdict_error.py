"""How often the verdict as a whole errs: the study's own design simulated again, its requirements judged together.

Planning may call `verdict_error` with quantities of an assumed scatter in place of measured ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from math import sqrt
from typing import Any

import numpy as np

from validation.judging.conclusion import held_levels
from validation.judging.requirements import RequirementResult
from validation.judging.simulated import Bools, SimulatedRow, Truth, simulated_rows
from validation.simulation.estimates import EstimateDraws
from validation.study.model import ExperimentData, Study
from validation.study.quantity import At, Quantity
from validation.words import level_text, sentence_list

SEED = 20_261_128
#: A requirement met less often than this where its truth is comfortable is named, and so many of them at most.
_SURE, _NAMED = 0.8, 4
#: Fewer runs than this say nothing about how their means correlate between levels.
_FEWEST_RUNS = 4
_MOST_ALIKE = 0.98


@dataclass(frozen=True, slots=True)
class Chance:
    """A simulated share of studies and its Monte Carlo standard error."""

    share: float
    error: float

    @classmethod
    def of(cls, hits: Bools) -> Chance:
        share = float(hits.mean())
        return cls(share, sqrt(share * (1 - share) / hits.size))

    @property
    def text(self) -> str:
        """ "3.1" of 100."""
        return f"{100 * self.share:.1f}"


@dataclass(frozen=True, slots=True)
class OnLimit:
    """A requirement whose truth lies exactly on its limit: how often it is met, and all others with it.

    `comfortable`: how often it is met where its truth is comfortable; `in_range`: how often the proposed range reaches
    its level.
    """

    id: str
    at: At
    rule: str
    comfortable: Chance
    met: Chance
    all_met: Chance
    in_range: Chance | None = None


@dataclass(frozen=True, slots=True)
class VerdictError:
    """`results.json` `verdict_error`: what chance does to the verdicts of a study of this design.

    `comfortable`: chance that all requirements are met where every truth is comfortable, with the scatter as estimated
    and at its upper bound; `unstated` names the requirements whose estimate has no stated error, which count as they
    came out; `without_estimate` those that have none, which count as not met; `correlations` of run means between
    levels, by worksheet.
    """

    draws: int
    unit: str
    rows: tuple[OnLimit, ...]
    comfortable: Chance
    comfortable_at_upper_bound: Chance
    unstated: tuple[str, ...]
    without_estimate: tuple[str, ...]
    correlations: Mapping[str, float]

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        lists = {name: list(getattr(self, name)) for name in ("unstated", "without_estimate")}
        return {**asdict(self), "rows": [asdict(row) for row in self.rows], **lists}

    def name(self, row: OnLimit) -> str:
        """ "R2 at 4 %"."""
        return _name(row.id, row.at, self.unit)

    @property
    def sentence(self) -> str:
        """Page 1: how often the range reaches a level that fails, and how often all is met."""
        return " ".join(
            [f"Error of the verdict as a whole, from {self.draws} simulated studies of this design.", *self._parts]
        )

    @property
    def _parts(self) -> list[str]:
        comfortable, pessimistic = self.comfortable.text, self.comfortable_at_upper_bound.text
        worst = max((row.all_met for row in self.rows), key=lambda chance: chance.share).text
        return [
            *self._of_range("", [row for row in self.rows if row.rule != "point"]),
            *self._of_range(" judged on its estimate alone", [row for row in self.rows if row.rule == "point"]),
            f"With every difference at its target and the scatter as estimated all is met in {comfortable} %, with the "
            f"scatter at its upper bound in {pessimistic} %, with one requirement on its limit in at most {worst} %.",
            *self._seldom(),
            *(f"{name} has no estimate and counts as not met." for name in self.without_estimate),
        ]

    def _of_range(self, which: str, rows: Sequence[OnLimit]) -> list[str]:
        """The level that the range reaches most often, of these requirements on their limits."""
        worst = max((row for row in rows if row.in_range is not None), key=_in_range, default=None)
        if worst is None:
            return []
        share = f"in at most {100 * _in_range(worst):.1f} % of them ({self.name(worst)})"
        return [f"The proposed range reaches a level where a requirement{which} lies exactly on its limit {share}."]

    def _seldom(self) -> list[str]:
        """Which requirements this design can hardly show, however comfortable the truth."""
        rows = sorted((row.comfortable.share, number) for number, row in enumerate(self.rows))
        rows = [pair for pair in rows if pair[0] < _SURE]
        names = [f"{self.name(self.rows[number])} ({100 * share:.0f} %)" for share, number in rows[:_NAMED]]
        if len(rows) > _NAMED:
            names.append(f"{len(rows) - _NAMED} more")
        return [f"Seldom met even then: {sentence_list(names)}."] if names else []

    @property
    def point_sentence(self) -> str:
        """Which requirements are judged on the estimate alone, each with its error; empty for none."""
        named = [f"{self.name(row)} ({100 * row.met.share:.0f} %)" for row in self.rows if row.rule == "point"]
        sentences = []
        if named:
            verb = "is" if len(named) == 1 else "are"
            often = "in brackets, how often it is met when the truth lies exactly on its limit"
            sentences.append(f"Judged on the estimate alone {verb} {sentence_list(named)}; {often}.")
        if self.unstated:
            verb = "has" if len(self.unstated) == 1 else "have"
            sentences.append(f"{sentence_list(list(self.unstated))} {verb} no stated error.")
        return " ".join(sentences)


def _in_range(row: OnLimit) -> float:
    return 0.0 if row.in_range is None else row.in_range.share


def _name(id_: str, at: At, unit: str) -> str:
    if at is None:
        return id_
    return f"{id_} at {level_text(at)} {unit}" if isinstance(at, float) else f"{id_} ({at})"


def verdict_error(
    study: Study,
    rows: Sequence[RequirementResult],
    quantities: Sequence[Quantity],
    *,
    draws: int,
    seed: int = SEED,
) -> VerdictError | None:
    """Simulate the verdicts of the study's own design; None where no requirement can be simulated.

    Parameters
    ----------
    study : its plan, and the worksheets whose runs are shared between levels
    rows, quantities : the verdicts and what they are on; measured, or assumed while planning
    draws : simulated studies
    """
    simulated = simulated_rows(rows, quantities)
    if not simulated:
        return None
    worksheets = {data.worksheet: data for data in study.experiments.values()}
    correlations = {
        name: run_correlation(worksheets[name])
        for name in dict.fromkeys(item.quantity.worksheet for item in simulated)
        if name in worksheets
    }
    with_error = {(item.row.id, item.row.at) for item in simulated}
    others = [row for row in rows if (row.id, row.at) not in with_error]
    engine = _Engine(study, simulated, others, EstimateDraws(draws, seed, correlations))
    return VerdictError(
        draws,
        study.unit,
        tuple(engine.on_limit(item) for item in simulated),
        Chance.of(engine.all_met(engine.comfortable)),
        Chance.of(engine.all_met(engine.verdicts(lambda item: item.comfortable(item.upper_scatter)))),
        tuple(_name(row.id, row.at, study.unit) for row in others if row.observed is not None),
        tuple(_name(row.id, row.at, study.unit) for row in others if row.observed is None),
        correlations,
    )


def run_correlation(data: ExperimentData) -> float:
    """Mean correlation of the means of the runs at two levels, not below zero: what the levels share of each run."""
    value = next((name for name in ("result", "response") if name in data.table), None)
    if value is None or "run" not in data.table or "level" not in data.table or not data.numeric_levels:
        return 0.0
    means = data.table.pivot_table(index="run", columns="level", values=value, aggfunc="mean").dropna()
    if len(means) < _FEWEST_RUNS or len(means.columns) < 2:
        return 0.0
    spread = means.loc[:, means.std() > 0]
    if len(spread.columns) < 2:
        return 0.0
    matrix = np.corrcoef(spread.to_numpy().T)
    shared = float(matrix[~np.eye(len(matrix), dtype=bool)].mean())
    return round(min(max(shared, 0.0), _MOST_ALIKE), 3)


class _Engine:
    """One set of chances, under which every truth is judged: scenarios differ by their truth alone."""

    def __init__(
        self,
        study: Study,
        simulated: Sequence[SimulatedRow],
        others: Sequence[RequirementResult],
        draws: EstimateDraws,
    ) -> None:
        # Others cannot be simulated: they stay as they came out.
        self.simulated, self.others, self.draws = simulated, others, draws
        levels = sorted({item.row.at for item in simulated if isinstance(item.row.at, float)})
        middle = sum(study.plan.study.range) / 2
        self.held = held_levels(levels, study.plan.study.customer_limits, middle) if levels else []

    def verdicts(self, truth: Callable[[SimulatedRow], Truth]) -> list[Bools]:
        """Whether each row is met, shape (studies,) each."""
        return [item.met(truth(item), self.draws) for item in self.simulated]

    @cached_property
    def comfortable(self) -> list[Bools]:
        """The verdicts where every truth is comfortable."""
        return self.verdicts(lambda item: item.comfortable())

    @cached_property
    def _misses(self) -> np.ndarray:
        """How many rows each study misses where every truth is comfortable."""
        return np.sum([~met for met in self.comfortable], axis=0)

    def all_met(self, verdicts: Sequence[Bools]) -> Bools:
        """Whether every requirement is met."""
        others = all(row.outcome == "met" for row in self.others)
        return np.asarray(np.logical_and.reduce(verdicts) & others)

    def on_limit(self, item: SimulatedRow) -> OnLimit:
        """The row on its limit by its bias; a share by its scatter too, each chance the larger of the two."""
        by_bias = self._on_limit(item, item.on_limit())
        if not item.is_results:
            return by_bias
        by_scatter = self._on_limit(item, item.on_limit(by_bias=False))
        in_range = max(by_bias, by_scatter, key=_in_range).in_range
        larger = [
            max(getattr(by_bias, name), getattr(by_scatter, name), key=lambda chance: chance.share)
            for name in ("met", "all_met")
        ]
        return replace(by_bias, met=larger[0], all_met=larger[1], in_range=in_range)

    def _on_limit(self, item: SimulatedRow, truth: Truth) -> OnLimit:
        moved = {number: self._moved(other, item, truth) for number, other in self._joined(item)}
        number = self.simulated.index(item)
        before = np.sum([~self.comfortable[number] for number in moved], axis=0)
        all_met = (self._misses == before) & self.all_met(list(moved.values()))
        row = item.row
        chances = Chance.of(self.comfortable[number]), Chance.of(moved[number]), Chance.of(all_met)
        return OnLimit(row.id, row.at, row.rule, *chances, self._in_range(item, moved))

    def _joined(self, item: SimulatedRow) -> list[tuple[int, SimulatedRow]]:
        """The rows that move with it: those of its worksheet and level."""
        at_place = isinstance(item.row.at, float) and bool(item.quantity.worksheet)
        return [
            (number, other)
            for number, other in enumerate(self.simulated)
            if other is item or (at_place and other.place == item.place)
        ]

    def _moved(self, other: SimulatedRow, item: SimulatedRow, truth: Truth) -> Bools:
        if other is item:
            return other.met(truth, self.draws)
        comfortable = other.comfortable(truth.scatter)
        if item.of_bias and other.of_bias:
            return other.met(Truth(truth.shift, comfortable.scatter), self.draws)
        return other.met(comfortable, self.draws)

    def _in_range(self, item: SimulatedRow, moved: Mapping[int, Bools]) -> Chance | None:
        """How often the proposed range holds the level of the row."""
        at = item.row.at
        if not isinstance(at, float):
            return None
        low, high = min(at, self.held[0]), max(at, self.held[-1])
        met = [
            moved.get(number, self.comfortable[number])
            for number, other in enumerate(self.simulated)
            if isinstance(other.row.at, float) and low <= other.row.at <= high
        ]
        others = [row for row in self.others if isinstance(row.at, float) and low <= row.at <= high]
        return Chance.of(np.logical_and.reduce(met) & all(row.outcome == "met" for row in others))
