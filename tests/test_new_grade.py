"""docs/new_grade.md walked word for word: the whole study of a new oil grade, from an empty folder."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from test_tutorial import WAYS, Command, Execute, commands_of, in_this_process, pattern, replace_requirements

from validation.running.run import RunReport

PAGE = Path(__file__).parent.parent / "docs" / "new_grade.md"
#: As in the tutorial; a number after `console` is the exit code that the page leads to.
FENCE = re.compile(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)

pytestmark = [pytest.mark.slow, pytest.mark.thorough]


def copy_readings(folder: Path) -> None:
    """What the page asks for below the demonstration: worksheets, lot records, one word of the plan."""
    for name in ("worksheets", "standards", "records"):
        shutil.copytree(folder / "exercise" / "new-grade" / name, folder / "new-grade" / name, dirs_exist_ok=True)
    plan = folder / "new-grade" / "plan.yaml"
    text = plan.read_text(encoding="utf-8")
    assert text.count("worksheets/reference.csv") == 1
    plan.write_text(text.replace("worksheets/reference.csv", "worksheets/reference.xlsx"), encoding="utf-8")


@pytest.fixture(scope="module", params=WAYS)
def walked(
    request: pytest.FixtureRequest, demo: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Path, list[tuple[Command, int]]]]:
    """The folder of somebody who did all of it, and each command with the exit code that the page leads to."""
    execute: Execute = request.param
    folder = tmp_path_factory.mktemp("Neue Öle")
    with pytest.MonkeyPatch.context() as patch:
        if execute is in_this_process:  # the demonstration that is there already
            patch.setattr("validation.running.demo.run_study", partial(copy_dossiers, demo / "new-grade"))
            execute = partial(in_this_process, figures=False)  # the demonstration shows them
        yield folder, walk(folder, execute)


def copy_dossiers(source: Path, target: Path, **options: object) -> RunReport:
    shutil.copytree(source / "dossiers", target / "dossiers")
    return RunReport(target / "dossiers" / "001", "", "", False, ())


def walk(folder: Path, execute: Execute) -> list[tuple[Command, int]]:
    seen = []
    for kind, word, text in FENCE.findall(PAGE.read_text(encoding="utf-8")):
        if kind == "yaml":
            replace_requirements(folder / word, text)
        for line, shown in commands_of(text) if kind == "console" else []:
            seen.append((Command(line, shown, *execute(line, folder)), int(word or 0)))
            if line.startswith("validation demo"):
                copy_readings(folder)
    return seen


def test_every_command_ends_as_the_page_says(walked: tuple[Path, list[tuple[Command, int]]]) -> None:
    wrong = [(command.line, command.code, command.said) for command, code in walked[1] if command.code != code]
    assert not wrong


def test_every_answer_is_the_one_shown(walked: tuple[Path, list[tuple[Command, int]]]) -> None:
    for command, _ in walked[1]:
        plain = "".join(f"{line}\n" for line in command.said.splitlines() if line.strip())
        shown = [line for line in command.shown if line.strip()]
        assert pattern(["...", *shown]).fullmatch(plain), f"{command.line}\n--- shown\n{shown}\n--- said\n{plain}"


def test_the_dossier_shows_what_the_table_of_the_page_says(walked: tuple[Path, list[tuple[Command, int]]]) -> None:
    folder, _ = walked
    results = json.loads((folder / "new-grade" / "dossiers" / "001" / "results.json").read_text(encoding="utf-8"))
    outcomes = {(row["id"], row["at"]): row["outcome"] for row in results["requirements"]}
    assert {row["order"] for row in results["requirements"]} == {"set after data"}
    assert outcomes["R1", 10.0] == "not met"
    told = {
        "R7": "met",
        "R8": "not met",
        "R9": "met",
        "R10": "not met",
        "R11": "not met",
        "R12": "met",
        "R13": "not met",
        "R14": "met",
        "R16": "not met",
        "R17": "met",
        "R18": "met",
    }
    assert {name: outcome for (name, _), outcome in outcomes.items() if name in told} == told
    found = {(q["key"], q["at"]): q["value"] for q in results["quantities"]}
    assert 9 < found["stability.expiry", "in use"] < 11
    assert round(found["uncertainty.expanded", 4.0], 2) == 0.40
    assert round(found["decision.acceptance_limit", 4.0], 2) == 3.67
    assert round(found["decision.rejection_limit", 4.0], 2) == 4.33
    corrected = json.loads((folder / "new-grade" / "dossiers" / "002" / "results.json").read_text(encoding="utf-8"))
    assert corrected["conclusion"]["range"] == [0.5, 4.0]
    # "reading P-089, run R5 at 2 %, holds 20.7": a flag points at it.
    precision = (folder / "new-grade" / "worksheets" / "precision.csv").read_text(encoding="utf-8")
    (slip,) = [line.split(",")[0] for line in precision.splitlines() if ",20.7," in line]
    assert slip == "P-089"
    assert slip in {flag["reading"] for flag in results["flags"]}


def test_the_page_names_every_experiment_and_factor_that_it_starts() -> None:
    from validation.study.experiments import EXPERIMENTS

    text = PAGE.read_text(encoding="utf-8")
    assert all(f"`{name}`" in text for name in EXPERIMENTS if name not in ("recovery", "control", "history"))
