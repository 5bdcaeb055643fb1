"""Certified values of the NIST Statistical Reference Datasets, and how many digits of them other libraries find.

The measure is the log relative error, LRE = -log10(|computed - certified| / |certified|): the number of correct digits,
capped at the digits certified and at 14, what a double can be asked for. This program is given the readings as the
decimals that are written, as it is in a study; the other libraries are given doubles, which is all that they take.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import floor, isfinite, sqrt
from pathlib import Path
from typing import Any

import numpy as np
from scipy import linalg, stats

from validation.selftest.checks import FROM_MEMORY, Check, Digits
from validation.selftest.published import CERTIFIED, example, line_values
from validation.stats import regression
from validation.stats.one_way import one_way

AREA = "certified values"
MOST_DIGITS = 14

#: Correct digits that are asked for: a one-way table is formed from exact differences, a fit is solved in doubles.
DIGITS_ONE_WAY, DIGITS_FIT = 13, 10

R_TIMEOUT = 60.0

#: What is fitted to each regression set.
_FITS: Mapping[str, Callable[..., regression.PolynomialResult]] = {
    "cal-nist-norris": regression.straight_line,
    "cal-nist-pontius": regression.quadratic,
    "cal-nist-noint1": regression.line_through_zero,
    "cal-nist-noint2": regression.line_through_zero,
}
_FORMULAS = {
    "cal-nist-norris": "y ~ x",
    "cal-nist-pontius": "y ~ x + I(x^2)",
    "cal-nist-noint1": "y ~ x - 1",
    "cal-nist-noint2": "y ~ x - 1",
}

Values = dict[str, float]


@dataclass(frozen=True, slots=True)
class Dataset:
    """One set: readings as written, certified values as printed, and their source."""

    name: str
    document: str
    clause: str
    address: str
    certified: Mapping[str, str]
    digits: int
    x: tuple[Decimal, ...]  # empty for a one-way set
    groups: tuple[tuple[Decimal, ...], ...]  # one group, y, for a regression

    @property
    def one_way(self) -> bool:
        """Whether this is a one-way analysis of variance."""
        return not self.x


@dataclass(frozen=True, slots=True)
class Witness:
    """Another library: its name, its version, its values by set; without values `absent` says why."""

    name: str
    version: str
    values: Mapping[str, Values]
    absent: str = ""


@dataclass(frozen=True, slots=True)
class Numerics:
    """Checks, correct digits of every certified value, the other libraries."""

    checks: tuple[Check, ...]
    digits: tuple[Digits, ...]
    witnesses: tuple[Witness, ...]


def lre(value: float | None, certified: str) -> float:
    """Correct digits of `value`: 0 without one, at most the digits of `certified` and 14."""
    exact = Decimal(certified)
    cap = float(cap_of(certified))
    if value is None or not isfinite(value):
        return 0.0
    error = abs(Decimal(value) - exact)
    if error == 0:
        return cap
    return max(0.0, min(cap, -float((error / abs(exact)).log10())))


def cap_of(certified: str) -> int:
    """The most digits that can be counted."""
    return min(len(Decimal(certified).as_tuple().digits), MOST_DIGITS)


def datasets(folder: Path) -> list[Dataset]:
    """The eleven one-way sets and the four regression sets of the folder, in order."""
    one_way_sets = [_one_way_set(path) for path in sorted((folder / "nist_anova").glob("*.dat"))]
    return one_way_sets + [_regression_set(folder, name) for name in CERTIFIED]


def _one_way_set(path: Path) -> Dataset:
    """Certified values in lines 41 to 60, data from line 61 on, as the head of each file says."""
    lines = path.read_text(encoding="ascii").splitlines()
    certified: dict[str, str] = {}
    for line in lines[40:60]:
        words = line.split()
        if line.startswith("Between"):
            certified |= {"ss_between": words[3], "ms_between": words[4], "F": words[5]}
        elif line.startswith("Within"):
            certified |= {"ss_within": words[3], "ms_within": words[4]}
        elif "R-Squared" in line:
            certified["r_squared"] = words[-1]
        elif "Standard Deviation" in line:
            certified["residual_sd"] = words[-1]
    groups: dict[str, list[Decimal]] = {}
    for line in lines[60:]:
        words = line.split()
        if len(words) == 2:
            groups.setdefault(words[0], []).append(Decimal(words[1]))
    return Dataset(
        path.stem,
        "NIST StRD, Analysis of Variance",
        f"{path.stem}, certified values",
        "www.itl.nist.gov/div898/strd/anova/anova.html",
        certified,
        DIGITS_ONE_WAY,
        (),
        tuple(tuple(values) for values in groups.values()),
    )


def _regression_set(folder: Path, name: str) -> Dataset:
    content = example(folder, name)
    source = content["source"]
    x, y = (tuple(Decimal(repr(value)) for value in content["data"][axis]) for axis in "xy")
    address = FROM_MEMORY if content["status"] == "from-memory" else source["address"]
    title = name.removeprefix("cal-nist-")
    clause = f"{'NoInt' + title[-1] if title.startswith('noint') else title.capitalize()}, certified values"
    return Dataset(name, "NIST StRD, Linear Regression", clause, address, content["expected"], DIGITS_FIT, x, (y,))


def numerics(folder: Path, *, witnesses: Sequence[Witness] | None = None) -> Numerics:
    """Hold this program to every certified value, and its digits to those of the other libraries.

    Parameters
    ----------
    folder : the published examples
    witnesses : the other libraries' values; default: scipy, statsmodels and, where it is installed, R
    """
    sets = datasets(folder)
    others = all_witnesses(sets) if witnesses is None else witnesses
    checks, digits = [], []
    for item in sets:
        ours, stopped = _ours(item)
        for name, certified in item.certified.items():
            value = ours.get(name)
            row = Digits(
                item.name,
                name,
                certified,
                cap_of(certified),
                lre(value, certified),
                tuple(
                    (other.name, lre(other.values[item.name][name], certified))
                    for other in others
                    if name in other.values.get(item.name, {})
                ),
            )
            digits.append(row)
            checks.append(_certified_check(item, name, value, stopped))
            checks += _not_below(item, row)
    return Numerics(tuple(checks), tuple(digits), tuple(others))


def _certified_check(item: Dataset, name: str, value: float | None, stopped: str) -> Check:
    certified = item.certified[name]
    asked = min(item.digits, cap_of(certified))
    return Check(
        area=AREA,
        case=item.name,
        statistic=name,
        document=item.document,
        clause=item.clause,
        address=item.address,
        printed=certified,
        computed=value,
        tolerance=abs(float(certified)) * 10.0**-asked,
        route="one_way.one_way" if item.one_way else f"regression.{_FITS[item.name].__name__}",
        note=stopped
        or f"Certified to 15 digits, more than doubles carry through a calculation; {asked} are asked for.",
    )


def _not_below(item: Dataset, row: Digits) -> list[Check]:
    """Ours against the best of the others, to a tenth of a digit."""
    if not row.others:
        return []
    best, digits = max(row.others, key=lambda other: other[1])
    return [
        Check(
            area="correct digits",
            case=row.case,
            statistic=f"correct digits of {row.statistic}",
            document=item.document,
            clause=item.clause,
            address=item.address,
            printed=f"{floor(10 * digits) / 10:.1f}",
            computed=row.ours,
            tolerance=0.0,
            rule="at least",
            note=f"Best of the others: {best} with {digits:.2f}; ours: {row.ours:.2f}.",
        )
    ]


# This program ----------------------------------------------------------------------------------------------------


def _ours(item: Dataset) -> tuple[Values, str]:
    try:
        return (_our_one_way(item) if item.one_way else _our_fit(item)), ""
    except Exception as error:  # a broken statistic is reported as a failing check
        return {}, f"The calculation stopped: {type(error).__name__}: {error}."


def _our_one_way(item: Dataset) -> Values:
    result = one_way(item.groups)
    assert result.ms_between is not None
    assert result.ms_within is not None
    assert result.s_within is not None
    between, within = result.ms_between * result.df_between, result.ms_within * result.df_within
    return {
        "ss_between": between,
        "ss_within": within,
        "ms_between": result.ms_between,
        "ms_within": result.ms_within,
        "F": np.nan if result.F is None else result.F,
        "r_squared": between / (between + within),
        "residual_sd": result.s_within.value,
    }


def _our_fit(item: Dataset) -> Values:
    fit = _FITS[item.name](item.x, item.groups[0])
    values = line_values(fit)
    for power, (value, error) in enumerate(
        zip(fit.coefficients, fit.standard_errors, strict=True), start=fit.first_power
    ):
        values |= {f"b{power}": float(value), f"se_b{power}": float(error)}
    return values


# Other libraries -------------------------------------------------------------------------------------------------


def all_witnesses(sets: Sequence[Dataset]) -> list[Witness]:
    """scipy, statsmodels and R, which is a program of its own: where it is not on the machine, a sentence says so."""
    return [_scipy(sets), _statsmodels(sets), _r(sets)]


def _doubles(item: Dataset) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    groups = [np.array([float(value) for value in group]) for group in item.groups]
    return np.array([float(value) for value in item.x]), np.concatenate(groups), groups


def _design(item: Dataset) -> np.ndarray:
    """The columns of the model, as the other libraries are given them."""
    x, _, groups = _doubles(item)
    if item.one_way:
        codes = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
        design = (codes[:, None] == np.arange(len(groups))).astype(float)
        design[:, 0] = 1.0
        return design
    first, last = (1, 1) if _FITS[item.name] is regression.line_through_zero else (0, 1)
    last = 2 if _FITS[item.name] is regression.quadratic else last
    return np.column_stack([x**power for power in range(first, last + 1)])


def _scipy(sets: Sequence[Dataset]) -> Witness:
    import scipy

    values: dict[str, Values] = {}
    for item in sets:
        x, y, groups = _doubles(item)
        if item.one_way:
            values[item.name] = {"F": float(stats.f_oneway(*groups).statistic)}
        elif item.name == "cal-nist-norris":
            line: Any = stats.linregress(x, y)
            values[item.name] = {
                "intercept": float(line.intercept),
                "slope": float(line.slope),
                "se_intercept": float(line.intercept_stderr),
                "se_slope": float(line.stderr),
                "r_squared": float(line.rvalue) ** 2,
            }
        else:
            values[item.name] = _named(item, linalg.lstsq(_design(item), y)[0])
    return Witness("scipy", scipy.__version__, values)


def _named(item: Dataset, coefficients: Any, prefix: str = "") -> Values:
    """Coefficients by the names of the certified values."""
    if item.name == "cal-nist-pontius":
        return {f"{prefix}b{power}": float(value) for power, value in enumerate(coefficients)}
    names = ("intercept", "slope") if len(coefficients) == 2 else ("slope",)
    return {f"{prefix}{name}": float(value) for name, value in zip(names, coefficients, strict=True)}


def _statsmodels(sets: Sequence[Dataset]) -> Witness:
    # Here, not at the head: it takes 0.2 to 0.3 s to import.
    import statsmodels
    from statsmodels.regression.linear_model import OLS

    values = {}
    for item in sets:
        fits = [OLS(_doubles(item)[1], _design(item)).fit(method=method) for method in ("pinv", "qr")]
        values[item.name] = _best(item, [_statsmodels_values(item, fit) for fit in fits])
    return Witness("statsmodels", statsmodels.__version__, values)


def _statsmodels_values(item: Dataset, fit: Any) -> Values:
    common = {
        "F": float(fit.fvalue),
        "r_squared": float(fit.rsquared),
        "residual_sd": sqrt(float(fit.mse_resid)),
    }
    if item.one_way:
        return common | {
            "ss_between": float(fit.ess),
            "ss_within": float(fit.ssr),
            "ms_between": float(fit.mse_model),
            "ms_within": float(fit.mse_resid),
        }
    sums = {"ss_regression": float(fit.ess), "ss_residual": float(fit.ssr)}
    return common | sums | _named(item, fit.params) | _named(item, fit.bse, "se_")


def _best(item: Dataset, candidates: Sequence[Values]) -> Values:
    """Where a library offers two ways of solving, the better of them for each value."""
    names = [name for name in item.certified if name in candidates[0]]
    return {
        name: max((values[name] for values in candidates), key=lambda value: lre(value, item.certified[name]))
        for name in names
    }


_R_SCRIPT = """
say <- function(set, names, values) cat(sprintf("%s\\t%s\\t%.17g\\n", set, names, values), sep = "")
cat(sprintf("version\\t%s\\t0\\n", R.version.string))
"""
_R_ONE_WAY = """
d <- read.csv("{name}.csv"); m <- lm(y ~ factor(g), d); a <- anova(m); s <- summary(m)
say("{name}", c("ss_between", "ss_within", "ms_between", "ms_within", "F", "r_squared", "residual_sd"),
    c(a[1, 2], a[2, 2], a[1, 3], a[2, 3], a[1, 4], s$r.squared, s$sigma))
