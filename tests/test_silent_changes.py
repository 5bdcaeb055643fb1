"""A change that no amendment records is told wherever the study is read, until a person answers for it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from study_folder import NOW, PRECISION, amend, write_study

from validation.cli import main
from validation.dossier.manifest import sha256
from validation.dossier.opening import silent_changes
from validation.dossier.raw_data import Listing, _happened, _rows_gone
from validation.dossier.verify import _silent
from validation.faults import Refusal
from validation.judging.outcomes import evaluate, judge_study
from validation.running.run import copy_inputs
from validation.study.history.amendments import read_amendments
from validation.study.history.plan_lock import freeze
from validation.study.history.readings import record_readings
from validation.study.load import load_study
from validation.study.model import Study

SHEET = "worksheets/precision.csv"
READINGS, AMENDMENTS, FILES = "history/readings.csv", "history/amendments.csv", "history/files.csv"


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """Frozen, read, amended twice, and with one dossier's inputs."""
    folder = write_study(tmp_path / "study")
    freeze(folder, "Q1", NOW)
    record_readings(load_study(folder))
    amend(folder, "P-003", "correction", "result", "4.15")
    amend(folder, "P-005")
    record_readings(load_study(folder))
    copy_inputs(load_study(folder), folder / "dossiers" / "001" / "inputs")
    return folder


def replaced(folder: Path, old: str, new: str, file: str = SHEET) -> None:
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def handed_over(folder: Path, place: Path) -> Study:
    """The study as a dossier of it holds it, without the dossiers before."""
    shutil.rmtree(place, ignore_errors=True)
    copy_inputs(load_study(folder), place)
    return load_study(place)


def edited(folder: Path) -> None:
    replaced(folder, "P-002,2,1,2.07,", "P-002,2,1,2.05,")


def row_deleted(folder: Path) -> None:
    replaced(folder, "P-002,2,1,2.07,2026-07-01T08:10\n", "")


def amendment_deleted(folder: Path) -> None:
    path = folder / "amendments.csv"
    path.write_text("".join(path.read_text(encoding="utf-8").splitlines(keepends=True)[:2]), encoding="utf-8")


def amendment_edited(folder: Path) -> None:
    replaced(folder, "4.05,4.15", "4.05,4.25", "amendments.csv")


def history_gone(folder: Path) -> None:
    shutil.rmtree(folder / "history")


def file_gone(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def plan_changed(folder: Path) -> None:
    replaced(folder, "limit: 0.18", "limit: 0.28", "plan.yaml")


CASES = {
    "a reading": (edited, "P-002", 'P-002), column "result": 2.07 became 2.05 without an amendment'),
    "a row": (row_deleted, "P-002", "the row was there and is gone. It was: level 2; result 2.07; run 1; time 2026"),
    "the history": (history_gone, READINGS, "history/readings.csv is gone; earlier dossiers hold 12 entries"),
    "the record of readings": (file_gone(READINGS), READINGS, "history/readings.csv is gone"),
    "the record of amendments": (file_gone(AMENDMENTS), AMENDMENTS, "history/amendments.csv is gone"),
    "the list of files": (file_gone(FILES), FILES, "history/files.csv no longer lists what an earlier dossier lists"),
    "an amendment": (amendment_deleted, "amendment 2", "Amendment 2 is gone and no longer applied: exclusion of P-005"),
    "an edited amendment": (amendment_edited, "amendment 1", "Amendment 1 was changed, new 4.15 became 4.25"),
    "the lock": (file_gone("plan.lock"), "plan.lock", "plan.lock is gone, although the plan was frozen: dossier 001"),
    "the plan": (plan_changed, "", "plan.yaml was changed after it was frozen on 2026-07-06 09:00+00:00, without an"),
}


@pytest.mark.parametrize("case", CASES)
def test_each_is_told_by_check_page_1_the_conclusion_and_verify_until_acknowledged(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], case: str
) -> None:
    damage, name, sentence = CASES[case]
    damage(study)
    for _ in range(2):  # a second look does not heal it
        assert main(["check", str(study)]) == 1
        assert sentence in capsys.readouterr().out
    copied = handed_over(study, tmp_path / "inputs")
    assert any(sentence in problem for problem in _silent(copied))
    conclusion = judge_study(copied, evaluate(copied)).conclusion
    assert conclusion.outcome != "fit"
    assert conclusion.restrictions
    assert all(text in conclusion.text for text in conclusion.restrictions)
    assert any(name.removeprefix("amendment ") in text for text in conclusion.restrictions)
    if name:
        losses = [] if case.endswith("amendment") else silent_changes(copied)
        assert case.endswith("amendment") or any(sentence in line for line in losses)
        acknowledged(study, tmp_path, name, all_of=case == "the history")


