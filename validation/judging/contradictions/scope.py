"""What was judged in one place and is used in another: matrix, grade, range, and limits that differ."""

from __future__ import annotations

from collections.abc import Iterator

from validation.judging.conclusion import in_plain_words
from validation.judging.contradictions.record import Basis, Contradiction, Place, size_text
from validation.judging.requirements import RequirementResult
from validation.study.experiments import EXPERIMENTS, chapter_words
from validation.study.model import ExperimentData
from validation.words import level_text, sentence_list

OTHER_MATRIX = "judged in another matrix than used"
ABOVE_LIMIT = "limit not kept in the matrix in use"
OTHER_GRADE = "read in another grade or fuel"
BEYOND_RANGE = "decision outside the proposed range"
TWO_LIMITS = "two limits for one quantity"


def other_matrix(basis: Basis) -> Iterator[Contradiction]:
    """A detection requirement judged in one matrix while results are reported for another (`study.matrix`).

    Reason: a blank of new oil lacks what used oil brings, and its limit flatters. Where the plan does not state the
    matrix in use, it is asked for only where the limit is not kept in another one that was read.
    """
    data = basis.study.ready("detection")
    if data is None or "matrix" not in data.table:
        return
    main = _main_matrix(data)
    read = [name for name in dict.fromkeys(data.table["matrix"].astype(str)) if name != main]
    in_use = basis.study.plan.study.matrix
    for row in basis.rows:
        if not row.quantity.startswith("detection.") or not isinstance(row.at, str) or row.observed is None:
            continue
        for name in [in_use] if in_use else read:
            if name is not None and name != main and not row.at.endswith(f", {name}"):
                yield from _in_matrix(row, main, name, basis, stated=in_use is not None)


def _main_matrix(data: ExperimentData) -> str:
    stated = data.settings.get("matrix")
    if stated:
        return str(stated)
    rows = data.table[data.table["level"] == 0] if data.numeric_levels else data.table
    return str((rows if len(rows) else data.table)["matrix"].iloc[0])


def _in_matrix(row: RequirementResult, main: str, name: str, basis: Basis, *, stated: bool) -> Iterator[Contradiction]:
    other = basis.quantity(row.quantity, f"{row.at}, {name}")
    if row.at == "by performance" or (other is None and not stated):
        return
    above = other is not None and row.limit is not None and other.value > row.limit
    judged = f"{row.id}, {in_plain_words(row.quantity)} ({row.at}), is judged in {main}"
    of_use = "results are reported for" if stated else "the worksheet also holds"
    places = [Place(row.quantity, row.at), Place(plan="study.matrix")]
    if other is None:
        text = f"{judged}; {of_use} {name}, in which it was not determined."
        need = f"To be supplied: readings of blanks of {name}."
        yield Contradiction(OTHER_MATRIX, text, need, "both", tuple(places))
        return
    places.append(Place(other.key, other.at))
    value = size_text(other.value, other.unit)
    if above:
        assert row.limit is not None
        text = f"{judged}; in {name} it is {value}, above its limit of {size_text(row.limit, other.unit)}."
        decide = "" if stated else "which matrix results are reported for (study.matrix), and "
        need = f"To be decided: {decide}which limit of detection is reported."
        yield Contradiction(ABOVE_LIMIT, text, need, "both", tuple(places))
    elif stated:
        text = f"{judged}; {of_use} {name}, in which it is {value}."
        need = "To be decided: the requirement at the matrix in use."
        yield Contradiction(OTHER_MATRIX, text, need, "action", tuple(places))


def other_grade(basis: Basis) -> Iterator[Contradiction]:
    """A worksheet whose readings are all of another grade or fuel than the study's.

    Reason: what it shows is shown for that grade or fuel. Comparisons of grades and fuels are left aside.
    """
    facts = basis.study.plan.study
    for name, data in basis.study.experiments.items():
        if EXPERIMENTS[name].compares is not None or basis.study.ready(name) is None:
            continue
        for column, own in (("grade", facts.grade), ("fuel", facts.fuel)):
            if own is None or column not in data.table:
                continue
            read = sorted(set(data.table[column].astype(str)) - {""})
            if read and own not in read:
                others = sentence_list(read)
                text = f"The readings of {chapter_words(name)} are of {others}; the {column} of the study is {own}."
                kind = "action" if EXPERIMENTS[name].traits.earlier else "both"
                need = f"To be decided: whether they may stand for {own}, and why."
                places = (Place(file=data.worksheet), Place(plan=f"study.{column}"))
                yield Contradiction(OTHER_GRADE, text, need, kind, places)  # type: ignore[arg-type]


def decision_beyond_range(basis: Basis) -> Iterator[Contradiction]:
    """A limit of the decision rule at which no result may be reported as a number.

    Reason: outside the range a result is "more than" or "less than" an end, and the rule cannot be applied to it.
    """
    if basis.range is None:
        return
    low, high = basis.range
    unit = basis.study.unit
    limits = [*basis.every("decision.acceptance_limit"), *basis.every("decision.rejection_limit")]
    for q in limits:
        if isinstance(q.at, float) and low <= q.at <= high and not low <= q.value <= high:
            what = q.key.partition(".")[2].replace("_", " ")
            end = f"ends at {level_text(high)}" if q.value > high else f"begins at {level_text(low)}"
            text = (
                f"The {what} of the decision rule at {level_text(q.at)} {unit} is {q.value:.3g} {unit}; the "
                f"range {end} {unit}, and no result beyond it is reported as a number."
            )
            need = "To be decided: the rule, or the range to be shown, with the customer."
            yield Contradiction(BEYOND_RANGE, text, need, "both", (Place(q.key, q.at), Place(plan="decision")))


def two_limits(basis: Basis) -> Iterator[Contradiction]:
    """Two requirements of one rule on one quantity at one place, with different limits.

    Reason: a result between the two meets one and fails the other, and the plan does not say which counts.
    """
    seen: dict[tuple[object, ...], RequirementResult] = {}
    pairs: dict[tuple[str, str], tuple[RequirementResult, RequirementResult]] = {}
    for row in basis.rows:
        key = (row.quantity, row.at, row.rule, row.target, row.content)
        first = seen.setdefault(key, row)
        if first is not row and first.limit != row.limit:
            pairs.setdefault((first.id, row.id), (first, row))
    for first, row in pairs.values():
        place = "" if first.at is None else f" at {level_text(first.at)}"
        text = (
            f"{first.id} and {row.id} set different limits for {in_plain_words(first.quantity)}{place}: "
            f"{first.limit:g} and {row.limit:g} {row.unit}."
        )
        places = (Place(first.quantity, first.at), Place(plan=f"requirements, {first.id} and {row.id}"))
        yield Contradiction(
            TWO_LIMITS, text.replace(" .", "."), "To be decided: which of the two holds.", "action", places
        )
