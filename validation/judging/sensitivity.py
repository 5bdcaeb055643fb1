"""Every requirement decided again: as written, without a flagged reading, without a run, by other methods.

A verdict that changes in any of these variants is fragile. Nothing here enters a reported number.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil, isclose
from typing import Literal

from validation.characteristics.registry import characteristics
from validation.faults import StudyDataError
from validation.judging.outcomes import Judgement, evaluate, judge_study
from validation.judging.requirements import BY_PERFORMANCE, RequirementResult
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.ordering import natural_order
from validation.study.quantity import At, Evaluation, Quantity
from validation.study.variant import without, without_runs
from validation.words import counted

Kind = Literal["reading", "run", "method", "definition", "not made"]
#: Looks at readings, and at the runs of one worksheet. Of more runs, neighbours are left out together; further readings
#: are not looked at. Each look evaluates the study again, so that many would cost the square of the readings.
MOST_LOOKS = 50


@dataclass(frozen=True, slots=True)
class Variant:
    """The study judged again with one choice changed.

    `moved` pairs each row that changes, as reported and in the variant; `span` is the working range it would leave;
    `failed` says why it could not be computed; `together` is how many runs are left out at once.
    """

    title: str
    kind: Kind
    moved: tuple[tuple[RequirementResult, RequirementResult], ...] = ()
    span: tuple[float, float] | None = None
    failed: str = ""
    together: int = 1

    @property
    def flipped(self) -> tuple[tuple[RequirementResult, RequirementResult], ...]:
        """The rows whose outcome changes, not only their number."""
        return tuple((a, b) for a, b in self.moved if a.settled != b.settled)


def variants(study: Study, evaluations: Mapping[str, Evaluation], judgement: Judgement) -> list[Variant]:
    """Judge the study in every other way: readings in the order of the register, then runs, methods, definitions."""
    if not judgement.requirements:
        return []
    readings = _readings(study, judgement)
    varied = [
        _of_study(title, "reading", other(), study, evaluations, judgement) for title, other in readings[:MOST_LOOKS]
    ]
    if len(readings) > MOST_LOOKS:
        title = counted(len(readings) - MOST_LOOKS, "further amended or flagged reading")
        varied.append(Variant(title, "not made", failed=f"Only the first {MOST_LOOKS} are looked at one by one."))
    for title, runs, other in _runs(study, judgement):
        look = _of_study(title, "run", other, study, evaluations, judgement)
        varied.append(replace(look, together=len(runs)))
    return [*varied, *_methods(study, evaluations, judgement), *_definitions(study, evaluations, judgement)]


def mark_fragile(judgement: Judgement, variants: Sequence[Variant]) -> Judgement:
    """The judgement with each verdict marked that changes in some variant."""
    changes: dict[tuple[str, At], list[str]] = {}
    for variant in variants:
        for before, after in variant.flipped:
            changes.setdefault((before.id, before.at), []).append(f"{variant.title}: {after.settled}")
    rows = tuple(replace(row, fragile=tuple(changes.get((row.id, row.at), ()))) for row in judgement.requirements)
    return replace(judgement, requirements=rows)


# ------------------------------------------------------------------------------------------------ other readings


def _readings(study: Study, judgement: Judgement) -> list[tuple[str, Callable[[], Study | str]]]:
    """Each amended reading as it was before, then each flagged one left out: a title, and what reads the study so."""
    flagged = dict.fromkeys(flag.reading for flag in judgement.flags if flag.kept)
    return [
        *((title, partial(_without_amendments, study, numbers)) for title, numbers in _amended(study.amendments)),
        *((f"{name}: left out", partial(without, study, name)) for name in flagged),
    ]


def _amended(amendments: Sequence[Mapping[str, str]]) -> Iterator[tuple[str, set[int]]]:
    """For each amendment in force, what is left out to judge without it: a title, and the numbers of the amendments.

    A later correction of the same cell quotes what the earlier one made, so it goes with it. An exclusion that
    was taken back has no effect.
    """
    for position, entry in enumerate(amendments):
        name, column, old = entry["reading"], entry["column"], entry["old"]
        later = [other for other in amendments[position + 1 :] if other["reading"] == name]
        if entry["kind"] == "correction":
            again = [other for other in later if other["kind"] == "correction" and other["column"] == column]
            first = not any(e["reading"] == name and e["column"] == column for e in amendments[:position])
            before = "as written" if first else f"before amendment {entry['number']}"
            numbers = {int(other["number"]) for other in (entry, *again)}
            yield f"{name}: {column} {before}, {old or 'empty'}", numbers
        elif entry["kind"] == "exclusion" and not any(other["kind"] == "reinstatement" for other in later):
            yield f"{name}: put back", {int(entry["number"])}


def _without_amendments(study: Study, numbers: set[int]) -> Study | str:
    """The study without these amendments, or why it cannot be read so: the amended cell held no number, for one.

    The experiments that they do not touch stay the same objects.
    """
    try:
        other = load_study(study.folder, draft=study.draft, left_out=numbers)
    except StudyDataError as error:
        more = f" (and {len(error.faults) - 1} more)" if len(error.faults) > 1 else ""
        return f"{error.faults[0].reason}{more}"
    same = {name: data for name, data in study.experiments.items() if data.readings == other.experiments[name].readings}
    return replace(other, experiments={**other.experiments, **same})


def _runs(study: Study, judgement: Judgement) -> Iterator[tuple[str, Sequence[str], Study]]:
    """Each run left out, of the experiments that a requirement uses; of two runs none can be spared.

    A title, the runs, and the study without them.
    """
    wanted = {item.experiment for item in characteristics().values() if item.name in _asked(judgement)}
    for name in study.experiments:
        data = study.ready(name)
        if name not in wanted or data is None or "run" not in data.table:
            continue
        runs = sorted(set(data.table["run"]) - {""}, key=natural_order)
        together = ceil(len(runs) / MOST_LOOKS)
        for first in range(0, len(runs), together) if len(runs) > 2 else ():
            some = runs[first : first + together]
            which = f"run {some[0]}" if len(some) == 1 else f"runs {some[0]} to {some[-1]}"
            yield f"{which} of {name} left out", some, without_runs(study, name, some)


def _asked(judgement: Judgement) -> set[str]:
    """The characteristics that a requirement uses: no other can change a verdict."""
    return {row.quantity.partition(".")[0] for row in judgement.requirements}


def _touched(experiments: Collection[str]) -> set[str]:
    """The characteristics that these experiments feed, whether directly or through one that they depend on."""
    touched: set[str] = set()
    for item in characteristics().values():  # in dossier order: what a chapter depends on comes before it
        if {item.experiment, *item.also_reads} & set(experiments) or touched & set(item.depends_on):
            touched.add(item.name)
    return touched


def _of_study(
    title: str,
    kind: Kind,
    other: Study | str,
    study: Study,
    evaluations: Mapping[str, Evaluation],
    judgement: Judgement,
) -> Variant:
    if isinstance(other, str):
        return Variant(title, kind, failed=f"It cannot be computed: {other}")
    touched = _touched({name for name, data in study.experiments.items() if data is not other.experiments[name]})
    asked = _asked(judgement) & set(evaluations)
    same = {name: evaluation for name, evaluation in evaluations.items() if name not in touched}
    try:
        fresh = evaluate(other, only=[name for name in evaluations if name in asked & touched], known=same)
        return _compared(title, kind, judge_study(other, {**evaluations, **fresh}, order=judgement.order), judgement)
    except (ValueError, ArithmeticError) as error:
        return Variant(title, kind, failed=f"It cannot be computed: {error}")


# ------------------------------------------------------------------------------------- other methods and definitions


def _methods(study: Study, evaluations: Mapping[str, Evaluation], judgement: Judgement) -> Iterator[Variant]:
    """What each characteristic offers in addition to its own method: robust, weighted."""
    for item in characteristics().values():
        if item.alternatives is None or item.name not in evaluations or evaluations[item.name].missing:
            continue
        for title, quantities in item.alternatives(study).items():
            yield _with(title, "method", quantities, study, evaluations, judgement)


def _definitions(study: Study, evaluations: Mapping[str, Evaluation], judgement: Judgement) -> Iterator[Variant]:
    """A requirement on a limit of detection, decided under every other definition in the dossier."""
    rows = [row for row in judgement.requirements if row.quantity.startswith("detection.") and row.at != BY_PERFORMANCE]
    for at in dict.fromkeys(row.at for row in rows):
        keys = {row.quantity for row in rows if row.at == at}
        offered = [q for q in evaluations["detection"].judged if q.key in keys and q.at != at]
        for place in dict.fromkeys(q.at for q in offered):
            instead = [replace(q, at=at) for q in offered if q.at == place]
            yield _with(f"{place} instead of {at}", "definition", instead, study, evaluations, judgement)


def _with(
    title: str,
    kind: Kind,
    instead: Sequence[Quantity],
    study: Study,
    evaluations: Mapping[str, Evaluation],
    judgement: Judgement,
) -> Variant:
    """The study judged with some of its quantities replaced."""
    by_place = {(q.key, q.at): q for q in instead}
    changed = {
        name: replace(e, judged=tuple(by_place.get((q.key, q.at), q) for q in e.judged))
        for name, e in evaluations.items()
    }
    return _compared(title, kind, judge_study(study, changed, order=judgement.order), judgement)


def _compared(title: str, kind: Kind, again: Judgement, judgement: Judgement) -> Variant:
    by_place = {(row.id, row.at): row for row in again.requirements}
    pairs = [(row, by_place[row.id, row.at]) for row in judgement.requirements if (row.id, row.at) in by_place]
    moved = tuple((a, b) for a, b in pairs if a.settled != b.settled or not _same(a.observed, b.observed))
    return Variant(title, kind, moved, again.conclusion.range)


def _same(a: float | None, b: float | None) -> bool:
    return a == b if a is None or b is None else isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)
