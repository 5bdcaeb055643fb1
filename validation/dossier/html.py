"""The dossier as one HTML file: no script, no address, the font inside."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from validation import resources
from validation.dossier.blocks import Document
from validation.dossier.drawing import inline_svg, natural_width
from validation.dossier.fonts import font_faces
from validation.dossier.layout import arranged, is_file
from validation.dossier.symbols import Span
from validation.figures.style import FONT

_TAGS = {"sub": "sub", "sup": "sup", "it": "i"}

#: What the template itself prints; its words are plain ASCII but for these.
_TEMPLATE_CHARACTERS = frozenset(map(chr, range(0x20, 0x7F))) | frozenset("\u00a0–—·×−±≤≥…")


def render_html(document: Document) -> str:
    """The dossier as one HTML file that opens alone, offline; the same document gives the same text.

    Parameters
    ----------
    document : the whole dossier; its texts may hold anything, none of it is read as markup
    """
    page = arranged(document)
    characters = frozenset("".join(texts(page))) | _TEMPLATE_CHARACTERS
    template = _environment().get_template("dossier.html.j2")
    return template.render(page=page, font_faces=Markup(font_faces(characters, FONT)), font=FONT)


def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(resources.folder("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {"rich": _rich, "drawing": _drawing, "points": natural_width, "place": _place}
    return environment


def _rich(spans: Sequence[Span]) -> Markup:
    """Spans as HTML; their texts are escaped."""
    return Markup("").join(
        Markup("<{0}>{1}</{0}>").format(Markup(_TAGS[kind]), text) if kind else escape(text) for kind, text in spans
    )


def _place(to: str) -> str:
    """The address of a link: an anchor of this page, or a file next to it."""
    return to if is_file(to) else f"#{to}"


def _drawing(svg: str, prefix: str, alt: str = "") -> Markup:
    return Markup(inline_svg(svg, prefix, alt=alt))  # rebuilt from known elements, every text escaped


def texts(value: Any) -> Iterator[str]:
    """Every text in a block, however deep it is nested."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for part in value.values():
            yield from texts(part)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from texts(part)
