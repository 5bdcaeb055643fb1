"""Screening designs against their published tables, effects against worked examples and general libraries."""

from __future__ import annotations

import csv
import importlib
import json
import sys
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics import ruggedness
from validation.figures import ruggedness as figures
from validation.figures.style import svg_text
from validation.stats.confidence import Exponential, StudentT
from validation.stats.estimate import Estimate
from validation.stats.ruggedness import check_design, effects, effects_by_lenth, half_normal_positions, lenth
from validation.stats.two_level_designs import (
    contrasts,
    fractional_factorial,
    mixed_with,
    plackett_burman,
    random_order,
    resolution,
    run_sheet,
    screening_design,
)

ROOT = Path(__file__).parent.parent
REFERENCE = Path(__file__).parent / "reference"
SEVEN = ("D=AB", "E=AC", "F=BC", "G=ABC")


def reference(name):
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def printed(text):
    """Half a unit of the last printed digit."""
    return pytest.approx(float(text), abs=0.5 * 10.0 ** -len(text.partition(".")[2]) + 1e-12)


# Designs ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("runs", [8, 12])
def test_plackett_burman_matches_the_published_table(runs):
    # Source: Plackett and Burman 1946, Biometrika 33, 305, as tabulated; see the head of the file.
    lines = (REFERENCE / "rug-plackett-burman.csv").read_text(encoding="utf-8").splitlines()
    table = [row["trial"] for row in csv.DictReader(line for line in lines if not line.startswith("#"))]
    expected = [trial for trial in table if len(trial) == runs - 1]
    design = plackett_burman(runs)
    assert ["".join("+" if x > 0 else "-" for x in row) for row in design.matrix] == expected
    # Any two factors appear in all four combinations equally often: the columns are orthogonal.
    x = np.array(design.matrix)
    assert np.array_equal(x.T @ x, runs * np.eye(runs - 1))


def test_aliases_match_those_of_the_saturated_fraction():
    # Source: Process Improvement using Data, highly fractionated designs, example 1: main effects with two-factor
    # interactions, and the fifteen words of the defining relation.
    expected = {
        "A": "BD CE FG",
        "B": "AD CF EG",
        "C": "AE BF DG",
        "D": "AB CG EF",
        "E": "AC BG DF",
        "F": "AG BC DE",
        "G": "AF BE CD",
    }
    design = fractional_factorial(7, SEVEN)
    found = mixed_with(design.matrix)
    letters = "ABCDEFG"
    assert {
        letters[j]: " ".join(letters[m.first] + letters[m.second] for m in mixed) for j, mixed in enumerate(found)
    } == expected
    assert all(m.share == 1 for mixed in found for m in mixed)
    words = "ABD ACE BCF ABCG BCDE ACDF CDG ABEF BEG AFG DEF ADEG CEFG BDFG ABCDEFG"
    assert sorted(design.words) == sorted(words.split())
    assert design.resolution == resolution(design.matrix) == 3


@pytest.mark.parametrize(
    ("factors", "generators"),
    [
        (4, ["D=ABC"]),
        (6, ["E=ABC", "F=BCD"]),
        (7, ["E=ABC", "F=BCD", "G=ACD"]),
        (8, ["E=BCD", "F=ACD", "G=ABC", "H=ABD"]),
    ],
)
def test_resolution_four_designs_match_the_index_of_nist(factors, generators):
    # Source: NIST Dataplot, text/DEXRES4.TXT (index of minimal 2^(k-p) designs of resolution 4), read there.
    design = fractional_factorial(factors, generators)
    assert design.resolution == resolution(design.matrix) == 4
    assert not any(mixed_with(design.matrix))


def test_resolution_five_half_fraction():
    # Box, Hunter and Hunter, Statistics for Experimenters: 2^(5-1) with E=ABCD is of resolution V (from memory).
    design = fractional_factorial(5, ["E=ABCD"])
    assert (design.trials, design.words, design.resolution, resolution(design.matrix)) == (16, ("ABCDE",), 5, 5)


