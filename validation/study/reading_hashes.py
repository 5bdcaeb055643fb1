"""history/readings.csv: each reading and lot record as `check` or `run` first saw it, so that a later change shows.

Each entry is chained to the one before it, and compared with what earlier dossiers hold: none can be edited or taken
out unseen.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from validation.faults import Fault
from validation.files import content, write_files
from validation.study.amendment_hashes import recorded_with
from validation.study.amendments import read_amendments
from validation.study.columns import KNOWN, NUMERIC
from validation.study.experiments import EXPERIMENTS
from validation.study.folder import issues_of
from validation.study.lock import HISTORY
from validation.study.losses import Change, Loss
from validation.study.lot_record import LotRecord
from validation.study.model import Reading, Study
from validation.study.text_files import decimal, decode, moment
from validation.study.yaml_reading import Path_, key_name
from validation.terminal import shell_quoted

RECORD = f"{HISTORY}/readings.csv"
#: In the inputs of a dossier alone: entries that earlier dossiers hold and the record has lost.
EARLIER = f"{HISTORY}/earlier.csv"
_COLUMNS = ("file", "row", "reading", "sha256", "written", "chain")
_MEND = f"Restore {RECORD} from the inputs of an earlier dossier, or from another copy."
#: What is filled into a lot record while the lot is in use.
_FILLED_LATER = ("first_use", "last_use")


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading or lot record as it was recorded: its cells by column, and the SHA-256 over them."""

    file: str
    reading: str
    cells: Mapping[str, str]
    sha256: str
    row: str = ""


def reading_sha256(reading: Reading) -> str:
    """SHA-256 over file, identifier and every cell as written."""
    return _cells_sha256(reading.file, reading.reading, _cells(reading))


def _cells_sha256(file: str, name: str, cells: Mapping[str, str]) -> str:
    content_ = [file, name, sorted(cells.items())]
    return hashlib.sha256(json.dumps(content_, ensure_ascii=False).encode("utf-8")).hexdigest()


def record_readings(study: Study) -> int:
    """Record the readings that have a result and were not seen before; returns how many are new.

    Amendments are recorded beside them, in their own file. To a record that is no longer whole nothing is added.
    """
    known = _known(study.folder)
    fresh = [reading for reading in _with_result(study) if reading.reading not in known]
    present, faults = read_amendments(study.folder)
    contents = {} if faults else recorded_with(study.folder, present)
    if not study.lost_history:
        contents |= grown_record(study.folder, fresh)
    if contents:
        before = content(study.folder / RECORD)
        write_files(study.folder, contents, expected={RECORD: before} if RECORD in contents else {})
    return len(fresh) if RECORD in contents else 0


def record_of(folder: Path, record: LotRecord) -> dict[str, bytes]:
    """The record with a lot record as it stands now, beside what was seen before: both versions are kept."""
    return grown_record(folder, [as_reading(record)])


def grown_record(folder: Path, fresh: Sequence[Reading]) -> dict[str, bytes]:
    """history/readings.csv with further entries, by its name; empty where nothing is to be added.

    A record of an earlier version of the program is chained from its first entry on when it next grows.
    """
    if not fresh:
        return {}
    record, _ = _read(folder)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    before = content(folder / RECORD)
    entries = [Seen(item.file, item.reading, _cells(item), reading_sha256(item), str(item.line)) for item in fresh]
    if before is None or not record.chained:
        writer.writerow(_COLUMNS)
        before, entries, last = b"", [*record.entries, *entries], ""
    else:
        last = record.last
    for entry in entries:
        cells = _row_of(entry)
        last = _chained(last, cells)
        writer.writerow([*cells, last])
    return {RECORD: before + text.getvalue().encode("utf-8")}


def _row_of(entry: Seen) -> list[str]:
    cells = json.dumps(entry.cells, ensure_ascii=False, sort_keys=True)
    return [entry.file, entry.row, entry.reading, entry.sha256, cells]


