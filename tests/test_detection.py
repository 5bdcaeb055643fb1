"""Detection limits against printed examples and tables, and against independent routes in general-purpose libraries."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
import yaml
from scipy import optimize, stats
from small_study import small_study

from validation.characteristics.detection import CHARACTERISTIC, _chance
from validation.figures import detection as figures
from validation.stats.detection import (
    LinearSdLimits,
    blank_3s,
    din_32645,
    iso_11843_2,
    iso_11843_2_linear_sd,
    iupac_1997,
    iupac_1997_runs,
    mean_plus_k_sd,
    noncentrality,
    run_component,
    spiked_replicates,
)
from validation.stats.detection_rates import (
    LineTruth,
    Rates,
    beyond,
    blank_rates,
    low_range_rates,
    ordinary_rates,
    runs_kept_rates,
)
from validation.stats.intervals import fieller, sd_interval
from validation.stats.low_range import CountedLimits, iso_11843_2_counted
from validation.stats.over_slope import not_told_apart, over_slope_factors
from validation.stats.regression import straight_line

REFERENCE = Path(__file__).parent / "reference"
BLANKS = [0.012, 0.041, -0.008, 0.055, 0.030, 0.021, 0.067, 0.002, 0.038, 0.049]


def example(name):
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def printed(text):
    """A printed value with a tolerance of half a unit of its last digit."""
    value = Decimal(text)
    return pytest.approx(float(value), abs=0.5 * 10.0 ** value.as_tuple().exponent, rel=0)


def readings(seed=1, levels=(0.0, 0.5, 1.0, 2.0, 4.0, 8.0), replicates=3, growth=0.0):
    rng = np.random.default_rng(seed)
    x = np.repeat(levels, replicates)
    return x, 4 + 20 * x + rng.normal(0, 1, len(x)) * (1.5 + growth * x)


# --- printed multipliers and examples --------------------------------------------------------------------------------


def test_noncentrality_matches_iupac_1995():
    # Source: Currie, IUPAC Recommendations 1995, example with 4 degrees of freedom (recalled; it reproduces).
    expected = example("det-iupac-noncentral-t")["expected"]
    assert noncentrality(4) == printed(expected["delta_4"])
    assert noncentrality(1e7) == printed(expected["L_D_known"])


def test_noncentrality_at_known_sigma_matches_currie_1968():
    # Source: Currie 1968, Anal. Chem. 40, 586, Table II: well-known blank (recalled; it reproduces).
    assert noncentrality(1e7) == printed(example("det-currie-counting")["expected"]["L_D_known_coefficient"])


@pytest.mark.parametrize("df", [3, 4, 9, 34, 70])
def test_noncentrality_gives_the_stated_miss(df):
    # Open library: normal, chi-square and t of scipy.stats.
    # Independent route: P(Z + delta <= t sqrt(chi2 / df)) by averaging the normal over quantiles of chi-square.
    delta, t = noncentrality(df, alpha=0.05, beta=0.05), stats.t.ppf(0.95, df)
    u = (np.arange(200_000) + 0.5) / 200_000
    miss = stats.norm.cdf(t * np.sqrt(stats.chi2.ppf(u, df) / df) - delta).mean()
    assert miss == pytest.approx(0.05, abs=2e-5)


@pytest.mark.parametrize("df", [6, 7, 8, 9, 10, 15, 20, 25, 30, 60])
def test_spiked_replicate_multiplier_matches_cfr_136_table(df):
    # Source: 40 CFR 136 Appendix B, as reproduced in NR 252.0365: one-sided 99 % t.
    values = np.random.default_rng(df).normal(size=df + 1)
    multiplier = spiked_replicates(list(values)).detection_limit.value / values.std(ddof=1)
    assert multiplier == printed(example("det-cfr136-t-table")["expected"][f"t_df{df}"])


def test_spiked_replicate_interval_matches_cfr_136_factors():
    # Source: NR 252.0365: 0.69 and 1.92 for 6 degrees of freedom. They are the factors of a 90 % interval.
    expected = example("det-cfr136-t-table")["expected"]
    limit = spiked_replicates([1, 2, 3, 4, 5, 6, 7]).detection_limit
    assert limit.interval(0.9)[0] / limit.value == printed(expected["lcl_factor_90"])
    assert limit.interval(0.9)[1] / limit.value == printed(expected["ucl_factor_90"])


def test_pooled_interval_factors_match_cfr_136():
    # Source: NR 252.0365: 0.72 and 1.65 for 12 degrees of freedom.
    expected = example("det-cfr136-t-table")["expected"]
    low, high = sd_interval(1.0, 12, confidence=0.95)
    assert low == printed(expected["lcl12_factor"])
    assert high == printed(expected["ucl12_factor"])


@pytest.mark.parametrize("number", [1, 2])
def test_spiked_replicates_match_method_detection_limit_example(number):
    # Source: Berthouex and Brown 2002, Example 14.1.
    case = example("det-mdl-pooled")
    found = spiked_replicates(case["data"][f"set{number}"]).detection_limit
    assert found.value == printed(case["expected"][f"mdl{number}"])
    t = float(stats.t.ppf(0.99, 6))
    assert found.value / t == printed(case["expected"][f"s{number}"])


# --- limits from blanks ----------------------------------------------------------------------------------------------


def test_interval_of_mean_plus_k_s_matches_one_sided_tolerance_factor():
    # Source: NIST/SEMATECH e-Handbook, 7.2.6.3: upper 99 % bound of the 90 % point, n = 43. The page prints Natrella's
    # approximation, 1.8752, stated to be 0.07 % above the exact factor; hence 0.1 %.
    case = example("tol-nist-43")
    n, s, mean = case["data"]["n"], case["data"]["s"], case["data"]["mean"]
    shape = np.linspace(-1, 1, n)
    values = mean + s * shape / shape.std(ddof=1)
    bound = mean_plus_k_sd(list(values), float(stats.norm.ppf(0.9))).interval(0.98)[1]
    assert (bound - mean) / s == pytest.approx(float(case["expected"]["k1_natrella"]), rel=1e-3)


def test_interval_of_mean_plus_k_s_at_k_0_is_that_of_the_mean():
    # Open library: stats.t.interval of scipy.
    # Independent route: Student's t.
    found = mean_plus_k_sd(BLANKS, 0.0).interval(0.95)
    assert found == pytest.approx(stats.t.interval(0.95, 9, np.mean(BLANKS), stats.sem(BLANKS)), rel=1e-8)


@pytest.mark.parametrize("k", [3.0, 10.0])
def test_interval_of_mean_plus_k_s_covers_the_truth(k):
    # Truth known: mu + k sigma = k. Pivot of 20000 samples of 10; 5 standard errors of the count.
    rng = np.random.default_rng(9)
    low, high = (np.array(mean_plus_k_sd(BLANKS, k).interval(0.95)) - np.mean(BLANKS)) / np.std(BLANKS, ddof=1)
    samples = rng.normal(size=(20_000, 10))
    mean, s = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    covered = np.mean((mean + low * s <= k) & (k <= mean + high * s))
    assert covered == pytest.approx(0.95, abs=5 * (0.95 * 0.05 / 20_000) ** 0.5)


def test_iupac_critical_value_is_a_prediction_bound():
    # Reference library: statsmodels, upper prediction bound of one further blank at one-sided 95 %.
    found = iupac_1997(BLANKS, alpha=0.05)
    fit = sm.OLS(BLANKS, np.ones(10)).fit()
    bound = fit.get_prediction([1.0]).summary_frame(alpha=0.10)["obs_ci_upper"].iloc[0]
    mean = float(np.mean(BLANKS))
    assert found.critical_value.value == pytest.approx(bound, rel=1e-10)
    assert found.detection_limit.value - mean == pytest.approx(2 * (bound - mean), rel=1e-10)


def test_blank_limits_in_another_unit():
    # Property: limits follow a change of unit and of zero.
    one, two = blank_3s(BLANKS), blank_3s([100 * value + 7 for value in BLANKS])
    for name in ("detection_limit", "quantification_limit"):
        first, second = getattr(one, name), getattr(two, name)
        assert second.value == pytest.approx(100 * first.value + 7, rel=1e-9)
        assert second.interval(0.95) == pytest.approx([100 * end + 7 for end in first.interval(0.95)], rel=1e-9)
    assert one.critical_value is None


@pytest.mark.parametrize("limits", [blank_3s, iupac_1997, spiked_replicates])
def test_readings_that_are_all_alike_give_no_limit(limits):
    # A limit at the mean of the blanks would say that anything above it is detected: that is rounding, not sensitivity.
    with pytest.raises(ValueError, match="all 3 read the same"):
        limits([0.1, 0.1, 0.1])


@pytest.mark.parametrize("limits", [iso_11843_2, din_32645])
def test_readings_on_their_line_give_no_limit(limits):
    with pytest.raises(ValueError, match="must scatter about the line"):
        limits(straight_line([0.0, 1.0, 2.0, 3.0], [0.1, 0.3, 0.5, 0.7]))


def test_blanks_and_spikes_that_read_alike_are_said():
    columns = {"material": ["b"] * 3 + ["s"] * 3, "level": [0] * 3 + [1] * 3, "result": ["0.0"] * 3 + ["1.1"] * 3}
    evaluation = CHARACTERISTIC.evaluate(small_study("detection", columns))
    assert evaluation.quantities == ()
    assert any("blanks of matrix not stated read the same" in note for note in evaluation.notes)
    assert any("spiked replicates of matrix not stated read the same" in note for note in evaluation.notes)


def test_one_blank_is_refused():
    with pytest.raises(ValueError, match=r"n >= 2.*got 1"):
        iupac_1997([0.1])


# --- limits from a line ----------------------------------------------------------------------------------------------


def test_iso_11843_2_critical_value_is_a_prediction_bound_at_zero():
    # Reference library: statsmodels, upper prediction bound of one reading at level 0, read back through the line.
    x, y = readings()
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    bound = fit.get_prediction([1.0, 0.0]).summary_frame(alpha=0.10)["obs_ci_upper"].iloc[0]
    found = iso_11843_2(straight_line(list(x), list(y)), alpha=0.05)
    assert found.critical_value.value == pytest.approx((bound - fit.params[0]) / fit.params[1], rel=1e-10)
    ratio = found.detection_limit.value / found.critical_value.value
    assert ratio == pytest.approx(noncentrality(16) / stats.t.ppf(0.95, 16), rel=1e-10)


def test_iso_11843_2_misses_and_alarms_as_stated():
    # Source of what is promised: ISO 11843-2 (from memory), alarms alpha and misses beta.
    # Truth known: line 4 + 20 x, sigma 1.5 at the levels of `readings`. Of 8000 simulated lines, each judging one
    # reading at 0: 5 % alarms. One reading at the true x_D: 5 % misses. Five standard errors of the count are allowed.
    rng = np.random.default_rng(12)
    x, _ = readings()
    n, sigma = len(x), 1.5
    y = 4 + 20 * x + rng.normal(0, sigma, (8000, n))
    b = (y @ (x - x.mean())) / ((x - x.mean()) ** 2).sum()
    a = y.mean(axis=1) - b * x.mean()
    s = np.sqrt(((y - a[:, None] - b[:, None] * x) ** 2).sum(axis=1) / (n - 2))
    one = straight_line(list(x), list(y[0]))
    unit = iso_11843_2(one)
    critical = s / b * (unit.critical_value.value * one.slope / one.residual_sd)
    x_d = sigma / 20 * (unit.detection_limit.value * one.slope / one.residual_sd)
    blank, spike = 4 + rng.normal(0, sigma, 8000), 4 + 20 * x_d + rng.normal(0, sigma, 8000)
    allowed = 5 * (0.05 * 0.95 / 8000) ** 0.5
    assert np.mean((blank - a) / b > critical) == pytest.approx(0.05, abs=allowed)
    assert np.mean((spike - a) / b <= critical) == pytest.approx(0.05, abs=allowed)


def test_din_32645_quantification_limit_has_a_half_width_of_a_third():
    # Reference library: statsmodels, two-sided 95 % prediction interval at x_BG in units of x.
    x, y = readings()
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    found = din_32645(straight_line(list(x), list(y)), alpha=0.05, k=3)
    at = found.quantification_limit.value
    frame = fit.get_prediction([1.0, at]).summary_frame(alpha=0.05)
    half = (frame["obs_ci_upper"].iloc[0] - frame["mean"].iloc[0]) / fit.params[1]
    assert half == pytest.approx(at / 3, rel=1e-9)
    assert found.detection_limit.value == pytest.approx(2 * found.critical_value.value, rel=1e-12)
    low, high = found.quantification_limit.interval(0.95)
    assert low < at < high


def test_din_32645_finds_a_limit_that_the_half_width_reaches_near_the_mean_alone():
    # Levels close together far from zero: the half-width outgrows x in the end, but falls to x / 3 before. Reference
    # library: statsmodels, two-sided 95 % prediction interval at x_BG in units of x.
    x, y = [2.6, 2.7, 2.8, 2.8, 2.8], [0.0, 0.016, 0.022, 0.024, 0.026]
    at = din_32645(straight_line(x, y)).quantification_limit.value
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    frame = fit.get_prediction([1.0, at]).summary_frame(alpha=0.05)
    assert (frame["obs_ci_upper"].iloc[0] - frame["mean"].iloc[0]) / fit.params[1] == pytest.approx(at / 3, rel=1e-6)


def test_din_32645_without_a_quantification_limit_says_so():
    x, y = [0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 2.0, 1.0, 3.0, 3.5]
    found = din_32645(straight_line(x, y))
    assert found.quantification_limit is None
    assert "never falls" in found.notes[-1]


def test_limits_without_an_interval_at_a_level_say_so_at_that_level():
    # The upper end of the chi-square interval of sd grows with the level, until no x is k times as large as the
    # half-width there: the sentence belongs to the level, not to the limit.
    x, y = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0], [0.1, 0.9, 2.15, 2.9, 4.1, 4.95]
    limit = din_32645(straight_line(x, y)).quantification_limit
    t, n, grid = stats.t.ppf(0.975, 4), len(x), np.linspace(0, 1000, 100_001)
    shape = np.sqrt(1 + 1 / n + (grid - np.mean(x)) ** 2 / np.sum((x - np.mean(x)) ** 2))
    for level in (0.5, 0.8, 0.9, 0.95, 0.99, 0.999, 0.9999):
        widest = limit.distribution.sd * np.sqrt(4 / stats.chi2.ppf((1 - level) / 2, 4))
        never = bool(np.all(3 * t * widest * shape > grid))
        assert (limit.interval(level) is None) == never
        assert any("never falls" in note for note in limit.notes_at(level)) == never
    assert limit.interval(0.5) is not None
    assert limit.interval(0.9999) is None


def test_line_limits_follow_a_falling_response():
    # Property: a response that falls with the level (a resonant frequency) has the same limits.
    x, y = readings()
    up, down = (iso_11843_2(straight_line(list(x), list(sign * y))) for sign in (1, -1))
    assert down.detection_limit.value == pytest.approx(up.detection_limit.value, rel=1e-10)


def test_low_range_limit_matches_statsmodels_wls():
    # Reference libraries: numpy.polyfit (weights are 1 / s there) for the spread, statsmodels WLS for the line.
    x, y = readings(seed=4, replicates=6, growth=2.0)
    levels = np.unique(x, return_inverse=True)[1]
    at = np.unique(x)
    s = np.array([y[x == level].std(ddof=1) for level in at])
    fitted = s
    for _ in range(3):
        d, c = np.polyfit(at, s, 1, w=1 / fitted)
        fitted = c + d * at
    assert min(c, d) > 0
    fit = sm.WLS(y, sm.add_constant(x), weights=1 / (c + d * x) ** 2).fit()
    of_line = fit.bse[0] ** 2  # variance of the weighted line at level 0
    found = iso_11843_2_linear_sd(list(x), list(y), levels)
    nu = len(x) - 2
    critical = stats.t.ppf(0.95, nu) / fit.params[1] * np.sqrt(c**2 + of_line)
    assert found.critical_value.value == pytest.approx(critical, rel=1e-9)
    x_d = found.detection_limit.value
    again = noncentrality(nu) / fit.params[1] * np.sqrt((c + d * x_d) ** 2 + of_line)
    assert x_d == pytest.approx(again, rel=1e-9)


def test_low_range_limit_without_replicates_is_refused():
    with pytest.raises(ValueError, match="replicates at two levels or more; got 0"):
        iso_11843_2_linear_sd([0, 1, 2], [0, 1, 2], [0, 1, 2])


def test_run_component_matches_scipy():
    # Reference library: scipy.stats.f_oneway.
    groups = [[0.01, 0.03], [0.05, 0.09, 0.07], [0.02, 0.02]]
    runs = [0, 0, 1, 1, 1, 2, 2]
    other = stats.f_oneway(*groups)
    assert run_component([v for g in groups for v in g], runs) == pytest.approx(tuple(other), rel=1e-10)
    assert run_component([0.1, 0.2], [0, 1]) is None


# --- the characteristic ----------------------------------------------------------------------------------------------


def blanks_study(columns=None, calibration=None, settings=None):
    columns = columns or {
        "material": ["new"] * 10 + ["used"] * 10 + ["spike"] * 10,
        "matrix": ["OG-N"] * 10 + ["used oil"] * 10 + ["OG-N"] * 10,
        "level": [0] * 20 + [0.3] * 10,
        "result": [*BLANKS, *(v + 0.05 for v in BLANKS), *(round(v + 0.3, 3) for v in BLANKS)],
    }
    study = small_study("detection", columns, range_=(0.5, 10.0))
    data = replace(study.experiments["detection"], settings=settings or {})
    experiments = {"detection": data}
    if calibration is not None:
        other = small_study("calibration", calibration, range_=(0.5, 10.0))
        experiments["calibration"] = replace(other.experiments["calibration"], worksheet="worksheets/calibration.csv")
    return replace(study, experiments=experiments)


def calibration_columns():
    x, y = readings(seed=3, growth=0.5)
    return {"level": [f"{v:g}" for v in x], "response": [f"{v:.4f}" for v in y]}


def test_every_definition_is_there():
    study = blanks_study(calibration=calibration_columns())
    evaluation = CHARACTERISTIC.evaluate(study)
    assert [row[0] for row in evaluation.display.tables[0].rows] == [
        "blank 3s",
        "IUPAC 1997",
        "blank 3s, used oil",
        "IUPAC 1997, used oil",
        "ISO 11843-2",
        "DIN 32645",
        "ISO 11843-2, low range, s linear",
        "ISO 11843-2, low range, s linear, errors counted",
        "spiked replicate",
    ]
    line = evaluation.get("detection.critical_value", "ISO 11843-2")
    assert (line.worksheet, line.n, line.unit) == ("worksheets/calibration.csv", 18, "%")
    assert evaluation.get("detection.critical_value", "blank 3s") is None
    assert any("OG-N" in note and "without suffix" in note for note in evaluation.notes)
    assert len({(q.key, q.at) for q in evaluation.quantities}) == len(evaluation.quantities)
    low = evaluation.get("detection.detection_limit", "ISO 11843-2, low range, s linear")
    assert "Fitted to the levels 0, 0.5, 1 and 2 %" in " ".join(low.notes)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    assert all(sentence.endswith(".") for sentence in CHARACTERISTIC.in_words(evaluation, "%"))
    for name in CHARACTERISTIC.figures:
        assert getattr(figures, name)(evaluation, study).axes[0].get_title(loc="left")


def test_judged_quantities_need_no_display_and_travel_as_json():
    def never():
        raise AssertionError("shown")

    columns = {
        "material": ["oil"] * 8,
        "level": [0] * 8,
        "run": ["a"] * 4 + ["b"] * 4,
        "result": [0.01, 0.02, 0.015, 0.012, 0.03, 0.025, 0.02, 0.018],
    }
    study = blanks_study(columns, calibration=calibration_columns())
    evaluation = replace(CHARACTERISTIC.evaluate(study), show=never)
    assert {q.at for q in evaluation.judged} >= {
        "IUPAC 1997, runs kept",
        "DIN 32645",
        "ISO 11843-2, low range, s linear",
    }
    for q in evaluation.judged:
        assert q.judged_interval is not None
        again = type(q).from_dict(json.loads(json.dumps(q.to_dict(), allow_nan=False)))
        assert again == q
        assert again.estimate.interval(0.8) == q.estimate.interval(0.8)


def test_a_limit_judged_in_one_matrix_and_larger_in_another_is_said():
    # Blanks of used oil 0.05 higher: by the same definition their limit is 0.05 higher (mean + t s, IUPAC 1997).
    study = blanks_study()
    asked = {"id": "R7", "quantity": "detection.detection_limit", "at": "IUPAC 1997", "rule": "point", "limit": 0.01}
    plan = type(study.plan).model_validate({**study.plan.model_dump(), "requirements": [asked]})
    evaluation = CHARACTERISTIC.evaluate(replace(study, plan=plan))
    (entry,) = evaluation.display.view.elsewhere
    assert (entry.matrix, entry.other) == ("OG-N", "used oil")
    assert entry.there - entry.value == pytest.approx(0.05, abs=1e-12)
    said = next(sentence for sentence in CHARACTERISTIC.in_words(evaluation, "%") if sentence.startswith("R7"))
    assert "by the same definition used oil gives" in said
    assert "above the 0.010 % of R7" in said
    assert "does not support a claim for used oil" in said
    # Asked of used oil, no other matrix gives more; not asked, nothing is compared.
    other = type(study.plan).model_validate(
        {**plan.model_dump(), "requirements": [{**asked, "at": "IUPAC 1997, used oil"}]}
    )
    assert CHARACTERISTIC.evaluate(replace(study, plan=other)).display.view.elsewhere == ()
    assert CHARACTERISTIC.evaluate(study).display.view.elsewhere == ()


def test_limits_of_blanks_use_the_alpha_of_the_plan():
    # Source: IUPAC 1997, t s sqrt(1 + 1/n) above the mean (from memory); t of scipy.
    study = blanks_study()
    study = replace(study, plan=study.plan.model_copy(update={"confidence": 0.99}))
    found = CHARACTERISTIC.evaluate(study).get("detection.critical_value", "IUPAC 1997")
    expected = np.mean(BLANKS) + stats.t.ppf(0.99, 9) * np.std(BLANKS, ddof=1) * np.sqrt(1.1)
    assert found.value == pytest.approx(expected, rel=1e-10)
    assert found.judged_confidence == pytest.approx(0.98)


def test_the_plan_names_the_main_matrix():
    evaluation = CHARACTERISTIC.evaluate(blanks_study(settings={"matrix": "used oil"}))
    found = evaluation.get("detection.detection_limit", "blank 3s")
    assert found.value == pytest.approx(np.mean(BLANKS) + 0.05 + 3 * np.std(BLANKS, ddof=1), rel=1e-9)
    assert evaluation.get("detection.detection_limit", "blank 3s, OG-N") is not None


def test_worksheet_without_level_and_matrix_holds_blanks():
    evaluation = CHARACTERISTIC.evaluate(blanks_study({"material": ["oil"] * 10, "result": BLANKS}))
    found = evaluation.get("detection.detection_limit", "IUPAC 1997")
    assert (found.n, "Matrix: matrix not stated." in found.notes) == (10, True)
    assert any("no column `level`" in note for note in evaluation.notes)
    assert any("No calibration readings" in note for note in evaluation.notes)


def test_lowest_spike_is_used():
    columns = {
        "material": ["s"] * 6,
        "level": [0.5, 0.5, 0.5, 0.3, 0.3, 0.3],
        "result": [0.4, 0.5, 0.9, 0.30, 0.31, 0.32],
    }
    found = CHARACTERISTIC.evaluate(blanks_study(columns)).get("detection.detection_limit", "spiked replicate")
    assert found.value == pytest.approx(stats.t.ppf(0.99, 2) * 0.01, rel=1e-9)
    assert any("3 spiked replicates" in note for note in found.notes)


def test_censored_blanks_are_counted():
    columns = {"material": ["oil"] * 5, "level": [0] * 5, "result": ["0.01", "0.02", "<0.01", "0.03", "<0.01"]}
    found = CHARACTERISTIC.evaluate(blanks_study(columns)).get("detection.detection_limit", "blank 3s")
    assert (found.n, found.censored) == (3, 2)
    assert any("2 censored readings of this blank were left out." in note for note in found.notes)


def test_difference_between_runs_of_blanks_is_said():
    columns = {
        "material": ["oil"] * 8,
        "level": [0] * 8,
        "run": ["a"] * 4 + ["b"] * 4,
        "result": [0.01, 0.02, 0.015, 0.012, 0.09, 0.1, 0.095, 0.092],
    }
    found = CHARACTERISTIC.evaluate(blanks_study(columns)).get("detection.detection_limit", "blank 3s")
    assert any("differ between runs" in note for note in found.notes)


DEGENERATE = {
    "one blank": {"material": ["oil"], "level": [0], "result": [0.1]},
    "no blank": {"material": ["oil"] * 3, "level": [1] * 3, "result": [1.0, 1.1, 1.2]},
    "blanks alike": {"material": ["oil"] * 3, "level": [0] * 3, "result": [0, 0, 0]},
    "label levels": {"material": ["oil"] * 3, "level": ["blank", "low", "low"], "result": [0.0, 0.1, 0.2]},
    "all blanks censored": {"material": ["a", "b"], "level": [0, 0.3], "result": ["<0.1", "0.3"]},
}


@pytest.mark.parametrize("name", DEGENERATE)
def test_degenerate_blanks_give_fewer_quantities_and_a_sentence(name):
    study = blanks_study(DEGENERATE[name])
    evaluation = CHARACTERISTIC.evaluate(study)
    assert evaluation.missing or evaluation.notes
    json.dumps(evaluation.to_dict(), allow_nan=False)
    if evaluation.missing:
        return
    CHARACTERISTIC.in_words(evaluation, "%")
    for figure in CHARACTERISTIC.figures:
        getattr(figures, figure)(evaluation, study)


@pytest.mark.parametrize(
    "calibration",
    [
        {"level": [0, 5], "response": [1, 2]},
        {"level": [0, 1, 5], "response": [2, 2, 2]},
        {"level": [0, 0, 1, 1], "response": [0, 0, 1, 1]},
        {"level": ["a", "b", "c"], "response": [0, 1, 2]},
    ],
    ids=["two readings", "level line", "no scatter", "labels"],
)
def test_degenerate_calibration_leaves_the_limits_of_blanks(calibration):
    evaluation = CHARACTERISTIC.evaluate(blanks_study(calibration=calibration))
    assert evaluation.get("detection.detection_limit", "blank 3s") is not None
    assert any("not available" in note for note in evaluation.notes)
    json.dumps(evaluation.to_dict(), allow_nan=False)


def test_worksheet_awaiting_readings_is_said():
    study = small_study("detection", {"material": [], "result": []})
    assert CHARACTERISTIC.evaluate(study).missing == "The detection worksheet awaits readings."


# Runs kept -------------------------------------------------------------------------------------------------------


def test_limits_with_runs_kept_are_those_of_currie_with_one_blank_a_run():
    # Currie, IUPAC Recommendations 1995: mean + t s sqrt(1 + 1/n), twice that distance, mean + 10 s (from memory).
    blanks = [0.02, 0.05, 0.01, 0.04, 0.07, 0.03]
    plain, kept = iupac_1997(blanks), iupac_1997_runs([[value] for value in blanks])
    for name in ("critical_value", "detection_limit", "quantification_limit"):
        assert getattr(kept, name).value == pytest.approx(getattr(plain, name).value, rel=1e-12)
    assert kept.critical_value.degrees_of_freedom == pytest.approx(5)


def test_limits_with_runs_kept_by_hand():
    # Run means 1 and 5: V = 8; W = 2, h = 2, p = 2. u^2 = 8 * 1.5 + 0.5 * 2 = 13 with 13^2 / (12^2 / 1 + 1^2 / 2)
    # degrees of freedom (Satterthwaite 1946); s_T^2 = 8 + 0.5 * 2 = 9.
    found = iupac_1997_runs([[0.0, 2.0], [4.0, 6.0]])
    df = 169 / 144.5
    distance = float(stats.t.ppf(0.95, df)) * 13**0.5
    assert found.critical_value.value == pytest.approx(3 + distance, rel=1e-12)
    assert found.detection_limit.value == pytest.approx(3 + 2 * distance, rel=1e-12)
    assert found.quantification_limit.value == pytest.approx(3 + 30, rel=1e-12)
    assert found.critical_value.degrees_of_freedom == pytest.approx(df, rel=1e-12)
    low, high = found.critical_value.interval(0.95)
    assert low < found.critical_value.value < high


@pytest.mark.parametrize(
    ("runs", "match"),
    [([[1.0, 2.0]], "two runs"), ([[1.0, 1.0], [1.0, 1.0]], "must scatter"), ([], "at least one group")],
)
def test_runs_without_information_are_refused(runs, match):
    with pytest.raises(ValueError, match=match):
        iupac_1997_runs(runs)


def test_low_range_interval_counts_what_is_behind_s_at_level_zero():
    # Ten blanks decide c: with their variance from the regression of s on x, X'WX / (1/2), for two levels of ten
    # readings. Two levels are fitted exactly: var(c) = s_0^2 / (2 * 9), var(d) from both, cov = -var(c) / x.
    rng = np.random.default_rng(1)
    x = np.repeat([0.0, 2.0], 10)
    y = 5 * x + np.repeat([0.1, 0.3], 10) * rng.standard_normal(20)
    found = iso_11843_2_linear_sd(x.tolist(), y.tolist(), np.repeat([0, 1], 10))
    s0, s1 = y[:10].std(ddof=1), y[10:].std(ddof=1)
    line = straight_line(x.tolist(), y.tolist(), weights=1 / np.repeat([s0, s1], 10) ** 2)
    v = line.residual_sd**2 * (1 / line.weight_sum + line.x_mean**2 / line.x_sum_of_squares)
    df = (s0**2 + v) ** 2 / (2 * s0**2 * s0**2 / 18 + v**2 / 18)
    assert found.critical_value.degrees_of_freedom == pytest.approx(df, rel=1e-9)
    slope_t = line.slope / line.standard_errors[1]
    ends = [found.critical_value.value * end for end in scaled_ends(slope_t, df, 0.95)]
    assert found.critical_value.interval(0.95) == pytest.approx(ends, rel=1e-7)


# Limits over an uncertain slope --------------------------------------------------------------------------------------


def scaled_ends(slope_t, df, level):
    """Ends of sigma / slope over their estimate. Open library: scipy.stats, bounds of the non-centrality of t."""

    def bound(p):
        reach = 12 + 10 * slope_t / df**0.5
        low, high = max(slope_t - reach, 1e-9), slope_t + reach
        return optimize.brentq(lambda nc: stats.nct.sf(slope_t, df, nc) - p, low, high, xtol=1e-12)

    return slope_t / bound((1 + level) / 2), slope_t / bound((1 - level) / 2)


@pytest.mark.parametrize(("slope_t", "df"), [(3.0, 14), (5.0, 6), (12.0, 3.7), (30.0, 70), (80.0, 16)])
def test_interval_over_a_slope_matches_bounds_of_the_noncentral_t(slope_t, df):
    # Open library: scipy.stats.nct, as `scaled_ends` says.
    low, high = over_slope_factors(np.array([slope_t]), df, 0.95)
    assert (low[0], high[0]) == pytest.approx(scaled_ends(slope_t, df, 0.95), rel=1e-7)


@pytest.mark.parametrize("df", [1, 4, 30])
@pytest.mark.parametrize("ratio", [0.5, 0.999, 1.001, 2.0])
def test_a_limit_exists_where_fieller_gives_two_ends(df, ratio):
    # Source: Fieller 1954 (from memory): an interval where g = t^2 var(b) / b^2 < 1; t of scipy.
    slope_t = ratio * stats.t.ppf(0.975, df)
    given = fieller(1.0, slope_t, [[0.01, 0.0], [0.0, 1.0]], degrees_of_freedom=df).interval is not None
    assert not_told_apart(slope_t, df, 0.05) != given
    assert np.isfinite(over_slope_factors(np.array([slope_t]), df, 0.95)[1][0]) == given


def test_a_slope_near_zero_gives_no_number_but_a_sentence():
    # Truth known: the responses do not depend on the level. A limit of hundreds of percent would be a number of chance.
    rng = np.random.default_rng(6)
    x = np.repeat([0.0, 0.5, 1.0, 2.0], 4)
    y = 10 + rng.standard_normal(16)
    line = straight_line(x.tolist(), y.tolist())
    assert abs(line.slope / line.standard_errors[1]) < stats.t.ppf(0.975, 14)
    levels = np.unique(x, return_inverse=True)[1]
    for found in (
        iso_11843_2(line),
        din_32645(line),
        iso_11843_2_linear_sd(x.tolist(), y.tolist(), levels),
        iso_11843_2_counted(x.tolist(), y.tolist(), levels, None),
    ):
        assert (found.critical_value, found.detection_limit, found.quantification_limit) == (None, None, None)
        assert "not told apart from zero" in found.notes[0]
    columns = {"level": [f"{v:g}" for v in x], "response": [f"{v:.4f}" for v in y]}
    evaluation = CHARACTERISTIC.evaluate(blanks_study(calibration=columns))
    assert not any("11843" in str(q.at) or "DIN" in str(q.at) for q in evaluation.quantities)
    assert sum("not told apart from zero" in note for note in evaluation.notes) == 3
    assert CHARACTERISTIC.in_words(evaluation, "%")


def test_a_limit_has_no_interval_at_a_level_that_does_not_tell_its_slope_apart():
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    y = x + np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0])
    line = straight_line(x.tolist(), y.tolist())
    found = iso_11843_2(line)
    p = float(stats.t.sf(line.slope / line.standard_errors[1], 6)) * 2
    assert p < 0.05
    assert found.detection_limit.interval(1 - 1.01 * p) is not None
    assert found.detection_limit.interval(1 - 0.99 * p) is None
    assert "no limit is too high" in found.detection_limit.notes_at(1 - 0.99 * p)[-1]
    assert "no limit is too high" not in " ".join(found.detection_limit.notes_at(0.5))


# Errors counted ------------------------------------------------------------------------------------------------------


def low_readings(seed, runs, each, ratio=0.0, growth=0.6):
    """Responses 5 + 40 x whose s is 1.2 + growth x, split between runs that differ at all levels alike and readings."""
    rng = np.random.default_rng(seed)
    x = np.tile(np.repeat([0.0, 0.5, 1.0, 2.0], each), runs)
    run = np.repeat(np.arange(runs), 4 * each)
    errors = rng.standard_normal(x.size) + ratio**0.5 * rng.standard_normal(runs)[run]
    return x, 5 + 40 * x + (1.2 + growth * x) * errors / (1 + ratio) ** 0.5, run


def likeliest_sd(at, variances, df):
    """c and d of s = c + d x by search: sums of squares that follow s^2 chi-square. Open library: scipy.optimize."""

    def deviance(p):
        s = np.exp(p[0]) + np.exp(p[1]) * at
        return float((df * (2 * np.log(s) + variances / s**2)).sum())

    options = {"xatol": 1e-12, "fatol": 1e-14, "maxiter": 20000, "maxfev": 20000}
    return np.exp(optimize.minimize(deviance, [0.0, -1.0], method="Nelder-Mead", options=options).x)


@pytest.mark.parametrize("runs", [1, 5])
def test_counted_limits_match_dense_covariances(runs):
    # Open libraries: numpy and scipy, every variance from a whole covariance matrix, s(x) by search of its likelihood.
    # The runs' parts and their degrees of freedom are as docs/detection.md says.
    each = 6 if runs == 1 else 2
    x, y, run = low_readings(11, runs, each, ratio=0.0 if runs == 1 else 2.0)
    at, levels = np.unique(x, return_inverse=True)
    codes = None if runs == 1 else run
    cells = np.array([[y[(levels == i) & (run == j)] for j in range(runs)] for i in range(4)])
    within = cells.var(axis=2, ddof=1).mean(axis=1)
    if runs == 1:
        variances, df = within, np.full(4, each - 1.0)
    else:
        variances, df = cells.mean(axis=2).var(axis=1, ddof=1) + within / 2, np.full(4, runs * each - 1.0)
    c, d = likeliest_sd(at, variances, df)
    s = c + d * at
    if runs == 1:
        between, shared, k = 1.0, 0.0, np.full(4, 1 / (each - 1.0))
    else:
        table = np.cov(cells.mean(axis=2) / s[:, None])
        total = (variances / s**2).mean()
        between, shared = np.trace(table) / 4 / total, table[~np.eye(4, dtype=bool)].mean() / total
        k = np.full(4, between**2 / 4 + (1 - between) ** 2 / 5)
    # Covariance of the readings: equal parts for readings of one run and level, and of one run.
    own = np.eye(x.size) if runs == 1 else (run[:, None] == run) & (levels[:, None] == levels)
    alike = (run[:, None] == run) & (runs > 1)
    # The readings of a cell share 2 between - 1: half of the variance within, 2 (1 - between), is in a mean of two.
    part = 1.0 if runs == 1 else 2 * between - 1
    share = own * max(part - shared, 0.0) + alike * shared
    relative = np.where(np.eye(x.size, dtype=bool), 1.0, share)
    sx = c + d * x
    covariance = relative * np.outer(sx, sx) if runs > 1 else np.diag(sx**2)
    weights = np.diag(1 / sx**2)
    design = np.column_stack([np.ones_like(x), x])
    hat = np.linalg.solve(design.T @ weights @ design, design.T @ weights)
    b = (hat @ y)[1]

    def u(at_x):
        row = np.array([1.0, at_x]) @ hat
        return ((c + d * at_x) ** 2 + row @ covariance @ row) ** 0.5

    def nu(at_x):
        of_runs = shared**2 / 4 if runs > 1 else 0.0
        spread = np.diag((k - of_runs) * s**2 / 2) + of_runs * np.outer(s, s) / 2
        levels_design = np.column_stack([np.ones(4), at])
        w = np.linalg.inv(np.diag((k - of_runs) * s**2))
        row = np.array([1.0, at_x]) @ np.linalg.solve(levels_design.T @ w @ levels_design, levels_design.T @ w)
        return (c + d * at_x) ** 2 / (2 * row @ spread @ row)

    found = iso_11843_2_counted(x.tolist(), y.tolist(), levels, codes)
    start = stats.t.ppf(0.95, nu(0.0)) * u(0.0)
    assert found.critical_value.value == pytest.approx(start / b, rel=1e-6)
    assert found.critical_value.degrees_of_freedom == pytest.approx(nu(0.0), rel=1e-6)
    x_d = optimize.brentq(lambda at_x: (start + stats.t.ppf(0.95, nu(at_x)) * u(at_x)) / b - at_x, 0.0, 5.0)
    assert found.detection_limit.value == pytest.approx(x_d, rel=1e-4)  # t settles in three rounds


@pytest.mark.parametrize(("runs", "each", "ratio"), [(1, 4, 0.0), (5, 2, 0.0), (5, 2, 10.0), (10, 1, 1.0)])
@pytest.mark.parametrize("growth", [0.0, 0.6])
def test_counted_limits_alarm_and_miss_as_stated(runs, each, ratio, growth):
    # Truth known: 4000 simulated calibrations, one blank and one sample at the detection limit each, of a further run;
    # 5 % within 1.5 points and four standard errors of the count.
    studies, rng = 4000, np.random.default_rng(3)
    x, _, run = low_readings(0, runs, each)
    errors = rng.standard_normal((studies, x.size)) + ratio**0.5 * rng.standard_normal((studies, runs))[:, run]
    y = 40 * x + (1.2 + growth * x) * errors / (1 + ratio) ** 0.5
    levels = np.unique(x, return_inverse=True)[1]
    limits = CountedLimits.of(x, y, levels, run if runs > 1 else None, alpha=0.05)
    line, at = limits.line, limits.detection
    blank, sample = 1.2 * rng.standard_normal(studies), 40 * at + (1.2 + growth * at) * rng.standard_normal(studies)
    reach = 0.015 + 4 * (0.05 * 0.95 / studies) ** 0.5
    assert np.mean((blank - line.intercept) / line.slope > limits.critical) == pytest.approx(0.05, abs=reach)
    assert np.mean((sample - line.intercept) / line.slope <= limits.critical) == pytest.approx(0.05, abs=reach)


def test_counted_limits_of_one_run_are_those_of_independent_readings():
    # One run says nothing of the variance between runs: the two designs are one.
    x = np.repeat([0.0, 1.0, 2.0], 4)
    y = (x + np.random.default_rng(1).normal(0, 0.05, 12)).tolist()
    levels = np.repeat([0, 1, 2], 4)
    one = iso_11843_2_counted(x.tolist(), y, levels, np.zeros(12, dtype=int))
    assert one.critical_value.value == iso_11843_2_counted(x.tolist(), y, levels, None).critical_value.value


def test_a_chance_that_no_study_shows_is_below_three_over_their_number():
    # Rule of three, Hanley and Lippman-Hand 1983 (from memory): 3/1000 at 95 %; binomial: 0.997^1000 = 0.0496.
    assert _chance(0.0, Rates(0.0, 0.051, 0.0, 1000)) == "below 0.3"
    assert _chance(0.051, Rates(0.0, 0.051, 0.002, 1000)) == "5.1"
    assert _chance(0.0, Rates(0.0, 0.0)) == "0.0"  # exact


def test_counted_limits_ask_every_run_for_every_level():
    x, y, run = low_readings(2, 3, 2)
    levels = np.unique(x, return_inverse=True)[1]
    with pytest.raises(ValueError, match="every run must read every level; got 11 of 12"):
        iso_11843_2_counted(x[2:].tolist(), y[2:].tolist(), levels[2:], run[2:])


# Attained rates ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "k"), [(2, 2.0), (5, 1.1), (10, 3.0), (200, 1.7)])
def test_attained_chance_of_independent_blanks_is_that_of_student(n, k):
    # Open library: t of scipy. (y - mean) / (s sqrt(1 + 1/n)) follows Student's t.
    expected = stats.t.sf(k / (1 + 1 / n) ** 0.5, n - 1)
    assert beyond(k, [n], 0.0) == pytest.approx(expected, rel=1e-9)
    assert beyond(k, [1] * n, 0.4) == pytest.approx(expected, rel=1e-9)
    assert beyond(k, [n], 0.0, about_mean=False) == pytest.approx(stats.t.sf(k, n - 1), rel=1e-9)


@pytest.mark.parametrize(("sizes", "share"), [((2,) * 5, 0.5), ((2,) * 5, 10 / 11), ((1, 3, 2, 6), 0.6), ((4, 4), 1.0)])
def test_attained_chance_in_runs_matches_simulation(sizes, share):
    # Truth known: 40,000 simulated studies, four standard errors.
    rng, run = np.random.default_rng(8), np.repeat(np.arange(len(sizes)), sizes)
    y = share**0.5 * rng.standard_normal((40_000, len(sizes)))[:, run]
    y += (1 - share) ** 0.5 * rng.standard_normal(y.shape)
    chances = stats.norm.sf(y.mean(axis=1) + 1.9 * y.std(axis=1, ddof=1))
    assert beyond(1.9, sizes, share) == pytest.approx(chances.mean(), abs=4 * chances.std() / 200)


def test_attained_rates_of_the_definitions_from_blanks():
    # IUPAC 1997: 5 % both by Student's t; 40 CFR 136: 1 % by its own t; a sample at the limit itself is missed in half.
    k = stats.t.ppf(0.95, 9) * 1.1**0.5
    iupac, plain = blank_rates(k, 2 * k, (10,), 0.0), blank_rates(3.0, 3.0, (10,), 0.0)
    assert (iupac.alpha, iupac.beta, iupac.error) == (pytest.approx(0.05), pytest.approx(0.05), None)
    assert (plain.alpha, plain.beta) == (pytest.approx(stats.t.sf(3 / 1.1**0.5, 9)), pytest.approx(0.5))
    t = stats.t.ppf(0.99, 6)
    assert blank_rates(t, t, (7,), 0.0, about_mean=False).alpha == pytest.approx(0.01)
    kept = runs_kept_rates((1,) * 10, 0.3, alpha=0.05)
    assert kept.alpha == pytest.approx(0.05, abs=4 * kept.error)


def test_attained_rates_of_a_line_with_equal_scatter_are_those_of_student():
    # ISO 11843-2 with equal scatter: alpha is exact; DIN's 2 x_NG misses as often, where the slope is well known.
    x = np.repeat([0.0, 1.0, 2.0], 5)
    truth = LineTruth(x, np.repeat([0, 1, 2], 5), None, 1e4, 1.0, 0.0, (0.0, 0.0, 1.0))
    iso, din = ordinary_rates(truth, alpha=0.05)
    delta, t = noncentrality(13), stats.t.ppf(0.95, 13)
    assert iso.alpha == pytest.approx(0.05, abs=4 * iso.error)
    assert iso.beta == pytest.approx(stats.t.sf(delta - t, 13), abs=4 * iso.error)
    assert din.beta == pytest.approx(0.05, abs=4 * din.error)


def test_attained_rates_of_the_low_range_match_readings_drawn_one_by_one():
    # Truth known: the fitted scatter; 3000 calibrations drawn here in another way, four standard errors.
    x, y, run = low_readings(5, 5, 2, ratio=1.0)
    levels = np.unique(x, return_inverse=True)[1]
    truth = LineTruth.of(x, y - y[0], levels, run)
    rng, cell = np.random.default_rng(1), levels * 5 + run
    part = np.sqrt(truth.parts)
    errors = part[0] * rng.standard_normal((3000, 5))[:, run] + part[1] * rng.standard_normal((3000, 20))[:, cell]
    errors += part[2] * rng.standard_normal((3000, x.size))
    many = 7 + truth.slope * x + truth.sd(x) * errors
    for rates, limits in zip(
        low_range_rates(truth, alpha=0.05),
        (LinearSdLimits.of(x, many, levels, alpha=0.05), CountedLimits.of(x, many, levels, run, alpha=0.05)),
        strict=True,
    ):
        blank = 7 + truth.sd(0.0) * rng.standard_normal(3000)
        share = np.mean((blank - limits.line.intercept) / limits.line.slope > limits.critical)
        assert rates.alpha == pytest.approx(share, abs=4 * (rates.error**2 + share * (1 - share) / 3000) ** 0.5)


def test_attained_rates_stand_beside_each_limit():
    study = blanks_study(calibration=calibration_columns())
    evaluation = CHARACTERISTIC.evaluate(study)
    table = evaluation.display.tables[0]
    place = table.head.index("attained, %")
    shares = {row[0]: row[place] for row in table.rows}
    assert shares["IUPAC 1997"] == "5.0 / 5.0"
    assert shares["blank 3s"].endswith("/ 50.0")
    for q in evaluation.quantities:
        assert sum(note.startswith("Attained with ") for note in q.notes) == 1