def test_twelve_trials_mix_every_effect_in_part():
    # Every main effect is mixed, by a third, with each interaction of two other factors: 45 of them (Lin and Draper
    # 1992, Technometrics 34, 423; from memory).
    found = mixed_with(plackett_burman(12).matrix)
    assert {len(mixed) for mixed in found} == {45}
    assert {round(abs(m.share), 12) for mixed in found for m in mixed} == {round(1 / 3, 12)}


def test_negative_generator_turns_the_last_column():
    plus, minus = (np.array(fractional_factorial(4, [text]).matrix) for text in ("D=ABC", "D=-ABC"))
    assert np.array_equal(plus[:, :3], minus[:, :3])
    assert np.array_equal(plus[:, 3], -minus[:, 3])
    assert fractional_factorial(4, ["D=-ABC"]).words == ("-ABCD",)


def test_contrasts_of_a_full_factorial_are_all_its_degrees_of_freedom():
    matrix = np.array(fractional_factorial(4).matrix)
    columns = np.column_stack([matrix[:, members].prod(axis=1) for members in contrasts(matrix)])
    assert np.array_equal(columns.T @ columns, 16 * np.eye(15))
    assert len(contrasts(plackett_burman(12).matrix)) == 11


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: plackett_burman(10), r"one of \[8, 12\]; got 10"),
        (lambda: screening_design(12), "1 to 11; got 12"),
        (lambda: fractional_factorial(7), "must be 2 to 5; got 7"),
        (lambda: fractional_factorial(4, ["D=ABX"]), 'such as "D=AB"; got "D=ABX"'),
        (lambda: fractional_factorial(4, ["E=ABC"]), 'must read "D="'),
        (lambda: fractional_factorial(5, ["D=AB", "E=AB"]), "always be set alike"),
        (lambda: random_order(8, 0, 1), "at least 1; got 8 and 0"),
        (lambda: run_sheet({f"f{i}": ("a", "b") for i in range(8)}, plackett_burman(8), seed=1), "1 to 7 for"),
        (lambda: half_normal_positions(0), "at least 1; got 0"),
        (lambda: lenth([1.0, 2.0]), "at least three finite contrasts"),
        (lambda: effects([1.0, 2.0], [[1]]), "one entry a reading"),
        (lambda: effects([1.0, 2.0], [[1], [0]]), r"of -1 and \+1"),
        (lambda: resolution([[1, 2]]), r"of -1 and \+1"),
    ],
)
def test_what_cannot_be_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_run_sheet_holds_every_trial_once_a_replicate():
    factors = {"purge": ("30 s", "60 s"), "volume": ("0.3 mL", "0.7 mL"), "pad": ("P1", "P2")}
    rows = run_sheet(factors, screening_design(3), replicates=2, seed=5)
    assert rows == run_sheet(factors, screening_design(3), replicates=2, seed=5)
    assert rows != run_sheet(factors, screening_design(3), replicates=2, seed=6)
    for replicate in (1, 2):
        own = [row for row in rows if row.replicate == replicate]
        assert [row.order for row in own] == list(range(1, 9))
        assert sorted(row.trial for row in own) == list(range(1, 9))
        for name, pair in factors.items():
            assert sorted(row.settings[name] for row in own) == sorted(pair * 4)
    # The same trial has the same settings in both replicates, in another order.
    assert len({(row.trial, *row.settings.values()) for row in rows}) == 8
    assert [row.trial for row in rows[:8]] != [row.trial for row in rows[8:]]


# Effects ---------------------------------------------------------------------------------------------------------


def test_lenth_matches_the_welding_example():
    # Source: tests/reference/rug-lenth-weld.yaml, Lenth 1989, example I.
    content = reference("rug-lenth-weld")
    found = lenth(content["data"]["contrasts"])
    for name, value in (
        ("s0", found.s0),
        ("PSE", found.pse),
        ("ME", found.margin(0.95)),
        ("SME", found.simultaneous_margin(0.95)),
    ):
        assert value == pytest.approx(content["recomputed"][name], rel=1e-8)
    assert found.degrees_of_freedom == 5


