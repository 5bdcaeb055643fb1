"""Calibration against certified values, printed examples and general-purpose libraries."""

from __future__ import annotations

import doctest
import json
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
import yaml
from profiles import sizes
from scipy import optimize, stats
from small_study import small_study

from validation.characteristics.calibration import CHARACTERISTIC
from validation.figures import calibration as figures
from validation.stats import calibration as calibration_statistics
from validation.stats import outliers, regression, reproducibility
from validation.stats.calibration import departures, other_calibrations, single_point_bias
from validation.stats.regression import line_through_zero, polynomial, quadratic, straight_line
from validation.stats.straightness import lack_of_fit, mandel, sd_of_readings, weighted_tests
from validation.stats.variance_function import linear_sd, linear_sd_many

REFERENCE = Path(__file__).parent / "reference"
LEVELS = (0.0, 0.5, 1.0, 2.0, 4.0, 5.0, 7.5, 10.0)


def example(name):
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def printed(text):
    """A printed value with a tolerance of half a unit of its last digit."""
    value = Decimal(text)
    return pytest.approx(float(value), abs=0.5 * 10.0 ** value.as_tuple().exponent, rel=0)


def certified(text):
    """A certified value of NIST StRD: held to ten digits, which double precision keeps on these sets."""
    return pytest.approx(float(text), rel=1e-10)


def line_values(fit):
    errors = fit.standard_errors
    return {
        "intercept": fit.intercept,
        "slope": fit.slope,
        "se_intercept": errors[0],
        "se_slope": errors[-1],
        "residual_sd": fit.residual_sd,
        "r_squared": 1 - fit.residual_sum / fit.total_sum,
        "ss_regression": fit.total_sum - fit.residual_sum,
        "ss_residual": fit.residual_sum,
        "F": (fit.total_sum - fit.residual_sum) / (fit.residual_sum / fit.degrees_of_freedom),
    }


# --- least squares ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "fit"),
    [
        ("cal-nist-norris", straight_line),
        ("cal-nist-noint1", line_through_zero),
        ("cal-nist-noint2", line_through_zero),  # recalled data and values; they reproduce
    ],
)
def test_line_matches_nist_strd(name, fit):
    # Source: NIST StRD, Linear Regression, certified values.
    case = example(name)
    found = line_values(fit(case["data"]["x"], case["data"]["y"]))
    for key, text in case["expected"].items():
        assert found[key] == certified(text), key


def test_quadratic_matches_nist_strd_pontius():
    # Source: NIST StRD, Linear Regression, Pontius, certified values.
    case = example("cal-nist-pontius")
    fit = quadratic(case["data"]["x"], case["data"]["y"])
    for power in (0, 1, 2):
        assert fit.coefficients[power] == certified(case["expected"][f"b{power}"])
        assert fit.standard_errors[power] == certified(case["expected"][f"se_b{power}"])
    assert fit.residual_sd == certified(case["expected"]["residual_sd"])
    assert 1 - fit.residual_sum / fit.total_sum == certified(case["expected"]["r_squared"])


def test_line_matches_gum_h3():
    # Source: JCGM 100:2008 (GUM), H.3.
    case = example("cal-gum-h3")
    shifted = [t - case["data"]["t0"] for t in case["data"]["t"]]
    fit, expected = straight_line(shifted, case["data"]["b"]), case["expected"]
    errors = fit.standard_errors
    assert fit.intercept == printed(expected["y1"])
    assert fit.slope == printed(expected["y2"])
    assert errors[0] == printed(expected["u_y1"])
    assert errors[1] == printed(expected["u_y2"])
    assert fit.covariance[0, 1] / errors[0] / errors[1] == printed(expected["r"])
    assert fit.residual_sd == printed(expected["s"])
    at = case["data"]["t_pred"] - case["data"]["t0"]
    assert fit.predict(at) == printed(expected["b_30"])
    assert fit.standard_error_at(at) == printed(expected["u_b_30"])


def test_line_matches_hplc_dye_calibration():
    # Source: Berthouex and Brown 2002, Tables 34.1 and 34.2; values of its `discrepancies` come from rounded steps.
    case = example("cal-hplc-bailey")
    fit, expected = straight_line(case["data"]["x"], case["data"]["y"]), case["expected"]
    found = line_values(fit)
    low, high = fit.coefficient(1).interval(0.95)
    found |= {"residual_variance": fit.residual_sd**2, "b1_low": low, "b1_high": high}
    found |= {"x_at_22": fit.read_back(case["data"]["y0"]), "t_slope": fit.slope / fit.standard_errors[1]}
    found["b0_high"] = fit.coefficient(0).interval(0.95)[1]
    for key in sorted(set(found) & set(expected) - set(case["discrepancies"])):
        assert found[key] == printed(expected[key]), key
    assert len(set(found) & set(expected)) == 13


def test_weighted_line_matches_iso_28037():
    # Source: ISO/TS 28037:2010, 6.3 example 1 (clause from memory): u(y) known, so no scaling by the scatter.
    case = example("cal-iso28037-equal")
    data, expected = case["data"], case["expected"]
    fit = straight_line(data["x"], data["y"], weights=[1 / u**2 for u in data["u_y"]])
    assert fit.intercept == printed(expected["a"])
    assert fit.slope == printed(expected["b"])
    assert fit.unscaled_covariance[0, 0] ** 0.5 == printed(expected["u_a"])
    assert fit.unscaled_covariance[1, 1] ** 0.5 == printed(expected["u_b"])
    assert fit.unscaled_covariance[0, 1] == printed(expected["cov_ab"])
    assert fit.residual_sum == printed(expected["chi2"])


