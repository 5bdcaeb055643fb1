"""Worksheets held against the exports of instruments: differences are told, faults of a layout named."""

from __future__ import annotations

import io
import json
import random
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from study_folder import PRECISION, amend, write_study

from validation import resources
from validation.cli import main
from validation.dossier.blocks import Paragraph, Table
from validation.dossier.registers import _exports
from validation.faults import Fault
from validation.judging.outcomes import judge_study
from validation.running.run import copy_inputs
from validation.study.export_comparison import Comparison
from validation.study.load import load_study, read_study
from validation.study.text_files import LARGEST

FILE = "records/export.csv"
#: The lines of the worksheet of tests/study_folder.py as an instrument might write them.
LINES = [row.split(",") for row in PRECISION.splitlines()[1:]]
HEAD = ["Sample", "Run", "Fuel [%]", "Date"]
LAYOUT: dict[str, Any] = {
    "file": FILE,
    "experiment": "precision",
    "columns": {"reading": "Sample", "run": "Run", "result": "Fuel [%]", "time": "Date"},
}


def exported(rows: list[list[str]] | None = None, mark: str = ",", decimal: str = ".") -> str:
    """An export with one heading line."""
    own = rows if rows is not None else [[name, run, result, time] for name, _, run, result, time in LINES]
    lines = [[name, run, result.replace(".", decimal), *rest] for name, run, result, *rest in own]
    return "\n".join(mark.join(line) for line in [HEAD, *lines]) + "\n"


def study_with(folder: Path, export: str | bytes | None, **layout: Any) -> Path:
    """A study whose plan states an export; `layout` changes or adds keys."""
    write_study(folder)
    stated = {**LAYOUT, **layout}
    with (folder / "plan.yaml").open("a", encoding="utf-8") as plan:
        plan.write(f"exports:\n  - {json.dumps(stated)}\n")
    if export is not None:
        path = folder / stated["file"]
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(export.encode("utf-8") if isinstance(export, str) else export)
    return folder


def comparison(folder: Path) -> Comparison:
    (only,) = load_study(folder).exports
    return only


def fault(folder: Path) -> Fault:
    study, faults = read_study(folder)
    assert study is None
    return faults[0]


def changed(reading: str, result: str) -> list[list[str]]:
    rows = [[name, run, value, time] for name, _, run, value, time in LINES]
    return [[name, run, result if name == reading else value, time] for name, run, value, time in rows]


def test_equal_lines_agree_whatever_their_digits_and_seconds(tmp_path: Path) -> None:
    rows = [[name, run, f"{value}0", f"{time}:30"] for name, run, value, time in changed("", "")]
    folder = study_with(tmp_path, exported(rows[::-1]))
    one = comparison(folder)
    assert one.counts == f"{FILE} and worksheets/precision.csv: 12 of 12 lines agree."
    assert one.same
    assert not [text for text in load_study(folder).warnings if "export" in text]


