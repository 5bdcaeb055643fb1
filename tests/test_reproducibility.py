"""Reproducibility against ISO 5725-2 and ASTM E691 examples, a nested handbook example and a co-operative trial."""

from __future__ import annotations

import csv
import json
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics.reproducibility import CHARACTERISTIC, evaluate, in_words
from validation.figures import reproducibility as figures
from validation.figures.style import svg_text
from validation.stats.reproducibility import nested_reproducibility, reproducibility

REFERENCE = Path(__file__).parent / "reference"


def example(name: str) -> dict:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def half_unit(printed: str) -> float:
    return 0.5000001 * 10.0 ** -len(printed.partition(".")[2])


def coop() -> dict[str, dict[str, dict[str, list[Decimal]]]]:
    """specimen -> laboratory -> batch -> readings (Analytical Methods Committee, Analyst 1987, 112, 679-686)."""
    lines = (REFERENCE / "coop.csv").read_text(encoding="utf-8").splitlines()
    found: dict = {}
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        cell = found.setdefault(row["Spc"], {}).setdefault(row["Lab"], {}).setdefault(row["Bat"], [])
        cell.append(Decimal(row["Conc"]))
    return found


@pytest.mark.parametrize("level", ["1", "3", "4"])
def test_unequal_cells_match_iso_5725_2_annex_b_sulfur(level):
    # ISO 5725-2:1994, Annex B, example 1 (from memory; every printed value reproduces).
    content = example("prc-iso5725-sulfur")
    result = reproducibility(content["data"][f"level_{level}"])
    for name, value in (("m", result.mean), ("s_r", result.s_r), ("s_R", result.s_R)):
        printed = content["expected"][f"level{level}_{name}"]
        assert value.value == pytest.approx(float(printed), abs=half_unit(printed))
    assert result.R.value == pytest.approx(1.96 * np.sqrt(2) * result.s_R.value, rel=1e-15)


@pytest.mark.parametrize(("material", "data"), [("A", 1), ("B", 2), ("C", 3), ("D", 4), ("E", 5)])
def test_glucose_matches_astm_e691(material, data):
    # ASTM E691, Table 1 and precision statement. It prints limits of 2.8 times the standard deviation.
    content = example("prc-e691-glucose")
    result = reproducibility(content["data"][f"material_{data}"])
    values = {
        "mean": result.mean.value,
        "s_r": result.s_r.value,
        "s_R": result.s_R.value,
        "r": 2.8 * result.s_r.value,
        "R": 2.8 * result.s_R.value,
    }
    compared = 0
    for name, value in values.items():
        printed = content["expected"].get(f"{material}_{name}")
        if printed is not None:
            assert value == pytest.approx(float(printed), abs=half_unit(printed))
            compared += 1
    assert compared >= 3
    negative = any("came out negative" in note for note in result.notes)
    assert negative == (material == "A")


def test_three_stages_match_the_foundry_example():
    # Berthouex and Brown 2002, Tables 25.2, 25.4, 25.5: printed mean squares and mean; the components follow from
    # them by the expected mean squares of a balanced 3 x 4 x 2 design.
    content = example("prc-foundry-nested")
    result = nested_reproducibility(content["data"]["batch_specimen_test"])
    printed = content["expected"]
    for value, name in zip(result.mean_squares, ("ms_batches", "ms_specimens", "ms_tests"), strict=True):
        assert value == pytest.approx(float(printed[name]), abs=half_unit(printed[name]))
    assert result.mean.value == pytest.approx(float(printed["mean"]), abs=half_unit(printed["mean"]))
    batches, specimens, tests = result.mean_squares
    assert result.s_run.value**2 == pytest.approx((specimens - tests) / 2, rel=1e-12)
    assert result.s_L.value**2 == pytest.approx((batches - specimens) / 8, rel=1e-12)


