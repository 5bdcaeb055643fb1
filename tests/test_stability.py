"""Stability: line on age, change, expiry, drift, against a printed example and general statistics libraries."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics import stability
from validation.characteristics._run_order import run_order
from validation.characteristics.stability.drift import BETWEEN, NO_ALLOWED_DRIFT
from validation.figures import stability as figures
from validation.figures.style import svg_text
from validation.stats.estimate import Estimate
from validation.stats.stability import expiry, first_crossing, stability_line, studentised_critical, time_within
from validation.stats.within_cells import slope_over_runs, within_cells
from validation.study.model import Study

DEMO = Path(__file__).parent.parent / "demo_data"
PRINTED = yaml.safe_load((Path(__file__).parent / "reference" / "sta-shelf-life.yaml").read_text(encoding="utf-8"))

AGES = [0, 0, 0, 7, 7, 14, 14, 14, 21, 21, 28, 28, 28]
RESULTS = [5.03, 4.91, 5.08, 4.97, 4.88, 4.93, 4.80, 4.86, 4.84, 4.73, 4.76, 4.69, 4.83]


def joined(*studies: Study) -> Study:
    experiments = {name: data for study in studies for name, data in study.experiments.items()}
    return Study(studies[0].folder, studies[0].plan, experiments)


def study_of(ages=AGES, results=RESULTS, *, state="in use", settings=None, **columns) -> Study:
    states = [state] * len(ages) if isinstance(state, str) else state
    return small_study("stability", {"state": states, "age": ages, "result": results, **columns}, settings=settings)


def half_digit(text: str) -> float:
    """Half a unit of the last printed digit."""
    return 0.5 * 10.0 ** -len(text.partition(".")[2])


def ols(x, y, runs=None):
    """The same line by statsmodels: intercepts of the runs first, slope last."""
    import statsmodels.api as sm

    names = sorted(set(runs or [""]))
    of = runs or [""] * len(x)
    return sm.OLS(y, np.column_stack([[[float(r == name) for name in names] for r in of], x])).fit()


# Printed example ----------------------------------------------------------------------------------------------------


def test_line_and_shelf_life_match_the_printed_example():
    # Statistical Evaluation of Stability Data, Shelf-life Estimation for Single Batch (as per ICH/FDA), 2007, its page.
    data, printed = PRINTED["data"], PRINTED["expected"]
    line = stability_line(data["months"], [Decimal(text) for text in data["assay"]])
    slope = line.slope_estimate()
    t = line.slope / slope.standard_uncertainty
    found = {
        "intercept": line.intercept,
        "intercept_standard_error": line.standard_error_at(0.0),
        "slope": line.slope,
        "slope_standard_error": slope.standard_uncertainty,
        "slope_t": t,
        "slope_p": 2 * stats.t.sf(abs(t), line.degrees_of_freedom),
        "residual_sd": line.residual_sd,
        "shelf_life": first_crossing(
            line,
            start=-data["lower_limit"],
            per_intercept=1.0,
            sign=1.0,
            quantile=stats.t.ppf(0.95, line.degrees_of_freedom),
        ),
    }
    assert set(found) == set(printed)
    for name, text in printed.items():
        assert found[name] == pytest.approx(float(text), abs=half_digit(text)), name


# Line ---------------------------------------------------------------------------------------------------------------


def test_slope_matches_statsmodels():
    # Open library: OLS of statsmodels.
    fit = ols(AGES, RESULTS)
    q = stability.evaluate(study_of()).get("stability.slope", "in use")
    assert q.value == pytest.approx(fit.params[-1], rel=1e-10)
    assert q.interval == pytest.approx(tuple(fit.conf_int()[-1]), rel=1e-9)
    assert q.judged_interval == pytest.approx(tuple(fit.conf_int(0.1)[-1]), rel=1e-9)
    assert (q.degrees_of_freedom, q.n, q.unit, q.unit_name) == (11, 13, "%/day", "readings")
    assert any("no run column" in note for note in q.notes)


def test_runs_that_hold_several_ages_get_an_intercept_each():
    # statsmodels OLS with one intercept a run; the value at age 0 is the mean of the intercepts.
    runs = ["A", "B", "A", "A", "B", "B", "A", "B", "A", "B", "A", "B", "A"]
    shifted = [y + 0.5 * (run == "B") for y, run in zip(RESULTS, runs, strict=True)]
    fit = ols(AGES, shifted, runs)
    line = stability_line(AGES, shifted, runs)
    assert line.design == "runs kept apart"
    assert line.slope == pytest.approx(fit.params[-1], rel=1e-10)
    assert line.slope_estimate().interval(0.95) == pytest.approx(tuple(fit.conf_int()[-1]), rel=1e-9)
    start = fit.t_test([0.5, 0.5, 0.0])
    assert line.intercept == pytest.approx(start.effect[0], rel=1e-12)
    assert line.standard_error_at(0.0) == pytest.approx(start.sd.item(), rel=1e-9)
    # What a run adds leaves the slope alone.
    assert line.slope == pytest.approx(stability_line(AGES, RESULTS, runs).slope, rel=1e-10)


def test_ages_with_a_run_each_count_as_run_means():
    # statsmodels OLS on the run means.
    runs = [f"R{age}" for age in AGES]
    ages = sorted(set(AGES))
    means = [np.mean([y for a, y in zip(AGES, RESULTS, strict=True) if a == age]) for age in ages]
    fit = ols(ages, means)
    q = stability.evaluate(study_of(run=runs)).get("stability.slope", "in use")
    assert q.value == pytest.approx(fit.params[-1], rel=1e-10)
    assert q.interval == pytest.approx(tuple(fit.conf_int()[-1]), rel=1e-9)
    assert (q.degrees_of_freedom, q.units, q.n, q.unit_name) == (3, 5, 13, "run means")
    assert any("carry their errors" in note for note in q.notes)


def test_one_run_is_isochronous_and_said():
    q = stability.evaluate(study_of(run=["T1"] * 13)).get("stability.slope", "in use")
    assert q.degrees_of_freedom == 11
    assert any("isochronous" in note for note in q.notes)


def test_lack_of_fit_matches_the_comparison_of_two_models_of_statsmodels():
    # Open library: statsmodels.
    # anova_lm of the line against one mean an age.
    import pandas as pd
    from statsmodels.formula.api import ols as formula
    from statsmodels.stats.anova import anova_lm

    bent = [y - 0.002 * (a - 14) ** 2 for a, y in zip(AGES, RESULTS, strict=True)]
    table = pd.DataFrame({"a": AGES, "y": bent})
    expected = anova_lm(formula("y ~ a", table).fit(), formula("y ~ C(a)", table).fit())["Pr(>F)"].iloc[1]
    assert stability_line(AGES, bent).lack_of_fit_p == pytest.approx(expected, rel=1e-8)
    assert expected < 0.05
    assert any("depart from a straight line" in note for note in stability.evaluate(study_of(results=bent)).notes)


def test_largest_residual_matches_the_outlier_test_of_statsmodels():
    # OLSInfluence of statsmodels; the Bonferroni bound from its outlier_test.
    far = [*RESULTS[:6], 4.2, *RESULTS[7:]]
    fit = ols(AGES, far)
    line = stability_line(AGES, far)
    expected = fit.get_influence().resid_studentized_external
    assert line.studentised == pytest.approx(expected, rel=1e-8)
    table = fit.outlier_test()
    worst = int(np.argmax(np.abs(expected)))
    critical = studentised_critical(13, 11)
    assert (abs(expected[worst]) > critical) == (table[worst, 2] < 0.05)
    (flag,) = stability.evaluate(study_of(results=far)).flags
    assert (flag.reading, flag.at, flag.kept) == ("T-007", "in use", True)
    assert not stability.evaluate(study_of()).flags


def test_small_slope_on_large_readings_is_exact():
    # By construction: 1e12 + 0.1 a day, and residuals +, -, -, + of 0.1, which are at right angles to line and age.
    values = [Decimal(10**12) + Decimal(i) / 10 + Decimal(r) / 10 for i, r in enumerate((1, -1, -1, 1))]
    line = stability_line([0, 1, 2, 3], values)
    assert line.slope == pytest.approx(0.1, rel=1e-12)
    assert line.residual_sd == pytest.approx(np.sqrt(0.04 / 2), rel=1e-12)
    assert not line.exact


# Change and expiry --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("confidence", "runs"), [(0.9, None), (0.95, ["A", "B"] * 6 + ["A"])])
def test_change_ends_where_a_t_test_of_statsmodels_just_rejects(confidence, runs):
    # Fieller 1954: at both ends delta the t test of b T - delta a = 0 has p = 1 - confidence.
    fit, line = ols(AGES, RESULTS, runs), stability_line(AGES, RESULTS, runs)
    share = [1 / (len(fit.params) - 1)] * (len(fit.params) - 1)
    change = line.change(14.0)
    assert change.value == pytest.approx(14 * fit.params[-1] / np.dot(share, fit.params[:-1]), rel=1e-10)
    for delta in change.interval(confidence):
        test = fit.t_test([*(-delta * part for part in share), 14.0])
        assert float(test.pvalue) == pytest.approx(1 - confidence, rel=1e-6)


def test_expiry_is_where_the_one_sided_test_of_statsmodels_stops_rejecting():
    # Open library: t_test of statsmodels.
    fit, line = ols(AGES, RESULTS), stability_line(AGES, RESULTS)
    until = expiry(line, 0.04, 28.0)
    age = until.expiry.value
    assert 0 < age < 28
    assert not until.capped
    t = float(fit.t_test([0.04, age]).tvalue.item())
    assert stats.t.sf(t, fit.df_resid) == pytest.approx(0.05, rel=1e-6)
    # Earlier the change is shown to be smaller than allowed, later it is not.
    assert stats.t.sf(float(fit.t_test([0.04, age - 0.1]).tvalue.item()), fit.df_resid) < 0.05
    assert stats.t.sf(float(fit.t_test([0.04, age + 0.1]).tvalue.item()), fit.df_resid) > 0.05
    assert until.line_meets == pytest.approx(-0.04 * line.intercept / line.slope, rel=1e-12)
    assert age < until.line_meets
    # The bound of the change over that very time is the allowed change.
    assert line.change(age).interval(0.9)[0] == pytest.approx(-0.04, rel=1e-9)


def test_a_gain_expires_where_its_own_test_stops_rejecting():
    # t test of statsmodels for c a - b t; the covariance of a and b enters with the other sign than for a loss.
    gaining = [10.0 - y for y in RESULTS]
    fit, until = ols(AGES, gaining), expiry(stability_line(AGES, gaining), 0.04, 28.0)
    t = float(fit.t_test([0.04, -until.expiry.value]).tvalue.item())
    assert stats.t.sf(t, fit.df_resid) == pytest.approx(0.05, rel=1e-6)


def test_expiry_is_never_beyond_the_longest_age():
    line = stability_line(AGES, RESULTS)
    until = expiry(line, 0.2, 28.0)
    assert until.capped
    assert until.expiry.value == 28.0
    settings = {"allowed_change": "20%", "planned_time": 14}
    evaluation = stability.evaluate(study_of(settings=settings))
    assert any("at least 28 days" in note for note in evaluation.get("stability.expiry", "in use").notes)
    assert "at least" in " ".join(stability.in_words(evaluation, "%"))


def test_expiry_does_not_depend_on_the_unit_of_the_results():
    line, other = stability_line(AGES, RESULTS), stability_line(AGES, [1000 * y for y in RESULTS])
    assert expiry(other, 0.04, 28.0).expiry.value == pytest.approx(expiry(line, 0.04, 28.0).expiry.value, rel=1e-10)


def test_limit_as_a_number_is_taken_relative_to_the_value_at_age_0():
    line = stability_line(AGES, RESULTS)
    share, number = (
        stability.evaluate(study_of(settings={"allowed_change": limit})).get("stability.expiry", "in use").value
        for limit in ("4%", repr(0.04 * line.intercept))
    )
    assert number == pytest.approx(share, rel=1e-9)


def test_without_settings_there_is_a_note_instead():
    evaluation = stability.evaluate(study_of())
    assert [q.key for q in evaluation.quantities] == ["stability.slope"]
    assert stability.NO_ALLOWED_CHANGE in evaluation.notes
    assert stability.NO_PLANNED_TIME in evaluation.notes


def test_planned_time_beyond_the_ages_gives_no_change():
    evaluation = stability.evaluate(study_of(settings={"planned_time": 30}))
    assert evaluation.get("stability.change", "in use") is None
    assert any("extrapolation" in note for note in evaluation.notes)


def test_a_limit_of_zero_is_refused():
    with pytest.raises(ValueError, match="must be above 0"):
        expiry(stability_line(AGES, RESULTS), 0.0, 28.0)


# Degenerate ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ages", "results"), [([0, 0, 0], [5.0, 5.1, 4.9]), ([0, 7], [5.0, 4.9]), ([3], [5.0])], ids=str
)
def test_too_few_ages_are_said(ages, results):
    evaluation = stability.evaluate(study_of(ages, results))
    assert not evaluation.quantities
    assert any("No line can be fitted" in note for note in evaluation.notes)
    json.dumps(evaluation.to_dict(), allow_nan=False)


def test_results_on_the_line_have_no_interval():
    study = study_of([0, 7, 14, 21], ["5.0", "4.9", "4.8", "4.7"], settings={"allowed_change": "2%", "planned_time": 7})
    evaluation = stability.evaluate(study)
    for key in ("slope", "change"):
        q = evaluation.get(f"stability.{key}", "in use")
        assert q.interval is None
        assert "rounding" in q.notes[0]
    assert evaluation.get("stability.expiry", "in use") is None
    assert figures.result_by_age(evaluation, study) is not None


def test_states_and_levels_have_lines_of_their_own():
    two = study_of(AGES * 2, RESULTS * 2, state=["in use"] * 13 + ["sealed"] * 13)
    assert [q.at for q in stability.evaluate(two).quantities] == ["in use", "sealed"]
    levels = study_of(AGES * 2, RESULTS + [2 * y for y in RESULTS], level=["5"] * 13 + ["10"] * 13)
    assert len({q.at for q in stability.evaluate(levels).quantities}) == 2


def test_censored_results_are_counted():
    q = stability.evaluate(study_of([*AGES, 28], [*RESULTS, "<0.1"])).get("stability.slope", "in use")
    assert (q.censored, q.n) == (1, 13)
    assert any("1 censored" in note for note in q.notes)


def test_unequal_columns_are_refused():
    with pytest.raises(ValueError, match="equally long"):
        stability_line([0, 1], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="got 2 units"):
        stability_line([0, 1], [1.0, 2.0])


def test_missing_experiment_is_said():
    other = small_study("precision", {"level": ["1"], "run": ["R"], "result": ["1"]})
    assert "no stability experiment" in stability.evaluate(other).missing
    empty = small_study("stability", {"state": [], "age": [], "result": []})
    assert "awaiting readings" in stability.evaluate(empty).missing


# Drift --------------------------------------------------------------------------------------------------------------


def dated(study: Study, times) -> Study:
    """The same study with a time for every reading."""
    ((name, data),) = study.experiments.items()
    readings = tuple(replace(reading, time=when) for reading, when in zip(data.readings, times, strict=True))
    return replace(study, experiments={name: replace(data, readings=readings)})


def drifting(experiment: str = "precision", drift: float = 0.02, runs: int = 5, seed: int = 1, settings=None) -> Study:
    """Two materials, eight readings a run, one each quarter of an hour, all drifting by a share an hour."""
    rng = np.random.default_rng(seed)
    rows, times = [], []
    for run in range(runs):
        shift = rng.normal(0, 0.02)
        for order, level in enumerate(rng.permutation(np.repeat([2.0, 5.0], 4))):
            hours = order / 4
            value = level * (1 + shift + drift * hours) + rng.normal(0, 0.005 + 0.005 * level)
            rows.append((f"{level:g}", f"R{run + 1}", order + 1, f"{value:.4f}"))
            times.append(datetime(2026, 3, 2, 8, tzinfo=UTC) + timedelta(days=2 * run, hours=hours))
    columns = dict(zip(("level", "run", "order", "result"), map(list, zip(*rows, strict=True)), strict=True))
    return dated(small_study(experiment, columns, settings=settings), times)


def test_drift_in_run_matches_statsmodels_run_by_run():
    # statsmodels WLS in each run, one indicator a material; scipy's one-sample t over the slopes.
    import statsmodels.api as sm

    study = drifting()
    order = run_order(study.experiments["precision"])
    assert order.hours[:3] == (0.0, 0.25, 0.5)
    x = np.array(order.places) * np.array(order.hours)
    cells = within_cells(order.values, x, order.cells, order.places)
    y = np.array([float(v) for v in order.values])
    slopes = []
    for run in range(5):
        rows = np.flatnonzero(np.array(order.runs) == run)
        held = sorted({order.cells[row] for row in rows})
        design = [[*(float(order.cells[row] == cell) for cell in held), x[row]] for row in rows]
        slopes.append(sm.WLS(y[rows], design, weights=1 / cells.scatter[rows] ** 2).fit().params[-1])
    expected = stats.ttest_1samp(slopes, 0).confidence_interval(0.95)
    over = slope_over_runs(cells, order.runs)
    assert over.slopes == pytest.approx(slopes, rel=1e-9)
    q = stability.evaluate(joined(study_of(), study)).get("stability.drift_in_run", "precision")
    assert q.value == pytest.approx(np.mean(slopes), rel=1e-9)
    assert q.interval == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert (q.unit, q.units, q.degrees_of_freedom) == ("1/hour", 5, 4)
    assert q.interval[0] < 0.02 < q.interval[1]


def test_drift_counts_places_where_no_time_of_day_is_known():
    study = drifting()
    data = study.experiments["precision"]
    undated = replace(data, readings=tuple(replace(reading, time=None) for reading in data.readings))
    q = stability.evaluate(joined(study_of(), replace(study, experiments={"precision": undated}))).get(
        "stability.drift_in_run", "precision"
    )
    per_hour = stability.evaluate(joined(study_of(), study)).get("stability.drift_in_run", "precision")
    assert q.unit == "1/reading"
    assert q.value == pytest.approx(per_hour.value / 4, rel=1e-9)  # four readings an hour


def test_one_run_has_its_own_interval_and_a_note():
    q = stability.evaluate(joined(study_of(), drifting(runs=1))).get("stability.drift_in_run", "precision")
    assert q.units == 8
    assert any("one run only" in note for note in q.notes)


def test_control_comes_first_and_gives_drift_between_runs():
    # statsmodels OLS on the run means over days; the ratio of slope and intercept by its t test.
    study = drifting("control", runs=6, settings={"allowed_drift": "3%"})
    evaluation = stability.evaluate(joined(study_of(), study, drifting()))
    assert evaluation.get("stability.drift_in_run", "precision") is None
    assert evaluation.get("stability.drift_in_run", "control") is not None
    data = study.experiments["control"]
    table = data.table
    relative = table["result"] / table.groupby("level")["result"].transform("mean")
    means = relative.groupby(table["run"]).mean().to_numpy()
    days = np.array([2.0 * run for run in range(6)]) + 1.75 / 2 / 24
    fit = ols(days, means)
    q = evaluation.get("stability.drift_between_runs", "control")
    assert q.value == pytest.approx(fit.params[1] / fit.params[0], rel=1e-6)
    for end in q.interval:
        assert float(fit.t_test([-end, 1.0]).pvalue) == pytest.approx(0.05, rel=1e-4)
    assert q.unit == "1/day"


def test_calibration_interval_is_the_allowed_drift_over_its_bound():
    evaluation = stability.evaluate(drifting("control", runs=6, settings={"allowed_drift": "3%"}))
    drift = evaluation.get("stability.drift_in_run", "control")
    q = evaluation.get("stability.calibration_interval", "control")
    assert q.unit == "hour"
    assert q.value == pytest.approx(0.03 / max(map(abs, drift.judged_interval)), rel=1e-12)
    generous = stability.evaluate(drifting("control", runs=6, settings={"allowed_drift": "50%"}))
    capped = generous.get("stability.calibration_interval", "control")
    assert capped.value == 1.75
    assert any("at least 1.75 hours" in note for note in capped.notes)
    between = evaluation.get("stability.calibration_interval", BETWEEN)
    assert between.unit == "day"
    assert any("no stability experiment" in note for note in evaluation.notes)
    assert time_within((-0.01, 0.02), 0.03) == 1.5
    assert time_within((0.0, 0.0), 0.03) is None


def test_no_allowed_drift_gives_no_interval_and_a_note():
    evaluation = stability.evaluate(drifting("control"))
    assert NO_ALLOWED_DRIFT in evaluation.notes
    assert evaluation.get("stability.calibration_interval", "control") is None


def test_no_drift_can_be_estimated_without_order():
    evaluation = stability.evaluate(study_of())
    assert any("Drift inside a run cannot be estimated" in note for note in evaluation.notes)
    assert figures.drift(evaluation, study_of()) is None


# R ------------------------------------------------------------------------------------------------------------------

R_SCRIPT = """
age <- c({ages}); y <- c({results})
fit <- lm(y ~ age)
cat(sprintf("%.15g ", c(coef(fit)["age"], confint(fit, "age"))), "\\n")
v <- vcov(fit); q <- qt(0.95, df.residual(fit))
bound <- function(t) 0.04 * coef(fit)[1] + t * coef(fit)[2] - q * sqrt(c(0.04, t) %*% v %*% c(0.04, t))
cat(sprintf("%.15g ", uniroot(bound, c(0, 28), tol = 1e-13)$root), "\\n")
"""


def test_slope_and_expiry_match_r_where_the_machine_has_it():
    # Open program: lm of R, by the script above.
    program = shutil.which("Rscript")
    if program is None:
        pytest.skip("Rscript is not on the path")
    script = R_SCRIPT.format(ages=", ".join(map(str, AGES)), results=", ".join(map(str, RESULTS)))
    answer = subprocess.run([program, "--vanilla", "-e", script], capture_output=True, text=True, timeout=600)
    assert answer.returncode == 0, answer.stderr
    slope, age = ([float(word) for word in line.split()] for line in answer.stdout.splitlines())
    line = stability_line(AGES, RESULTS)
    assert [line.slope, *line.slope_estimate().interval(0.95)] == pytest.approx(slope, rel=1e-9)
    assert expiry(line, 0.04, 28.0).expiry.value == pytest.approx(age[0], rel=1e-9)


# The chapter --------------------------------------------------------------------------------------------------------


def test_evaluation_is_plain_and_draws():
    study = joined(study_of(settings={"allowed_change": "4%", "planned_time": 14}), drifting())
    evaluation = stability.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    words = " ".join(stability.in_words(evaluation, "%"))
    assert "In use: over 14 days the value changes by" in words
    assert "per hour" in words
    assert "expiry" in svg_text(figures.result_by_age(evaluation, study))
    assert "time in the run / hour" in svg_text(figures.drift(evaluation, study))


def test_what_a_requirement_may_use_needs_no_display():
    def never():
        raise AssertionError("the display was computed")

    study = joined(study_of(settings={"allowed_change": "4%", "planned_time": 14}), drifting())
    evaluation = replace(stability.evaluate(study), show=never)
    assert {q.key.partition(".")[2] for q in evaluation.judged} == {"slope", "change", "expiry", "drift_in_run"}
    assert evaluation.get("stability.change", "in use").judged_interval is not None


def test_a_change_from_a_start_that_may_be_zero_has_no_interval_at_that_level():
    # Fieller 1954: the set is an interval where t^2 s(a)^2 < a^2; t of statsmodels for the intercept.
    results = [0.3, -0.2, 0.4, 1.4, 0.7, 1.5]
    fit, change = ols([0, 0, 0, 7, 7, 7], results), stability_line([0, 0, 0, 7, 7, 7], results).change(7.0)
    limit = 1 - float(fit.pvalues[0])
    assert change.interval(limit - 0.01) is not None
    assert change.interval(limit + 0.01) is None
    assert "may be zero" in change.notes_at(limit + 0.01)[0]
    assert change.notes_at(limit - 0.01) == ()
    again = Estimate.from_dict(json.loads(json.dumps(change.to_dict())))
    assert again.interval(0.3) == change.interval(0.3)


# Demonstration data -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def invented():
    """The truth, and the sheet module drawn with any seed."""
    sys.path.insert(0, str(DEMO))
    try:
        from laboratory import Laboratory
        from sheets import stability as sheet
    finally:
        sys.path.remove(str(DEMO))
    truth = yaml.safe_load((DEMO / "truth.yaml").read_text(encoding="utf-8"))
    return truth, Laboratory, lambda seed: sheet.rows(Laboratory(truth, seed), truth["designs"]["stability"])


def line_of(rows, state: str):
    own = [row for row in rows if row["state"] == state]
    return stability_line([row["age"] for row in own], [Decimal(row["result"]) for row in own], ["T1"] * len(own))


def test_demonstration_shows_its_planted_feature(invented):
    truth, _, draw = invented
    rows = draw(truth["seed"]["sheets"]["stability"])
    assert len(rows) == 36
    assert {row["time"][:10] for row in rows} == {"2026-04-07"}
    used, sealed = line_of(rows, "in use"), line_of(rows, "sealed")
    assert used.design == "one run"
    assert 8 < expiry(used, 0.025, 35.0).expiry.value < 14
    low, high = used.change(14.0).interval(0.9)
    assert low < -0.025 < high  # not shown
    low, high = sealed.change(14.0).interval(0.9)
    assert -0.025 <= low <= high <= 0.025


@sizes("draws", 60, 400)
def test_truth_lies_inside_at_the_stated_rate(invented, draws):
    # Intervals of the change at 90 %, and expiries that come before the true age of 2.5 % loss.
    truth, laboratory, draw = invented
    design = truth["designs"]["stability"]
    instrument = laboratory(truth, 0)
    level, weekly = design["level"], design["loss_a_week"]["in use"]
    start = instrument.expected(level)
    # Below 5 % the response is straight, and the background does not age.
    true_change = instrument.expected(level * (1 - 2 * weekly)) / start - 1
    true_age = 14 * -0.025 / true_change
    inside = early = 0
    for seed in range(1, draws + 1):
        line = line_of(draw(seed), "in use")
        low, high = line.change(14.0).interval(0.9)
        inside += low <= true_change <= high
        early += expiry(line, 0.025, 35.0).expiry.value <= true_age
    low, high = stats.binom.interval(0.999, draws, 0.9)
    assert low <= inside <= high
    low, high = stats.binom.interval(0.999, draws, 0.95)
    assert low <= early <= high
