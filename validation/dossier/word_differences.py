"""Two texts compared without their white space: each place where they differ, as the sentence of either."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

#: Two texts run together again where so many characters in a row agree.
_ANCHOR = 24
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


def not_moved(differences: Sequence[WordDifference], heads: Sequence[str] = ()) -> list[WordDifference]:
    """Those that are more than a piece in another place, or a repeated head, as another page break leaves it.

    Parameters
    ----------
    differences : of a text that was laid out otherwise
    heads : texts that each page on which a table goes on repeats
    """
    gone = Counter(_letters(item.other) for item in differences if not item.piece)
    come = Counter(_letters(item.piece) for item in differences if not item.other)
    again = {_letters(head) for head in heads}

    def layout(item: WordDifference) -> bool:
        if item.piece and item.other:
            return False
        letters = _letters(item.piece or item.other)
        return letters in again or bool((gone if item.piece else come)[letters])

    return [item for item in differences if not layout(item)]


def _letters(piece: str) -> str:
    """The characters of a piece, sorted: where neighbours are alike, it may begin one sooner or later."""
    return "".join(sorted(_Text(piece).dense))


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