@pytest.mark.parametrize("specimen", [f"S{i}" for i in range(1, 8)])
def test_coop_matches_plain_nested_sums_of_squares(specimen):
    # Analyst 1987, 112, 679-686: 6 laboratories x 3 batches x 2. Witness: sums of squares from array means.
    labs = coop()[specimen]
    y = np.array([[[float(v) for v in run] for run in lab.values()] for lab in labs.values()])
    assert y.shape == (6, 3, 2)
    ms_r = y.var(axis=2, ddof=1).mean()
    ms_b = 2 * y.mean(axis=2).var(axis=1, ddof=1).mean()
    ms_l = 6 * y.mean(axis=(1, 2)).var(ddof=1)
    total = ms_r + max(0.0, (ms_b - ms_r) / 2) + max(0.0, (ms_l - ms_b) / 6)
    result = nested_reproducibility([list(lab.values()) for lab in labs.values()])
    assert result.s_r.value == pytest.approx(np.sqrt(ms_r), rel=1e-9)
    assert result.s_R.value == pytest.approx(np.sqrt(total), rel=1e-9)


def test_three_stages_agree_with_reml_of_a_reference_library():
    # Balanced data with positive components: REML equals the closed form. statsmodels MixedLM with a nested component.
    import warnings

    import pandas as pd
    import statsmodels.formula.api as smf

    labs = example("prc-foundry-nested")["data"]["batch_specimen_test"]
    rows = [
        {"y": 1000 * value, "lab": i, "run": f"{i}.{j}"}
        for i, lab in enumerate(labs)
        for j, run in enumerate(lab)
        for value in run
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = smf.mixedlm("y ~ 1", pd.DataFrame(rows), groups="lab", re_formula="1", vc_formula={"run": "0 + C(run)"})
        fit = model.fit(reml=True, method=["powell", "lbfgs"], maxiter=500)
    result = nested_reproducibility(labs)
    assert 1e6 * result.s_r.value**2 == pytest.approx(fit.scale, rel=2e-3)
    assert 1e6 * result.s_run.value**2 == pytest.approx(float(fit.vcomp[0]), rel=2e-3)
    assert 1e6 * result.s_L.value**2 == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=2e-3)


def test_unequal_nested_mean_squares_have_the_stated_expectations():
    # Expected mean squares by brute force: a mean square is y' A y, its expectation trace(A V), for V of each component
    # alone. This checks k1, k2, k3 without the closed formulas.
    sizes = [[2, 3, 1], [4, 2], [1, 1, 2, 5], [3]]
    lab = np.repeat(np.arange(4), [sum(runs) for runs in sizes])
    flat = [n for runs in sizes for n in runs]
    run = np.repeat(np.arange(len(flat)), flat)
    n = lab.size

    def projector(codes):
        z = np.eye(codes.max() + 1)[codes]
        return z @ np.linalg.inv(z.T @ z) @ z.T

    mean, p_lab, p_run = np.full((n, n), 1 / n), projector(lab), projector(run)
    same_run, same_lab = run[:, None] == run[None, :], lab[:, None] == lab[None, :]
    a_lab, a_run = (p_lab - mean) / 3, (p_run - p_lab) / (len(flat) - 4)
    y = np.random.default_rng(3).normal(size=n) + lab
    cells = [[y[run == sum(map(len, sizes[:i])) + j].tolist() for j in range(len(sizes[i]))] for i in range(4)]
    result = nested_reproducibility(cells)
    k1, k2, k3 = result.coefficients
    assert k1 == pytest.approx(np.trace(a_run @ same_run), rel=1e-12)
    assert k2 == pytest.approx(np.trace(a_lab @ same_run), rel=1e-12)
    assert k3 == pytest.approx(np.trace(a_lab @ same_lab), rel=1e-12)
    assert result.mean_squares[0] == pytest.approx(y @ a_lab @ y, rel=1e-10)
    assert result.mean_squares[1] == pytest.approx(y @ a_run @ y, rel=1e-10)


