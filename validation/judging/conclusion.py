"""The proposed conclusion: outcome, working range, and why. People sign, the program does not."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, Literal

from validation.judging.requirements import BY_PERFORMANCE, RequirementResult, find_key
from validation.stats.estimate import Estimate
from validation.study.experiments import EXPERIMENTS, all_records, chapter_words
from validation.study.history.acknowledging import acknowledged_sentences
from validation.study.history.amendments import loss_restriction
from validation.study.history.losses import restriction
from validation.study.model import Study
from validation.study.ordering import natural_order
from validation.study.quantity import Evaluation, Quantity
from validation.words import level_text, sentence_list

PERFORMANCE_SOURCE = (
    "lowest level at which the plan's own requirements hold (Eurachem, The Fitness for Purpose of Analytical Methods; "
    "clause from memory)"
)
#: Chapters whose verdicts by level the quantification limit by performance is made of.
BEHIND_PERFORMANCE = ("trueness.", "repeatability.", "intermediate_precision.", "accuracy.")
ConclusionOutcome = Literal["fit", "fit with restrictions", "not fit", "not judged"]


@dataclass(frozen=True, slots=True)
class NotEvaluated:
    """One line of the table "Not evaluated in this study"."""

    name: str
    title: str
    reason: str

    @property
    def excused(self) -> bool:
        return bool(self.reason)


@dataclass(frozen=True, slots=True)
class Conclusion:
    """`results.json` `conclusion`, with the parts its text was made of."""

    outcome: ConclusionOutcome
    range: tuple[float, float] | None
    text: str
    restrictions: tuple[str, ...] = ()

    def with_remark(self, remark: str) -> Conclusion:
        """The same with a sentence before the restrictions that restricts nothing."""
        tail = " ".join(self.restrictions)
        lead = self.text.removesuffix(tail).strip()
        return replace(self, text=" ".join(part for part in (lead, remark, tail) if part))

    def to_dict(self) -> dict[str, Any]:
        return {
            "outcome": self.outcome,
            "range": None if self.range is None else list(self.range),
            "text": self.text,
            "restrictions": list(self.restrictions),
        }


def not_evaluated(study: Study, evaluations: Mapping[str, Evaluation]) -> tuple[NotEvaluated, ...]:
    """What no reading of this study bears on, with the plan's reason."""
    reasons = dict(study.plan.not_evaluated)
    records = all_records()
    for record in records.values():
        for name in record.also_called:
            if name in reasons:
                reasons.setdefault(record.name, reasons.pop(name))
    there = {name for name, evaluation in evaluations.items() if _speaks(study, name, evaluation)}
    there |= {
        name for name, item in EXPERIMENTS.items() if item.traits.evaluated_when_read and study.ready(name) is not None
    }
    titles = {name: record.title for name, record in records.items() if record.asked != "no"}
    titles |= {name: records[name].title if name in records else name.replace("_", " ") for name in reasons}
    return tuple(
        NotEvaluated(name, title, reasons.get(name, "").strip()) for name, title in titles.items() if name not in there
    )


def _speaks(study: Study, name: str, evaluation: Evaluation) -> bool:
    """Whether a chapter found something in its own readings: a drift in the precision runs is no stability study."""
    if evaluation.missing:
        return False
    if name not in EXPERIMENTS:
        return bool(evaluation.judged)
    data = study.ready(name)
    return data is not None and any(q.worksheet == data.worksheet for q in evaluation.judged)


def working_range(
    rows: Sequence[RequirementResult],
    everywhere: Collection[str] = (),
    *,
    limits: Sequence[float] = (),
    middle: float | None = None,
) -> tuple[float, float] | None:
    """The adjacent tested levels, all requirements met, that hold the customer's `limits`; None where there are none.

    Which levels it is to hold is known before the readings: the longest stretch, chosen after them, more often reaches
    a level that fails. Limits outside the tested levels are left aside; without limits it is the tested level nearest
    the `middle` of the range, the lower on a tie. `everywhere` names the requirements that hold for every level: none
    says anything beyond its tested levels, and without any level there is no range.
    """
    levels = judged_levels(rows, everywhere)
    if not levels:
        return None
    held = held_levels(levels, limits, middle)
    met = {level: met_at(rows, level, everywhere) for level in levels}
    runs = [list(group) for good, group in groupby(levels, key=lambda level: met[level]) if good]
    return next(((run[0], run[-1]) for run in runs if run[0] <= held[0] and held[-1] <= run[-1]), None)


