"""Detection limits of many studies: what the critical value and the detection limit really attain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr
from scipy.stats import nct
from scipy.stats import t as t_distribution

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.rates import Array, Ends, Group, Place, holds, roots
from validation.selftest.simulation.runs import CONFIDENCE, RATIOS, Precision, precision_of, ratio_text, readings
from validation.stats.intervals import guarded_sum_interval

ALPHA = 0.05
#: The scatter of one reading of a further run: constant + growth * level, in result units.
CONSTANT, GROWTH = 0.03, 0.018

BLANKS = {"10 blanks in 10 runs": (1,) * 10, "10 blanks in 5 runs": (2,) * 5, "20 blanks in 10 runs": (2,) * 10}

AVERAGED = (
    "alpha is the chance that a blank of a further run lies above the critical value, beta that a sample as far above "
    "the blanks as the detection limit says lies below it; both averaged over the estimated limits."
)
RUNS_LOST = (
    "The formula takes the blanks as independent: where runs differ much and hold several blanks each, alpha and beta "
    "rise; `IUPAC 1997, runs kept` stays."
)
NO_RATE = "No rate is claimed by this definition; attained with its limit as the critical value too."
HALF = "A sample at the limit itself is missed every second time, whatever the limit."
SAFE_SIDE = "The interval of the runs-kept limits errs on the safe side: it covers more where runs differ little."
TOO_FEW = "1.645 and 3.29 belong to a standard deviation known from very many blanks."


def sd_at(level: Array | float, growth: float = GROWTH) -> Array:
    """Standard deviation of a reading of a further run at a level."""
    return np.asarray(CONSTANT + growth * np.maximum(level, 0.0))


def iupac(blanks: Array, alpha: float = ALPHA) -> Ends:
    """Mean and distance of L_C from it, as `validation.stats.detection.iupac_1997`; blanks of shape (studies, n)."""
    n = blanks.shape[1]
    return blanks.mean(axis=1), t_distribution.ppf(1 - alpha, n - 1) * blanks.std(axis=1, ddof=1) * (1 + 1 / n) ** 0.5


def iupac_runs(found: Precision, alpha: float = ALPHA) -> Ends:
    """Mean and distance of L_C from it, as `validation.stats.detection.iupac_1997_runs`."""
    if found.dfs[1] == 0:
        variances, dfs = [found.ms_unweighted * (1 + 1 / len(found.counts))], [found.dfs[0]]
    else:
        (a, b), p = found.coefficients, len(found.counts)
        variances, dfs = [a * found.ms_unweighted * (1 + 1 / p), b * found.ms_within], list(found.dfs)
    total = sum(variances)
    df = total**2 / sum(v**2 / d for v, d in zip(variances, dfs, strict=True))
    return found.bias, t_distribution.ppf(1 - alpha, df) * np.sqrt(total)


def iupac_runs_interval(found: Precision, alpha: float = ALPHA, confidence: float = CONFIDENCE) -> Ends:
    """Interval of L_C, as `validation.stats.detection.iupac_1997_runs`."""
    mean, distance = iupac_runs(found, alpha)
    squares, p = (found.ms_unweighted, found.ms_within), len(found.counts)
    raised = (np.maximum(*squares), found.ms_within)
    low, high = roots(guarded_sum_interval(found.coefficients, squares, raised, found.dfs, confidence=confidence))
    s = np.sqrt(sum(c * square for c, square in zip(found.coefficients, squares, strict=True)))
    k = distance / s
    half = t_distribution.ppf((1 + confidence) / 2, p - 1) * found.sd_of_run_means / p**0.5
    below, above = (np.sqrt(half**2 + (k * (end - s)) ** 2) for end in (low, high))
    return mean + distance - below, mean + distance + above


def attained(mean: Array, critical: Array, detection: Array, growth: float) -> Ends:
    """Each study's alpha and beta for blanks about 0; `critical` and `detection` are distances from `mean`."""
    alpha = ndtr(-(mean + critical) / sd_at(0.0))
    beta = ndtr((mean + critical - detection) / sd_at(detection, growth))
    return alpha, beta


