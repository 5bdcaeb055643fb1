"""Runs that several test files look at: each is done once a session."""

from __future__ import annotations

from pathlib import Path

import pytest

from validation.running.demo import run_demo


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


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--mutations", default=400, help="how many random damages test_mutations.py looks at")
