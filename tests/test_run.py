"""The main job end to end: one dossier or none, the same bytes for the same inputs, kernels and their failures."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import nbformat
import pytest
from filelock import FileLock
from study_folder import NOW, PLAN, PRECISION, write_study

from validation import resources
from validation.characteristics.registry import characteristics
from validation.dossier.verify import verify_dossier
from validation.faults import Refusal, StudyDataError
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.reading import load_checked
from validation.running.kept import FOLDER
from validation.running.kernels import KernelSource
from validation.running.notebooks import NotebookFailure, check_parameters, execute
from validation.running.run import run_study
from validation.study.history.plan_lock import freeze

# The keys of the main job; docs/ has a page for each chapter.
KEYS = [
    "calibration.slope",
    "calibration.intercept",
    "calibration.residual_sd",
    "calibration.lack_of_fit_F",
    "calibration.lack_of_fit_p",
    "calibration.mandel_F",
    "calibration.mandel_p",
    "calibration.weighted_lack_of_fit_p",
    "calibration.weighted_curvature_p",
    "calibration.departure",
    "calibration.single_point_bias",
    "repeatability.s_r",
    "repeatability.r",
    "intermediate_precision.s_run",
    "intermediate_precision.s_I",
    "trueness.bias",
    "accuracy.tolerance_low",
    "accuracy.tolerance_high",
    "reproducibility.mean",
    "reproducibility.s_r",
    "reproducibility.s_L",
    "reproducibility.s_R",
    "reproducibility.r",
    "reproducibility.R",
    "reproducibility.s_run",
    "detection.critical_value",
    "detection.detection_limit",
    "detection.quantification_limit",
    "comparison.mean_difference",
    "comparison.sd_difference",
    "comparison.agreement_low",
    "comparison.agreement_high",
    "comparison.deming_slope",
    "comparison.deming_intercept",
    "comparison.passing_bablok_slope",
    "comparison.passing_bablok_intercept",
    "comparison.difference_at",
]


def results_of(folder: Path) -> dict:
    return json.loads((folder / "results.json").read_text(encoding="utf-8"))


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A copy of the demonstration study."""
    return Path(shutil.copytree(resources.folder("demo_data") / "new-grade", tmp_path / "Prüfung 1"))


@pytest.fixture
def small_study(small_dossier: Path, tmp_path: Path) -> Path:
    """A copy of a small study with its first dossier."""
    return Path(shutil.copytree(small_dossier.parents[1], tmp_path / "Prüfung 2"))


def test_a_dossier_is_whole(dossier: Path) -> None:
    names = {path.relative_to(dossier).as_posix() for path in dossier.rglob("*") if path.is_file()}
    wanted = {"dossier.html", "dossier.pdf", "results.json", "manifest.json", "manifest.sha256"}
    wanted |= {f"notebooks/{name}.ipynb" for name in characteristics()}
    wanted |= {f"inputs/{name}" for name in ("plan.yaml", "plan.lock", "amendments.csv", "worksheets/precision.csv")}
    wanted |= {f"inputs/standards/{lot}.yaml" for lot in ("S-01", "S-02", "S-03")}
    # Recovery alone has no readings in the demonstration.
    drawn = [item for item in characteristics().values() if item.name != "recovery"]
    figures = {f"figures/{item.name}-{name}.svg" for item in drawn for name in item.figures}
    assert wanted | figures <= names
    assert not [name for name in names if name.startswith("saved/")]


def test_results_have_every_key_and_each_place_once(dossier: Path) -> None:
    results = results_of(dossier)
    places = [(q["key"], q["at"]) for q in results["quantities"]]
    assert len(places) == len(set(places))
    assert set(KEYS) <= {key for key, _ in places}
    assert all(q["source"] for q in results["quantities"])
    assert all(q["n"] == len(q["readings"]) for q in results["quantities"] if q["readings"])


def test_the_demonstration_ends_as_its_truth_intends(dossier: Path) -> None:
    # Source: demo_data/truth.yaml, the intended ending: fit with restrictions, the bias met to 7.5 and not met at 10.
    # By the share of single results the range ends at 4: docs/demo_data.md.
    results = results_of(dossier)
    assert results["conclusion"]["outcome"] == "fit with restrictions"
    assert results["conclusion"]["range"] == [0.5, 4.0]
    rows = {(row["id"], row["at"]): row for row in results["requirements"]}
    assert rows["R1", 10.0]["outcome"] == "not met"
    assert rows["R1", 7.5]["outcome"] == "met"
    assert rows["R2", 4.0]["thin"]
    assert "by performance" in {at for _, at in rows}


