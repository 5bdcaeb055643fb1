"""Thirty questions and the clauses of ISO/IEC 17025: each answered from planted evidence, and a gap without it.

What each must say follows from the study that the test writes itself; nothing here is compared with our own output.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from small_study import small_study
from study_folder import amend, write_study

from validation import cli
from validation.audit import bench, computing, measuring, standing
from validation.audit.clauses import CLAUSES
from validation.audit.evidence import AuditRecord, Finding, SelfTestFacts
from validation.audit.order import ordered_runs
from validation.audit.questions import QUESTIONS
from validation.audit.report import audited, counts
from validation.dossier.attached import OWN, OWN_PAGE
from validation.dossier.manifest import MANIFEST
from validation.dossier.verify import verify_dossier
from validation.faults import StudyDataError
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.sensitivity import Variant
from validation.running import own_selftest
from validation.study.history.plan_lock import freeze
from validation.study.history.readings import record_readings
from validation.study.load import load_study
from validation.study.lot_record_reading import parse_lot_record
from validation.study.model import Study
from validation.study.plan import Plan, parse_plan

ROWS = {
    "level": [2, 2, 4, 4] * 3,
    "run": ["R1"] * 4 + ["R2"] * 4 + ["R3"] * 4,
    "result": ["2.01", "2.07", "4.05", "3.96", "1.98", "2.03", "4.11", "4.02", "2.00", "1.95", "3.91", "4.00"],
    "order": [1, 2, 3, 4] * 3,
    "time": [f"2026-07-0{day}T08:{minute}0" for day in (1, 2, 3) for minute in range(4)],
    "analyst": ["A1"] * 8 + ["A2"] * 4,
    "instrument": ["SAW-1"] * 12,
    "lot": ["S-01"] * 12,
    "pad_lot": ["P1"] * 12,
    "preparation": [f"N{number}" for number in range(12)],
    "assigned": ["2.0", "2.0", "4.0", "4.0"] * 3,
    "u_level": ["0.01"] * 12,
}

AUDIT: dict[str, Any] = {
    "standing": {"kind": "validation", "reason": "own grade"},
    "editions": [{"document": "ISO/IEC 17025", "edition": "2017", "current_on": "2026-06-01"}],
    "reference_method": {"name": "GC", "traceable_to": "weighings", "uncertainty": "2 %", "record": "QR-1"},
    "retention": {"years": 10, "format": "PDF", "place": "archive"},
    "withdrawal": ["two runs outside"],
    "proficiency": [{"round": "2026-1", "date": "2026-05-01", "score": "z = 0.4", "looked_back": "nothing to redo"}],
    "authorisations": [
        {"person": "Q1", "task": "approve", "since": "2020-01-01", "record": "QR-2"},
        {"person": "A1", "task": "measure", "since": "2024-01-01"},
        {"person": "A2", "task": "measure", "since": "2024-01-01"},
    ],
    "assumptions": ["fresh fuel stands for weathered fuel"],
    "changes_since": "one analyst more",
    "impartiality": "nobody is paid by the verdict",
    "next_lot": "21 readings against the old lot",
}


def columns(without: str = "", **other: list[object]) -> dict[str, list[object]]:
    return {name: values for name, values in (ROWS | other).items() if name != without}  # type: ignore[return-value]


def in_time(study: Study) -> Study:
    """The study with the times of its readings read, as from a folder."""
    experiments = {
        name: replace(
            data,
            readings=tuple(
                replace(one, time=datetime.fromisoformat(one.values["time"]) if one.values.get("time") else None)
                for one in data.readings
            ),
        )
        for name, data in study.experiments.items()
    }
    return replace(study, experiments=experiments)


def with_plan(study: Study, **keys: object) -> Study:
    """The study with further keys of the plan."""
    stated = study.plan.model_dump(mode="json", exclude_defaults=True, exclude={"requirements"})
    return replace(study, plan=Plan.model_validate({**stated, **keys}))


def record_of(study: Study, **further: Any) -> AuditRecord:
    return AuditRecord(study, judge_study(study, {}), **further)


@cache
def plain() -> AuditRecord:
    """A study with every column and no statement beside them."""
    return record_of(in_time(small_study("precision", columns())))


def stating(**keys: object) -> AuditRecord:
    return record_of(with_plan(plain().study, **keys))


@cache
def with_statements() -> AuditRecord:
    """The same study, which states everything of the plan's `audit:` block."""
    return stating(audit=AUDIT)


