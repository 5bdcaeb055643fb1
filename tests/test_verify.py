"""A dossier verifies; after any change it does not, and the file is named. Trace and compare read it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from validation.dossier.compare import compare
from validation.dossier.manifest import inputs_hash, write_manifest
from validation.dossier.trace import trace
from validation.dossier.verify import verify_dossier
from validation.faults import Refusal
from validation.running.run import run_study


@pytest.fixture
def copy(dossier: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(dossier, tmp_path / "001"))


def test_a_fresh_dossier_verifies_wherever_it_lies(copy: Path) -> None:
    report = verify_dossier(copy)
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
    row = next(row for row in results["requirements"] if row["outcome"] == "not met")
    row["outcome"] = "met"
    (copy / "results.json").write_text(json.dumps(results), encoding="utf-8")
    write_manifest(copy, {})
    problems = verify_dossier(copy).problems
    assert any("repeatability.s_r at 4.0, value" in problem for problem in problems)
    assert any(f"requirement {row['id']}" in problem and "recomputed not met" in problem for problem in problems)
    assert len(problems) == 2


def test_a_changed_reading_is_found_by_recomputing_even_under_fresh_hashes(copy: Path) -> None:
    worksheet = copy / "inputs" / "worksheets" / "calibration.csv"
    text = worksheet.read_text(encoding="utf-8")
    worksheet.write_text(text.replace("3921.4", "3921.5", 1), encoding="utf-8")
    write_manifest(copy, {})
    assert any("calibration.slope" in problem for problem in verify_dossier(copy).problems)


def test_what_is_no_dossier_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match=r"is not a dossier"):
        verify_dossier(tmp_path)


def test_the_hash_of_the_inputs_is_that_of_sha256sum(tmp_path: Path) -> None:
    # SHA-256 of the empty string and of "abc": FIPS 180-4 examples; the sum of the two lines by sha256sum (coreutils).
    (tmp_path / "b").write_bytes(b"abc")
    (tmp_path / "a").write_bytes(b"")
    import hashlib

    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert inputs_hash(tmp_path) == hashlib.sha256(f"{empty}  a\n{abc}  b\n".encode()).hexdigest()


def test_trace_leads_from_a_number_to_its_rows(dossier: Path) -> None:
    told = trace(dossier, "trueness.bias", "2")
    assert "row" in told
    assert "P-089" in told
    assert "as written: result 20.7" in told
    assert "SHA-256" in told
    with pytest.raises(Refusal, match=r"exists at 0.5, 1, 2"):
        trace(dossier, "trueness.bias")
    with pytest.raises(Refusal, match=r"no quantity trueness.biass"):
        trace(dossier, "trueness.biass")


# ------------------------------------------------------------------------------------------------------- the new lot


def test_the_new_lot_is_compared_with_its_parent(demo: Path) -> None:
    html = (demo / "new-lot" / "dossiers" / "001" / "dossier.html").read_text(encoding="utf-8")
    assert "What changed since the parent" in html
    assert html.index("Verdicts that changed") < html.index("Inputs by hash")
    assert "Not repeated; the value stands from" in html
    assert "Step of the results since VS-2026-07 issue 001 against the allowed" in html[: html.index("Prepared")]


def test_compare_says_the_same_as_text_and_as_data(demo: Path) -> None:
    old, new = (demo / name / "dossiers" / "001" for name in ("new-grade", "new-lot"))
    report = compare(old, new)
    data = json.loads(json.dumps(report.to_dict()))
    assert report.changed
    assert data["allowed_step"] == "2.5%" or "2.5" in data["allowed_step"]
    steps = [number for number in data["numbers"] if number["allowed"] is not None]
    assert steps
    assert all(n["key"] == "trueness.bias" and n["difference"] == n["new"] - n["old"] for n in steps)
    # The planted ratio of the new lot, 0.955, lifts results by about 4.7 %: no level can be met at 2.5 %.
    assert "met" not in {n["outcome"] for n in steps}
    for number in steps:
        assert f"trueness.bias at {number['at']:g}: {number['outcome']}" in report.text()
        assert "allowed ±" in number["reason"]


def test_a_dossier_compared_with_itself_shows_no_change(dossier: Path) -> None:
    report = compare(dossier, dossier)
    assert not report.changed
    assert "any difference would be a fault of the program" in report.cause


def test_a_parent_that_does_not_verify_or_is_not_there_is_refused(demo: Path, tmp_path: Path) -> None:
    shutil.copytree(demo, tmp_path / "demo", ignore=shutil.ignore_patterns("draft"))
    lot, grade = tmp_path / "demo" / "new-lot", tmp_path / "demo" / "new-grade"
    shutil.rmtree(lot / "dossiers")
    figure = next((grade / "dossiers" / "001" / "figures").glob("*.svg"))
    figure.write_bytes(figure.read_bytes() + b" ")
    with pytest.raises(Refusal, match=f"does not verify.*{figure.name}"):
        run_study(lot)
    shutil.rmtree(grade)
    with pytest.raises(Refusal, match=r"none was found"):
        run_study(lot)
    assert not [path for path in (lot / "dossiers").iterdir() if path.name.isdigit()]
