"""A file that only grows: its entries, the chain that holds them together, and the copies that dossiers keep of it.

The link of an entry is a SHA-256 over the link of the entry before and the entry itself, so that none can be edited,
moved or taken out of the middle unseen. What is cut off the end shows where an older copy still holds it.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, ClassVar, Generic, Self, TypeVar, cast

from validation.faults import Fault
from validation.files import content, write_files
from validation.study.folder import HISTORY, OF_COPIES, history_files, issues_of
from validation.study.history.losses import RESTORE, Loss
from validation.study.text_files import decode, read_raw

#: The words for an entry whose link is not the one that follows.
NOT_FOLLOWING = "it does not follow from the entry before, so one was edited, moved or removed"

#: Files to be written, by name: what each held when it was read (None where there was none), and what it is to hold.
Growth = dict[str, tuple[bytes | None, bytes]]


class Entry:
    """One entry of any kind of history.

    Attributes
    ----------
    record_of : what the file is a record of, as faults name it
    columns : the heading of that file, in which the link comes last
    once_unlinked : a version of the program wrote the same rows without a link
    """

    __slots__ = ()
    record_of: ClassVar[str]
    columns: ClassVar[tuple[str, ...]]
    once_unlinked: ClassVar[bool] = False

    @classmethod
    def of(cls, texts: Sequence[str]) -> Self:
        """The entry of a row."""
        raise NotImplementedError

    def texts(self) -> list[str]:
        """The row of the entry, but for the link."""
        raise NotImplementedError

    def linked(self) -> Sequence[object]:
        """What the link is computed from, in addition to the link before."""
        return self.texts()

    @property
    def key(self) -> tuple[object, ...]:
        """What makes two entries the same."""
        return tuple(self.texts())


E = TypeVar("E", bound=Entry)


def sha256_of(value: object) -> str:
    """SHA-256 over the JSON of a value."""
    return hashlib.sha256(json.dumps(value, ensure_ascii=False).encode("utf-8")).hexdigest()


def link(before: str, entry: Entry) -> str:
    """The link of an entry, from that of the entry before (empty for the first)."""
    return sha256_of([before, *entry.linked()])


def broken_links(entries: Sequence[Entry], links: Sequence[str | None]) -> tuple[int, ...]:
    """Positions of the entries that do not follow from the one before.

    None is the link of an entry that a version of the program wrote without; after one with a link, each has one.
    """
    before = ["", *(text or "" for text in links)]
    return tuple(
        place
        for place, (entry, text) in enumerate(zip(entries, links, strict=True))
        if (before[place] or text is not None) and text != link(before[place], entry)
    )


@dataclass(frozen=True, slots=True)
class Record(Generic[E]):
    """A CSV file of entries of one kind, oldest first.

    Attributes
    ----------
    raw : its bytes; None where there is none
    chained : whether its rows carry links
    last : the link of the last entry
    rows : the line of the file on which each entry ends
    broken : positions of the entries that do not follow from the one before
    faults : why nothing can be read from it
    """

    file: str
    kind: type[E]
    raw: bytes | None = None
    faults: tuple[Fault, ...] = ()
    entries: tuple[E, ...] = ()
    chained: bool = True
    last: str = ""
    rows: tuple[int, ...] = ()
    broken: tuple[int, ...] = ()

    def grown(self, fresh: Sequence[E]) -> Growth:
        """The file with further entries, and chained from the first on; nothing where there are none."""
        if not fresh:
            return {}
        kept, last, entries = self.raw, self.last, fresh
        if not self.chained:
            kept, last, entries = None, "", (*self.entries, *fresh)
        rows = []
        for entry in entries:
            last = link(last, entry)
            rows.append([*entry.texts(), last])
        return {self.file: (self.raw, with_rows(kept, self.kind.columns, rows))}


def read_record(folder: Path, file: str, kind: type[E]) -> Record[E]:
    """The record of a folder, or the faults that forbid reading it; an empty one where there is none."""
    raw, faults = read_raw(folder, file)
    if raw is None or faults:
        return Record(file, kind, raw, tuple(faults))
    return _parsed(raw, file, cast(Any, kind))


@lru_cache(maxsize=64)
def _parsed(raw: bytes, file: str, kind: type[Any]) -> Record[Any]:
    """One record is asked for many times while a study is read."""
    text, faults = decode(raw, file)
    if faults:
        return Record(file, kind, raw, tuple(faults))
    try:
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        (_, heading), *rows = [(reader.line_num, cells) for cells in reader if any(cells)] or [(0, [])]
        chained = not (kind.once_unlinked and tuple(heading) == kind.columns[:-1])
        if chained and tuple(heading) != kind.columns:
            raise ValueError("another heading")
        if any(len(cells) != len(heading) for _, cells in rows):
            raise ValueError("a row with the wrong number of cells")
        entries = tuple(kind.of(cells[: len(kind.columns) - 1]) for _, cells in rows)
        links = [cells[-1] if chained else None for _, cells in rows]
        broken = broken_links(entries, links)
    except (csv.Error, ValueError, TypeError, AttributeError, RecursionError) as error:
        reason = f"The record of {kind.record_of} cannot be read."
        mend = "Restore it from a copy, or move it away to begin a new record; the dossier then cannot show earlier"
        return Record(file, kind, raw, (Fault(file, reason, f"{mend} changes.", value=str(error)),))
    last = rows[-1][1][-1] if rows and chained else ""
    return Record(file, kind, raw, (), entries, chained, last, tuple(line for line, _ in rows), broken)


def with_rows(raw: bytes | None, heading: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """A CSV file with further rows; the heading is written with the first, and what is in the file stays."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    raw = raw or b""
    if not raw.strip():
        writer.writerow(heading)
    elif not raw.endswith(b"\n"):
        text.write("\n")
    writer.writerows(rows)
    return raw + text.getvalue().encode("utf-8")


