"""What had expired on the day it was used stops the run, with the reading named; an impact note lifts it."""

import shutil

import pandas as pd
import pytest
from lot_records import RECORD, STANDARDS, lot_study

from validation import resources
from validation.cli import main
from validation.faults import Refusal, StudyDataError
from validation.study.history.amendments import read_amendments
from validation.study.history.readings import record_readings
from validation.study.load import current_items, load_study, read_study
from validation.study.validity import impact_amendment, lapses_of

HEAD = "number,time,by,kind,file,reading,column,old,new,reason\n"
SHEET, FILE = "worksheets/precision.csv", "standards/S-1.yaml"
# The readings of the small study are of 1, 2 and 3 July 2026.
EXPIRED_LOT = RECORD.replace("expires: 2026-09-20", "expires: 2026-07-01").replace("last_use: 2026-07-02\n", "")
EXPIRED_BALANCE = RECORD.replace("2026-12-31", "2026-05-31")


def note(folder, *rows):
    (folder / "amendments.csv").write_text(HEAD + "".join(row + "\n" for row in rows), encoding="utf-8")
    return folder


def impact(item, old, new, *, file=FILE, reading="", number=1):
    return f"{number},2026-07-06T09:00Z,Q1,impact,{file},{reading},{item},{old},{new},As found within 0.2 mg."


def equipment(*entries):
    return "equipment:\n" + "".join(f"  - {entry}\n" for entry in entries)


def test_all_in_date_says_nothing(tmp_path):
    study = load_study(lot_study(tmp_path))
    assert lapses_of(study) == []
    assert not [text for text in study.warnings if "expired" in text]


def test_an_expired_lot_stops_the_run_with_its_readings(tmp_path):
    _, (fault,) = read_study(lot_study(tmp_path, EXPIRED_LOT))
    assert (fault.file, fault.row, fault.reading, fault.column) == (SHEET, 6, "P-005", "lot")
    assert fault.reason == "Lot S-1 had expired when it was used (standards/S-1.yaml, expires)."
    assert fault.value == (
        "valid until 2026-07-01; bears on 8 readings (worksheets/precision.csv): the first is P-005 of 2026-07-02, "
        "worksheets/precision.csv row 6; the last is of 2026-07-03"
    )
    assert "--impact S-1 --until 2026-07-03" in fault.mend


def test_the_last_day_still_holds(tmp_path):
    # The last readings are of 3 July: a lot that expires on that day holds, one that expires the day before does not.
    last = EXPIRED_LOT.replace("expires: 2026-07-01", "expires: 2026-07-03")
    assert lapses_of(load_study(lot_study(tmp_path / "a", last))) == []
    _, (fault,) = read_study(lot_study(tmp_path / "b", last.replace("expires: 2026-07-03", "expires: 2026-07-02")))
    assert fault.reading == "P-009"


def test_the_expiry_of_the_plan_counts_as_well(tmp_path):
    plan = STANDARDS.replace("value: 5.0", "value: 5.0, expires: 2026-07-02")
    _, (fault,) = read_study(lot_study(tmp_path, plan=plan))
    assert (fault.reading, fault.row) == ("P-009", 10)
    assert "plan.yaml, standards, S-1, expires" in fault.reason


@pytest.mark.parametrize(
    ("entry", "reading", "words"),
    [
        ("{name: SAW-1, valid_until: 2026-07-02}", "P-009", "had expired"),
        ("{name: SAW-1, valid_from: 2026-07-02, valid_until: 2026-12-31}", "P-001", "did not hold yet"),
    ],
    ids=["after", "before"],
)
def test_an_instrument_outside_its_certificate_stops_the_run(tmp_path, entry, reading, words):
    _, (fault,) = read_study(lot_study(tmp_path, plan=equipment(entry)))
    assert (fault.file, fault.reading, fault.column) == (SHEET, reading, "instrument")
    assert words in fault.reason
    # Nothing later can cover what was used before its certificate began.
    assert ("impact note" in fault.mend) == (words == "had expired")


