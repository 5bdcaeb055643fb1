"""Worksheets: what they hold once read, and every fault with file, row, column, found, expected, mend."""

import io
import re
import sys
import zipfile
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import openpyxl
import pytest
from counting import calls_in
from study_folder import PLAN, PRECISION, write_study

from validation.faults import StudyDataError
from validation.study.load import load_study, read_study, record_files, unused_files

FILE = "worksheets/precision.csv"


def faults_of(folder: Path):
    study, faults = read_study(folder)
    assert study is None
    return faults


def only_fault(folder: Path):
    (fault,) = faults_of(folder)
    return fault


def workbook(rows, *, before=(), hidden=False) -> bytes:
    book = openpyxl.Workbook()
    page = book.active
    for row in rows:
        page.append(row)
    if hidden:
        first = book.create_sheet("old", 0)
        first.append(["not", "this"])
        first.sheet_state = "hidden"
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


HEAD = ["reading", "level", "run", "result"]
ROWS = [["P-1", 2, 1, 2.01], ["P-2", 2, 1, 2.07], ["P-3", 2, 2, 1.99], ["P-4", 2, 2, 2.1]]


# ---- what is read


@pytest.mark.parametrize(
    "content",
    [
        PRECISION,
        "\ufeff" + PRECISION,
        PRECISION.replace("\n", "\r\n"),
        PRECISION.replace(",", ";"),
        PRECISION.replace(",", "\t"),
        PRECISION.replace(",", ";").replace(".", ","),
        PRECISION.replace("result", "result [%]"),
        PRECISION + "\n,,,,\n",
    ],
    ids=["comma", "byte order mark", "windows", "semicolon", "tab", "decimal comma", "unit", "empty rows"],
)
def test_every_kind_of_csv_gives_the_same_readings(tmp_path, content):
    data = load_study(write_study(tmp_path, {"precision": content})).experiments["precision"]
    assert list(data.table["reading"]) == [f"P-{number:03d}" for number in range(1, 13)]
    assert list(data.table["line"]) == list(range(2, 14))
    assert data.decimals("result")[:3] == [Decimal("2.01"), Decimal("2.07"), Decimal("4.05")]
    assert data.table["level"].dtype == float
    assert list(data.table["run"])[:5] == ["1", "1", "1", "1", "2"]


def test_the_decimals_are_those_that_were_written(tmp_path):
    # A resonant frequency of hundreds of MHz: a double keeps only part of what was written.
    sheet = "level,response\n1,433920000.000000001\n1,433920000.000000002\n2,1e-7\n"
    data = load_study(write_study(tmp_path, {"calibration": sheet})).experiments["calibration"]
    assert data.decimals("response")[1] - data.decimals("response")[0] == Decimal("1e-9")
    assert data.table["response"][0] == data.table["response"][1]


def test_a_workbook_is_read_from_its_first_visible_sheet(tmp_path):
    rows = [[*HEAD, "time", "day"], *[[*row, datetime(2026, 7, 1, 8, 30), date(2026, 7, 1)] for row in ROWS]]
    write_study(tmp_path, {"precision": workbook(rows, hidden=True)}, suffix=".xlsx")
    data = load_study(tmp_path).experiments["precision"]
    assert data.decimals("result") == [Decimal("2.01"), Decimal("2.07"), Decimal("1.99"), Decimal("2.1")]
    assert list(data.table["run"]) == ["1", "1", "2", "2"]
    assert data.readings[0].time == datetime(2026, 7, 1, 8, 30)
    assert not data.readings[0].time_is_a_date
    assert data.readings[0].values["day"] == "2026-07-01"
    assert [reading.line for reading in data.readings] == [2, 3, 4, 5]


def test_a_date_alone_is_known_as_one(tmp_path):
    write_study(tmp_path, {"precision": PRECISION.replace("T08:00", "")})
    reading = load_study(tmp_path).experiments["precision"].readings[0]
    assert reading.time == datetime(2026, 7, 1)
    assert reading.time_is_a_date


def test_the_time_zone_of_the_plan_is_given_to_bare_times(tmp_path):
    write_study(tmp_path, plan=PLAN.replace("  unit", "  time_zone: Europe/Berlin\n  unit"))
    assert load_study(tmp_path).experiments["precision"].readings[0].time.utcoffset().total_seconds() == 7200


