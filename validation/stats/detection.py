"""Detection and quantification limits under their several definitions. Each definition is one function.

Limits from blanks are of the form mean + k * s, in result units; limits from a calibration line are in units of its x,
that is a standard deviation of the response over an estimated slope. One future reading is meant throughout (K = 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from validation.stats.confidence import ConfidenceDistribution, NormalPercentile
from validation.stats.estimate import Estimate, Number, centre, check_sizes
from validation.stats.intervals import (
    Interval,
    joined_interval,
    satterthwaite,
    t_quantile,
)
from validation.stats.lines import Floats, Lines, weighted_lines
from validation.stats.one_way import ALL_ALIKE, one_way
from validation.stats.over_slope import (
    NEVER_DETECTABLE,
    SolvedLimits,
    factors_of_one,
    not_told_apart,
    over_slope,
    without_slope,
)
from validation.stats.regression import PolynomialResult

BLANK_SOURCE = "common practice (mean blank + 3 s and + 10 s)"
IUPAC_SOURCE = "Currie, IUPAC Recommendations 1995, Pure Appl. Chem. 67, 1699 (from memory); 1997 notation"
IUPAC_RUNS_SOURCE = (
    "Currie, IUPAC Recommendations 1995, Pure Appl. Chem. 67, 1699, for a reading of a further run: one-way random "
    "model, Satterthwaite's degrees of freedom; interval: Zou and Donner 2008, Stat. Med. 27, 1693 (all from memory)"
)
ISO_SOURCE = "ISO 11843-2:2000, constant residual standard deviation, K = 1 (clause from memory)"
ISO_LINEAR_SOURCE = "ISO 11843-2:2000, standard deviation linear in the level, K = 1 (clause from memory)"
DIN_SOURCE = "DIN 32645:2008, calibration line, m = 1, k = 3 (from memory)"
SPIKED_SOURCE = "40 CFR 136, Appendix B: t(0.99, n - 1) times s of spiked replicates"

#: 40 CFR 136 Appendix B fixes 99 %, whatever the confidence of the study.
SPIKED_CONFIDENCE = 0.99
NO_QUANTIFICATION = "The relative half-width never falls to 1/k on this line: no quantification limit exists."
NEVER_FALLS = "No interval: at its upper end the relative half-width never falls to 1/k."
_REWEIGHTS = 3  # ISO 11843-2 finds three rounds enough (from memory)


@dataclass(frozen=True, slots=True)
class DetectionResult:
    """The limits of one definition; a limit that it does not know is None. All in one unit.

    Attributes
    ----------
    critical_value, detection_limit, quantification_limit : in one unit; None where the definition knows none
    formula : in words
    notes : whole sentences
    """

    critical_value: Estimate | None
    detection_limit: Estimate | None
    quantification_limit: Estimate | None
    formula: str
    notes: tuple[str, ...] = ()


def noncentrality(degrees_of_freedom: float, *, alpha: float = 0.05, beta: float = 0.05) -> float:
    """delta(nu; alpha; beta): a non-central t with it exceeds t(1 - alpha, nu) with probability 1 - beta.

    Parameters
    ----------
    degrees_of_freedom : above 0
    alpha, beta : probabilities of a false and of a missed detection

    Returns
    -------
    float, the non-centrality, unit 1

    Raises
    ------
    ValueError
        Degrees of freedom or probabilities for which there is no root.

    References
    ----------
    ISO 11843-2:2000 (clause from memory); Currie 1995, Pure Appl. Chem. 67, 1699.

    Examples
    --------
    Currie, IUPAC Recommendations 1995 (from memory): 4.07 with 4 degrees of freedom, 3.29 with very many.

    >>> round(noncentrality(4), 2), round(noncentrality(1e7), 2)
    (4.07, 3.29)
    """
    t = t_quantile(1 - alpha, degrees_of_freedom)
    # 2t overshoots delta (delta is near 2t * 4nu / (4nu + 1)); the lower end misses far more often than beta.
    # Not special.nctdtrinc, the same in one call: it is 2e-8 to 5e-7 off.
    return float(optimize.brentq(lambda d: special.nctdtr(degrees_of_freedom, d, t) - beta, 0.0, 4 * t + 2, xtol=1e-12))


def mean_plus_k_sd(values: Sequence[Number], k: float, *, source: str = "") -> Estimate:
    """mean + k s of normal readings, with the exact interval of mu + k sigma.

    sqrt(n) (mean - mu - k sigma) / s follows a non-central t with n - 1 degrees of freedom and non-centrality
    -k sqrt(n).

    Parameters
    ----------
    values : shape (n,), n >= 2
    k : 0 or above
    source : what the estimate cites

    Returns
    -------
    Estimate in the unit of the values

    Raises
    ------
    ValueError
        Fewer than two values, values that are all alike, or one that is not finite.

    References
    ----------
    Hahn and Meeker, Statistical Intervals, 1991, section 4.4 (percentiles of a normal population; from memory).
    """
    mean, sd, n = _mean_sd(values)
    distribution = NormalPercentile(mean, sd, n, k)
    return Estimate(mean + k * sd, distribution, degrees_of_freedom=float(n - 1), n=n, units=n, source=source)


def blank_3s(blanks: Sequence[Number]) -> DetectionResult:
    """mean blank + 3 s and + 10 s. No error rate is attached to them, hence no critical value.

    Parameters
    ----------
    blanks : shape (n,), n >= 2, readings of blanks in result units

    Returns
    -------
    DetectionResult in the unit of the blanks, without a critical value

    Raises
    ------
    ValueError
        Fewer than two values, values that are all alike, or one that is not finite.

    References
    ----------
    Common practice (no source attaches an error rate).
    """
    return DetectionResult(
        critical_value=None,
        detection_limit=mean_plus_k_sd(blanks, 3.0, source=BLANK_SOURCE),
        quantification_limit=mean_plus_k_sd(blanks, 10.0, source=BLANK_SOURCE),
        formula="mean blank + 3 s; mean blank + 10 s",
    )


def iupac_1997(blanks: Sequence[Number], *, alpha: float = 0.05) -> DetectionResult:
    """L_C = mean + t s sqrt(1 + 1/n), L_D at twice that distance from the mean, L_Q = mean + 10 s.

    Parameters
    ----------
    blanks : shape (n,), n >= 2, readings of blanks in result units
    alpha : probability of a false detection, taken for a missed one too

    Returns
    -------
    DetectionResult in the unit of the blanks

    Raises
    ------
    ValueError
        Fewer than two values, values that are all alike, or one that is not finite.

    References
    ----------
    Currie, IUPAC Recommendations 1995, Pure Appl. Chem. 67, 1699 (from memory).
    """
    n = len(blanks)
    if n < 2:
        raise ValueError(f"blanks must hold n >= 2 readings; got {n}")
    k = iupac_multiplier(n, alpha)
    critical, detection, quantification = (
        mean_plus_k_sd(blanks, factor, source=IUPAC_SOURCE) for factor in (k, 2 * k, 10.0)
    )
    return DetectionResult(
        critical_value=critical,
        detection_limit=detection,
        quantification_limit=quantification,
        formula="mean blank + t s sqrt(1 + 1/n); mean blank + 2 t s sqrt(1 + 1/n); mean blank + 10 s",
    )


def iupac_multiplier(n: int, alpha: float) -> float:
    """Standard deviations of `n` blanks from their mean to L_C, t sqrt(1 + 1/n); to L_D twice as many.

    Parameters
    ----------
    n : int, readings of blanks, 2 or more
    alpha : probability of a false detection

    Returns
    -------
    float, unit 1

    Raises
    ------
    None; NaN below two blanks.

    References
    ----------
    Currie, IUPAC Recommendations 1995, Pure Appl. Chem. 67, 1699 (from memory).
    """
    return float(t_quantile(1 - alpha, n - 1) * sqrt(1 + 1 / n))


def iupac_runs_multiplier(
    ms_between: Any, ms_within: Any, dfs: tuple[int, int], harmonic_n: float, alpha: float
) -> tuple[Any, Any, Any]:
    """s_T of blanks in runs, how many of it lie between the mean of the run means and L_C, and the degrees of freedom.

    Parameters
    ----------
    ms_between, ms_within : mean squares, the one between runs unweighted, not both zero; one value a study, or numbers
    dfs : int, between and within runs; without replicates the second is 0, and so is `ms_within`
    harmonic_n, alpha : float, harmonic mean of the run sizes; probability of a false detection

    Returns
    -------
    s_T in the unit of the blanks, the multiplier, Satterthwaite's degrees of freedom; one value a study, or numbers

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    As `iupac_1997_runs`: Currie, IUPAC Recommendations 1995; Satterthwaite 1946 (both from memory).
    """
    size, share = (2 if dfs[1] else 1), 1 / harmonic_n
    squares, coefficients = (ms_between, ms_within), (share * (1 + 1 / (dfs[0] + 1)), 1 - share)
    s = np.sqrt(share * ms_between + (1 - share) * ms_within)
    u = np.sqrt(coefficients[0] * ms_between + coefficients[1] * ms_within)
    nu = satterthwaite(coefficients[:size], squares[:size], dfs[:size])
    return s, t_quantile(1 - alpha, nu) * u / s, nu


def iupac_1997_runs(runs: Sequence[Sequence[Number]], *, alpha: float = 0.05) -> DetectionResult:
    """The limits of `iupac_1997` for a reading of a further run: the runs are not taken as one sample.

    With V the variance of the p run means, W the variance within runs and h the harmonic mean of the run sizes,
    u^2 = V (1 + 1/p) + (1 - 1/h) W is the variance of a future blank minus the mean of the run means;
    L_C = mean + t(1 - alpha, nu) u with Satterthwaite's nu, L_D at twice that distance, L_Q = mean + 10 s_T with
    s_T^2 = V + (1 - 1/h) W. With one blank a run these are the limits of `iupac_1997`.

    Parameters
    ----------
    runs : two or more runs of blanks, in result units
    alpha : probability of a false detection, taken for a missed one too

    Returns
    -------
    DetectionResult. The intervals join that of the mean (Student's t over runs) and that of s_T (modified large
    sample); the multiplier is taken as known.

    Raises
    ------
    ValueError
        Fewer than two runs, an empty run, a number that is not finite, or blanks that do not scatter.

    References
    ----------
    Currie, IUPAC Recommendations 1995; Satterthwaite 1946, Biometrics 2, 110; interval of a sum of two estimates from
    the intervals of its parts: Zou and Donner 2008, Stat. Med. 27, 1693 (all from memory).
    """
    model = one_way(runs, group="run")
    if model.ms_between_unweighted is None or model.s_total is None:
        raise ValueError("runs must hold at least two runs of blanks; got one")
    h, p, within = model.harmonic_n, model.n_groups, model.ms_within or 0.0
    mean_square = model.ms_between_unweighted
    if not (mean_square > 0 or within > 0) or model.s_total.distribution is None:
        raise ValueError(f"runs must scatter; {ALL_ALIKE}")
    spread, dfs = model.s_total.distribution, (model.df_between, model.df_within)
    s, k, nu = map(float, iupac_runs_multiplier(mean_square, within, dfs, h, alpha))
    error = sqrt(mean_square / h / p)

    def limit(factor: float, df: float | None) -> Estimate:
        distribution = MeanPlusSpread(model.mean_of_means, error, float(p - 1), factor, s, spread)
        value = model.mean_of_means + factor * s
        return Estimate(value, distribution, degrees_of_freedom=df, n=model.n, units=p, source=IUPAC_RUNS_SOURCE)

    return DetectionResult(
        critical_value=limit(k, nu),
        detection_limit=limit(2 * k, nu),
        quantification_limit=limit(10.0, model.s_total.degrees_of_freedom),
        formula="mean of run means + t u, u^2 = V (1 + 1/p) + (1 - 1/h) W; + 2 t u; + 10 s_T",
    )


@dataclass(frozen=True)
class MeanPlusSpread(ConfidenceDistribution):
    """mean + factor * s, its interval joined from Student's t of the mean and the intervals of s.

    `error` of the mean on `df`; `spread`: the distribution of s, widened where s lies outside. Zou and Donner 2008
    (from memory).

    Attributes
    ----------
    mean, error, s : in one unit
    df : degrees of freedom of `error`
    factor : of s, unit 1
    spread : distribution of s
    """

    mean: float
    error: float
    df: float
    factor: float
    s: float
    spread: ConfidenceDistribution

    def interval(self, level: float) -> Interval | None:
        ends = self.spread.interval(level)
        if ends is None:
            return None
        half = t_quantile((1 + level) / 2, self.df) * self.error
        low, high = joined_interval(self.mean, half, self.factor, self.s, ends)
        return float(low), float(high)


def iso_11843_2(line: PolynomialResult, *, alpha: float = 0.05) -> DetectionResult:
    """Critical value and minimum detectable value from an ordinary calibration line.

    x_C = t(1 - alpha, nu) s / |b| sqrt(1 + 1/n + mean(x)^2 / S_xx); x_D the same with delta(nu; alpha; alpha) for t.

    Parameters
    ----------
    line : ordinary straight line of response on level, nu = n - 2 >= 1
    alpha : probability of a false detection, and of a missed one

    Returns
    -------
    DetectionResult in units of x, without a quantification limit

    Raises
    ------
    ValueError
        No residual degrees of freedom, no scatter about the line, or slope zero.

    References
    ----------
    ISO 11843-2:2000 (clause from memory).
    """
    _check_line(line)
    nu, slope_t = line.degrees_of_freedom, _slope_t(line)
    formula = "t s/b sqrt(1 + 1/n + mean(x)^2/Sxx); delta of the non-central t for t"
    if not_told_apart(slope_t, nu, alpha):
        return DetectionResult(None, None, None, formula, (without_slope(slope_t, nu, alpha),))
    unit_sd = float(blank_sd(line))
    t, delta = t_quantile(1 - alpha, nu), noncentrality(nu, alpha=alpha, beta=alpha)
    return DetectionResult(
        critical_value=over_slope(t * unit_sd, nu, slope_t, n=line.n, source=ISO_SOURCE),
        detection_limit=over_slope(delta * unit_sd, nu, slope_t, n=line.n, source=ISO_SOURCE),
        quantification_limit=None,
        formula=formula,
    )


def _slope_t(line: PolynomialResult) -> float:
    return abs(line.slope) / float(line.standard_errors[-1])


def blank_sd(line: PolynomialResult | Lines) -> Any:
    """Standard deviation of a reading at level zero read back through an ordinary line.

    Parameters
    ----------
    line : one ordinary line of response on level, or those of many studies

    Returns
    -------
    float, or shape (studies,), in the unit of x

    Raises
    ------
    None; infinite for a slope of zero.

    References
    ----------
    ISO 11843-2:2000 (clause from memory).
    """
    return line.residual_sd / np.abs(line.slope) * np.sqrt(1 + 1 / line.n + line.x_mean**2 / line.x_sum_of_squares)


def din_32645(line: PolynomialResult, *, alpha: float = 0.05, k: float = 3.0) -> DetectionResult:
    """x_NG as ISO 11843-2's critical value, x_EG = 2 x_NG, and x_BG whose half-width is 1/k of itself.

    x_BG solves x = k t(1 - alpha/2, nu) s / |b| sqrt(1 + 1/n + (x - mean(x))^2 / S_xx).

    Parameters
    ----------
    line : ordinary straight line of response on level, nu = n - 2 >= 1
    alpha : one-sided for x_NG, two-sided for x_BG
    k : reciprocal of the relative half-width at x_BG

    Returns
    -------
    DetectionResult in units of x; without a quantification limit, and with a note, where there is none

    Raises
    ------
    ValueError
        No residual degrees of freedom, no scatter about the line, or slope zero.

    References
    ----------
    DIN 32645:2008 (from memory).
    """
    _check_line(line)
    nu, slope_t = line.degrees_of_freedom, _slope_t(line)
    formula = "x_NG = t s/b sqrt(1 + 1/n + mean(x)^2/Sxx); 2 x_NG; x_BG where the half-width is 1/3 of it"
    if not_told_apart(slope_t, nu, alpha):
        return DetectionResult(None, None, None, formula, (without_slope(slope_t, nu, alpha),))
    sd = line.residual_sd / abs(line.slope)
    critical = t_quantile(1 - alpha, nu) * float(blank_sd(line))
    factor = k * t_quantile(1 - alpha / 2, nu)
    distribution = RelativeWidthLimit(sd, float(nu), slope_t, factor, line.n, line.x_mean, line.x_sum_of_squares)
    value = distribution.at(sd)
    quantification = (
        None
        if value is None
        else Estimate(value, distribution, degrees_of_freedom=float(nu), n=line.n, source=DIN_SOURCE)
    )
    return DetectionResult(
        critical_value=over_slope(critical, nu, slope_t, n=line.n, source=DIN_SOURCE),
        detection_limit=over_slope(2 * critical, nu, slope_t, n=line.n, source=DIN_SOURCE),
        quantification_limit=quantification,
        formula=formula,
        notes=() if quantification else (NO_QUANTIFICATION,),
    )


@dataclass(frozen=True)
class RelativeWidthLimit(ConfidenceDistribution):
    """x_BG of a line: the smallest positive x with x = factor * sd * sqrt(1 + 1/n + (x - x_mean)^2 / S_xx).

    `sd`, that of the response over the slope, is in units of x: x_BG rises with it, so its interval gives that of x_BG.

    Attributes
    ----------
    sd, x_mean : in the unit of x
    df : degrees of freedom of `sd`
    slope_t : size of the slope over its standard error
    factor : k t, unit 1
    n : readings of the line
    x_sum_of_squares : about `x_mean`, in the squared unit of x
    """

    sd: float
    df: float
    slope_t: float
    factor: float
    n: int
    x_mean: float
    x_sum_of_squares: float

    def at(self, sd: float) -> float | None:
        """The limit with this standard deviation; None where there is none."""
        reach = self.factor * sd
        q = reach**2 / self.x_sum_of_squares
        b = q * self.x_mean
        c = reach**2 * (1 + 1 / self.n) + q * self.x_mean**2
        # (1 - q) x^2 + 2 b x = c. With q above 1 the half-width outgrows x in the end, but may be small enough before.
        inner = b**2 + (1 - q) * c
        bottom = b + sqrt(inner) if inner >= 0 else 0.0
        return c / bottom if bottom > 0 else None

    def interval(self, level: float) -> Interval | None:
        factors = factors_of_one(self.slope_t, self.df, level)
        low, high = (self.at(self.sd * factor) if isfinite(factor) else None for factor in factors)
        return None if low is None or high is None else (low, high)

    def notes(self, level: float) -> tuple[str, ...]:
        return (NEVER_FALLS,) if self.interval(level) is None else ()


def iso_11843_2_linear_sd(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Sequence[int] | NDArray[np.int_],
    *,
    alpha: float = 0.05,
) -> DetectionResult:
    """Critical value and minimum detectable value where the standard deviation is linear in the level.

    The standard deviations of the levels are fitted by s = c + d x, weighted by 1/s^2 of the round before, three
    rounds; the line is then fitted with weights 1/s^2.
    x_C = t(1 - alpha, nu) / |b| sqrt(c^2 + v (1/sum(w) + mean_w(x)^2 / S_xxw)), v the weighted residual mean square;
    x_D solves the same with delta for t and s(x_D)^2 for c^2. c and d count as known: with four levels of four readings
    alpha and beta are 8 % instead of 5 % (`validation.stats.low_range` counts them). The intervals are those of a
    standard deviation over a slope, on the degrees of freedom behind s^2 + line (Satterthwaite), those of s from its
    own regression: nu alone is far too many. At 95 % they held the truth in 91 to 93 % of simulated studies with four
    levels.

    Parameters
    ----------
    x, y : shape (n,)
    levels : shape (n,), codes of the groups of replicates
    alpha : probability of a false detection, and of a missed one

    Returns
    -------
    DetectionResult in units of x, without a quantification limit

    Raises
    ------
    ValueError
        Fewer than two levels with replicates, no scatter, or slope zero.

    References
    ----------
    ISO 11843-2:2000 (clause from memory).
    """
    _, small = centre(y, "y")
    check_sizes([*map(float, x), *small], "x and differences of y", power=4)
    xs = np.array([float(value) for value in x])
    limits = LinearSdLimits.of(xs, small[None, :], np.asarray(levels, dtype=int), alpha=alpha)
    notes, n, nu = limits.spread.notes(0), small.size, limits.line.degrees_of_freedom
    formula = "weighted line, s(x) = c + d x: t/b sqrt(c^2 + line); delta/b sqrt(s(x_D)^2 + line), solved for x_D"
    slope_t = float(limits.slope_t[0])
    if not_told_apart(slope_t, nu, alpha):
        return DetectionResult(None, None, None, formula, (without_slope(slope_t, nu, alpha),))
    of_critical, of_detection = (float(limits.effective_df(at)[0]) for at in (np.zeros(1), limits.detection))
    detection = limits.solved.of_study(0, of_detection, slope_t, n=n, source=ISO_LINEAR_SOURCE)
    return DetectionResult(
        critical_value=over_slope(float(limits.critical[0]), of_critical, slope_t, n=n, source=ISO_LINEAR_SOURCE),
        detection_limit=detection,
        quantification_limit=None,
        formula=formula,
        notes=notes if detection else (*notes, NEVER_DETECTABLE),
    )


@dataclass(frozen=True, slots=True, eq=False)
class LinearSdLimits:
    """The limits of `iso_11843_2_linear_sd` of many calibrations on the same levels; one value a study.

    Attributes
    ----------
    spread : s = c + d x
    line : fitted with weights 1 / s^2
    critical : x_C
    solved : what x_D solves
    """

    spread: SdLines
    line: Lines
    critical: Floats
    solved: SolvedLimits

    @classmethod
    def of(cls, x: Floats, y: Floats, levels: NDArray[np.int_], *, alpha: float) -> LinearSdLimits:
        """From x of shape (n,), y of shape (studies, n) minus an offset, and the codes of the levels.

        Raises
        ------
        ValueError
            As `iso_11843_2_linear_sd`.
        """
        spread = SdLines.of(x, y, levels)
        # Negative x (a blank weighed a little low) must not make the spread negative.
        line = weighted_lines(x, y, 1 / spread.at(np.maximum(x, 0.0)) ** 2)
        nu = line.degrees_of_freedom
        _check_fit(nu, line.n, line.slope, line.residual_sd**2 * nu <= 1e-24 * line.total_sum)
        t, delta = t_quantile(1 - alpha, nu), noncentrality(nu, alpha=alpha, beta=alpha)
        c, d, of_line = spread.constant, spread.growth, line.variance_at_zero
        critical = t / np.abs(line.slope) * np.sqrt(c**2 + of_line)
        solved = SolvedLimits(np.zeros_like(c), delta / np.abs(line.slope), (c**2 + of_line, 2 * c * d, d**2))
        return cls(spread, line, critical, solved)

    @property
    def detection(self) -> Floats:
        """x_D; infinite where there is none."""
        return self.solved.at(1.0)

    @property
    def slope_t(self) -> Floats:
        """Size of the slope over its standard error."""
        return np.abs(self.line.slope) / self.line.slope_error

    def effective_df(self, x: Floats) -> Floats:
        """Satterthwaite's degrees of freedom of s(x)^2 + line, at one x a study."""
        return self.spread.effective_df(x, self.line.variance_at_zero, self.line.degrees_of_freedom)


