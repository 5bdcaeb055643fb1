"""history/readings.csv: each reading and lot record as `check` or `run` first saw it, so that a later change shows."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from validation.study.folder import HISTORY, issues_of
from validation.study.history import chain
from validation.study.history.losses import RESTORE, Loss
from validation.study.model import Reading

RECORD = f"{HISTORY}/readings.csv"
#: In the inputs of a dossier alone: entries that earlier dossiers hold and the record has lost.
EARLIER = f"{HISTORY}/earlier.csv"


@dataclass(frozen=True, slots=True)
class Seen(chain.Entry):
    """A reading or lot record as it was recorded: its cells by column, and the SHA-256 over them.

    `whole`: that SHA-256 is the one of the cells.
    """

    file: str
    row: str
    reading: str
    sha256: str
    cells: Mapping[str, str]
    whole: bool = True

    record_of = "readings"
    columns = ("file", "row", "reading", "sha256", "written", "chain")
    once_unlinked = True

    @classmethod
    def now(cls, reading: Reading) -> Seen:
        """A reading as it stands now: its filled cells, since a column added later and left empty changes nothing."""
        cells = {column: text for column, text in reading.written.items() if text}
        sha256 = _content_sha256(reading.file, reading.reading, cells)
        return cls(reading.file, str(reading.line), reading.reading, sha256, cells)

    @classmethod
    def of(cls, texts: Sequence[str]) -> Seen:
        file, row, reading, sha256, written = texts
        cells = {**json.loads(written)}
        return cls(file, row, reading, sha256, cells, sha256 == _content_sha256(file, reading, cells))

    def texts(self) -> list[str]:
        cells = json.dumps(self.cells, ensure_ascii=False, sort_keys=True)
        return [self.file, self.row, self.reading, self.sha256, cells]

    @property
    def key(self) -> tuple[str, ...]:
        return self.file, self.reading, self.sha256


def _content_sha256(file: str, name: str, cells: Mapping[str, str]) -> str:
    return chain.sha256_of([file, name, sorted(cells.items())])


def read_seen(folder: Path, file: str = RECORD) -> chain.Record[Seen]:
    """The record of readings as first seen."""
    return chain.read_record(folder, file, Seen)


def seen_versions(folder: Path) -> Mapping[str, Sequence[Seen]]:
    """What was seen of each reading and lot record, oldest first; also what earlier dossiers alone still hold."""
    versions: dict[str, list[Seen]] = {}
    for entry in _held(folder)[1]:
        versions.setdefault(entry.reading, []).append(entry)
    return versions


def _held(folder: Path) -> tuple[chain.Record[Seen], list[Seen]]:
    """The record, and every entry that it or an earlier dossier holds, in the order first seen."""

    def whole(place: Path) -> list[Seen]:
        return [entry for file in (EARLIER, RECORD) for entry in read_seen(place, file).entries]

    copies = [whole(issue / "inputs") for issue in issues_of(folder)]
    return read_seen(folder), chain.ever_held(copies, whole(folder))


def _missing(folder: Path) -> tuple[chain.Record[Seen], list[Seen]]:
    """The record, and what earlier dossiers hold that it no longer does."""
    record, held = _held(folder)
    return record, chain.without(held, record.entries)


def earlier_entries(folder: Path) -> dict[str, bytes]:
    """history/earlier.csv for the inputs of a dossier: what earlier dossiers hold and the record no longer does."""
    _, missing = _missing(folder)
    if not missing:
        return {}
    return {EARLIER: chain.with_rows(None, Seen.columns[:-1], [entry.texts() for entry in missing])}


def history_losses(folder: Path) -> tuple[Loss, ...]:
    """What no longer shows how the readings were first seen: an entry edited or taken out, or the record gone."""
    record, missing = _missing(folder)
    losses = list(_edited(record))
    dossiers = [read_seen(issue / "inputs") for issue in issues_of(folder)]
    if not record.chained and any(copy.chained and copy.entries for copy in dossiers):
        text = f"{RECORD} has lost the chain of its entries. {RESTORE}"
        losses.append(Loss(f"the chain of {RECORD} is gone", text))
    if missing:
        losses.append(_gone(missing, whole_record=record.raw is None))
    return tuple(losses)


def _edited(record: chain.Record[Seen]) -> Iterator[Loss]:
    for place, (entry, row) in enumerate(zip(record.entries, record.rows, strict=True)):
        if entry.whole and place not in record.broken:
            continue
        why = chain.NOT_FOLLOWING if entry.whole else "its SHA-256 is not that of its cells"
        text = f"{RECORD}, row {row} (reading {entry.reading}): {why}. {RESTORE}"
        yield Loss(f"{RECORD} was edited at row {row}", text)


def _gone(missing: Sequence[Seen], *, whole_record: bool) -> Loss:
    count = f"{len(missing)} {'entry' if len(missing) == 1 else 'entries'}"
    if whole_record:
        text = f"{RECORD} is gone; earlier dossiers hold {count} of it. {RESTORE}"
        return Loss(f"{RECORD} is gone", text)
    names = list(dict.fromkeys(entry.reading for entry in missing))
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    text = f"{RECORD} no longer holds what an earlier dossier holds of {', '.join(names[:6])}{more}. {RESTORE}"
    return Loss(f"{count} of {RECORD} {'is' if len(missing) == 1 else 'are'} gone or changed", text)
