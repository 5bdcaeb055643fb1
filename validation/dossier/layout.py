"""What both renderers share: the document with numbers aligned, strips drawn, anchors unique, tables counted."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache, singledispatch
from itertools import accumulate, pairwise
from math import ceil
from typing import Any

from validation.dossier import blocks, strips, symbols
from validation.dossier.drawing import natural_width
from validation.dossier.glyphs import printable_document
from validation.dossier.widths import LISTING, column_needs, shared, text_width

_NUMBER = re.compile(r"(?:[<>≤≥≈] ?)?[+−-]?\d[\d\u2009\u202f]*(?:(?P<point>\.)(?P<places>\d*))?\Z")
_DIGIT, _POINT = 0.5, 0.25  # em, in every face of the font


@dataclass(frozen=True, slots=True)
class Type:
    """How a table is set in the PDF: size of its letters, space between two columns, space over and under a row."""

    size: float
    gap: float
    row: float


NORMAL, CLOSE = Type(8.8, 10.0, 2.2), Type(8.8, 6.0, 2.2)
SMALL, FINE, TIGHT = Type(7.8, 6.0, 1.4), Type(7.2, 4.0, 1.3), Type(6.6, 4.0, 1.2)
#: Rows of a table that stays in one piece in the PDF; of more, it may be set in columns or run over a page.
ONE_PIECE = 9
# Points, for the PDF: its text column, its full width, the space between the columns of a listing.
_COLUMN, _FULL, _GUTTER = 396.0, 498.0, 14.2
_MANY, _MOST = 100, 4  # rows above which a narrow table is set in columns in fine print; most columns
#: Where files of a dossier are that a page may link.
FILES = "inputs/"
_HALF, _SHORT = 242.0, 30  # points and rows: the largest table of which two stand side by side
_NARROW = 350.0  # points: the widest figure of which two stand side by side
_LINE = 372.0 / 9.5  # em, for the lines of a formula
_LETTER, _ASIDE, _WIDEST = 8.6, 7.0, 85.0  # points: letters of a strip's row, of what is next to it; its widest column


@lru_cache(maxsize=1)  # both renderings take the same
def arranged(document: blocks.Document) -> Mapping[str, Any]:
    """The printable document as plain JSON types, ready for either template, which changes nothing in it."""
    document = printable_document(document)
    counts = {"table": 0, "figure": 0}
    anchors: set[str] = set()
    arranged_blocks = []
    for block in document.blocks:
        made = _arranged(block)
        if isinstance(block, blocks.Figure) or (isinstance(block, blocks.Table) and block.caption):
            counts[block.kind] += 1
            made["number"] = counts[block.kind]
        if isinstance(block, blocks.Heading):
            made["anchor"] = _unique(block.anchor or _slug(block.text), anchors)
        else:
            _take_anchors(made, anchors)
        arranged_blocks.append(made)
    for made in arranged_blocks:
        _without_dead_ends(made, anchors)
    _pair(arranged_blocks)
    cover = asdict(document.cover)
    cover["conclusion_text"] = symbols.prose(document.cover.conclusion_text)
    cover["warnings"] = [symbols.prose(warning) for warning in document.cover.warnings]
    cover["lists"] = [(name, [symbols.prose(item) for item in items]) for name, items in document.cover.lists]
    return {
        "cover": cover,
        "blocks": arranged_blocks,
        "issue": document.issue,
        "issue_word": document.issue_word,
        "short_hash": document.short_hash,
        "watermark": document.watermark,
        "language": document.language,
    }


def _pair(arranged_blocks: Sequence[dict[str, Any]]) -> None:
    """Two narrow blocks, figures or tables, that follow on one another stand side by side in the PDF."""
    for made, after in pairwise(arranged_blocks):
        if made.get("narrow") and after.get("narrow") and made["place"] == "alone":
            made["place"], after["place"] = "left", "right"
            made["mate"], after["mate"] = after["kind"], made["kind"]


def _take_anchors(made: dict[str, Any], taken: set[str]) -> None:
    """The anchors of a block's rows, or its own; a name that is taken is given to nothing else."""

    def free(name: str) -> str:
        return "" if not name or name in taken else _unique(name, taken)

    if made["kind"] == "table":
        made["anchors"] = [free(name) for name in made["anchors"]]
        for cell in (cell for row in made["rows"] for cell in row):
            cell["name"] = free(cell["name"])
    if made["kind"] == "links":
        made["anchor"] = free(made["anchor"])
    for row in made.get("strips", ()):
        row["name"] = free(row["name"])


def _without_dead_ends(made: Mapping[str, Any], anchors: set[str]) -> None:
    """Links to what is not on the pages become plain words."""
    for row in made.get("strips", ()):
        row |= {name: row[name] if row[name] in anchors else "" for name in ("anchor", "trace")}
    cells = [cell for row in made.get("rows", ()) if made["kind"] == "table" for cell in row]
    for link in (*cells, *(made.get("links", ()) if made["kind"] == "links" else ())):
        link["to"] = link["to"] if link["to"] in anchors or is_file(link["to"]) else ""


