"""What a page says, taken back out of its HTML or PDF: words, markup, attachments."""

from __future__ import annotations

import io
import logging
import re
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from html.parser import HTMLParser

#: Elements inside of a line; every other one begins and ends a sentence.
_INLINE = frozenset({"a", "abbr", "b", "code", "em", "i", "small", "span", "strong", "sub", "sup", "td", "th", "tspan"})
_CELLS = frozenset({"td", "th"})
_WITHOUT_END = frozenset({"br", "col", "hr", "img", "input", "link", "meta", "wbr"})
#: Attributes that a reader hears.
_SPOKEN = ("alt", "aria-label", "title")


@dataclass(frozen=True, slots=True)
class HtmlContent:
    """The text of a page, one line a sentence or row; and its elements with their attributes, drawings left out."""

    text: str
    markup: tuple[str, ...]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[str] = []
        self.markup: list[str] = []
        self.open: list[str] = []

    @property
    def _drawing(self) -> bool:
        return "svg" in self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._boundary(tag)
        self.parts += [f"\n{value}\n" for name, value in attrs if name in _SPOKEN and value]
        if not self._drawing:
            self.markup.append(f"<{tag}{''.join(f' {name}={value!r}' for name, value in attrs)}>")
        if tag not in _WITHOUT_END:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self.open:
            while self.open.pop() != tag:
                pass
        self._boundary(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("style", "script"):
            # The font is no text; it is as the library that cuts it down writes it.
            self.markup.append(" ".join(re.sub(r"url\([^)]*\)", "url()", data).split()))
        else:
            self.parts.append(" ".join(data.split("\n")))

    def handle_comment(self, data: str) -> None:
        self.markup.append(f"<!--{data}-->")

    def _boundary(self, tag: str) -> None:
        if tag in _CELLS:
            self.parts.append(" ")
        elif tag not in _INLINE:
            self.parts.append("\n")


def html_content(raw: bytes) -> HtmlContent:
    """Text and markup of a page of HTML, whatever it holds."""
    reader = _Reader()
    reader.feed(raw.decode("utf-8", "replace"))
    reader.close()
    lines = (" ".join(line.split()) for line in "".join(reader.parts).split("\n"))
    return HtmlContent("\n".join(line for line in lines if line), tuple(reader.markup))


@dataclass(frozen=True, slots=True)
class PdfContent:
    """What a PDF holds: its pages as it draws them, and its attachments by name."""

    drawn: tuple[bytes, ...]
    attachments: Mapping[str, bytes]
    _text_of: Callable[[int], str]

    def texts(self, numbers: Iterable[int] | None = None) -> list[str]:
        """The text of these pages, or of all.

        Raises
        ------
        ValueError
            A page cannot be read.
        """
        with _one_error():
            return [self._text_of(number) for number in (range(len(self.drawn)) if numbers is None else numbers)]

    def running_text(self) -> str:
        """The text of all pages, line by line, without the lines that pages repeat and the numbers of pages.

        Raises
        ------
        ValueError
            A page cannot be read.
        """
        pages = [page.split("\n") for page in self.texts()]
        often = Counter(line for page in pages for line in {_without_digits(line) for line in page})
        most = max(3, 0.6 * len(pages))
        text = "\n".join(line for page in pages for line in page if often[_without_digits(line)] < most)
        return re.sub(r"(?:\.\s*){4,}\d+|\bpage\s+\d+", " ", text)


def differing_texts(one: PdfContent, other: PdfContent) -> tuple[str, str]:
    """The texts of the pages that two PDFs draw differently: to read a text takes long.

    Raises
    ------
    ValueError
        A page cannot be read.
    """
    pairs = enumerate(zip(one.drawn, other.drawn, strict=False))
    alike = len(one.drawn) == len(other.drawn)
    numbers = [number for number, (a, b) in pairs if a != b] if alike else None
    return tuple(" ".join(" ".join(item.texts(numbers)).split("\n")) for item in (one, other))  # type: ignore[return-value]


def _without_digits(line: str) -> str:
    return re.sub(r"\d+", "#", line.strip())


@contextmanager
def _one_error() -> Iterator[None]:
    """Whatever a damaged PDF makes of its reader is one error."""
    from pypdf.errors import PyPdfError

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # what is damaged is reported once, by the caller
    kinds = (
        PyPdfError,
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        IndexError,
        OSError,
        RecursionError,
        zlib.error,
    )
    try:
        yield
    except kinds as error:
        raise ValueError(f"it cannot be read as a PDF ({type(error).__name__})") from None


def pdf_content(raw: bytes) -> PdfContent:
    """What a PDF holds.

    Raises
    ------
    ValueError
        It cannot be read.
    """
    import pypdf

    with _one_error():
        reader = pypdf.PdfReader(io.BytesIO(raw))
        contents = [page.get_contents() for page in reader.pages]
        return PdfContent(
            drawn=tuple(b"" if content is None else content.get_data() for content in contents),
            attachments={name: b"".join(parts) for name, parts in reader.attachments.items()},
            _text_of=lambda number: reader.pages[number].extract_text(),
        )