def test_weighted_cubic_matches_nitrate_calibration():
    # Source: Berthouex and Brown 2002, Tables 37.1 to 37.3: weights 1/s^2 level by level.
    case = example("cal-nitrate-wls")
    peaks, expected = np.array(case["data"]["peaks"], dtype=float), case["expected"]
    x = np.repeat(case["data"]["x_levels"], 3)
    weights = np.repeat(1 / peaks.var(axis=1, ddof=1), 3)
    fit = polynomial(list(x), list(peaks.ravel()), 3, weights=weights)
    for power, name in enumerate(("constant", "x", "x2", "x3")):
        assert fit.coefficients[power] == printed(expected[name])
        assert fit.standard_errors[power] == printed(expected[f"se_{name}"])
    without = polynomial(list(x), list(peaks.ravel()), 3, through_zero=True, weights=weights)
    # x_no_constant: the source rounded its weights (`discrepancies`).
    assert without.coefficients[1] == printed(expected["x2_no_constant"])
    assert without.coefficients[2] == printed(expected["x3_no_constant"])


def test_line_matches_line_width_calibration():
    # Source: NIST/SEMATECH e-Handbook, 2.3.6.7.
    case = example("cal-nist-linewidth")
    found = line_values(straight_line(case["data"]["x"], case["data"]["y"]))
    for key, text in case["expected"].items():
        assert found[key] == printed(text), key


def test_line_matches_nitrite_calibration():
    # Source: ISO 8466-1 type nitrite example, recalled; every recalled value reproduces.
    case = example("cal-iso8466-nitrite")
    fit, expected = straight_line(case["data"]["x"], case["data"]["y"]), case["expected"]
    assert fit.intercept == printed(expected["a"])
    assert fit.slope == printed(expected["b"])
    assert fit.residual_sd == printed(expected["s_y"])
    assert fit.residual_sd / fit.slope == printed(expected["s_x0"])


def test_weighted_line_matches_statsmodels():
    # Reference library: statsmodels WLS.
    rng = np.random.default_rng(5)
    x, y, w = rng.uniform(0, 10, 30), rng.normal(size=30), rng.uniform(0.5, 4, 30)
    other = sm.WLS(y, sm.add_constant(x), weights=w).fit()
    fit = straight_line(list(x), list(y), weights=w)
    assert fit.coefficients == pytest.approx(other.params, rel=1e-10)
    assert fit.standard_errors == pytest.approx(other.bse, rel=1e-10)
    assert fit.coefficient(1).interval(0.9) == pytest.approx(other.conf_int(0.1)[1], rel=1e-10)


def test_large_constant_response_keeps_its_small_part():
    # Property: a constant of 4e14 added to the responses moves the intercept and nothing else.
    case = example("cal-nist-norris")
    y = [Decimal(str(value)) + Decimal(400_000_000_000_000) for value in case["data"]["y"]]
    fit = straight_line(case["data"]["x"], y)
    assert fit.slope == certified(case["expected"]["slope"])
    assert fit.residual_sd == certified(case["expected"]["residual_sd"])


@pytest.mark.parametrize("bad", [([1, 1, 1], [1, 2, 3]), ([1], [1])], ids=["one level", "one reading"])
def test_line_without_two_levels_is_refused(bad):
    with pytest.raises(ValueError, match="at least 2 readings at 2 different levels"):
        straight_line(*bad)


# --- spread as a function of the level -------------------------------------------------------------------------------


def test_linear_sd_matches_direct_maximisation():
    # Reference library: scipy.optimize on the likelihood written out in a and b.
    x, df = np.array(LEVELS), np.full(8, 6.0)
    sums = (0.03 + 0.018 * x) ** 2 * np.random.default_rng(2).chisquare(df)

    def minus_log_likelihood(ab):
        s = ab[0] + ab[1] * x
        return float((df * np.log(s) + sums / (2 * s**2)).sum())

    other = optimize.minimize(minus_log_likelihood, [0.05, 0.01], bounds=[(1e-6, 1), (0, 1)], tol=1e-14)
    found = linear_sd(x, sums, df)
    assert minus_log_likelihood([found.constant, found.slope]) <= other.fun + 1e-9
    assert (found.constant, found.slope) == pytest.approx(tuple(other.x), rel=1e-4)


def test_linear_sd_recovers_a_noise_free_spread():
    # Property: sums equal to their expectation give back a and b.
    x, df = np.array(LEVELS), np.arange(2.0, 10.0)
    found = linear_sd(x, df * (0.03 + 0.018 * x) ** 2, df)
    assert (found.constant, found.slope) == pytest.approx((0.03, 0.018), rel=1e-6)


def test_linear_sd_of_falling_spread_is_constant_and_said():
    # Property: at the bound b = 0 the estimate is the pooled standard deviation.
    found = linear_sd([0, 1, 2], [9.0, 4.0, 1.0], [2, 2, 2])
    assert (found.constant, found.slope) == pytest.approx(((14 / 6) ** 0.5, 0.0), rel=1e-9)
    assert "does not grow" in found.notes[0]


def test_linear_sd_many_equals_one_by_one():
    x, df = np.array(LEVELS), np.full(8, 2.0)
    sums = (0.03 + 0.018 * x) ** 2 * np.random.default_rng(4).chisquare(2, (20, 8))
    constant, slope = linear_sd_many(x, sums[:, None, :], df[None, None, :])
    single = [linear_sd(x, row, df) for row in sums]
    assert constant[:, 0] == pytest.approx([one.constant for one in single], abs=1e-12)
    assert slope[:, 0] == pytest.approx([one.slope for one in single], abs=1e-12)