def spiked_replicates(values: Sequence[Number]) -> DetectionResult:
    """t(0.99, n - 1) s of replicates spiked near the expected limit, with the chi-square interval of s.

    Parameters
    ----------
    values : shape (n,), n >= 2, readings of one spiked material in result units

    Returns
    -------
    DetectionResult in the unit of the values, with a detection limit alone

    Raises
    ------
    ValueError
        Fewer than two values, values that are all alike, or one that is not finite.

    References
    ----------
    40 CFR 136, Appendix B.

    Examples
    --------
    Berthouex and Brown 2002, Example 14.1: 1.0 from the first set of seven replicates, 1.3 from the second.

    >>> sets = [2.5, 2.7, 2.2, 2.2, 3.1, 2.6, 2.8], [1.6, 1.9, 1.3, 1.7, 2.1, 0.9, 1.8]
    >>> [round(spiked_replicates(values).detection_limit.value, 1) for values in sets]
    [1.0, 1.3]
    """
    _, sd, n = _mean_sd(values)
    t = t_quantile(SPIKED_CONFIDENCE, n - 1)
    notes = ["The multiplier is one-sided 99 %, as its source fixes it, whatever the confidence of the study."]
    if n < 7:
        notes.append(f"{n} spiked replicates; the source asks for at least 7.")
    return DetectionResult(
        critical_value=None,
        detection_limit=Estimate.of_sd(t * sd, n - 1, n=n, source=SPIKED_SOURCE),
        quantification_limit=None,
        formula="t(0.99, n - 1) s of the spiked replicates",
        notes=tuple(notes),
    )


