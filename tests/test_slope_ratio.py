"""Slopes and their ratios: R and statsmodels on published data, properties, what cannot be drawn."""

from __future__ import annotations

import shutil
import subprocess
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
import yaml
from scipy import stats
from scipy.optimize import brentq

from validation.stats.slope_ratio import level_weights, slope_ratios, slope_ratios_by_run

ASSAY = yaml.safe_load((Path(__file__).parent / "reference" / "rat-pantothenic.yaml").read_text(encoding="utf-8"))[
    "data"
]
SAMPLES = ("U1", "U2", "U3")

# The ends of an interval are where the F test of the model with this ratio, against that without it, has p = 0.05.
SCRIPT = """
dose <- c(%s); sample <- c(%s); titre <- c(%s); common <- %s
x <- sapply(c("St", "U1", "U2", "U3"), function(s) dose * (sample == s))
const <- if (common) matrix(1, length(dose)) else sapply(c("St", "U1", "U2", "U3"), function(s) 1 * (sample == s))
full <- lm(titre ~ 0 + const + x)
b <- tail(coef(full), 4)
for (k in 2:4) {
  gap <- function(rho) {
    held <- x; held[, 1] <- x[, 1] + rho * x[, k]; held <- held[, -k]
    rise <- deviance(lm(titre ~ 0 + const + held)) - deviance(full)
    rise / (deviance(full) / df.residual(full)) - qf(0.95, 1, df.residual(full))
  }
  ratio <- b[k] / b[1]
  low <- uniroot(gap, c(0.5, 1) * ratio, tol = 1e-12)$root
  high <- uniroot(gap, c(1, 1.7) * ratio, tol = 1e-12)$root
  cat(sprintf("%%.12g ", c(ratio, low, high)), "\\n")
}
"""


def assay(*, common: bool, **options):
    return slope_ratios(
        ASSAY["dose"], ASSAY["titre"], ASSAY["sample"], reference="St", common_intercept=common, **options
    )


@pytest.mark.parametrize("common", [True, False], ids=["common-intercept", "own-intercepts"])
def test_slope_ratios_match_nested_models_of_r(common):
    # Data: Bliss 1952, see rat-pantothenic.yaml. Second witness: R's lm and anova, where R is installed.
    program = shutil.which("Rscript")
    if program is None:
        pytest.skip("Rscript is not on the path")
    dose, titre = (", ".join(map(str, ASSAY[key])) for key in ("dose", "titre"))
    sample = ", ".join(f'"{name}"' for name in ASSAY["sample"])
    script = SCRIPT % (dose, sample, titre, "TRUE" if common else "FALSE")
    answer = subprocess.run([program, "--vanilla", "-e", script], capture_output=True, text=True, timeout=600)
    assert answer.returncode == 0, answer.stderr
    expected = [[float(word) for word in line.split()] for line in answer.stdout.splitlines()]
    found = assay(common=common)
    for name, (ratio, low, high) in zip(SAMPLES, expected, strict=True):
        estimate = found.line(name).ratio
        assert estimate.value == pytest.approx(ratio, rel=1e-10)
        assert estimate.interval(0.95) == pytest.approx((low, high), rel=1e-8)


@pytest.mark.parametrize("common", [True, False], ids=["common-intercept", "own-intercepts"])
def test_weighted_slopes_and_ratios_match_statsmodels(common):
    # statsmodels WLS with the same design; ends of the ratio where its t test of b_k - rho b_St has p = 0.05.
    dose, sample = np.array(ASSAY["dose"], float), np.array(ASSAY["sample"])
    weights = 1 / (0.1 + 0.05 * dose) ** 2
    names = ["St", *SAMPLES]
    one = np.column_stack([sample == name for name in names]).astype(float)
    design = np.hstack([np.ones((len(dose), 1)) if common else one, one * dose[:, None]])
    fit = sm.WLS(ASSAY["titre"], design, weights=weights).fit()
    found = assay(common=common, weights=weights)
    first = design.shape[1] - 4
    for i, name in enumerate(names):
        line = found.line(name)
        assert line.slope.value == pytest.approx(fit.params[first + i], rel=1e-10)
        assert line.slope.interval(0.95) == pytest.approx(fit.conf_int()[first + i], rel=1e-9)
        assert line.slope.degrees_of_freedom == fit.df_resid
        if name == "St":
            assert line.ratio is None
            continue
        ratio = fit.params[first + i] / fit.params[first]

        def gap(rho, i=i):
            contrast = np.zeros(design.shape[1])
            contrast[first + i], contrast[first] = 1, -rho
            return float(fit.t_test(contrast).pvalue) - 0.05

        ends = brentq(gap, 0.5 * ratio, ratio, xtol=1e-13), brentq(gap, ratio, 1.7 * ratio, xtol=1e-13)
        assert line.ratio.value == pytest.approx(ratio, rel=1e-10)
        assert line.ratio.interval(0.95) == pytest.approx(ends, rel=1e-8)
    assert found.lines[0].intercept == pytest.approx(fit.params[0], rel=1e-10)
    assert np.allclose(found.residuals, fit.resid, atol=1e-12)


