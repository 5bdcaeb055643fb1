"""Names: near misses, what cannot be seen, and lots and instruments that the plan does not name.

The rules are those of docs/files.md of this project; there is no outside source.
"""

from __future__ import annotations

import pytest
from counting import calls_in
from hypothesis import given
from hypothesis import strategies as st
from lot_records import RECORD, STANDARDS, lot_study
from study_folder import PLAN, PRECISION, write_study

from validation.study.load import load_study, read_study
from validation.study.names import readings_of


def faults_of(folder):
    study, faults = read_study(folder)
    assert study is None
    return faults


def alike(one: str, other: str) -> bool:
    return not set(readings_of(one)).isdisjoint(readings_of(other))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("R1", "r1"),
        ("S-01", "S\u201101"),  # a no-break hyphen
        ("S-01", "S\u201301"),  # a dash
        ("S-01", "S\u221201"),  # a minus sign
        ("S-01", "S_01"),
        ("S-01", "S 01"),
        ("S-01", "S - 01"),
        ("SAW 1", "SAW1"),
        ("SAW 1", "SAW\u00a01"),
        ("SAW 1", "SAW  1"),
        ("P1", "\u04201"),  # Cyrillic
        ("A1", "\u03911"),  # Greek
        ("R1", "R\u200b1"),
        ("R1", "R\u00ad1"),
        ("R1", "\uff321"),  # full width
        ("1", "1.0"),
        ("1", "01"),
        ("0.5 mL", "0,5 ml"),
        ("Stra\u00dfe", "STRASSE"),
        ("a\u0308", "\u00e4"),
    ],
)
def test_names_that_the_eye_takes_for_one_are_alike(one, other):
    assert alike(one, other)


@pytest.mark.parametrize(
    ("one", "other"),
    [("R1", "R10"), ("A-1", "A1"), ("1.1", "1.10"), ("1", "-1"), ("5 \u00b5L", "5 mL"), ("2E1", "20"), ("R1", "R2")],
)
def test_names_of_two_things_are_not(one, other):
    assert not alike(one, other)


@given(st.text(max_size=12))
def test_blanks_about_and_invisible_characters_are_forgotten(name):
    assert readings_of(f"  {name} ")[0] == readings_of(name)[0]
    assert readings_of(name + "\u200d") == readings_of(name)


# ---- within a worksheet and across

_SHEETS = {
    "run": ("precision", "level,run,result", "2,R1,2.0", "2,{},2.1"),
    "material": ("detection", "material,result", "Blank,0.1", "{},0.2"),
    "matrix": ("detection", "material,matrix,result", "b,New oil,0.1", "b,{},0.2"),
    "sample": ("comparison", "sample,method,result", "S 1,candidate,1", "{},reference,1"),
    "state": ("stability", "state,age,result", "In use,1,1", "{},2,1"),
    "setting": ("carry_over", "sequence,position,result,setting", "1,high,9,30 s", "1,blank 1,0,{}"),
    "sequence": ("carry_over", "sequence,position,result", "X1,high,9", "{},blank 1,0"),
    "trial": ("ruggedness", "trial,result", "T1,1", "{},2"),
    "preparation": ("precision", "level,run,preparation,result", "2,1,N2-a,2.0", "2,1,{},2.1"),
    "level": ("precision", "level,run,result", "Low,1,2.0", "{},1,2.1"),
    "grade": ("matrix", "grade,level,result", "OG-N,1,1", "{},1,1"),
    "fuel": ("fuel", "fuel,level,result", "FB-7,1,1", "{},1,1"),
    "laboratory": ("reproducibility", "laboratory,level,result", "North,1,1", "{},1,1"),
}


@pytest.mark.parametrize("kind", _SHEETS)
def test_two_names_of_one_kind_that_are_nearly_one_are_a_fault(tmp_path, kind):
    experiment, head, first, second = _SHEETS[kind]
    name = first.split(",")[head.split(",").index(kind)]
    variant = name.swapcase()
    sheet = "\n".join([head, first, first, second.format(variant), second.format(variant + "\u200b")]) + "\n"
    faults = [fault for fault in faults_of(write_study(tmp_path, {experiment: sheet})) if fault.column == kind]
    near = next(fault for fault in faults if fault.value == variant)
    assert (near.file, near.row, near.expected) == (f"worksheets/{experiment}.csv", 4, name)
    assert f'"{variant}" (row 4)' in near.reason
    assert f"worksheets/{experiment}.csv, row 2" in near.reason
    hidden = next(fault for fault in faults if "cannot be seen" in fault.reason)
    assert (hidden.row, hidden.value) == (5, f"{variant}<U+200B>")
    assert f'Type the name again: "{variant}".' in hidden.mend


