"""The one-way random model against certified values, textbooks and an independent REML."""

from __future__ import annotations

import warnings
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from scipy.stats import chi2
from scipy.stats import f as f_distribution

from validation.stats.intervals import (
    between_component_interval,
    satterthwaite,
    sd_interval,
    sum_of_mean_squares_interval,
)
from validation.stats.mean_squares import reml_between
from validation.stats.one_way import one_way

REFERENCE = Path(__file__).parent / "reference"
NIST = sorted((REFERENCE / "nist_anova").glob("*.dat"))


def half_a_unit(printed: str) -> float:
    """Half a unit of the last digit that the source prints."""
    return float(Decimal(1).scaleb(Decimal(printed).as_tuple().exponent)) / 2


def published(name: str) -> dict:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def nist_set(path: Path) -> tuple[list[list[Decimal]], list[list[float]]]:
    """Groups as the decimals that are printed, and the two certified lines [df, SS, MS, F] and [df, SS, MS]."""
    lines = path.read_text(encoding="ascii").splitlines()
    certified = [
        [float(word) for word in line.split()[2:]] for line in lines[40:47] if line[:7] in ("Between", "Within ")
    ]
    groups: dict[str, list[Decimal]] = {}
    for line in lines[60:]:
        words = line.split()
        if len(words) == 2:
            groups.setdefault(words[0], []).append(Decimal(words[1]))
    return list(groups.values()), certified


@pytest.mark.parametrize("path", NIST, ids=lambda path: path.stem)
def test_mean_squares_match_nist_strd(path):
    # NIST StRD, Analysis of Variance, certified values (lines 41 to 47 of each file), printed to 15 digits.
    groups, (between, within) = nist_set(path)
    result = one_way(groups)
    assert (result.df_between, result.df_within) == (between[0], within[0])
    assert result.ms_between == pytest.approx(between[2], rel=1e-13)
    assert result.ms_within == pytest.approx(within[2], rel=1e-13)
    assert abs(result.F - between[3]) <= 1e-13 * between[3]


def test_all_eleven_nist_sets_are_here():
    assert len(NIST) == 11


def test_components_match_dyestuff():
    # Davies and Goldsmith 1972; REML fit as documented for lme4; analysis of variance in Box and Tiao 1973.
    example = published("prc-dyestuff")
    printed, result = example["expected"], one_way(example["data"]["batches"])
    found = {
        "mean": result.general_mean,
        "s_between_REML": result.s_between.value,
        "s_within_REML": result.s_within.value,
        "ms_between": result.ms_between,
        "ms_within": result.ms_within,
        "var_between": result.s_between.value**2,
        "F": result.F,
        "p": result.p,
    }
    for name, value in found.items():
        assert value == pytest.approx(float(printed[name]), abs=half_a_unit(printed[name])), name


def test_components_match_rail():
    # Pinheiro and Bates 2000, section 1.1.
    example = published("prc-rail")
    printed, result = example["expected"], one_way(example["data"]["rails"])
    found = {
        "mean": result.general_mean,
        "s_between": result.s_between.value,
        "s_within": result.s_within.value,
        "var_between": result.s_between.value**2,
        "var_within": result.s_within.value**2,
    }
    for name, value in found.items():
        assert value == pytest.approx(float(printed[name]), abs=half_a_unit(printed[name])), name


def test_components_match_usp_1010():
    # USP <1010>, Appendix B, Tables 1 and 2. The printed F, 34.80, is the ratio of rounded mean squares.
    example = published("prc-usp1010-runs")
    printed, result = example["expected"], one_way(example["data"]["runs"])
    found = {
        "ms_between": result.ms_between,
        "ms_within": result.ms_within,
        "grand_mean": result.general_mean,
        "runs1_reps1_var_mean": result.s_total.value**2,
        **{f"mean_run{i + 1}": mean for i, mean in enumerate(result.group_means)},
    }
    for name, value in found.items():
        assert value == pytest.approx(float(printed[name]), abs=half_a_unit(printed[name])), name
    assert abs(result.F - 3.550 / 0.102) < 0.01 * 34.80