def test_linear_sd_without_replicates_is_refused():
    with pytest.raises(ValueError, match="no replicates"):
        linear_sd([0, 1], [0, 0], [0, 0])


# --- tests of straightness -------------------------------------------------------------------------------------------


def test_lack_of_fit_matches_statsmodels_on_line_width():
    # Data: NIST/SEMATECH e-Handbook, 2.3.6.7. Reference library: statsmodels, nested comparison.
    data = pd.DataFrame(example("cal-nist-linewidth")["data"])
    codes = data["x"].rank(method="dense").astype(int) - 1
    found = lack_of_fit(list(data["x"]), list(data["y"]), codes)
    f, p, df = smf.ols("y ~ C(x)", data).fit().compare_f_test(smf.ols("y ~ x", data).fit())
    assert (found.statistic, found.p) == pytest.approx((f, p), rel=1e-8)
    assert (found.numerator_df, found.denominator_df) == (df, 30)


def test_mandel_matches_statsmodels_on_nitrite():
    # Data: recalled nitrite example. Reference library: statsmodels, nested comparison.
    data = pd.DataFrame(example("cal-iso8466-nitrite")["data"])
    f, p, _ = smf.ols("y ~ x + I(x**2)", data).fit().compare_f_test(smf.ols("y ~ x", data).fit())
    found = mandel(list(data["x"]), list(data["y"]))
    assert (found.statistic, found.p) == pytest.approx((f, p), rel=1e-8)


def test_lack_of_fit_without_replicates_says_so():
    assert "No replicates" in lack_of_fit([0, 1, 2], [0, 1, 3], [0, 1, 2]).reason


def simulated(seed, runs=3, replicates=1, bend=0.0, run_effects=True):
    """Readings on a line (or with a bend above 5) with s = 0.03 + 0.018 x; truth known."""
    rng = np.random.default_rng(seed)
    x = np.tile(np.repeat(LEVELS, replicates), runs)
    level = np.tile(np.repeat(np.arange(len(LEVELS)), replicates), runs)
    run = np.repeat(np.arange(runs), len(LEVELS) * replicates)
    y = x - bend * np.maximum(0, x - 5) ** 2 + rng.normal(size=len(x)) * (0.03 + 0.018 * x)
    if run_effects:
        y = y + rng.normal(0, 0.02, runs)[run] + rng.normal(0, 0.012, runs)[run] * x
    return x, y, level, run


@pytest.mark.filterwarnings("ignore:The design matrix is rank-deficient")
@pytest.mark.parametrize("runs", [None, 3])
def test_weighted_statistics_match_statsmodels(runs):
    # Reference library: statsmodels WLS with the weights of the fitted s(x), nested comparison.
    x, y, level, run = simulated(11, replicates=3 if runs is None else 1)
    found = weighted_tests(x, y, level, None if runs is None else run, draws=99)
    data = pd.DataFrame({"x": x, "y": y, "level": level, "run": run})
    weights = 1 / (found.sd.constant + found.sd.slope * x) ** 2
    base = "y ~ x" if runs is None else "y ~ C(run) + C(run):x"
    line, bend, full = (
        smf.wls(formula, data, weights=weights).fit() for formula in (base, f"{base} + I(x**2)", f"{base} + C(level)")
    )
    assert found.lack_of_fit_F == pytest.approx(full.compare_f_test(line)[0], rel=1e-6)
    assert found.curvature_F == pytest.approx((line.ssr - bend.ssr) / full.mse_resid, rel=1e-6)


def test_weighted_tests_ignore_lines_of_the_runs():
    # Property: an intercept and a slope of its own for each run change nothing.
    x, y, level, run = simulated(3, replicates=2, run_effects=False)
    one = weighted_tests(x, y, level, run, draws=199)
    two = weighted_tests(
        x, y + np.array([0.4, -1.0, 2.0])[run] + np.array([0.1, 0.0, -0.2])[run] * x, level, run, draws=199
    )
    assert two.lack_of_fit_F == pytest.approx(one.lack_of_fit_F, rel=1e-6)
    assert two.lack_of_fit_p.value == one.lack_of_fit_p.value
    assert two.curvature_p.value == one.curvature_p.value


def test_weighted_tests_do_not_depend_on_unit_or_row_order():
    x, y, level, run = simulated(3, replicates=2)
    one = weighted_tests(x, y, level, run, draws=199)
    back = np.argsort(-np.arange(len(x)))
    two = weighted_tests(x[back], 400 * y[back] + 7, level[back], run[back], draws=199)
    assert two.lack_of_fit_p.value == one.lack_of_fit_p.value
    assert two.sd.slope == pytest.approx(400 * one.sd.slope, rel=1e-6)


@sizes("sets", 20, 80)
@pytest.mark.parametrize("runs", [None, 3], ids=["readings", "runs"])
def test_false_alarms_of_weighted_tests_are_near_5_percent(runs, sets):
    # Truth known: straight lines. Binomial bound: so many alarms at 5 % come once in 1000 times (12 of 80 sets).
    p = []
    for seed in range(sets):
        x, y, level, run = simulated(seed, replicates=2, run_effects=runs is not None)
        found = weighted_tests(x, y, level, None if runs is None else run, draws=99, seed=seed)
        p.append((found.lack_of_fit_p.value, found.curvature_p.value))
    p = np.array(p)
    assert np.all((p <= 0.05).sum(axis=0) < stats.binom.isf(0.001, sets, 0.05) + 1)
    # p is uniform where the line is straight: its mean is 0.5 +- 3.5 standard errors of so many values.
    assert np.all(np.abs(p.mean(axis=0) - 0.5) < 3.5 * 0.289 / sets**0.5)


