"""What the numbers rest on: standards, calibration, detection, reference method, uncertainty, decision, next lot."""

from __future__ import annotations

from collections.abc import Iterable

from validation.audit.evidence import (
    FITNESS,
    MEANS,
    NOT_EVALUATED,
    STATEMENTS,
    VERDICTS,
    AuditRecord,
    Finding,
    Missing,
    chapter,
    either,
    raw_sheet,
    unless,
)
from validation.audit.standing import ended, some
from validation.judging.requirements import RequirementResult
from validation.study.lot_record import Preparation
from validation.study.quantity import Quantity
from validation.words import counted, level_text, sentence_list, significant, with_interval


def independent_standard(record: AuditRecord) -> Finding:
    """Whether the blends of the bias rest on the standard that calibrates."""
    budget, data = record.plan.uncertainty, record.study.ready("precision")
    stated = None if budget is None else budget.reference
    words = {
        "independent": "By the plan the reference values of the bias do not rest on the routine standard.",
        "standard": "By the plan the reference values rest on the routine standard, whose uncertainty counts beside.",
    }
    facts = [words[stated]] if stated else []
    made = [item.preparation for item in record.study.lot_records.values()]
    facts += [f"Routine standard {one.lot}: {_mixed(one)}." for one in made if one.lot == record.plan.lots.in_use]
    table = None if data is None else data.table
    valued = table is not None and "assigned" in table
    facts += (
        [f"{counted(len(table), 'reading')} with a reference value of their own."]
        if table is not None and valued
        else []
    )
    missing = [
        unless(stated, "Whether the blends rest on the standard: not stated.", "uncertainty.reference"),
        unless(made, "No lot record of the standard is there.", "standards.lot_record"),
        unless(valued, "The blends have no reference values of their own.", "column assigned of precision"),
        unless(
            table is not None and "u_level" in table,
            "The uncertainty of their reference values: not stated.",
            "column u_level of precision",
        ),
    ]
    return either(facts if stated else [], missing, chapter("standards"), chapter("trueness"), MEANS)


def _mixed(made: Preparation) -> str:
    opened = f", opened {made.fuel.opened}" if made.fuel.opened else ""
    batch = f" {made.fuel.batch}" if made.fuel.batch else ""
    return f"made {made.made} by {made.maker}, checked by {made.checker}, fuel {made.fuel.name}{batch}{opened}"


def one_point(record: AuditRecord) -> Finding:
    """Why one point may calibrate the range."""
    values = [one for one in record.values("calibration.single_point_bias") if isinstance(one.at, float)]
    rows = record.rows("calibration.single_point_bias")
    if not values:
        text = "The bias of one-point calibration was not measured."
        return either([], [Missing(text, "experiments.calibration")], NOT_EVALUATED)
    facts = [f"The bias of one-point calibration was measured at {some(level_text(one.at) for one in values)}."]
    facts += list(_outcomes(rows))
    span = record.judgement.conclusion.range
    failed = [row.at for row in rows if row.outcome != "met" and isinstance(row.at, float)]
    inside = [level_text(at) for at in failed if span is not None and span[0] <= at <= span[1]]
    missing = [
        unless(rows, "The plan sets no limit on it.", "requirements: calibration.single_point_bias"),
        unless(not inside, f"Inside the proposed range, not met: {some(inside)}.", "requirements"),
    ]
    return either(facts, missing, chapter("calibration"), VERDICTS)


def _outcomes(rows: Iterable[RequirementResult]) -> list[str]:
    """ "Met at 0.5 and 1. Not shown at 10." """
    by: dict[str, list[str]] = {}
    for row in rows:
        by.setdefault(row.outcome, []).append(level_text(row.at) or row.id)
    return [f"{outcome.capitalize()} at {some(places)}." for outcome, places in by.items()]


def detection(record: AuditRecord) -> Finding:
    """In which matrix the limit of detection stands, and whether spikes challenged it."""
    data, values = record.study.ready("detection"), record.values("detection.detection_limit")
    if data is None or not values:
        return either([], [Missing("No limit of detection was measured.", "experiments.detection")], NOT_EVALUATED)
    table = data.table
    blanks = table if "level" not in table else table[table["level"] == 0]
    kinds = blanks["matrix"].value_counts(sort=False) if "matrix" in blanks else None
    facts = [] if kinds is None else [f"Blanks: {some(f'{count} of {name}' for name, count in kinds.items())}."]
    main = data.settings.get("matrix")
    facts += [f"Main matrix: {main}."] if main else []
    facts.append(f"{counted(len(values), 'definition')} side by side.")
    facts += _spiked(record)
    missing = [
        unless(main or kinds is not None, "In which matrix: not stated.", "experiments.detection.matrix"),
        unless(len(blanks) < len(table), "It was not challenged with spikes.", "column level of detection"),
    ]
    return either(facts, missing, chapter("detection"), raw_sheet(data))


