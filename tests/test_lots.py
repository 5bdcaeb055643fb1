"""Lot bridging: the chapter, its demonstration, how many readings it takes, and half a worksheet."""

from __future__ import annotations

import json
from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from drawn_sheets import TRUTH, drawn, rate_is_plausible, shipped
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation import resources
from validation.characteristics import lots
from validation.characteristics.registry import characteristics, evaluated
from validation.figures import lots as figures
from validation.figures.style import svg_text
from validation.judging.rules import equivalence, point
from validation.study.load import load_study
from validation.study.plan import Lots, Requirement

RATIOS = TRUTH["designs"]["lots"]["lots"]
STANDARDS = [
    {"name": "S-1", "value": 5.0, "uncertainty": 0.03},
    {"name": "S-2", "value": 5.04, "uncertainty": 0.04},
    {"name": "S-3", "value": 5.0},
]


def bridge(*, runs=1, readings=5, ratios=(("S-1", 1.0), ("S-2", 0.95), ("S-10", 1.01)), standards=(), **columns):
    rng = np.random.default_rng(6)
    rows = [
        (lot, f"R{run}", f"{5 * ratio * (1 + 0.1 * run) * (1 + rng.normal(0, 0.02)):.3f}")
        for run in range(runs)
        for _ in range(readings)
        for lot, ratio in ratios
    ]
    found = dict(zip(("lot", "run", "result"), zip(*rows, strict=True), strict=True))
    if "level" not in columns:
        found["level"] = ["5.000"] * len(rows)
    found.update({key: value for key, value in columns.items() if value is not None})
    study = small_study("lots", found)
    return replace(study, plan=study.plan.model_copy(update={"standards": tuple(standards)}))


def test_what_both_assigned_values_share_cancels_in_their_ratio():
    # By hand from the records of the demonstration: homogeneity 0.45 % alone is of each lot; loss while weighing
    # 0.5 % / sqrt(12) with the factor 0.95 of a fuel that makes up a twentieth, and loss in use 0.2 %, are common.
    evaluation = lots.evaluate(load_study(resources.folder("demo_data") / "new-grade"))
    (table,) = [table for table in evaluation.display.tables if table.name == "assigned"]
    whole = sqrt(0.0045**2 + 0.002**2 + (0.95 * 0.005 / sqrt(12)) ** 2)
    assert [row[0] for row in table.rows] == ["S-02", "S-03"]
    for _, ratio, apart, independent in table.rows:
        assert float(apart) == pytest.approx(ratio * sqrt(2) * 0.0045, abs=6e-5)
        assert float(independent) == pytest.approx(ratio * sqrt(2) * whole, abs=6e-5)
    # Lots without records, or a reference without one, have no such table.
    assert "assigned" not in [table.name for table in lots.evaluate(bridge()).display.tables]


def results(study, lot):
    table = study.experiments["lots"].table
    return table[table["lot"] == lot]["result"].to_numpy()


def test_demonstration_rejects_one_lot_and_passes_the_other():
    # The ending it was written for: S-02 not met, S-03 met at 2.5 %.
    evaluation = lots.evaluate(shipped("lots", reference="S-01"))
    found = {at: evaluation.get("lots.response_ratio", at) for at in ("S-02", "S-03")}
    assert equivalence(found["S-02"], 0.025, 1.0).outcome == "not met"
    assert equivalence(found["S-03"], 0.025, 1.0).outcome == "met"
    for at, q in found.items():
        assert q.interval[0] < RATIOS[at] < q.interval[1]
        assert (q.n, q.units, q.unit_name) == (42, 21, "pairs of readings")
    # With six readings a lot, the first six of these, neither would have been shown.
    (six,) = [line for line in evaluation.display.view.counts if line.count == 6]
    assert 100 * six.half_width == pytest.approx(2.5, abs=0.6)
    for first in six.lots:
        low, high = first.interval
        # Neither wholly inside nor wholly outside.
        assert any(low < limit < high for limit in (0.975, 1.025))
        assert low < first.ratio < high
    assert {first.lot for first in six.lots} == set(found)