def test_without_identifiers_file_and_line_name_a_reading(tmp_path):
    write_study(tmp_path, {"precision": "level,run,result\n2,1,2.01\n\n2,1,2.02\n"})
    assert list(load_study(tmp_path).experiments["precision"].table["reading"]) == [
        "precision.csv:2",
        "precision.csv:4",
    ]


def test_levels_that_are_labels_throughout_are_read(tmp_path):
    write_study(tmp_path, {"precision": PRECISION.replace(",4,", ",high,").replace(",2,", ",low,")})
    study = load_study(tmp_path)
    assert set(study.experiments["precision"].table["level"]) == {"high", "low"}
    assert any("The levels are labels" in text for text in study.warnings)


@pytest.mark.parametrize("word", ["four", "5%", "high", "4 %"])
def test_a_word_among_levels_that_are_numbers_is_refused_at_its_cell(tmp_path, word):
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION.replace("P-007,4", f"P-007,{word}")}))
    assert (fault.file, fault.row, fault.reading, fault.column, fault.value) == (FILE, 8, "P-007", "level", word)


def test_unknown_columns_are_kept_as_text(tmp_path):
    text = PRECISION.replace("time", "room [°C]").replace("2026-07-01T08:00", '"21,5"')
    table = load_study(write_study(tmp_path, {"precision": text})).experiments["precision"].table
    assert table["room [°C]"][0] == "21,5"


def test_a_column_that_is_empty_throughout_counts_as_absent(tmp_path):
    sheet = "reading,level,run,result,assigned,preparation,note\nP-1,2,1,2.0,,,\nP-2,2,1,2.1,,,dropped once\n"
    write_study(tmp_path, {"precision": sheet})
    table = load_study(tmp_path).experiments["precision"].table
    assert list(table) == ["reading", "line", "level", "run", "result", "note"]
    assert list(table["note"]) == ["", "dropped once"]


def test_spaces_and_umlauts_in_paths(tmp_path):
    folder = write_study(tmp_path / "Prüfung Öl 7 (neu)")
    (folder / "worksheets" / "precision.csv").rename(folder / "worksheets" / "Präzision 1.csv")
    plan = folder / "plan.yaml"
    plan.write_text(
        plan.read_text(encoding="utf-8").replace("worksheets/precision.csv", "worksheets/Präzision 1.csv"),
        encoding="utf-8",
    )
    assert load_study(folder).experiments["precision"].worksheet == "worksheets/Präzision 1.csv"


# ---- what is warned about


def test_censored_readings_are_left_out_and_counted(tmp_path):
    write_study(tmp_path, {"precision": PRECISION.replace("4.11", "<0.1").replace("4.02", "< 0.1")})
    study = load_study(tmp_path)
    data = study.experiments["precision"]
    assert [reading.reading for reading in data.censored] == ["P-007", "P-008"]
    assert len(data.table) == len(data.decimals("result")) == 10
    assert data.censored_at("level", 4.0) == 2
    assert any("2 censored readings are left out of every quantity: P-007, P-008." in text for text in study.warnings)


def test_censored_readings_with_a_decimal_comma(tmp_path):
    text = PRECISION.replace("4.11", "<0.1").replace(",", ";").replace(".", ",")
    write_study(tmp_path, {"precision": text})
    assert load_study(tmp_path).experiments["precision"].readings[6].values["result"] == "<0.1"


@pytest.mark.parametrize(
    ("experiment", "content", "said"),
    [
        ("precision", "level,run,result\n2,1,2.0\n2,1,2.1\n4,1,4.1\n4,1,4.0\n", "one run only"),
        ("precision", "level,run,result\n2,1,2.0\n2,1,2.1\n2,2,2.1\n2,2,2.0\n", "one level only"),
        ("precision", "level,run,result\n2,1,2.0\n2,2,2.1\n4,1,4.1\n4,2,4.0\n", "no replicates"),
        ("reproducibility", "laboratory,level,result\nA,2,2.0\nA,2,2.1\nA,4,4.0\nA,4,4.1\n", "one laboratory only"),
        (
            "comparison",
            "sample,method,result\nS1,candidate,1\nS1,reference,1\nS2,candidate,2\n",
            "1 sample measured by one method only, left out of the comparison: S2",
        ),
    ],
)
def test_thin_designs_are_warned_about(tmp_path, experiment, content, said):
    study = load_study(write_study(tmp_path, {experiment: content}))
    assert any(said in text for text in study.warnings), study.warnings