@sizes("studies", 100, 400)
def test_interval_of_s_R_covers_as_stated_with_unequal_numbers(studies):
    # Coverage by simulation; the modified large sample interval is meant to hold 95 % (Burdick and Graybill 1992, from
    # memory), within 4 standard errors of a binomial count.
    sizes = [[2, 2], [2, 1], [3, 2, 2], [2, 2], [2, 2], [1, 3], [2, 2], [2]]
    generator = np.random.default_rng(11)
    truth = np.sqrt(1.0**2 + 0.6**2 + 0.8**2)
    hits = 0
    for _ in range(studies):
        cells = []
        for runs in sizes:
            shift = generator.normal()
            cells.append([(shift + 0.6 * generator.normal() + 0.8 * generator.normal(size=n)).tolist() for n in runs])
        low, high = nested_reproducibility(cells).s_R.interval(0.95)
        hits += low <= truth <= high
    assert hits / studies == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / studies))


def test_balanced_mean_interval_is_that_of_the_laboratory_means():
    # Student's t over laboratory means, scipy.stats.
    data = example("prc-e691-glucose")["data"]["material_2"]
    means = np.mean(data, axis=1)
    expected = stats.t.interval(0.95, 7, means.mean(), stats.sem(means))
    assert reproducibility(data).mean.interval(0.95) == pytest.approx(expected, rel=1e-12)


def test_constant_and_unit_do_not_matter():
    data = example("prc-iso5725-sulfur")["data"]["level_3"]
    shifted = [[Decimal(str(v)) * 10 + Decimal(10**12) for v in row] for row in data]
    one, ten = reproducibility(data), reproducibility(shifted)
    assert ten.s_R.value == pytest.approx(10 * one.s_R.value, rel=1e-10)
    assert ten.s_r.value == pytest.approx(10 * one.s_r.value, rel=1e-10)


def test_one_laboratory_says_what_is_missing():
    result = reproducibility([[1.0, 1.2, 0.9]])
    assert result.s_R is None
    assert result.R is None
    assert result.s_r.value == pytest.approx(np.std([1.0, 1.2, 0.9], ddof=1))
    assert any("one laboratory only" in note for note in result.notes)


def test_single_readings_leave_s_r_out_and_keep_s_R():
    values = [[1.0], [1.2], [0.7], [1.1]]
    result = reproducibility(values)
    assert result.s_r is None
    assert result.s_R.value == pytest.approx(np.std([1.0, 1.2, 0.7, 1.1], ddof=1))
    runs = nested_reproducibility([[[1.0], [1.2]], [[0.7], [0.6]], [[1.5], [1.1]]])
    pair_variance = np.mean([0.02, 0.005, 0.08])
    lab_variance = np.var([1.1, 0.65, 1.3], ddof=1) - pair_variance / 2
    assert runs.s_r is None
    assert runs.s_run is None
    assert runs.s_R.value == pytest.approx(np.sqrt(pair_variance + lab_variance))


def test_readings_that_do_not_scatter_are_no_fault():
    result = nested_reproducibility([[[1.0, 1.0], [1.0, 1.0]], [[1.0, 1.0], [1.0, 1.0]]])
    assert (result.s_r.value, result.s_run.value, result.s_L.value, result.s_R.value) == (0, 0, 0, 0)


def test_no_bound_is_claimed_where_nothing_scatters():
    alike = reproducibility([[4.0, 4.0]] * 4)
    for estimate in (alike.mean, alike.s_r, alike.s_L, alike.s_R, alike.r, alike.R):
        assert estimate.interval(0.95) is None
        assert "last digit" in estimate.notes[0]
    # Laboratories differ, their own readings do not: only the spread of the means is known.
    hidden = reproducibility([[4.0, 4.0], [4.1, 4.1], [4.3, 4.3]])
    assert hidden.s_r.interval(0.95) is None
    assert "hidden by the rounding" in hidden.s_L.notes[0]
    s = np.std([4.0, 4.1, 4.3], ddof=1)
    expected = [s * np.sqrt(2 / stats.chi2.ppf(tail, 2)) for tail in (0.975, 0.025)]
    assert hidden.s_L.interval(0.95) == pytest.approx(expected, rel=1e-9)