def runs(seed=5, *, lines=("A", "B"), levels=(0, 2, 5), count=6, slopes=(1.0, 0.9), blanks=(0.0, 0.3), gain=0.02):
    rng = np.random.default_rng(seed)
    x, y, line, run = [], [], [], []
    for r in range(count):
        factor = 1 + gain * rng.normal()
        for name, slope, blank in zip(lines, slopes, blanks, strict=True):
            for level in levels:
                x.append(level)
                y.append(round(blank + factor * slope * level + 0.03 * rng.normal(), 4))
                line.append(name)
                run.append(f"R{r}")
    return np.array(x, float), y, line, run


def test_ratio_by_run_matches_lines_of_statsmodels_run_by_run():
    # statsmodels WLS in every run and line; Fieller by inversion with scipy.stats.ttest_1samp over the runs.
    x, y, line, run = runs()
    weights = 1 / (0.03 + 0.01 * x) ** 2
    found = slope_ratios_by_run(x, y, line, run, reference="A", weights=weights)
    slopes = {}
    for name in ("A", "B"):
        for r in dict.fromkeys(run):
            here = (np.array(line) == name) & (np.array(run) == r)
            fit = sm.WLS(np.array(y)[here], sm.add_constant(x[here]), weights=weights[here]).fit()
            slopes.setdefault(name, []).append(fit.params[1])
    expected = stats.ttest_1samp(slopes["B"], 0).confidence_interval(0.9)
    assert found.lines[1].slope.interval(0.9) == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert found.lines[1].ratio.value == pytest.approx(np.mean(slopes["B"]) / np.mean(slopes["A"]), rel=1e-12)
    for end in found.lines[1].ratio.interval(0.9):
        p = stats.ttest_1samp(np.array(slopes["B"]) - end * np.array(slopes["A"]), 0).pvalue
        assert p == pytest.approx(0.1, rel=1e-8)
    assert list(found.lines[1].run_slopes) == pytest.approx(slopes["B"], rel=1e-12)


def test_what_a_run_does_to_all_slopes_falls_out_of_their_ratio():
    # Property: calibration errors of 20 % from run to run widen a slope, and hardly the ratio.
    calm, wild = (slope_ratios_by_run(*runs(gain=gain), reference="A") for gain in (0.0, 0.2))
    widths = [
        [np.diff(e.interval(0.9))[0] for e in (found.lines[1].slope, found.lines[1].ratio)] for found in (calm, wild)
    ]
    assert widths[1][0] > 10 * widths[0][0]
    assert widths[1][1] < 2 * widths[0][1]


def test_a_blank_of_its_own_stays_out_of_a_slope_ratio():
    # Property: adding a constant to every result of one line leaves its ratio where intercepts are its own.
    x, y, line, run = runs()
    moved = [value + (0.7 if name == "B" else 0.0) for value, name in zip(y, line, strict=True)]
    for function, further in ((slope_ratios_by_run, [run]), (slope_ratios, [])):
        before, after = (function(x, values, line, *further, reference="A") for values in (y, moved))
        assert after.lines[1].ratio.interval(0.95) == pytest.approx(before.lines[1].ratio.interval(0.95), rel=1e-9)


