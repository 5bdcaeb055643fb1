"""The records of experiments and columns: complete, in step with plan, start and documents, and the only list."""

from __future__ import annotations

import ast
import csv
import re
from dataclasses import MISSING, fields
from pathlib import Path

import pytest

from validation.characteristics.registry import characteristics, known_keys
from validation.faults import Fault, StudyDataError
from validation.judging.conclusion import not_evaluated
from validation.study.columns import COLUMNS
from validation.study.design import Design
from validation.study.experiments import (
    EXPERIMENTS,
    WITHOUT_READINGS,
    Chapter,
    Columns,
    Experiment,
    Setting,
    Shape,
    Start,
    Traits,
    all_records,
    chapter_words,
    excusable,
    may_be_planned,
)
from validation.study.explain import explain
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.plan import parse_plan
from validation.study.plan_values import Number
from validation.study.prepared import in_random_order
from validation.study.start import start_study

ROOT = Path(__file__).parent.parent
FILES = (ROOT / "docs" / "files.md").read_text(encoding="utf-8")
NAMES = sorted(EXPERIMENTS)
PREPARED = sorted(name for name, record in EXPERIMENTS.items() if record.start is not None)

#: Answers with which `start` prepares everything that it can.
DESIGN = Design(
    title="Fuel in oil",
    laboratory="Quillmere",
    range=(0.5, 10.0),
    routine_level=5.0,
    customer_limits=(2.0, 4.0),
    runs=2,
    replicates=2,
    laboratories=("Quillmere", "Tarnholt"),
    grades=("OG-N", "OG-K"),
    fuels=("FB-7", "FB-0"),
    lots=("S-01", "S-02"),
    purges=("30 s", "60 s"),
    factors=(("equilibration", "30 s", "60 s"),),
    states=("sealed", "in use"),
)

#: A value that each setting accepts, as docs/files.md describes it.
EXAMPLES = {
    "routine_level": "5.0",
    "response_unit": "mV",
    "published_r": "0.3",
    "matrix": "new oil",
    "low_range_max": "2.0",
    "reference": "OG-N",
    "factors": '{equilibration: {low: "30 s", high: "60 s"}}',
    "nominal": "4.0",
    "allowed_change": '"2.5%"',
    "planned_time": "14",
    "allowed_drift": "0.1",
}

HEAD = 'format: 1\nstudy: {id: A, title: B, laboratory: C, measurand: D, unit: "%", range: [1, 10]}\n'


def faults_of(text: str) -> list[Fault]:
    """The faults of a plan with these lines."""
    return parse_plan(f"{HEAD}{text}".encode())[1]


# Each record -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(all_records()))
def test_no_field_of_a_record_can_be_left_out(name: str) -> None:
    record = all_records()[name]
    stated = {item.name: getattr(record, item.name) for item in fields(record)}
    for item in fields(record):
        if item.default is not MISSING:  # an experiment has a worksheet, so its name is not kept for something else
            assert (item.name, stated[item.name]) == ("reserved", False)
            continue
        with pytest.raises(TypeError, match=item.name):
            type(record)(**{key: value for key, value in stated.items() if key != item.name})


@pytest.mark.parametrize("name", sorted(all_records()))
def test_a_record_says_in_words_what_it_is(name: str) -> None:
    record = all_records()[name]
    assert record.name == name
    for text in (record.words, record.title, *([record.serves] if isinstance(record, Experiment) else [])):
        assert text == text.strip()
        assert text
        assert "_" not in text
        assert not text.endswith(".")
    assert chapter_words(name) == record.words
    assert record.asked in ("main", "further", "no")
    assert not set(record.also_called) & set(all_records())


