"""Intermediate precision: runs against outside sources. What both chapters share stands in test_precision.py."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
import yaml
from small_study import precision_study

from validation.characteristics import intermediate_precision, repeatability

REFERENCE = Path(__file__).parent / "reference"


def test_evaluation_matches_dyestuff():
    # Davies and Goldsmith 1972: within 49.510, between 42.001 (REML as documented for lme4).
    example = yaml.safe_load((REFERENCE / "prc-dyestuff.yaml").read_text(encoding="utf-8"))
    study = precision_study(example["data"]["batches"])
    repeat, inter = repeatability.evaluate(study), intermediate_precision.evaluate(study)
    assert repeat.get("repeatability.s_r", 4.0).value == pytest.approx(49.510, abs=0.0005)
    run = inter.get("intermediate_precision.s_run", 4.0)
    assert run.value == pytest.approx(42.001, abs=0.0005)
    assert run.units == 6
    assert run.n == 30
    s_I = inter.get("intermediate_precision.s_I", 4.0)
    assert s_I.value == pytest.approx(np.hypot(42.00059523, 49.51009998), rel=1e-9)
    # The judged interval at 1 - 2 alpha lies inside the two-sided one.
    assert s_I.interval[0] < s_I.judged_interval[0] < s_I.value < s_I.judged_interval[1] < s_I.interval[1]


def test_unequal_runs_match_an_independent_mixed_model():
    # statsmodels MixedLM, REML, to 1e-6.
    from statsmodels.regression.mixed_linear_model import MixedLM

    runs = [[10.1, 10.4, 10.2], [11.0, 11.3], [9.2, 9.5, 9.9, 9.1], [10.8], [10.0, 10.6, 10.3]]
    values, labels = np.concatenate(runs), np.repeat(np.arange(5), [len(run) for run in runs])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = MixedLM(values, np.ones_like(values), groups=labels).fit(reml=True, method="bfgs", gtol=1e-10)
    study = precision_study(runs)
    s_run = intermediate_precision.evaluate(study).get("intermediate_precision.s_run", 4.0)
    assert s_run.value == pytest.approx(float(np.sqrt(fit.cov_re[0, 0])), rel=1e-6)
    assert any("unequal numbers" in note for note in s_run.notes)
    s_r = repeatability.evaluate(study).get("repeatability.s_r", 4.0)
    assert any(note.startswith("1 run with a single result enters") for note in s_r.notes)
    assert s_r.degrees_of_freedom == 8


def test_one_run_leaves_intermediate_precision_missing():
    study = precision_study([[1.0, 1.1, 1.2]])
    assert repeatability.evaluate(study).get("repeatability.s_r", 4.0).value == pytest.approx(0.1)
    assert "further runs" in intermediate_precision.evaluate(study).missing


def test_factors_that_change_together_are_said():
    runs = [[1.0, 1.1], [1.2, 1.3], [1.1, 1.0]]
    study = precision_study(runs, analyst=["A", "A", "B", "B", "A", "A"], instrument=["1", "1", "2", "2", "1", "1"])
    notes = intermediate_precision.evaluate(study).notes
    assert "Analyst and instrument change together: their contributions cannot be told apart." in notes
    assert any("does not state the day" in note for note in notes)
    crossed = precision_study(runs, analyst=["A", "A", "B", "B", "A", "A"], instrument=["1", "1", "2", "2", "2", "2"])
    notes = intermediate_precision.evaluate(crossed).notes
    assert any(note.startswith("Of 4 combinations of analyst and instrument, 3 were run") for note in notes)
    fixed = precision_study(runs, analyst=["A"] * 6, instrument=["1", "2", "1", "1", "1", "1"])
    notes = intermediate_precision.evaluate(fixed).notes
    assert any(note.startswith("All runs share one analyst") for note in notes)
    assert any(note.startswith("The instrument changed inside 1 run:") for note in notes)