def test_inputs_are_byte_copies(dossier: Path, demo: Path) -> None:
    for copy in (dossier / "inputs").rglob("*"):
        if copy.is_file():
            assert copy.read_bytes() == (demo / "new-grade" / copy.relative_to(dossier / "inputs")).read_bytes()


@pytest.mark.thorough
def test_the_demonstration_gives_the_same_bytes_again(dossier: Path, study: Path) -> None:
    same_bytes(run_study(study, jobs=1).dossier, dossier)


@pytest.mark.thorough
def test_the_same_inputs_give_the_same_bytes(small_dossier: Path, small_study: Path) -> None:
    shutil.rmtree(small_study / "dossiers")
    same_bytes(run_study(small_study, jobs=1).dossier, small_dossier)


def same_bytes(again: Path, dossier: Path) -> None:
    for path in sorted(dossier.rglob("*")):
        name = path.relative_to(dossier).as_posix()
        if path.is_file() and name not in ("manifest.json", "manifest.sha256"):
            assert (again / name).read_bytes() == path.read_bytes(), name


def test_without_requirements_and_lock_every_quantity_is_there(study: Path) -> None:
    without_requirements_and_lock(study)
    checked = load_checked(study, draft=False, now=NOW)
    results = judge_study(checked, evaluate(checked)).results()
    # difference_at needs a customer limit, which the plan still states; the limit by performance needs requirements.
    assert set(KEYS) <= {q["key"] for q in results["quantities"]}
    assert "by performance" not in {q["at"] for q in results["quantities"]}
    assert results["requirements"] == []
    assert results["conclusion"]["outcome"] == "not judged"


@pytest.mark.thorough
def test_without_requirements_and_lock_a_dossier_is_issued(study: Path) -> None:
    without_requirements_and_lock(study)
    assert set(KEYS) <= {q["key"] for q in results_of(run_study(study).dossier)["quantities"]}


def without_requirements_and_lock(study: Path) -> None:
    plan = (study / "plan.yaml").read_text(encoding="utf-8")
    before, _, rest = plan.partition("requirements:\n")
    after = rest[rest.index("\npeople:") :]
    (study / "plan.yaml").write_text(before + after, encoding="utf-8")
    (study / "plan.lock").unlink()
    # Of the amendments the impact note stays, without which an expired certificate stops the run.
    heading, *amendments = (study / "amendments.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    impact = [line for line in amendments if ",impact," in line]
    (study / "amendments.csv").write_text(heading + impact[0].replace("3,", "1,", 1), encoding="utf-8")
    worksheet = study / "worksheets" / "precision.csv"
    worksheet.write_text(worksheet.read_text(encoding="utf-8").replace(",20.7,", ",2.07,"), encoding="utf-8")


@pytest.mark.usefixtures("no_kernels")
@pytest.mark.slow
def test_an_interrupted_run_leaves_nothing_and_the_next_one_makes_a_draft(small_study: Path) -> None:
    def interrupt(line: str) -> None:
        if line == "rendering":
            raise KeyboardInterrupt

    dossiers, draft = small_study / "dossiers", small_study / "draft"
    with pytest.raises(KeyboardInterrupt):
        run_study(small_study, progress=interrupt)
    assert [path.name for path in dossiers.iterdir() if not path.name.startswith((".lock", FOLDER))] == ["001"]
    # A run that was killed outright leaves its building folder; the next run removes it.
    (dossiers / ".building-002").mkdir()
    # A draft is watermarked, lies outside the dossiers, and takes the place of an earlier one.
    shutil.copytree(dossiers / "001", draft)
    assert run_study(small_study, only="repeatability").dossier == draft
    assert results_of(draft)["draft"] is True
    assert results_of(draft)["conclusion"]["outcome"] == "not judged"
    assert "DRAFT" in (draft / "dossier.html").read_text(encoding="utf-8")
    assert [path.name for path in (draft / "notebooks").iterdir()] == ["repeatability.ipynb"]
    assert [path.name for path in dossiers.iterdir() if not path.name.startswith((".lock", FOLDER))] == ["001"]


def test_two_runs_at_once_do_not_mix(study: Path) -> None:
    (study / "dossiers").mkdir()
    with FileLock(study / "dossiers" / ".lock"), pytest.raises(Refusal, match=r"Another run is working"):
        run_study(study)


def first_line(folder: Path) -> str:
    """What a run reports first; it is stopped there."""
    lines: list[str] = []

    def stop(line: str) -> None:
        lines.append(line)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_study(folder, progress=stop)
    return lines[0]


@pytest.mark.parametrize(("state", "why"), [("none", "not frozen"), ("changed", "not the plan that was frozen")])
def test_a_plan_that_is_not_frozen_as_it_is_uses_up_no_number(tmp_path: Path, state: str, why: str) -> None:
    folder = write_study(tmp_path)
    if state == "changed":
        freeze(folder, "Q", NOW)
        write_study(folder, plan=PLAN.replace("0.18", "0.2"))
    assert why in first_line(folder)
    assert "it takes no number" in first_line(folder)


@pytest.mark.usefixtures("no_kernels")
def test_a_frozen_plan_without_a_reading_uses_up_no_number(tmp_path: Path) -> None:
    folder = write_study(tmp_path, {"precision": PRECISION.splitlines()[0] + "\n"})
    freeze(folder, "Q", NOW)
    report = run_study(folder)
    assert (report.dossier, "there is no reading yet" in report.draft) == (folder / "draft", True)
    assert verify_dossier(report.dossier).problems == ()
    write_study(folder)
    assert "takes no number" not in first_line(folder)


def test_an_unknown_characteristic_is_refused(study: Path) -> None:
    with pytest.raises(Refusal, match=r"linearity.*calibration"):
        run_study(study, only="linearity")


def test_faults_stop_a_run_before_anything_is_written(study: Path) -> None:
    (study / "worksheets" / "precision.csv").unlink()
    with pytest.raises(StudyDataError, match=r"precision\.csv"):
        run_study(study)
    assert not (study / "dossiers").exists()


@pytest.mark.usefixtures("no_kernels")
@pytest.mark.slow
def test_the_second_issue_tells_what_changed(small_study: Path) -> None:
    worksheet = small_study / "worksheets" / "precision.csv"
    text = worksheet.read_text(encoding="utf-8")
    assert text.splitlines()[1].count("2.01") == 1
    worksheet.write_text(text.replace("2.01", "2.02", 1), encoding="utf-8")
    second = run_study(small_study).dossier
    assert second.name == "002"
    html = (second / "dossier.html").read_text(encoding="utf-8")
    assert "What changed since the predecessor" in html
    # A worksheet that was edited without an amendment stands on page 1, row by row.
    assert "worksheets/precision.csv, row 2" in html


# ----------------------------------------------------------------------------------------------------------- notebooks


def notebook(path: Path, *cells: str, tagged: bool = True) -> Path:
    parameters = nbformat.v4.new_code_cell('study_folder = ""\noutput_folder = ""\ndraft = False')
    parameters.metadata["tags"] = ["parameters"] if tagged else []
    code = [nbformat.v4.new_code_cell(cell) for cell in cells]
    nbformat.write(nbformat.v4.new_notebook(cells=[parameters, *code]), path)
    return path


def test_a_notebook_without_parameters_or_with_unknown_ones_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match='no cell tagged "parameters"'):
        check_parameters(notebook(tmp_path / "a.ipynb", tagged=False), {"draft": True})
    with pytest.raises(Refusal, match=r"lot; it declares study_folder, output_folder, draft"):
        check_parameters(notebook(tmp_path / "b.ipynb"), {"lot": "007"})