def test_upper_end_of_s_L_does_not_shrink_where_laboratories_agree_too_well():
    # The bound is that at a lower point of F (own choice): the same for every set of means that agree better still.
    lucky = [reproducibility([[3.9 + d, 4.1 + d] for d in shifts]) for shifts in ((0, 0, 0, 0), (0.01, 0, -0.01, 0))]
    assert lucky[0].s_L.value == lucky[1].s_L.value == 0
    assert lucky[0].s_L.interval(0.95)[1] > 0
    assert lucky[0].s_L.interval(0.95)[1] == pytest.approx(lucky[1].s_L.interval(0.95)[1], rel=1e-9)
    assert any("agree better" in note for note in lucky[0].s_L.notes)
    # s_R is s_r here; its bound may not fall below that of as many independent readings of one laboratory's scatter.
    assert lucky[0].s_R.value == pytest.approx(lucky[0].s_r.value)
    assert lucky[0].s_R.interval(0.95)[1] > lucky[0].s_R.value


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: reproducibility([]), "at least one laboratory"),
        (lambda: reproducibility([[1.0], []]), "readings in every run"),
        (lambda: reproducibility([[1.0, float("nan")]]), "finite"),
        (lambda: reproducibility([[1.0, 2.0]]).s_r.interval(1.0), "confidence must lie"),
    ],
)
def test_what_cannot_be_used_is_refused(call, match):
    with pytest.raises(ValueError, match=match):
        call()


# The characteristic


def columns(data, *, runs=False):
    found = {"laboratory": [], "level": [], "result": []} | ({"run": []} if runs else {})
    for level, labs in data.items():
        for lab, values in labs.items():
            for run, readings in values.items() if runs else {"": values}.items():
                for value in readings:
                    found["laboratory"].append(lab)
                    found["level"].append(level)
                    found["result"].append(value)
                    if runs:
                        found["run"].append(run)
    return found


def sulfur_study(**extra):
    data = example("prc-iso5725-sulfur")["data"]
    levels = {
        at: {f"L{i + 1}": row for i, row in enumerate(data[name])}
        for at, name in ((0.7, "level_1"), (1.7, "level_3"), (3.2, "level_4"))
    }
    return small_study("reproducibility", columns(levels), **extra)


def coop_study():
    return small_study("reproducibility", columns(coop(), runs=True), unit="1")


def test_every_key_of_the_contract_at_every_level():
    found = evaluate(sulfur_study())
    keys = {(q.key, q.at) for q in found.quantities}
    assert keys == {
        (f"reproducibility.{name}", at) for name in ("mean", "s_r", "s_L", "s_R", "r", "R") for at in (0.7, 1.7, 3.2)
    }
    assert all(
        q.unit_name == "laboratories" and q.units == 8 and len(q.readings) == q.n == 27 for q in found.quantities
    )
    s_R = found.get("reproducibility.s_R", 1.7)
    assert s_R.value == pytest.approx(0.0347675169, abs=5e-11)
    assert s_R.judged_confidence == pytest.approx(0.90)
    assert s_R.interval[1] > s_R.judged_interval[1]
    assert not any("indicative" in note for note in s_R.notes)


def test_nothing_that_is_only_shown_is_computed_for_a_verdict(monkeypatch):
    def never(*_):
        raise AssertionError("computed although nobody looked")

    monkeypatch.setattr("validation.characteristics.reproducibility._level_view", never)
    judged = {q.key for q in evaluate(coop_study()).judged}
    assert judged == {info.key for info in CHARACTERISTIC.keys}


def test_labels_and_runs_of_the_cooperative_trial():
    found = evaluate(coop_study())
    assert {q.at for q in found.quantities} == {f"S{i}" for i in range(1, 8)}
    assert found.get("reproducibility.s_run", "S1") is not None
    R = found.get("reproducibility.R", "S3")
    assert any("indicative" in note and "6 laboratories" in note for note in R.notes)
    json.dumps(found.to_dict(), allow_nan=False)