def run_component(values: Sequence[Number], runs: Sequence[int]) -> tuple[float, float] | None:
    """F and p of a one-way comparison between runs; None without runs that hold replicates, or without scatter.

    Parameters
    ----------
    values, runs : shape (n,); runs as codes

    Returns
    -------
    F and p, both of unit 1; or None

    Raises
    ------
    ValueError
        No values, one that is not finite, or runs of another number.

    References
    ----------
    One-way analysis of variance, Fisher (textbook).
    """
    if len(values) != len(runs):
        raise ValueError(f"values and runs must pair up; got {len(values)} and {len(runs)}")
    groups: dict[int, list[Number]] = {}
    for value, run in zip(values, runs, strict=True):
        groups.setdefault(run, []).append(value)
    result = one_way(list(groups.values()))
    return None if result.F is None or result.p is None else (result.F, result.p)


def run_share(runs: Sequence[Sequence[Number]]) -> float:
    """Share of the variance of a reading that lies between runs, by the mean squares, not below zero.

    Parameters
    ----------
    runs : two or more runs of readings, several in some, in one unit

    Returns
    -------
    float, 0 to 1; 0 where nothing scatters

    Raises
    ------
    ValueError
        An empty run, or a number that is not finite.

    References
    ----------
    One-way analysis of variance (textbook), run means unweighted.
    """
    model = one_way(runs)
    within, mean_square = model.ms_within or 0.0, model.ms_between_unweighted or 0.0
    between = max(0.0, mean_square - within) / model.harmonic_n
    return between / (between + within) if between > 0 else 0.0


