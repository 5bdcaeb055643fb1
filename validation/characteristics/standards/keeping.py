"""How long a lot keeps: what its record allows, beside what the stability experiment of the same study shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import floor

from validation.figures.stability import StabilityView, StateAges
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
#: Words by which the states of the worksheet are known.
SEALED, IN_USE = ("sealed",), ("in use", "opened")


@dataclass(frozen=True)
class _Kept:
    """What the experiment shows of one state, and the loss a week that it estimates, as a share, with its interval."""

    state: StateAges
    weekly: float | None
    interval: Interval | None

    @property
    def days(self) -> int | None:
        """Whole days for which the change is shown to stay within what is allowed."""
        return None if self.state.expiry is None else floor(self.state.expiry)

    @property
    def longest(self) -> float:
        return self.state.longest

    @property
    def within(self) -> str:
        return "" if self.state.allowed is None else f"the allowed {significant(100 * self.state.allowed, 2)} %"


def keeping(records: Sequence[LotRecord], study: Study, stability: Evaluation) -> tuple[list[str], list[str]]:
    """Sentences that hold the records' times in use and sealed against the experiment, and those on ages of readings.

    Nothing is refused: the laboratory may have evidence elsewhere. But a record that allows more than was shown, and a
    reading of a lot older than that, must be told.
    """
    stated = [record for record in records if _in_use(record) is not None or _allowed_days(record, study) is not None]
    if not stated:
        return [], []
    view: StabilityView | None = stability.display.view
    if view is None or not view.states:
        return [NO_EXPERIMENT], []
    sealed, in_use = (_kept(stability, view.states, words) for words in (SEALED, IN_USE))
    if sealed is None and in_use is None:
        return [OTHER_STATES], []
    sentences = [] if in_use is None else _in_use_words(stated, in_use)
    if sealed is None:
        return sentences, []
    return sentences + _sealed_words(stated, study, sealed), _readings_words(stated, study, sealed)


def _kept(stability: Evaluation, states: Sequence[StateAges], words: Sequence[str]) -> _Kept | None:
    """The state of these words; of several levels the one that keeps shortest."""
    fitting = [state for state in states if any(word in state.name.lower() for word in words)]
    if not fitting:
        return None
    state = min(fitting, key=lambda one: one.longest if one.expiry is None else one.expiry)
    slope, start = stability.get("stability.slope", state.name), state.at_zero
    if slope is None or not start > 0:
        return _Kept(state, None, None)
    interval = None if slope.interval is None else (-7 * slope.interval[1] / start, -7 * slope.interval[0] / start)
    return _Kept(state, -7 * slope.value / start, interval)


def _in_use(record: LotRecord) -> InUseLoss | None:
    part = record.preparation.in_use_loss
    return None if part is None or part.days is None else part


def _allowed_days(record: LotRecord, study: Study) -> int | None:
    """Days from making to expiry; record and plan may both state one, the earlier holds."""
    entry = next((item for item in study.plan.standards if str(item.get("name")) == record.lot), {})
    days = [day for day in (record.preparation.expires, day_of(entry.get("expires"))) if day is not None]
    return (min(days) - record.preparation.made).days if days else None


def _in_use_words(records: Sequence[LotRecord], kept: _Kept) -> list[str]:
    together: dict[tuple[float, float | None, float | None], list[str]] = {}
    for record in records:
        part = _in_use(record)
        if part is not None and part.days is not None:
            together.setdefault((part.days, part.per_week, part.u), []).append(record.lot)
    return [
        _in_use_sentence(lots, days, per_week, u, kept, len(together)) for (days, per_week, u), lots in together.items()
    ]


def _in_use_sentence(
    lots: Sequence[str], days: float, per_week: float | None, u: float | None, kept: _Kept, groups: int
) -> str:
    whose = _whose(lots, groups)
    sentence = f"In use: {whose} an opened vial for {_days(days)}"
    if kept.days is None:
        sentence += f"; ages up to {_days(kept.longest)} were studied, but the plan states no allowed change"
    elif days > kept.days:
        sentence += f"; {_reach(kept)}. Beyond that the loss was not measured"
    else:
        sentence += f"; {_reach(kept)}"
        if u is not None:
            sentence += f". The shorter time holds: the u of {100 * u:g} % covers {_days(days)}"
            if per_week is not None and kept.days > days:
                rate, most = f"{100 * per_week:g} % a week", fixed(100 * per_week * kept.days / 7, 1)
                sentence += f"; after {_days(kept.days)} a vial that loses {rate} has lost {most} %"
    return f"{sentence}.{_rate(per_week, kept)}"


def _rate(per_week: float | None, kept: _Kept) -> str:
    """The loss a week that the experiment finds, beside the stated one."""
    if per_week is None or kept.weekly is None or kept.interval is None:
        return ""
    low, high = kept.interval
    loss = f"{fixed(100 * kept.weekly, 1)} % a week (from {fixed(100 * low, 1)} to {fixed(100 * high, 1)} %)"
    holds = "agrees with" if low <= per_week <= high else "does not agree with"
    return f" The experiment finds a loss of {loss}, which {holds} the {100 * per_week:g} % of the record."


def _reach(kept: _Kept) -> str:
    """What the experiment shows, as a clause."""
    within = f"the change is shown to stay within {kept.within}"
    if kept.state.capped:
        return f"over all {_days(kept.longest)} studied {within}"
    return f"{_days(kept.longest)} were studied, and for {_days(kept.days)} {within}"


def _sealed_words(records: Sequence[LotRecord], study: Study, kept: _Kept) -> list[str]:
    days = {record.lot: allowed for record in records if (allowed := _allowed_days(record, study)) is not None}
    if not days:
        return []
    low, high = min(days.values()), max(days.values())
    span = _days(high) if low == high else f"{low} to {_days(high)}"
    whose = _whose(list(days), 1).replace("take", "allow")
    if kept.days is None:
        return [
            f"Sealed: {whose} {span}; ages up to {_days(kept.longest)} were studied, but the plan states no allowed "
            "change."
        ]
    beyond = [lot for lot, allowed in days.items() if allowed > kept.days]
    which = "" if len(beyond) == len(days) else f" ({sentence_list(beyond)})"
    end = f". Beyond that the loss was not measured{which}." if beyond else "."
    return [f"Sealed: {whose} {span}; {_reach(kept)}{end}"]


def _readings_words(records: Sequence[LotRecord], study: Study, kept: _Kept) -> list[str]:
    """Dated readings of a lot older than what was shown; those of the experiment itself are old on purpose."""
    limit = kept.longest if kept.days is None else kept.days
    sentences = []
    for record in records:
        dated = _dated(study, record.lot)
        made = record.preparation.made
        old = [(day, reading) for day, reading in dated if (day - made).days > limit]
        if not old:
            continue
        first, last = min(old, key=lambda pair: pair[0]), max(day for day, _ in old)
        day, reading = first
        which = "shown" if kept.days is not None else "studied"
        sentences.append(
            f"Readings of {record.lot} reach an age of {_days((last - made).days)}: {len(old)} of its {len(dated)} "
            f"dated readings are older than the {_days(limit)} {which}, from "
            f"{reading.reading} of {day} on ({reading.file}, row {reading.line}). How much the lot had changed by "
            "then was not measured."
        )
    return sentences


def _dated(study: Study, lot: str) -> list[tuple[date, Reading]]:
    dated: dict[tuple[str, int], tuple[date, Reading]] = {}
    for name, data in study.experiments.items():
        if name == "stability":
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
