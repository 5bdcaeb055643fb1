"""Runs that several test files look at: each is done once a session."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from study_folder import PRECISION, amend, refreeze, write_study

from validation import resources
from validation.running.demo import run_demo
from validation.running.run import copy_inputs, run_study
from validation.study.history.plan_lock import freeze
from validation.study.history.readings import record_readings
from validation.study.load import load_study

BEFORE, BETWEEN = (datetime(2026, *day, 8, tzinfo=UTC) for day in ((6, 1), (7, 4)))


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which `validation demo --new-lot` was run: new-grade/ and new-lot/, one dossier each."""
    out = tmp_path_factory.mktemp("Vorführung mit Umlaut") / "demo"
    run_demo(out, new_lot=True)
    return out


@pytest.fixture(scope="session")
def dossier(demo: Path) -> Path:
    """The dossier of the demonstration study. Read only: copy it before changing anything."""
    return demo / "new-grade" / "dossiers" / "001"


@pytest.fixture(scope="session")
def amended_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read only: a frozen study with a lot record, amendments of each kind, a changed plan, a dossier's inputs."""
    folder = tmp_path_factory.mktemp("mutated") / "study"
    lines = PRECISION.splitlines()
    cells = ["instrument,lot,note", *["SAW-1,S-01,"] * 5, 'SAW-1,S-01,"odd, but kept"', *["SAW-2,S-01,"] * 6]
    write_study(folder, {"precision": "\n".join(f"{a},{b}" for a, b in zip(lines, cells, strict=True)) + "\n"})
    (folder / "standards").mkdir()
    record = resources.folder("demo_data") / "new-grade" / "standards" / "S-01.yaml"
    text = record.read_text(encoding="utf-8").replace("2026-05-29", "2026-08-30")  # valid when it is used here
    (folder / "standards" / "S-01.yaml").write_text(text, encoding="utf-8")
    with (folder / "plan.yaml").open("a", encoding="utf-8") as plan:
        plan.write(
            "people:\n  - {name: A1, role: analyst}\n"
            "equipment:\n  - {name: SAW-1, valid_until: 2027-01-31}\n  - {name: SAW-2, valid_until: 2027-02-28}\n"
            "standards:\n  - {name: S-01, value: 5.0, uncertainty: 0.03, lot_record: standards/S-01.yaml}\n"
            "lots:\n  in_use: S-01\n"
        )
    freeze(folder, "Q. Manager", BEFORE)
    for reading, kind, column, new in (
        ("P-003", "correction", "result", "4.04"),
        ("P-008", "exclusion", "", ""),
        ("P-011", "exclusion", "", ""),
        ("P-011", "reinstatement", "", ""),
    ):
        amend(folder, reading, kind, column, new)
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("limit: 0.18", "limit: 0.2"), encoding="utf-8")
    refreeze(folder, "Q. Manager", BETWEEN)
    whole = load_study(folder)
    record_readings(whole)
    copy_inputs(whole, folder / "dossiers" / "001" / "inputs")
    return folder


@pytest.fixture(scope="session")
def small_dossier(amended_study: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read only: the dossier of that study."""
    place = tmp_path_factory.mktemp("sealed") / "study"
    shutil.copytree(amended_study, place)
    shutil.rmtree(place / "dossiers")
    return run_study(place).dossier


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--mutations", default=400, help="how many random damages test_mutations.py looks at")
