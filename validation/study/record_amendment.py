"""The amendment of a lot record: that it changed since it was first read, from which content to which, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from validation.faults import Refusal
from validation.study.amendments import Amendment
from validation.study.lot_record import LotRecord
from validation.study.reading_hashes import (
    Change,
    amended_version,
    as_reading,
    reading_sha256,
    record_changes,
    seen_versions,
)


def record_amendment(
    folder: Path,
    records: Mapping[str, LotRecord],
    written: Sequence[Amendment],
    *,
    number: int,
    named: str,
    by: str,
    reason: str,
    now: datetime,
) -> tuple[Amendment, LotRecord, list[Change]]:
    """The amendment that tells a change of a lot record since it was first read or last amended.

    Parameters
    ----------
    folder, records, written : the study, its lot records by lot, and the amendments that stand in it
    number, by, reason, now : of the new amendment
    named : the file of the record as plan.yaml names it, or its lot

    Returns
    -------
    The amendment, whose old and new are the SHA-256 of the content as history/readings.csv counts it; the record; and
    every key that changed.

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
    old, new = amended_version(record.file, versions, rows).sha256, reading_sha256(as_reading(record))
    time = now.isoformat(timespec="seconds")
    return Amendment(number, time, by, "record", record.file, "", "", old, new, reason), record, changes
