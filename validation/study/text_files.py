"""Bytes of a text file as text, or the fault that forbids it; numbers and times as a bench record writes them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

from validation.faults import Fault

LARGEST = 50_000_000
#: The years that a time of this study can have; beyond them arithmetic of time zones overflows.
YEARS = (1900, 2200)

#: How many of each unit make a mass fraction of 1.
UNITS: Mapping[str, float] = {
    "%": 100.0,
    "% (m/m)": 100.0,
    "% m/m": 100.0,
    "1": 1.0,
    "g/g": 1.0,
    "kg/kg": 1.0,
    "mg/g": 1e3,
    "g/kg": 1e3,
    "mg/kg": 1e6,
}


def whole_of(unit: str) -> float | None:
    """What no content can exceed, where the unit is one of mass fraction; the unit 1 may be that of any ratio."""
    return None if unit == "1" else UNITS.get(unit)


# ASCII digits only: \d would let digits of every script pass.
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
CENSORED = re.compile(r"[<>≤≥]\s*=?\s*(" + NUMBER.pattern + ")")


def decode(raw: bytes, file: str, *, largest: int = LARGEST) -> tuple[str, list[Fault]]:
    """Bytes as UTF-8 text, with or without byte order mark, or the fault that forbids it."""
    if len(raw) > largest:
        mend = "Keep documents and instrument exports in records/."
        return "", [Fault(file, f"The file has {len(raw)} bytes.", mend, expected=f"at most {largest} bytes")]
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        mend = _as_utf8(file)
        return "", [Fault(file, "The encoding is wrong.", mend, row=1, value="UTF-16", expected="UTF-8")]
    if raw.startswith(b"PK\x03\x04"):
        mend = "Name it .xlsx, here and in plan.yaml, or save it as CSV UTF-8."
        reason = "The file is a workbook (or another packed file) under the name of a text file."
        return "", [Fault(file, reason, mend, value="a packed file", expected="UTF-8 text")]
    if b"\x00" in raw:
        row = raw[: raw.index(b"\x00")].count(b"\n") + 1
        mend = "The file is damaged or not a text file; restore it from a copy or save it again as UTF-8 text."
        reason = "The file holds NUL bytes."
        return "", [Fault(file, reason, mend, row=row, value="a NUL byte", expected="UTF-8 text")]
    try:
        return raw.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        row = raw[: error.start].count(b"\n") + 1
        mend = _as_utf8(file)
        byte = f"byte {raw[error.start]:#04x}"
        return "", [Fault(file, "The encoding is wrong.", mend, row=row, value=byte, expected="UTF-8")]


def read_raw(folder: Path, name: str) -> tuple[bytes | None, list[Fault]]:
    """The bytes of a file of the program's own, None where there is none, or the fault that forbids reading them."""
    path = folder / name
    try:
        return (path.read_bytes() if path.is_file() else None), []
    except OSError as error:
        reason = f"The file cannot be read: {error.strerror or error}."
        return b"", [Fault(name, reason, "Check the access rights.")]


def read_text(folder: Path, name: str) -> tuple[str | None, list[Fault]]:
    """The text of such a file, None where there is none, or the fault that forbids reading it."""
    raw, faults = read_raw(folder, name)
    return (None, faults) if raw is None or faults else decode(raw, name)


def _as_utf8(file: str) -> str:
    how = ' ("CSV UTF-8" in a spreadsheet program)' if file.lower().endswith(".csv") else ""
    return f'Save it again with the encoding "UTF-8"{how}.'


def ordinary(value: float | Decimal) -> bool:
    """Whether a number is of a size that can be computed with: its fourth power must not overflow a double."""
    return value == 0 or 1e-50 <= abs(float(value)) <= 1e50


def decimal(text: str) -> Decimal | None:
    """The exact decimal that a text with a decimal point writes; None where it is no finite number of ordinary size."""
    if not NUMBER.fullmatch(text):
        return None
    value = Decimal(text)
    if not value:
        # 0e999999999 is zero, but its exponent alone would fill the memory in exact arithmetic.
        return value if abs(int(value.as_tuple().exponent)) <= 50 else Decimal(0)
    return value if ordinary(value) and not too_fine(value) else None


def too_fine(value: Decimal) -> bool:
    """Whether a number is written to more than a hundred decimals: differences of such have no square in a double."""
    return int(value.as_tuple().exponent) < -100


def same_value(first: str, second: str) -> bool:
    """The same text, or the same number: 20.7 and 20.70 are one value."""
    number = decimal(first)
    return first == second or (number is not None and number == decimal(second))