UNBALANCED = {
    "mild": [[10.1, 10.4, 10.2], [11.0, 11.3], [9.2, 9.5, 9.9, 9.1], [10.8], [10.0, 10.6, 10.3]],
    "weak component": [[4.9, 5.6, 5.1, 4.4], [5.6, 5.2], [6.1, 5.4, 5.9], [4.8, 5.7], [5.4, 6.2, 5.3, 5.5, 5.8]],
    "strong component": [[1.0, 1.1], [5.0], [9.3, 9.2, 9.1, 9.4], [3.3, 3.0, 3.1], [7.0, 7.4]],
}


@pytest.mark.parametrize("groups", UNBALANCED.values(), ids=UNBALANCED)
def test_unbalanced_reml_matches_an_independent_mixed_model(groups):
    # statsmodels MixedLM, REML; its optimiser stops near the optimum, hence 1e-6. Whether it calls that converged
    # hangs on the last digit of the processor's linear algebra, so the slope of the likelihood is looked at instead.
    from statsmodels.regression.mixed_linear_model import MixedLM

    values = np.concatenate(groups)
    labels = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = MixedLM(values, np.ones_like(values), groups=labels).fit(reml=True, method="bfgs", gtol=1e-8)
    assert np.abs(fit.model.score(fit.params_object)).max() < 1e-6
    assert one_way(groups).s_between.value == pytest.approx(float(np.sqrt(fit.cov_re[0, 0])), rel=1e-6)


def test_profile_search_agrees_with_the_closed_form_where_counts_are_all_but_equal():
    # Algebra: equal counts give var(means) - MSW/n; counts that differ by 1e-9 take the search and must agree.
    means = np.array([[1.0, 2.0, 4.0]])
    near, truncated = reml_between(means, np.array([4.0, 4.0, 4.0 + 1e-9]), np.array([1.8]))
    assert near == pytest.approx([7 / 3 - 0.2 / 4], rel=1e-8)
    assert not truncated.any()


def test_zero_is_returned_where_the_full_likelihood_falls_from_zero():
    # The restricted likelihood written out with the full covariance matrix (Searle et al. 1992) at ratios 0 and up.
    groups = [[5.0, 5.9, 5.3, 4.4], [5.6, 5.2], [6.1, 5.4, 5.9], [4.8, 5.9], [5.1, 6.2, 5.0, 5.5, 5.8]]
    values, labels = np.concatenate(groups), np.repeat(np.arange(5), [len(g) for g in groups])

    def deviance(ratio: float) -> float:
        covariance = np.eye(values.size) + ratio * (labels[:, None] == labels[None, :])
        inverse = np.linalg.inv(covariance)
        weight = inverse.sum()
        residual = values - (inverse @ values).sum() / weight
        quadratic = residual @ inverse @ residual
        return (values.size - 1) * np.log(quadratic) + np.linalg.slogdet(covariance)[1] + np.log(weight)

    assert all(deviance(ratio) > deviance(0.0) for ratio in (1e-4, 1e-3, 0.01, 0.1, 1.0, 10.0))
    assert one_way(groups).s_between.value == 0


def test_negative_component_is_zero_and_said():
    result = one_way([[1.0, 3.0], [3.0, 1.0], [2.1, 2.0]])
    assert result.s_between.value == 0
    assert result.s_between.interval(0.95)[0] == 0
    assert result.s_total.value == result.s_within.value
    assert any("not positive" in note for note in result.s_between.notes)
    unequal = one_way([[1.0, 3.0], [3.0, 1.0, 2.0], [2.1, 2.0]])
    assert unequal.s_between.value == 0
    assert unequal.s_total.value == unequal.s_within.value


def test_chi_square_interval_matches_a_handbook_table():
    # Chi-square table: 2.5 % and 97.5 % points at 6 df are 1.237 and 14.449 (any statistical table).
    low, high = sd_interval(1.0, 6, 0.95)
    assert low == pytest.approx(np.sqrt(6 / 14.449), abs=2e-5)
    assert high == pytest.approx(np.sqrt(6 / 1.237), abs=5e-4)


