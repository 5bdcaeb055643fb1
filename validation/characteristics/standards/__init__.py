"""Standards: the assigned value of each lot from its weighings, its uncertainty, and the chain that it hangs on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics.standards.budgets import (
    alike_budgets,
    budget_tables,
    lot_budget,
    methods_table,
    shared_table,
)
from validation.characteristics.standards.chain import chains_of, links_table
from validation.characteristics.standards.keeping import keeping
from validation.characteristics.standards.records import facts_tables, open_days, without_evidence
from validation.characteristics.standards.sentences import chain_words, method_words, summary, value_words
from validation.figures.standards import StandardsView
from validation.stats.estimate import Estimate
from validation.study.lot_record import LotRecord
from validation.study.lot_values import LotValue, lot_value
from validation.study.model import Study
from validation.study.quantity import Display, Evaluation, Quantity

NAME = "standards"
MISSING = (
    "No lot record is there: name one in the plan's standards, such as lot_record: standards/S-01.yaml, with the "
    "masses, the balances and their certificates."
)


def evaluate(study: Study, stability: Evaluation) -> Evaluation:
    """Assigned value, uncertainty and chain of every lot whose record the plan names."""
    records = tuple(study.lot_records.values())
    if not records:
        return Evaluation(NAME, missing=MISSING)
    values = [lot_value(record, confidence=study.confidence) for record in records]
    chains = chains_of(values, study)
    quantities = [
        q
        for value, chain in zip(values, chains, strict=True)
        for q in _quantities(value, study, (*value.notes, *chain.sentences))
    ]
    names = [str(item.get("name")) for item in study.plan.standards]
    notes = [sentence for chain in chains for sentence in chain.sentences]
    notes += [f"Standard {name} has no lot record." for name in names if name not in study.lot_records]

    def show() -> Display:
        drawn = [lot_value(record, confidence=study.confidence, draw=True) for record in records]
        budgets = {value.record.lot: lot_budget(value) for value in drawn}
        alike = tuple(tuple(budgets[value.record.lot] for value in group) for group in alike_budgets(drawn))
        kept, older = keeping(records, study, stability)
        sentences = (*kept, *older, *without_evidence(records))
        return Display(
            notes=sentences,
            tables=(
                *facts_tables(records),
                *budget_tables(drawn),
                methods_table(drawn),
                *shared_table(drawn),
                links_table(chains),
            ),
            page_one=tuple(older),
            view=StandardsView(tuple(budgets.values()), alike, chains, sentences),
        )

    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), show=show)


def _quantities(value: LotValue, study: Study, notes: Sequence[str]) -> list[Quantity]:
    """The assigned value with its interval, and numbers about it that have none."""
    assigned, propagated = value.result.estimate, value.result.propagated
    numbers = {
        "standard_uncertainty": (propagated.combined, study.unit),
        "expanded_uncertainty": (propagated.expanded, study.unit),
        "relative_uncertainty": (propagated.combined / propagated.value, "1"),
    }
    quantities = [_quantity(value.record, study, "mass_fraction", assigned.with_notes(*notes), study.unit)]
    for key, (number, unit) in numbers.items():
        estimate = replace(assigned, value=number, distribution=None, standard_uncertainty=None)
        quantities.append(_quantity(value.record, study, key, estimate, unit))
    days, count = open_days(value.record), assigned.n
    if days is not None:
        opened = Estimate(float(days), n=count, units=count, source="dates of the lot record")
        quantities.append(_quantity(value.record, study, "fuel_open", opened, "day"))
    return quantities


def _quantity(record: LotRecord, study: Study, key: str, estimate: Estimate, unit: str) -> Quantity:
    return Quantity(
        key=f"{NAME}.{key}",
        at=record.lot,
        estimate=estimate,
        level=study.confidence,
        unit=unit,
        worksheet=record.file,
        unit_name="weighings",
    )


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What the chapter shows, in sentences."""
    view: StandardsView = evaluation.display.view
    values = [sentence for group in view.alike for sentence in value_words(group, unit)]
    first = summary(view.lots, view.chains, unit)
    return [first, *values, *chain_words(view.chains), *method_words(view.lots), *view.sentences]


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Standards and their traceability",
    position=160,
    experiment="",
    depends_on=("stability",),
    method=(
        "Each lot has a record of what was weighed. Its assigned value is the mass of fuel times its purity over the "
        "mass of everything; the impurity stays in the denominator, for it is mass all the same.",
        "Both masses are corrected for air buoyancy where the densities are stated. Fuel lost while weighing lies "
        "between nothing and its largest value: the assigned value is corrected for the mean of that, and its width "
        "enters the uncertainty. Homogeneity and the loss in use are relative terms without correction.",
        "The uncertainty is combined by the law of propagation and, beside it, by Monte Carlo with a fixed seed; where "
        "the two differ, the reason is given.",
        "The chain runs from the kilogram through the certificate of each balance and the weighings to the lot; the "
        "identity of the fuel is its second branch. A link without evidence is drawn open.",
        "How long a lot may be used, sealed and opened, is stated in its record; it is held against what the stability "
        "experiment of this study shows and against the ages at which the lot was read. That refuses nothing.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.mass_fraction",
            "assigned value of the lot",
            "w",
            "w = m_f (1 - l) P / (m_f (1 - l) + m_o); masses corrected for buoyancy, l the mean loss while weighing",
            "JCGM 100:2008, 5.1.2; pattern of Eurachem/CITAC CG 4 (QUAM:2012), example A1",
            "label",
            "study",
            ("equivalence",),
            None,
            ("Eurachem/CITAC CG 4 (QUAM:2012), example A1: value, u and U of a calibration standard",),
        ),
        KeyInfo(
            f"{NAME}.standard_uncertainty",
            "standard uncertainty of the assigned value",
            "u(w)",
            "u(w)^2 = sum(c_i^2 u_i^2)",
            "JCGM 100:2008, 5.1.2; JCGM 101:2008, 7, beside it",
            "label",
            "study",
            ("point",),
            None,
            ("Eurachem/CITAC CG 4 (QUAM:2012), example A1", "closed form of the derivatives of w"),
        ),
        KeyInfo(
            f"{NAME}.expanded_uncertainty",
            "expanded uncertainty of the assigned value at the confidence of the plan",
            "U",
            "U = k u(w)",
            "JCGM 100:2008, 6.2.1 and G.6.4",
            "label",
            "study",
            ("point",),
            None,
            ("Eurachem/CITAC CG 4 (QUAM:2012), example A1, with k = 2",),
        ),
        KeyInfo(
            f"{NAME}.relative_uncertainty",
            "standard uncertainty as a share of the assigned value",
            "u(w)/w",
            "u(w) / w",
            "JCGM 100:2008, 5.1.6",
            "label",
            "1",
            ("point",),
        ),
        KeyInfo(
            f"{NAME}.fuel_open",
            "days that the can of fuel had been open when the lot was made",
            "d",
            "d = day of making minus day of opening",
            "dates of the lot record",
            "label",
            "day",
            ("point",),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("traceability_chain", "budget_bars"),
)
