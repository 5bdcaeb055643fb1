"""Numbers as a page prints them. Rounding lives here and nowhere below."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal
from math import ceil, floor, isfinite, log10
from typing import Any

MINUS = "\u2212"
THIN_SPACE = "\u2009"

#: Digits before or behind the point beyond which a number is written with a power of ten.
_LONGEST = 15


def places_for(uncertainty: float, digits: int = 2) -> int:
    """Decimal places that show `uncertainty` with `digits` significant digits; negative for tens, hundreds."""
    if not isfinite(uncertainty) or uncertainty <= 0:
        return 3
    places = digits - 1 - floor(log10(uncertainty))
    # 0.0996 rounds up to 0.10: one digit more than asked for.
    if round(uncertainty, places) >= 10 ** (digits - places):
        places -= 1
    return places


def fixed(value: float, places: int) -> str:
    """`value` to `places` decimals, true minus sign, thin space in thousands."""
    if not isfinite(value):
        return str(value)
    quantum = Decimal(1).scaleb(-places)
    exact = Decimal(repr(float(value)))
    # With as many digits as the number has: a thousandth of 1e30 has 34.
    room = Context(prec=max(28, exact.adjusted() + abs(places) + 3))
    rounded = exact.quantize(quantum, rounding=ROUND_HALF_EVEN, context=room) if places < 25 else exact
    text = f"{rounded.copy_abs():f}"  # abs() would round to 28 digits
    whole, dot, part = text.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", THIN_SPACE)
    sign = MINUS if rounded < 0 else ""
    return f"{sign}{whole}{dot}{part}"


def significant(value: float, digits: int = 3) -> str:
    """`value` to `digits` significant digits; powers of ten where it is very large or very small."""
    if value == 0 or not isfinite(value):
        return "0" if value == 0 else str(value)
    exponent = floor(log10(abs(value)))
    if exponent < -4 or exponent > 6:
        mantissa = value / 10.0**exponent
        return f"{fixed(mantissa, digits - 1)} × 10^{str(exponent).replace('-', MINUS)}"
    return fixed(value, digits - 1 - exponent)


def with_interval(value: float, interval: tuple[float, float] | None) -> tuple[str, str]:
    """The value and "from ... to ..." to the place that shows a quarter of the interval with two digits."""
    if interval is None:
        return significant(value), ""
    plain = all(isfinite(end) for end in interval) and interval[0] != interval[1]
    places = places_for((interval[1] - interval[0]) / 4) if plain else 0
    if not plain or places > _LONGEST or max(map(abs, (value, *interval))) >= 10**_LONGEST:
        return significant(value), f"{significant(interval[0])} to {significant(interval[1])}"
    return fixed(value, places), f"{fixed(interval[0], places)} to {fixed(interval[1], places)}"


def share_text(share: float, content: float, *, side: int = 0) -> str:
    """A share of one as "95.8 %", with a digit more than the content that it is held against.

    A lower bound (`side` -1) is rounded down and an upper one (1) up, so that neither says more than it is; what is not
    all of them is never written as 100 %, but as an upper bound.
    """
    digits = len(f"{100 * content:.10g}".partition(".")[2]) + 1
    places = max(digits, 2 if share >= 0.99 else 1)
    scaled = 100 * share * 10**places
    whole = (floor(scaled + 1e-6), round(scaled), ceil(scaled - 1e-6))[side + 1]
    most = 10 ** (places + 2) - (1 if side <= 0 and share < 1 else 0)
    return f"{fixed(min(whole, most) / 10**places, places)} %"


def level_text(at: Any) -> str:
    """A level, sample or definition as the page names it: 4 rather than 4.0."""
    if at is None:
        return ""
    if isinstance(at, float | int):
        return f"{at:.10g}".replace("-", MINUS)
    return str(at)


def p_value(p: float) -> str:
    """A p-value as a number, never stars."""
    return "< 0.0001" if p < 0.0001 else fixed(p, 4)


def number_in_table(cell: Any) -> str:
    """A raw cell of a further table: text stays, numbers to four significant digits and four decimals at most.

    A number below a thousandth keeps two digits, so that a column does not end in digits without meaning.
    """
    if cell is None:
        return ""
    if isinstance(cell, bool) or not isinstance(cell, float | int):
        return str(cell)
    if isinstance(cell, int):
        return level_text(cell)
    if cell == 0 or not isfinite(cell) or abs(cell) < 1e-7 or abs(cell) >= 1:
        return significant(cell, 4)
    exponent = floor(log10(abs(cell)))
    return fixed(cell, max(1 - exponent, min(3 - exponent, 4)))


def table_cells(head: Sequence[str], row: Sequence[Any]) -> tuple[str, ...]:
    """One row of a further table as printed: a level is named, a p-value is one, every other number is rounded."""
    return tuple(_cell(name, cell) for name, cell in zip(head, row, strict=True))


def _cell(name: str, cell: Any) -> str:
    if name == "level":
        return level_text(cell)
    if isinstance(cell, float) and (name == "p" or name.startswith("p of ")):
        return p_value(cell)
    return number_in_table(cell)


def sentence_list(items: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + f" and {items[-1]}" if items else ""


def counted(number: int, noun: str) -> str:
    """ "1 laboratory", "2 laboratories"."""
    return f"{number} {noun if number == 1 else plural(noun)}"


def plural(noun: str) -> str:
    """The plural of a regular noun."""
    return noun[:-1] + "ies" if re.search("[^aeiou]y$", noun) else noun + "s"
