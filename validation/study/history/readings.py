"""history/readings.csv: each reading and lot record as `check` or `run` first saw it, so that a later change shows."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from validation.faults import Fault
from validation.study.folder import HISTORY, issues_of
from validation.study.history.chain import (
    NOT_FOLLOWING,
    Form,
    Growth,
    Record,
    ever_held,
    grown,
    read_record,
    sha256_of,
    with_rows,
    without,
)
from validation.study.history.losses import RESTORE, Loss
from validation.study.model import Reading

RECORD = f"{HISTORY}/readings.csv"
#: In the inputs of a dossier alone: entries that earlier dossiers hold and the record has lost.
EARLIER = f"{HISTORY}/earlier.csv"


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading or lot record as it was recorded: its cells by column, and the SHA-256 over them."""

    file: str
    row: str
    reading: str
    sha256: str
    cells: Mapping[str, str]

    @classmethod
    def of(cls, reading: Reading) -> Seen:
        """A reading as it stands now: its filled cells, since a column added later and left empty changes nothing."""
        cells = {column: text for column, text in reading.written.items() if text}
        sha256 = _content_sha256(reading.file, reading.reading, cells)
        return cls(reading.file, str(reading.line), reading.reading, sha256, cells)

    @classmethod
    def of_row(cls, texts: Sequence[str]) -> Seen:
        """The entry of a row."""
        file, row, reading, sha256, cells = texts
        return cls(file, row, reading, sha256, {**json.loads(cells)})

    @property
    def whole(self) -> bool:
        """Whether the SHA-256 is that of the cells."""
        return self.sha256 == _content_sha256(self.file, self.reading, self.cells)

    def texts(self) -> list[str]:
        """Its row but for the link."""
        cells = json.dumps(self.cells, ensure_ascii=False, sort_keys=True)
        return [self.file, self.row, self.reading, self.sha256, cells]

    def linked(self) -> list[object]:
        """What its link is computed from, beside the link before."""
        return [*self.texts()]

    @property
    def key(self) -> tuple[str, ...]:
        """Two entries are the same wherever the row stood."""
        return self.file, self.reading, self.sha256


_FORM = Form("readings", ("file", "row", "reading", "sha256", "written", "chain"), Seen.of_row, once_unlinked=True)


def _content_sha256(file: str, name: str, cells: Mapping[str, str]) -> str:
    return sha256_of([file, name, sorted(cells.items())])


def readings_with(folder: Path, fresh: Sequence[Seen]) -> Growth:
    """The record with further entries; nothing where there are none."""
    return grown(read_record(folder, RECORD, _FORM), RECORD, _FORM, fresh)


def record_faults(folder: Path) -> tuple[Fault, ...]:
    """What is wrong with the record itself, so that it cannot be read."""
    return read_record(folder, RECORD, _FORM).faults


def seen_versions(folder: Path) -> Mapping[str, Sequence[Seen]]:
    """What was seen of each reading and lot record, oldest first; also what earlier dossiers alone still hold."""
    versions: dict[str, list[Seen]] = {}
    for entry in _held(folder)[1]:
        versions.setdefault(entry.reading, []).append(entry)
    return versions


def _held(folder: Path) -> tuple[Record[Seen], list[Seen]]:
    """The record, and every entry that it or an earlier dossier holds, in the order first seen."""

    def whole(place: Path) -> list[Seen]:
        return [entry for name in (EARLIER, RECORD) for entry in read_record(place, name, _FORM).entries]

    copies = [whole(issue / "inputs") for issue in issues_of(folder)]
    return read_record(folder, RECORD, _FORM), ever_held(copies, whole(folder))


def _missing(folder: Path) -> tuple[Record[Seen], list[Seen]]:
    """The record, and what earlier dossiers hold that it no longer does."""
    record, held = _held(folder)
    return record, without(held, record.entries)


def earlier_entries(folder: Path) -> dict[str, bytes]:
    """history/earlier.csv for the inputs of a dossier: what earlier dossiers hold and the record no longer does."""
    _, missing = _missing(folder)
    if not missing:
        return {}
    return {EARLIER: with_rows(None, _FORM.columns[:-1], [entry.texts() for entry in missing])}


def history_losses(folder: Path) -> tuple[Loss, ...]:
    """What no longer shows how the readings were first seen: an entry edited or taken out, or the record gone."""
    record, missing = _missing(folder)
    losses = list(_edited(record))
    dossiers = [read_record(issue / "inputs", RECORD, _FORM) for issue in issues_of(folder)]
    if not record.chained and any(copy.chained and copy.entries for copy in dossiers):
        text = f"{RECORD} has lost the chain of its entries. {RESTORE}"
        losses.append(Loss(f"the chain of {RECORD} is gone", text))
    if missing:
        losses.append(_gone(missing, whole_record=record.raw is None))
    return tuple(losses)


def _edited(record: Record[Seen]) -> Iterator[Loss]:
    for place, (entry, row) in enumerate(zip(record.entries, record.rows, strict=True)):
        if entry.whole and place not in record.broken:
            continue
        why = NOT_FOLLOWING if entry.whole else "its SHA-256 is not that of its cells"
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
