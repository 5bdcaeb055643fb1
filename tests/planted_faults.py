"""Known errors planted one at a time in copies of a clean study or dossier, and what the program answers to each.

`python tests/planted_faults.py` writes the table of docs/planted_faults.md. The clean study is drawn from stated truths
(clean_studies.py) with the plan of planted_study.yaml; the dossier is that of tests/study_folder.py.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import os
import re
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from clean_studies import clean_truth, generator, write_files
from conftest import write_amended_study
from few_checks import few_checks
from study_folder import NOW, amend, reseal, write_study
from test_silent_changes import CASES
from without_kernels import without_kernels

from validation.cli import main
from validation.dossier import signing
from validation.dossier.blocks import Paragraph
from validation.dossier.document import build_document
from validation.dossier.from_folder import record_from, recorded_making
from validation.dossier.made_again import made_here
from validation.dossier.manifest import SIGNED, read_manifest
from validation.dossier.pdf import render_pdf
from validation.dossier.verify import verify_dossier
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.questions import questions
from validation.running.again import executed_again
from validation.running.run import copy_inputs, run_study
from validation.study.history.plan_lock import freeze
from validation.study.history.readings import record_readings
from validation.study.load import load_study

PAGE = Path(__file__).resolve().parents[1] / "docs" / "planted_faults.md"
MARKS = ("<!-- faults: begin (written by tests/planted_faults.py) -->", "<!-- faults: end -->")
PLAN = Path(__file__).with_name("planted_study.yaml")
SEED = 2
PRECISION, BLANKS, CALIBRATION = (f"worksheets/{name}.csv" for name in ("precision", "blanks", "calibration"))
Rows = list[dict[str, str]]
Plant = Callable[[Path], object]


@dataclass(frozen=True)
class Fault:
    """A planted error.

    `words` are part of the sentence that tells it, empty where nothing does; `thorough` where that takes a whole run.
    """

    name: str
    base: str
    where: str
    by: str
    plant: Plant
    words: str
    thorough: bool = False


@dataclass(frozen=True)
class Answer:
    """What the program says: exit code and lines."""

    code: int
    lines: tuple[str, ...]

    def sentence(self, words: str) -> str:
        """The line that holds the words; "not told" where none does."""
        line = next((text for text in self.lines if words and words in text), "not told")
        line = re.sub(r"\b[0-9a-f]{64}\b", "(a SHA-256)", line)
        return line


# ------------------------------------------------------------------------------------------------------- what is asked


def check(folder: Path) -> Answer:
    """`validation check`."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = main(["check", str(folder)])
    return Answer(code, tuple(line.strip() for line in out.getvalue().splitlines()))


def conclusion(folder: Path) -> Answer:
    """The proposed conclusion of a run, its restrictions and its open actions; the exit code of a run is 0."""
    study = load_study(folder)
    judged = judge_study(study, evaluate(study), questions=questions(study))
    restrictions = [text for text in judged.conclusion.restrictions if text]
    actions = [f"{action.text}" for action in judged.fitness.actions]
    return Answer(0, (*restrictions, *actions))


def verify(folder: Path) -> Answer:
    """`validation verify` of a dossier, after its hashes were made again."""
    reseal(folder)
    return _verified(folder)


def verify_as_it_is(folder: Path) -> Answer:
    """The same, its hashes as they are."""
    return _verified(folder)


def verify_executed(folder: Path) -> Answer:
    """The same with its notebooks executed again."""
    reseal(folder)
    report = verify_dossier(folder, make=executed_again)
    return Answer(int(not report.ok), (*report.problems, *report.notes))


def _verified(folder: Path) -> Answer:
    report = verify_dossier(folder)
    return Answer(int(not report.ok), (*report.problems, *report.notes, *report.signed.sentences))


ASK: dict[str, Callable[[Path], Answer]] = {
    "check": check,
    "questions": check,
    "conclusion": conclusion,
    "verify": verify,
    "verify, hashes as they are": verify_as_it_is,
    "verify, notebooks executed": verify_executed,
}


