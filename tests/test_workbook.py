"""The audit workbook: its formulas against the dossier's numbers, its text inert, its bytes the same.

That LibreOffice computes the same from the formulas is tested where it is installed, with the values taken out first.
"""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import openpyxl
import pytest
from small_study import precision_study, small_study
from study_folder import reseal

from validation.dossier.verify import verify_dossier
from validation.dossier.workbook.book import WORKBOOK, same_workbook, workbook_bytes
from validation.judging.outcomes import evaluate, judge_study
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.quantity import Evaluation

STUDIES = Path(__file__).parent / "real_studies"
RUNS = [[4.01, 4.05, 3.97], [4.11, 4.08, 4.15], [3.92, 3.99, 3.95]]
LINE = {
    "run": [run for run in "ABC" for _ in range(8)],
    "level": [level for _ in range(3) for level in (0, 1, 2, 4, 4, 2, 1, 0)],
    "response": [
        3,
        104,
        211,
        399,
        405,
        207,
        99,
        5,
        1,
        109,
        205,
        415,
        411,
        203,
        106,
        2,
        6,
        95,
        198,
        395,
        391,
        201,
        98,
        4,
    ],
}
BLANKS = [0.01, 0.03, -0.02, 0.00, 0.04, 0.02, -0.01, 0.03]
PAIRS = [(1.00, 1.05), (2.01, 1.98), (3.05, 3.11), (4.00, 4.07), (5.02, 4.95), (6.1, 6.0)]


def computed(study: Study) -> tuple[dict[str, Evaluation], dict[str, Any]]:
    evaluations = evaluate(study)
    return evaluations, json.loads(json.dumps(judge_study(study, evaluations).results()))


def compared(content: bytes) -> list[tuple[Any, ...]]:
    """Quantity, at, part, this workbook, dossier, difference and relative difference of every line."""
    sheet = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["Compared"]
    return [tuple(cell.value for cell in row[:7]) for row in sheet.iter_rows(min_row=5) if row[0].value]


SMALL = {
    "equal runs": precision_study(RUNS),
    "unequal runs": precision_study([*RUNS[:2], RUNS[2][:2]]),
    "runs that do not differ": precision_study([[4.0, 4.2], [4.2, 4.0], [4.1, 4.1]]),
    "one run": precision_study(RUNS[:1]),
    "one reading": precision_study([[4.01]]),
    "a label": precision_study(RUNS, level="low"),
    "preparations read twice": precision_study(
        [run * 2 for run in RUNS], preparation=[f"p{at}" for _ in RUNS for _ in range(2) for at in range(3)]
    ),
    "far from zero": precision_study([[1e9 + value for value in run] for run in RUNS], level="1000000000"),
    "calibration": small_study("calibration", LINE),
    "calibration without runs": small_study("calibration", {name: LINE[name] for name in ("level", "response")}),
    "response far from zero": small_study("calibration", LINE | {"response": [4e8 + y for y in LINE["response"]]}),
    "blanks": small_study("detection", {"material": ["oil"] * 8, "matrix": ["new oil"] * 8, "result": BLANKS}),
    "comparison": small_study(
        "comparison",
        {
            "sample": [str(number) for number in range(6) for _ in range(2)],
            "method": ["candidate", "reference"] * 6,
            "result": [value for pair in PAIRS for value in pair],
        },
    ),
}


@pytest.mark.parametrize("name", SMALL)
def test_every_compared_number_is_one_of_the_results_and_agrees_with_it(name: str) -> None:
    evaluations, results = computed(SMALL[name])
    lines = {(line["key"], line["at"]): line for line in results["quantities"]}
    content = workbook_bytes(SMALL[name], evaluations, results)
    for key, at, part, live, dossier, _, share in compared(content):
        line = lines[key, at]
        recorded = line["value"] if part == "value" else line["interval"][part.endswith("high")]
        assert dossier == recorded, key
        assert live == pytest.approx(recorded, rel=1e-9, abs=1e-15), key
        assert share < 1e-9, key


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("equal runs", {"repeatability.s_r", "intermediate_precision.s_run", "intermediate_precision.s_I"}),
        ("calibration", {"calibration.slope", "calibration.intercept", "calibration.residual_sd"}),
        ("blanks", {"detection.critical_value", "detection.detection_limit", "detection.quantification_limit"}),
        ("comparison", {"comparison.mean_difference", "comparison.agreement_low", "comparison.agreement_high"}),
    ],
)
def test_what_is_asked_for_is_live(name: str, expected: set[str]) -> None:
    evaluations, results = computed(SMALL[name])
    assert expected <= {line[0] for line in compared(workbook_bytes(SMALL[name], evaluations, results))}


def test_what_reml_gives_stands_by_value_with_its_name() -> None:
    study = SMALL["unequal runs"]
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(study, *computed(study))))
    how = {row[1].value: row[7].value for row in book["Precision"].iter_rows(min_row=5) if row[1].value}
    assert how["intermediate_precision.s_I"] == "by value: REML"
    assert not how["repeatability.s_r"].startswith("by value")
    beside = {row[0].value: row[7].value for row in book["By value"].iter_rows(min_row=5)}
    assert beside["intermediate_precision.s_I"] == "by value: REML"