@pytest.mark.parametrize("name", NAMES)
def test_every_column_of_a_record_is_a_known_one(name: str) -> None:
    record = EXPERIMENTS[name]
    columns, shape = record.columns, record.shape
    named = {*columns.used, *columns.words, *shape.cells, *shape.scatter, *shape.varies_between, *(shape.pairs or ())}
    named |= {item.names for item in record.settings} | {shape.names}
    assert named - {""} <= set(COLUMNS)
    assert COLUMNS[columns.value].number
    assert len(columns.used) == len(set(columns.used))
    assert set(columns.words) <= set(columns.needed)
    assert not columns.labels or "level" in columns.needed
    assert {shape.names} - {""} <= set(columns.used)
    assert set(shape.pairs or ()) <= set(columns.needed)
    if shape.scatter:
        assert {"level", "run"} <= {*shape.scatter, *shape.varies_between}


@pytest.mark.parametrize("name", NAMES)
def test_what_a_record_names_exists(name: str) -> None:
    record = EXPERIMENTS[name]
    assert set(record.chapters) <= set(characteristics())
    assert not set(record.chapters) & set(all_records())
    if record.compares is not None:
        assert set(record.compares.keys) <= set(known_keys())
        assert record.compares.kind == record.shape.names
    assert record.traits.earlier <= record.traits.censored_as_bounds
    assert name in characteristics() or record.chapters or record.traits.evaluated_when_read


def test_every_characteristic_reads_an_experiment_of_the_record_and_can_be_excused() -> None:
    for name, item in characteristics().items():
        assert {item.experiment, *item.also_reads} - {""} <= set(EXPERIMENTS)
        assert name in excusable()


@pytest.mark.parametrize("column", sorted(COLUMNS))
def test_a_column_holds_what_its_record_says(column: str) -> None:
    record = COLUMNS[column]
    assert record.name == column
    assert f"`{column}`" in FILES
    assert record.number or not (record.unit or record.content or record.uncertainty or record.not_negative)
    assert record.not_negative or not record.uncertainty
    assert record.unit == "study" or not (record.content or record.uncertainty)


def test_names_that_are_compared_stand_in_the_page_of_files() -> None:
    words = re.sub(r"\s+", " ", FILES.partition("**Names.**")[2].partition("**Numbers.**")[0])
    sheet, _, study = words.partition("in the whole study")
    for scope, text in (
        ("sheet", sheet.partition("in one worksheet")[2]),
        ("study", study.partition("An invisible")[0]),
    ):
        assert set(re.findall(r"`(\w+)`", text)) == {name for name, item in COLUMNS.items() if item.scope == scope}


# Documents, plan, start, explain -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_the_page_of_files_has_the_row_of_an_experiment(name: str) -> None:
    (row,) = [line for line in FILES.splitlines() if line.startswith(f"| `{name}` | **")]
    cells = row.split(" | ")[1]
    columns = EXPERIMENTS[name].columns
    assert re.findall(r"\*\*(\w+)\*\*", cells) == list(columns.required)
    assert set(columns.structure) <= set(re.findall(r"\w+", cells))
    assert all(f"`{setting.name}`" in FILES or f"{setting.name}:" in FILES for setting in EXPERIMENTS[name].settings)


@pytest.mark.parametrize("name", NAMES)
def test_the_plan_accepts_an_experiment_with_its_settings_and_no_others(name: str) -> None:
    own = {setting.name for setting in EXPERIMENTS[name].settings}
    stated = "".join(f", {key}: {EXAMPLES[key]}" for key in sorted(own))
    plan, faults = parse_plan(f"{HEAD}experiments:\n  {name}: {{worksheet: w.csv, order_seed: 3{stated}}}\n".encode())
    assert faults == []
    assert plan is not None
    assert set(plan.experiments[name].settings) == {*own, "order_seed"}
    for key in sorted(set(EXAMPLES) - own):
        (fault,) = faults_of(f"experiments:\n  {name}: {{worksheet: w.csv, {key}: {EXAMPLES[key]}}}\n")
        assert (fault.reason, fault.value) == ("The key is unknown.", key)


