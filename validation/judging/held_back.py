"""Which requirements censored readings keep from being met: for the time before a run, when something can be done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from validation.characteristics.registry import characteristics
from validation.judging.outcomes import evaluate
from validation.judging.requirements import find_key
from validation.study.experiments import EXPERIMENTS
from validation.study.model import ExperimentData, Study
from validation.study.plan import Requirement
from validation.study.quantity import At, Evaluation
from validation.study.text_files import decimal
from validation.words import level_text, sentence_list

_WAYS_OUT = (
    "Ways out: enter the numbers behind them, where the instrument gives any below its reporting limit (validation "
    "amend --column result); exclude them for a reason that is not their size (validation amend --exclude); measure "
    "further readings; or, before the freeze, set requirement or range of the study where results are numbers."
)


def held_back(study: Study) -> list[str]:
    """The sentence on requirements that are at best not shown, and the ways out; none where there is no such one."""
    lossy = {
        name: data
        for name, data in study.experiments.items()
        if data.censored and not EXPERIMENTS[name].traits.censored_as_bounds
    }
    asked = {requirement.quantity.partition(".")[0] for requirement in study.plan.requirements} & set(characteristics())
    if not lossy or not asked:
        return []
    evaluations = evaluate(study, only=[name for name in characteristics() if name in asked])
    held = [
        requirement.id if at is None else f"{requirement.id} at {level_text(at) if isinstance(at, float) else at}"
        for requirement in study.plan.requirements
        for at in _places(requirement, study, lossy, evaluations)
    ]
    if not held:
        return []
    verb = "is" if len(held) == 1 else "are"
    return [f"Because of censored readings {sentence_list(held)} {verb} at best not shown. {_WAYS_OUT}"]


def _places(
    requirement: Requirement,
    study: Study,
    lossy: Mapping[str, ExperimentData],
    evaluations: Mapping[str, Evaluation],
) -> Iterator[At]:
    """The places of a requirement whose quantity lacks censored readings, or is not there since all are censored."""
    info = find_key(requirement.quantity)
    chapter = requirement.quantity.partition(".")[0]
    if info is None or chapter not in evaluations:
        return
    key = info.pair[0] if info.pair else info.key
    censored = {q.at: q.censored for q in evaluations[chapter].judged if q.key == key}
    data = lossy.get(characteristics()[chapter].experiment)
    lost = _levels(data) if data is not None and info.at == "level" else set()
    if requirement.at is not None:
        places: list[At] = [float(requirement.at) if isinstance(requirement.at, int | float) else requirement.at]
    else:
        low, high = study.plan.study.range
        every = [*censored, *sorted(lost - set(censored))]
        places = [at for at in every if info.at != "level" or not isinstance(at, float) or low <= at <= high] or [None]
    for at in places:
        nothing_left = data is not None and evaluations[chapter].missing != ""
        if censored.get(at, 1 if nothing_left or at in lost else 0):
            yield at


def _levels(data: ExperimentData) -> set[float]:
    """The levels of the censored readings."""
    levels = (decimal(reading.values.get("level", "")) for reading in data.censored)
    return {float(level) for level in levels if level is not None}