# ------------------------------------------------------------------------------------------------------------- planting


def text(file: str, old: str, new: str, count: int = 1) -> Plant:
    """Another text in the place of one, `count` times (all: -1)."""

    def plant(folder: Path) -> None:
        path = folder / file
        before = path.read_text(encoding="utf-8-sig")
        assert old in before, f"{file} does not hold {old}"
        path.write_text(before.replace(old, new, count), encoding="utf-8")

    return plant


def plan(old: str, new: str) -> Plant:
    """Another plan, frozen as the clean one was."""

    def plant(folder: Path) -> None:
        text("plan.yaml", old, new)(folder)
        frozen_before(folder)

    return plant


def frozen_before(folder: Path) -> None:
    """Freeze the plan as it stands at the time at which the clean one was frozen."""
    history, lock = generator().frozen([((folder / "plan.yaml").read_bytes(), "2026-03-02T09:15:00+01:00", None)])
    shutil.rmtree(folder / "history", ignore_errors=True)
    write_files(folder, {**history, "plan.lock": lock})


def rows(file: str, change: Callable[[Rows], object]) -> Plant:
    """Other rows of a worksheet, written by its own separators."""

    def plant(folder: Path) -> None:
        path = folder / file
        raw = path.read_text(encoding="utf-8-sig")
        mark = ";" if ";" in raw.splitlines()[0] else ","
        found = list(csv.DictReader(io.StringIO(raw), delimiter=mark))
        change(found)
        out = io.StringIO()
        writer = csv.DictWriter(out, found[0], delimiter=mark, lineterminator="\n")
        writer.writeheader()
        writer.writerows(found)
        path.write_text(out.getvalue(), encoding="utf-8")

    return plant


def of_run(found: Rows, run: str) -> Rows:
    """The rows of a run, by level, in the order in which they were read."""
    return sorted((row for row in found if row["run"] == run), key=lambda row: (float(row["level"]), int(row["order"])))


def run_copied(found: Rows) -> None:
    for one, other in zip(of_run(found, "R2"), of_run(found, "R7"), strict=True):
        other["result"] = one["result"]


def reading_twice(found: Rows) -> None:
    found.append({**found[-1], "reading": "P-145"})


def results(change: Callable[[dict[str, str]], str], run: str = "") -> Callable[[Rows], None]:
    def changed(found: Rows) -> None:
        for row in found:
            if run in ("", row["run"]):
                row["result"] = change(row)

    return changed


def to_zero_and_five(found: Rows) -> None:
    for number, row in enumerate(found):
        if number % 3:
            row["result"] = f"{5 * round(20 * float(row['result'])) / 100:.2f}"


def zero_blanks(found: Rows) -> None:
    for row in found:
        row["result"] = "0,000" if row["level"] == "0" else row["result"]


def one_vial(found: Rows) -> None:
    for row in found:
        row["preparation"] = f"N{row['level']}-{row['run']}"


def digits_swapped(found: Rows) -> None:
    """2.93 for 2.39: the last two digits of one result."""
    row = next(row for row in of_run(found, "R5") if row["result"][-1] != row["result"][-2])
    row["result"] = row["result"][:-2] + row["result"][:-3:-1]


def in_the_future(folder: Path) -> None:
    """A run of another century, the lot good until then."""
    text(PRECISION, "2026-03-20T", "2093-03-20T", -1)(folder)
    text("standards/S-01.yaml", "expires: 2026-05-29", "expires: 2093-05-29")(folder)


def on_two_instruments(found: Rows) -> None:
    one, other = of_run(found, "R1"), of_run(found, "R2")
    for first, second in zip(one, other, strict=True):
        second.update(analyst=first["analyst"], time=first["time"])


def by_level(found: Rows) -> None:
    for run in ("R1", "R4"):
        own = of_run(found, run)
        times = sorted(row["time"] for row in own)
        for order, (row, time) in enumerate(zip(own, times, strict=True), 1):
            row.update(order=str(order), time=time)


