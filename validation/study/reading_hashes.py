"""history/readings.csv: each reading and lot record as `check` or `run` first saw it, so that a later change shows."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from validation.faults import Fault
from validation.study.amendment_hashes import record_amendments
from validation.study.lock import HISTORY
from validation.study.lot_record import LotRecord
from validation.study.model import Reading, Study
from validation.study.text_files import decode
from validation.study.worksheets import WORKSHEETS
from validation.study.yaml_reading import Path_, key_name

RECORD = f"{HISTORY}/readings.csv"
_COLUMNS = ("file", "row", "reading", "sha256", "written")
#: What is filled into a lot record while the lot is in use.
_FILLED_LATER = ("first_use", "last_use")


@dataclass(frozen=True, slots=True)
class Change:
    """A worksheet cell that differs from what was first seen, without an amendment. `row` is the line today.

    A lot record counts as one reading of the name of its file, its keys as columns; `mend` says what can be done, once
    a record.
    """

    file: str
    row: int | None
    reading: str
    column: str
    old: str
    new: str
    mend: str = ""

    def __str__(self) -> str:
        place = self.file if self.row is None else f"{self.file}, row {self.row}"
        if self.column == "":
            if self.reading == self.file:
                return f"{self.file}: the lot record was there and is gone."
            return f"{place} (reading {self.reading}): the row was there and is gone."
        old, new = self.old or "empty", self.new or "empty"
        if self.reading == self.file:
            line = self.file if self.row is None else f"{self.file}, line {self.row}"
            return f'{line}, "{self.column}": {old} became {new} since it was first read. {self.mend}'.rstrip()
        return f'{place} (reading {self.reading}), column "{self.column}": {old} became {new} without an amendment.'

    def to_dict(self) -> dict[str, object]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading or lot record as it was recorded: its cells by column, and the SHA-256 over them."""

    file: str
    cells: Mapping[str, str]
    sha256: str


def reading_sha256(reading: Reading) -> str:
    """SHA-256 over file, identifier and every cell as written."""
    content = [reading.file, reading.reading, sorted(_cells(reading).items())]
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode("utf-8")).hexdigest()


def record_readings(study: Study) -> int:
    """Record the readings that have a result and were not seen before; returns how many are new.

    Amendments are recorded beside them, in their own file.
    """
    record_amendments(study.folder)
    known, _ = _recorded(study.folder)
    fresh = [reading for reading in _with_result(study) if reading.reading not in known]
    _write(study.folder, fresh)
    return len(fresh)


def record_version(folder: Path, record: LotRecord) -> None:
    """Record a lot record as it stands now, beside what was seen before: after an amendment both versions are kept."""
    _write(folder, [as_reading(record)])


def _write(folder: Path, fresh: Sequence[Reading]) -> None:
    if not fresh:
        return
    path = folder / RECORD
    path.parent.mkdir(exist_ok=True)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    if not path.exists():
        writer.writerow(_COLUMNS)
    for item in fresh:
        cells = json.dumps(_cells(item), ensure_ascii=False, sort_keys=True)
        writer.writerow([item.file, item.line, item.reading, reading_sha256(item), cells])
    with path.open("ab") as stream:
        stream.write(text.getvalue().encode("utf-8"))


def changed_readings(study: Study) -> tuple[Change, ...]:
    """Every cell that changed in a worksheet since it was first seen, row by row."""
    known, _ = _recorded(study.folder)
    present = {reading.reading: reading for data in study.experiments.values() for reading in data.readings}
    records = {record.file: record for record in study.lot_records.values()}
    changes: list[Change] = []
    for name, versions in known.items():
        first, reading = versions[0], present.get(name)
        if name in records:
            changes += record_changes(records[name], versions, study.amendments)
        elif reading is None:
            changes.append(Change(first.file, None, name, "", "", ""))
        elif reading_sha256(reading) != first.sha256:
            changes += _differences(first.file, first.cells, reading)
    return tuple(sorted(changes, key=lambda change: (change.file, change.row or 0, change.column)))