BY_STATEMENT: Mapping[str, tuple[Callable[[AuditRecord], Finding], str]] = {
    "audit.standing": (standing.standing, "A validation. Own grade"),
    "audit.editions": (standing.editions, "ISO/IEC 17025 (2017)"),
    "audit.reference_method": (measuring.reference_method, "Traceable to: weighings"),
    "audit.retention": (standing.retention, "10 years. Format: PDF."),
    "audit.withdrawal": (standing.withdrawal, "two runs outside."),
    "audit.proficiency": (measuring.proficiency, "2026-1, 2026-05-01: z = 0.4. Looked back: nothing to redo."),
    "audit.authorisations": (bench.authorised, "Q1 may approve since 2020-01-01 (QR-2)."),
    "audit.assumptions": (standing.assumptions, "fresh fuel stands for weathered fuel."),
    "audit.changes_since": (standing.changes, "one analyst more."),
    "audit.impartiality": (standing.impartiality, "nobody is paid by the verdict."),
    "audit.next_lot": (measuring.next_lot, "21 readings against the old lot."),
}


@pytest.mark.parametrize("key", BY_STATEMENT)
def test_a_statement_of_the_plan_answers_and_its_absence_names_the_key(key: str) -> None:
    find, words = BY_STATEMENT[key]
    stated = find(with_statements())
    assert words.lower() in " ".join(stated.facts).lower()
    assert key not in [item.key for item in stated.missing]
    bare = find(stating(experiments={**plan_of_experiments(), "comparison": {"worksheet": "worksheets/c.csv"}}))
    assert key in [item.key for item in bare.missing]
    assert not any(words.lower() in fact.lower() for fact in bare.facts)


def plan_of_experiments() -> dict[str, object]:
    return {"precision": {"worksheet": "worksheets/test.csv"}}


def test_a_reference_method_is_asked_for_where_one_is_compared() -> None:
    reason = "No reference method is at hand"
    excused = measuring.reference_method(stating(not_evaluated={"comparison": reason}))
    assert excused.status == "answered"
    assert reason in excused.facts[0]
    assert measuring.reference_method(plain()).status == "gap"


# Dates -----------------------------------------------------------------------------------------------------------


def test_an_authorisation_after_the_first_reading_is_said() -> None:
    late = {**AUDIT["authorisations"][2], "since": "2026-07-04"}  # A2 read on 2026-07-03
    found = bench.authorised(stating(audit={"authorisations": [*AUDIT["authorisations"][:2], late]}))
    assert found.status == "in part"
    assert "A2 (worked from 2026-07-03 to 2026-07-03, authorised from 2026-07-04)" in found.missing[0].text


def test_an_authorisation_that_ended_is_said_and_a_missing_one_too() -> None:
    ended = {**AUDIT["authorisations"][1], "until": "2026-07-01"}  # A1 read until 2026-07-02
    found = bench.authorised(stating(audit={"authorisations": [ended]}))
    texts = " ".join(item.text for item in found.missing)
    assert "Who may approve: not stated." in texts
    assert "until 2026-07-01" in texts
    assert "No authorisation to measure: A2." in texts