@pytest.mark.parametrize("content", ["reading,level,run,result\n", "reading,level,run,result\nP-1,2,1,\nP-2,2,2,\n"])
def test_a_worksheet_without_results_awaits_readings(tmp_path, content):
    study = load_study(write_study(tmp_path, {"precision": content}))
    assert study.experiments["precision"].awaiting
    assert study.ready("precision") is None
    assert any("Awaiting readings" in text for text in study.warnings)


def test_dates_in_the_future_are_warned_about(tmp_path):
    study = load_study(write_study(tmp_path), now=datetime(2026, 7, 3, 8, 15, tzinfo=UTC))
    assert not any("future" in text for text in study.warnings)  # 08:20 without a zone may be past somewhere
    write_study(tmp_path, {"precision": PRECISION.replace("2026-07-03", "2062-07-03")})
    study = load_study(tmp_path, now=datetime(2026, 7, 3, tzinfo=UTC))
    assert any(
        "Dated in the future: P-009 (worksheets/precision.csv, row 10: 2062-07-03T08:00)" in x for x in study.warnings
    )


@pytest.mark.parametrize("mark", ["~$precision.csv", ".~lock.precision.csv#"])
def test_a_worksheet_that_is_open_elsewhere_is_warned_about(tmp_path, mark):
    folder = write_study(tmp_path)
    assert not [text for text in load_study(folder).warnings if "is open" in text]
    (folder / "worksheets" / mark).write_text("", encoding="utf-8")
    (warning,) = [text for text in load_study(folder).warnings if "is open" in text]
    assert warning.startswith(f"worksheets/precision.csv is open in a spreadsheet program ({mark}):")


def test_other_files_are_listed_and_office_leftovers_ignored(tmp_path):
    folder = write_study(tmp_path)
    for name in ("worksheets/old.csv", "worksheets/~$precision.xlsx", "worksheets/.~lock.precision.csv#", "note.txt"):
        (folder / name).write_text("x")
    (folder / "records").mkdir()
    (folder / "records" / "export.csv").write_bytes(b"never,parsed\x00")
    study = load_study(folder)
    assert unused_files(folder, study.plan) == ("note.txt", "worksheets/old.csv")
    assert any("Present, not used: note.txt, worksheets/old.csv." in text for text in study.warnings)
    (record,) = record_files(folder)
    assert (record.file, record.size) == ("records/export.csv", 13)


# ---- what is refused


@pytest.mark.parametrize(
    ("old", "new", "row", "reading", "column", "found", "said"),
    [
        ("4.05", "4.O5", 4, "P-003", "result", "4.O5", "text, not a number"),
        ("4.05", "4.05 %", 4, "P-003", "result", "4.05 %", "the unit belongs in the heading"),
        ("4.05", "nan", 4, "P-003", "result", "nan", "no finite number"),
        ("4.05", "-inf", 4, "P-003", "result", "-inf", "no finite number"),
        ("4.05", "#N/A", 4, "P-003", "result", "#N/A", "validation amend --exclude"),
        ("4.05", "1e999", 4, "P-003", "result", "1e999", "beyond 1e50"),
        ("4.05", '"4,05"', 4, "P-003", "result", "4,05", "Write 4.05."),
        ("4.05", '"1,004.05"', 4, "P-003", "result", "1,004.05", "separator of thousands"),
        ("4.05", "\u22124.05", 4, "P-003", "result", "\u22124.05", "hyphen of the keyboard"),
        ("4.05", "=SUM(D2:D3)", 4, "P-003", "result", "=SUM(D2:D3)", "Replace the formula with the value"),
        ("4.05", "<", 4, "P-003", "result", "<", "text, not a number"),
        ("P-003,4,1", "P-003,4,", 4, "P-003", "run", "an empty cell", "Fill it in"),
        ("P-003,4,1", "P-003,,1", 4, "P-003", "level", "an empty cell", "Fill it in"),
        ("2026-07-01T08:20", "1.7.2026", 4, "P-003", "time", "1.7.2026", "2026-07-01T09:30"),
        ("P-003", "P-002", 4, "P-002", "reading", "P-002", "the first P-002 is in worksheets/precision.csv, row 3"),
        ("4.05", "", 4, "P-003", "result", "empty in row 4 (P-003)", "--draft"),
    ],
)
def test_a_fault_of_a_cell_names_its_place_and_mend(tmp_path, old, new, row, reading, column, found, said):
    assert old in PRECISION
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION.replace(old, new, 1)}))
    assert (fault.file, fault.row, fault.reading, fault.column, fault.value) == (FILE, row, reading, column, found)
    assert fault.expected
    assert said in str(fault)


