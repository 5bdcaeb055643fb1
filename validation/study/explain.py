"""The plan in sentences, so a person who never saw YAML can see whether it says what was meant."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from validation.study.columns import COLUMNS
from validation.study.experiments import EXPERIMENTS
from validation.study.model import ExperimentData, Study
from validation.study.plan import Plan, Requirement
from validation.words import counted, level_text, sentence_list

_OPTIONAL = {
    "procedure": "procedure",
    "intended_use": "intended use",
    "customer_limits": "customer limits",
    "trigger": "trigger",
    "time_zone": "time zone",
    "date_order": "order of written dates",
    "parent": "parent dossier",
}


def explain(study: Study, *, meanings: Mapping[str, str] | None = None) -> dict[str, list[str]]:
    """The study in sentences, under five headings.

    Parameters
    ----------
    study : as read
    meanings : what each key means, for the requirements; a key without one is named alone
    """
    plan = study.plan
    return {
        "Study": list(_facts(plan)),
        "Experiments": [_experiment(data) for data in study.experiments.values()],
        "Requirements": list(_requirements(plan, meanings or {})),
        "Standards, budget, decision rule": list(_budget_and_rule(study)),
        "Not stated, not evaluated": list(_gaps(plan)),
    }


def _facts(plan: Plan) -> Iterator[str]:
    facts = plan.study
    low, high = (level_text(end) for end in facts.range)
    yield f"{facts.id}: {facts.title}."
    yield f"Laboratory: {facts.laboratory}."
    yield f"What is measured: {facts.measurand}."
    yield f"Results are in {facts.unit}, from {low} to {high} {facts.unit}."
    if facts.customer_limits:
        limits = sentence_list([level_text(limit) for limit in facts.customer_limits])
        yield f"The customer's limits are {limits} {facts.unit}."
    for item in facts.settings:
        ends = level_text(item.low) if item.low == item.high else f"{level_text(item.low)} to {level_text(item.high)}"
        yield f"The procedure rests on {item.name}, {ends} {item.unit} ({item.kind}, {item.supported_by.text})."
    yield f"Intervals are two-sided at {_per_cent(plan.confidence)}."
    yield f"The chance to call a requirement met that is not, right at its limit, is {_alpha(plan)}."


def _per_cent(share: float) -> str:
    return f"{share * 100:.6g} %"


def _alpha(plan: Plan) -> str:
    return _per_cent(1 - plan.confidence)


def _experiment(data: ExperimentData) -> str:
    record = EXPERIMENTS[data.name]
    head = f"{data.name} ({data.worksheet}) serves {record.serves}: "
    rows = len(data.readings)
    if rows == 0:
        return head + "the worksheet has headings only and awaits readings."
    if data.awaiting:
        return head + f"{counted(rows, 'row')} prepared, no result yet; it awaits readings."
    parts = [counted(len(data.table), "reading")]
    for name, column in COLUMNS.items():
        if column.counted_as and name in record.columns.used and name in data.table:
            parts.append(counted(data.table[name].nunique(), column.counted_as))
    replicates = _replicates(data)
    left = [
        counted(number, f"{status} reading")
        for status in ("censored", "excluded", "empty")
        if (number := sum(reading.status == status for reading in data.readings))
    ]
    return head + sentence_list(parts) + replicates + (f"; left out: {sentence_list(left)}" if left else "") + "."


def _replicates(data: ExperimentData) -> str:
    """How many readings are in each cell of the design."""
    cells = [column for column in EXPERIMENTS[data.name].shape.cells if column in data.table]
    if not cells or data.table.empty:
        return ""
    sizes = data.table.groupby(cells, sort=False).size()
    low, high = int(sizes.min()), int(sizes.max())
    number = str(low) if low == high else f"{low} to {high}"
    return f", {number} a {' and '.join(cells)}"


def _requirements(plan: Plan, meanings: Mapping[str, str]) -> Iterator[str]:
    if not plan.requirements:
        yield "The plan sets no requirement: every quantity is computed, none is judged."
    for requirement in plan.requirements:
        yield requirement_in_words(requirement, plan, meanings.get(requirement.quantity, ""))


def requirement_in_words(requirement: Requirement, plan: Plan, meaning: str = "") -> str:
    """One requirement as a sentence."""
    unit = plan.study.unit
    what = requirement.quantity + (f" ({meaning})" if meaning else "")
    origin = f" Origin: {requirement.origin.rstrip('.')}." if requirement.origin else " Origin: not stated."
    return f"{requirement.id}: {_where(requirement, plan, unit)}, {_must(requirement, plan, what)}.{origin}"


def _where(requirement: Requirement, plan: Plan, unit: str) -> str:
    if requirement.at is None:
        low, high = (level_text(end) for end in plan.study.range)
        return f"at every level from {low} to {high} {unit} at which it exists"
    return f"at {level_text(requirement.at)}"


def _must(requirement: Requirement, plan: Plan, what: str) -> str:
    limit = str(requirement.limit)
    if requirement.limit.needs_level:
        limit += ", shares taken of the level,"
    two_sided, one_sided = _per_cent(2 * plan.confidence - 1), _per_cent(plan.confidence)
    if requirement.rule == "equivalence":
        about = level_text(requirement.target)
        return f"the {two_sided} interval of {what} must be inside ±{limit} about {about}".replace(",, ", ", ")
    if requirement.rule == "inside":
        share = _per_cent(requirement.content or plan.confidence)
        return f"at least {share} of single results must lie within ±{limit} with {one_sided} confidence ({what})"
    if requirement.rule == "upper bound":
        return f"the one-sided {one_sided} upper bound of {what} must not exceed {limit}".rstrip(",")
    if requirement.rule == "lower bound":
        return f"the one-sided {one_sided} lower bound of {what} must reach {limit}".rstrip(",")
    return f"the estimate of {what} must not exceed {limit}".rstrip(",")


def _budget_and_rule(study: Study) -> Iterator[str]:
    plan = study.plan
    for lot, record in study.lot_records.items():
        made = record.preparation
        expires = "" if made.expires is None else f", expires {made.expires}"
        yield f"Lot {lot} ({record.file}): made {made.made} by {made.maker}, checked by {made.checker}{expires}."
    for component in plan.uncertainty.components if plan.uncertainty is not None else ():
        size = component.reason or str(component.size or component.half_width or component.taken_from)
        place = (
            f"contained in {component.part_of}: counts in the bottom-up budget only"
            if component.part_of
            else "counts in both budgets"
            if component.reason is None
            else ""
        )
        yield f"Uncertainty, {component.name}: {size}{'; ' + place if place else ''}."
    if plan.decision is not None:
        rule = plan.decision
        guard = "guard band U" if rule.guard else f"one-sided risk {_per_cent(rule.one_sided_risk)}"
        agreed = f"agreed with {rule.agreed_with}" if rule.agreed_with else "no agreement stated"
        yield f"Decision rule: {rule.rule}, {guard}, {agreed}."


def _gaps(plan: Plan) -> Iterator[str]:
    missing = [words for name, words in _OPTIONAL.items() if not getattr(plan.study, name)]
    missing += [name for name in ("people", "equipment", "standards") if not getattr(plan, name)]
    if missing:
        yield f"Not stated: {', '.join(missing)}."
    absent = [
        item.words for name, item in EXPERIMENTS.items() if name not in plan.experiments and not item.traits.earlier
    ]
    if absent:
        yield f"Not planned: {', '.join(absent)}."
    for name, reason in plan.not_evaluated.items():
        yield f"Not evaluated: {name}, {'because: ' + reason if reason else 'no reason given'}."


def plan_changes(old: Plan, new: Plan) -> Iterator[str]:
    """What an edited plan changes, key by key; requirements by their identifiers."""
    before = {item.id: item for item in old.requirements}
    after = {item.id: item for item in new.requirements}
    for name in dict.fromkeys([*before, *after]):
        if name not in after:
            yield f"Requirement {name} is removed."
        elif name not in before:
            yield f"Requirement {name} is new. {requirement_in_words(after[name], new)}"
        elif before[name] != after[name]:
            yield f"Requirement {name} changes. {_members(before[name].model_dump(), after[name].model_dump())}"
    one, other = (
        plan.model_dump(exclude={"requirements"}, exclude_none=True, exclude_defaults=True) for plan in (old, new)
    )
    for key in dict.fromkeys([*one, *other]):
        before_, after_ = one.get(key), other.get(key)
        if before_ == after_:
            continue
        if isinstance(before_, dict) and isinstance(after_, dict):
            yield f"{key} changes: {_members(before_, after_)}"
        else:
            yield f"{key} changes."


def _members(old: Mapping[str, object], new: Mapping[str, object]) -> str:
    names = [name for name in dict.fromkeys([*old, *new]) if old.get(name) != new.get(name)]
    return "; ".join(f"{name}: {old.get(name)} becomes {new.get(name)}" for name in names) + "."