def is_file(to: str) -> bool:
    """Whether a link leads to a file of the dossier rather than to an anchor, and to none outside it."""
    return to.startswith(FILES) and ".." not in to.split("/")


def decimal_tails(column: Sequence[str]) -> list[float]:
    """Space after each number, in em, that puts the decimal marks of a right-aligned column under one another."""
    numbers = [_NUMBER.match(cell) for cell in column]
    places = max((len(match["places"] or "") for match in numbers if match), default=0)
    pointed = any(match and match["point"] for match in numbers)
    return [
        _DIGIT * (places - len(match["places"] or "")) + (_POINT if pointed and not match["point"] else 0.0)
        if match
        else 0.0
        for match in numbers
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
    letters = list(accumulate(map(len, block.items)))
    half = 1 + sum(2 * count < letters[-1] for count in letters[:-1]) if letters else 0
    return {
        "kind": block.kind,
        "style": block.style,
        "half": half,  # so many items hold half of the letters
        "items": [symbols.prose(item) for item in block.items],
    }


@_arranged.register
def _links(block: blocks.Links) -> dict[str, Any]:
    return asdict(block) | {"lead": symbols.prose(block.lead), "links": [asdict(link) for link in block.links]}


@_arranged.register
def _formula(block: blocks.Formula) -> dict[str, Any]:
    return asdict(block) | {
        "lines": [symbols.formula(line) for line in block.lines],
        "rows": [[symbols.formula(line) for line in row] for row in _side_by_side(block.lines)],
    }


def _side_by_side(lines: Sequence[str]) -> list[list[str]]:
    """Short lines that follow on one another share a line of the PDF."""
    rows: list[list[str]] = []
    for line in lines:
        short = text_width(line) <= 0.47 * _LINE
        if short and rows and len(rows[-1]) == 1 and text_width(rows[-1][0]) <= 0.47 * _LINE:
            rows[-1].append(line)
        else:
            rows.append([line])
    return rows


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
    to = {(row, column): anchor for row, column, anchor in block.links}
    named = {(row, column): name for row, column, name in block.marks}
    return asdict(block) | {
        "head": [symbols.prose(cell) for cell in head],
        "align": list(align),
        "rows": [
            [
                {"text": marked(cell), "tail": tails[i][at], "to": to.get((at, i), ""), "name": named.get((at, i), "")}
                for i, cell in enumerate(row)
            ]
            for at, row in enumerate(rows)
        ],
        "anchors": [*block.anchors, *[""] * (len(rows) - len(block.anchors))],
        "caption": symbols.prose(block.caption),
        "cells": [_kind([row[i] for row in rows]) for i in range(width)],
        "place": "alone",
        "mate": "",
        **_narrow(_setting(head, rows, tails, long=block.long, wished=block.widths), head, rows, tails, block),
    }


def _narrow(
    setting: dict[str, Any],
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    tails: Sequence[Sequence[float]],
    block: blocks.Table,
) -> dict[str, Any]:
    """The setting, and whether two such tables stand side by side in the PDF."""
    if not block.printed or not block.caption or setting["columns"] > 1 or len(rows) > _SHORT or block.widths:
        return setting | {"narrow": False}
    natural = column_needs(head, rows, tails)[1]
    for kind in (NORMAL, SMALL, FINE, TIGHT):
        if kind.size <= setting["type"]["size"] and _points(natural, kind) <= _HALF:
            return _set(kind, [], wide=False) | {"narrow": True}
        if not block.long:
            break
    return setting | {"narrow": False}


def _kind(cells: Sequence[str]) -> str:
    """What a narrow window may do to a column: texts keep room for some words, short cells stay on one line."""
    if all(len(cell) <= 16 for cell in cells):
        return "whole"
    return "wordy" if any(len(cell) > 28 and " " in cell for cell in cells) else ""


def _setting(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    tails: Sequence[Sequence[float]],
    *,
    long: bool,
    wished: Sequence[float],
) -> dict[str, Any]:
    """Type, widths and number of columns in the PDF; automatic widths where every cell fits on one line."""
    least, natural = column_needs(head, rows, tails)
    size = SMALL if long else NORMAL
    if len(rows) > ONE_PIECE and not wished:  # a narrow listing is set in several columns: fewer pages
        for kind in (SMALL, FINE, TIGHT)[: 3 if len(rows) > _MANY else 2 if long else 1]:
            times = min(_MOST, ceil(len(rows) / 5), int((_FULL + _GUTTER) // (_points(natural, kind) + _GUTTER)))
            if times > 1:
                return _set(kind, [], times=times, wide=True)
    wide = long or _points(natural, size) > _COLUMN
    available = _FULL if wide else _COLUMN
    for kind in (size, FINE, TIGHT) if long else (size,):
        if _points(natural, kind) <= available and not wished:
            return _set(kind, [], wide=wide)
    if len(wished) == len(head):  # as wished for, but no column narrower than its words
        natural = [max(em, available / size.size * part / sum(wished)) for em, part in zip(least, wished, strict=True)]
    # Closer and smaller type before a word is broken; in a listing, names and times break only at the very last.
    broken = column_needs(head, rows, tails, longest=LISTING)
    for kind, (smallest, wanted) in (
        *((kind, (least, natural)) for kind in (size, CLOSE, SMALL, TIGHT) if kind.size <= size.size),
        (SMALL, broken),
        (TIGHT, broken),
    ):
        widths = shared(
            [kind.size * em + kind.gap for em in smallest], [kind.size * em + kind.gap for em in wanted], available
        )
        if widths is not None:
            return _set(kind, widths, wide=wide)
    return _set(TIGHT, [min(em, 20.0) + 1.0 for em in natural], wide=wide)


def is_narrow(svg: str) -> bool:
    """Whether two such drawings stand side by side in the PDF."""
    return 0 < natural_width(svg) <= _NARROW


def fits_page(head: Sequence[str], rows: Sequence[Sequence[str]]) -> bool:
    """Whether a table of numbers is as wide as the page at most, set tight, with every cell on one line."""
    _, natural = column_needs(head, rows, [decimal_tails([row[at] for row in rows]) for at in range(len(head))])
    return _points(natural, TIGHT) <= _FULL


def _points(ems: Sequence[float], kind: Type) -> float:
    return sum(kind.size * em + kind.gap for em in ems)


def _set(kind: Type, widths: Sequence[float], *, times: int = 1, wide: bool = False) -> dict[str, Any]:
    return {"type": asdict(kind), "widths": list(widths), "columns": times, "wide": wide}


@_arranged.register
def _attachment(block: blocks.Attachment) -> dict[str, Any]:
    return {"kind": block.kind, "name": block.name, "text": symbols.prose(block.text)}


@_arranged.register
def _figure(block: blocks.Figure) -> dict[str, Any]:
    return asdict(block) | {
        "caption": symbols.prose(block.caption),
        "width": min(max(block.width, 0.2), 1.0),
        "points": natural_width(block.svg),
        "narrow": is_narrow(block.svg),
        "place": "alone",
        "mate": "",
    }


@_arranged.register
def _strips(block: blocks.Strips) -> dict[str, Any]:
    axis = strips.common_axis(block.strips)
    tails = decimal_tails([strip.observed_text for strip in block.strips])
    names = [strip.label.removesuffix(strip.place).rstrip(" ,") if strip.place else "" for strip in block.strips]
    rows = [
        asdict(strip)
        | {
            "label": symbols.prose(strip.label),
            # Rows of one requirement: its name once, then the places alone.
            "place": symbols.prose(strip.place) if at and names[at] and names[at] == names[at - 1] else [],
            "reason": [] if block.compact else symbols.prose(strip.reason),
            "thin": [] if block.compact else symbols.prose(strip.thin),
            "limit_text": strip.limit_text.partition(" (")[0] if block.compact else strip.limit_text,
            "marks": ", ".join(["thin"] * (block.compact and bool(strip.thin)) + ["fragile"] * strip.fragile),
            "tail": tail,
            "svg": strips.strip_svg(strip, axis),
            "words": strips.strip_words(strip),
        }
        for at, (strip, tail) in enumerate(zip(block.strips, tails, strict=True))
    ]
    return {
        "kind": block.kind,
        "compact": block.compact,
        "strips": rows,
        "axis": strips.axis_svg(axis),
        "width": axis.width,
        "widths": _strip_widths(rows, compact=block.compact),
    }


def _strip_widths(rows: Sequence[Mapping[str, Any]], *, compact: bool) -> list[float]:
    """Widths of outcome, observed, interval and limit, in points: what their texts need; the label has the rest."""
    heads = (_LETTER * text_width(word, "bold") for word in ("Outcome", "Observed", "Interval", "Limit"))
    needs: list[tuple[float, ...]] = [tuple(heads)]
    for row in rows:
        limit, _, derived = row["limit_text"].partition(" (")
        needs.append((
            _LETTER * text_width(row["outcome"], "bold") + _ASIDE * text_width(row["marks"]) * compact,
            _LETTER * text_width(row["observed_text"]),
            _LETTER * text_width(row["interval_text"]),
            max(_LETTER * text_width(limit), _ASIDE * text_width(f"({derived}")),
        ))  # fmt: skip
    return [min(max(column), 1.5 * _WIDEST if compact else _WIDEST) + 8.0 for column in zip(*needs, strict=True)]
