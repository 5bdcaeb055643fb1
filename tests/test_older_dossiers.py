"""Dossiers of version 0.2.0 stay readable: they verify, they are held, and a new study can follow one.

Both were made with version 0.2.0 of this program, from the demonstration as it was shipped then, and are kept as they
were written: tests/dossiers_0_2_0/.
"""

from __future__ import annotations

import copy
import fnmatch
import json
import shutil
import tarfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from study_folder import NOW, reseal

import validation
from validation import resources
from validation.characteristics.registry import known_keys
from validation.cli import main
from validation.dossier import method_changes
from validation.dossier.manifest import MANIFEST, sha256
from validation.dossier.method_changes import (
    CONCLUSION,
    METHOD_CHANGES,
    QUANTITIES_ADDED,
    QUANTITIES_DROPPED,
    MethodChange,
    between,
    changes_between,
    is_later,
)
from validation.dossier.other_version import VersionComparison
from validation.dossier.parent import keep_parent
from validation.dossier.rebuild import Chapters, Rebuilt, judged_with_parent, rebuild
from validation.dossier.verify import verify_dossier
from validation.judging.outcomes import evaluate
from validation.running.demo import name_parent
from validation.running.run import copy_inputs, run_study
from validation.study.load import load_study

ARCHIVES = Path(__file__).parent / "dossiers_0_2_0"
#: Parts of results.json that 0.7.0 gave first.
NEW_PARTS = ("actions", "audit", "contradictions", "exports", "questions", "roles")
#: What a method that changed after 0.2.0 might have moved.
NUMBERS = ("value", "standard_uncertainty", "interval", "judged_interval")
ANOTHER_BIAS = MethodChange("0.3.0", ("trueness.bias",), NUMBERS, "The bias is computed in another way.")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read only: new-grade-001/ and new-lot-001/ as version 0.2.0 wrote them."""
    folder = tmp_path_factory.mktemp("Ältere")
    for archive in sorted(ARCHIVES.glob("*.tar.xz")):
        with tarfile.open(archive) as packed:
            packed.extractall(folder, filter="data")
    return folder


@pytest.fixture
def lot(kept: Path, tmp_path: Path) -> Path:
    """The dossier of the new lot, which two seconds recompute, to be changed."""
    return Path(shutil.copytree(kept / "new-lot-001", tmp_path / "001"))


def content(dossier: Path, name: str = "results.json") -> dict[str, Any]:
    return dict(json.loads((dossier / name).read_text(encoding="utf-8")))


def change(dossier: Path, edit: Callable[[dict[str, Any]], object], name: str = "results.json") -> None:
    """Change results.json or manifest.json and refresh every hash, as a forger would."""
    changed = content(dossier, name)
    edit(changed)
    (dossier / name).write_text(json.dumps(changed), encoding="utf-8")
    reseal(dossier)


#: What the rules of today conclude from the readings of the new lot.
AS_TODAY = {"outcome": "not fit", "range": None}


def bias(results: dict[str, Any], at: float = 4.0) -> dict[str, Any]:
    return next(q for q in results["quantities"] if (q["key"], q["at"]) == ("trueness.bias", at))


def beside(dossier: Path) -> VersionComparison:
    """What the two versions give, of a dossier that verifies."""
    report = verify_dossier(dossier)
    assert report.problems == ()
    assert report.other_version is not None
    return report.other_version


def moved_since(rows: list[dict[str, Any]]) -> set[str]:
    """Keys of the parent's numbers that this version computes differently."""
    return {row["key"] for row in rows}