def acknowledged(study: Path, tmp_path: Path, name: str, *, all_of: bool) -> None:
    """The exit code 1 ends; the restriction, the register and page 1 go on naming it."""
    names = [name]
    if all_of:
        kept = next((study / "dossiers" / "001" / "inputs" / "history").glob("plan-*.yaml"))
        names += [AMENDMENTS, f"history/{kept.name}"]
    for one in names:
        signed = ["--reason", "the disk was changed.", "--by", "Q1", "--yes"]
        assert main(["amend", str(study), "--acknowledge", one, *signed]) == 0
    assert main(["check", str(study)]) == 0
    assert main(["check", str(study)]) == 0
    copied = handed_over(study, tmp_path / "inputs")
    assert list(_silent(copied)) == []
    day = copied.amendments[-1]["time"][:10]
    conclusion = judge_study(copied, evaluate(copied)).conclusion
    said = [text for text in conclusion.restrictions if f"acknowledged by Q1 on {day}: the disk was changed." in text]
    assert len(said) == len(names)
    assert any(name in text for text in said)
    assert conclusion.outcome != "fit"
    assert set(said) <= set(silent_changes(copied))
    assert copied.amendments[-1]["kind"] == "acknowledgement"


def test_the_raw_row_is_marked_before_and_after_the_acknowledgement(study: Path) -> None:
    edited(study)

    def status() -> list[str]:
        loaded = load_study(study)
        data = loaded.experiments["precision"]
        listing = Listing(data.readings, _happened(loaded, [], data))
        assert listing.head[-1] == "Status"
        return [row[-1] for row in listing.rows]

    assert status()[1] == "changed without amendment: was 2.07"
    assert main(["amend", str(study), "--acknowledge", "P-002", "--reason", "r", "--by", "Q1", "--yes"]) == 0
    assert status()[1] == "changed without amendment, acknowledged: was 2.07"
    assert status()[2] == "now 4.15"


def test_a_row_that_is_gone_is_named_below_the_raw_data(study: Path) -> None:
    row_deleted(study)
    loaded = load_study(study)
    (said,) = _rows_gone(loaded, loaded.experiments["precision"])
    assert said.startswith("P-002: row gone without an amendment; it was: level 2; result 2.07")
    assert main(["amend", str(study), "--acknowledge", "P-002", "--reason", "r", "--by", "Q1", "--yes"]) == 0
    loaded = load_study(study)
    (said,) = _rows_gone(loaded, loaded.experiments["precision"])
    assert said.startswith("P-002: row gone, acknowledged; it was: level 2; result 2.07")
    row = loaded.amendments[-1]
    assert (row["file"], row["reading"], row["column"], row["new"]) == (SHEET, "P-002", "", "row gone")
    assert "result 2.07" in row["old"]


def test_a_further_change_needs_a_further_acknowledgement(study: Path) -> None:
    edited(study)
    signed = ["--reason", "r", "--by", "Q1", "--yes"]
    assert main(["amend", str(study), "--acknowledge", "P-002", *signed]) == 0
    replaced(study, "P-002,2,1,2.05,", "P-002,2,1,2.04,")
    assert main(["check", str(study)]) == 1
    assert main(["amend", str(study), "--acknowledge", "P-002", *signed]) == 0
    assert main(["check", str(study)]) == 0
    assert [(row.old, row.new) for row in read_amendments(study)[0][-2:]] == [("2.07", "2.05"), ("2.07", "2.04")]


def test_several_cells_of_a_reading_are_one_acknowledgement(study: Path) -> None:
    replaced(study, "P-002,2,1,2.07,2026-07-01T08:10", "P-002,2,3,2.05,2026-07-01T08:10")
    assert main(["amend", str(study), "--acknowledge", "P-002", "--reason", "r", "--by", "Q1", "--yes"]) == 0
    row = read_amendments(study)[0][-1]
    assert (row.column, row.old, row.new) == ("result; run", "2.07; 1", "2.05; 3")
    assert main(["check", str(study)]) == 0


def test_a_history_that_a_later_check_made_again_is_held_against_the_dossiers(study: Path) -> None:
    shutil.move(study / "dossiers", study.parent / "aside")
    history_gone(study)
    edited(study)
    (study / "plan.lock").unlink()
    (study / "amendments.csv").unlink()
    record_readings(load_study(study))  # nothing shows any more, so the record begins anew
    assert load_study(study).changes == ()
    shutil.move(study.parent / "aside", study / "dossiers")
    (change,) = load_study(study).changes
    assert (change.reading, change.old, change.new) == ("P-002", "2.07", "2.05")


def test_worksheets_of_a_dossier_without_any_record_are_compared(study: Path, tmp_path: Path) -> None:
    shutil.rmtree(study / "dossiers" / "001" / "inputs" / "history")
    history_gone(study)
    edited(study)
    (study / "plan.lock").unlink()
    (change,) = load_study(study).changes
    assert (change.reading, change.old, change.new) == ("P-002", "2.07", "2.05")
    assert [item.reading for item in handed_over(study, tmp_path / "inputs").changes] == ["P-002"]


