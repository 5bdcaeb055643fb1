"""Only what the dossier's font can print: everything else is printed as U+XXXX and listed in a note."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import matplotlib as mpl
from fontTools.ttLib import TTFont

from validation.dossier.blocks import Document, Figure, Heading, Paragraph
from validation.words import counted

Face = Literal["regular", "bold", "italic"]

#: The faces of the dossier's font as files of matplotlib, so that figures and text agree on every machine.
FACES: dict[Face, str] = {
    "regular": "STIXGeneral.ttf",
    "bold": "STIXGeneralBol.ttf",
    "italic": "STIXGeneralItalic.ttf",
}

NOTE_ANCHOR = "characters-not-printed"
_NOTE_TITLE = "Characters printed as code numbers"

# Both renderers set these two spaces themselves; the font has no glyph for them.
_NARROW_SPACES = frozenset("\u2009\u202f")
_LINE_SPACES = str.maketrans(dict.fromkeys("\t\n\r", " "))
# Other (control, format, surrogate, private use, unassigned) and the line and paragraph separators.
_REFUSED_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
# A mark that no letter has taken up in the composed form could cover a neighbour or strike it out; only the accents of
# formulas (the hat of an estimate, the bar of a mean, tilde, dot) stay, one on a letter.
_MARKS = frozenset({"Mn", "Me", "Mc"})
_ACCENTS = frozenset("\u0302\u0303\u0304\u0307")
_RIGHT_TO_LEFT = frozenset({"R", "AL", "AN"})


def font_folder() -> Path:
    """The folder with the font files that matplotlib brings along."""
    return Path(mpl.get_data_path()) / "fonts" / "ttf"


@lru_cache(maxsize=8)
def characters_of(face: Face) -> frozenset[str]:
    """The characters for which this face of the font has a glyph."""
    with TTFont(font_folder() / FACES[face], lazy=True) as font:
        return frozenset(map(chr, font.getBestCmap()))


def _prints(character: str) -> bool:
    if character in _NARROW_SPACES:
        return True
    category = unicodedata.category(character)
    if category in _REFUSED_CATEGORIES or category in _MARKS:
        return False
    return unicodedata.bidirectional(character) not in _RIGHT_TO_LEFT and character in characters_of("regular")


def code_number(character: str) -> str:
    """The character as Unicode writes it: U+0041."""
    return f"U+{ord(character):04X}"


def printable(text: str) -> tuple[str, bool]:
    """Text that the font can print, and whether any character had to give way to its code number.

    Letters with separate accents are composed first (the same text to the reader); tabs and line ends become spaces.
    """
    if text.isascii() and text.isprintable():
        return text, False
    composed = unicodedata.normalize("NFC", text.translate(_LINE_SPACES))
    kept = "".join(made for _, made in _made(composed))
    return kept, kept != composed


def lacking(text: str) -> frozenset[str]:
    """The characters of `text` that `printable` prints as code numbers."""
    if text.isascii() and text.isprintable():
        return frozenset()
    composed = unicodedata.normalize("NFC", text.translate(_LINE_SPACES))
    return frozenset(character for character, made in _made(composed) if made != character)


def _made(composed: str) -> Iterator[tuple[str, str]]:
    """Each character and what is printed for it."""
    before = ""
    for character in composed:
        accent = character in _ACCENTS and before.isalpha()
        yield character, character if accent or _prints(character) else code_number(character)
        before = character


def printable_drawing(svg: str) -> str:
    """A figure with the texts it shows made printable; the drawing itself is plain ASCII and stays as it is."""
    if svg.isascii():
        return svg
    # matplotlib sets an accent of a formula (a hat, a bar) as a text of its own: those stay.
    return re.sub(r"[^\x00-\x7f]", lambda match: _in_drawing(match[0]), svg)


def _in_drawing(character: str) -> str:
    keeps = unicodedata.category(character) == "Mn" and character in characters_of("regular")
    return character if keeps or _prints(character) or 0xE000 <= ord(character) <= 0xF8FF else code_number(character)


def printable_document(document: Document) -> Document:
    """The document with every text printable; where a character had to give way, a note at the end lists it.

    Idempotent: a printable document comes back equal.
    """
    missing: set[str] = set()
    made = _printable_value(document, missing)
    if not missing:
        return made
    return replace(
        made, blocks=(*made.blocks, Heading(_NOTE_TITLE, 1, NOTE_ANCHOR), Paragraph(_note(missing), style="note"))
    )


def _printable_value(value: Any, missing: set[str]) -> Any:
    if isinstance(value, str):
        missing |= lacking(value)
        return printable(value)[0]
    if isinstance(value, tuple):
        return tuple(_printable_value(part, missing) for part in value)
    if is_dataclass(value) and not isinstance(value, type):
        parts = {field.name: getattr(value, field.name) for field in fields(value)}
        if isinstance(value, Figure):
            parts["svg"] = printable_drawing(parts.pop("svg"))
        return type(value)(
            **{name: part if name == "svg" else _printable_value(part, missing) for name, part in parts.items()}
        )
    return value


def _note(missing: Iterable[str]) -> str:
    named = [f"{code_number(character)} ({_name(character)})" for character in sorted(missing)]
    many = len(named) > 1
    stand = "are printed as code numbers" if many else "is printed as a code number"
    return (
        f"{counted(len(named), 'character')} of the texts supplied cannot be printed in the font of this "
        f"dossier, or would change how the text around {'them' if many else 'it'} is read, "
        f"and {stand}: {', '.join(named)}. "
        "The copies of the inputs that belong to this dossier keep the original characters."
    )


def _name(character: str) -> str:
    return unicodedata.name(
        character, "control character" if unicodedata.category(character) == "Cc" else "no name"
    ).lower()