@pytest.fixture
def another_bias(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(method_changes, "METHOD_CHANGES", (*METHOD_CHANGES, ANOTHER_BIAS))


# -------------------------------------------------------------------------------------------------------------- as kept


def test_the_archives_are_small_and_of_version_0_2_0(kept: Path) -> None:
    assert all(path.stat().st_size < 1500 * 1024 for path in ARCHIVES.iterdir())
    grade, lot = (content(kept / name, MANIFEST) for name in ("new-grade-001", "new-lot-001"))
    assert {grade["versions"]["validation"], lot["versions"]["validation"]} == {"0.2.0"}
    assert lot["parent"] == sha256(kept / "new-grade-001" / MANIFEST)


@pytest.mark.parametrize("name", ["new-grade-001", "new-lot-001"])
def test_a_dossier_of_0_2_0_verifies(kept: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(kept / name)]) == 0
    lines = capsys.readouterr().out.strip().splitlines()
    assert lines[0] == "Notes"
    first = (
        "Words and figures were not compared: the dossier is of version 0.2.0 of this program, this is version "
        f"{validation.__version__}, and each version words its pages in its own way."
    )
    assert lines[1].strip().startswith(first)
    changes = between("0.2.0", validation.__version__, content(kept / name)).changes
    since = [f"Since {change.version} another method: {change.sentence}" for change in changes]
    assert since == [line.strip() for line in lines[2 : 2 + len(since)]]
    assert any(line.startswith("The dossier verifies as far as this version can check: ") for line in lines)
    kept_rows = "The dossier keeps only the rows of the step from its parent: they were taken as they are."
    assert (kept_rows in "\n".join(lines)) == (name == "new-lot-001")


def test_every_number_of_0_2_0_is_compared(kept: Path) -> None:
    report = beside(kept / "new-lot-001")
    results = content(kept / "new-lot-001")
    assert report.compared > 10 * len(results["quantities"])
    # By the rule of 0.6.0 one level below the customer's limits is no range.
    assert {(one.place, one.part) for one in report.differences} == {("conclusion", "outcome"), ("conclusion", "range")}
    assert report.then_only == ()
    added = [key for version, keys in QUANTITIES_ADDED.items() if version > "0.2.0" for key in keys]
    of_quantities = [place for place in report.now_only if place.partition(" at ")[0] in added]
    assert set(report.now_only) == {*of_quantities, "verdict_error", "requirements: content", *NEW_PARTS}
    assert report.with_conclusion


# ------------------------------------------------------------------------------------------------------------ forgeries

FORGERIES: dict[str, Callable[[dict[str, Any]], object]] = {
    "value": lambda r: bias(r).update(value=bias(r)["value"] * (1 + 1e-8)),
    "interval": lambda r: bias(r).update(interval=[0.0, 0.0]),
    "judged interval": lambda r: bias(r).update(judged_interval=[0.0, 0.0]),
    "degrees of freedom": lambda r: bias(r).update(degrees_of_freedom=70.0),
    "unit": lambda r: bias(r).update(unit="mg/kg"),
    "readings": lambda r: bias(r).update(readings=[]),
    "twice": lambda r: r["quantities"].insert(0, bias(r) | {"value": 0.0}),
    "outcome": lambda r: next(q for q in r["requirements"] if q["outcome"] != "met").update(outcome="met"),
    "limit": lambda r: r["requirements"][0].update(limit=9.0),
    "a verdict taken out": lambda r: r["requirements"].pop(1),
    "step": lambda r: r["step"]["rows"][1].update(difference=0.0, outcome="met"),
    "another parent": lambda r: r["step"].update(parent="0" * 64),
    "conclusion": lambda r: r["conclusion"].update(outcome="fit"),
    "range": lambda r: r["conclusion"].update(range=[0.5, 7.5]),
    "study": lambda r: r["study"].update(id="VS-0"),
}


@pytest.mark.parametrize("part", FORGERIES)
def test_a_number_or_verdict_altered_in_an_older_dossier_fails(lot: Path, part: str) -> None:
    change(lot, FORGERIES[part])
    report = verify_dossier(lot)
    assert not report.ok
    assert all(problem.startswith("results.json: ") for problem in report.problems)
    assert main(["verify", str(lot)]) == 1


@pytest.mark.parametrize("version", ["none", "", "0.2", "0.2.0-rc1"])
def test_a_dossier_of_no_version_is_a_fault(lot: Path, version: str) -> None:
    change(lot, lambda manifest: manifest["versions"].update(validation=version), MANIFEST)
    assert any(f'versions: validation: found "{version}", expected' in text for text in verify_dossier(lot).problems)


@pytest.mark.parametrize("version", ["0.1.0", "0.3.9", "9.0.0"])
def test_a_forged_dossier_passes_under_no_version(lot: Path, version: str) -> None:
    change(lot, lambda manifest: manifest["versions"].update(validation=version), MANIFEST)
    if version == "9.0.0":  # no later version is on record as one that changed the rules of the conclusion
        change(lot, lambda r: r["conclusion"].update(AS_TODAY))
    assert verify_dossier(lot).ok
    change(lot, FORGERIES["value"])
    assert not verify_dossier(lot).ok


