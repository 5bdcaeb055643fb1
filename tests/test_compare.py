"""What two dossiers say beside each other: what changed and why, what is not repeated, the step between lots."""

from __future__ import annotations

import json
from dataclasses import replace
from math import sqrt
from typing import Any

import pytest
from scipy import stats

from validation.dossier.changes import step_sentence
from validation.dossier.compare import compare_facts
from validation.dossier.compare_text import by_cause, report_text, step_restriction
from validation.dossier.comparison_report import ComparisonReport, DossierFacts
from validation.study.grammar import Limit

STEP = Limit.parse("2.5%")
PRECISION, RECORD = "worksheets/precision.csv", "standards/S-01.yaml"


def quantity(key: str, at: Any, value: float, u: float | None = 0.01, **more: Any) -> dict[str, Any]:
    plain = {
        "key": key,
        "at": at,
        "value": value,
        "unit": "%",
        "standard_uncertainty": u,
        "degrees_of_freedom": 7.0,
        "interval": None,
        "confidence": None,
        "source": "as ever",
        "worksheet": PRECISION,
        "readings": ["P-001", "P-002"],
    }
    return plain | more


def requirement(name: str, key: str, at: Any, outcome: str, limit: str = "5 %") -> dict[str, Any]:
    return {"id": name, "quantity": key, "at": at, "rule": "equivalence", "outcome": outcome, "limit_text": limit}


def dossier(study: str, quantities: list[dict[str, Any]], requirements: list[dict[str, Any]], **more: Any) -> Any:
    results = {
        "study": {"id": study, "unit": "%"},
        "quantities": quantities,
        "requirements": requirements,
        "conclusion": {"outcome": "fit", "range": [1.0, 4.0], "text": "", "restrictions": []},
    }
    inputs = {"plan.yaml": "p", PRECISION: "w", RECORD: "r"} | more.pop("inputs", {})
    return DossierFacts(f"{study} issue 001", results, {k: v for k, v in inputs.items() if v}, "m", **more)


def compared(old: DossierFacts, new: DossierFacts, step: Limit | None = STEP) -> ComparisonReport:
    report = compare_facts(old, new, allowed_step=step, confidence=0.9)
    json.dumps(report.to_dict())
    return report


BIAS = [quantity("trueness.bias", level, 0.02) for level in (1.0, 4.0)]


def test_what_the_new_study_does_not_judge_is_no_verdict_that_changed() -> None:
    old = dossier(
        "A",
        [*BIAS, quantity("matrix.slope_ratio", "OG-M", 1.1)],
        [
            requirement("R1", "trueness.bias", 1.0, "met"),
            requirement("R1", "trueness.bias", 4.0, "met"),
            requirement("R1", "trueness.bias", 10.0, "not met"),
            requirement("R9", "matrix.slope_ratio", "OG-K", "met"),
            requirement("R10", "matrix.slope_ratio", "OG-M", "not met"),
        ],
    )
    new = dossier(
        "B",
        BIAS,
        [
            requirement("Q1", "trueness.bias", 1.0, "met"),
            requirement("Q1", "trueness.bias", 4.0, "not shown"),
            requirement("Q2", "repeatability.s_r", 4.0, "met"),
        ],
    )
    report = compared(old, new)
    assert [(v["id"], v["at"], v["old"], v["new"]) for v in report.verdicts] == [("Q1", 4.0, "met", "not shown")]
    assert report.verdicts_same == 1
    assert [(v["id"], v["new"]) for v in report.verdicts_added] == [("Q2", "met")]
    left = {item.id: (item.why, dict(item.outcomes)) for item in report.verdicts_not_repeated}
    assert left == {
        "R1": ("not read there", {"not met": (10.0,)}),
        "R9": ("not set in the new study", {"met": ("OG-K",)}),
        "R10": ("not set in the new study", {"not met": ("OG-M",)}),
    }
    text = report_text(report)
    assert "R10" not in text.partition("Verdicts that changed")[2].partition("\n\n")[0]
    assert "R10 matrix slope ratio: not met (OG-M)" in text
    assert "R1 trueness bias: not met at 10 (not read there)" in text
    assert "met: R9 matrix slope ratio (OG-K)" in text


def test_a_limit_that_changed_is_told_even_where_the_outcome_is_the_same() -> None:
    old, new = (dossier("A", BIAS, [requirement("R1", "trueness.bias", 1.0, "met", limit)]) for limit in ("5 %", "9 %"))
    (verdict,) = compared(old, new).verdicts
    assert verdict["limits"] == ["5 %", "9 %"]
    assert "R1 trueness.bias at 1: met -> met (limit 5 % -> 9 %)" in report_text(compared(old, new))


def test_files_that_one_of_two_studies_does_not_have_are_no_changed_inputs() -> None:
    old = dossier("A", BIAS, [], inputs={"worksheets/fuel.csv": "f"})
    report = compared(old, dossier("B", BIAS, [], inputs={PRECISION: "other", "worksheets/lots.csv": "l"}))
    assert report.inputs_by_change() == {
        "same": ["plan.yaml", RECORD],
        "not in the new study": ["worksheets/fuel.csv"],
        "only in the new study": ["worksheets/lots.csv"],
        "changed": [PRECISION],
    }
    assert f"Changed inputs: {PRECISION}." in report.cause
    # Within one study a file that is no longer there is gone.
    assert compared(old, dossier("A", BIAS, [])).inputs_by_change()["gone"] == ["worksheets/fuel.csv"]


def moved(**more: Any) -> list[dict[str, Any]]:
    return [quantity("trueness.bias", level, 0.05, **more) for level in (1.0, 4.0)]


