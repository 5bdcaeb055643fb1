"""amendments.csv: applied on reading, originals kept, appended and never edited."""

from datetime import UTC, datetime
from decimal import Decimal

import pytest
from study_folder import PRECISION, amend, write_study

from validation.faults import Refusal
from validation.study.history.amendments import append, read_amendments
from validation.study.history.applying import amendment_for
from validation.study.history.plan_lock import (
    freeze,
    kept_plan,
    plan_amendment,
    plan_sha256,
    read_lock,
    record_plan_change,
)
from validation.study.history.readings import changed_readings, record_readings
from validation.study.load import current_states, load_study, read_study

HEAD = "number,time,by,kind,file,reading,column,old,new,reason\n"
NOW = datetime(2026, 7, 6, 9, 0, tzinfo=UTC)
FILE = "worksheets/precision.csv"


def with_amendments(folder, *rows):
    write_study(folder)
    (folder / "amendments.csv").write_text(HEAD + "".join(row + "\n" for row in rows), encoding="utf-8")
    return folder


def test_a_correction_is_applied_and_the_original_kept(tmp_path):
    folder = with_amendments(
        tmp_path, f'1,2026-07-06T09:00Z,A1,correction,{FILE},P-003,result,4.05,4.50,"typed, wrong"'
    )
    study = load_study(folder)
    data = study.experiments["precision"]
    reading = data.readings[2]
    assert (reading.written["result"], reading.values["result"]) == ("4.05", "4.50")
    assert data.decimals("result")[2] == Decimal("4.50")
    assert study.amendments[0]["reason"] == "typed, wrong"
    assert "4.05" in (folder / FILE).read_text(encoding="utf-8")


def test_a_second_correction_quotes_the_first(tmp_path):
    row = f"1,2026-07-06T09:00Z,A1,correction,{FILE},P-003,result,4.05,4.50,a"
    again = f"2,2026-07-07T09:00Z,A1,correction,{FILE},P-003,result,{{}},4.06,b"
    assert (
        load_study(with_amendments(tmp_path, row, again.format("4.5"))).experiments["precision"].table["result"][2]
        == 4.06
    )
    _, (fault,) = read_study(with_amendments(tmp_path, row, again.format("4.05")))
    assert (fault.file, fault.row, fault.column, fault.value, fault.expected) == (
        "amendments.csv",
        3,
        "old",
        "4.05",
        "4.50",
    )
    assert "no longer matches" in str(fault)


def test_the_old_value_may_be_quoted_with_its_decimal_comma(tmp_path):
    folder = with_amendments(tmp_path, f'1,2026-07-06T09:00Z,A1,correction,{FILE},P-003,result,"4,05",4.50,a')
    write_study(folder, {"precision": PRECISION.replace(",", ";").replace(".", ",")})
    assert load_study(folder).experiments["precision"].table["result"][2] == 4.5


def test_a_correction_mends_a_text_in_a_numeric_column(tmp_path):
    folder = with_amendments(tmp_path, f"1,2026-07-06T09:00Z,A1,correction,{FILE},P-003,result,4.O5,4.05,letter O")
    write_study(folder, {"precision": PRECISION.replace("4.05", "4.O5")})
    assert load_study(folder).experiments["precision"].table["result"][2] == 4.05


def test_an_excluded_reading_is_left_out_with_its_reason_and_can_come_back(tmp_path):
    out = f"1,2026-07-06T09:00Z,A1,exclusion,{FILE},P-003,,,,vial leaked"
    data = load_study(with_amendments(tmp_path, out)).experiments["precision"]
    assert (data.readings[2].status, data.readings[2].reason) == ("excluded", "vial leaked")
    assert len(data.table) == 11
    assert "1 reading excluded by amendment: P-003." in data.notes
    back = f"2,2026-07-07T09:00Z,A1,reinstatement,{FILE},P-003,,,,it was another vial"
    data = load_study(with_amendments(tmp_path, out, back)).experiments["precision"]
    assert data.readings[2].status == "used"
    assert len(data.table) == 12


def test_an_exclusion_excuses_an_empty_reading(tmp_path):
    folder = with_amendments(tmp_path, f"1,2026-07-06T09:00Z,A1,exclusion,{FILE},P-003,,,,vial broke")
    write_study(folder, {"precision": PRECISION.replace("4.05", "")})
    assert len(load_study(folder).experiments["precision"].table) == 11


