"""How long a lot keeps: what its record allows, beside what the stability experiment of the same study shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import floor
from typing import Any

from validation.stats.intervals import Interval
from validation.study.lot_record import InUseLoss, LotRecord, day_of
from validation.study.model import Reading, Study
from validation.study.quantity import Evaluation
from validation.words import fixed, sentence_list, significant

NO_EXPERIMENT = (
    "This study has no stability experiment with readings: how long a lot keeps, sealed and in use, rests on what its "
    "record states."
)
OTHER_STATES = (
    "The stability experiment names no state sealed or in use: the times that the lot records allow cannot be held "
    "against it."
)
EXPERIMENT = "stability"
#: Words by which the states of the worksheet are known.
SEALED, IN_USE = ("sealed",), ("in use", "opened")


@dataclass(frozen=True)
class _Studied:
    """What the experiment says of one state: ages studied, days within the allowed change, loss a week as a share."""

    longest: float
    expiry: float | None
    allowed: float | None
    weekly: float | None
    interval: Interval | None

    @property
    def days(self) -> int | None:
        """Whole days for which the change is shown to stay within what is allowed."""
        return None if self.expiry is None else floor(self.expiry)

    @property
    def capped(self) -> bool:
        """Whether the change stays within what is allowed over all ages studied."""
        return self.expiry is not None and self.expiry >= self.longest

    @property
    def within(self) -> str:
        return "" if self.allowed is None else f"the allowed {significant(100 * self.allowed, 2)} %"


def keeping(records: Sequence[LotRecord], study: Study, stability: Evaluation) -> tuple[list[str], list[str]]:
    """Sentences that hold the records' times in use and sealed against the experiment, and those on ages of readings.

    `stability` is the evaluation of that chapter. Nothing is refused: the laboratory may have evidence elsewhere. But a
    record that allows more than was shown, and a reading of a lot older than that, must be told.
    """
    stated = [record for record in records if _in_use(record) is not None or _allowed_days(record, study) is not None]
    if not stated:
        return [], []
    if not stability.details.get("states", ()):
        return [NO_EXPERIMENT], []
    sealed, in_use = (_state(stability, words) for words in (SEALED, IN_USE))
    if sealed is None and in_use is None:
        return [OTHER_STATES], []
    sentences = [] if in_use is None else _in_use_words(stated, in_use)
    if sealed is None:
        return sentences, []
    return sentences + _sealed_words(stated, study, sealed), _readings_words(stated, study, sealed)


def _state(stability: Evaluation, words: Sequence[str]) -> _Studied | None:
    """The state of these words; of several levels the one that keeps shortest."""
    states = stability.details["states"]
    fitting = [state for state in states if any(word in state["state"].lower() for word in words)]
    studied = [_studied(stability, state) for state in fitting]
    return min(studied, key=lambda one: one.longest if one.expiry is None else one.expiry, default=None)


def _studied(stability: Evaluation, state: Mapping[str, Any]) -> _Studied:
    slope, expiry = (stability.get(f"stability.{key}", state["state"]) for key in ("slope", "expiry"))
    weekly = interval = None
    start = state["at_zero"]
    if slope is not None and start > 0:
        weekly = -7 * slope.value / start
        if slope.interval is not None:
            interval = (-7 * slope.interval[1] / start, -7 * slope.interval[0] / start)
    return _Studied(state["longest"], None if expiry is None else expiry.value, state["allowed"], weekly, interval)


def _in_use(record: LotRecord) -> InUseLoss | None:
    part = record.preparation.in_use_loss
    return None if part is None or part.days is None else part


def _allowed_days(record: LotRecord, study: Study) -> int | None:
    """Days from making to expiry; record and plan may both state one, the earlier holds."""
    entry = next((item for item in study.plan.standards if str(item.get("name")) == record.lot), {})
    days = [day for day in (record.preparation.expires, day_of(entry.get("expires"))) if day is not None]
    return (min(days) - record.preparation.made).days if days else None


def _in_use_words(records: Sequence[LotRecord], studied: _Studied) -> list[str]:
    together: dict[tuple[float, float | None, float | None], list[str]] = {}
    for record in records:
        part = _in_use(record)
        if part is not None and part.days is not None:
            together.setdefault((part.days, part.per_week, part.u), []).append(record.lot)
    return [
        _in_use_sentence(_whose(lots, len(together)), days, per_week, u, studied)
        for (days, per_week, u), lots in together.items()
    ]


def _in_use_sentence(whose: str, days: float, per_week: float | None, u: float | None, studied: _Studied) -> str:
    sentence = f"In use: {whose} an opened vial for {_days(days)}"
    if studied.days is None:
        sentence += f"; ages up to {_days(studied.longest)} were studied, but the plan states no allowed change"
    elif days > studied.days:
        sentence += f"; {_reach(studied)}. Beyond that the loss is not shown"
    else:
        sentence += f"; {_reach(studied)}"
        if u is not None:
            sentence += f". The shorter time holds: the u of {100 * u:g} % covers {_days(days)}"
            if per_week is not None and studied.days > days:
                most = fixed(100 * per_week * studied.days / 7, 1)
                lost = f"a vial that loses {100 * per_week:g} % a week has lost {most} %"
                sentence += f"; after {_days(studied.days)} {lost}"
    return f"{sentence}.{_rate(per_week, studied)}"


def _rate(per_week: float | None, studied: _Studied) -> str:
    """The loss a week that the experiment finds, beside the stated one."""
    if per_week is None or studied.weekly is None or studied.interval is None:
        return ""
    low, high = studied.interval
    loss = f"{fixed(100 * studied.weekly, 1)} % a week (from {fixed(100 * low, 1)} to {fixed(100 * high, 1)} %)"
    holds = "agrees with" if low <= per_week <= high else "does not agree with"
    return f" The experiment finds a loss of {loss}, which {holds} the {100 * per_week:g} % of the record."


def _reach(studied: _Studied) -> str:
    """What the experiment shows, as a clause."""
    kept = f"the change is shown to stay within {studied.within}"
    if studied.capped:
        return f"over all {_days(studied.longest)} studied {kept}"
    return f"{_days(studied.longest)} were studied, and for {_days(studied.days)} {kept}"


def _sealed_words(records: Sequence[LotRecord], study: Study, studied: _Studied) -> list[str]:
    days = {record.lot: allowed for record in records if (allowed := _allowed_days(record, study)) is not None}
    if not days:
        return []
    low, high = min(days.values()), max(days.values())
    span = _days(high) if low == high else f"{low} to {_days(high)}"
    start = f"Sealed: {_whose(list(days), 1).replace('take', 'allow')} {span}"
    if studied.days is None:
        return [f"{start}; ages up to {_days(studied.longest)} were studied, but the plan states no allowed change."]
    beyond = [lot for lot, allowed in days.items() if allowed > studied.days]
    which = "" if len(beyond) == len(days) else f" ({sentence_list(beyond)})"
    end = f". Beyond that the loss is not shown{which}." if beyond else "."
    return [f"{start}; {_reach(studied)}{end}"]


def _readings_words(records: Sequence[LotRecord], study: Study, studied: _Studied) -> list[str]:
    """Dated readings of a lot older than what was shown; those of the experiment itself are old on purpose."""
    limit, which = (studied.longest, "studied") if studied.days is None else (studied.days, "shown")
    sentences = []
    for record in records:
        dated, made = _dated(study, record.lot), record.preparation.made
        old = [(day, reading) for day, reading in dated if (day - made).days > limit]
        if not old:
            continue
        day, reading = min(old, key=lambda pair: pair[0])
        last = max(day for day, _ in old)
        sentences.append(
            f"Readings of {record.lot} reach an age of {_days((last - made).days)}: {len(old)} of its {len(dated)} "
            f"dated readings are older than the {_days(limit)} {which}, from "
            f"{reading.reading} of {day} on ({reading.file}, row {reading.line}). What the lot had lost by then is not "
            "shown."
        )
    return sentences


def _dated(study: Study, lot: str) -> list[tuple[date, Reading]]:
    dated: dict[tuple[str, int], tuple[date, Reading]] = {}
    for name, data in study.experiments.items():
        if name == EXPERIMENT:
            continue
        for reading in data.readings:
            counts = reading.time is not None and reading.status in ("used", "censored")
            if counts and reading.values.get("lot") == lot and reading.time is not None:
                dated.setdefault((reading.file, reading.line), (reading.time.date(), reading))
    return list(dated.values())


def _whose(lots: Sequence[str], groups: int) -> str:
    """ "the record of S-01 takes", "the records take"."""
    if len(lots) == 1:
        return f"the record of {lots[0]} takes"
    return "the records take" if groups == 1 else f"the records of {sentence_list(list(lots))} take"


def _days(days: float | None) -> str:
    return f"{days:g} day{'' if days == 1 else 's'}"