def record_changes(
    record: LotRecord, versions: Sequence[Seen], amendments: Iterable[Mapping[str, str]]
) -> list[Change]:
    """Every key of a lot record that differs from what was first seen, or from what an amendment made of it."""
    stands, reading = amended_version(record.file, versions, amendments), as_reading(record)
    if reading_sha256(reading) == stands.sha256:
        return []
    lines = {key_name(path): record.line(*path) for path, _ in _flat(_content(record), ())}
    found = [replace(item, row=lines.get(item.column)) for item in _differences(record.file, stands.cells, reading)]
    found.sort(key=lambda change: (change.row or 0, change.column))
    mend = (
        "Restore what it was, or give the reason for the change: validation amend DIR --record "
        f'{record.file} --reason "..." --by "your name".'
    )
    return [*found[:-1], *(replace(item, mend=mend) for item in found[-1:])]


def amended_version(file: str, versions: Sequence[Seen], amendments: Iterable[Mapping[str, str]]) -> Seen:
    """The version of a lot record that stands: as first seen, then as each amendment that follows from it made it."""
    stands = versions[0]
    for row in amendments:
        if row["kind"] == "record" and row["file"] == file and row["old"] == stands.sha256:
            new = row["new"]
            stands = next((item for item in versions if item.sha256 == new), Seen(file, stands.cells, new))
    return stands


def seen_versions(folder: Path) -> Mapping[str, Sequence[Seen]]:
    """What history/readings.csv holds of each reading and lot record, oldest first; nothing where it has faults."""
    return _recorded(folder)[0]


def record_faults(folder: Path) -> list[Fault]:
    """What is wrong with the record itself."""
    return _recorded(folder)[1]


def _differences(file: str, cells: Mapping[str, str], reading: Reading) -> Iterator[Change]:
    today = _cells(reading)
    if file != reading.file:
        yield Change(reading.file, reading.line, reading.reading, "file", file, reading.file)
    for column in sorted({*cells, *today}):
        old, new = cells.get(column, ""), today.get(column, "")
        if old != new:
            yield Change(reading.file, reading.line, reading.reading, column, old, new)


def _cells(reading: Reading) -> dict[str, str]:
    """The filled cells: a column added later and left empty changes nothing."""
    return {column: text for column, text in reading.written.items() if text}


def _with_result(study: Study) -> Iterator[Reading]:
    seen = set()
    for name, data in sorted(study.experiments.items()):
        for reading in data.readings:
            if reading.reading not in seen and reading.written.get(WORKSHEETS[name].value):
                seen.add(reading.reading)
                yield reading
    for record in study.lot_records.values():
        yield as_reading(record)


def as_reading(record: LotRecord) -> Reading:
    """A lot record as if it were one reading of the name of its file."""
    cells = {key_name(path): text for path, text in _flat(_content(record), ())}
    return Reading(record.file, "standards", record.file, 1, cells, cells)


def _content(record: LotRecord) -> dict[str, object]:
    return record.preparation.model_dump(mode="json", exclude_unset=True, exclude=set(_FILLED_LATER))


def _flat(value: object, path: Path_) -> Iterator[tuple[Path_, str]]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _flat(item, (*path, key))
    elif isinstance(value, list | tuple):
        for position, item in enumerate(value):
            yield from _flat(item, (*path, position))
    else:
        yield path, str(value)


def _recorded(folder: Path) -> tuple[dict[str, list[Seen]], list[Fault]]:
    path = folder / RECORD
    mend = (
        "Restore it from a copy, or move it away to begin a new record; the dossier then cannot show earlier changes."
    )
    if not path.exists():
        return {}, []
    text, faults = decode(path.read_bytes(), RECORD)
    if faults:
        return {}, faults
    known: dict[str, list[Seen]] = {}
    try:
        for row in csv.DictReader(io.StringIO(text, newline=""), strict=True):
            seen = Seen(row["file"], json.loads(row["written"]), row["sha256"])
            known.setdefault(row["reading"], []).append(seen)
    except (csv.Error, ValueError, KeyError, TypeError) as error:
        return {}, [Fault(RECORD, "The record of readings cannot be read.", mend, found=str(error))]
    return known, []
