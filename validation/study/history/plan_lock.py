"""plan.lock: when the plan was frozen, and by whom; every entry is sealed, every frozen plan kept in history/."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from validation.faults import Fault, Refusal, StudyDataError
from validation.files import content
from validation.study.folder import AMENDMENTS, HISTORY, LOCK, issues_of
from validation.study.history.acknowledging import losses_left
from validation.study.history.amendments import Amendment, append, next_number, read_amendments
from validation.study.history.chain import NOT_FOLLOWING, Entry, Growth, broken_links, link, write
from validation.study.history.losses import RESTORE, Loss
from validation.study.plan import PLAN
from validation.study.text_files import moment, read_text, why_no_moment
from validation.words import counted


@dataclass(frozen=True, slots=True)
class LockEntry(Entry):
    """One freezing of the plan. `seal`, its link, is empty in an entry of a version of the program that wrote none."""

    sha256: str
    time: datetime
    by: str
    amendment: int | None = None
    seal: str = ""

    def linked(self) -> list[object]:
        return [self.sha256, self.time.isoformat(), self.by, self.amendment]

    def to_dict(self) -> dict[str, object]:
        """As plan.lock holds it."""
        stated = dict(zip(("sha256", "time", "by", "amendment"), self.linked(), strict=True))
        return {**stated, **({"seal": self.seal} if self.seal else {})}


def plan_sha256(folder: Path) -> str:
    """SHA-256 of the raw bytes of plan.yaml."""
    return hashlib.sha256((folder / PLAN).read_bytes()).hexdigest()


def kept_plan(folder: Path, sha256: str) -> Path:
    """Where the frozen version with this hash is kept."""
    return folder / HISTORY / f"plan-{sha256[:12]}.yaml"


def frozen_plan(folder: Path, entry: LockEntry) -> bytes | None:
    """The plan as this entry froze it; None where it is gone or was edited."""
    raw = content(kept_plan(folder, entry.sha256))
    return raw if raw is not None and hashlib.sha256(raw).hexdigest() == entry.sha256 else None


def minute_text(time: datetime) -> str:
    """A time for a sentence."""
    return time.isoformat(sep=" ", timespec="minutes")


def read_lock(folder: Path) -> tuple[tuple[LockEntry, ...], list[Fault]]:
    """The entries of plan.lock, oldest first; none where the plan was never frozen."""
    text, faults = read_text(folder, LOCK)
    if text is None or faults:
        return (), faults
    mend = "Restore plan.lock from a copy; `validation freeze` writes it, and nothing else should."
    try:
        listed = json.loads(text)
        if listed["format"] != 1:
            reason = "The format number is unknown."
            return (), [Fault(LOCK, reason, mend, value=str(listed["format"]), expected="1")]
        entries = tuple(_entry(item) for item in listed["entries"])
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        return (), [Fault(LOCK, "The file is not a lock as `validation freeze` writes it.", mend, value=str(error))]
    for number, (before, after) in enumerate(pairwise(entries), start=2):
        if after.time < before.time:
            reason = f"Entry {number} is dated before the one above it: freezes do not run backwards."
            time, expected = after.time.isoformat(), f"{before.time.isoformat()} or later"
            return (), [Fault(LOCK, reason, mend, value=time, expected=expected)]
    return entries, []


def _entry(item: Mapping[str, object]) -> LockEntry:
    sha256, by, amendment = str(item["sha256"]), str(item["by"]), item.get("amendment")
    if not re.fullmatch("[0-9a-f]{64}", sha256):
        raise ValueError(f"sha256 {sha256!r}")
    text = str(item["time"])
    time = moment(text)
    if time is None:
        raise ValueError(f"{text}: {why_no_moment(text)}")
    if time[0].tzinfo is None:
        raise ValueError(f"{text}: a time without its zone")
    if amendment is not None and (isinstance(amendment, bool) or not isinstance(amendment, int)):
        raise ValueError(f"amendment {amendment!r}")
    by.encode("utf-8")  # half a character cannot be hashed
    return LockEntry(sha256, time[0], by, amendment, str(item.get("seal", "")))


def lock_losses(folder: Path) -> tuple[Loss, ...]:
    """What shows that plan.lock was edited: a seal that does not follow, or an entry or a frozen plan that is
    no longer there."""
    entries, _ = read_lock(folder)
    losses = []
    if not (folder / LOCK).exists() and frozen_before(folder):
        text = f"{LOCK} is gone, although the plan was frozen: {_shown_by(folder)}. {RESTORE}"
        return (Loss(f"{LOCK} is gone", text, LOCK),)
    broken = broken_links(entries, [entry.seal or None for entry in entries])
    for place, entry in enumerate(entries):
        when = minute_text(entry.time)
        if place in broken:
            text = f"{LOCK}, entry {place + 1} ({when}, {entry.by}): {NOT_FOLLOWING}. {RESTORE}"
            losses.append(Loss(f"entry {place + 1} of {LOCK} was edited", text, LOCK))
        if frozen_plan(folder, entry) is None:
            kept = kept_plan(folder, entry.sha256)
            name, what = kept.relative_to(folder).as_posix(), "was edited" if kept.exists() else "is gone"
            losses.append(Loss(f"{name} {what}", f"{name}, the plan as frozen on {when}, {what}. {RESTORE}", name))
    for name in _unnamed(folder, entries):
        text = f"{LOCK} no longer names {name}, a plan that was frozen. {RESTORE}"
        losses.append(Loss(f"{LOCK} no longer names {name}", text, LOCK))
    for issue in issues_of(folder):
        held, _ = read_lock(issue / "inputs")
        if held != entries[: len(held)]:
            text = f"{LOCK} no longer begins with the {counted(len(held), 'entry')} that dossier {issue.name} holds."
            losses.append(Loss(f"{LOCK} is not as dossier {issue.name} holds it", f"{text} {RESTORE}", LOCK))
            break
    return tuple(losses)


def _kept_plans(folder: Path) -> list[str]:
    return [path.relative_to(folder).as_posix() for path in sorted((folder / HISTORY).glob("plan-*.yaml"))]


def _unnamed(folder: Path, entries: tuple[LockEntry, ...]) -> list[str]:
    """The kept plans that no entry names: freezing alone keeps one."""
    named = {kept_plan(folder, entry.sha256).relative_to(folder).as_posix() for entry in entries}
    return [name for name in _kept_plans(folder) if entries and name not in named]


def frozen_before(folder: Path) -> str:
    """SHA-256 of the plan as last frozen, by what else shows it where plan.lock is gone; empty where nothing does.

    That is the lock in the newest dossier, else the last amendment of the plan, else a plan kept in history/.
    """
    dossiers = [read_lock(issue / "inputs")[0] for issue in issues_of(folder)]
    held = [entries[-1].sha256 for entries in dossiers if entries]
    amended = [item.new for item in read_amendments(folder)[0] if item.kind == "plan"]
    kept = [hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in _kept_plans(folder)]
    return next((found[-1] for found in (held, amended, kept) if found), "")


def _shown_by(folder: Path) -> str:
    """What shows that the plan was frozen."""
    holding = [f"dossier {issue.name}" for issue in issues_of(folder) if read_lock(issue / "inputs")[0]]
    return ", ".join([*holding, *_kept_plans(folder)] or [f"an amendment of the plan in {AMENDMENTS}"])


def needs_reason(folder: Path) -> str:
    """Why freezing the plan takes a reason, in one sentence; empty where it takes none."""
    entries, _ = read_lock(folder)
    if changed_since_frozen(folder):
        return f"The plan was frozen on {minute_text(entries[-1].time)} and has changed since."
    if not entries and frozen_before(folder):
        return f"The plan was frozen before, as {_shown_by(folder)} shows, and {LOCK} is gone; it can be restored."
    return ""


def plan_change(folder: Path) -> str:
    """The sentence that the plan was changed after it was frozen, without an amendment; empty where it was not."""
    entries, _ = read_lock(folder)
    if not changed_since_frozen(folder):
        return ""
    return f"{PLAN} was changed after it was frozen on {minute_text(entries[-1].time)}, without an amendment."


def changed_since_frozen(folder: Path) -> bool:
    """Whether the plan was frozen and is no longer as it was then."""
    entries, _ = read_lock(folder)
    return bool(entries) and entries[-1].sha256 != plan_sha256(folder)


def freezing(folder: Path, by: str, now: datetime, *, amendment: int | None = None) -> tuple[LockEntry, Growth]:
    """The entry for the current plan, and the files that hold it: the kept version, then the lock.

    Parameters
    ----------
    amendment : the number of the plan amendment that this entry belongs to

    Raises
    ------
    Refusal
        The clock is before the last entry, or another file is kept under the name of this version.
    """
    locked = content(folder / LOCK)
    entries, _ = read_lock(folder)
    if entries and now < entries[-1].time:
        raise Refusal(
            f"The clock of this computer shows {minute_text(now)}, which is before the plan was last frozen "
            f"({minute_text(entries[-1].time)}). Set the clock right, or restore plan.lock from a copy."
        )
    raw = (folder / PLAN).read_bytes()
    sha256 = hashlib.sha256(raw).hexdigest()
    path = kept_plan(folder, sha256)
    name, kept = path.relative_to(folder).as_posix(), content(path)
    if kept not in (None, raw):
        raise Refusal(f"{name} is not the version its name says; restore it first.")
    entry = LockEntry(sha256, now.replace(microsecond=0), by.strip(), amendment)
    entry = replace(entry, seal=link(entries[-1].seal if entries else "", entry))
    listed = {"format": 1, "entries": [item.to_dict() for item in (*entries, entry)]}
    text = json.dumps(listed, indent=1, ensure_ascii=False) + "\n"
    return entry, {name: (kept, raw), LOCK: (locked, text.encode("utf-8"))}


def freeze(folder: Path, by: str, now: datetime) -> tuple[LockEntry, bool]:
    """Add an entry for the current plan, and keep a copy of it in history/.

    Parameters
    ----------
    folder : the study folder
    by : who freezes it
    now : the time with its zone

    Returns
    -------
    The entry, and whether it is new: a plan already frozen in this form gets no second entry.

    Raises
    ------
    Refusal
        plan.lock cannot be read, `by` is empty, the plan was frozen in another form or plan.lock is gone (that takes an
        amendment), the clock is before the last entry, or another file is kept under the name of this version.
    """
    if not by.strip():
        raise Refusal("Name the person who freezes the plan: --by NAME.")
    entries, faults = read_lock(folder)
    if faults:
        raise Refusal(str(faults[0]))
    why = needs_reason(folder)
    if why:
        raise Refusal(f'{why} So give the reason: --reason "...". It is kept as an amendment, with both versions.')
    if entries:
        return entries[-1], False
    entry, growth = freezing(folder, by, now)
    write(folder, growth)
    return entry, True


def plan_amendment(folder: Path, *, by: str, reason: str, now: datetime) -> Amendment:
    """The amendment that records a change of the plan since it was last frozen; both versions are kept.

    Where a command was ended after it had written that amendment and before the lock, it is this one.

    Raises
    ------
    StudyDataError
        plan.lock or amendments.csv cannot be read.
    Refusal
        The plan was never frozen, has not changed, or the frozen version is no longer kept.
    """
    entries, lock_faults = read_lock(folder)
    written, faults = read_amendments(folder)
    if faults or lock_faults:
        raise StudyDataError([*lock_faults, *faults])
    old, new = entries[-1].sha256 if entries else frozen_before(folder), plan_sha256(folder)
    if not old:
        raise Refusal(
            "The plan was never frozen, so it can still be changed freely; freeze it with `validation freeze`."
        )
    if entries and old == new:
        raise Refusal("The plan has not changed since it was frozen; edit plan.yaml first, then amend.")
    rows = [item.to_dict() for item in written]
    if entries and not kept_plan(folder, old).exists() and losses_left(lock_losses(folder), rows):
        kept = kept_plan(folder, old).relative_to(folder).as_posix()
        raise Refusal(f"The frozen version of the plan is no longer kept as {kept}; restore it first.")
    unfinished = [item for item in written if (item.kind, item.old, item.new) == ("plan", old, new)]
    if unfinished and unfinished[-1].number not in {entry.amendment for entry in entries}:
        return unfinished[-1]
    return Amendment(
        next_number(written), now.isoformat(timespec="seconds"), by, "plan", PLAN, old=old, new=new, reason=reason
    )


def record_plan_change(folder: Path, amendment: Amendment, *, now: datetime) -> None:
    """Write the amendment, the entry of the lock that belongs to it, and the version of the plan: all or none.

    Raises
    ------
    Refusal
        As `append` and `freezing`.
    """
    _, growth = freezing(folder, amendment.by, now, amendment=amendment.number)
    if amendment.line:  # it is in the file already
        write(folder, growth)
    else:
        append(folder, amendment, growth)