def test_who_approved_must_be_authorised_to() -> None:
    roles = [
        {"time": "2026-06-30T08:00:00+02:00", "by": name, "role": "approved", "on": "plan"} for name in ("Q1", "Z9")
    ]
    found = bench.authorised(replace(with_statements(), results={"roles": roles}))
    assert "Authorised to approve when they did: 1 of 2 (approver on record)." in found.facts
    assert [item.text for item in found.missing] == ["No authorisation to approve: Z9."]


def test_an_edition_checked_after_the_data_or_never_is_said() -> None:
    listed = [
        {"document": "ISO 5725-2", "edition": "2019", "current_on": "2026-07-02"},
        {"document": "ISO 5725-3", "edition": "2023"},
        {"document": "ISO 8466-1", "edition": "1990", "current_on": "2026-06-01", "superseded_by": "2021"},
    ]
    found = standing.editions(stating(audit={"editions": listed}))
    texts = [item.text for item in found.missing]
    assert "Checked after the first reading (2026-07-01): ISO 5725-2." in texts
    assert "Without the day of the check: ISO 5725-3." in texts
    assert "Superseded, without a reason: ISO 8466-1." in texts


def test_a_document_that_the_chapters_cite_must_be_listed_in_that_edition() -> None:
    study = in_time(small_study("precision", columns()))
    evaluations = evaluate(study)
    listed = {"editions": [{"document": "ISO 8466-1", "edition": "2021", "current_on": "2026-06-01"}]}
    judged = judge_study(with_plan(study, audit=listed), evaluations)
    found = standing.editions(AuditRecord(with_plan(study, audit=listed), judged))
    cited = next(item.text for item in found.missing if "Cited by the chapters" in item.text)
    assert "ISO 5725-2" in cited
    assert "ISO 5725-3" in cited


@pytest.mark.parametrize(
    ("block", "column"),
    [
        ("{standing: {kind: calibration}}", "audit.standing.kind"),
        ("{retention: {years: 0}}", "audit.retention.years"),
        ("{editions: [{document: ISO 5725-2, edition: '2019', current_on: soon}]}", "current_on"),
        ("{authorisations: [{person: A1, task: measure, since: 2026-02-01, until: 2026-01-01}]}", "authorisations"),
        ("{withdrawl: [late]}", "withdrawl"),
    ],
)
def test_a_statement_of_another_shape_is_refused_with_its_place(block: str, column: str) -> None:
    text = (
        "format: 1\nstudy: {id: a, title: b, laboratory: c, measurand: d, unit: g, range: [0, 1]}\n"
        f"experiments: {{precision: {{worksheet: w.csv}}}}\naudit: {block}\n"
    )
    _, faults = parse_plan(text.encode())
    assert len(faults) == 1
    assert column in str(faults[0])


# Bench -----------------------------------------------------------------------------------------------------------


def test_order_that_was_followed_and_order_that_was_not() -> None:
    assert bench.order(plain()).facts == ("In 3 of 3 runs every reading was taken in its planned place.",)
    assert bench.order(plain()).status == "answered"
    swapped = [*ROWS["time"]]
    swapped[0], swapped[3] = swapped[3], swapped[0]
    found = bench.order(record_of(in_time(small_study("precision", columns(time=swapped)))))
    assert found.facts[0].startswith("In 2 of 3 runs")
    assert found.facts[1] == "R1: T-001 (planned 1, taken 4) and T-004 (planned 4, taken 1)."
    assert found.missing[0].key == "column note"


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        (columns(without="order"), "no planned order"),
        (columns(without="time"), "readings without a time"),
        (columns(order=[1, 1, 2, 3] * 3), "a planned place is there twice"),
        (columns(time=["2026-07-01T08:00+02:00", *ROWS["time"][1:]]), "times with and without a zone"),
    ],
)
def test_order_that_cannot_be_compared_says_why(changed: dict[str, list[object]], why: str) -> None:
    study = in_time(small_study("precision", changed))
    assert ordered_runs(record_of(study).sheets)[0].missing == why
    assert why in bench.order(record_of(study)).missing[0].text


