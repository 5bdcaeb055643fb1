"""Outlier tests against printed tables, a handbook example, and plain simulation."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes

from validation.stats import outliers

REFERENCE = Path(__file__).parent / "reference"


def example(name: str) -> dict:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def half_unit(printed: str) -> float:
    return 0.5000001 * 10.0 ** -len(printed.partition(".")[2])


def table(name: str) -> list:
    """(printed key, printed value) without the cells that the file marks as misprinted or rounded otherwise."""
    content = example(name)
    skipped = content.get("discrepancies", {})
    return [pytest.param(k, v, id=k) for k, v in content["expected"].items() if k not in skipped]


@pytest.mark.parametrize(("key", "printed"), table("tab-cochran-5pc"))
def test_cochran_critical_matches_the_5_per_cent_table(key, printed):
    # ISO 5725-2:1994, Table 4, 5 % (read from a public table of the same values).
    p, n = map(int, re.fullmatch(r"p(\d+)_n(\d+)", key).groups())
    assert outliers.cochran_critical(p, n, 0.05) == pytest.approx(float(printed), abs=half_unit(printed))


@pytest.mark.parametrize(("key", "printed"), table("tab-cochran-1pc"))
def test_cochran_critical_matches_the_1_per_cent_table(key, printed):
    # ISO 5725-2:1994, Table 4, 1 % (from memory; the cells that do not reproduce are left out).
    p, n = map(int, re.fullmatch(r"p(\d+)_n(\d+)", key).groups())
    assert outliers.cochran_critical(p, n, 0.01) == pytest.approx(float(printed), abs=half_unit(printed))


@pytest.mark.parametrize(("key", "printed"), table("tab-grubbs-two-sided"))
def test_grubbs_single_critical_matches_the_two_sided_table(key, printed):
    # LibreTexts Analytical Chemistry, Appendix 7; the same as ISO 5725-2:1994, Table 5. Misprints are left out.
    n, percent = map(int, re.fullmatch(r"n(\d+)_(\d+)", key).groups())
    assert outliers.grubbs_single_critical(n, percent / 100) == pytest.approx(float(printed), abs=half_unit(printed))


def test_grubbs_single_matches_the_handbook_example():
    # NIST/SEMATECH e-Handbook, 1.3.5.17.1. It prints the one-sided 5 % value: our two-sided one at 10 %.
    content = example("tab-grubbs-example")
    found = outliers.grubbs_single(content["data"]["x"], alpha=0.10)
    assert found.statistic == pytest.approx(float(content["expected"]["G"]), abs=half_unit("2.468765"))
    assert found.critical == pytest.approx(float(content["expected"]["crit_one_sided_5"]), abs=half_unit("2.031652"))
    assert found.exceeded
    assert found.index == 7


@pytest.mark.parametrize(("key", "printed"), list(example("tab-grubbs-double")["expected"].items()))
def test_grubbs_double_critical_matches_iso_5725_2_table_5(key, printed):
    # ISO 5725-2:1994, Table 5 (from memory). p = 10 at 5 %: the integral gives 0.186452, printed 0.1864, so that the
    # tolerance is half a unit and 0.00001 for the printed table's own last digit.
    p, percent = map(int, re.fullmatch(r"p(\d+)_(\d+)", key).groups())
    critical = outliers.grubbs_double_critical(p, percent / 100)
    assert critical == pytest.approx(float(printed), abs=half_unit(printed) + 1e-5)


@sizes("samples", 20_000, 200_000)
@pytest.mark.parametrize("n", [4, 5, 7, 12, 25])
def test_grubbs_double_critical_is_the_tail_of_plain_simulation(n, samples):
    # Independent of any formula: the share of samples below the 5 % column's value must be 2.5 % +- 4 sigma.
    x = np.sort(np.random.default_rng(20260401).normal(size=(samples, n)), axis=1)
    rest = x[:, :-2]
    ratio = rest.var(axis=1) * (n - 2) / (x.var(axis=1) * n)
    share = float((ratio < outliers.grubbs_double_critical(n, 0.05)).mean())
    assert share == pytest.approx(0.025, abs=4 * np.sqrt(0.025 * 0.975 / samples))


def test_grubbs_double_finds_the_pair_and_its_side():
    low = outliers.grubbs_double([10.0, 10.1, 9.9, 10.05, 9.95, 10.02, 7.0, 7.1])
    assert low.exceeded
    assert low.indices == (6, 7)
    quiet = outliers.grubbs_double([10.0, 10.1, 9.9, 10.05, 9.95, 10.02, 10.06, 9.97])
    assert not quiet.exceeded


def test_mandel_critical_values_match_the_tables():
    # ISO 5725-2:1994, Tables 6 and 7 (5 % and 1 %); ASTM E691, Table 5 (0.5 %); from memory, all reproduce.
    printed = example("tab-mandel-hk")["expected"]
    cases = {
        "h_p8_1": outliers.mandel_h(range(8), alpha=0.01).critical,
        "h_p8_5": outliers.mandel_h(range(8), alpha=0.05).critical,
        "k_p8_n3_1": outliers.mandel_k(range(8), 3, alpha=0.01).critical,
        "k_p8_n3_5": outliers.mandel_k(range(8), 3, alpha=0.05).critical,
        "h_E691_p8": outliers.mandel_h(range(8), alpha=0.005).critical,
        "k_E691_p8_n3": outliers.mandel_k(range(8), 3, alpha=0.005).critical,
        "h_E691_p6": outliers.mandel_h(range(6), alpha=0.005).critical,
        "k_E691_p6_n3": outliers.mandel_k(range(6), 3, alpha=0.005).critical,
    }
    assert cases.keys() == printed.keys()
    for key, value in cases.items():
        assert value == pytest.approx(float(printed[key]), abs=half_unit(printed[key])), key


def test_mandel_k_finds_the_clerical_error_of_e691():
    # ASTM E691, glucose, material C with 148.30 left in: k of laboratory 4 is 2.41, beyond 2.06 (0.5 %).
    rows = [list(row) for row in example("prc-e691-glucose")["data"]["material_3"]]
    rows[3][1] = 148.30
    k = outliers.mandel_k([np.std(row, ddof=1) for row in rows], 3, alpha=0.005)
    assert k.statistics[3] == pytest.approx(2.41, abs=0.005)
    assert k.exceeding == (3,)


@sizes("sets", 500, 4000)
def test_unequal_counts_give_each_laboratory_the_share_of_its_own_freedom(sets):
    # Plain simulation, common practice, no source: with unequal n each laboratory exceeds its value 5 times in 100.
    counts = np.array([2, 4, 4, 6])
    generator = np.random.default_rng(7)
    sds = np.sqrt(generator.chisquare(counts - 1, size=(sets, 4)) / (counts - 1))
    beyond = np.zeros(4)
    critical = np.array(outliers.mandel_k([1.0] * 4, counts.tolist(), alpha=0.05).criticals)
    for row in sds:
        beyond += np.array(outliers.mandel_k(row, counts.tolist(), alpha=0.05).statistics) > critical
    assert beyond / sets == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / sets))


def test_small_differences_of_large_readings_are_kept():
    small = [Fraction(k, 10) for k in (1, 2, 3, 4, 30)]
    large = [10**12 + value for value in small]
    assert outliers.grubbs_single(large).statistic == pytest.approx(outliers.grubbs_single(small).statistic, rel=1e-12)


def test_equal_values_point_at_nothing():
    assert not outliers.grubbs_single([1.0] * 5).exceeded
    assert not outliers.grubbs_double([1.0] * 5).exceeded
    assert not outliers.cochran([0.0] * 3, 2).exceeded
    assert not outliers.mandel_h([1.0] * 4).exceeded
    assert not outliers.mandel_k([0.0] * 4, 2).exceeded


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: outliers.grubbs_single([1.0, 2.0]), "n >= 3 values; got 2"),
        (lambda: outliers.grubbs_double([1.0, 2.0, 3.0]), "n >= 4 values; got 3"),
        (lambda: outliers.cochran([1.0], 3), "p >= 2 variances"),
        (lambda: outliers.cochran([1.0, -1.0], 3), "not negative"),
        (lambda: outliers.mandel_h([1.0, 2.0]), "p >= 3 laboratories; got 2"),
        (lambda: outliers.mandel_k([1.0, 2.0], 1), "n >= 2 readings"),
        (lambda: outliers.grubbs_single([1.0, 2.0, 3.0], alpha=1.5), "alpha must lie"),
    ],
)
def test_what_no_test_can_use_is_refused(call, match):
    with pytest.raises(ValueError, match=match):
        call()
