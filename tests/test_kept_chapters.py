"""A draft executes the chapters whose inputs changed, and is the same as one that executes all."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from study_folder import NOW, PRECISION, amend, write_study

from validation import resources
from validation.characteristics.registry import characteristics
from validation.dossier.manifest import hashes
from validation.running.kept import FOLDER, KeptChapters, experiments_read, kept_chapters
from validation.running.run import run_study
from validation.study.history.plan_lock import freeze
from validation.study.load import load_study
from validation.study.model import ExperimentData
from validation.study.quantity import Evaluation

REPRODUCIBILITY = "reading,laboratory,level,result\n" + "\n".join(
    f"L-{laboratory}-{repeat},{laboratory},2,{2 + 0.02 * number + 0.01 * repeat:.2f}"
    for number, laboratory in enumerate("ABCD")
    for repeat in range(2)
)


class Watched(Mapping[str, ExperimentData]):
    """The experiments of a study, and which of them were asked for."""

    def __init__(self, experiments: Mapping[str, ExperimentData]) -> None:
        self._experiments = experiments
        self.read: set[str] = set()

    def __getitem__(self, name: str) -> ExperimentData:
        self.read.add(name)  # also where there is none: another study may have it
        return self._experiments[name]

    def __iter__(self) -> Iterator[str]:
        self.read |= set(self._experiments)
        return iter(self._experiments)

    def __len__(self) -> int:
        return len(self._experiments)


@pytest.mark.parametrize("name", ["new-grade", "new-lot"])
def test_no_chapter_reads_an_experiment_that_it_does_not_name(name: str) -> None:
    study = load_study(resources.folder("demo_data") / name, draft=True)
    done: dict[str, Evaluation] = {}
    for item in characteristics().values():
        watched = Watched(study.experiments)
        others = [done[other] for other in item.depends_on]
        done[item.name] = item.evaluate(replace(study, experiments=watched), *others)
        named = experiments_read(item.name)
        assert not named or watched.read <= named, item.name


def keys(study: Path) -> Mapping[str, str]:
    return kept_chapters(load_study(study, draft=True), study).keys


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write_study(tmp_path / "study", {"precision": PRECISION, "reproducibility": REPRODUCIBILITY})


def changed(before: Mapping[str, str], after: Mapping[str, str]) -> set[str]:
    return {name for name in before if before[name] != after[name]}


def test_a_changed_worksheet_changes_the_keys_of_what_it_feeds(study: Path) -> None:
    before = keys(study)
    sheet = study / "worksheets" / "reproducibility.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("2.00", "2.01"), encoding="utf-8")
    fed = {name for name in before if not experiments_read(name) or "reproducibility" in experiments_read(name)}
    assert changed(before, keys(study)) == fed
    assert {"reproducibility", "uncertainty"} <= fed
    assert not {"repeatability", "trueness", "calibration"} & fed


@pytest.mark.parametrize("file", ["worksheets/precision.csv", ""])
def test_an_amendment_changes_the_keys_of_what_its_worksheet_feeds(study: Path, file: str) -> None:
    before = keys(study)
    amend(study, "P-004")
    # The file of a reading need not be named.
    path = study / "amendments.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("worksheets/precision.csv", file), encoding="utf-8")
    for recorded in (study / "history").glob("amendments*"):
        recorded.unlink()
    assert {"repeatability", "trueness"} <= changed(before, keys(study))
    assert "reproducibility" not in changed(before, keys(study))


def test_a_changed_plan_changes_every_key(study: Path) -> None:
    before = keys(study)
    plan = study / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("0.18", "0.19"), encoding="utf-8")
    assert changed(before, keys(study)) == set(before)


@pytest.mark.usefixtures("no_kernels")
@pytest.mark.thorough
def test_a_draft_of_kept_chapters_is_the_same_as_one_that_executes_all(study: Path) -> None:
    steps: list[str] = []
    run_study(study, draft=True)
    amend(study, "P-004")
    run_study(study, draft=True, progress=steps.append)
    kept = next(step for step in steps if "as before" in step)
    executed = sum(step.startswith("[") for step in steps)
    assert kept.startswith(f"{len(characteristics()) - executed} chapters")
    assert 0 < executed < len(characteristics())
    with_kept = hashes(study / "draft")
    shutil.rmtree(study / "dossiers" / FOLDER)
    run_study(study, draft=True)
    assert hashes(study / "draft") == with_kept


@pytest.mark.usefixtures("no_kernels")
def test_a_kept_chapter_gives_the_same_draft_and_no_numbered_dossier(study: Path) -> None:
    steps: list[str] = []
    run_study(study, draft=True, only="repeatability")
    before = hashes(study / "draft")
    run_study(study, draft=True, only="repeatability", progress=steps.append)
    assert steps[0] == "1 chapter as before: the inputs are the same"
    assert not [step for step in steps if step.startswith("[")]
    assert hashes(study / "draft") == before
    freeze(study, "Q", NOW)
    run_study(study, progress=steps.append)
    assert sum(step.startswith("[") for step in steps) == len(characteristics())


def test_a_damaged_copy_is_not_taken(tmp_path: Path) -> None:
    there, kept = tmp_path / "building", KeptChapters(tmp_path / "kept", {"trueness": "a" * 64})
    for name in ("notebooks/trueness.ipynb", "saved/trueness.json", "saved/trueness-bias_by_level.svg"):
        (there / name).parent.mkdir(parents=True, exist_ok=True)
        (there / name).write_text(name, encoding="utf-8")
    kept.keep("trueness", there)
    assert kept.take("trueness", tmp_path / "next")
    assert hashes(tmp_path / "next") == hashes(there)
    assert not replace(kept, keys={"trueness": "b" * 64}).take("trueness", tmp_path / "other")
    (kept.folder / "trueness" / "saved" / "trueness.json").unlink()
    assert not kept.take("trueness", tmp_path / "other")