def test_a_row_is_the_seventh_of_the_fifth_run_or_the_last_there_is() -> None:
    assert "line 13, T-012" in bench.one_row(plain()).facts[0]  # three runs of four: the last row of the last
    assert bench.one_row(plain()).status == "answered"
    found = bench.one_row(record_of(in_time(small_study("precision", columns(without="analyst")))))
    assert (found.status, found.missing[0].key) == ("in part", "column analyst")


def test_preparations_are_counted() -> None:
    assert bench.preparations(plain()).status == "answered"
    twice = small_study("precision", columns(preparation=[f"N{number // 2}" for number in range(12)]))
    assert "12 readings of 6 preparations" in bench.preparations(record_of(twice)).missing[0].text
    none = small_study("precision", columns(without="preparation"))
    assert bench.preparations(record_of(none)).status == "gap"


def test_factors_are_those_that_varied() -> None:
    found = bench.factors(plain())
    assert found.facts == (
        "Varied: 3 runs, 2 analysts and 3 days.",
        "Did not vary: instrument SAW-1, lot S-01 and pad lot P1.",
    )
    assert found.status == "answered"
    bare = bench.factors(record_of(in_time(small_study("precision", columns(without="pad_lot")))))
    assert bare.missing[0].text == "Not recorded: pad lot."
    other = small_study("detection", {"material": ["blank"], "result": ["0.1"]})
    assert bench.factors(record_of(other)).status == "gap"


def test_what_was_left_out_and_which_verdict_flips() -> None:
    record = plain()
    data = record.study.experiments["precision"]
    gone = replace(data.readings[2], status="excluded", reason="vial broke")
    study = replace(record.study, experiments={"precision": replace(data, readings=(*data.readings[:2], gone))})
    found = bench.excluded(replace(record, study=study))
    assert found.facts[0] == "Left out: T-003 (vial broke)."
    assert found.status == "in part"  # nothing is judged, so nothing can flip
    unmade = Variant("3 further readings", "not made", failed="too many")
    assert "3 further readings" in bench.excluded(replace(record, variants=(unmade,))).missing[0].text


def written(folder: Path) -> Study:
    write_study(folder)
    freeze(folder, "Q1", datetime(2026, 6, 1, 8, tzinfo=UTC))
    record_readings(load_study(folder))
    return load_study(folder)


def test_amendments_are_told_with_the_original_and_silent_changes_are_findings(tmp_path: Path) -> None:
    study = written(tmp_path)
    assert bench.amendments(record_of(study)).facts == ("No reading was changed: every row is as it was first seen.",)
    amend(tmp_path, "P-003", "correction", "result", "4.04")
    found = bench.amendments(record_of(load_study(tmp_path)))
    assert "P-003: result 4.05 became 4.04, by" in found.facts[0]
    assert found.status == "answered"
    sheet = tmp_path / "worksheets" / "precision.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("2.07", "2.06"), encoding="utf-8")
    found = bench.amendments(record_of(load_study(tmp_path)))
    assert (found.status, found.missing[0].text) == ("in part", "Changed without an amendment: P-002.")
    assert bench.amendments(plain()).missing[0].key == "history/readings.csv"


def test_the_limit_on_the_bias_has_an_origin_a_date_and_a_person(tmp_path: Path) -> None:
    study = written(tmp_path)
    found = standing.origin_of_limits(record_of(study))
    assert "Frozen by Q1 on 2026-06-01" in found.facts[0]
    assert "From: limits 2 % and 4 %." in found.facts
    assert found.status == "answered"
    assert standing.origin_of_limits(plain()).missing[0].key == "requirements"
    nameless = stating(requirements=[{"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": 1}])
    assert [item.key for item in standing.origin_of_limits(nameless).missing] == ["requirements.origin", "plan.lock"]


