"""Standards: the assigned value of a weighed lot and its uncertainty, against printed examples and closed forms."""

import json
from dataclasses import replace
from fractions import Fraction
from itertools import product
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
import yaml
from lot_records import RECORD, STANDARDS, lot_study
from profiles import sizes
from scipy import integrate, stats
from small_study import small_study

from validation import resources
from validation.characteristics import standards
from validation.characteristics.registry import evaluated
from validation.characteristics.standards.records import open_days
from validation.figures.standards import CLOSED, budget_bars, traceability_chain
from validation.figures.style import alternative_text
from validation.stats.distributions import Normal, Rectangular, one_sided, triangular
from validation.stats.estimate import Estimate
from validation.stats.standards import (
    AIR,
    FUEL_DENSITY,
    LOSS,
    OIL_DENSITY,
    PURITY,
    WEIGHTS,
    Weighed,
    assigned_value,
    buoyancy_factor,
    shared_values,
    standard_of_runs,
)
from validation.study.load import load_study
from validation.study.lot_record_reading import parse_lot_record
from validation.study.lot_values import errors_of, lot_value

REFERENCE = Path(__file__).parent / "reference"
NET = (Weighed("fuel", "fuel"), Weighed("oil", "oil"))


def value_of(text, **options):
    record, faults = parse_lot_record(text.encode(), "standards/S-1.yaml", lot="S-1", unit="%")
    assert not faults
    return lot_value(record, confidence=0.95, **options)


# Assigned value and its uncertainty ------------------------------------------------------------------------------


def test_value_and_uncertainty_match_quam_a1():
    # Source: Eurachem/CITAC CG 4 (QUAM:2012), example A1, as public transcriptions give it: 100.28 mg of cadmium
    # (u = 0.05 mg) of purity 0.9999 +- 0.0001 (rectangular) in 100.0 mL, of which the guide joins u(V) = 0.07 mL:
    # c = 1002.7 mg/L, u = 0.9 mg/L, U = 1.8 mg/L with k = 2. Here as a mass fraction, a litre read as a kilogram:
    # metal and solvent weigh 100.0 g together.
    example = yaml.safe_load((REFERENCE / "unc-quam-a1.yaml").read_text(encoding="utf-8"))
    data, printed = example["data"], example["expected"]
    mass, u_mass = (number / 1000 for number in data["m_mg"])
    purity = Rectangular(0.9999 - data["purity_half_width"], 0.9999 + data["purity_half_width"])
    total, u_total = data["flask_ml"], float(printed["u_V"])
    inputs = {"fuel": Normal(mass, u_mass), "oil": Normal(total - mass, u_total), PURITY: purity}
    result = assigned_value(NET, inputs, scale=1e6)
    assert f"{result.value:.1f}" == printed["c_mg_l"]
    assert f"{result.standard_uncertainty:.1f}" == printed["u_c"]
    assert f"{result.standard_uncertainty / result.value:.4f}" == printed["relative_u"]
    assert f"{2 * round(result.standard_uncertainty, 1):.1f}" == "1.8"
    assert f"{purity.standard_uncertainty:.6f}" == printed["u_P"]


def test_the_unrounded_components_of_quam_a1_give_the_unrounded_uncertainty():
    # Source: Eurachem/CITAC QUAM 2012, example A1, see unc-quam-a1.yaml.
    # Source: as above; the same file notes 0.835 mg/L from components that are not rounded on the way.
    example = yaml.safe_load((REFERENCE / "unc-quam-a1.yaml").read_text(encoding="utf-8"))
    data = example["data"]
    half, drift = data["flask_half_width_triangular"], data["temperature_half_width"]
    relative = {
        "flask": triangular(1 - half / 100, 1 + half / 100),
        "filling": Normal(1, data["flask_repeatability"] / 100),
    }
    relative["temperature"] = Rectangular(1 - drift / 100, 1 + drift / 100)
    mass, u_mass = (number / 1000 for number in data["m_mg"])
    inputs = {
        "fuel": Normal(mass, u_mass),
        "oil": Normal(100 - mass, 0.0),
        PURITY: Rectangular(0.9998, 1.0),
        **relative,
    }
    result = assigned_value(NET, inputs, list(relative), scale=1e6)
    assert result.standard_uncertainty == pytest.approx(example["recomputed"]["u_c"], abs=0.0015)


def closed_form(fuel, oil, purity, loss):
    """Derivatives of w = 100 f (1 - l) P / (f (1 - l) + o), by hand."""
    left, total = fuel * (1 - loss), fuel * (1 - loss) + oil
    return {
        "fuel": 100 * purity * (1 - loss) * oil / total**2,
        "oil": -100 * purity * left / total**2,
        PURITY: 100 * left / total,
        LOSS: -100 * purity * fuel * oil / total**2,
    }


