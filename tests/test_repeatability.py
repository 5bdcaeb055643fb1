"""Repeatability: what counts as a replicate. The statistics and what both chapters share stand in test_precision.py."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from small_study import precision_study

from validation.characteristics import intermediate_precision, repeatability
from validation.stats.precision import against_published


def test_preparations_change_what_a_replicate_is():
    runs = [[1.00, 1.01, 1.20, 1.21], [1.40, 1.41, 1.10, 1.11]]
    names = ["a", "a", "b", "b", "c", "c", "d", "d"]
    plain, nested = precision_study(runs), precision_study(runs, preparation=names)
    s_plain = repeatability.evaluate(plain).get("repeatability.s_r", 4.0)
    s_nested = repeatability.evaluate(nested).get("repeatability.s_r", 4.0)
    assert any("no preparation column" in note for note in s_plain.notes)
    # By hand: variances of the preparation means 0.02 and 0.045, of the readings 5e-5, two readings a preparation.
    assert s_nested.value**2 == pytest.approx(0.0325 - 5e-5 / 2 + 5e-5, rel=1e-9)
    assert s_plain.degrees_of_freedom == 6
    assert s_nested.degrees_of_freedom < 2.1
    assert any("not replicates" in note for note in s_nested.notes)


def test_preparation_read_in_several_runs_is_said():
    study = precision_study([[1.0, 1.2], [1.1, 1.3]], preparation=["a", "b", "a", "b"])
    assert any("more than one run" in note for note in repeatability.evaluate(study).notes)


def test_single_readings_leave_repeatability_missing_and_s_I_present():
    study = precision_study([[1.0], [2.0], [3.0]])
    repeat = repeatability.evaluate(study)
    assert not repeat.quantities
    assert "Replicates within a run would supply it" in repeat.missing
    inter = intermediate_precision.evaluate(study)
    assert [q.key for q in inter.quantities] == ["intermediate_precision.s_I"]
    assert inter.quantities[0].value == pytest.approx(1.0)
    assert inter.quantities[0].degrees_of_freedom == 2
    assert any("single reading" in note for note in inter.quantities[0].notes)


# Against a published repeatability limit ---------------------------------------------------------------------------


def with_published(study, published):
    data = study.experiments["precision"]
    return replace(study, experiments={"precision": replace(data, settings={"published_r": published})})


RUNS = [[4.02, 4.31, 3.95], [4.11, 3.82, 4.05], [3.91, 4.08, 4.22], [4.15, 3.97, 3.74]]


def test_ratio_to_published_is_a_chi_square_test_of_the_variance():
    # scipy.stats on the readings themselves: nu s^2 / sigma^2 is chi-square; sigma = r / (1.96 sqrt(2)), ISO 5725-6.
    published = 0.3
    study = with_published(precision_study(RUNS), published)
    evaluation = repeatability.evaluate(study)
    q = evaluation.get("repeatability.ratio_to_published", 4.0)
    pooled, df = float(np.mean([np.var(run, ddof=1) for run in RUNS])), 8
    sigma = published / (1.96 * np.sqrt(2))
    statistic = df * pooled / sigma**2
    assert q.value == pytest.approx(np.sqrt(pooled) / sigma, rel=1e-9)
    assert (q.unit, q.degrees_of_freedom, q.n) == ("1", 8, 12)
    ends = [np.sqrt(statistic / stats.chi2.ppf(share, df)) for share in (0.975, 0.025)]
    assert q.interval == pytest.approx(ends, rel=1e-9)
    # The one-sided bound at 95 % is the end of the judged interval.
    assert q.judged_interval[1] == pytest.approx(np.sqrt(statistic / stats.chi2.ppf(0.05, df)), rel=1e-9)
    (table,) = [t for t in evaluation.details["tables"] if "published" in t["caption"]]
    (row,) = table["rows"]
    found = dict(zip(table["head"], row, strict=True))
    assert found["chi-square"] == pytest.approx(statistic, rel=1e-9)
    assert found["critical value"] == pytest.approx(stats.chi2.ppf(0.95, df), rel=1e-12)
    assert found["p"] == pytest.approx(stats.chi2.sf(statistic, df), rel=1e-9)


@pytest.mark.parametrize(
    ("published", "said"), [(0.2, "does not reach the published repeatability"), (0.9, "does not exceed it by more")]
)
def test_the_comparison_is_told_in_words(published, said):
    evaluation = repeatability.evaluate(with_published(precision_study(RUNS), published))
    (sentence,) = [s for s in repeatability.in_words(evaluation, "%") if "published r" in s]
    assert sentence.startswith("At 4 % s_r is ")
    assert said in sentence


def test_published_limits_by_level_go_to_their_level():
    study = with_published(precision_study(RUNS), {"4": 0.3, "9.0": 0.5})
    evaluation = repeatability.evaluate(study)
    assert [q.at for q in evaluation.quantities if q.key == "repeatability.ratio_to_published"] == [4.0]
    assert any(note.startswith("The plan states a published r at 9.0") for note in evaluation.notes)
    absent = repeatability.evaluate(precision_study(RUNS))
    assert absent.get("repeatability.ratio_to_published", 4.0) is None
    labelled = with_published(precision_study(RUNS, level="OG-N"), {"OG-N": 0.3})
    assert repeatability.evaluate(labelled).get("repeatability.ratio_to_published", "OG-N").unit == "1"


def test_a_published_limit_that_is_not_positive_is_refused():
    s_r = repeatability.levels(precision_study(RUNS).experiments["precision"])[0].precision(0.95).s_r
    with pytest.raises(ValueError, match="must be positive; got 0"):
        against_published(s_r, 0)


def test_alike_readings_claim_no_ratio():
    study = with_published(precision_study([[1.0, 1.0], [1.0, 1.0]]), 0.3)
    q = repeatability.evaluate(study).get("repeatability.ratio_to_published", 4.0)
    assert (q.value, q.interval) == (0.0, None)
