"""The chain of each lot from the kilogram to the routine result, link by link, with the identity of the fuel beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from validation.characteristics.standards.records import NOT_STATED, open_days
from validation.figures.standards import CLOSED, COVERED, IDENTITY, KILOGRAM, OPEN, TO_RESULT, UNUSED, Chain, Link
from validation.study.lot_record import Fuel, Weighing
from validation.study.lot_values import LotValue
from validation.study.model import Study
from validation.study.quantity import Table
from validation.study.validity import Lapse, lapses_of
from validation.words import counted, sentence_list


def chains_of(values: Sequence[LotValue], study: Study) -> tuple[Chain, ...]:
    """The chain of every lot."""
    lapsed = {(lapse.lot, lapse.period.item): lapse for lapse in lapses_of(study) if lapse.lot}
    covered, counts = _covered(lapsed), _readings_by_lot(study)
    chains = []
    for value in values:
        stated, lot = value.record.preparation, value.record.lot
        balances = {item.balance: item for item in reversed(stated.weighings)}
        names = dict.fromkeys(item.balance for item in stated.weighings)
        scales = [
            _to_balance(lot, balances[name], study, lapsed.get((lot, name)), covered.get((lot, name), ""))
            for name in names
        ]
        readings = counts.get(lot, 0)
        links = (*scales, _identity(lot, stated.fuel), _to_result(readings, lot, study))
        chains.append(_chain(value, links, readings))
    return tuple(chains)


def _chain(value: LotValue, links: tuple[Link, ...], readings: int) -> Chain:
    record, stated = value.record, value.record.preparation
    return Chain(
        lot=record.lot,
        value=value.result.value,
        u=value.result.standard_uncertainty,
        made=stated.made.isoformat(),
        expires=None if stated.expires is None else stated.expires.isoformat(),
        masses=tuple(f"{item.what} {item.net:.8g} g" for item in stated.weighings),
        fuel=stated.fuel.name,
        opened=None if stated.fuel.opened is None else stated.fuel.opened.isoformat(),
        open_days=open_days(record),
        readings=readings,
        links=links,
    )


def _covered(lapsed: Mapping[tuple[str, str], Lapse]) -> dict[tuple[str, str], str]:
    """The sentence on each lot and balance that an impact note covers: one for all of one note and expiry."""
    together: dict[tuple[str, date | None, int], list[Lapse]] = {}
    for (_, balance), lapse in lapsed.items():
        if lapse.note is not None:
            together.setdefault((balance, lapse.period.until, lapse.note.number), []).append(lapse)
    sentences: dict[tuple[str, str], str] = {}
    for (balance, until, number), group in together.items():
        lots = [lapse.lot for lapse in group]
        days = sentence_list(list(dict.fromkeys(str(lapse.day) for lapse in group)))
        note = group[0].note
        assert note is not None, "asked above"
        sentence = (
            f"{lots_named(lots)}: the certificate of balance {balance} had expired on {until} when "
            f"{'the lot was' if len(lots) == 1 else 'they were'} weighed on {days}; impact note {number} in the "
            f"register of amendments says why the weighings stand, and covers the balance until {note.new}."
        )
        sentences |= {(lot, balance): sentence for lot in lots}
    return sentences


def lots_named(names: Sequence[str]) -> str:
    """ "Lot S-01", "Lots S-01 and S-02"."""
    return f"Lot{'' if len(names) == 1 else 's'} {sentence_list(list(names))}"


def _readings_by_lot(study: Study) -> Mapping[str, int]:
    """How many readings name each lot; a reading of a worksheet that two experiments share counts once."""
    seen = {
        (reading.file, reading.line): reading.values.get("lot", "")
        for data in study.experiments.values()
        for reading in data.readings
        if reading.status in ("used", "censored")
    }
    counts: dict[str, int] = {}
    for lot in seen.values():
        counts[lot] = counts.get(lot, 0) + 1
    return counts


def _to_balance(lot: str, item: Weighing, study: Study, lapse: Lapse | None, covered: str) -> Link:
    """The certificate of one balance: stated in the record, or in the plan's equipment of that name."""
    entry = next((fact for fact in study.plan.equipment if str(fact.get("name")) == item.balance), {})
    certificate = item.certificate or entry.get("certificate")
    until = item.certificate_valid_until or entry.get("valid_until")
    name, open_chain = f"{KILOGRAM}{item.balance}", f"Lot {lot}: the chain to the kilogram is open:"
    if certificate is None:
        sentence = f"{open_chain} no certificate of balance {item.balance} is stated."
        return Link(name, f"certificate {NOT_STATED}", OPEN, sentence)
    evidence = f"{certificate}, valid until {until or NOT_STATED}"
    if until is None:
        sentence = f"{open_chain} it is not stated until when {certificate} of balance {item.balance} holds."
        return Link(name, evidence, OPEN, sentence)
    if lapse is None:
        return Link(name, evidence, CLOSED)
    if lapse.note is None:
        sentence = f"Lot {lot}: the certificate of balance {item.balance} did not hold on {lapse.day}."
        return Link(name, evidence, OPEN, sentence)
    return Link(name, f"{evidence}; impact note {lapse.note.number}", COVERED, covered)


def _identity(lot: str, fuel: Fuel) -> Link:
    name = f"{IDENTITY}{fuel.name}"
    if fuel.batch:
        return Link(name, f"batch {fuel.batch}", CLOSED)
    sentence = f"Lot {lot}: the link to the identity of the fuel is open: no batch of {fuel.name} is stated."
    return Link(name, f"batch {NOT_STATED}", OPEN, sentence)


def _to_result(readings: int, lot: str, study: Study) -> Link:
    if not readings:
        return Link(TO_RESULT, "no reading of this study names it", UNUSED)
    in_use = str(study.plan.lots.stated.get("in_use")) == lot
    names = "names" if readings == 1 else "name"
    count = f"{counted(readings, 'reading')} of this study {names} it"
    return Link(TO_RESULT, f"{count}{', the lot in routine use' if in_use else ''}", CLOSED)


def links_table(chains: Sequence[Chain]) -> Table:
    """Every link of the chains, a column a lot."""
    names = list(dict.fromkeys(link.name for chain in chains for link in chain.links))
    cells = {(chain.lot, link.name): _link_cell(link) for chain in chains for link in chain.links}
    lots = [chain.lot for chain in chains]
    rows = tuple((name, *(cells.get((lot, name), "") for lot in lots)) for name in names)
    return Table("links", "Traceability, link by link", ("link", *lots), rows)


def _link_cell(link: Link) -> str:
    note = "; impact note"
    if note in link.evidence:
        return link.evidence.replace(note, "; covered by impact note")
    return f"{link.evidence}: {link.state}"