def test_text_that_looks_like_a_formula_is_text() -> None:
    hostile = [
        "=1+1",
        "+SUM(A1)",
        "-2+3",
        "@cmd",
        '=HYPERLINK("http://x")',
        "\tx",
        "a\x00\ud800\uffff",
        "x" * 40_000,
        "",
    ]
    study = precision_study(RUNS, note=hostile, record=["{=1}"] * 9, run=hostile)
    content = workbook_bytes(study, *computed(study))
    sheet = openpyxl.load_workbook(io.BytesIO(content))["Raw precision"]
    column = next(cell.column for cell in sheet[4] if cell.value == "note, as written")
    cells = [sheet.cell(row, column) for row in range(5, 13)]
    assert {cell.data_type for cell in cells} == {"s"}
    assert [bool(cell.quotePrefix) for cell in cells[:5]] == [True] * 5
    assert [cell.value for cell in cells[:5]] == hostile[:5]
    parts = ZipFile(io.BytesIO(content)).namelist()
    assert not [name for name in parts if "vba" in name.lower() or "external" in name.lower()]


def test_sheets_have_a_note_and_a_frozen_head() -> None:
    study = SMALL["equal runs"]
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(study, *computed(study))))
    assert book.sheetnames == ["Compared", "Raw precision", "Precision", "By value"]
    assert all(sheet.freeze_panes == "A5" and "by value" in sheet["A2"].value.lower() for sheet in book)
    formulas = [c.value for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"]
    assert len(formulas) > 50
    assert not [formula for formula in formulas if "[" in formula or "#REF" in formula]


def test_the_same_inputs_give_the_same_bytes_and_another_number_another_workbook() -> None:
    study = SMALL["equal runs"]
    evaluations, results = computed(study)
    content = workbook_bytes(study, evaluations, results)
    assert workbook_bytes(study, evaluations, results) == content
    assert same_workbook(content, content)
    nearly, otherwise = json.loads(json.dumps(results)), json.loads(json.dumps(results))
    nearly["quantities"][0]["value"] *= 1 + 1e-13
    otherwise["quantities"][0]["value"] *= 1 + 1e-6
    assert same_workbook(content, workbook_bytes(study, evaluations, nearly))
    assert not same_workbook(content, workbook_bytes(study, evaluations, otherwise))
    assert not same_workbook(content, b"PK")


def test_a_dossier_holds_its_workbook_and_verify_compares_it(small_dossier: Path, tmp_path: Path) -> None:
    dossier = shutil.copytree(small_dossier, tmp_path / "001")
    assert compared((dossier / WORKBOOK).read_bytes())
    assert verify_dossier(dossier).ok
    book = openpyxl.load_workbook(dossier / WORKBOOK)
    book["Raw precision"]["C5"] = "excluded"
    book.save(dossier / WORKBOOK)
    reseal(dossier)
    assert f"{WORKBOOK}: not the workbook that the inputs give." in verify_dossier(dossier).problems
    (dossier / WORKBOOK).unlink()
    reseal(dossier)
    assert f"{WORKBOOK}: missing; this study's dossier holds it." in verify_dossier(dossier).problems


def recalculated(contents: Mapping[str, bytes], folder: Path) -> dict[str, bytes]:
    """The workbooks as LibreOffice computes them: the values are taken out first, so that none is a copy."""
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("LibreOffice is not installed: it recalculates the workbook here.")
    for name, content in contents.items():
        with ZipFile(io.BytesIO(content)) as whole, ZipFile(folder / f"{name}.xlsx", "w") as bare:
            for part in whole.namelist():
                bare.writestr(part, re.sub(rb"(</f>)<v>[^<]*</v>", rb"\1", whole.read(part)))
    command: Sequence[str] = [
        office, f"-env:UserInstallation={(folder / 'profile').as_uri()}", "--headless", "--convert-to", "xlsx",
        "--outdir", str(folder / "out"), *(str(folder / f"{name}.xlsx") for name in contents),
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    return {name: (folder / "out" / f"{name}.xlsx").read_bytes() for name in contents}


def _agree(contents: Mapping[str, bytes], folder: Path) -> None:
    for name, content in recalculated(contents, folder).items():
        ours, theirs = compared(contents[name]), compared(content)
        assert [line[:3] for line in ours] == [line[:3] for line in theirs]
        assert ours, name
        assert max(line[6] for line in theirs) < 1e-9, name
        for line, other in zip(ours, theirs, strict=True):
            assert other[3] == pytest.approx(line[4], rel=1e-9, abs=1e-12), (name, line)


@pytest.mark.thorough
def test_libreoffice_computes_the_numbers_of_the_demonstration(dossier: Path, tmp_path: Path) -> None:
    # LibreOffice 7.4.7: the largest relative difference of 96 numbers is 2.6e-13
    _agree({"demonstration": (dossier / WORKBOOK).read_bytes()}, tmp_path)


@pytest.mark.thorough
def test_libreoffice_computes_the_numbers_of_the_real_studies(tmp_path: Path) -> None:
    # LibreOffice 7.4.7: the largest relative difference of 136 numbers is 9.4e-12, residual_sd of NIST's Norris
    studies = {path.name: load_study(path) for path in sorted(STUDIES.iterdir())}
    _agree({name: workbook_bytes(study, *computed(study)) for name, study in studies.items()}, tmp_path)


@pytest.mark.thorough
def test_libreoffice_computes_the_numbers_of_small_studies(tmp_path: Path) -> None:
    made = {f"s{at}": workbook_bytes(study, *computed(study)) for at, study in enumerate(SMALL.values())}
    _agree({name: content for name, content in made.items() if compared(content)}, tmp_path)
