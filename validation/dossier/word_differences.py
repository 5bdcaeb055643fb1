"""Two texts compared without their white space: each place where they differ, as the sentence of either."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest

#: Two texts run together again where so many characters in a row agree.
_ANCHOR = 24
#: So many characters in a row are words of a text, wherever they stand in it.
_RUN = 24
#: A line of fewer characters is no head: a forged digit is one too.
_LINE = 8
#: How far on they are looked for, in characters; further on the texts count as different to their ends.
_REACH = (400, 8000)
#: So much of a long sentence is shown on either side of a difference.
_BESIDE = 70
#: Breaks without width: where a line may end in a long word.
_BREAKS = "\u200b\u00ad\u2060\ufeff"


@dataclass(frozen=True, slots=True)
class WordDifference:
    """A sentence as it is and as it should be; `piece` and `other` are what differs, without white space."""

    found: str
    expected: str
    piece: str
    other: str


@dataclass(frozen=True)
class _Text:
    """A text, its characters without white space, and where each of them stands in it."""

    whole: str
    dense: str = field(init=False)
    places: Sequence[int] = field(init=False)

    def __post_init__(self) -> None:
        places = [at for at, sign in enumerate(self.whole) if not sign.isspace() and sign not in _BREAKS]
        object.__setattr__(self, "places", places)
        object.__setattr__(self, "dense", "".join(self.whole[at] for at in places))

    def sentence(self, start: int, end: int) -> str:
        """The sentence around a piece of the dense text, cut where it is long."""
        last = len(self.whole)
        first = self.places[start] if start < len(self.places) else last
        after = self.places[end - 1] + 1 if end > start else first
        starts = [at + len(mark) for mark in ("\n", ". ") if (at := self.whole.rfind(mark, 0, first)) >= 0]
        low = max(starts, default=0)
        ends = [at for mark in ("\n", ". ") if (at := self.whole.find(mark, after)) >= 0]
        high = min(ends, default=last)
        cut_low, cut_high = max(low, first - _BESIDE), min(high, after + _BESIDE, first + 4 * _BESIDE)
        text = " ".join(self.whole[cut_low:cut_high].split())
        return f"{'…' if cut_low > low else ''}{text}{'…' if cut_high < high else ''}"


def word_differences(found: str, expected: str) -> list[WordDifference]:
    """Every place at which two texts differ in more than white space, in the order of the texts.

    Parameters
    ----------
    found, expected : the texts; a new line or a full stop ends a sentence
    """
    one, other = _Text(found), _Text(expected)
    return [
        WordDifference(one.sentence(a, b), other.sentence(c, d), one.dense[a:b], other.dense[c:d])
        for a, b, c, d in _pieces(one.dense, other.dense)
    ]


def words_in_any_order(found: str, expected: str) -> list[WordDifference]:
    """The words of a text that the other one holds nowhere, from either side: what was laid out otherwise moves.

    Each run of so many characters is looked for in the other text; order and repetition do not count. A short line
    that both hold, such as the head of a table that goes on there, may stand alone.

    Parameters
    ----------
    found, expected : the texts, line by line
    """
    lines = {line for line in _lines(found) & _lines(expected) if len(line) >= _LINE}
    one, other = (_Text(" ".join(text.split("\n"))) for text in (found, expected))
    strange = (_nowhere(a.dense, b.dense, lines) for a, b in ((one, other), (other, one)))
    pairs = zip_longest(*strange, fillvalue=(0, 0))
    return [
        WordDifference(
            one.sentence(a, b) if b else "", other.sentence(c, d) if d else "", one.dense[a:b], other.dense[c:d]
        )
        for (a, b), (c, d) in pairs
    ]


def _lines(text: str) -> set[str]:
    return {_Text(line).dense for line in text.split("\n")}


def _nowhere(text: str, other: str, lines: Collection[str]) -> Iterator[tuple[int, int]]:
    """Start and end of each piece of a text of which no run of characters is in the other one; lines left out."""
    known = {other[at : at + _RUN] for at in range(len(other) - _RUN + 1)}
    held = 0  # up to here everything is in a known run
    for at in range(len(text) + 1):
        if at == len(text) or text[at : at + _RUN] in known:
            if at > held and text[held:at] not in lines:
                yield held, at
            held = at + _RUN


def _pieces(one: str, other: str) -> Iterator[tuple[int, int, int, int]]:
    """Start and end in either text of each piece that differs."""
    i = j = 0
    while True:
        same = _common(one, other, i, j)
        i, j = i + same, j + same
        if i == len(one) and j == len(other):
            return
        k, m = _together_again(one, other, i, j)
        yield i, k, j, m
        i, j = k, m


def _common(one: str, other: str, i: int, j: int) -> int:
    """How many characters agree from here on."""
    most = min(len(one) - i, len(other) - j)
    # The shortest length at which they no longer agree, by halving.
    return bisect_left(range(1, most + 1), True, key=lambda n: one[i : i + n] != other[j : j + n])


def _together_again(one: str, other: str, i: int, j: int) -> tuple[int, int]:
    """Where both go on alike after a difference; the ends of both where they do not."""
    for reach in _REACH:
        for k in range(i, min(i + reach, len(one) - _ANCHOR + 1)):
            at = other.find(one[k : k + _ANCHOR], j, j + reach + _ANCHOR)
            if at >= 0:
                return k, at
    tail = 0
    while tail < min(len(one) - i, len(other) - j) and one[-1 - tail] == other[-1 - tail]:
        tail += 1
    return len(one) - tail, len(other) - tail