def test_an_empty_identifier_is_refused(tmp_path):
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION.replace("P-003", "")}))
    assert (fault.row, fault.column) == (4, "reading")


def test_a_missing_worksheet_names_the_file_that_is_there(tmp_path):
    folder = write_study(tmp_path)
    (folder / FILE).rename(folder / "worksheets" / "precison.csv")
    fault = only_fault(folder)
    assert (fault.file, fault.expected) == (FILE, f"a file {FILE}")
    assert 'A file "precison.csv" is there' in str(fault)


@pytest.mark.parametrize(
    ("head", "column", "said"),
    [
        ("reading,level,run,Results,time", "result", 'Rename "Results" to "result".'),
        ("reading,level,run,value,time", "result", 'Add the column "result".'),
        ("reading,level,batch,result,time", "run", 'Add the column "run".'),
    ],
)
def test_a_missing_column_is_refused(tmp_path, head, column, said):
    text = PRECISION.replace("reading,level,run,result,time", head)
    fault = only_fault(write_study(tmp_path, {"precision": text}))
    assert (fault.file, fault.row, fault.column, fault.expected) == (FILE, 1, column, "level, run, result")
    assert fault.value == head.replace(",", ", ")
    assert said in str(fault)


def test_another_unit_in_a_heading_is_refused(tmp_path):
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION.replace("result", "result [mg/kg]")}))
    assert (fault.row, fault.column, fault.value, fault.expected) == (1, "result", "[mg/kg]", "[%]")


def test_a_heading_that_appears_twice_is_refused(tmp_path):
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION.replace("time", "result")}))
    assert (fault.row, fault.column, fault.value) == (1, "result", "result")
    assert "appears twice" in str(fault)


def test_a_column_without_a_heading_is_refused(tmp_path):
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION.replace(",time", ",")}))
    assert "Column 5 holds values but has no heading" in str(fault)
    assert fault.row == 2


@pytest.mark.parametrize(
    ("new", "found"), [("4.05,2026,07", "7 cells"), ("4,05", "6 cells"), ("4.05\nP-x,4,1", "4 cells")]
)
def test_ragged_rows_are_refused(tmp_path, new, found):
    text = PRECISION.replace("4.05,2026-07-01T08:20", new if "\n" in new else f"{new},x")
    faults = faults_of(write_study(tmp_path, {"precision": text}))
    fault = next(fault for fault in faults if "numbers of cells" in fault.reason)
    assert (fault.row, fault.value, fault.expected) == (4, found, "5 cells, as in the heading")


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_mixed_decimal_marks_are_refused(tmp_path, delimiter):
    text = PRECISION.replace(",", delimiter).replace("4.05", "4,05")
    fault = only_fault(write_study(tmp_path, {"precision": text}))
    assert (fault.file, fault.row, fault.reading, fault.column) == (FILE, 4, "P-003", "result")
    assert (fault.value, fault.expected) == ("4,05", "a number with decimal point")
    assert "Write 4.05." in str(fault)


def test_a_mark_that_differs_between_columns_is_mixed_too(tmp_path):
    text = "reading;level;run;result\nP-1;0,5;1;0.51\nP-2;0,5;1;0.52\nP-3;0,5;2;0.52\n"
    fault = only_fault(write_study(tmp_path, {"precision": text}))
    assert (fault.row, fault.column, fault.value) == (2, "result", "0.51")
    assert fault.further == ((3, "0.52"), (4, "0.52"))