def test_units_of_level_and_result_leave_ratios():
    x, y, line, run = runs()
    plain = slope_ratios_by_run(x, y, line, run, reference="A", common_intercept=True)
    scaled = slope_ratios_by_run(
        1000 * x, [0.01 * value for value in y], line, run, reference="A", common_intercept=True
    )
    assert scaled.lines[1].ratio.interval(0.95) == pytest.approx(plain.lines[1].ratio.interval(0.95), rel=1e-9)
    assert scaled.lines[0].slope.value == pytest.approx(1e-5 * plain.lines[0].slope.value, rel=1e-9)


def test_small_slopes_on_large_results_survive():
    x, y, line, run = runs()
    large = [Decimal(10) ** 9 + Decimal(str(value)) for value in y]
    found = slope_ratios_by_run(x, large, line, run, reference="A")
    assert found.lines[1].ratio.interval(0.95) == pytest.approx(
        slope_ratios_by_run(x, y, line, run, reference="A").lines[1].ratio.interval(0.95), rel=1e-9
    )


def test_runs_that_lack_a_line_are_left_out_and_named():
    x, y, line, run = runs()
    keep = [not (name == "B" and r in ("R0", "R1")) for name, r in zip(line, run, strict=True)]
    part = [[value for value, held in zip(values, keep, strict=True) if held] for values in (x, y, line, run)]
    found = slope_ratios_by_run(*part, reference="A")
    assert found.lines[1].ratio.units == 4
    assert found.lines[0].slope.units == 6
    assert any("run R0, R1" in note for note in found.notes)
    # Never in one run together: a value, no interval.
    apart = [f"{r}-{name}" for name, r in zip(line, run, strict=True)]
    lone = slope_ratios_by_run(x, y, line, apart, reference="A").lines[1].ratio
    assert lone.interval(0.95) is None
    assert "no run together" in lone.notes[0]


def test_exact_lines_and_lines_without_freedom_have_no_interval():
    exact = slope_ratios([0, 1, 2, 0, 1, 2], [0, 1, 2, 0, 2, 4], list("AAABBB"), reference="A")
    assert exact.lines[1].ratio.value == pytest.approx(2)
    assert exact.lines[1].ratio.interval(0.95) is None
    bare = slope_ratios([0, 2, 0, 2], [0.1, 2.2, 0.0, 1.9], list("AABB"), reference="A")
    assert bare.lines[1].ratio.interval(0.95) is None
    assert "As many coefficients" in bare.lines[1].ratio.notes[0]
    assert slope_ratios([0, 1, 2, 0, 1, 2], [1, 2, 1, 0, 2, 4], list("AAABBB"), reference="A").lines[1].ratio is None


def test_a_flat_reference_gives_an_unbounded_set_and_says_so():
    found = slope_ratios([0, 1, 2, 3] * 2, [1.0, 1.4, 0.9, 1.3, 0, 1, 2, 3.1], list("AAAABBBB"), reference="A")
    assert found.lines[1].ratio.interval(0.95) is None
    assert "no two ends" in found.lines[1].ratio.notes_at(0.95)[0]


def test_unfit_input_is_refused():
    with pytest.raises(ValueError, match="'C' has no line"):
        slope_ratios([0, 1], [0, 1], ["A", "A"], reference="C")
    with pytest.raises(ValueError, match=r"must have one length; got \[1, 2\]"):
        slope_ratios([0, 1], [0], ["A", "A"], reference="A")
    with pytest.raises(ValueError, match="weights positive"):
        slope_ratios([0, 1], [0, 1], ["A", "A"], reference="A", weights=[1, 0])


def test_weights_follow_the_scatter_and_else_are_equal():
    # Scatter that grows in proportion: weights fall with the square of the level (by hand).
    levels = [1.0] * 4 + [10.0] * 4
    results = [0.9, 1.1, 0.95, 1.05, 9.0, 11.0, 9.5, 10.5]
    weights, _ = level_weights(levels, results, ["A"] * 8)
    # Not quite 100: at level zero the fitted scatter is held above a thousandth of that at the highest level.
    assert weights[0] / weights[-1] == pytest.approx(100, rel=0.03)
    equal, notes = level_weights([1, 2], [1, 2], ["A", "A"])
    assert equal.tolist() == [1, 1]
    assert "weight all readings equally" in notes[0]