def test_every_setting_has_an_example_above() -> None:
    assert {item.name for record in EXPERIMENTS.values() for item in record.settings} == set(EXAMPLES)


@pytest.mark.parametrize(("kind", "bad"), [("content", "-1.0"), ("limit", "0")])
def test_a_content_and_a_limit_of_a_setting_are_held_to_what_can_be(kind: str, bad: str) -> None:
    settings = [(name, item.name) for name, r in EXPERIMENTS.items() for item in r.settings if item.kind == kind]
    assert settings
    for name, key in settings:
        faults = faults_of(f"experiments:\n  {name}: {{worksheet: w.csv, {key}: {bad}}}\n")
        assert [fault.column for fault in faults] == [f"experiments.{name}.{key}"]


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("started")
    start_study(folder, DESIGN)
    return folder


def test_start_prepares_every_experiment_that_has_a_preparation(started: Path) -> None:
    study = load_study(started)
    assert sorted(study.experiments) == PREPARED
    told = "\n".join(explain(study)["Experiments"])
    assert all(f"serves {EXPERIMENTS[name].serves}: " in told for name in PREPARED)
    left = "\n".join(explain(study)["Not stated, not evaluated"])
    assert all(
        (record.words in left) == (record.start is None) for record in EXPERIMENTS.values() if not record.traits.earlier
    )


@pytest.mark.parametrize("name", PREPARED)
def test_a_prepared_worksheet_has_the_columns_and_the_lot_that_the_record_says(started: Path, name: str) -> None:
    record = EXPERIMENTS[name]
    assert record.start is not None
    with (started / "worksheets" / f"{record.start.file}.csv").open(encoding="utf-8-sig", newline="") as stream:
        head, *rows = csv.reader(stream)
    headings = [text.partition(" [")[0] for text in head]
    assert set(record.columns.required) <= set(headings)
    lots = {row[headings.index("lot")] for row in rows} if "lot" in headings else set()
    assert (lots == {"S-01"}) == record.start.of_a_lot
    for row in rows:
        filled = dict(zip(headings, row, strict=True))
        assert all(filled[column] for column in record.columns.needed)
        assert filled[record.columns.value] == ""


def test_the_plan_that_start_writes_names_what_a_validation_asks_for(tmp_path: Path) -> None:
    start_study(tmp_path, Design(title="T", laboratory="L", range=(0.5, 10.0)))
    text = (tmp_path / "plan.yaml").read_text(encoding="utf-8")
    asked = [record for record in all_records().values() if record.asked == "further"]
    assert re.findall(r'^  # (\w+): "reason"  # (.+)$', text, re.MULTILINE) == [
        (item.name, item.title) for item in asked
    ]
    study = load_study(tmp_path)
    missing = {item.name: item.title for item in not_evaluated(study, {})}
    assert missing == {name: item.title for name, item in all_records().items() if item.asked != "no"}


def test_every_answer_of_a_design_is_an_option_of_start() -> None:
    tree = ast.parse((ROOT / "validation" / "cli.py").read_text(encoding="utf-8"))
    (call,) = [
        node for node in ast.walk(tree) if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Design"
    ]
    assert {keyword.arg for keyword in call.keywords} == {item.name for item in fields(Design)}


# The only list -----------------------------------------------------------------------------------------------------


def test_nothing_else_lists_experiments_by_name() -> None:
    """Three names of experiments in one tuple, list, set or dict are a table that the next one is missing from."""
    package = ROOT / "validation"
    folders = ("study", "judging", "dossier", "figures", "running")
    modules = [*package.glob("*.py"), *(path for folder in folders for path in (package / folder).glob("*.py"))]
    for path in modules:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            items = node.keys if isinstance(node, ast.Dict) else getattr(node, "elts", [])
            names = {item.value for item in items if isinstance(item, ast.Constant) and isinstance(item.value, str)}
            assert len(names & set(EXPERIMENTS)) < 3, f"{path.name}, line {node.lineno}"


