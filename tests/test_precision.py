"""Nested precision and the precision model against published examples; what both chapters of the experiment share."""

from __future__ import annotations

import json
import warnings
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from small_study import precision_study, small_study

from validation.characteristics import intermediate_precision, repeatability
from validation.figures import intermediate_precision as run_figures
from validation.figures import repeatability as repeat_figures
from validation.figures.style import svg_text
from validation.judging import rules
from validation.stats.precision import precision
from validation.stats.precision_model import precision_model
from validation.stats.precision_studies import ClassicalStudies, RobustStudies
from validation.stats.robust import robust_precision

REFERENCE = Path(__file__).parent / "reference"

#: Without a factor beside the run there are no components to draw.
FIGURES = {
    module: [name for name in module.CHARACTERISTIC.figures if name != "components_by_level"]
    for module in (repeatability, intermediate_precision)
}


def half_a_unit(printed: str) -> float:
    """Half a unit of the last digit that the source prints."""
    return float(Decimal(1).scaleb(Decimal(printed).as_tuple().exponent)) / 2


def published(name: str) -> dict:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


# Statistics ------------------------------------------------------------------------------------------------------


def test_nested_precision_matches_ep05():
    # CLSI EP05, appendix, glucose (recalled; its printed values reproduce). Days are the runs, runs of a day the
    # preparations, replicates the readings: the within-laboratory standard deviation is s_I of a single reading.
    example = published("prc-ep05-glucose")
    printed, result = example["expected"], precision(example["data"]["day_run_replicate"])
    found = {
        "mean": result.between.general_mean,
        "s_repeatability": result.s_reading,
        "s_within_laboratory": result.s_I.value,
        "df_within_laboratory": result.s_I.degrees_of_freedom,
    }
    for name, value in found.items():
        assert value == pytest.approx(float(printed[name]), abs=half_a_unit(printed[name])), name


def test_nested_mean_squares_match_the_foundry_example():
    # Berthouex and Brown 2002, Tables 25.2 to 25.5: 3 batches, 4 specimens each, 2 tests each.
    example = published("prc-foundry-nested")
    printed, result = example["expected"], precision(example["data"]["batch_specimen_test"])
    found = {
        "mean": result.between.general_mean,
        "ms_tests": result.s_reading**2,
        "ms_specimens": 2 * result.between.ms_within,
        "ms_batches": 2 * result.between.ms_between,
    }
    for name, value in found.items():
        if name == "mean":  # 0.06675 lies on the edge of the printed 0.0667
            assert value == pytest.approx(0.06675, abs=1e-12)
        else:
            assert value == pytest.approx(float(printed[name]), abs=half_a_unit(printed[name])), name
    # Components by the textbook's expected mean squares: (MS - MS below) / readings behind one mean.
    tests, specimens, batches = (found[name] for name in ("ms_tests", "ms_specimens", "ms_batches"))
    assert result.s_preparation**2 == pytest.approx((specimens - tests) / 2, rel=1e-12)
    assert result.s_run.value**2 == pytest.approx((batches - specimens) / 8, rel=1e-12)
    assert result.s_I.value**2 == pytest.approx(tests + (specimens - tests) / 2 + (batches - specimens) / 8, rel=1e-12)


def test_repeated_readings_of_one_preparation_are_not_replicates():
    # One preparation a run, read three times: the readings must not be taken for s_r.
    result = precision([[[1.0, 1.01, 1.02]], [[2.0, 2.01, 2.02]], [[3.0, 3.01, 3.02]]])
    assert result.s_r is None
    assert result.s_run is None
    # s_I of a single reading: variance of the means, 1, plus two thirds of the reading variance (algebra).
    assert result.s_I.value**2 == pytest.approx(1 + 2 / 3 * 1e-4, rel=1e-9)


def test_limit_is_the_factor_of_iso_5725_6():
    # ISO 5725-6: r = 1.96 sqrt(2) s_r, printed as 2.77 s_r.
    result = precision([[[1.0], [2.0]], [[1.5], [2.5]]])
    assert result.r.value / result.s_r.value == pytest.approx(2.77, abs=0.005)