@pytest.mark.parametrize(
    ("raw", "row", "found", "said"),
    [
        (PRECISION.encode("utf-16"), 1, "UTF-16", "CSV UTF-8"),
        (PRECISION.replace("P-003", "Pü-003").encode("latin-1"), 4, "byte 0xfc", 'encoding "UTF-8"'),
        (PRECISION.replace("P-003", "P\x00-003").encode(), 4, "a NUL byte", "restore it from a copy"),
        (b"", 1, None, "no headings"),
        (b'reading,level,run,result\n"P-1,2,1,2.0\n', 2, None, "Close the quotes"),
    ],
)
def test_a_file_that_is_no_text_is_refused(tmp_path, raw, row, found, said):
    fault = only_fault(write_study(tmp_path, {"precision": raw}))
    assert (fault.file, fault.row, fault.value) == (FILE, row, found)
    assert said in str(fault)


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_that_leads_out_of_the_study_is_refused(tmp_path):
    folder = write_study(tmp_path / "study")
    (tmp_path / "outside.csv").write_text(PRECISION)
    (folder / FILE).unlink()
    (folder / FILE).symlink_to(tmp_path / "outside.csv")
    fault = only_fault(folder)
    assert "leads out of the study folder through a link" in str(fault)
    assert fault.value.endswith("outside.csv")


def test_identifiers_are_unique_across_worksheets(tmp_path):
    other = "reading,material,result\nB-1,oil,0.1\nP-003,oil,0.2\n"
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION, "detection": other}))
    assert (fault.file, fault.row, fault.value) == ("worksheets/detection.csv", 3, "P-003")
    assert "worksheets/precision.csv, row 4" in str(fault)


def test_a_word_outside_its_list_is_refused(tmp_path):
    text = "sample,method,result\nS1,candidate,1\nS1,Referenz,1\n"
    fault = only_fault(write_study(tmp_path, {"comparison": text}))
    assert (fault.row, fault.column, fault.value) == (3, "method", "Referenz")
    assert "Write reference." in str(fault)


def test_a_column_that_changes_the_statistics_is_filled_everywhere_or_nowhere(tmp_path):
    text = "reading,level,run,result,assigned\nP-1,2,1,2.0,2.01\nP-2,2,1,2.1,\n"
    fault = only_fault(write_study(tmp_path, {"precision": text}))
    assert (fault.row, fault.column, fault.value) == (3, "assigned", "empty in row 3 (P-2)")


def test_a_label_is_refused_where_the_level_must_be_a_number(tmp_path):
    fault = only_fault(write_study(tmp_path, {"calibration": "level,response\nlow,1\n2,2\n"}))
    assert (fault.row, fault.column, fault.value) == (2, "level", "low")


def test_a_negative_uncertainty_is_refused(tmp_path):
    fault = only_fault(write_study(tmp_path, {"calibration": "level,response,u_level\n1,1,-0.1\n2,2,0.1\n"}))
    assert (fault.column, fault.value, fault.expected) == ("u_level", "-0.1", "zero or more")


def test_every_fault_is_told_at_once(tmp_path):
    text = PRECISION.replace("2.01", "x").replace("2.07", "nan").replace("P-004", "P-003").replace("1.95", "")
    folder = write_study(tmp_path, {"precision": text, "detection": "material,value\noil,1\n"})
    with pytest.raises(StudyDataError) as caught:
        load_study(folder)
    places = {(fault.file, fault.row, fault.column) for fault in caught.value.faults}
    assert places == {
        (FILE, 2, "result"),
        (FILE, 3, "result"),
        (FILE, 5, "reading"),
        (FILE, 11, "result"),
        ("worksheets/detection.csv", 1, "result"),
    }


def test_a_draft_leaves_empty_readings_out_and_says_so(tmp_path):
    folder = write_study(tmp_path, {"precision": PRECISION.replace("4.05", "")})
    study = load_study(folder, draft=True)
    assert len(study.experiments["precision"].table) == 11
    assert any("1 reading without a result left out of this draft" in text for text in study.warnings)