@pytest.mark.parametrize(
    ("row", "column", "found", "said"),
    [
        ("1,2026-07-06,A1,correction,{file},P-033,result,4.05,4.5,a", "reading", "P-033", "Write P-003."),
        ("1,2026-07-06,A1,correction,{file},P-003,results,4.05,4.5,a", "column", "results", "Write result."),
        ("1,2026-07-06,A1,correction,{file},P-003,reading,P-003,P-1,a", "column", "reading", "cannot be corrected"),
        ("1,2026-07-06,A1,correction,{file},P-003,result,4.06,4.5,a", "old", "4.06", "no longer matches"),
        ('1,2026-07-06,A1,correction,{file},P-003,result,4.05,"4,5",a', "new", "4,5", "Write 4.5."),
        (
            "1,2026-07-06,A1,correction,{file},P-003,time,2026-07-01T08:20,noon,a",
            "new",
            "noon",
            "The time cannot be read",
        ),
        ("1,2026-07-06,A1,correction,worksheets/x.csv,P-003,result,4.05,4.5,a", "file", "worksheets/x.csv", FILE),
        ("1,2026-07-06,A1,corection,{file},P-003,result,4.05,4.5,a", "kind", "corection", "Write correction."),
        ("1,2026-07-06,A1,correction,{file},P-003,result,4.05,4.5,", "reason", "an empty cell", "Give the reason"),
        ("1,2026-07-06,,correction,{file},P-003,result,4.05,4.5,a", "by", "an empty cell", "Give the name"),
        ("1,6.7.2026,A1,correction,{file},P-003,result,4.05,4.5,a", "time", "6.7.2026", "ISO 8601"),
        ("x,2026-07-06,A1,correction,{file},P-003,result,4.05,4.5,a", "number", "x", "whole number"),
        ("1,2026-07-06,A1,exclusion,{file},,,,,a", "reading", "an empty cell", "identifier"),
        ("1,2026-07-06,A1,reinstatement,{file},P-003,,,,a", "kind", "reinstatement", "not excluded"),
    ],
)
def test_a_wrong_amendment_is_refused(tmp_path, row, column, found, said):
    _, (fault,) = read_study(with_amendments(tmp_path, row.format(file=FILE)))
    assert (fault.file, fault.row, fault.column, fault.value) == ("amendments.csv", 2, column, found)
    assert said in str(fault)


def test_a_row_of_another_width_and_another_heading_are_refused(tmp_path):
    _, (fault,) = read_study(with_amendments(tmp_path, "1,2026-07-06,A1,exclusion,x,P-003,,,,a, b"))
    assert (fault.row, fault.value, fault.expected) == (2, "11 cells", "10 cells")
    (tmp_path / "amendments.csv").write_text("number,when\n")
    _, (fault,) = read_study(tmp_path)
    assert (fault.row, fault.value) == (1, "number,when")


def test_a_number_twice_is_refused(tmp_path):
    one, two = (f"1,2026-07-06,A1,exclusion,{FILE},{name},,,,a" for name in ("P-003", "P-004"))
    _, (fault,) = read_study(with_amendments(tmp_path, one, two))
    assert (fault.row, fault.column) == (3, "number")


def test_amendments_are_appended_and_nothing_before_is_touched(tmp_path):
    folder = write_study(tmp_path)
    amend(folder, "P-003", "correction", "result", "4.50")
    first = (folder / "amendments.csv").read_bytes()
    made = amend(folder, "P-003", "correction", "result", "4.06")
    assert (made.number, made.old) == (2, "4.50")
    amend(folder, "P-004", "exclusion")
    assert (folder / "amendments.csv").read_bytes().startswith(first)
    assert [item.kind for item in read_amendments(folder)[0]] == ["correction", "correction", "exclusion"]
    assert load_study(folder).experiments["precision"].readings[2].values["result"] == "4.06"


