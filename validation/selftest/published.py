"""Published worked examples, computed again by this program and compared with what their sources print.

Each example is one file of the folder `reference`. A function here turns its data into values by the name that the
file gives to the printed value; the comparison itself is the same for all.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from scipy import stats

from validation.selftest.checks import FROM_MEMORY, Check, NotCompared, half_a_unit
from validation.selftest.computed import Computed, Data
from validation.selftest.published_uncertainty import UNCERTAINTY
from validation.stats import (
    agreement,
    comparison,
    decision,
    deming,
    detection,
    intervals,
    outliers,
    paired_differences,
    recovery,
    regression,
    ruggedness,
    stability,
    two_means,
    york,
)
from validation.stats.accuracy import tolerance_limits
from validation.stats.content import SingleResults
from validation.stats.estimate import Estimate, mean
from validation.stats.one_way import one_way
from validation.stats.precision import precision
from validation.stats.reproducibility import nested_reproducibility, reproducibility
from validation.stats.robust import algorithm_a
from validation.stats.straightness import lack_of_fit, mandel
from validation.stats.trueness import bias
from validation.stats.two_level_designs import fractional_factorial

#: A value recomputed elsewhere with ten digits is compared to eight of them.
_RECOMPUTED = 1e-8


def _rounded(value: float, printed: str) -> float:
    """The value rounded to the digits of a printed one, as a source rounds its intermediate steps."""
    return float(f"{value:.{len(printed.partition('.')[2])}f}")


# Calibration -----------------------------------------------------------------------------------------------------


def line_values(fit: regression.PolynomialResult) -> dict[str, float]:
    """A fitted line by the names that certified values and examples go by."""
    errors, explained = fit.standard_errors, fit.total_sum - fit.residual_sum
    return {
        "intercept": fit.intercept,
        "slope": fit.slope,
        "se_intercept": float(errors[0]),
        "se_slope": float(errors[1 - fit.first_power]),
        "residual_sd": fit.residual_sd,
        "r_squared": 1 - fit.residual_sum / fit.total_sum,
        "ss_regression": explained,
        "ss_residual": fit.residual_sum,
        "F": explained / (len(fit.coefficients) - 1 + fit.first_power) / (fit.residual_sum / fit.degrees_of_freedom),
    }


def _gum_h3(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    fit = regression.straight_line([t - data["t0"] for t in data["t"]], data["b"])
    errors, at = fit.standard_errors, data["t_pred"] - data["t0"]
    values = {
        "y1": fit.intercept,
        "y2": fit.slope,
        "u_y1": float(errors[0]),
        "u_y2": float(errors[1]),
        "r": float(fit.covariance[0, 1] / errors[0] / errors[1]),
        "s": fit.residual_sd,
        "b_30": fit.predict(at),
        "u_b_30": fit.standard_error_at(at),
    }
    return [Computed("regression.straight_line", values)]


def _hplc(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    fit = regression.straight_line(data["x"], data["y"])
    line, errors = line_values(fit), fit.standard_errors
    ends = [fit.coefficient(power).interval(0.95) or (np.nan, np.nan) for power in (0, 1)]
    values = line | {
        "t_intercept": fit.intercept / float(errors[0]),
        "t_slope": fit.slope / float(errors[1]),
        "residual_variance": fit.residual_sd**2,
        "var_b0": float(fit.covariance[0, 0]),
        "var_b1": float(fit.covariance[1, 1]),
        "b0_low": ends[0][0],
        "b0_high": ends[0][1],
        "b1_low": ends[1][0],
        "b1_high": ends[1][1],
        "x_at_22": fit.read_back(data["y0"]),
    }
    low = ("-0.4563290459", 5e-9, "compared with an independent recomputation; the book takes t = 2.16")
    return [Computed("regression.straight_line", values, held_to={"b0_low": low})]


def _known_weights(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    fit = regression.straight_line(data["x"], data["y"], weights=[1 / u**2 for u in data["u_y"]])
    covariance = fit.unscaled_covariance
    values = {
        "a": fit.intercept,
        "b": fit.slope,
        "u_a": sqrt(covariance[0, 0]),
        "u_b": sqrt(covariance[1, 1]),
        "cov_ab": float(covariance[0, 1]),
        "chi2": fit.residual_sum,
    }
    return [Computed("regression.straight_line, weights 1/u^2", values)]


def _nitrite(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    fit, bend = regression.straight_line(data["x"], data["y"]), regression.quadratic(data["x"], data["y"])
    test = mandel(data["x"], data["y"])
    values = {
        "a": fit.intercept,
        "b": fit.slope,
        "s_y": fit.residual_sd,
        "s_x0": fit.residual_sd / fit.slope,
        "V_x0_percent": 100 * fit.residual_sd / fit.slope / fit.x_mean,
    }
    extra = {"rss_linear": fit.residual_sum, "rss_quadratic": bend.residual_sum, "mandel_PG": _number(test.statistic)}
    return [Computed("regression.straight_line, straightness.mandel", values, extra=extra)]


def _line_width(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    fit = regression.straight_line(data["x"], data["y"])
    levels = np.unique(data["x"], return_inverse=True)[1]
    test = lack_of_fit(data["x"], data["y"], levels)
    pure = one_way([[y for y, at in zip(data["y"], levels, strict=True) if at == level] for level in range(10)])
    extra = {
        "rss": fit.residual_sum,
        "pure_error_ss": _number(pure.ms_within) * pure.df_within,
        "F_lack_of_fit": _number(test.statistic),
        "p": _number(test.p),
    }
    return [Computed("regression.straight_line, straightness.lack_of_fit", line_values(fit), extra=extra)]


def _nitrate(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    peaks = np.array(data["peaks"], dtype=float)
    x, y = list(np.repeat(data["x_levels"], 3)), list(peaks.ravel())
    weights = np.repeat(1 / peaks.var(axis=1, ddof=1), 3)
    fit = regression.polynomial(x, y, 3, weights=weights)
    bare = regression.polynomial(x, y, 3, through_zero=True, weights=weights)
    names = ("constant", "x", "x2", "x3")
    values = {name: float(fit.coefficients[power]) for power, name in enumerate(names)}
    values |= {f"se_{name}": float(fit.standard_errors[power]) for power, name in enumerate(names)}
    values |= {f"{name}_no_constant": float(bare.coefficients[power]) for power, name in enumerate(names[1:])}
    values["t_x"] = values["x"] / values["se_x"]
    return [Computed("regression.polynomial, third degree, weights 1/s^2", values)]


# Precision -------------------------------------------------------------------------------------------------------


def _dyestuff(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    result = one_way(data["batches"])
    s_between, s_within = _value(result.s_between), _value(result.s_within)
    values = {
        "mean": result.general_mean,
        "s_between_REML": s_between,
        "s_within_REML": s_within,
        "ms_between": _number(result.ms_between),
        "ms_within": _number(result.ms_within),
        "var_between": s_between**2,
        "F": _number(result.F),
        "p": _number(result.p),
    }
    return [Computed("one_way.one_way", values)]


def _rail(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    plain = one_way(data["rails"])
    nested = precision([[[value] for value in rail] for rail in data["rails"]])
    routes = {
        "one_way.one_way": (plain.general_mean, plain.s_between, plain.s_within),
        "precision.precision": (nested.between.general_mean, nested.s_run, nested.s_r),
    }
    return [
        Computed(
            route,
            {
                "mean": mean,
                "s_between": _value(between),
                "s_within": _value(within),
                "var_between": _value(between) ** 2,
                "var_within": _value(within) ** 2,
            },
        )
        for route, (mean, between, within) in routes.items()
    ]


def _robust(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    plain, robust = one_way([data["values"]]), algorithm_a(data["values"])
    values = {"mean": plain.general_mean, "sd": _value(plain.s_within)}
    return [
        Computed("one_way.one_way, one group", values),
        Computed("robust.algorithm_a", {"algA_location": robust.mean, "algA_scale": robust.sd}),
    ]


def _usp_runs(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    result = one_way(data["runs"])
    between, within = _number(result.ms_between), _number(result.ms_within)
    ss = {"ss_between": between * result.df_between, "ss_within": within * result.df_within}
    values = ss | {"ss_total": sum(ss.values()), "ms_between": between, "ms_within": within}
    values["grand_mean"] = result.general_mean
    # The source divides its printed mean squares by one another.
    values["F"] = _rounded(between, printed["ms_between"]) / _rounded(within, printed["ms_within"])
    for i, run in enumerate(data["runs"], start=1):
        values[f"mean_run{i}"] = result.group_means[i - 1]
        values[f"sd_run{i}"] = _value(one_way([run]).s_within)
    for runs, replicates in ((1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)):
        variance = _value(result.s_between) ** 2 / runs + _value(result.s_within) ** 2 / (runs * replicates)
        values[f"runs{runs}_reps{replicates}_var_mean"] = variance
        values[f"runs{runs}_reps{replicates}_sd_mean"] = sqrt(variance)
    how = {"F": "formed as the source does, from the mean squares rounded as printed"}
    return [Computed("one_way.one_way; variance of a mean from its components", values, how)]


def _ep05(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    result = precision(data["day_run_replicate"])
    s_reading, s_preparation = _number(result.s_reading), _number(result.s_preparation)
    values = {
        "mean": result.between.general_mean,
        "s_repeatability": s_reading,
        "s_within_laboratory": _value(result.s_I),
        "df_within_laboratory": _number(None if result.s_I is None else result.s_I.degrees_of_freedom),
    }
    extra = {
        "ms_day": 2 * _number(result.between.ms_between),
        "ms_run": 2 * _number(result.between.ms_within),
        "ms_error": s_reading**2,
        "var_run": s_preparation**2,
        "var_day": _value(result.s_run) ** 2,
        "satterthwaite_df": values["df_within_laboratory"],
    }
    return [Computed("precision.precision, days as runs, runs as preparations", values, extra=extra)]


def _foundry(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    cells = data["batch_specimen_test"]
    result, nested = precision(cells), nested_reproducibility(cells)
    own = {
        "mean": result.between.general_mean,
        "ms_tests": _number(result.s_reading) ** 2,
        "ms_specimens": 2 * _number(result.between.ms_within),
        "ms_batches": 2 * _number(result.between.ms_between),
    }
    batches, specimens, tests = (_number(square) for square in nested.mean_squares)
    other = {"mean": nested.mean.value, "ms_tests": tests, "ms_specimens": specimens, "ms_batches": batches}
    routes = []
    for route, values, components in (
        ("precision.precision", own, (result.s_reading, result.s_preparation, _value(result.s_run))),
        (
            "reproducibility.nested_reproducibility",
            other,
            (_value(nested.s_r), _value(nested.s_run), _value(nested.s_L)),
        ),
    ):
        freedom = {"ss_batches": 2, "ss_specimens": 9, "ss_tests": 12}
        sums = {name: values[name.replace("ss_", "ms_")] * df for name, df in freedom.items()}
        names = ("var_test", "var_specimen", "var_batch")
        extra = {name: _number(s) ** 2 for name, s in zip(names, components, strict=True)}
        extra["F_batches_nested"] = values["ms_batches"] / values["ms_specimens"]
        extra["F_specimens"] = values["ms_specimens"] / values["ms_tests"]
        routes.append(Computed(route, values | sums, extra=extra))
    return routes


def _sulfur(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    values = {}
    for level in (1, 3, 4):
        result = reproducibility(data[f"level_{level}"])
        values[f"level{level}_m"] = result.mean.value
        values[f"level{level}_s_r"] = _value(result.s_r)
        values[f"level{level}_s_R"] = _value(result.s_R)
    return [Computed("reproducibility.reproducibility", values)]


def _e691(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    values: dict[str, float] = {}
    how: dict[str, str] = {}
    for number, material in enumerate("ABCDE", start=1):
        result = reproducibility(data[f"material_{number}"])
        s_r, s_R = _value(result.s_r), _value(result.s_R)
        statistics = {"mean": result.mean.value, "s_r": s_r, "s_R": s_R, "r": 2.8 * s_r, "R": 2.8 * s_R}
        values |= {f"{material}_{name}": value for name, value in statistics.items() if f"{material}_{name}" in printed}
        how |= {f"{material}_{name}": "2.8 times the standard deviation, as the source forms it" for name in "rR"}
    values["h_crit_p8"] = outliers.mandel_h(range(8), alpha=0.005).critical
    values["k_crit_p8_n3"] = outliers.mandel_k(range(8), 3, alpha=0.005).critical
    return [Computed("reproducibility.reproducibility, outliers.mandel_h, outliers.mandel_k", values, how)]


def _limit_factor(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    laboratories = data["readings"]
    between = reproducibility(laboratories)
    within = precision([[[value] for value in run] for run in laboratories])
    ratios = {
        "precision.precision, r over s_r": _value(within.r) / _value(within.s_r),
        "reproducibility.reproducibility, r over s_r": _value(between.r) / _value(between.s_r),
        "reproducibility.reproducibility, R over s_R": _value(between.R) / _value(between.s_R),
    }
    return [Computed(route, {"factor": ratio}) for route, ratio in ratios.items()]


# Detection -------------------------------------------------------------------------------------------------------


def _multiplier(df: int) -> float:
    values = [float(k) for k in range(df + 1)]
    return _value(detection.spiked_replicates(values).detection_limit) / float(np.std(values, ddof=1))


def _cfr_136(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    values = {f"t_df{df}": _multiplier(df) for df in data["df"]}
    values["t_df12_pooled"] = _multiplier(12)
    limit = detection.spiked_replicates([1, 2, 3, 4, 5, 6, 7]).detection_limit
    low, high = _ends(limit, 0.9)
    values |= {"lcl_factor_90": low / _value(limit), "ucl_factor_90": high / _value(limit)}
    values["lcl12_factor"], values["ucl12_factor"] = intervals.sd_interval(1.0, 12, confidence=0.95)
    wide = intervals.sd_interval(1.0, 6, confidence=0.95)
    extra = {"lcl95_df6": wide[0], "ucl95_df6": wide[1]}
    return [Computed("detection.spiked_replicates, intervals.sd_interval", values, extra=extra)]


def _currie(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    return [Computed("detection.noncentrality, 10^7 df", {"L_D_known_coefficient": detection.noncentrality(1e7)})]


def _iupac(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    blanks = [1.0, 2.0, 4.0, 5.0, 8.0]  # any five: the multipliers do not depend on them
    limits, mean = detection.iupac_1997(blanks, alpha=data["alpha"]), float(np.mean(blanks))
    unit = float(np.std(blanks, ddof=1)) * sqrt(1 + 1 / len(blanks))
    values = {
        "t_4": (_value(limits.critical_value) - mean) / unit,
        "two_t_4": (_value(limits.detection_limit) - mean) / unit,
        "delta_4": detection.noncentrality(data["df"], alpha=data["alpha"], beta=data["beta"]),
        "L_D_known": detection.noncentrality(1e7),
    }
    extra = {
        f"delta_df{df}": detection.noncentrality(df) for df in (3, 4, 5, 6, 7, 8, 9, 10, 13, 15, 18, 20, 30, 50, 100)
    }
    return [Computed("detection.iupac_1997, detection.noncentrality", values, extra=extra)]


def _spikes(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    values = {"t_6": _multiplier(6), "t_12": _multiplier(12)}
    for number in (1, 2):
        spikes = data[f"set{number}"]
        s = _value(one_way([spikes]).s_within)
        values |= {f"var{number}": s**2, f"s{number}": s}
        values[f"mdl{number}"] = _value(detection.spiked_replicates(spikes).detection_limit)
    pooled = _value(one_way([data["set1"], data["set2"]]).s_within)
    values |= {"var_pooled": pooled**2, "s_pooled": pooled}
    return [Computed("detection.spiked_replicates, one_way.one_way", values)]


def _tolerance_factor(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    n, coverage, confidence = data["n"], data["coverage"], data["confidence"]
    shape = np.linspace(-1, 1, n)
    values = data["mean"] + data["s"] * shape / shape.std(ddof=1)
    k = float(stats.norm.ppf(coverage))
    _, high = _ends(detection.mean_plus_k_sd(list(values), k), 2 * confidence - 1)
    mean, s = data["mean"], data["s"]
    results = SingleResults(mean, s, n, (1.0,), (s**2,), (s**2,), (float(n - 1),))
    half = results.content_half_width(coverage, confidence)
    limits = {"k2_howe": half / s, "lower": mean - half, "upper": mean + half}
    return [
        Computed("detection.mean_plus_k_sd", {}, extra={"k1_exact": (high - mean) / s}),
        Computed("content.SingleResults.content_half_width", limits),
    ]


def _five_readings(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    confidence = data["confidence"]
    runs = [[value] for value in data["x"]]
    result = precision([[run] for run in runs])
    mean, s = bias(runs), result.s_I
    future = tolerance_limits(result, mean.value, beta=confidence)
    mean_ends, s_ends = _ends(mean, confidence), _ends(s, confidence)
    values = {
        "mean": mean.value,
        "s": _value(s),
        "mean_low": mean_ends[0],
        "mean_high": mean_ends[1],
        "s_low": s_ends[0],
        "s_high": s_ends[1],
        "future_low": future.low.value,
        "future_high": future.high.value,
    }
    return [Computed("trueness.bias, precision.precision, accuracy.tolerance_limits, one reading a run", values)]


def _one_sided_factors(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    blanks, limits = {}, {}
    confidence = 2 * data["confidence"] - 1
    for key in printed:
        n, percent = map(int, re.findall(r"\d+", key))
        values = np.arange(n) - (n - 1) / 2
        s = float(values.std(ddof=1))
        k = float(stats.norm.ppf(percent / 100))
        _, high = agreement.agreement_limits(values, coverage=2 * percent / 100 - 1)
        limits[key] = _ends(high, confidence)[1] / s
        blanks[key] = _ends(detection.mean_plus_k_sd(list(values), k), confidence)[1] / s
    return [Computed("detection.mean_plus_k_sd", blanks), Computed("agreement.agreement_limits", limits)]


# Comparison ------------------------------------------------------------------------------------------------------


def _york(x: Sequence[float], y: Sequence[float], u_x: Any, u_y: Any) -> dict[str, float]:
    line = york.york(x, y, u_x, u_y)
    u_a, u_b = _number(line.intercept.standard_uncertainty), _number(line.slope.standard_uncertainty)
    return {
        "a": line.intercept.value,
        "b": line.slope.value,
        "u_a": u_a,
        "u_b": u_b,
        "sigma_a": u_a,
        "sigma_b": u_b,
        "cov_ab": line.covariance,
        "chi2": line.chi_squared,
        "S_over_n_minus_2": line.chi_squared / line.degrees_of_freedom,
    }


def _both_errors(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    return [Computed("york.york", _york(data["x"], data["y"], data["u_x"], data["u_y"]))]


def _pearson_york(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    u_x, u_y = (1 / np.sqrt(data[name]) for name in ("w_x", "w_y"))
    return [Computed("york.york", _york(data["x"], data["y"], u_x, u_y))]


def _peak_flow(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    d = paired_differences.differences(data["mini1"], data["wright1"])
    mean, scatter = paired_differences.mean_difference(d), paired_differences.sd_difference(d)
    ends = _ends(mean, 0.95)
    pairs = {name: list(zip(data[f"{name}1"], data[f"{name}2"], strict=True)) for name in ("wright", "mini")}
    spread = {name: comparison.replicate_variance(readings) for name, readings in pairs.items()}
    of_means = np.mean(pairs["wright"], axis=1) - np.mean(pairs["mini"], axis=1)
    corrected = comparison.sample_scatter(
        float(of_means.var(ddof=1)), len(of_means) - 1, spread["wright"], spread["mini"]
    )
    repeat = {name: sqrt(2 * _number(v.variance)) for name, v in spread.items()}
    middle, s = _rounded(mean.value, printed["mean_diff"]), _rounded(scatter.value, printed["sd_diff"])
    values = {
        "mean_diff": mean.value,
        "sd_diff": scatter.value,
        "se_mean": _number(mean.standard_uncertainty),
        "bias_ci_low": ends[0],
        "bias_ci_high": ends[1],
        "lower_LoA": middle - 2 * s,
        "upper_LoA": middle + 2 * s,
        "repeat_sd_wright": repeat["wright"],
        "repeat_sd_mini": repeat["mini"],
        "repeat_coef_wright": 2 * _rounded(repeat["wright"], printed["repeat_sd_wright"]),
        "repeat_coef_mini": 2 * _rounded(repeat["mini"], printed["repeat_sd_mini"]),
        "sd_means_of_two": paired_differences.sd_difference(of_means).value,
        "corrected_sd": np.nan if corrected is None else corrected.single,
    }
    limits = "twice the standard deviation from the mean, both rounded as printed: the paper's own steps"
    twice = "twice the value rounded as printed: the paper's own step"
    how = {"lower_LoA": limits, "upper_LoA": limits, "repeat_coef_wright": twice, "repeat_coef_mini": twice}
    low, high = agreement.agreement_limits(d, coverage=2 * float(stats.norm.cdf(2)) - 1)
    exact = {"lower_LoA": low.value, "upper_LoA": high.value}
    return [
        Computed(
            "paired_differences.differences, mean_difference, sd_difference, replicate_variance, sample_scatter",
            values,
            how,
        ),
        Computed("agreement.agreement_limits, coverage of 2 standard deviations", exact),
    ]


def _phytic_acid(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    fit = regression.straight_line(data["EP"], data["CF"])
    ends = [fit.coefficient(power).interval(0.95) or (np.nan, np.nan) for power in (0, 1)]
    values = {
        "intercept": fit.intercept,
        "slope": fit.slope,
        "r": sqrt(1 - fit.residual_sum / fit.total_sum),
        "intercept_low": ends[0][0],
        "intercept_high": ends[0][1],
        "slope_low": ends[1][0],
        "slope_high": ends[1][1],
    }
    line = deming.deming(data["EP"], data["CF"], ratio=1.0)
    extra = {"deming_lambda1_intercept": line.intercept.value, "deming_lambda1_slope": line.slope.value}
    return [Computed("regression.straight_line", values), Computed("deming.deming, ratio 1", {}, extra=extra)]


def _equivalence(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    computed = []
    confidence = 1 - 2 * data["alpha"]
    for name in ("var1", "var2"):
        d = paired_differences.differences(data[f"group2_{name}"], data[f"group1_{name}"])
        routes = {
            "paired_differences.mean_difference": paired_differences.mean_difference(d),
            "trueness.bias, one reading a run": bias([[float(v)] for v in d]),
        }
        for route, estimate in routes.items():
            low, high = _ends(estimate, confidence)
            values = {"mean_diff": estimate.value, "se": _number(estimate.standard_uncertainty)}
            values |= {"ci90_low": low, "ci90_high": high}
            computed.append(Computed(route, {f"paired_{name}_{key}": value for key, value in values.items()}))
    return computed


# Tables of critical values ---------------------------------------------------------------------------------------


def _cochran(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    values = {}
    for key in printed:
        p, n = map(int, re.findall(r"\d+", key))
        values[key] = outliers.cochran_critical(p, n, data["alpha"])
    return [Computed("outliers.cochran_critical", values)]


def _grubbs_single(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    values = {}
    for key in printed:
        n, percent = map(int, re.findall(r"\d+", key))
        values[key] = outliers.grubbs_single_critical(n, percent / 100)
    return [Computed("outliers.grubbs_single_critical", values)]


def _grubbs_double(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    values = {}
    for key in printed:
        p, percent = map(int, re.findall(r"\d+", key))
        values[key] = outliers.grubbs_double_critical(p, percent / 100)
    how = dict.fromkeys(printed, "by numerical integration; the table, and its recomputation here, were simulated")
    last = "the printed 0.1864 and the integral differ by 0.00005; compared with a simulation of two million samples"
    return [Computed("outliers.grubbs_double_critical", values, how, {"p10_5": ("0.1866550151", 5e-4, last)})]


def _grubbs_example(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    test = outliers.grubbs_single(data["x"], alpha=0.10)
    values = {"G": test.statistic, "crit_one_sided_5": test.critical}
    return [Computed("outliers.grubbs_single, two-sided 10 % for one-sided 5 %", values)]


def _mandel_tables(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    h = {(p, a): outliers.mandel_h(range(p), alpha=a).critical for p, a in ((8, 0.01), (8, 0.05), (8, 0.005))}
    k = {(p, a): outliers.mandel_k(range(p), 3, alpha=a).critical for p, a in ((8, 0.01), (8, 0.05), (8, 0.005))}
    values = {
        "h_p8_1": h[8, 0.01],
        "h_p8_5": h[8, 0.05],
        "k_p8_n3_1": k[8, 0.01],
        "k_p8_n3_5": k[8, 0.05],
        "h_E691_p8": h[8, 0.005],
        "k_E691_p8_n3": k[8, 0.005],
        "h_E691_p6": outliers.mandel_h(range(6), alpha=0.005).critical,
        "k_E691_p6_n3": outliers.mandel_k(range(6), 3, alpha=0.005).critical,
    }
    return [Computed("outliers.mandel_h, outliers.mandel_k", values)]


def _conformance(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    zener, vessel, speed = data["zener"], data["container"], data["speed"]
    above = decision.probability_above
    values = {
        "zener_pc": 1 - float(above(zener["y"], zener["u"], zener["T_U"])),
        "container_pc": float(above(vessel["y"], vessel["u"], vessel["T_L"])),
    }
    factors = {f"z_{f'{p:g}'.partition('.')[2].ljust(2, '0')}": decision.guard_factor(1 - p) for p in data["z_table_p"]}
    z = decision.guard_factor(1 - speed["p_required"])
    limit = decision.rejection_limit(speed["T_L"], lambda v: speed["u_rel"] * np.asarray(v, dtype=float), z)
    up = {"speed_limit_acceptance": "the source rounds up"}
    return [
        Computed("decision.probability_above", values),
        Computed("decision.guard_factor", factors),
        Computed("decision.rejection_limit, uncertainty at the result", {"speed_limit_acceptance": limit}, up),
    ]


def _guard_band_risk(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    def risk(zones: decision.Zones) -> float:
        return 100 * float(decision.probability_above(zones.acceptance_limit, 1.0, zones.limit))

    def one(value: Any) -> np.ndarray:
        return np.ones_like(np.asarray(value, dtype=float))

    values = {
        "risk_w_U_percent": risk(decision.guarded_rule(10.0, one, 2.0)),
        "risk_w_164u_percent": risk(decision.non_binary_rule(10.0, one, 1.64)),
        "risk_simple_percent": risk(decision.simple_rule(10.0)),
    }
    return [Computed("decision.guarded_rule, non_binary_rule, simple_rule, probability_above", values)]


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)


# Ruggedness and recovery -------------------------------------------------------------------------------------------


def _welding(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    lenth = ruggedness.lenth(data["contrasts"])
    return [Computed("ruggedness.lenth", _margins(lenth))]


def _margins(lenth: ruggedness.LenthResult) -> dict[str, float]:
    return {"s0": lenth.s0, "PSE": lenth.pse, "ME": lenth.margin(0.95), "SME": lenth.simultaneous_margin(0.95)}


def _reactor(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    factors = ["feed", "catalyst", "agitation", "temperature", "concentration"]
    effects = ruggedness.effects(data["y"], np.column_stack([data[name] for name in factors]))
    values = {"".join("ABCDE"[i] for i in members): value for members, value in effects.contrasts}
    values |= {letter: _value(effect) for letter, effect in zip("ABCDE", effects.effects, strict=True)}
    values["mean"] = np.nan if effects.mean is None else effects.mean
    if effects.lenth is None:
        return [Computed("ruggedness.effects", values)]
    extra = {f"lenth_{name}": value for name, value in _margins(effects.lenth).items()}
    return [Computed("ruggedness.effects", values, extra=extra)]


def _youden(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    settings = [[1 if trial in at else -1 for at in data["capital"].values()] for trial in range(1, 9)]
    effects = ruggedness.effects(data["y"], settings)
    values = {name: 4 * _value(effect) for name, effect in zip(data["capital"], effects.effects, strict=True)}
    how = "four times the effect, since the source prints the difference of the sums of four"
    return [Computed("ruggedness.effects", values, how=dict.fromkeys(values, how))]


def _saturated(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    design = fractional_factorial(7, data["generators"])
    effects = ruggedness.effects(data["y"], design.matrix)
    values = {name: _value(effect) / 2 for name, effect in zip("ABCDEFG", effects.effects, strict=True)}
    how = dict.fromkeys(values, "half the effect, since the source prints coefficients")
    values |= {
        "intercept": np.nan if effects.mean is None else effects.mean,
        "resolution": float(design.resolution or 0),
        "words": float(len(design.words)),
    }
    return [Computed("two_level_designs.fractional_factorial, ruggedness.effects", values, how=how)]


def _spike(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    recovered = recovery.recovery([data["before"]], [data["after"]], data["added"])
    return [Computed("recovery.recovery", {"percent": 100 * recovered.recovery.value})]


def _value(estimate: Any) -> float:
    return np.nan if estimate is None else float(estimate.value)


def _ends(estimate: Estimate | None, level: float) -> tuple[float, float]:
    """The interval at `level`; two times not a number without one."""
    return (None if estimate is None else estimate.interval(level)) or (np.nan, np.nan)


Example = Callable[[Data, Mapping[str, str]], Sequence[Computed]]


def _welch_fieller(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """Ratio and difference of two means of unequal scatter."""
    pair = data["numerators"], data["denominators"]
    ratio, difference = two_means.welch_ratio(*pair), two_means.welch_difference(*pair)
    low, high = ratio.interval(data["confidence"]) or (float("nan"), float("nan"))
    below, above = difference.interval(data["confidence"]) or (float("nan"), float("nan"))
    values = {
        "mean_numerator": mean(data["numerators"]),
        "mean_denominator": mean(data["denominators"]),
        "ratio": ratio.value,
        "low": low,
        "high": high,
        "welch_t": difference.value / (difference.standard_uncertainty or float("nan")),
        "welch_df": difference.degrees_of_freedom or float("nan"),
        "difference_low": below,
        "difference_high": above,
    }
    return [Computed("two_means.welch_ratio, two_means.welch_difference", values)]


def _shelf_life(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """Line of the assay on age, and the age at which its one-sided 95 % bound meets the lower limit."""
    line = stability.stability_line(data["months"], [Decimal(text) for text in data["assay"]])
    slope = line.slope_estimate()
    error = slope.standard_uncertainty or float("nan")
    t = line.slope / error
    life = stability.first_crossing(
        line,
        start=-data["lower_limit"],
        per_intercept=1.0,
        sign=1.0,
        quantile=intervals.t_quantile(0.95, line.degrees_of_freedom),
    )
    values = {
        "intercept": line.intercept,
        "intercept_standard_error": line.standard_error_at(0.0),
        "slope": line.slope,
        "slope_standard_error": error,
        "slope_t": t,
        "slope_p": float(2 * stats.t.sf(abs(t), line.degrees_of_freedom)),
        "residual_sd": line.residual_sd,
        "shelf_life": float("nan") if life is None else life,
    }
    return [Computed("stability.stability_line, stability.first_crossing", values)]


EXAMPLES: Mapping[str, Example] = {
    "rat-welch-fieller": _welch_fieller,
    "sta-shelf-life": _shelf_life,
    "cal-gum-h3": _gum_h3,
    "cal-hplc-bailey": _hplc,
    "cal-iso28037-equal": _known_weights,
    "cal-iso28037-gdr": _both_errors,
    "cal-iso8466-nitrite": _nitrite,
    "cal-nist-linewidth": _line_width,
    "cal-nitrate-wls": _nitrate,
    "cal-pearson-york": _pearson_york,
    "cmp-bland-altman-pefr": _peak_flow,
    "cmp-phytic-acid": _phytic_acid,
    "cmp-tost-clinic": _equivalence,
    "det-cfr136-t-table": _cfr_136,
    "det-currie-counting": _currie,
    "det-iupac-noncentral-t": _iupac,
    "det-mdl-pooled": _spikes,
    "prc-dyestuff": _dyestuff,
    "prc-e691-glucose": _e691,
    "prc-ep05-glucose": _ep05,
    "prc-foundry-nested": _foundry,
    "prc-iso5725-sulfur": _sulfur,
    "prc-limit-factor": _limit_factor,
    "prc-rail": _rail,
    "prc-robust-chem": _robust,
    "prc-usp1010-runs": _usp_runs,
    "rec-spike-textbook": _spike,
    "rug-2to7-4-textbook": _saturated,
    "rug-lenth-weld": _welding,
    "rug-reactor-2to5": _reactor,
    "rug-youden-appendix-k": _youden,
    "tab-cochran-1pc": _cochran,
    "tab-cochran-5pc": _cochran,
    "tab-grubbs-double": _grubbs_double,
    "tab-grubbs-example": _grubbs_example,
    "tab-grubbs-two-sided": _grubbs_single,
    "tab-mandel-hk": _mandel_tables,
    "tol-five-readings": _five_readings,
    "tol-iso16269-factors": _one_sided_factors,
    "tol-nist-43": _tolerance_factor,
    "unc-guard-band-risk": _guard_band_risk,
    "unc-jcgm106-conformance": _conformance,
    **UNCERTAINTY,
}

#: Examples that are certified to more digits than half a unit of the last one makes sense of: see `numerics`.
CERTIFIED = ("cal-nist-noint1", "cal-nist-noint2", "cal-nist-norris", "cal-nist-pontius")

_NO_P = "the program judges by the interval, which is compared; it prints no p of this test"
_UNPAIRED = "two unpaired groups are not a design of this program"
_APPROXIMATE = "the paper approximates where this program computes the exact interval of a limit"
_COUNTING = "counting statistics are not a method of this program"
_NATRELLA = "the handbook approximates the one-sided factor; the exact one is compared instead"
_HUBER = "the same estimator with an unrounded constant; algorithm A, with its rounded one, is compared"
_LIKELIHOOD = "a maximum-likelihood fit is biased low and not used; restricted maximum likelihood is compared"

#: Printed values that no function of this program gives, and why.
LEFT: Mapping[str, Mapping[str, str]] = {
    "cal-hplc-bailey": {"p_intercept": "the program prints no p of a coefficient"},
    "cmp-bland-altman-pefr": {
        "r": "the program computes no correlation: it says nothing about agreement",
        **dict.fromkeys(
            ("se_limit", "lower_LoA_ci_low", "lower_LoA_ci_high", "upper_LoA_ci_low", "upper_LoA_ci_high"),
            _APPROXIMATE,
        ),
    },
    "cmp-tost-clinic": {
        "paired_var1_p_tost": _NO_P,
        "paired_var2_p_tost": _NO_P,
        **{f"welch_{name}_{key}": _UNPAIRED for name in ("var1", "var2") for key in ("df", "p_tost")},
        **{f"welch_{name}_ci90_{end}": _UNPAIRED for name in ("var1", "var2") for end in ("low", "high")},
    },
    "det-cfr136-t-table": {"t_inf": "infinitely many replicates cannot be given"},
    "det-currie-counting": dict.fromkeys(
        ("L_C_paired_coefficient", "L_D_constant", "L_D_paired_coefficient", "L_C_known_coefficient"), _COUNTING
    ),
    "det-iupac-noncentral-t": {"L_C_known": "the program always estimates the standard deviation"},
    "det-mdl-pooled": {
        "mdl_pooled": "the program does not pool two sets of spikes into one limit",
        "F_crit_6_6": "the program does not compare two sets of spikes",
    },
    "prc-dyestuff": {"s_between_ML": _LIKELIHOOD, "s_within_ML": _LIKELIHOOD},
    "prc-robust-chem": {
        "median": "the program reports no median",
        "H15_location": _HUBER,
        "H15_scale": _HUBER,
    },
    "tol-nist-43": dict.fromkeys(("a", "b", "k1_natrella", "one_sided_upper", "one_sided_lower"), _NATRELLA),
}

#: Files of the folder that are no worked example.
OTHER_FILES: Mapping[str, str] = {
    "rat-pantothenic.yaml": "data of a slope-ratio assay without printed results; the test suite uses them",
    "coop.csv": "data of a co-operative trial without printed results; the test suite uses them",
    "rug-plackett-burman.csv": "the two-level designs as published: the test suite compares them mark by mark",
    "nist_anova": "certified values of one-way sets: compared to their last digits among the certified values",
}


def example(folder: Path, name: str) -> dict[str, Any]:
    """One file of the folder."""
    with (folder / f"{name}.yaml").open(encoding="utf-8") as file:
        return yaml.load(file, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))


def names(folder: Path) -> list[str]:
    """The worked examples of the folder that this module compares, in order."""
    without = {*CERTIFIED, *(name.removesuffix(".yaml") for name in OTHER_FILES)}
    return [path.stem for path in sorted(folder.glob("*.yaml")) if path.stem not in without]


def compare(folder: Path, name: str) -> tuple[list[Check], list[NotCompared]]:
    """Compute one example and compare every printed value with it.

    A calculation that stops is reported as one failing check a printed value, never as an error.
    """
    content = example(folder, name)
    routes, stopped = _computed(name, content)
    checks = [check for route in routes for check in _checks(name, content, route)]
    seen = {check.statistic for check in checks}
    left = []
    for key, printed in content["expected"].items():
        if key in seen:
            continue
        if stopped and key not in LEFT.get(name, {}):
            checks.append(_check(name, content, key, printed, None, note=stopped))
            continue
        reason = LEFT.get(name, {}).get(key, "this version has no comparison for it")
        left.append(NotCompared(content["area"], name, key, printed, reason))
    return checks, left


def _computed(name: str, content: Mapping[str, Any]) -> tuple[Sequence[Computed], str]:
    if name not in EXAMPLES:
        return [], ""
    try:
        return EXAMPLES[name](content["data"], content["expected"]), ""
    except Exception as error:  # whatever a broken statistic raises must be reported as a failing check
        return [], f"The calculation stopped: {type(error).__name__}: {error}."


def _checks(name: str, content: Mapping[str, Any], computed: Computed) -> Iterator[Check]:
    discrepancies, recomputed = content.get("discrepancies", {}), content.get("recomputed", {})
    for key, printed in content["expected"].items():
        if key not in computed.values:
            continue
        value = computed.values[key]
        if key in computed.held_to:
            reference, tolerance, why = computed.held_to[key]
            yield _check(name, content, key, printed, value, computed.route, reference, tolerance, _sentence(why))
        elif key in discrepancies and key not in computed.how:
            reference = repr(recomputed[key])
            note = f"Compared with an independent recomputation ({discrepancies[key]})."
            yield _check(name, content, key, printed, value, computed.route, reference, _digits(reference), note)
        else:
            note = _sentence(computed.how.get(key, ""))
            yield _check(name, content, key, printed, value, computed.route, note=note)
    further = content.get("assumptions", {}).get("extra_computed", {})
    for key, value in computed.extra.items():
        reference = repr(further[key])
        note = "Not printed by the source; compared with an independent recomputation from the same data."
        yield _check(name, content, key, "not printed", value, computed.route, reference, _digits(reference), note)


def _digits(reference: str) -> float:
    return max(half_a_unit(reference), _RECOMPUTED * abs(float(reference)))


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _check(
    name: str,
    content: Mapping[str, Any],
    key: str,
    printed: str,
    computed: float | None,
    route: str = "",
    reference: str = "",
    tolerance: float | None = None,
    note: str = "",
) -> Check:
    source = content["source"]
    address = FROM_MEMORY if content["status"] == "from-memory" else source["address"]
    return Check(
        area=content["area"],
        case=name,
        statistic=key,
        document=source["document"],
        clause=str(source.get("clause", "")),
        address=address,
        printed=printed,
        computed=None if computed is None else float(computed),
        tolerance=half_a_unit(printed) if tolerance is None else tolerance,
        reference=reference,
        route=route,
        note=note,
    )