def test_successive_certificates_cover_together(tmp_path):
    first = "{name: SAW-1, valid_from: 2026-01-01, valid_until: 2026-07-01}"
    load_study(lot_study(tmp_path / "a", plan=equipment(first, "{name: SAW-1, valid_from: 2026-07-02}")))
    _, (fault,) = read_study(lot_study(tmp_path / "b", plan=equipment(first, "{name: SAW-1, valid_from: 2026-07-03}")))
    assert fault.value == (
        "valid from 2026-01-01 until 2026-07-01; bears on 4 readings (worksheets/precision.csv): the first is P-005 of "
        "2026-07-02, worksheets/precision.csv row 6"
    )


def test_other_instruments_and_undated_equipment_are_let_be(tmp_path):
    study = load_study(
        lot_study(tmp_path / "a", plan=equipment("{name: SAW-2, valid_until: 2020-01-01}", "{name: SAW-1}"))
    )
    assert lapses_of(study) == []
    assert not [text for text in study.warnings if "SAW" in text]
    # The same date at the instrument that was used is a fault.
    _, (fault,) = read_study(lot_study(tmp_path / "b", plan=equipment("{name: SAW-1, valid_until: 2020-01-01}")))
    assert fault.reading == "P-001"


def test_an_expired_certificate_of_a_balance_names_lot_and_readings(tmp_path):
    _, (fault,) = read_study(lot_study(tmp_path, EXPIRED_BALANCE))
    assert (fault.file, fault.row, fault.column) == (FILE, 9, "weighings[1].certificate_valid_until")
    assert "BAL-1 weighed lot S-1 on 2026-06-20" in fault.reason
    assert fault.value.startswith("valid until 2026-05-31; bears on 12 readings (worksheets/precision.csv)")
    assert "the first is P-001 of 2026-07-01, worksheets/precision.csv row 2" in fault.value
    assert "--impact BAL-1 --until 2026-06-20" in fault.mend


def test_the_day_of_a_weighing_is_that_of_making_unless_it_is_stated(tmp_path):
    _, (fault,) = read_study(lot_study(tmp_path / "a", EXPIRED_BALANCE))
    assert "BAL-1 weighed lot S-1 on 2026-06-20" in fault.reason  # the day of making
    earlier = EXPIRED_BALANCE.replace("2026-05-31}", "2026-05-31, date: 2026-05-30}")
    assert earlier.count("date: 2026-05-30") == 2
    assert lapses_of(load_study(lot_study(tmp_path / "b", earlier))) == []
    later = EXPIRED_BALANCE.replace("2026-05-31}", "2026-05-31, date: 2026-06-01}")
    _, (fault,) = read_study(lot_study(tmp_path / "c", later))
    assert "BAL-1 weighed lot S-1 on 2026-06-01" in fault.reason


def test_the_plan_speaks_for_a_balance_of_which_the_record_says_nothing(tmp_path):
    silent = RECORD.replace(", certificate: C-1, certificate_valid_until: 2026-12-31", "")
    load_study(lot_study(tmp_path / "a", silent))
    plan = STANDARDS + equipment("{name: BAL-1, certificate: C-1, valid_until: 2026-06-19}")
    _, (fault,) = read_study(lot_study(tmp_path / "b", silent, plan=plan))
    assert (fault.file, fault.column) == ("plan.yaml", "equipment, BAL-1, valid_until")
    lines = (tmp_path / "b" / "plan.yaml").read_text().splitlines()
    assert "BAL-1" in lines[fault.row - 1]
    # A record that names its certificate is not overruled by the plan's.
    load_study(lot_study(tmp_path / "c", RECORD, plan=plan))


def test_a_date_of_the_plan_that_cannot_be_read_is_a_fault(tmp_path):
    _, (fault,) = read_study(lot_study(tmp_path, plan=equipment('{name: SAW-1, valid_until: "30.6.2026"}')))
    assert (fault.file, fault.column, fault.value) == ("plan.yaml", "equipment, SAW-1, valid_until", "30.6.2026")
    assert "SAW-1" in (tmp_path / "plan.yaml").read_text().splitlines()[fault.row - 1]


