"""The rules of a requirement, the working range and the conclusion; rules as docs/files.md states them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from small_study import FixedEnds, small_study

from validation.judging import rules
from validation.judging.conclusion import conclude, not_evaluated, quantification_limit, working_range
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.requirements import judge, levels_not_held, requirement_faults
from validation.stats.content import SingleResults
from validation.stats.estimate import Estimate
from validation.stats.sample_size import (
    POWER,
    df_for_upper_bound,
    equivalence_power,
    units_for_equivalence,
    units_for_mean_bound,
)
from validation.study.history.plan_order import PlanOrder
from validation.study.model import Reading
from validation.study.plan import Plan
from validation.study.quantity import Evaluation, Quantity
from validation.words import share_text

REFERENCE = Path(__file__).parent / "reference"
SHOWN = PlanOrder(state="shown")


def quantity(value: float, low: float, high: float, **more: object) -> Quantity:
    error = (high - low) / 4
    estimate = Estimate(value, FixedEnds(low, high), error, degrees_of_freedom=7.0, n=24, units=8)
    return of_estimate(**{"key": "trueness.bias", "at": 4.0, "estimate": estimate} | more)  # type: ignore[arg-type]


def of_estimate(key: str, at: float | str, estimate: Estimate, **more: object) -> Quantity:
    place = {"key": key, "at": at, "unit": "%", "unit_name": "runs", "level": 0.95} | more
    return Quantity(estimate=estimate, **place)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [
        (-0.1, 0.1, "met"),
        (-0.2, 0.2, "met"),  # touching is inside
        (-0.1, 0.21, "not shown"),
        (0.2, 0.3, "not shown"),  # touching from outside is not wholly outside
        (0.21, 0.3, "not met"),
        (-0.5, -0.3, "not met"),
        (-0.5, 0.5, "not shown"),
    ],
)
def test_equivalence_by_where_the_interval_lies(low: float, high: float, outcome: str) -> None:
    assert rules.equivalence(quantity((low + high) / 2, low, high), 0.2, 0.0).outcome == outcome


def test_equivalence_decides_the_published_tost_example_as_its_p_values_do() -> None:
    # Source: tests/reference/cmp-tost-clinic.yaml: reference values of the statsmodels test suite, margin 0.6;
    # p < 0.05 for variable 1, p > 0.05 for variable 2, by the 90 % interval of paired differences.
    example = yaml.safe_load((REFERENCE / "cmp-tost-clinic.yaml").read_text(encoding="utf-8"))
    for variable, outcome in (("var1", "met"), ("var2", "not shown")):
        low, high = (float(example["expected"][f"paired_{variable}_ci90_{end}"]) for end in ("low", "high"))
        p = float(example["expected"][f"paired_{variable}_p_tost"])
        verdict = rules.equivalence(quantity((low + high) / 2, low, high), example["data"]["margin"], 0.0)
        assert verdict.outcome == outcome
        assert (p < 0.05) == (outcome == "met")


def test_equivalence_about_a_target() -> None:
    slope = quantity(0.985, 0.966, 1.004, key="comparison.deming_slope", unit="1")
    assert rules.equivalence(slope, 0.05, 1.0).outcome == "met"
    assert rules.equivalence(slope, 0.01, 1.0).outcome == "not shown"
    assert rules.equivalence(slope, 0.05, 0.0).outcome == "not met"


@pytest.mark.parametrize(
    ("low", "high", "outcome"), [(0.10, 0.18, "met"), (0.10, 0.19, "not shown"), (0.181, 0.25, "not met")]
)
def test_upper_bound_and_its_opposite(low: float, high: float, outcome: str) -> None:
    verdict = rules.upper_bound(quantity(0.15, low, high), 0.18)
    assert verdict.outcome == outcome
    assert "limit 0.180" in verdict.reason


@pytest.mark.parametrize(
    ("low", "high", "outcome"), [(0.05, 0.9, "met"), (0.04, 0.9, "not shown"), (0.01, 0.049, "not met")]
)
def test_lower_bound_and_its_opposite(low: float, high: float, outcome: str) -> None:
    assert rules.lower_bound(quantity(0.5, low, high), 0.05).outcome == outcome


def test_point_prints_the_bound_and_says_where_it_is_thin() -> None:
    verdict = rules.point(quantity(0.136, 0.113, 0.196), 0.18, 0.0, about_target=False)
    assert verdict.outcome == "met"
    assert verdict.bound == 0.196
    assert "bound" in verdict.thin
    assert rules.point(quantity(0.19, 0.113, 0.25), 0.18, 0.0, about_target=False).outcome == "not met"


@pytest.mark.parametrize(("centre", "outcome"), [(0.0, "met"), (0.2, "not shown"), (0.9, "not met"), (-0.9, "not met")])
def test_inside_judges_the_share_of_single_results(centre: float, outcome: str) -> None:
    # Eight results that scatter by 0.1: 95 % of them within 0.5 or not, by the bounds of the share.
    results = SingleResults(centre, 0.1, 8, (1.0,), (0.01,), (0.01,), (7.0,))
    limit = of_estimate("accuracy.tolerance_low", 4.0, Estimate(centre - 0.3, results))
    verdict = rules.inside(limit, 0.5, content=0.95)
    assert verdict.outcome == outcome
    lower, upper = results.share_interval(0.5, 0.9)
    assert verdict.interval == (lower, upper)
    assert {"met": lower >= 0.95, "not met": upper < 0.95, "not shown": lower < 0.95 <= upper}[outcome]
    assert "95 % is asked for within ±0.500" in verdict.reason


def test_inside_asks_for_the_content_of_the_requirement() -> None:
    results = SingleResults(0.2, 0.1, 8, (1.0,), (0.01,), (0.01,), (7.0,))
    limit = of_estimate("accuracy.tolerance_low", 4.0, Estimate(-0.1, results))
    outcomes = [rules.inside(limit, 0.5, content=content).outcome for content in (0.8, 0.95)]
    assert outcomes == ["met", "not shown"]


def test_inside_says_when_no_number_of_readings_can_help() -> None:
    results = SingleResults(-0.7, 0.29, 8, (1.0,), (0.0841,), (0.0841,), (7.0,))
    limit = of_estimate("accuracy.tolerance_low", 10.0, Estimate(-1.4, results))
    assert "more readings would not" in rules.inside(limit, 0.9, content=0.8).reason


def test_not_shown_names_the_number_that_would_settle_it() -> None:
    reason = rules.equivalence(quantity(0.05, -0.15, 0.25), 0.2, 0.0).reason
    assert "would be enough" in reason
    assert "power 90%" in reason or "power 90 %" in reason
    assert "more readings would not" in rules.equivalence(quantity(0.25, 0.1, 0.4), 0.2, 0.0).reason


def test_power_of_the_number_against_simulation() -> None:
    # Independent route: the two one-sided t tests simulated outright, numpy's generator, fixed seed.
    generator = np.random.default_rng(11)
    data = generator.normal(0.03, 0.1, (20_000, 12))
    mean, half = data.mean(axis=1), 1.7958848 * data.std(axis=1, ddof=1) / np.sqrt(12)  # t(0.95, 11), tables
    simulated = np.mean((mean - half >= -0.1) & (mean + half <= 0.1))
    assert equivalence_power(0.03, 0.1, 12, 0.1, alpha=0.05) == pytest.approx(simulated, abs=0.012)


def test_smallest_number_has_the_power_and_one_less_has_not() -> None:
    found = units_for_equivalence(0.03, 0.1, 0.1, alpha=0.05).units
    assert found is not None
    assert equivalence_power(0.03, 0.1, found, 0.1, alpha=0.05) >= POWER
    assert equivalence_power(0.03, 0.1, found - 1, 0.1, alpha=0.05) < POWER
    assert units_for_equivalence(0.2, 0.1, 0.1, alpha=0.05).units is None


@pytest.mark.parametrize(("room", "sd"), [(0.02, 0.03), (0.05, 0.03), (0.01, 0.05)])
def test_units_for_the_bound_of_a_mean_are_those_of_statsmodels(room: float, sd: float) -> None:
    # statsmodels.stats.power.TTestPower: sample size of a one-sided one-sample t test.
    from math import ceil

    from statsmodels.stats.power import TTestPower

    wanted = TTestPower().solve_power(effect_size=room / sd, alpha=0.05, power=POWER, alternative="larger")
    assert units_for_mean_bound(room, sd, alpha=0.05).units == ceil(wanted)
    assert units_for_mean_bound(-room, sd, alpha=0.05).units is None


def test_degrees_of_freedom_for_a_bound_against_simulation() -> None:
    found = df_for_upper_bound(0.134, 0.18, alpha=0.05).units
    assert found is not None
    generator = np.random.default_rng(5)
    for df, enough in ((found + 3, True), (found - 4, False)):
        s2 = 0.134**2 * generator.chisquare(df, 40_000) / df
        quantile = np.quantile(generator.chisquare(df, 400_000), 0.05)
        share = np.mean(np.sqrt(s2 * df / quantile) <= 0.18)
        assert (share >= POWER) == enough


# --------------------------------------------------------------------------------------------- requirements as rows


def precision_study(requirements: list[dict[str, object]], **more: object):
    rng = np.random.default_rng(3)
    levels, runs, results = [], [], []
    for level in (1.0, 4.0, 10.0):
        for run in range(8):
            shift = rng.normal(0, 0.02)
            for _ in range(3):
                levels.append(level)
                runs.append(f"R{run}")
                bias = -0.9 if level == 10.0 else 0.01
                results.append(f"{level + bias + shift + rng.normal(0, 0.03):.3f}")
    columns = {"level": levels, "run": runs, "result": results}
    return small_study("precision", columns, range_=(1.0, 10.0), requirements=requirements, **more)  # type: ignore[arg-type]


BIAS = {"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": "max(0.15, 5%)"}


def rows_of(study):
    quantities = [
        q for e in evaluate(study, only=["trueness", "accuracy", "repeatability"]).values() for q in e.quantities
    ]
    return judge(study.plan, quantities, SHOWN, chapters={"trueness", "accuracy", "repeatability", "detection"})


def test_a_requirement_without_a_level_is_judged_at_every_level_in_range() -> None:
    rows = rows_of(precision_study([BIAS]))
    assert [(row.at, row.outcome) for row in rows] == [(1.0, "met"), (4.0, "met"), (10.0, "not met")]
    assert [row.limit for row in rows] == [0.15, 0.2, 0.5]
    assert working_range(rows) == (1.0, 4.0)


def test_levels_outside_the_range_are_not_judged() -> None:
    study = precision_study([BIAS])
    plan = study.plan.model_copy(update={"study": study.plan.study.model_copy(update={"range": (2.0, 12.0)})})
    quantities = evaluate(study, only=["trueness"])["trueness"].quantities
    assert [row.at for row in judge(plan, quantities, SHOWN, chapters={"trueness"})] == [4.0, 10.0]


def rows_at(outcomes: dict[float, str]) -> list:
    (first, *_) = rows_of(precision_study([BIAS]))
    return [replace(first, at=float(level), outcome=outcome) for level, outcome in outcomes.items()]


@pytest.mark.parametrize(
    ("outcomes", "limits", "span"),
    [
        # docs/fitness.md: the adjacent met levels that hold the customer's limits, not the longest stretch.
        ({1: "met", 2: "met", 4: "not shown", 8: "met", 16: "met", 32: "met"}, (2.0,), (1, 2)),
        ({1: "met", 2: "met", 4: "met", 8: "not met"}, (2.0, 4.0), (1, 4)),
        ({1: "met", 2: "not shown", 4: "met", 8: "met"}, (2.0, 4.0), None),
        ({1: "met", 2: "met", 4: "met", 8: "met"}, (3.0,), (1, 8)),
        ({1: "met", 2: "met", 4: "not met", 8: "met"}, (3.0,), None),  # the limit lies beside the met levels
        ({1: "met", 2: "met", 4: "not met"}, (2.0, 10.0), (1, 2)),  # 10 was not tested: a restriction names it
        ({1: "not met", 2: "met", 4: "met"}, (), (2, 4)),  # no limits: the level nearest the middle, 2.5
        ({1: "met", 2: "not met", 4: "met", 8: "met"}, (), None),
    ],
)
def test_range_holds_the_customers_limits(outcomes, limits, span) -> None:
    assert working_range(rows_at(outcomes), limits=limits, middle=2.5) == span


@pytest.mark.parametrize(
    ("others", "span"),
    [
        ({1: "met", 2: "met", 5: "met"}, (1, 5)),
        ({1: "met", 2: "met", 5: "not met"}, None),  # the limit 4 was tested by another requirement alone
        ({1: "met", 2: "not met", 5: "met"}, None),
    ],
)
def test_a_requirement_for_every_level_counts_where_it_was_not_tested(others, span) -> None:
    rows = [*rows_at(others), replace(rows_at({4: "met"})[0], id="R5")]
    assert working_range(rows, ["R1"], limits=(4.0,)) == span


@pytest.mark.parametrize(
    ("share", "content", "side", "text"),
    [
        (0.9583, 0.95, 0, "95.8 %"),
        (0.9499, 0.95, -1, "94.9 %"),
        (0.94996, 0.95, -1, "94.9 %"),
        (0.9501, 0.95, 1, "95.1 %"),
        (0.99995, 0.95, 0, "99.99 %"),
        (1 - 1e-9, 0.95, -1, "99.99 %"),
        (1 - 1e-9, 0.95, 1, "100.00 %"),
        (0.99993, 0.9999, 0, "99.993 %"),
        (0.99989, 0.9999, -1, "99.989 %"),
    ],
)
def test_a_share_says_no_more_than_it_is(share: float, content: float, side: int, text: str) -> None:
    assert share_text(share, content, side=side) == text


def with_place(row, at, outcome, quantity):
    return replace(row, at=at, outcome=outcome, quantity=quantity)


@pytest.mark.parametrize(
    ("quantity", "at", "outcome", "conclusion"),
    [
        # docs/fitness.md, "What a restriction can cover".
        ("matrix.slope_ratio", "OG-M", "not met", "fit with restrictions"),
        ("trueness.proportional_bias", None, "not met", "not fit"),
        ("trueness.proportional_bias", None, "not shown", "fit with restrictions"),
        ("standards.relative_uncertainty", "S-01", "not met", "not fit"),
        ("standards.relative_uncertainty", "S-02", "not met", "fit with restrictions"),
        ("carry_over.effect", "30 s", "not met", "not fit"),
        ("carry_over.effect", "30 s", "not shown", "fit with restrictions"),
    ],
)
def test_a_restriction_covers_what_can_be_left_out(quantity, at, outcome, conclusion) -> None:
    study = precision_study([BIAS])
    lots = study.plan.lots.model_copy(update={"in_use": "S-01"})
    study = study.__class__(study.folder, study.plan.model_copy(update={"lots": lots}), study.experiments)
    rows = [row for row in rows_of(study) if row.at != 10.0]
    rows = [*(replace(row, outcome="met") for row in rows), with_place(rows[0], at, outcome, quantity)]
    assert conclude(study, rows, []).outcome == conclusion


def test_one_setting_that_keeps_the_limit_is_enough() -> None:
    study = precision_study([BIAS])
    rows = [replace(row, outcome="met") for row in rows_of(study) if row.at != 10.0]
    tried = [with_place(rows[0], f"{s} s", o, "carry_over.effect") for s, o in ((30, "not met"), (60, "met"))]
    assert conclude(study, [*rows, *tried], []).outcome == "fit with restrictions"


def _as_dict(row):
    return {name: getattr(row, name) for name in row.__slots__}


def test_conclusion_is_fit_only_with_every_absence_excused() -> None:
    study = precision_study([BIAS])
    rows = [row for row in rows_of(study) if row.at != 10.0]
    fits = {"study": study.plan.study.model_copy(update={"range": (1.0, 4.0)})}
    reasons = {item.name: "elsewhere" for item in not_evaluated(study, evaluate(study))}
    excused = study.plan.model_copy(update={**fits, "not_evaluated": reasons})
    missing = study.plan.model_copy(update={**fits, "not_evaluated": {k: v for k, v in reasons.items() if k != "fuel"}})
    for plan, outcome in ((excused, "fit"), (missing, "fit with restrictions")):
        other = study.__class__(study.folder, plan, study.experiments)
        found = conclude(other, rows, not_evaluated(other, evaluate(other)))
        assert found.outcome == outcome
        assert ("fuel" in found.text) == (outcome != "fit")


def test_conclusion_is_not_fit_when_no_level_meets_everything() -> None:
    strict = {**BIAS, "limit": 0.0001}
    study = precision_study([strict])
    found = conclude(study, rows_of(study), not_evaluated(study, evaluate(study)))
    assert (found.outcome, found.range) == ("not fit", None)


def test_a_chapter_that_found_nothing_in_its_own_readings_is_not_evaluated() -> None:
    # A drift seen in the runs of the precision experiment is no study of how long a standard lasts.
    study = precision_study([BIAS])
    sheet = "worksheets/precision.csv"
    drift = of_estimate("stability.drift_in_run", "precision", Estimate(0.01), unit="1/hour", worksheet=sheet)
    evaluations = {
        **evaluate(study),
        "stability": Evaluation("stability", (drift,)),
        "standards": Evaluation("standards"),
    }
    absent = {item.name for item in not_evaluated(study, evaluations)}
    assert {"stability", "standards", "matrix"} <= absent
    assert "precision" not in absent


def moved(row, **changes):
    return row.__class__(**{**_as_dict(row), **changes})


def test_the_range_never_reaches_beyond_what_a_requirement_was_tested_at() -> None:
    # common practice, no source: nothing is claimed where a requirement for every level has no estimate.
    study = precision_study(
        [BIAS, {**BIAS, "id": "R2", "quantity": "repeatability.s_r", "rule": "point", "limit": 1.0}]
    )
    rows = [row for row in rows_of(study) if row.id == "R2" or row.at == 4.0]
    found = conclude(study, rows, not_evaluated(study, evaluate(study)))
    assert (found.outcome, found.range) == ("fit with restrictions", (4.0, 4.0))
    assert "R1 was tested only at 4 %." in found.text
    censored = [moved(row, observed=None, interval=None, outcome="not shown") if row.at == 1.0 else row for row in rows]
    assert conclude(study, censored, not_evaluated(study, evaluate(study))).range == (4.0, 4.0)


def test_a_requirement_for_every_level_without_any_level_leaves_no_range() -> None:
    study = precision_study(
        [BIAS, {**BIAS, "id": "R2", "quantity": "repeatability.s_r", "rule": "point", "limit": 1.0}]
    )
    rows = [row for row in rows_of(study) if row.id == "R2"]
    nowhere = moved(rows[0], id="R1", at=None, observed=None, interval=None, outcome="not shown")
    found = conclude(study, [nowhere, *rows], not_evaluated(study, evaluate(study)))
    assert (found.outcome, found.range) == ("not fit", None)
    assert "R1" in found.text


def test_a_study_without_any_reading_is_not_judged_rather_than_not_fit() -> None:
    study = precision_study([BIAS])
    rows = [moved(row, observed=None, interval=None, outcome="not shown") for row in rows_of(study)]
    found = conclude(study, rows, not_evaluated(study, evaluate(study)))
    assert (found.outcome, found.range) == ("not judged", None)
    assert "readings" in found.text


def test_without_a_lock_nothing_is_judged_and_everything_is_printed(tmp_path: Path) -> None:
    study = precision_study([BIAS])
    study = study.__class__(tmp_path, study.plan, study.experiments)
    (tmp_path / "plan.yaml").write_text("format: 1\n", encoding="utf-8")
    judgement = judge_study(study, evaluate(study))
    assert {row.outcome for row in judgement.requirements} == {"not judged"}
    assert all(row.observed is not None and row.interval is not None and row.limit for row in judgement.requirements)
    assert all("no frozen plan" in row.reason for row in judgement.requirements)
    assert judgement.conclusion.outcome == "not judged"


def test_quantification_limit_by_performance_is_the_lowest_level_that_holds() -> None:
    study = precision_study([{**BIAS, "limit": "sum(0.001, 2%)"}])
    found = quantification_limit(rows_of(study), study)
    # 2 % of 1 plus 0.001 is 0.021: the interval about 0.01 +- 0.02 crosses it; at 4 the limit is 0.081.
    assert found is not None
    assert (found.at, found.value) == ("by performance", 4.0)


def test_censored_readings_leave_a_requirement_at_best_not_shown() -> None:
    study = precision_study([BIAS])
    quantities = [replace(q, censored=1) for q in evaluate(study, only=["trueness"])["trueness"].quantities]
    assert "met" not in {row.outcome for row in judge(study.plan, quantities, SHOWN, chapters={"trueness"})}


def test_a_requirement_whose_readings_are_missing_says_so() -> None:
    study = precision_study([{**BIAS, "at": 5.0}])
    (row,) = rows_of(study)
    assert row.outcome == "not shown"
    assert "at 5" in row.reason


# ------------------------------------------------------------------------------------------------------------ faults


def plan_with(**requirement: object) -> Plan:
    entry = {"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": 0.1} | requirement
    return precision_study([entry]).plan


@pytest.mark.parametrize(
    ("requirement", "message"),
    [
        ({"quantity": "trueness.biass"}, "Did you mean trueness.bias?"),
        ({"rule": "upper bound"}, "`equivalence`"),
        ({"limit": -0.2}, "can never be met"),
        ({"quantity": "calibration.mandel_F", "rule": "point", "limit": 4.0}, "never judged"),
        ({"quantity": "detection.detection_limit", "rule": "point"}, "`at` must give one"),
        ({"quantity": "comparison.deming_slope", "limit": "5%"}, "share of the level"),
        ({"quantity": "comparison.mean_difference", "at": 4.0}, "has no levels"),
        ({"quantity": "uncertainty.agreement", "at": 4.0, "limit": "10%"}, "without a unit"),
    ],
)
def test_requirements_that_cannot_be_judged_are_refused(requirement: dict[str, object], message: str) -> None:
    faults = requirement_faults(plan_with(**requirement), lines={"R1": 12})
    assert any(message in str(fault) for fault in faults)
    assert all(fault.row == 12 and fault.file == "plan.yaml" for fault in faults)


def test_a_requirement_at_a_level_that_the_worksheet_does_not_hold_is_told() -> None:
    def told(at: object) -> list[str]:
        study = precision_study([{**BIAS, "at": at}])
        values = [{"level": text} for text in ("1", "4.0", "10")]
        rows = tuple(Reading(f"P-{i}", "precision", "w.csv", i + 2, v, v) for i, v in enumerate(values))
        data = replace(study.experiments["precision"], readings=rows)
        return levels_not_held(replace(study, experiments={"precision": data}))

    assert told(4) == []
    (said,) = told(3)
    assert said.startswith("R1 is set at 3;")
    assert "only 1, 4, 10." in said


def test_a_share_of_a_label_is_refused() -> None:
    plan = plan_with(quantity="repeatability.s_r", rule="upper bound", limit="5%")
    assert not requirement_faults(plan)
    (fault,) = requirement_faults(plan, numeric_levels={"precision": False})
    assert "number" in str(fault)


def test_a_pair_may_be_named_by_its_stem() -> None:
    assert not requirement_faults(plan_with(quantity="accuracy.tolerance", rule="inside", limit=0.5))
    rows = rows_of(precision_study([{"id": "R1", "quantity": "accuracy.tolerance", "rule": "inside", "limit": 0.5}]))
    assert [row.outcome for row in rows] == ["met", "met", "not met"]