def _spiked(record: AuditRecord) -> list[str]:
    """How many spiked readings lie above the critical value of the first definition."""
    data, critical = record.study.ready("detection"), record.values("detection.critical_value")
    if data is None or "level" not in data.table or not data.numeric_levels:
        return []
    spikes = data.table[data.table["level"] > 0]
    if spikes.empty:
        return []
    levels = some(level_text(level) for level in sorted(spikes["level"].unique()))
    text = f"{counted(len(spikes), 'spike')} at {levels} {record.study.unit}"
    wanted = record.rows("detection.detection_limit")
    named = next((one for one in critical if any(row.at == one.at for row in wanted)), None) or next(
        iter(critical), None
    )
    if named is None:
        return [f"{text}."]
    above = int((spikes["result"] > named.value).sum())
    return [f"{text}, {above} of them above the critical value of {named.at}, {significant(named.value)}."]


def reference_method(record: AuditRecord) -> Finding:
    """Whether the reference method is traceable, and its own uncertainty."""
    stated = record.stated.reference_method
    if "comparison" not in record.plan.experiments and stated is None:
        reason = record.plan.not_evaluated.get("comparison", "")
        facts = [f"No reference method is used: {ended(reason)}"] if reason else []
        unexplained = unless(reason, "No reference method is used, without a reason.", "not_evaluated.comparison")
        return either(facts, [unexplained], NOT_EVALUATED)
    if stated is None:
        text = "Traceability and uncertainty of the reference method: not stated."
        return either([], [Missing(text, "audit.reference_method")], STATEMENTS)
    facts = [f"Method: {ended(stated.name)}"]
    facts += [f"Traceable to: {ended(stated.traceable_to)}"] if stated.traceable_to else []
    facts += [f"Its own uncertainty: {ended(stated.uncertainty)}"] if stated.uncertainty else []
    facts += [f"Shown in {ended(stated.record)}"] if stated.record else []
    missing = [
        unless(stated.traceable_to, "What it is traceable to: not stated.", "audit.reference_method.traceable_to"),
        unless(stated.uncertainty, "Its own uncertainty: not stated.", "audit.reference_method.uncertainty"),
        unless(stated.record, "Where that is shown: not stated.", "audit.reference_method.record"),
    ]
    return either(facts, missing, STATEMENTS, chapter("comparison"))


def volatility(record: AuditRecord) -> Finding:
    """How the loss of fuel from the standard is bounded: while weighing, in use, in store."""
    made = [item.preparation for item in record.study.lot_records.values()]
    lots: dict[str, list[str]] = {}
    missing: list[Missing] = []
    for one in made:
        parts, bare = _losses(one)
        lots.setdefault("; ".join(parts), []).append(one.lot)
        missing += [Missing(f"{one.lot}, {name}: not stated.", f"standards/*.yaml: {key}") for name, key in bare]
    facts = [f"{sentence_list(names)}: {text}." for text, names in lots.items() if text]
    rows = record.rows("stability.change")
    read = record.values("stability.change")
    facts += [f"Change over time, {row.at}: {row.outcome} ({row.id})." for row in rows]
    facts += [] if rows else [f"Change over time, {one.at}: {_value(one)}." for one in read]
    missing += [] if made else [Missing("No lot record states a loss.", "standards.lot_record")]
    missing += [] if read else [Missing("Stability was not measured.", "experiments.stability")]
    return either(facts, missing, chapter("standards"), chapter("stability") if read else NOT_EVALUATED)


def _losses(made: Preparation) -> tuple[list[str], list[tuple[str, str]]]:
    """What the record of a lot says of its losses, and what it does not say."""
    parts, bare = [], []
    weighing, use = made.loss_while_weighing, made.in_use_loss
    if weighing is not None and (weighing.negligible_because or weighing.most is not None):
        size = weighing.negligible_because or f"at most {100 * (weighing.most or 0):.2g} % of the fuel"
        parts.append(f"while weighing, {size}{f' ({weighing.evidence})' if weighing.evidence else ''}")
    else:
        bare.append(("loss while weighing", "loss_while_weighing"))
    if use is not None and (use.negligible_because or use.u is not None):
        size = use.negligible_because or f"u {100 * (use.u or 0):.2g} %"
        parts.append(f"in use, {size}{f' ({use.evidence})' if use.evidence else ''}")
    else:
        bare.append(("loss in use", "in_use_loss"))
    return parts, bare


