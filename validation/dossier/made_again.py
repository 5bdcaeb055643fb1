"""Every file of a dossier made again from its folder alone, and compared with what lies there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from itertools import islice
from pathlib import Path

from validation import resources
from validation.dossier.attached import FOLDER as SELFTEST
from validation.dossier.attached import selftest_facts
from validation.dossier.from_folder import Making, record_from
from validation.dossier.listings import long_tables, same_rows
from validation.dossier.manifest import hashes, inputs_hash
from validation.dossier.notebook_cells import cell_differences, source_differences
from validation.dossier.page_text import PdfContent, differing_texts, html_content, pdf_content
from validation.dossier.predecessor import PLACE as PREDECESSOR
from validation.dossier.rebuild import Rebuilt, rebuild
from validation.dossier.rendered import HTML, PDF, SetPages, rendered, set_here
from validation.dossier.results import RESULTS, results_bytes
from validation.dossier.word_differences import WordDifference, word_differences, words_in_any_order
from validation.dossier.workbook.book import WORKBOOK, same_workbook
from validation.words import counted

#: So many differences of one file are named; the others are counted.
MOST_NAMED = 10


@dataclass(frozen=True)
class MadeAgain:
    """What a dossier's folder gives: the record, and every file by name; executed notebooks only where they were."""

    rebuilt: Rebuilt
    files: Mapping[str, bytes]


#: Makes a dossier again from its folder, its making, and the chapters of a draft (None for all).
MakeAgain = Callable[[Path, Making, Sequence[str] | None], MadeAgain]


def every_file(folder: Path, rebuilt: Rebuilt, making: Making, set_pages: SetPages) -> MadeAgain:
    """The files that follow from a rebuilt record.

    Parameters
    ----------
    folder : the dossier
    rebuilt, making : what its inputs give, and what they do not give
    set_pages : makes the PDF
    """
    chapters = rebuilt.chapters
    files = {
        RESULTS: results_bytes(rebuilt.results),
        **rendered(record_from(folder, rebuilt, making), set_pages),
        **{f"figures/{name}.svg": svg.encode("utf-8") for name, svg in chapters.figures.items()},
        **{f"notebooks/{name}.ipynb": raw for name, raw in chapters.notebooks.items()},
    }
    return MadeAgain(rebuilt, files)


def made_here(folder: Path, making: Making, chapters: Sequence[str] | None) -> MadeAgain:
    """The same in this process, without executing a notebook."""
    beside = {name: hashes(folder / name) for name in (PREDECESSOR, SELFTEST) if (folder / name).is_dir()}
    key = (inputs_hash(folder / "inputs"), repr(making), repr(beside), None if chapters is None else tuple(chapters))
    if key not in _made:
        while len(_made) > 3:  # the same dossier is read again, or one next to it
            _made.pop(next(iter(_made)))
        inputs, selftest = folder / "inputs", selftest_facts(folder, making.versions, making.program)
        rebuilt = rebuild(inputs, draft=making.draft, chapters=chapters, made_with=making.versions, selftest=selftest)
        _made[key] = every_file(folder, rebuilt, making, set_here)
    return _made[key]


_made: dict[tuple[object, ...], MadeAgain] = {}


def with_own_figures(folder: Path, again: MadeAgain, making: Making) -> MadeAgain:
    """The same with the pages showing the figures that the dossier has: other libraries draw others."""
    chapters = again.rebuilt.chapters
    there = {path.stem: path.read_text("utf-8", "replace") for path in sorted((folder / "figures").glob("*.svg"))}
    figures = {name: there.get(name, svg) for name, svg in chapters.figures.items()}
    rebuilt = replace(again.rebuilt, chapters=replace(chapters, figures=figures, notebooks={}))
    return every_file(folder, rebuilt, making, set_here)


