"""The little grammar of a limit: a number, a share of the level, or max, min, sum of those. Parsed, never evaluated."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from itertools import combinations, pairwise, product
from typing import Any, Literal

from validation.study.text_files import ordinary

MEND = 'Write a number (0.18), a share of the level ("5%"), or max(...), min(...), sum(...) of those, in quotes.'

_DEEPEST = 20
#: How deep the pattern for editors goes; a regular expression cannot follow brackets further than it is written out.
PATTERN_DEPTH = 3
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_TOKEN = re.compile(rf"\s*(?:(?P<number>{_NUMBER})|(?P<word>[A-Za-z_]+)|(?P<sign>[(),%;]))")


def _pattern(depth: int) -> str:
    """The grammar as a regular expression, to this number of brackets inside each other."""
    number = rf"\s*{_NUMBER}\s*(?:%\s*)?"
    if not depth:
        return number
    words = "[Mm][Aa][Xx]|[Mm][Ii][Nn]|[Ss][Uu][Mm]"
    # A member ends before a bracket, or with a comma that another member follows.
    member = rf"{_pattern(depth - 1)}(?:(?=\))|,(?!\s*\)))"
    return rf"(?:{number}|\s*(?:{words})\s*\((?:{member})+\)\s*)"


@dataclass(frozen=True, slots=True)
class _Number:
    value: Decimal
    share: bool

    def at(self, level: Decimal | None) -> Decimal:
        if not self.share:
            return self.value
        if level is None:
            raise ValueError(f"The limit {self} is a share of the level, and there is no level here. Write a number.")
        return (self.value * level).scaleb(-2)

    def stated_at(self, level: Decimal | None) -> str:
        return f"{_plain(self.value)} % of {_plain(level)}" if self.share and level is not None else str(self)

    def __str__(self) -> str:
        return f"{_plain(self.value)} %" if self.share else _plain(self.value)


@dataclass(frozen=True, slots=True)
class _Call:
    name: Literal["max", "min", "sum"]
    parts: tuple[_Number | _Call, ...]

    def at(self, level: Decimal | None) -> Decimal:
        values = [part.at(level) for part in self.parts]
        if self.name == "sum":
            return sum(values, Decimal(0))
        return max(values) if self.name == "max" else min(values)

    def stated_at(self, level: Decimal | None) -> str:
        """A sum in full; of a largest or smallest the part that governs at this level."""
        if self.name == "sum":
            return " + ".join(part.stated_at(level) for part in self.parts)
        return next(part for part in self.parts if part.at(level) == self.at(level)).stated_at(level)

    def __str__(self) -> str:
        return f"{self.name}({', '.join(str(part) for part in self.parts)})"


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit as the plan states it.

    Decimal arithmetic keeps "touching" exact: `sum(0.3, 6%)` at 0.5 is the double nearest to 0.33, not its neighbour.
    """

    tree: _Number | _Call

    @classmethod
    def parse(cls, text: str | float) -> Limit:
        """Read a limit.

        Parameters
        ----------
        text : a number, or a text of the grammar such as "5%", "max(0.15, 5%)", "sum(0.3, 6%)"

        Raises
        ------
        ValueError
            The text is outside the grammar; the message says where and how to correct it.
        """
        if isinstance(text, Limit):
            return text
        if isinstance(text, bool) or not isinstance(text, str | int | float | Decimal):
            raise ValueError(f"{text!r} is not a limit. {MEND}")
        if not isinstance(text, str):
            text = repr(text) if isinstance(text, float) else str(text)
        return cls(_Parser(text).whole())

    @property
    def needs_level(self) -> bool:
        """Whether any part is a share of the level."""
        return any(number.share for number in _numbers(self.tree))

    @property
    def number(self) -> float | None:
        """The limit where it is a plain number, else None."""
        return float(self.tree.value) if isinstance(self.tree, _Number) and not self.tree.share else None

    def value(self, level: float | None = None) -> float:
        """The limit at `level`, in the unit of the quantity.

        Raises
        ------
        ValueError
            A share of the level is asked for and `level` is None.
        """
        return float(self.tree.at(_exact(level)))

    def least(self, low: float, high: float) -> float:
        """The smallest value between two levels.

        A limit is linear in the level between the kinks of its `max` and `min`, so ends and kinks are all there is to
        look at; ends alone do not do: max(sum(1, -20%), sum(-1, 20%)) is 0 at 5 and above it elsewhere. A share of
        level 0 is 0 whatever the plan says, so a range that begins there is examined from just above.
        """
        start = high * 1e-9 if low == 0 < high else low
        ends = tuple(Decimal(repr(float(end))) for end in (start, high))
        return float(min(self.tree.at(level) for level in _kinks(self.tree, *ends)))

    def derivation(self, level: float | None = None) -> str:
        """How the limit came about: "0.18", "0.20 (5 % of 4)", "0.54 (0.3 + 6 % of 4)"."""
        exact = _exact(level)
        value, origin = f"{self.tree.at(exact):f}", self.tree.stated_at(exact)
        return value if origin == _plain(Decimal(value)) else f"{value} ({origin})"

    def __str__(self) -> str:
        return str(self.tree)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(
            cls.parse, serialization=core_schema.plain_serializer_function_ser_schema(str)
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, source: Any, handler: Any) -> dict[str, Any]:
        return {"type": ["number", "string"], "pattern": f"^{_pattern(PATTERN_DEPTH)}$"}