def test_a_slip_is_told_by_check_the_register_and_the_results(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = study_with(tmp_path, exported(changed("P-002", "2.70")))
    assert main(["check", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "11 of 12 lines agree." in out
    assert "P-002, result: 2.07 in row 3, 2.70 in line 3 of the export; not amended." in out
    counts, table = _exports(load_study(folder))
    assert isinstance(counts, Paragraph)
    assert isinstance(table, Table)
    assert table.rows == (("P-002", "result", "2.07 (3)", "2.70 (3)", "not amended"),)
    (shown,) = judge_study(load_study(folder), {}).results()["exports"]
    assert {name: shown[name] for name in ("file", "experiment", "compared", "agree")} == {
        "file": FILE,
        "experiment": "precision",
        "compared": 12,
        "agree": 11,
    }
    assert shown["differences"][0]["amended"] is None
    assert len(shown["sha256"]) == 64


def test_an_amendment_explains_a_difference_or_makes_one(tmp_path: Path) -> None:
    folder = study_with(tmp_path, exported(changed("P-002", "2.70")))
    amend(folder, "P-002", "correction", "result", "2.7")
    one = comparison(folder)
    assert (one.agree, one.agree_as_amended) == (11, 12)
    assert "11 of 12 lines agree as written, 12 as amended." in one.counts
    assert one.differences[0].state == "amended to 2.7: agrees"
    amend(folder, "P-002", "correction", "result", "2.8")
    assert comparison(folder).differences[0].state == "amended to 2.8: differs"
    amend(folder, "P-001", "correction", "result", "2.00")
    first = comparison(folder).differences[0]
    assert (first.reading, first.state) == ("P-001", "amended to 2.00: as written it agrees")
    assert comparison(folder).agree_as_amended == 10


def test_lines_in_one_of_the_two_are_told_and_so_is_a_line_twice(tmp_path: Path) -> None:
    rows = changed("", "")
    folder = study_with(tmp_path, exported([*rows[1:], ["P-099", "3", "4.44", "2026-07-03"], rows[4]]))
    one = comparison(folder)
    assert (one.compared, one.agree) == (11, 11)
    assert one.only_worksheet == (("P-001", 2),)
    assert one.only_export == (("P-099", 13), ("P-005", 14))
    assert (
        "Only in the worksheet: P-001 (row 2). Only in the export: P-099 (line 13), P-005 (line 14)." in one.sentence()
    )
    table = _exports(load_study(folder))[1]
    assert isinstance(table, Table)
    assert [row[0] for row in table.rows] == ["P-001", "P-099", "P-005"]


@pytest.mark.parametrize(
    ("mark", "decimal", "encoding", "title"),
    [
        (";", ",", "cp1252", "Gerät Ä\n"),
        ("\t", ".", "utf-16", "\n\n"),
        (",", ".", "utf-8-sig", ""),
        ("|", ",", "utf-8", ""),
    ],
    ids=["semicolons", "tab", "byte order mark", "bars"],
)
def test_layouts(tmp_path: Path, mark: str, decimal: str, encoding: str, title: str) -> None:
    raw = (title + exported(mark=mark, decimal=decimal)).replace("\n", "\r\n").encode(encoding)
    layout = {"delimiter": "tab" if mark == "\t" else mark, "decimal": decimal, "header": 1 + title.count("\n")}
    stated = {} if encoding == "utf-8-sig" else {"encoding": encoding}
    assert comparison(study_with(tmp_path, raw, **layout, **stated)).agree == 12


def workbook(rows: list[list[object]]) -> bytes:
    book = openpyxl.Workbook()
    book.active.title = "results"
    for row in rows:
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def test_a_workbook(tmp_path: Path) -> None:
    rows: list[list[object]] = [["report"], list(HEAD)]
    rows += [[name, int(run), float(result), time] for name, _, run, result, time in LINES]
    layout = {"file": "records/export.xlsx", "header": 2, "sheet": "results"}
    assert comparison(study_with(tmp_path, workbook(rows), **layout)).agree == 12
    rows[5][2] = "=1+1"
    (tmp_path / "records" / "export.xlsx").write_bytes(workbook(rows))
    assert "The cell holds a formula. Found: =1+1." in str(fault(tmp_path))
    (tmp_path / "records" / "export.xlsx").write_bytes(b"PK\x03\x04 not a workbook")
    assert "not a readable XLSX workbook" in str(fault(tmp_path))


def test_a_run_of_the_worksheet_matched_by_order(tmp_path: Path) -> None:
    rows = [row for row in changed("", "") if row[1] == "2"]
    columns = {"result": "Fuel [%]", "time": "Date"}
    folder = study_with(tmp_path, exported(rows), columns=columns, match="time", rows={"run": 2})
    assert comparison(folder).counts.endswith("4 of 4 lines agree.")
    folder = study_with(tmp_path, exported(), match=["run", "time"], rows={"run": "2"})
    assert comparison(folder).counts.endswith("4 of 4 lines agree.")  # the other runs of the export are not meant


def test_times_in_other_forms(tmp_path: Path) -> None:
    rows = [[name, run, value, f"{time[8:10]}.07.2026 {time[11:]}"] for name, run, value, time in changed("", "")]
    folder = study_with(tmp_path, exported(rows))
    plan = folder / "plan.yaml"
    text = plan.read_text(encoding="utf-8")
    assert comparison(folder).agree == 0
    plan.write_text(text.replace('unit: "%"', 'unit: "%"\n  date_order: day-month-year'), encoding="utf-8")
    assert comparison(folder).agree == 12
    zoned = [[name, run, value, f"{time}Z"] for name, run, value, time in changed("", "")]
    (folder / FILE).write_text(exported(zoned), encoding="utf-8")
    plan.write_text(text.replace('unit: "%"', 'unit: "%"\n  time_zone: Europe/Zurich'), encoding="utf-8")
    assert comparison(folder).agree == 0  # ten past eight in Zurich is ten past six in UTC


FAULTS: dict[str, tuple[Any, dict[str, Any], tuple[str, ...]]] = {
    "no file": (None, {}, (FILE, "The export is not there. Found: no file.", "Put the export there")),
    "another name": ("", {"file": "records/exports.csv"}, ("The line of the headings is not there. Found: an empty",)),
    "no heading": (
        exported().replace("Fuel", "Feul"),
        {},
        (
            FILE,
            "row 1",
            '"result": The heading is not there.',
            "Found: Sample, Run, Feul [%], Date. Expected: Fuel [%]. Write Feul [%]",
        ),
    ),
    "heading twice": (exported().replace("Run", "Sample"), {}, ("The heading stands 2 times.",)),
    "header beyond": (
        exported(),
        {"header": 99},
        (
            "row 99",
            "The line of the headings is not there. Found: 13 lines",
        ),
    ),
    "wrong delimiter": (exported(mark=";"), {}, ("The heading is not there.",)),
    "decimal comma": (
        exported(mark=";", decimal=","),
        {"delimiter": ";"},
        ("row 2, 3, 4 and 9 more", "decimal mark is not the stated one. Found: 2,01", "Expected: a decimal point."),
    ),
    "decimal point": (exported(), {"decimal": ","}, ("Found: 2.01", "a decimal comma. ", "Correct decimal")),
    "encoding": (
        "Gerät\n".encode("cp1252") + exported().encode(),
        {"header": 2},
        ("row 1", "Found: byte 0xe4. Expected: utf-8."),
    ),
    "binary": (bytes(range(256)) * 40, {}, ("not a text of the stated encoding", "row")),
    "NUL": (b"\x00" * 5000, {}, ("The export holds NUL characters.",)),
    "formula": (exported().replace("2.07", "=2+0.07"), {}, ("row 3", "The cell holds a formula. Found: =2+0.07.")),
    "open quote": (exported().replace("P-004", '"P-004'), {}, ("row 5", "The line cannot be read")),
    "endless line": (exported() + "x" * 200_000 + "\n", {}, ("row 14", "The line cannot be read (field larger than")),
    "rows alike": (exported(), {"match": "run"}, ("12 rows cannot be told apart by run.",)),
    "no such column": (
        exported(),
        {"columns": {"reading": "Sample", "fuel": "Run"}},
        ("The worksheet has no such column. Found: fuel.",),
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_of_an_export_names_its_place_and_mend(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    export, layout, parts = FAULTS[name]
    folder = study_with(tmp_path, export, **layout)
    assert main(["check", str(folder)]) == 2
    err = capsys.readouterr().err
    for part in parts:
        assert part in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("layout", "said"),
    [
        ({"file": "../export.csv"}, "leads out of the study folder"),
        ({"file": "worksheets/export.csv"}, "is not a CSV, TXT or XLSX file in records/"),
        ({"experiment": "precison"}, "The experiment is not planned. Found: precison. Expected: precision. Write prec"),
        ({"match": "order"}, "The export gives no such column. Found: order."),
        ({"delimiter": ";;"}, "must be one character"),
        ({"encoding": "latin-99"}, '"latin-99" is not an encoding'),
        ({"decimal": ";"}, "The word is unknown here."),
        ({"header": 0}, "exports[1].header"),
        ({"heading": 1}, "The key is unknown. Found: heading."),
    ],
)
def test_a_fault_of_the_plan_names_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], layout: dict[str, Any], said: str
) -> None:
    folder = study_with(tmp_path, exported(), **layout)
    assert main(["check", str(folder)]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert "plan.yaml, row 1" in err


def test_a_huge_export_is_not_read(tmp_path: Path) -> None:
    folder = study_with(tmp_path, "")
    with (folder / FILE).open("r+b") as stream:
        stream.truncate(LARGEST + 1)
    assert "The export is too large. Found: 50000001 bytes." in str(fault(folder))


def test_random_bytes_are_a_fault_or_a_difference(tmp_path: Path) -> None:
    drawn = random.Random(7)
    folder = study_with(tmp_path, "")
    for number in range(60):
        raw = bytearray(exported().encode())
        for _ in range(1 + number % 6):
            raw[drawn.randrange(len(raw))] = drawn.randrange(256)
        (folder / FILE).write_bytes(bytes(raw))
        study, faults = read_study(folder)
        assert (study is None) == bool(faults)


def test_an_export_is_awaited_as_long_as_its_readings_are(tmp_path: Path) -> None:
    folder = study_with(tmp_path, None)
    (folder / "worksheets" / "precision.csv").write_text(PRECISION.splitlines()[0] + "\n", encoding="utf-8")
    assert load_study(folder).exports == ()


def test_the_inputs_of_a_dossier_hold_the_export(tmp_path: Path) -> None:
    folder = study_with(tmp_path / "study", exported(changed("P-002", "2.70")))
    copy_inputs(load_study(folder), tmp_path / "inputs")
    assert load_study(tmp_path / "inputs").exports == load_study(folder).exports
    assert load_study(folder).exports[0].agree == 11


def test_no_export_is_said(tmp_path: Path) -> None:
    (block,) = _exports(load_study(write_study(tmp_path)))
    assert isinstance(block, Paragraph)
    assert block.text == "Worksheets compared with exports of instruments: none."


def test_the_demonstration_shows_its_slip() -> None:
    (one,) = load_study(resources.folder("demo_data") / "new-grade").exports
    assert (one.compared, one.agree, one.agree_as_amended) == (18, 17, 18)
    (slip,) = one.differences
    assert (slip.reading, slip.written, slip.export, slip.amended) == ("P-089", "20.7", "2.07", "2.07")
