"""The chapter on standards in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from validation.characteristics.standards.budgets import WEIGHINGS
from validation.characteristics.standards.chain import lots_named
from validation.characteristics.standards.records import days_text
from validation.figures.standards import COVERED, OPEN, Chain, LotBudget
from validation.words import fixed, places_for, sentence_list, significant


def summary(lots: Sequence[LotBudget], chains: Sequence[Chain], unit: str) -> str:
    """The chapter in one sentence."""
    places = places_for(min(lot.u for lot in lots))
    texts = [fixed(lot.value, places) for lot in sorted(lots, key=lambda lot: lot.value)]
    values = f"{texts[0]} {unit}" if texts[0] == texts[-1] else f"from {texts[0]} to {texts[-1]} {unit}"
    largest = significant(100 * max(lot.u / lot.value for lot in lots), 2)
    broken = [chain.lot for chain in chains if OPEN in chain.states]
    covered = [chain.lot for chain in chains if COVERED in chain.states and OPEN not in chain.states]
    if broken:
        held = f"the chain of {sentence_list(broken)} has an open link"
    elif covered:
        held = f"every chain is closed, that of {sentence_list(covered)} by an impact note"
    else:
        held = "every chain is closed from the kilogram to the lot"
    count = (
        "One lot has a record: its assigned value is"
        if len(lots) == 1
        else f"{len(lots)} lots have a record: assigned values"
    )
    return f"{count} {values}, standard uncertainty at most {largest} % of it; {held}."


def value_words(lots: Sequence[LotBudget], unit: str) -> list[str]:
    """One sentence for lots that agree in every number but the masses and the value."""
    places = places_for(lots[0].u)
    together: dict[tuple[str, ...], list[LotBudget]] = {}
    for lot in lots:
        numbers = tuple(fixed(number, places) for number in (lot.weighed, lot.loss_shift, lot.u, lot.expanded))
        together.setdefault((*numbers, significant(100 * lot.u / lot.value, 2)), []).append(lot)
    return [_value_sentence(group, texts, places, unit) for texts, group in together.items()]


def _value_sentence(group: Sequence[LotBudget], texts: Sequence[str], places: int, unit: str) -> str:
    first, one = group[0], len(group) == 1
    weighed, shift, u, expanded, relative = texts
    sentence = f"{lots_named([lot.lot for lot in group])}: "
    if one:
        fuel, oil = (sum(net for what, net in first.masses if what == kind) for kind in ("fuel", "oil"))
        sentence += f"{fuel:.8g} g of {first.fuel} in {oil:.8g} g of {first.oil} weigh out as "
    else:
        sentence += "the masses make "
    sentence += f"{weighed} {unit}{'' if one else ' each'}; "
    if first.loss_most:
        sentence += f"corrected by {shift} {unit} for the mean loss while weighing, "
    values = sentence_list([fixed(lot.value, places) for lot in group])
    sentence += (
        f"the assigned value{' is' if one else 's are'} {values} {unit} with the standard uncertainty {u} {unit} "
        f"({relative} % of it), expanded {expanded} {unit} (k = {first.k:.2f})."
    )
    largest = sorted(first.parts, key=lambda part: -part.share)[:2]
    parts = " and ".join(f"{part.name} ({100 * part.share:.0f} %)" for part in largest if part.share)
    balance = sum(part.share for part in first.parts if part.name.startswith(WEIGHINGS))
    return f"{sentence} The largest parts of its variance are {parts}; the balance itself brings {_percent(balance)}."


def _percent(share: float) -> str:
    return "less than 0.1 %" if share < 0.001 else f"{significant(100 * share, 2)} %"


def method_words(lots: Sequence[LotBudget]) -> list[str]:
    """One sentence for all lots of which Monte Carlo says the same."""
    together: dict[tuple[str, str], list[str]] = {}
    for lot in lots:
        if lot.monte_carlo is not None:
            together.setdefault((lot.monte_carlo.verb, lot.monte_carlo.reason), []).append(lot.lot)
    return [
        f"{lots_named(names)}: Monte Carlo {verb} to two digits of the uncertainty: {reason}."
        for (verb, reason), names in together.items()
    ]


def chain_words(chains: Sequence[Chain]) -> list[str]:
    """What is open first, then what a note covers, then what is closed; last the cans that were open before."""
    links = [link for chain in chains for link in chain.links]
    open_, covered = (
        dict.fromkeys(link.sentence for link in links if link.state == state and link.sentence)
        for state in (OPEN, COVERED)
    )
    closed: dict[str, list[str]] = {}
    for chain in chains:
        if not chain.sentences:
            certificates = "; ".join(link.evidence for link in chain.certificates)
            closed.setdefault(f"{certificates}; weighed {chain.made}", []).append(chain.lot)
    held = [
        f"{lots_named(lots)}: the chain from the kilogram to the lot is closed ({how})." for how, lots in closed.items()
    ]
    return [*open_, *covered, *held, *_open_cans(chains)]


def _open_cans(chains: Sequence[Chain]) -> list[str]:
    opened = [(chain.lot, days_text(chain.open_days)) for chain in chains if chain.open_days]
    if not opened:
        return []
    (lot, days), *others = opened
    cans = f"Lot {lot}: its can of fuel had been open for {days}"
    cans += "".join(f", that of {other} for {others_days}" for other, others_days in others)
    return [
        f"{cans}. What evaporated from the can before weighing leaves every mass right and the response wrong: only a "
        "comparison of responses shows it."
    ]