def test_precision_model_matches_a_gamma_regression():
    # A pooled variance is Gamma with mean (a + b x)^2: statsmodels GLM, Gamma, square-root link, weights = df.
    import statsmodels.api as sm

    x, s, df = [0.5, 1, 2, 4, 7.5, 10], [0.033, 0.052, 0.058, 0.11, 0.15, 0.24], [16, 16, 12, 16, 14, 16]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        family = sm.families.Gamma(link=sm.families.links.Power(0.5), check_link=False)
        fit = sm.GLM(np.square(s), sm.add_constant(x), family=family, var_weights=df).fit(tol=1e-12, maxiter=200)
    model = precision_model(x, s, df)
    assert (model.constant.value, model.slope.value) == pytest.approx(tuple(fit.params), rel=1e-8)
    # The large-sample standard error of that regression (dispersion 2) gives an interval of much the same width.
    error = np.sqrt(np.diag(fit.cov_params(scale=2.0)))
    width = model.slope.interval(0.95)[1] - model.slope.interval(0.95)[0]
    assert width == pytest.approx(2 * 1.96 * error[1], rel=0.2)


def test_too_few_levels_are_refused():
    with pytest.raises(ValueError, match=r"three levels or more; got 2"):
        precision_model([1, 2], [0.1, 0.2], [8, 8])


def test_empty_runs_are_refused():
    with pytest.raises(ValueError, match="at least one run"):
        precision([[], [[1.0]]])


# Evaluation ------------------------------------------------------------------------------------------------------


def test_outlier_is_flagged_by_both_tests_and_kept():
    runs = [[4.0, 4.1, 3.9], [4.05, 3.95, 4.0], [4.02, 5.5, 3.98], [3.9, 4.0, 4.1], [4.1, 4.0, 3.9]]
    study = precision_study(runs)
    for evaluation, test in (
        (repeatability.evaluate(study), "Cochran"),
        (intermediate_precision.evaluate(study), "Grubbs"),
    ):
        (flag,) = evaluation.flags
        assert (flag.reading, flag.test, flag.at, flag.kept) == ("T-008", test, 4.0, True)
        assert flag.statistic > flag.critical
        assert "also beyond the 1 %" in flag.reason
        assert all("T-008" in q.readings for q in evaluation.quantities)
    # ISO 5725-2:1994, Table 4: 5 % critical value of Cochran's test for p = 5, n = 3 is 0.684.
    assert repeatability.evaluate(study).flags[0].critical == pytest.approx(0.684, abs=0.0005)


def test_absent_experiment_and_awaiting_readings_are_said():
    other = small_study("detection", {"material": ["blank"], "result": ["0.1"]})
    empty = small_study("precision", {"level": [], "run": [], "result": []})
    for module in (repeatability, intermediate_precision):
        assert "no precision experiment" in module.evaluate(other).missing
        assert "awaiting readings" in module.evaluate(empty).missing


def test_censored_readings_are_counted_at_their_level():
    study = precision_study([[1.0, "<0.9", 1.2], [1.1, 1.4, 1.3]])
    for module, key in ((repeatability, "repeatability.s_r"), (intermediate_precision, "intermediate_precision.s_I")):
        q = module.evaluate(study).get(key, 4.0)
        assert q.censored == 1
        assert q.n == 5
        assert "1 censored reading at this level was left out." in q.notes


def several_levels():
    rng = np.random.default_rng(7)
    rows = []
    for run in range(6):
        for level in (0.5, 2.0, 5.0, 10.0):
            effect = rng.normal(0, 0.02 * level)
            rows += [
                (level, f"R{run + 1}", f"{level + effect + rng.normal(0, 0.03 + 0.02 * level):.3f}") for _ in range(3)
            ]
    levels, runs, results = zip(*rows, strict=True)
    return small_study("precision", {"level": levels, "run": runs, "result": results})


def test_whole_study_serialises_speaks_and_draws():
    study = several_levels()
    for module, figures in ((repeatability, repeat_figures), (intermediate_precision, run_figures)):
        evaluation = module.evaluate(study)
        json.dumps(evaluation.to_dict(), allow_nan=False)
        # Neither a published limit nor a factor beside the run is stated here.
        elsewhere = {"repeatability.ratio_to_published", "intermediate_precision.component"}
        keys = {info.key for info in module.CHARACTERISTIC.keys} - elsewhere
        assert {q.key for q in evaluation.quantities} == keys
        assert len(module.in_words(evaluation, study.unit)) >= 5
        for name in FIGURES[module]:
            svg = svg_text(getattr(figures, name)(evaluation, study))
            assert svg == svg_text(getattr(figures, name)(module.evaluate(study), study))
            assert "<text" in svg


def test_label_levels_and_zero_scatter_do_not_break_anything():
    study = small_study(
        "precision",
        {"level": ["a"] * 4 + ["b"] * 4, "run": ["1", "1", "2", "2"] * 2, "result": ["2.0"] * 4 + ["1", "2", "3", "4"]},
    )
    for module, figures in ((repeatability, repeat_figures), (intermediate_precision, run_figures)):
        evaluation = module.evaluate(study)
        json.dumps(evaluation.to_dict(), allow_nan=False)
        assert {q.at for q in evaluation.quantities} == {"a", "b"}
        assert module.in_words(evaluation, "1")
        for name in FIGURES[module]:
            drawn = getattr(figures, name)(evaluation, study)
            assert (drawn is None) == (name == "whole_range")  # labels have no range