@pytest.fixture
def shaking(monkeypatch: pytest.MonkeyPatch) -> Experiment:
    """An experiment that the program does not have, known by its record alone."""
    planned = [("shaking", [("short", 4), ("long", 4)] * 2)]
    record = Experiment(
        name="shaking_time",
        words="shaking time",
        title="time of shaking",
        asked="further",
        also_called=("shaker",),
        serves="the time of shaking",
        chapters=(),
        columns=Columns(needed=("material", "level"), value="result", words={"material": ("short", "long")}),
        shape=Shape(names="material", cells=("material",)),
        traits=Traits(),
        settings=(
            Setting(name="seconds", type=Number, meaning="Seconds."),
            Setting(name="usual", type=str, meaning="Usual.", names="material"),
        ),
        compares=None,
        start=Start(
            file="shaking",
            prepare=lambda design, levels, seed: in_random_order(
                "K", ("material", "level"), ("result",), planned, seed
            ),
            settings=lambda design: ", seconds: 30, usual: short",
            of_a_lot=False,
        ),
        usual_requirements=lambda design: ["quantity: shaking_time.effect, rule: point, limit: 1"],
    )
    monkeypatch.setitem(EXPERIMENTS, record.name, record)  # type: ignore[arg-type]
    return record


def test_a_new_record_is_all_that_start_worksheets_and_explain_need(tmp_path: Path, shaking: Experiment) -> None:
    start_study(tmp_path, DESIGN)
    plan = (tmp_path / "plan.yaml").read_text(encoding="utf-8")
    assert "  shaking_time: {worksheet: worksheets/shaking.csv, seconds: 30, usual: short, order_seed: " in plan
    assert "quantity: shaking_time.effect, rule: point, limit: 1" in plan
    assert load_study(tmp_path).experiments["shaking_time"].settings["seconds"] == 30
    sheet = tmp_path / "worksheets" / "shaking.csv"
    head, *rows = sheet.read_bytes().decode("utf-8-sig").splitlines()
    assert head == "reading,order,material,level,result"
    filled = "\n".join([head, *(f"{row}4.0{number}" for number, row in enumerate(rows))])
    sheet.write_text(filled, encoding="utf-8")
    told = explain(load_study(tmp_path))["Experiments"][-1]
    assert told.startswith("shaking_time (worksheets/shaking.csv) serves the time of shaking: ")
    assert told.endswith("4 readings, 1 level and 2 materials, 2 a material.")
    sheet.write_text(filled.replace(",long,", ",lang,", 1), encoding="utf-8")
    with pytest.raises(StudyDataError, match="Write long"):
        load_study(tmp_path)


def test_a_new_record_is_all_that_plan_and_conclusion_need(tmp_path: Path, shaking: Experiment) -> None:
    history = "experiments:\n  history: {worksheet: h.csv}\n"
    (fault,) = faults_of(f"{history}  shaking_tme: {{worksheet: w.csv}}\n")
    assert fault.mend == 'Write "shaking_time".'
    (fault,) = faults_of(f"{history}  precision: {{worksheet: w.csv, seconds: 3}}\n")
    assert (fault.reason, fault.value) == ("The key is unknown.", "seconds")
    for excuse, reason in (("", ""), ("not_evaluated: {shaker: why}\n", "why")):
        plan, _ = parse_plan(f"{HEAD}{history}{excuse}".encode())
        assert plan is not None
        absent = {item.title: item.reason for item in not_evaluated(Study(tmp_path, plan, {}), {})}
        assert absent["time of shaking"] == reason


def test_a_name_kept_for_something_else_is_accepted_and_an_unknown_one_is_not() -> None:
    assert {name for name, record in WITHOUT_READINGS.items() if record.reserved} == {"standards"}
    assert may_be_planned("standards")
    assert not may_be_planned("uncertainty")
    assert not may_be_planned("presicion")
    assert all(type(record) is Chapter for record in WITHOUT_READINGS.values())
