"""A plan that changes after it was frozen: the amendment that gives the reason, and the lock that follows it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from validation.faults import Refusal, StudyDataError
from validation.files import write_files
from validation.study.amendments import Amendment, append, next_number, read_amendments
from validation.study.lock import freezing, kept_plan, plan_sha256, read_lock
from validation.study.plan import PLAN


def plan_amendment(folder: Path, *, by: str, reason: str, now: datetime) -> Amendment:
    """The amendment that tells a change of the plan since it was last frozen; both versions are kept.

    Where a command was ended after it had written that amendment and before the lock, it is this one.

    Raises
    ------
    StudyDataError
        amendments.csv cannot be read.
    Refusal
        The plan was never frozen, has not changed, or the frozen version is no longer kept.
    """
    entries, lock_faults = read_lock(folder)
    written, faults = read_amendments(folder)
    if faults or lock_faults:
        raise StudyDataError([*lock_faults, *faults])
    if not entries:
        raise Refusal(
            "The plan was never frozen, so it can still be changed freely; freeze it with `validation freeze`."
        )
    old, new = entries[-1].sha256, plan_sha256(folder)
    if old == new:
        raise Refusal("The plan has not changed since it was frozen; edit plan.yaml first, then amend.")
    if not kept_plan(folder, old).exists():
        kept = kept_plan(folder, old).relative_to(folder).as_posix()
        raise Refusal(f"The frozen version of the plan is no longer kept as {kept}; restore it first.")
    unfinished = [item for item in written if (item.kind, item.old, item.new) == ("plan", old, new)]
    if unfinished and unfinished[-1].number not in {entry.amendment for entry in entries}:
        return unfinished[-1]
    time = now.isoformat(timespec="seconds")
    return Amendment(next_number(written), time, by, "plan", PLAN, "", "", old, new, reason)


def record_plan_change(folder: Path, amendment: Amendment, *, now: datetime) -> None:
    """Write the amendment, the entry of the lock that belongs to it, and the version of the plan: all or none.

    Raises
    ------
    Refusal
        As `amendments.append` and `lock.freezing`.
    """
    _, contents = freezing(folder, amendment.by, now, amendment=amendment.number)
    if amendment.line:  # it stands in the file already
        write_files(folder, contents)
    else:
        append(folder, amendment, contents)
