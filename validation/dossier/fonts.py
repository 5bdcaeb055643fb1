"""The dossier's font cut down to the characters of one page and carried inside it."""

from __future__ import annotations

import base64
from functools import lru_cache
from io import BytesIO

from fontTools import subset
from fontTools.ttLib import TTFont

from validation.dossier.glyphs import FACES, Face, characters_of, font_folder

_STYLES: dict[Face, tuple[int, str]] = {"regular": (400, "normal"), "bold": (700, "normal"), "italic": (400, "italic")}


def font_faces(characters: frozenset[str], family: str) -> str:
    """CSS @font-face rules that hold the font itself, for exactly these characters.

    Where the bold or italic face lacks a character that the regular one has, a further rule supplies it upright, so
    that a page never falls back to a font of the reader's machine.
    """
    rules = []
    for face, (weight, style) in _STYLES.items():
        own = characters & characters_of(face)
        rules.append(_rule(family, weight, style, face, own))
        borrowed = (characters & characters_of("regular")) - own
        if borrowed:
            rules.append(_rule(family, weight, style, "regular", borrowed))
    return "\n".join(rules)


def _rule(family: str, weight: int, style: str, face: Face, characters: frozenset[str]) -> str:
    data = base64.b64encode(_subset(face, characters)).decode("ascii")
    codes = ",".join(f"U+{code:X}" for code in sorted(map(ord, characters)))
    return (
        f'@font-face{{font-family:"{family}";font-weight:{weight};font-style:{style};unicode-range:{codes};'
        f'src:url("data:font/woff;base64,{data}") format("woff")}}'
    )


@lru_cache(maxsize=16)
def _subset(face: Face, characters: frozenset[str]) -> bytes:
    options = subset.Options()
    options.flavor = "woff"
    options.layout_features = ["kern"]
    options.hinting = False
    options.name_IDs = [1, 2, 6]
    options.drop_tables += ["FFTM"]  # holds the time at which the font was made
    options.notdef_outline = True
    # The time stays the one in matplotlib's file: the same characters give the same bytes.
    buffer = BytesIO()
    with TTFont(font_folder() / FACES[face], lazy=True, recalcTimestamp=False) as font:
        cutter = subset.Subsetter(options)
        cutter.populate(unicodes=sorted(map(ord, characters)))
        cutter.subset(font)
        subset.save_font(font, buffer, options)
    return buffer.getvalue()