def test_weighted_tests_see_a_bend():
    # Truth known: the bend of 0.028 (x - 5)^2 above 5, three runs in triplicate.
    seen = [weighted_tests(*simulated(seed, 3, 3, bend=0.028), draws=199).curvature_p.value for seed in range(10)]
    assert max(seen) < 0.05


def test_weighted_tests_without_replicates_or_runs_say_so():
    x, y, level, _ = simulated(1, runs=1)
    found = weighted_tests(x, y, level)
    assert found.lack_of_fit_p is None
    assert "No replicates" in found.reason


def test_weighted_tests_of_one_run_take_the_reading_as_unit():
    x, y, level, run = simulated(1, runs=1, replicates=3)
    found = weighted_tests(x, y, level, run, draws=99)
    assert found.unit == "reading"
    assert "One run only" in found.notes[0]


def test_bootstrap_p_interval_is_exact_binomial():
    # Reference library: scipy.stats.binomtest, Clopper-Pearson.
    x, y, level, run = simulated(8)
    p = weighted_tests(x, y, level, run, draws=199).curvature_p
    beyond = round(p.value * 200) - 1
    assert p.interval(0.95) == pytest.approx(tuple(stats.binomtest(beyond, 199).proportion_ci(0.95)), abs=1e-9)


# --- departures and one-point calibration ----------------------------------------------------------------------------


def bent(x):
    return x - 0.028 * np.maximum(0, x - 5) ** 2


def test_single_point_bias_of_a_known_truth():
    # Truth known, no noise: 5 (f(x) + 0.03) / (f(5) + 0.03) - x in every run, whatever the factor of the run.
    x, level, run = np.tile(LEVELS, 3), np.tile(np.arange(8), 3), np.repeat([0, 1, 2], 8)
    y = (bent(x) + 0.03) * np.array([380.0, 400.0, 420.0])[run]
    found = single_point_bias(x, y, level, run, routine=5)
    expected = 5 * (bent(np.array(LEVELS)) + 0.03) / (5.0 + 0.03) - np.array(LEVELS)
    assert [one.value for one in found] == pytest.approx(list(expected), abs=1e-12)
    assert found[5].interval(0.95) == (0.0, 0.0)
    assert "by construction" in found[5].notes[0]


def test_single_point_interval_is_t_over_runs():
    # Reference library: scipy.stats.t on the three runs' own errors, worked out by hand at level 10.
    x, y, level, run = simulated(6, replicates=2)
    found = single_point_bias(x, y, level, run, routine=5)[7]
    own = [y[(run == r) & (level == 7)].mean() * 5 / y[(run == r) & (level == 5)].mean() - 10 for r in range(3)]
    assert found.interval(0.9) == pytest.approx(stats.t.interval(0.9, 2, np.mean(own), stats.sem(own)), rel=1e-12)


def test_run_without_the_routine_level_is_left_out_and_said():
    x, y, level, run = simulated(6)
    kept = ~((run == 1) & (level == 5))
    found = single_point_bias(x[kept], y[kept], level[kept], run[kept], routine=5)[7]
    assert found.units == 2
    assert any("1 run without the routine level was left out" in note for note in found.notes)


def test_single_point_bias_of_one_run_has_the_interval_of_its_replicates():
    # Open library: stats.t.interval of scipy.
    # Welch-Satterthwaite with a zero variance at one of the two levels leaves that of the other: a plain t interval.
    x, level = [0.0, 0.0, 5.0, 5.0, 10.0, 10.0, 10.0], [0, 0, 1, 1, 2, 2, 2]
    y = [0.0, 0.1, 5.0, 5.0, 9.8, 10.0, 10.5]
    found = single_point_bias(x, y, level, routine=1)[2]
    own = np.array([9.8, 10.0, 10.5]) - 10
    assert found.interval(0.95) == pytest.approx(stats.t.interval(0.95, 2, own.mean(), stats.sem(own)), rel=1e-9)


def test_departure_of_a_balanced_design_is_the_mean_of_the_runs():
    # Property: with the same levels in each run the common line is the mean line. Reference library: numpy.polyfit.
    x, y, level, run = simulated(9, replicates=2, bend=0.028)
    found = departures(x, y, level, run)
    common = np.polyfit(x, y, 1)[0]
    own = [
        [
            (y - np.polyval(np.polyfit(x[run == r], y[run == r], 1), x))[(run == r) & (level == k)].mean()
            for k in range(8)
        ]
        for r in range(3)
    ]
    own = np.array(own) / common
    assert [one.value for one in found] == pytest.approx(list(own.mean(axis=0)), abs=1e-12)
    low, high = stats.t.interval(0.95, 2, own.mean(axis=0), stats.sem(own))
    assert [one.interval(0.95)[0] for one in found] == pytest.approx(list(low), abs=1e-12)
    assert [one.interval(0.95)[1] for one in found] == pytest.approx(list(high), abs=1e-12)


