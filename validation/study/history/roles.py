"""history/roles.csv: who prepared, reviewed and approved a plan or a dossier, each recorded by a command."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from validation.faults import Refusal, StudyDataError
from validation.files import content
from validation.study.folder import HISTORY, issues_of
from validation.study.history.chain import NOT_FOLLOWING, Entry, Record, ever_held, read_record, without, write
from validation.study.history.losses import RESTORE, Loss
from validation.study.history.plan_lock import LockEntry, minute_text, plan_sha256, read_lock
from validation.study.model import Study
from validation.study.plan import PLAN
from validation.study.text_files import moment
from validation.words import counted, sentence_list

RECORD = f"{HISTORY}/roles.csv"
RoleName = Literal["prepared", "reviewed", "approved"]
ROLES: tuple[RoleName, ...] = ("prepared", "reviewed", "approved")
ON_PLAN = "plan"


@dataclass(frozen=True, slots=True)
class Role(Entry):
    """One person in one role, at one time; `on` is "plan" or "dossier 001", `sha256` that of what was seen.

    That is plan.yaml, or manifest.json of the dossier.
    """

    time: str
    by: str
    role: str
    on: str
    sha256: str

    record_of = "roles"
    columns = ("time", "by", "role", "on", "sha256", "chain")

    @classmethod
    def of(cls, texts: Sequence[str]) -> Role:
        when = moment(texts[0])
        if when is None or when[0].tzinfo is None or texts[2] not in ROLES:
            raise ValueError(", ".join(texts))
        return cls(*texts)

    def texts(self) -> list[str]:
        return [self.time, self.by, self.role, self.on, self.sha256]

    @property
    def when(self) -> datetime:
        return datetime.fromisoformat(self.time)

    @property
    def when_text(self) -> str:
        return minute_text(self.when)


def read_roles(folder: Path) -> Record[Role]:
    """The roles of a study, oldest first."""
    return read_record(folder, RECORD, Role)


def record_role(folder: Path, role: RoleName, *, by: str, now: datetime, issue: str | None = None) -> Role:
    """Record that a person prepared, reviewed or approved the plan as it stands, or a dossier.

    Parameters
    ----------
    issue : the dossier, such as "001"; left out, the plan

    Raises
    ------
    StudyDataError
        history/roles.csv cannot be read.
    Refusal
        `by` is empty, there is no such plan or dossier, the clock is before the last entry, or the record is not as it
        was first seen.
    """
    if not by.strip():
        raise Refusal("Name the person: --by NAME.")
    record = read_roles(folder)
    if record.faults:
        raise StudyDataError(record.faults)
    losses = role_losses(folder)
    if losses:
        raise Refusal(f"Nothing is added to {RECORD}: {losses[0].text}")
    on, sha256 = _seen(folder, issue)
    entry = Role(now.isoformat(timespec="seconds"), by.strip(), role, on, sha256)
    if record.entries and entry.when < record.entries[-1].when:
        last = record.entries[-1].when_text
        raise Refusal(f"The clock of this computer shows {minute_text(now)}, before the last entry of {last}.")
    write(folder, record.grown([entry]))
    return entry


def _seen(folder: Path, issue: str | None) -> tuple[str, str]:
    """What a person has seen, and its SHA-256."""
    if issue is None:
        if not (folder / PLAN).is_file():
            raise Refusal(f"There is no {folder / PLAN}; write one with: validation start")
        return ON_PLAN, plan_sha256(folder)
    known = {path.name: path for path in issues_of(folder)}
    path = next((path for name, path in known.items() if issue.isdecimal() and int(name) == int(issue)), None)
    raw = None if path is None else content(path / "manifest.json")
    if path is None or raw is None:
        raise Refusal(f"There is no dossier {issue} with a manifest.json. Known: {', '.join(known) or 'none'}.")
    return f"dossier {path.name}", hashlib.sha256(raw).hexdigest()


def role_losses(folder: Path) -> tuple[Loss, ...]:
    """What of the roles is no longer as it was recorded: an entry edited or gone, or the record."""
    record = read_roles(folder)
    held = ever_held([read_roles(issue / "inputs").entries for issue in issues_of(folder)], ())
    missing = without(held, record.entries)
    losses = []
    for place in record.broken:
        text = f"{RECORD}, row {record.rows[place]}: {NOT_FOLLOWING}. {RESTORE}"
        losses.append(Loss(f"{RECORD} was edited at row {record.rows[place]}", text, RECORD))
    if missing and record.raw is None:
        text = f"{RECORD} is gone; earlier dossiers hold {counted(len(missing), 'entry')} of it. {RESTORE}"
        losses.append(Loss(f"{RECORD} is gone", text, RECORD))
    elif missing:
        what = ", ".join(f"{role.by} {role.role} {role.on}" for role in missing)
        text = f"{RECORD} no longer holds what an earlier dossier holds: {what}. {RESTORE}"
        losses.append(Loss(f"{counted(len(missing), 'entry')} of {RECORD} gone or changed", text, RECORD))
    return tuple(losses)


@dataclass(frozen=True, slots=True)
class RolesOfAStudy:
    """Who prepared, reviewed and approved, and what a reader must know of it, in sentences."""

    entries: tuple[Role, ...] = ()
    frozen: tuple[LockEntry, ...] = ()
    people: tuple[str, ...] = ()

    @classmethod
    def of(cls, study: Study) -> RolesOfAStudy:
        """The roles of a study, of its plan and of its dossiers."""
        people = tuple(str(person["name"]) for person in study.plan.people)
        return cls(read_roles(study.folder).entries, read_lock(study.folder)[0], people)

    def of_the_plan(self) -> dict[RoleName, Role | None]:
        """The last entry of each role on the plan; None where none is recorded."""
        return {
            name: next((item for item in reversed(self.entries) if (item.on, item.role) == (ON_PLAN, name)), None)
            for name in ROLES
        }

    def version(self, role: Role) -> int | None:
        """Which freezing first froze the plan that was seen, counted from 1; None where none did."""
        places = [place for place, entry in enumerate(self.frozen, 1) if entry.sha256 == role.sha256]
        return places[0] if role.on == ON_PLAN and places else None

    def sentences(self) -> Iterator[str]:
        """What is recorded of the plan, role by role, and what a reader must know of it."""
        recorded = self.of_the_plan()
        for name, role in recorded.items():
            whom = "not recorded" if role is None else f"{role.by}, {role.when_text}"
            yield f"Plan {name}: {whom}."
        yield from self.remarks()

    def remarks(self) -> Iterator[str]:
        """One person in several roles, another plan than the frozen one, after the freeze, people not in the plan."""
        last = {(item.on, item.role): item for item in self.entries}
        for person, on in dict.fromkeys((item.by, item.on) for item in last.values()):
            own = [name for name in ROLES if (on, name) in last and last[on, name].by == person]
            if len(own) > 1:
                yield f"{person} {sentence_list(list(own))} {'the plan' if on == ON_PLAN else on}."
        for role in self.of_the_plan().values():
            if role is not None:
                yield from self._of_another_plan(role)
        for person in dict.fromkeys(role.by for role in self.entries):
            if person not in self.people:
                yield f"{person} has a role, and the plan does not name {person} among its people."

    def _of_another_plan(self, role: Role) -> Iterator[str]:
        if not self.frozen:
            return
        version = self.version(role)
        if role.sha256 != self.frozen[-1].sha256:
            which = "a plan that was never frozen" if version is None else f"version {version} of the frozen plan"
            yield f"{role.by} {role.role} {which}, SHA-256 {role.sha256[:12]}, not the plan as it is frozen now."
            return
        frozen = next(entry for entry in self.frozen if entry.sha256 == role.sha256)
        if role.when > frozen.time:
            after = f"after it was frozen on {minute_text(frozen.time)}"
            yield f"{role.by} {role.role} the plan on {role.when_text}, {after}."

    def to_dicts(self) -> list[dict[str, Any]]:
        """The entries in plain JSON types; `frozen` is the freezing that the plan seen belongs to, or null."""
        names = ("role", "by", "time", "on", "sha256")
        return [{name: getattr(item, name) for name in names} | {"frozen": self.version(item)} for item in self.entries]
