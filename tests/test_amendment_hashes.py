"""amendments.csv only grows: a row that was seen and is gone, changed or moved is told, and nothing is lost by it."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from study_folder import amend, write_study

from validation.cli import main
from validation.faults import Refusal
from validation.judging.outcomes import evaluate, judge_study
from validation.study.history.amendments import RECORD, read_amendments, recorded_with
from validation.study.history.readings import record_readings
from validation.study.load import load_study, read_study

NOW = datetime(2026, 7, 6, 9, 0, tzinfo=UTC)
READINGS = ("P-003", "P-004", "P-005")


def rows_of(path: Path) -> list[list[str]]:
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))


def write_rows(path: Path, rows: list[list[str]]) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8")


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A correction, then two exclusions."""
    folder = write_study(tmp_path / "study")
    amend(folder, READINGS[0], "correction", "result", "4.50")
    amend(folder, READINGS[1])
    amend(folder, READINGS[2])
    return folder


def told(folder: Path) -> list[str]:
    return [loss.short for loss in load_study(folder).lost_amendments]


def test_each_amendment_is_recorded_as_it_is_appended_chained_to_the_one_before(study: Path) -> None:
    head, *recorded = rows_of(study / RECORD)
    assert [row[:-1] for row in recorded] == rows_of(study / "amendments.csv")[1:]
    assert head[-1] == "sha256"
    before = ""
    for row in recorded:  # the chain written out again, with the standard library alone
        text = json.dumps([before, row[:-1]], ensure_ascii=False)
        before = hashlib.sha256(text.encode("utf-8")).hexdigest()
        assert row[-1] == before


def test_what_stands_as_first_seen_is_no_loss_and_recorded_once(study: Path) -> None:
    raw = (study / RECORD).read_bytes()
    assert told(study) == []
    assert recorded_with(study, read_amendments(study)[0]) == {}
    record_readings(load_study(study))
    assert (study / RECORD).read_bytes() == raw


def test_amendments_that_no_record_knows_are_taken_at_first_sight(study: Path) -> None:
    shutil.rmtree(study / "history")
    assert told(study) == []
    record_readings(load_study(study))
    assert [row[0] for row in rows_of(study / RECORD)[1:]] == ["1", "2", "3"]


def test_a_row_taken_out_and_the_rest_renumbered_is_told_in_full(study: Path) -> None:
    path = study / "amendments.csv"
    head, _, *rest = rows_of(path)
    write_rows(path, [head, *([str(number), *row[1:]] for number, row in enumerate(rest, start=1))])
    loaded = load_study(study)
    assert loaded.experiments["precision"].readings[2].values["result"] == "4.05"  # the slip is back
    assert told(study) == ["amendment 1 is gone", "amendments 2 and 3 are now numbers 1 and 2"]
    gone = loaded.lost_amendments[0].text
    for part in ("P-003", "column result", "4.05 to 4.50", "by A1", "2026-07-06T09:00:00+00:00"):
        assert part in gone
    assert loaded.warnings[0].startswith("amendments.csv may only grow")
    assert "Restore these rows" in loaded.warnings[3]
    # Nothing is refused, the next look still knows it, and the conclusion does not come out untouched.
    record_readings(loaded)
    assert told(study) == ["amendment 1 is gone", "amendments 2 and 3 are now numbers 1 and 2"]
    conclusion = judge_study(loaded, evaluate(loaded)).conclusion
    assert conclusion.restrictions[0].startswith("amendments.csv is incomplete: amendment 1 is gone")
    assert conclusion.restrictions[0] in conclusion.text
    assert conclusion.outcome != "fit"


def test_restored_rows_heal_it(study: Path) -> None:
    path = study / "amendments.csv"
    raw = path.read_bytes()
    head, *rows = rows_of(path)
    write_rows(path, [head, rows[0], [*rows[1][:-1], "another reason"]])
    assert told(study) == ["amendment 3 is gone", "amendment 2 was changed"]
    record_readings(load_study(study))
    path.write_bytes(raw)
    assert told(study) == []


@pytest.mark.parametrize(
    ("column", "text", "said"),
    [(8, "4.60", "new 4.50 became 4.60"), (2, "A2", "by A1 became A2"), (1, "2026-07-05", "became 2026-07-05")],
)
def test_a_changed_row_is_told_cell_by_cell(study: Path, column: int, text: str, said: str) -> None:
    path = study / "amendments.csv"
    rows = rows_of(path)
    rows[1][column] = text
    write_rows(path, rows)
    (loss,) = load_study(study).lost_amendments
    assert loss.short == "amendment 1 was changed"
    assert said in loss.text


