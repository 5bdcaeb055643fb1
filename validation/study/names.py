"""Names that are written in many places: whether each is clean, and which two of them a person takes for one."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import NamedTuple

from validation.faults import Fault
from validation.study.text_files import hidden_character

#: Letters of Greek and Cyrillic that look like a Latin one; a small part of Unicode's confusables (UTS 39), from
#: memory. The small mu is left out: 5 µL is not 5 mL.
_LOOK_ALIKE = str.maketrans(
    "ΑΒΕΖΗΙΚΜΝΟΡΤΥΧαγηικνορυχϲϳ" + "АВЕКМНОРСТУХІЈЅҺԌԚԜӀавекмнорстухіјѕһԁԛԝӏ",
    "abezhikmnoptyxaynikvopuxcj" + "abekmhopctyxijshgqwlabekmhopctyxijshdqwl",
)
_BLANKS = re.compile(r"\s+")
#: Every dash, the minus sign and the underscore, with the blanks about it; \s holds no-break and thin blanks too.
_JOINTS = re.compile(r"[\s\-_\u00ad\u058a\u05be\u2010-\u2015\u2043\u207b\u2212\u2e3a\u2e3b\u30fb\uff0d]+")
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9]*(?:-[A-Za-z0-9]+)*")
_WHOLE = re.compile(r"0*([0-9]+)(?:\.0+)?")
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")


def readings_of(text: str) -> tuple[str, ...]:
    """What is left of a name when everything that the eye passes over is taken away; with and without its blanks.

    Compatibility forms, case, invisible characters and look-alike letters are folded; every blank, dash and underscore
    becomes one hyphen, a decimal comma a point; 01 and 1.0 are 1, but 1.10 is not 1.1, for runs are numbered so. A
    joint that is missing makes another name (A-1, A1), unless it is a blank: "R 1" is "R-1" and "R1".
    """
    if _PLAIN.fullmatch(text):  # most names, and nothing to fold but their case
        return (text.lower(),)
    text = plain(text)
    if not text.isascii():
        text = unicodedata.normalize("NFKC", text).translate(_LOOK_ALIKE)
    text = _DECIMAL_COMMA.sub(".", text.casefold().strip())
    if number := _WHOLE.fullmatch(text):
        return (number[1],)
    joined = _JOINTS.sub("-", text)
    whole = _BLANKS.sub("", text)
    return (joined,) if whole == text else (joined, _JOINTS.sub("-", whole))


class Place(NamedTuple):
    """Where a name occurs first, and in how many rows of that file; `fixed` where the plan states it."""

    file: str
    row: int | None
    reading: str | None
    column: str
    fixed: bool = False
    rows: int = 1

    def __str__(self) -> str:
        where = f", row {self.row}" if self.row else f", {self.column}" if self.fixed else ""
        return f"{self.file}{where}"


class Names:
    """The names of one kind of thing, each with the places where it is written."""

    def __init__(self, kind: str):
        self.kind = kind
        self.places: dict[str, Place] = {}

    def add(self, name: str, place: Place) -> None:
        self.places.setdefault(name, place)

    def faults(self) -> Iterable[Fault]:
        """One fault a name that is nearly another. Right is that of the plan, else of more rows, else the plain one."""
        known: dict[str, str] = {}
        each = {name: readings_of(name) for name in self.places}
        if len({reading for readings in each.values() for reading in readings}) == sum(map(len, each.values())):
            return
        for name in sorted(self.places, key=self._standing):
            readings = each[name]
            other = next((known[reading] for reading in readings if reading in known), None)
            if other is not None and not self._told_with_the_plan(name, other):
                yield self._near_miss(name, other)
            for reading in readings:
                known.setdefault(reading, name)

    def _standing(self, name: str) -> tuple[bool, int, bool]:
        place = self.places[name]
        return not place.fixed, -place.rows, not name.isascii()

    def _told_with_the_plan(self, name: str, other: str) -> bool:
        one, two = self.places[name], self.places[other]
        return one.fixed and two.fixed and one.column == two.column

    def _near_miss(self, name: str, other: str) -> Fault:
        place, right = self.places[name], self.places[other]
        both = f'The {self.kind} "{name}" ({rows_named(place)}) and the {self.kind} "{other}" ({right})'
        reason = f"{both} are nearly the same name{_foreign(name, other)}, but count as two."
        mend = f'Write "{other}" in both places, or give two different things names that differ more.'
        return Fault(place.file, reason, mend, place.row, place.reading, place.column, name, other)


def rows_named(place: Place) -> str:
    """How many rows carry a name, in words."""
    return f"row {place.row}" if place.rows == 1 and place.row else f"{place.rows} rows" if place.row else str(place)


def _foreign(name: str, other: str) -> str:
    """Which letters come from another alphabet: they look the same."""
    odd = [mark for mark in dict.fromkeys(name + other) if mark.translate(_LOOK_ALIKE) != mark]
    letters = ", ".join(f"U+{ord(mark):04X} {unicodedata.name(mark, '').lower()}".rstrip() for mark in odd[:3])
    return f" (a letter of another alphabet: {letters})" if letters and not (name + other).isascii() else ""


def plain(name: str) -> str:
    """The name without what cannot be seen."""
    return "".join(mark for mark in name if not hidden_character(mark)).strip() if hidden_character(name) else name


def hidden_fault(place: Place, name: str, hidden: str) -> Fault:
    """A name with an invisible character counts as another name, so it is refused in any case."""
    codes = "".join(f"<{_code(mark)}>" if hidden_character(mark) else mark for mark in name)
    reason = f"The name holds a character that cannot be seen: {_code(hidden)} {unicodedata.name(hidden, '').lower()}"
    mend = f'Type the name again: "{plain(name)}".'
    return Fault(place.file, f"{reason.rstrip()}.", mend, place.row, place.reading, place.column, codes, "a plain name")


def _code(mark: str) -> str:
    return f"U+{ord(mark):04X}"
