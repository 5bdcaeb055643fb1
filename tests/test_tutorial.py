"""Everything docs/tutorial.md tells its reader to do is done here, word for word, and what it shows must come out."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest
from papermill.iorw import papermill_io
from without_kernels import without_kernels

from validation.cli import main

TUTORIAL = Path(__file__).parent.parent / "docs" / "tutorial.md"
FENCE = re.compile(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
ELLIPSIS = "..."

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Step:
    """One fenced block: what kind, which file it is about, and its text."""

    kind: str
    file: str
    text: str


@dataclass(frozen=True)
class Command:
    """One `$` line with the lines of the answer that the page shows, and what the program really said."""

    line: str
    shown: list[str]
    code: int
    said: str


def steps() -> list[Step]:
    return [Step(*found) for found in FENCE.findall(TUTORIAL.read_text(encoding="utf-8"))]


def commands_of(block: str) -> list[tuple[str, list[str]]]:
    """The commands of one block, each with the answer below it; a trailing backslash joins lines."""
    found: list[tuple[str, list[str]]] = []
    for line in block.replace("\\\n", " ").splitlines():
        if line.startswith("$ "):
            assert line.startswith("$ validation ")
            found.append((line[2:], []))
        else:
            found[-1][1].append(line)
    return found


Execute = Callable[[str, Path], tuple[int, str]]


def in_this_process(line: str, folder: Path, *, figures: bool = True) -> tuple[int, str]:
    said, warned = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(said), redirect_stderr(warned):
        patch.chdir(folder)
        without_kernels(patch, figures=figures)
        patch.setenv("COLUMNS", "200")
        # Papermill may have kept the working folder of an earlier run in this process.
        patch.setattr(papermill_io.get_handler("local"), "_cwd", None)
        patch.setattr(sys, "stdin", io.StringIO("y\n"))  # the answer that the page tells the reader to give
        code = main(shlex.split(line)[1:])
    return code, warned.getvalue() + said.getvalue()


def in_a_fresh_process(line: str, folder: Path) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "validation", *shlex.split(line)[1:]],
        cwd=folder,
        input="y\n",
        capture_output=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONWARNINGS": "", "COLUMNS": "200"},
        check=False,
    )
    return done.returncode, done.stderr + done.stdout


#: As the reader does it, and as quick as the usual run needs it.
WAYS = [in_this_process, pytest.param(in_a_fresh_process, marks=pytest.mark.thorough)]


def read_worksheet(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))


def type_readings(path: Path, block: str) -> None:
    """Save the block as the worksheet, which may differ from what `start` wrote in its one empty column alone."""
    prepared, typed = read_worksheet(path.read_text(encoding="utf-8")), read_worksheet(block)
    column = next(name for name in typed[0] if name.split(" ")[0] in ("result", "response"))
    assert [{**row, column: ""} for row in typed] == prepared
    assert all(row[column] for row in typed)
    path.write_text(block, encoding="utf-8")


def replace_requirements(path: Path, block: str) -> None:
    """Put the block in the place of everything from the line `requirements:` on."""
    before, line, _ = path.read_text(encoding="utf-8").partition("\nrequirements:\n")
    assert line
    path.write_text(f"{before}\n{block}", encoding="utf-8")


@pytest.fixture(scope="module", params=WAYS)
def followed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Command]]:
    """The folder of a reader who did all of it, in a path with a space and an umlaut, and what was seen."""
    execute: Execute = request.param
    folder = tmp_path_factory.mktemp("Quillmere Prüfung")
    seen = []
    for step in steps():
        if step.kind == "console":
            for line, shown in commands_of(step.text):
                seen.append(Command(line, shown, *execute(line, folder)))
        elif step.kind == "yaml":
            replace_requirements(folder / step.file, step.text)
        elif step.kind == "csv":
            type_readings(folder / step.file, step.text)
    return folder, seen


def pattern(shown: list[str]) -> re.Pattern[str]:
    """The answer with `...` for whatever is left out, within a line or as a line of its own."""
    parts = []
    for line in shown:
        if line == ELLIPSIS:
            parts.append(r"(?:.*\n)*?")
        else:
            parts.append(r"[^\n]*?".join(map(re.escape, line.split(ELLIPSIS))) + r"[^\n\S]*\n")
    return re.compile("".join(parts))


def test_every_command_succeeds(followed: tuple[Path, list[Command]]) -> None:
    failed = [(command.line, command.code, command.said) for command in followed[1] if command.code != 0]
    assert not failed


def test_every_answer_is_the_one_shown(followed: tuple[Path, list[Command]]) -> None:
    for command in followed[1]:
        said = command.said.replace("\\", "/") if os.sep == "\\" else command.said
        # Progress and the question come first; blank lines carry nothing.
        plain = "".join(f"{line}\n" for line in said.splitlines() if line.strip())
        shown = [line for line in command.shown if line.strip()]
        assert pattern(["...", *shown]).fullmatch(plain), f"{command.line}\n--- shown\n{shown}\n--- said\n{plain}"


def test_all_verbs_of_the_way_are_walked(followed: tuple[Path, list[Command]]) -> None:
    verbs = {command.line.split()[1] for command in followed[1]}
    assert verbs == {"start", "check", "freeze", "run", "verify", "trace", "amend", "compare"}


def test_the_listed_files_are_the_whole_dossier(followed: tuple[Path, list[Command]]) -> None:
    folder, _ = followed
    listing = next(step for step in steps() if step.kind == "text")
    names = [line.split()[0] for line in listing.text.splitlines()]
    assert sorted(names) == sorted(path.name for path in (folder / listing.file).iterdir())


def test_the_worksheet_keeps_the_slip_and_the_dossiers_hold_what_is_said(
    followed: tuple[Path, list[Command]],
) -> None:
    folder, _ = followed
    study = folder / "fuel-in-oil"
    first, second = (
        json.loads((study / "dossiers" / issue / "results.json").read_text(encoding="utf-8"))
        for issue in ("001", "002")
    )
    # "The worksheet still says 2.60."
    typed = read_worksheet((study / "worksheets" / "precision.csv").read_text(encoding="utf-8"))
    assert [row["result [%]"] for row in typed if row["reading"] == "P-009"] == ["2.60"]
    assert typed[9 - 2]["reading"] == "P-009"
    # "At 0.5 % and 4 % everything is met, at 2 % it is not."
    outcomes = {(row["id"], row["at"]): row["outcome"] for row in first["requirements"]}
    assert {outcome for (_, at), outcome in outcomes.items() if at != 2.0} == {"met"}
    assert outcomes["R1", 2.0] == "not shown"
    assert outcomes["R2", 2.0] == "not met"
    # "one point is ringed and marked `row 9` ... a test of the scatter points at it, and it is kept"
    assert ("P-009", True) in {(flag["reading"], flag["kept"]) for flag in first["flags"]}
    drawing = study / "dossiers" / "001" / "figures" / "repeatability-residuals_by_level.svg"
    assert ">row 9<" in drawing.read_text(encoding="utf-8")
    # "All 9 requirements are met now, and the working range is 0.5 to 4 %."
    assert [row["outcome"] for row in second["requirements"]] == ["met"] * 9
    assert second["conclusion"]["range"] == [0.5, 4.0]
    assert second["conclusion"]["outcome"] == "fit with restrictions"


def test_numbers_of_readings_in_the_text_are_those_of_the_blocks() -> None:
    text = TUTORIAL.read_text(encoding="utf-8")
    counts = {Path(step.file).stem: len(read_worksheet(step.text)) for step in steps() if step.kind == "csv"}
    assert f"{counts['calibration']} responses" in text
    assert f"{counts['precision']} results" in text