def test_failures_are_counted_and_nothing_judged_is_a_gap(tmp_path: Path) -> None:
    study = written(tmp_path)
    found = standing.failures(AuditRecord(study, judge_study(study, evaluate(study))))
    assert found.status == "answered"
    assert "Proposed conclusion" in found.facts[-1]
    assert standing.failures(plain()).status == "gap"


# Measuring -------------------------------------------------------------------------------------------------------

RECORD = """\
lot: S-01
made: 2026-06-20
maker: A1
checker: Q1
unit: "%"
fuel: {name: FB-7, batch: "3", purity: 1}
oil: {name: OG-N, batch: "11"}
weighings:
  - {what: oil, mass_g: 19.0, u_g: 0.0003, balance: BAL-2, certificate: K-1, certificate_valid_until: 2026-12-31}
  - {what: fuel, mass_g: 1.0, u_g: 0.0003, balance: BAL-2, certificate: K-1, certificate_valid_until: 2026-12-31}
loss_while_weighing: {most: "0.5%", evidence: "QR-103"}
in_use_loss: {u: "0.2%", evidence: "QR-106"}
"""


def with_lot(text: str) -> AuditRecord:
    """The plain study with a lot record of that text."""
    record, faults = parse_lot_record(text.encode(), "standards/S-01.yaml", lot="S-01", unit="%", stated=5.0)
    assert not faults
    assert record is not None
    study = with_plan(plain().study, lots={"in_use": "S-01"}, uncertainty={"reference": "independent"})
    return record_of(replace(study, lot_records={"S-01": record}))


def test_the_certificate_of_the_balance_on_the_day() -> None:
    found = bench.certificate(with_lot(RECORD))
    assert found.facts == ("S-01, weighed on 2026-06-20 on BAL-2, certificate K-1, valid until 2026-12-31.",)
    assert [item.key for item in found.missing] == ["equipment.record"]
    bare = bench.certificate(with_lot(RECORD.replace(", certificate: K-1, certificate_valid_until: 2026-12-31", "")))
    assert "equipment.valid_until" in [item.key for item in bare.missing]
    assert bench.certificate(plain()).status == "gap"


def test_the_standard_and_the_blends() -> None:
    found = measuring.independent_standard(with_lot(RECORD))
    assert found.status == "answered"
    assert "12 readings with a reference value of their own." in found.facts
    assert measuring.independent_standard(plain()).missing[0].key == "uncertainty.reference"


def test_the_loss_from_the_standard() -> None:
    found = measuring.volatility(with_lot(RECORD))
    assert "S-01: while weighing, at most 0.5 % of the fuel (QR-103); in use, u 0.2 % (QR-106)." in found.facts
    assert [item.key for item in found.missing] == ["experiments.stability"]
    bare = measuring.volatility(with_lot(RECORD.partition("loss_while")[0]))
    assert "standards/*.yaml: in_use_loss" in [item.key for item in bare.missing]


def test_fuel_in_the_budget_by_its_component() -> None:
    own = [{"name": "fuel", "size": "3%", "origin": "QR-121"}]
    assert measuring.fuel_in_budget(stating(uncertainty={"components": own})).status == "answered"
    bare = measuring.fuel_in_budget(stating(uncertainty={"components": [{"name": "fuel", "size": "3%"}]}))
    assert [item.key for item in bare.missing] == ["uncertainty.components.origin"]
    assert measuring.fuel_in_budget(plain()).status == "gap"


def test_the_decision_rule_and_its_agreement() -> None:
    agreed = {"rule": "guarded", "risk": 0.05, "agreed_with": "the fleet", "agreed_on": "2026-02-20"}
    found = measuring.decision(stating(decision=agreed))
    assert found.status == "answered"
    assert "Agreed with the fleet, on 2026-02-20." in found.facts
    alone = measuring.decision(stating(decision={"rule": "simple"}))
    assert [item.key for item in alone.missing] == ["decision.agreed_with", "decision.agreed_on"]
    assert measuring.decision(plain()).status == "gap"


