"""Comparisons of two methods, many at once: differences, and lines with errors in both variables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import chi2, nct
from scipy.stats import t as t_distribution

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.rates import Array, Ends, Group, Place, about, holds
from validation.selftest.simulation.runs import CONFIDENCE, JUDGED
from validation.stats.intervals import sd_interval

SLOPE, INTERCEPT = 1.02, 0.05
DECISION = 4.0

LIMITS_GROW = (
    "The limits of agreement belong to differences of equal scatter; where it grows with the level, one pair of limits "
    "cannot be right at every level."
)
JACKKNIFE = (
    "Deming's jackknife with few samples, a few of them far out and scattering most, covers too little; York's line "
    "with the uncertainties that grow covers."
)
KENDALL = (
    "The limits of Passing and Bablok rest on the signs of pairs, which errors that grow with the level do not keep "
    "alike; the intercept's are those of the slope's two lines."
)
UNKNOWN_SCATTER = (
    "Scatter of the samples that their uncertainties do not explain: York's interval is scaled where it shows, which "
    "it does not always with few samples."
)


#: What the published limits of the intercept attain where the scatter is equal: documented, and expected.
PUBLISHED_INTERCEPT = 0.86


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of each method's result at level x, and of the sample's own part in the candidate."""

    words: str
    constant: float
    growth: float
    own: float = 0.0

    def sd(self, x: Array) -> Array:
        """Of one method's result."""
        return self.constant + self.growth * x


EQUAL = Scatter("s = 0.1 in both methods", 0.1, 0.0)
GROWING = Scatter("s = 0.03 + 0.018 x in both methods", 0.03, 0.018)
OWN = Scatter("s = 0.03 + 0.018 x in both, samples' own part 2 %", 0.03, 0.018, 0.02)


def levels(n: int) -> Array:
    """True levels from 0.5 to 10, most of them low, as samples come."""
    return 0.5 * 20.0 ** (np.arange(n) / (n - 1))


def readings(
    rng: np.random.Generator, studies: int, n: int, scatter: Scatter, slope: float = SLOPE, intercept: float = INTERCEPT
) -> tuple[Array, Array]:
    """Reference and candidate, each (studies, n)."""
    x = levels(n)
    reference = x + scatter.sd(x) * rng.standard_normal((studies, n))
    own = scatter.own * x * rng.standard_normal((studies, n))
    return reference, intercept + slope * x + own + scatter.sd(x) * rng.standard_normal((studies, n))


def deming_of(x: Array, y: Array, ratio: float = 1.0, at: float = DECISION) -> tuple[Array, Array]:
    """Slope, intercept and difference at a level, and their jackknife standard errors; each (3, studies)."""
    n = x.shape[1]
    mx, my = x.mean(axis=1, keepdims=True), y.mean(axis=1, keepdims=True)
    dx, dy = x - mx, y - my
    sums = [(a * b).sum(axis=1, keepdims=True) for a, b in ((dx, dx), (dx, dy), (dy, dy))]
    value = _three(_slope(sums, ratio), mx, my, at)[:, :, 0]
    # Sums of squares without one point follow from those of all.
    lessened = [total - n / (n - 1) * a * b for total, (a, b) in zip(sums, ((dx, dx), (dx, dy), (dy, dy)), strict=True)]
    left_out = _three(_slope(lessened, ratio), mx - dx / (n - 1), my - dy / (n - 1), at)
    return value, np.sqrt((n - 1) * left_out.var(axis=2))


def _slope(sums: Sequence[Array], ratio: float) -> Array:
    sxx, sxy, syy = sums
    difference = syy - ratio * sxx
    return (difference + np.sqrt(difference**2 + 4 * ratio * sxy**2)) / (2 * sxy)


def _three(slope: Array, mx: Array, my: Array, at: float) -> Array:
    intercept = my - slope * mx
    return np.stack([slope, intercept, intercept + (slope - 1) * at])