@pytest.mark.parametrize(
    ("new", "cause"),
    [
        (dossier("A", moved(), [], inputs={PRECISION: "x"}), f"a change in {PRECISION}"),
        (dossier("B", moved(), [], inputs={PRECISION: "x"}), f"other readings in {PRECISION}"),
        (
            dossier("A", moved(), [], amended={PRECISION: frozenset({("exclusion", "P-001", "", "")})}),
            f"amended readings in {PRECISION}",
        ),
        (dossier("A", moved(source="another book"), []), "another method"),
        (
            dossier("A", moved(), [], inputs={RECORD: "x"}),
            f"a change in {RECORD}, readings and method being the same",
        ),
        (
            dossier("A", moved(), [], inputs={"plan.yaml": "x"}),
            "a change in plan.yaml, readings and method being the same",
        ),
    ],
)
def test_a_number_that_moved_names_the_input_that_moved_it(new: DossierFacts, cause: str) -> None:
    report = compared(dossier("A", BIAS, []), new)
    assert {number.cause for number in report.numbers} == {cause}
    assert f"Moved by {cause}" in " ".join(report_text(report).split())


def test_a_number_that_did_not_move_has_no_cause() -> None:
    report = compared(dossier("A", BIAS, []), dossier("B", BIAS, [], inputs={PRECISION: "x"}))
    assert {number.cause for number in report.numbers} == {""}
    assert by_cause(report) == ()


def test_what_is_judged_or_moved_far_is_told_and_the_rest_counted() -> None:
    near = [quantity("repeatability.s_r", float(level), 0.1) for level in range(9)]
    nearer = [quantity("repeatability.s_r", float(level), 0.11) for level in range(9)]
    judged = [requirement("R1", "repeatability.s_r", 8.0, "met")]
    old = dossier("A", [*near, *(quantity("trueness.bias", float(i), 0.1) for i in range(5))], [])
    new = dossier(
        "B", [*nearer, *(quantity("trueness.bias", float(i), 0.2) for i in range(5))], judged, inputs={PRECISION: "x"}
    )
    (group,) = by_cause(compared(old, new))
    # |0.1| / sqrt(0.01^2 + 0.01^2) is 7, |0.01| / 0.014 is 0.7: twice lies between.
    assert [(n.key, n.at) for n in group.listed] == [
        ("repeatability.s_r", 8.0),
        *(("trueness.bias", float(level)) for level in range(5)),
    ]
    assert len(group.counted) == 8
    assert "and 8 others" in report_text(compared(old, new))


# ---------------------------------------------------------------------------------------------- the step between lots


def lots(old: str, new: str, values: tuple[float, float] = (0.3, 0.02), **more: Any) -> ComparisonReport:
    after = [quantity("trueness.bias", level, value) for level, value in zip((4.0, 1.0), values, strict=True)]
    inputs = {PRECISION: "x"} | more.pop("inputs", {})
    return compared(
        dossier("A", BIAS, [], lot=old, lot_record=RECORD if old else ""),
        dossier("B", after, [], lot=new, lot_record=RECORD if new else "", inputs=inputs, **more),
    )


def test_the_step_is_an_equivalence_by_welch_and_satterthwaite() -> None:
    report = lots("S-01", "S-02")
    by_level = {number.at: number for number in report.steps}
    # Two equal uncertainties with 7 degrees of freedom each have 14 together (Welch 1947, Satterthwaite 1946).
    half = stats.t.ppf(0.95, 14) * sqrt(2) * 0.01
    assert by_level[4.0].interval == pytest.approx((0.28 - half, 0.28 + half), rel=1e-12)
    assert (by_level[4.0].allowed, by_level[1.0].allowed) == (pytest.approx(0.1), pytest.approx(0.025))
    # At 1 the difference is 0, but its interval reaches +-0.0249: it just keeps +-0.025.
    assert half == pytest.approx(0.0249, abs=5e-5)
    assert (by_level[4.0].outcome, by_level[1.0].outcome) == ("not met", "met")


def test_a_step_that_is_not_met_is_a_restriction_in_plain_words() -> None:
    report = lots("S-01", "S-02", (0.3, 0.03))
    restriction = step_restriction(report.step_record(), "%")
    assert restriction == (
        "The step of results from lot S-01 to lot S-02 is larger than the allowed 2.5 % at 4 % (by +0.28 %: not met); "
        "it is not shown to keep the allowed 2.5 % at 1 %."
    )
    assert step_sentence(report, "%") == ""  # page 1 says it once
    met = lots("S-01", "S-02", (0.02, 0.02))
    assert step_restriction(met.step_record(), "%") == ""
    assert "keeps the allowed 2.5 %" in step_sentence(met, "%")


def test_the_same_lot_has_no_step() -> None:
    report = lots("S-01", "S-01")
    assert report.steps == ()
    assert report.step_record() is None
    assert step_restriction(None, "%") == ""
    assert "no step between lots to judge: the lot in use is the same, S-01" in step_sentence(report, "%")
    assert "Step 0" not in report_text(report)
    assert f"Its record {RECORD} changed" in lots("S-01", "S-01", inputs={RECORD: "x"}).step_note


def test_the_same_readings_have_no_step_where_no_lot_is_stated() -> None:
    old = dossier("A", BIAS, [])
    assert "rests on the same readings" in compared(old, dossier("B", BIAS, [], inputs={RECORD: "x"})).step_note
    assert lots("", "").steps != ()  # other readings, and nobody says of which lot: looked at
    assert "gives no lots.allowed_step" in compared(old, replace(old, lot="S-02"), None).step_note