def test_graybill_wang_reduces_to_the_chi_square_interval_for_one_mean_square():
    # Open library: chi-square of scipy.stats.
    # Algebra: with a single mean square the modified-large-sample interval is exact.
    low, high = sum_of_mean_squares_interval([1.0], [4.0], [9], confidence=0.95)
    assert (low, high) == pytest.approx((9 * 4 / chi2.ppf(0.975, 9), 9 * 4 / chi2.ppf(0.025, 9)), rel=1e-12)


def test_ting_interval_touches_zero_where_F_meets_its_critical_value():
    # Ting et al. 1990: the lower limit is zero exactly where the F test of no component has p = alpha/2.
    from scipy.stats import f

    for df1, df2 in ((5, 24), (7, 16), (3, 100)):
        critical = float(f.ppf(0.975, df1, df2))
        assert between_component_interval(critical * 1.0001, 1.0, df1, df2, 3, confidence=0.95)[0] > 0
        assert between_component_interval(critical * 0.9999, 1.0, df1, df2, 3, confidence=0.95)[0] == 0
        lowest = float(f.ppf(0.025, df1, df2))
        assert between_component_interval(lowest * 1.001, 1.0, df1, df2, 3, confidence=0.95)[1] > 0
        assert between_component_interval(lowest * 0.999, 1.0, df1, df2, 3, confidence=0.95)[1] == 0


@sizes("draws", 400, 1500)
@pytest.mark.parametrize("ratio", [0.2, 1.0, 4.0])
def test_modified_large_sample_intervals_keep_their_coverage(ratio, draws):
    # Burdick and Graybill 1992: coverage at or a little above the nominal level. Standard error of 1500 draws 0.6 %,
    # of 400 draws 1.1 %.
    rng = np.random.default_rng(20260701)
    runs, n = 8, 3
    expected_between = 1 + n * ratio
    msb = expected_between * rng.chisquare(runs - 1, draws) / (runs - 1)
    msw = rng.chisquare(runs * (n - 1), draws) / (runs * (n - 1))
    dfs = (runs - 1, runs * (n - 1))
    inside_total = inside_between = 0
    for b, w in zip(msb, msw, strict=True):
        low, high = sum_of_mean_squares_interval((1 / n, 1 - 1 / n), (b, w), dfs, confidence=0.95)
        inside_total += low <= ratio + 1 <= high
        low, high = between_component_interval(b, w, *dfs, n, confidence=0.95)
        inside_between += low <= ratio <= high
    least, most = (0.935, 0.985) if draws == 1500 else (0.92, 0.995)
    assert least <= inside_total / draws <= most
    assert least <= inside_between / draws <= most


def test_satterthwaite_matches_ep05():
    # CLSI EP05, appendix, glucose (recalled; its printed values reproduce): 64.8 degrees of freedom from the mean
    # squares of day, run and error with weights 1/4, 1/4 and 1/2.
    example = published("prc-ep05-glucose")
    days = np.array(example["data"]["day_run_replicate"])
    msd = 4 * days.mean(axis=(1, 2)).var(ddof=1)
    msr = 2 * days.mean(axis=2).var(axis=1, ddof=1).mean()
    mse = days.var(axis=2, ddof=1).mean()
    printed = example["expected"]["df_within_laboratory"]
    df = satterthwaite((0.25, 0.25, 0.5), (msd, msr, mse), (19, 20, 40))
    assert df == pytest.approx(float(printed), abs=half_a_unit(printed))


def test_large_constant_part_is_harmless():
    small = one_way([[Decimal("0.1"), Decimal("0.3")], [Decimal("0.2"), Decimal("0.5"), Decimal("0.4")]])
    big = [[Decimal("425000000.1"), Decimal("425000000.3")], [Decimal(f"425000000.{d}") for d in (2, 5, 4)]]
    large = one_way(big)
    assert large.s_within.value == pytest.approx(small.s_within.value, rel=1e-13)
    assert large.ms_between == pytest.approx(small.ms_between, rel=1e-13)


def test_change_of_unit_and_order_change_nothing_else():
    groups = UNBALANCED["mild"]
    plain, scaled = one_way(groups), one_way([[1000 * v for v in g] for g in reversed(groups)])
    assert scaled.s_between.value == pytest.approx(1000 * plain.s_between.value, rel=1e-9)
    assert scaled.s_total.interval(0.95) == pytest.approx([1000 * e for e in plain.s_total.interval(0.95)], rel=1e-9)


