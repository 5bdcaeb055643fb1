"""A new study folder: what `start` writes can be read, explained and filled in."""

import csv
from collections import Counter, defaultdict
from dataclasses import replace

import openpyxl
import pytest

from validation.faults import Refusal
from validation.study.design import Design, usual_levels
from validation.study.explain import explain
from validation.study.load import load_study
from validation.study.start import start_study

DESIGN = Design(
    title='Fuel "in" oil: 5 % # test',
    laboratory="Prüflabor",
    range=(0.5, 10.0),
    procedure="QP-31, issue 4",
    routine_level=5.0,
    customer_limits=(2.0, 4.0),
    runs=3,
    replicates=2,
    people=("A1", "A2"),
    laboratories=("Quillmere", "Tarnholt"),
)


@pytest.mark.parametrize("workbooks", [False, True], ids=["csv", "xlsx"])
def test_a_started_study_is_read_without_a_fault(tmp_path, workbooks):
    folder = tmp_path / "neue Studie"
    started = start_study(folder, Design(**{**_fields(DESIGN), "workbooks": workbooks}))
    study = load_study(folder)
    assert study.plan.study.title == DESIGN.title
    assert study.plan.study.customer_limits == (2.0, 4.0)
    assert study.plan.experiments["precision"].order_seed == started.seed
    assert all(data.awaiting for data in study.experiments.values())
    assert sum(len(data.readings) for data in study.experiments.values()) == started.readings
    assert len(study.experiments["precision"].readings) == 5 * 3 * 2
    assert not any("not used" in text for text in study.warnings)
    told = explain(study)
    assert any("30 rows prepared" in text for text in told["Experiments"])
    assert any("no requirement" in text for text in told["Requirements"])


def _fields(design):
    return {name: getattr(design, name) for name in design.__slots__}


def _rows(folder):
    with (folder / "worksheets" / "precision.csv").open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_readings_stand_in_random_order_within_each_run(tmp_path):
    start_study(tmp_path, DESIGN)
    runs = defaultdict(list)
    for row in _rows(tmp_path):
        runs[row["run"]].append(row)
    assert [int(row["order"]) for row in _rows(tmp_path)] == list(range(1, 31))
    for rows in runs.values():
        names = [row["reading"] for row in rows]
        assert names != sorted(names)
        levels = [float(row["level"]) for row in rows]
        assert levels != sorted(levels)
        assert len(set(levels)) == 5
    assert list(runs) == ["1", "2", "3"]


def test_the_same_seed_gives_the_same_order_and_another_another(tmp_path):
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        start_study(tmp_path / name, Design(**{**_fields(DESIGN), "seed": seed}))
    assert _rows(tmp_path / "a") == _rows(tmp_path / "b")
    assert _rows(tmp_path / "a") != _rows(tmp_path / "c")
    assert "the seed is 7" in (tmp_path / "a" / "plan.yaml").read_text(encoding="utf-8")


def test_every_usual_requirement_can_be_uncommented(tmp_path):
    from validation.judging.requirements import requirement_faults

    start_study(tmp_path, DESIGN)
    plan = tmp_path / "plan.yaml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("#  - {id", "  - {id"), encoding="utf-8")
    study = load_study(tmp_path)
    assert len(study.plan.requirements) == 9
    assert requirement_faults(study.plan) == []
    assert len(explain(study)["Requirements"]) == 9


def test_cautions_stand_in_the_plan_and_not_in_the_worksheets(tmp_path):
    start_study(tmp_path, DESIGN)
    assert "Local codes" in (tmp_path / "plan.yaml").read_text(encoding="utf-8")
    assert "aution" not in (tmp_path / "worksheets" / "precision.csv").read_text(encoding="utf-8-sig")


def test_nothing_is_ever_overwritten(tmp_path):
    (tmp_path / "worksheets").mkdir()
    (tmp_path / "worksheets" / "blanks.csv").write_text("mine")
    with pytest.raises(Refusal, match=r"already holds worksheets/blanks\.csv; nothing was written"):
        start_study(tmp_path, DESIGN)
    assert not (tmp_path / "plan.yaml").exists()
    assert (tmp_path / "worksheets" / "blanks.csv").read_text() == "mine"
    assert len(list((tmp_path / "worksheets").iterdir())) == 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"range": (10.0, 0.5)}, "rise from low to high"),
        ({"levels": (1.0, 1.0)}, "named twice"),
        ({"runs": 0}, "between 1 and 1000"),
        ({"title": ""}, "no valid plan"),
    ],
)
def test_answers_that_contradict_themselves_are_refused(tmp_path, change, said):
    with pytest.raises(Refusal, match=said):
        start_study(tmp_path / "x", Design(**{**_fields(DESIGN), **change}))
    assert not (tmp_path / "x").exists()