@pytest.mark.parametrize(
    ("fuel", "oil", "purity", "most"),
    [(1.0003, 19.0049, 1.0, 0.005), (0.02, 19.98, 0.9, 0.2), (10.0, 10.0, 0.5, 0.0)],
)
def test_the_budget_matches_its_closed_form(fuel, oil, purity, most):
    # Source: JCGM 100:2008, 5.1.2, with derivatives of the mass fraction taken by hand.
    inputs = {
        "fuel": Normal(fuel, 0.0003),
        "oil": Normal(oil, 0.0004),
        PURITY: Normal(purity, 0.001),
        LOSS: one_sided(most),
    }
    result = assigned_value(NET, inputs)
    left = fuel * (1 - most / 2)
    assert result.value == pytest.approx(100 * left * purity / (left + oil), rel=1e-14)
    assert result.weighed == pytest.approx(100 * fuel * purity / (fuel + oil), rel=1e-14)
    assert result.loss_shift == pytest.approx(result.value - result.weighed, abs=1e-14)
    slopes = closed_form(fuel, oil, purity, most / 2)
    for part in result.propagated.parts:
        assert part.sensitivity == pytest.approx(slopes[part.name], rel=1e-8)
    u = {"fuel": 0.0003, "oil": 0.0004, PURITY: 0.001, LOSS: most / sqrt(12)}
    combined = sqrt(sum((slopes[name] * u[name]) ** 2 for name in u))
    assert result.standard_uncertainty == pytest.approx(combined, rel=1e-8)


def test_the_impurity_stays_in_the_denominator():
    # 10 g of fuel of purity 0.9 with 90 g of oil: 9 g of analyte in 100 g, not in 99 g.
    inputs = {"fuel": Normal(10, 0), "oil": Normal(90, 0), PURITY: Normal(0.9, 0)}
    assert assigned_value(NET, inputs).value == pytest.approx(9.0, rel=1e-15)


def test_units_of_mass_and_of_the_result_do_not_matter():
    inputs = {"fuel": Normal(1.0003, 0.0003), "oil": Normal(19.0049, 0.0003), PURITY: Normal(1, 0.001)}
    grams = assigned_value(NET, inputs)
    heavier = {
        name: Normal(1000 * inputs[name].mean, 1000 * inputs[name].standard_uncertainty) for name in ("fuel", "oil")
    }
    milligrams = assigned_value(NET[::-1], {**inputs, **heavier}, scale=1e6)
    assert milligrams.value == pytest.approx(1e4 * grams.value, rel=1e-14)
    assert milligrams.standard_uncertainty == pytest.approx(1e4 * grams.standard_uncertainty, rel=1e-8)


def test_buoyancy_matches_a_printed_example():
    # Source: operating instructions of an analytical balance, section on air buoyancy (a public copy was read):
    # aluminium, density 2.7 g/cm3, weights 8.0 g/cm3, air 0.0012 g/cm3, readout 2000.000 mg, corrected 2000.589 mg.
    assert 2000.000 * buoyancy_factor(0.0012, 8.0, 2.7) == pytest.approx(2000.589, abs=0.0005)


def test_buoyancy_of_equal_densities_cancels_and_of_weights_is_none():
    assert buoyancy_factor(1.2, 8000.0, 8000.0) == 1.0
    densities = {
        AIR: Normal(1.2, 0),
        WEIGHTS: Normal(8000, 0),
        FUEL_DENSITY: Normal(850, 0),
        OIL_DENSITY: Normal(850, 0),
    }
    inputs = {"fuel": Normal(1, 0), "oil": Normal(19, 0), PURITY: Normal(1, 0), **densities}
    assert assigned_value(NET, inputs).value == pytest.approx(5.0, rel=1e-14)
    # Closed form to first order: w (1 - w/100) rho_a (1/rho_f - 1/rho_o) = 5 * 0.95 * 1.2 (1/835 - 1/870).
    apart = {**inputs, FUEL_DENSITY: Normal(835, 0), OIL_DENSITY: Normal(870, 0)}
    shift = assigned_value(NET, apart).buoyancy_shift
    assert shift == pytest.approx(5 * 0.95 * 1.2 * (1 / 835 - 1 / 870), rel=0.005)


def test_a_one_sided_loss_matches_its_exact_distribution():
    # The loss alone, rectangular on [0, 0.3]: w falls in l, so its quantiles are w at the quantiles of l; mean and
    # standard deviation by numerical integration (scipy).
    most = 0.3

    def w(loss):
        return 100 * 5 * (1 - loss) / (5 * (1 - loss) + 5)

    inputs = {"fuel": Normal(5, 0), "oil": Normal(5, 0), PURITY: Normal(1, 0), LOSS: one_sided(most)}
    result = assigned_value(NET, inputs, seed=1)
    mean = integrate.quad(w, 0, most)[0] / most
    sd = sqrt(integrate.quad(lambda x: (w(x) - mean) ** 2, 0, most)[0] / most)
    drawn = result.drawn
    assert drawn.mean == pytest.approx(mean, abs=5 * drawn.mean_error)
    assert drawn.standard_uncertainty == pytest.approx(sd, abs=5 * drawn.uncertainty_error)
    assert drawn.symmetric[0] == pytest.approx(w(0.975 * most), abs=5 * drawn.end_errors[0])
    assert drawn.symmetric[1] == pytest.approx(w(0.025 * most), abs=5 * drawn.end_errors[1])
    # A rectangular result ends: the normal interval of propagation reaches beyond what any loss can give.
    assert not result.agreement.agrees
    assert result.propagated.interval[0] < w(most)
    assert result.propagated.interval[1] > w(0)


