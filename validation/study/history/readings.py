"""history/readings.csv: each reading and lot record as `check` or `run` first saw it, so that a later change shows."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from validation.faults import Refusal
from validation.study.columns import KNOWN, NUMERIC
from validation.study.experiments import EXPERIMENTS
from validation.study.folder import HISTORY, dossiers_with, issues_of
from validation.study.history import chain
from validation.study.history.amendments import Amendment, append, next_number, read_amendments, recorded_with
from validation.study.history.losses import RESTORE, Change, Loss
from validation.study.lot_record import LotRecord
from validation.study.model import Reading, Study
from validation.study.plan import PLAN, read_plan
from validation.study.text_files import moment, same_value
from validation.study.worksheets import read_sheets
from validation.study.yaml_reading import Path_, key_name
from validation.terminal import shell_quoted

RECORD = f"{HISTORY}/readings.csv"
#: In the inputs of a dossier alone: entries that earlier dossiers hold and the record has lost.
EARLIER = f"{HISTORY}/earlier.csv"
#: In the inputs of a dossier alone: readings that differ from those in the worksheets of another dossier.
ELSEWHERE = f"{HISTORY}/elsewhere.csv"
#: What is filled into a lot record while the lot is in use.
_FILLED_LATER = {"first_use", "last_use"}


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
        """A reading as it is now: its filled cells, since a column added later and left empty changes nothing."""
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


def entries_for_a_copy(study: Study) -> dict[str, bytes]:
    """What the inputs of a dossier need of other dossiers, so that they show the same changes as the study folder.

    history/earlier.csv: what earlier dossiers hold and the record no longer does; history/elsewhere.csv: readings that
    differ from those in the worksheets of another dossier.
    """
    files = {EARLIER: _missing(study.folder)[1], ELSEWHERE: _elsewhere(study)}
    return {
        name: chain.with_rows(None, Seen.columns[:-1], [entry.texts() for entry in entries])
        for name, entries in files.items()
        if entries
    }


def _elsewhere(study: Study) -> list[Seen]:
    """Readings as worksheets of other dossiers hold them, where they differ from those of the study.

    Compared are the dossiers of the study that kept no record of readings, and the worksheets that it shares with its
    parent: of the same file name, at least half of the common readings being the same. A reading of the parent that is
    as the parent amended it does not differ.
    """
    held = list(read_seen(study.folder, ELSEWHERE).entries)
    present = {reading.reading: reading for data in study.experiments.values() for reading in data.readings}
    for issue in issues_of(study.folder):
        if not read_seen(issue / "inputs").entries:
            held += _as_written(issue / "inputs")
    parents = [] if study.plan.study.parent is None else dossiers_with(study.folder, study.plan.study.parent)
    for parent in parents[:1]:
        held += _shared_and_other(parent / "inputs", present)
    return [entry for entry in held if entry.reading not in present or _differs(entry, present[entry.reading])]


def _as_written(inputs: Path) -> list[Seen]:
    """The readings of the worksheets of a dossier."""
    plan, _ = read_plan(inputs / PLAN)
    sheets, _ = ({}, []) if plan is None else read_sheets(inputs, plan)
    rows = {row.reading: (sheet, row) for sheet in sheets.values() for row in sheet.rows if row.written.get("reading")}
    return [
        Seen.now(Reading(row.reading, sheet.experiment, sheet.file, row.line, row.written, row.values))
        for sheet, row in rows.values()
        if row.written.get(sheet.kind.value)
    ]


def _shared_and_other(inputs: Path, present: Mapping[str, Reading]) -> list[Seen]:
    """The readings of a parent in the worksheets that it shares with the study, where they differ."""
    amended: dict[str, dict[str, str]] = {}
    for item in read_amendments(inputs)[0]:
        if item.kind == "correction":
            amended.setdefault(item.reading, {})[item.column] = item.new
    common: dict[str, list[Seen]] = {}
    for entry in read_seen(inputs).entries or _as_written(inputs):
        if entry.reading in present and present[entry.reading].file == entry.file != entry.reading:
            common.setdefault(entry.file, []).append(entry)
    others: list[Seen] = []
    for entries in common.values():
        differing = []
        for entry in entries:
            corrected = {**entry.cells, **amended.get(entry.reading, {})}
            as_amended = Seen(entry.file, entry.row, entry.reading, "", corrected)
            if _differs(entry, present[entry.reading]) and _differs(as_amended, present[entry.reading]):
                differing.append(entry)
        others += differing if 2 * len(differing) <= len(entries) else []
    return others


def _differs(entry: Seen, reading: Reading) -> bool:
    return any(True for _ in _differences(entry, reading))


def history_losses(folder: Path) -> tuple[Loss, ...]:
    """What no longer shows how the readings were first seen: an entry edited or taken out, or the record gone."""
    record, missing = _missing(folder)
    losses = list(_edited(record))
    dossiers = [read_seen(issue / "inputs") for issue in issues_of(folder)]
    if not record.chained and any(copy.chained and copy.entries for copy in dossiers):
        text = f"{RECORD} has lost the chain of its entries. {RESTORE}"
        losses.append(Loss(f"the chain of {RECORD} is gone", text, RECORD))
    if missing:
        losses.append(_gone(missing, whole_record=record.raw is None))
    return tuple(losses)


def _edited(record: chain.Record[Seen]) -> Iterator[Loss]:
    for place, (entry, row) in enumerate(zip(record.entries, record.rows, strict=True)):
        if entry.whole and place not in record.broken:
            continue
        why = chain.NOT_FOLLOWING if entry.whole else "its SHA-256 is not that of its cells"
        text = f"{RECORD}, row {row} (reading {entry.reading}): {why}. {RESTORE}"
        yield Loss(f"{RECORD} was edited at row {row}", text, RECORD)


def _gone(missing: Sequence[Seen], *, whole_record: bool) -> Loss:
    count = f"{len(missing)} {'entry' if len(missing) == 1 else 'entries'}"
    if whole_record:
        text = f"{RECORD} is gone; earlier dossiers hold {count} of it. {RESTORE}"
        return Loss(f"{RECORD} is gone", text, RECORD, was=f"{count} in earlier dossiers")
    names = list(dict.fromkeys(entry.reading for entry in missing))
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    text = f"{RECORD} no longer holds what an earlier dossier holds of {', '.join(names[:6])}{more}. {RESTORE}"
    return Loss(f"{count} of {RECORD} {'is' if len(missing) == 1 else 'are'} gone or changed", text, RECORD)


# ------------------------------------------------------------------------------------ as first seen, and now


def with_result(study: Study) -> list[Reading]:
    """What is recorded of a study: each reading that has a result, and each lot record."""
    readings: dict[str, Reading] = {}
    for name, data in sorted(study.experiments.items()):
        for reading in data.readings:
            if reading.written.get(EXPERIMENTS[name].columns.value):
                readings.setdefault(reading.reading, reading)
    return [*readings.values(), *(as_reading(record) for record in study.lot_records.values())]


def as_reading(record: LotRecord) -> Reading:
    """A lot record as if it were one reading of the name of its file."""
    cells = {key_name(path): text for path, text in _keys(record)}
    return Reading(record.file, "standards", record.file, 1, cells, cells)


def _keys(record: LotRecord) -> Iterator[tuple[Path_, str]]:
    return _flat(record.preparation.model_dump(mode="json", exclude_unset=True, exclude=_FILLED_LATER), ())


def _flat(value: object, path: Path_) -> Iterator[tuple[Path_, str]]:
    if isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _flat(item, (*path, key))
    else:
        yield path, str(value)


def changed_readings(study: Study) -> tuple[Change, ...]:
    """Every cell that changed in a worksheet since it was first seen, row by row."""
    present = {reading.reading: reading for data in study.experiments.values() for reading in data.readings}
    records = {record.file: record for record in study.lot_records.values()}
    changes: list[Change] = []
    seen = {entry.reading: [entry] for entry in reversed(_elsewhere(study))}
    for name, versions in seen_versions(study.folder).items():
        seen.setdefault(name, []).extend(versions)
    for name, versions in seen.items():
        first, reading = versions[0], present.get(name)
        if name in records:
            changes += record_changes(records[name], versions, study.amendments)
        elif reading is None:
            cells = "; ".join(f"{column} {text}" for column, text in first.cells.items() if column != "reading")
            changes.append(Change(first.file, None, name, "", cells, ""))
        else:
            changes += _differences(first, reading)
    return tuple(sorted(changes, key=lambda change: (change.file, change.row or 0, change.column)))


def record_changes(
    record: LotRecord, versions: Sequence[Seen], amendments: Iterable[Mapping[str, str]]
) -> list[Change]:
    """Every key of a lot record that differs from what was first seen, or from what an amendment made of it."""
    lines = {key_name(path): record.line(*path) for path, _ in _keys(record)}
    differences = _differences(_amended_version(record.file, versions, amendments), as_reading(record))
    changes = [replace(change, row=lines.get(change.column)) for change in differences]
    changes.sort(key=lambda change: (change.row or 0, change.column))
    mend = (
        "Restore what it was, or give the reason for the change: validation amend DIR --record "
        f'{shell_quoted(Path(record.file))} --reason "..." --by "your name".'
    )
    return [*changes[:-1], *(replace(change, mend=mend) for change in changes[-1:])]


def _amended_version(file: str, versions: Sequence[Seen], amendments: Iterable[Mapping[str, str]]) -> Seen:
    """The version of a lot record in force: as first seen, then as each amendment that follows from it made it."""
    stands = versions[0]
    for row in amendments:
        if row["kind"] == "record" and row["file"] == file and row["old"] == stands.sha256:
            unseen = replace(stands, sha256=row["new"])
            stands = next((version for version in versions if version.sha256 == row["new"]), unseen)
    return stands


def _differences(seen: Seen, reading: Reading) -> Iterator[Change]:
    now = Seen.now(reading)
    if now.sha256 == seen.sha256:
        return
    if seen.file != now.file:
        yield Change(now.file, reading.line, now.reading, "file", seen.file, now.file)
    for column in sorted({*seen.cells, *now.cells}):
        old, new = seen.cells.get(column, ""), now.cells.get(column, "")
        # What nothing uses may be filled in later; what is there may not be changed.
        unused = column not in KNOWN or column in ("note", "record")
        filled_in = not old and unused and now.reading != now.file
        if not filled_in and not _alike(column, old, new):
            yield Change(now.file, reading.line, now.reading, column, old, new)


def _alike(column: str, old: str, new: str) -> bool:
    """The same text, or the same number or moment as another program saves it: 2.00 and 2, 2,01 and 2.01."""
    if old == new:
        return True
    if column == "time":
        first, second = moment(old), moment(new)
        return first is not None and first == second
    if column not in NUMERIC:
        return False
    return same_value(*(text.replace(",", ".") if text.count(",") == 1 else text for text in (old, new)))


def record_amendment(
    folder: Path,
    records: Mapping[str, LotRecord],
    written: Sequence[Amendment],
    *,
    named: str,
    by: str,
    reason: str,
    now: datetime,
) -> tuple[Amendment, Seen, list[Change]]:
    """The amendment that records a change of a lot record since it was first read or last amended.

    Parameters
    ----------
    folder, records, written : the study, its lot records by lot, and its amendments
    named : the file of the record as plan.yaml names it, or its lot
    by, reason, now : of the new amendment

    Returns
    -------
    The amendment, whose old and new are the SHA-256 of the content as history/readings.csv counts it; the record as it
    stands; and every key that changed.

    Raises
    ------
    Refusal
        No such record, it was never read by check or run, or it has not changed.
    """
    record = next((item for lot, item in records.items() if named in (item.file, f"./{item.file}", lot)), None)
    if record is None:
        known = ", ".join(item.file for item in records.values()) or "none"
        raise Refusal(f"plan.yaml names no lot record {named}. Known: {known}.")
    versions = seen_versions(folder).get(record.file, ())
    if not versions:
        raise Refusal(
            f"{record.file} was not read yet, by validation check or validation run, so it can still be changed freely."
        )
    rows = [item.to_dict() for item in written]
    changes = record_changes(record, versions, rows)
    if not changes:
        raise Refusal(f"{record.file} is as it was first read or last amended; edit the record first, then amend.")
    old, new = _amended_version(record.file, versions, rows).sha256, Seen.now(as_reading(record))
    number, time = next_number(written), now.isoformat(timespec="seconds")
    amendment = Amendment(number, time, by, "record", record.file, old=old, new=new.sha256, reason=reason)
    return amendment, new, changes


def record_lot_change(folder: Path, amendment: Amendment, seen: Seen) -> None:
    """Write the amendment of a lot record and the record as it is now: all or none; both versions are kept.

    Raises
    ------
    Refusal
        As `append`.
    """
    append(folder, amendment, read_seen(folder).grown([seen]))


def record_readings(study: Study) -> int:
    """Record the readings that have a result and were not seen before; returns how many are new.

    Amendments are recorded in their own file. Nothing is added to a record that is no longer complete; where that is
    acknowledged, what earlier dossiers hold of it goes first.
    """
    present, faults = read_amendments(study.folder)
    growth = {} if faults else recorded_with(study.folder, present)
    known = seen_versions(study.folder)
    fresh = [Seen.now(reading) for reading in with_result(study) if reading.reading not in known]
    if study.lost_history:
        fresh = []
    record, missing = _missing(study.folder)
    chain.write(study.folder, growth, record.grown([*([] if study.lost_history else missing), *fresh]))
    return len(fresh)
