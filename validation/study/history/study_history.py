"""The history of a study folder as one: what it holds, what it has lost, and the ways in which it grows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from validation.faults import Fault, Refusal
from validation.files import content
from validation.study.folder import AMENDMENTS
from validation.study.history.amendments import (
    COLUMNS,
    MEND,
    Amendment,
    losses_in_short,
    lost_amendments,
    next_number,
    read_amendments,
    recorded_with,
)
from validation.study.history.chain import Growth, with_rows, write
from validation.study.history.losses import Loss
from validation.study.history.plan_lock import (
    LockEntry,
    changed_since_frozen,
    freezing,
    lock_losses,
    minute_text,
    read_lock,
)
from validation.study.history.readings import (
    Seen,
    changed_readings,
    history_losses,
    read_seen,
    seen_versions,
    with_result,
)
from validation.study.model import Study


@dataclass(frozen=True, slots=True)
class History:
    """What a study folder holds of its own past, oldest first, and every fault that forbids reading it."""

    folder: Path
    freezings: tuple[LockEntry, ...]
    amendments: tuple[Amendment, ...]
    faults: tuple[Fault, ...]

    @classmethod
    def read(cls, folder: Path) -> History:
        """The history of a folder."""
        freezings, lock_faults = read_lock(folder)
        amendments, amendment_faults = read_amendments(folder)
        return cls(folder, freezings, amendments, (*lock_faults, *amendment_faults, *read_seen(folder).faults))

    @property
    def lost_amendments(self) -> tuple[Loss, ...]:
        """What of amendments.csv is not as it was first seen."""
        return lost_amendments(self.folder, self.amendments)

    def held_against(self, study: Study) -> Study:
        """The study with what changed in it since it was first seen, and with what the history itself has lost."""
        lost = (*lock_losses(self.folder), *history_losses(self.folder))
        return replace(study, changes=changed_readings(study), lost_history=lost, lost_amendments=self.lost_amendments)


def freeze(folder: Path, by: str, now: datetime) -> tuple[LockEntry, bool]:
    """Add an entry for the plan as it stands, and keep a copy of it in history/.

    Parameters
    ----------
    folder : the study folder
    by : who freezes it
    now : the time with its zone

    Returns
    -------
    The entry, and whether it is new: a plan that is frozen as it stands gets no second entry.

    Raises
    ------
    Refusal
        plan.lock cannot be read, `by` is empty, the plan was frozen otherwise before (that takes an amendment), the
        clock stands before the last entry, or another file is kept under the name of this version.
    """
    if not by.strip():
        raise Refusal("Say who freezes the plan: --by NAME.")
    entries, faults = read_lock(folder)
    if faults:
        raise Refusal(str(faults[0]))
    if changed_since_frozen(folder):
        raise Refusal(
            f"The plan was frozen on {minute_text(entries[-1].time)} and has changed since, so say why it changed: "
            '--reason "...". The reason is kept as an amendment, and so are both versions.'
        )
    if entries:
        return entries[-1], False
    entry, growth = freezing(folder, by, now)
    write(folder, growth)
    return entry, True


def append(folder: Path, amendment: Amendment, *also: Growth) -> Path:
    """Append one amendment; the heading is written with the first. What stands in the file is never touched.

    Parameters
    ----------
    also : what grows with it; it is written after it, and all of it or none

    Raises
    ------
    Refusal
        The file holds another number of amendments than this one was made for: somebody else appended meanwhile; or an
        amendment that was seen there is gone or changed.
    """
    before = content(folder / AMENDMENTS)
    written, faults = read_amendments(folder)
    if faults or next_number(written) != amendment.number:
        raise Refusal(f"{AMENDMENTS} changed meanwhile; look at it and give the amendment again.")
    lost = losses_in_short(lost_amendments(folder, written))
    if lost:
        raise Refusal(f"{AMENDMENTS} is not as it was first seen, and nothing is appended to it: {lost}. {MEND}")
    rows = with_rows(before, COLUMNS, [amendment.texts()])
    write(folder, {AMENDMENTS: (before, rows)}, recorded_with(folder, (*written, amendment)), *also)
    return folder / AMENDMENTS


def record_plan_change(folder: Path, amendment: Amendment, *, now: datetime) -> None:
    """Write the amendment, the entry of the lock that belongs to it, and the version of the plan: all or none.

    Raises
    ------
    Refusal
        As `append` and `freezing`.
    """
    _, growth = freezing(folder, amendment.by, now, amendment=amendment.number)
    if amendment.line:  # it stands in the file already
        write(folder, growth)
    else:
        append(folder, amendment, growth)


def record_lot_change(folder: Path, amendment: Amendment, seen: Seen) -> None:
    """Write the amendment of a lot record and the record as it stands now: all or none; both versions are kept.

    Raises
    ------
    Refusal
        As `append`.
    """
    append(folder, amendment, read_seen(folder).grown([seen]))


def record_readings(study: Study) -> int:
    """Record the readings that have a result and were not seen before; returns how many are new.

    Amendments are recorded beside them, in their own file. To a record that is no longer whole nothing is added.
    """
    present, faults = read_amendments(study.folder)
    growth = {} if faults else recorded_with(study.folder, present)
    known = seen_versions(study.folder)
    fresh = [Seen.now(reading) for reading in with_result(study) if reading.reading not in known]
    if study.lost_history:
        fresh = []
    write(study.folder, growth, read_seen(study.folder).grown(fresh))
    return len(fresh)