def test_the_interval_at_any_level_takes_the_truncated_degrees_of_freedom():
    # JCGM 100:2008, G.4.1: u^4 / sum(u_i^4 / nu_i), truncated; Student's t of scipy.
    inputs = {"fuel": Normal(1.0, 0.001, 4), "oil": Normal(19.0, 0.0), PURITY: Normal(1.0, 0.0008, 7)}
    parts = [0.95 * 5 * 0.001, 5 * 0.0008]
    df = sum(part**2 for part in parts) ** 2 / (parts[0] ** 4 / 4 + parts[1] ** 4 / 7)
    estimate = assigned_value(NET, inputs).estimate
    assert estimate.degrees_of_freedom == np.floor(df)
    for level in (0.9, 0.95):
        half = stats.t.ppf((1 + level) / 2, np.floor(df)) * sqrt(sum(part**2 for part in parts))
        assert estimate.interval(level) == pytest.approx((5 - half, 5 + half), rel=1e-9)
    assert Estimate.from_dict(json.loads(json.dumps(estimate.to_dict()))) == estimate


def test_monte_carlo_is_repeatable_and_left_out_unless_asked_for():
    first, second = (value_of(RECORD, draw=True).result.drawn for _ in range(2))
    assert first == second
    assert value_of(RECORD).result.drawn is None


@pytest.mark.parametrize(
    ("weighings", "left_out", "match"),
    [
        (NET[:1], "", "of fuel and of oil"),
        (NET, PURITY, "inputs must hold purity"),
        (NET, "oil", "inputs must hold oil"),
        (NET, OIL_DENSITY, "inputs must hold density of oil"),
    ],
)
def test_unusable_input_is_refused(weighings, left_out, match):
    inputs = {"fuel": Normal(1, 0), "oil": Normal(19, 0), PURITY: Normal(1, 0)}
    inputs |= {AIR: Normal(1.2, 0), WEIGHTS: Normal(8e3, 0), FUEL_DENSITY: Normal(835, 0), OIL_DENSITY: Normal(870, 0)}
    inputs.pop(left_out, None)
    with pytest.raises(ValueError, match=match):
        assigned_value(weighings, inputs)


@sizes("lots", 400, 2000)
def test_the_truth_lies_in_the_interval_at_the_stated_rate(lots):
    # Lots made with errors as their records state: loss anywhere in [0, a], normal errors of balance, portion and
    # purity. The interval at 95 % holds the truth in 95 % of them +- 5 standard errors of a binomial count.
    random = np.random.default_rng(160)
    inside = 0
    for _ in range(lots):
        loss, fuel, oil = (
            0.01 * random.random(),
            1 + 0.002 * random.standard_normal(),
            19 + 0.02 * random.standard_normal(),
        )
        kept = fuel * (1 - loss)
        truth = 100 * kept * 0.99 / (kept + oil) * (1 + 0.002 * random.standard_normal())
        inputs = {
            "fuel": Normal(fuel + 0.003 * random.standard_normal(), 0.003),
            "oil": Normal(oil + 0.003 * random.standard_normal(), 0.003),
            PURITY: Normal(0.99 + 0.001 * random.standard_normal(), 0.001),
            LOSS: one_sided(0.01),
            "portion": Normal(1, 0.002),
        }
        low, high = assigned_value(NET, inputs, ["portion"]).propagated.interval
        inside += low <= truth <= high
    low, high = stats.binom.interval(0.9999, lots, 0.95)
    assert low <= inside <= high


# From the record -------------------------------------------------------------------------------------------------


def test_a_budget_of_20_g_at_5_percent_by_hand():
    # From memory, common practice: two weighings of u = 0.3 mg bring 0.03 % relative, a loss of 0 to 0.5 % brings
    # 0.5/sqrt(12) = 0.14 %, all times 1 - w since fuel is part of the whole.
    found = {part.name: abs(part.contribution) for part in value_of(RECORD).result.propagated.parts}
    value = value_of(RECORD).result.value
    assert 100 * found["mass of fuel"] / value == pytest.approx(0.95 * 0.03, abs=0.0005)
    assert 100 * found["loss while weighing"] / value == pytest.approx(0.95 * 0.5 / sqrt(12), abs=0.0005)
    assert 100 * found["homogeneity of the lot"] / value == pytest.approx(0.4, rel=1e-6)
    assert 100 * found["loss in use"] / value == pytest.approx(0.3, rel=1e-6)


def test_the_mean_loss_is_corrected_and_said():
    found = value_of(RECORD)
    none = value_of(RECORD.replace('{most: "0.5%", shape: one sided}', "{negligible_because: capped at once}"))
    either = value_of(RECORD.replace("shape: one sided", "shape: rectangular"))
    # w = 4.995 %: half of 0.5 % of the fuel, times 1 - w/100.
    assert found.result.value - none.result.value == pytest.approx(-0.0025 * 4.995 * 0.95, rel=0.002)
    assert either.result.value == pytest.approx(none.result.value, rel=1e-14)
    assert any("corrected for the mean of that, 0.25 %" in note for note in found.notes)
    assert any("not corrected" in note and "either way" in note for note in either.notes)
    assert any("left out of the uncertainty because: capped at once." in note for note in none.notes)
    # Twice as wide, rectangular about zero: twice the standard uncertainty.
    parts = [
        {part.name: part.standard_uncertainty for part in item.result.propagated.parts} for item in (found, either)
    ]
    assert parts[1][LOSS] == pytest.approx(2 * parts[0][LOSS], rel=1e-12)