def _mean_sd(values: Sequence[Number]) -> tuple[float, float, int]:
    if len(values) < 2:
        raise ValueError(f"values must hold n >= 2 readings; got {len(values)}")
    offset, small = centre(values)
    if not small.any():
        raise ValueError(f"values must scatter; all {len(values)} read the same to the last digit")
    return float(offset) + float(small.mean()), float(small.std(ddof=1)), len(values)


def _check_line(line: PolynomialResult) -> None:
    _check_fit(line.degrees_of_freedom, line.n, line.slope, line.exact)


def _check_fit(df: int, n: int, slope: Any, exact: Any) -> None:
    if df < 1:
        raise ValueError(f"the line must rest on at least 3 readings; got {n}")
    if np.any(slope == 0):
        raise ValueError("the line must have a slope other than zero; got 0")
    if np.any(exact):
        raise ValueError("the readings must scatter about the line; all lie on it to the last digit")


@dataclass(frozen=True, slots=True, eq=False)
class SdLines:
    """s = constant + growth x; one value a study in every array.

    Attributes
    ----------
    constant, growth : of the line, in the unit of s and in that unit per unit of x
    variance_constant, variance_growth, covariance : of the two
    falls : where s did not grow and was taken as constant
    negative : where it came out negative at level zero
    """

    constant: Floats
    growth: Floats
    variance_constant: Floats
    variance_growth: Floats
    covariance: Floats
    falls: NDArray[np.bool_]
    negative: NDArray[np.bool_]

    @classmethod
    def of(cls, x: Floats, y: Floats, levels: NDArray[np.int_]) -> SdLines:
        """By weighted regression of the levels' standard deviations, reweighted three times; shapes `LinearSdLimits`.

        Raises
        ------
        ValueError
            Fewer than two levels with replicates, or replicates that all agree.
        """
        members = [members for code in np.unique(levels) if (members := np.flatnonzero(levels == code)).size >= 2]
        if len(members) < 2:
            raise ValueError(f"levels must hold replicates at two levels or more; got {len(members)}")
        at = np.array([max(float(x[own].mean()), 0.0) for own in members])
        sd = np.stack([y[:, own].std(axis=1, ddof=1) for own in members], axis=1)
        df = np.array([own.size - 1.0 for own in members])
        if not sd.any(axis=1).all():
            raise ValueError("the replicates must scatter; all agree to the last digit")
        # A level whose replicates agree would get an infinite weight in the first round: all start alike then.
        pooled = np.sqrt((df * sd**2).sum(axis=1, keepdims=True) / df.sum())
        fitted = np.where(sd.all(axis=1, keepdims=True), sd, pooled)
        for _ in range(_REWEIGHTS):
            lines = cls._reweighted(at, sd, df / fitted**2)
            fitted = lines.at(at)
        return lines

    @classmethod
    def _reweighted(cls, at: Floats, sd: Floats, weights: Floats) -> SdLines:
        """One round: the line of the standard deviations, kept from falling and from below zero."""
        line = weighted_lines(at, sd, weights)
        constant, growth = line.intercept, line.slope
        falls, negative = growth < 0, (growth >= 0) & (constant <= 0)
        # A standard deviation on df degrees of freedom has about the variance s^2 / (2 df), so X'WX counts half.
        total, first, second = weights.sum(axis=1), (weights * at).sum(axis=1), (weights * at**2).sum(axis=1)
        determinant = 2 * (total * second - first**2)
        level, through = (weights * sd).sum(axis=1) / total, (weights * at * sd).sum(axis=1) / second
        share, cases = 1e-3 * float(at.max()), [falls, negative]
        return cls(
            np.select(cases, [level, share * through], constant),
            np.select(cases, [np.zeros_like(through), through], growth),
            np.select(cases, [0.5 / total, share**2 * 0.5 / second], second / determinant),
            np.select(cases, [np.zeros_like(total), 0.5 / second], total / determinant),
            np.select(cases, [np.zeros_like(total), share * 0.5 / second], -first / determinant),
            falls,
            negative,
        )

    def at(self, x: Floats) -> Floats:
        """s at each x: shape (studies, len(x))."""
        return self.constant[:, None] + self.growth[:, None] * x

    def effective_df(self, x: Floats, of_line: Floats, line_df: int) -> Floats:
        """Satterthwaite's degrees of freedom of s(x)^2 + of_line, the latter on `line_df`."""
        square = (self.constant + self.growth * x) ** 2
        variance = self.variance_constant + 2 * x * self.covariance + x**2 * self.variance_growth
        return (square + of_line) ** 2 / (2 * square * variance + of_line**2 / line_df)

    def notes(self, study: int) -> tuple[str, ...]:
        """What must be known of the fit of one study."""
        if self.falls[study]:
            return ("The standard deviation did not grow over these levels: it was taken as constant.",)
        if self.negative[study]:
            return ("The fitted spread at level zero came out negative: a thousandth of the highest was taken.",)
        return ()
