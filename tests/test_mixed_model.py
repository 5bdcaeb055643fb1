"""The mixed model against nested analysis of variance in print, an independent fit, and the design's own limits."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml
from scipy.stats import chi2
from small_study import precision_study, small_study

from validation.characteristics import intermediate_precision
from validation.figures import intermediate_precision as figures
from validation.figures.style import svg_text
from validation.stats.mixed_model import mixed_model
from validation.stats.one_way import one_way

REFERENCE = Path(__file__).parent / "reference"


def published(name: str) -> dict:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def labels(codes) -> list[str]:
    return [str(code) for code in codes]


# Statistics ------------------------------------------------------------------------------------------------------


def test_days_and_runs_match_ep05():
    # CLSI EP05, appendix, glucose (recalled): 20 days, 2 runs a day, 2 replicates. Balanced and nothing below zero, so
    # REML is the nested analysis of variance: (MS_day - MS_run) / 4, (MS_run - MS_error) / 2.
    example = published("prc-ep05-glucose")
    ms = example["assumptions"]["extra_computed"]
    values = np.array(example["data"]["day_run_replicate"]).ravel().tolist()
    result = mixed_model(
        values, {"day": labels(np.repeat(np.arange(20), 4)), "run": labels(np.repeat(np.arange(40), 2))}
    )
    assert result.get("day").estimate.value ** 2 == pytest.approx((ms["ms_day"] - ms["ms_run"]) / 4, rel=1e-9)
    assert result.get("run").estimate.value ** 2 == pytest.approx((ms["ms_run"] - ms["ms_error"]) / 2, rel=1e-9)
    assert result.residual_sd**2 == pytest.approx(ms["ms_error"], rel=1e-9)
    assert result.get("day").estimate.degrees_of_freedom == 19
    assert result.get("run").estimate.degrees_of_freedom == 20
    # The printed within-laboratory standard deviation, 3.60, is what the components add up to.
    total = np.sqrt(sum(c.estimate.value**2 for c in result.components) + result.residual_sd**2)
    assert total == pytest.approx(float(example["expected"]["s_within_laboratory"]), abs=0.005)


def test_nested_components_match_the_foundry_example():
    # Berthouex and Brown 2002, Tables 25.2 to 25.5: batches, specimens of a batch, tests of a specimen. Printed mean
    # squares 0.001835, 0.000693, 0.000005; the components follow as (MS - MS below) / readings behind one mean.
    example = published("prc-foundry-nested")
    printed = {name: float(value) for name, value in example["expected"].items()}
    values = np.array(example["data"]["batch_specimen_test"]).ravel().tolist()
    result = mixed_model(
        values, {"batch": labels(np.repeat(np.arange(3), 8)), "specimen": labels(np.repeat(np.arange(12), 2))}
    )
    variances = [result.get(name).estimate.value ** 2 for name in ("batch", "specimen")]
    assert variances[0] == pytest.approx((printed["ms_batches"] - printed["ms_specimens"]) / 8, abs=1.3e-7)
    assert variances[1] == pytest.approx((printed["ms_specimens"] - printed["ms_tests"]) / 2, abs=5e-7)
    assert result.residual_sd**2 == pytest.approx(printed["ms_tests"], abs=5e-7)


def crossed(seed: int = 12) -> tuple[list[float], dict[str, list[str]]]:
    """Four analysts by four instruments, two runs of each pair, two readings a run."""
    rng = np.random.default_rng(seed)
    analyst, instrument = (part.ravel() for part in np.meshgrid(np.arange(4), np.arange(4), indexing="ij"))
    analyst, instrument = np.repeat(analyst, 2), np.repeat(instrument, 2)
    run = np.arange(32)
    means = rng.normal(0, 0.3, 4)[analyst] + rng.normal(0, 0.5, 4)[instrument] + rng.normal(0, 0.2, 32)
    values = np.repeat(means, 2) + rng.normal(0, 0.1, 64)
    columns = {"analyst": analyst, "instrument": instrument, "run": run}
    return values.tolist(), {name: labels(np.repeat(codes, 2)) for name, codes in columns.items()}


def test_crossed_factors_match_an_independent_fit():
    # statsmodels MixedLM, REML, variance components in one group.
    from statsmodels.regression.mixed_linear_model import MixedLM

    values, factors = crossed()
    frame = pd.DataFrame({"y": values, "one": 1, **factors})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = MixedLM.from_formula(
            "y ~ 1",
            groups="one",
            re_formula="0",
            vc_formula={name: f"0 + C({name})" for name in factors},
            data=frame,
        ).fit(reml=True, method="bfgs", gtol=1e-8)
    result = mixed_model(values, factors)
    for name, variance in zip(fit.model.exog_vc.names, fit.vcomp, strict=True):
        assert result.get(name).estimate.value ** 2 == pytest.approx(float(variance), rel=1e-4), name
    assert result.residual_sd**2 == pytest.approx(float(fit.scale), rel=1e-4)


def test_crossed_balanced_components_match_the_mean_squares():
    # Textbook expected mean squares of the crossed design: E MS_analyst = ... + 16 s_analyst^2 over that of the runs.
    values, factors = crossed()
    y = np.array(values).reshape(4, 4, 2, 2)
    runs, grand = y.mean(axis=3), y.mean()
    ms_error = float(((y - runs[..., None]) ** 2).sum() / 32)
    a, b = y.mean(axis=(1, 2, 3)), y.mean(axis=(0, 2, 3))
    rest = runs - a[:, None, None] - b[None, :, None] + grand
    ms_run = 2 * float((rest**2).sum()) / (31 - 6)
    result = mixed_model(values, factors)
    expected = {
        "analyst": (16 * a.var(ddof=1) - ms_run) / 16,
        "instrument": (16 * b.var(ddof=1) - ms_run) / 16,
        "run": (ms_run - ms_error) / 2,
    }
    for name, variance in expected.items():
        assert result.get(name).estimate.value ** 2 == pytest.approx(variance, rel=1e-8), name


def test_one_factor_is_the_one_way_model_also_with_unequal_groups():
    groups = [[10.1, 10.4, 10.2], [11.0, 11.3], [9.2, 9.5, 9.9, 9.1], [10.8], [10.0, 10.6, 10.3]]
    flat = [value for group in groups for value in group]
    names = [str(i) for i, group in enumerate(groups) for _ in group]
    result, other = mixed_model(flat, {"run": names}), one_way(groups)
    assert result.get("run").estimate.value == pytest.approx(other.s_between.value, rel=1e-8)


def test_the_interval_is_where_the_profile_reaches_its_limit():
    # Open library: digamma and chi-square of scipy.
    # One mean square with 9 degrees of freedom, known scatter beneath it negligible: 2 l = df (log(v/s2) + s2/v - 1),
    # against chi-square times its own mean, df (log(df/2) - digamma(df/2)), by bisection here.
    from scipy.special import digamma

    rng = np.random.default_rng(1)
    means = rng.normal(size=10)
    values = [mean + step for mean in means for step in (-1e-5, 1e-5)]
    result = mixed_model(values, {"run": labels(np.repeat(np.arange(10), 2))})
    s, (low, high) = result.components[0].estimate.value, result.components[0].estimate.interval(0.95)
    assert s == pytest.approx(means.std(ddof=1), rel=1e-6)
    limit = chi2.ppf(0.95, 1) * 9 * (np.log(4.5) - digamma(4.5))
    for end in (low, high):
        x = (s / end) ** 2
        assert 9 * (x - 1 - np.log(x)) == pytest.approx(limit, rel=1e-5)


def test_a_component_below_zero_is_set_to_zero_and_told():
    values = [1.0, 2.0, 2.0, 1.0, 1.1, 1.9, 1.2, 1.8]
    estimate = mixed_model(values, {"run": labels([0, 0, 1, 1, 2, 2, 3, 3])}).components[0].estimate
    assert estimate.value == 0
    assert estimate.interval(0.95)[0] == 0 < estimate.interval(0.95)[1]
    assert "set to zero" in estimate.notes[0]


# What a design cannot tell ---------------------------------------------------------------------------------------


def test_factors_that_divide_the_readings_alike_share_one_component():
    values, factors = crossed()
    again = {**factors, "day": [f"day {run}" for run in factors["run"]]}
    result, before = mixed_model(values, again), mixed_model(values, factors)
    assert [c.factors for c in result.components] == [("analyst",), ("instrument",), ("run", "day")]
    assert result.get("day").estimate.value == pytest.approx(before.get("run").estimate.value, rel=1e-9)


def test_a_factor_of_two_values_is_named_and_not_estimated():
    values, factors = crossed()
    halves = ["early" if int(run) < 16 else "late" for run in factors["run"]]
    component = mixed_model(values, {**factors, "lot": halves}).get("lot")
    assert component.estimate is None
    assert component.reason.startswith("The lot takes 2 values only")


def test_a_factor_that_changes_with_every_reading_is_part_of_the_scatter():
    values, factors = crossed()
    result = mixed_model(values, {**factors, "vial": labels(range(64))})
    assert "change" in result.get("vial").reason
    assert "scatter of the readings" in result.get("vial").reason
    assert result.get("run").estimate is not None


def test_what_nothing_distinguishes_is_told():
    # Three analysts and three instruments, each pair one run of one reading, and the diagonal of a square as a third
    # factor: with nine readings and two differences each, two are left; a fourth such factor leaves none.
    analyst, instrument = labels(np.repeat(range(3), 3)), labels(np.tile(range(3), 3))
    third = labels((np.repeat(range(3), 3) + np.tile(range(3), 3)) % 3)
    fourth = labels((np.repeat(range(3), 3) + 2 * np.tile(range(3), 3)) % 3)
    values = np.random.default_rng(0).normal(size=9).tolist()
    factors = {"analyst": analyst, "instrument": instrument, "day": third}
    assert all(c.estimate is not None for c in mixed_model(values, factors).components)
    last = mixed_model(values, {**factors, "lot": fourth}).get("lot")
    assert last.estimate is None
    assert last.reason.startswith("The lot cannot be told apart from the analyst, instrument and day")


def test_readings_that_agree_within_all_factors_claim_nothing():
    result = mixed_model([1.0, 1.0, 2.0, 2.0, 3.0, 3.0], {"run": labels([0, 0, 1, 1, 2, 2])})
    assert result.residual_sd is None
    assert "last digit" in result.reason
    assert result.components[0].estimate is None


def test_a_column_of_another_length_is_refused():
    with pytest.raises(ValueError, match="must have 2 values; run has 1"):
        mixed_model([1.0, 2.0], {"run": ["a"]})


# Evaluation ------------------------------------------------------------------------------------------------------


def crossed_study():
    values, factors = crossed()
    columns = {"level": [4] * 64, "result": [f"{4 + value:.4f}" for value in values], **factors}
    columns["day"] = [f"2026-03-{int(run) + 1:02d}" for run in factors["run"]]
    return small_study("precision", columns)


def test_components_stand_at_level_and_factor():
    study = crossed_study()
    evaluation = intermediate_precision.evaluate(study)
    found = {q.at: q for q in evaluation.quantities if q.key == "intermediate_precision.component"}
    assert list(found) == ["4, run and day", "4, analyst", "4, instrument"]
    q = found["4, instrument"]
    assert (q.units, q.unit_name, q.n, q.unit, q.degrees_of_freedom) == (4, "values", 64, "%", 3)
    assert q.interval[0] <= q.value <= q.interval[1]
    assert q.judged_interval is None
    assert "Run and day change together: one component for both." in found["4, run and day"].notes
    assert "Run and day change together: one component for both." in evaluation.notes
    words = intermediate_precision.in_words(evaluation, "%")
    assert any(sentence.startswith("By factor") and "run and day together" in sentence for sentence in words)
    svg = svg_text(figures.components_by_level(evaluation, study))
    assert svg == svg_text(figures.components_by_level(evaluation, study))


def test_factors_that_change_with_the_run_alone_add_nothing():
    runs = [[1.0, 1.1], [1.2, 1.3], [1.1, 1.0]]
    study = precision_study(runs, day=["1", "1", "2", "2", "3", "3"], analyst=["A"] * 6)
    evaluation = intermediate_precision.evaluate(study)
    assert not [q for q in evaluation.quantities if q.key.endswith("component")]
    assert "Run and day change together: one component for both." in evaluation.notes
    assert figures.components_by_level(evaluation, study) is None


def test_few_values_and_unstated_ones_are_told():
    runs = [[1.0, 1.1], [1.2, 1.3], [1.1, 1.0], [1.3, 1.2]]
    study = precision_study(
        runs, analyst=["A", "A", "B", "B", "A", "A", "B", "B"], pad_lot=["1", "1", "2", "2", "", "", "3", "3"]
    )
    notes = intermediate_precision.evaluate(study).notes
    assert any(note.startswith("The analyst takes 2 values only") for note in notes)
    assert "Some readings do not state the pad lot: it gets no component." in notes


def test_a_look_at_the_verdicts_leaves_components_out():
    evaluation = intermediate_precision.evaluate(crossed_study())
    every = evaluation.quantities
    assert [q for q in every if not q.key.endswith("component")] == list(evaluation.judged)
    assert len(every) > len(evaluation.judged)