def test_a_shared_balance_reading_cancels():
    # Fuel first, its gross weight is the tare of the oil: an error of that reading raises one mass, lowers the other.
    text = RECORD.replace("{what: oil, mass_g: 19.0049", "{what: fuel, gross_g: 31.0003, tare_g: 30.0").replace(
        "{what: fuel, mass_g: 1.0003", "{what: oil, gross_g: 50.0052, tare_g: 31.0003"
    )
    shared = value_of(text).result.propagated
    apart = value_of(text.replace("tare_g: 31.0003", "tare_g: 31.00030001")).result.propagated
    assert len(shared.parts) == len(apart.parts) - 1
    loss = 0.0025
    slopes = closed_form(1.0003, 19.0049, 0.999, loss)
    by_hand = [slopes["fuel"], slopes["fuel"] - slopes["oil"], slopes["oil"]]
    found = [part.sensitivity for part in shared.parts if part.name.startswith(("tare", "gross"))]
    # Buoyancy changes both masses by 1.3 parts in a thousand.
    assert [abs(number) for number in found] == pytest.approx([abs(number) for number in by_hand], rel=0.003)
    assert sum(part.name.startswith("tare") for part in shared.parts) == 1


def test_a_component_may_be_weighed_in_portions():
    text = RECORD.replace("mass_g: 19.0049", "mass_g: 10").replace(
        "  - {what: fuel", "  - {what: oil, mass_g: 9.0049, u_g: 0.0003, balance: BAL-1}\n  - {what: fuel"
    )
    found = value_of(text).result
    assert found.value == pytest.approx(value_of(RECORD).result.value, rel=1e-12)
    assert [part.name for part in found.propagated.parts][:3] == ["mass of oil 1", "mass of oil 2", "mass of fuel"]


def test_what_a_record_leaves_out_is_said():
    bare = "\n".join(line for line in RECORD.splitlines() if not line.startswith(("loss", "buoy", "homog", "in_use")))
    notes = value_of(bare.replace(", u_purity: 0.0002", "")).notes
    for title in ("loss while weighing", "air buoyancy", "homogeneity", "loss in use"):
        assert f"The lot record says nothing about {title}; it counts as nothing in the uncertainty." in notes
    assert "The purity of the fuel, 0.999, is taken as exact, as the record states it." in notes


def test_a_loss_in_use_that_its_uncertainty_does_not_cover_is_said():
    # 1.2 % a week over 3 days is 0.51 % at most; rectangular on [0, 0.51] its root mean square is 0.51/sqrt(3) = 0.3 %.
    assert any(
        note.endswith("0.51 % at most, 0.3 % root mean square; the record takes 0.3 %.")
        for note in value_of(RECORD).notes
    )
    short = value_of(RECORD.replace('u: "0.3%"', 'u: "0.1%"'))
    assert any(note.endswith("the record takes 0.1 %, which is too little.") for note in short.notes)


def evaluation_of(study):
    return evaluated(standards.CHARACTERISTIC, study, {})


# What lots have in common ----------------------------------------------------------------------------------------

EVIDENCE = RECORD.replace("shape: one sided}", 'shape: one sided, evidence: "QR-103"}')


def test_what_lots_share_does_not_average_away():
    # JCGM 100:2008, 5.2.2, example (from memory): ten resistors against one standard of u = 0.1 ohm, in series: 1 ohm.
    ten = shared_values([{"standard": 0.1}] * 10)
    assert 10 * ten.u_mean == pytest.approx(1.0, rel=1e-12)
    assert ten.correlation == pytest.approx(np.ones((10, 10)))
    # By hand: 3 alone and 4 in common: correlation 16 / 25, variance of the mean of two (9 / 2 + 16); signs count.
    two = shared_values([{"own a": 3.0, "both": 4.0}, {"own b": 3.0, "both": 4.0}])
    assert two.correlation[0, 1] == pytest.approx(16 / 25)
    assert two.u_mean == pytest.approx(sqrt(9 / 2 + 16))
    assert two.u_mean_if_independent == pytest.approx(5 / sqrt(2))
    against = shared_values([{"own a": 3.0, "both": 4.0}, {"own b": 3.0, "both": -4.0}])
    assert against.u_mean == pytest.approx(3 / sqrt(2))
    with pytest.raises(ValueError, match="other than zero"):
        shared_values([{"a": 0.0}])


def test_the_covariance_of_two_lots_is_that_of_drawn_weighings():
    # Second witness: both mass fractions drawn with common purity, loss and balance readings, by numpy alone; the two
    # lots are dilutions of one batch. Homogeneity and loss in use have no report here, so each lot has its own.
    text = EVIDENCE.replace("u_purity: 0.0002", "u_purity: 0.004")
    first, second = value_of(text), value_of(text.replace("1.0003", "0.5002"))
    renamed = second.record.preparation.model_copy(update={"lot": "S-2"})
    lots = [first, replace(second, record=replace(second.record, preparation=renamed))]
    joint = shared_values([errors_of(value) for value in lots])
    rng, n = np.random.default_rng(7), 400_000
    purity, loss = rng.normal(0.999, 0.004, n), rng.uniform(0, 0.005, n)
    d_oil, d_fuel = rng.normal(0, 0.0003, n), rng.normal(0, 0.0003, n)
    drawn = []
    for mass in (1.0003, 0.5002):
        fuel = (mass + d_fuel) * (1 - loss) * (1 - 1.2 / 8000) / (1 - 1.2 / 835)
        oil = (19.0049 + d_oil) * (1 - 1.2 / 8000) / (1 - 1.2 / 870)
        own = rng.normal(1, 0.004, n) * rng.normal(1, 0.003, n)
        drawn.append(100 * fuel * purity / (fuel + oil) * own)
    # 400 000 draws: standard errors 0.1 % of a variance, 0.0012 of a correlation.
    assert joint.covariance == pytest.approx(np.cov(drawn), rel=0.01)
    assert joint.correlation[0, 1] == pytest.approx(np.corrcoef(drawn)[0, 1], abs=0.005)
    assert 0.3 < joint.correlation[0, 1] < 0.6