def _chained(before: str, cells: Sequence[str]) -> str:
    """SHA-256 over that of the entry before (empty for the first) and every cell of this one."""
    return hashlib.sha256(json.dumps([before, *cells], ensure_ascii=False).encode("utf-8")).hexdigest()


def changed_readings(study: Study) -> tuple[Change, ...]:
    """Every cell that changed in a worksheet since it was first seen, row by row."""
    known = _known(study.folder)
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
        f'{shell_quoted(Path(record.file))} --reason "..." --by "your name".'
    )
    return [*found[:-1], *(replace(item, mend=mend) for item in found[-1:])]


def amended_version(file: str, versions: Sequence[Seen], amendments: Iterable[Mapping[str, str]]) -> Seen:
    """The version of a lot record that stands: as first seen, then as each amendment that follows from it made it."""
    stands = versions[0]
    for row in amendments:
        if row["kind"] == "record" and row["file"] == file and row["old"] == stands.sha256:
            new = row["new"]
            stands = next((item for item in versions if item.sha256 == new), Seen(file, file, stands.cells, new))
    return stands


def seen_versions(folder: Path) -> Mapping[str, Sequence[Seen]]:
    """What was seen of each reading and lot record, oldest first; nothing where the record has faults."""
    return _known(folder)


def record_faults(folder: Path) -> list[Fault]:
    """What is wrong with the record itself, so that it cannot be read."""
    return _read(folder)[1]


def history_losses(folder: Path) -> tuple[Loss, ...]:
    """What no longer shows how the readings were first seen: an entry edited or taken out, or the record gone."""
    record, _ = _read(folder)
    found = list(record.losses)
    if not record.chained and any(_read(issue / "inputs")[0].chained_entries for issue in issues_of(folder)):
        found.append(Loss(f"the chain of {RECORD} is gone", f"{RECORD} has lost the chain of its entries. {_MEND}"))
    missing = _of_dossiers(folder, record)
    if missing and not (folder / RECORD).exists():
        short = f"{RECORD} is gone"
        found.append(Loss(short, f"{RECORD} is gone; earlier dossiers hold {_entries(len(missing))} of it. {_MEND}"))
    elif missing:
        names = list(dict.fromkeys(entry.reading for entry in missing))
        more = f" and {len(names) - 6} more" if len(names) > 6 else ""
        short = f"{_entries(len(missing))} of {RECORD} {'is' if len(missing) == 1 else 'are'} gone or changed"
        shown = f"{', '.join(names[:6])}{more}"
        found.append(Loss(short, f"{RECORD} no longer holds what an earlier dossier holds of {shown}. {_MEND}"))
    return tuple(found)


def _entries(count: int) -> str:
    return f"{count} {'entry' if count == 1 else 'entries'}"


def earlier_entries(folder: Path) -> dict[str, bytes]:
    """history/earlier.csv for the inputs of a dossier: what earlier dossiers hold and the record no longer does."""
    record, _ = _read(folder)
    missing = _of_dossiers(folder, record)
    if not missing:
        return {}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([_COLUMNS[:-1], *(_row_of(entry) for entry in missing)])
    return {EARLIER: text.getvalue().encode("utf-8")}


def _differences(file: str, cells: Mapping[str, str], reading: Reading) -> Iterator[Change]:
    today = _cells(reading)
    if file != reading.file:
        yield Change(reading.file, reading.line, reading.reading, "file", file, reading.file)
    for column in sorted({*cells, *today}):
        old, new = cells.get(column, ""), today.get(column, "")
        # What nothing uses may be filled in later; what stands there may not be changed.
        filled_in = (
            not old and (column not in KNOWN or column in ("note", "record")) and reading.reading != reading.file
        )
        if not filled_in and not _alike(column, old, new):
            yield Change(reading.file, reading.line, reading.reading, column, old, new)


def _alike(column: str, old: str, new: str) -> bool:
    """The same text, or the same number or moment as another program saves it: 2.00 and 2, 2,01 and 2.01."""
    if old == new:
        return True
    if column == "time":
        first, second = moment(old), moment(new)
        return first is not None and first == second
    if column not in NUMERIC:
        return False
    numbers = [decimal(text.replace(",", ".") if text.count(",") == 1 else text) for text in (old, new)]
    return None not in numbers and numbers[0] == numbers[1]


