"""Matrix effect: the chapter on oils, its demonstration, and what it does with half a worksheet."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from drawn_sheets import TRUTH, drawn, rate_is_plausible, shipped
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics import matrix
from validation.figures import matrix as figures
from validation.figures.style import svg_text
from validation.judging.rules import equivalence

GRADES = TRUTH["designs"]["matrix"]["grades"]


def oils(*, runs=4, used=True, **columns):
    rng = np.random.default_rng(2)
    rows = []
    for run in range(runs):
        for grade, slope, blank in (("OG-B", 1.0, 0.03), ("OG-A", 0.9, 0.05)):
            rows += [
                (grade, level, f"R{run}", f"{blank + slope * level + rng.normal(0, 0.03):.3f}", "new oil", "")
                for level in (0, 2, 5)
            ]
        if used:
            rows.append(("OG-B", 0, f"R{run}", f"{0.1 + rng.normal(0, 0.03):.3f}", "used oil", f"U{run % 3}"))
    names = ("grade", "level", "run", "result", "matrix", "material")
    return small_study("matrix", {**dict(zip(names, zip(*rows, strict=True), strict=True)), **columns})


def with_reference(study, reference, **further):
    data = replace(study.experiments["matrix"], settings={"reference": reference}, **further)
    return replace(study, experiments={"matrix": data})


def without(study, *columns, rows=None):
    data = study.experiments["matrix"]
    table = data.table.drop(columns=list(columns))
    exact = {name: values for name, values in data.exact.items() if name not in columns}
    if rows is not None:
        exact = {name: tuple(v for v, keep in zip(values, rows, strict=True) if keep) for name, values in exact.items()}
        table = table[rows].reset_index(drop=True)
    return replace(study, experiments={"matrix": replace(data, table=table, exact=exact)})


def test_demonstration_shows_one_oil_alike_and_one_not():
    # The ending it was written for: OG-K within 5 % of OG-N, OG-M not; OG-M's blank a little higher.
    evaluation = matrix.evaluate(shipped("matrix", reference="OG-N"))
    ratios = {at: evaluation.get("matrix.slope_ratio", at) for at in ("OG-K", "OG-M")}
    assert equivalence(ratios["OG-K"], 0.05, 1.0).outcome == "met"
    assert equivalence(ratios["OG-M"], 0.05, 1.0).outcome == "not met"
    for at, q in ratios.items():
        assert q.interval[0] < GRADES[at]["factor"] < q.interval[1]
        assert (q.n, q.units, q.unit_name, len(q.readings)) == (48, 8, "runs", 48)
    blank = evaluation.get("matrix.blank_difference", "OG-M")
    assert blank.interval[0] < GRADES["OG-M"]["blank"] - GRADES["OG-N"]["blank"] < blank.interval[1]
    assert evaluation.get("matrix.slope_ratio", "OG-N") is None
    assert not evaluation.flags


@sizes("draws", 25, 120)
def test_intervals_hold_the_truth_at_the_stated_rate(draws):
    # Worksheets drawn from the truth; binomial bounds at 99.9 %.
    inside = {}
    for seed in range(draws):
        evaluation = matrix.evaluate(drawn("matrix", 5000 + seed, reference="OG-N"))
        for at in ("OG-K", "OG-M"):
            for key, truth in (
                ("slope_ratio", GRADES[at]["factor"]),
                # A blank reads as if 5.03 / 5 of it were there: the standard has a background of its own.
                ("blank_difference", (GRADES[at]["blank"] - GRADES["OG-N"]["blank"]) * 5 / 5.03),
            ):
                low, high = evaluation.get(f"matrix.{key}", at).judged_interval
                inside[key, at] = inside.get((key, at), 0) + (low < truth < high)
    assert len(inside) == 4
    assert all(rate_is_plausible(hits, draws, 0.9) for hits in inside.values()), inside


def test_blank_differences_match_paired_t_of_scipy():
    # scipy.stats.ttest_rel on the blanks of the runs.
    study = oils()
    table = study.experiments["matrix"].table
    blanks = {
        name: table[(table["grade"] == name) & (table["level"] == 0) & (table["matrix"] == "new oil")]["result"]
        for name in ("OG-A", "OG-B")
    }
    expected = stats.ttest_rel(blanks["OG-A"].to_numpy(), blanks["OG-B"].to_numpy()).confidence_interval(0.9)
    q = matrix.evaluate(study).get("matrix.blank_difference", "OG-A")
    assert q.judged_interval == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert (q.unit, q.n, q.units) == ("%", 8, 4)


def test_independent_blanks_are_compared_by_welch():
    # Open library: stats.ttest_ind of scipy with unequal variances.
    study = without(oils(), "run")
    table = study.experiments["matrix"].table
    new = table[(table["level"] == 0) & (table["matrix"] == "new oil")]
    groups = [new[new["grade"] == name]["result"].to_numpy() for name in ("OG-A", "OG-B")]
    expected = stats.ttest_ind(*groups, equal_var=False).confidence_interval(0.95)
    evaluation = matrix.evaluate(study)
    q = evaluation.get("matrix.blank_difference", "OG-A")
    assert q.interval == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert q.unit_name == "pairs of blanks"
    assert any("no run column" in note for note in evaluation.notes)
    ratio = evaluation.get("matrix.slope_ratio", "OG-A")
    assert (ratio.unit_name, ratio.units, ratio.degrees_of_freedom) == ("readings at each level", 4, 20)
    assert equivalence(ratio, 0.2, 1.0).outcome == "met"


def test_used_oils_are_set_against_the_new_oil_of_their_grade():
    evaluation = matrix.evaluate(oils())
    found = {q.at: q for q in evaluation.quantities if q.key == "matrix.used_oil_difference"}
    assert list(found) == ["OG-B, used oil", "U0", "U1", "U2"]
    assert found["OG-B, used oil"].units == 4
    assert found["OG-B, used oil"].value == pytest.approx(0.07, abs=0.05)
    # One reading of a used oil beside four blanks in other runs: a value without an interval, and why.
    assert found["U1"].interval is None
    assert found["U1"].notes
    # Independent: a used oil that was read twice is still one.
    alone = matrix.evaluate(without(oils(), "run")).get("matrix.used_oil_difference", "OG-B, used oil")
    assert any("3 used oils count once each" in note for note in alone.notes)


def test_reference_comes_from_the_plan_or_is_said():
    study = oils()
    evaluation = matrix.evaluate(study)
    assert evaluation.display.view.reference == "OG-B"
    assert any("OG-B, the first in the worksheet" in note for note in evaluation.notes)
    plan = study.plan.model_copy(update={"study": study.plan.study.model_copy(update={"grade": "OG-A"})})
    assert matrix.evaluate(replace(study, plan=plan)).display.view.reference == "OG-A"
    assert matrix.evaluate(with_reference(study, "OG-A")).get("matrix.slope_ratio", "OG-B").value > 1
    missing = matrix.evaluate(with_reference(study, "OG-X"))
    assert "holds no reading of it" in missing.missing


def test_equal_weights_are_an_alternative():
    found = matrix.alternatives(oils())
    assert list(found) == ["lines with equal weights"]
    assert [q.at for q in found["lines with equal weights"]] == ["OG-A"]
    assert matrix.alternatives(small_study("fuel", {"fuel": ["a"], "level": [1], "result": ["1"]})) == {}


def test_censored_readings_are_counted_where_they_would_have_entered():
    columns = {
        "grade": ["A"] * 6 + ["B"] * 6 + ["C"] * 6,
        "level": [0, 0, 2, 2, 5, 5] * 3,
        "run": ["r", "s"] * 9,
        "result": [
            "<0.1",
            "0.1",
            "2.0",
            "2.1",
            "5.0",
            "5.2",
            "0.0",
            "0.1",
            "1.9",
            "2.2",
            "4.9",
            "5.3",
            "0.1",
            "0.0",
            "1.8",
            "2.2",
            "4.7",
            "5.1",
        ],
    }
    evaluation = matrix.evaluate(small_study("matrix", columns))
    assert evaluation.get("matrix.slope", "A").censored == 1
    assert evaluation.get("matrix.slope", "B").censored == 0
    assert evaluation.get("matrix.slope_ratio", "B").censored == 1
    assert evaluation.get("matrix.blank_difference", "C").censored == 1
    assert any("1 censored reading was left out" in note for note in evaluation.get("matrix.slope", "A").notes)
    assert equivalence(evaluation.get("matrix.slope_ratio", "B"), 0.5, 1.0).outcome in ("met", "not shown")


def test_levels_that_differ_are_said():
    study = oils(used=False)
    table = study.experiments["matrix"].table
    rows = [not (g == "OG-A" and x == 5) for g, x in zip(table["grade"], table["level"], strict=True)]
    evaluation = matrix.evaluate(without(study, rows=rows))
    assert any("levels of OG-A and OG-B differ" in note for note in evaluation.get("matrix.slope_ratio", "OG-A").notes)


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"grade": ["A"] * 3, "level": [0, 2, 5], "result": ["0.1", "2", "5.1"]}, "one oil only"),
        ({"grade": ["A", "B"], "level": [2, 2], "result": ["2", "2.1"]}, "No line of A"),
        (
            {"grade": ["A", "A", "B"], "level": [0, 2, 2], "result": ["0", "2.1", "2.3"]},
            "No line can be drawn of oil B",
        ),
        ({"grade": list("AABB"), "level": [0, 2, 0, 2], "result": ["1", "1", "0", "2"]}, "is zero"),
        ({"grade": list("AABB"), "level": [0, 2, 0, 2], "run": ["r"] * 4, "result": list("0202")}, "one run"),
    ],
    ids=["one-oil", "one-level", "short-oil", "flat-reference", "one-run"],
)
def test_half_a_worksheet_says_what_is_missing(columns, said):
    study = small_study("matrix", columns)
    evaluation = matrix.evaluate(study)
    assert any(said in note for note in (*evaluation.notes, evaluation.missing))
    json.dumps(evaluation.to_dict(), allow_nan=False)
    if evaluation.missing:
        return
    assert matrix.in_words(evaluation, "%")
    for name in ("slope_ratios", "results_by_level"):
        drawing = getattr(figures, name)(evaluation, study)
        assert drawing is None or svg_text(drawing)


def test_blanks_alone_are_still_compared():
    columns = {"grade": list("AABB"), "level": [0] * 4, "result": ["0.1", "0.2", "0.3", "0.5"]}
    study = small_study("matrix", columns)
    evaluation = matrix.evaluate(study)
    assert not evaluation.missing
    assert evaluation.get("matrix.blank_difference", "B").value == pytest.approx(0.25)
    assert svg_text(figures.slope_ratios(evaluation, study))
    assert figures.results_by_level(evaluation, study) is None


def test_without_readings_it_says_why():
    other = small_study("fuel", {"fuel": ["a"], "level": [1], "result": ["1"]})
    assert "no matrix experiment" in matrix.evaluate(other).missing
    empty = small_study("matrix", {"grade": [], "level": [], "result": []})
    assert "awaiting readings" in matrix.evaluate(empty).missing


def test_chapter_serialises_speaks_and_draws():
    study = oils()
    evaluation = matrix.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    words = " ".join(matrix.in_words(evaluation, "%"))
    assert "OG-A responds 0.9" in words
    assert "% low in proportion to the level" in words
    assert "proves nothing by itself" in words
    assert " p =" not in words
    picture = svg_text(figures.slope_ratios(evaluation, study))
    assert "weaker than" in picture
    assert "slope over that of OG-B" in picture
    assert "level / %" in svg_text(figures.results_by_level(evaluation, study))
    assert [table.name for table in evaluation.display.tables] == ["levels", "blanks", "runs", "other methods"]


def test_what_a_requirement_may_use_is_there_without_the_display():
    evaluation = matrix.evaluate(oils())
    usable = {info.key for info in matrix.CHARACTERISTIC.keys if info.rules}
    assert usable <= {q.key for q in evaluation.judged}
    assert not evaluation.display.quantities