def signed_errors(lots, runs):
    """Exact means over every sign of independent errors: u^2, E s^2, what the mean holds, that apart from the last lot.

    `lots`: sizes of the errors by name; `runs`: the lot of each run; results lean on the last lot.
    """
    names, p = sorted({name for own in lots for name in own}), len(runs)
    sums = [Fraction(0)] * 3
    for signs in product((-1, 1), repeat=len(names)):
        sign = dict(zip(names, signs, strict=True))
        errors = [sum(Fraction(size) * sign[name] for name, size in own.items()) for own in lots]
        of_runs = [errors[lot] for lot in runs]
        mean = sum(of_runs) / p
        sums[0] += errors[-1] ** 2
        sums[1] += sum((x - mean) ** 2 for x in of_runs) / (p - 1)
        sums[2] += (errors[-1] - mean) ** 2
    return [total / 2 ** len(names) for total in sums]


LOTS = ({"own a": 3, "both": 4}, {"own b": 1, "both": -2, "two": 5}, {"own c": 2, "both": 4, "two": 1})


@pytest.mark.parametrize("runs", [(0, 0, 1, 1), (0, 1, 2), (2, 2, 2), (0, 0, 0, 2), (0, 0, 1), (2, 2, 2, 2, 2, 0)])
def test_each_error_of_several_lots_counts_once(runs):
    # Exact arithmetic: errors of plus or minus their size, every combination of signs once.
    whole, scatter, apart = signed_errors(LOTS, runs)
    result = standard_of_runs(shared_values(LOTS), np.eye(3)[list(runs)], in_use=2)
    assert result.u**2 == pytest.approx(float(whole))
    assert result.in_scatter**2 == pytest.approx(float(scatter))
    assert result.beside_scatter**2 == pytest.approx(float(max(whole - scatter, 0)))
    assert result.beside_bias**2 == pytest.approx(float(max(apart - scatter, 0)))


def test_runs_of_one_lot_and_of_lots_with_nothing_in_common():
    one = standard_of_runs(shared_values([{"a": 3.0}, {"b": 5.0}]), np.eye(2)[[0, 0, 0]], in_use=0)
    assert (one.in_scatter, one.beside_scatter, one.beside_bias) == (0.0, 3.0, 0.0)
    # All runs with one lot, results on another: both values err, and what they share cancels.
    other = standard_of_runs(shared_values([{"a": 3.0, "c": 1.0}, {"b": 4.0, "c": 1.0}]), np.eye(2)[[0, 0]], in_use=1)
    assert (other.beside_scatter**2, other.beside_bias) == (pytest.approx(17.0), pytest.approx(5.0))
    each = shared_values([{"a": 3.0}, {"b": 3.0}, {"c": 3.0}])
    for in_use in (None, 1):
        result = standard_of_runs(each, np.eye(3), in_use)
        assert result.in_scatter == pytest.approx(3.0)
        assert (result.beside_scatter, result.beside_bias) == (0.0, 0.0)
    # A run of half its readings under each of two lots errs by their mean; one run alone scatters by nothing.
    halves = standard_of_runs(each, np.array([[0.5, 0.5, 0.0]]))
    assert (halves.u**2, halves.in_scatter) == (pytest.approx(4.5), 0.0)
    with pytest.raises(ValueError, match=r"rows that add up to 1; got \(1, 3\)"):
        standard_of_runs(each, np.array([[1.0, 1.0, 0.0]]))
    assert shared_values(LOTS).u_difference(0, 2) == pytest.approx(sqrt(3**2 + 2**2 + 1**2))


@pytest.mark.parametrize(
    ("old", "new"),
    [('batch: "3"', 'batch: "4"'), ("certificate: C-1", "certificate: C-2"), ('"QR-103"', '"QR-104"')],
)
def test_another_batch_certificate_or_report_is_an_error_of_its_own(old, new):
    text = EVIDENCE.replace("u_purity: 0.0002", "u_purity: 0.004")
    same, other = errors_of(value_of(text)), errors_of(value_of(text.replace(old, new)))
    assert set(same) != set(other)
    assert shared_values([same, other]).covariance[0, 1] < shared_values([same, same]).covariance[0, 1]


def test_the_chapter_shows_what_the_lots_have_in_common():
    found = evaluation_of(load_study(resources.folder("demo_data") / "new-grade"))
    (table,) = [table for table in found.display.tables if table.name == "shared"]
    assert [row[0] for row in table.rows] == ["S-01 and S-02", "S-01 and S-03", "S-02 and S-03", "u of the mean of all"]
    # By hand: loss in use 0.2 % of 4.99, loss while weighing 0.5 % / sqrt(12) of it times 0.95; root of their squares.
    both = sqrt((0.2 * 4.988) ** 2 + (0.5 / sqrt(12) * 0.95 * 5) ** 2 + (0.03 * 0.95 * 5) ** 2) / 100
    assert float(table.rows[0][2]) == pytest.approx(both, abs=0.0001)
    assert table.rows[0][1] == "loss in use by QR-106 and loss while weighing by QR-103"