@pytest.mark.parametrize(
    ("cell", "said"),
    [("=2*1.005", "The cell holds a formula"), ("2.O1", "text, not a number"), ("#DIV/0!", "no finite number")],
)
def test_cells_of_a_workbook_are_refused(tmp_path, cell, said):
    rows = [HEAD, [*ROWS[0][:3], cell], *ROWS[1:]]
    fault = only_fault(write_study(tmp_path, {"precision": workbook(rows)}, suffix=".xlsx"))
    assert (fault.file, fault.row, fault.reading, fault.column) == ("worksheets/precision.xlsx", 2, "P-1", "result")
    assert fault.value == cell
    assert said in str(fault)


def test_a_formula_in_any_column_of_a_workbook_is_refused(tmp_path):
    rows = [[*HEAD, "note"], *[[*row, '="x"'] for row in ROWS[:1]], *[[*row, ""] for row in ROWS[1:]]]
    fault = only_fault(write_study(tmp_path, {"precision": workbook(rows)}, suffix=".xlsx"))
    assert (fault.row, fault.column, fault.expected) == (2, "note", "a text")


def test_merged_cells_are_refused(tmp_path):
    book = openpyxl.Workbook()
    for row in [HEAD, *ROWS]:
        book.active.append(row)
    book.active.merge_cells("B2:B3")
    raw = io.BytesIO()
    book.save(raw)
    faults = faults_of(write_study(tmp_path, {"precision": raw.getvalue()}, suffix=".xlsx"))
    assert faults[0].value == "B2:B3"


@pytest.mark.parametrize("raw", [b"not a zip", b"\xd0\xcf\x11\xe0" + b"\x00" * 600], ids=["text", "encrypted"])
def test_a_file_that_is_no_workbook_is_refused(tmp_path, raw):
    fault = only_fault(write_study(tmp_path, {"precision": raw}, suffix=".xlsx"))
    assert "not a readable XLSX workbook" in str(fault)


def test_a_workbook_that_unpacks_without_end_is_refused(tmp_path):
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(6):
            archive.writestr(f"xl/{number}.xml", b"0" * 100_000_000)
    fault = only_fault(write_study(tmp_path, {"precision": raw.getvalue()}, suffix=".xlsx"))
    assert "unpacks to" in str(fault)


def test_another_kind_of_file_is_refused(tmp_path):
    fault = only_fault(write_study(tmp_path, {"precision": b"x"}, suffix=".ods"))
    assert (fault.value, fault.expected) == (".ods", ".csv, .xlsx")


# ---- what a workbook shows and what it stores


def cell_of(folder: Path, place: str, value: object, number_format: str) -> Path:
    book = openpyxl.Workbook()
    for row in [HEAD, *ROWS]:
        book.active.append(row)
    book.active[place] = value
    book.active[place].number_format = number_format
    raw = io.BytesIO()
    book.save(raw)
    return write_study(folder, {"precision": raw.getvalue()}, suffix=".xlsx")


@pytest.mark.parametrize(
    ("value", "number_format", "said"),
    [
        (0.010167, "0.00%", "shows a percentage, 1.0167 %, and stores 0.010167: which is meant?"),
        (0.02, "0%", "shows a percentage, 2 %, and stores 0.02"),
        (0.02, "[Red]0.0%;-0.0%", "shows a percentage, 2 %"),
        (2, "0.00%", "shows a percentage, 200 %"),
        (20, "#,##0,", "without its thousands, and it stores 20"),
        (datetime(2026, 5, 1), "dd.mm.", "The cell holds a date"),
    ],
)
@pytest.mark.parametrize("place", ["D2", "B2"])
def test_a_cell_that_shows_another_number_than_it_stores_is_a_fault(tmp_path, place, value, number_format, said):
    fault = only_fault(cell_of(tmp_path, place, value, number_format))
    assert (fault.row, fault.reading, fault.column) == (2, "P-1", "result" if place == "D2" else "level")
    assert said in fault.reason
    assert fault.mend


