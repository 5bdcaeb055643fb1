"""Runs that several test files look at: each is done once a session, whatever number of processes tests."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import profiles
import pytest
from few_checks import few_checks
from filelock import FileLock
from hypothesis import is_hypothesis_test
from study_folder import PRECISION, amend, refreeze, write_study
from without_kernels import without_kernels

from validation import resources
from validation.running.demo import run_demo
from validation.running.run import copy_inputs, run_study
from validation.study.history.plan_lock import freeze
from validation.study.history.readings import record_readings
from validation.study.load import load_study

BEFORE, BETWEEN = (datetime(2026, *day, 8, tzinfo=UTC) for day in ((6, 1), (7, 4)))


Once = Callable[[str, Callable[[Path], object]], Path]


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """Fill a folder of that name: the process that comes first does it, the others wait and find it.

    Read only: whoever changes something in it works on a copy.
    """
    base = tmp_path_factory.getbasetemp()
    shared = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "shared"
    shared.mkdir(exist_ok=True)

    def filled(name: str, fill: Callable[[Path], object]) -> Path:
        folder, done = shared / name, shared / f"{name}.done"
        with FileLock(shared / f"{name}.lock"):
            if not done.exists():
                shutil.rmtree(folder, ignore_errors=True)  # of a process that failed on it
                folder.mkdir()
                fill(folder)
                done.touch()
        return folder

    return filled


@pytest.fixture(scope="session", autouse=True)
def _few_checks(once: Once) -> Iterator[None]:
    """Dossiers of the tests hold a self-test of few checks, made once a session."""
    with pytest.MonkeyPatch.context() as patch:
        few_checks(patch, once("cache", lambda folder: None))
        yield


@pytest.fixture(scope="session")
def demo(once: Once) -> Path:
    """A folder in which `validation demo --new-lot` was run: new-grade/ and new-lot/, one dossier each."""

    def show(folder: Path) -> None:
        run_demo(folder / "demo")
        with pytest.MonkeyPatch.context() as patch:  # the notebooks of one dossier are enough
            without_kernels(patch)
            run_demo(folder / "demo", new_lot=True)

    return once("Vorführung mit Umlaut", show) / "demo"


@pytest.fixture
def no_kernels(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run computes in this process what its notebooks would."""
    without_kernels(monkeypatch)


@pytest.fixture(scope="session")
def dossier(demo: Path) -> Path:
    """The dossier of the demonstration study. Read only: copy it before changing anything."""
    return demo / "new-grade" / "dossiers" / "001"


@pytest.fixture(scope="session")
def amended_study(once: Once) -> Path:
    """Read only: a frozen study with a lot record, amendments of each kind, a changed plan, a dossier's inputs."""
    return once("amended", lambda folder: write_amended_study(folder / "study")) / "study"


def write_amended_study(folder: Path) -> None:
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


@pytest.fixture(scope="session")
def small_dossier(amended_study: Path, once: Once) -> Path:
    """Read only: the dossier of that study."""

    def issue(folder: Path) -> None:
        shutil.copytree(amended_study, folder / "study", ignore=shutil.ignore_patterns("dossiers"))
        run_study(folder / "study")

    return once("sealed", issue) / "study" / "dossiers" / "001"


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """`-n auto`: one process more than there are processors: a test of a whole run waits for its kernels."""
    return (os.cpu_count() or 1) + 1


def pytest_configure(config: pytest.Config) -> None:
    # Tests side by side: one thread of linear algebra each. The processes of xdist are started after this.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    profiles.load("thorough" if _thorough(config) else "usual")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Files with long tests first, so that no process is left alone with one: a file is tested by one process.

    Property tests are part of the thorough run too.
    """
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)
    for item in items:
        if _thorough(config) and is_hypothesis_test(getattr(item, "obj", None)):
            item.add_marker("thorough")


def _thorough(config: pytest.Config) -> bool:
    return config.getoption("markexpr") == "thorough"