# The chapter -----------------------------------------------------------------------------------------------------


@pytest.fixture
def study(tmp_path):
    return load_study(lot_study(tmp_path))


def test_every_quantity_is_there_with_its_unit(study):
    found = evaluation_of(study)
    units = {quantity.key: (quantity.at, quantity.unit) for quantity in found.quantities}
    assert units == {
        "standards.mass_fraction": ("S-1", "%"),
        "standards.standard_uncertainty": ("S-1", "%"),
        "standards.expanded_uncertainty": ("S-1", "%"),
        "standards.relative_uncertainty": ("S-1", "1"),
        "standards.fuel_open": ("S-1", "day"),
    }
    assert set(units) == {info.key for info in standards.CHARACTERISTIC.keys}
    value, u = found.get("standards.mass_fraction", "S-1"), found.get("standards.standard_uncertainty", "S-1").value
    # Normal quantiles (scipy) at the confidence of the plan and of the judged interval.
    k, judged = stats.norm.ppf(0.975), stats.norm.ppf(0.95)
    assert value.interval == pytest.approx((value.value - k * u, value.value + k * u), rel=1e-12)
    assert value.judged_interval == pytest.approx((value.value - judged * u, value.value + judged * u), rel=1e-12)
    assert found.get("standards.expanded_uncertainty", "S-1").value == pytest.approx(k * u, rel=1e-12)
    assert found.get("standards.relative_uncertainty", "S-1").value == pytest.approx(u / value.value, rel=1e-12)
    assert (value.worksheet, value.unit_name, value.units) == ("standards/S-1.yaml", "weighings", 2)


def test_what_a_requirement_may_use_needs_no_monte_carlo(study, monkeypatch):
    full = evaluation_of(study)
    assert full.display.view.lots[0].monte_carlo is not None

    def never(*_, **__):
        raise AssertionError("drawn")

    monkeypatch.setattr("validation.stats.standards.monte_carlo", never)
    quick = evaluation_of(study)
    assert [q.results() for q in quick.judged] == [q.results() for q in full.quantities]
    with pytest.raises(AssertionError, match="drawn"):
        quick.notes  # noqa: B018


def test_without_a_lot_record_the_chapter_says_what_would_supply_it():
    found = evaluation_of(small_study("precision", {"level": [2], "run": ["a"], "result": ["2.1"]}))
    assert not found.quantities
    assert "lot_record: standards/S-01.yaml" in found.missing


def test_a_standard_without_a_record_is_named(tmp_path):
    plan = STANDARDS + "  - {name: S-0, value: 5.0}\n"
    assert "Standard S-0 has no lot record." in evaluation_of(load_study(lot_study(tmp_path, plan=plan))).notes


def test_an_unbroken_chain_is_told_as_closed(study):
    found = evaluation_of(study)
    (chain,) = found.display.view.chains
    assert chain.states == {CLOSED}
    assert any(
        "the chain from the kilogram to the lot is closed (C-1, valid until 2026-12-31" in s
        for s in standards.in_words(found, "%")
    )
    assert "12 readings of this study name it" in chain.links[-1].evidence
    assert traceability_chain(found, study).get_suptitle() == "Every chain is closed from the kilogram to the lot"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (", certificate: C-1, certificate_valid_until: 2026-12-31", "", "no certificate of balance BAL-1 is stated"),
        (", certificate_valid_until: 2026-12-31", "", "not stated until when C-1 of balance BAL-1 holds"),
        (', batch: "3"', "", "no batch of FB-7 is stated"),
    ],
    ids=["no certificate", "no date", "no batch"],
)
def test_a_broken_link_is_drawn_open_and_told(tmp_path, old, new, told):
    study = load_study(lot_study(tmp_path, RECORD.replace(old, new)))
    found = evaluation_of(study)
    assert any(told in note for note in found.notes)
    assert any(told in note for note in found.get("standards.mass_fraction", "S-1").notes)
    assert any(told in sentence for sentence in standards.in_words(found, "%"))
    assert not any("is closed" in sentence for sentence in standards.in_words(found, "%"))
    figure = traceability_chain(found, study)
    assert figure.get_suptitle() == "The chain of lot S-1 is open"
    assert "open" in {text.get_text() for text in figure.axes[0].texts}


def test_a_chain_covered_by_an_impact_note_says_so(tmp_path):
    folder = lot_study(tmp_path, RECORD.replace("2026-12-31", "2026-05-31"))
    (folder / "amendments.csv").write_text(
        "number,time,by,kind,file,reading,column,old,new,reason\n"
        "1,2026-07-06T09:00Z,Q1,impact,standards/S-1.yaml,,BAL-1,2026-05-31,2026-06-25,As found within 0.2 mg\n"
    )
    study = load_study(folder)
    found = evaluation_of(study)
    said = " ".join(standards.in_words(found, "%"))
    assert "impact note 1 in the register of amendments says why the weighings stand" in said
    assert "covers the balance until 2026-06-25" in said
    # Its text stands on page 1 and in the register.
    assert "0.2 mg" not in said
    figure = traceability_chain(found, study)
    assert "by an impact note" in figure.get_suptitle()
    assert any("impact note 1" in text.get_text() for text in figure.axes[0].texts)