@pytest.mark.parametrize(
    ("value", "number_format"),
    [
        (2.05, "0.00"),
        (2.05, '0.00" %"'),
        (2.05, "0.00\\%"),
        (2.05, "#,##0.00"),
        (2.05, "@"),
        ("2.05", "@"),
        (2.05, "0"),
    ],
)
def test_a_cell_that_shows_what_it_stores_is_read(tmp_path, value, number_format):
    data = load_study(cell_of(tmp_path, "D2", value, number_format)).experiments["precision"]
    assert data.decimals("result")[0] == Decimal("2.05")


def test_an_error_of_the_spreadsheet_is_no_name(tmp_path):
    fault = only_fault(cell_of(tmp_path, "C2", "#N/A", "General"))
    assert (fault.column, fault.value) == ("run", "#N/A")


@pytest.mark.parametrize("place", ["A1048576", "XFD3", "XFD1048576"])
def test_an_empty_cell_far_away_costs_nothing(tmp_path, place):
    near, far = (cell_of(tmp_path / name, where, None, "0.00") for name, where in (("near", "E3"), ("far", place)))
    assert len(load_study(far).experiments["precision"].table) == 4
    assert calls_in(lambda: load_study(far)) < 1.5 * calls_in(lambda: load_study(near))


# ---- sizes and times that cannot be


@pytest.mark.parametrize("number", ["1e51", "-1e51", "1e300", "1e999", "1e-51", "1e-300"])
@pytest.mark.parametrize("column", ["level", "result", "assigned"])
def test_a_number_that_cannot_be_computed_with_is_a_fault(tmp_path, column, number):
    row = {"level": "2", "run": "1", "result": "2.0", "assigned": "2"} | {column: number}
    sheet = "level,run,result,assigned\n2,1,2,2\n" + ",".join(row.values()) + "\n"
    fault = only_fault(write_study(tmp_path, {"precision": sheet}))
    assert (fault.row, fault.column, fault.value) == (3, column, number)
    assert "beyond 1e50, or below 1e-50" in fault.reason


def test_numbers_at_the_edge_and_every_zero_are_read():
    from validation.study.text_files import decimal

    assert decimal("1e50") == Decimal("1e50")
    assert decimal("-1e-49") == Decimal("-1e-49")
    for zero in ("0", "-0.000", "0e999999999", "0e-999999999"):
        assert decimal(zero).as_integer_ratio() == (0, 1)


@pytest.mark.parametrize(
    ("experiment", "head", "good", "bad", "column"),
    [
        ("precision", "level,run,result", "2,1,2", "{},1,2", "level"),
        ("precision", "level,run,result,assigned", "2,1,2,2", "2,1,2,{}", "assigned"),
        ("calibration", "level,response", "2,1", "{},2", "level"),
        ("recovery", "sample,added,result", "S,0,2", "S,{},2", "added"),
    ],
)
@pytest.mark.parametrize(("content", "said"), [("101", "more than the whole, 100 %"), ("-1", "negative")])
def test_a_content_that_cannot_be_is_a_fault(tmp_path, experiment, head, good, bad, column, content, said):
    sheet = f"{head}\n{good}\n{good}\n{bad.format(content)}\n"
    fault = only_fault(write_study(tmp_path / "a", {experiment: sheet}))
    assert (fault.row, fault.column, fault.value) == (4, column, content)
    assert said in fault.reason
    if content == "101":  # what is in it is never negative, in no unit; more than 100 it may be in another
        load_study(write_study(tmp_path / "b", {experiment: sheet}, plan=PLAN.replace('unit: "%"', "unit: Hz")))


@pytest.mark.parametrize("year", ["0001-01-01", "1899-12-31T08:00", "2201-01-01", "9999-12-31T23:59+00:00"])
def test_a_time_of_another_age_is_a_fault(tmp_path, year):
    fault = only_fault(write_study(tmp_path, {"precision": PRECISION.replace("2026-07-01T08:00", year)}))
    assert (fault.row, fault.column, fault.value) == (2, "time", year)
    assert fault.reason == f"The year {year[:4]} is outside 1900 to 2200."


@pytest.mark.parametrize(("heading", "near"), [("instru\u200bment", "instrument"), ("l\u043et", "lot")])
def test_a_heading_that_is_nearly_a_known_one_is_a_fault(tmp_path, heading, near):
    fault = only_fault(write_study(tmp_path, {"precision": f"level,run,result,{heading}\n2,1,2,x\n"}))
    assert (fault.row, fault.column, fault.expected) == (1, near, near)