def test_where_fewer_readings_would_lie_is_told_beside_the_limit_of_the_plan():
    study = load_study(resources.folder("demo_data") / "new-grade")
    evaluation = lots.evaluate(study)
    table = next(t for t in evaluation.display.tables if t.name == "other counts")
    assert "against the allowed ±2.5 %" in table.caption
    rows = {row[0]: dict(zip(table.head, row, strict=True)) for row in table.rows}
    lies = {count: (rows[count]["S-02 lies"], rows[count]["S-03 lies"]) for count in ("6", "21", "32")}
    assert lies == {"6": ("across the limit", "across the limit"), "21": ("outside", "inside"), "32": ("", "")}
    # What lies outside and inside is what the rule calls not met and met.
    outcomes = {q.at: equivalence(q, 0.025, 1.0).outcome for q in evaluation.quantities if "ratio" in q.key}
    assert outcomes == {"S-02": "not met", "S-03": "met"}
    words = " ".join(lots.in_words(evaluation, "%"))
    assert "with the first 6 of each lot the intervals of S-02 and S-03 reach across the limit" in words


@pytest.mark.parametrize(
    ("plan", "step"),
    [
        ({"requirements": [], "lots": {"allowed_step": "2.5%"}}, 0.025),
        ({"requirements": [("S-2", 0.04)], "lots": {"allowed_step": "2.5%"}}, 0.04),
        ({"requirements": [("S-1", 0.04)], "lots": {"allowed_step": 0.01}}, 0.01),
        ({"requirements": [], "lots": {}}, None),
    ],
    ids=["step of the plan", "own requirement first", "requirement on another lot", "neither"],
)
def test_the_step_a_lot_is_held_to(plan, step):
    study = bridge(readings=8)
    asked = [
        {"id": "R1", "quantity": "lots.response_ratio", "at": at, "rule": "equivalence", "limit": limit}
        for at, limit in plan["requirements"]
    ]
    changed = study.plan.model_copy(
        update={
            "requirements": tuple(Requirement.model_validate(item) for item in asked),
            "lots": Lots.model_validate(plan["lots"]),
        }
    )
    evaluation = lots.evaluate(replace(study, plan=changed))
    of_lot = [first for line in evaluation.display.view.counts for first in line.lots if first.lot == "S-2"]
    assert {first.step for first in of_lot} == {step}
    lies = {first.lies for first in of_lot}
    assert lies == {""} if step is None else lies <= {"inside", "outside", "across the limit"}


@sizes("draws", 25, 120)
def test_intervals_hold_the_truth_at_the_stated_rate(draws):
    # Worksheets drawn from the truth; binomial bounds at 99.9 %.
    inside = dict.fromkeys(("S-02", "S-03"), 0)
    for seed in range(draws):
        evaluation = lots.evaluate(drawn("lots", 5000 + seed, reference="S-01"))
        for at in inside:
            low, high = evaluation.get("lots.response_ratio", at).judged_interval
            inside[at] += low < RATIOS[at] < high
    assert all(rate_is_plausible(hits, draws, 0.9) for hits in inside.values()), inside


def test_ends_of_the_ratio_are_just_compatible_with_the_readings():
    # By inversion: Welch's statistic of (mean - end * mean of the reference) at both ends, with the degrees of freedom
    # that scipy.stats.ttest_ind finds for the readings scaled by the ratio found.
    study = bridge(readings=8)
    q = lots.evaluate(study).get("lots.response_ratio", "S-2")
    top, bottom = results(study, "S-2") / 5, results(study, "S-1") / 5
    df = stats.ttest_ind(top, q.value * bottom, equal_var=False).df
    assert q.degrees_of_freedom == pytest.approx(df, rel=1e-9)
    for end in q.judged_interval:
        statistic = stats.ttest_ind(top, end * bottom, equal_var=False).statistic
        assert 2 * stats.t.sf(abs(statistic), df) == pytest.approx(0.1, rel=1e-8)


def test_each_result_is_divided_by_the_assigned_value_of_its_lot():
    assigned = ["5.00", "5.50", "5.00"] * 5
    plain, own = lots.evaluate(bridge()), lots.evaluate(bridge(level=assigned))
    before, after = (e.get("lots.response_ratio", "S-2").value for e in (plain, own))
    assert after == pytest.approx(before * 5 / 5.5, rel=1e-12)
    bare = lots.evaluate(bridge(level=None))
    assert bare.get("lots.response_ratio", "S-2").value == pytest.approx(before, rel=1e-12)
    assert any("no level column" in note for note in bare.notes)
    assert any("zero or below" in note for note in lots.evaluate(bridge(level=["0"] * 15)).notes)