def on_the_standard(found: Rows) -> None:
    for row in found:
        if row["level"] == "4":
            row["preparation"] = "S-01"


def in_the_calibration(folder: Path) -> None:
    with (folder / CALIBRATION).open(encoding="utf-8", newline="") as stream:
        own = {row["level"]: row["preparation"] for row in csv.DictReader(stream)}

    def same(found: Rows) -> None:
        for row in found:
            row["preparation"] = own.get(row["level"], row["preparation"]) if row["run"] == "R1" else row["preparation"]

    rows(PRECISION, same)(folder)


def excluded_on_one_side(folder: Path) -> None:
    """The twelve highest results at 4 %, each with a reason."""
    with (folder / PRECISION).open(encoding="utf-8", newline="") as stream:
        found = [row for row in csv.DictReader(stream) if row["level"] == "4"]
    for row in sorted(found, key=lambda row: float(row["result"]))[-12:]:
        amend(folder, row["reading"])


def roles_of_one(folder: Path) -> None:
    raw = (folder / "plan.yaml").read_bytes()
    own = generator().roles(
        ("2026-02-26T16:40:00+01:00", "Q1", "prepared", raw), ("2026-03-02T08:30:00+01:00", "Q1", "approved", raw)
    )
    write_files(folder, {"history/roles.csv": own})


def silent(name: str) -> Plant:
    """One of the changes of tests/test_silent_changes.py."""

    return CASES[name][0]


def lock_dated_back(folder: Path) -> None:
    """Another time in plan.lock, its seal as it was."""
    path = folder / "plan.lock"
    lock = json.loads(path.read_text(encoding="utf-8"))
    lock["entries"][0]["time"] = "2026-06-01T09:00:00+00:00"
    path.write_text(json.dumps(lock), encoding="utf-8")


def lock_written_anew(folder: Path) -> None:
    """A plan.lock with an earlier time, whole in itself."""
    raw = (folder / "plan.yaml").read_bytes()
    _, lock = generator().frozen([(raw, "2026-06-01T09:00:00+00:00", None)])
    (folder / "plan.lock").write_bytes(lock)


def frozen_after_the_data(folder: Path) -> None:
    """The same plan, first frozen when the readings were there."""
    _, lock = generator().frozen([((folder / "plan.yaml").read_bytes(), "2026-05-04T09:15:00+02:00", None)])
    (folder / "plan.lock").write_bytes(lock)


def no_reason(folder: Path) -> None:
    """An exclusion written by hand."""
    path = folder / "amendments.csv"
    line = "3,2026-07-06T10:00:00+00:00,A1,exclusion,worksheets/precision.csv,P-009,,,,\n"
    path.write_text(path.read_text(encoding="utf-8") + line, encoding="utf-8")


def pdf_word(folder: Path) -> None:
    """A word of a paragraph, the PDF set anew."""
    making = recorded_making(read_manifest(folder), draft=False)
    document = build_document(record_from(folder, made_here(folder, making, None).rebuilt, making))
    blocks = list(document.blocks)
    at, block = next((n, b) for n, b in enumerate(blocks) if isinstance(b, Paragraph) and " not " in b.text)
    blocks[at] = replace(block, text=block.text.replace(" not ", " now ", 1))
    (folder / "dossier.pdf").write_bytes(render_pdf(replace(document, blocks=tuple(blocks))))


def notebook_output(folder: Path) -> None:
    path = folder / "notebooks" / "trueness.ipynb"
    notebook = json.loads(path.read_text(encoding="utf-8"))
    cell = next(cell for cell in notebook["cells"] if "trueness.bias" in json.dumps(cell.get("outputs", [])))
    cell["outputs"] = json.loads(json.dumps(cell["outputs"]).replace("trueness.bias", "trueness.bios"))
    path.write_text(json.dumps(notebook), encoding="utf-8")


