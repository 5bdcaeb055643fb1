"""A dossier verifies; after any change it does not, and the file is named. Trace and compare read it."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from study_folder import reseal

from validation.cli import main
from validation.dossier.compare import compare
from validation.dossier.compare_text import report_text
from validation.dossier.differences import differences
from validation.dossier.manifest import inputs_hash
from validation.dossier.method_changes import PARTS_ADDED, QUANTITIES_ADDED
from validation.dossier.trace import as_text, trace_record
from validation.dossier.verify import verify_dossier
from validation.faults import Refusal
from validation.running.run import run_study
from validation.selftest.collect import content_hash


@pytest.fixture
def copy(small_dossier: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(small_dossier, tmp_path / "001"))


@pytest.mark.parametrize("figures", [False, pytest.param(True, marks=pytest.mark.thorough)])
def test_a_fresh_dossier_verifies_wherever_it_lies(dossier: Path, tmp_path: Path, figures: bool) -> None:
    report = verify_dossier(Path(shutil.copytree(dossier, tmp_path / "001")), figures=figures)
    assert report.problems == ()
    assert report.ok
    assert report.checked > 500


def test_one_changed_byte_in_any_file_is_named(copy: Path) -> None:
    for path in sorted(path for path in copy.rglob("*") if path.is_file()):
        name = path.relative_to(copy).as_posix()
        raw = path.read_bytes()
        middle = len(raw) // 2
        path.write_bytes(raw[:middle] + bytes([raw[middle] ^ 1]) + raw[middle + 1 :])
        report = verify_dossier(copy, recompute=False)
        assert not report.ok
        assert any(name in problem for problem in report.problems), name
        path.write_bytes(raw)
    assert verify_dossier(copy, recompute=False).ok


def test_files_added_removed_or_swapped_are_named(copy: Path) -> None:
    (copy / "figures" / "extra.svg").write_text("<svg/>", encoding="utf-8")
    assert "figures/extra.svg: added" in verify_dossier(copy, recompute=False).problems[0]
    (copy / "figures" / "extra.svg").unlink()
    first, second, *_ = sorted((copy / "figures").glob("*.svg"))
    one, other = first.read_bytes(), second.read_bytes()
    first.write_bytes(other)
    second.write_bytes(one)
    named = " ".join(verify_dossier(copy, recompute=False).problems)
    assert first.name in named
    assert second.name in named
    first.unlink()
    assert any("missing" in problem for problem in verify_dossier(copy, recompute=False).problems)


def test_a_forged_number_is_found_by_recomputing_even_under_fresh_hashes(copy: Path) -> None:
    results = json.loads((copy / "results.json").read_text(encoding="utf-8"))
    (target,) = (q for q in results["quantities"] if q["key"] == "repeatability.s_r" and q["at"] == 4.0)
    target["value"] *= 1 + 1e-6
    row = results["requirements"][0]
    assert row["outcome"] == "met"
    row["outcome"] = "not met"
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    reseal(copy)
    problems = verify_dossier(copy).problems
    assert any("repeatability.s_r at 4.0, value" in problem for problem in problems)
    assert any(f"{row['id']} at {row['at']}, outcome: recorded not met, the inputs give met" in p for p in problems)
    assert len(problems) == 2


def test_a_changed_reading_is_found_by_recomputing_even_under_fresh_hashes(copy: Path) -> None:
    worksheet = copy / "inputs" / "worksheets" / "precision.csv"
    worksheet.write_text(worksheet.read_text(encoding="utf-8").replace("3.96", "3.97", 1), encoding="utf-8")
    reseal(copy)
    problems = verify_dossier(copy).problems
    assert any("trueness.bias" in problem for problem in problems)
    assert any("3.96 became 3.97 without an amendment" in problem for problem in problems)


def test_what_is_no_dossier_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match=r"is not a dossier"):
        verify_dossier(tmp_path)


def test_the_hash_of_the_inputs_is_that_of_sha256sum(tmp_path: Path) -> None:
    # SHA-256 of the empty string and of "abc": FIPS 180-4 examples; the sum of the two lines by sha256sum (coreutils).
    (tmp_path / "b").write_bytes(b"abc")
    (tmp_path / "a").write_bytes(b"")
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert inputs_hash(tmp_path) == hashlib.sha256(f"{empty}  a\n{abc}  b\n".encode()).hexdigest()


def trace(folder: Path, key: str, at: str | None = None) -> str:
    """What `validation trace` prints."""
    return as_text(folder, trace_record(folder, key, at))


def test_trace_leads_from_a_number_to_its_rows(dossier: Path) -> None:
    trace_text = trace(dossier, "trueness.bias", "2")
    assert "row" in trace_text
    assert "P-089" in trace_text
    assert "as written: result 20.7" in trace_text
    assert "SHA-256" in trace_text
    with pytest.raises(Refusal, match=r"exists at 0.5, 1, 2"):
        trace(dossier, "trueness.bias")
    with pytest.raises(Refusal, match=r"no quantity trueness.biass"):
        trace(dossier, "trueness.biass")


def test_trace_of_an_assigned_value_leads_to_its_lot_record(dossier: Path) -> None:
    trace_text = trace(dossier, "standards.mass_fraction", "S-02")
    record = dossier / "inputs" / "standards" / "S-02.yaml"
    assert f"{record}  SHA-256 {hashlib.sha256(record.read_bytes()).hexdigest()}" in trace_text
    lines = record.read_text(encoding="utf-8").splitlines()
    row = 1 + next(i for i, text in enumerate(lines) if "mass_g: 0.9998" in text)
    assert f"line {row:>3}  fuel 0.9998 g, u = 0.0003 g, on BAL-2 (K-25-1187, valid until 2026-03-31)" in trace_text
    assert "homogeneity: u 0.45%" in trace_text
    assert "amendment 3 (impact) by Q1" in trace_text
    plan = (dossier / "inputs" / "plan.yaml").read_text(encoding="utf-8").splitlines()
    entry = 1 + next(i for i, text in enumerate(plan) if "{name: S-02, value" in text)
    assert f"plan.yaml, line {entry}: name S-02, value 5.0, uncertainty 0.03" in trace_text
    both = trace(dossier, "lots.normalised_difference", "S-02")
    assert "standards/S-01.yaml" in both
    assert "standards/S-02.yaml" in both


def test_trace_of_an_uncertainty_names_components_and_measured_parts(dossier: Path) -> None:
    trace_text = trace(dossier, "uncertainty.expanded", "4")
    results = json.loads((dossier / "results.json").read_text(encoding="utf-8"))["quantities"]
    measured = next(q for q in results if (q["key"], q["at"]) == ("intermediate_precision.s_I", 4.0))
    assert f"intermediate_precision.s_I at 4 = {measured['value']:.6g} %" in trace_text
    assert "trueness.bias at 4 = " in trace_text
    assert "standards.relative_uncertainty at S-01 = " in trace_text
    assert "standards/S-01.yaml  SHA-256" in trace_text
    plan = (dossier / "inputs" / "plan.yaml").read_text(encoding="utf-8").splitlines()
    row = 1 + next(i for i, text in enumerate(plan) if "{name: oil, size" in text)
    # 2 % of 4 % is 0.08 %.
    assert f"line {row}  oil: size 2 %, 0.08 at 4. Origin: Four batches" in trace_text
    assert "sampling: not applicable: the result speaks of the oil as received" in trace_text
    # Of the whole study: every level of what was measured.
    assert "intermediate_precision.s_I at 10 = " in trace(dossier, "uncertainty.proportional")


@pytest.mark.parametrize(
    ("key", "nearest"),
    [
        ("trueness.biass", "The nearest: trueness.bias"),
        ("standards.value", "Of standards it holds standards.expanded_uncertainty"),
        ("standard.purity", "Of standards it holds"),
        ("foo.slope_ratio", "The nearest: fuel.slope_ratio, matrix.slope_ratio"),
        ("foo.bar", "A key begins with its chapter: accuracy, calibration"),
    ],
)
def test_trace_with_a_wrong_key_says_the_nearest(dossier: Path, key: str, nearest: str) -> None:
    with pytest.raises(Refusal, match="has no quantity") as refusal:
        trace(dossier, key)
    assert nearest in str(refusal.value)
    assert len(str(refusal.value)) < 320


def test_only_a_number_with_rows_is_said_to_have_them(dossier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trace", str(dossier), "standards.mass_fraction", "--at", "S-01"]) == 0
    assert "The rows are" not in capsys.readouterr().out
    assert main(["trace", str(dossier), "trueness.bias", "--at", "2"]) == 0
    assert "The rows are" in capsys.readouterr().out


# ------------------------------------------------------------------------------------------------------- the new lot


def test_the_new_lot_is_compared_with_its_parent(demo: Path) -> None:
    html = (demo / "new-lot" / "dossiers" / "001" / "dossier.html").read_text(encoding="utf-8")
    assert "What changed since the parent" in html
    assert html.index("Verdicts that changed") < html.index("Inputs that changed, by hash")
    assert "Not repeated, so the verdicts of VS-2026-07 issue 001 still apply" in html
    page_1 = html[: html.index("Prepared")]
    assert "The step of results from lot S-01 to lot S-02 is larger than the allowed 2.5 % at 4 and 7.5 %" in page_1


def test_a_step_that_is_not_met_restricts_the_conclusion_and_is_recomputed(demo: Path, tmp_path: Path) -> None:
    copied = Path(shutil.copytree(demo / "new-lot" / "dossiers" / "001", tmp_path / "001"))
    results = json.loads((copied / "results.json").read_text(encoding="utf-8"))
    assert results["conclusion"]["restrictions"][0].startswith("The step of results from lot S-01 to lot S-02")
    assert results["conclusion"]["outcome"] == "not fit"  # 4 %, where the customer acts, is not shown
    row = next(row for row in results["step"]["rows"] if row["at"] == 4.0)
    assert row["outcome"] == "not met"
    row["outcome"] = "met"
    (copied / "results.json").write_text(json.dumps(results), encoding="utf-8")
    reseal(copied)
    (problem,) = verify_dossier(copied).problems
    assert "outcome: recorded met, the inputs give not met" in problem
    assert "step" in problem


def test_compare_says_the_same_as_text_and_as_data(demo: Path) -> None:
    old, new = (demo / name / "dossiers" / "001" for name in ("new-grade", "new-lot"))
    report = compare(old, new)
    data = json.loads(json.dumps(report.to_dict()))
    assert report.changed
    assert "2.5" in data["allowed_step"]
    steps = [number for number in data["numbers"] if number["allowed"] is not None]
    assert steps
    assert all(n["key"] == "trueness.bias" and n["difference"] == n["new"] - n["old"] for n in steps)
    # The planted ratio of the new lot, 0.955, lifts results by about 4.7 %: no level can be met at 2.5 %.
    assert "met" not in {n["outcome"] for n in steps}
    for number in steps:
        assert f"trueness.bias at {number['at']:g}: {number['outcome']}" in report_text(report)
        assert "allowed ±" in number["reason"]
    # Two minutes of reading: conclusion, step, verdicts, what moved far, what is not there.
    assert len(report_text(report).splitlines()) < 90
    assert {verdict["new"] for verdict in data["verdicts"]}.isdisjoint({"not repeated"})
    assert {item["file"] for item in data["inputs"] if item["change"] == "changed"}.isdisjoint(
        {"worksheets/matrix.csv", "worksheets/reference.xlsx"}
    )


def test_a_dossier_compared_with_itself_shows_no_change(dossier: Path) -> None:
    report = compare(dossier, dossier)
    assert not report.changed
    assert "any difference would be a fault of the program" in report.cause


@pytest.mark.thorough
@pytest.mark.usefixtures("no_kernels")
@pytest.mark.slow
def test_an_amendment_taken_out_is_told_on_page_1_and_in_the_conclusion_of_the_next_issue(
    small_dossier: Path, tmp_path: Path
) -> None:
    study = Path(shutil.copytree(small_dossier.parents[1], tmp_path / "study"))
    path = study / "amendments.csv"
    head, first, *others = path.read_text(encoding="utf-8").splitlines(keepends=True)
    assert first.startswith("1,")
    path.write_text(head + "".join(f"{n}{line[1:]}" for n, line in enumerate(others, 1)), encoding="utf-8")
    for name in ("amendments.csv", "readings.csv"):
        (study / "history" / name).unlink(missing_ok=True)
    report = run_study(study)
    assert "amendments.csv is incomplete: amendment 1 is gone" in report.text
    page_1 = (report.dossier / "dossier.html").read_text(encoding="utf-8").partition("Prepared")[0]
    assert "Amendment 1 is gone and no longer applied: correction of P-003, column result, 4.05 to 4.04" in page_1
    assert "incomplete" in page_1
    # The dossier knows by itself what is missing from it, and so does whoever verifies it.
    assert any("Amendment 1 is gone" in problem for problem in verify_dossier(report.dossier).problems)


def test_a_parent_that_does_not_verify_or_is_not_there_is_refused(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(demo, tmp_path / "demo", ignore=shutil.ignore_patterns("draft"))
    lot, grade = tmp_path / "demo" / "new-lot", tmp_path / "demo" / "new-grade"
    shutil.rmtree(lot / "dossiers")
    figure = next((grade / "dossiers" / "001" / "figures").glob("*.svg"))
    figure.write_bytes(figure.read_bytes() + b" ")
    with pytest.raises(Refusal, match=f"does not verify.*{figure.name}"):
        run_study(lot)
    assert main(["check", str(lot)]) == 2  # told before the run
    assert re.search(f"does not verify.*{figure.name}", capsys.readouterr().err)
    shutil.rmtree(grade)
    with pytest.raises(Refusal, match=r"none is in this study"):
        run_study(lot)
    assert not [path for path in (lot / "dossiers").iterdir() if path.name.isdigit()]


FORGERIES = {
    "limit": lambda r: r["requirements"][0].update(limit=9.0),
    "observed": lambda r: r["requirements"][0].update(observed=0.0),
    "interval": lambda r: r["requirements"][0].update(interval=[0.0, 0.0]),
    "rule": lambda r: r["requirements"][0].update(rule="point"),
    "reason": lambda r: r["requirements"][0].update(reason="It holds."),
    "unit": lambda r: r["quantities"][0].update(unit="mg/kg"),
    "readings": lambda r: r["quantities"][0].update(readings=[]),
    "notes": lambda r: r["quantities"][0].update(notes=[]),
    "judged_interval": lambda r: r["quantities"][0].update(judged_interval=[0.0, 0.0]),
    "flags": lambda r: r.update(flags=[{"reading": "P-001"}]),
    "text": lambda r: r["conclusion"].update(text="All is well."),
    "restrictions": lambda r: r["conclusion"].update(restrictions=[]),
    "study": lambda r: r["study"].update(id="VS-0", unit="mg/kg"),
    "fitness": lambda r: r["fitness"].update(open_actions=[]),
    "more": lambda r: r.update(more=1),
}


@pytest.mark.parametrize("part", FORGERIES)
def test_each_part_of_the_results_is_held_under_fresh_hashes(copy: Path, part: str) -> None:
    path = copy / "results.json"
    results = json.loads(path.read_text(encoding="utf-8"))
    FORGERIES[part](results)
    path.write_text(json.dumps(results, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    reseal(copy)
    assert any(problem.startswith("results.json: ") for problem in verify_dossier(copy).problems)


@pytest.mark.parametrize(
    "name",
    [
        "inputs", "inputs/plan.yaml", "inputs/worksheets/precision.csv", "dossier.html", "dossier.pdf", "results.json",
        "notebooks", "notebooks/trueness.ipynb", "figures", "figures/trueness-bias_by_level.svg",
        *(pytest.param(f"inputs/{name}", marks=pytest.mark.thorough) for name in
          ("plan.lock", "amendments.csv", "history/readings.csv", "standards/S-01.yaml")),
    ],
)  # fmt: skip
def test_a_part_taken_away_is_missed_under_fresh_hashes(copy: Path, name: str) -> None:
    path = copy / name
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink()
    reseal(copy)
    assert not verify_dossier(copy).ok


def test_a_figure_that_the_inputs_do_not_give_and_a_further_file_are_named(copy: Path) -> None:
    figure = copy / "figures" / "trueness-bias_by_level.svg"
    figure.write_text(figure.read_text(encoding="utf-8").replace("0.2", "0.1"), encoding="utf-8")
    (copy / "figures" / "more.svg").write_text("<svg/>", encoding="utf-8")
    reseal(copy)
    assert set(verify_dossier(copy).problems) == {
        "figures/trueness-bias_by_level.svg: not the figure that the inputs give.",
        "figures/more.svg: not a part of this study's dossier.",
    }


def test_a_step_is_held_by_what_is_kept_of_the_parent(demo: Path, tmp_path: Path) -> None:
    copied = Path(shutil.copytree(demo / "new-lot" / "dossiers" / "001", tmp_path / "001"))
    kept = copied / "inputs" / "history" / "parent"
    for name in ("results.json", "inputs/plan.yaml"):
        assert (kept / name).read_bytes() == (demo / "new-grade" / "dossiers" / "001" / name).read_bytes()
    parent = json.loads((kept / "results.json").read_text(encoding="utf-8"))
    next(q for q in parent["quantities"] if (q["key"], q["at"]) == ("trueness.bias", 4.0))["value"] += 0.2
    (kept / "results.json").write_text(json.dumps(parent), encoding="utf-8")
    reseal(copied)
    (problem,) = verify_dossier(copied).problems
    assert "history/parent/results.json: not what the parent's manifest lists" in problem


def as_of_version(copy: Path, version: str) -> dict[str, Any]:
    """The dossier without what later versions added, as one of an earlier version; the content of results.json."""
    later = [name for names in PARTS_ADDED.values() for name in names]
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    manifest["versions"]["validation"] = version
    manifest = {key: value for key, value in manifest.items() if key not in later}
    (copy / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    (copy / "workbook.xlsx").unlink()
    shutil.rmtree(copy / "selftest")
    results = json.loads((copy / "results.json").read_text(encoding="utf-8"))
    results = {key: value for key, value in results.items() if key not in later}
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    return results


@pytest.mark.parametrize("version", ["0.6.0", "0.6.9", "0.1.0"])
def test_a_dossier_holds_no_part_that_its_version_did_not_give(copy: Path, version: str) -> None:
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    manifest["versions"]["validation"] = version
    (copy / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    page = (copy / "dossier.html").read_text(encoding="utf-8")
    (copy / "dossier.html").write_text(page.replace("not met", "met"), encoding="utf-8")
    reseal(copy)
    (problem,) = verify_dossier(copy).problems
    assert problem.startswith(f"manifest.json: versions: validation: found {version}, yet no version up to that one")
    assert "audit" in problem


def test_a_dossier_of_another_version_is_compared_in_its_values(copy: Path) -> None:
    results = as_of_version(copy, "0.1.9")
    results["conclusion"]["text"] = "Other words."
    since = [key for keys in QUANTITIES_ADDED.values() for key in keys]
    results["quantities"] = [q for q in results["quantities"] if q["key"] not in since]
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    reseal(copy)
    report = verify_dossier(copy)
    assert report.ok
    assert report.notes[0].startswith("Words and figures were not compared: the dossier is of version 0.1.9")
    results["quantities"][0]["value"] += 1
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    reseal(copy)
    assert not verify_dossier(copy).ok


DAMAGES = {
    "no JSON": b"{",
    "a list": b"[]",
    "other kinds": b'{"format": 1, "study": 3, "quantities": [1], "requirements": {}, "conclusion": null}',
    "bytes": b"\xff\xfe\x00",
    "deep": b'{"quantities": ' + b"[" * 100_000,
}


@pytest.mark.parametrize("name", ["results.json", "manifest.json"])
@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_record_is_one_sentence(
    copy: Path, dossier: Path, capsys: pytest.CaptureFixture[str], name: str, damage: str
) -> None:
    (copy / name).write_bytes(DAMAGES[damage])
    if name == "results.json":
        assert main(["trace", str(copy), "trueness.bias", "--at", "4"]) == 2
    assert main(["compare", str(copy), str(dossier)]) == 2
    assert main(["compare", str(dossier), str(copy)]) == 2
    assert main(["verify", str(copy)]) == 1
    assert "damaged" in capsys.readouterr().err


def test_numbers_in_different_units_are_not_compared(copy: Path, dossier: Path) -> None:
    results = json.loads((copy / "results.json").read_text(encoding="utf-8"))
    results["study"]["unit"] = "mg/kg"
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    with pytest.raises(Refusal, match=r"in different units are not compared"):
        compare(dossier, copy)


def test_a_key_that_stands_twice_is_damage(copy: Path) -> None:
    for name, key in (("results.json", "conclusion"), ("manifest.json", "study")):
        raw = (copy / name).read_text(encoding="utf-8")
        (copy / name).write_text(raw.replace("{", f'{{"{key}": "fit", ', 1), encoding="utf-8")
        if name == "results.json":
            reseal(copy)
        assert any("damaged" in problem or "cannot be read" in problem for problem in verify_dossier(copy).problems)
        (copy / name).write_text(raw, encoding="utf-8")


MANIFESTS = {
    "a library taken out": lambda m: m["versions"].pop("numpy"),
    "one more library": lambda m: m["versions"].update(more="1"),
    "no issue": lambda m: m.pop("issue"),
    "a draft": lambda m: m.update(issue="draft"),
    "one more key": lambda m: m.update(approved_by="Q. Manager"),
    "another study": lambda m: m.update(study="VS-0"),
    "a parent": lambda m: m.update(parent="0" * 64),
    "no time": lambda m: m.update(started="in spring"),
    "ended before it started": lambda m: m.update(ended="2020-01-01T00:00:00+00:00"),
    "an issue of many digits": lambda m: m.update(issue="9" * 5000),
}


@pytest.mark.parametrize("what", MANIFESTS)
def test_the_manifest_is_held_too(copy: Path, what: str) -> None:
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    MANIFESTS[what](manifest)
    (copy / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    reseal(copy)
    assert any(problem.startswith("manifest.json: ") for problem in verify_dossier(copy, figures=False).problems)


def test_a_further_key_of_the_study_folder_is_told(copy: Path) -> None:
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    manifest["study_folder"]["approved"] = "Q1"
    (copy / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    reseal(copy)
    assert "manifest.json: study_folder: not what a run states of the study folder." in verify_dossier(copy).problems


def test_what_no_hash_covers_is_told(copy: Path) -> None:
    (copy / "approved by Q1" / "today").mkdir(parents=True)
    if hasattr(os, "mkfifo"):
        os.mkfifo(copy / "pipe")
    named = verify_dossier(copy, recompute=False).problems
    assert "approved by Q1: added; no dossier holds an empty folder, a pipe or a device." in named
    assert any(text.startswith("pipe: added") for text in named) == hasattr(os, "mkfifo")


def test_the_counts_of_the_self_test_are_those_of_its_lists(copy: Path) -> None:
    path = copy / "selftest" / "selftest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["content"]["checks"][0]["ok"] = False
    record["sha256"] = content_hash(record["content"])
    path.write_text(json.dumps(record), encoding="utf-8")
    reseal(copy)
    assert any("its list of checks gives other numbers" in text for text in verify_dossier(copy).problems)


def test_a_dossier_does_not_become_a_draft(copy: Path) -> None:
    results = json.loads((copy / "results.json").read_text(encoding="utf-8"))
    (copy / "results.json").write_text(json.dumps({**results, "draft": True}), encoding="utf-8")
    reseal(copy)
    report = verify_dossier(copy, figures=False)
    assert "manifest.json: issue: recorded 001, yet results.json is of a draft." in report.problems
    assert "This is a draft, not a dossier." in report.notes


def test_verdicts_of_another_version_are_compared(copy: Path) -> None:
    results = as_of_version(copy, "0.2.0")
    for row in results["requirements"]:
        row["outcome"] = {"met": "not met"}.get(row["outcome"], "met")
    results["quantities"] = []
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    reseal(copy)
    problems = verify_dossier(copy).problems
    assert any("outcome: recorded" in problem for problem in problems)
    assert any("none of its quantities" in problem for problem in problems)


def test_a_study_of_small_numbers_has_a_small_nothing() -> None:
    assert list(differences({"value": 1e-18}, {"value": 0.0})) == []
    assert list(differences({"value": 1e-18}, {"value": 0.0}, nothing=1e-33))


def test_trace_and_compare_warn_of_damage(copy: Path, dossier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    results = (copy / "results.json").read_text(encoding="utf-8")
    (copy / "results.json").write_text(results.replace('"fit with restrictions"', '"fit"'), encoding="utf-8")
    assert main(["trace", str(copy), "trueness.bias", "--at", "4"]) == 0
    assert "does not verify, so nothing here can be relied on: results.json" in capsys.readouterr().err
    assert main(["compare", str(dossier), str(copy)]) == 0
    assert "does not verify" in capsys.readouterr().err
