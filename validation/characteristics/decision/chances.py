"""Probabilities as this chapter prints them."""

from __future__ import annotations

from validation.words import significant


def percent(p: float, digits: int = 2) -> str:
    """A probability in per cent: 5.0, 0.031."""
    if 0 < p < 1e-7:
        return "< 0.00001 %"
    return f"{significant(100 * p, digits)} %"


def chance(p: float) -> str:
    """A probability of one result in per cent, where thousandths of a per cent are nothing."""
    if p < 1e-5:
        return "< 0.001 %"
    return "> 99.9 %" if p > 0.9995 else percent(p, 3 if p >= 0.01 else 2)


def in_hundred_thousand(p: float) -> str:
    """A probability as so many in 100 000."""
    count = 100_000 * p
    return f"{significant(count, 2)}" if count >= 0.1 else "fewer than 0.1"