class _Parser:
    """Recursive descent over the tokens of one limit."""

    def __init__(self, text: str):
        self.text = text
        if not text.strip():
            raise ValueError(f"The limit is empty. {MEND}")
        if len(text) > 500:
            raise ValueError(f"The limit is longer than 500 characters. {MEND}")
        self.tokens = list(self._scan())
        self.position = 0

    def _scan(self) -> Iterator[tuple[str, str]]:
        position, end = 0, len(self.text.rstrip())
        while position < end:
            token = _TOKEN.match(self.text, position)
            if token is None:
                rest = self.text[position:].strip()
                raise ValueError(f'The limit "{self.text}" has "{rest[:1]}", which is not in the grammar. {MEND}')
            kind = str(token.lastgroup)
            yield kind, token.group(kind)
            position = token.end()

    def whole(self) -> _Number | _Call:
        tree = self._part(0)
        if self.position < len(self.tokens):
            rest = self.tokens[self.position][1]
            if rest == "," and isinstance(tree, _Number):
                raise ValueError(
                    f'The limit "{self.text}" has a comma. Write a decimal point ({self.text.replace(",", ".", 1)}), '
                    "or name what joins the parts: max(...), min(...) or sum(...)."
                )
            raise ValueError(f'The limit "{self.text}" goes on with "{rest}" after its end. {MEND}')
        return tree

    def _take(self) -> tuple[str, str]:
        if self.position >= len(self.tokens):
            raise ValueError(
                f'The limit "{self.text}" ends too early. Close every bracket, and put the whole limit in quotes: '
                "without them YAML cuts it at the comma."
            )
        self.position += 1
        return self.tokens[self.position - 1]

    def _part(self, depth: int) -> _Number | _Call:
        if depth > _DEEPEST:
            raise ValueError(f"The limit is nested more than {_DEEPEST} deep. Use fewer brackets inside each other.")
        kind, text = self._take()
        if kind == "number":
            return self._number(text)
        if kind == "word":
            return self._call(text, depth)
        raise ValueError(f'The limit "{self.text}" has "{text}" where a number or max, min, sum belongs. {MEND}')

    def _number(self, text: str) -> _Number:
        try:
            value = Decimal(text)
        except InvalidOperation as error:
            raise ValueError(f'"{text}" is not a number. {MEND}') from error
        if not ordinary(value):
            size = "large" if abs(value) > 1 else "small"
            raise ValueError(f'"{text}" is too {size} for a limit. {MEND}')
        share = self.position < len(self.tokens) and self.tokens[self.position][1] == "%"
        self.position += share
        return _Number(value, share)

    def _call(self, word: str, depth: int) -> _Call:
        name = word.lower()
        if name not in ("max", "min", "sum"):
            raise ValueError(f'The limit "{self.text}" uses "{word}", which is not in the grammar. {MEND}')
        if self._take()[1] != "(":
            raise ValueError(f'In the limit "{self.text}" a bracket must follow {word}: {name}(0.15, 5%). {MEND}')
        parts = [self._part(depth + 1)]
        while (sign := self._take()[1]) != ")":
            if sign != ",":
                raise ValueError(
                    f'In the limit "{self.text}" a comma must separate the members of {name}; found "{sign}".'
                )
            parts.append(self._part(depth + 1))
        return _Call(name, tuple(parts))  # type: ignore[arg-type]


def _numbers(tree: _Number | _Call) -> Iterator[_Number]:
    if isinstance(tree, _Number):
        yield tree
    else:
        for part in tree.parts:
            yield from _numbers(part)


def _kinks(tree: _Number | _Call, low: Decimal, high: Decimal) -> list[Decimal]:
    """Both ends, and every level between at which another part of a `max` or `min` may begin to govern."""
    levels = {low, high}
    if isinstance(tree, _Call):
        for part in tree.parts:
            levels.update(_kinks(part, low, high))
        if tree.name != "sum":
            for (a, b), (one, other) in product(list(pairwise(sorted(levels))), combinations(tree.parts, 2)):
                at_a, at_b = (one.at(level) - other.at(level) for level in (a, b))
                if at_a * at_b < 0:
                    levels.add(a + (b - a) * at_a / (at_a - at_b))
    return sorted(levels)


def _exact(level: float | None) -> Decimal | None:
    """The decimal that a person wrote for this level: 0.1 and not the nearest double; 4 and not 4.0."""
    return None if level is None else Decimal(repr(float(level)).removesuffix(".0"))


def _plain(value: Decimal | None) -> str:
    """A decimal without an exponent and without trailing zeros after the point."""
    if value is None:
        return ""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
