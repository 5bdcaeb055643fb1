"""The history of a study folder as one: what it holds, what changed since it was first seen, and what it has lost."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from validation.faults import Fault, StudyDataError
from validation.study.folder import HISTORY
from validation.study.history.acknowledging import KIND, changes_left, losses_left, named
from validation.study.history.amendments import (
    Amendment,
    lost_amendments,
    next_number_in,
    read_amendments,
    record_losses,
)
from validation.study.history.chain import listed_and_gone, listing_losses, with_rows
from validation.study.history.losses import RESTORE, Loss
from validation.study.history.plan_lock import LockEntry, lock_losses, plan_change, read_lock
from validation.study.history.readings import changed_readings, entries_for_a_copy, history_losses, read_seen
from validation.study.history.roles import read_roles, role_losses
from validation.study.model import Study
from validation.study.text_files import read_text

#: In the inputs of a dossier alone: the losses that the study folder showed.
CARRIED = f"{HISTORY}/losses.csv"
_COLUMNS = ("of", "short", "text", "file", "place", "was", "now")
_RECORD, _AMENDMENTS = "record", "amendments"


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
        return cls(
            folder,
            freezings,
            amendments,
            (*lock_faults, *amendment_faults, *read_seen(folder).faults, *read_roles(folder).faults),
        )

    @property
    def every_loss_of_amendments(self) -> tuple[Loss, ...]:
        """What of amendments.csv is not as it was first seen, acknowledged or not."""
        return _once((*_carried(self.folder, _AMENDMENTS), *lost_amendments(self.folder, self.amendments)))

    @property
    def every_loss(self) -> tuple[Loss, ...]:
        """What else the history has lost, acknowledged or not."""
        folder = self.folder
        lost = _once((*lock_losses(folder), *history_losses(folder), *record_losses(folder), *role_losses(folder)))
        told = {loss.file for loss in lost}
        gone = (name for name in listed_and_gone(folder) if name not in told)
        listed = [Loss(f"{name} is gone", f"{name} was there and is gone. {RESTORE}", name) for name in gone]
        return _once((*_carried(folder, _RECORD), *lost, *listed, *listing_losses(folder)))

    @property
    def lost_amendments(self) -> tuple[Loss, ...]:
        """What of amendments.csv is not as it was first seen, and nobody acknowledged."""
        return losses_left(self.every_loss_of_amendments, self.rows)

    def held_against(self, study: Study) -> Study:
        """The study with what changed in it since it was first seen, and with what the history itself has lost.

        What a person acknowledged stands among the amendments alone.
        """
        return replace(
            study,
            changes=changes_left(changed_readings(study), self.rows),
            lost_history=losses_left(self.every_loss, self.rows),
            lost_amendments=self.lost_amendments,
            plan_change=plan_change(self.folder),
        )

    @property
    def rows(self) -> list[dict[str, str]]:
        """The amendments as amendments.csv holds them."""
        return [item.to_dict() for item in self.amendments]


def acknowledgement(
    folder: Path,
    study: Study | None,
    faults: Iterable[Fault],
    name: str,
    *,
    by: str,
    reason: str,
    now: datetime,
) -> tuple[Amendment, tuple[str, ...]]:
    """The amendment by which a person answers for a change or a loss, and what it answers for in sentences.

    Parameters
    ----------
    study, faults : the study as read, or None and its faults; losses of the history can be acknowledged all the same
    name : the reading, the file, or "amendment 2"

    Raises
    ------
    StudyDataError
        The study has faults, and what is named is not among the losses of its history.
    Refusal
        Nothing of this name is left to be acknowledged.
    """
    history = History.read(folder)
    losses = (*history.lost_amendments, *losses_left(history.every_loss, history.rows))
    if study is None and not any(name in (loss.file, loss.place) for loss in losses):
        raise StudyDataError(faults)
    one = named(name, () if study is None else study.changes, losses)
    number, time = next_number_in(folder, history.amendments), now.isoformat(timespec="seconds")
    return Amendment(number, time, by, KIND, *one.quoted, reason=reason), one.sentences


def history_for_a_copy(study: Study) -> dict[str, bytes]:
    """The files of history/ by which the inputs of a dossier show what the study folder shows, without its dossiers."""
    history = History.read(study.folder)
    rows = [(_RECORD, loss) for loss in history.every_loss]
    rows += [(_AMENDMENTS, loss) for loss in history.every_loss_of_amendments]
    texts = [(part, *(getattr(loss, name) for name in _COLUMNS[1:])) for part, loss in rows]
    return entries_for_a_copy(study) | ({CARRIED: with_rows(None, _COLUMNS, texts)} if texts else {})


def _carried(folder: Path, part: str) -> list[Loss]:
    """The losses that the folder of a copy showed when it was made; none where the file is not such a list."""
    text, faults = read_text(folder, CARRIED)
    rows = [] if text is None or faults else list(csv.reader(io.StringIO(text, newline="")))
    return [Loss(*row[1:]) for row in rows[1:] if len(row) == len(_COLUMNS) and row[0] == part]


def _once(losses: Iterable[Loss]) -> tuple[Loss, ...]:
    """Each loss once, by its short text: what was carried along, which knows more, goes first."""
    by_short: dict[str, Loss] = {}
    for loss in losses:
        by_short.setdefault(loss.short, loss)
    return tuple(by_short.values())