"""
_R_FIT = """
d <- read.csv("{name}.csv"); m <- lm({formula}, d); s <- summary(m)
say("{name}", c({names}, "residual_sd", "r_squared", "F", "ss_residual", "ss_regression"),
    c(s$coefficients[, 1], s$coefficients[, 2], s$sigma, s$r.squared, s$fstatistic[1], sum(resid(m)^2),
      sum(anova(m)[seq_len(nrow(anova(m)) - 1), 2])))
"""


def _r(sets: Sequence[Dataset]) -> Witness:
    program = shutil.which("Rscript")
    if program is None:
        return Witness("R", "", {}, "R (Rscript) is not on this machine and was left out.")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        script = _R_SCRIPT + "".join(_r_part(item, folder) for item in sets)
        (folder / "sets.R").write_text(script, encoding="utf-8")
        try:
            done = subprocess.run(
                [program, "--vanilla", "sets.R"],
                cwd=folder,
                capture_output=True,
                text=True,
                timeout=R_TIMEOUT,
                check=True,
            )
            return _r_values(done.stdout)
        except subprocess.TimeoutExpired:
            return Witness("R", "", {}, f"R did not answer within {R_TIMEOUT:.0f} s and was left out.")
        except (subprocess.CalledProcessError, OSError, ValueError):
            return Witness("R", "", {}, "R is on this machine but did not compute the sets; it was left out.")


def _r_part(item: Dataset, folder: Path) -> str:
    """Write the readings of one set, and return the lines of R that compute it."""
    if item.one_way:
        rows = [f"{code},{value}" for code, group in enumerate(item.groups) for value in group]
        head, part = "g,y", _R_ONE_WAY.format(name=item.name)
    else:
        rows = [f"{x},{y}" for x, y in zip(item.x, item.groups[0], strict=True)]
        count = _design(item).shape[1]
        names = [*_named(item, range(count)), *_named(item, range(count), "se_")]
        quoted = ", ".join(f'"{name}"' for name in names)
        head, part = "x,y", _R_FIT.format(name=item.name, formula=_FORMULAS[item.name], names=quoted)
    (folder / f"{item.name}.csv").write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return part


def _r_values(text: str) -> Witness:
    version = ""
    values: dict[str, Values] = {}
    for line in text.splitlines():
        item, name, value = line.split("\t")
        if item == "version":
            version = name
        else:
            values.setdefault(item, {})[name] = float(value)
    return Witness("R", version, values)