def test_one_point_calibration_is_answered_by_its_bias() -> None:
    rows = {
        "level": [0, 2, 5, 10] * 2,
        "run": ["C1"] * 4 + ["C2"] * 4,
        "response": [1, 201, 500, 999, 2, 203, 502, 990],
    }
    study = small_study("calibration", rows, settings={"routine_level": 5.0})
    found = measuring.one_point(AuditRecord(study, judge_study(study, evaluate(study))))
    assert found.status == "in part"  # no requirement
    assert found.missing[0].key == "requirements: calibration.single_point_bias"
    assert measuring.one_point(plain()).status == "gap"


def test_detection_names_its_matrix_and_counts_spikes_above_the_critical_value() -> None:
    blanks = ["0.00", "0.01", "-0.01", "0.02", "0.00", "-0.02", "0.01", "0.00"]
    rows = {
        "material": ["blank"] * 8 + ["spike"] * 4,
        "matrix": ["new oil"] * 12,
        "level": [0] * 8 + [0.3] * 4,
        "result": [*blanks, "0.30", "0.31", "0.29", "0.01"],
    }
    study = small_study("detection", rows, settings={"matrix": "new oil"})
    found = measuring.detection(AuditRecord(study, judge_study(study, evaluate(study))))
    assert found.status == "answered"
    # Mean 0.00125 and s 0.0125 of the blanks: any definition at alpha 0.05 lies between 0.01 and 0.1.
    assert any("4 spikes at 0.3 %, 3 of them above the critical value" in fact for fact in found.facts)
    plain_rows = {name: values[:8] for name, values in rows.items()}
    study = small_study("detection", plain_rows, settings={"matrix": "new oil"})
    bare = measuring.detection(AuditRecord(study, judge_study(study, evaluate(study))))
    assert "It was not challenged with spikes." in [item.text for item in bare.missing]
    assert measuring.detection(plain()).status == "gap"


def test_the_self_test_answers_only_where_it_holds_passes_and_is_of_this_program() -> None:
    good = SelfTestFacts("a" * 64, True, 40, 0)
    assert computing.calculations(replace(plain(), selftest=good)).status == "answered"
    for bad in (
        replace(good, failed=2),
        replace(good, intact=False),
        replace(good, differs=("other program files",)),
    ):
        assert computing.calculations(replace(plain(), selftest=bad)).status == "in part"
    assert computing.calculations(plain()).missing[0].key == "validation selftest"


def test_a_recomputation_needs_the_inputs(tmp_path: Path) -> None:
    study = written(tmp_path)
    assert computing.recomputing(AuditRecord(study, judge_study(study, evaluate(study)))).status == "answered"
    assert computing.recomputing(plain()).status == "gap"


# As a whole ------------------------------------------------------------------------------------------------------


def test_thirty_questions_each_with_a_place_and_each_clause_once() -> None:
    for record in (plain(), with_statements()):
        report = audited(record)
        assert [answer.id for answer in report.questions] == [f"Q{number}" for number in range(1, 31)]
        assert len({question.text for question in QUESTIONS}) == 30
        assert len({clause.number for clause in CLAUSES}) == len(CLAUSES)
        for answer in (*report.questions, *report.clauses):
            assert answer.text, answer.id
            assert answer.finding.places, answer.id
            assert (answer.status == "answered") == (not answer.finding.missing), answer.id
    assert counts(report.questions).startswith(f"{sum(a.status == 'answered' for a in report.questions)} of 30")


def test_one_reading_can_be_audited() -> None:
    report = audited(record_of(small_study("precision", {"level": [4], "run": ["R1"], "result": ["4.1"]})))
    assert len(report.questions) == 30