def test_departure_of_unequal_runs_is_the_mean_of_the_runs_too():
    # Reference library: numpy.polyfit and scipy.stats.t. Cells of 1 or 2 readings, a run that lacks a level, and one of
    # two levels, which has no line to depart from.
    x, y, level, run = simulated(9, replicates=2, bend=0.028, runs=4)
    lost = ((run == 0) & (level == 3)) | ((run == 3) & (level > 1))
    single = (run + level) % 2 == 0
    kept = ~lost & ~(single & (np.arange(len(x)) % 2 == 0))
    x, y, level, run = (part[kept] for part in (x, y, level, run))
    found = departures(x, y, level, run)
    common = np.polyfit(x, y, 1)[0]
    for code in range(8):
        runs = [r for r in range(3) if ((run == r) & (level == code)).any()]
        fits = [np.polyfit(x[run == r], y[run == r], 1) for r in runs]
        cells = [(run == r) & (level == code) for r in runs]
        own = [(y[at] - np.polyval(fit, x[at])).mean() / common for fit, at in zip(fits, cells, strict=True)]
        assert found[code].value == pytest.approx(np.mean(own), abs=1e-12)
        ends = stats.t.interval(0.95, len(own) - 1, np.mean(own), stats.sem(own))
        assert found[code].interval(0.95) == pytest.approx(ends, abs=1e-12)
        assert (found[code].n, found[code].units) == (sum(at.sum() for at in cells), len(runs))
        assert any("without a line to depart from" in note for note in found[code].notes) == (code < 2)


def test_departure_of_a_level_in_one_run_is_that_of_the_common_line():
    # Reference library: numpy.polyfit. Its interval is of replicates, and the note says what the value is.
    x, y, level, run = simulated(9, replicates=2, runs=3)
    kept = ~((run > 0) & (level == 4))
    x, y, level, run = (part[kept] for part in (x, y, level, run))
    one = departures(x, y, level, run)[4]
    slope, intercept = np.polyfit(x, y, 1)
    assert one.value == pytest.approx((y[level == 4].mean() - intercept) / slope - x[level == 4][0], abs=1e-12)
    assert (one.units, one.n) == (None, 2)
    assert any("against the line through all readings" in note for note in one.notes)


def test_departure_of_single_readings_has_no_interval_and_says_so():
    x, y, level, _ = simulated(9, runs=1)
    found = departures(x, y, level)[0]
    assert found.interval(0.95) is None
    assert any("no interval" in note for note in found.notes)


def test_sd_of_readings_is_none_without_replicates():
    x, y, level, run = simulated(9)
    assert sd_of_readings(x, y, level, run) is None


# --- the characteristic ----------------------------------------------------------------------------------------------


def study_of(x, y, run=None, settings=None, **more):
    columns = {"level": [f"{v:g}" for v in x], "response": [f"{v:.5f}" for v in y]}
    if run is not None:
        columns["run"] = [f"R{r}" for r in run]
    study = small_study("calibration", columns, range_=(0.5, 10.0), **more)
    data = replace(study.experiments["calibration"], settings=settings or {})
    return replace(study, experiments={"calibration": data})


CONTRACT = (
    *("slope", "intercept", "residual_sd", "lack_of_fit_F", "lack_of_fit_p", "mandel_F", "mandel_p"),
    *("weighted_lack_of_fit_p", "weighted_curvature_p", "departure", "single_point_bias"),
)


def test_every_contract_key_is_there():
    x, y, _, run = simulated(4, replicates=3, bend=0.028)
    requirement = {"id": "R1", "quantity": "calibration.departure", "rule": "equivalence", "limit": "max(0.15, 5%)"}
    study = study_of(x, 400 * y, run, {"routine_level": 5.0, "response_unit": "Hz"}, requirements=[requirement])
    evaluation = CHARACTERISTIC.evaluate(study)
    keys = {q.key for q in evaluation.quantities}
    assert {f"calibration.{name}" for name in CONTRACT} <= keys
    assert keys == {info.key for info in CHARACTERISTIC.keys}
    assert evaluation.get("calibration.slope").unit == "Hz/%"
    at_ten = evaluation.get("calibration.departure", 10.0)
    assert (at_ten.n, at_ten.units, at_ten.unit_name, len(at_ten.readings)) == (9, 3, "runs", 9)
    assert at_ten.judged_confidence == pytest.approx(0.9)
    assert at_ten.interval[0] < at_ten.judged_interval[0] < at_ten.judged_interval[1] < at_ten.interval[1]
    json.dumps(evaluation.to_dict(), allow_nan=False)
    assert all(sentence.endswith(".") for sentence in CHARACTERISTIC.in_words(evaluation, "%"))
    for name in CHARACTERISTIC.figures:
        figure = getattr(figures, name)(evaluation, study)
        assert figure.axes[0].get_title(loc="left")


def test_linearity_tests_may_not_carry_a_requirement():
    rules = {info.key: info.rules for info in CHARACTERISTIC.keys}
    for name in ("lack_of_fit_F", "lack_of_fit_p", "mandel_F", "mandel_p"):
        assert rules[f"calibration.{name}"] == ()


def test_default_routine_level_is_nearest_the_middle_and_said():
    # The middle of 0.5 to 10 is 5.25; the nearest level is 5.
    x, y, _, run = simulated(4)
    evaluation = CHARACTERISTIC.evaluate(study_of(x, y, run))
    assert evaluation.display.view.routine == 5.0
    assert any("routine_level" in note and "5" in note for note in evaluation.notes)


