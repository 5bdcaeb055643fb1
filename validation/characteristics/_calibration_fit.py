"""The calibration experiment as its chapter sees it: the lines, the spread of readings, the routine level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from validation.characteristics._calibration_points import CalibrationPoints
from validation.characteristics._censored import left_out, lost_levels
from validation.stats.calibration import departures
from validation.stats.calibration_readings import CalibrationReadings
from validation.stats.estimate import Estimate
from validation.stats.regression import PolynomialResult, straight_line
from validation.stats.straightness import DRAWS, WeightedTestsResult, sd_of_readings, weighted_tests
from validation.stats.variance_function import LinearSdResult
from validation.study.model import ExperimentData, Study
from validation.study.quantity import At, Quantity
from validation.words import level_text

NAME = "calibration"

ON_REFERENCE_NOTE = (
    "The column u_level is not used here: the intervals show scatter of readings and runs, not the uncertainty of the "
    "standards, which trueness takes up."
)
NEGATIVE_NOTE = "For the spread s(x) a level below zero counts as level zero."
NO_UNIT_NOTE = "The plan does not state `response_unit`: the unit of the responses is not named."


@dataclass(frozen=True)
class CalibrationFit:
    """The readings with what is fitted to them. `draws` are those of the tests of straightness."""

    study: Study
    data: ExperimentData
    points: CalibrationPoints
    draws: int = DRAWS

    @property
    def response_unit(self) -> str:
        return str(self.data.settings.get("response_unit", "response units"))

    @property
    def slope_unit(self) -> str:
        return f"{self.response_unit}/{self.study.unit}"

    @property
    def notes(self) -> list[str]:
        """What holds for the chapter, whatever is estimated."""
        p = self.points
        notes = [*self.data.notes, *lost_levels(self.data), *p.notes]
        if "u_level" in self.data.table:
            notes.append(ON_REFERENCE_NOTE)
        if min(p.mean_x(code) for code in range(len(p.names))) < 0:
            notes.append(NEGATIVE_NOTE)
        if "response_unit" not in self.data.settings:
            notes.append(NO_UNIT_NOTE)
        return notes

    @cached_property
    def line(self) -> PolynomialResult:
        """The ordinary line."""
        return straight_line(self.points.x, self.points.y)

    @cached_property
    def tests(self) -> WeightedTestsResult:
        """The weighted tests of straightness."""
        p = self.points
        return weighted_tests(p.x, p.y, p.levels, p.runs, draws=self.draws)

    @cached_property
    def sd(self) -> LinearSdResult | None:
        """s(x) of one reading, in the unit of the responses."""
        p = self.points
        return self.tests.sd or sd_of_readings(p.x, p.y, p.levels, p.runs)

    @cached_property
    def weights(self) -> NDArray[np.float64] | None:
        """1/s(x)^2 of each reading, a level below zero as zero; None where no spread is known."""
        sd = self.sd
        if sd is None or sd.constant + sd.slope <= 0:
            return None
        return 1 / np.array([sd.at(max(x, 0.0)) for x in self.points.x]) ** 2

    @cached_property
    def weighted(self) -> PolynomialResult | None:
        """The line weighted by 1/s(x)^2."""
        return None if self.weights is None else straight_line(self.points.x, self.points.y, weights=self.weights)

    @cached_property
    def routine(self) -> tuple[int | None, tuple[str, ...]]:
        """The code of the routine level, and what must be said of it; None where it has no readings."""
        p = self.points
        usable = [code for code in range(len(p.names)) if p.mean_x(code) > 0]
        if not usable:
            return None, ("No level lies above zero: a one-point calibration cannot be formed.",)
        stated = self.data.settings.get("routine_level")
        if stated is None:
            middle = sum(self.study.plan.study.range) / 2
            # Rounded, so that two levels as far from the middle tie although their doubles do not.
            chosen = min(usable, key=lambda code: (float(f"{abs(p.mean_x(code) - middle):.9g}"), p.mean_x(code)))
            nearest = f"{level_text(p.names[chosen])}, nearest the middle of the range, is taken."
            return chosen, (f"The plan states no `routine_level`: {nearest}",)
        for code in usable:
            name = p.names[code]
            if (isinstance(name, float) and abs(name - stated) <= 1e-9 * abs(stated)) or p.mean_x(code) == stated:
                return code, ()
        return None, (
            f"No reading is at the routine level {level_text(stated)}: one-point bias is not available. "
            "Read that level, or state another `routine_level`.",
        )

    def quantity(
        self,
        key: str,
        estimate: Estimate,
        unit: str,
        *,
        at: At = None,
        notes: Sequence[str] = (),
        unit_name: str = "readings",
        rests_on: tuple[Sequence[str], int] | None = None,
    ) -> Quantity:
        """The estimate with its place in the study; `rests_on` are its readings and censored ones, all by default."""
        readings, censored = rests_on or (self.points.readings, len(self.data.censored))
        return Quantity(
            key=f"{NAME}.{key}",
            at=at,
            estimate=estimate.with_notes(*notes, *left_out(censored, "of this worksheet")),
            level=self.study.confidence,
            unit=unit,
            worksheet=self.data.worksheet,
            readings=tuple(readings),
            unit_name=unit_name,
            censored=censored,
        )

    def at_level(self, key: str, level: int, estimate: Estimate, rests_on: tuple[Sequence[str], int]) -> Quantity:
        """A quantity in result units of the level with this code."""
        at, unit_name = self.points.names[level], "readings" if estimate.units is None else "runs"
        return self.quantity(key, estimate, self.study.unit, at=at, unit_name=unit_name, rests_on=rests_on)

    def departures(self, weights: NDArray[np.float64] | None = None) -> list[Quantity]:
        """The departure at each level from ordinary lines, or from those of these weights."""
        p = self.points
        estimates = departures(p.x, p.y, p.levels, p.runs, weights=None if weights is None else weights.tolist())
        # A censored response, wherever it lies, would have entered the line that all are read back through.
        lost = len(self.data.censored)
        runs = CalibrationReadings.of(p.x, p.y, p.levels, p.runs).with_lines
        return [
            self.at_level(
                "departure", level, estimate, (p.readings_at(level, None if estimate.units is None else runs), lost)
            )
            for level, estimate in enumerate(estimates)
        ]

    def weighted_departures(self) -> list[Quantity]:
        """The departures from the weighted line; none where no spread is known or the line is level."""
        level = self.weighted is None or self.weighted.slope == 0
        return [] if level else self.departures(self.weights)