def test_usual_levels_hold_the_ends_the_limits_and_the_standard():
    assert usual_levels(DESIGN) == (0.5, 2.0, 4.0, 5.0, 10.0)
    assert usual_levels(Design(title="t", laboratory="l", range=(0.0, 1.0))) == (0.0, 0.25, 0.5, 0.75, 1.0)


def test_numbers_of_a_workbook_are_numbers(tmp_path):
    start_study(tmp_path, Design(**{**_fields(DESIGN), "workbooks": True}))
    page = openpyxl.load_workbook(tmp_path / "worksheets" / "precision.xlsx").active
    assert page["C1"].value == "level"
    assert isinstance(page["C2"].value, int | float)


def test_further_experiments_are_prepared_for_the_materials_and_settings_named(tmp_path):
    further = replace(
        DESIGN,
        grades=("OG-N", "OG-K"),
        fuels=("FB-7", "FB-0"),
        lots=("S-01", "S-02"),
        purges=("30 s", "60 s"),
        factors=(("equilibration", "30 s", "60 s"), ("volume", "0.3 mL", "0.7 mL")),
        states=("sealed", "in use"),
    )
    start_study(tmp_path, further)
    study = load_study(tmp_path)
    rows = {name: [item.values for item in data.readings] for name, data in study.experiments.items()}
    assert study.plan.study.grade == "OG-N"
    # Interleaved: every grade at every level in every run, once.
    cells = Counter((row["run"], row["grade"], row["level"]) for row in rows["matrix"])
    assert set(cells.values()) == {1}
    assert len(cells) == DESIGN.runs * 2 * 3
    # A triple stays together and in its order; the settings are mixed.
    triples = [[row["position"] for row in rows["carry_over"][i : i + 3]] for i in range(0, 30, 3)]
    assert triples == [["high", "blank 1", "blank 2"]] * 10
    # Plackett and Burman 1946: every factor as often low as high, and balanced against every other, in each run.
    pairs = Counter((row["run"], row["equilibration"], row["volume"]) for row in rows["ruggedness"])
    assert set(pairs.values()) == {2}
    assert len(rows["lots"]) == 42
    assert len(rows["stability"]) == 36


def test_requirements_of_further_experiments_can_be_uncommented(tmp_path):
    from validation.judging.requirements import requirement_faults

    start_study(tmp_path, replace(DESIGN, grades=("OG-N", "OG-K"), purges=("30 s",), lots=("S-01", "S-02")))
    plan = tmp_path / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("#  - {id", "  - {id"), encoding="utf-8")
    study = load_study(tmp_path)
    assert len(study.plan.requirements) == 13
    assert requirement_faults(study.plan) == []


def test_a_screening_of_too_many_factors_is_refused(tmp_path):
    many = tuple((f"factor {number}", "low", "high") for number in range(12))
    with pytest.raises(Refusal, match="holds 11 factors at most; found 12"):
        start_study(tmp_path, replace(DESIGN, factors=many))


def test_the_budget_and_the_decision_rule_can_be_uncommented(tmp_path):
    start_study(tmp_path, replace(DESIGN, lots=("S-01", "S-02")))
    plan = tmp_path / "plan.yaml"
    lines = plan.read_text(encoding="utf-8").splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith("# uncertainty:"))
    last = next(number for number, line in enumerate(lines) if line.startswith("#   {rule:"))
    lines[first : last + 1] = [line.replace("# ", "", 1).replace("#  ", "  ", 1) for line in lines[first : last + 1]]
    plan.write_text("\n".join(lines) + "\n", encoding="utf-8")
    study = load_study(tmp_path)
    from validation.study.budget import CHECKLIST

    assert {component.question for component in study.plan.uncertainty.components} == set(CHECKLIST)
    assert study.plan.decision.agreed_with == "..."
    record = (tmp_path / "standards" / "S-02.yaml").read_text(encoding="utf-8")
    assert "\nlot: S-02 " in record


def test_a_lot_that_cannot_name_a_file_is_refused(tmp_path):
    with pytest.raises(Refusal, match="cannot name a file"):
        start_study(tmp_path, replace(DESIGN, lots=("S-01", "../S-02")))
