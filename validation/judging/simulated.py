"""Verdicts of simulated studies: a row of the verdict table under a stated truth, many studies at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from validation.judging.requirements import RequirementResult, find_key
from validation.simulation.estimates import EstimateDraws, Floats
from validation.stats.confidence import SumOfMeanSquares
from validation.stats.content import SingleResults, half_width, reach_interval
from validation.stats.intervals import chi_square_quantile, guarded_sum_interval, mean_interval, sd_interval
from validation.study.quantity import Quantity, judged_level

Bools = NDArray[np.bool_]
#: A one-sided requirement is comfortable where the truth lies so many standard errors inside its limit.
_COMFORT = 4.0
#: Quantities that speak of one bias: setting it at the limit of one moves the others.
_OF_ONE_BIAS = ("trueness.bias", "accuracy.tolerance_low", "accuracy.tolerance_high", "accuracy.tolerance")


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of a row: its bias (or other difference) from the target, its scatter over the one estimated."""

    shift: float = 0.0
    scatter: float = 1.0


@dataclass(frozen=True, slots=True)
class SimulatedRow:
    """A row whose estimate can be drawn again: a mean with Student's t, a size with mean squares, or single results."""

    row: RequirementResult
    quantity: Quantity

    @property
    def place(self) -> tuple[str, Any]:
        """Worksheet and level: the scatter there is shared."""
        return self.quantity.worksheet, self.row.at

    @property
    def of_bias(self) -> bool:
        """Whether it speaks of the bias of the results at its level."""
        return self.row.quantity in _OF_ONE_BIAS

    @property
    def is_mean(self) -> bool:
        """Whether the estimate is a difference, ratio or other mean with a standard error."""
        return not self.is_results and self.quantity.standard_uncertainty is not None

    @property
    def is_results(self) -> bool:
        """Whether the share of single results is judged."""
        return isinstance(self.quantity.estimate.distribution, SingleResults)

    @property
    def about_target(self) -> bool:
        """Whether the limit is a half-width about the target."""
        info = find_key(self.row.quantity)
        return self.row.rule == "equivalence" or (
            self.row.rule == "point" and info is not None and "equivalence" in info.rules
        )

    @property
    def df(self) -> float:
        """Degrees of freedom behind the scatter."""
        return self.quantity.degrees_of_freedom or inf

    @property
    def content(self) -> float:
        """Share of single results that is asked for."""
        assert self.row.content is not None, "the rule `inside` has a content"
        return self.row.content

    @property
    def limit(self) -> float:
        assert self.row.limit is not None, "rows without a limit are not simulated"
        return self.row.limit

    # ------------------------------------------------------------------------------------------------------- truths

    def comfortable(self, scatter: float = 1.0) -> Truth:
        """Differences at their target, one-sided ones well inside their limit; sizes and scatter as observed."""
        if self.is_results or self.about_target:
            return Truth(0.0, scatter)
        if self.is_mean:
            inside = _COMFORT * scatter * (self.quantity.standard_uncertainty or 0.0)
            low = self.row.rule == "lower bound"
            true = (
                max(self.quantity.value, self.limit + inside) if low else min(self.quantity.value, self.limit - inside)
            )
            return Truth(true, scatter)
        return Truth(0.0, scatter)

    def on_limit(self, *, by_bias: bool = True) -> Truth:
        """The truth exactly on the limit: by its difference, or by its scatter."""
        if self.is_results:
            return self._share_on_limit(by_bias)
        if self.is_mean:
            return Truth(self.limit)
        return Truth(0.0, self.limit / self.quantity.value)

    def _share_on_limit(self, by_bias: bool) -> Truth:
        content, sd = self.content, self._results.sd
        widest = self.limit / float(half_width(0.0, content))
        if not by_bias or sd >= widest:
            return Truth(0.0, widest / sd)
        offset = optimize.brentq(lambda b: float(half_width(b / sd, content)) * sd - self.limit, 0.0, self.limit)
        return Truth(offset)

    @property
    def upper_scatter(self) -> float:
        """One-sided upper bound of the scatter over its estimate, at the level that is judged."""
        if self.is_results:
            results, level = self._results, judged_level(self.quantity.level)
            terms = results.coefficients, results.mean_squares, results.raised, results.dfs
            return max(1.0, sqrt(guarded_sum_interval(*terms, confidence=level)[1]) / results.sd)
        if not self.is_mean and self.quantity.judged_interval is not None:
            return max(1.0, self.quantity.judged_interval[1] / self.quantity.value)
        if self.df == inf:
            return 1.0
        return sqrt(self.df / float(chi_square_quantile((1 - judged_level(self.quantity.level)) / 2, self.df)))

    @property
    def _results(self) -> SingleResults:
        distribution = self.quantity.estimate.distribution
        assert isinstance(distribution, SingleResults)
        return distribution

    # ----------------------------------------------------------------------------------------------------- verdicts

    def met(self, truth: Truth, draws: EstimateDraws) -> Bools:
        """Whether each simulated study meets the requirement, shape (studies,)."""
        if self.is_results:
            return self._share_met(truth, draws)
        return self._mean_met(truth, draws) if self.is_mean else self._size_met(truth, draws)

    def _mean_met(self, truth: Truth, draws: EstimateDraws) -> Bools:
        error = truth.scatter * (self.quantity.standard_uncertainty or 0.0)
        difference = truth.shift + error * draws.mean_error(*self.place, min(self.df, 1e6))
        if self.row.rule == "point":
            return np.abs(difference) <= self.limit if self.about_target else difference <= self.limit
        spread = error * np.sqrt(draws.of_runs(*self.place, min(self.df, 1e6)))
        low, high = mean_interval(difference, spread, self.df, judged_level(self.quantity.level))
        return self._interval_met(low, high)

    def _size_met(self, truth: Truth, draws: EstimateDraws) -> Bools:
        scatter, distribution = truth.scatter, self.quantity.estimate.distribution
        level = judged_level(self.quantity.level)
        if not isinstance(distribution, SumOfMeanSquares):
            size = scatter * self.quantity.value * np.sqrt(draws.within_runs(*self.place, self.df))
            low, high = (size, size) if self.row.rule == "point" else sd_interval(size, self.df, level)
            return self._interval_met(low, high)
        squares, raised = self._mean_squares(distribution, scatter, draws)
        if self.row.rule == "point":
            size = np.sqrt(sum(c * square for c, square in zip(distribution.coefficients, raised, strict=True)))
            return self._interval_met(size, size)
        low, high = guarded_sum_interval(distribution.coefficients, squares, raised, distribution.dfs, confidence=level)
        return self._interval_met(np.sqrt(low), np.sqrt(high))

    def _share_met(self, truth: Truth, draws: EstimateDraws) -> Bools:
        results = self._results
        squares, raised = self._mean_squares(results, truth.scatter, draws)
        error = truth.scatter * sqrt(results.coefficients[0] * results.raised[0] / results.groups)
        centre = truth.shift + error * draws.mean_error(*self.place, results.dfs[0])
        terms = results.coefficients, squares, raised, results.dfs
        level = judged_level(self.quantity.level)
        _, high = reach_interval(centre, results.groups, *terms, content=self.content, level=level)
        return np.asarray(high <= self.limit)

    def _mean_squares(
        self, of: SumOfMeanSquares | SingleResults, scatter: float, draws: EstimateDraws
    ) -> tuple[list[Floats], list[Floats]]:
        """Mean squares drawn about the observed ones, none truly smaller than the stage below explains; and raised."""
        first, *others = of.dfs
        chances = [draws.of_runs(*self.place, first), *(draws.within_runs(*self.place, df) for df in others)]
        squares = [scatter**2 * square * chance for square, chance in zip(of.raised, chances, strict=True)]
        return squares, raised_squares(of.coefficients, squares)

    def _interval_met(self, low: Any, high: Any) -> Bools:
        """The rule of the row on intervals: of differences from the target where the limit is a half-width."""
        if self.row.rule == "lower bound":
            return np.asarray(low >= self.limit)
        if self.row.rule == "equivalence":
            return np.asarray((-self.limit <= low) & (high <= self.limit))
        return np.asarray(high <= self.limit)