def test_contradictions_and_actions_of_the_results_are_read_where_they_are() -> None:
    from validation.audit import clauses

    owned = {"actions": [{"id": "A1", "text": "x", "owner": "Q1"}]}
    assert "With an owner: 1." in clauses.actions(replace(plain(), results=owned)).facts
    asked = {"questions": [{"id": "a", "answer": "balance was moved"}, {"id": "b", "answer": ""}]}
    found = clauses.nonconforming(replace(plain(), results=asked))
    assert "Questions on the raw data: 2, 1 answered." in found.facts
    assert [item.text for item in found.missing] == ["Questions on the raw data without an answer: 1."]


# The demonstration -----------------------------------------------------------------------------------------------


def test_the_demonstration_leaves_its_gaps_and_no_others(dossier: Path) -> None:
    # The plan of the demonstration leaves out proficiency, impartiality and the uncertainty of the reference method;
    # its worksheets hold neither u_level nor pad lots; recovery is neither read nor excused.
    audit = json.loads((dossier / "results.json").read_text(encoding="utf-8"))["audit"]
    status = {row["id"]: row["status"] for row in audit["questions"]}
    assert {name for name, word in status.items() if word == "gap"} == {"Q25", "Q30"}
    assert {name for name, word in status.items() if word == "in part"} == {"Q8", "Q12", "Q14", "Q27"}
    assert {row["id"] for row in audit["clauses"] if row["status"] == "gap"} == {"4.1", "7.7.2"}


def test_every_first_link_of_the_demonstration_leads_somewhere(dossier: Path) -> None:
    page = (dossier / "dossier.html").read_text(encoding="utf-8")
    there = set(re.findall(r'\bid="([^"]+)"', page))
    audit = json.loads((dossier / "results.json").read_text(encoding="utf-8"))["audit"]
    rows = [*audit["questions"], *audit["clauses"]]
    assert [row["id"] for row in rows if row["places"][0]["anchor"] not in there] == []
    linked = set(re.findall(r'href="#([^"]+)"', page))
    assert {row["places"][0]["anchor"] for row in rows} <= linked
    assert {f"question-{number}" for number in range(1, 31)} <= there


def test_the_annexes_name_what_is_not_stated_and_what_is_from_memory(dossier: Path) -> None:
    page = re.sub(r"<[^>]+>", " ", (dossier / "dossier.html").read_text(encoding="utf-8"))
    assert "clause from memory" in page
    assert re.search(r"Impartiality\s+not stated", page)
    assert re.search(r"24 of 30 questions answered, 4 in part, 2 gaps", page)


# The command -----------------------------------------------------------------------------------------------------