def test_the_name_in_more_rows_is_held_right(tmp_path):
    (fault,) = faults_of(write_study(tmp_path, {"precision": "level,run,result\n2,r1,2\n2,R1,2\n2,R1,2.1\n"}))
    assert (fault.row, fault.value, fault.expected) == (2, "r1", "R1")


@pytest.mark.parametrize("hidden", ["\u200b", "\u00ad", "\ufe0f", "\u202e", "\u3164", "\ufeff"])
def test_a_hidden_character_is_a_fault_in_a_name_that_stands_alone(tmp_path, hidden):
    sheet = f"level,run,result\n2,R{hidden}1,2\n2,R{hidden}1,2.1\n"
    (fault,) = faults_of(write_study(tmp_path, {"precision": sheet}))
    assert f"U+{ord(hidden):04X}" in fault.reason
    assert fault.row == 2


def test_a_hidden_character_is_told_once_and_its_plain_name_is_right(tmp_path):
    sheet = "level,run,result\n2,R\u200b1,2\n2,R\u200b1,2\n2,R1,2.1\n2,\u04202,2\n2,P2,2\n"
    hidden, near = faults_of(write_study(tmp_path, {"precision": sheet}))
    assert (hidden.row, hidden.value, hidden.mend) == (2, "R<U+200B>1", 'Type the name again: "R1".')
    assert (near.row, near.value, near.expected) == (5, "\u04202", "P2")


def test_a_letter_of_another_alphabet_is_named(tmp_path):
    (fault,) = faults_of(write_study(tmp_path, {"precision": "level,run,result\n2,P1,2\n2,\u04201,2.1\n2,P1,2\n"}))
    assert "U+0420 cyrillic capital letter er" in fault.reason


def test_identifiers_are_compared_across_worksheets(tmp_path):
    other = "reading,material,result\nB-1,oil,0.1\np-003,oil,0.2\n"
    (fault,) = faults_of(write_study(tmp_path, {"precision": PRECISION, "detection": other}))
    assert fault.column == "reading"
    assert {fault.value, fault.expected} == {"p-003", "P-003"}


def test_a_numeric_level_has_no_name(tmp_path):
    sheet = "level,run,result\n2,1,2\n2.0,1,2.1\n4,2,4\n4.00,2,4.1\n"
    study = load_study(write_study(tmp_path, {"precision": sheet}))
    assert study.experiments["precision"].table["level"].tolist() == [2.0, 2.0, 4.0, 4.0]


@pytest.mark.parametrize(
    ("more", "column", "name", "place"),
    [
        ("equipment: [{name: SAW 1}]", "instrument", "SAW-1", "plan.yaml, equipment"),
        ("people: [a1]", "analyst", "A1", "plan.yaml, people"),
        ("standards: [{name: s-1}]", "lot", "S-1", "plan.yaml, standards"),
    ],
)
def test_the_names_of_the_plan_hold_for_the_worksheets(tmp_path, more, column, name, place):
    sheet = f"level,run,result,{column}\n2,1,2,{name}\n2,1,2.1,{name}\n"
    (fault,) = faults_of(write_study(tmp_path, {"precision": sheet}, plan=PLAN + _braces(more)))
    assert (fault.file, fault.row, fault.column) == ("worksheets/precision.csv", 2, column)
    assert place in fault.reason


@pytest.mark.parametrize(("key", "column"), [("grade", "grade"), ("fuel", "fuel"), ("laboratory", "laboratory")])
def test_the_facts_of_the_study_hold_for_the_worksheets(tmp_path, key, column):
    plan = PLAN.replace("  unit:", "  grade: X-1\n  fuel: X-1\n  unit:").replace(
        "Quillmere Condition Laboratory", "X-1"
    )
    sheet = f"level,run,result,{column}\n2,1,2,x-1\n"
    (fault,) = faults_of(write_study(tmp_path, {"precision": sheet}, plan=plan))
    assert (fault.column, fault.value, fault.expected) == (column, "x-1", "X-1")
    assert f"study.{key}" in fault.reason


