"""Bytes of a text file as text, or the fault that forbids it; numbers and times as a bench record writes them."""

from __future__ import annotations

import re
from datetime import date, datetime
from decimal import Decimal

from validation.faults import Fault

LARGEST = 50_000_000

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
        return "", [Fault(file, "The encoding is wrong.", mend, row=1, found="UTF-16", expected="UTF-8")]
    if raw.startswith(b"PK\x03\x04"):
        mend = "Name it .xlsx, here and in plan.yaml, or save it as CSV UTF-8."
        reason = "The file is a workbook (or another packed file) under the name of a text file."
        return "", [Fault(file, reason, mend, found="a packed file", expected="UTF-8 text")]
    if b"\x00" in raw:
        row = raw[: raw.index(b"\x00")].count(b"\n") + 1
        mend = "The file is damaged or not a text file; restore it from a copy or save it again as UTF-8 text."
        found, expected = "a NUL byte", "UTF-8 text"
        return "", [Fault(file, "The file holds NUL bytes.", mend, row=row, found=found, expected=expected)]
    try:
        return raw.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        row = raw[: error.start].count(b"\n") + 1
        mend = _as_utf8(file)
        found = f"byte {raw[error.start]:#04x}"
        return "", [Fault(file, "The encoding is wrong.", mend, row=row, found=found, expected="UTF-8")]


def _as_utf8(file: str) -> str:
    how = ' ("CSV UTF-8" in a spreadsheet program)' if file.lower().endswith(".csv") else ""
    return f'Save it again with the encoding "UTF-8"{how}.'


def decimal(text: str) -> Decimal | None:
    """The exact decimal that a text with a decimal point writes; None where it is no finite number of ordinary size."""
    if not NUMBER.fullmatch(text):
        return None
    value = Decimal(text)
    # Beyond this a double is infinite or loses every digit, and no reading is that large.
    return value if value == 0 or -300 <= value.adjusted() <= 300 else None


def censored(text: str) -> bool:
    """Whether the text is a censored reading such as "<0.1"."""
    found = CENSORED.fullmatch(text)
    return found is not None and decimal(found.group(1)) is not None


def moment(text: str) -> tuple[datetime, bool] | None:
    """An ISO 8601 time, and whether it is a date without a time of day; None where it is neither."""
    text = text.strip()
    if not re.match(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        return None
    try:
        if len(text) == 10:
            day = date.fromisoformat(text)
            return datetime(day.year, day.month, day.day), True
        return datetime.fromisoformat(text), False
    except ValueError:
        return None