def write(folder: Path, *growths: Growth) -> None:
    """All files that one command changes, in this order, or none of them.

    Raises
    ------
    Refusal
        A file is no longer as it was read.
    OSError
        A file cannot be written.
    """
    files = {name: contents for growth in growths for name, contents in growth.items()}
    files |= _listed(folder, files) if files else {}
    expected = {name: before for name, (before, _) in files.items()}
    write_files(folder, {name: after for name, (_, after) in files.items()}, expected=expected)


#: The files of history/ that there ever were, so that one that is gone shows.
FILES = f"{HISTORY}/files.csv"


@dataclass(frozen=True, slots=True)
class Listed(Entry):
    """A file of history/ that was written."""

    file: str

    record_of = "history files"
    columns = ("file", "chain")

    @classmethod
    def of(cls, texts: Sequence[str]) -> Listed:
        return cls(*texts)

    def texts(self) -> list[str]:
        return [self.file]


def _listed(folder: Path, written: Growth) -> Growth:
    """The list of the files of history/ with those that are new in it."""
    record = read_record(folder, FILES, Listed)
    others = (FILES, *(f"{HISTORY}/{name}" for name in OF_COPIES))
    names = sorted({*history_files(folder), *(name for name in written if name.startswith(f"{HISTORY}/"))})
    fresh = without([Listed(name) for name in names if name not in others], record.entries)
    return {} if record.faults else record.grown(fresh)


def listed_and_gone(folder: Path) -> list[str]:
    """The files of history/ that were written once and are no longer there; of kept plans the lock tells."""
    names = [entry.file for entry in read_record(folder, FILES, Listed).entries]
    return [name for name in names if content(folder / name) is None]


def listing_losses(folder: Path) -> tuple[Loss, ...]:
    """What of the list itself is no longer as it was written: edited, or shorter than that of an earlier dossier."""
    record = read_record(folder, FILES, Listed)
    losses = [
        Loss(f"{FILES} was edited at row {record.rows[place]}", f"{FILES}, row {record.rows[place]}: {text}", FILES)
        for place in record.broken
        for text in [f"{NOT_FOLLOWING}. {RESTORE}"]
    ]
    held = ever_held([read_record(issue / "inputs", FILES, Listed).entries for issue in issues_of(folder)], ())
    lacking = [entry.file for entry in without(held, record.entries)]
    missing = [name for name in lacking if content(folder / name) is not None]  # of what is gone itself others tell
    if missing:
        text = f"{FILES} no longer lists what an earlier dossier lists: {', '.join(missing)}. {RESTORE}"
        losses.append(Loss(f"{FILES} is gone or shorter", text, FILES))
    return tuple(losses)


def without(entries: Iterable[E], others: Iterable[E]) -> list[E]:
    """The entries that the others lack, each of the others matching one."""
    left = Counter(entry.key for entry in others)
    lacking = []
    for entry in entries:
        if left[entry.key]:
            left[entry.key] -= 1
        else:
            lacking.append(entry)
    return lacking


def ever_held(copies: Iterable[Sequence[E]], own: Sequence[E]) -> list[E]:
    """Every entry that a copy or the record itself holds, in the order first seen: the oldest copy goes first."""
    held: list[E] = []
    for entries in (*copies, own):
        held += without(entries, held)
    return held