def met_at(rows: Sequence[RequirementResult], level: float, everywhere: Collection[str]) -> bool:
    """Whether all requirements are met at a level; one for every level that was not tested there, on both its sides."""
    if any(row.outcome != "met" for row in rows if row.at == level):
        return False
    for name in everywhere:
        own = {row.at: row.outcome for row in rows if row.id == name and isinstance(row.at, float)}
        if level not in own:
            sides = [at for at in own if at < level][-1:] + [at for at in own if at > level][:1]
            if any(own[at] != "met" for at in sides):
                return False
    return True


def judged_levels(rows: Sequence[RequirementResult], everywhere: Collection[str] = ()) -> list[float]:
    """The tested levels at which every requirement of `everywhere` says something, in rising order."""
    spans = [tested_span(rows, name) for name in everywhere]
    if None in spans:
        return []
    return sorted(
        {
            row.at
            for row in rows
            if isinstance(row.at, float) and all(span is None or span[0] <= row.at <= span[1] for span in spans)
        }
    )


def held_levels(levels: Sequence[float], limits: Sequence[float], middle: float | None) -> list[float]:
    """What a range on these levels is to hold: the limits within them, or the level nearest the middle."""
    within = sorted(limit for limit in limits if levels[0] <= limit <= levels[-1])
    centre = (levels[0] + levels[-1]) / 2 if middle is None else middle
    return within or [min(levels, key=lambda level: (abs(level - centre), level))]


def tested_span(rows: Sequence[RequirementResult], name: str) -> tuple[float, float] | None:
    """Lowest and highest level at which the requirement `name` has an estimate; None without any."""
    levels = [row.at for row in rows if row.id == name and isinstance(row.at, float) and _has_estimate(row)]
    return (min(levels), max(levels)) if levels else None


def _has_estimate(row: RequirementResult) -> bool:
    return row.observed is not None or row.interval is not None


def _at_every_level(study: Study, rows: Sequence[RequirementResult]) -> tuple[str, ...]:
    """The judged requirements set for every level in the range; those on levels that are labels have no range."""
    labelled = {row.id for row in rows if isinstance(row.at, str)}
    judged = {row.id for row in rows} - labelled
    return tuple(
        item.id
        for item in study.plan.requirements
        if item.id in judged
        and item.at is None
        and (info := find_key(item.quantity)) is not None
        and info.at == "level"
    )


def quantification_limit(rows: Sequence[RequirementResult], study: Study) -> Quantity | None:
    """Lowest level where every requirement on bias and precision holds; None where the plan has none by level."""
    wanted = [row for row in rows if row.quantity.startswith(BEHIND_PERFORMANCE) and isinstance(row.at, float)]
    if not wanted:
        return None
    levels = sorted({row.at for row in wanted if isinstance(row.at, float)})
    good = [level for level in levels if all(row.settled == "met" for row in wanted if row.at == level)]
    if not good:
        return None
    used = sorted({row.id for row in wanted if row.at == good[0]}, key=natural_order)
    notes = [
        f"Lowest tested level at which the requirements {sentence_list(used)} hold; it carries no interval of its own."
    ]
    elsewhere = sorted({row.id for row in wanted} - set(used), key=natural_order)
    if elsewhere:
        notes.append(
            f"{sentence_list(elsewhere)} is set at other levels only and says nothing at {level_text(good[0])}."
        )
    return Quantity(
        key="detection.quantification_limit",
        at=BY_PERFORMANCE,
        estimate=Estimate(good[0], notes=tuple(notes), source=PERFORMANCE_SOURCE),
        level=study.confidence,
        unit=study.unit,
        unit_name="levels",
    )