def test_rows_in_another_order_and_rows_put_before_others_are_told(study: Path) -> None:
    path = study / "amendments.csv"
    head, *rows = rows_of(path)
    write_rows(path, [head, rows[1], rows[0], rows[2]])
    assert told(study) == ["amendment 2 was moved"]
    new = ["4", *rows[1][1:5], "P-006", *rows[1][6:]]
    write_rows(path, [head, rows[0], new, *rows[1:]])
    (loss,) = load_study(study).lost_amendments
    assert loss.short == "amendment 4 was moved"
    assert "before amendment 3, which was made earlier" in loss.text


def test_another_amendment_under_the_number_of_one_that_is_gone_is_not_that_one(study: Path) -> None:
    path = study / "amendments.csv"
    head, *rows = rows_of(path)
    write_rows(path, [head, *rows[:2], ["3", "2026-07-08", "A2", "exclusion", rows[2][4], "P-009", *rows[2][6:]]])
    assert told(study) == ["amendment 3 is gone"]


def test_the_whole_file_gone_is_told(study: Path) -> None:
    (study / "amendments.csv").unlink()
    assert told(study) == ["amendment 1 is gone", "amendment 2 is gone", "amendment 3 is gone"]


def test_the_newest_dossier_is_asked_where_the_record_is_gone_too(study: Path) -> None:
    inputs = study / "dossiers" / "002" / "inputs"
    inputs.mkdir(parents=True)
    shutil.copy(study / "amendments.csv", inputs)
    shutil.rmtree(study / "history")
    rows = rows_of(study / "amendments.csv")
    write_rows(study / "amendments.csv", [rows[0], *rows[2:]])
    assert told(study) == ["amendment 1 is gone"]
    # From then on the study knows it by itself, and so does the copy of it that a dossier keeps.
    record_readings(load_study(study))
    shutil.rmtree(study / "dossiers")
    assert told(study) == ["amendment 1 is gone"]


def test_a_dossier_with_its_own_record_hands_on_what_that_had_seen(study: Path) -> None:
    path = study / "amendments.csv"
    raw = path.read_bytes()
    rows = rows_of(path)
    write_rows(path, [rows[0], *rows[2:]])
    inputs = study / "dossiers" / "001" / "inputs"
    shutil.copytree(study / "history", inputs / "history")
    shutil.copy(path, inputs)
    shutil.rmtree(study / "history")
    assert told(study) == ["amendment 1 is gone"]
    path.write_bytes(raw)
    assert told(study) == []


def test_a_record_that_was_edited_is_told(study: Path) -> None:
    path = study / RECORD
    rows = rows_of(path)
    write_rows(path, [rows[0], rows[1], rows[3]])
    assert told(study) == ["the record of amendments was edited"]
    path.write_text("number,when\n1,2\n", encoding="utf-8")
    assert told(study) == ["the record of amendments cannot be read"]
    record_readings(load_study(study))
    assert path.read_text(encoding="utf-8") == "number,when\n1,2\n"  # never written over


def test_nothing_is_appended_to_a_register_that_is_not_whole(study: Path) -> None:
    path = study / "amendments.csv"
    write_rows(path, rows_of(path)[:3])
    raw = path.read_bytes()
    with pytest.raises(Refusal, match=r"amendment 3 is gone.*Restore"):
        amend(study, "P-006")
    assert path.read_bytes() == raw


def test_a_row_that_is_gone_is_named_where_its_absence_is_a_fault(study: Path) -> None:
    amend(study, READINGS[0], "correction", "result", "4.06")
    path = study / "amendments.csv"
    rows = rows_of(path)
    write_rows(path, [rows[0], *rows[2:]])  # the second correction quotes what the first has made
    _, faults = read_study(study)
    assert "Amendment 1 is gone" in str(faults[0])
    assert any("no longer matches" in str(fault) for fault in faults)


def test_check_says_so_and_answers_no(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = study / "amendments.csv"
    write_rows(path, rows_of(path)[:3])
    assert main(["check", str(study)]) == 1
    out = capsys.readouterr().out
    assert "Amendments removed, changed or moved" in out
    assert "Amendment 3 is gone" in out
    assert "No fault found" not in out
    assert main(["check", str(study), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["lost_amendments"][0]["short"] == "amendment 3 is gone"
