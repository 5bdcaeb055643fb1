"""A study is data: nothing in it is executed, followed out of its folder, replaced or half-written; nothing hangs."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shlex
import shutil
import signal
import stat
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from study_folder import PRECISION, amend, refreeze, write_study

from validation.cli import main
from validation.faults import Refusal, StudyDataError
from validation.files import write_files
from validation.isolation import isolated_command, isolated_environment, trusted_path
from validation.running.kernels import KernelSource
from validation.running.notebooks import execute
from validation.running.run import copy_inputs, run_study
from validation.running.shelf import building
from validation.study.folder import folder_faults, issues_of
from validation.study.history.plan_lock import (
    freeze,
    freezing,
    lock_losses,
    plan_amendment,
    read_lock,
    record_plan_change,
)
from validation.study.history.readings import RECORD, history_losses, record_readings
from validation.study.load import load_study, read_study
from validation.terminal import plain, refuse_unreadable, shell_quoted

BEFORE, NOW = datetime(2026, 6, 1, 8, tzinfo=UTC), datetime(2026, 7, 6, 9, tzinfo=UTC)
posix = pytest.mark.skipif(os.name != "posix", reason="links, pipes and signals of POSIX")


def frozen(folder: Path, worksheet: str = PRECISION) -> Path:
    write_study(folder, {"precision": worksheet})
    freeze(folder, "Q. Manager", BEFORE)
    return folder


# --------------------------------------------------------------------------------------------- data and never code

#: Imports what the study names, from the folder a kernel works in, and says where matplotlib took its settings.
LOOK = {
    "cells": [
        {"cell_type": "code", "id": "p", "metadata": {"tags": ["parameters"]}, "source": "out = ''", "outputs": []},
        {
            "cell_type": "code",
            "id": "q",
            "metadata": {},
            "outputs": [],
            "source": "import sys, os, json\n"
            "import numpy, pandas, matplotlib, IPython\n"
            "found = [m.__file__ for m in (numpy, pandas, matplotlib, IPython, json)]\n"
            "json.dump({'path': sys.path, 'found': found, 'rc': matplotlib.matplotlib_fname(),\n"
            "           'env': dict(os.environ)}, open(out, 'w'))",
        },
    ],
    "metadata": {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}},
    "nbformat": 4,
    "nbformat_minor": 5,
}


@pytest.mark.slow
@pytest.mark.parametrize("forking", [True, False])
def test_a_kernel_imports_nothing_from_where_it_works_or_from_pythonpath(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, forking: bool
) -> None:
    study, elsewhere = tmp_path / "study", tmp_path / "elsewhere"
    for folder in (study, elsewhere):
        folder.mkdir()
        for name in ("pandas", "json", "numpy", "IPython", "ipykernel", "validation", "matplotlib", "sitecustomize"):
            (folder / f"{name}.py").write_text("raise SystemExit('executed')\n", encoding="utf-8")
        (folder / "matplotlibrc").write_text("axes.grid: True\n", encoding="utf-8")
        (folder / "startup.py").write_text("raise SystemExit('executed')\n", encoding="utf-8")
    monkeypatch.chdir(study)
    monkeypatch.setenv("PYTHONPATH", str(elsewhere))
    monkeypatch.setenv("PYTHONSTARTUP", str(elsewhere / "startup.py"))
    monkeypatch.setenv("MPLBACKEND", "bogus")
    monkeypatch.setenv("VIRTUAL_ENV", str(elsewhere))
    notebook, target = tmp_path / "look.ipynb", tmp_path / "looked.ipynb"
    for cell in LOOK["cells"]:
        cell["execution_count"] = None
    notebook.write_text(json.dumps(LOOK), encoding="utf-8")
    with KernelSource(forking=forking) as kernels:
        execute(notebook, target, {"out": str(tmp_path / "found.json")}, study, kernels)
    found = json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))
    assert "" not in found["path"]
    strange = [path for path in (*found["path"], *found["found"]) if path.startswith(str(tmp_path))]
    assert strange == []
    assert not {"PYTHONPATH", "PYTHONSTARTUP", "VIRTUAL_ENV"} & set(found["env"])
    if forking:  # a kernel that starts from nothing draws within the dossier's own settings
        assert not found["rc"].startswith(str(tmp_path))


@pytest.mark.slow
def test_the_module_run_in_a_study_imports_nothing_from_it(tmp_path: Path) -> None:
    study = write_study(tmp_path)
    (study / "typer.py").write_text("raise SystemExit('executed')\n", encoding="utf-8")
    done = subprocess.run([sys.executable, "-m", "validation", "check", "."], cwd=study, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "No fault found." in done.stdout


@posix
@pytest.mark.slow
def test_the_command_imports_nothing_from_pythonpath(tmp_path: Path) -> None:
    study = write_study(tmp_path)
    for name in ("typer", "yaml", "pydantic"):
        (study / f"{name}.py").write_text("raise SystemExit('executed')\n", encoding="utf-8")
    command = [Path(sys.executable).with_name("validation"), "check", "."]
    # The study by its name, as the folder where it works, and as the nothing before a colon.
    env = {**os.environ, "PYTHONPATH": f":{study}:."}
    done = subprocess.run(command, cwd=study, env=env, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_a_helper_process_has_the_trusted_path_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "json.py").write_text("raise SystemExit('executed')\n", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(sys, "path", ["", str(tmp_path), *sys.path])
    monkeypatch.chdir(tmp_path)
    assert str(tmp_path) not in trusted_path()
    command = isolated_command("import json, sys; print(json.dumps(sys.path))")
    done = subprocess.run(command, env=isolated_environment(), capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == trusted_path()


def test_settings_of_matplotlib_change_no_figure(tmp_path: Path) -> None:
    import matplotlib as mpl

    from validation.figures.style import dossier_style, new_figure, svg_text

    def drawing() -> str:
        with dossier_style():
            figure, (axes,) = new_figure()
            axes.plot([0, 1], [0, 1])
        return svg_text(figure)

    plain_one = drawing()
    with mpl.rc_context({"axes.grid": True, "axes.facecolor": "red", "xtick.direction": "in", "lines.linewidth": 9}):
        assert drawing() == plain_one


# ------------------------------------------------------------------------------------------- links, pipes, devices


@posix
@pytest.mark.parametrize(
    "name", ["plan.yaml", "plan.lock", "amendments.csv", "history", "history/zz", "records", "records/a/x.pdf",
             "dossiers", "draft", "standards", "standards/S-09.yaml", "worksheets", "worksheets/precision.csv"]
)  # fmt: skip
@pytest.mark.parametrize("verb", [["check"], ["run"], ["freeze", "--by", "Q"], ["run", "--draft"]])
def test_no_link_out_of_the_study_is_followed(tmp_path: Path, capsys, name: str, verb: list[str]) -> None:
    folder, outside = frozen(tmp_path / "study"), tmp_path / "outside"
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if os.path.lexists(path):
        os.replace(path, outside)
    elif "." in path.name or path.name == "zz":
        outside.write_text("secret", encoding="utf-8")
    else:
        outside.mkdir()
    path.symlink_to(outside)
    before = {item: item.read_bytes() for item in (outside, *outside.rglob("*")) if item.is_file()}
    assert main([verb[0], str(folder), *verb[1:]]) == 2
    err = capsys.readouterr().err
    assert f"{name}" in err
    assert "leads out of the study folder through a link" in err
    assert {item: item.read_bytes() for item in (outside, *outside.rglob("*")) if item.is_file()} == before


@posix
@pytest.mark.parametrize(
    "name", ["plan.yaml", "plan.lock", "amendments.csv", "worksheets/precision.csv", RECORD, "history/amendments.csv"]
)
def test_a_pipe_or_a_device_is_told_and_not_waited_for(tmp_path: Path, name: str) -> None:
    folder = frozen(tmp_path)
    path = folder / name
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    (fault,) = folder_faults(folder)
    assert (fault.file, "pipe" in fault.reason) == (name, True)
    path.unlink()
    path.symlink_to("/dev/zero")
    (fault,) = folder_faults(folder)
    assert fault.file == name


@posix
def test_a_link_inside_the_study_is_a_file_like_another(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    (folder / "sheets").mkdir()
    os.replace(folder / "worksheets/precision.csv", folder / "sheets/p.csv")
    (folder / "worksheets/precision.csv").symlink_to(folder / "sheets/p.csv")
    assert folder_faults(folder) == []
    assert len(load_study(folder).experiments["precision"].readings) == 12


# ------------------------------------------------------------------------------------------------ nothing is lost


@pytest.mark.parametrize("options", [{"draft": True}, {"only": "trueness"}])
def test_a_draft_replaces_no_folder_of_the_user(tmp_path: Path, options: dict[str, object]) -> None:
    folder = frozen(tmp_path)
    (folder / "draft").mkdir()
    (folder / "draft" / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(Refusal, match=r"letter.txt, which this program did not write"):
        run_study(folder, **options)  # type: ignore[arg-type]
    assert (folder / "draft" / "letter.txt").read_text(encoding="utf-8") == "mine"


def test_a_draft_that_another_program_holds_open_stays_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = frozen(tmp_path)
    with building(folder, draft=True) as (_, place):
        (place / "manifest.json").write_text('{"files": {}}', encoding="utf-8")
        (place / ".in-progress").unlink()
    before = sorted((folder / "draft").rglob("*"))

    def held(old: Path, new: Path) -> None:
        raise PermissionError(13, "Permission denied", str(old), None, str(new))

    monkeypatch.setattr("validation.running.shelf._refuse_foreign", lambda target: None)
    with monkeypatch.context() as patch, pytest.raises(PermissionError), building(folder, draft=True):
        patch.setattr("os.replace", held)
    assert sorted((folder / "draft").rglob("*")) == before
    assert not list((folder / "dossiers").glob(".building*"))


def test_only_a_folder_that_the_program_marked_is_cleared(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    mine = folder / "dossiers" / ".building-notes"
    mine.mkdir(parents=True)
    (mine / "x").write_text("mine", encoding="utf-8")
    with building(folder, draft=False) as (issue, place):
        (place / "half").write_text("written", encoding="utf-8")
        left = shutil.copytree(place, place.with_name(".building-007"))
    assert issue == "001"
    assert Path(left).exists()
    with building(folder, draft=False) as (issue, place):
        assert not Path(left).exists()  # of an interrupted run, marked
        assert issue == "002"
    assert (mine / "x").exists()
    unmarked = folder / "dossiers" / ".building-003"
    unmarked.mkdir()
    (unmarked / "y").write_text("mine", encoding="utf-8")
    with pytest.raises(Refusal, match=r"not made by this program"), building(folder, draft=False):
        pass


def test_files_change_together_or_not_at_all(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    (tmp_path / "b").mkdir()  # in the place of a file
    with pytest.raises(OSError, match=r"directory|denied"):
        write_files(tmp_path, {"a": b"new", "c": b"new", "b": b"new"})
    assert (tmp_path / "a").read_bytes() == b"old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b"]
    with pytest.raises(Refusal, match=r"a changed in the meantime"):
        write_files(tmp_path, {"a": b"new"}, expected={"a": b"other"})
    write_files(tmp_path, {"a": b"new", "d/e": b"new"}, expected={"a": b"old", "d/e": None})
    assert ((tmp_path / "a").read_bytes(), (tmp_path / "d" / "e").read_bytes()) == (b"new", b"new")


def test_a_plan_amendment_that_cannot_be_written_leaves_nothing_and_can_be_repeated(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("0.18", "0.2"), encoding="utf-8")
    amendment = plan_amendment(folder, by="Q", reason="rounded", now=NOW)
    locked = (folder / "plan.lock").read_bytes()
    (folder / "history" / "amendments.csv").mkdir()  # nothing can be written there
    with pytest.raises(OSError, match=r"directory|denied"):
        record_plan_change(folder, amendment, now=NOW)
    assert not (folder / "amendments.csv").exists()
    assert (folder / "plan.lock").read_bytes() == locked
    (folder / "history" / "amendments.csv").rmdir()
    record_plan_change(folder, amendment, now=NOW)
    assert [entry.amendment for entry in read_lock(folder)[0]] == [None, 1]
    # A program that was ended after the amendment and before the lock: the next command takes it up.
    (folder / "plan.lock").write_bytes(locked)
    again = plan_amendment(folder, by="Q", reason="rounded", now=NOW)
    assert (again.number, again.line) == (1, 2)
    record_plan_change(folder, again, now=NOW)
    assert [entry.amendment for entry in read_lock(folder)[0]] == [None, 1]
    assert len(load_study(folder).amendments) == 1


@posix
@pytest.mark.slow
@pytest.mark.parametrize("sign", ["dossiers/.lock", "dossiers/.building-001/notebooks/*.ipynb"])
def test_a_run_that_is_ended_leaves_nothing(tmp_path: Path, sign: str) -> None:
    folder, temporary = frozen(tmp_path / "study"), tmp_path / "tmp"
    temporary.mkdir()
    before = sorted(path.as_posix() for path in folder.rglob("*"))
    command = [sys.executable, "-m", "validation", "run", str(folder)]
    process = subprocess.Popen(command, env={**os.environ, "TMPDIR": str(temporary)}, stderr=subprocess.PIPE)
    while not list(folder.glob(sign)) and process.poll() is None:
        time.sleep(0.05)
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=120)
    assert process.returncode == 143
    assert b"Interrupted" in err
    left = {path.as_posix() for path in folder.rglob("*")} - set(before)
    assert {Path(path).name for path in left} <= {"dossiers", ".lock", "readings.csv"}
    deadline = time.monotonic() + 5  # what was just being started ends by itself
    while list(temporary.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert list(temporary.iterdir()) == []


@posix
@pytest.mark.parametrize("name", [".amendments.csv.new", ".plan.lock.new"])
def test_what_lies_beside_a_file_is_neither_followed_nor_lost(tmp_path: Path, name: str) -> None:
    folder, victim = frozen(tmp_path / "study"), tmp_path / "victim"
    victim.write_text("precious", encoding="utf-8")
    (folder / "history").mkdir(exist_ok=True)
    (folder / name).symlink_to(victim)
    (folder / f"{name}2").write_text("mine", encoding="utf-8")
    amend(folder, "P-003")
    assert victim.read_text(encoding="utf-8") == "precious"
    assert (folder / name).is_symlink()
    assert not (folder / "amendments.csv").is_symlink()
    assert sorted(path.name for path in folder.iterdir() if ".new" in path.name and path.name != Path(name).name) in (
        [],
        [f"{Path(name).name}2"],
    )


# --------------------------------------------------------------------------------------------- history and the lock


def test_an_amendment_that_any_dossier_holds_is_missed(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    amend(folder, "P-003")
    study = load_study(folder)
    record_readings(study)
    copy_inputs(study, folder / "dossiers" / "001" / "inputs")
    (folder / "dossiers" / "002" / "inputs").mkdir(parents=True)  # a later one that holds nothing of it
    (folder / "dossiers" / "2026").mkdir()
    for name in ("amendments.csv", "history/amendments.csv"):
        (folder / name).unlink()
    assert [loss.short for loss in load_study(folder).lost_amendments] == ["amendment 1 is gone"]
    assert main(["check", str(folder)]) == 1


def test_a_record_whose_chain_was_taken_out_is_told_where_a_dossier_holds_it(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    study = load_study(folder)
    record_readings(study)
    copy_inputs(study, folder / "dossiers" / "001" / "inputs")
    rows = [line.rpartition(",")[0] for line in (folder / RECORD).read_text(encoding="utf-8").splitlines()]
    (folder / RECORD).write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert any("lost the chain" in loss.text for loss in history_losses(folder))


RESAVED = {
    "another mark": lambda text: text.replace(",", ";").replace(".", ","),
    "zeros lost": lambda text: text.replace("2.00", "2").replace("4.00", "4"),
    "seconds": lambda text: text.replace("T08:10", "T08:10:00"),
    "a blank in the time": lambda text: text.replace("T08", " 08"),
    "a byte order mark": lambda text: f"\ufeff{text}",
    "other line ends": lambda text: text.replace("\n", "\r\n"),
    "sorted": lambda text: "\n".join([text.splitlines()[0], *sorted(text.splitlines()[1:], reverse=True)]) + "\n",
    "a column more": lambda text: "\n".join(
        f"{line},{'Checked by' if n == 0 else 'A2'}" for n, line in enumerate(text.splitlines())
    ),
    "notes": lambda text: "\n".join(
        f"{line},{'note' if n == 0 else 'seen'}" for n, line in enumerate(text.splitlines())
    ),
}


@pytest.mark.parametrize("how", RESAVED)
def test_a_worksheet_saved_otherwise_is_no_change(tmp_path: Path, how: str) -> None:
    folder = frozen(tmp_path)
    record_readings(load_study(folder))
    write_study(folder, {"precision": RESAVED[how](PRECISION)})
    assert load_study(folder).changes == ()
    write_study(folder, {"precision": RESAVED[how](PRECISION.replace("3.96", "3.97"))})
    assert [change.reading for change in load_study(folder).changes] == ["P-004"]


def test_a_reading_forged_in_worksheet_and_history_is_told(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    record_readings(load_study(folder))
    sheet, history = folder / "worksheets" / "precision.csv", folder / RECORD
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("3.96", "4.01"), encoding="utf-8")
    history.write_text(history.read_text(encoding="utf-8").replace('"3.96"', '"4.01"').replace("3.96", "4.01"), "utf-8")
    (loss,) = history_losses(folder)
    assert "its SHA-256 is not that of its cells" in loss.text
    assert "P-004" in loss.text
    assert main(["check", str(folder)]) == 1


def test_an_older_version_forged_into_history_is_not_taken_for_the_first(tmp_path: Path) -> None:
    # The chain is made anew over the forged entry, with the standard library alone, so that it holds.
    folder = frozen(tmp_path)
    record_readings(load_study(folder))
    copy_inputs(load_study(folder), folder / "dossiers" / "001" / "inputs")
    with (folder / RECORD).open(encoding="utf-8", newline="") as stream:
        heading, *rows = csv.reader(stream)
    file, row, reading, _, written = next(cells[:-1] for cells in rows if cells[2] == "P-004")
    cells = {**json.loads(written), "result": "4.01"}
    sha256 = json_sha256([file, reading, sorted(cells.items())])
    forged = [file, row, reading, sha256, json.dumps(cells, ensure_ascii=False, sort_keys=True)]
    with (folder / RECORD).open("w", encoding="utf-8", newline="") as stream:
        writer, link = csv.writer(stream, lineterminator="\n"), ""
        writer.writerow(heading)
        for entry in [forged, *(cells[:-1] for cells in rows)]:
            link = json_sha256([link, *entry])
            writer.writerow([*entry, link])
    assert history_losses(folder) == ()
    sheet = folder / "worksheets" / "precision.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("3.96", "4.01"), encoding="utf-8")
    assert [(change.reading, change.old, change.new) for change in load_study(folder).changes] == [
        ("P-004", "3.96", "4.01")
    ]


def json_sha256(value: object) -> str:
    return hashlib.sha256(json.dumps(value, ensure_ascii=False).encode("utf-8")).hexdigest()


def test_an_entry_taken_out_of_history_is_told_and_not_written_anew(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    record_readings(load_study(folder))
    lines = (folder / RECORD).read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / RECORD).write_text("".join(line for line in lines if "P-004" not in line), encoding="utf-8")
    assert any("removed" in loss.text for loss in history_losses(folder))
    assert record_readings(load_study(folder)) == 0
    assert main(["check", str(folder)]) == 1


def test_what_a_dossier_holds_of_history_is_missed_when_it_is_gone(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    record_readings(load_study(folder))
    kept = folder / "dossiers" / "001" / "inputs"
    (kept / "history").mkdir(parents=True)
    shutil.copy(folder / RECORD, kept / RECORD)
    shutil.copy(folder / "plan.lock", kept / "plan.lock")
    assert history_losses(folder) == lock_losses(folder) == ()
    (folder / RECORD).unlink()
    assert "is gone" in history_losses(folder)[0].text
    sheet = folder / "worksheets" / "precision.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("3.96", "4.01"), encoding="utf-8")
    study = load_study(folder)
    assert [(change.reading, change.old, change.new) for change in study.changes] == [("P-004", "3.96", "4.01")]
    lock = json.loads((folder / "plan.lock").read_text(encoding="utf-8"))
    lock["entries"][0]["time"] = "2026-05-01T08:00:00+00:00"
    (folder / "plan.lock").write_text(json.dumps(lock), encoding="utf-8")
    assert len(lock_losses(folder)) == 2  # its own seal, and the dossier's copy


def test_silent_changes_stand_in_the_conclusion(tmp_path: Path) -> None:
    from validation.judging.outcomes import evaluate, judge_study

    folder = frozen(tmp_path)
    record_readings(load_study(folder))
    sheet = folder / "worksheets" / "precision.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("3.96", "4.01"), encoding="utf-8")
    study = load_study(folder)
    conclusion = judge_study(study, evaluate(study)).conclusion
    assert "Changed since first seen, without an amendment: P-004." in conclusion.text
    assert any("P-004" in text for text in conclusion.restrictions)


def test_an_earlier_record_without_a_chain_is_read_and_chained_when_it_grows(tmp_path: Path) -> None:
    folder = frozen(tmp_path, PRECISION.replace("P-012,4,3,4.00,2026-07-03T08:30\n", ""))
    record_readings(load_study(folder))
    rows = [line.rpartition(",")[0] for line in (folder / RECORD).read_text(encoding="utf-8").splitlines()]
    (folder / RECORD).write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert history_losses(folder) == ()
    write_study(folder, {"precision": PRECISION})
    assert record_readings(load_study(folder)) == 1
    assert (folder / RECORD).read_text(encoding="utf-8").splitlines()[0].endswith(",chain")
    assert history_losses(folder) == ()
    assert len((folder / RECORD).read_text(encoding="utf-8").splitlines()) == 13


def test_freezes_do_not_run_backwards_and_a_change_needs_a_reason(tmp_path: Path, capsys) -> None:
    folder = frozen(tmp_path)
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("0.18", "0.2"), encoding="utf-8")
    with pytest.raises(Refusal, match=r"give the reason"):
        freeze(folder, "Q", NOW)
    with pytest.raises(Refusal, match=r"before the plan was last frozen"):
        freezing(folder, "Q", BEFORE - timedelta(days=1))
    assert main(["freeze", str(folder), "--by", "Q", "--reason", "rounded as agreed"]) == 0
    assert load_study(folder).amendments[0]["reason"] == "rounded as agreed"
    lock = json.loads((folder / "plan.lock").read_text(encoding="utf-8"))
    lock["entries"][1]["time"] = "2001-01-01T00:00:00+00:00"
    (folder / "plan.lock").write_text(json.dumps(lock), encoding="utf-8")
    _, (fault,) = read_lock(folder)
    assert "do not run backwards" in fault.reason
    capsys.readouterr()


def test_a_lock_of_the_future_is_told(tmp_path: Path) -> None:
    folder = write_study(tmp_path)
    freeze(folder, "Q", NOW + timedelta(days=300))
    assert any("plan.lock is dated in the future" in text for text in load_study(folder, now=NOW).warnings)


# --------------------------------------------------------------------------------------------------- the terminal


@pytest.mark.parametrize("name", ["a$(touch x)b", "a`touch x`b", "a|b", "a b", "a'b", 'a"b', "a;b", "-a", "a\\b", "a*"])
@posix
def test_a_path_can_be_pasted_into_a_shell(name: str) -> None:
    (word,) = shlex.split(shell_quoted(Path(name)))
    assert Path(word) == Path(name)
    assert not word.startswith("-")


def test_what_a_study_holds_cannot_steer_the_terminal(tmp_path: Path, capsys) -> None:
    assert plain("P\x1b[31m\x07\u202e\udcff") == "P\\u001b[31m\\u0007\\u202e\\udcff"
    assert plain("±0.5 %\tü\n") == "±0.5 %\tü\n"
    write_study(tmp_path, {"precision": PRECISION.replace("P-004,4", "P-004,\x1b[2J4")})
    assert main(["check", str(tmp_path), "--json"]) == 2
    assert main(["check", str(tmp_path)]) == 2
    out = capsys.readouterr()
    assert "\x1b" not in out.out + out.err


@pytest.mark.parametrize("text", ["Q\udcff", "Q\x1b[0m", "Q\x00"])
def test_arguments_that_are_no_text_are_refused(tmp_path: Path, capsys, text: str) -> None:
    with pytest.raises(Refusal, match=r"no UTF-8 text, or a control character"):
        refuse_unreadable([text])
    assert main(["freeze", str(write_study(tmp_path)), "--by", text]) == 2
    assert not (tmp_path / "plan.lock").exists()
    capsys.readouterr()


@pytest.mark.parametrize("verb", ["start", "check", "run", "verify", "compare"])
def test_an_empty_name_is_not_the_current_folder(tmp_path: Path, capsys, monkeypatch, verb: str) -> None:
    monkeypatch.chdir(write_study(tmp_path))
    assert main([verb, "", *(["x"] if verb == "compare" else [])]) == 2
    assert "the name is empty" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.yaml", "worksheets"]


@pytest.mark.thorough
@posix
@pytest.mark.slow
def test_settings_of_the_shell_and_closed_streams_stop_nothing(tmp_path: Path) -> None:
    long = tmp_path / ("t" * 100)
    long.mkdir()
    settings = {"MPLBACKEND": "bogus", "TZ": ":::", "MATPLOTLIBRC": "/no/such", "PYTHONPATH": ".", "TMPDIR": str(long)}
    study = str(frozen(tmp_path / "a {b} study"))
    command = shlex.join([str(Path(sys.executable).with_name("validation")), "run", study, "--only", "trueness"])
    environment = {**os.environ, **settings}
    assert subprocess.run(["sh", "-c", f"exec {command} <&- >&- 2>&-"], env=environment).returncode == 0


def test_a_folder_that_looks_like_a_number_is_no_dossier(tmp_path: Path) -> None:
    for name in ("²", "1.5", "x", "002"):
        (tmp_path / "dossiers" / name / "inputs").mkdir(parents=True)
    (tmp_path / "dossiers" / "2026").mkdir()  # of the user, and empty
    assert [path.name for path in issues_of(tmp_path)] == ["002"]


@posix
@pytest.mark.skipif(os.name == "posix" and os.geteuid() == 0, reason="root may write anywhere")
def test_a_history_that_cannot_be_written_is_one_sentence(tmp_path: Path, capsys) -> None:
    folder = frozen(tmp_path)
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("0.18", "0.2"), encoding="utf-8")
    (folder / "history").chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        assert main(["amend", str(folder), "--plan", "--reason", "r", "--by", "A", "--yes"]) == 2
    finally:
        (folder / "history").chmod(stat.S_IRWXU)
    assert "The system refuses" in capsys.readouterr().err
    assert not (folder / "amendments.csv").exists()


def test_faults_of_the_folder_stop_before_anything_is_opened(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    (folder / "amendments.csv").mkdir()
    study, faults = read_study(folder)
    assert study is None
    assert [fault.file for fault in faults] == ["amendments.csv"]
    with pytest.raises(StudyDataError, match=r"This is a folder"):
        load_study(folder)


def test_a_refrozen_plan_is_no_loss(tmp_path: Path) -> None:
    folder = frozen(tmp_path)
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("0.18", "0.2"), encoding="utf-8")
    refreeze(folder, "Q", NOW)
    assert lock_losses(folder) == ()


def test_names_that_no_file_can_have_are_told(tmp_path: Path, capsys) -> None:
    folder = write_study(tmp_path)
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("worksheets/precision.csv", r'"a\0b.csv"'), "utf-8")
    assert main(["check", str(folder)]) == 2
    assert "cannot be seen" in capsys.readouterr().err
    write_study(folder)
    head = "number,time,by,kind,file,reading,column,old,new,reason\n"
    (folder / "amendments.csv").write_text(f"{head}{'9' * 5000},2026-07-06,A,exclusion,,P-003,,,,r\n", "utf-8")
    assert main(["check", str(folder)]) == 2
    assert "not a whole number" in capsys.readouterr().err


def test_a_level_in_quotes_is_told(tmp_path: Path) -> None:
    from validation.judging.reading import read_checked

    folder = write_study(tmp_path)
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("at: 4.0", 'at: "4.0"'), encoding="utf-8")
    _, (fault,) = read_checked(folder)
    assert (fault.column, "without quotes: at: 4" in fault.mend) == ("at", True)


@pytest.mark.parametrize("value", ["1e28", "1e30", "-9e49", "1e-49"])
def test_the_largest_and_smallest_results_are_computed_and_worded(tmp_path: Path, value: str) -> None:
    from validation.judging.outcomes import evaluate, judge_study
    from validation.words import THIN_SPACE, fixed

    study = load_study(frozen(tmp_path, PRECISION.replace("3.91", value)))
    json.dumps(judge_study(study, evaluate(study)).results(), allow_nan=False)
    assert fixed(1e30, 3).replace(THIN_SPACE, "") == f"1{'0' * 30}.000"
