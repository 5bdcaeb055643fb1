"""The dossier as a list of blocks: written once, rendered to HTML and to PDF, so that both say the same."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from validation.study.quantity import Outcome


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; `level` 1 opens a chapter, `anchor` is unique and made of a-z, 0-9, -."""

    text: str
    level: int = 1
    anchor: str = ""
    kind: Literal["heading"] = "heading"


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Plain text; `margin` is the reference set in the PDF's margin column (source clause, rows, key)."""

    text: str
    margin: str = ""
    style: Literal["body", "lead", "note", "caution", "small"] = "body"
    kind: Literal["paragraph"] = "paragraph"


@dataclass(frozen=True, slots=True)
class Items:
    """A plain list of sentences."""

    items: tuple[str, ...]
    style: Literal["body", "small"] = "body"
    kind: Literal["items"] = "items"


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula in plain characters, one line each, set apart from the text."""

    lines: tuple[str, ...]
    margin: str = ""
    kind: Literal["formula"] = "formula"


@dataclass(frozen=True, slots=True)
class Link:
    """Words that lead to an anchor of the dossier, or in HTML to a file of it; plain words where there is none such.

    `to` is an anchor, or a path below the dossier's folder such as inputs/plan.yaml.
    """

    text: str
    to: str


@dataclass(frozen=True, slots=True)
class Links:
    """A sentence and the links that follow it, such as the rows of a worksheet; `anchor` leads here."""

    lead: str
    links: tuple[Link, ...]
    anchor: str = ""
    kind: Literal["links"] = "links"


@dataclass(frozen=True, slots=True)
class Table:
    """Cells are text already rounded; `align` holds one of "l", "r", "d" (on the decimal mark) a column.

    `long` tables are set small; in `literal` ones every cell is printed letter for letter as it was typed. Every table
    repeats its head on a new page. `widths` are relative column widths wished for in the PDF, empty where they follow
    from the cells. `details` tables fold away in HTML under `caption`; the PDF leaves out those not `printed`.
    `anchors` holds one name a row, empty for none, `marks` row, column and name of single cells;
    `links` the row, the column and what each cell leads to, as a `Link` does, with the page where `paged`.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str = ""
    margin: str = ""
    long: bool = False
    details: bool = False
    printed: bool = True
    literal: bool = False
    widths: tuple[float, ...] = ()
    anchors: tuple[str, ...] = ()
    marks: tuple[tuple[int, int, str], ...] = ()
    links: tuple[tuple[int, int, str], ...] = ()
    paged: bool = False
    kind: Literal["table"] = "table"


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file of the dossier named in the text: linked in HTML, attached to the PDF. `content` is UTF-8 text."""

    name: str
    text: str
    content: bytes
    kind: Literal["attachment"] = "attachment"


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure by file name below figures/; the message is its title inside the picture, `alt` says it in words."""

    name: str
    svg: str
    alt: str
    caption: str = ""
    width: float = 1.0
    kind: Literal["figure"] = "figure"


@dataclass(frozen=True, slots=True)
class Strip:
    """One requirement drawn as an interval against its limit, all numbers already divided by the limit.

    `allowed` is the pale ground: (-1, 1) for an equivalence or a tolerance, (0, 1) for an upper bound, (1, None) for a
    lower bound. None where nothing can be drawn. Texts are rounded for the page. `fragile`: the verdict changes in a
    variant of the chapter on firmness. `place` is the end of the label that says where: rows that share the rest
    of it show their place only. `anchor` leads to the chapter, `trace` to what the verdict rests on;
    `name` is the row's own.
    """

    label: str
    outcome: Outcome
    observed_text: str
    interval_text: str
    limit_text: str
    allowed: tuple[float | None, float | None] = (-1.0, 1.0)
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str = ""
    anchor: str = ""
    trace: str = ""
    name: str = ""
    thin: str = ""
    fragile: bool = False
    place: str = ""


@dataclass(frozen=True, slots=True)
class Strips:
    """Requirements under one another, on one common axis; `compact` rows take one line, without a reason."""

    strips: tuple[Strip, ...]
    compact: bool = False
    kind: Literal["strips"] = "strips"


@dataclass(frozen=True, slots=True)
class Fields:
    """Name and value pairs, such as the facts of the cover or the software versions."""

    pairs: tuple[tuple[str, str], ...]
    kind: Literal["fields"] = "fields"


@dataclass(frozen=True, slots=True)
class Signatures:
    """The block for prepared, reviewed, approved; an empty name prints "unsigned"."""

    rows: tuple[tuple[str, str], ...]
    kind: Literal["signatures"] = "signatures"


Block = Heading | Paragraph | Items | Links | Formula | Table | Attachment | Figure | Strips | Fields | Signatures


@dataclass(frozen=True, slots=True)
class Cover:
    """Page 1: everything is text. `kind` says what the document is, `conclusion_name` what its conclusion is.

    `lists` are short lists under headings of their own, such as restrictions and open actions.
    """

    title: str
    study_id: str
    laboratory: str
    conclusion: str
    conclusion_text: str
    fields: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    signatures: tuple[tuple[str, str], ...]
    kind: str = "Validation dossier"
    conclusion_name: str = "Proposed conclusion"
    lists: tuple[tuple[str, tuple[str, ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class Document:
    """The whole dossier. `issue` is "001"; `short_hash` the first 12 hex digits over the sorted inputs.

    `issue_word` is what the pages call `issue`: the report of the self-test has the version there.
    `attached`: files that the PDF holds beside the listings, name and content of each.
    `watermark` is empty but for a draft. `timestamp` is seconds since 1970, handed in, never read from the clock here.
    """

    cover: Cover
    blocks: tuple[Block, ...]
    issue: str
    short_hash: str
    timestamp: int
    watermark: str = ""
    issue_word: str = "issue"
    language: str = "en"
    attached: tuple[tuple[str, bytes], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types, handed to the PDF template as data."""
        return asdict(self)