def _cells(reading: Reading) -> dict[str, str]:
    """The filled cells: a column added later and left empty changes nothing."""
    return {column: text for column, text in reading.written.items() if text}


def _with_result(study: Study) -> Iterator[Reading]:
    seen = set()
    for name, data in sorted(study.experiments.items()):
        for reading in data.readings:
            if reading.reading not in seen and reading.written.get(EXPERIMENTS[name].columns.value):
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


@dataclass(frozen=True, slots=True)
class _Record:
    """The entries of a record file in their order; `losses` are those that show it was edited."""

    entries: tuple[Seen, ...] = ()
    last: str = ""
    chained: bool = True
    losses: tuple[Loss, ...] = ()
    raw: bytes = b""

    @property
    def chained_entries(self) -> bool:
        """Whether it holds entries, each with its link."""
        return self.chained and bool(self.entries)


def _read(folder: Path, name: str = RECORD) -> tuple[_Record, list[Fault]]:
    path = folder / name
    if not path.is_file():
        return _Record(), []
    raw = path.read_bytes()
    record, faults = _parsed(raw, name)
    return record, list(faults)


@lru_cache(maxsize=64)
def _parsed(raw: bytes, name: str) -> tuple[_Record, tuple[Fault, ...]]:
    """One record is asked for many times while a study is read."""
    mend = (
        "Restore it from a copy, or move it away to begin a new record; the dossier then cannot show earlier changes."
    )
    text, faults = decode(raw, name)
    if faults:
        return _Record(), tuple(faults)
    entries: list[Seen] = []
    losses: list[Loss] = []
    last = ""
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
        chained = "chain" in (reader.fieldnames or ())
        for row in reader:
            entry = Seen(row["file"], row["reading"], json.loads(row["written"]), row["sha256"], row["row"])
            entries.append(entry)
            wrong = _cells_sha256(entry.file, entry.reading, entry.cells) != entry.sha256
            link = _chained(last, _row_of(entry))
            broken = chained and row["chain"] != link
            if wrong or broken:
                losses.append(_edited(reader.line_num, entry, wrong))
            last = str(row["chain"]) if chained else ""
    except (csv.Error, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        return _Record(), (Fault(name, "The record of readings cannot be read.", mend, found=str(error)),)
    return _Record(tuple(entries), last, chained, tuple(losses), raw), ()


def _edited(line: int, entry: Seen, wrong: bool) -> Loss:
    why = (
        "its SHA-256 is not that of its cells"
        if wrong
        else "it does not follow from the entry before, so one was edited, moved or taken out"
    )
    text = f"{RECORD}, row {line} (reading {entry.reading}): {why}. {_MEND}"
    return Loss(f"{RECORD} was edited at row {line}", text)


def _of_dossiers(folder: Path, record: _Record) -> list[Seen]:
    """Entries that an earlier dossier holds and this record does not, oldest first."""
    own = {(entry.file, entry.reading, entry.sha256) for entry in record.entries}
    found: dict[tuple[str, str, str], Seen] = {}
    places = [(folder, EARLIER)]
    places += [(issue / "inputs", name) for issue in issues_of(folder) for name in (EARLIER, RECORD)]
    for place, name in places:
        earlier, _ = _read(place, name)
        if earlier.raw and record.raw.startswith(earlier.raw):
            continue  # the record has only grown since
        for entry in earlier.entries:
            key = (entry.file, entry.reading, entry.sha256)
            if key not in own:
                found.setdefault(key, entry)
    return list(found.values())


def _known(folder: Path) -> dict[str, list[Seen]]:
    """Every version seen by name, oldest first: what earlier dossiers alone still hold, then the record."""
    record, _ = _read(folder)
    known: dict[str, list[Seen]] = {}
    for entry in (*_of_dossiers(folder, record), *record.entries):
        known.setdefault(entry.reading, []).append(entry)
    return known