def test_several_runs_are_paired():
    # scipy.stats.ttest_1samp over run means, by inversion; what the runs add falls out.
    study = bridge(runs=4, readings=3)
    q = lots.evaluate(study).get("lots.response_ratio", "S-2")
    table = study.experiments["lots"].table
    means = {lot: table[table["lot"] == lot].groupby("run")["result"].mean().to_numpy() / 5 for lot in ("S-1", "S-2")}
    for end in q.judged_interval:
        assert stats.ttest_1samp(means["S-2"] - end * means["S-1"], 0).pvalue == pytest.approx(0.1, rel=1e-8)
    assert (q.units, q.unit_name, q.n) == (4, "runs", 24)


def test_lots_that_never_share_a_run_are_compared_with_a_warning():
    apart = lots.evaluate(bridge(run=["a", "b", "c"] * 5))
    assert any("never read in the same run" in note for note in apart.get("lots.response_ratio", "S-2").notes)
    runs = [f"{'x' if i < 6 else 'y'}" for i in range(15)]
    lots_ = ["S-1", "S-2"] * 3 + ["S-1"] * 9
    once = lots.evaluate(bridge(run=runs, lot=lots_)).get("lots.response_ratio", "S-2")
    assert once.n == 6
    assert any("shares one run" in note for note in once.notes)


def test_lots_stand_in_the_order_of_their_numbers():
    evaluation = lots.evaluate(bridge())
    assert [lot.lot for lot in evaluation.display.view.lots] == ["S-1", "S-2", "S-10"]
    chain = evaluation.display.tables[0]
    assert [row[0] for row in chain.rows] == ["S-1", "S-2", "S-10"]
    # The step from the lot before: S-10 against S-2 (by hand from the means).
    assert chain.rows[2][6] == pytest.approx(chain.rows[2][2] / chain.rows[1][2], rel=1e-9)


def test_reference_lot_comes_from_the_plan_or_is_said():
    study = bridge()
    assert any("S-1, the first in the worksheet" in note for note in lots.evaluate(study).notes)
    stated = type(study.plan.lots).model_validate({"in_use": "S-2"})
    in_use = replace(study, plan=study.plan.model_copy(update={"lots": stated}))
    evaluation = lots.evaluate(in_use)
    assert evaluation.display.view.reference == "S-2"
    assert evaluation.get("lots.response_ratio", "S-1").value > 1
    data = replace(study.experiments["lots"], settings={"reference": "S-9"})
    assert "holds no reading of it" in lots.evaluate(replace(study, experiments={"lots": data})).missing


def test_assigned_values_are_compared_where_the_plan_states_them():
    # By hand: |5.04 - 5.00| / sqrt(0.03^2 + 0.04^2) = 0.8.
    evaluation = lots.evaluate(bridge(ratios=(("S-1", 1), ("S-2", 0.95), ("S-3", 1), ("S-4", 1)), standards=STANDARDS))
    q = evaluation.get("lots.normalised_difference", "S-2")
    assert q.value == pytest.approx(0.8)
    assert q.interval is None
    assert point(q, 2.0, 0.0, about_target=False).outcome == "met"
    assert evaluation.get("lots.normalised_difference", "S-3") is None
    notes = " ".join(evaluation.notes)
    assert "S-3 is not stated with its uncertainty under `standards`: uncertainty is absent" in notes
    assert "S-4 is not stated with its uncertainty under `standards`: it is not named there" in notes
    words = " ".join(lots.in_words(evaluation, "%"))
    assert "The weighings of S-2 agree with those of S-1, the responses do not" in words


