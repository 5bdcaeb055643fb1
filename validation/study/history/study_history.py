"""The history of a study folder as one: what it holds, what changed since it was first seen, and what it has lost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from validation.faults import Fault
from validation.study.history.amendments import Amendment, lost_amendments, read_amendments
from validation.study.history.losses import Loss
from validation.study.history.plan_lock import LockEntry, lock_losses, read_lock
from validation.study.history.readings import changed_readings, history_losses, read_seen
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