def workbook_cell(folder: Path) -> None:
    """The first number of the first sheet of raw readings."""
    path = folder / "workbook.xlsx"
    with zipfile.ZipFile(path) as book:
        parts = {item: book.read(item) for item in book.namelist()}
    name = next(item for item, raw in parts.items() if item.startswith("xl/worksheets/") and b"<v>2.07</v>" in raw)
    parts[name] = parts[name].replace(b"<v>2.07</v>", b"<v>2.06</v>", 1)
    with zipfile.ZipFile(path, "w") as book:
        for item, raw in parts.items():
            book.writestr(item, raw)


def manifest(**change: Any) -> Plant:
    def plant(folder: Path) -> None:
        path = folder / "manifest.json"
        content = json.loads(path.read_text(encoding="utf-8"))
        versions = {**content["versions"], **change.get("versions", {})}
        path.write_text(json.dumps({**content, **change, "versions": versions}), encoding="utf-8")

    return plant


def selftest(folder: Path) -> None:
    """Every number of the report a little larger."""
    path = folder / "selftest" / "selftest.json"
    path.write_text(json.dumps(_larger(json.loads(path.read_text(encoding="utf-8")))), encoding="utf-8")


def selftest_with_its_hash(folder: Path) -> None:
    selftest(folder)
    path = folder / "selftest" / "selftest.json"
    report = json.loads(path.read_text(encoding="utf-8"))
    plain = json.dumps(report["content"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    report["sha256"] = hashlib.sha256(plain.encode("utf-8")).hexdigest()
    path.write_text(json.dumps(report), encoding="utf-8")


def _larger(item: Any) -> Any:
    if isinstance(item, dict):
        return {key: _larger(value) for key, value in item.items()}
    if isinstance(item, list):
        return [_larger(value) for value in item]
    return item * 1.01 if isinstance(item, float) else item


def forged_verdict(folder: Path) -> None:
    path = folder / "results.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    row = content["requirements"][0]
    row["outcome"] = "not met" if row["outcome"] == "met" else "met"
    path.write_text(json.dumps(content), encoding="utf-8")


def forged_html(folder: Path) -> None:
    """The first number of a table of page 1 or later that reads as a bias."""
    path = folder / "dossier.html"
    page = path.read_text(encoding="utf-8")
    head, body = page[: page.index("<body")], page[page.index("<body") :]
    number = re.search(r"0\.0\d\d\d?(?=\s%)", body)
    assert number is not None
    path.write_text(head + body.replace(number.group(), "0.300", 1), encoding="utf-8")


def signed_then(change: Plant) -> Plant:
    """Signed with a test certificate, then changed."""

    def plant(folder: Path) -> None:
        key = signing.write_test_certificate(folder.parent, datetime.now(UTC))
        signing.sign_dossier(folder, role="prepared", name="A. One", key=key, now=datetime.now(UTC))
        change(folder)
        (folder.parent / key.name).unlink()

    return plant


def appended(folder: Path) -> None:
    with (folder / SIGNED).open("ab") as stream:
        stream.write(b"\n% later")


def signed_twice(folder: Path) -> None:
    """One person as prepared and as approved."""
    key = signing.write_test_certificate(folder.parent, datetime.now(UTC))
    for role in ("prepared", "approved"):
        signing.sign_dossier(folder, role=role, name="A. One", key=key, now=datetime.now(UTC))
    (folder.parent / key.name).unlink()


def predecessor_seal(folder: Path) -> None:
    """The issue before, changed and sealed anew, beside the next one."""
    before = folder.parent / "001"
    manifest(ended="2026-01-01T00:00:00+00:00")(before)
    reseal(before)


_ACT, _CHECK = "conclusion", "check"
_SETTING = "name: result above which the purge is prolonged, value: 5"
_AGE = "    - {name: age of an opened vial"

FAULTS: tuple[Fault, ...] = (
    # Changes without an amendment.
    Fault("a reading changed", "silent", PRECISION, _CHECK, silent("a reading"), "2.07 became 2.05 without"),
    Fault("a row deleted", "silent", PRECISION, _CHECK, silent("a row"), "the row was there and is gone"),
    Fault("history/ deleted", "silent", "history/", _CHECK, silent("the history"), "history/readings.csv is gone"),
    Fault(
        "the record of readings edited", "silent", "history/readings.csv", _CHECK,
        text("history/readings.csv", "2.07", "2.05"), "history/readings.csv, row",
    ),
    Fault("an amendment deleted", "silent", "amendments.csv", _CHECK, silent("an amendment"), "Amendment 2 is gone"),
    Fault("an amendment edited", "silent", "amendments.csv", _CHECK, silent("an edited amendment"), "was changed, new"),
    Fault("the plan changed after its freeze", "silent", "plan.yaml", _CHECK, silent("the plan"), "was changed after"),
    Fault("plan.lock deleted", "silent", "plan.lock", _CHECK, silent("the lock"), "plan.lock is gone"),
    Fault("plan.lock dated back", "silent", "plan.lock", _CHECK, lock_dated_back, "plan.lock"),
    Fault("plan.lock dated back, written anew", "silent", "plan.lock", _CHECK, lock_written_anew, "plan.lock"),
    Fault("requirements set after the data", "study", "plan.lock", _ACT, frozen_after_the_data,
          "Set after the first reading"),
    Fault("an exclusion without a reason", "silent", "amendments.csv", _CHECK, no_reason, "amendments.csv, row 4"),
    # Statements that do not go together.
    Fault(
        "the purge threshold above its evidence", "study", "plan.yaml", _ACT,
        plan(_SETTING, _SETTING[:-1] + "20"), "keeps its limit up to",
    ),
    Fault(
        "a standard older than stability shows", "study", "standards/S-01.yaml", _ACT,
        text("standards/S-01.yaml", "2026-02-26", "2025-12-26", -1), "was read up to an age of",
    ),
    Fault(
        "a budget component half of what was measured", "study", "plan.yaml", _ACT,
        plan("sum(0.03, 1.8%)", "sum(0.015, 0.9%)"), "Component sample reading of the budget",
    ),
    Fault("the uncertainty of the reference values not stated", "study", PRECISION, _ACT,
          text(PRECISION, ",u_level\n", ",remark\n"), "(column u_level)"),
    Fault(
        "an uncertainty below that of the lot record", "study", "plan.yaml", _ACT,
        plan("uncertainty: 0.0256", "uncertainty: 0.010"), "The plan states a standard uncertainty of",
    ),
    Fault(
        "a limit judged in one matrix, used in another", "study", "plan.yaml", _ACT,
        plan("matrix: new oil\n  customer", "matrix: empty vial\n  customer"), "results are reported for empty vial",
    ),
    Fault(
        "a detection limit above the limit in the matrix in use", "study", "plan.yaml", _ACT,
        plan("matrix: new oil\n  customer", "matrix: used oil\n  customer"), "above its limit of",
    ),
    Fault(
        "two tolerances for one factor", "study", "plan.yaml", _ACT,
        plan(_AGE, f'{_AGE} in the cupboard, value: 7, unit: d, kind: age limit, supported_by: '
                   '{quantity: stability.change, at: in use}}\n' + _AGE), "The plan states 7 d",
    ),
    Fault(
        "two limits for one quantity", "study", "plan.yaml", _ACT,
        plan("  - {id: R3,", "  - {id: R9, quantity: intermediate_precision.s_I, at: 4.0, rule: point, limit: 0.3, "
             "origin: invented}\n  - {id: R3,"), "set different limits for",
    ),
    Fault("readings of another grade", "study", PRECISION, _ACT,
          rows(PRECISION, lambda found: [row.update(grade="OG-K") for row in found]), "the grade of the study is OG-N"),
    # Raw data.
    Fault("a run identical to another", "study", PRECISION, "questions", rows(PRECISION, run_copied), "Runs R2 and R7"),
    Fault("a reading under two names", "study", PRECISION, "questions", rows(PRECISION, reading_twice),
          "The same but for the identifier"),
    Fault("a run ten times too high", "study", PRECISION, "questions",
          rows(PRECISION, results(lambda row: f"{10 * float(row['result']):.2f}", "R3")), "are 10 times those of"),
    Fault("one reading a tenth", "study", PRECISION, "questions",
          rows(PRECISION, lambda found: of_run(found, "R3")[10].update(result="0.41")), "is 1/10 of the other"),
    Fault("all replicates of one preparation", "study", PRECISION, "questions", rows(PRECISION, one_vial),
          "several readings of one preparation"),
    Fault("last digits 0 and 5", "study", PRECISION, "questions", rows(PRECISION, to_zero_and_five), "end in 0 or 5"),
    Fault("all blanks exactly zero", "study", BLANKS, "questions", rows(BLANKS, zero_blanks), "are zero to the last"),
    Fault("a run of assigned values", "study", PRECISION, "questions",
          rows(PRECISION, results(lambda row: row["assigned"][:-1], "R3")), "is exactly the assigned value"),
    Fault("a run without scatter", "study", PRECISION, "questions",
          rows(PRECISION, results(lambda row: f"{1.01 * float(row['level']):.2f}", "R3")), "scatter far less"),
    Fault("dates in the future", "study", PRECISION, _CHECK, in_the_future, "Dated in the future"),
    Fault("one analyst in two places", "study", PRECISION, "questions", rows(PRECISION, on_two_instruments),
          "in the same minute"),
    Fault("runs in the order of their levels", "study", PRECISION, "questions", rows(PRECISION, by_level),
          "measured in the order of the levels"),
    Fault("numbers missing", "study", PRECISION, "questions", rows(PRECISION, lambda found: found.pop(16)),
          "is missing between"),
    Fault("times written afterwards", "study", PRECISION, "questions",
          rows(PRECISION, lambda found: [row.update(time=row["time"][:11] + f"{int(row['order']) + 3:02d}:00")
                                         for row in found]), "are full hours"),
    Fault("exclusions on one side", "study", "amendments.csv", "questions", excluded_on_one_side,
          "excluded readings lay above"),
    Fault("an analyst whom the plan does not list", "study", PRECISION, "questions",
          text(PRECISION, ",A3,", ",A9,", -1), "The analyst A9 is not listed"),
    # Others.
    Fault("two digits swapped against the instrument's export", "study", PRECISION, _CHECK,
          rows(PRECISION, digits_swapped), "in line"),
    Fault("the standard read as a blend of the bias", "study", PRECISION, "questions", rows(PRECISION, on_the_standard),
          "are of S-01, which also calibrates"),
    Fault("a preparation of the calibration read as a blend, the budget calls it independent", "study", PRECISION,
          _ACT, in_the_calibration, "do not rest on the routine standard"),
    Fault("a correlation coefficient as requirement for linearity", "study", "plan.yaml", _CHECK,
          plan("quantity: trueness.bias, rule: equivalence", "quantity: calibration.correlation, rule: lower bound"),
          "A correlation coefficient does not show"),
    Fault("the p value of a t-test as requirement for no bias", "study", "plan.yaml", _CHECK,
          plan("quantity: trueness.bias, rule: equivalence", "quantity: trueness.t_test, rule: lower bound"),
          "A large p shows few readings"),
    Fault("an expired balance", "study", "plan.yaml", _CHECK,
          lambda folder: (plan("valid_until: 2026-03-31", "valid_until: 2026-01-31")(folder),
                          text("standards/S-01.yaml", "certificate_valid_until: 2026-03-31",
                               "certificate_valid_until: 2026-01-31", -1)(folder)), "BAL-2"),
    Fault("one person prepared and approved", "study", "history/roles.csv", _CHECK, roles_of_one,
          "Q1 prepared and approved the plan"),
    # Forgeries in a dossier, its hashes made again.
    Fault("a number", "dossier", "dossier.html", "verify", forged_html, "dossier.html: “"),
    Fault("a word", "dossier", "dossier.pdf", "verify", pdf_word, "dossier.pdf: “"),
    Fault("a verdict", "dossier", "results.json", "verify", forged_verdict, "results.json: requirements"),
    Fault("a figure", "dossier", "figures/", "verify", text("figures/trueness-bias_by_level.svg", "0.2", "0.1"),
          "not the figure that the inputs give"),
    Fault("the source of a notebook", "dossier", "notebooks/", "verify",
          text("notebooks/trueness.ipynb", "chapter.readings()", "chapter.notes()"), "its source is another"),
    Fault("an output of a notebook", "dossier", "notebooks/", "verify, notebooks executed", notebook_output,
          "its output is another", thorough=True),
    Fault("a cell of the workbook", "dossier", "workbook.xlsx", "verify", workbook_cell, "not the workbook that"),
    Fault("a reading of the inputs", "dossier", "inputs/worksheets/", "verify",
          text("inputs/worksheets/precision.csv", "2.07", "2.05"), "inputs/worksheets/precision.csv, row 3",
          thorough=True),
    Fault("a lot record of the inputs", "dossier", "inputs/standards/", "verify",
          text("inputs/standards/S-01.yaml", "mass_g: 1.0003", "mass_g: 1.0103"), "inputs/standards/S-01.yaml",
          thorough=True),
    Fault("a file of records swapped", "own dossier", "inputs/records/", "verify",
          text("inputs/records/export-R5.csv", "invented export", "another export"), "dossier.html: ", thorough=True),
    Fault("the issue before, sealed anew", "issues", "predecessor", "verify", predecessor_seal,
          "predecessor: ", thorough=True),
    Fault("the time of the run", "dossier", "manifest.json", "verify",
          manifest(started="2026-01-01T00:00:00+00:00", ended="2026-01-01T00:00:09+00:00"),
          "the run started 2026-01-01"),
    Fault("the time of the run, later than its inputs", "dossier", "manifest.json", "verify",
          manifest(started="2026-08-01T00:00:00+00:00", ended="2026-08-01T00:00:09+00:00"), ""),
    Fault("the version of the program", "dossier", "manifest.json", "verify",
          manifest(versions={"validation": "0.6.0"}), "no version up to that one gave"),
    Fault("the self-test report", "dossier", "selftest/", "verify", selftest, "selftest/selftest.json: ",
          thorough=True),
    Fault("the self-test report, its own hash made again", "dossier", "selftest/", "verify", selftest_with_its_hash,
          "dossier.html: ", thorough=True),
    Fault("bytes behind the signatures", "dossier", "dossier.signed.pdf", "verify, hashes as they are",
          signed_then(appended), "does not cover the entire file"),
    Fault("one person signed as prepared and approved", "dossier", "dossier.signed.pdf", "verify, hashes as they are",
          signed_twice, "The same person, A. One"),
    Fault("a page without new hashes", "dossier", "dossier.html", "verify, hashes as they are", forged_html,
          "dossier.html: "),
)  # fmt: skip


# ---------------------------------------------------------------------------------------------------------------- bases


def clean_study(folder: Path) -> Path:
    """Frozen before its readings, with an export, a lot record and nothing amended."""
    made, truth, raw = generator(), clean_truth(SEED), PLAN.read_bytes()
    sheets = made.measured(truth, SEED)
    for row in sheets["precision"]:
        row["u_level"] = f"{0.002 * float(row['assigned']):.4f}"
    own = [f"worksheets/{name}.csv" for name in ("calibration", "precision", "blanks", "carry-over", "stability")]
    files = {name: content for name, content in made.worksheets(sheets).items() if name in own}
    write_files(folder, {**files, **made.lot_records("S-01"), "plan.yaml": raw})
    write_files(folder, {"records/export-R5.csv": made.export(sheets["precision"], "R5").encode()})
    frozen_before(folder)
    return folder


def small_study(folder: Path) -> Path:
    """Frozen, read, amended twice, with the inputs of one dossier: as in tests/test_silent_changes.py."""
    write_study(folder)
    freeze(folder, "Q1", NOW)
    record_readings(load_study(folder))
    amend(folder, "P-003", "correction", "result", "4.15")
    amend(folder, "P-005")
    record_readings(load_study(folder))
    copy_inputs(load_study(folder), folder / "dossiers" / "001" / "inputs")
    return folder


def issue_of_the_clean_study(folder: Path) -> Path:
    _run(clean_study(folder / "study"))
    return folder / "study" / "dossiers" / "001"


def _run(study: Path) -> None:
    """A run that executes no notebook."""
    with pytest.MonkeyPatch.context() as patch:
        without_kernels(patch)
        run_study(study)


@dataclass
class Bases:
    """The clean folders, each made once; `dossier` and `issues` are those of the tests."""

    place: Path
    dossier: Callable[[], Path]
    made: dict[str, Path]

    def clean(self, base: str) -> Path:
        if base not in self.made:
            make: dict[str, Callable[[], Path]] = {
                "study": lambda: clean_study(self.place / "study"),
                "silent": lambda: small_study(self.place / "silent"),
                "dossier": self.dossier,
                "own dossier": lambda: issue_of_the_clean_study(self.place / "own"),
                "issues": self._issues,
            }
            self.made[base] = make[base]()
        return self.made[base]

    def _issues(self) -> Path:
        """A second issue of the dossier's study."""
        study = Path(shutil.copytree(self.dossier().parents[1], self.place / "two"))
        _run(study)
        return study / "dossiers" / "002"

    def copy(self, base: str) -> Path:
        """A copy of a clean folder; of a second issue with the one before beside it."""
        clean, target = self.clean(base), Path(tempfile.mkdtemp(dir=self.place))
        if base == "issues":
            return Path(shutil.copytree(clean.parent, target / "dossiers")) / clean.name
        return Path(shutil.copytree(clean, target / clean.name))


def answer(fault: Fault, bases: Bases) -> Answer:
    """What the program says of a copy with the fault."""
    folder = bases.copy(fault.base)
    fault.plant(folder)
    return ASK[fault.by](folder)


def answer_of_the_clean(base: str, by: str, bases: Bases) -> Answer:
    """What it says of the same copy without any."""
    return ASK[by](bases.copy(base))


def line_of(number: int, fault: Fault, given: Answer) -> str:
    """One line of the table."""
    sentence = given.sentence(fault.words)
    short = sentence if len(sentence) <= 260 else f"{sentence[:257]}..."
    cells = (str(number), fault.name, fault.where, fault.by, str(given.code), short.replace("|", "/"))
    return f"| {' | '.join(cells)} |"


HEAD = ("| no. | fault | planted in | told by | exit code | sentence |", "|---|---|---|---|---|---|")


def lines(faults: Sequence[Fault], bases: Bases) -> Iterator[str]:
    for fault in faults:
        yield line_of(FAULTS.index(fault) + 1, fault, answer(fault, bases))


def written(page: str, marks: tuple[str, str], text_between: str) -> str:
    """The page with another text between two marks."""
    before, rest = page.split(marks[0])
    return f"{before}{marks[0]}\n{text_between}\n{marks[1]}{rest.split(marks[1])[1]}"


def write_page(place: Path) -> None:
    """Every fault planted, and the table written."""
    with pytest.MonkeyPatch.context() as patch:
        (place / "cache").mkdir()
        few_checks(patch, place / "cache")
        study = place / "sealed" / "study"
        write_amended_study(study)
        shutil.rmtree(study / "dossiers")
        run_study(study)
        table = "\n".join((*HEAD, *lines(FAULTS, Bases(place, lambda: study / "dossiers" / "001", {}))))
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8"), MARKS, table), encoding="utf-8")


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as made:
        write_page(Path(made))
