"""Whatever valid amendments stand in a study, `check` and `run` agree: what the one lets pass, the other computes."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st
from profiles import examples
from study_folder import NOW, PRECISION, amend, write_study

from validation.cli import main
from validation.faults import Refusal
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.reading import read_checked
from validation.judging.sensitivity import Variant, mark_fragile, variants
from validation.study.history.plan_lock import freeze

BEFORE = datetime(2026, 6, 1, 8, tzinfo=UTC)
READINGS = tuple(f"P-{number:03d}" for number in range(1, 13))
#: A worksheet as it may come from the bench: a letter in a number, a gap, a time in words.
ROUGH = PRECISION.replace("4.05", "4.0S").replace("1.98", "").replace("2026-07-03T08:20", "Friday")


def looks_of(folder: Path) -> list[Variant]:
    """What `run` computes of a study that `check` lets pass: estimates, verdicts, and each verdict otherwise."""
    study, faults = read_checked(folder, now=NOW)
    assert study is not None, faults
    evaluations = evaluate(study)
    judgement = judge_study(study, evaluations)
    found = variants(study, evaluations, judgement)
    json.dumps(mark_fragile(judgement, found).results(), allow_nan=False)
    return found


VALUES = {
    "result": st.sampled_from(["3.96", "4.02", "2.05", "<0.1", "", "0", "-1"]),
    "level": st.sampled_from(["2", "4", "7.5", "low"]),
    "run": st.sampled_from(["1", "2", "3", "9"]),
    "time": st.sampled_from(["2026-07-01", "2026-07-02T10:00", ""]),
}
CHANGES = st.one_of(
    st.tuples(st.sampled_from(READINGS), st.sampled_from(["exclusion", "reinstatement"]), st.just(""), st.just("")),
    *(
        st.tuples(st.sampled_from(READINGS), st.just("correction"), st.just(column), values)
        for column, values in VALUES.items()
    ),
)


@examples(60)
@given(st.sampled_from([PRECISION, ROUGH]), st.lists(CHANGES, min_size=1, max_size=12))
def test_check_and_run_agree_on_any_amended_study(worksheet: str, changes: list[tuple[str, str, str, str]]) -> None:
    with TemporaryDirectory() as place:
        folder = write_study(Path(place) / "study", {"precision": worksheet})
        freeze(folder, "Q. Manager", BEFORE)
        for reading, kind, column, new in changes:
            try:
                amend(folder, reading, kind, column, new)
            except Refusal:
                continue  # not a valid amendment of this study; nothing was appended
        study, faults = read_checked(folder, now=NOW)
        assert (study is None) == bool(faults)
        if study is not None:
            assert all(look.kind for look in looks_of(folder))


def test_each_look_without_an_amendment_is_taken_or_left_out_and_said(tmp_path: Path) -> None:
    folder = write_study(tmp_path, {"precision": ROUGH})
    freeze(folder, "Q. Manager", BEFORE)
    amend(folder, "P-003", "correction", "result", "4.05")
    amend(folder, "P-005", "exclusion")
    amend(folder, "P-011", "correction", "time", "2026-07-03T08:20")
    amend(folder, "P-004", "correction", "result", "3.97")
    amend(folder, "P-004", "correction", "result", "3.98")
    amend(folder, "P-008", "exclusion")
    amend(folder, "P-008", "reinstatement")
    looks = {look.title: look.failed for look in looks_of(folder) if look.kind == "reading"}
    assert "more than a number" in looks["P-003: result as written, 4.0S"]
    assert "without a result" in looks["P-005: put back"]
    assert "time cannot be read" in looks["P-011: time as written, Friday"]
    assert looks["P-004: result as written, 3.96"] == ""
    assert looks["P-004: result before amendment 5, 3.97"] == ""
    assert not any(title.startswith("P-008") for title in looks)


def test_an_exclusion_that_a_lapse_asked_for_does_not_stop_the_study(tmp_path: Path) -> None:
    lines = PRECISION.splitlines()
    instruments = ["instrument", *("SAW-2" if "P-004" in line else "SAW-1" for line in lines[1:])]
    sheet = "\n".join(f"{line},{name}" for line, name in zip(lines, instruments, strict=True)) + "\n"
    folder = write_study(tmp_path, {"precision": sheet})
    with (folder / "plan.yaml").open("a", encoding="utf-8") as plan:
        plan.write("equipment:\n  - {name: SAW-1}\n  - {name: SAW-2, valid_until: 2026-06-01}\n")
    freeze(folder, "Q. Manager", BEFORE)
    study, faults = read_checked(folder, now=NOW)
    assert study is None
    assert "had expired" in faults[0].reason
    amend(folder, "P-004", "exclusion")
    (look,) = [look for look in looks_of(folder) if look.title == "P-004: put back"]
    assert "had expired" in look.failed


@pytest.mark.thorough  # the usual run has such a dossier in tests/test_verify.py
def test_the_command_runs_a_study_with_every_kind_of_amendment(tmp_path: Path, capsys) -> None:
    folder = write_study(tmp_path / "study", {"precision": ROUGH})
    assert main(["freeze", str(folder), "--by", "Q"]) == 0
    signed = ["--reason", "bench book, page 12", "--by", "A1", "--yes"]
    for change in (
        ["--reading", "P-003", "--column", "result", "--new", "4.05"],
        ["--reading", "P-005", "--exclude"],
        ["--reading", "P-011", "--column", "time", "--new", "2026-07-03T08:20"],
        ["--reading", "P-008", "--exclude"],
        ["--reading", "P-008", "--reinstate"],
    ):
        assert main(["amend", str(folder), *change, *signed]) == 0
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("limit: 0.18", "limit: 0.2"), encoding="utf-8")
    assert main(["amend", str(folder), "--plan", *signed]) == 0
    assert main(["check", str(folder)]) == 0
    assert main(["run", str(folder)]) == 0
    assert main(["verify", str(folder / "dossiers" / "001")]) == 0
    page = (folder / "dossiers" / "001" / "dossier.html").read_text(encoding="utf-8")
    assert "It cannot be computed" in page