def raised_squares(coefficients: Sequence[float], squares: Sequence[Floats]) -> list[Floats]:
    """Each mean square, or what the stage below explains where that is more; stages as in `precision`."""
    if len(squares) == 1:
        return list(squares)
    *above, last = squares
    # Readings of one preparation: the last coefficient is 1 - 1/m, and 1/m of their mean square is in the stage above.
    share = 1 - coefficients[-1] if coefficients[0] == 1 or len(squares) == 3 else 1.0
    raised = [last]
    for square in reversed(above):
        below = raised[0] * share if len(raised) == 1 else raised[0]
        raised.insert(0, np.maximum(square, below))
    return raised


def simulated_rows(rows: Sequence[RequirementResult], quantities: Sequence[Quantity]) -> list[SimulatedRow]:
    """The rows whose estimate has a stated error, with it."""
    by_place = {(quantity.key, quantity.at): quantity for quantity in quantities}
    simulated = []
    for row in rows:
        info = find_key(row.quantity)
        key = row.quantity if info is None else info.pair[0] if info.pair else info.key
        quantity = by_place.get((key, row.at))
        if quantity is not None and row.limit is not None and _has_error(quantity, row.limit):
            simulated.append(SimulatedRow(row, quantity))
    return simulated


def _has_error(quantity: Quantity, limit: float) -> bool:
    """Whether the estimate can be drawn again: a mean needs its error, a size its degrees of freedom and a limit."""
    if isinstance(quantity.estimate.distribution, SingleResults):
        return limit > 0
    error, df = quantity.standard_uncertainty, quantity.degrees_of_freedom
    if quantity.estimate.distribution is None:
        return False
    return error > 0 if error is not None else df is not None and quantity.value > 0 and limit > 0