def test_a_file_without_a_last_line_end_is_appended_to_whole(tmp_path):
    folder = write_study(tmp_path)
    amend(folder, "P-003", "exclusion")
    path = folder / "amendments.csv"
    path.write_bytes(path.read_bytes().rstrip(b"\n"))
    amend(folder, "P-004", "exclusion")
    assert [item.reading for item in read_amendments(folder)[0]] == ["P-003", "P-004"]


def test_an_amendment_made_for_another_state_is_refused(tmp_path):
    folder = write_study(tmp_path)
    stale = amend(folder, "P-003", "exclusion")
    with pytest.raises(Refusal, match="changed in the meantime"):
        append(folder, stale)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("P-033", "exclusion"), "P-003"),
        (("P-003", "correction", "result", "4.050"), "nothing would change"),
        (("P-003", "correction", "result", "4.O"), "not a number"),
        (("P-003", "correction", "weight", "1"), "no such column"),
        (("P-003", "reinstatement"), "not excluded"),
    ],
)
def test_an_amendment_that_cannot_be_is_refused(tmp_path, arguments, said):
    folder = write_study(tmp_path)
    with pytest.raises(Refusal, match=said):
        amend(folder, *arguments)
    assert not (folder / "amendments.csv").exists()


def test_a_plan_amendment_keeps_both_versions(tmp_path):
    folder = write_study(tmp_path)
    with pytest.raises(Refusal, match="never frozen"):
        plan_amendment(folder, by="QM", reason="a", now=NOW)
    freeze(folder, "QM", NOW)
    with pytest.raises(Refusal, match="has not changed"):
        plan_amendment(folder, by="QM", reason="a", now=NOW)
    old = (folder / "plan.yaml").read_bytes()
    (folder / "plan.yaml").write_bytes(old.replace(b"limit: 0.18", b"limit: 0.2"))
    made = plan_amendment(folder, by="QM", reason="rounded", now=NOW)
    record_plan_change(folder, made, now=NOW)
    assert kept_plan(folder, made.old).read_bytes() == old
    assert kept_plan(folder, made.new).read_bytes() == (folder / "plan.yaml").read_bytes()
    assert made.new == plan_sha256(folder)
    assert [entry.amendment for entry in read_lock(folder)[0]] == [None, 1]
    assert load_study(folder).amendments[0]["kind"] == "plan"


def test_an_amendment_may_be_looked_at_before_it_is_written_or_left_out(tmp_path):
    folder = write_study(tmp_path)
    made = amendment_for(
        current_states(folder), number=1, reading="P-003", kind="exclusion", by="A1", reason="x", now=NOW
    )
    assert len(load_study(folder, added=[made]).experiments["precision"].table) == 11
    assert len(load_study(folder).experiments["precision"].table) == 12
    append(folder, made)
    assert len(load_study(folder, left_out=[1]).experiments["precision"].table) == 12


def test_a_worksheet_that_changes_without_an_amendment_is_told_row_by_row(tmp_path):
    folder = write_study(tmp_path, {"precision": PRECISION.replace("4.00,", ",")})
    study = load_study(folder, draft=True)
    assert record_readings(study) == 11  # the reading without a result is not there yet
    assert changed_readings(study) == ()
    write_study(folder, {"precision": PRECISION.replace("4.05", "4.50").replace("P-012,4,3", "P-012,4,3")})
    study = load_study(folder)
    assert record_readings(study) == 1
    (change,) = changed_readings(study)
    assert (change.file, change.row, change.reading, change.column) == (FILE, 4, "P-003", "result")
    assert (change.old, change.new) == ("4.05", "4.50")
    assert "without an amendment" in str(change)


def test_a_row_that_is_gone_is_told_and_a_new_empty_column_is_not(tmp_path):
    folder = write_study(tmp_path)
    record_readings(load_study(folder))
    lines = PRECISION.splitlines()
    text = "\n".join([lines[0] + ",note", *(line + "," for line in lines[1:-1])])
    study = load_study(write_study(folder, {"precision": text}))
    (change,) = changed_readings(study)
    assert (change.reading, change.row) == ("P-012", None)
    assert "gone" in str(change)


def test_an_amendment_is_no_change_of_the_worksheet(tmp_path):
    folder = write_study(tmp_path)
    record_readings(load_study(folder))
    amend(folder, "P-003", "correction", "result", "4.50")
    assert changed_readings(load_study(folder)) == ()