def test_a_heading_that_resembles_a_known_one_is_asked_about(tmp_path):
    study = load_study(write_study(tmp_path, {"precision": "level,run,result,instrumnt,colour\n2,1,2,x,red\n"}))
    (said,) = [text for text in study.warnings if "is not known" in text]
    assert 'The column "instrumnt"' in said
    assert 'is "instrument" meant?' in said


@pytest.mark.parametrize(("column", "new"), [("result", "1e300"), ("result", "1e-99"), ("time", "9999-12-31")])
def test_an_amendment_to_such_a_number_or_time_is_refused(tmp_path, column, new):
    from validation.faults import Refusal
    from validation.study.history.applying import amendment_for
    from validation.study.load import current_states

    states = current_states(write_study(tmp_path))
    who = {"number": 1, "kind": "correction", "by": "Q1", "reason": "x", "now": datetime(2026, 7, 4, tzinfo=UTC)}
    with pytest.raises(Refusal, match=new):
        amendment_for(states, reading="P-001", column=column, new=new, **who)


# ---- the documentation


def test_the_page_of_files_names_every_column_and_key():
    from validation.study.columns import KNOWN
    from validation.study.experiments import EXPERIMENTS
    from validation.study.plan import (
        Equipment,
        Lots,
        Person,
        Plan,
        PlannedExperiment,
        Requirement,
        Standard,
        StudyFacts,
    )

    page = (Path(__file__).parents[1] / "docs" / "files.md").read_text(encoding="utf-8")
    settings = {item.name for record in EXPERIMENTS.values() for item in record.settings} | {"order_seed"}
    listed = {name for kind in (Person, Equipment, Standard) for name in kind.model_fields} | {*Lots.model_fields}
    names = {
        *KNOWN,
        *EXPERIMENTS,
        *PlannedExperiment.model_fields,
        *settings,
        *listed,
        *Plan.model_fields,
        *StudyFacts.model_fields,
        *Requirement.model_fields,
    }
    prose = re.sub(r"```.*?```", "", page, flags=re.DOTALL)
    marked = re.findall(r"`[^`]+`|^\|.*\|$", prose, flags=re.MULTILINE)
    examples = " ".join(re.findall(r"```yaml(.*?)```", page, flags=re.DOTALL))
    told = {*re.findall(r"[A-Za-z_]+", " ".join(marked)), *re.findall(r"([A-Za-z_]+):", examples)}
    assert sorted(names - told) == []


def test_a_workbook_under_the_name_of_a_text_file_is_named_as_one() -> None:
    from validation.study.text_files import decode

    _, (fault,) = decode(b"PK\x03\x04\x14\x00", "worksheets/precision.csv")
    assert ".xlsx" in fault.mend


def test_only_a_csv_file_is_said_to_come_from_a_spreadsheet_program() -> None:
    from validation.study.text_files import decode

    assert "spreadsheet" in decode(b"\xd6l", "worksheets/precision.csv")[1][0].mend
    assert "spreadsheet" not in decode(b"\xd6l", "plan.yaml")[1][0].mend


def test_a_name_that_hardly_occurs_and_a_requirement_on_one_that_does_not_are_told(tmp_path):
    from study_folder import PLAN, write_study

    from validation.judging.requirements import levels_not_held
    from validation.study.load import load_study

    grades = ["OG-N", "OG-K"] * 12 + ["OGN"]
    rows = [f"{grade},{level},{level}.0" for grade, level in zip(grades, [0, 0, 5, 5] * 6 + [5], strict=True)]
    added = "  - {{id: R9, quantity: matrix.slope_ratio, at: OG-Q, rule: equivalence, limit: 0.05}}\n"
    plan = PLAN.replace("requirements:\n", f"requirements:\n{added}")
    write_study(tmp_path, {"matrix": "grade,level,result\n" + "\n".join(rows) + "\n"}, plan=plan)
    study = load_study(tmp_path)
    assert any('The grade "OGN" has 1 reading, another one 12: is it misspelt?' in text for text in study.warnings)
    assert any("R9 is set at OG-Q" in text and "has no such grade" in text for text in levels_not_held(study))