def test_assigned_values_come_from_the_lot_records_where_there_are_any():
    study = load_study(resources.folder("demo_data") / "new-grade")
    evaluation = lots.evaluate(study)
    # By hand from the records: w = 100 f (1 - 0.0025) / (f (1 - 0.0025) + o), buoyancy alike for all lots; u as the
    # chapter on standards has it. The plan says 5.00 for each, which would make the difference zero.
    masses = {"S-01": (1.0003, 19.0049), "S-02": (0.9998, 18.9961), "S-03": (1.0001, 19.0012)}
    by_hand = {lot: 100 * f * 0.9975 / (f * 0.9975 + o) for lot, (f, o) in masses.items()}
    standards = evaluated(characteristics()["standards"], study, {})
    u = {q.at: q.value for q in standards.quantities if q.key == "standards.standard_uncertainty"}
    for lot in ("S-02", "S-03"):
        expected = abs(by_hand[lot] - by_hand["S-01"]) / sqrt(u[lot] ** 2 + u["S-01"] ** 2)
        found = evaluation.get("lots.normalised_difference", lot)
        assert found.value == pytest.approx(expected, rel=2e-3)
        assert found.value > 0
        assert "from standards/S-02.yaml" in " ".join(found.notes)
    assert "would move a ratio by less than 0.01 %" in " ".join(evaluation.notes)
    # A lot without a record is taken from the plan, and the note says so.
    mixed = lots.evaluate(replace(study, lot_records={"S-01": study.lot_records["S-01"]}))
    notes = " ".join(mixed.get("lots.normalised_difference", "S-02").notes)
    assert "5.0000 (S-02, u = 0.030, as plan.yaml states)" in notes
    assert "from standards/S-01.yaml" in notes
    assert mixed.get("lots.normalised_difference", "S-02").value == pytest.approx(
        abs(5 - standards.get("standards.mass_fraction", "S-01").value) / sqrt(0.03**2 + u["S-01"] ** 2), rel=1e-9
    )


def test_a_reading_far_out_is_pointed_at_and_kept():
    study = bridge(readings=12)
    table = study.experiments["lots"].table
    values = [f"{v:.3f}" for v in table["result"]]
    values[4] = "6.200"
    found = bridge(readings=12, result=values)
    evaluation = lots.evaluate(found)
    (flag,) = evaluation.flags
    assert (flag.reading, flag.kept, flag.at) == ("T-005", True, "S-2")
    assert flag.statistic > flag.critical
    assert "row 6" in svg_text(figures.readings_by_lot(evaluation, found))


def test_logarithms_are_an_alternative():
    (found,) = lots.alternatives(bridge()).values()
    assert [q.at for q in found] == ["S-2", "S-10"]
    assert found[0].n == 10
    assert lots.alternatives(bridge(result=["-1.0"] * 15)) == {}


@pytest.mark.parametrize(
    ("study", "said"),
    [
        (bridge(ratios=(("S-1", 1.0),)), "one lot only"),
        (bridge(readings=1), "single reading"),
        (bridge(result=["5.0"] * 15), "last digit"),
        (bridge(result=["1", "2", "3", "-1", "2", "3"] + ["0", "2", "3"] * 3), "averages to zero"),
    ],
    ids=["one-lot", "single-readings", "no-scatter", "zero-reference"],
)
def test_half_a_worksheet_says_what_is_missing(study, said):
    evaluation = lots.evaluate(study)
    notes = [*evaluation.notes, *(note for q in evaluation.quantities for note in q.notes)]
    assert any(said in note for note in notes)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    lots.in_words(evaluation, "%")
    for name in ("lot_chain", "readings_by_lot"):
        drawing = getattr(figures, name)(evaluation, study)
        assert drawing is None or svg_text(drawing)


def test_censored_readings_are_counted():
    values = [f"5.{i}" for i in range(15)]
    values[4] = "<1"
    evaluation = lots.evaluate(bridge(result=values))
    assert evaluation.get("lots.response_ratio", "S-2").censored == 1
    assert evaluation.get("lots.response_ratio", "S-2").n == 9


def test_without_readings_it_says_why():
    other = small_study("matrix", {"grade": ["a"], "level": [1], "result": ["1"]})
    assert "no lots experiment" in lots.evaluate(other).missing
    assert lots.alternatives(other) == {}


def test_chapter_serialises_speaks_and_draws():
    study = bridge(readings=8)
    evaluation = lots.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    words = " ".join(lots.in_words(evaluation, "%"))
    # A weaker lot makes results larger: 1 / 0.95.
    assert "S-2 responds 0.9" in words
    assert "% higher than with S-1" in words
    assert "weaker than S-1" in svg_text(figures.lot_chain(evaluation, study))
    assert [table.name for table in evaluation.display.tables] == ["chain", "other counts", "other methods"]


def test_what_a_requirement_may_use_is_there_without_the_display():
    evaluation = lots.evaluate(bridge(standards=STANDARDS))
    usable = {info.key for info in lots.CHARACTERISTIC.keys if info.rules}
    assert usable <= {q.key for q in evaluation.judged}
    assert not evaluation.display.quantities