def test_the_days_a_can_was_open_are_told(tmp_path):
    # 20 June minus 1 May: 50 days.
    found = evaluation_of(load_study(lot_study(tmp_path, RECORD.replace("opened: 2026-06-20", "opened: 2026-05-01"))))
    assert found.get("standards.fuel_open", "S-1").value == 50
    assert any("can of fuel had been open for 50 days" in sentence for sentence in standards.in_words(found, "%"))
    unstated = evaluation_of(load_study(lot_study(tmp_path, RECORD.replace(", opened: 2026-06-20", ""))))
    assert unstated.get("standards.fuel_open", "S-1") is None


def test_the_reason_is_given_where_monte_carlo_differs(tmp_path):
    wide = RECORD.replace('"0.5%"', '"8%"')
    said = standards.in_words(evaluation_of(load_study(lot_study(tmp_path, wide))), "%")
    assert any("Monte Carlo gives another interval" in s and "shorter tails than the normal" in s for s in said)


def test_the_figures_say_their_message(study):
    found = evaluation_of(study)
    bars = budget_bars(found, study)
    assert alternative_text(bars).startswith("The largest part of the uncertainty is the homogeneity of the lot")
    labels = [label.get_text() for label in bars.axes[0].get_yticklabels()]
    assert labels == [
        "combined",
        "homogeneity of the lot",
        "loss in use",
        "loss while weighing",
        "weighings",
        "purity of the fuel",
    ]
    # Bars drawn together are joined by their squares, so that all squares add up to that of the combined one.
    first, *rest = [patch.get_width() for patch in bars.axes[0].patches]
    assert first**2 == pytest.approx(sum(width**2 for width in rest), rel=1e-9)


def test_the_shares_of_a_budget_add_up(study):
    (lot,) = evaluation_of(study).display.view.lots
    assert sum(part.share for part in lot.parts) == pytest.approx(1, rel=1e-9)


# What the record allows, beside what is shown --------------------------------------------------------------------


def kept_study(tmp_path, record=RECORD, *, allowed='allowed_change: "2.5%", ', states=("in use", "sealed")):
    """Lot S-1 with a stability experiment whose line can be followed by hand: two equal readings at each age."""
    # In use 5.00 - 0.01 a day, 0.2 % a day; sealed without any change; a scatter of 0.002 about both.
    ages = (0, 7, 14, 21, 28)
    sheet = ["reading,run,lot,state,age,result"]
    for state, slope in zip(states, (0.01, 0.0), strict=True):
        for age in ages:
            for sign in (1, -1):
                sheet.append(f"S-{len(sheet):03d},T1,S-1,{state},{age},{5 - slope * age + sign * 0.002:.3f}")
    folder = lot_study(tmp_path, record)
    text = (folder / "plan.yaml").read_text(encoding="utf-8")
    planned = f"experiments:\n  stability: {{{allowed}worksheet: worksheets/stability.csv}}\n"
    (folder / "plan.yaml").write_text(text.replace("experiments:\n", planned), encoding="utf-8")
    (folder / "worksheets" / "stability.csv").write_text("\n".join(sheet) + "\n", encoding="utf-8")
    return load_study(folder)


def keeping_said(study):
    found = evaluation_of(study)
    words = standards.in_words(found, "%")
    said = [note for note in found.notes if note in words]
    return " ".join(said)


def test_times_beyond_what_was_shown_are_told_in_words_and_as_a_note(tmp_path):
    # By hand: 2.5 % of 5.00 is 0.125, which 0.01 a day reaches after 12.5 days, a little earlier with its bound; sealed
    # nothing changes, so the 28 days studied are all that is shown. The record allows 2026-09-20 minus 2026-06-20.
    said = keeping_said(kept_study(tmp_path, RECORD.replace("days: 3", "days: 20")))
    assert "In use: the record of S-1 takes an opened vial for 20 days; 28 days were studied, and for 12 days" in said
    assert "Beyond that the loss was not measured. The experiment finds a loss of 1.4 % a week" in said
    assert "does not agree with the 1.2 % of the record" in said
    assert (
        "Sealed: the record of S-1 allows 92 days; over all 28 days studied the change is shown to stay within the "
        "allowed 2.5 %. Beyond that the loss was not measured."
    ) in said
    # Every dated reading lies within two weeks of the making.
    assert "Readings of S-1" not in said


def test_times_within_what_was_shown_say_which_holds(tmp_path):
    said = keeping_said(kept_study(tmp_path, RECORD.replace("expires: 2026-09-20", "expires: 2026-07-10")))
    assert "for 3 days; 28 days were studied, and for 12 days" in said
    # 1.2 % a week over 12 days.
    assert "The shorter time holds: the u of 0.3 % covers 3 days; after 12 days a vial" in said
    assert "has lost 2.1 %" in said
    assert "Sealed: the record of S-1 allows 20 days; over all 28 days" in said
    assert "not shown" not in said


def test_readings_of_a_lot_older_than_shown_are_counted_and_the_first_named(tmp_path):
    # Made on 1 June: the readings of 1, 2 and 3 July are 30, 31 and 32 days old, 28 were studied.
    old = RECORD.replace("made: 2026-06-20", "made: 2026-06-01").replace("opened: 2026-06-20", "opened: 2026-06-01")
    said = keeping_said(kept_study(tmp_path, old))
    assert (
        "Readings of S-1 reach an age of 32 days: 12 of its 12 dated readings are older than the 28 days shown" in said
    )
    assert "from P-001 of 2026-07-01 on (worksheets/precision.csv, row 2)" in said


