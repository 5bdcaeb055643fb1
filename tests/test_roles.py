"""Who prepared, reviewed and approved is recorded by a command each, and told; nothing of it is inferred."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

import pytest
from study_folder import NOW, write_study

from validation.cli import main
from validation.dossier.blocks import Paragraph, Table
from validation.dossier.opening import _roles, plan_signatures
from validation.dossier.verify import _silent
from validation.judging.outcomes import evaluate, judge_study
from validation.running.run import copy_inputs
from validation.study.history.plan_lock import freeze
from validation.study.history.roles import RECORD, RolesOfAStudy, read_roles
from validation.study.load import load_study

PEOPLE = "people:\n  - {name: Q1, role: manager}\n  - {name: S1}\n"


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = write_study(tmp_path / "study")
    with (folder / "plan.yaml").open("a", encoding="utf-8") as plan:
        plan.write(PEOPLE)
    return folder


def record(folder: Path, role: str, by: str, *on: str) -> int:
    return main([role, str(folder), "--by", by, *(["--on", *on] if on else [])])


def sentences(folder: Path) -> list[str]:
    return list(RolesOfAStudy.of(load_study(folder)).sentences())


def test_nothing_recorded_is_said_and_not_inferred_from_the_freeze(study: Path) -> None:
    freeze(study, "Q1", NOW)
    assert sentences(study) == [f"Plan {role}: not recorded." for role in ("prepared", "reviewed", "approved")]
    roles = RolesOfAStudy.of(load_study(study))
    assert plan_signatures(roles)[0] == ("Prepared (plan: not recorded)", "")
    assert [block.text for block in _roles(roles) if isinstance(block, Paragraph)] == [
        "Plan prepared, reviewed, approved: not recorded."
    ]
    assert judge_study(load_study(study), {}).results()["roles"] == []


def test_each_role_is_recorded_with_what_was_seen_and_chained(study: Path) -> None:
    assert record(study, "prepared", "Q1") == 0
    assert record(study, "reviewed", "S1") == 0
    with (study / RECORD).open(encoding="utf-8", newline="") as stream:
        head, *rows = csv.reader(stream)
    assert head == ["time", "by", "role", "on", "sha256", "chain"]
    plan = hashlib.sha256((study / "plan.yaml").read_bytes()).hexdigest()
    before = ""
    for row, (by, role) in zip(rows, [("Q1", "prepared"), ("S1", "reviewed")], strict=True):
        assert row[1:5] == [by, role, "plan", plan]
        before = hashlib.sha256(json.dumps([before, *row[:5]], ensure_ascii=False).encode("utf-8")).hexdigest()
        assert row[5] == before  # the chain written out again, with the standard library alone


def test_what_check_the_cover_the_chapter_and_the_results_show(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for role, by in (("prepared", "Q1"), ("reviewed", "S1")):
        record(study, role, by)
    freeze(study, "Q1", NOW.replace(year=2099))
    capsys.readouterr()
    assert main(["check", str(study)]) == 0
    out = capsys.readouterr().out
    time = read_roles(study).entries[0].when_text
    assert f"Plan prepared: Q1, {time}." in out
    assert "Plan approved: not recorded." in out
    assert main(["check", str(study), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)["roles"]
    loaded = load_study(study)
    roles = RolesOfAStudy.of(loaded)
    assert plan_signatures(roles)[0] == (f"Prepared (plan: Q1, {time})", "")  # the dossier itself stays unsigned
    assert plan_signatures(roles)[2] == ("Approved (plan: not recorded)", "")
    table, absent = _roles(roles)
    assert isinstance(table, Table)
    assert [row[:2] for row in table.rows] == [("prepared", "Q1"), ("reviewed", "S1")]
    assert table.rows[0][3] == "plan, frozen as No. 1"
    assert isinstance(absent, Paragraph)
    assert absent.text == "Plan approved: not recorded."
    results = judge_study(loaded, evaluate(loaded)).results()["roles"]
    assert results == shown
    assert {name: results[0][name] for name in ("role", "by", "on", "frozen")} == {
        "role": "prepared",
        "by": "Q1",
        "on": "plan",
        "frozen": 1,
    }


def test_one_person_in_two_roles_is_said_and_not_forbidden(study: Path) -> None:
    assert [record(study, role, "Q1") for role in ("prepared", "approved")] == [0, 0]
    assert "Q1 prepared and approved the plan." in sentences(study)
    record(study, "approved", "S1")  # the later one holds
    assert not any("Q1 prepared and" in text for text in sentences(study))


def test_a_person_whom_the_plan_does_not_name_is_said(study: Path) -> None:
    record(study, "reviewed", "Z9")
    assert "Z9 has a role, and the plan does not name Z9 among its people." in sentences(study)


def test_a_role_for_another_plan_than_the_frozen_one_is_said(study: Path) -> None:
    record(study, "prepared", "Q1")
    first = read_roles(study).entries[0].sha256[:12]
    plan = study / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("limit: 0.18", "limit: 0.2"), encoding="utf-8")
    freeze(study, "Q1", NOW)
    assert f"Q1 prepared a plan that was never frozen, SHA-256 {first}, not the plan as it is frozen now." in sentences(
        study
    )
    plan.write_text(plan.read_text(encoding="utf-8").replace("limit: 0.2}", "limit: 0.3}"), encoding="utf-8")
    plan.write_text(plan.read_text(encoding="utf-8") + "# one more line\n", encoding="utf-8")
    record(study, "prepared", "Q1")
    assert main(["freeze", str(study), "--by", "Q1", "--reason", "agreed"]) == 0
    assert not any("as it is frozen now" in text for text in sentences(study))


def test_a_role_after_the_freeze_is_said(study: Path) -> None:
    freeze(study, "Q1", NOW.replace(year=2020))
    record(study, "approved", "S1")
    (text,) = (text for text in sentences(study) if "after it was frozen" in text)
    assert text.startswith("S1 approved the plan on ")
    assert text.endswith("after it was frozen on 2020-07-06 09:00+00:00.")


def test_a_dossier_is_approved_by_its_manifest(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = study / "dossiers" / "001"
    copy_inputs(load_study(study), place / "inputs")
    (place / "manifest.json").write_text("{}\n", encoding="utf-8")
    assert record(study, "approved", "S1", "dossier", "1") == 0
    entry = read_roles(study).entries[0]
    assert (entry.on, entry.sha256) == ("dossier 001", hashlib.sha256(b"{}\n").hexdigest())
    assert record(study, "reviewed", "S1", "dossier", "001") == 0
    assert "S1 reviewed and approved dossier 001." in sentences(study)
    assert sentences(study)[2] == "Plan approved: not recorded."
    assert record(study, "approved", "S1", "dossier", "7") == 2
    assert "no dossier 7" in capsys.readouterr().err
    assert record(study, "approved", "S1", "report", "7") == 2
    assert '--on takes "dossier"' in capsys.readouterr().err
    assert record(study, "approved", "  ") == 2
    assert "Name the person" in capsys.readouterr().err


def test_an_edited_or_lost_record_of_roles_ends_with_1(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record(study, "prepared", "Q1")
    record(study, "approved", "S1")
    copy_inputs(load_study(study), study / "dossiers" / "001" / "inputs")
    path = study / RECORD
    raw = path.read_text(encoding="utf-8")
    path.write_text(raw.replace(",S1,", ",Q1,"), encoding="utf-8")
    assert main(["check", str(study)]) == 1
    out = capsys.readouterr().out
    assert "history/roles.csv, row 3: it does not follow from the entry before" in out
    assert "no longer holds what an earlier dossier holds: S1 approved plan" in out
    assert record(study, "reviewed", "Q1") == 2
    path.unlink()
    assert main(["check", str(study)]) == 1
    assert "history/roles.csv is gone; earlier dossiers hold 2 entries" in capsys.readouterr().out
    inputs = study.parent / "inputs"
    copy_inputs(load_study(study), inputs)
    assert any("history/roles.csv is gone" in text for text in _silent(load_study(inputs)))
    path.write_text("time,by\n", encoding="utf-8")
    assert main(["check", str(study)]) == 2
    assert "The record of roles cannot be read." in capsys.readouterr().err
    path.write_text(raw, encoding="utf-8")
    assert main(["check", str(study)]) == 0