def conclude(
    study: Study, rows: Sequence[RequirementResult], absent: Sequence[NotEvaluated], *, further: Sequence[str] = ()
) -> Conclusion:
    """Put the rows together: what is proposed, over which range, and what speaks against it.

    `further` are restrictions that no row of this study covers, such as a step since the parent: named first, and
    like a changed reading or an amendment that is gone they forbid the conclusion "fit".
    """
    unseen = restriction(study.changes, study.lost_history)
    silent = (unseen, loss_restriction(study.lost_amendments), study.plan_change)
    beside = [text for text in (*silent, *acknowledged_sentences(study.amendments), *further) if text]
    why = _not_judged(rows)
    if why:
        return Conclusion("not judged", None, " ".join([why, *beside]), tuple(beside))
    everywhere = _at_every_level(study, rows)
    limits, middle = study.plan.study.customer_limits, sum(study.plan.study.range) / 2
    spread = working_range(rows, everywhere, limits=limits, middle=middle)
    by_level = [row for row in rows if isinstance(row.at, float)]
    failed = [row for row in rows if row.outcome != "met"]
    elsewhere = [row for row in failed if not isinstance(row.at, float)]
    unexcused = [item for item in absent if not item.excused]
    restrictions = (*beside, *_restrictions(study, spread, failed, elsewhere, unexcused, rows, everywhere))
    against = _against_any_use(rows, study)
    if (by_level or everywhere) and spread is None:
        against.insert(0, _without_range(study, rows, everywhere))
    elif not by_level and len(failed) == len(rows):
        against.insert(0, "No requirement is met.")
    if against:
        few = "Nothing fails outright: the readings do not show fitness."
        lead = [*against, *([few] if all(row.outcome != "not met" for row in rows) else [])]
        return Conclusion("not fit", None, " ".join([*lead, *restrictions]), restrictions)
    whole = spread is not None and spread[0] <= study.plan.study.range[0] and spread[1] >= study.plan.study.range[1]
    fit = whole and not elsewhere and not unexcused and not beside
    words = "fit for the intended use" if fit else "fit with restrictions"
    over = "" if spread is None else f" {range_text(spread)} {study.unit}"
    lead_ = f"The readings support the proposal that the procedure is {words}{over}."
    return Conclusion("fit" if fit else "fit with restrictions", spread, " ".join([lead_, *restrictions]), restrictions)


def _without_range(study: Study, rows: Sequence[RequirementResult], everywhere: Sequence[str]) -> str:
    """Why there is no range: no level meets everything, or none of the stretches that do holds what it is to hold."""
    levels = judged_levels(rows, everywhere)
    met = [level for level in levels if met_at(rows, level, everywhere)]
    if not met:
        return "At no tested level are all requirements met."
    limits = study.plan.study.customer_limits
    held = held_levels(levels, limits, sum(study.plan.study.range) / 2)
    what = "the customer's " if held[0] in limits else "the level nearest the middle of the range, "
    plural = ("limits " if len(held) > 1 else "limit ") if held[0] in limits else ""
    names = sentence_list([level_text(level) for level in held])
    return f"No adjacent tested levels at which all requirements are met hold {what}{plural}{names} {study.unit}."


def _against_any_use(rows: Sequence[RequirementResult], study: Study) -> list[str]:
    """What no restriction of the use can cover, in sentences.

    A failure at a level narrows the range; one at a name (a material, a lot, a setting, a storage, a definition) leaves
    that name out of the use. A requirement without a place speaks of the procedure as a whole, and neither does it help
    to leave out the lot in use, or every setting that was tried.
    """
    sentences = [
        f"{row.id}, {in_plain_words(row.quantity)}, is not met, and it speaks of the procedure as a whole."
        for row in rows
        if row.at is None and row.outcome == "not met"
    ]
    in_use = study.plan.lots.in_use
    sentences += [
        f"{row.id}, {in_plain_words(row.quantity)}, is not met for {row.at}, the lot in use."
        for row in rows
        if in_use and row.at == in_use and row.outcome == "not met"
    ]
    tried = [row for row in rows if row.quantity == "carry_over.effect" and isinstance(row.at, str)]
    if tried and all(row.outcome == "not met" for row in tried):
        sentences.append(f"Carry-over is not met at any setting that was tried: {_named_rows(tried)}.")
    return sentences


def _named_rows(rows: Sequence[RequirementResult]) -> str:
    return sentence_list([f"{row.id} ({row.at})" for row in rows])