def true_limit(counts: Sequence[int], ratio: float, alpha: float = ALPHA) -> float:
    """The critical value that a design would claim if its mean squares were what is expected of them."""
    h = len(counts) / sum(1 / n for n in counts)
    within = CONSTANT**2 / (1 + ratio)
    expected = np.array([within * (1 + h * ratio)]), np.array([within])
    empty = np.zeros(1)
    ideal = Precision(empty, empty, empty, empty, empty, *expected, np.asarray(counts), h)
    return float(iupac_runs(ideal, alpha)[1][0])


def _rates(
    place: Place,
    name: str,
    rates: Ends,
    nominal: tuple[float, float],
    known: tuple[float, float] | None,
    note: str,
) -> list[CoverageRow]:
    expected = (None, None) if known is None else known
    return [
        place.row(f"{name}: {what}", level, share, known=rate, note=note)
        for what, level, share, rate in zip(("alpha", "beta"), nominal, rates, expected, strict=True)
    ]


def blank_rows(design: str, counts: Sequence[int], ratio: float):
    """The definitions that rest on blanks."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = readings(rng, studies, counts, ratio, CONSTANT / (1 + ratio) ** 0.5)
        n, replicated = y.shape[1], max(counts) > 1
        place = Place("detection", design, f"{ratio_text(ratio)}, s = 0.03 + 0.018 x")
        plain = Place("detection", design, f"{ratio_text(ratio)}, s = 0.03 at every level")
        mean, critical = iupac(y)
        s = y.std(axis=1, ddof=1)
        both = (ALPHA, ALPHA)
        lost = RUNS_LOST if replicated and ratio >= 1 else AVERAGED
        rows = []
        for at, growth in ((plain, 0.0), (place, GROWTH)):
            rows += _rates(at, "IUPAC 1997", attained(mean, critical, 2 * critical, growth), both, None, lost)
        truth = float(critical[0] / s[0]) * CONSTANT
        bounds = [nct.ppf(p, n - 1, float(critical[0] / s[0]) * n**0.5) / n**0.5 for p in (0.025, 0.975)]
        if not replicated:
            rows.append(
                place.row(
                    "IUPAC 1997: interval of L_C", 0.95, holds((mean + bounds[0] * s, mean + bounds[1] * s), truth)
                )
            )
        else:
            found = precision_of(y, counts)
            middle, distance = iupac_runs(found)
            for at, growth in ((plain, 0.0), (place, GROWTH)):
                rates = attained(middle, distance, 2 * distance, growth)
                rows += _rates(at, "IUPAC 1997, runs kept", rates, both, None, AVERAGED)
            rows.append(
                place.row(
                    "IUPAC 1997, runs kept: interval of L_C",
                    0.95,
                    holds(iupac_runs_interval(found), true_limit(counts, ratio)),
                    more=True,
                    note=SAFE_SIDE,
                )
            )
        if ratio == 0:
            threes = attained(mean, 3 * s, 3 * s, GROWTH)
            rare, often = (float(t_distribution.sf(k / (1 + 1 / n) ** 0.5, n - 1)) for k in (3.0, 1.645))
            rows += _rates(place, "blank 3s", threes, (ALPHA, ALPHA), (rare, 0.5), f"{NO_RATE} {HALF}")
            old = attained(mean, 1.645 * s, 3.29 * s, GROWTH)
            rows += _rates(
                place, "mean + 1.645 s, mean + 3.29 s (not reported)", old, both, (often, often + 0.01), TOO_FEW
            )
        return rows

    return simulate


def groups() -> list[Group]:
    """Every design and truth."""
    made = []
    for design, counts in BLANKS.items():
        for ratio in RATIOS:
            few = 4000 if counts == (2,) * 5 and ratio in (0.0, 0.25) else None
            made.append(Group(f"blanks: {design}, {ratio:g}", 10_000, few, blank_rows(design, counts, ratio)))
    return made
