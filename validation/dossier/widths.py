"""How wide a text is in the dossier's font, and how the columns of a table share a page."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from math import sqrt

from fontTools.ttLib import TTFont

from validation.dossier.glyphs import FACES, Face, font_folder

_NOTHING = 1e-6
_UNKNOWN = 0.6  # em, for a character without a width of its own
# The renderers set these spaces themselves: the font has no glyph for them.
_SPACES = {"\u2009": 0.2, "\u202f": 0.2, "\u200b": 0.0}
#: Words this long may break after their punctuation, in a narrow listing shorter ones too; parts without any, as long
#: as the last, break anywhere.
LONG_WORD, LISTING, NO_PLACE = 20, 9, 26
_AFTER = re.compile(r"[._/:;,=-]|(?<=\d)T(?=\d)")


@lru_cache(maxsize=4)
def _advances(face: Face) -> dict[str, float]:
    with TTFont(font_folder() / FACES[face], lazy=True) as font:
        em, widths = font["head"].unitsPerEm, font["hmtx"]
        return {chr(code): widths[name][0] / em for code, name in font.getBestCmap().items()} | _SPACES


def text_width(text: str, face: Face = "regular") -> float:
    """Width of a text on one line, in em."""
    known = _advances(face)
    return sum(known.get(character, _UNKNOWN) for character in text)


def pieces(word: str, longest: int = LONG_WORD) -> list[str]:
    """The parts of a word between which a line may end; joined they are the word again."""
    if len(word) < longest:
        return [word]
    parts = _AFTER.sub("\\g<0>\u200b", word).split("\u200b")
    return [piece for part in parts for piece in (part if len(part) >= NO_PLACE else [part])]


def _widest(text: str, face: Face, longest: int) -> float:
    return max(text_width(piece, face) for word in text.split(" ") for piece in pieces(word, longest) or [""])


def column_needs(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    tails: Sequence[Sequence[float]],
    *,
    longest: int = LONG_WORD,
) -> tuple[list[float], list[float]]:
    """For each column the least width (no word broken) and the natural one (no cell on two lines), in em.

    `tails` is the space after each number, column by column.
    """
    least, natural = [], []
    for at, word in enumerate(head):
        cells = [(row[at], tails[at][number]) for number, row in enumerate(rows)]
        natural.append(max([text_width(word, "bold"), *(text_width(cell) + tail for cell, tail in cells)]))
        least.append(
            max([_widest(word, "bold", longest), *(_widest(cell, "regular", longest) + tail for cell, tail in cells)])
        )
    return least, natural


def shared(least: Sequence[float], natural: Sequence[float], available: float) -> list[float] | None:
    """Widths that add up to `available`: no column below its least, the rest to those that want more.

    A column grows by the root of what it lacks: a long text gets more than a short one, which still gets some. None
    where even the least widths do not fit.
    """
    widths = list(least)
    left = available - sum(widths)
    if left < 0:
        return None
    wanting = [at for at in range(len(widths)) if natural[at] - widths[at] > _NOTHING]
    while wanting and left > _NOTHING:
        roots = {at: sqrt(natural[at] - widths[at]) for at in wanting}
        part = left / sum(roots.values())
        for at, root in roots.items():
            grown = min(part * root, natural[at] - widths[at])
            widths[at] += grown
            left -= grown
        wanting = [at for at in wanting if natural[at] - widths[at] > _NOTHING]
    return widths