def test_a_planted_laboratory_is_named_by_each_test():
    data = {2.0: {f"L{i}": [1.0 + 0.01 * i, 1.02 + 0.01 * i, 0.99 + 0.01 * i] for i in range(1, 9)}}
    data[2.0]["L5"] = [1.9, 1.95, 1.93]
    data[2.0]["L7"] = [1.07, 0.70, 1.42]
    found = evaluate(small_study("reproducibility", columns(data)))
    named = {(flag.test, flag.reading): flag for flag in found.flags}
    # L5 holds readings 13 to 15, L7 readings 19 to 21.
    assert named[("Grubbs, one laboratory", "T-014")].reason.startswith("The mean of laboratory L5")
    assert "1 % value" in named[("Mandel h", "T-014")].reason
    assert "laboratory L7" in named[("Cochran", "T-020")].reason
    assert ("Mandel k", "T-020") in named
    assert all(flag.kept and flag.at == 2.0 for flag in found.flags)
    assert any("L5" in sentence for sentence in in_words(found, "%"))


def test_order_of_rows_changes_nothing():
    whole = columns(coop(), runs=True)
    order = np.random.default_rng(1).permutation(len(whole["result"]))
    shuffled = {name: [values[i] for i in order] for name, values in whole.items()}
    first, second = evaluate(coop_study()), evaluate(small_study("reproducibility", shuffled, unit="1"))
    for a, b in zip(first.quantities, second.quantities, strict=True):
        assert (a.key, a.at) == (b.key, b.at)
        assert a.value == pytest.approx(b.value, rel=1e-12)


def test_censored_readings_are_counted():
    data = {2.0: {"L1": [1.0, 1.1], "L2": [1.2, "<0.1"], "L3": [0.9, 1.0]}}
    found = evaluate(small_study("reproducibility", columns(data)))
    assert all(q.censored == 1 and any("1 censored" in note for note in q.notes) for q in found.quantities)


@pytest.mark.parametrize(
    "data",
    [
        {2.0: {"L1": [1.0, 1.1]}},
        {2.0: {"L1": [1.0]}},
        {2.0: {"L1": [1.0], "L2": [1.1]}},
        {2.0: {"L1": [1.0, 1.0], "L2": [1.0, 1.0], "L3": [1.0, 1.0], "L4": [1.0, 1.0]}},
        {"a": {"L1": [1.0], "L2": [1.1, 1.2]}, "b": {"L1": [3.0]}},
    ],
    ids=["one laboratory", "one reading", "no replicates", "no scatter", "labels, uneven"],
)
def test_thin_data_yield_fewer_quantities_and_sentences(data):
    study = small_study("reproducibility", columns(data))
    found = evaluate(study)
    assert found.quantities
    json.dumps(found.to_dict(), allow_nan=False)
    assert in_words(found, "%")
    for name in CHARACTERISTIC.figures:
        getattr(figures, name)(found, study)


def test_nothing_planned_and_awaiting_are_said():
    assert "planned" in evaluate(small_study("comparison", {"sample": [], "method": [], "result": []})).missing
    assert "awaited" in evaluate(small_study("reproducibility", {"laboratory": [], "level": [], "result": []})).missing


@pytest.mark.parametrize("study", [sulfur_study, coop_study], ids=["numbers", "labels"])
def test_figures_carry_unit_and_flagged_rows(study):
    built = study()
    found = evaluate(built)
    assert found.flags
    drawn = {name: svg_text(getattr(figures, name)(found, built)) for name in CHARACTERISTIC.figures}
    assert ("result / %" if built.unit == "%" else ">result<") in drawn["laboratory_means"]
    assert "row " in drawn["laboratory_means"]
    assert "5 %" in drawn["mandel_h_and_k"]
    assert "standard deviation" in drawn["precision_by_level"]


def test_zero_scatter_and_an_unused_column_are_said():
    columns = {"laboratory": ["A", "A", "B", "B"], "level": [4] * 4, "result": ["4.0"] * 4, "u_level": ["0.1"] * 4}
    evaluation = evaluate(small_study("reproducibility", columns))
    assert any("u_level is not used" in note for note in evaluation.notes)
    words = " ".join(in_words(evaluation, "%"))
    assert "no bound can be claimed" in words
    assert "()" not in words
