"""Repeatability: what counts as a replicate. The statistics and what both chapters share stand in test_precision.py."""

from __future__ import annotations

import pytest
from small_study import precision_study

from validation.characteristics import intermediate_precision, repeatability


def test_preparations_change_what_a_replicate_is():
    runs = [[1.00, 1.01, 1.20, 1.21], [1.40, 1.41, 1.10, 1.11]]
    names = ["a", "a", "b", "b", "c", "c", "d", "d"]
    plain, nested = precision_study(runs), precision_study(runs, preparation=names)
    s_plain = repeatability.evaluate(plain).get("repeatability.s_r", 4.0)
    s_nested = repeatability.evaluate(nested).get("repeatability.s_r", 4.0)
    assert any("no preparation column" in note for note in s_plain.notes)
    # By hand: variances of the preparation means 0.02 and 0.045, of the readings 5e-5, two readings a preparation.
    assert s_nested.value**2 == pytest.approx(0.0325 - 5e-5 / 2 + 5e-5, rel=1e-9)
    assert s_plain.degrees_of_freedom == 6
    assert s_nested.degrees_of_freedom < 2.1
    assert any("not replicates" in note for note in s_nested.notes)


def test_preparation_read_in_several_runs_is_said():
    study = precision_study([[1.0, 1.2], [1.1, 1.3]], preparation=["a", "b", "a", "b"])
    assert any("more than one run" in note for note in repeatability.evaluate(study).notes)


def test_single_readings_leave_repeatability_missing_and_s_I_present():
    study = precision_study([[1.0], [2.0], [3.0]])
    repeat = repeatability.evaluate(study)
    assert not repeat.quantities
    assert "Replicates within a run would supply it" in repeat.missing
    inter = intermediate_precision.evaluate(study)
    assert [q.key for q in inter.quantities] == ["intermediate_precision.s_I"]
    assert inter.quantities[0].value == pytest.approx(1.0)
    assert inter.quantities[0].degrees_of_freedom == 2
    assert any("single reading" in note for note in inter.quantities[0].notes)
