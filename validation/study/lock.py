"""plan.lock: when the plan was frozen, by whom, and whether that was before the first reading."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from validation.faults import Fault, Refusal
from validation.files import content, write_files
from validation.study.experiments import EXPERIMENTS
from validation.study.folder import issues_of
from validation.study.losses import Loss
from validation.study.plan import PLAN, Plan, Requirement, parse_plan
from validation.study.text_files import decode, moment, why_no_moment

if TYPE_CHECKING:
    from validation.study.model import Reading, Study

LOCK = "plan.lock"
HISTORY = "history"

OrderState = Literal["no lock", "lock does not match", "shown", "not shown"]
RequirementState = Literal["before data", "set after data", "cannot be shown"]


@dataclass(frozen=True, slots=True)
class LockEntry:
    """One freezing of the plan. `seal` is empty in an entry of a version of the program that wrote none."""

    sha256: str
    time: datetime
    by: str
    amendment: int | None = None
    seal: str = ""

    def to_dict(self) -> dict[str, object]:
        stated = {"sha256": self.sha256, "time": self.time.isoformat(), "by": self.by, "amendment": self.amendment}
        return {**stated, **({"seal": self.seal} if self.seal else {})}

    def sealed(self, before: str) -> LockEntry:
        """The entry with its seal: a SHA-256 over the seal of the entry before (empty for the first) and itself."""
        text = json.dumps([before, *replace(self, seal="").to_dict().values()], ensure_ascii=False)
        return replace(self, seal=hashlib.sha256(text.encode("utf-8")).hexdigest())


@dataclass(frozen=True)
class PlanOrder:
    """Whether the plan is older than the data.

    Attributes
    ----------
    state : of the plan as a whole: "shown" where an entry that holds the present plan is older than the first reading
    first_reading, first_time : the reading with the earliest time, and that time as the worksheet writes it
    requirements : for each requirement id whether it is unchanged since an entry older than the first dated reading
    sentences : the same for the page, whole sentences
    """

    state: OrderState
    entries: tuple[LockEntry, ...] = ()
    first_reading: str | None = None
    first_time: str | None = None
    undated: int = 0
    requirements: Mapping[str, RequirementState] = field(default_factory=dict)
    sentences: tuple[str, ...] = ()


def plan_sha256(folder: Path) -> str:
    """SHA-256 of the raw bytes of plan.yaml."""
    return hashlib.sha256((folder / PLAN).read_bytes()).hexdigest()


def kept_plan(folder: Path, sha256: str) -> Path:
    """Where the frozen version with this hash is kept."""
    return folder / HISTORY / f"plan-{sha256[:12]}.yaml"


def read_lock(folder: Path) -> tuple[tuple[LockEntry, ...], list[Fault]]:
    """The entries of plan.lock, oldest first; none where the plan was never frozen."""
    path = folder / LOCK
    if not path.exists():
        return (), []
    mend = "Restore plan.lock from a copy; `validation freeze` writes it, and nothing else should."
    try:
        raw = path.read_bytes()
    except OSError as error:
        return (), [Fault(LOCK, f"The file cannot be read: {error.strerror or error}.", "Check the access rights.")]
    text, faults = decode(raw, LOCK)
    if faults:
        return (), faults
    try:
        listed = json.loads(text)
        if listed["format"] != 1:
            reason = "The format number is unknown."
            return (), [Fault(LOCK, reason, mend, found=str(listed["format"]), expected="1")]
        entries = tuple(_entry(item) for item in listed["entries"])
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        return (), [Fault(LOCK, "The file is not a lock as `validation freeze` writes it.", mend, found=str(error))]
    for number, (before, after) in enumerate(pairwise(entries), start=2):
        if after.time < before.time:
            reason = f"Entry {number} is dated before the one above it: freezes do not run backwards."
            found, expected = after.time.isoformat(), f"{before.time.isoformat()} or later"
            return (), [Fault(LOCK, reason, mend, found=found, expected=expected)]
    return entries, []


def _entry(item: Mapping[str, object]) -> LockEntry:
    sha256, by, amendment = str(item["sha256"]), str(item["by"]), item.get("amendment")
    if not re.fullmatch("[0-9a-f]{64}", sha256):
        raise ValueError(f"sha256 {sha256!r}")
    text = str(item["time"])
    found = moment(text)
    if found is None:
        raise ValueError(f"{text}: {why_no_moment(text)}")
    time = found[0]
    if time.tzinfo is None:
        raise ValueError(f"{text}: a time without its zone")
    if amendment is not None and (isinstance(amendment, bool) or not isinstance(amendment, int)):
        raise ValueError(f"amendment {amendment!r}")
    return LockEntry(sha256, time, by, amendment, str(item.get("seal", "")))


def lock_losses(folder: Path) -> tuple[Loss, ...]:
    """What shows that plan.lock was edited: a seal that does not follow, or an entry or a frozen plan that is
    no longer there."""
    entries, _ = read_lock(folder)
    mend = "Restore it from the inputs of a dossier, or from another copy."
    found = []
    before = ""
    for number, entry in enumerate(entries, start=1):
        if (entry.seal or before) and entry.seal != entry.sealed(before).seal:
            told = f"{LOCK}, entry {number} ({_when(entry.time)}, {entry.by}): its seal does not follow from it"
            found.append(Loss(f"entry {number} of {LOCK} was edited", f"{told}: it was edited. {mend}"))
        before = entry.seal
        kept = kept_plan(folder, entry.sha256)
        raw = content(kept)
        if raw is None or hashlib.sha256(raw).hexdigest() != entry.sha256:
            name, what = kept.relative_to(folder).as_posix(), "is gone" if raw is None else "was edited"
            found.append(Loss(f"{name} {what}", f"{name}, the plan as frozen on {_when(entry.time)}, {what}. {mend}"))
    for issue in issues_of(folder):
        held, _ = read_lock(issue / "inputs")
        if held != entries[: len(held)]:
            text = f"{LOCK} no longer begins with the {len(held)} freezing(s) that dossier {issue.name} holds. {mend}"
            found.append(Loss(f"{LOCK} is not as dossier {issue.name} holds it", text))
            break
    return tuple(found)


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
            f"The plan was frozen on {_when(entries[-1].time)} and has changed since, so say why it changed: "
            '--reason "...". The reason is kept as an amendment, and so are both versions.'
        )
    if entries:
        return entries[-1], False
    entry, contents = freezing(folder, by, now)
    write_files(folder, contents, expected={LOCK: None})
    return entry, True


def changed_since_frozen(folder: Path) -> bool:
    """Whether the plan was frozen and is no longer as it was then."""
    entries, _ = read_lock(folder)
    return bool(entries) and entries[-1].sha256 != plan_sha256(folder)


def freezing(
    folder: Path, by: str, now: datetime, *, amendment: int | None = None
) -> tuple[LockEntry, dict[str, bytes]]:
    """The entry for the plan as it stands, and the files that hold it: the kept version, then the lock.

    Parameters
    ----------
    amendment : the number of the plan amendment that this entry belongs to

    Raises
    ------
    Refusal
        As `freeze`.
    """
    entries, _ = read_lock(folder)
    if entries and now < entries[-1].time:
        raise Refusal(
            f"The clock of this computer shows {_when(now)}, which is before the plan was last frozen "
            f"({_when(entries[-1].time)}). Set the clock right, or restore plan.lock from a copy."
        )
    raw = (folder / PLAN).read_bytes()
    sha256 = hashlib.sha256(raw).hexdigest()
    kept = kept_plan(folder, sha256)
    name = kept.relative_to(folder).as_posix()
    if content(kept) not in (None, raw):
        raise Refusal(f"{name} is not the version its name says; restore it first.")
    entry = LockEntry(sha256, now.replace(microsecond=0), by.strip(), amendment)
    entry = entry.sealed(entries[-1].seal if entries else "")
    listed = {"format": 1, "entries": [item.to_dict() for item in (*entries, entry)]}
    text = json.dumps(listed, indent=1, ensure_ascii=False) + "\n"
    return entry, {name: raw, LOCK: text.encode("utf-8")}


def plan_order(study: Study) -> PlanOrder:
    """Whether the plan, and each requirement, was set before the first dated reading."""
    entries, _ = read_lock(study.folder)
    current = plan_sha256(study.folder)
    # Without study.time_zone, times are read as those of the computer that froze the plan.
    zone = study.plan.study.time_zone
    local = ZoneInfo(zone) if zone is not None else entries[0].time.tzinfo if entries else UTC
    span, undated = _first(study, local or UTC)
    if not entries:
        said = "The plan was not frozen: there is no plan.lock, so nothing shows when the requirements were set."
        return PlanOrder("no lock", first_reading=_id(span), first_time=_text(span), undated=undated, sentences=(said,))
    requirements = {
        requirement.id: _requirement_state(study, requirement, entries, span) for requirement in study.plan.requirements
    }
    state: OrderState = "not shown"
    if entries[-1].sha256 != current:
        state = "lock does not match"
    elif span is not None and any(entry.sha256 == current and entry.time < span.earliest for entry in entries):
        state = "shown"
    return PlanOrder(
        state,
        entries,
        _id(span),
        _text(span),
        undated,
        requirements,
        tuple(_sentences(state, entries, span, undated, requirements, zone)),
    )


@dataclass(frozen=True)
class _Span:
    """The first dated reading, and between which instants it was taken."""

    reading: Reading
    text: str
    earliest: datetime
    latest: datetime
    bare: bool = False


def _id(span: _Span | None) -> str | None:
    return None if span is None else span.reading.reading


def _text(span: _Span | None) -> str | None:
    return None if span is None else span.text


def _first(study: Study, zone: tzinfo) -> tuple[_Span | None, int]:
    """The earliest dated reading, and how many readings with a result carry no time."""
    spans, undated, seen = [], 0, set()
    for name, data in sorted(study.experiments.items()):
        if EXPERIMENTS[name].traits.earlier:
            continue
        for reading in data.readings:
            if (reading.file, reading.line) in seen or not reading.written.get(EXPERIMENTS[name].columns.value):
                continue
            seen.add((reading.file, reading.line))
            # A correction of the time cannot make data younger than they were written down to be.
            texts = {reading.written.get("time", ""), reading.values.get("time", "")} - {""}
            found = [(text, when) for text in sorted(texts) if (when := moment(text)) is not None]
            undated += not found
            spans += [_span(reading, text, *when, zone) for text, when in found]
    first = min(spans, key=lambda span: (span.earliest, span.reading.reading), default=None)
    return first, undated


def _span(reading: Reading, text: str, time: datetime, is_a_date: bool, zone: tzinfo) -> _Span:
    """A date is the whole day: an entry of the same day is neither before nor after it."""
    start = time if time.tzinfo is not None else time.replace(tzinfo=zone)
    end = start + timedelta(days=1 if is_a_date else 0)
    return _Span(reading, text, start.astimezone(UTC), end.astimezone(UTC), time.tzinfo is None)


def _judged_by(plan: Plan, requirement: Requirement) -> tuple[object, ...]:
    """All that decides the outcome of a requirement; its origin is told, not judged."""
    everywhere = plan.study.range if requirement.at is None else None
    asked = (requirement.quantity, requirement.rule, str(requirement.limit), requirement.at, requirement.target)
    return (*asked, plan.confidence, plan.study.unit, everywhere)


def _requirement_state(
    study: Study, requirement: Requirement, entries: tuple[LockEntry, ...], span: _Span | None
) -> RequirementState:
    """Go back from the last entry as long as the entries hold this requirement as it stands today."""
    if span is None:
        return "cannot be shown"
    wanted = _judged_by(study.plan, requirement)
    since: LockEntry | None = None
    unknown = False
    for entry in reversed(entries):
        held = _held(study.folder, entry, requirement.id, plan_sha256(study.folder), wanted)
        if held is None:
            unknown = True
            break
        if held != wanted:
            break
        since = entry if since is None or entry.time < since.time else since
    if since is not None and since.time < span.earliest:
        return "before data"
    if unknown or (since is not None and since.time <= span.latest):
        return "cannot be shown"
    return "set after data"


def _held(
    folder: Path, entry: LockEntry, name: str, current: str, wanted: tuple[object, ...]
) -> tuple[object, ...] | None:
    """The requirement as this entry froze it; empty where it did not have it, None where the version is not kept."""
    if entry.sha256 == current:
        return wanted
    path = kept_plan(folder, entry.sha256)
    raw = path.read_bytes() if path.is_file() else b""
    if hashlib.sha256(raw).hexdigest() != entry.sha256:
        return None
    plan, _ = parse_plan(raw)
    if plan is None:
        return None
    return next((_judged_by(plan, item) for item in plan.requirements if item.id == name), ())


def _sentences(
    state: OrderState,
    entries: tuple[LockEntry, ...],
    span: _Span | None,
    undated: int,
    requirements: Mapping[str, RequirementState],
    zone: str | None,
) -> list[str]:
    first, last = entries[0], entries[-1]
    said = [f"The plan was first frozen on {_when(first.time)} by {first.by}."]
    if len(entries) > 1:
        often = "twice" if len(entries) == 2 else f"{len(entries)} times"
        said.append(f"It was frozen {often}, last on {_when(last.time)} by {last.by}.")
    if state == "lock does not match":
        said.append("The plan has changed since it was last frozen: plan.lock does not match plan.yaml.")
    if span is None:
        said.append("No reading carries a date, so the order plan before data cannot be shown.")
    else:
        said.append(f"The first dated reading is {span.reading.reading} ({span.text}).")
        if state == "shown":
            said.append("The plan as it stands is older than the first dated reading.")
        elif requirements and set(requirements.values()) == {"before data"}:
            said.append("The plan was changed later, but every requirement is unchanged since before that reading.")
        elif state == "not shown":
            said.append("That the plan as it stands is older than the data cannot be shown.")
            early = sum(one == "before data" for one in requirements.values())
            if early:
                said.append(f"{early} of its {len(requirements)} requirements are unchanged since before that reading.")
    if span is not None and undated:
        said.append(f"{undated} reading(s) carry no date; the order is told for the dated ones alone.")
    if span is not None and zone is None and span.bare:
        said.append(
            "The plan states no time_zone: times without a zone are read as those of the computer that froze it."
        )
    late = [name for name, one in requirements.items() if one == "set after data"]
    if late:
        said.append(f"Set after data: {', '.join(late)}.")
    said.append(
        "Times are those of the computer that froze the plan; a hash shows that nothing changed, not who wrote it."
    )
    return said


def _when(time: datetime) -> str:
    return time.isoformat(sep=" ", timespec="minutes")