def test_the_command_answers_in_words_and_in_json(small_dossier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["audit", str(small_dossier)]) == 0
    words = capsys.readouterr()
    assert "Q30 GAP" in words.out
    assert "audit.impartiality" in words.out
    assert "Next:" in words.out
    assert re.search(r"Questions: \d+ of 30 answered, \d+ in part, \d+ gaps", words.out)
    assert words.err == ""
    assert cli.main(["audit", str(small_dossier), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    recorded = json.loads((small_dossier / "results.json").read_text(encoding="utf-8"))["audit"]
    assert answer["questions"] == recorded["questions"]
    assert answer["clauses"] == recorded["clauses"]
    assert sum(answer["counts"]["questions"].values()) == 30


def test_strict_ends_with_one_where_something_is_missing(
    small_dossier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["audit", str(small_dossier), "--strict"]) == 1
    assert "GAP" in capsys.readouterr().out


def test_hashes_that_do_not_hold_are_said_first(
    small_dossier: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = Path(shutil.copytree(small_dossier, tmp_path / "001"))
    (copy / "dossier.html").write_text("changed", encoding="utf-8")
    assert cli.main(["audit", str(copy)]) == 0
    assert capsys.readouterr().err.startswith("Warning: The dossier does not verify: dossier.html: changed")


def test_a_dossier_of_another_version_is_recomputed_and_asked(
    small_dossier: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = Path(shutil.copytree(small_dossier, tmp_path / "001"))
    manifest = json.loads((copy / MANIFEST).read_text(encoding="utf-8"))
    manifest["versions"]["validation"] = "0.6.0"
    results = json.loads((copy / "results.json").read_text(encoding="utf-8"))
    del results["audit"]
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    (copy / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")
    assert cli.main(["audit", str(copy), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert len(answer["questions"]) == 30
    assert "of version 0.6.0" in answer["warnings"][-1]


# The self-test of a dossier --------------------------------------------------------------------------------------


def test_the_dossier_holds_a_self_test_that_its_manifest_lists(small_dossier: Path) -> None:
    manifest = json.loads((small_dossier / MANIFEST).read_text(encoding="utf-8"))
    for name in (OWN, OWN_PAGE):
        assert manifest["files"][name] == hashlib.sha256((small_dossier / name).read_bytes()).hexdigest()
    page = (small_dossier / "dossier.html").read_text(encoding="utf-8")
    assert f'href="{OWN_PAGE}"' in page
    assert verify_dossier(small_dossier).ok


def test_a_kept_report_is_used_once_more_and_a_changed_one_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []
    few = own_selftest._made

    def counting(progress: Callable[[str], None]) -> dict[str, bytes]:
        made.append("again")
        return few(progress)

    monkeypatch.setattr(own_selftest, "cache_folder", lambda: tmp_path / "cache")
    monkeypatch.setattr(own_selftest, "_made", counting)
    own_selftest.attach_selftest(tmp_path / "one", progress=made.append)
    first = made.count("again")
    own_selftest.attach_selftest(tmp_path / "two", progress=made.append)
    assert (first, made.count("again")) == (1, 1)
    assert (tmp_path / "one" / OWN).read_bytes() == (tmp_path / "two" / OWN).read_bytes()
    kept = next((tmp_path / "cache").rglob("selftest.json"))
    kept.write_text(kept.read_text(encoding="utf-8").replace('"failed": 0', '"failed": 1'), encoding="utf-8")
    own_selftest.attach_selftest(tmp_path / "three", progress=made.append)
    assert made.count("again") == 2
    assert (tmp_path / "three" / OWN).read_bytes() == (tmp_path / "one" / OWN).read_bytes()


def test_a_failed_self_test_stands_on_page_one_and_in_the_conclusion(
    amended_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, no_kernels: None
) -> None:
    from validation.running.run import run_study
    from validation.selftest.collect import content_hash

    few = own_selftest._made

    def failing(progress: Callable[[str], None]) -> dict[str, bytes]:
        files = few(progress)
        record = json.loads(files["selftest.json"])
        record["content"]["failed"] = 2
        for check in record["content"]["checks"][:2]:
            check["ok"] = False
        record["sha256"] = content_hash(record["content"])
        return {**files, "selftest.json": json.dumps(record).encode()}

    monkeypatch.setattr(own_selftest, "cache_folder", lambda: tmp_path / "cache")
    monkeypatch.setattr(own_selftest, "_made", failing)
    study = tmp_path / "study"
    shutil.copytree(amended_study, study, ignore=shutil.ignore_patterns("dossiers"))
    report = run_study(study)
    assert "The self-test of this program fails: 2 of" in report.text
    page = (report.dossier / "dossier.html").read_text(encoding="utf-8")
    assert page.index("The self-test of this program fails") < page.index('id="verdicts"')
    assert report.outcome != "fit"
    assert verify_dossier(report.dossier).ok


def test_faults_of_the_inputs_are_a_refusal(
    small_dossier: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = Path(shutil.copytree(small_dossier, tmp_path / "001"))
    (copy / "inputs" / "plan.yaml").write_text("format: 1\n", encoding="utf-8")
    assert cli.main(["audit", str(copy)]) == 2
    assert "cannot be read by this version" in capsys.readouterr().err
    with pytest.raises(StudyDataError):
        load_study(copy / "inputs")