def _value(one: Quantity) -> str:
    value, span = with_interval(one.value, one.interval)
    return f"{value} ({span})" if span else value


def fuel_in_budget(record: AuditRecord) -> Finding:
    """Where the variability of the fuel stands in the uncertainty."""
    budget = record.plan.uncertainty
    own = [] if budget is None else [item for item in budget.components if item.question == "fuel"]
    facts = []
    for item in own:
        size = item.reason or str(item.size or item.half_width or item.taken_from)
        facts.append(f"Component {item.name}: {size}{f'. {ended(item.origin)}' if item.origin else '.'}")
    spread = next(iter(record.values("fuel.spread")), None)
    facts += [f"Spread of the response over the fuels of this study: {_value(spread)}."] if spread and own else []
    unshown = [item.name for item in own if item.reason is None and item.taken_from is None and not item.origin]
    missing = [
        unless(own, "No component of the budget answers for the fuel.", "uncertainty.components"),
        unless(not unshown, f"Without origin: {some(unshown)}.", "uncertainty.components.origin"),
    ]
    return either(facts, missing, chapter("uncertainty"), *([chapter("fuel")] if spread else []))


def two_budgets(record: AuditRecord) -> Finding:
    """Top-down against bottom-up, and what lies between them."""
    ratios, wide = record.values("uncertainty.agreement"), record.values("uncertainty.expanded")
    if not wide:
        return either([], [Missing("There is no uncertainty.", "uncertainty.components")], NOT_EVALUATED)
    limits = record.plan.study.customer_limits
    shown = [one for one in ratios if one.at in limits] or ratios
    facts = [
        f"At {level_text(one.at)} {record.study.unit} the bottom-up budget gives {100 * one.value:.0f} % of the "
        "top-down one."
        for one in shown[:3]
    ]
    alone = [one for one in ratios if one.interval is not None and not one.interval[0] <= 1 <= one.interval[1]]
    gaps = some(level_text(one.at) for one in alone)
    facts += (
        [f"The two differ by more than their interval at {gaps}; the map of components names what is in one."]
        if (alone)
        else []
    )
    missing = unless(ratios, "There is no bottom-up budget to set beside.", "uncertainty.components")
    return either(facts, [missing], chapter("uncertainty"))


def decision(record: AuditRecord) -> Finding:
    """Which risk the decision rule carries, and whether the customer agreed."""
    rule = record.plan.decision
    if rule is None:
        return either([], [Missing("There is no decision rule.", "decision")], NOT_EVALUATED)
    facts = [
        f"Rule: {rule.rule}, {'guard band U' if rule.guard else f'one-sided risk {100 * rule.one_sided_risk:g} %'}."
    ]
    facts += [
        f"{words} at {level_text(one.at)} {record.study.unit}: {100 * one.value:.2g} % of results."
        for key, words in (("decision.false_clearance", "Wrongly cleared"),)
        for one in record.values(key)
    ]
    agreed = f"{rule.agreed_with}{f', on {rule.agreed_on}' if rule.agreed_on else ''}"
    facts += [f"Agreed with {agreed}."] if rule.agreed_with else []
    missing = [
        unless(rule.agreed_with, "Who agreed to it: not stated.", "decision.agreed_with"),
        unless(rule.agreed_on, "When it was agreed: not stated.", "decision.agreed_on"),
    ]
    return either(facts, missing, chapter("decision"), FITNESS)


def next_lot(record: AuditRecord) -> Finding:
    """What happens at the next lot of the standard."""
    stated, step = record.stated.next_lot, record.plan.lots.allowed_step
    facts = [ended(stated)] if stated else []
    facts += [f"Largest step between two lots: {step}."] if step is not None else []
    facts += [f"Lot {row.at}: {row.outcome} ({row.id})." for row in record.rows("lots.response_ratio")]
    missing = [
        unless(stated, "What happens at the next lot: not stated.", "audit.next_lot"),
        unless(step is not None, "The largest step between two lots: not stated.", "lots.allowed_step"),
    ]
    return either(facts, missing, STATEMENTS, chapter("lots"))


def proficiency(record: AuditRecord) -> Finding:
    """What proficiency tests said, and whether the laboratory looked back."""
    rounds = record.stated.proficiency
    facts = [
        f"{item.round}, {item.date}: {item.score}."
        + (f" Looked back: {ended(item.looked_back)}" if item.looked_back else "")
        for item in rounds
    ]
    silent = [item.round for item in rounds if not item.looked_back]
    missing = [
        unless(rounds, "No round of a proficiency test is stated.", "audit.proficiency"),
        unless(not silent, f"Whether results were looked at again: not stated for {some(silent)}.", "looked_back"),
    ]
    return either(facts, missing, STATEMENTS)