def test_the_earlier_expiry_of_plan_and_record_is_the_one_held_against_the_evidence(tmp_path):
    study = kept_study(tmp_path)
    entry = {**study.plan.standards[0], "expires": "2026-07-15"}
    said = keeping_said(replace(study, plan=study.plan.model_copy(update={"standards": (entry,)})))
    assert "the record of S-1 allows 25 days" in said


def test_what_cannot_be_compared_is_said(tmp_path, study):
    assert "This study has no stability experiment with readings" in keeping_said(study)
    other = kept_study(tmp_path / "a", states=("warm", "cold"))
    assert "names no state sealed or in use" in keeping_said(other)
    unlimited = keeping_said(kept_study(tmp_path / "b", allowed=""))
    assert "ages up to 28 days were studied, but the plan states no allowed change" in unlimited
    bare = RECORD.replace("expires: 2026-09-20\n", "").replace(", days: 3", "")
    assert "stability" not in keeping_said(kept_study(tmp_path / "c", bare))


def test_sizes_without_evidence_are_told_in_one_note(tmp_path):
    found = evaluation_of(load_study(lot_study(tmp_path / "a")))
    sizes = "loss while weighing (S-1), homogeneity (S-1) and loss in use (S-1)"
    note = f"No evidence is stated for the size of {sizes}: name the report as `evidence`."
    assert note in found.notes
    assert note in standards.in_words(found, "%")
    named = RECORD.replace('{u: "0.4%"}', '{u: "0.4%", evidence: "QR-1, ten vials"}').replace(
        "one sided", "one sided, evidence: QR-2"
    )
    found = evaluation_of(load_study(lot_study(tmp_path / "b", named)))
    assert "No evidence is stated for the size of loss in use (S-1): name the report as `evidence`." in found.notes
    facts = dict(found.display.tables[0].rows)
    assert facts["homogeneity"] == "u = 0.4 %; evidence: QR-1, ten vials"
    assert facts["loss while weighing"] == "at most 0.5 %, one sided; evidence: QR-2"
    assert facts["loss in use"].endswith("evidence: not stated")


# The demonstration -----------------------------------------------------------------------------------------------


def test_the_demonstration_says_what_its_records_allow_beyond_what_it_shows():
    said = keeping_said(load_study(resources.folder("demo_data") / "new-grade"))
    assert "In use: the records take an opened vial for 2 days; 35 days were studied, and for 10 days" in said
    assert "which agrees with the 1.2 % of the record" in said
    assert "Sealed: the records allow 91 to 92 days; 35 days were studied, and for 32 days" in said
    assert "Readings of S-01 reach an age of 49 days" in said
    assert "No evidence" not in said


def test_what_is_alike_for_several_lots_stands_once():
    study = load_study(resources.folder("demo_data") / "new-grade")
    found = evaluation_of(study)
    words = standards.in_words(found, "%")
    assert sum("impact note 3" in sentence for sentence in words) == 1
    assert sum("assigned value" in sentence for sentence in words[1:]) == 1
    tables = found.display.tables
    captions = [table.caption for table in tables]
    assert captions.count("Budget of lots S-01, S-02 and S-03, by the law of propagation") == 1
    methods = next(table for table in tables if table.name == "methods")
    assert [row[0] for row in methods.rows] == ["S-01", "S-02", "S-03"]
    alike = next(table for table in tables if table.name == "records alike")
    assert alike.caption == "Lot records: what is alike"
    assert "homogeneity" in [row[0] for row in alike.rows]
    assert len(budget_bars(found, study).axes) == 1


def test_lots_of_another_budget_have_a_table_and_a_panel_of_their_own():
    study = load_study(resources.folder("demo_data") / "new-grade")
    records = dict(study.lot_records)
    other = records["S-02"].preparation
    wide = other.model_copy(update={"homogeneity": other.homogeneity.model_copy(update={"u": 0.009})})
    records["S-02"] = replace(records["S-02"], preparation=wide)
    changed = replace(study, lot_records=records)
    found = evaluation_of(changed)
    captions = [table.caption for table in found.display.tables if table.name == "budget"]
    assert captions == [
        "Budget of lots S-01 and S-03, by the law of propagation",
        "Budget of lot S-02, by the law of propagation",
    ]
    assert len(budget_bars(found, changed).axes) == 2


def demo(lot):
    raw = (resources.folder("demo_data") / "standards" / f"{lot}.yaml").read_bytes()
    record, _ = parse_lot_record(raw, f"standards/{lot}.yaml", lot=lot, unit="%")
    return lot_value(record, confidence=0.95)


def test_the_lots_of_the_demonstration_agree_by_weight():
    first, second, third = (demo(lot) for lot in ("S-01", "S-02", "S-03"))
    for found in (first, second, third):
        # The demonstration intends a relative uncertainty of 0.5 to 0.6 %.
        assert 0.005 < found.result.standard_uncertainty / found.result.value < 0.006
    for found in (second, third):
        joint = sqrt(first.result.standard_uncertainty**2 + found.result.standard_uncertainty**2)
        assert abs(first.result.value - found.result.value) < 2 * joint
    assert open_days(second.record) == 40
    made = {lot: demo(lot).record.preparation.made.isoformat() for lot in ("S-01", "S-02", "S-03")}
    assert made == {"S-01": "2026-02-26", "S-02": "2026-04-14", "S-03": "2026-04-15"}
    expired = {
        item.certificate_valid_until.isoformat() for lot in made for item in demo(lot).record.preparation.weighings
    }
    assert expired == {"2026-03-31"}
