"""How much data would settle a requirement that is not shown: the smallest number of units with a stated power.

Powers are those of statsmodels and scipy. The search is over whole numbers here: `solve_power` of statsmodels is 2e-6
off and gives fractions (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Any

from scipy import integrate, special

from validation.stats.intervals import chi_square_quantile, t_quantile

#: Power asked of a repetition: a truly good method shall be shown good nine times in ten (common practice).
POWER = 0.9
#: Beyond this many units no laboratory repeats an experiment; the sentence then says that none can settle it.
MOST_UNITS = 2000
#: Points of Gauss's rule: 2e-5 of the power at worst from 2 to 2000 units.
_NODES = 60


@dataclass(frozen=True, slots=True)
class SampleSizeResult:
    """The smallest number of units that settles, or None; what was assumed of the truth; the power asked for.

    Attributes
    ----------
    units : number of independent units, or degrees of freedom; None where no number suffices
    assumed : true difference or standard deviation that was assumed, in the unit of the readings
    standard_deviation : of one unit
    power : chance that was asked for
    source : the test
    """

    units: int | None
    assumed: float
    standard_deviation: float
    power: float
    source: str


def equivalence_power(difference: float, sd: float, units: int, limit: float, *, alpha: float) -> float:
    """Power of two one-sided t tests of a mean of `units` independent results.

    Parameters
    ----------
    difference, sd, limit : true difference from the target, standard deviation of one unit, half-width; one unit
    units : number of independent units, at least 2
    alpha : level of each one-sided test

    Returns
    -------
    float, the chance that the 1 - 2*alpha interval lies inside the limit

    Raises
    ------
    None; units below 2 give NaN.

    References
    ----------
    Schuirmann 1987, J. Pharmacokin. Biopharm. 15, 657 (two one-sided tests); power by integrating over the
    chi-square distribution of s^2 (from memory).
    """
    df = units - 1
    error = sd / sqrt(units)
    half = t_quantile(1 - alpha, df) * error

    def inside(p: Any) -> Any:
        """The chance where s has its quantile p."""
        room = limit - half * (chi_square_quantile(p, df) / df) ** 0.5
        return special.ndtr((room - difference) / error) - special.ndtr((-room - difference) / error)

    widest = special.chdtr(df, df * (limit / half) ** 2)  # beyond this p no interval fits inside the limit
    return float(integrate.fixed_quad(inside, 0.0, widest, n=_NODES)[0])


def units_for_equivalence(difference: float, sd: float, limit: float, *, alpha: float) -> SampleSizeResult:
    """Smallest number of units for `POWER` when the true difference is `difference`.

    Parameters
    ----------
    difference, sd, limit : true difference from the target, standard deviation of one unit, half-width; one unit
    alpha : level of each one-sided test

    Returns
    -------
    SampleSizeResult, `units` None where the difference is not inside the limit or `MOST_UNITS` do not suffice

    Raises
    ------
    None.

    References
    ----------
    ASTM E2935 chooses the size of an equivalence test by its risks (scope read; formula as `equivalence_power`).
    """
    source = "two one-sided t tests (Schuirmann 1987)"
    if not (abs(difference) < limit and sd > 0 and isfinite(sd)):
        return SampleSizeResult(None, difference, sd, POWER, source)
    units = _smallest(lambda units: equivalence_power(difference, sd, units, limit, alpha=alpha), 2)
    return SampleSizeResult(units, difference, sd, POWER, source)


def units_for_mean_bound(room: float, sd: float, *, alpha: float) -> SampleSizeResult:
    """Smallest number of units with which the one-sided 1 - alpha bound of a mean stays on its side of a limit.

    Parameters
    ----------
    room, sd : distance of the true mean from the limit, positive on the good side; standard deviation of one unit
    alpha : one-sided level of the bound

    Returns
    -------
    SampleSizeResult, `units` None where there is no room or `MOST_UNITS` do not suffice

    Raises
    ------
    None.

    References
    ----------
    Power of the one-sided one-sample t test by the non-central t distribution (any textbook; from memory).

    Examples
    --------
    One-sided t test of a shift of half a standard deviation at 5 % with power 0.9: R's power.t.test gives 35.7 units
    (from memory).

    >>> units_for_mean_bound(0.5, 1.0, alpha=0.05).units
    36
    """
    source = "one-sided t test, non-central t"
    if not (room > 0 and sd > 0 and isfinite(sd)):
        return SampleSizeResult(None, room, sd, POWER, source)

    from statsmodels.stats.power import TTestPower  # few studies need it; its package takes a while to import

    test = TTestPower()
    units = _smallest(lambda units: float(test.power(room / sd, units, alpha, alternative="larger")), 2)
    return SampleSizeResult(units, room, sd, POWER, source)


def df_for_upper_bound(sd: float, limit: float, *, alpha: float) -> SampleSizeResult:
    """Smallest degrees of freedom with which the 1 - alpha upper bound of a standard deviation stays below a limit.

    Parameters
    ----------
    sd, limit : true standard deviation and its limit, one unit
    alpha : one-sided level of the bound

    Returns
    -------
    SampleSizeResult whose `units` are degrees of freedom; None where sd >= limit or `MOST_UNITS` do not suffice

    Raises
    ------
    None.

    References
    ----------
    The bound s * sqrt(df / chi2(alpha, df)); its distribution when s^2 df / sd^2 is chi-square (ISO 2854, from memory).
    """
    source = "chi-square bound of a standard deviation"
    if not 0 < sd < limit:
        return SampleSizeResult(None, sd, sd, POWER, source)

    ratio = min(limit / sd, 1e100)  # beyond, every number suffices, and the square is no double

    def power(df: int) -> float:
        return float(special.chdtr(df, ratio**2 * chi_square_quantile(alpha, df)))

    return SampleSizeResult(_smallest(power, 1), sd, sd, POWER, source)


def _smallest(power: Callable[[int], float], least: int) -> int | None:
    """The smallest number, not below `least`, whose power suffices; power grows with the number."""
    low, high = least, MOST_UNITS
    if power(high) < POWER:
        return None
    while low < high:
        middle = (low + high) // 2
        if power(middle) >= POWER:
            high = middle
        else:
            low = middle + 1
    return low
