"""Fuel blends: the chapter, its demonstration, and what it does with half a worksheet."""

from __future__ import annotations

import json

import numpy as np
import pytest
import statsmodels.api as sm
from drawn_sheets import TRUTH, drawn, rate_is_plausible, shipped
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics import fuel
from validation.figures import fuel as figures
from validation.figures.style import svg_text
from validation.judging.rules import equivalence, upper_bound

FUELS = TRUTH["designs"]["fuel"]["fuels"]


def blends(*, runs=4, levels=(2, 5), fuels=(("F-1", 1.0), ("F-2", 1.04), ("F-3", 0.9)), scatter=0.03, column=True):
    rng = np.random.default_rng(4)
    rows = [
        (name, level, f"R{run}", f"{0.03 + factor * level + rng.normal(0, scatter):.3f}")
        for run in range(runs)
        for name, factor in fuels
        for level in levels
    ]
    names = ("fuel", "level", "run", "result")
    columns = dict(zip(names, zip(*rows, strict=True), strict=True))
    return small_study("fuel", columns if column else {k: v for k, v in columns.items() if k != "run"})


def test_demonstration_shows_one_fuel_alike_and_one_not():
    # The ending it was written for: FB-0 within 7.5 % of FB-7, FB-20 not.
    evaluation = fuel.evaluate(shipped("fuel", reference="FB-7"))
    ratios = {at: evaluation.get("fuel.slope_ratio", at) for at in ("FB-0", "FB-20")}
    assert equivalence(ratios["FB-0"], 0.075, 1.0).outcome == "met"
    assert equivalence(ratios["FB-20"], 0.075, 1.0).outcome == "not met"
    for at, q in ratios.items():
        assert q.interval[0] < FUELS[at] < q.interval[1]
        assert (q.units, q.unit_name) == (4, "runs")
    # The spread of 1, 1.03 and 0.87 is 8.8 % of their mean (scipy.stats.variation).
    spread = evaluation.get("fuel.spread")
    assert spread.value == pytest.approx(stats.variation(list(FUELS.values()), ddof=1), abs=0.02)
    assert (spread.units, spread.unit_name) == (3, "fuels")
    assert any("chosen, not drawn at random" in note for note in spread.notes)


@sizes("draws", 25, 120)
def test_intervals_hold_the_truth_at_the_stated_rate(draws):
    # Worksheets drawn from the truth; binomial bounds at 99.9 %.
    inside = dict.fromkeys(("FB-0", "FB-20"), 0)
    for seed in range(draws):
        evaluation = fuel.evaluate(drawn("fuel", 5000 + seed, reference="FB-7"))
        for at in inside:
            low, high = evaluation.get("fuel.slope_ratio", at).judged_interval
            inside[at] += low < FUELS[at] < high
    assert all(rate_is_plausible(hits, draws, 0.9) for hits in inside.values()), inside


def test_slopes_share_one_intercept_as_in_statsmodels():
    # statsmodels OLS with one constant, all levels weighted alike.
    study = blends(column=False, levels=(1, 2, 5))
    data = study.experiments["fuel"].table
    one = np.column_stack([data["fuel"] == name for name in ("F-1", "F-2", "F-3")]).astype(float)
    design = np.column_stack([np.ones(len(data)), one * data["level"].to_numpy()[:, None]])
    fit = sm.OLS(data["result"].to_numpy(), design).fit()
    (alternative,) = fuel.alternatives(study).values()
    assert [q.value for q in alternative] == pytest.approx([fit.params[i] / fit.params[1] for i in (2, 3)], rel=1e-9)
    view = fuel.evaluate(study).display.view
    assert len({line.intercept for line in view.lines}) == 1


def test_rows_of_level_zero_fix_the_common_intercept():
    # One level of each fuel says nothing of the intercept; blanks do, whatever fuel stands beside them.
    bare = fuel.evaluate(blends(levels=(5,)))
    assert "The common intercept takes two levels" in bare.missing
    rows = [
        ("F-1", 5, "5.1"),
        ("F-1", 5, "5.0"),
        ("F-2", 5, "4.6"),
        ("F-2", 5, "4.7"),
        ("none", 0, "0.0"),
        ("none", 0, "0.1"),
    ]
    columns = dict(zip(("fuel", "level", "result"), zip(*rows, strict=True), strict=True))
    evaluation = fuel.evaluate(small_study("fuel", columns))
    # By hand: (mean - mean blank) of F-2 over that of F-1.
    assert evaluation.get("fuel.slope_ratio", "F-2").value == pytest.approx(4.6 / 5.0, rel=1e-9)
    assert any("Rows of level 0 hold no fuel" in note for note in evaluation.notes)
    assert evaluation.get("fuel.slope_ratio", "none") is None


def test_spread_may_be_held_against_an_upper_limit():
    spread = fuel.evaluate(blends()).get("fuel.spread")
    assert spread.unit == "1"
    assert spread.value == pytest.approx(stats.variation([1.0, 1.04, 0.9], ddof=1), abs=0.02)
    assert spread.judged_interval[1] == pytest.approx(spread.value * np.sqrt(2 / stats.chi2.ppf(0.05, 2)), rel=1e-9)
    assert upper_bound(spread, 1.0).outcome == "met"
    # Without runs the share of the slopes' own scatter comes from their standard errors.
    notes = fuel.evaluate(blends(column=False)).get("fuel.spread").notes
    assert any("scatter of the slopes themselves" in note for note in notes)


@pytest.mark.parametrize(
    ("study", "said"),
    [
        (blends(fuels=(("F-1", 1.0),)), "one fuel only"),
        (blends(runs=1), "one run"),
        (blends(scatter=0.0), "last digit"),
    ],
    ids=["one-fuel", "one-run", "no-scatter"],
)
def test_half_a_worksheet_says_what_is_missing(study, said):
    evaluation = fuel.evaluate(study)
    notes = [*evaluation.notes, *(note for q in evaluation.quantities for note in q.notes)]
    assert any(said in note for note in notes)
    assert fuel.in_words(evaluation, "%")
    json.dumps(evaluation.to_dict(), allow_nan=False)
    assert svg_text(figures.results_by_level(evaluation, study))


def test_censored_readings_count_for_every_line_of_the_common_intercept():
    columns = {
        "fuel": list("AAAABBBB"),
        "level": [2, 2, 5, 5] * 2,
        "result": ["<1", "2.0", "5.0", "5.2", "1.9", "2.0", "4.9", "5.0"],
    }
    evaluation = fuel.evaluate(small_study("fuel", columns))
    assert {q.censored for q in evaluation.quantities} == {1}


def test_without_readings_it_says_why():
    other = small_study("matrix", {"grade": ["a"], "level": [1], "result": ["1"]})
    assert "no fuel experiment" in fuel.evaluate(other).missing
    assert fuel.alternatives(other) == {}


def test_chapter_serialises_speaks_and_draws():
    study = blends()
    evaluation = fuel.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    words = " ".join(fuel.in_words(evaluation, "%"))
    assert "F-3 responds 0." in words
    assert "were they a sample" in words
    assert "weaker than F-1" in svg_text(figures.slope_ratios(evaluation, study))
    assert [table.name for table in evaluation.display.tables] == ["levels", "runs", "other methods"]
    assert any("F-1, the first in the worksheet" in note for note in evaluation.notes)


def test_what_a_requirement_may_use_is_there_without_the_display():
    evaluation = fuel.evaluate(blends())
    usable = {info.key for info in fuel.CHARACTERISTIC.keys if info.rules}
    assert usable <= {q.key for q in evaluation.judged}
    assert not evaluation.display.quantities
