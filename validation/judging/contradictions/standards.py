"""Standards: how old they were when read, and what is stated of their uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from functools import lru_cache
from math import floor

from validation.judging.contradictions.record import Basis, Contradiction, Place
from validation.judging.own_reference import own_references
from validation.study.experiments import EXPERIMENTS, chapter_words
from validation.study.model import ExperimentData
from validation.words import counted, sentence_list, significant

TOO_OLD = "standard older than stability shows"
BESIDE_RECORD = "stated uncertainty beside the lot record"
WITHOUT = "uncertainty not stated"
DEPENDENT = "bias against the standard itself"
#: Stated figures are rounded: what differs by less is no contradiction.
ROUNDING = 0.1


def aged_standards(basis: Basis) -> Iterator[Contradiction]:
    """A lot read at a greater age than stability shows in any state.

    Reason: every result of such a run leans on a value that nothing supports on that day.
    """
    shown = [(floor(q.value), str(q.at)) for q in basis.every("stability.expiry")]
    if not shown:
        return
    days, state = max(shown)
    for lot, record in basis.study.lot_records.items():
        made = record.preparation.made
        last = made + timedelta(days=days)
        late = {
            name: [use for use in _uses(data, lot) if use[1] > last]
            for name, data in basis.study.experiments.items()
            if name != "stability" and not EXPERIMENTS[name].traits.earlier
        }
        late = {name: uses for name, uses in late.items() if uses}
        if late:
            oldest = max(day for uses in late.values() for _, day in uses)
            runs = [f"{chapter_words(name)} ({counted(len({r for r, _ in u}), 'run')})" for name, u in late.items()]
            text = (
                f"Lot {lot} was read up to an age of {(oldest - made).days} days; stability ({state}) shows {days} "
                f"days. Made on {made}, read after {last}: {sentence_list(runs)}."
            )
            files = [Place(file=basis.study.experiments[name].worksheet) for name in late]
            places = (Place("stability.expiry", state), Place(file=record.file), *files)
            need = "To be supplied: stability over that age, or what shows that the lot held."
            yield Contradiction(TOO_OLD, text, need, "both", places)


def _uses(data: ExperimentData, lot: str) -> list[tuple[str, date]]:
    return _uses_by_lot(data).get(lot, [])


@lru_cache(maxsize=64)  # a verdict is judged again many times on the same worksheets
def _uses_by_lot(data: ExperimentData) -> dict[str, list[tuple[str, date]]]:
    """Run and day of the readings that count, by lot; each once."""
    uses: dict[str, dict[tuple[str, date], None]] = {}
    for reading in data.readings:
        lot = reading.values.get("lot", "")
        if lot and reading.time is not None and reading.status in ("used", "censored"):
            uses.setdefault(lot, {})[reading.values.get("run", ""), reading.time.date()] = None
    return {lot: list(pairs) for lot, pairs in uses.items()}


def stated_beside_record(basis: Basis) -> Iterator[Contradiction]:
    """A standard uncertainty in the plan that is not the one that the lot record gives.

    Reason: two numbers for one thing; which one a budget used must be stated.
    """
    unit = basis.study.unit
    apart: dict[tuple[str, str], list[str]] = {}
    smaller = False
    places: list[Place] = []
    for entry in basis.study.plan.standards:
        lot, stated = str(entry.get("name")), entry.get("uncertainty")
        computed = basis.quantity("standards.standard_uncertainty", lot)
        if computed is None or not isinstance(stated, int | float) or not _differ(float(stated), computed.value):
            continue
        smaller = smaller or stated < computed.value
        apart.setdefault((f"{stated:g} {unit}", f"{significant(computed.value, 2)} {unit}"), []).append(lot)
        places += [Place(plan=f"standards, {lot}, uncertainty"), Place("standards.standard_uncertainty", lot)]
    if apart:
        parts = [
            f"{says} for {sentence_list(lots)}, while {_give(lots)} {gives}" for (says, gives), lots in apart.items()
        ]
        text = f"The plan states a standard uncertainty of {'; '.join(parts)}."
        kind, need = "both" if smaller else "action", "To be decided: which of the two holds."
        yield Contradiction(BESIDE_RECORD, text, need, kind, tuple(places))  # type: ignore[arg-type]


def _give(lots: list[str]) -> str:
    return "its record gives" if len(lots) == 1 else "their records give"


def _differ(stated: float, computed: float) -> bool:
    return computed > 0 and abs(stated - computed) > ROUNDING * computed


def unstated_uncertainties(basis: Basis) -> Iterator[Contradiction]:
    """A standard, or the reference of a judged comparison or bias, without a stated uncertainty.

    Reason: a difference from a value says no more than the value itself is known to.
    """
    plan, asked = basis.study.plan, {row.quantity.partition(".")[0] for row in basis.rows}
    used = {lot for data in basis.study.experiments.values() for lot in _uses_by_lot(data)}
    for entry in plan.standards:
        lot = str(entry.get("name"))
        if lot in used and entry.get("uncertainty") is None and lot not in basis.study.lot_records:
            text = f"Standard {lot} was used; neither an uncertainty nor a lot record is stated for it."
            yield _without(text, Place(plan=f"standards, {lot}"))
    comparison = basis.study.ready("comparison")
    if comparison is not None and "comparison" in asked and "u" not in comparison.table:
        text = "Requirements on the comparison are judged; the reference results have no stated uncertainty (column u)."
        yield _without(text, Place(file=comparison.worksheet))
    precision = basis.study.ready("precision")
    bias = precision is not None and asked & {"trueness", "accuracy"} and "assigned" in precision.table
    if precision is not None and bias and "u_level" not in precision.table:
        text = "A bias is judged against assigned values; their uncertainty is not stated (column u_level)."
        yield _without(text, Place(file=precision.worksheet))


def _without(text: str, place: Place) -> Contradiction:
    return Contradiction(WITHOUT, text, "To be supplied: the standard uncertainty and its source.", "action", (place,))


def dependent_references(basis: Basis) -> Iterator[Contradiction]:
    """Reference values stated as independent, and readings of the bias on what also calibrates.

    Reason: the error of the standard cancels in such a bias, and the budget leaves it out as if it were in it.
    """
    budget, own = basis.study.plan.uncertainty, own_references(basis.study)
    if budget is None or budget.reference != "independent" or not own:
        return
    parts = sentence_list([f"{counted(len(readings), 'reading')} of {name}" for name, readings in own.items()])
    text = (
        "The plan states that the reference values of the bias do not rest on the routine standard; the precision "
        f"experiment reads what also calibrates: {parts}."
    )
    need = "To be decided: reference values of another weighing, or a budget with `reference: standard`."
    places = (Place(plan="uncertainty, reference"), Place(file=basis.study.experiments["precision"].worksheet))
    yield Contradiction(DEPENDENT, text, need, "both", places)
