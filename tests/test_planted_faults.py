"""Every planted fault is told, the clean study and dossier raise none of it, and the page says what is told."""

from __future__ import annotations

import pytest
from planted_faults import FAULTS, HEAD, MARKS, PAGE, Answer, Bases, Fault, answer, answer_of_the_clean, line_of

NOT_TOLD = {"the time of the run, later than its inputs"}


@pytest.fixture(scope="module")
def bases(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Bases:
    return Bases(tmp_path_factory.mktemp("planted"), lambda: request.getfixturevalue("small_dossier"), {})


@pytest.fixture(scope="module")
def clean(bases: Bases) -> dict[tuple[str, str], Answer]:
    return {}


@pytest.fixture(scope="module")
def table() -> list[str]:
    return PAGE.read_text(encoding="utf-8").split(MARKS[0])[1].split(MARKS[1])[0].strip().splitlines()


def case(fault: Fault) -> object:
    return pytest.param(fault, marks=pytest.mark.thorough if fault.thorough else ())


@pytest.mark.parametrize("fault", [case(fault) for fault in FAULTS], ids=lambda fault: fault.name)
def test_a_planted_fault_is_told_and_the_clean_one_raises_none(
    fault: Fault, bases: Bases, clean: dict[tuple[str, str], Answer], table: list[str]
) -> None:
    given = answer(fault, bases)
    assert (given.sentence(fault.words) == "not told") == (fault.name in NOT_TOLD)
    key = (fault.base, fault.by)
    if key not in clean:
        clean[key] = answer_of_the_clean(*key, bases)
    assert clean[key].sentence(fault.words) == "not told"
    assert clean[key].code == 0
    number = FAULTS.index(fault) + 1
    assert table[number + 1] == line_of(number, fault, given)


def test_the_page_holds_each_fault_once(table: list[str]) -> None:
    assert tuple(table[:2]) == HEAD
    assert [line.split(" | ")[1] for line in table[2:]] == [fault.name for fault in FAULTS]
    assert len(FAULTS) >= 30
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)


def test_the_clean_study_raises_nothing_at_all(bases: Bases) -> None:
    assert answer_of_the_clean("study", "conclusion", bases).lines == ()
    assert "No fault found." in answer_of_the_clean("study", "check", bases).lines
    assert answer_of_the_clean("dossier", "verify", bases).lines == ("No signed copy.",)
