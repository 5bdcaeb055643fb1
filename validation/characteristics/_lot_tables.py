"""Tables of the chapter on standards: what is alike for several lots stands once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from validation.stats.propagation import Part
from validation.study.lot_record import LotRecord, Weighing
from validation.study.lot_values import LotValue
from validation.study.quantity import Cell, Table
from validation.words import fixed, places_for, sentence_list, significant

NOT_STATED = "not stated"

# --------------------------------------------------------------------------------------------------------- records


def facts_tables(records: Sequence[LotRecord], open_days: Callable[[LotRecord], int | None]) -> list[Table]:
    """The lot records fact by fact: first what differs, lot by lot, then what is alike."""
    columns = [_facts(record, open_days(record)) for record in records]
    lots = [record.lot for record in records]
    rows = [(name, *(facts[name] or NOT_STATED for facts in columns)) for name in columns[0]]
    if len(records) == 1:
        return [Table("records", "Lot records", ("fact", *lots), tuple(rows))]
    own = tuple(row for row in rows if len(set(row[1:])) > 1)
    alike = tuple(row[:2] for row in rows if len(set(row[1:])) == 1)
    tables = (
        Table("records", "Lot records: what differs", ("fact", *lots), own),
        Table("records, alike", "Lot records: what is alike", ("fact", sentence_list(lots)), alike),
    )
    return [table for table in tables if table.rows]


def _facts(record: LotRecord, days: int | None) -> dict[str, str]:
    stated = record.preparation
    opened = "" if days is None else f"opened {stated.fuel.opened}, open for {days_text(days)}"
    loss, in_use, homogeneity = stated.loss_while_weighing, stated.in_use_loss, stated.homogeneity
    return {
        "made": f"{stated.made} by {stated.maker}, checked by {stated.checker}",
        "fuel": ", ".join(text for text in (stated.fuel.name, _named("batch", stated.fuel.batch), opened) if text),
        "purity of the fuel": f"{stated.fuel.purity:g}, u = {stated.fuel.u_purity:g}",
        "oil": ", ".join(text for text in (stated.oil.name, _named("batch", stated.oil.batch)) if text),
        "weighed, in order": "; ".join(_weighed(item) for item in stated.weighings),
        "balances": "; ".join(dict.fromkeys(_balance(item) for item in stated.weighings)),
        "vessel": stated.vessel or "",
        "temperature": stated.temperature or "",
        "capped": stated.cap_time or "",
        "mixing": stated.mixing or "",
        "loss while weighing": _size(
            loss, None if loss is None else loss.most, "at most ", f", {loss.shape}" if loss else ""
        ),
        "homogeneity": _size(homogeneity, None if homogeneity is None else homogeneity.u, "u = "),
        "loss in use": _size(in_use, None if in_use is None else in_use.u, "u = ", _use(in_use)),
        "storage": stated.storage or "",
        "opened by": stated.opened_by or "",
        "first and last use": f"{stated.first_use or NOT_STATED}, {stated.last_use or NOT_STATED}",
        "expires": str(stated.expires or ""),
        "expiry rests on": stated.expiry_basis or "",
        "further record": stated.record or "",
        "note": stated.note or "",
    }


def _named(what: str, text: str | None) -> str:
    return f"{what} {text}" if text else f"{what} {NOT_STATED}"


def days_text(days: int) -> str:
    return "less than a day" if days == 0 else f"{days} day{'' if days == 1 else 's'}"


def _weighed(item: Weighing) -> str:
    return f"{item.what} {item.net:.8g} g (u = {item.u_g:.2g} g)"


def _balance(item: Weighing) -> str:
    until = f", valid until {item.certificate_valid_until}" if item.certificate_valid_until else ""
    return f"{item.balance}: {item.certificate or f'certificate {NOT_STATED}'}{until}"


def _use(part: Any) -> str:
    rate = "" if part is None or part.per_week is None else f", {100 * part.per_week:g} % a week"
    days = "" if part is None or part.days is None else f", used for {part.days:g} day{'' if part.days == 1 else 's'}"
    return rate + days


def _size(part: Any, size: float | None, before: str = "", after: str = "") -> str:
    if part is None:
        return ""
    stated = f"negligible: {part.negligible_because}" if size is None else f"{before}{100 * size:g} %{after}"
    evidence = part.evidence or (NOT_STATED if size is not None else "")
    return f"{stated}; evidence: {evidence}" if evidence else stated


# --------------------------------------------------------------------------------------------------------- budgets


def alike_budgets(values: Sequence[LotValue]) -> list[list[LotValue]]:
    """Lots together whose components are of the same kind and size as printed."""
    together: dict[tuple[Any, ...], list[LotValue]] = {}
    for value in values:
        together.setdefault(_signature(value), []).append(value)
    return list(together.values())


def _signature(value: LotValue) -> tuple[Any, ...]:
    return tuple(
        (part.name, value.shapes[part.name], _u(part), _contribution(value, part), _share(part.share))
        for part in value.result.propagated.parts
    )


def budget_tables(values: Sequence[LotValue]) -> list[Table]:
    """One table for all lots whose budgets are alike, with the value of each lot in a column of its own."""
    return [_budget_table(group) for group in alike_budgets(values)]


def _budget_table(group: Sequence[LotValue]) -> Table:
    first, lots = group[0], [value.record.lot for value in group]
    propagated, unit = first.result.propagated, first.record.preparation.unit
    rows: list[tuple[Cell, ...]] = []
    for position, part in enumerate(propagated.parts):
        own = [f"{value.result.propagated.parts[position].estimate:.8g}" for value in group]
        shape = first.shapes[part.name] if part.standard_uncertainty else ""
        unit_of = _unit(first.units[part.name])
        name = f"{part.name} / {unit_of}" if unit_of else part.name
        rows.append((name, *own, shape, _u(part), _contribution(first, part), _share(part.share)))
    places = places_for(propagated.combined)
    assigned = [fixed(value.result.value, places) for value in group]
    u = fixed(propagated.combined, places)
    rows.append((f"assigned value / {unit}", *assigned, "", u, fixed(propagated.combined, places + 1), "100 %"))
    amounts = ["value"] if len(group) == 1 else lots
    head = ("component", *amounts, "distribution", "u", f"contribution / {unit}", "share of u²")
    whose = f"lot{'' if len(lots) == 1 else 's'} {sentence_list(lots)}"
    caption = f"Budget of {whose}, by the law of propagation"
    return Table("budget", caption, head, tuple(rows))


def _u(part: Part) -> str:
    return f"{part.standard_uncertainty:.2g}" if part.standard_uncertainty else "0"


def _contribution(value: LotValue, part: Part) -> str:
    """One place more than the combined one is printed with: what is smaller can be forgotten."""
    size = abs(part.contribution)
    places = places_for(value.result.propagated.combined) + 1
    if size == 0:
        return "0"
    return fixed(size, places) if size >= 0.5 * 10**-places else f"< {fixed(10**-places, places)}"


def _share(share: float) -> str:
    return "0" if share == 0 else "< 0.1 %" if share < 1e-3 else f"{significant(100 * share, 2)} %"


def _unit(unit: str) -> str:
    return {"1": "", "kg/m3": "kg/m³"}.get(unit, unit)


def methods_table(values: Sequence[LotValue]) -> Table:
    """Propagation and Monte Carlo, one line a lot."""
    rows = tuple(row for value in values if (row := _methods_row(value)) is not None)
    unit = values[0].record.preparation.unit
    drawn = values[0].result.drawn
    draws = "" if drawn is None else f" ({fixed(drawn.draws, 0)} draws)"
    head = ("lot", "value", "u", "u, Monte Carlo", "interval", "interval, Monte Carlo", "shortest", "the two")
    return Table("methods", f"Law of propagation and Monte Carlo{draws} side by side, in {unit}", head, rows)


def _methods_row(value: LotValue) -> tuple[Cell, ...] | None:
    propagated, drawn, agreed = value.result.propagated, value.result.drawn, value.result.agreement
    if drawn is None or agreed is None:
        return None
    # One place more than is reported, so that a difference can be seen.
    places = places_for(propagated.combined) + 1
    numbers = [fixed(x, places) for x in (propagated.value, propagated.combined, drawn.standard_uncertainty)]
    pairs = (propagated.interval, drawn.symmetric, drawn.shortest)
    spans = [f"{fixed(low, places)} to {fixed(high, places)}" for low, high in pairs]
    word = ("agree" if agreed.agrees else "differ") if agreed.resolved else "cannot be told apart"
    return (value.record.lot, *numbers, *spans, word)


def links_table(chains: Sequence[Mapping[str, Any]]) -> Table:
    """Every link of the chains, a column a lot."""
    names = list(dict.fromkeys(link["link"] for chain in chains for link in chain["links"]))
    cells = {(chain["lot"], link["link"]): _link_cell(link) for chain in chains for link in chain["links"]}
    lots = [chain["lot"] for chain in chains]
    rows = tuple((name, *(cells.get((lot, name), "") for lot in lots)) for name in names)
    return Table("links", "Traceability, link by link", ("link", *lots), rows)


def _link_cell(link: Mapping[str, Any]) -> str:
    evidence, covered = link["evidence"], "; impact note"
    if covered in evidence:
        return evidence.replace(covered, "; covered by impact note")
    return f"{evidence}: {link['state']}"
