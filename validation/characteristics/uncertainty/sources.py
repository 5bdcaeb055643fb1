"""What the other chapters measured, as the budgets take it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import inf, isfinite, sqrt
from typing import Any

import numpy as np

from validation.characteristics._precision_runs import EXPERIMENT, levels
from validation.stats.confidence import Between, ConfidenceDistribution
from validation.stats.standards import StandardOfRuns, standard_of_runs
from validation.study.budget import TAKEN_FROM
from validation.study.lot_values import lot_value, relative_covariance
from validation.study.model import Study
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import level_text

S_I, TRUENESS_BIAS = "intermediate_precision.s_I", "trueness.bias"
IN_WORDS = {**TAKEN_FROM, TRUENESS_BIAS: "mean of the run means minus the reference value"}


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured number at a level, with what stands behind it; `distribution` gives its interval."""

    value: float
    degrees_of_freedom: float
    uncertainty: float | None = None
    distribution: ConfidenceDistribution | None = None
    quantities: tuple[Quantity, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MeasuredBias:
    """A bias with the two parts of its uncertainty: scatter of the runs, and the reference values."""

    of_trueness: Measured
    runs: int
    reference: float

    @property
    def value(self) -> float:
        return self.of_trueness.value

    @property
    def uncertainty(self) -> float | None:
        return self.of_trueness.uncertainty

    @property
    def error(self) -> float:
        """Standard error by scatter."""
        return sqrt(max((self.uncertainty or 0.0) ** 2 - self.reference**2, 0.0))


@dataclass(frozen=True)
class Sources:
    """The chapters that the budgets take from, by name."""

    study: Study
    evaluations: Mapping[str, Evaluation]

    def quantities(self, key: str) -> list[Quantity]:
        """All quantities of a key."""
        return [q for q in self.evaluations[key.partition(".")[0]].judged if q.key == key]

    def at(self, key: str, level: float) -> Measured | None:
        """A quantity at a level: as measured there, or on the straight line between the tested levels beside it."""
        known = sorted((q for q in self.quantities(key) if isinstance(q.at, float | int)), key=lambda q: float(q.at))  # type: ignore[arg-type]
        below = [q for q in known if float(q.at) <= level]  # type: ignore[arg-type]
        above = [q for q in known if float(q.at) >= level]  # type: ignore[arg-type]
        if not below or not above:
            return None
        low, high = below[-1], above[0]
        if low is high:
            error, distribution = low.standard_uncertainty, low.estimate.distribution
            return Measured(low.value, degrees_behind(low), error, distribution, (low,), self._of_level(low))
        x0, x1 = float(low.at), float(high.at)  # type: ignore[arg-type]
        share = (level - x0) / (x1 - x0)
        errors = [q.standard_uncertainty for q in (low, high) if q.standard_uncertainty is not None]
        first, second = low.estimate.distribution, high.estimate.distribution
        note = (
            f"Level {level_text(level)} was not tested: the {IN_WORDS[key]} is taken on the straight line between "
            f"the levels {level_text(low.at)} and {level_text(high.at)}."
        )
        return Measured(
            (1 - share) * low.value + share * high.value,
            min(degrees_behind(low), degrees_behind(high)),
            max(errors) if len(errors) == 2 else None,
            None if first is None or second is None else Between(first, second, share),
            (low, high),
            tuple(dict.fromkeys((*self._of_level(low), *self._of_level(high), note))),
        )

    def bias(self, level: float) -> MeasuredBias | None:
        """The bias at a level; between two levels with the uncertainty of the one that has the larger."""
        measured = self.at(TRUENESS_BIAS, level)
        if measured is None:
            return None
        widest = max(measured.quantities, key=lambda q: q.standard_uncertainty or 0.0)
        return MeasuredBias(measured, widest.units or 1, self._references.get(widest.at, 0.0))

    @cached_property
    def _references(self) -> dict[At, float]:
        """Standard uncertainty of the reference value, by level of the precision experiment."""
        return {level.at: level.reference_uncertainty[0] or 0.0 for level in levels(self.study.experiments[EXPERIMENT])}

    @cached_property
    def lots_in_runs(self) -> set[str]:
        """Lots of the standard that the runs of the precision experiment were calibrated with, as far as stated."""
        table = self.study.experiments[EXPERIMENT].table
        return set(table["lot"].astype(str).str.strip()) - {""} if "lot" in table else set()

    @cached_property
    def standard_of_runs(self) -> StandardOfRuns | None:
        """What the standard errs by beyond the runs, relative; None for one lot alone, or a lot without a record."""
        table = self.study.experiments[EXPERIMENT].table
        lots = sorted(self.lots_in_runs | ({self.lot_in_use} - {""}))
        if not self.lots_in_runs or len(lots) < 2 or not all(lot in self.study.lot_records for lot in lots):
            return None
        values = [lot_value(self.study.lot_records[lot], confidence=self.study.confidence) for lot in lots]
        if not all(value.result.standard_uncertainty for value in values):
            return None
        by_run = table["lot"].astype(str).str.strip().groupby(table["run"].astype(str), sort=False)
        counts = np.array([[(own == lot).sum() for lot in lots] for _, own in by_run])
        counts = counts[counts.sum(axis=1) > 0]
        in_use = lots.index(self.lot_in_use) if self.lot_in_use else None
        return standard_of_runs(relative_covariance(values), counts / counts.sum(axis=1, keepdims=True), in_use)

    def _of_level(self, q: Quantity) -> tuple[str, ...]:
        """The notes that concern this level, not the whole chapter that measured it."""
        chapter = self.evaluations[q.key.partition(".")[0]]
        return tuple(note for note in q.notes if note not in chapter.own_notes)

    def single(self, key: str) -> Quantity | None:
        """A quantity without a level; at several names, that of the lot in use, else None."""
        known = self.quantities(key)
        in_use = self.lot_in_use
        named = [q for q in known if q.at is None or str(q.at) == in_use]
        return named[0] if named else known[0] if len(known) == 1 else None

    @property
    def lot_in_use(self) -> str:
        """The lot that results lean on: as the plan says, else the one that new lots are compared with."""
        compared = self.study.plan.experiments.get("lots")
        reference = None if compared is None else compared.settings.get("reference")
        return str(self.study.plan.lots.stated.get("in_use") or reference or "")

    @cached_property
    def tested(self) -> list[float]:
        """Levels with an intermediate precision."""
        return sorted(float(q.at) for q in self.quantities(S_I) if isinstance(q.at, float | int))

    @cached_property
    def standard(self) -> tuple[float | None, float, str]:
        """Relative standard uncertainty of the routine standard, its degrees of freedom, and a sentence on it."""
        q = self.single("standards.relative_uncertainty")
        if q is not None:
            note = f"The uncertainty of the standard {q.at} is that of its lot record." if q.at else ""
            return q.value, q.degrees_of_freedom or inf, note
        return self._stated_standard()

    def _stated_standard(self) -> tuple[float | None, float, str]:
        entries = self.study.plan.standards
        in_use = self.lot_in_use
        named = [entry for entry in entries if str(entry.get("name", "")) == in_use] or list(entries)
        if len(named) != 1:
            count = "names no standard" if not named else "names several standards and not the lot in use"
            return None, inf, f"The plan {count}: the uncertainty of the standard's content is missing in the budget."
        value, u = named[0].get("value"), named[0].get("uncertainty")
        name = named[0].get("name", "")
        if value is None or u is None or not _positive(value) or not _positive(u):
            lacking = f"The plan gives no value with an uncertainty for the standard {name}"
            return None, inf, f"{lacking}: it is missing in the budget."
        return (
            float(u) / float(value),
            inf,
            f"The uncertainty {u:g} of the standard {name} is taken from the plan as a standard uncertainty (k = 1).",
        )


def degrees_behind(q: Quantity) -> float:
    """Degrees of freedom of a measured number; where it carries none, those of its runs."""
    if q.degrees_of_freedom:
        return q.degrees_of_freedom
    return float(q.units - 1) if q.units is not None and q.units > 1 else inf


def _positive(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value) and value > 0
