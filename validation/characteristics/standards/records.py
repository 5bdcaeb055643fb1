"""What the lot records state, fact by fact, and what they leave without evidence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from validation.study.lot_record import LotRecord, Weighing
from validation.study.quantity import Table
from validation.words import counted, sentence_list

NOT_STATED = "not stated"


def open_days(record: LotRecord) -> int | None:
    """Days between opening the can of fuel and making the lot."""
    opened = record.preparation.fuel.opened
    return None if opened is None else (record.preparation.made - opened).days


def without_evidence(records: Sequence[LotRecord]) -> list[str]:
    """One sentence on every size in the records that names no report it rests on."""
    lots: dict[str, list[str]] = {}
    for record in records:
        stated = record.preparation
        for title, part, size in (
            ("loss while weighing", stated.loss_while_weighing, "most"),
            ("homogeneity", stated.homogeneity, "u"),
            ("loss in use", stated.in_use_loss, "u"),
        ):
            if part is not None and getattr(part, size) is not None and part.evidence is None:
                lots.setdefault(title, []).append(record.lot)
    if not lots:
        return []
    sizes = [f"{title} ({sentence_list(names)})" for title, names in lots.items()]
    return [f"No evidence is stated for the size of {sentence_list(sizes)}: name the report as `evidence`."]


def facts_tables(records: Sequence[LotRecord]) -> list[Table]:
    """The lot records fact by fact: first what differs, lot by lot, then what is alike."""
    columns = [_facts(record) for record in records]
    lots = [record.lot for record in records]
    rows = [(name, *(facts[name] or NOT_STATED for facts in columns)) for name in columns[0]]
    if len(records) == 1:
        return [Table("records", "Lot records", ("fact", *lots), tuple(rows))]
    own = tuple(row for row in rows if len(set(row[1:])) > 1)
    alike = tuple(row[:2] for row in rows if len(set(row[1:])) == 1)
    tables = [
        Table("records", "Lot records: what differs", ("fact", *lots), own),
        Table("records alike", "Lot records: what is alike", ("fact", sentence_list(lots)), alike),
    ]
    return [table for table in tables if table.rows]


def _facts(record: LotRecord) -> dict[str, str]:
    stated, days = record.preparation, open_days(record)
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
    return "less than a day" if days == 0 else counted(days, "day")


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