def without_bias(results: dict[str, Any]) -> None:
    """Every requirement on the bias and its quantities taken out, and a conclusion that then looks right."""
    results["requirements"] = [row for row in results["requirements"] if row["quantity"] != "trueness.bias"]
    results["quantities"] = [row for row in results["quantities"] if row["key"] != "trueness.bias"]
    results["conclusion"].update(outcome="fit")


@pytest.mark.parametrize("version", ["0.1.0", "0.2.0"])
def test_a_quantity_taken_out_with_its_verdicts_is_missed(lot: Path, version: str) -> None:
    change(lot, lambda manifest: manifest["versions"].update(validation=version), MANIFEST)
    change(lot, without_bias)
    problems = "\n".join(verify_dossier(lot).problems)
    assert "trueness.bias at 4.0: missing; the inputs give it" in problems
    assert "R1 at 4.0: missing" in problems


def test_a_quantity_under_another_name_is_missed_and_found(lot: Path) -> None:
    change(lot, lambda results: bias(results).update(key="trueness.bogus"))
    problems = "\n".join(verify_dossier(lot).problems)
    assert "trueness.bias at 4.0: missing" in problems
    assert "trueness.bogus at 4.0: the inputs do not give it" in problems


def test_stricter_rules_explain_no_better_conclusion(lot: Path) -> None:
    change(lot, lambda manifest: manifest["versions"].update(validation="0.1.0"), MANIFEST)
    change(lot, lambda results: results["conclusion"].update(outcome="fit"))
    assert any("conclusion, outcome: recorded fit, yet" in problem for problem in verify_dossier(lot).problems)


@pytest.mark.parametrize(
    "damage",
    [{"step": {"rows": 3}}, {"step": []}, {"flags": [{}, {"at": []}]}, {"requirements": [{}]}],
    ids=["rows", "step", "flags", "requirements"],
)
def test_odd_shapes_end_in_a_sentence(lot: Path, damage: dict[str, Any]) -> None:
    change(lot, lambda results: results.update(damage))
    assert verify_dossier(lot).other_version is not None or "damaged" in verify_dossier(lot).problems[-1]


# ----------------------------------------------------------------------------------------- what one version alone gives


def test_a_newer_dossier_with_one_more_quantity_verifies(lot: Path) -> None:
    change(lot, lambda manifest: manifest["versions"].update(validation="9.0.0"), MANIFEST)
    change(lot, lambda manifest: manifest.update(archive="A-7"), MANIFEST)
    change(lot, lambda r: r["conclusion"].update(AS_TODAY))
    change(lot, lambda r: r["quantities"].append(bias(r) | {"key": "trueness.median_bias"}))
    change(lot, lambda r: bias(r).update(skewness=0.1))
    report = beside(lot)
    assert report.then_only == ("trueness.median_bias at 4.0", "quantities: skewness")
    assert report.with_conclusion
    notes = verify_dossier(lot).notes
    assert notes[1].startswith("The dossier is of a later version")
    listed = "Given by the dossier only, and not compared: trueness.median_bias at 4.0 and quantities: skewness."
    assert listed in notes


