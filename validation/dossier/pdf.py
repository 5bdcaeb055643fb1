"""The dossier as the typesetter takes it: texts and drawings as data."""

from __future__ import annotations

import json
import re
from base64 import b64encode
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any

from validation import resources
from validation.dossier.blocks import Document
from validation.dossier.drawing import standalone_svg
from validation.dossier.glyphs import characters_of, font_folder
from validation.dossier.html import texts
from validation.dossier.layout import SMALL, arranged
from validation.dossier.typesetting import typeset
from validation.dossier.widths import LISTING, LONG_WORD, pieces
from validation.figures.style import FONT

MEDIA_TYPES: Mapping[str, str] = {
    ".csv": "text/csv",
    ".json": "application/json",
    ".jpg": "image/jpeg",
    ".lock": "application/json",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".txt": "text/plain",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".yaml": "application/yaml",
}
OTHER_TYPE = "application/octet-stream"

#: What is no text of the page.
_VERBATIM = frozenset(
    {
        "svg",
        "axis",
        "kind",
        "anchor",
        "anchors",
        "trace",
        "to",
        "link",
        "align",
        "widths",
        "cells",
        "name",
        "style",
        "words",
        "alt",
    }
)


def render_pdf(document: Document) -> bytes:
    """The dossier as PDF/A; the same document gives the same bytes.

    Parameters
    ----------
    document : the whole dossier; its texts may hold anything
    """
    return typeset(**source_of(document))


def source_of(document: Document) -> dict[str, Any]:
    """What `typeset` takes, as plain JSON types: it may be called in another process.

    Every text reaches the typesetter as data, never as markup. Only the font of the figures is at hand: a character it
    lacks has been replaced before, so that no other font slips in.
    """
    page = dict(arranged(document))
    page["blocks"] = [
        {**block, "svg": standalone_svg(block["svg"])} if block["kind"] == "figure" else block
        for block in page["blocks"]
    ]
    listed = {block.name: block.content for block in document.blocks if block.kind == "attachment"}
    files = sorted({**dict(document.attached), **listed}.items())
    data = _breakable(page, LONG_WORD) | {
        "font": FONT,
        "upright": _upright(page),
        "attached": [_attached(name) for name, _ in files],
    }
    return {
        "template": str(resources.folder("templates") / "dossier.typ"),
        "fonts": str(font_folder()),
        "data": json.dumps(data, ensure_ascii=True, sort_keys=True),
        "timestamp": document.timestamp,
        "attached": [b64encode(content).decode("ascii") for _, content in files],
    }


def _attached(name: str) -> dict[str, str]:
    """What the PDF says of an attached file: its name with its folder, its type, and what it is to the pages."""
    # A name with a backslash is none that the typesetter takes.
    name = name.replace("\\", "_")
    relationship = "source" if name.startswith("inputs/") else "data"
    return {"name": name, "type": MEDIA_TYPES.get(PurePosixPath(name).suffix, OTHER_TYPE), "relationship": relationship}


def _breakable(value: Any, longest: int) -> Any:
    """The page with zero-width breaks in its long words; drawings and links stay as they are.

    Columns of a listing are narrow: there even short words, such as times, may break after their punctuation.
    """
    if isinstance(value, str):
        return _words(value, longest) if len(value) >= longest else value
    if isinstance(value, list | tuple):
        return [_breakable(item, longest) for item in value]
    if not isinstance(value, dict):
        return value
    inner = LISTING if value.get("type", {}).get("size", SMALL.size + 1) <= SMALL.size else longest
    return {name: item if name in _VERBATIM else _breakable(item, inner) for name, item in value.items()}


def _words(text: str, longest: int) -> str:
    return re.sub(rf"\S{{{longest},}}", lambda word: "\u200b".join(pieces(word.group(), longest)), text)


def _upright(page: dict[str, Any]) -> list[str]:
    """The characters that the bold or the italic face lacks: set in the regular face wherever they occur."""
    used = set("".join(texts(page)))
    return sorted(used & (characters_of("regular") - (characters_of("bold") & characters_of("italic"))))