@dataclass(frozen=True)
class Held:
    """A dossier's folder against what was made again.

    Attributes
    ----------
    folder, again : the two
    same_libraries : whether the libraries are those that made the dossier, so that every byte must be the same
    """

    folder: Path
    again: MadeAgain
    same_libraries: bool

    @property
    def _strict(self) -> bool:
        """Whether pages must be the same to the byte: the record is the same to the last digit too."""
        return self.same_libraries and self._same(RESULTS) and all(map(self._same, self._tables))

    @property
    def _tables(self) -> Mapping[str, bytes]:
        return long_tables(self.again.rebuilt.evaluations)

    def _same(self, name: str) -> bool:
        return self._recorded(name) in (None, self.again.files[name])

    def _recorded(self, name: str) -> bytes | None:
        path = self.folder / name
        return path.read_bytes() if path.is_file() else None

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is compared with what."""
        executed = any(name.startswith("notebooks/") for name in self.again.files)
        pages = "byte by byte" if self.same_libraries else "word by word"
        cells = "executed again, cell by cell" if executed else "their sources; their outputs by hash only"
        drawn = sum(name.startswith("figures/") for name in self.again.files) if self.same_libraries else 0
        return (
            f"{RESULTS} and {WORKBOOK}: every value, computed again from inputs/.",
            f"{HTML} and {PDF}: made again, {pages}.",
            *([f"{counted(drawn, 'figure')}: drawn again, byte by byte."] if drawn else []),
            f"Notebooks: {cells}.",
        )

    def problems(self) -> Iterator[str]:
        """Each file that is not the one that the record gives; results.json is compared elsewhere."""
        for name, raw in self.again.files.items():
            recorded = self._recorded(name)
            if recorded is None or recorded == raw or name == RESULTS:
                continue
            yield from self._file(name, recorded, raw)
        if not any(name.startswith("notebooks/") for name in self.again.files):
            yield from self._plain_notebooks()

    def _file(self, name: str, recorded: bytes, again: bytes) -> Iterator[str]:
        if name == HTML:
            yield from _limited(name, self._html(recorded, again))
        elif name == PDF:
            yield from _limited(name, self._pdf(recorded, again))
        elif name.startswith("notebooks/"):
            texts = list(cell_differences(recorded, again)) or ["it differs outside its cells."]
            yield from _limited(name, iter(texts))
        elif name in self._tables:
            if not same_rows(recorded, again):
                yield f"{name}: not the rows that the inputs give."
        elif name == WORKBOOK:
            if not same_workbook(recorded, again):
                yield f"{name}: not the workbook that the inputs give."
        elif name.startswith("figures/"):
            if self.same_libraries:
                yield f"{name}: not the figure that the inputs give."
        elif name.startswith("listings/"):
            yield f"{name}: not the rows that the inputs give."
        elif self._strict:
            yield f"{name}: not the file that the record gives."

    def _plain_notebooks(self) -> Iterator[str]:
        """The sources of notebooks that were not executed again."""
        for path in sorted((self.folder / "notebooks").glob("*.ipynb")):
            plain = resources.folder("notebooks") / path.name
            if plain.is_file():
                texts = source_differences(path.read_bytes(), plain.read_bytes())
                yield from _limited(f"notebooks/{path.name}", texts)

    def _html(self, recorded: bytes, again: bytes) -> Iterator[str]:
        there, here = html_content(recorded), html_content(again)
        differences = word_differences(there.text, self._with_recorded_hashes(here.text))
        yield from map(_sentence, differences)
        if differences:
            return
        if there.markup != here.markup:
            pairs = zip([*there.markup, "the end"], [*here.markup, "the end"], strict=False)
            one, other = next((a, b) for a, b in pairs if a != b)
            yield f"it differs in markup, not in words: {_around(one, other)}; the record gives {_around(other, one)}."
        elif self._strict:
            yield "it differs in markup, not in words: in a drawing, the font or white space."

    def _pdf(self, recorded: bytes, again: bytes) -> Iterator[str]:
        here = pdf_content(again)
        try:
            there = pdf_content(recorded)
            differences = self._words_of_pdf(there, here)
        except ValueError as error:
            yield f"{error}."
            return
        attached = list(self._attachments(there.attachments, here.attachments))
        yield from map(_sentence, differences)
        yield from attached
        if self._strict and not differences and not attached:
            yield "it differs in markup, not in words: in a link, a drawing, a font or its structure."

    def _words_of_pdf(self, there: PdfContent, here: PdfContent) -> list[WordDifference]:
        if not self.same_libraries:
            return words_in_any_order(there.running_text(), self._with_recorded_hashes(here.running_text()))
        one, other = differing_texts(there, here)
        return word_differences(one, self._with_recorded_hashes(other))

    def _attachments(self, there: Mapping[str, bytes], here: Mapping[str, bytes]) -> Iterator[str]:
        for name in sorted({*there, *here}):
            if name not in there:
                yield f"the attachment {name} is missing."
            elif name not in here:
                yield f"the attachment {name} is not a part of it."
            elif not self._same_attachment(name, there[name], here[name]):
                yield f"the attachment {name} is not the file that the record gives."

    def _same_attachment(self, name: str, there: bytes, here: bytes) -> bool:
        # What lies next to the pages is compared there.
        if there == here or there == self._recorded(name):
            return True
        return not self._strict and (not name.endswith(".csv") or same_rows(there, here))

    def _with_recorded_hashes(self, text: str) -> str:
        """The text with the hashes of files of numbers as they lie there: each is compared by itself."""
        for name in (RESULTS, WORKBOOK, *self._tables):
            recorded = self._recorded(name)
            if recorded is not None:
                text = text.replace(sha256(self.again.files[name]).hexdigest(), sha256(recorded).hexdigest())
        return text


def _around(one: str, other: str) -> str:
    """A piece of markup around the place where another one differs: a style sheet is long."""
    at = next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
    start, end = max(0, at - 60), at + 140
    return f"{'…' if start else ''}{one[start:end]}{'…' if end < len(one) else ''}"


def _sentence(difference: WordDifference) -> str:
    return f"“{difference.found}”; the record gives “{difference.expected}”."


def _limited(name: str, texts: Iterator[str]) -> Iterator[str]:
    """The first differences of a file; the others counted."""
    yield from (f"{name}: {text}" for text in islice(texts, MOST_NAMED))
    more = sum(1 for _ in texts)
    if more:
        yield f"{name}: and {more} more."