def test_effects_match_the_reactor():
    # Source: tests/reference/rug-reactor-2to5.yaml, Box, Hunter and Hunter 1978, pp. 375-378.
    content = reference("rug-reactor-2to5")
    data = content["data"]
    names = ["feed", "catalyst", "agitation", "temperature", "concentration"]
    found = effects(data["y"], np.column_stack([data[name] for name in names]))
    assert found.mean == pytest.approx(65.5, abs=1e-12)
    for letter, effect in zip("ABCDE", found.effects, strict=True):
        assert effect.value == printed(content["expected"][letter])
    inner = {"".join("ABCDE"[i] for i in members): value for members, value in found.contrasts}
    assert len(inner) == 31
    for name in ("AB", "BD", "DE"):
        assert inner[name] == printed(content["expected"][name])
    # Without replicates the interval is Lenth's margin about the effect.
    me = content["assumptions"]["extra_computed"]["lenth_ME"]
    assert found.route == "Lenth"
    assert found.effects[1].interval(0.95) == pytest.approx((19.5 - me, 19.5 + me), rel=1e-9)


def test_effects_match_the_ruggedness_trial_of_appendix_k():
    # Source: tests/reference/rug-youden-appendix-k.yaml; the source prints four times the effect.
    content = reference("rug-youden-appendix-k")
    capital = content["data"]["capital"]
    settings = [[1 if trial in at else -1 for at in capital.values()] for trial in range(1, 9)]
    assert resolution(settings) == 3
    found = effects([Decimal(str(y)) for y in content["data"]["y"]], settings)
    for name, effect in zip(capital, found.effects, strict=True):
        assert 4 * effect.value == printed(content["expected"][name])