def censored(text: str) -> bool:
    """Whether the text is a censored reading such as "<0.1"."""
    return bound_of(text) is not None


def bound_of(text: str) -> Decimal | None:
    """The limit that a censored reading names; None where the text is none."""
    match = CENSORED.fullmatch(text)
    return decimal(match[1]) if match else None


def is_below(text: str) -> bool:
    """Whether a censored reading says that the result lies below its limit, and not above."""
    return text.startswith(("<", "≤"))


def moment(text: str) -> tuple[datetime, bool] | None:
    """An ISO 8601 time of our age, and whether it is a date without a time of day; None where it is neither."""
    when = _moment(text.strip())
    return None if when is None or year_out_of_bounds(when[0]) else when


def _moment(text: str) -> tuple[datetime, bool] | None:
    if not re.match(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        return None
    try:
        if len(text) == 10:
            day = date.fromisoformat(text)
            return datetime(day.year, day.month, day.day), True
        return datetime.fromisoformat(text), False
    except ValueError:
        return None


def year_out_of_bounds(day: date) -> str:
    """Why a day cannot be meant, or an empty text."""
    low, high = YEARS
    return "" if low <= day.year <= high else f"The year {day.year:04d} is outside {low} to {high}."


def why_no_moment(text: str, order: str | None = None) -> tuple[str, str]:
    """Why `moment` takes no time from a text, and the correction; `order` is that of dates in the plan."""
    mend = "Write 2026-07-01 or 2026-07-01T09:30."
    when = _moment(text.strip())
    if when is not None and (beyond := year_out_of_bounds(when[0])):
        return beyond, mend
    if re.fullmatch(r"[2-7][0-9]{4}(?:\.[0-9]+)?", text.strip()):
        return "The cell holds the number behind a date.", f"Give the cells the format of a date. {mend}"
    if not is_written_date(text.strip()):
        return "The time cannot be read.", mend
    if order is None:
        orders = ", ".join(DATE_ORDERS)
        state = f"State in plan.yaml how dates are written (study.date_order: one of {orders}), or write"
        return "The plan does not state the order of day and month in dates.", mend.replace("Write", state)
    reason = f"This is no date in the order {order} that the plan states, with four digits of the year."
    return reason, f"Correct the date or study.date_order. {mend}"


#: The orders in which a plan may say that dates are written.
DATE_ORDERS = ("day-month-year", "month-day-year", "year-month-day")
_WRITTEN_DATE = re.compile(
    r"(?P<first>[0-9]{1,4})(?P<mark>[./-])\s?(?P<second>[0-9]{1,2})(?P=mark)\s?(?P<third>[0-9]{1,4})\.?"
    r"(?:(?:,?\s+|T)(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(?::(?P<s>[0-9]{2}))?(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?)?"
)


def is_written_date(text: str) -> bool:
    """Whether a text is a date such as 1.7.2026, in whatever order, and not one of ISO 8601."""
    return moment(text) is None and _WRITTEN_DATE.fullmatch(text) is not None


def iso_of_written(text: str, order: str) -> str:
    """A date such as 1.7.2026 or 1/7/2026 08:30 in ISO 8601, or an empty text where it is none in this order.

    `order` is one of `DATE_ORDERS`; a text that is ISO 8601 already needs none.
    """
    match = _WRITTEN_DATE.fullmatch(text)
    if match is None or not is_written_date(text):
        return ""
    parts = dict(zip(order.split("-"), (match["first"], match["second"], match["third"]), strict=True))
    try:
        day = datetime(*(int(parts[name]) for name in ("year", "month", "day")))  # type: ignore[arg-type]
        if match["hour"] is None:
            return day.date().isoformat() if len(parts["year"]) == 4 else ""
        hour, half = int(match["hour"]), (match["half"] or "").lower()
        if half:
            hour = hour % 12 + (12 if half == "p" else 0) if 1 <= hour <= 12 else 24
        written = day.replace(hour=hour, minute=int(match["minute"]), second=int(match["s"] or 0))
    except ValueError:
        return ""
    return written.isoformat() if len(parts["year"]) == 4 else ""


#: Letters and marks that print as nothing although their category does not say so: fillers, selectors, joiners.
_BLANK_LETTERS = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)


def hidden_character(text: str) -> str:
    """The first character of a text that is not seen: a control, a format character, a filler; blanks are seen."""
    if text.isascii() and text.isprintable():
        return ""
    return next((mark for mark in text if _hidden(mark)), "")


def _hidden(mark: str) -> bool:
    kind = unicodedata.category(mark)
    return kind[0] == "C" or kind in ("Zl", "Zp") or _BLANK_LETTERS.match(mark) is not None
