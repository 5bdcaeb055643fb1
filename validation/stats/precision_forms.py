"""Which form the precision takes over the levels: four forms of s(x), fitted by likelihood and compared by AICc."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from validation.stats.estimate import check_sizes
from validation.stats.variance_function import linear_sd, root_sum_square_sd

#: Forms whose AICc lies within this of the smallest describe the data about as well.
WITHIN = 2.0
RULE = (
    "Four forms are fitted by likelihood: constant, proportional, linear, root-sum-square. The smallest AICc decides; "
    "among forms within 2 units of it the one with fewer parameters is taken, then linear before root-sum-square, "
    "then the smaller AICc."
)
SOURCE = (
    "ISO 5725-2:1994, 7.5 (the first three); likelihood of scaled chi-square variances; AICc: Hurvich and Tsai, "
    "Biometrika 1989, 76, 297; within 2 units: Burnham and Anderson 2002, 2.6 (all from memory)"
)
#: Name and formula of each form, those of fewer parameters first, then in the order of preference.
FORMULAS = {
    "constant": "s = a",
    "proportional": "s = b x",
    "linear": "s = a + b x",
    "root-sum-square": "s² = a² + b² x²",
}
PARAMETERS = {"constant": 1, "proportional": 1, "linear": 2, "root-sum-square": 2}
_PREFERENCE = {"constant": 0, "proportional": 0, "linear": 1, "root-sum-square": 2}


@dataclass(frozen=True, slots=True)
class SdForm:
    """One fitted form. `constant` in the unit of s, `slope` in that unit per unit of level; None where it has none.

    `log_likelihood` leaves out what all forms share and so depends on the unit; differences do not. It and `aicc` are
    None where the form cannot be compared.

    Attributes
    ----------
    name : a key of `FORMULAS`
    constant : in the unit of s
    slope : in that unit per unit of level
    log_likelihood, aicc : unit 1
    """

    name: str
    constant: float | None
    slope: float | None
    log_likelihood: float | None
    aicc: float | None

    @property
    def formula(self) -> str:
        return FORMULAS[self.name]

    def at(self, levels: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
        """The fitted standard deviation at levels, shape (N,)."""
        x = np.asarray(levels, dtype=float)
        a, b = self.constant or 0.0, self.slope or 0.0
        return np.hypot(a, b * x) if self.name == "root-sum-square" else a + b * x


@dataclass(frozen=True, slots=True)
class PrecisionFormsResult:
    """The four forms in the order of `FORMULAS`, and the one that the rule takes.

    Attributes
    ----------
    forms : the four
    chosen : one of them
    degrees_of_freedom : in all
    n_levels : number of levels
    notes : whole sentences
    source : document and clause
    """

    forms: tuple[SdForm, ...]
    chosen: SdForm
    degrees_of_freedom: float
    n_levels: int
    notes: tuple[str, ...] = ()
    source: str = SOURCE


def precision_forms(levels: Sequence[float], sds: Sequence[float], dfs: Sequence[float]) -> PrecisionFormsResult:
    """Fit four forms of s(x) to the standard deviations of three levels or more, and choose one.

    Each variance is taken as s(x)^2 chi-square(df) / df, independent of the others. With k parameters and N degrees of
    freedom in all, AICc = -2 log L + 2 k + 2 k (k + 1) / (N - k - 1): the data are N independent contrasts of the
    readings. For one parameter this is exactly the expected optimism, 2 N / (N - 2).

    Parameters
    ----------
    levels : shape (L,), L >= 3 distinct, none below zero
    sds, dfs : shape (L,), standard deviation and degrees of freedom (> 0) at each level

    Returns
    -------
    PrecisionFormsResult

    Raises
    ------
    ValueError
        Fewer than three levels, a level below zero, or no scatter at any level.

    References
    ----------
    ISO 5725-2:1994, 7.5 (from memory); see `SOURCE`.

    Examples
    --------
    The constant form is the pooled standard deviation: six batches of dyestuff, Davies and Goldsmith 1972 (49.510).

    >>> variances = [3975.0, 1107.5, 1442.5, 4720.0, 2500.0, 962.5]
    >>> sds = [variance**0.5 for variance in variances]
    >>> round(precision_forms([1, 2, 3, 4, 5, 6], sds, [4] * 6).forms[0].constant, 2)
    49.51
    """
    x, s, df = (np.asarray(values, dtype=float) for values in (levels, sds, dfs))
    if np.unique(x).size < 3:
        raise ValueError(f"forms over levels need three levels or more; got {np.unique(x).size}")
    if x.min() < 0:
        raise ValueError(f"levels must be 0 or above; got {x.min()}")
    if not np.any(s > 0):
        raise ValueError("sds must scatter at one level at least; got zero throughout")
    check_sizes([*x, *s], "levels and sds")
    sums, total = df * s**2, float(df.sum())
    line = linear_sd(x, sums, df)
    parts: dict[str, tuple[float | None, float | None]] = {
        "constant": (float(np.sqrt(sums.sum() / total)), None),
        # At level 0 this form leaves no scatter at all: readings there rule it out.
        "proportional": (None, float(np.sqrt((sums / x**2).sum() / total)) if x.min() > 0 else None),
        "linear": (line.constant, line.slope),
        "root-sum-square": root_sum_square_sd(x, sums, df),
    }
    forms = tuple(_compared(name, *parts[name], x, sums, df) for name in FORMULAS)
    notes = () if x.min() > 0 else ("The proportional form is left out: it allows no scatter at level 0.",)
    return PrecisionFormsResult(forms, choose(forms), total, int(x.size), notes)


def _compared(
    name: str,
    constant: float | None,
    slope: float | None,
    x: NDArray[np.float64],
    sums: NDArray[np.float64],
    df: NDArray[np.float64],
) -> SdForm:
    """The form with its log likelihood and AICc, without where it has no parameters."""
    form = SdForm(name, constant, slope, None, None)
    if constant is None and slope is None:
        return form
    variances = form.at(x) ** 2
    log_likelihood = -0.5 * float((df * np.log(variances) + sums / variances).sum())
    k = PARAMETERS[name]
    room = float(df.sum()) - k - 1
    aicc = -2 * log_likelihood + 2 * k + 2 * k * (k + 1) / room if room > 0 else None
    return SdForm(name, constant, slope, log_likelihood, aicc)


def choose(forms: Sequence[SdForm]) -> SdForm:
    """The form that `RULE` takes; the linear one where too few degrees of freedom leave nothing to compare.

    Parameters
    ----------
    forms : the fitted forms, in any order; `aicc` of unit 1

    Returns
    -------
    SdForm, one of them

    Raises
    ------
    StopIteration
        None can be compared and none is linear.

    References
    ----------
    Burnham and Anderson 2002, 2.6 (within 2 units; from memory).
    """
    known = [(form.aicc, form) for form in forms if form.aicc is not None]
    if not known:
        return next(form for form in forms if form.name == "linear")
    smallest = min(aicc for aicc, _ in known)
    near = [(_PREFERENCE[form.name], aicc, form) for aicc, form in known if aicc <= smallest + WITHIN]
    return min(near, key=lambda entry: entry[:2])[2]
