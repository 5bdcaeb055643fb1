"""Critical value and detection limit of a line whose scatter, slope and runs are all counted as estimated.

ISO 11843-2 takes the fitted s(x) as known on the degrees of freedom of the line, and all readings as independent. Here
each of these is counted, for many calibrations at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from validation.stats.detection import DetectionResult
from validation.stats.estimate import Number, centre
from validation.stats.intervals import t_quantile
from validation.stats.lines import Floats, Lines, weighted_lines
from validation.stats.mean_squares import group_sums
from validation.stats.over_slope import NEVER_DETECTABLE, SolvedLimits, not_told_apart, over_slope, without_slope
from validation.stats.variance_function import linear_sd_many

SOURCE = (
    "ISO 11843-2:2000, standard deviation linear in the level, K = 1 (clause from memory), with s, slope and runs "
    "counted as estimated: Satterthwaite 1946 (from memory), own form, rates simulated"
)
FORMULA = "weighted line, s(x) = c + d x: (t u(0))/b; (t u(0) + t u(x_D))/b, solved for x_D; u of a further reading"
_ROUNDS = 3  # of t at the degrees of freedom of x_D
Ints = NDArray[np.int_]


@dataclass(frozen=True, slots=True, eq=False)
class RunSpread:
    """s(x) = c + d x of a reading of a further run, and how runs share it; one value a study.

    The variance at each level is V + (1 - 1/h) W with V the variance of the run means, W that within runs, h the
    readings a run; without runs it is that of the readings. Readings divided by s(x) have the variance 1, of which
    `between` lies between the run means of a level, and `shared` is common to all levels of a run.

    Attributes
    ----------
    at : shape (levels,), x of each level, none below zero
    constant, growth : c and d
    between, shared : shares of the variance of a reading; 1 and 0 without runs
    runs : how many; 0 where readings are independent
    each : harmonic mean of the readings of a run at a level
    relative : shape (studies, levels), var(s^2) / (2 s^4) of each level, the reciprocal of its degrees of freedom
    """

    at: Floats
    constant: Floats
    growth: Floats
    between: Floats
    shared: Floats
    runs: int
    each: float
    relative: Floats

    @classmethod
    def of(cls, x: Floats, y: Floats, levels: Ints, runs: Ints | None) -> RunSpread:
        """From x of shape (n,), y of shape (studies, n), and codes of levels and runs of shape (n,); None: no runs.

        Raises
        ------
        ValueError
            A run that does not read every level, fewer than two levels with replicates, or none that scatter.
        """
        codes = np.unique(levels)
        at = np.array([max(float(x[levels == code].mean()), 0.0) for code in codes])
        # One run shows nothing of what runs differ by.
        independent = runs is None or np.unique(runs).size < 2
        return cls._independent(at, y, levels) if runs is None or independent else cls._in_runs(at, y, levels, runs)

    @classmethod
    def _independent(cls, at: Floats, y: Floats, levels: Ints) -> RunSpread:
        order, counts = np.argsort(levels, kind="stable"), np.unique(levels, return_counts=True)[1]
        _, sums = group_sums(y[:, order], counts)
        df = counts.astype(float) - 1
        constant, growth = _fitted(at, sums, df)
        one = np.ones(len(y))
        with np.errstate(divide="ignore"):
            relative = np.broadcast_to(1 / df, sums.shape)
        return cls(at, constant, growth, one, 0 * one, 0, 1.0, relative)

    @classmethod
    def _in_runs(cls, at: Floats, y: Floats, levels: Ints, runs: Ints) -> RunSpread:
        p, m = len(np.unique(runs)), at.size
        order = np.lexsort((runs, levels))
        cells, counts = np.unique(np.stack([levels, runs]), axis=1, return_counts=True)
        if cells.shape[1] != p * m:
            raise ValueError(f"every run must read every level; got {cells.shape[1]} of {p * m} pairs of run and level")
        means, sums = (part.reshape(len(y), m, p) for part in group_sums(y[:, order], counts))
        each, df_within = p * m / float((1 / counts).sum()), counts.reshape(m, p).sum(axis=1) - p
        within = sums.sum(axis=2) / np.maximum(df_within, 1)
        variances = means.var(axis=2, ddof=1) + (1 - 1 / each) * within
        constant, growth = _fitted(at, variances * (p - 1 + df_within), p - 1.0 + df_within)
        s = constant[:, None] + growth[:, None] * at
        between, shared = _shares(means / s[:, :, None], variances / s**2)
        within_part = np.divide((1 - between[:, None]) ** 2, df_within, out=np.zeros(s.shape), where=df_within > 0)
        return cls(at, constant, growth, between, shared, p, each, between[:, None] ** 2 / (p - 1) + within_part)

    def sd(self, x: Floats) -> Floats:
        """s at one x a study."""
        return self.constant + self.growth * x

    def effective_df(self, x: Floats) -> Floats:
        """Degrees of freedom of s(x)^2 at one x a study, as those of a line through the levels' s, by Satterthwaite.

        What runs share at all levels counts once; the rest is averaged over the levels. A line is meant also where s
        did not grow: whether it does was not known before.
        """
        of_runs = self.shared**2 / (self.runs - 1) if self.runs else 0 * self.shared
        s = self.constant[:, None] + self.growth[:, None] * self.at
        weights = 1 / np.maximum((self.relative - of_runs[:, None]) * s**2, 1e-9 * self.relative * s**2)
        total = weights.sum(axis=1)
        middle = (weights * self.at).sum(axis=1) / total
        about = (weights * (self.at - middle[:, None]) ** 2).sum(axis=1)
        # No fewer than one: where s at zero is an extrapolation, its error can exceed itself.
        return np.maximum(1.0, 1 / (of_runs + (1 / total + (x - middle) ** 2 / about) / self.sd(x) ** 2))


def _fitted(at: Floats, sums: Floats, df: Floats) -> tuple[Floats, Floats]:
    """c and d of greatest likelihood, shape (studies,)."""
    if np.count_nonzero(df > 0) < 2:
        raise ValueError(f"levels must hold replicates at two levels or more; got {np.count_nonzero(df > 0)}")
    if not sums.any(axis=1).all():
        raise ValueError("the replicates must scatter; all agree to the last digit")
    constant, growth = linear_sd_many(at, sums[:, None, :], df[None, None, :])
    return constant[:, 0], growth[:, 0]


def _shares(means: Floats, variances: Floats) -> tuple[Floats, Floats]:
    """Shares of the variance between run means, and common to all levels of a run; means of shape (studies, m, p)."""
    m, p = means.shape[1:]
    deviations = means - means.mean(axis=2, keepdims=True)
    own = (deviations**2).sum(axis=(1, 2)) / (p - 1)
    common = ((deviations.sum(axis=1) ** 2).sum(axis=1) / (p - 1) - own) / (m * (m - 1))
    total = variances.mean(axis=1)
    between = np.minimum(own / m / total, 1.0)
    return between, np.clip(common / total, 0.0, between)


@dataclass(frozen=True, slots=True, eq=False)
class CountedLimits:
    """The limits of `iso_11843_2_counted` of many calibrations on the same levels; one value a study.

    Attributes
    ----------
    spread : s(x) and the runs
    line : fitted with weights 1 / s^2
    critical : x_C
    solved : what x_D solves
    slope_t : size of the slope over its standard error
    """

    spread: RunSpread
    line: Lines
    critical: Floats
    solved: SolvedLimits
    slope_t: Floats

    @classmethod
    def of(cls, x: Floats, y: Floats, levels: Ints, runs: Ints | None, *, alpha: float) -> CountedLimits:
        """From x of shape (n,), y of shape (studies, n) minus an offset, and the codes of levels and runs.

        Raises
        ------
        ValueError
            As `RunSpread.of`.
        """
        spread = RunSpread.of(x, y, levels, runs)
        line = weighted_lines(x, y, 1 / (spread.constant[:, None] + spread.growth[:, None] * np.maximum(x, 0.0)) ** 2)
        c, d, b = spread.constant, spread.growth, np.abs(line.slope)
        # Variance of a reading of a further run minus the line at x, q0 + q1 x + q2 x^2: what runs share scatters as
        # s(x)^2 / p about the line too, and the rest as the line of independent run means.
        own = (spread.between - spread.shared) * spread.each
        of_runs = spread.shared / spread.runs if spread.runs else 0 * c
        least, bend = 1 / line.weight_sum, own / line.x_sum_of_squares
        q0 = (1 + of_runs) * c**2 + own * least + bend * line.x_mean**2
        q1, q2 = 2 * ((1 + of_runs) * c * d - bend * line.x_mean), (1 + of_runs) * d**2 + bend
        t = t_quantile(1 - alpha, spread.effective_df(np.zeros_like(c)))
        critical = t * np.sqrt(q0) / b
        for _ in range(_ROUNDS):
            solved = SolvedLimits(critical, t / b, (q0, q1, q2))
            at = solved.at(1.0)
            t = t_quantile(1 - alpha, spread.effective_df(np.where(np.isfinite(at), at, 0.0)))
        return cls(spread, line, critical, solved, b / np.sqrt(of_runs * d**2 + bend))

    @property
    def detection(self) -> Floats:
        """x_D; infinite where there is none."""
        return self.solved.at(1.0)


def iso_11843_2_counted(
    x: Sequence[Number], y: Sequence[Number], levels: Sequence[int] | Ints, runs: Ints | None, *, alpha: float = 0.05
) -> DetectionResult:
    """The limits of `iso_11843_2_linear_sd` with s, the slope and the runs counted as estimated.

    s(x) = c + d x is of greatest likelihood (the mean of an estimated s lies below the truth, that of its square does
    not). u(x)^2 is the variance of a reading of a further run minus the line at x. x_C = t u(0) / b with t on
    Satterthwaite's degrees of freedom of s(0)^2; x_D = (t u(0) + t u(x_D)) / b with the second t on those of s(x_D)^2:
    the level at which a reading exceeds x_C with probability 1 - beta, averaged over studies.

    Parameters
    ----------
    x, y : shape (n,)
    levels : shape (n,), codes of the groups of replicates
    runs : shape (n,), codes of the runs, each of which reads every level; None where readings are independent
    alpha : probability of a false detection, and of a missed one

    Returns
    -------
    DetectionResult in units of x, without a quantification limit; without any limit, and with a note, where the slope
    is not told apart from zero

    Raises
    ------
    ValueError
        Fewer than two levels with replicates, no scatter, slope zero, or a run that does not read every level.

    References
    ----------
    ISO 11843-2:2000; Satterthwaite 1946, Biometrics 2, 110; Davidian and Carroll 1987, J. Amer. Statist. Assoc. 82,
    1079 (all from memory). Own form; what it attains is in docs/coverage.md.

    Examples
    --------
    Equal scatter at two levels, four readings each of standard deviation 1 and slope 10: u(0)^2 = 1 + 1/4 at level
    zero, on the three degrees of freedom of that level; Student's t there is 2.353 in every table.

    >>> wave = [(3 / 2) ** 0.5 * sign / 2**0.5 for sign in (1, -1, 1, -1)]
    >>> x, y = [0.0] * 4 + [1.0] * 4, wave + [10 + step for step in wave]
    >>> limit = iso_11843_2_counted(x, y, [0] * 4 + [1] * 4, None).critical_value
    >>> round(10 * limit.value / 1.25**0.5, 3), round(limit.degrees_of_freedom, 6)
    (2.353, 3.0)
    """
    _, small = centre(y, "y")
    xs, n = np.array([float(value) for value in x]), small.size
    limits = CountedLimits.of(xs, small[None, :], np.asarray(levels, dtype=int), runs, alpha=alpha)
    if limits.line.slope[0] == 0:
        raise ValueError("the line must have a slope other than zero; got 0")
    slope_t, value = float(limits.slope_t[0]), float(limits.critical[0])
    at = np.where(np.isfinite(limits.detection), limits.detection, 0.0)
    of_critical, of_detection = (float(limits.spread.effective_df(where)[0]) for where in (np.zeros(1), at))
    if not_told_apart(slope_t, of_critical, alpha):
        return DetectionResult(None, None, None, FORMULA, (without_slope(slope_t, of_critical, alpha),))
    detection = limits.solved.of_study(0, of_detection, slope_t, n=n, source=SOURCE)
    return DetectionResult(
        critical_value=over_slope(value, of_critical, slope_t, n=n, source=SOURCE),
        detection_limit=detection,
        quantification_limit=None,
        formula=FORMULA,
        notes=() if detection else (NEVER_DETECTABLE,),
    )
