"""The statistics by a second route: exact fractions, eighty-digit decimals, plain loops, integrals.

Nothing of the package is imported here: the formulas are typed again from the documents named beside them (all of them
from memory), and where a formula can be avoided altogether (brute force, maximising a likelihood) it is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Context, Decimal, localcontext
from fractions import Fraction
from itertools import combinations, pairwise
from math import floor, inf, isinf, lgamma, log, sqrt
from statistics import NormalDist

import numpy as np
from scipy import optimize, special

DIGITS = Context(prec=80)

Groups = Sequence[Sequence[Fraction]]


# --- means, mean squares, linear algebra in fractions ----------------------------------------------------------------


def average(values: Sequence[Fraction]) -> Fraction:
    return sum(values, Fraction(0)) / len(values)


def squares(values: Sequence[Fraction]) -> Fraction:
    """Sum of squares about the mean."""
    middle = average(values)
    return sum(((value - middle) ** 2 for value in values), Fraction(0))


def variance(values: Sequence[Fraction]) -> Fraction:
    return squares(values) / (len(values) - 1)


def median(values: Sequence[Fraction]) -> Fraction:
    ordered, half = sorted(values), len(values) // 2
    return ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2


def inverse(matrix: Sequence[Sequence[Fraction]]) -> list[list[Fraction]]:
    """Gauss and Jordan."""
    n = len(matrix)
    rows = [[*map(Fraction, row), *(Fraction(int(i == j)) for j in range(n))] for i, row in enumerate(matrix)]
    for i in range(n):
        pivot = next(k for k in range(i, n) if rows[k][i] != 0)
        rows[i], rows[pivot] = rows[pivot], rows[i]
        rows[i] = [value / rows[i][i] for value in rows[i]]
        for k in range(n):
            if k != i:
                rows[k] = [a - rows[k][i] * b for a, b in zip(rows[k], rows[i], strict=True)]
    return [row[n:] for row in rows]


@dataclass(frozen=True)
class Fit:
    coefficients: list[Fraction]
    unscaled: list[list[Fraction]]
    residual_sum: Fraction
    df: int

    @property
    def errors(self) -> list[float]:
        scale = self.residual_sum / self.df
        return [sqrt(row[i] * scale) for i, row in enumerate(self.unscaled)]


def least_squares(
    columns: Sequence[Sequence[Fraction]], y: Sequence[Fraction], weights: Sequence[Fraction] | None = None
) -> Fit:
    """Normal equations, which lose nothing in fractions."""
    w = [Fraction(1)] * len(y) if weights is None else list(weights)

    def product(a: Sequence[Fraction], b: Sequence[Fraction]) -> Fraction:
        return sum((k * u * v for k, u, v in zip(w, a, b, strict=True)), Fraction(0))

    unscaled = inverse([[product(a, b) for b in columns] for a in columns])
    right = [product(a, y) for a in columns]
    coefficients = [sum((u * v for u, v in zip(row, right, strict=True)), Fraction(0)) for row in unscaled]
    fitted = [
        sum((c * column[i] for c, column in zip(coefficients, columns, strict=True)), Fraction(0))
        for i in range(len(y))
    ]
    left = [a - b for a, b in zip(y, fitted, strict=True)]
    return Fit(coefficients, unscaled, product(left, left), len(y) - len(columns))


def powers(x: Sequence[Fraction], *exponents: int) -> list[list[Fraction]]:
    return [[value**k for value in x] for k in exponents]


# --- quantiles by the incomplete beta and gamma functions ------------------------------------------------------------


def normal_quantile(p: float) -> float:
    return NormalDist().inv_cdf(p)


def t_quantile(p: float, df: float) -> float:
    """p above one half; t^2 / (df + t^2) is Beta(1/2, df/2)."""
    x = float(special.betaincinv(df / 2, 0.5, 2 * (1 - p)))
    return sqrt(df * (1 - x) / x)


def chi_square_quantile(p: float, df: float) -> float:
    return 2 * float(special.gammaincinv(df / 2, p))


def f_quantile(p: float, above: float, below: float) -> float:
    x = float(special.betaincinv(above / 2, below / 2, p))
    return below * x / (above * (1 - x))


def f_tail(value: float, above: float, below: float) -> float:
    return float(special.betainc(below / 2, above / 2, below / (below + above * value)))


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(400)


def noncentral_t_cdf(t: float, df: float, delta: float) -> float:
    """P(Z + delta <= t S), the normal averaged over the density of S = sqrt(chi-square / df)."""
    top = 1 + 10 / sqrt(df)
    s = top * (_NODES + 1) / 2
    constant = log(2) + df / 2 * log(df / 2) - lgamma(df / 2)
    density = np.exp(constant + (df - 1) * np.log(s) - df * s**2 / 2)
    return float((_WEIGHTS * density * special.ndtr(t * s - delta)).sum() * top / 2)


def noncentral_t_quantile(p: float, df: float, delta: float) -> float:
    reach = (abs(delta) + 3) * 60
    return float(optimize.brentq(lambda t: noncentral_t_cdf(t, df, delta) - p, -reach, reach, xtol=1e-13, rtol=1e-13))


def noncentrality(alpha: float, beta: float, df: float) -> float:
    t = t_quantile(1 - alpha, df)
    return float(optimize.brentq(lambda d: noncentral_t_cdf(t, df, d) - beta, 0, 50 + 5 * t, xtol=1e-13))


def sd_interval(s: float, df: float, confidence: float) -> tuple[float, float]:
    tail = (1 - confidence) / 2
    return s * sqrt(df / chi_square_quantile(1 - tail, df)), s * sqrt(df / chi_square_quantile(tail, df))


# --- minimising in eighty digits -------------------------------------------------------------------------------------


def minimum(objective: Callable[[Decimal], Decimal], grid: Sequence[Decimal]) -> tuple[Decimal, Decimal]:
    """Place and value of the least of all local minima, each by golden section between neighbours of the grid."""
    with localcontext(DIGITS):
        values = [objective(at) for at in grid]
        best = min(range(len(grid)), key=values.__getitem__)
        found = [(values[0], grid[0]), (values[-1], grid[-1])]
        for i in range(len(grid)):
            left, right = max(i - 1, 0), min(i + 1, len(grid) - 1)
            if i != best and not values[left] > values[i] < values[right]:
                continue
            at = _golden(objective, grid[left], grid[right])
            found.append((objective(at), at))
        value, at = min(found)
        return at, value


def _golden(objective: Callable[[Decimal], Decimal], low: Decimal, high: Decimal) -> Decimal:
    share = (Decimal(5).sqrt() - 1) / 2
    inner, outer = high - share * (high - low), low + share * (high - low)
    at_inner, at_outer = objective(inner), objective(outer)
    least = Decimal("1e-20") * (high - low)  # ends the search for a minimum at zero
    while high - low > max(least, Decimal("1e-18") * (abs(low) + abs(high))):
        if at_inner <= at_outer:
            high, outer, at_outer = outer, inner, at_inner
            inner = high - share * (high - low)
            at_inner = objective(inner)
        else:
            low, inner, at_inner = inner, outer, at_outer
            outer = low + share * (high - low)
            at_outer = objective(outer)
    return (low + high) / 2


def decimal(value: Fraction | float) -> Decimal:
    fraction = Fraction(value)
    return DIGITS.divide(Decimal(fraction.numerator), Decimal(fraction.denominator))


# --- one-way and nested components -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class OneWay:
    """Mean squares between and within; `pooled` is s_r^2."""

    between: Fraction
    pooled: Fraction
    df: tuple[int, int]
    unweighted: Fraction
    harmonic: Fraction


def one_way(groups: Groups) -> OneWay:
    n, p = sum(map(len, groups)), len(groups)
    within = sum((squares(group) for group in groups), Fraction(0))
    between = squares([value for group in groups for value in group]) - within
    harmonic = p / sum(Fraction(1, len(group)) for group in groups)
    unweighted = harmonic * variance([average(group) for group in groups])
    return OneWay(between / (p - 1), within / (n - p), (p - 1, n - p), unweighted, harmonic)


def iso_5725_2(groups: Groups) -> tuple[Fraction, Fraction, Fraction]:
    """s_r^2, s_L^2 (not below zero), s_R^2. ISO 5725-2:1994, 7.4.5: s_d^2 and n-bar-bar as printed there."""
    n, p = [len(group) for group in groups], len(groups)
    means = [average(group) for group in groups]
    general = sum((k * m for k, m in zip(n, means, strict=True)), Fraction(0)) / sum(n)
    s_d2 = sum((k * (m - general) ** 2 for k, m in zip(n, means, strict=True)), Fraction(0)) / (p - 1)
    n_bar = (sum(n) - Fraction(sum(k * k for k in n), sum(n))) / (p - 1)
    # Where single readings are among them, the weights n_i - 1 leave them out of s_r^2.
    s_r2 = sum(((len(g) - 1) * variance(g) for g in groups if len(g) > 1), Fraction(0)) / sum(k - 1 for k in n)
    s_L2 = max(Fraction(0), (s_d2 - s_r2) / n_bar)
    return s_r2, s_L2, s_r2 + s_L2


def reml_between(groups: Groups) -> Decimal:
    """The variance between groups that maximises the restricted likelihood, searched over between / within.

    Written with raw totals (Woodbury), so that no mean is formed: y'V^-1 y - (1'V^-1 y)^2 / 1'V^-1 1.
    """
    with localcontext(DIGITS):
        total = sum(map(len, groups))
        parts = [(len(g), decimal(sum(g, Fraction(0))), decimal(sum(v * v for v in g))) for g in groups]

        def remaining(theta: Decimal) -> Decimal:
            own = sum((q - theta * y * y / (1 + n * theta) for n, y, q in parts), Decimal(0))
            cross = sum((y / (1 + n * theta) for n, y, _ in parts), Decimal(0))
            return own - cross**2 / sum((n / (1 + n * theta) for n, _, _ in parts), Decimal(0))

        def deviance(theta: Decimal) -> Decimal:
            determinant = sum(((1 + n * theta).ln() for n, _, _ in parts), Decimal(0))
            information = sum((n / (1 + n * theta) for n, _, _ in parts), Decimal(0)).ln()
            return (total - 1) * remaining(theta).ln() + determinant + information

        scale = decimal(variance([average(g) for g in groups]) / one_way(groups).pooled)
        grid = [Decimal(0), *(scale * Decimal(2) ** k for k in range(-16, 10))]
        theta, _ = minimum(deviance, grid)
        return theta * remaining(theta) / (total - 1)


Nested = Sequence[Sequence[Sequence[Fraction]]]


@dataclass(frozen=True)
class NestedComponents:
    """Mean squares (laboratory, run, residual), components before truncation, and what the unweighted means give."""

    mean_squares: tuple[Fraction, Fraction, Fraction]
    df: tuple[int, int, int]
    components: tuple[Fraction, Fraction, Fraction]
    plain: tuple[Fraction, Fraction]
    plain_coefficients: tuple[Fraction, Fraction, Fraction]


def nested(laboratories: Nested) -> NestedComponents:
    """Three stages, unequal numbers. Expected mean squares by definition, not by formula: the coefficient of a
    component in the expectation of a quadratic form is the sum of that form over the columns of its design.
    """
    shape = [[len(run) for run in runs] for runs in laboratories]
    readings = sum(map(sum, shape))
    run_df, residual_df = sum(len(runs) - 1 for runs in shape), readings - sum(map(len, shape))
    df = (len(shape) - 1, run_df, residual_df)

    def forms(data: Nested) -> list[Fraction]:
        flat = [[value for run in runs for value in run] for runs in data]
        total = squares([value for values in flat for value in values])
        in_laboratories = sum((squares(values) for values in flat), Fraction(0))
        in_runs = sum((squares(run) for runs in data for run in runs), Fraction(0))
        run_means = [[average(run) for run in runs] for runs in data]
        v_run = sum((squares(means) for means in run_means), Fraction(0)) / run_df
        v_laboratory = variance([average(means) for means in run_means])
        parts = zip((total - in_laboratories, in_laboratories - in_runs, in_runs), df, strict=True)
        return [*(part / freedom for part, freedom in parts), v_run, v_laboratory]

    def expected(columns: Sequence[Nested]) -> list[Fraction]:
        return [sum(values, Fraction(0)) for values in zip(*map(forms, columns), strict=True)]

    def column(chosen: Callable[[int, int, int], bool]) -> Nested:
        return [
            [[Fraction(int(chosen(i, j, k))) for k in range(n)] for j, n in enumerate(runs)]
            for i, runs in enumerate(shape)
        ]

    cells = [(i, j, k) for i, runs in enumerate(shape) for j, n in enumerate(runs) for k in range(n)]
    of_laboratory = expected([column(lambda i, j, k, at=at: i == at) for at in range(len(shape))])
    of_run = expected([column(lambda i, j, k, at=at: (i, j) == at) for at in sorted({cell[:2] for cell in cells})])
    of_reading = expected([column(lambda i, j, k, at=at: (i, j, k) == at) for at in cells])
    found = forms(laboratories)
    matrix = [[of_laboratory[m], of_run[m], of_reading[m]] for m in range(3)]
    components = [sum((a * b for a, b in zip(row, found[:3], strict=True)), Fraction(0)) for row in inverse(matrix)]
    return NestedComponents(
        (found[0], found[1], found[2]),
        df,
        (components[0], components[1], components[2]),
        (found[3], found[4]),
        (of_reading[3], of_reading[4], of_run[4]),
    )


# --- modified large sample -------------------------------------------------------------------------------------------


def graybill_wang(
    c: Sequence[float], s2: Sequence[float], df: Sequence[float], confidence: float
) -> tuple[float, float]:
    """sum(c S^2) -+ root of sum(G^2 c^2 S^4), of sum(H^2 c^2 S^4). Graybill and Wang 1980."""
    tail = (1 - confidence) / 2
    estimate = below = above = 0.0
    for k, square, n in zip(c, s2, df, strict=True):
        G = 1 - n / chi_square_quantile(1 - tail, n)
        H = n / chi_square_quantile(tail, n) - 1
        estimate += k * square
        below += (G * k * square) ** 2
        above += (H * k * square) ** 2
    return max(0.0, estimate - sqrt(below)), estimate + sqrt(above)


def ting(
    s1: float, s2: float, n1: float, n2: float, c: float, confidence: float, *, raised: bool = False
) -> tuple[float, float]:
    """Interval of c (S1^2 - S2^2). Ting et al. 1990, as Burdick and Graybill 1992, 3.3 print it.

    `raised`: the upper end no lower than at the lower alpha point of F, a convention of the package.
    """
    tail = (1 - confidence) / 2
    upper = {n: chi_square_quantile(1 - tail, n) / n for n in (n1, n2)}
    lower = {n: chi_square_quantile(tail, n) / n for n in (n1, n2)}
    G1, G2 = 1 - 1 / upper[n1], 1 - 1 / upper[n2]
    H1, H2 = 1 / lower[n1] - 1, 1 / lower[n2] - 1
    F, f = f_quantile(1 - tail, n1, n2), f_quantile(tail, n1, n2)
    G12 = ((F - 1) ** 2 - G1**2 * F**2 - H2**2) / F
    H12 = ((1 - f) ** 2 - H1**2 * f**2 - G2**2) / f
    V_L = G1**2 * s1**2 + H2**2 * s2**2 + G12 * s1 * s2
    top = max(s1, min(1.0, f_quantile(1 - confidence, n1, n2)) * s2) if raised else s1
    V_U = H1**2 * top**2 + G2**2 * s2**2 + H12 * top * s2
    low, high = s1 - s2 - sqrt(max(0.0, V_L)), top - s2 + sqrt(max(0.0, V_U))
    return max(0.0, c * low), max(0.0, c * high)


# --- tolerance limits ------------------------------------------------------------------------------------------------


def tolerance_half_width(s_r2: float, s_run2: float, p: int, n: float, df_within: int, beta: float) -> float:
    """Q_t(nu; (1 + beta)/2) sqrt(1 + 1/(p n B^2)) s_I. Hubert et al. 2007; Mee 1984. For equal runs p n - p is
    `df_within` and the last term of nu is the printed (1 - 1/n)/(p n)."""
    R = s_run2 / s_r2
    B2 = (R + 1) / (n * R + 1)
    nu = (R + 1) ** 2 / ((R + 1 / n) ** 2 / (p - 1) + (1 - 1 / n) ** 2 / df_within)
    return t_quantile((1 + beta) / 2, nu) * sqrt(1 + 1 / (p * n * B2)) * sqrt(s_r2 + s_run2)


# --- lines with errors in both variables -----------------------------------------------------------------------------


def deming(x: Sequence[Fraction], y: Sequence[Fraction], ratio: Fraction) -> tuple[Decimal, Decimal]:
    """Slope and intercept, closed form, eighty digits."""
    with localcontext(DIGITS):
        mx, my = average(x), average(y)
        sxx, syy = squares(x), squares(y)
        sxy = sum(((a - mx) * (b - my) for a, b in zip(x, y, strict=True)), Fraction(0))
        u, half = decimal(syy - ratio * sxx), decimal(2 * sxy)
        slope = (u + (u * u + decimal(ratio) * half * half).sqrt()) / half
        return slope, decimal(my) - slope * decimal(mx)


def deming_by_search(x: Sequence[float], y: Sequence[float], ratio: float) -> float:
    """The direction of least weighted distance: sum((y - a - b x)^2) / (ratio + b^2), over the angle of the line."""
    dx, dy = np.array(x) - np.mean(x), np.array(y) - np.mean(y)

    def distance(angle: float) -> float:
        b = np.tan(angle)
        return float(((dy - b * dx) ** 2).sum() / (ratio + b * b))

    angles = np.linspace(-1.55, 1.55, 311)
    at = int(np.argmin([distance(angle) for angle in angles]))
    bracket = (angles[max(at - 1, 0)], angles[min(at + 1, 310)])
    return float(
        np.tan(optimize.minimize_scalar(distance, bounds=bracket, method="bounded", options={"xatol": 1e-10}).x)
    )


def jackknife(
    statistic: Callable[[list[Fraction], list[Fraction]], Decimal], x: Sequence[Fraction], y: Sequence[Fraction]
) -> float:
    """Standard error, one pair left out after another."""
    with localcontext(DIGITS):
        n = len(x)
        left_out = [statistic([*x[:i], *x[i + 1 :]], [*y[:i], *y[i + 1 :]]) for i in range(n)]
        middle = sum(left_out, Decimal(0)) / n
        return float((sum(((v - middle) ** 2 for v in left_out), Decimal(0)) * (n - 1) / n).sqrt())


def york(
    x: Sequence[Fraction], y: Sequence[Fraction], u_x: Sequence[float], u_y: Sequence[float], near: float
) -> tuple[float, float, float, np.ndarray]:
    """Slope, intercept, chi-squared and covariance: the least sum((y - a - b x)^2 / (u_y^2 + b^2 u_x^2)).

    The covariance is that of the whole problem, the true x of every point among its parameters, at the solution.
    """
    with localcontext(DIGITS):
        xs, ys = [decimal(v) for v in x], [decimal(v) for v in y]
        vx, vy = ([decimal(Fraction(v) ** 2) for v in u] for u in (u_x, u_y))

        def line(b: Decimal) -> tuple[Decimal, Decimal]:
            w = [1 / (q + b * b * p) for p, q in zip(vx, vy, strict=True)]
            rest = [v - b * u for u, v in zip(xs, ys, strict=True)]
            a = sum((k * r for k, r in zip(w, rest, strict=True)), Decimal(0)) / sum(w, Decimal(0))
            return a, sum((k * (r - a) ** 2 for k, r in zip(w, rest, strict=True)), Decimal(0))

        start = decimal(near)
        b, chi = minimum(lambda at: line(at)[1], [start * (1 + Decimal(k) / 20) for k in range(-10, 21)])
        a = line(b)[0]
        true = [(u / p + b * (v - a) / q) / (1 / p + b * b / q) for u, v, p, q in zip(xs, ys, vx, vy, strict=True)]
    n = len(x)
    jacobian = np.zeros((2 * n, n + 2))
    for i in range(n):
        jacobian[i, 2 + i] = 1 / u_x[i]
        jacobian[n + i, [0, 1, 2 + i]] = np.array([1, float(true[i]), float(b)]) / u_y[i]
    return float(b), float(a), float(chi), np.linalg.inv(jacobian.T @ jacobian)[:2, :2]


@dataclass(frozen=True)
class PassingBablok:
    slope: Fraction
    intercept: Fraction
    limits: tuple[float, float] | None


def passing_bablok(x: Sequence[Fraction], y: Sequence[Fraction], confidence: float) -> PassingBablok | None:
    """Brute force over all pairs; None where the median is not finite. Passing and Bablok 1983."""
    slopes: list[Fraction | float] = []
    for (x1, y1), (x2, y2) in combinations(list(zip(x, y, strict=True)), 2):
        if x1 == x2 and y1 == y2:
            continue
        slope = (y2 - y1) / (x2 - x1) if x1 != x2 else (inf if y2 > y1 else -inf)
        if slope != -1:
            slopes.append(slope)
    slopes.sort()
    N, K, n = len(slopes), sum(slope < -1 for slope in slopes), len(x)
    # Ranks as printed, counted from 1: (N + 1)/2 + K, or the mean of N/2 + K and the next.
    ranks = [(N + 1) // 2 + K] if N % 2 else [N // 2 + K, N // 2 + 1 + K]
    if not N or ranks[-1] > N or any(isinf(slopes[rank - 1]) for rank in ranks):
        return None
    slope = average([Fraction(slopes[rank - 1]) for rank in ranks])
    C = normal_quantile((1 + confidence) / 2) * sqrt(n * (n - 1) * (2 * n + 5) / 18)
    M1 = floor((N - C) / 2 + 0.5)
    M2 = N - M1 + 1
    limits = None
    if M1 + K >= 1 and M2 + K <= N:
        low, high = slopes[M1 + K - 1], slopes[M2 + K - 1]
        if not isinf(low) and not isinf(high) and low != high:
            limits = (float(low), float(high))
    return PassingBablok(slope, median([b - slope * a for a, b in zip(x, y, strict=True)]), limits)


# --- detection -------------------------------------------------------------------------------------------------------


def mean_plus_k_sd_interval(values: Sequence[Fraction], k: float, confidence: float) -> tuple[float, float]:
    """Values of mu + k sigma that the sample does not refute: sqrt(n) (mean - limit) / s is non-central t."""
    n = len(values)
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    low, high = (noncentral_t_quantile(tail, n - 1, k * sqrt(n)) for tail in tails)
    scale = sqrt(variance(values) / n)
    return float(average(values)) + low * scale, float(average(values)) + high * scale


def line_at_zero(x: Sequence[Fraction], y: Sequence[Fraction]) -> tuple[float, float, int]:
    """s / |b|, the root of 1 + 1/n + mean(x)^2/Sxx, and nu, of an ordinary line."""
    fit = least_squares(powers(x, 0, 1), y)
    n, s_xx = len(x), squares(x)
    sd = sqrt(fit.residual_sum / fit.df) / abs(float(fit.coefficients[1]))
    return sd, sqrt(1 + Fraction(1, n) + average(x) ** 2 / s_xx), fit.df


def slope_t(x: Sequence[Fraction], y: Sequence[Fraction]) -> float:
    """Size of the slope of an ordinary line over its standard error."""
    sd, _, _ = line_at_zero(x, y)
    return sqrt(squares(x)) / sd


def over_slope(slope_t: float, df: int, confidence: float) -> tuple[float, float]:
    """Ends of sigma / |slope| over its estimate: non-centralities that the slope over its error does not refute."""

    def bound(tail: float) -> float:
        reach = 12 + 10 * slope_t / sqrt(df)
        low, high = max(slope_t - reach, 1e-9), slope_t + reach
        return float(optimize.brentq(lambda d: 1 - noncentral_t_cdf(slope_t, df, d) - tail, low, high, xtol=1e-12))

    tail = (1 - confidence) / 2
    return slope_t / bound(1 - tail), slope_t / bound(tail)


def din_quantification(x: Sequence[Fraction], y: Sequence[Fraction], alpha: float, k: float) -> float | None:
    """Smallest x with x = k t(1 - alpha/2, nu) s/b sqrt(1 + 1/n + (x - mean)^2/Sxx), by search. DIN 32645."""
    sd, _, nu = line_at_zero(x, y)
    n, middle, s_xx = len(x), float(average(x)), float(squares(x))
    t = t_quantile(1 - alpha / 2, nu)

    def lacking(at: float) -> float:
        return k * t * sd * sqrt(1 + 1 / n + (at - middle) ** 2 / s_xx) - at

    grid = float(max(x)) * np.concatenate([np.linspace(0, 5, 501), np.logspace(0.71, 4, 200)])
    for low, high in pairwise(grid):
        if lacking(low) > 0 >= lacking(high):
            return float(optimize.brentq(lacking, low, high, xtol=1e-14, rtol=1e-13))
    return None


def iso_11843_2_linear_sd(
    x: Sequence[Fraction], y: Sequence[Fraction], sd: tuple[float, float], alpha: float
) -> tuple[float, float]:
    """Critical value and minimum detectable value with s(x) = c + d x known, x_D by search. ISO 11843-2, clause 5.3."""
    c, d = sd
    weights = [1 / Fraction(c + d * float(v)) ** 2 for v in x]
    fit = least_squares(powers(x, 0, 1), y, weights)
    total = sum(weights, Fraction(0))
    middle = sum((w * v for w, v in zip(weights, x, strict=True)), Fraction(0)) / total
    s_xx = sum((w * (v - middle) ** 2 for w, v in zip(weights, x, strict=True)), Fraction(0))
    line = float(fit.residual_sum / fit.df * (1 / total + middle**2 / s_xx))
    b = abs(float(fit.coefficients[1]))
    critical = t_quantile(1 - alpha, fit.df) / b * sqrt(c**2 + line)
    delta = noncentrality(alpha, alpha, fit.df)
    detectable = optimize.brentq(
        lambda at: delta / b * sqrt((c + d * at) ** 2 + line) - at, 0, 1e4 * float(max(x)), xtol=1e-14, rtol=1e-13
    )
    return critical, float(detectable)


def iterated_sd_line(levels: Sequence[Fraction], sds: Sequence[float], dfs: Sequence[int]) -> tuple[float, float]:
    """c and d of s = c + d x, weights df/s^2 of the round before, three rounds, the first with the observed s."""
    fitted = list(sds)
    for _ in range(3):
        weights = [Fraction(df) / Fraction(s) ** 2 for s, df in zip(fitted, dfs, strict=True)]
        fit = least_squares(powers(levels, 0, 1), [Fraction(s) for s in sds], weights)
        c, d = map(float, fit.coefficients)
        fitted = [c + d * float(v) for v in levels]
    return c, d


# --- spread that grows with the level --------------------------------------------------------------------------------


def linear_sd(levels: Sequence[float], sums: Sequence[float], dfs: Sequence[float]) -> tuple[float, float]:
    """a and b of s = a + b x of greatest likelihood: sums of squares distributed as (a + b x)^2 chi-square.

    Searched over r = b / a in eighty digits, from 0 to so large that a is nothing beside b x.
    """
    with localcontext(DIGITS):
        xs, qs, ns = ([decimal(v) for v in values] for values in (levels, sums, dfs))

        def size(r: Decimal) -> Decimal:
            parts = [q / (1 + r * x) ** 2 for q, x in zip(qs, xs, strict=True)]
            return sum(parts, Decimal(0)) / sum(ns, Decimal(0))

        def deviance(r: Decimal) -> Decimal:
            logs = [2 * n * (1 + r * x).ln() for n, x in zip(ns, xs, strict=True)]
            return sum(ns, Decimal(0)) * size(r).ln() + sum(logs, Decimal(0))

        r, _ = minimum(deviance, [Decimal(0), *(Decimal(2) ** k / max(xs) for k in range(-12, 24))])
        a = size(r).sqrt()
        return float(a), float(r * a)


# --- outliers, by their definitions ----------------------------------------------------------------------------------


def grubbs(values: Sequence[Fraction]) -> float:
    middle = average(values)
    return sqrt(max((v - middle) ** 2 for v in values) / variance(values))


def grubbs_pair(values: Sequence[Fraction]) -> float:
    ordered = sorted(values)
    return float(min(squares(ordered[2:]), squares(ordered[:-2])) / squares(ordered))


def mandel_h(means: Sequence[Fraction]) -> list[float]:
    middle, s2 = average(means), variance(means)
    return [float(m - middle) / sqrt(s2) for m in means]


def mandel_k(cells: Groups) -> list[float]:
    pooled = sum((squares(cell) for cell in cells), Fraction(0)) / sum(len(cell) - 1 for cell in cells)
    return [sqrt(variance(cell) / pooled) for cell in cells]
