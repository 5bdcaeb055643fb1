"""What both renderers share: the document with numbers aligned, strips drawn, anchors unique, tables counted."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict
from functools import singledispatch
from typing import Any

from validation.dossier import blocks, strips, symbols
from validation.dossier.glyphs import printable_document

_NUMBER = re.compile(r"(?:[<>≤≥≈] ?)?[+−-]?\d[\d\u2009\u202f]*(?:(?P<point>\.)(?P<places>\d*))?\Z")
_DIGIT, _POINT = 0.5, 0.25  # em, in every face of the font
# Points, for the PDF: its text column, half its full width, a character of a table, the space between columns.
_COLUMN, _HALF, _CHARACTER, _GAP = 374.0, 232.0, 4.3, 11.0
# The same in a listing set close for want of room; a cell of more characters than the last may take several lines.
_FULL, _SMALL, _CLOSE, _LONGEST = 480.0, 3.75, 6.0, 19


def arranged(document: blocks.Document) -> dict[str, Any]:
    """The printable document as plain JSON types, ready for either template."""
    document = printable_document(document)
    counts = {"table": 0, "figure": 0}
    anchors: set[str] = set()
    arranged_blocks = []
    for block in document.blocks:
        made = _arranged(block)
        if block.kind in counts:
            counts[block.kind] += 1
            made["number"] = counts[block.kind]
        if isinstance(block, blocks.Heading):
            made["anchor"] = _unique(block.anchor or _slug(block.text), anchors)
        arranged_blocks.append(made)
    for made in arranged_blocks:
        for row in made.get("strips", ()):
            row["anchor"] = row["anchor"] if row["anchor"] in anchors else ""
    cover = asdict(document.cover)
    cover["conclusion_text"] = symbols.prose(document.cover.conclusion_text)
    cover["warnings"] = [symbols.prose(warning) for warning in document.cover.warnings]
    return {
        "cover": cover,
        "blocks": arranged_blocks,
        "issue": document.issue,
        "issue_word": document.issue_word,
        "short_hash": document.short_hash,
        "watermark": document.watermark,
        "language": document.language,
    }


def decimal_tails(column: Sequence[str]) -> list[float]:
    """Space after each number, in em, that puts the decimal marks of a right-aligned column under one another."""
    found = [_NUMBER.match(cell) for cell in column]
    places = max((len(match["places"] or "") for match in found if match), default=0)
    pointed = any(match and match["point"] for match in found)
    return [
        _DIGIT * (places - len(match["places"] or "")) + (_POINT if pointed and not match["point"] else 0.0)
        if match
        else 0.0
        for match in found
    ]


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "section"


def _unique(wanted: str, taken: set[str]) -> str:
    name, count = wanted, 1
    while name in taken:
        count += 1
        name = f"{wanted}-{count}"
    taken.add(name)
    return name


@singledispatch
def _arranged(block: Any) -> dict[str, Any]:
    return asdict(block)


@_arranged.register
def _paragraph(block: blocks.Paragraph) -> dict[str, Any]:
    return asdict(block) | {"text": symbols.prose(block.text)}


@_arranged.register
def _heading(block: blocks.Heading) -> dict[str, Any]:
    return asdict(block) | {"text": symbols.prose(block.text)}


@_arranged.register
def _items(block: blocks.Items) -> dict[str, Any]:
    return {"kind": block.kind, "items": [symbols.prose(item) for item in block.items]}


@_arranged.register
def _formula(block: blocks.Formula) -> dict[str, Any]:
    return asdict(block) | {"lines": [symbols.formula(line) for line in block.lines]}


@_arranged.register
def _table(block: blocks.Table) -> dict[str, Any]:
    width = len(block.head)
    align = block.align.ljust(width, "l")[:width]
    # A row shorter or longer than the head is shown whole: nothing supplied is cut away.
    width = max([width, *map(len, block.rows)])
    align, head = align.ljust(width, "l"), (*block.head, *[""] * (width - len(block.head)))
    rows = [(*row, *[""] * (width - len(row))) for row in block.rows]
    tails = [decimal_tails([row[i] for row in rows]) if align[i] == "d" else [0.0] * len(rows) for i in range(width)]
    # Listings of readings show what was typed, letter for letter.
    marked = (lambda cell: [("", cell)]) if block.literal else symbols.prose
    natural = _natural_width(head, rows)
    close = [] if block.widths else _listing_widths(head, rows, block.long)
    return asdict(block) | {
        "head": [symbols.prose(cell) for cell in head],
        "align": list(align),
        "rows": [
            [{"text": marked(cell), "tail": tails[i][at]} for i, cell in enumerate(row)] for at, row in enumerate(rows)
        ],
        "caption": symbols.prose(block.caption),
        "widths": list(block.widths) if len(block.widths) == width else close,
        "close": bool(close),
        "wide": block.long or natural > _COLUMN,
        # A narrow listing of readings stands in two columns: half the pages.
        "paired": block.long and not block.widths and 0.85 * natural < _HALF,
    }


def _natural_width(head: Sequence[str], rows: Sequence[Sequence[str]]) -> float:
    return sum(_CHARACTER * count + _GAP for count in _longest(head, rows))


def _longest(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int]:
    return [max([len(word), *(len(row[i]) for row in rows)]) for i, word in enumerate(head)]


def _listing_widths(head: Sequence[str], rows: Sequence[Sequence[str]], long: bool) -> list[float]:
    """Widths of a listing too wide for the page: times and names on one line, what is left for the long texts."""
    longest = _longest(head, rows)
    texts = [i for i, count in enumerate(longest) if count > _LONGEST]
    points = [_SMALL * count + _CLOSE for count in longest]
    left = _FULL - sum(width for i, width in enumerate(points) if i not in texts)
    least = sum(_SMALL * max(6, len(head[i])) + _CLOSE for i in texts)
    if not long or not texts or _natural_width(head, rows) <= _FULL or left < least:
        return []
    share = left / sum(longest[i] for i in texts)
    return [share * longest[i] if i in texts else width for i, width in enumerate(points)]


@_arranged.register
def _figure(block: blocks.Figure) -> dict[str, Any]:
    return asdict(block) | {"caption": symbols.prose(block.caption), "width": min(max(block.width, 0.2), 1.0)}


@_arranged.register
def _strips(block: blocks.Strips) -> dict[str, Any]:
    axis = strips.common_axis(block.strips)
    tails = decimal_tails([strip.observed_text for strip in block.strips])
    rows = [
        asdict(strip)
        | {
            "label": symbols.prose(strip.label),
            "reason": symbols.prose(strip.reason),
            "thin": symbols.prose(strip.thin),
            "tail": tail,
            "svg": strips.strip_svg(strip, axis),
            "words": strips.strip_words(strip),
        }
        for strip, tail in zip(block.strips, tails, strict=True)
    ]
    return {"kind": block.kind, "strips": rows, "axis": strips.axis_svg(axis), "width": axis.width}