def test_excluded_readings_and_those_without_a_date_are_not_looked_at(tmp_path):
    folder = lot_study(tmp_path / "a", EXPIRED_LOT)
    rows = [f"{i},2026-07-06T09:00Z,A1,exclusion,{SHEET},P-{i + 4:03d},,,,Lot had expired." for i in range(1, 9)]
    _, (fault,) = read_study(note(folder, *rows[:-1]))
    assert fault.reading == "P-012"  # the one reading of later than 1 July that still counts
    study = load_study(note(folder, *rows))
    assert lapses_of(study) == []
    assert sum(reading.status == "used" for reading in study.experiments["precision"].readings) == 4
    sheet = lot_study(tmp_path / "b", EXPIRED_LOT) / SHEET
    undated = [
        ",".join([*line.split(",")[:4], "", *line.split(",")[5:]]) for line in sheet.read_text().splitlines()[1:]
    ]
    sheet.write_text("\n".join([sheet.read_text().splitlines()[0], *undated]) + "\n")
    study = load_study(tmp_path / "b")
    assert lapses_of(study) == []
    assert {(reading.status, reading.time) for reading in study.experiments["precision"].readings} == {("used", None)}


# Impact notes ----------------------------------------------------------------------------------------------------


def test_an_impact_note_turns_the_fault_into_a_warning(tmp_path):
    folder = note(lot_study(tmp_path, EXPIRED_BALANCE), impact("BAL-1", "2026-05-31", "2026-06-25"))
    study = load_study(folder)
    assert study.warnings[0] == (
        "BAL-1: expired 2026-05-31; impact note 1 of 2026-07-06 by Q1: As found within 0.2 mg. "
        "Covered until 2026-06-25; concerns lot S-1, 12 readings."
    )
    (lapse,) = lapses_of(study)
    assert (lapse.lot, lapse.note.number, len(lapse.readings)) == ("S-1", 1, 12)
    assert study.amendments[0]["kind"] == "impact"


def test_a_note_covers_no_later_day(tmp_path):
    _, faults = read_study(note(lot_study(tmp_path, EXPIRED_LOT), impact("S-1", "2026-07-01", "2026-07-02")))
    (fault,) = faults
    assert fault.reading == "P-009"
    assert "bears on 4 readings (worksheets/precision.csv): the first is P-009 of 2026-07-03" in fault.value


def test_a_note_on_one_reading_covers_that_one(tmp_path):
    row = impact("S-1", "2026-07-01", "2026-07-09", reading="P-005")
    _, (fault,) = read_study(note(lot_study(tmp_path, EXPIRED_LOT), row))
    assert fault.reading == "P-006"
    assert "P-005" not in fault.value


def test_a_note_needs_the_date_that_stands_on_file(tmp_path):
    _, faults = read_study(note(lot_study(tmp_path, EXPIRED_BALANCE), impact("BAL-1", "2026-05-30", "2026-06-25")))
    of_note, of_use = sorted(faults, key=lambda fault: fault.file)
    assert (of_note.file, of_note.row, of_note.column, of_note.expected) == ("amendments.csv", 2, "old", "2026-05-31")
    assert of_use.file == FILE


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        (impact("BAL-9", "2026-12-31", "2027-06-25"), "column", "Write BAL-1"),
        (impact("BAL-1", "2026-12-31", "2027-06-25", file="plan.yaml"), "file", "Write standards/S-1.yaml"),
        (impact("", "2026-12-31", "2027-06-25"), "column", "name of the balance"),
        (impact("BAL-1", "", "2027-06-25"), "old", "2026-03-31"),
        (impact("BAL-1", "2026-12-31", "June"), "new", "2026-03-31"),
        (impact("BAL-1", "2026-12-31", "2026-12-31"), "new", "date up to which later evidence"),
        (impact("BAL-1", "2026-12-31", "2027-01-31", file=""), "file", "where the date is stated"),
    ],
)
def test_a_note_that_fits_nothing_is_refused(tmp_path, row, column, words):
    _, (fault,) = read_study(note(lot_study(tmp_path), row))
    assert (fault.file, fault.row, fault.column) == ("amendments.csv", 2, column)
    assert words in fault.mend