def _not_judged(rows: Sequence[RequirementResult]) -> str:
    """Why nothing is judged; empty where something is."""
    if not rows:
        return "The plan sets no requirement: the quantities are reported and nothing is judged."
    if all(row.outcome == "not judged" for row in rows):
        return f"Nothing is judged: {rows[0].reason.split('. ')[0].removeprefix('Not judged: ')}."
    if not any(_has_estimate(row) for row in rows):
        return "Nothing is judged: the readings that the requirements need are missing."
    return ""


def range_text(spread: tuple[float, float]) -> str:
    """ "from 0.5 to 7.5", or "at 1" where one level alone meets everything."""
    low, high = (level_text(end) for end in spread)
    return f"at {low}" if low == high else f"from {low} to {high}"


#: Names that need no chapter before them.
NAMED = {
    "accuracy.tolerance_low": "accuracy tolerance",
    "detection.detection_limit": "detection limit",
    "detection.quantification_limit": "quantification limit",
    "lots.response_ratio": "response ratio of lots",
    "standards.relative_uncertainty": "relative uncertainty of the standard",
    "standards.standard_uncertainty": "standard uncertainty of the standard",
    "uncertainty.expanded": "expanded uncertainty",
    "uncertainty.combined": "combined standard uncertainty",
}


def in_plain_words(quantity: str) -> str:
    """ "matrix slope ratio" for matrix.slope_ratio; symbols such as s_r stay as they are."""
    chapter, _, name = quantity.partition(".")
    words = f"{chapter_words(chapter)} {name if len(name.partition('_')[0]) == 1 else name.replace('_', ' ')}"
    return NAMED.get(quantity) or words.removesuffix(" at")


def in_part(names: Sequence[str]) -> Conclusion:
    """The conclusion where only some chapters are evaluated: nothing is concluded."""
    chapters = sentence_list([chapter_words(name) for name in names])
    return Conclusion("not judged", None, f"Only {chapters} was evaluated; nothing is concluded about the procedure.")


def restriction_of(row: RequirementResult) -> str:
    """What a requirement without a level, or at a name, that is not met restricts: one sentence."""
    place = "" if row.at is None else f" ({row.at})"
    return f"{row.id}, {in_plain_words(row.quantity)}{place}: {row.outcome}."


def _restrictions(
    study: Study,
    spread: tuple[float, float] | None,
    failed: Sequence[RequirementResult],
    elsewhere: Sequence[RequirementResult],
    unexcused: Sequence[NotEvaluated],
    rows: Sequence[RequirementResult],
    everywhere: Sequence[str],
) -> tuple[str, ...]:
    sentences = []
    for level in sorted({row.at for row in failed if isinstance(row.at, float)}):
        ids = [f"{row.id} ({row.outcome})" for row in failed if row.at == level]
        sentences.append(f"At {level_text(level)} {study.unit}: {sentence_list(list(dict.fromkeys(ids)))}.")
    sentences += [restriction_of(row) for row in elsewhere]
    low, high = study.plan.study.range
    all_levels = [row.at for row in rows if isinstance(row.at, float)]
    narrower: dict[tuple[float, float], list[str]] = {}
    for name in everywhere:
        tested = tested_span(rows, name)
        if tested is not None and (tested[0] > min(all_levels) or tested[1] < max(all_levels)):
            narrower.setdefault(tested, []).append(name)
    for tested, names in narrower.items():
        was = "was" if len(names) == 1 else "were"
        sentences.append(f"{sentence_list(names)} {was} tested only {range_text(tested)} {study.unit}.")
    outside = [
        limit
        for limit in study.plan.study.customer_limits
        if all_levels and not min(all_levels) <= limit <= max(all_levels)
    ]
    if outside:
        which = f"customer's {'limit' if len(outside) == 1 else 'limits'}"
        at = sentence_list([level_text(limit) for limit in outside])
        sentences.append(f"Outside the levels tested: the {which} {at} {study.unit}.")
    if not failed and spread is not None and (spread[0] > low or spread[1] < high):
        sentences.append(f"Asked for from {level_text(low)} to {level_text(high)} {study.unit}, tested over less.")
    late = sorted({row.id for row in rows if row.order == "set after data"}, key=natural_order)
    if late:
        sentences.append(f"Set after the first reading was taken: {sentence_list(late)}.")
    if unexcused:
        sentences.append(
            f"Neither evaluated nor excused by the plan: {sentence_list([item.title for item in unexcused])}."
        )
    return tuple(sentences)