def test_default_routine_level_is_the_lower_on_a_tie():
    x, y = [0.0, 4.25, 6.25, 10.0] * 2, [0.0, 4.25, 6.3, 10.1, 0.1, 4.2, 6.2, 10.0]
    assert CHARACTERISTIC.evaluate(study_of(x, y)).display.view.routine == 4.25


def test_routine_level_without_readings_is_said():
    x, y, _, run = simulated(4)
    evaluation = CHARACTERISTIC.evaluate(study_of(x, y, run, {"routine_level": 3.0}))
    assert evaluation.get("calibration.single_point_bias", 5.0) is None
    assert any("No reading is at the routine level 3" in note for note in evaluation.notes)


def test_assigned_values_replace_the_level():
    # Truth known: the response is exactly linear in the assigned value, not in the nominal level.
    level, assigned = [0, 1, 2, 4] * 2, [0.0, 1.1, 1.9, 4.2] * 2
    columns = {"level": level, "assigned": assigned, "response": [3 + 2 * value for value in assigned]}
    evaluation = CHARACTERISTIC.evaluate(small_study("calibration", columns, range_=(1.0, 4.0)))
    assert evaluation.get("calibration.slope").value == pytest.approx(2.0, rel=1e-12)
    assert evaluation.get("calibration.departure", 4.0).value == pytest.approx(0.0, abs=1e-12)


def test_order_that_restarts_in_each_run_is_strung_together():
    columns = {
        "level": [0, 5, 10, 0, 5, 10],
        "response": [0.1, 5, 10, 0.2, 5.1, 9.9],
        "run": ["A"] * 3 + ["B"] * 3,
        "order": [2, 1, 3, 3, 1, 2],
    }
    evaluation = CHARACTERISTIC.evaluate(small_study("calibration", columns, range_=(0.5, 10.0)))
    assert [point.order for point in evaluation.display.view.points] == [2, 1, 3, 6, 4, 5]
    assert evaluation.display.view.order_from == "column order, run after run"


def test_flagged_reading_is_kept():
    x, y, _, run = simulated(4, replicates=3)
    y[30] += 3
    study = study_of(x, y, run)
    evaluation = CHARACTERISTIC.evaluate(study)
    assert [flag.reading for flag in evaluation.flags] == ["T-031"]
    assert evaluation.flags[0].kept
    assert evaluation.get("calibration.slope").n == 72
    assert figures.residuals(evaluation, study) is not None


DEGENERATE = {
    "one reading a level, no run": ([0, 1, 2, 4], [0.1, 1.0, 2.1, 3.9], None),
    "two levels": ([0, 0, 5, 5], [0.1, 0.2, 5.0, 5.2], [0, 1, 0, 1]),
    "two readings": ([0, 5], [0.1, 5.0], None),
    "no scatter": ([0, 0, 1, 1, 2, 2], [0, 0, 1, 1, 2, 2], None),
    "same response everywhere": ([0, 0, 1, 1, 2, 2], [3, 3, 3, 3, 3, 3], None),
    "runs of one level each": ([0, 0, 5, 5, 10, 10], [0.1, 0.2, 5, 5.1, 9, 9.1], [0, 0, 1, 1, 2, 2]),
    "blanks that read alike": ([0, 0, 0, 1, 1, 1, 2, 2, 2], [0, 0, 0, 1, 1.1, 0.9, 2, 2.2, 1.9], None),
    "blank response of zero at the routine level": ([0, 0, 5, 5, 10, 10], [1, 2, 0, 0, 3, 4], None),
}


@pytest.mark.parametrize("name", DEGENERATE)
def test_degenerate_readings_give_fewer_quantities_and_a_sentence(name):
    x, y, run = DEGENERATE[name]
    study = study_of(x, y, run)
    evaluation = CHARACTERISTIC.evaluate(study)
    assert evaluation.get("calibration.intercept") is not None
    assert any("not available" in note or "no " in note.lower() for note in evaluation.notes)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    CHARACTERISTIC.in_words(evaluation, "%")
    for figure in CHARACTERISTIC.figures:
        getattr(figures, figure)(evaluation, study)


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"level": [5, 5], "response": [1, 2]}, "All readings are at one level"),
        ({"level": ["low", "high"], "response": [1, 2]}, "levels are labels"),
        ({"level": [], "response": []}, "awaits readings"),
    ],
    ids=["one level", "labels", "awaiting"],
)
def test_what_is_missing_is_said(columns, said):
    assert said in CHARACTERISTIC.evaluate(small_study("calibration", columns)).missing


def test_label_levels_with_assigned_values_are_used():
    columns = {"level": ["a", "b", "c"] * 2, "assigned": [0, 5, 10] * 2, "response": [0.1, 5, 10, 0.2, 5.1, 9.9]}
    study = small_study("calibration", columns, range_=(0.5, 10.0))
    evaluation = CHARACTERISTIC.evaluate(study)
    assert evaluation.get("calibration.departure", "c") is not None
    assert evaluation.display.view.routine == "b"
    assert figures.single_point_bias_by_level(evaluation, study) is not None


# --- what must not be claimed ----------------------------------------------------------------------------------------


def test_levels_below_zero_are_no_fault():
    # Truth known: the line is exact but for a small alternating error.
    x = [-3.0, -2.0, -1.0] * 4
    y = [3 + 2 * level + 0.01 * (-1) ** i for i, level in enumerate(x)]
    evaluation = CHARACTERISTIC.evaluate(study_of(x, y, [0] * 6 + [1] * 6))
    assert evaluation.get("calibration.slope").value == pytest.approx(np.polyfit(x, y, 1)[0], rel=1e-6)
    assert any("below zero counts as level zero" in note for note in evaluation.notes)
    assert evaluation.get("calibration.sd_slope").value == 0
    json.dumps(evaluation.to_dict(), allow_nan=False)