def test_a_record_with_faults_does_not_make_its_note_a_fault(tmp_path):
    folder = lot_study(tmp_path, EXPIRED_BALANCE.replace("purity: 0.999", "purity: 99.9"))
    _, (fault,) = read_study(note(folder, impact("BAL-1", "2026-05-31", "2026-06-25")))
    assert (fault.file, fault.column) == (FILE, "fuel.purity")


def test_the_command_writes_the_note(tmp_path, capsys):
    folder = lot_study(tmp_path, EXPIRED_BALANCE)
    call = ["amend", str(folder), "--impact", "BAL-1", "--until", "2026-06-25", "--by", "Q1", "--yes"]
    assert main([*call, "--reason", "As found within 0.2 mg"]) == 0
    told = capsys.readouterr().out
    assert "standards/S-1.yaml: BAL-1 expired 2026-05-31; covered until 2026-06-25 by later evidence" in told
    assert "is printed on page 1" in told
    assert "remain" not in told
    ((written,), faults) = read_amendments(folder)
    assert not faults
    assert (written.kind, written.file, written.column) == ("impact", FILE, "BAL-1")
    assert (written.old, written.new, written.by) == ("2026-05-31", "2026-06-25", "Q1")
    load_study(folder)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--impact", "BAL-7", "--until", "2026-06-25"], 'Did you mean "BAL-1"'),
        (["--impact", "BAL-1", "--until", "summer"], "--until needs a date"),
        (["--impact", "BAL-1", "--until", "2026-05-01"], "nothing needs to be covered"),
        (["--impact", "BAL-1"], "needs both"),
        (["--until", "2026-06-25"], "needs both"),
        (["--impact", "BAL-1", "--until", "2026-06-25", "--exclude"], "Name one change"),
    ],
)
def test_the_command_refuses_what_it_cannot_do(tmp_path, capsys, options, words):
    folder = lot_study(tmp_path, EXPIRED_BALANCE)
    assert main(["amend", str(folder), *options, "--reason", "r", "--by", "Q1", "--yes"]) == 2
    assert words in capsys.readouterr().err
    assert not (folder / "amendments.csv").exists()


def test_the_plan_is_named_before_a_record(tmp_path):
    from datetime import UTC, datetime

    plan = STANDARDS + equipment("{name: BAL-1, certificate: C-1, valid_until: 2026-05-31}")
    items, records = current_items(lot_study(tmp_path, EXPIRED_BALANCE, plan=plan))
    given = {"number": 1, "by": "Q1", "reason": "r", "now": datetime(2026, 7, 6, tzinfo=UTC)}
    made = impact_amendment(items, records, item="BAL-1", until="2026-06-25", **given)
    assert (made.file, made.old) == ("plan.yaml", "2026-05-31")
    with pytest.raises(Refusal, match="No expiry"):
        impact_amendment(items, {}, item="S-1", until="2026-06-25", **given)


def demo_with(tmp_path, old, new, lot="S-01"):
    """The demonstration study with one date of a lot record replaced."""
    folder = tmp_path / "study"
    shutil.copytree(resources.folder("demo_data") / "new-grade", folder)
    record_readings(load_study(folder))
    place = folder / "standards" / f"{lot}.yaml"
    text = place.read_text(encoding="utf-8")
    assert old in text
    place.write_text(text.replace(old, new), encoding="utf-8")
    return folder


