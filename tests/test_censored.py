"""Censored readings that leave a level or a worksheet without a number are told wherever a quantity would have been."""

from __future__ import annotations

import pytest
from small_study import small_study
from study_folder import PRECISION as PRECISION_CSV
from study_folder import write_study

from validation.characteristics._censored import left_out
from validation.characteristics.registry import characteristics
from validation.cli import main
from validation.judging.held_back import held_back
from validation.study.load import load_study

PRECISION = {
    "level": [1] * 4 + [2] * 4 + [4] * 4,
    "run": list("aabb") * 3,
    "result": ["<1.5"] * 4 + ["2.1", "2.2", "1.9", "2.0", "4.0", "4.2", "4.1", "3.9"],
}
NETWORK = {"laboratory": PRECISION["run"], "level": PRECISION["level"], "result": PRECISION["result"]}


@pytest.mark.parametrize("name", ["repeatability", "intermediate_precision", "trueness", "accuracy", "reproducibility"])
def test_a_level_of_censored_readings_alone_is_told(name):
    characteristic = characteristics()[name]
    columns = NETWORK if name == "reproducibility" else PRECISION
    evaluation = characteristic.evaluate(small_study(characteristic.experiment, columns))
    assert "Level 1: all of its 4 readings are censored, so nothing can be estimated there." in evaluation.notes
    assert all(q.at != 1.0 for q in evaluation.quantities)
    assert evaluation.quantities


@pytest.mark.parametrize("name", ["repeatability", "intermediate_precision", "trueness"])
def test_what_spans_the_levels_counts_the_readings_of_a_lost_one(name):
    columns = {key: values + values[-4:] for key, values in PRECISION.items()}
    columns["level"] = [1] * 4 + [2] * 4 + [4] * 4 + [8] * 4
    evaluation = characteristics()[name].evaluate(small_study("precision", columns))
    spanning = [q for q in evaluation.quantities if q.at is None]
    assert spanning
    assert {q.censored for q in spanning} == {4}


@pytest.mark.parametrize(
    ("name", "columns"),
    [
        ("repeatability", {"level": [1, 1], "run": ["a", "a"], "result": ["<1", "<1"]}),
        ("reproducibility", {"laboratory": ["a", "b"], "level": [1, 1], "result": ["<1", "<1"]}),
        ("detection", {"material": ["a", "a"], "result": ["<1", "<1"]}),
        ("comparison", {"sample": ["a", "a"], "method": ["candidate", "reference"], "result": ["<1", "<1"]}),
    ],
    ids=["precision", "reproducibility", "detection", "comparison"],
)
def test_a_worksheet_of_censored_readings_alone_is_not_awaiting_readings(name, columns):
    characteristic = characteristics()[name]
    missing = characteristic.evaluate(small_study(characteristic.experiment, columns)).missing
    assert "All 2 readings of worksheets/test.csv are censored" in missing


def test_one_reading_is_one_and_several_are_several():
    assert left_out(0) == ()
    assert left_out(1, "of this sample") == ("1 censored reading of this sample was left out.",)
    assert left_out(2, noun="censored blank") == ("2 censored blanks were left out.",)
    one = small_study("precision", {"level": [1], "run": ["a"], "result": ["<1"]})
    missing = characteristics()["repeatability"].evaluate(one).missing
    assert missing.startswith("The one reading of worksheets/test.csv is censored: ")


# ---- before the run


BIAS = {"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": 0.2}
SPREAD = {"id": "R2", "quantity": "repeatability.s_r", "at": 2, "rule": "upper bound", "limit": 0.2}


def _held(results, requirements=(BIAS, SPREAD)):
    columns = {"level": [1] * 4 + [2] * 4, "run": list("aabb") * 2, "result": results}
    return held_back(small_study("precision", columns, requirements=requirements))


USABLE = ["2.1", "2.2", "1.9", "2.0"]


@pytest.mark.parametrize("first", [["<0.5", "0.9", "1.1", "1.0"], ["<0.5"] * 4], ids=["one", "all of the level"])
def test_requirements_that_censored_readings_hold_back_are_told_before_the_run(first):
    (sentence,) = _held([*first, *USABLE])
    assert sentence.startswith("Because of censored readings R1 at 1 is at best not shown. Ways out: ")
    for way in ("amend --column result", "amend --exclude", "measure further", "before the freeze"):
        assert way in sentence


def test_every_requirement_is_held_back_where_nothing_is_left():
    (sentence,) = _held(["<0.5"] * 8)
    assert sentence.startswith("Because of censored readings R1 at 1, R1 at 2 and R2 at 2 are at best not shown.")


def test_nothing_is_held_back_without_censored_readings_or_outside_the_requirement():
    assert _held(["0.9", "1.0", "1.1", "1.0", *USABLE]) == []
    assert _held(["<0.5", "0.9", "1.1", "1.0", *USABLE], requirements=[SPREAD]) == []
    assert _held(["<0.5", "0.9", "1.1", "1.0", *USABLE], requirements=[]) == []


def test_check_tells_what_is_held_back(tmp_path, capsys):
    text = PRECISION_CSV.replace("4.05", "<3")
    assert main(["check", str(write_study(tmp_path, {"precision": text}))]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "1 censored reading is left out of every quantity: P-003." in printed
    assert "R1 at 4 and R2 at 4 are at best not shown." in printed


# ---- the comparison leaves samples out whole


def test_check_names_the_samples_that_a_comparison_leaves_out(tmp_path):
    sheet = "sample,method,result\n" + "".join(
        f"{name},candidate,{low}\n{name},reference,{number}.1\n"
        for number, (name, low) in enumerate([("A", "<0.5"), ("B", "2"), ("C", "3"), ("D", "4")], 1)
    )
    study = load_study(write_study(tmp_path, {"comparison": sheet}))
    (note,) = (text for text in study.warnings if "censored" in text)
    assert note.endswith("The sample A is left out whole; every verdict of comparison rests on the others.")


@pytest.mark.parametrize("lacking", ["candidate", "reference"])
def test_a_method_that_is_missing_is_told_before_the_run(tmp_path, lacking):
    other = {"candidate": "reference", "reference": "candidate"}[lacking]
    study = load_study(write_study(tmp_path, {"comparison": f"sample,method,result\nA,{other},1\nB,{other},2\n"}))
    assert any(
        f"No usable reading of the method {lacking}: nothing can be compared until there are some." in text
        for text in study.warnings
    )