def test_default_routine_level_ties_in_decimals_that_doubles_would_part():
    # 0.1 and 0.3 lie as far from 0.2; as doubles 0.3 lies nearer.
    x = [0.1, 0.3, 0.5] * 2
    y = [0.1, 0.31, 0.5, 0.11, 0.3, 0.52]
    study = small_study("calibration", {"level": x, "response": y}, range_=(0.1, 0.3))
    assert CHARACTERISTIC.evaluate(study).display.view.routine == 0.1


def test_two_readings_have_no_residual_standard_deviation():
    evaluation = CHARACTERISTIC.evaluate(study_of([0.0, 5.0], [0.1, 5.0]))
    assert evaluation.get("calibration.residual_sd") is None
    assert any("no residual standard deviation" in note for note in evaluation.notes)


def test_readings_on_the_line_claim_no_interval():
    # An interval without width would meet any limit.
    x = [0.0, 1.0, 2.0, 4.0] * 4
    evaluation = CHARACTERISTIC.evaluate(study_of(x, [3 + 2 * level for level in x], [0] * 8 + [1] * 8))
    for q in evaluation.quantities:
        by_construction = q.key == "calibration.single_point_bias" and q.at == evaluation.display.view.routine
        if not by_construction:
            assert q.interval is None or q.interval[1] - q.interval[0] > 1e-9, q.key
    assert any("hidden by the rounding" in note for note in evaluation.get("calibration.slope").notes)
    assert any("hidden by the rounding" in note for note in evaluation.get("calibration.departure", 4.0).notes)


def test_one_point_bias_names_the_readings_behind_its_factors():
    x, y, _, run = simulated(6, replicates=2)
    kept = ~((run == 1) & (x == 5.0))
    study = study_of(x[kept], y[kept], run[kept], {"routine_level": 5.0})
    evaluation = CHARACTERISTIC.evaluate(study)
    q = evaluation.get("calibration.single_point_bias", 10.0)
    table = study.experiments["calibration"].table
    behind = set(table["reading"][table["level"].isin([5.0, 10.0]) & (table["run"] != "R1")])
    assert set(q.readings) == behind
    assert q.n == len(behind) == 8
    assert evaluation.get("calibration.single_point_bias", 5.0).n == 4


def test_a_censored_response_counts_against_whatever_rests_on_the_line():
    x, y, _, run = simulated(4, replicates=2)
    study = study_of(x, y, run, {"routine_level": 5.0})
    data = study.experiments["calibration"]
    readings = [replace(r, status="censored") if r.reading == "T-001" else r for r in data.readings]
    kept = data.table["reading"] != "T-001"
    exact = {name: tuple(np.array(values, dtype=object)[kept.to_numpy()]) for name, values in data.exact.items()}
    table = data.table[kept].reset_index(drop=True)
    censored = replace(data, readings=tuple(readings), table=table, exact=exact)
    evaluation = CHARACTERISTIC.evaluate(replace(study, experiments={"calibration": censored}))
    # The reading is one at level 0: it would have entered the line, not the one-point bias at 10.
    assert evaluation.get("calibration.departure", 10.0).censored == 1
    assert evaluation.get("calibration.slope").censored == 1
    assert evaluation.get("calibration.single_point_bias", 0.0).censored == 1
    assert evaluation.get("calibration.single_point_bias", 10.0).censored == 0


def test_unequal_cells_of_runs_are_said():
    x, y, level, run = simulated(6, replicates=2)
    fuller = np.delete(np.arange(len(x)), 3)
    found = weighted_tests(x[fuller], y[fuller], level[fuller], run[fuller], draws=99)
    assert any("hold from 1 to 2 readings" in note for note in found.notes)
    assert not any("hold from" in note for note in weighted_tests(x, y, level, run, draws=99).notes)
    assert any("unequal numbers" in n for n in departures(x[fuller], y[fuller], level[fuller], run[fuller])[1].notes)
    one_point = single_point_bias(x[fuller], y[fuller], level[fuller], run[fuller], routine=5)
    assert any("unequal numbers" in note for note in one_point[1].notes)
    assert not any("unequal numbers" in note for note in one_point[7].notes)


def test_what_runs_share_and_what_is_not_used_is_said():
    x, y, _, run = simulated(4, replicates=2)
    assert any(
        "readings as independent" in n
        for n in CHARACTERISTIC.evaluate(study_of(x, y, run)).get("calibration.slope").notes
    )
    assert not CHARACTERISTIC.evaluate(study_of(x, y)).get("calibration.slope").notes
    columns = {"level": [0, 1, 2] * 2, "response": [0.1, 1, 2, 0.2, 1.1, 1.9], "u_level": [0.01] * 6}
    evaluation = CHARACTERISTIC.evaluate(small_study("calibration", columns))
    assert any("u_level is not used" in note for note in evaluation.notes)


# --- other calibrations on the same readings --------------------------------------------------------------------------


def by_name(found):
    return {one.name: one for one in found}


