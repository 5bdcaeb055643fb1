"""Carry-over: planned triples and the order of the runs, against general statistics libraries and the truth file."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics import carry_over
from validation.figures import carry_over as figures
from validation.figures.carry_over import RunOrderShare
from validation.figures.style import svg_text
from validation.stats.carry_over import carry_over_effect, carry_over_reach, carry_over_share
from validation.stats.estimate import Estimate
from validation.stats.within_cells import within_cells
from validation.study.model import Study
from validation.study.plan import Requirement
from validation.study.quantity import Quantity
from validation.words import significant

DEMO = Path(__file__).parent.parent / "demo_data"

HIGH = ("9.31", "9.52", "9.18", "9.40", "9.27")
FIRST = ("0.121", "0.098", "0.141", "0.107", "0.133")
SECOND = ("0.030", "0.041", "0.025", "0.052", "0.018")


def rows_of(setting: str = "30 s", high=HIGH, first=FIRST, second=SECOND):
    return [
        (f"{setting}-{i}", position, setting, str(3 * i + place), value)
        for i, triple in enumerate(zip(high, first, second, strict=True))
        for place, (position, value) in enumerate(zip(carry_over.POSITIONS, triple, strict=True))
    ]


def study_of(rows, *, drop: tuple[str, ...] = (), **extra) -> Study:
    names = ("sequence", "position", "setting", "order", "result")
    columns = dict(zip(names, map(list, zip(*rows, strict=True)), strict=True))
    return small_study("carry_over", {n: v for n, v in {**columns, **extra}.items() if n not in drop})


def joined(*studies: Study) -> Study:
    experiments = {name: data for study in studies for name, data in study.experiments.items()}
    return Study(studies[0].folder, studies[0].plan, experiments)


def floats(texts) -> list[float]:
    return [float(text) for text in texts]


# Triples ------------------------------------------------------------------------------------------------------------


def test_effect_matches_the_paired_t_of_scipy():
    # scipy.stats.ttest_rel on the two blanks.
    expected = stats.ttest_rel(floats(FIRST), floats(SECOND))
    q = carry_over.evaluate(study_of(rows_of())).get("carry_over.effect", "30 s")
    assert q.interval == pytest.approx(tuple(expected.confidence_interval(0.95)), rel=1e-9)
    assert q.judged_interval == pytest.approx(tuple(expected.confidence_interval(0.9)), rel=1e-9)
    assert (q.degrees_of_freedom, q.n, q.units, q.unit_name) == (4, 10, 5, "triples")
    # The mean of 0.091, 0.057, 0.116, 0.055 and 0.115, by hand.
    assert q.value == pytest.approx(0.0868, rel=1e-14)


def test_run_and_oil_cancel_in_the_effect():
    # Whatever is added to all vials of a triple leaves its difference alone.
    shifted = [(s, p, n, o, str(Decimal(v) + Decimal(s[-1]) / 10)) for s, p, n, o, v in rows_of()]
    plain, other = (carry_over.evaluate(study_of(rows)) for rows in (rows_of(), shifted))
    assert plain.get("carry_over.effect", "30 s").value == other.get("carry_over.effect", "30 s").value


@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_share_interval_ends_where_a_t_test_of_the_difference_just_rejects(confidence):
    # Fieller 1954: the ends are the ratios k at which scipy's one-sample t test of d - k h has p = 1 - confidence.
    d, h = np.array(floats(FIRST)) - np.array(floats(SECOND)), np.array(floats(HIGH))
    result = carry_over_share(floats(HIGH), floats(FIRST), floats(SECOND))
    assert result.value == pytest.approx(d.mean() / h.mean(), rel=1e-12)
    for end in result.interval(confidence):
        assert stats.ttest_1samp(d - end * h, 0).pvalue == pytest.approx(1 - confidence, rel=1e-7)


def test_second_blank_matches_the_welch_test_of_scipy():
    # scipy.stats.ttest_ind(equal_var=False), the other blanks as means of runs.
    blanks = {
        "material": ["oil"] * 8,
        "matrix": ["new oil"] * 7 + ["used oil"],
        "level": ["0"] * 8,
        "run": ["B1", "B1", "B2", "B2", "B3", "B3", "B4", "B3"],
        "result": ["0.02", "0.04", "0.05", "0.01", "0.03", "0.06", "0.02", "0.40"],
    }
    evaluation = carry_over.evaluate(joined(study_of(rows_of()), small_study("detection", blanks)))
    expected = stats.ttest_ind(floats(SECOND), [0.03, 0.03, 0.045, 0.02], equal_var=False)
    q = evaluation.get("carry_over.second_blank", "30 s")
    assert q.interval == pytest.approx(tuple(expected.confidence_interval(0.95)), rel=1e-9)
    assert q.n == 5 + 7
    assert "T-008" not in q.readings[5:]
    assert any("4 means of runs" in note for note in q.notes)


def test_settings_are_kept_apart_and_all_without_the_column():
    low = [str(Decimal(v) + Decimal("0.001")) for v in SECOND]
    evaluation = carry_over.evaluate(study_of(rows_of() + rows_of("60 s", HIGH, low, SECOND)))
    assert evaluation.get("carry_over.effect", "60 s").value == pytest.approx(0.001)
    together = carry_over.evaluate(study_of(rows_of(), drop=("setting",)))
    assert together.get("carry_over.effect", "all").value == pytest.approx(0.0868)


def test_differences_that_do_not_differ_have_no_interval():
    first = [str(Decimal(v) + Decimal("0.001")) for v in SECOND]
    q = carry_over.evaluate(study_of(rows_of(first=first))).get("carry_over.effect", "30 s")
    assert q.value == pytest.approx(0.001)
    assert q.interval is None
    assert q.judged_interval is None
    assert "rounding hides" in q.notes[0]


def test_one_triple_has_no_interval():
    evaluation = carry_over.evaluate(study_of(rows_of()[:3]))
    for key in ("effect", "share"):
        q = evaluation.get(f"carry_over.{key}", "30 s")
        assert q.interval is None
        assert "one triple only" in q.notes[0]


def test_incomplete_and_doubled_triples_are_left_out_and_named():
    rows = rows_of()
    doubled = [*rows[1:], ("30 s-4", "blank 1", "30 s", "99", "0.5")]
    evaluation = carry_over.evaluate(study_of(doubled))
    assert evaluation.get("carry_over.effect", "30 s").units == 3
    assert any("30 s-0 (30 s) and 30 s-4 (30 s) are left out" in note for note in evaluation.notes)
    nothing = carry_over.evaluate(study_of(rows[1:3]))
    assert "No triple" in nothing.missing
    assert not nothing.quantities


def test_censored_blank_is_counted():
    rows = rows_of()
    rows[2] = (*rows[2][:4], "<0.02")
    q = carry_over.evaluate(study_of(rows)).get("carry_over.effect", "30 s")
    assert (q.units, q.censored) == (4, 1)
    assert any("1 censored" in note for note in q.notes)


def test_vials_that_did_not_follow_one_another_are_named():
    rows = [(s, p, n, str(int(o) + (s == "30 s-2" and p != "high")), v) for s, p, n, o, v in rows_of()]
    said = carry_over.evaluate(study_of(rows)).notes
    assert any("30 s-2 did not follow" in note for note in said)
    assert not any("did not follow" in note for note in carry_over.evaluate(study_of(rows_of())).notes)
    assert any("no order column" in note for note in carry_over.evaluate(study_of(rows_of(), drop=("order",))).notes)


def test_a_triple_far_out_is_flagged_and_kept():
    # Grubbs 1969: with five values the 5 % critical value is 1.715 (printed table).
    evaluation = carry_over.evaluate(study_of(rows_of(first=("0.130", "0.141", "0.124", "0.152", "0.918"))))
    (flag,) = evaluation.flags
    assert flag.reading == "T-014"
    assert flag.critical == pytest.approx(1.715, abs=5e-4)
    assert flag.kept
    assert evaluation.get("carry_over.effect", "30 s").units == 5
    study = study_of(rows_of(first=("0.130", "0.141", "0.124", "0.152", "0.918")))
    assert "row 15" in svg_text(figures.triples(evaluation, study))


def test_lengths_that_differ_are_refused():
    with pytest.raises(ValueError, match="equally long"):
        carry_over_effect([0.1, 0.2], [0.1])
    with pytest.raises(ValueError, match="got 0 and 0"):
        carry_over_effect([], [])
    with pytest.raises(ValueError, match="got 1 and 2"):
        carry_over_share([9.0], [0.1, 0.2], [0.1, 0.1])


def test_small_effect_on_large_readings_is_exact():
    # Exact decimal arithmetic: 0.1, although the readings carry thirteen digits before the point.
    first = [Decimal("1000000000000.4"), Decimal("1000000000000.2")]
    second = [Decimal("1000000000000.3"), Decimal("1000000000000.1")]
    assert carry_over_effect(first, second).value == float(Fraction(1, 10))


# The order of the runs ----------------------------------------------------------------------------------------------


def ordered(share: float = 0.02, runs: int = 4, seed: int = 3, digits: int = 4) -> Study:
    """A precision experiment in random order with growing scatter, in which a share of each result carries over."""
    rng = np.random.default_rng(seed)
    rows = []
    for run in range(runs):
        before, shift = 0.0, rng.normal(0, 0.05)
        levels = rng.permutation(np.repeat([0.0, 0.5, 2.0, 5.0, 10.0], 3))
        for order, level in enumerate(levels, 1):
            value = level + shift * (1 + level) + share * before + rng.normal(0, 0.01 + 0.01 * level)
            rows.append((f"{level:g}", f"R{run + 1}", str(order), f"{value:.{digits}f}"))
            before = value
    return small_study(
        "precision", dict(zip(("level", "run", "order", "result"), map(list, zip(*rows, strict=True)), strict=True))
    )


def pairs(study: Study):
    """Result, predecessor, cell and level of every reading that has a predecessor, worked out here again."""
    table = study.experiments["precision"].table
    found = []
    for at in range(1, len(table)):
        here, before = table.iloc[at], table.iloc[at - 1]
        if here["run"] == before["run"]:
            found.append((here["result"], before["result"], f"{here['run']}/{here['level']}", here["level"]))
    y, x, cells, levels = map(np.array, zip(*found, strict=True))
    counts = {cell: int((cells == cell).sum()) for cell in cells}
    kept = np.array([counts[cell] > 1 for cell in cells])
    return y[kept], x[kept], cells[kept], levels[kept]


def columns_of_cells(cells) -> np.ndarray:
    names = sorted(set(cells))
    return np.array([[float(cell == name) for name in names] for cell in cells])


def test_order_share_matches_weighted_least_squares_with_a_column_a_cell():
    # statsmodels WLS: one indicator a cell and the predecessor; its weights are those of the fitted scatter.
    import statsmodels.api as sm

    study = ordered()
    y, x, cells, _ = pairs(study)
    evaluation = carry_over.evaluate(joined(study_of(rows_of()), study))
    q = evaluation.get("carry_over.order_share", "precision")
    assert q.n == len(y)
    codes = [sorted(set(cells)).index(cell) for cell in cells]
    table = study.experiments["precision"].table
    means = table.groupby("level")["result"].mean()
    places = [max(0.0, means[float(cell.split("/")[1])]) for cell in cells]
    result = within_cells(list(y), x, codes, places)
    design = np.column_stack([columns_of_cells(cells), x])
    fit = sm.WLS(y, design, weights=1 / result.scatter**2).fit()
    assert q.value == pytest.approx(fit.params[-1], rel=1e-9)
    assert q.standard_uncertainty == pytest.approx(fit.bse[-1], rel=1e-9)
    assert q.degrees_of_freedom == fit.df_resid
    assert q.interval == pytest.approx(tuple(fit.conf_int()[-1]), rel=1e-9)
    assert q.interval[0] < 0.02 < q.interval[1]


def test_share_that_would_have_been_seen_matches_the_power_of_statsmodels():
    # statsmodels.stats.power.TTestPower: one-sided one-sample t test with df + 1 observations.
    from statsmodels.stats.power import TTestPower

    y, x, cells, levels = pairs(ordered())
    result = within_cells(list(y), x, [sorted(set(cells)).index(c) for c in cells], levels)
    df = result.slope.degrees_of_freedom
    size = TTestPower().solve_power(nobs=df + 1, alpha=0.05, power=0.9, alternative="larger")
    expected = size * np.sqrt(df + 1) * result.slope.standard_uncertainty
    assert result.detectable() == pytest.approx(expected, rel=1e-6)


def test_gap_in_the_order_is_no_predecessor():
    study = ordered()
    data = study.experiments["precision"]
    kept = [row for row in range(len(data.table)) if row != 4]
    exact = {name: tuple(values[row] for row in kept) for name, values in data.exact.items()}
    shorter = replace(data, table=data.table.iloc[kept].reset_index(drop=True), exact=exact)
    evaluation = carry_over.evaluate(joined(study_of(rows_of()), replace(study, experiments={"precision": shorter})))
    notes = evaluation.get("carry_over.order_share", "precision").notes
    assert any("1 result was left out" in note for note in notes)


def test_without_order_there_is_no_second_view():
    evaluation = carry_over.evaluate(study_of(rows_of()))
    assert any("No other worksheet states run and order" in note for note in evaluation.notes)
    assert evaluation.display.view.order == ()
    assert figures.previous_result(evaluation, study_of(rows_of())) is None


def test_nothing_to_see_gives_no_slope():
    assert within_cells([1.0, 2.0], [1.0, 2.0], [0, 1], [1.0, 1.0]) is None  # no cell with two readings
    assert within_cells([1.0, 2.0, 3.0, 4.0], [5.0] * 4, [0, 0, 0, 0], [1.0] * 4) is None  # a constant covariate
    alike = within_cells([1.0] * 6, [1.0, 2.0, 3.0] * 2, [0, 0, 0, 1, 1, 1], [1.0] * 6)
    assert alike.slope.interval(0.95) is None
    assert alike.detectable() is None


R_SCRIPT = """
first <- c({first}); second <- c({second})
cat(sprintf("%.15g ", t.test(first, second, paired = TRUE)$conf.int), "\\n")
fit <- lm(y ~ 0 + factor(cell) + x, data.frame(y = c({y}), x = c({x}), cell = c({cells})), weights = c({w}))
cat(sprintf("%.15g ", c(coef(fit)["x"], confint(fit, "x"))), "\\n")
"""


def test_effect_and_order_share_match_r_where_the_machine_has_it():
    # Open program: lm of R, by the script above.
    program = shutil.which("Rscript")
    if program is None:
        pytest.skip("Rscript is not on the path")
    y, x, cells, levels = pairs(ordered())
    codes = [sorted(set(cells)).index(cell) for cell in cells]
    result = within_cells(list(y), x, codes, levels)

    def text(values) -> str:
        return ", ".join(repr(float(value)) for value in values)

    script = R_SCRIPT.format(
        first=", ".join(FIRST), second=", ".join(SECOND), y=text(y), x=text(x), cells=text(codes),
        w=text(1 / result.scatter**2),
    )  # fmt: skip
    answer = subprocess.run([program, "--vanilla", "-e", script], capture_output=True, text=True, timeout=600)
    assert answer.returncode == 0, answer.stderr
    paired, fitted = ([float(word) for word in line.split()] for line in answer.stdout.splitlines())
    assert carry_over_effect(floats(FIRST), floats(SECOND)).interval(0.95) == pytest.approx(tuple(paired), rel=1e-9)
    assert [result.slope.value, *result.slope.interval(0.95)] == pytest.approx(fitted, rel=1e-8)


# The chapter --------------------------------------------------------------------------------------------------------


def test_missing_experiment_is_said():
    other = small_study("precision", {"level": ["1"], "run": ["R"], "result": ["1"]})
    assert "no carry_over experiment" in carry_over.evaluate(other).missing
    empty = small_study("carry_over", {"sequence": [], "position": [], "result": []})
    assert "awaiting readings" in carry_over.evaluate(empty).missing


def test_evaluation_is_plain_and_draws():
    study = joined(study_of(rows_of()), ordered())
    evaluation = carry_over.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    words = " ".join(carry_over.in_words(evaluation, "%"))
    assert "At 30 s blank 1 minus blank 2 is 0.087 %" in words
    assert "with a probability of 90 %" in words
    assert "30 s" in svg_text(figures.triples(evaluation, study))
    assert "previous result / %" in svg_text(figures.previous_result(evaluation, study))
    assert carry_over.CHARACTERISTIC.figures == ("triples", "previous_result")


def held_to(study: Study, *limits: float, rule: str = "upper bound") -> Study:
    """The study with requirements on the effect at 30 s."""
    asked = [
        {"id": f"R{i}", "quantity": "carry_over.effect", "at": "30 s", "rule": rule, "limit": limit}
        for i, limit in enumerate(limits, 1)
    ]
    requirements = tuple(Requirement.model_validate(item) for item in asked)
    return replace(study, plan=study.plan.model_copy(update={"requirements": requirements}))


@pytest.mark.parametrize("rule", ["upper bound", "equivalence"])
def test_at_the_reach_a_one_sided_test_just_keeps_the_allowed_effect(rule):
    # scipy.stats.ttest_1samp, one-sided: were k = allowed / reach the true share, d - k h would be found so low with a
    # probability of 5 %. Of two limits the smaller one counts.
    q = carry_over.evaluate(held_to(study_of(rows_of()), 0.08, 0.05, rule=rule)).get("carry_over.reach", "30 s")
    d, h = np.array(floats(FIRST)) - np.array(floats(SECOND)), np.array(floats(HIGH))
    assert stats.ttest_1samp(d - 0.05 / q.value * h, 0, alternative="less").pvalue == pytest.approx(0.05, rel=1e-7)
    assert 0 < q.value < h.mean()
    assert (q.interval, q.judged_interval, q.units, q.unit) == (None, None, 5, "%")
    assert "one-sided 95 % bound of the share meets the allowed effect of 0.05 %" in q.notes[0]


def test_the_reach_is_never_put_beyond_the_samples_that_were_read():
    # By hand: no difference of blanks reaches 0.14, so a limit of 0.5 is kept up to the mean high result.
    q = carry_over.evaluate(held_to(study_of(rows_of()), 0.5)).get("carry_over.reach", "30 s")
    assert q.value == pytest.approx(np.mean(floats(HIGH)), rel=1e-12)
    assert "higher ones were not tested" in q.notes[0]
    assert carry_over.evaluate(study_of(rows_of())).get("carry_over.reach", "30 s") is None
    one = carry_over.evaluate(held_to(study_of(rows_of()[:3]), 0.05))
    assert one.get("carry_over.reach", "30 s") is None


def test_a_reach_of_nothing_is_refused():
    share = carry_over_share(floats(HIGH), floats(FIRST), floats(SECOND))
    with pytest.raises(ValueError, match="must be above zero; got 0 and 9"):
        carry_over_reach(share, 0, 9)


def test_the_result_from_which_the_limit_is_passed_is_told():
    # By hand: effect 0.0868 after a mean of 9.336, so the allowed 0.05 is passed after 9.336 * 0.05 / 0.0868 = 5.4; a
    # limit that is kept at all results that were read says nothing.
    words = " ".join(carry_over.in_words(carry_over.evaluate(held_to(study_of(rows_of()), 0.05)), "%"))
    assert "the allowed 0.05 % is passed after results above about 5.4 %; by the upper bound of the share, " in words
    reach = carry_over.evaluate(held_to(study_of(rows_of()), 0.05)).get("carry_over.reach", "30 s").value
    assert f", above {significant(reach, 2)} %." in words
    for study in (held_to(study_of(rows_of()), 0.5), study_of(rows_of())):
        assert "is passed after" not in " ".join(carry_over.in_words(carry_over.evaluate(study), "%"))


def order_share(experiment: str, detectable: float, telling: bool, value: float, error: float) -> RunOrderShare:
    share = Quantity(
        key="carry_over.order_share",
        at=experiment,
        estimate=Estimate.of_mean(value, error, None, n=9, source=""),
        level=0.95,
        unit="1",
    )
    return RunOrderShare(share, None, detectable, telling, (), ())


def test_only_orders_that_could_tell_are_drawn():
    precision, lots = order_share("precision", 0.01, True, 0.0, 0.005), order_share("lots", 0.3, False, 0.15, 0.1)
    first, second = carry_over._order_in_words([precision, lots])
    assert "order of precision would have shown a share of 1.0 %" in first
    assert "none differs clearly from zero" in first
    assert "order of lots could have shown nothing below 30 %" in second
    clear = order_share("precision", 0.01, True, 0.015, 0.002)
    assert "that of precision shows one" in carry_over._order_in_words([clear])[0]
    evaluation = carry_over.evaluate(joined(study_of(rows_of()), ordered()))
    # What the table holds is not said again in the notes.
    assert not any("known predecessor;" in note or "would have been seen" in note for note in evaluation.notes)


def test_what_a_requirement_may_use_is_there_without_the_display():
    evaluation = carry_over.evaluate(joined(study_of(rows_of()), ordered()))
    usable = {info.key for info in carry_over.CHARACTERISTIC.keys if info.rules}
    assert usable <= {q.key for q in evaluation.judged}
    assert not evaluation.display.quantities
    assert [table.name for table in evaluation.display.tables] == ["triples", "order"]


# Demonstration data -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def invented():
    """The truth, and the sheet module drawn with any seed."""
    sys.path.insert(0, str(DEMO))
    try:
        from laboratory import Laboratory
        from sheets import carry_over as sheet
    finally:
        sys.path.remove(str(DEMO))
    truth = yaml.safe_load((DEMO / "truth.yaml").read_text(encoding="utf-8"))
    return truth, lambda seed: sheet.rows(Laboratory(truth, seed), truth["designs"]["carry_over"])


def blanks_of(rows, setting: str):
    return [
        [Decimal(row["result"]) for row in rows if row["setting"] == setting and row["position"] == position]
        for position in carry_over.POSITIONS
    ]


def test_demonstration_shows_its_planted_feature(invented):
    truth, draw = invented
    rows = draw(truth["seed"]["sheets"]["carry_over"])
    assert len(rows) == 30
    _, first, second = blanks_of(rows, "30 s")
    assert float(np.mean(list(map(float, first)))) == pytest.approx(0.12, abs=0.02)
    assert float(np.mean(list(map(float, second)))) == pytest.approx(0.03, abs=0.02)
    effect = carry_over_effect(first, second).interval(0.9)
    assert effect[0] > 0.05  # not met: the opposite bound fails too
    longer = carry_over_effect(*blanks_of(rows, "60 s")[1:]).interval(0.9)
    assert longer[1] <= 0.05
    assert {row["time"][:10] for row in rows if row["setting"] == "60 s"} == {"2026-03-19"}


@sizes("draws", 60, 600)
def test_truth_lies_inside_at_the_stated_rate(invented, draws):
    # The share of intervals at 90 % that hold the truth, inside the central 99.9 % of the binomial.
    truth, draw = invented
    design = truth["designs"]["carry_over"]
    inside = shares = 0
    for seed in range(1, draws + 1):
        rows = draw(seed)
        for run in design["runs"]:
            high, first, second = blanks_of(rows, run["setting"])
            effect = carry_over_effect(first, second).interval(0.9)
            inside += effect[0] <= run["carried_over"] * design["high"] <= effect[1]
            if run["carried_over"] == 0:
                share = carry_over_share(high, first, second).interval(0.9)
                shares += share[0] <= 0 <= share[1]
    low, high_end = stats.binom.interval(0.999, 2 * draws, 0.9)
    assert low <= inside <= high_end
    low, high_end = stats.binom.interval(0.999, draws, 0.9)
    assert low <= shares <= high_end
