"""Censored readings that leave a level or a worksheet without a number are told wherever a quantity would have been."""

from __future__ import annotations

import pytest
from small_study import small_study

from validation.characteristics._censored import left_out
from validation.characteristics.registry import characteristics

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
