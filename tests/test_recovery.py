"""Recovery of spikes: closed forms, a worked example, and the law of propagation written out."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics import recovery as characteristic
from validation.figures import recovery as figures
from validation.figures.style import svg_text
from validation.stats.recovery import mean_recovery, recovery

REFERENCE = Path(__file__).parent / "reference"
BEFORE, AFTER = (2.04, 1.98, 2.10, 2.00), (4.85, 4.98, 4.91)


def test_recovery_matches_the_textbook_example():
    # Source: tests/reference/rec-spike-textbook.yaml: 10.0, then 15.3 after adding 5.0: 106 %.
    content = yaml.safe_load((REFERENCE / "rec-spike-textbook.yaml").read_text(encoding="utf-8"))
    data = content["data"]
    found = recovery([data["before"]], [data["after"]], data["added"])
    assert 100 * found.recovery.value == pytest.approx(float(content["expected"]["percent"]), abs=0.5)
    assert found.recovery.interval(0.95) is None
    assert any("one reading before or after" in note for note in found.recovery.notes)


def test_iron_in_water_is_recovered_in_full():
    # Source: U.S. Army TM 5-6630-215-12, table 2-2, note: 0.10 ml of 50 mg/l into 25 ml of water with 1.0 mg/l adds
    # 0.2 mg/l; 1.2 mg/l found is all of it.
    assert recovery([Decimal("1.0")], [Decimal("1.2")], Decimal("0.1") * 50 / 25).recovery.value == 1.0


def test_lead_in_drinking_water_with_dilution():
    # A public exercise on spike recovery: 9.00 mL of water with 17.46 ppb, 1.00 mL of 2.29 ppb, found 15.92 ppb. The
    # native lead counts with 9/10 and 0.229 ppb is added; by hand (15.92 - 15.714)/0.229 = 0.8996. The tenth part of
    # spike solution is pure in this respect: `whole` is 2.29, of which 0.229 is a tenth.
    found = recovery([17.46], [15.92], 0.229, whole=2.29)
    assert found.expected == pytest.approx(15.714 + 0.229, rel=1e-12)
    assert found.recovery.value == pytest.approx(206 / 229, rel=1e-9)
    assert found.uncorrected < 0  # without dilution the same spike seems to take lead away


def test_mass_fraction_is_diluted_by_the_addition():
    # Closed form: 3 g of pure substance into 97 g that hold 2 %: (0.97 * 2 + 3) % in 100 g.
    found = recovery([2.0, 2.0], [4.94, 4.94], 3.0, whole=100.0, u_added=0.02)
    assert found.expected == pytest.approx(4.94, rel=1e-12)
    assert found.recovery.value == pytest.approx(1.0, rel=1e-12)
    assert found.uncorrected == pytest.approx(0.98, rel=1e-12)


def test_uncertainty_is_that_of_the_law_of_propagation():
    # JCGM 100:2008, 5.1.2 with sensitivities by central differences, and G.4.1 for the degrees of freedom.
    a, u_a = 3.0, 0.03

    def share(before, after, added):
        return (after - before * (1 - added / 100)) / added

    at = [np.mean(BEFORE), np.mean(AFTER), a]
    u = [np.std(BEFORE, ddof=1) / 2, np.std(AFTER, ddof=1) / np.sqrt(3), u_a]
    parts = []
    for i in range(3):
        up, down = list(at), list(at)
        up[i], down[i] = up[i] + 1e-5, down[i] - 1e-5
        parts.append(abs(share(*up) - share(*down)) / 2e-5 * u[i])
    total = np.sqrt(sum(part**2 for part in parts))
    df = total**4 / (parts[0] ** 4 / 3 + parts[1] ** 4 / 2)
    found = recovery(BEFORE, AFTER, a, u_added=u_a, whole=100.0)
    assert found.recovery.value == pytest.approx(share(*at), rel=1e-12)
    assert [found.u_before, found.u_after, found.u_added] == pytest.approx(parts, rel=1e-8)
    assert found.recovery.standard_uncertainty == pytest.approx(total, rel=1e-8)
    assert found.recovery.degrees_of_freedom == pytest.approx(df, rel=1e-8)
    # Three readings against four: Cochran and Cox's quantile, with the normal one of the known part (scipy.stats).
    quantiles = stats.t.ppf(0.975, 3), stats.t.ppf(0.975, 2), stats.norm.ppf(0.975)
    half = np.average(quantiles, weights=np.square(parts)) * total
    assert found.recovery.interval(0.95) == pytest.approx((share(*at) - half, share(*at) + half), rel=1e-8)


def test_without_dilution_or_stated_uncertainty_the_interval_is_welchs():
    # scipy.stats.ttest_ind with unequal variances, divided by the exact amount.
    found = recovery(BEFORE[:3], AFTER, 3.0)
    expected = stats.ttest_ind(AFTER, BEFORE[:3], equal_var=False).confidence_interval(0.9)
    assert found.recovery.interval(0.9) == pytest.approx((expected.low / 3, expected.high / 3), rel=1e-9)
    assert any("u_added" in note for note in found.recovery.notes)


def test_readings_that_do_not_differ():
    alike = recovery([2.0, 2.0], [5.0, 5.0], 3.0)
    assert alike.recovery.interval(0.95) is None
    assert any("rounding hides" in note for note in alike.recovery.notes)
    # A known uncertainty of the amount alone gives the normal interval.
    known = recovery([2.0, 2.0], [5.0, 5.0], 3.0, u_added=0.03)
    half = stats.norm.ppf(0.975) * 0.01
    assert known.recovery.interval(0.95) == pytest.approx((1 - half, 1 + half), rel=1e-12)
    assert known.recovery.degrees_of_freedom is None


def test_large_readings_are_subtracted_exactly():
    base = Decimal("1000000000000")
    found = recovery([base, base + Decimal("0.1")], [base + Decimal("0.5"), base + Decimal("0.6")], Decimal("0.5"))
    assert found.recovery.value == 1.0
    # Welch by hand: each mean has the standard error 0.05, so u = sqrt(2) * 0.05 / 0.5.
    assert found.recovery.standard_uncertainty == pytest.approx(np.sqrt(2) * 0.1, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: recovery([], [1.0], 1.0), "got 0 and 1"),
        (lambda: recovery([1.0], [1.0], 0.0), "above zero; got 0.0"),
        (lambda: recovery([1.0], [1.0], 100.0, whole=100.0), "below 100; got 100.0"),
        (lambda: recovery([1.0], [1.0], 1.0, u_added=-0.1), "must not be negative; got -0.1"),
    ],
)
def test_what_cannot_be_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_mean_over_samples_matches_the_one_sample_t_of_scipy():
    # Open library: stats.ttest_1samp of scipy.
    values = [0.97, 1.02, 0.95, 0.99]
    found = mean_recovery(values)
    expected = stats.ttest_1samp(values, 1).confidence_interval(0.9)
    assert found.interval(0.9) == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert found.degrees_of_freedom == 3
    assert mean_recovery([0.97]).interval(0.95) is None
    alike = mean_recovery([0.5, 0.5, 0.5])
    assert (alike.value, alike.interval(0.95)) == (0.5, None)


# The chapter -----------------------------------------------------------------------------------------------------


def spiked(unit="%", **changes):
    rng = np.random.default_rng(3)
    rows = []
    for i, native in enumerate((1.2, 2.1, 3.3, 0.6)):
        for _ in range(3):
            rows.append((f"U{i + 1}", "0", f"{native + rng.normal(0, 0.04):.3f}"))
            rows.append((f"U{i + 1}", "3.00", f"{0.97 * native + 3 * 0.98 + rng.normal(0, 0.08):.3f}"))
    samples, added, results = zip(*rows, strict=True)
    cells = {"sample": samples, "added": added, "u_added": ["0" if a == "0" else "0.02" for a in added]}
    requirements = [{"id": "R1", "quantity": "recovery.mean_recovery", "rule": "equivalence", "limit": 0.05}]
    return small_study("recovery", {**cells, "result": results, **changes}, unit=unit, requirements=requirements)


def test_chapter_serialises_speaks_and_draws():
    study = spiked()
    evaluation = characteristic.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    mean = evaluation.get("recovery.mean_recovery")
    assert (mean.units, mean.n) == (4, 24)
    own = [evaluation.get("recovery.recovery", f"U{i}").value for i in range(1, 5)]
    assert mean.value == pytest.approx(np.mean(own), rel=1e-12)
    assert any("weathered" in note for note in evaluation.notes)
    assert any("1 - added/100" in note for note in evaluation.get("recovery.recovery", "U2").notes)
    assert not any("u_added" in note for note in evaluation.get("recovery.recovery", "U2").notes)
    words = characteristic.in_words(evaluation, "%")
    assert words[0].startswith("Of what was added to sample U1, ")
    assert words[-2].startswith("Over 4 samples the mean recovery is ")
    drawn = svg_text(figures.recovery_by_sample(evaluation, study))
    assert "On average" in drawn
    assert "limit" in drawn


def test_dilution_is_counted_in_per_cent_only_and_its_size_is_shown():
    # By hand: what was there before weighs before * 3/100 less, that is before/100 of the recovery.
    table = characteristic.evaluate(spiked()).display.tables[0].rows
    for row in table:
        assert row[5] - row[6] == pytest.approx(row[1] / 100, rel=1e-9)
    plain = characteristic.evaluate(spiked(unit="mg/kg"))
    assert any("Dilution by the addition is not counted" in note for note in plain.notes)
    assert all(row[5] == row[6] for row in plain.display.tables[0].rows)


def test_requirement_is_about_full_recovery():
    assert spiked().plan.requirements[0].target == 1.0


def test_robust_mean_stands_beside_the_mean():
    found = characteristic.alternatives(spiked())
    ((q,),) = found.values()
    assert q.key == "recovery.mean_recovery"
    assert q.judged_interval is not None


def test_samples_read_one_way_are_left_out_and_said():
    study = spiked()
    table = study.experiments["recovery"].table
    pairs = zip(table["sample"], table["added"], strict=True)
    samples = ["V1" if name == "U1" and added == 0 else name for name, added in pairs]
    evaluation = characteristic.evaluate(spiked(sample=samples))
    assert evaluation.get("recovery.recovery", "U1") is None
    assert "Sample U1 is left out: it was not read as it is (added = 0)." in evaluation.notes
    assert "Sample V1 is left out: it was not read with an addition." in evaluation.notes


def test_several_amounts_of_one_sample_are_told_apart():
    cells = {
        "sample": ["U1"] * 6,
        "added": ["0", "0", "1", "1", "2.50", "2.50"],
        "result": ["2.00", "2.04", "2.97", "3.01", "4.44", "4.40"],
    }
    evaluation = characteristic.evaluate(small_study("recovery", cells))
    assert [q.at for q in evaluation.quantities] == ["U1, 1 added", "U1, 2.5 added", None]
    mean = evaluation.get("recovery.mean_recovery")
    assert (mean.units, mean.interval, mean.n) == (1, None, 6)
    assert any("several added amounts counts once" in note for note in mean.notes)
    assert any("(u_added)" in note for note in evaluation.quantities[0].notes)
    assert characteristic.in_words(evaluation, "%")
    assert figures.recovery_by_sample(evaluation, small_study("recovery", cells)) is not None


def test_one_reading_each_way_still_gives_the_mean_over_samples():
    cells = {
        "sample": ["A", "A", "B", "B", "C", "C"],
        "added": ["0", "2"] * 3,
        "result": ["1.00", "2.96", "2.00", "3.93", "0.50", "2.52"],
    }
    evaluation = characteristic.evaluate(small_study("recovery", cells))
    assert evaluation.get("recovery.recovery", "A").interval is None
    assert evaluation.get("recovery.mean_recovery").interval is not None


@pytest.mark.parametrize(
    ("runs", "message"),
    [(["a"] * 24, "All readings of this sample are of one run"), (["a", "b"] * 12, "were read in different runs")],
)
def test_runs_are_said(runs, message):
    q = characteristic.evaluate(spiked(run=runs)).get("recovery.recovery", "U1")
    assert any(message in note for note in q.notes)


def test_uncertainties_that_differ_within_an_addition_are_joined():
    uncertainties = ["0" if i % 2 == 0 else ("0.01", "0.02", "0.03")[i // 2 % 3] for i in range(24)]
    study = spiked(u_added=uncertainties)
    evaluation = characteristic.evaluate(study)
    q = evaluation.get("recovery.recovery", "U1")
    assert any("quadratic mean" in note for note in q.notes)
    # Sensitivity (before/100 - R)/added times the quadratic mean of 0.01, 0.02, 0.03.
    before = evaluation.display.tables[0].rows[0][1]
    expected = abs(before / 100 - q.value) / 3 * np.sqrt((1 + 4 + 9) / 3) / 100
    assert evaluation.display.tables[1].rows[0][5] == pytest.approx(expected, rel=1e-9)


def test_censored_readings_are_counted():
    results = [f"{value:.3f}" for value in spiked().experiments["recovery"].table["result"]]
    results[0] = "<0.5"
    evaluation = characteristic.evaluate(spiked(result=results))
    q = evaluation.get("recovery.recovery", "U1")
    assert (q.censored, q.n) == (1, 5)
    assert any("1 censored reading of this sample was left out" in note for note in q.notes)
    assert evaluation.get("recovery.mean_recovery").censored == 1


def test_impossible_addition_is_left_out():
    added = ["0" if i % 2 == 0 else ("120" if i < 6 else "3.00") for i in range(24)]
    evaluation = characteristic.evaluate(spiked(added=added))
    assert any("no mixture holds so much" in note for note in evaluation.notes)
    assert evaluation.get("recovery.recovery", "U1") is None


def test_what_is_missing_is_said():
    only = {"sample": ["A", "B"], "added": ["0", "0"], "result": ["1", "2"]}
    missing = characteristic.evaluate(small_study("recovery", only)).missing
    assert "No sample was read both as it is" in missing
    empty = {name: [] for name in only}
    assert "awaiting readings" in characteristic.evaluate(small_study("recovery", empty)).missing
    lost = {**only, "result": ["<1", "<1"]}
    assert "censored" in characteristic.evaluate(small_study("recovery", lost)).missing
    other = small_study("precision", {"level": [1], "run": ["a"], "result": ["1"]})
    assert "no recovery experiment" in characteristic.evaluate(other).missing
    assert characteristic.alternatives(other) == {}


@sizes("studies", 150, 600)
def test_intervals_hold_the_truth_at_the_stated_rate(studies):
    # Simulated: true recovery 0.97 of 3 % in 2 %, s 0.05 before and 0.08 after, u_added 0.02. Welch and
    # Satterthwaite is approximate, so the binomial band of 3.5 errors is widened by half a point below.
    rng = np.random.default_rng(20)
    held = 0
    for _ in range(studies):
        added = 3 + rng.normal(0, 0.02)
        before = rng.normal(2.0, 0.05, 4)
        after = rng.normal(2.0 * (1 - added / 100) + 0.97 * added, 0.08, 4)
        low, high = recovery(before.tolist(), after.tolist(), 3.0, u_added=0.02, whole=100.0).recovery.interval(0.95)
        held += low <= 0.97 <= high
    error = np.sqrt(studies * 0.95 * 0.05)
    assert 0.945 * studies - 3.5 * error < held < 0.95 * studies + 3.5 * error


def test_what_a_requirement_may_use_is_there_without_the_display():
    evaluation = characteristic.evaluate(spiked())
    usable = {info.key for info in characteristic.CHARACTERISTIC.keys if info.rules}
    assert usable <= {q.key for q in evaluation.judged}
    assert not evaluation.display.quantities