def test_repeated_readings_are_all_counted_behind_every_estimate():
    rows = [("4", run, f"{run}{p}", k) for run in "abc" for p in (1, 2) for k in range(3)]
    results = [f"{4 + 0.07 * (i % 4) - 0.05 * (i % 7):.2f}" for i in range(len(rows))]
    study = small_study(
        "precision",
        {
            "level": [row[0] for row in rows],
            "run": [row[1] for row in rows],
            "preparation": [row[2] for row in rows],
            "result": results,
        },
    )
    found = [*repeatability.evaluate(study).quantities, *intermediate_precision.evaluate(study).quantities]
    assert {q.key.rpartition(".")[2] for q in found} == {"s_r", "r", "s_run", "s_I"}
    assert {(q.n, len(q.readings)) for q in found} == {(18, 18)}


def test_unequal_runs_are_said_of_s_r():
    columns = {"level": [4] * 5, "run": list("aabbb"), "result": ["4.1", "4.2", "4.0", "4.3", "4.1"]}
    q = repeatability.evaluate(small_study("precision", columns)).get("repeatability.s_r", 4.0)
    assert any("unequal numbers" in note for note in q.notes)


def test_zero_scatter_claims_no_bound_in_words_either():
    study = small_study("precision", {"level": [4] * 4, "run": list("aabb"), "result": ["4.1"] * 4})
    for characteristic, key in (
        (repeatability, "repeatability.s_r"),
        (intermediate_precision, "intermediate_precision.s_I"),
    ):
        evaluation = characteristic.evaluate(study)
        q = evaluation.get(key, 4.0)
        assert (q.value, q.interval, q.judged_interval) == (0.0, None, None)
        assert "no bound can be claimed" in q.notes[0]
        words = " ".join(characteristic.in_words(evaluation, "%"))
        assert "no bound can be claimed" in words
        assert "(from" not in words
        verdict = rules.upper_bound(q, 0.5)
        assert verdict.outcome == "not shown"
        assert "last digit written" in verdict.reason


def test_order_of_rows_does_not_matter():
    study = several_levels()
    table = study.experiments["precision"].table
    columns = {name: list(table[name])[::-1] for name in ("level", "run", "result")}
    turned = small_study("precision", columns)
    for module in (repeatability, intermediate_precision):
        one, two = module.evaluate(study), module.evaluate(turned)
        for q in one.quantities:
            assert two.get(q.key, q.at).value == pytest.approx(q.value, rel=1e-11)


def test_the_axis_title_of_a_low_figure_keeps_clear_of_its_title():
    study = precision_study([["2.0", "2.1"], ["2.4", "2.5"], ["1.9", "2.2"]])
    figure = run_figures.run_means(intermediate_precision.evaluate(study), study)
    figure.draw_without_rendering()
    title, beside = figure.get_suptitle(), figure.get_supylabel()
    boxes = {text.get_text(): text.get_window_extent() for text in figure.texts}
    assert not boxes[title].overlaps(boxes[beside])
    assert boxes[beside].y0 >= 0


@pytest.mark.parametrize(
    "layout",
    [((1, 1, 1),) * 6, ((2, 2, 2),) * 6, ((1, 2), (1,), (2, 2, 1), (1, 1)), ((1,),) * 6, ((2,),) * 6, ((2, 2, 1),)],
)
@pytest.mark.parametrize(
    ("many", "one"), [(ClassicalStudies, precision), (RobustStudies, robust_precision)], ids=["classical", "robust"]
)
def test_many_studies_at_once_are_the_public_function_study_by_study(layout, many, one):
    rng, starts = np.random.default_rng(3), np.repeat(np.arange(len(layout)), [sum(run) for run in layout])
    y = rng.standard_normal((4, len(starts))) + rng.standard_normal((4, len(layout)))[:, starts]
    studies = many.of(y, layout)
    for i, study in enumerate(y.tolist()):
        readings = iter(study)
        result = one([[[next(readings) for _ in range(n)] for n in run] for run in layout])
        for name in ("s_r", "s_run", "s_I"):
            estimate, ends = getattr(result, name), getattr(studies, f"{name}_interval")(0.95)
            assert (estimate is None) == (ends is None)
            if estimate is not None:
                # The robust view of many studies ends its rounds at the seventh digit.
                assert (ends[0][i], ends[1][i]) == pytest.approx(estimate.interval(0.95), rel=1e-5, abs=1e-9)