def test_lost_reading_and_blocks_match_least_squares_of_r():
    # R 4.2.2, run 2026-11-25:
    #   d <- expand.grid(A=c(-1,1), B=c(-1,1), C=c(-1,1)); d$D <- d$A*d$B*d$C; d <- rbind(d, d)
    #   d$day <- factor(rep(c("a","b"), each=8)); contrasts(d$day) <- contr.sum(2); d$y <- y; d <- d[-11,]
    #   full <- lm(y ~ interaction(A,B,C) + day, d); s2 <- deviance(full)/df.residual(full)
    #   fit <- lm(y ~ I(A/2)+I(B/2)+I(C/2)+I(D/2)+day, d); X <- model.matrix(fit)
    #   coef(fit); sqrt(s2*diag(solve(t(X)%*%X))); sqrt(s2); coef(fit)[2]+c(-1,1)*qt(.975,6)*sqrt(s2*...)[2]
    y = [3.91, 4.18, 3.95, 4.30, 3.88, 4.12, 3.99, 4.21, 4.02, 4.25, 4.08, 4.33, 3.97, 4.31, 4.01, 4.36]
    matrix = np.array(fractional_factorial(4, ["D=ABC"]).matrix)
    kept = [i for i in range(16) if i != 10]
    found = effects([y[i] for i in kept], np.vstack([matrix, matrix])[kept], blocks=["ab"[i // 8] for i in kept])
    expected = [0.2840000000000006, 0.0710000000000010, -0.0184999999999991, -0.0164999999999991]
    assert [effect.value for effect in found.effects] == pytest.approx(expected, abs=2e-15)
    assert found.effects[3].standard_uncertainty == pytest.approx(0.0228439321942445, rel=1e-12)
    assert found.residual_sd.value == pytest.approx(0.0435616694769503, rel=1e-12)
    assert (found.residual_sd.degrees_of_freedom, found.blocks_out) == (6, 2)
    assert found.effects[0].interval(0.95) == pytest.approx((0.228102911587152, 0.339897088412850), rel=1e-12)
    assert found.mean == pytest.approx(4.1154999999999982, rel=1e-14)


def test_saturated_replicated_design_matches_ordinary_least_squares():
    # statsmodels OLS of seven factors and the day: in a saturated duplicate its residual is the scatter of replicates.
    import statsmodels.api as sm

    matrix = np.array(plackett_burman(8).matrix)
    x = np.vstack([matrix, matrix])
    y = 4 + 0.1 * x[:, 2] + np.random.default_rng(8).normal(0, 0.1, 16) + np.repeat([0, 0.3], 8)
    day = np.repeat(["a", "b"], 8)
    found = effects(y.tolist(), x, blocks=day.tolist())
    fit = sm.OLS(y, np.column_stack([np.ones(16), x / 2, day == "b"])).fit()
    assert [e.value for e in found.effects] == pytest.approx(fit.params[1:8], rel=1e-9)
    for effect, ends in zip(found.effects, fit.conf_int(0.1)[1:8], strict=True):
        assert effect.interval(0.9) == pytest.approx(ends, rel=1e-9)
    assert found.residual_sd.value**2 == pytest.approx(fit.mse_resid, rel=1e-9)
    # Without the days their difference is left in the scatter.
    plain = effects(y.tolist(), x)
    assert plain.residual_sd.value > 1.5 * found.residual_sd.value
    assert plain.residual_sd.degrees_of_freedom == 8


def test_half_normal_positions_are_those_of_scipy():
    # scipy.stats.halfnorm at (i - 1/2)/m (Daniel 1959, from memory).
    assert half_normal_positions(7) == pytest.approx(stats.halfnorm.ppf((np.arange(1, 8) - 0.5) / 7), rel=1e-12)


def test_large_readings_keep_their_small_effects():
    # Exact decimals: the effect is 0.02 although the readings carry thirteen digits before the point.
    matrix = np.array(fractional_factorial(2).matrix)
    base = Decimal("1000000000000")
    values = [base + Decimal("0.01") * int(row[0]) + Decimal(k) / 1000 for k in (0, 1) for row in matrix]
    found = effects(values, np.vstack([matrix, matrix]))
    assert found.effects[0].value == pytest.approx(0.02, rel=1e-9)
    assert found.residual_sd.value == pytest.approx(0.001 / np.sqrt(2), rel=1e-9)


def test_replicates_that_agree_have_no_interval():
    matrix = np.array(fractional_factorial(2).matrix)
    found = effects([1.0, 2.0, 3.0, 4.0] * 2, np.vstack([matrix, matrix]))
    assert found.effects[0].value == pytest.approx(1.0, rel=1e-15)  # the last digit depends on the machine's BLAS
    assert found.effects[0].interval(0.95) is None
    assert "last digit" in found.effects[0].notes[0]
    assert found.residual_sd.interval(0.95) is None


def test_unreplicated_design_out_of_balance_has_effects_without_interval():
    lost = effects([4.0, 4.2, 4.1], np.array([[1, -1], [-1, 1], [1, 1]]))
    assert [effect.interval(0.95) for effect in lost.effects] == [None, None]
    assert "no interval can be formed" in lost.effects[0].notes[0]


def test_twins_and_constants_are_found():
    x = np.array([[1, 1, -1, 1], [-1, -1, 1, 1], [1, 1, 1, 1], [-1, -1, -1, 1]])
    check = check_design(x)
    assert check.twins == ((0, 1, 1),)
    assert check.constant == (3,)
    assert check.inseparable == (0, 1)
    found = effects([1.0, 2.0, 3.0, 5.0], x)
    assert [effect is None for effect in found.effects] == [True, True, False, True]
    # Within the pair the other factor is still estimated: mean high 2.5, mean low 3.
    assert found.effects[2].value == pytest.approx(-0.5)


def test_effects_do_not_depend_on_the_order_of_rows_and_follow_a_change_of_unit():
    matrix = np.array(plackett_burman(8).matrix)
    x = np.vstack([matrix, matrix])
    random = np.random.default_rng(2)
    y = 4 + random.normal(0, 0.1, 16)
    order = random.permutation(16)
    first, moved = effects(y.tolist(), x), effects((1000 * y[order]).tolist(), x[order])
    for a, b in zip(first.effects, moved.effects, strict=True):
        assert b.value == pytest.approx(1000 * a.value, rel=1e-9, abs=1e-9)
        assert b.interval(0.95) == pytest.approx([1000 * end for end in a.interval(0.95)], rel=1e-9)
    for a, b in zip(first.relative, moved.relative, strict=True):
        assert b.interval(0.95) == pytest.approx(a.interval(0.95), rel=1e-9, abs=1e-12)


def test_lenth_interval_of_a_replicated_design_is_the_margin_about_the_effect():
    # Lenth 1989: ME about each of the seven contrasts, here computed by the welding-tested function on the effects.
    matrix = np.array(plackett_burman(8).matrix)
    y = 4 + np.random.default_rng(4).normal(0, 0.1, 16)
    found = effects(y.tolist(), np.vstack([matrix, matrix]))
    me = lenth([effect.value for effect in found.effects]).margin(0.95)
    again, shares = effects_by_lenth(found)
    for effect, other in zip(found.effects, again, strict=True):
        assert other.interval(0.95) == pytest.approx((effect.value - me, effect.value + me), rel=1e-9)
    assert len(shares) == 7


# The chapter -----------------------------------------------------------------------------------------------------

FACTORS = {
    "volume": {"low": "0.3 mL", "high": "0.7 mL"},
    "temperature": {"low": "35 C", "high": "40 C"},
    "pad": {"low": "P1", "high": "P2"},
}


def columns(matrix, results, *, replicates=2, runs=True):
    rows = [row for _ in range(replicates) for row in matrix]
    found = {"trial": [i % len(matrix) + 1 for i in range(len(rows))]}
    for j, (name, pair) in enumerate(FACTORS.items()):
        found[name] = [pair["high" if row[j] > 0 else "low"] for row in rows]
    if runs:
        found["run"] = [f"D{i // len(matrix) + 1}" for i in range(len(rows))]
    found["result"] = results
    return found


def screened(seed=3, **changes):
    matrix = fractional_factorial(3).matrix
    random = np.random.default_rng(seed)
    results = [f"{4 + 0.12 * row[1] + 0.1 * k + random.normal(0, 0.03):.3f}" for k in (0, 1) for row in matrix]
    requirements = [
        {"id": "R1", "quantity": "ruggedness.relative_effect", "rule": "equivalence", "limit": 0.03, "at": "volume"}
    ]
    return small_study(
        "ruggedness",
        {**columns(matrix, results), **changes},
        settings={"factors": FACTORS, "nominal": 4.0},
        requirements=requirements,
    )


def test_chapter_serialises_speaks_and_draws():
    study = screened()
    evaluation = ruggedness.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    keys = {(q.key, q.at) for q in evaluation.quantities}
    assert {(f"ruggedness.{key}", name) for key in ("effect", "relative_effect") for name in FACTORS} <= keys
    assert ("ruggedness.residual_sd", None) in keys
    words = ruggedness.in_words(evaluation, "%")
    assert words[0].startswith("Temperature, from 35 C to 40 C, changes the result by")
    assert "If it changes evenly, 1 C moves it by about" in words[0]
    assert not any("must" in sentence for sentence in words)
    assert any("volume, 0.3 mL to 0.7 mL (by less than" in sentence for sentence in words)
    drawn = svg_text(figures.effects_by_size(evaluation, study))
    assert "limit" in drawn
    assert "Temperature changes the result most" in drawn
    assert "temperature" in svg_text(figures.half_normal(evaluation, study))
    assert [table.name for table in evaluation.display.tables] == ["factors", "interactions", "trials", "Lenth"]


def test_an_allowed_shift_is_told_in_the_unit_of_the_setting():
    # By hand: an effect E of a step w moves the result by E/w for each unit, and uses up the allowed c after c w/E.
    study = screened()
    # A normal distribution of the logarithm has the interval 0.025 to 0.1 about 0.05.
    share = Exponential(StudentT(np.log(0.05), np.log(2) / stats.norm.ppf(0.975), None))
    own = ruggedness.evaluate(study)
    display = own.display
    first = display.view.factors[0]
    relative = replace(first.relative, estimate=Estimate(0.05, share))
    entry = replace(first, low="35 K", high="40 K", relative=relative, allowed=0.03)

    def words(factor):
        view = replace(display.view, factors=(factor,))
        return ruggedness.in_words(replace(own, show=lambda: replace(display, view=view)), "%")[0]

    assert "1 K moves it by about 1.0 %" in words(entry)
    assert "the 3 % that the plan allows correspond to about 3.0 K (from 1.5 to more than the 5 K tried)" in words(
        entry
    )
    assert "over the 5.0 K between the settings that is less than the 6 %" in words(replace(entry, allowed=0.06))
    assert words(replace(entry, allowed=None)).endswith("1 K moves it by about 1.0 %.")
    assert words(replace(entry, low="P1", high="P2")).endswith("confidence).")
    allowed = {factor.name: factor.allowed for factor in display.view.factors}
    assert (allowed["volume"], allowed["temperature"]) == (0.03, None)


def test_relative_effect_is_the_effect_over_the_mean_with_fieller():
    # Source: Fieller 1954 (from memory); t of scipy.
    # Fieller's set written out: every r for which |E - r m| <= t sqrt(v_E + r^2 v_m), E and m uncorrelated here.
    evaluation = ruggedness.evaluate(screened())
    effect = evaluation.get("ruggedness.effect", "temperature")
    share = evaluation.get("ruggedness.relative_effect", "temperature")
    mean, u = evaluation.display.view.mean, effect.standard_uncertainty
    assert share.value == pytest.approx(effect.value / mean, rel=1e-12)
    t = stats.t.ppf(0.975, effect.degrees_of_freedom)
    for end in share.interval:
        assert abs(effect.value - end * mean) == pytest.approx(t * u * np.sqrt(1 + end**2 / 4), rel=1e-9)


def test_lenth_stands_beside_the_replicates():
    study = screened()
    found = ruggedness.alternatives(study)
    assert list(found) == [ruggedness.LENTH]
    own = ruggedness.evaluate(study).get("ruggedness.effect", "volume")
    (other,) = [q for q in found[ruggedness.LENTH] if (q.key, q.at) == ("ruggedness.effect", "volume")]
    assert other.value == own.value
    assert other.judged_interval != own.judged_interval


def test_runs_are_taken_out_and_said():
    evaluation = ruggedness.evaluate(screened())
    assert all("are taken out" in " ".join(q.notes) for q in evaluation.quantities if q.key == "ruggedness.effect")
    assert evaluation.get("ruggedness.residual_sd").degrees_of_freedom == 7


def test_day_serves_where_there_is_no_run():
    study = screened()
    data = study.experiments["ruggedness"]
    names = [name for name in data.table if name not in ("reading", "line")]
    other = {("day" if name == "run" else name): list(data.table[name]) for name in names}
    other["result"] = [f"{value:.3f}" for value in other["result"]]
    again = ruggedness.evaluate(small_study("ruggedness", other, settings={"factors": FACTORS}))
    first = ruggedness.evaluate(study)
    assert again.get("ruggedness.effect", "pad").interval == first.get("ruggedness.effect", "pad").interval


def test_single_replicate_rests_on_lenth_and_says_so():
    # Source: Lenth 1989 (from memory): a third of the contrasts as degrees of freedom.
    matrix = fractional_factorial(3).matrix
    results = ["4.01", "4.05", "3.99", "4.11", "4.02", "4.01", "3.98", "4.12"]
    study = small_study("ruggedness", columns(matrix, results, replicates=1, runs=False), settings={"factors": FACTORS})
    evaluation = ruggedness.evaluate(study)
    q = evaluation.get("ruggedness.effect", "volume")
    assert any("No trial was repeated" in note for note in q.notes)
    assert q.standard_uncertainty == evaluation.get("ruggedness.pseudo_standard_error").value
    assert evaluation.get("ruggedness.residual_sd") is None
    # Interactions serve as contrasts too: seven of them in eight trials.
    assert q.degrees_of_freedom == pytest.approx(7 / 3)
    assert ruggedness.alternatives(study) == {}
    assert ruggedness.in_words(evaluation, "%")
    assert figures.effects_by_size(evaluation, study) is not None


def test_factors_varied_together_are_named_and_not_given():
    study = screened()
    table = study.experiments["ruggedness"].table
    twin = ["P2" if text == "40 C" else "P1" for text in table["temperature"]]
    evaluation = ruggedness.evaluate(screened(pad=twin))
    assert evaluation.get("ruggedness.effect", "temperature") is None
    assert evaluation.get("ruggedness.effect", "pad") is None
    assert evaluation.get("ruggedness.effect", "volume") is not None
    assert any(
        note.startswith("temperature and pad were varied together in every reading") for note in evaluation.notes
    )


def test_factor_never_varied_is_named():
    evaluation = ruggedness.evaluate(screened(pad=["P1"] * 16))
    assert evaluation.get("ruggedness.effect", "pad") is None
    assert any('pad was never varied: it stood at "P1"' in note for note in evaluation.notes)


def test_imbalance_is_named():
    pads = list(screened().experiments["ruggedness"].table["pad"])
    pads[0] = "P2" if pads[0] == "P1" else "P1"
    notes = " ".join(ruggedness.evaluate(screened(pad=pads)).notes)
    assert "Not balanced: pad (7 low, 9 high)" in notes
    assert "Varied partly together" in notes
    assert "Trial 1 holds readings with different settings" in notes


def test_factor_that_changes_only_with_the_day_is_named():
    study = screened()
    matrix = fractional_factorial(2).matrix
    rows = [(*row, day) for day in (-1, 1) for row in matrix for _ in (0, 1)]
    cells = {
        "trial": list(range(1, 17)),
        "volume": ["0.7 mL" if row[0] > 0 else "0.3 mL" for row in rows],
        "temperature": ["40 C" if row[1] > 0 else "35 C" for row in rows],
        "pad": ["P2" if row[2] > 0 else "P1" for row in rows],
        "run": ["D2" if row[2] > 0 else "D1" for row in rows],
        "result": [f"{value:.3f}" for value in study.experiments["ruggedness"].table["result"]],
    }
    notes = ruggedness.evaluate(small_study("ruggedness", cells, settings={"factors": FACTORS})).notes
    assert any(note.startswith("pad changed only from run to run") for note in notes)
    assert any("same settings under different names" in note for note in notes)


def test_unknown_setting_is_left_out_and_said():
    volumes = list(screened().experiments["ruggedness"].table["volume"])
    volumes[4] = "0.5 mL"
    evaluation = ruggedness.evaluate(screened(volume=volumes))
    assert evaluation.get("ruggedness.effect", "volume").n == 15
    assert any('Reading T-005 is left out: its volume reads "0.5 mL"' in note for note in evaluation.notes)


def test_censored_reading_is_counted():
    results = [f"{value:.3f}" for value in screened().experiments["ruggedness"].table["result"]]
    results[2] = "<0.1"
    q = ruggedness.evaluate(screened(result=results)).get("ruggedness.relative_effect", "pad")
    assert (q.censored, q.n) == (1, 15)
    assert any("1 censored reading was left out." in note for note in q.notes)


@pytest.mark.parametrize(
    ("settings", "drop", "message"),
    [
        ({}, (), "names no factors"),
        ({"factors": {**FACTORS, "purge": {"low": "30 s", "high": "60 s"}}}, (), "lacks the column purge"),
        ({"factors": {"volume": {"low": "1 mL", "high": "2 mL"}}}, (), "Fewer than two readings"),
    ],
)
def test_what_is_missing_is_said(settings, drop, message):
    matrix = fractional_factorial(3).matrix
    study = small_study("ruggedness", columns(matrix, ["4.1"] * 16), settings=settings)
    assert message in ruggedness.evaluate(study).missing
    assert ruggedness.alternatives(study) == {}


def test_no_readings_and_no_plan_are_said():
    empty = {name: [] for name in ("trial", *FACTORS, "result")}
    study = small_study("ruggedness", empty, settings={"factors": FACTORS})
    assert "awaiting readings" in ruggedness.evaluate(study).missing
    other = small_study("precision", {"level": [1], "run": ["a"], "result": ["1"]})
    assert "has no ruggedness experiment" in ruggedness.evaluate(other).missing


def test_results_about_zero_have_no_relative_effect():
    values = ["0.01", "-0.01", "0.02", "-0.02", "0.00", "0.01", "-0.01", "0.00"] * 2
    values[0] = "0.03"
    evaluation = ruggedness.evaluate(
        small_study("ruggedness", columns(fractional_factorial(3).matrix, values), settings={"factors": FACTORS})
    )
    assert evaluation.get("ruggedness.relative_effect", "volume") is None
    assert any("not clear of zero" in note for note in evaluation.notes)
    assert evaluation.get("ruggedness.effect", "volume") is not None
    assert ruggedness.in_words(evaluation, "%")


def test_judged_quantities_need_no_display():
    def never():
        raise AssertionError("shown")

    evaluation = replace(ruggedness.evaluate(screened()), show=never)
    keys = {q.key.partition(".")[2] for q in evaluation.judged}
    assert keys == {"effect", "relative_effect", "residual_sd", "pseudo_standard_error"}
    for q in evaluation.judged:
        assert type(q).from_dict(json.loads(json.dumps(q.to_dict(), allow_nan=False))) == q


# The demonstration -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demonstration():
    """The sheet of the demonstration, and its truth."""
    folder = ROOT / "demo_data"
    truth = yaml.safe_load((folder / "truth.yaml").read_text(encoding="utf-8"))
    names = ("laboratory", "sheets", "sheets.ruggedness")
    before = {name: sys.modules.get(name) for name in names}
    sys.path.insert(0, str(folder))
    try:
        laboratory = importlib.import_module("laboratory")
        sheet = importlib.import_module("sheets.ruggedness")
    finally:
        sys.path.remove(str(folder))
        for name, module in before.items():
            if module is not None:
                sys.modules[name] = module
    return lambda seed: sheet.rows(laboratory.Laboratory(truth, seed), truth["designs"]["ruggedness"]), truth


def drawn(rows, design):
    settings = [[1 if row[name] == pair["high"] else -1 for name, pair in design["factors"].items()] for row in rows]
    results, runs = [Decimal(row["result"]) for row in rows], [row["run"] for row in rows]
    return effects(results, settings, blocks=runs)


def test_shipped_seed_shows_the_planted_features(demonstration):
    # truth.yaml, designs.ruggedness: temperature +6 %, equilibration 4 %, volume 0.4 %; limit 3 %.
    rows, truth = demonstration
    design = truth["designs"]["ruggedness"]
    found = drawn(rows(truth["seed"]["sheets"]["ruggedness"]), design)
    share = dict(zip(design["factors"], found.relative, strict=True))
    assert max(share, key=lambda name: abs(share[name].value)) == "temperature"
    assert share["temperature"].interval(0.9)[0] > 0.03
    low, high = share["volume"].interval(0.9)
    assert -0.03 < low < high < 0.03
    assert share["equilibration"].interval(0.9)[1] > 0.03
    for name, factor in design["factors"].items():
        low, high = share[name].interval(0.9)
        assert low <= factor["effect"] <= high


@sizes("sheets", 40, 150)
def test_intervals_hold_the_truth_at_the_stated_rate(demonstration, sheets):
    # Binomial bounds: of 7 intervals a sheet at 90 %, each factor within 3.5 standard errors of its number, all within
    # 3.5 of the whole (the effects of one sheet share their scatter, so the whole is held to a sheet's own number).
    rows, truth = demonstration
    design = truth["designs"]["ruggedness"]
    effect = [factor["effect"] for factor in design["factors"].values()]
    held = np.zeros(7)
    for seed in range(sheets):
        found = drawn(rows(seed), design)
        intervals = [estimate.interval(0.9) for estimate in found.relative]
        held += [low <= true <= high for (low, high), true in zip(intervals, effect, strict=True)]
    error = np.sqrt(sheets * 0.9 * 0.1)
    assert np.all(np.abs(held - 0.9 * sheets) < 3.5 * error)
    assert abs(held.mean() - 0.9 * sheets) < 2.5 * error
