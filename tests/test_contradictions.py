"""Contradictions by rule: each fires on a study that states the kind, and none on one that does not."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from small_study import small_study
from test_fitness import quantity, row

from validation.judging.contradictions import Basis, Contradiction, contradictions
from validation.judging.contradictions.budget import components_outside, disagreeing_budgets
from validation.judging.contradictions.procedure import settings_twice, unsupported_settings
from validation.judging.contradictions.scope import decision_beyond_range, other_grade, other_matrix, two_limits
from validation.judging.contradictions.standards import (
    aged_standards,
    dependent_references,
    stated_beside_record,
    unstated_uncertainties,
)
from validation.judging.requirements import RequirementResult, requirement_faults
from validation.resources import folder
from validation.stats.estimate import Estimate
from validation.study.budget import Budget
from validation.study.lot_record_reading import read_lot_records
from validation.study.model import Study
from validation.study.procedure_settings import ProcedureSetting
from validation.study.quantity import Evaluation, Quantity

FACTORS = {"volume": {"low": "0.3 mL", "high": "0.7 mL"}, "pad": {"low": "P1", "high": "P2"}}


def basis(rows: list[RequirementResult] | None = None, quantities: list[Quantity] | None = None, **more: Any) -> Basis:
    """A judged study; `facts` and `plan` change its plan, `study` replaces it."""
    columns = {"trial": ["1"], "result": ["1"]}
    study = more.get("study") or small_study("ruggedness", columns, settings={"factors": FACTORS})
    facts = study.plan.study.model_copy(update=more.get("facts", {}))
    study = replace(study, plan=study.plan.model_copy(update={"study": facts, **more.get("plan", {})}))
    chapters: dict[str, list[Quantity]] = {}
    for item in quantities or []:
        chapters.setdefault(item.key.partition(".")[0], []).append(item)
    evaluations = {name: Evaluation(name, tuple(own)) for name, own in chapters.items()}
    return Basis(study, rows or [], evaluations, more.get("range", (0.5, 4.0)))


def known(key: str, at: Any, value: float, unit: str = "%") -> Quantity:
    return quantity(key, at, Estimate(value, source=""), unit)


def spread(key: str, at: Any, value: float, u: float, unit: str = "%") -> Quantity:
    return quantity(key, at, Estimate.of_mean(value, u, None, n=9, source=""), unit)


def setting(value: Any, kind: str, quantity: str, at: Any = None, unit: str = "%") -> ProcedureSetting:
    support = {"quantity": quantity, "at": at}
    stated = {"name": "it", "value": value, "unit": unit, "kind": kind, "supported_by": support}
    return ProcedureSetting.model_validate(stated)


def unsupported(stated: ProcedureSetting, *rows: RequirementResult, **more: Any) -> list[str]:
    found = unsupported_settings(basis(list(rows), facts={"settings": (stated,)}, **more))
    return [item.text for item in found]


REACH = [known("carry_over.reach", "30 s", 4.034)]
BY_LEVEL = [row("R1", "trueness.bias", at, word) for at, word in ((0.5, "met"), (4.0, "met"), (10.0, "not met"))]


@pytest.mark.parametrize(("value", "fires"), [(5.0, True), (4.0, False), (4.1, True)])
def test_a_purge_threshold_above_what_carry_over_shows(value: float, fires: bool) -> None:
    texts = unsupported(setting(value, "highest level", "carry_over.effect", "30 s"), quantities=REACH)
    assert [("4.0 % only" in text) for text in texts] == ([True] if fires else [])


def test_a_level_is_held_against_the_levels_at_which_the_requirement_is_met() -> None:
    assert not unsupported(setting(4.0, "highest level", "trueness.bias"), *BY_LEVEL)
    assert unsupported(setting(7.5, "highest level", "trueness.bias"), *BY_LEVEL)
    assert not unsupported(setting(0.5, "lowest level", "trueness.bias"), *BY_LEVEL)
    assert unsupported(setting(0.1, "lowest level", "trueness.bias"), *BY_LEVEL)
    limit = [known("detection.detection_limit", "IUPAC 1997", 0.2)]
    assert unsupported(setting(0.1, "lowest level", "detection.detection_limit", "IUPAC 1997"), quantities=limit)
    assert not unsupported(setting(0.3, "lowest level", "detection.detection_limit", "IUPAC 1997"), quantities=limit)


@pytest.mark.parametrize(("days", "unit", "fires"), [(10, "d", False), (11, "d", True), (1, "weeks", True)])
def test_an_age_limit_beyond_the_whole_days_that_stability_shows(days: int, unit: str, fires: bool) -> None:
    shown = [known("stability.expiry", "in use", 10.06, "d")]
    stated = setting(days, "age limit", "stability.change", "in use", unit)
    assert bool(unsupported(stated, quantities=shown)) == fires


@pytest.mark.parametrize(
    ("value", "at", "outcome", "unit", "part"),
    [
        ([0.4, 0.6], "volume", "met", "mL", ""),
        ([0.2, 0.6], "volume", "met", "mL", "0.3 mL to 0.7 mL only"),
        ([0.4, 0.6], "volume", "not shown", "mL", "is not shown (R1)"),
        (0.5, "volume", "not shown", "mL", ""),  # a fixed value is no tolerance
        ([0.4, 0.6], "volume", "met", "µL", "stated in µL"),
        ([1, 2], "pad", "met", "", "which are no numbers"),
        ([1, 2], "humidity", "met", "%", "did not vary humidity"),
    ],
)
def test_a_tolerance_lies_inside_what_ruggedness_varied(
    value: Any, at: str, outcome: str, unit: str, part: str
) -> None:
    rows = [row("R1", "ruggedness.effect", name, outcome) for name in FACTORS]
    texts = unsupported(setting(value, "tolerance", "ruggedness.effect", at, unit or "1"), *rows)
    assert (part in texts[0]) if part else not texts


def test_a_setting_without_its_evidence() -> None:
    stated = setting(60, "requirement met", "carry_over.effect", "60 s", "s")
    assert "the study has no carry-over effect (60 s)" in unsupported(stated)[0]
    assert "sets no requirement" in unsupported(stated, quantities=[known("carry_over.effect", "60 s", 0)])[0]
    assert not unsupported(stated, row("R2", "carry_over.effect", "60 s", "met"))
    assert "is not met (R2)" in unsupported(stated, row("R2", "carry_over.effect", "60 s", "not met"))[0]


def test_an_unknown_quantity_of_a_setting_is_a_fault_of_the_plan() -> None:
    plan = basis(facts={"settings": (setting(1, "requirement met", "trueness.biass"),)}).study.plan
    assert "trueness.bias" in requirement_faults(plan)[0].mend


def test_two_values_for_one_factor_and_two_limits_for_one_quantity() -> None:
    pair = tuple(setting([0.4, high], "tolerance", "ruggedness.effect", "volume", "mL") for high in (0.6, 0.7))
    assert "0.4 to 0.6 mL" in next(settings_twice(basis(facts={"settings": pair}))).text
    assert not list(settings_twice(basis(facts={"settings": (pair[0], pair[0])})))
    rows = [row("R1", "trueness.bias", 4.0, "met", limit=limit) for limit in (0.2, 0.3)]
    rows[1] = replace(rows[1], id="R2")
    assert "0.2 and 0.3" in next(two_limits(basis(rows))).text
    assert not list(two_limits(basis([rows[0], replace(rows[1], rule="point")])))


def with_lot(days_later: int) -> Study:
    """Lot S-01 of the demonstration, made on 2026-02-26 by its record, read some days later."""
    study = small_study("precision", {"level": ["4"], "run": ["R1"], "lot": ["S-01"], "result": ["4.0"]})
    day = datetime(2026, 2, 26, tzinfo=UTC).toordinal() + days_later
    reading = replace(study.experiments["precision"].readings[0], time=datetime.fromordinal(day))
    data = replace(study.experiments["precision"], readings=(reading,))
    entry = {"name": "S-01", "uncertainty": 0.03, "lot_record": "standards/S-01.yaml"}
    plan = study.plan.model_copy(update={"standards": (entry,)})
    records, faults = read_lot_records(folder("demo_data") / "new-grade", plan)
    assert not faults
    return replace(study, plan=plan, experiments={"precision": data}, lot_records=records)


@pytest.mark.parametrize(("days", "fires"), [(32, False), (33, True)])
def test_a_standard_read_at_a_greater_age_than_stability_shows(days: int, fires: bool) -> None:
    shown = [known("stability.expiry", "sealed", 32.3, "d"), known("stability.expiry", "in use", 10.1, "d")]
    found = list(aged_standards(basis(study=with_lot(days), quantities=shown)))
    assert [f"age of {days} days" in item.text for item in found] == ([True] if fires else [])
    assert not list(aged_standards(basis(study=with_lot(days))))  # no stability study, nothing to contradict


@pytest.mark.parametrize(("computed", "kind"), [(0.0255, "action"), (0.029, ""), (0.04, "both")])
def test_a_stated_uncertainty_beside_the_lot_record(computed: float, kind: str) -> None:
    record = [known("standards.standard_uncertainty", "S-01", computed)]
    assert [item.kind for item in stated_beside_record(basis(study=with_lot(1), quantities=record))] == (
        [kind] if kind else []
    )


def test_uncertainties_that_are_not_stated() -> None:
    bare = replace(with_lot(1), lot_records={})
    bare = replace(bare, plan=bare.plan.model_copy(update={"standards": ({"name": "S-01"},)}))
    assert "Standard S-01" in next(unstated_uncertainties(basis(study=bare))).text
    assert not list(unstated_uncertainties(basis(study=with_lot(1))))
    columns = {"sample": ["U1", "U1"], "method": ["candidate", "reference"], "result": ["1", "1"]}
    asked = [row("R5", "comparison.difference_at", 4.0, "met")]
    compared = small_study("comparison", columns)
    assert "column u)" in next(unstated_uncertainties(basis(asked, study=compared))).text
    assert not list(unstated_uncertainties(basis(study=compared)))
    stated = small_study("comparison", {**columns, "u": ["0.01", "0.01"]})
    assert not list(unstated_uncertainties(basis(asked, study=stated)))
    level = {"level": ["4"], "run": ["R1"], "assigned": ["4"], "result": ["4.0"]}
    bias = [row("R1", "trueness.bias", 4.0, "met")]
    assert "column u_level" in next(unstated_uncertainties(basis(bias, study=small_study("precision", level)))).text


@pytest.mark.parametrize(
    ("reference", "level", "preparation", "fires"),
    [
        ("independent", "2", "K2-1", True),
        ("independent", "4", "K2-1", False),  # the name alone is not enough
        ("independent", "2", "N2-1", False),
        ("independent", "2", "7", False),  # numbered within each worksheet
        ("standard", "2", "K2-1", False),
        (None, "2", "K2-1", False),
    ],
)
def test_a_bias_stated_as_independent_of_what_calibrates(
    reference: str | None, level: str, preparation: str, fires: bool
) -> None:
    bias = small_study("precision", {"level": [level], "run": ["R1"], "preparation": [preparation], "result": ["2.0"]})
    columns = {"level": ["2.0", "2.0"], "run": ["C1", "C1"], "preparation": ["K2-1", "7"], "response": ["9", "8"]}
    both = {**bias.experiments, **small_study("calibration", columns).experiments}
    plan = {"uncertainty": Budget.model_validate({"reference": reference, "components": []})}
    stated = list(dependent_references(basis(study=replace(bias, experiments=both), plan=plan)))
    assert [item.kind for item in stated] == (["both"] if fires else [])


def blanks(*matrices: str) -> Study:
    columns = {"material": list(matrices), "matrix": list(matrices), "level": ["0"] * len(matrices)}
    return small_study("detection", {**columns, "result": ["0.1"] * len(matrices)})


@pytest.mark.parametrize(
    ("in_use", "value", "kinds"),
    [
        ("used oil", 0.39, ["both"]),
        ("used oil", 0.2, ["action"]),
        ("new oil", 0.39, []),
        ("grease", 0.39, ["both"]),  # never read
        (None, 0.39, ["both"]),
        (None, 0.2, []),
    ],
)
def test_a_detection_limit_of_another_matrix_than_the_one_in_use(in_use: str | None, value: float, kinds: Any) -> None:
    asked = [row("R7", "detection.detection_limit", "IUPAC 1997", "met", limit=0.25, observed=0.2)]
    other = [known("detection.detection_limit", "IUPAC 1997, used oil", value)]
    study = blanks("new oil", "used oil")
    found = list(other_matrix(basis(asked, other, study=study, facts={"matrix": in_use})))
    assert [item.kind for item in found] == kinds
    assert not list(other_matrix(basis(asked, other, study=blanks("new oil"), facts={"matrix": None})))


def test_readings_of_another_grade_than_the_study() -> None:
    columns = {"level": ["4"], "run": ["R1"], "grade": ["OG-K"], "result": ["4.0"]}
    study = small_study("precision", columns)
    assert (
        "of OG-K; the grade of the study is OG-N" in next(other_grade(basis(study=study, facts={"grade": "OG-N"}))).text
    )
    assert not list(other_grade(basis(study=study, facts={"grade": "OG-K"})))
    assert not list(other_grade(basis(study=study)))


@pytest.mark.parametrize(("span", "fires"), [((0.5, 4.0), True), ((0.5, 7.5), False), (None, False)])
def test_a_rejection_limit_beyond_the_proposed_range(span: Any, fires: bool) -> None:
    rule = [known("decision.acceptance_limit", 4.0, 3.67), known("decision.rejection_limit", 4.0, 4.33)]
    assert len(list(decision_beyond_range(basis(quantities=rule, range=span)))) == fires


def budget(**component: Any) -> dict[str, Any]:
    return {"uncertainty": Budget.model_validate({"components": [component]})}


@pytest.mark.parametrize(
    ("component", "measured", "kinds"),
    [
        ({"name": "sample reading", "size": 0.05}, spread("repeatability.s_r", 4.0, 0.1, 0.01), ["both"]),
        ({"name": "sample reading", "size": 0.2}, spread("repeatability.s_r", 4.0, 0.1, 0.01), ["action"]),
        ({"name": "sample reading", "size": 0.11}, spread("repeatability.s_r", 4.0, 0.1, 0.01), []),
        ({"name": "sample reading", "size": 0.05}, spread("repeatability.s_r", 10.0, 0.1, 0.01), []),  # not in range
        (
            {"name": "instrument", "size": "1.2%"},
            spread("intermediate_precision.component", "4, instrument", 0.2, 0.02),
            ["both"],
        ),
        (
            {"name": "analyst", "size": "1.2%"},
            spread("intermediate_precision.component", "4, instrument", 0.2, 0.02),
            [],
        ),
        ({"name": "fuel", "size": "3%"}, spread("fuel.spread", None, 0.08, 0.01, "1"), ["both"]),
        ({"name": "oil", "size": "3%"}, spread("fuel.spread", None, 0.08, 0.01, "1"), []),
        ({"name": "fuel", "negligible": "one fuel"}, spread("fuel.spread", None, 0.08, 0.01, "1"), []),
    ],
)
def test_a_component_that_its_own_measurement_excludes(component: Any, measured: Quantity, kinds: list[str]) -> None:
    found = components_outside(basis(quantities=[measured], plan=budget(**component)))
    assert [item.kind for item in found] == kinds


@pytest.mark.parametrize(("computed", "kinds"), [(0.0051, ["action"]), (0.0062, []), (0.008, ["both"])])
def test_the_component_of_the_standard_beside_the_record_of_the_lot_in_use(computed: float, kinds: list[str]) -> None:
    values = [
        known("standards.relative_uncertainty", "S-01", computed, "1"),
        known("standards.mass_fraction", "S-01", 5.0),
    ]
    lots = basis().study.plan.lots.model_copy(update={"in_use": "S-01"})
    found = basis(quantities=values, plan={**budget(name="standard", size="0.6%"), "lots": lots})
    assert [item.kind for item in components_outside(found)] == kinds


def test_two_budgets_that_do_not_agree() -> None:
    apart, close = (spread("uncertainty.agreement", 2.0, value, 0.05, "1") for value in (0.7, 0.95))
    assert "0.70 at 2 %" in next(disagreeing_budgets(basis(quantities=[apart]))).text
    assert not list(disagreeing_budgets(basis(quantities=[close])))
    assert not list(disagreeing_budgets(basis(quantities=[apart], range=(4.0, 7.5))))


def test_nothing_fires_on_a_study_that_states_nothing_of_the_kind() -> None:
    assert (
        contradictions(
            basis([row("R1", "ruggedness.effect", "volume", "met")], [known("ruggedness.effect", "volume", 0)])
        )
        == ()
    )
    assert contradictions(basis()) == ()


@pytest.fixture(scope="module")
def results(dossier: Path) -> dict[str, Any]:
    return dict(json.loads((dossier / "results.json").read_text(encoding="utf-8")))


def test_the_demonstration_restricts_its_purge_and_prints_its_actions(results: dict[str, Any], dossier: Path) -> None:
    purge = next(item for item in results["contradictions"] if "purge is prolonged" in item["text"])
    assert purge["kind"] == "both"
    assert purge["places"][1] == {"quantity": "carry_over.effect", "at": "30 s"}
    assert purge["text"] in results["conclusion"]["restrictions"]
    actions = results["actions"]
    assert [item["text"] for item in actions] == results["fitness"]["open_actions"]
    assert {(item["owner"], item["due"]) for item in actions} == {(None, None)}
    page = (dossier / "dossier.html").read_text(encoding="utf-8")
    assert "to fill" in page
    assert all(item["rule"] in page for item in results["contradictions"])


def test_a_contradiction_in_plain_types() -> None:
    item = Contradiction("rule", "text", "need", "action", ())
    assert json.dumps(item.to_dict())
    assert (item.restricts, item.acts) == (False, True)
