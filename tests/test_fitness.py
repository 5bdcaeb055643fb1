"""The fitness statement is the intersection of the verdicts. Rules of the scope: common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from small_study import small_study

from validation.judging.conclusion import Conclusion, NotEvaluated
from validation.judging.fitness import Fitness, fitness
from validation.judging.requirements import RequirementResult
from validation.stats.estimate import Estimate
from validation.study.quantity import Evaluation, Quantity

CONCLUSION = Conclusion("fit with restrictions", (0.5, 7.5), "text")


def row(name: str, quantity: str, at: Any, outcome: str, **changes: Any) -> RequirementResult:
    plain = {
        "id": name,
        "quantity": quantity,
        "at": at,
        "rule": "equivalence",
        "limit": 0.05,
        "limit_text": "0.05",
        "target": 1.0,
        "origin": "",
        "observed": 0.98,
        "interval": (0.96, 1.0),
        "confidence": 0.9,
        "bound": None,
        "outcome": outcome,
        "settled": outcome,
        "reason": "It straddles the limit.",
        "order": "before data",
        "thin": "",
        "unit": "1",
    }
    return RequirementResult(**{**plain, **changes})


def ratio(key: str, at: str, value: float = 0.98) -> Quantity:
    return quantity(key, at, Estimate.of_mean(value, 0.01, None, n=9, source=""))


def quantity(key: str, at: str, estimate: Estimate, unit: str = "1") -> Quantity:
    return Quantity(key=key, at=at, estimate=estimate, level=0.95, unit=unit)


def stated(rows: list[RequirementResult], evaluations: dict[str, Evaluation], **more: Any) -> Fitness:
    columns = {"trial": ["1"], "result": ["1"]}
    settings = {"factors": more.pop("factors", None)}
    study = small_study("ruggedness", columns, range_=(0.5, 10.0), settings=settings)
    facts = study.plan.study.model_copy(update={"grade": "OG-N", "fuel": "FB-7", "procedure": "QP-31 issue 4: a drop"})
    study = replace(study, plan=study.plan.model_copy(update={"study": facts}), amendments=more.pop("amendments", ()))
    absent = more.pop("absent", ())
    return fitness(study, rows, evaluations, more.pop("conclusion", CONCLUSION), absent)


def matrix(*names: str) -> dict[str, Evaluation]:
    return {"matrix": Evaluation("matrix", tuple(ratio("matrix.slope_ratio", name) for name in names))}


@pytest.mark.parametrize(
    ("verdicts", "standing"),
    [
        ([("matrix.slope_ratio", "met"), ("matrix.blank_difference", "met")], "common standard"),
        ([("matrix.slope_ratio", "met")], "common standard"),
        ([("matrix.slope_ratio", "not met"), ("matrix.blank_difference", "met")], "own standard needed"),
        ([("matrix.slope_ratio", "not met"), ("matrix.blank_difference", "not met")], "excluded from the scope"),
        ([("matrix.slope_ratio", "not shown")], "excluded from the scope"),
        ([("matrix.slope_ratio", "met"), ("matrix.blank_difference", "not shown")], "excluded from the scope"),
        ([("matrix.slope_ratio", "not judged")], "excluded from the scope"),
        ([("matrix.blank_difference", "met")], "excluded from the scope"),
        ([], "excluded from the scope"),
    ],
)
def test_a_grade_enters_the_scope_only_where_its_slope_and_every_other_verdict_admit_it(
    verdicts: list[tuple[str, str]], standing: str
) -> None:
    rows = [row(f"R{n}", key, "OG-K", outcome) for n, (key, outcome) in enumerate(verdicts)]
    found = stated(rows, matrix("OG-K"))
    own, other = (item for item in found.materials if item.kind == "grade")
    assert (own.name, own.standing) == ("OG-N", "own standard of this study")
    assert (other.name, other.standing) == ("OG-K", standing)
    assert ("OG-K" in found.scope) == (standing == "common standard")
    assert any("OG-K" in text for text in found.outside) == (standing != "common standard")


def test_the_statement_names_grades_fuels_and_range_and_the_scope_is_worded() -> None:
    rows = [row("R1", "matrix.slope_ratio", "OG-K", "met"), row("R2", "fuel.slope_ratio", "FB-20", "not met")]
    fuel = Evaluation("fuel", (ratio("fuel.slope_ratio", "FB-20", 0.87),))
    found = stated(rows, {**matrix("OG-K"), "fuel": fuel})
    assert "for grade OG-N with fuel FB-7, from 0.5 to 7.5 %" in found.statement
    assert "Under the same standard also OG-K with FB-7 (from 0.5 to 7.5 %)." in found.statement
    assert "Outside the scope: FB-20." in found.statement
    assert (
        "Range: 0.5 % to 7.5 %; Under the same standard: OG-K with FB-7 (from 0.5 to 7.5 %); Procedure:" in found.scope
    )


def test_another_grade_is_admitted_no_further_than_it_was_read_and_combinations_are_not_guessed() -> None:
    columns = {
        "grade": ["OG-N", "OG-K", "OG-N", "OG-K"],
        "level": ["0", "0", "5", "5"],
        "result": ["0.0", "0.0", "5.0", "5.1"],
    }
    study = small_study("matrix", columns, range_=(0.5, 10.0))
    facts = study.plan.study.model_copy(update={"grade": "OG-N", "fuel": "FB-7"})
    study = replace(study, plan=study.plan.model_copy(update={"study": facts}))
    rows = [row("R1", "matrix.slope_ratio", "OG-K", "met"), row("R2", "fuel.slope_ratio", "FB-0", "met")]
    fuel = Evaluation("fuel", (ratio("fuel.slope_ratio", "FB-0", 1.02),))
    found = fitness(study, rows, {**matrix("OG-K"), "fuel": fuel}, CONCLUSION, ())
    spans = {item.name: item.range for item in found.materials}
    assert spans["OG-K"] == (0.5, 5.0)
    assert "Not read, and so outside: OG-K with FB-0." in found.statement


def test_without_a_range_nothing_is_worded_for_a_scope() -> None:
    found = stated([], {}, conclusion=Conclusion("not fit", None, "text"))
    assert found.scope == ""
    assert found.outside == ()
    assert "support no range of use" in found.statement


def test_tolerances_are_earned_by_a_verdict() -> None:
    factors = {"volume": {"low": "0.3 mL", "high": "0.7 mL"}, "temperature": {"low": "35 °C", "high": "40 °C"}}
    rows = [
        row("R1", "ruggedness.relative_effect", "volume", "met", observed=0.004, interval=(-0.02, 0.028)),
        row("R2", "ruggedness.relative_effect", "temperature", "not met", observed=0.06, interval=(0.036, 0.084)),
    ]
    volume, temperature = stated(rows, {}, factors=factors).terms
    assert volume == (
        "volume: from 0.3 mL to 0.7 mL the result moves by 0.4 % (−2.0 to 2.8 %); R1 met, so it may vary between the "
        "two."
    )
    assert "6.0 % (3.6 to 8.4 %); R2 not met." in temperature
    # 5 °C move it by 8.4 % at most, so 5 % (the limit here) are reached after 5 x 0.05 / 0.084 = 2.98 °C.
    assert "its bound would keep the limit over 3.0 °C." in temperature


def test_carry_over_lots_and_storage_become_terms_of_use() -> None:
    expiry = quantity("stability.expiry", "in use", Estimate(9.6), "day")
    rows = [
        row("R1", "carry_over.effect", "30 s", "not met"),
        row("R2", "carry_over.effect", "60 s", "met"),
        row("R3", "lots.response_ratio", "S-02", "not met"),
        row("R4", "stability.change", "in use", "not shown"),
        row("R5", "trueness.bias", 4.0, "met"),
    ]
    # The share is the effect over the mean high result, 0.09 / 0.009 = 10.
    carried = [
        quantity("carry_over.effect", "30 s", Estimate(0.09), "%"),
        quantity("carry_over.share", "30 s", Estimate(0.009)),
        quantity("carry_over.reach", "30 s", Estimate(4.02), "%"),
    ]
    evaluations = {
        "stability": Evaluation("stability", (expiry,)),
        "carry_over": Evaluation("carry_over", tuple(carried)),
    }
    found = stated(rows, evaluations)
    assert [term.split(":")[0] for term in found.terms] == [
        "carry-over at 30 s after samples near 10.0 %",
        "carry-over at 60 s",
        "Lot S-02",
        "Standard, in use",
    ]
    assert "after samples up to about 4.0 %" in found.terms[0]
    # 9.6 days are nine whole ones: a tenth day would pass the bound.
    assert "shown for 9 days" in found.terms[-1]


def test_open_actions_are_what_is_missing_or_not_shown() -> None:
    absent = (NotEvaluated("recovery", "recovery of spikes", ""), NotEvaluated("control", "control", "later"))
    rows = [
        row("R1", "comparison.difference_at", 4.0, "not shown"),
        row("R2", "trueness.bias", 1.0, "met"),
        row("R3", "trueness.bias", 10.0, "not shown"),  # above the range that is proposed
        row("R4", "ruggedness.relative_effect", "equilibration", "not shown"),  # held, by a term
    ]
    note = {"kind": "impact", "number": "3", "by": "Q1", "column": "BAL-2", "old": "2026-03-31"}
    found = stated(rows, {}, absent=absent, amendments=(note,))
    assert [action.split(":")[0] for action in found.open_actions] == [
        "recovery of spikes",
        "R1, comparison difference at 4",
        "BAL-2",
    ]


def test_an_unjudged_study_asks_for_a_frozen_plan() -> None:
    found = stated([row("R1", "lots.response_ratio", "S-02", "not judged")], {})
    assert found.terms == ()
    assert any("freeze the plan" in text for text in found.open_actions)


def test_without_a_grade_in_the_plan_the_reference_is_the_material_whose_slope_comes_first() -> None:
    slopes = [quantity("matrix.slope", name, Estimate(1.0)) for name in ("OG-B", "OG-A")]
    evaluation = Evaluation("matrix", (*slopes, ratio("matrix.slope_ratio", "OG-A")))
    study = small_study("matrix", {"grade": ["OG-B"], "level": ["5"], "result": ["5.0"]})
    found = fitness(study, [], {"matrix": evaluation}, CONCLUSION, ())
    assert [(item.name, item.standing) for item in found.materials] == [
        ("OG-B", "own standard of this study"),
        ("OG-A", "excluded from the scope"),
    ]