def test_other_calibrations_of_a_parabola_have_closed_forms():
    # Open library: the straight line is that of numpy.polyfit.
    # Truth known, no noise, y = factor x (1 - k x): read back by hand for each calibration.
    x, level, run = np.tile(LEVELS, 3), np.tile(np.arange(8), 3), np.repeat([0, 1, 2], 8)
    k, levels = 0.012, np.array(LEVELS)
    y = x * (1 - k * x) * np.array([380.0, 400.0, 420.0])[run]
    found = by_name(other_calibrations(x, y, level, run, routine=5, ends=(0, 7)))
    assert list(found) == ["one point", "two points", "straight line", "quadratic"]
    for name, at in (("one point", 5.0), ("two points", 10.0)):
        # A chord from zero to `at`: x (1 - k x) / (1 - k at) - x.
        expected = levels * (1 - k * levels) / (1 - k * at) - levels
        assert [one.value for one in found[name].errors] == pytest.approx(list(expected), abs=1e-10)
    assert [one.value for one in found["quadratic"].errors] == pytest.approx([0.0] * 8, abs=1e-9)
    fitted = np.polyfit(levels, levels * (1 - k * levels), 1)
    expected = (levels * (1 - k * levels) - fitted[1]) / fitted[0] - levels
    assert [one.value for one in found["straight line"].errors] == pytest.approx(list(expected), abs=1e-9)


def test_other_calibrations_of_scattered_runs_match_numpy():
    # Reference library: numpy.polyfit and numpy.roots run by run, scipy.stats.t over runs.
    x, y, level, run = simulated(12, replicates=2, bend=0.028)
    found = by_name(other_calibrations(x, y, level, run, routine=5, ends=(1, 6)))
    own = {"two points": [], "straight line": [], "quadratic": []}
    for r in range(3):
        xs, ys, codes = x[run == r], y[run == r], level[run == r]
        means = np.array([ys[codes == code].mean() for code in range(8)])
        fits = {
            "two points": np.polyfit([0.5, 7.5], means[[1, 6]], 1),
            "straight line": np.polyfit(xs, ys, 1),
            "quadratic": np.polyfit(xs, ys, 2),
        }
        for name, fit in fits.items():
            roots = [np.roots([*fit[:-1], fit[-1] - mean]) for mean in means]
            near = [root[np.argmin(abs(root - at))] for root, at in zip(roots, LEVELS, strict=True)]
            own[name].append(np.real(near) - np.array(LEVELS))
    for name, errors in own.items():
        errors = np.array(errors)
        assert [one.value for one in found[name].errors] == pytest.approx(list(errors.mean(axis=0)), abs=1e-8)
        ends = stats.t.interval(0.9, 2, errors[:, 4].mean(), stats.sem(errors[:, 4]))
        assert found[name].errors[4].interval(0.9) == pytest.approx(ends, rel=1e-6)
    assert [one.interval(0.95) for one in (found["two points"].errors[1], found["two points"].errors[6])] == [
        (0.0, 0.0)
    ] * 2


def test_calibrations_that_cannot_be_made_say_why():
    # By hand: two levels make no parabola; a run of one level makes no line; a response beyond the vertex is no level.
    x, y, level = [0.0, 5.0], [0.0, 4.0], [0, 1]
    found = by_name(other_calibrations(x, y, level, routine=None, ends=(0, 1)))
    assert list(found) == ["two points", "straight line", "quadratic"]
    assert "3 levels" in found["quadratic"].reason
    assert found["straight line"].errors[1].interval(0.95) == (0.0, 0.0)  # two levels: a line through both
    x, level = [0.0, 1.0, 2.0, 3.0, 3.0], [0, 1, 2, 3, 3]
    # The parabola through 0, 3, 4, 3 has its vertex, 4, at 2; a mean above it has no root.
    found = by_name(
        other_calibrations([*x, 2.0], [0.0, 3.0, 4.0, 3.0, 3.0, 4.6], [*level, 2], routine=None, ends=(0, 1))
    )
    assert found["quadratic"].errors[2] is None
    assert found["quadratic"].errors[1] is not None


def test_other_calibrations_are_shown_and_claim_nothing():
    x, y, _, run = simulated(12, replicates=2, bend=0.028)
    study = study_of(x, y, [f"R{r}" for r in run])
    evaluation = CHARACTERISTIC.evaluate(study)
    tried = evaluation.display.view.tried
    assert [(one.name, one.made_from) for one in tried][:2] == [("one point", (5.0,)), ("two points", (0.0, 10.0))]
    # None of them is a quantity, so that no requirement can rest on it.
    assert not [q.key for q in evaluation.quantities if "two" in q.key or "quadratic" in q.key]
    words = " ".join(CHARACTERISTIC.in_words(evaluation, "%"))
    assert "two points, 0 and 10 %" in words
    assert "to claim one of them needs new readings" in words
    figure = figures.other_calibrations(evaluation, study)
    assert [axes.get_title("left") for axes in figure.axes if axes.get_visible()] == [
        "one point, 5 %", "two points, 0 and 10 %", "straight line", "quadratic",
    ]  # fmt: skip


def test_nothing_that_is_only_shown_is_computed_for_a_verdict(monkeypatch):
    x, y, _, run = simulated(12, replicates=2)

    def never(*_):
        raise AssertionError("computed although nobody looked")

    monkeypatch.setattr("validation.characteristics.calibration.calibration_display", never)
    evaluation = CHARACTERISTIC.evaluate(study_of(x, y, run))
    assert {q.key for q in evaluation.judged} == {info.key for info in CHARACTERISTIC.keys}


@pytest.mark.parametrize("module", [calibration_statistics, outliers, regression, reproducibility])
def test_published_examples_in_the_docstrings_hold(module):
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