def test_one_fault_tells_all_worksheets_and_the_one_date_that_covers_them(tmp_path):
    folder = demo_with(tmp_path, "expires: 2026-05-29", "expires: 2026-03-15")
    _, (fault,) = read_study(folder)
    # Counted in the worksheets themselves: dated readings of lot S-01 after 15 March 2026.
    late = {}
    for sheet in sorted((folder / "worksheets").glob("*.csv")):
        table = pd.read_csv(sheet, sep=None, engine="python", encoding="utf-8-sig")
        rows = table[(table["lot"] == "S-01") & (pd.to_datetime(table["time"]) >= "2026-03-16")]
        late[f"worksheets/{sheet.name}"] = len(rows)
    table = pd.read_excel(folder / "worksheets" / "reference.xlsx")
    rows = table[(table["lot"] == "S-01") & (pd.to_datetime(table["time"]) >= "2026-03-16")]
    late["worksheets/reference.xlsx"] = len(rows)
    late = {file: count for file, count in late.items() if count}
    assert len(late) > 5
    assert f"bears on {sum(late.values())} readings (" in fault.value
    for file, count in late.items():
        assert f"{count} in {file}" in fault.value
    assert "of 2026-03-16" in fault.value
    # The last reading of the lot is of 16 April: one note to that day covers all.
    assert fault.value.endswith("the last is of 2026-04-16")
    assert "--impact S-01 --until 2026-04-16" in fault.mend
    covered = "2026-07-06T09:00Z,Q1,impact,standards/S-01.yaml,,S-01,2026-03-15,2026-04-16,Read against S-03."
    with (folder / "amendments.csv").open("a", encoding="utf-8") as stream:
        stream.write(f"4,{covered}\n")
    assert read_study(folder)[1] == []


def test_an_expiry_that_was_changed_itself_is_told(tmp_path):
    _, (fault,) = read_study(demo_with(tmp_path, "expires: 2026-05-29", "expires: 2026-03-15"))
    assert (
        "The date itself was changed: it was 2026-05-29 when the record was first read (history/readings.csv)."
    ) in fault.reason
    # Where nothing earlier is known nothing is said.
    _, (fault,) = read_study(lot_study(tmp_path / "b", EXPIRED_LOT))
    assert "changed" not in fault.reason


def test_a_date_of_the_plan_that_was_another_when_frozen_is_told(tmp_path):
    entry = "{name: SAW-1, valid_until: 2026-12-31}"
    folder = lot_study(tmp_path, plan=equipment(entry))
    assert main(["freeze", str(folder), "--by", "Q1"]) == 0
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("2026-12-31", "2026-07-02"), encoding="utf-8")
    _, (fault,) = read_study(folder)
    assert "The date itself was changed: it was 2026-12-31 in the plan as frozen on " in fault.reason
    assert "(history/plan-" in fault.reason


def test_lots_weighed_under_one_expired_certificate_make_one_fault(tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(resources.folder("demo_data") / "new-grade", folder)
    rows = (folder / "amendments.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "amendments.csv").write_text("".join(rows[:3]), encoding="utf-8")
    _, (fault,) = read_study(folder)
    assert "BAL-2 weighed lots S-02 on 2026-04-14 and S-03 on 2026-04-15" in fault.reason
    assert "bears on 42 readings (worksheets/lots.csv)" in fault.value
    assert "--impact BAL-2 --until 2026-04-15" in fault.mend


def test_check_and_run_stop_alike(tmp_path, capsys):
    folder = lot_study(tmp_path, EXPIRED_LOT)
    assert [main([verb, str(folder)]) for verb in ("check", "run")] == [2, 2]
    assert capsys.readouterr().err.count("Lot S-1 had expired") == 2
    with pytest.raises(StudyDataError, match="P-005"):
        load_study(folder)


def test_a_lot_that_was_read_before_it_was_made_stops_the_study(tmp_path):
    # The first reading of the small study is of 2026-07-01.
    later = RECORD.replace("made: 2026-06-20", "made: 2026-07-15").replace("opened: 2026-06-20", "opened: 2026-07-10")
    later = later.replace("first_use: 2026-06-22\nlast_use: 2026-07-02\n", "")
    _, faults = read_study(lot_study(tmp_path, later))
    told = [str(fault) for fault in faults]
    assert any("Lot S-1 did not hold yet when it was used" in text and "2026-07-15" in text for text in told), told
