"""Published examples of measurement uncertainty: what this program makes of their data, by the printed names."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import copysign, sqrt
from typing import Any

import numpy as np

from validation.selftest.checks import half_a_unit
from validation.selftest.computed import Computed, Data
from validation.stats.distributions import (
    Arcsine,
    CurvilinearTrapezoid,
    Distribution,
    Normal,
    Rectangular,
    StudentT,
    triangular,
    type_a,
)
from validation.stats.lots import normalised_difference
from validation.stats.monte_carlo import MonteCarloResult, monte_carlo
from validation.stats.propagation import coverage_factor, effective_df, propagate, second_order_uncertainty
from validation.stats.uncertainty import Term, bias_terms, combine

Values = dict[str, float]
#: Printed text, tolerance, why: for a value with a tolerance of more than half a unit of its last digit.
HeldTo = dict[str, tuple[str, float, str]]

SEED = 101


def _normal(pair: Sequence[float]) -> Normal:
    return Normal(float(pair[0]), float(pair[1]))


def _rectangle(pair: Sequence[float]) -> Rectangular:
    return Rectangular(float(pair[0]), float(pair[1]))


def type_a_mean(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """GUM 4.4.3."""
    mean = type_a(data["t"])
    return [
        Computed(
            "distributions.type_a",
            {
                "mean": mean.mean,
                "s": mean.standard_uncertainty * sqrt(len(data["t"])),
                "u": mean.standard_uncertainty,
            },
        )
    ]


def effective_degrees(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """GUM G.4.1, by propagation through the product and by joining relative terms."""
    pairs = list(zip(data["rel_u_percent"], data["n"], strict=True))
    product = propagate(
        lambda x1, x2, x3: x1 * x2 * x3,
        {f"x{i + 1}": StudentT(1.0, u / 100, n - 1) for i, (u, n) in enumerate(pairs)},
    )
    joined = combine([Term(str(u), u, n - 1) for u, n in pairs])
    # The source rounds 18.999 to 19.0 before it looks up t; truncated without that, it would be 18.
    t, _ = coverage_factor(_rounded(product.effective_df, printed["nu_eff"]), 0.95)
    how = dict.fromkeys(("t95", "U_percent"), "t for the effective degrees of freedom as the source rounds them")
    routes = []
    for route, u, df in (
        ("propagation.propagate", 100 * product.combined, product.effective_df),
        ("uncertainty.combine", joined.combined.value, joined.effective_df),
    ):
        routes.append(Computed(route, {"rel_uc_percent": u, "nu_eff": df, "t95": t, "U_percent": t * u}, how))
    return routes


def end_gauge(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """GUM H.1 by first order, with the next order."""
    estimates, u, nu = data["estimates"], data["u"], data["nu"]
    sizes, freedoms = data["d_components"]["u_nm"], data["d_components"]["nu"]
    joined = combine([Term(str(s), s, n) for s, n in zip(sizes, freedoms, strict=True)])
    length = 1e6 * estimates["l_S_mm"]
    inputs: dict[str, Distribution] = {
        "l_S": StudentT(length, u["l_S_nm"], nu["l_S"]),
        "d": StudentT(estimates["d_nm"], u["d_nm"], nu["d"]),
        "alpha_S": Normal(estimates["alpha_S"], u["alpha_S"]),
        "theta": Normal(estimates["theta"], u["theta"]),
        "delta_alpha": Normal(0.0, u["delta_alpha"], nu["delta_alpha"]),
        "delta_theta": Normal(0.0, u["delta_theta"], nu["delta_theta"]),
    }

    def model(l_S: float, d: float, alpha_S: float, theta: float, delta_alpha: float, delta_theta: float) -> float:
        return l_S + d - l_S * (delta_alpha * theta + alpha_S * delta_theta)

    length_budget = propagate(model, inputs, confidence=0.99)
    parts = {part.name: abs(part.contribution) for part in length_budget.parts}
    values = {
        "l_mm": length_budget.value / 1e6,
        "u_d": joined.combined.value,
        "nu_d": effective_df(_rounded(joined.combined.value, printed["u_d"]), sizes, freedoms),
        "contribution_delta_alpha": parts["delta_alpha"],
        "contribution_delta_theta": parts["delta_theta"],
        "u_c": length_budget.combined,
        "nu_eff": length_budget.effective_df,
        "k99": length_budget.coverage_factor,
        "U99": length_budget.expanded,
        "u_c_second_order": second_order_uncertainty(model, inputs),
    }
    how = {"nu_d": "from u(d) rounded to 9.7, as the source forms it"}
    return [Computed("propagation.propagate, second_order_uncertainty, uncertainty.combine", values, how)]


def resistance(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """GUM H.2, three outputs of three correlated inputs."""
    inputs = {name: type_a(data[name]) for name in ("V", "I_mA", "phi")}
    r = np.corrcoef([data[name] for name in inputs])
    tied = {("V", "I_mA"): float(r[0, 1]), ("V", "phi"): float(r[0, 2]), ("I_mA", "phi"): float(r[1, 2])}
    models: dict[str, Callable[..., Any]] = {
        "R": lambda V, I_mA, phi: 1000 * V * np.cos(phi) / I_mA,
        "X": lambda V, I_mA, phi: 1000 * V * np.sin(phi) / I_mA,
        "Z": lambda V, I_mA, phi: 1000 * V / I_mA,
    }
    values: Values = {}
    for name, mean in inputs.items():
        values |= {name: mean.mean, f"u_{name}": mean.standard_uncertainty}
    values |= {f"r_{a}_{b}".replace("_mA", ""): value for (a, b), value in tied.items()}
    for name, model in models.items():
        output = propagate(model, inputs, correlations=tied)
        values |= {name: output.value, f"u_{name}": output.combined}
    return [Computed("distributions.type_a, propagation.propagate with correlations", values)]


def additive(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """JCGM 101, 9.2."""
    one, ten = Rectangular(-sqrt(3), sqrt(3)), Rectangular(-10 * sqrt(3), 10 * sqrt(3))
    cases: dict[str, list[Distribution]] = {
        "case1": [Normal(0, 1)] * 4,
        "case2": [one] * 4,
        "case3": [one, one, one, ten],
    }

    def model(**x: Any) -> Any:
        return sum(x.values())

    values: Values = {}
    held_to: HeldTo = {}
    for case, distributions in cases.items():
        inputs = {f"x{i}": distribution for i, distribution in enumerate(distributions)}
        first_order = propagate(model, inputs)
        values |= {f"{case}_u": first_order.combined, f"{case}_half_width": first_order.expanded}
        values[f"{case}_GUF_half_width"] = first_order.expanded
        if case == "case1":
            continue
        drawn = monte_carlo(model, inputs, seed=SEED)
        name = f"{case}_MCM_half_width"
        values[name] = (drawn.symmetric[1] - drawn.symmetric[0]) / 2
        error = sqrt(drawn.end_errors[0] ** 2 + drawn.end_errors[1] ** 2) / 2
        held_to[name] = _own_error(printed[name], error)
    return [Computed("propagation.propagate, monte_carlo.monte_carlo", values, held_to=held_to)]


def mass(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """JCGM 101, 9.3."""
    inputs: dict[str, Distribution] = {
        "m_R": _normal(data["m_R"]),
        "dm_R": _normal(data["dm_R"]),
        "rho_a": _rectangle(data["rho_a"]),
        "rho_W": _rectangle(data["rho_W"]),
        "rho_R": _rectangle(data["rho_R"]),
    }

    def model(m_R: Any, dm_R: Any, rho_a: Any, rho_W: Any, rho_R: Any) -> Any:
        return (m_R + dm_R) * (1 + (rho_a - 1.2) * (1 / rho_W - 1 / rho_R)) - 100000

    first_order, drawn = propagate(model, inputs), monte_carlo(model, inputs, seed=SEED)
    values = {
        "estimate": first_order.value,
        "GUF1_u": first_order.combined,
        "GUF1_low": first_order.interval[0],
        "GUF1_high": first_order.interval[1],
        "GUF2_u": second_order_uncertainty(model, inputs),
        **_of_draws(drawn),
    }
    return [
        Computed(
            "propagation.propagate, second_order_uncertainty, monte_carlo.monte_carlo",
            values,
            held_to=_both_errors(printed, drawn, data["source_draws"]),
        )
    ]


def comparison_loss(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """JCGM 101, 9.4."""
    values: Values = {}
    held_to: HeldTo = {}
    for r in data["r"]:
        for x1, label in zip(data["x1"], ("0", "010", "050"), strict=True):
            inputs = {"x1": Normal(x1, data["u"]), "x2": Normal(data["x2"], data["u"])}
            tied = {("x1", "x2"): r}
            drawn = monte_carlo(lambda x1, x2: x1**2 + x2**2, inputs, draws=400_000, seed=SEED, correlations=tied)
            mean, u = f"mean_{label}", f"u_{label}" + ("_correlated" if r else "")
            values[u] = drawn.standard_uncertainty / data["unit"]
            held_to[u] = _own_error(printed[u], drawn.uncertainty_error / data["unit"])
            if r:
                continue
            values[mean] = drawn.mean / data["unit"]
            held_to[mean] = _own_error(printed[mean], drawn.mean_error / data["unit"])
            first_order = propagate(lambda x1, x2: x1**2 + x2**2, inputs)
            values[f"GUF_u_{label}"] = first_order.combined / data["unit"]
    return [Computed("monte_carlo.monte_carlo with correlations, propagation.propagate", values, held_to=held_to)]


def gauge(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """JCGM 101, 9.5."""
    inputs: dict[str, Distribution] = {
        **{name: StudentT(*map(float, data[name])) for name in ("L_S", "D", "d1", "d2")},
        "alpha_S": _rectangle(data["alpha_S"]),
        "theta_0": _normal(data["theta_0"]),
        "Delta": Arcsine(*data["Delta"]),
        "d_alpha": CurvilinearTrapezoid(*data["d_alpha"]),
        "d_theta": CurvilinearTrapezoid(*data["d_theta"]),
    }

    def model(
        L_S: Any, D: Any, d1: Any, d2: Any, alpha_S: Any, theta_0: Any, Delta: Any, d_alpha: Any, d_theta: Any
    ) -> Any:
        return L_S + D + d1 + d2 - L_S * (d_alpha * (theta_0 + Delta) + alpha_S * d_theta) - 50_000_000

    first_order = propagate(model, inputs, confidence=data["confidence"])
    drawn = monte_carlo(model, inputs, seed=SEED, confidence=data["confidence"])
    values = {
        "GUF_estimate": first_order.value,
        "GUF_u": first_order.combined,
        "MCM_estimate": drawn.mean,
        "MCM_u": drawn.standard_uncertainty,
    }
    return [Computed("propagation.propagate, monte_carlo.monte_carlo", values)]


def ammonium(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """Nordtest TR 537."""
    terms = bias_terms(data["RMS_bias_percent"], data["u_Cref_percent"], treatment="enlarge")
    total = combine([Term("u_Rw", data["u_Rw_percent"]), *terms])
    values = {
        "u_bias_percent": combine(terms).combined.value,
        "u_c_percent": total.combined.value,
        "U_percent": 2 * total.combined.value,
    }
    how = {"U_percent": "with k = 2, as the source takes it"}
    return [Computed("uncertainty.combine, uncertainty.bias_terms", values, how)]


def zeta(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """Zeta scores as the normalised difference of two values, with the sign of the difference."""
    spread = type_a(data["x"]).standard_uncertainty * sqrt(len(data["x"]))
    values = {"u_lab1": spread}
    for number, x in enumerate(data["x"][:5], start=1):
        score = normalised_difference(x, spread, data["x_ref"], data["u_ref"]).value
        values[f"zeta_{number}"] = copysign(score, x - data["x_ref"])
    return [Computed("lots.normalised_difference, distributions.type_a", values)]


def cadmium(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """Eurachem/CITAC, A1."""
    half, volume = data["flask_half_width_triangular"], data["flask_ml"]
    flask = propagate(
        lambda calibration, repeatability, temperature: calibration + repeatability + temperature,
        {
            "calibration": triangular(volume - half, volume + half),
            "repeatability": Normal(0.0, data["flask_repeatability"]),
            "temperature": Rectangular(-data["temperature_half_width"], data["temperature_half_width"]),
        },
    )
    purity = Rectangular(0.9999 - data["purity_half_width"], 0.9999 + data["purity_half_width"])
    rounded = round(flask.combined, 2)
    concentration = propagate(
        lambda m, P, V: 1000 * m * P / V,
        {"m": _normal(data["m_mg"]), "P": purity, "V": Normal(volume, rounded)},
    )
    values = {
        "u_P": purity.standard_uncertainty,
        "u_V": flask.combined,
        "c_mg_l": concentration.value,
        "u_c": concentration.combined,
        "relative_u": concentration.combined / concentration.value,
    }
    how = dict.fromkeys(("u_c", "relative_u"), "u(V) rounded to 0.07, as the source rounds it")
    return [Computed("propagation.propagate, distributions", values, how)]


def hydroxide(data: Data, printed: Mapping[str, str]) -> Sequence[Computed]:
    """Eurachem/CITAC, A2."""
    c = propagate(
        lambda repeatability, m_g, purity, molar_mass, V_ml: repeatability * 1000 * m_g * purity / (molar_mass * V_ml),
        {name: _normal(data[name]) for name in ("repeatability", "m_g", "purity", "molar_mass", "V_ml")},
    )
    values = {
        "c_mol_l": c.value,
        "u_c": c.combined,
        "relative_u": c.combined / c.value,
    }
    return [Computed("propagation.propagate", values)]


def _rounded(value: float, printed: str) -> float:
    """The value to the digits of a printed one."""
    return float(f"{value:.{len(printed.partition('.')[2])}f}")


def _of_draws(drawn: MonteCarloResult) -> Values:
    return {"MCM_u": drawn.standard_uncertainty, "MCM_low": drawn.symmetric[0], "MCM_high": drawn.symmetric[1]}


def _own_error(printed: str, error: float) -> tuple[str, float, str]:
    """Half a unit of the printed digit and three standard errors of Monte Carlo."""
    why = "half a unit of the printed digit and three standard errors of the Monte Carlo draws"
    return printed, half_a_unit(printed) + 3 * error, why


def _both_errors(printed: Mapping[str, str], drawn: MonteCarloResult, source_draws: int) -> HeldTo:
    """The same where the source's own draws, fewer than ours, bring an error too."""
    more = sqrt(1 + drawn.draws / source_draws)
    errors = {"MCM_u": drawn.uncertainty_error, "MCM_low": drawn.end_errors[0], "MCM_high": drawn.end_errors[1]}
    return {name: _own_error(printed[name], more * error) for name, error in errors.items()}


#: By the name of the file.
UNCERTAINTY: Mapping[str, Callable[[Data, Mapping[str, str]], Sequence[Computed]]] = {
    "unc-gum-4-4-3": type_a_mean,
    "unc-gum-g41": effective_degrees,
    "unc-gum-h1": end_gauge,
    "unc-gum-h2": resistance,
    "unc-jcgm101-additive": additive,
    "unc-jcgm101-gauge": gauge,
    "unc-jcgm101-loss": comparison_loss,
    "unc-jcgm101-mass": mass,
    "unc-nordtest-ammonium": ammonium,
    "unc-quam-a1": cadmium,
    "unc-quam-a2": hydroxide,
    "unc-zeta-gear": zeta,
}