def test_what_this_version_no_longer_gives_is_listed(lot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def without_bias(inputs: Path, **named: Any) -> Rebuilt:
        rebuilt = rebuild(inputs, **named)
        results = copy.deepcopy(rebuilt.results)
        results["quantities"] = [q for q in results["quantities"] if q["key"] != "trueness.bias"]
        for row in results["requirements"]:
            if row["quantity"] == "trueness.bias":
                row.update(observed=None, interval=None, outcome="not judged")
        return replace(rebuilt, results=results)

    monkeypatch.setattr("validation.dossier.verify.rebuild", without_bias)
    assert not verify_dossier(lot).ok
    monkeypatch.setattr(method_changes, "QUANTITIES_DROPPED", {"0.4.0": ("trueness.*",)})
    report = beside(lot)
    assert report.then_only == tuple(f"trueness.bias at {level}" for level in (1.0, 4.0, 7.5))
    assert not report.with_conclusion
    # What both give is held as ever.
    change(lot, lambda r: next(q for q in r["quantities"] if q["key"] == "repeatability.s_r").update(value=0.0))
    assert not verify_dossier(lot).ok


def test_a_method_cited_otherwise_is_listed_once(lot: Path) -> None:
    change(lot, lambda r: [q.update(source="An older book") for q in r["quantities"] if q["key"] == "trueness.bias"])
    (source,) = (source for source in beside(lot).sources if source.then == "An older book")
    assert source.keys == ("trueness.bias",)
    cited = "Cited differently: trueness.bias: then An older book; now "
    assert len([note for note in verify_dossier(lot).notes if note.startswith(cited)]) == 1


# ------------------------------------------------------------------------------------------------- methods that changed


def test_the_record_of_methods_is_in_order_and_names_what_there_is() -> None:
    numbers = [tuple(map(int, change.version.split("."))) for change in METHOD_CHANGES]
    assert numbers == sorted(numbers)
    assert not is_later(METHOD_CHANGES[-1].version, validation.__version__)
    for recorded in METHOD_CHANGES:
        assert recorded.sentence.endswith(".")
        for pattern in recorded.keys:
            assert fnmatch.filter([*known_keys(), CONCLUSION], pattern), pattern


def test_the_record_of_quantities_names_what_there_is() -> None:
    for version, keys in QUANTITIES_ADDED.items():
        assert not is_later(version, validation.__version__)
        assert set(keys) <= set(known_keys())
    assert not {key for keys in QUANTITIES_DROPPED.values() for key in keys} & set(known_keys())


def test_methods_between_two_versions_are_those_after_the_one_up_to_the_other() -> None:
    assert [change.version for change in changes_between("0.1.0", "0.2.0")] == ["0.2.0"]
    assert changes_between("0.2.0", "0.4.0") == ()
    assert [change.version for change in changes_between("0.4.0", "0.5.9")] == ["0.5.0"]
    assert {change.version for change in changes_between("0.6.0", "0.10.0")} == {"0.7.0"}
    assert changes_between("0.3.0", "0.1.0") == ()
    assert changes_between("not stated", "0.4.0") == ()


def test_the_comparison_may_have_moved_only_where_it_lacked_censored_readings(kept: Path) -> None:
    results = content(kept / "new-grade-001")
    assert between("0.4.0", "0.5.0", results).changes == ()
    next(q for q in results["quantities"] if q["key"] == "comparison.mean_difference")["censored"] = 1
    (since,) = between("0.4.0", "0.5.0", results).changes
    assert since.concerns("comparison.mean_difference")
    assert not since.concerns("trueness.bias")


@pytest.mark.usefixtures("another_bias")
def test_a_number_that_a_changed_method_moves_stands_beside_todays(lot: Path) -> None:
    todays = bias(content(lot))["value"]
    change(lot, lambda r: bias(r).update(value=0.1))
    (moved,) = (one for one in beside(lot).explained if one.place != "conclusion")
    assert (moved.place, moved.part, moved.recorded) == ("trueness.bias at 4.0", "value", 0.1)
    assert moved.today == pytest.approx(todays, rel=1e-9)
    notes = verify_dossier(lot).notes
    assert "Since 0.3.0 another method: The bias is computed in another way." in notes
    (moved_note,) = (note for note in notes if note.startswith("By another method since 0.3.0"))
    assert "trueness.bias at 4.0, value: recorded 0.1, this version gives " in moved_note
    # What follows from it may follow; what does not may not.
    change(lot, lambda r: r["requirements"][1].update(observed=0.1))
    assert verify_dossier(lot).ok
    change(lot, lambda r: r["requirements"][1].update(limit=9.0))
    assert not verify_dossier(lot).ok


@pytest.mark.usefixtures("another_bias")
def test_a_changed_method_explains_no_other_number(lot: Path) -> None:
    change(lot, lambda r: next(q for q in r["quantities"] if q["key"] == "repeatability.s_r").update(value=0.1))
    assert not verify_dossier(lot).ok


# ---------------------------------------------------------------------------------------------------------- as a parent


@pytest.fixture
def study(kept: Path, tmp_path: Path) -> Path:
    """A study of a new lot beside a dossier of 0.2.0, which its plan does not name yet."""
    shutil.copytree(kept / "new-grade-001", tmp_path / "new-grade" / "dossiers" / "001")
    return Path(shutil.copytree(resources.folder("demo_data") / "new-lot", tmp_path / "new-lot"))


def named(study: Path) -> Path:
    """The parent, named by the plan."""
    parent = study.parent / "new-grade" / "dossiers" / "001"
    name_parent(study, parent, now=NOW)
    return parent


def results_of_next(study: Path) -> tuple[Path, dict[str, Any]]:
    """The inputs of the next dossier of a study that names its parent, and its results.json, in this process."""
    parent, inputs = named(study), study.parent / "inputs"
    copy_inputs(load_study(study), inputs)
    keep_parent(parent, inputs)
    copied = load_study(inputs)
    return inputs, judged_with_parent(copied, inputs, Chapters(evaluate(copied)), (), draft=False).results


def recomputed_by_record(results: dict[str, Any]) -> bool:
    """Whether every number of the parent that stands with today's beside it is one that a recorded method moves."""
    rows, since = results.get("parent_recomputed", ()), changes_between("0.2.0", validation.__version__)
    return all(any(one.concerns(row["key"]) and row["method"] == one.text() for one in since) for row in rows)


def test_the_step_from_a_dossier_of_0_2_0_is_that_of_0_2_0(study: Path, kept: Path) -> None:
    inputs, new = results_of_next(study)
    old = content(kept / "new-lot-001")
    assert new["step"] == old["step"]
    assert recomputed_by_record(new)
    assert (inputs / "history" / "parent" / "inputs" / "worksheets").exists() == ("parent_recomputed" in new)


@pytest.mark.thorough
def test_a_new_lot_follows_a_dossier_of_0_2_0(study: Path, kept: Path) -> None:
    named(study)
    dossier = run_study(study).dossier
    new, old = content(dossier), content(kept / "new-lot-001")
    # The numbers that 0.2.0 gave for the same readings; the times of the plan amendments differ.
    assert new["step"] == old["step"]
    assert recomputed_by_record(new)
    assert verify_dossier(dossier).problems == ()
    kept_of_it = dossier / "inputs" / "history" / "parent"
    assert (kept_of_it / "inputs" / "worksheets").exists() == ("parent_recomputed" in new)


@pytest.mark.usefixtures("another_bias")
def test_a_number_of_the_parent_by_another_method_stands_with_todays_beside_it(study: Path, kept: Path) -> None:
    todays = bias(content(kept / "new-grade-001"))["value"]
    change(study.parent / "new-grade" / "dossiers" / "001", lambda r: bias(r).update(value=0.02))
    _, results = results_of_next(study)
    assert next(row for row in results["step"]["rows"] if row["at"] == 4.0)["parent"]["value"] == 0.02
    (row,) = (row for row in results["parent_recomputed"] if row["key"] == "trueness.bias")
    assert (row["key"], row["at"], row["parent"], row["unit"]) == ("trueness.bias", 4.0, 0.02, "%")
    assert row["today"] == pytest.approx(todays, rel=1e-9)
    assert row["method"] == "0.3.0: The bias is computed in another way."


@pytest.mark.thorough
@pytest.mark.usefixtures("another_bias")
def test_the_dossier_shows_and_holds_a_number_of_the_parent_by_another_method(study: Path) -> None:
    change(study.parent / "new-grade" / "dossiers" / "001", lambda r: bias(r).update(value=0.02))
    named(study)
    dossier = run_study(study).dossier
    page = (dossier / "dossier.html").read_text(encoding="utf-8")
    assert "Numbers of VS-2026-07 issue 001 that this version of the program computes differently" in page
    assert verify_dossier(dossier).problems == ()
    change(dossier, lambda r: r["parent_recomputed"][0].update(today=0.02))
    (problem,) = verify_dossier(dossier).problems
    assert "parent_recomputed" in problem
    # Without what the number is computed from, nobody could.
    shutil.rmtree(dossier / "inputs" / "history" / "parent" / "inputs" / "worksheets")
    reseal(dossier)
    assert all("history/parent/inputs/worksheets/" in problem for problem in verify_dossier(dossier).problems)
    assert not verify_dossier(dossier).ok