def deming_intervals(x: Array, y: Array, confidence: float = CONFIDENCE) -> list[Ends]:
    """Of slope, intercept and `difference_at` the decision level."""
    value, error = deming_of(x, y)
    t = t_distribution.ppf((1 + confidence) / 2, x.shape[1] - 2)
    return [about(value[i], t * error[i]) for i in range(3)]


def passing_bablok_of(x: Array, y: Array, confidence: float = CONFIDENCE) -> tuple[Array, Array, Ends, Ends]:
    """Slope, intercept and their intervals, as `passing_bablok` gives them without ties; levels above zero."""
    n = x.shape[1]
    first, second = np.triu_indices(n, 1)
    slopes = np.sort((y[:, second] - y[:, first]) / (x[:, second] - x[:, first]), axis=1)
    count, shift = slopes.shape[1], (slopes < -1).sum(axis=1)

    def at(position: NDArray[np.int_]) -> Array:
        return np.take_along_axis(slopes, position[:, None], 1)[:, 0]

    slope = at(count // 2 + shift)
    if count % 2 == 0:
        slope = (slope + at(count // 2 - 1 + shift)) / 2
    reach = float(ndtri((1 + confidence) / 2)) * (n * (n - 1) * (2 * n + 5) / 18) ** 0.5
    low_rank = int(np.floor((count - reach) / 2 + 0.5))
    ends = at(low_rank + shift - 1), at(np.minimum(count - low_rank + shift, count - 1))
    intercept, *bounds = (np.median(y - b[:, None] * x, axis=1) for b in (slope, *ends))
    low, high = np.minimum(*bounds), np.maximum(*bounds)
    return slope, intercept, ends, (np.minimum(low, intercept), np.maximum(high, intercept))


def york_of(x: Array, y: Array, u_x: Array, u_y: Array, confidence: float = CONFIDENCE) -> list[Ends]:
    """Intervals of slope and intercept, as `york` gives them; the uncertainties of shape (n,)."""
    w_x, w_y, n = 1 / u_x**2, 1 / u_y**2, x.shape[1]
    centred = x - x.mean(axis=1, keepdims=True)
    slope = ((centred * y).sum(axis=1) / (centred**2).sum(axis=1))[:, None]

    def parts(b: Array) -> tuple[Array, Array, Array, Array]:
        weights = w_x * w_y / (w_x + b**2 * w_y)
        mx, my = ((weights * v).sum(axis=1, keepdims=True) / weights.sum(axis=1, keepdims=True) for v in (x, y))
        return weights, mx, my, weights * ((x - mx) / w_y + b * (y - my) / w_x)

    for _ in range(60):
        weights, mx, my, beta = parts(slope)
        slope = (weights * beta * (y - my)).sum(axis=1, keepdims=True) / (weights * beta * (x - mx)).sum(
            axis=1, keepdims=True
        )
    weights, mx, my, beta = parts(slope)
    total = weights.sum(axis=1)
    adjusted = mx + beta
    middle = (weights * adjusted).sum(axis=1) / total
    u_slope = 1 / np.sqrt((weights * (adjusted - middle[:, None]) ** 2).sum(axis=1))
    u_intercept = np.sqrt(1 / total + (middle * u_slope) ** 2)
    chi_squared = (weights * (y - my - slope * (x - mx)) ** 2).sum(axis=1)
    beyond = chi2.sf(chi_squared, n - 2) < 0.05
    t, z = float(t_distribution.ppf((1 + confidence) / 2, n - 2)), float(ndtri((1 + confidence) / 2))
    k = np.where(beyond, t * np.sqrt(chi_squared / (n - 2)), z)
    return [about(slope[:, 0], k * u_slope), about((my - slope * mx)[:, 0], k * u_intercept)]


def difference_intervals(d: Array, confidence: float = CONFIDENCE) -> tuple[Ends, Ends, Ends]:
    """Of the mean difference, of its standard deviation, of the upper limit of agreement."""
    n, mean, s = d.shape[1], d.mean(axis=1), d.std(axis=1, ddof=1)
    z = float(ndtri(0.975))
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    near, far = (float(nct.ppf(tail, n - 1, z * n**0.5)) / n**0.5 for tail in tails)
    return (
        about(mean, t_distribution.ppf((1 + confidence) / 2, n - 1) * s / n**0.5),
        sd_interval(s, n - 1, confidence),  # type: ignore[return-value]
        (mean + min(near, z) * s, mean + max(far, z) * s),
    )


def line_rows(n: int, scatter: Scatter):
    """Lines with errors in both methods."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        x, y = readings(rng, studies, n, scatter)
        place = Place("comparison", f"{n} samples from 0.5 to 10", scatter.words)
        true_difference = INTERCEPT + (SLOPE - 1) * DECISION
        grows = scatter is not EQUAL
        said = JACKKNIFE if grows else ""
        slope, intercept, difference = deming_intervals(x, y)
        _, _, pb_slope, pb_intercept = passing_bablok_of(x, y)
        u = scatter.sd(levels(n))
        known = york_of(x, y, u, u)
        york_note = UNKNOWN_SCATTER if scatter.own else ""
        met = deming_intervals(x, y, JUDGED)[2][1] <= true_difference
        return [
            place.row("Deming slope", 0.95, holds(slope, SLOPE), note=said),
            place.row("Deming intercept", 0.95, holds(intercept, INTERCEPT), note=said),
            place.row("difference at 4 (Deming)", 0.95, holds(difference, true_difference), note=said),
            place.row("difference at 4 at the upper limit: met by equivalence", 0.05, met, note=said),
            place.row("York slope, known uncertainties", 0.95, holds(known[0], SLOPE), note=york_note),
            place.row("York intercept, known uncertainties", 0.95, holds(known[1], INTERCEPT), note=york_note),
            place.row("Passing-Bablok slope", 0.95, holds(pb_slope, SLOPE), note=KENDALL),
            place.row(
                "Passing-Bablok intercept",
                0.95,
                holds(pb_intercept, INTERCEPT),
                known=None if grows else PUBLISHED_INTERCEPT,
                note=KENDALL,
            ),
        ]

    return simulate


def difference_rows(n: int, scatter: Scatter):
    """Differences, candidate minus reference."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        x, y = readings(rng, studies, n, scatter, slope=1.0)
        place = Place("comparison", f"{n} samples from 0.5 to 10", scatter.words)
        sd = float((2 * scatter.sd(levels(n)) ** 2 + (scatter.own * levels(n)) ** 2).mean()) ** 0.5
        mean, spread, upper = difference_intervals(y - x)
        said = LIMITS_GROW if scatter is not EQUAL else ""
        met = difference_intervals(y - x, JUDGED)[0][1] <= INTERCEPT
        return [
            place.row("mean difference", 0.95, holds(mean, INTERCEPT)),
            place.row("mean difference at the upper limit: met by equivalence", 0.05, met),
            place.row("standard deviation of differences", 0.95, holds(spread, sd), note=said),
            place.row("limit of agreement", 0.95, holds(upper, INTERCEPT + float(ndtri(0.975)) * sd), note=said),
        ]

    return simulate


def groups() -> list[Group]:
    """Every design and truth."""
    sizes: Sequence[int] = (10, 20, 40)
    made = []
    for n in sizes:
        for scatter in (EQUAL, GROWING, OWN):
            name = f"{n}, {scatter.words}"
            few = 2000 if n == 40 and scatter is EQUAL else None
            made.append(Group(f"lines of pairs: {name}", 4000, few, line_rows(n, scatter)))
            made.append(Group(f"differences: {name}", 10_000, few, difference_rows(n, scatter)))
    return made
