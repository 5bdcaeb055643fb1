"""What definitions of detection limits attain in the design of one study: chances of a false and a missed detection.

Both are averaged over studies of that design: alpha is the chance that a further blank reads above the estimated
critical value, beta that a sample at the estimated detection limit reads below it, normal scatter and a further run
meant. Exact where the distribution is known, else from simulated studies with a fixed seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, sqrt
from typing import Any

import numpy as np
from scipy import special

from validation.stats.detection import LinearSdLimits, blank_sd, iupac_runs_multiplier, noncentrality
from validation.stats.intervals import t_quantile
from validation.stats.lines import Floats, Lines, weighted_lines
from validation.stats.low_range import CountedLimits, Ints, RunSpread
from validation.stats.over_slope import not_told_apart

#: Simulated studies: the error of a rate near 5 % is a tenth or two of a point.
STUDIES = 1000
_SEED = 20_000_225
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)


@dataclass(frozen=True, slots=True)
class Rates:
    """Attained chances.

    Attributes
    ----------
    alpha, beta : of a false and of a missed detection
    error : the larger of their Monte Carlo errors; None where they are exact
    studies : how many were simulated; None where they are exact
    """

    alpha: float
    beta: float
    error: float | None = None
    studies: int | None = None


def beyond(k: float, sizes: Sequence[int], share: float, *, about_mean: bool = True) -> float:
    """Chance that a reading of a further run lies more than k s above the mean of earlier ones, s taken over all.

    The event is that a quadratic form with one positive eigenvalue exceeds zero on its upper side. Craig's integral of
    the normal tail makes its chance an integral over a finite range, of a product over the eigenvalues.

    Parameters
    ----------
    k : standard deviations, 0 or above
    sizes : readings of each run, two or more in all
    share : of the variance of a reading that lies between runs, from 0 to 1
    about_mean : above the mean of the readings; False: above their true mean

    Returns
    -------
    float, probability; 1/2 for k = 0

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    Craig 1991, IEEE MILCOM, 571 (normal tail as a finite integral; from memory).

    Examples
    --------
    Independent readings: Student's t. Its one-sided 5 % point on 9 degrees of freedom is 1.833 in every table.

    >>> round(beyond(1.833 * (1 + 1 / 10) ** 0.5, [10], 0.0), 4)
    0.05
    """
    n = np.asarray(sizes, dtype=float)
    total, scale = n.sum(), np.sqrt(np.concatenate([[1.0], share + (1 - share) / n]))
    toward = np.concatenate([[1.0], -n / total if about_mean else 0 * n])
    squares = np.zeros((n.size + 1, n.size + 1))
    squares[1:, 1:] = np.diag(n) - np.outer(n, n) / total
    form = np.outer(toward, toward) - k**2 / (total - 1) * squares
    *negative, positive = np.linalg.eigvalsh(scale[:, None] * form * scale)
    within = k**2 * (1 - share) / (total - 1)
    sizes_of = np.maximum(-np.array(negative), 0.0) / positive
    sine = np.sin(pi / 4 * (_NODES + 1)) ** 2
    logs = np.log1p(sizes_of[:, None] / sine).sum(axis=0) + (total - n.size) * np.log1p(within / positive / sine)
    return float(_WEIGHTS @ np.exp(-logs / 2)) / 4


def blank_rates(
    critical: float, detection: float, sizes: Sequence[int], share: float, *, about_mean: bool = True
) -> Rates:
    """Of limits that lie `critical` and `detection` standard deviations of all blanks above their mean; exact.

    Parameters
    ----------
    critical, detection : unit 1, the first not above the second
    sizes, share, about_mean : as `beyond`

    Returns
    -------
    Rates

    Raises
    ------
    None.

    References
    ----------
    As `beyond`; the sample at the detection limit scatters as the blanks do.
    """
    return Rates(beyond(critical, sizes, share, about_mean=about_mean), beyond(detection - critical, sizes, share))


def runs_kept_rates(sizes: Sequence[int], share: float, *, alpha: float) -> Rates:
    """Of `iupac_1997_runs`, simulated: its multiplier depends on the readings.

    Parameters
    ----------
    sizes, share : as `beyond`; two runs or more
    alpha : probability claimed for both

    Returns
    -------
    Rates; alpha and beta are alike by symmetry

    Raises
    ------
    None.

    References
    ----------
    Simulation.
    """
    rng, n = np.random.default_rng(_SEED), np.sort(sizes)
    p, df_within, h = n.size, int(n.sum()) - n.size, n.size / float((1 / n).sum())
    means = rng.standard_normal((STUDIES, p)) * np.sqrt(share + (1 - share) / n)
    within = (1 - share) * (rng.chisquare(df_within, STUDIES) / df_within if df_within else np.zeros(STUDIES))
    s, k, _ = iupac_runs_multiplier(h * means.var(axis=1, ddof=1), within, (p - 1, df_within), h, alpha)
    mean = means.mean(axis=1)
    each = (special.ndtr(-(mean + k * s)) + special.ndtr(mean - k * s)) / 2
    return Rates(float(each.mean()), float(each.mean()), float(each.std()) / sqrt(STUDIES), STUDIES)


@dataclass(frozen=True, slots=True, eq=False)
class LineTruth:
    """What simulated calibrations are drawn from: the fitted line and scatter of one study, its design, its runs.

    Attributes
    ----------
    x, levels : shape (n,), and codes
    runs : shape (n,), codes; None where readings are independent
    slope : size, of the line
    constant, growth : s(x) = c + d x of a reading of a further run
    parts : shares of its variance: of a run at all levels, of a run at one level, of a reading
    """

    x: Floats
    levels: Ints
    runs: Ints | None
    slope: float
    constant: float
    growth: float
    parts: tuple[float, float, float]

    @classmethod
    def of(cls, x: Floats, y: Floats, levels: Ints, runs: Ints | None) -> LineTruth:
        """From one study, y of shape (n,) minus an offset.

        Runs that do not all read every level are left out of account; without replicates the scatter is that of the
        line, the same at every level.
        """
        order, runs = _canonical(x, runs)
        x, y, levels, runs = x[order], y[order], levels[order], None if runs is None else runs[order]
        line = weighted_lines(x, y[None, :])
        slope = float(np.abs(line.slope[0]))
        for known in (runs, None) if runs is not None else (None,):
            try:
                spread = RunSpread.of(x, y[None, :], levels, known)
            except ValueError:
                continue
            shared, between = float(spread.shared[0]), float(spread.between[0])
            within = min((1 - between) / (1 - 1 / spread.each) if spread.each > 1 else 0.0, 1 - shared)
            parts = (shared, 1 - shared - within, within)
            return cls(x, levels, known, slope, float(spread.constant[0]), float(spread.growth[0]), parts)
        return cls(x, levels, None, slope, float(line.residual_sd[0]), 0.0, (0.0, 0.0, 1.0))

    def sd(self, x: Any) -> Any:
        """s(x); nowhere below that at zero."""
        return self.constant + self.growth * np.maximum(x, 0.0)

    def readings(self, studies: int) -> Floats:
        """Responses about a line through zero, shape (studies, n)."""
        rng = np.random.default_rng(_SEED)
        errors = sqrt(self.parts[2]) * rng.standard_normal((studies, self.x.size))
        if self.runs is None:
            errors += sqrt(1 - self.parts[2]) * rng.standard_normal(errors.shape)
        else:
            runs, cells = (np.unique(code, return_inverse=True)[1] for code in (self.runs, self._cells))
            for part, code in ((self.parts[0], runs), (self.parts[1], cells)):
                errors += sqrt(part) * rng.standard_normal((studies, int(code.max()) + 1))[:, code]
        return self.slope * self.x + self.sd(self.x) * errors

    @property
    def _cells(self) -> Ints:
        assert self.runs is not None
        return np.asarray(self.levels * (int(self.runs.max()) + 1) + self.runs)

    def rates(self, line: Lines, critical: Floats, detection: Floats, given: Any) -> Rates | None:
        """Of the limits of simulated studies; None where hardly one has them. `given`: which have."""
        has = given & np.isfinite(detection) & (line.slope > 0)
        if has.sum() < STUDIES / 2:
            return None
        boundary = (line.intercept + line.slope * critical)[has]
        alpha = special.ndtr(-boundary / self.sd(0.0))
        beta = special.ndtr((boundary - self.slope * detection[has]) / self.sd(detection[has]))
        error = max(float(alpha.std()), float(beta.std())) / sqrt(float(has.sum()))
        return Rates(float(alpha.mean()), float(beta.mean()), error, int(has.sum()))


def _canonical(x: Floats, runs: Ints | None) -> tuple[Ints, Ints | None]:
    """An order of the readings and codes of the runs that the order of the worksheet does not change."""
    if runs is None:
        return np.argsort(x, kind="stable"), None
    held = {int(run): tuple(np.sort(x[runs == run]).tolist()) for run in np.unique(runs)}
    codes = {run: code for code, run in enumerate(sorted(held, key=lambda run: held[run]))}
    coded = np.array([codes[int(run)] for run in runs])
    return np.lexsort((coded, x)), coded


def ordinary_rates(truth: LineTruth, *, alpha: float) -> tuple[Rates | None, Rates | None]:
    """Of `iso_11843_2` and of `din_32645`; simulated.

    Parameters
    ----------
    truth : the study's own, over all levels
    alpha : probability claimed for both

    Returns
    -------
    Rates of each, unit 1, or None where most simulated studies have no limit

    Raises
    ------
    None.

    References
    ----------
    Simulation.
    """
    line = weighted_lines(truth.x, truth.readings(STUDIES))
    nu, sd = line.degrees_of_freedom, blank_sd(line)
    t, delta = t_quantile(1 - alpha, nu), noncentrality(nu, alpha=alpha, beta=alpha)
    given = ~not_told_apart(np.abs(line.slope) / line.slope_error, nu, alpha)
    return truth.rates(line, t * sd, delta * sd, given), truth.rates(line, t * sd, 2 * t * sd, given)


def low_range_rates(truth: LineTruth, *, alpha: float) -> tuple[Rates | None, Rates | None]:
    """Of `iso_11843_2_linear_sd` and of `iso_11843_2_counted`; simulated.

    Parameters
    ----------
    truth : the study's own, over the low levels, which hold replicates
    alpha : probability claimed for both

    Returns
    -------
    Rates of each, unit 1, or None where most simulated studies have no limit

    Raises
    ------
    None.

    References
    ----------
    Simulation.
    """
    y = truth.readings(STUDIES)
    old = LinearSdLimits.of(truth.x, y, truth.levels, alpha=alpha)
    new = CountedLimits.of(truth.x, y, truth.levels, truth.runs, alpha=alpha)
    known = ~not_told_apart(old.slope_t, old.line.degrees_of_freedom, alpha)
    counted = ~not_told_apart(new.slope_t, new.spread.effective_df(np.zeros(STUDIES)), alpha)
    return (
        truth.rates(old.line, old.critical, old.detection, known),
        truth.rates(new.line, new.critical, new.detection, counted),
    )