@pytest.mark.parametrize(
    ("sheet", "reading"),
    [
        (PRECISION.replace("2.07", "2.05"), ["P-002"]),
        (PRECISION.replace("4.05", "4.15"), []),  # as the parent amended it
        (PRECISION.replace("2026-07", "2026-08"), []),  # readings of another month under the same identifiers
    ],
    ids=["changed", "amended there", "readings of its own"],
)
def test_a_worksheet_shared_with_the_parent_is_compared(
    study: Path, tmp_path: Path, sheet: str, reading: list[str]
) -> None:
    manifest = study / "dossiers" / "001" / "manifest.json"
    manifest.write_text("{}\n", encoding="utf-8")
    child = write_study(tmp_path / "child", {"precision": sheet})
    replaced(child, "  range:", f"  parent: {sha256(manifest)}\n  range:", "plan.yaml")
    freeze(child, "Q1", NOW)
    assert [change.reading for change in load_study(child).changes] == reading
    assert [change.reading for change in handed_over(child, tmp_path / "inputs").changes] == reading


def test_a_file_of_the_history_that_is_gone_shows_without_any_dossier(study: Path) -> None:
    shutil.rmtree(study / "dossiers")
    (study / READINGS).unlink()
    for _ in range(2):
        assert [loss.short for loss in load_study(study).lost_history] == ["history/readings.csv is gone"]
        record_readings(load_study(study))
    assert not (study / READINGS).exists()


def test_other_amendments_wait_for_the_acknowledgement(study: Path) -> None:
    amendment_deleted(study)
    with pytest.raises(Refusal, match="amendment 2 is gone"):
        amend(study, "P-006")
    signed = ["--reason", "r", "--by", "Q1", "--yes"]
    assert main(["amend", str(study), "--acknowledge", "amendments.csv", *signed]) == 0
    row = read_amendments(study)[0][-1]
    assert (row.number, row.column, row.new) == (3, "amendment 2", "amendment 2 is gone")
    assert row.old.startswith("exclusion of P-005, by A1 on 2026-07-06T09:00:00+00:00: see log")
    assert amend(study, "P-006").number == 4
    assert main(["check", str(study)]) == 0


def test_what_cannot_be_acknowledged_is_refused(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    signed = ["--reason", "r", "--by", "Q1", "--yes"]
    raw = (study / "amendments.csv").read_bytes()
    assert main(["amend", str(study), "--acknowledge", "P-001", *signed]) == 2
    assert "nothing to acknowledge of P-001. To be acknowledged: nothing." in capsys.readouterr().err
    assert main(["amend", str(study), "--acknowledge", "P-001", "--exclude", *signed]) == 2
    (study / "amendments.csv").unlink()
    assert main(["amend", str(study), "--acknowledge", "amendments.csv", *signed]) == 2
    assert 'one by one: "amendment 1", "amendment 2"' in capsys.readouterr().err
    (study / "amendments.csv").write_bytes(raw)
    assert main(["amend", str(study), "--acknowledge", "P-002", "--reason", " ", "--by", "Q1"]) == 2


def test_freezing_a_changed_plan_takes_a_reason(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan_changed(study)
    assert main(["freeze", str(study), "--by", "Q1"]) == 2
    assert '--reason "..."' in capsys.readouterr().err
    assert main(["freeze", str(study), "--by", "Q1", "--reason", "as agreed with the customer"]) == 0
    assert read_amendments(study)[0][-1].kind == "plan"
    assert main(["check", str(study)]) == 0


@pytest.mark.parametrize("shown_by", ["dossiers", "history"])
def test_freezing_without_the_lock_that_was_there_takes_a_reason(
    study: Path, capsys: pytest.CaptureFixture[str], shown_by: str
) -> None:
    before = json.loads((study / "plan.lock").read_text(encoding="utf-8"))["entries"][0]["sha256"]
    if shown_by == "history":
        shutil.rmtree(study / "dossiers")
    (study / "plan.lock").unlink()
    plan_changed(study)
    assert main(["freeze", str(study), "--by", "Q1"]) == 2
    err = capsys.readouterr().err
    assert "plan.lock is gone; it can be restored" in err
    assert '--reason "..."' in err
    assert main(["freeze", str(study), "--by", "Q1", "--reason", "the disk was changed"]) == 0
    row = read_amendments(study)[0][-1]
    assert (row.kind, row.old) == ("plan", before)
    assert main(["check", str(study)]) == 1  # the entries before are still gone
    assert main(["amend", str(study), "--acknowledge", "plan.lock", "--reason", "r", "--by", "Q1", "--yes"]) == 0
    assert main(["check", str(study)]) == 0