@pytest.mark.parametrize("forking", [True, False], ids=["forked", "started"])
def test_kernels_are_fresh_and_of_this_interpreter_in_the_folder_given(tmp_path: Path, forking: bool) -> None:
    import os
    import sys

    source = notebook(
        tmp_path / "n.ipynb", "import os, sys", "print(sys.executable, os.getcwd(), 'seen' in globals())", "seen = 1"
    )
    with KernelSource(forking=forking and hasattr(os, "fork")) as kernels:
        outputs = []
        for number in range(2):
            target = execute(source, tmp_path / f"{number}.ipynb", {"draft": True}, tmp_path, kernels)
            executed = nbformat.read(target, as_version=4)
            outputs.append(executed.cells[3].outputs[0]["text"].split())
    assert outputs[0] == outputs[1]
    assert outputs[0][0] == sys.executable
    assert Path(outputs[0][1]).resolve() == tmp_path.resolve()
    assert outputs[0][2] == "False"
    assert (tmp_path / "0.ipynb").read_bytes() == (tmp_path / "1.ipynb").read_bytes()


def test_a_notebook_that_fails_leaves_its_copy_and_one_sentence(study: Path, tmp_path: Path, monkeypatch) -> None:
    folder = tmp_path / "notebooks"
    shutil.copytree(resources.folder("notebooks"), folder)
    notebook(folder / "trueness.ipynb", "1 / 0")
    whole = resources.folder
    monkeypatch.setattr(resources, "folder", lambda name: folder if name == "notebooks" else whole(name))
    with pytest.raises(NotebookFailure, match=r"trueness.ipynb stopped in cell 3: ZeroDivisionError") as failure:
        run_study(study, only="trueness")
    assert failure.value.copy == study / "dossiers" / "failed" / "trueness.ipynb"
    assert "division by zero" in failure.value.copy.read_text(encoding="utf-8")
    assert not (study / "draft").exists()
