"""The self-test: it holds here, it fails where one constant is wrong, and its report shows every check."""

from __future__ import annotations

import copy
import importlib.machinery
import json
import os
import pickle
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import dataclass
from datetime import UTC, datetime
from html import unescape
from io import StringIO
from math import floor
from pathlib import Path
from types import ModuleType
from typing import Any

import jsonschema
import numpy as np
import pypdf
import pytest
from study_folder import write_study

from validation import cli, program, resources
from validation.dossier.attached import attached_selftest
from validation.dossier.manifest import versions
from validation.dossier.registers import selftest_sentence
from validation.selftest import numerics, published
from validation.selftest.checks import Check, CoverageRow, half_a_unit
from validation.selftest.collect import content_hash
from validation.selftest.report import PAGE, PRINT, RECORD, Written, build_report, minus, run_selftest
from validation.stats import detection, intervals, one_way, outliers, precision, reproducibility
from validation.words import THIN_SPACE

ROOT = Path(__file__).parent.parent
REFERENCE = Path(__file__).parent / "reference"
NAMES = sorted(path.stem for path in REFERENCE.glob("*.yaml") if path.name not in published.OTHER_FILES)


def clock() -> datetime:
    return datetime(2026, 7, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def written(once: Callable[..., Path]) -> Written:
    """Read only: a report of these calculations, and what it rests on."""

    def write(folder: Path) -> None:
        (folder / "written").write_bytes(pickle.dumps(run_selftest(folder / "Prüfung", now=clock)))

    return pickle.loads((once("selftest", write) / "written").read_bytes())


@dataclass(frozen=True)
class Again:
    """A second report by the command, put into a study too, where an earlier one was."""

    study: Path
    out: Path
    said: dict[str, Any]


@pytest.fixture(scope="module")
def again(written: Written, tmp_path_factory: pytest.TempPathFactory) -> Again:
    folder = tmp_path_factory.mktemp("again")
    study, out = write_study(folder / "study"), Path(shutil.copytree(written.folder, folder / "out"))
    (out / PAGE).write_text("old", encoding="utf-8")
    (out / "note.txt").write_text("mine", encoding="utf-8")
    with redirect_stdout(StringIO()) as said:
        assert cli.main(["selftest", "--study", str(study), "--out", str(out), "--json"]) == 0
    return Again(study, out, json.loads(said.getvalue()))


@pytest.fixture
def no_coverage(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the extract of the coverage studies, which takes longer than all other checks."""
    monkeypatch.setattr("validation.selftest.coverage.extract", lambda seed: [])


@pytest.fixture(scope="module")
def record(written: Written) -> dict:
    return json.loads((written.folder / RECORD).read_text(encoding="utf-8"))


# What is compared ------------------------------------------------------------------------------------------------


def test_every_check_holds_here(written):
    assert written.result.failures == []
    assert written.result.count > 600


@pytest.mark.parametrize("name", NAMES)
def test_every_printed_value_is_compared_or_left_aside_with_a_reason(name):
    content = published.example(REFERENCE, name)
    if name in published.CERTIFIED:
        compared = {
            check.statistic for check in numerics.numerics(REFERENCE, witnesses=[]).checks if check.case == name
        }
        assert compared == set(content["expected"])
        return
    checks, left = published.compare(REFERENCE, name)
    assert {check.statistic for check in checks} >= set(content["expected"]) - {item.statistic for item in left}
    assert {item.statistic: item.reason for item in left} == dict(published.LEFT.get(name, {}))
    assert all(check.route for check in checks)


def test_every_file_of_the_folder_is_used_or_named():
    # SOURCE.md tells where a folder comes from.
    there = {path.name for path in REFERENCE.iterdir()} - {"SOURCE.md"}
    assert there == {f"{name}.yaml" for name in NAMES} | set(published.OTHER_FILES)
    assert set(NAMES) == set(published.EXAMPLES) | set(published.CERTIFIED)


def test_a_printed_value_is_held_to_half_a_unit_of_its_last_digit(written):
    assert [half_a_unit(text) for text in ("0.0029", "2340", "0.165E-01", "66.5")] == [5e-5, 0.5, 5e-5, 0.05]
    for check in written.result.checks:
        if check.route and not check.reference and check.case in published.EXAMPLES:
            assert check.tolerance == half_a_unit(check.printed)
            assert check.ok == (abs(check.computed - float(check.printed)) <= check.tolerance * 1.000001)


def test_discrepancies_of_a_source_are_never_passed_over():
    for name in published.EXAMPLES:
        content = published.example(REFERENCE, name)
        checks, left = published.compare(REFERENCE, name)
        aside = {item.statistic for item in left}
        for key in content.get("discrepancies", {}):
            said = [check.note for check in checks if check.statistic == key]
            assert key in aside or any(said), f"{name}, {key}"


def test_what_is_recalled_says_so(written):
    for check in written.result.checks:
        if check.case in NAMES:
            recalled = published.example(REFERENCE, check.case)["status"] == "from-memory"
            assert (check.address == "from memory") == recalled, check.name


# A wrong constant ------------------------------------------------------------------------------------------------


def one_df_more(quantile):
    """A quantile for one degree of freedom too many."""
    return lambda p, df: quantile(p, df + 1)


PLANTED = {
    "limit factor of precision": (precision, "LIMIT_FACTOR", lambda old: 2.8, "prc-limit-factor, factor"),
    "limit factor of reproducibility": (reproducibility, "LIMIT_FACTOR", lambda old: 2.8, "prc-limit-factor, factor"),
    "t of the bias": (intervals, "t_quantile", one_df_more, "tol-five-readings, mean_low"),
    "chi-square of a standard deviation": (intervals, "chi_square_quantile", one_df_more, "tol-five-readings, s_high"),
    "share of spiked replicates": (detection, "SPIKED_CONFIDENCE", lambda old: 0.95, "det-cfr136-t-table, t_df6"),
    "degrees of freedom of a fit": (
        intervals,
        "sd_interval",
        lambda old: lambda s, df, confidence: old(s, df + 1, confidence),
        "det-cfr136-t-table, lcl95_df6",
    ),
    "critical value": (
        outliers,
        "cochran_critical",
        lambda old: lambda p, n, alpha: old(p, n, alpha / 2),
        "tab-cochran-5pc, p2_n3",
    ),
}


@pytest.mark.parametrize("what", PLANTED)
def test_a_planted_error_is_found_and_named(what, monkeypatch):
    module, name, wrong, expected = PLANTED[what]
    monkeypatch.setattr(module, name, wrong(getattr(module, name)))
    checks, _ = published.compare(REFERENCE, expected.partition(",")[0])
    assert expected in [check.name for check in checks if not check.ok]


def test_a_planted_error_in_a_sum_of_squares_is_found(monkeypatch):
    plain = one_way.one_way

    def wrong(groups, **named):
        result = plain(groups, **named)
        return type(result)(
            **{f: getattr(result, f) for f in result.__slots__} | {"ms_within": result.ms_within * 1.001}
        )

    monkeypatch.setattr(numerics, "one_way", wrong)
    failed = [check.name for check in numerics.numerics(REFERENCE, witnesses=[]).checks if not check.ok]
    assert {"SmLs07, ms_within", "SiRstv, ss_within"} <= set(failed)


@pytest.mark.usefixtures("no_coverage")
def test_the_command_ends_with_one_and_names_the_check(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(precision, "LIMIT_FACTOR", 2.8)

    def broken(*arguments):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(outliers, "grubbs_single_critical", broken)
    assert cli.main(["selftest", "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr()
    assert "FAILED  prc-limit-factor, factor: expected 2.77, computed 2.8" in said.err
    assert "FAILED  tab-grubbs-two-sided, n8_5: expected 2.126, but the calculation gave no value." in said.err
    assert "ZeroDivisionError: planted" in said.err
    assert "The self-test fails: " in said.err
    assert "Traceback" not in said.err + said.out
    page = visible((tmp_path / "out" / PAGE).read_text(encoding="utf-8"))
    assert "Failed: prc-limit-factor, factor" in page
    assert "does not agree" in page


@pytest.mark.thorough
def test_a_copy_with_one_planted_constant_is_another_program_and_fails(written, tmp_path):
    for name in ("validation", "templates"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(REFERENCE, tmp_path / "tests" / "reference")
    (tmp_path / "validation" / "selftest" / "coverage.py").unlink()  # a report without its extract is a report too
    file = tmp_path / "validation" / "stats" / "estimate.py"
    text = file.read_text(encoding="utf-8")
    assert "LIMIT_FACTOR = 1.96 * sqrt(2)" in text
    file.write_text(text.replace("LIMIT_FACTOR = 1.96 * sqrt(2)", "LIMIT_FACTOR = 2.0 * sqrt(2)"), encoding="utf-8")
    command = [sys.executable, "-m", "validation", "selftest", "--out", "out", "--json"]
    environment = {**os.environ, "PYTHONPATH": str(tmp_path)}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stderr
    told = json.loads(done.stdout)
    assert not told["ok"]
    assert all(line.startswith("prc-limit-factor, factor") for line in told["failed"])
    other = json.loads((tmp_path / "out" / RECORD).read_text(encoding="utf-8"))["content"]["software"]
    assert other["versions"] == written.result.software["versions"]
    assert other["program_sha256"] != written.result.software["program_sha256"]


def test_a_hash_over_files_is_that_of_sha256sum(tmp_path):
    if shutil.which("sha256sum") is None:
        pytest.skip("this system has no sha256sum")
    (tmp_path / "b").mkdir()
    names = ["a.py", "b/c.py", "b/d.py"]
    for name in names:
        (tmp_path / name).write_text(f"# {name}\n", encoding="utf-8")
    listing = subprocess.run(["sha256sum", *names], cwd=tmp_path, capture_output=True, check=True).stdout
    done = subprocess.run(["sha256sum"], input=listing, capture_output=True, check=True)
    assert done.stdout.decode().split()[0] == program.files_hash(
        tmp_path, [tmp_path / name for name in reversed(names)]
    )


# Correct digits --------------------------------------------------------------------------------------------------


def test_correct_digits_are_the_log_relative_error():
    # By hand: |3.14 - 3.14159| / 3.14159 = 5.0611e-4, its logarithm -3.2958; capped at the digits printed and at 14.
    assert numerics.lre(3.14, "3.14159") == pytest.approx(3.2958, abs=5e-5)
    assert numerics.lre(0.5, "0.500") == 3
    assert numerics.lre(1.0, "1.00000000000000000000") == 14
    assert [numerics.lre(value, "1.00") for value in (None, float("nan"), -40.0)] == [0, 0, 0]


def test_no_set_is_missing(written):
    one_way_sets = [f"SmLs0{number}" for number in range(1, 10)] + ["SiRstv", "AtmWtAg"]
    assert {row.case for row in written.result.digits} == {*one_way_sets, *published.CERTIFIED}
    assert all(len(row.certified.replace(".", "").split("E")[0].lstrip("-0")) >= 14 for row in written.result.digits)


def test_ours_is_never_below_the_best_of_the_others(written):
    for row in written.result.digits:
        others = dict(row.others)
        assert "statsmodels" in others
        if row.case not in published.CERTIFIED:
            assert row.ours >= max(others.values()), row
            assert row.ours == row.cap, row
        else:
            assert floor(row.ours) >= max(floor(value) for value in others.values()), row


def test_a_better_library_fails_the_check():
    better = numerics.Witness("better", "1", {"cal-nist-pontius": {"b0": 0.673565789473684e-3}})
    checks = [c for c in numerics.numerics(REFERENCE, witnesses=[better]).checks if c.rule == "at least"]
    (check,) = checks
    # Ours has 12.3 of 14 digits here, or all of them where the fit is solved exactly.
    assert check.ok == (check.computed == 14)


def test_an_absent_r_is_named_in_a_sentence(monkeypatch):
    sets = numerics.datasets(REFERENCE)[-1:]
    monkeypatch.setattr(shutil, "which", lambda name: None)
    scipy, statsmodels, r = numerics.all_witnesses(sets)
    assert (scipy.absent, statsmodels.absent, r.values) == ("", "", {})
    assert r.absent == "R (Rscript) is not on this machine and was left out."


@pytest.mark.parametrize(
    ("body", "said"),
    [("sleep 5", "did not answer within"), ("exit 3", "did not compute"), ("echo x", "did not compute")],
)
def test_an_r_that_does_not_answer_is_left_out(monkeypatch, tmp_path, body, said):
    if os.name == "nt":
        pytest.skip("the stand-in is a shell script")
    stand_in = tmp_path / "Rscript"
    stand_in.write_text(f"#!/bin/sh\nexec {body}\n" if body.startswith("sleep") else f"#!/bin/sh\n{body}\n")
    stand_in.chmod(0o755)
    monkeypatch.setattr(shutil, "which", lambda name: str(stand_in))
    monkeypatch.setattr(numerics, "R_TIMEOUT", 0.3)
    *_, r = numerics.all_witnesses(numerics.datasets(REFERENCE)[-1:])
    assert said in r.absent
    assert r.values == {}


# Coverage --------------------------------------------------------------------------------------------------------


def test_the_extract_of_the_coverage_studies_is_taken_up_where_there_is_one(monkeypatch, tmp_path):
    rows = [
        CoverageRow("precision", "s_I", "8 runs of 3", 0.95, 0.948, 4000, 0.935, 0.965),
        CoverageRow("precision", "s_run", "8 runs of 3", 0.95, 0.90, 4000, 0.935, 0.965, "Planted."),
    ]
    seeds = []
    module = ModuleType("validation.selftest.coverage")
    module.__spec__ = importlib.machinery.ModuleSpec(module.__name__, None)
    module.extract = lambda seed: seeds.append(seed) or rows
    monkeypatch.setitem(sys.modules, module.__name__, module)
    result = run_selftest(tmp_path, now=clock).result
    assert len(seeds) == 1
    assert result.failures == [rows[1].in_words()]
    page = visible((tmp_path / PAGE).read_text(encoding="utf-8"))
    assert "0.9480" in page
    assert "does not hold" in page
    # Binomial: sqrt(0.9 * 0.1 / 4000) = 0.0047.
    assert rows[1].standard_error == pytest.approx(0.0047, abs=5e-5)


# The report ------------------------------------------------------------------------------------------------------


def visible(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.partition("<body>")[2])).split())


def shown(check: Check) -> list[str]:
    """What the report shows of a check."""
    if check.rule == "at least":
        return [check.statistic.removeprefix("correct digits of ")]
    return [check.statistic, minus(check.printed)]


def test_the_page_shows_every_check(written):
    page = (written.folder / PAGE).read_text(encoding="utf-8")
    rows = [
        [unescape(re.sub(r"<[^>]+>", "", cell)) for cell in re.findall(r"<td.*?</td>", row, flags=re.DOTALL)]
        for row in re.findall(r"<tr>.*?</tr>", page, flags=re.DOTALL)
    ]
    for check in written.result.checks:
        wanted = shown(check)
        assert any(all(cell in row for cell in wanted) for row in rows), check.name
    assert sum("agrees" in row for row in rows) == sum(check.rule == "agrees" for check in written.result.checks)
    for name, source in written.result.sources.items():
        if name in published.EXAMPLES:
            assert unescape(source["title"]) in visible(page).replace(" ,", ",") or "_" in source["title"]
    for item in written.result.left:
        assert any(item.statistic in row and item.reason in row for row in rows), item


def test_the_print_shows_every_check(written):
    pages = pypdf.PdfReader(written.folder / PRINT).pages
    text = re.sub(r"[\s\u200b]+", "", "".join(page.extract_text() for page in pages)).replace(THIN_SPACE, "")
    for check in written.result.checks:
        for part in shown(check):
            assert re.sub(r"\s+", "", part) in text, check.name
    assert written.result.sha256 in text


def test_the_report_says_on_what_it_was_made(written):
    page = visible((written.folder / PAGE).read_text(encoding="utf-8"))
    software = written.result.software
    for fact in (software["program_sha256"], software["reference_sha256"], written.result.sha256):
        assert fact in page
    for fact in (*written.result.machine.values(), *versions().values()):
        assert " ".join(fact.split()) in page
    assert f"all {written.result.count} checks passed" in page
    assert "dossier" not in page.partition("Contents")[0].lower()


SCHEMA = {
    "type": "object",
    "required": ["format", "sha256", "content", "made"],
    "additionalProperties": False,
    "properties": {
        "format": {"const": 1},
        "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
        "made": {
            "type": "object",
            "required": ["started", "ended"],
            "additionalProperties": {"type": "string", "format": "date-time"},
        },
        "content": {
            "type": "object",
            "required": [
                *("kind", "software", "machine", "count", "failed", "checks", "not_compared"),
                *("correct_digits", "coverage", "sources"),
            ],
            "additionalProperties": False,
            "properties": {
                "kind": {"const": "validation self-test"},
                "count": {"type": "integer"},
                "failed": {"type": "integer"},
                "software": {
                    "type": "object",
                    "required": ["versions", "program_sha256", "reference_sha256", "witnesses"],
                },
                "machine": {"type": "object", "required": ["platform", "processor", "python", "linear_algebra"]},
                "checks": {
                    "type": "array",
                    "items": {
                        "type": "object",
                        "required": [
                            *("area", "case", "statistic", "document", "clause", "address", "printed"),
                            *("computed", "difference", "tolerance", "ok"),
                        ],
                        "properties": {
                            "printed": {"type": "string"},
                            "computed": {"type": ["number", "null"]},
                            "difference": {"type": ["number", "null"]},
                            "tolerance": {"type": "number"},
                            "ok": {"type": "boolean"},
                            "rule": {"enum": ["agrees", "at least"]},
                        },
                    },
                },
                "not_compared": {"type": "array", "items": {"required": ["case", "statistic", "printed", "reason"]}},
                "correct_digits": {"type": "array", "items": {"required": ["certified", "cap", "ours", "others"]}},
                "coverage": {"type": ["array", "null"]},
                "sources": {"type": "object"},
            },
        },
    },
}


def test_the_record_keeps_its_schema(record):
    jsonschema.validate(record, SCHEMA)
    assert record["content"]["count"] == len(record["content"]["checks"]) + len(record["content"]["coverage"] or ())


def test_the_hash_is_that_of_the_content_and_no_time_is_in_it(record):
    assert record["sha256"] == content_hash(record["content"])
    assert "2026-07-01T12" not in json.dumps(record["content"])
    assert record["made"]["started"].startswith("2026-07-01T12:00")


@pytest.mark.thorough
def test_the_same_again_gives_the_same_bytes(written, again):
    content = json.loads((again.out / RECORD).read_text(encoding="utf-8"))["content"]
    assert content == json.loads(json.dumps(written.result.content()))
    for name in (PAGE, PRINT):
        assert (again.out / name).read_bytes() == (written.folder / name).read_bytes()


def test_a_foreign_file_is_never_overwritten(written, tmp_path, capsys):
    (tmp_path / "theirs").mkdir()
    foreign = tmp_path / "theirs" / PRINT
    foreign.write_text("mine", encoding="utf-8")
    assert cli.main(["selftest", "--out", str(foreign.parent)]) == 2
    assert "did not write as a self-test report; nothing was written" in capsys.readouterr().err
    assert [path.name for path in foreign.parent.iterdir()] == [PRINT]
    assert foreign.read_text(encoding="utf-8") == "mine"
    assert cli.main(["selftest", "--out", str(foreign)]) == 2
    assert "is not a folder" in capsys.readouterr().err
    assert cli.main(["selftest", "--study", str(tmp_path / "theirs"), "--out", str(tmp_path / "out")]) == 2
    assert "holds no plan.yaml" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.thorough
def test_an_earlier_report_is_replaced_and_what_lies_beside_it_stays(again):
    assert (again.out / PAGE).read_text(encoding="utf-8") != "old"
    assert sorted(path.name for path in again.out.iterdir()) == ["note.txt", PAGE, RECORD, PRINT]


def test_a_wheel_carries_the_published_examples():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    carried = settings["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert carried["tests/reference"] == "validation/_data/reference"
    assert resources.folder("reference").resolve() == REFERENCE.resolve()


# The dossier cites it --------------------------------------------------------------------------------------------


def attached(study: Path, record: dict, **changes):
    changed = copy.deepcopy(record)
    changed["content"].update(changes.pop("content", {}))
    changed["content"]["software"].update(changes.pop("software", {}))
    changed["sha256"] = changes.pop("sha256", content_hash(changed["content"]))
    target = study / "records" / "selftest" / RECORD
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(changed), encoding="utf-8")
    return selftest_sentence(attached_selftest(study, versions(), program.program_hash()))


def test_the_sentence_of_the_dossier(record, tmp_path):
    assert attached_selftest(tmp_path, versions(), program.program_hash()) is None
    assert selftest_sentence(None) == ("No self-test report is attached; “validation selftest --study DIR” makes one.")
    count = record["content"]["count"]
    plain = attached(tmp_path, record)
    assert f"{count} checks of the calculations against published examples, all passed" in plain
    assert plain.endswith("it was made with exactly the versions and program files of this dossier.")
    assert record["sha256"] in plain
    assert "3 of them failed" in attached(tmp_path, record, content={"failed": 3})
    assert "other program files, so it does not apply to the program" in attached(
        tmp_path, record, software={"program_sha256": "0" * 64}
    )
    older = attached(tmp_path, record, software={"versions": {**versions(), "numpy": "1.0"}})
    assert f"other versions (numpy 1.0 there, {np.__version__} here)" in older
    assert "was changed and proves nothing" in attached(tmp_path, record, sha256="0" * 64)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"content": 1, "sha256": 2}', "\x00"])
def test_a_record_that_is_no_report_is_said(text, tmp_path):
    target = tmp_path / "records" / "selftest" / RECORD
    target.parent.mkdir(parents=True)
    target.write_text(text, encoding="utf-8")
    said = selftest_sentence(attached_selftest(tmp_path, versions(), program.program_hash()))
    assert said == "records/selftest/selftest.json is attached, but cannot be read as a self-test report."


@pytest.mark.thorough
@pytest.mark.usefixtures("no_kernels")
def test_a_study_with_the_report_has_it_cited(again):
    study, told = again.study, again.said
    assert told["study_copy"] == str(study / "records" / "selftest")
    for name in (PAGE, PRINT, RECORD):
        assert (study / "records" / "selftest" / name).read_bytes() == (again.out / name).read_bytes()
    assert cli.main(["run", str(study), "--json"]) == 0
    page = visible((study / "draft" / "dossier.html").read_text(encoding="utf-8"))
    assert f"SHA-256 of its content {told['sha256']}: {told['checks']} checks" in page
    assert "all passed; it was made with exactly the versions and program files of this dossier." in page
    assert "records/selftest/selftest.json" in page


def test_the_report_is_built_from_what_was_found_alone(written):
    assert build_report(written.result) == build_report(written.result)