def test_the_balance_of_a_lot_record_is_compared_with_the_equipment(tmp_path):
    plan = STANDARDS + "equipment: [{name: BAL-1, valid_until: 2026-12-31}]\n"
    record = RECORD.replace("balance: BAL-1", "balance: Bal 1", 1)
    (fault,) = faults_of(lot_study(tmp_path, record, plan=plan))
    assert (fault.file, fault.value, fault.expected) == ("standards/S-1.yaml", "Bal 1", "BAL-1")


def test_an_amended_name_counts_as_amended_and_an_excluded_row_is_not_looked_at(tmp_path):
    head = "number,time,by,kind,file,reading,column,old,new,reason\n"
    sheet = "reading,level,run,result\nP-1,2,R1,2.0\nP-2,2,r1,2.1\nP-3,2,R2,2.0\nP-4,2,r 2,2.0\n"
    folder = write_study(tmp_path, {"precision": sheet})
    assert len(faults_of(folder)) == 2
    rows = (
        "1,2026-07-02T08:00+02:00,Q1,correction,,P-2,run,r1,R1,key\n2,2026-07-02T08:00+02:00,Q1,exclusion,,P-4,,,,x\n"
    )
    (folder / "amendments.csv").write_text(head + rows, encoding="utf-8")
    assert load_study(folder).experiments["precision"].table["run"].tolist() == ["R1", "R1", "R2"]


def test_names_of_many_rows_cost_no_more_a_row_than_those_of_few():
    from validation.study.experiments import EXPERIMENTS
    from validation.study.history.applying import State
    from validation.study.name_faults import name_faults
    from validation.study.plan import Plan
    from validation.study.worksheets import Row, Sheet

    columns = ("reading", "run", "analyst", "instrument", "lot", "preparation", "level", "result")
    rows = [
        {name: f"{name}-{number if name in ('reading', 'preparation') else number % 40}" for name in columns}
        for number in range(4_000)
    ]
    sheet = Sheet("precision", "w.csv", columns, (), EXPERIMENTS["precision"].columns)
    states = [State(sheet, Row(line, row["reading"], row, row), row) for line, row in enumerate(rows, start=2)]
    facts = {"id": "A", "title": "B", "laboratory": "C", "measurand": "D", "unit": "%", "range": [1, 2]}
    plan = Plan.model_validate({"format": 1, "study": facts, "experiments": {"precision": {"worksheet": "w.csv"}}})
    assert name_faults(plan, [states]) == []
    few, many = (calls_in(lambda count=count: name_faults(plan, [states[:count]])) for count in (400, 4_000))
    assert many < 12 * few  # every pair of names compared would be a hundred times as many


# ---- lots and instruments that nobody stated


def test_a_lot_that_the_plan_does_not_name_is_a_fault(tmp_path):
    (fault,) = faults_of(lot_study(tmp_path, lot="S-10"))
    assert (fault.row, fault.column, fault.value, fault.expected) == (2, "lot", "S-10", "S-1")
    assert 'Write "S-1", or add the lot to the standards of plan.yaml.' in fault.mend
    assert "12 rows" in fault.reason


def test_earlier_results_and_plans_without_standards_may_name_any_lot(tmp_path):
    study = load_study(lot_study(tmp_path / "a", plan="", lot="S-10"))
    assert set(study.experiments["precision"].table["lot"]) == {"S-10"}
    sheets = {"precision": PRECISION, "history": "reading,result,lot\nH-1,2,S-00\n"}
    study = load_study(write_study(tmp_path / "b", sheets, plan=PLAN + _braces("standards: [{name: S-1}]\n")))
    assert study.experiments["history"].table["lot"].tolist() == ["S-00"]


def test_an_instrument_without_an_entry_is_told_where_the_plan_holds_certificates(tmp_path):
    named = "equipment: [{name: SAW-2, valid_until: 2026-12-31}]\n"
    said = load_study(lot_study(tmp_path / "a", plan=named)).warnings
    assert sum("nothing shows a valid certificate: SAW-1 (" in text for text in said) == 1
    for more in ("", "equipment: [{name: SAW-2}]\n", "equipment: [{name: SAW-1, valid_until: 2026-12-31}]\n"):
        said = load_study(lot_study(tmp_path / str(len(more)), plan=more)).warnings
        assert not any("certificate" in text for text in said)


def _braces(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")
