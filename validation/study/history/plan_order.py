"""Whether the plan, and each of its requirements, was set before the first reading."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo

from validation.study.experiments import EXPERIMENTS
from validation.study.history.plan_lock import LockEntry, frozen_plan, minute_text, plan_sha256, read_lock
from validation.study.model import Reading, Study
from validation.study.plan import Plan, Requirement, parse_plan
from validation.study.text_files import moment
from validation.words import counted

OrderState = Literal["no lock", "lock does not match", "shown", "not shown"]
RequirementState = Literal["before data", "set after data", "cannot be shown"]


@dataclass(frozen=True)
class PlanOrder:
    """Whether the plan is older than the data.

    Attributes
    ----------
    state : of the plan as a whole: "shown" where an entry that holds the present plan is older than the first reading
    first_reading, first_time : the reading with the earliest time, and that time as the worksheet writes it
    undated : how many readings with a result carry no time
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


@dataclass(frozen=True)
class _Span:
    """A dated reading, and between which instants it was taken; `bare` where its time has no zone."""

    reading: str
    text: str
    earliest: datetime
    latest: datetime
    bare: bool


def plan_order(study: Study) -> PlanOrder:
    """Whether the plan, and each requirement, was set before the first dated reading."""
    entries, _ = read_lock(study.folder)
    # Without study.time_zone, times are read as those of the computer that froze the plan.
    stated = study.plan.study.time_zone
    zone = ZoneInfo(stated) if stated is not None else entries[0].time.tzinfo if entries else UTC
    span, undated = _first(study, zone or UTC)
    reading, time = (span.reading, span.text) if span else (None, None)
    order = PlanOrder("no lock", entries, reading, time, undated)
    if not entries:
        text = "The plan was not frozen: there is no plan.lock, so nothing shows when the requirements were set."
        return replace(order, sentences=(text,))
    plans = _frozen_plans(study, entries)
    requirements = {
        item.id: _requirement_state(study.plan, item, entries, plans, span) for item in study.plan.requirements
    }
    current = plan_sha256(study.folder)
    state: OrderState = "not shown"
    if entries[-1].sha256 != current:
        state = "lock does not match"
    elif span is not None and any(entry.sha256 == current and entry.time < span.earliest for entry in entries):
        state = "shown"
    order = replace(order, state=state, requirements=requirements)
    return replace(order, sentences=tuple(_sentences(order, span, zone_stated=stated is not None)))


def _first(study: Study, zone: tzinfo) -> tuple[_Span | None, int]:
    """The earliest dated reading, and how many readings with a result carry no time."""
    readings: dict[tuple[str, int], Reading] = {}
    for name, data in sorted(study.experiments.items()):
        if not EXPERIMENTS[name].traits.earlier:
            with_result = (item for item in data.readings if item.written.get(EXPERIMENTS[name].columns.value))
            readings |= {(item.file, item.line): item for item in with_result if (item.file, item.line) not in readings}
    spans = [_spans(reading, zone) for reading in readings.values()]
    first = min((span for group in spans for span in group), key=lambda one: (one.earliest, one.reading), default=None)
    return first, spans.count([])


def _spans(reading: Reading, zone: tzinfo) -> list[_Span]:
    """The time as written and as corrected: a correction cannot make data younger than they were written down to be."""
    spans = []
    for text in sorted({reading.written.get("time", ""), reading.values.get("time", "")}):
        when = moment(text)
        if when is None:
            continue
        time, is_a_date = when
        # A date is the whole day: an entry of the same day is neither before nor after it.
        start = time if time.tzinfo is not None else time.replace(tzinfo=zone)
        end = start + timedelta(days=1 if is_a_date else 0)
        spans.append(_Span(reading.reading, text, start.astimezone(UTC), end.astimezone(UTC), time.tzinfo is None))
    return spans


def _frozen_plans(study: Study, entries: Sequence[LockEntry]) -> list[Plan | None]:
    """The plan as each entry froze it; None where that version is no longer kept whole."""
    plans: dict[str, Plan | None] = {plan_sha256(study.folder): study.plan}
    for entry in entries:
        if entry.sha256 not in plans:
            raw = frozen_plan(study.folder, entry)
            plans[entry.sha256] = None if raw is None else parse_plan(raw)[0]
    return [plans[entry.sha256] for entry in entries]


def _judged_by(plan: Plan, requirement: Requirement) -> tuple[object, ...]:
    """All that decides the outcome of a requirement; its origin is printed, not judged."""
    everywhere = plan.study.range if requirement.at is None else None
    asked = (requirement.quantity, requirement.rule, str(requirement.limit), requirement.at, requirement.target)
    return (*asked, requirement.content, plan.confidence, plan.study.unit, everywhere)


def _requirement_state(
    plan: Plan,
    requirement: Requirement,
    entries: Sequence[LockEntry],
    plans: Sequence[Plan | None],
    span: _Span | None,
) -> RequirementState:
    """Go back from the last entry as long as the entries hold this requirement as it is today."""
    if span is None:
        return "cannot be shown"
    today = _judged_by(plan, requirement)
    since: datetime | None = None
    unknown = False
    for entry, frozen in zip(reversed(entries), reversed(plans), strict=True):
        unknown = frozen is None
        if frozen is None or today not in [
            _judged_by(frozen, item) for item in frozen.requirements if item.id == requirement.id
        ]:
            break
        since = entry.time if since is None else min(since, entry.time)
    if since is not None and since < span.earliest:
        return "before data"
    if unknown or (since is not None and since <= span.latest):
        return "cannot be shown"
    return "set after data"


def _sentences(order: PlanOrder, span: _Span | None, *, zone_stated: bool) -> Iterator[str]:
    first, last, often = order.entries[0], order.entries[-1], len(order.entries)
    yield f"The plan was first frozen on {minute_text(first.time)} by {first.by}."
    if often > 1:
        times = "twice" if often == 2 else f"{often} times"
        yield f"It was frozen {times}, last on {minute_text(last.time)} by {last.by}."
    if order.state == "lock does not match":
        yield "The plan has changed since it was last frozen: plan.lock does not match plan.yaml."
    if span is None:
        yield "No reading carries a date, so it cannot be shown that the plan was set before the data."
    else:
        yield f"The first dated reading is {span.reading} ({span.text})."
        yield from _before_data(order.state, list(order.requirements.values()))
        if order.undated:
            have = "has" if order.undated == 1 else "have"
            yield f"{counted(order.undated, 'reading')} {have} no date; the order is shown for the dated ones only."
        if span.bare and not zone_stated:
            yield "The plan states no time_zone: times without a zone are read as those of the computer that froze it."
    late = [name for name, one in order.requirements.items() if one == "set after data"]
    if late:
        yield f"Set after data: {', '.join(late)}."
    yield "Times are those of the computer that froze the plan; a hash shows that nothing changed, not who wrote it."


def _before_data(state: OrderState, requirements: Sequence[RequirementState]) -> Iterator[str]:
    early = requirements.count("before data")
    if state == "shown":
        yield "The current plan was frozen before the first dated reading."
    elif early and early == len(requirements):
        yield "The plan was changed later, but every requirement is unchanged since before that reading."
    elif state == "not shown":
        yield "There is no proof that the current plan was frozen before the first reading."
        if early:
            are = "is" if early == 1 else "are"
            yield f"{early} of its {len(requirements)} requirements {are} unchanged since before that reading."