def test_one_group_has_no_component_between():
    result = one_way([[1.0, 2.0, 3.0]])
    assert result.s_between is None
    assert result.s_total is None
    assert result.s_within.value == pytest.approx(1.0)


def test_single_readings_give_the_total_only():
    result = one_way([[1.0], [2.0], [3.0]])
    assert result.s_within is None
    assert result.s_between is None
    assert result.s_total.value == pytest.approx(1.0)
    assert result.s_total.degrees_of_freedom == 2


def test_zero_variance_gives_zeros_and_no_bound():
    # A bound of zero would meet any limit, and only because the readings were rounded.
    result = one_way([[2.0, 2.0], [2.0, 2.0]])
    assert result.F is None
    for estimate in (result.s_within, result.s_between, result.s_total):
        assert estimate.value == 0
        assert estimate.interval(0.95) is None
        assert "no bound can be claimed" in estimate.notes[0]
    single = one_way([[2.0], [2.0], [2.0]]).s_total
    assert (single.value, single.interval(0.95)) == (0, None)
    assert "no bound can be claimed" in single.notes[0]


def test_scatter_hidden_within_the_groups_is_said():
    result = one_way([[2.0, 2.0], [2.1, 2.1], [2.3, 2.3]])
    assert result.s_within.interval(0.95) is None
    # Only the group means scatter: chi-square interval of their standard deviation.
    low, high = sd_interval(np.std([2.0, 2.1, 2.3], ddof=1), 2, 0.95)
    assert result.s_between.interval(0.95) == pytest.approx((low, high), rel=1e-9)
    assert "hidden by the rounding" in result.s_between.notes[0]
    assert "hidden by the rounding" in result.s_total.notes[0]


def test_upper_ends_do_not_shrink_where_the_means_agree_too_well():
    # Group means all but equal against a scatter of 1 within: F far below its lower quantile.
    lucky = one_way([[1.0, 3.0], [3.0, 1.01], [1.02, 3.0]])
    assert lucky.F < 0.025
    # Own choice: held at the lower 5 % point of F, where the published upper end is above zero.
    floor = lucky.ms_within * f_distribution.ppf(0.05, 2, 3)
    usual = between_component_interval(floor, lucky.ms_within, 2, 3, 2, confidence=0.95)
    assert lucky.s_between.interval(0.95) == (0.0, pytest.approx(np.sqrt(usual[1]), rel=1e-12))
    assert usual[1] > 0
    assert any("agree better" in note for note in lucky.s_between.notes)
    # The total is never bounded below what the scatter within alone, at the same spread of the means, would allow.
    w = lucky.ms_within
    bound = sum_of_mean_squares_interval((0.5, 0.5), (w, w), (2, 3), confidence=0.95)[1]
    assert lucky.s_total.interval(0.95)[1] == pytest.approx(np.sqrt(bound), rel=1e-12)
    assert lucky.s_total.interval(0.95)[1] > lucky.s_total.value
    # Above F = 1 nothing changes.
    clear = one_way([[1.0, 1.2], [3.0, 3.3], [5.0, 5.1]])
    plain = between_component_interval(clear.ms_between, clear.ms_within, 2, 3, 2, confidence=0.95)
    assert clear.s_between.interval(0.95) == pytest.approx(np.sqrt(plain), rel=1e-12)
    assert not any("agree better" in note for note in clear.s_between.notes)


@pytest.mark.parametrize(
    ("groups", "message"),
    [([], "at least one group"), ([[1.0], []], "at least one reading"), ([[1.0, float("nan")]], "finite")],
    ids=["none", "empty", "nan"],
)
def test_unusable_input_is_refused(groups, message):
    with pytest.raises(ValueError, match=message):
        one_way(groups)


def test_a_level_outside_zero_and_one_is_refused():
    result = one_way([[1.0, 2.0], [1.5, 2.6]])
    for estimate in (result.s_within, result.s_between, result.s_total):
        with pytest.raises(ValueError, match="confidence must lie between 0 and 1; got 95"):
            estimate.interval(95)
