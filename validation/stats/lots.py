"""Assigned values of two lots of a standard side by side."""

from __future__ import annotations

from math import hypot

from validation.stats.estimate import Estimate, Number, exact

SOURCE = "normalised difference of two assigned values (common practice; as the zeta score of ISO 13528, from memory)"


def normalised_difference(value: Number, uncertainty: float, other: Number, other_uncertainty: float) -> Estimate:
    """|w1 - w2| / sqrt(u1^2 + u2^2), standard uncertainties; above 2 the values do not agree.

    Parameters
    ----------
    value, other : assigned values, one unit
    uncertainty, other_uncertainty : their standard uncertainties, at least one above 0, none below

    Returns
    -------
    Estimate without an interval: it is itself a difference in units of its uncertainty

    Raises
    ------
    ValueError
        An uncertainty below zero, or both zero.

    References
    ----------
    ISO 13528:2015, 9.6 (zeta score; from memory). What the two values share, such as one balance, is counted twice:
    the true uncertainty of their difference is smaller then, and the normalised difference larger.

    Examples
    --------
    NIST, reference manual of Dataplot, ISO 13528 zeta score of gear diameters, first laboratory: printed 0.785 (cut).

    >>> round(normalised_difference(1.006, 0.004346134937, 1.0, 0.006278904878).value, 4)
    0.7857
    """
    if min(uncertainty, other_uncertainty) < 0 or max(uncertainty, other_uncertainty) == 0:
        raise ValueError(
            f"standard uncertainties must not be negative, nor both zero; got {uncertainty}, {other_uncertainty}"
        )
    difference = abs(float(exact(value) - exact(other)))
    return Estimate(difference / hypot(uncertainty, other_uncertainty), n=2, units=2, source=SOURCE)
