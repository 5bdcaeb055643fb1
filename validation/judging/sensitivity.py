"""Every requirement decided again with each amended reading as written and without each flagged one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import isclose

from validation.characteristics import characteristics
from validation.judging.outcomes import Judgement, evaluate, judge_study
from validation.judging.requirements import RequirementResult
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.study.variant import without


@dataclass(frozen=True, slots=True)
class Variant:
    """One reading looked at otherwise; `moved` pairs each row that changes, as reported and otherwise."""

    title: str
    reading: str
    moved: tuple[tuple[RequirementResult, RequirementResult], ...]
    failed: str = ""


def variants(study: Study, evaluations: Mapping[str, Evaluation], judgement: Judgement) -> list[Variant]:
    """Recompute for each correction, exclusion and flagged reading, in the order of the register."""
    if not judgement.requirements:
        return []
    looked: list[tuple[str, str, Study]] = []
    for entry in study.amendments:
        name, column, old = entry["reading"], entry["column"], entry["old"]
        if entry["kind"] in ("correction", "exclusion"):
            what = f"{column} as written, {old}" if entry["kind"] == "correction" else "put back"
            looked.append((f"{name}: {what}", name, _without_amendment(study, int(entry["number"]))))
    flagged = dict.fromkeys(flag.reading for flag in judgement.flags if flag.kept)
    looked += [(f"{name}: left out", name, without(study, name)) for name in flagged]
    return [_variant(title, name, other, study, evaluations, judgement) for title, name, other in looked]


def _without_amendment(study: Study, number: int) -> Study:
    """The study without one amendment; the experiments it does not touch stay the same objects."""
    other = load_study(study.folder, draft=study.draft, left_out={number})
    same = {name: data for name, data in study.experiments.items() if data.readings == other.experiments[name].readings}
    return replace(other, experiments={**other.experiments, **same})


def _variant(
    title: str, reading: str, other: Study, study: Study, evaluations: Mapping[str, Evaluation], judgement: Judgement
) -> Variant:
    touched = {name for name, data in study.experiments.items() if data is not other.experiments[name]}
    # The limits of detection that need a line read the calibration worksheet as well as their own.
    also = {"detection"} if "calibration" in touched else set()
    names = [item.name for item in characteristics().values() if item.experiment in touched or item.name in also]
    try:
        again = judge_study(other, {**evaluations, **evaluate(other, only=names)})
    except (ValueError, ArithmeticError) as error:
        return Variant(title, reading, (), f"It cannot be computed: {error}")
    return Variant(title, reading, _moved(judgement.requirements, again.requirements))


def _moved(
    before: Sequence[RequirementResult], after: Sequence[RequirementResult]
) -> tuple[tuple[RequirementResult, RequirementResult], ...]:
    by_place = {(row.id, row.at): row for row in after}
    pairs = [(row, by_place[row.id, row.at]) for row in before if (row.id, row.at) in by_place]
    return tuple((a, b) for a, b in pairs if a.settled != b.settled or not _same(a.observed, b.observed))


def _same(a: float | None, b: float | None) -> bool:
    return a == b if a is None or b is None else isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)
