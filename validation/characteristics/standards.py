"""Standards: the assigned value of each lot from its weighings, its uncertainty, and the chain that it hangs on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._lot_keeping import keeping
from validation.characteristics._lot_tables import (
    NOT_STATED,
    alike_budgets,
    budget_tables,
    days_text,
    facts_tables,
    links_table,
    methods_table,
)
from validation.stats.estimate import OldEstimate
from validation.stats.propagation import coverage_factor
from validation.stats.standards import LOSS
from validation.study.lot_record import LotRecord, Weighing
from validation.study.lot_values import LotValue, lot_value
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.study.validity import Lapse, lapses_of
from validation.words import fixed, places_for, sentence_list, significant

NAME = "standards"
SOURCE = "JCGM 100:2008, 5.1.2 and 6.2; mass fraction by weighing"
MISSING = (
    "No lot record is there: name one in the plan's standards, such as lot_record: standards/S-01.yaml, with the "
    "masses, the balances and their certificates."
)
#: How the names of balance readings begin.
WEIGHINGS = ("mass of ", "gross with ", "tare before ")
CLOSED, OPEN, COVERED = "closed", "open", "covered by an impact note"


def evaluate(study: Study, stability: Evaluation) -> Evaluation:
    """Assigned value, uncertainty and chain of every lot whose record the plan names."""
    if not study.lot_records:
        return Evaluation(NAME, missing=MISSING)
    full = not study.looked_at_otherwise
    values = [lot_value(record, confidence=study.confidence, draw=full) for record in study.lot_records.values()]
    chains = _chains(values, study) if full else []
    quantities: list[Quantity] = []
    notes: list[str] = []
    for position, value in enumerate(values):
        links = [link["told"] for link in chains[position]["links"] if link["told"]] if chains else []
        quantities += _quantities(value, study, (*value.notes, *links))
        notes += links
    notes += _unrecorded(study)
    details: dict[str, Any] = {}
    if full:
        records = [value.record for value in values]
        kept, older = keeping(records, study, stability)
        said = [*kept, *older, *_without_evidence(records)]
        notes += said
        details = {
            "lots": [_shown(value) for value in values],
            "alike": [[value.record.lot for value in group] for group in alike_budgets(values)],
            "chains": chains,
            "said": said,
            "page_one": older,
            "tables": [
                table.to_dict()
                for table in (
                    *facts_tables(records, open_days),
                    *budget_tables(values),
                    methods_table(values),
                    links_table(chains),
                )
            ],
        }
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def _unrecorded(study: Study) -> list[str]:
    names = [str(item.get("name")) for item in study.plan.standards]
    return [f"Standard {name} has no lot record." for name in names if name not in study.lot_records]


def _without_evidence(records: Sequence[LotRecord]) -> list[str]:
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
    told = [f"{title} ({sentence_list(names)})" for title, names in lots.items()]
    return [f"No evidence is stated for the size of {sentence_list(told)}: name the report as `evidence`."]


# ------------------------------------------------------------------------------------------------------- quantities


def _quantities(value: LotValue, study: Study, notes: Sequence[str]) -> list[Quantity]:
    propagated, stated = value.result.propagated, value.record.preparation
    count = len(stated.weighings)
    df = float(propagated.coverage_df) if propagated.coverage_df is not None else None

    def estimate(
        number: float, interval: tuple[float, float] | None = None, confidence: float | None = None
    ) -> OldEstimate:
        u = propagated.combined if interval is not None else None
        return OldEstimate(number, interval, confidence, u, df, n=count, units=count, source=SOURCE)

    def quantity(
        key: str, estimated: OldEstimate, unit: str, judged: OldEstimate | None = None, said: Sequence[str] = ()
    ) -> Quantity:
        return Quantity.from_estimate(
            f"{NAME}.{key}",
            stated.lot,
            estimated,
            unit=unit,
            worksheet=value.record.file,
            readings=(),
            judged=judged,
            unit_name="weighings",
            notes=said,
        )

    half = coverage_factor(propagated.effective_df, study.judged_confidence)[0] * propagated.combined
    judged = estimate(propagated.value, (propagated.value - half, propagated.value + half), study.judged_confidence)
    found = [
        quantity(
            "mass_fraction",
            estimate(propagated.value, propagated.interval, study.confidence),
            study.unit,
            judged,
            notes,
        ),
        quantity("standard_uncertainty", estimate(propagated.combined), study.unit),
        quantity("expanded_uncertainty", estimate(propagated.expanded), study.unit),
        quantity("relative_uncertainty", estimate(propagated.combined / propagated.value), "1"),
    ]
    days = open_days(value.record)
    if days is not None:
        found.append(
            quantity(
                "fuel_open", OldEstimate(float(days), n=count, units=count, source="dates of the lot record"), "day"
            )
        )
    return found


def open_days(record: LotRecord) -> int | None:
    """Days between opening the can of fuel and making the lot."""
    opened = record.preparation.fuel.opened
    return None if opened is None else (record.preparation.made - opened).days


# ---------------------------------------------------------------------------------------------------------- details


def _shown(value: LotValue) -> dict[str, Any]:
    propagated, drawn, agreed = value.result.propagated, value.result.drawn, value.result.agreement
    parts = [
        {
            "component": part.name,
            "u": part.standard_uncertainty,
            "contribution": abs(part.contribution),
            "relative": abs(part.contribution) / propagated.value,
            "share": part.share,
        }
        for part in propagated.parts
    ]
    return {
        "lot": value.record.lot,
        "value": propagated.value,
        "u": propagated.combined,
        "expanded": propagated.expanded,
        "k": propagated.coverage_factor,
        "interval": list(propagated.interval),
        "weighed": value.result.weighed,
        "loss_shift": value.result.loss_shift,
        "loss_most": _most(value),
        "buoyancy_shift": value.result.buoyancy_shift,
        "parts": parts,
        "bars": _bars(parts),
        "drawn": None
        if drawn is None or agreed is None
        else {
            "value": drawn.mean,
            "u": drawn.standard_uncertainty,
            "interval": list(drawn.symmetric),
            "shortest": list(drawn.shortest),
            "agrees": agreed.agrees,
            "resolved": agreed.resolved,
            "reason": _reason(value),
        },
        "masses": [[item.what, item.net] for item in value.record.preparation.weighings],
        "fuel": value.record.preparation.fuel.name,
        "oil": value.record.preparation.oil.name,
        "made": value.record.preparation.made.isoformat(),
        "open_days": open_days(value.record),
    }


def _bars(parts: Sequence[Mapping[str, Any]]) -> list[list[Any]]:
    """The parts by size, all weighings together and all densities together, for the figure."""
    squares: dict[str, float] = {}
    for part in parts:
        name = part["component"]
        name = "weighings" if name.startswith(WEIGHINGS) else "air buoyancy" if name.startswith("density") else name
        # Inputs of one kind are independent, so their squares add up.
        squares[name] = squares.get(name, 0.0) + part["contribution"] ** 2
    found = [[name, square**0.5] for name, square in squares.items() if square > 0]
    return sorted(found, key=lambda bar: -bar[1])


def _most(value: LotValue) -> float | None:
    loss = value.record.preparation.loss_while_weighing
    return None if loss is None or loss.shape != "one sided" else loss.most


def _reason(value: LotValue) -> str:
    """Why the interval of Monte Carlo is the same, or another."""
    agreed, drawn = value.result.agreement, value.result.drawn
    if agreed is None or drawn is None:
        return ""
    if not agreed.resolved:
        return "the two cannot be told apart with this many draws"
    loss = next((part for part in value.result.propagated.parts if part.name == LOSS), None)
    if agreed.agrees:
        return "many components, none of them both large and far from normal, so the result is nearly normal"
    if loss is not None and loss.share > 0.2:
        return (
            f"the loss while weighing carries {100 * loss.share:.0f} % of the variance and cannot pass its limits: the "
            "result has shorter tails than the normal distribution that propagation takes for granted"
        )
    return "the model is not straight over the width of its inputs"


# ------------------------------------------------------------------------------------------------------------ chain


def _chains(values: Sequence[LotValue], study: Study) -> list[dict[str, Any]]:
    """From the kilogram to the routine result, link by link, for each lot."""
    lapsed = {(lapse.lot, lapse.period.item): lapse for lapse in lapses_of(study) if lapse.lot}
    in_use = study.plan.lots.stated.get("in_use")
    counts = _readings_by_lot(study)
    covered = _covered_words(lapsed)
    return [_chain(value, study, lapsed, covered, counts.get(value.record.lot, 0), in_use) for value in values]


def _covered_words(lapsed: Mapping[tuple[str, str], Lapse]) -> dict[tuple[str, str], str]:
    """What is said of each lot and balance that an impact note covers: one sentence for all of one note and expiry."""
    together: dict[tuple[str, Any, int], list[Lapse]] = {}
    for (_, balance), lapse in lapsed.items():
        if lapse.note is not None:
            together.setdefault((balance, lapse.period.until, lapse.note.number), []).append(lapse)
    said: dict[tuple[str, str], str] = {}
    for (balance, until, number), group in together.items():
        lots = [lapse.lot for lapse in group]
        days = sentence_list(list(dict.fromkeys(str(lapse.day) for lapse in group)))
        note = group[0].note
        assert note is not None, "asked above"
        sentence = (
            f"{_lots(lots)}: the certificate of balance {balance} had expired on {until} when "
            f"{'the lot was' if len(lots) == 1 else 'they were'} weighed on {days}; impact note {number} in the "
            f"register of amendments says why the weighings stand, and covers the balance until {note.new}."
        )
        said |= {(lot, balance): sentence for lot in lots}
    return said


def _lots(names: Sequence[str]) -> str:
    return f"Lot{'' if len(names) == 1 else 's'} {sentence_list(list(names))}"


def _readings_by_lot(study: Study) -> Mapping[str, int]:
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


def _chain(
    value: LotValue,
    study: Study,
    lapsed: Mapping[tuple[str, str], Lapse],
    covered: Mapping[tuple[str, str], str],
    readings: int,
    in_use: Any,
) -> dict[str, Any]:
    stated, lot, links = value.record.preparation, value.record.lot, []
    for balance in dict.fromkeys(item.balance for item in stated.weighings):
        item = next(weighing for weighing in stated.weighings if weighing.balance == balance)
        key = (lot, balance)
        links.append(_certificate_link(lot, item, study, lapsed.get(key), covered.get(key, "")))
    fuel = stated.fuel
    told = (
        ""
        if fuel.batch
        else f"Lot {lot}: the link to the identity of the fuel is open: no batch of {fuel.name} is stated."
    )
    batch = f"batch {fuel.batch}" if fuel.batch else f"batch {NOT_STATED}"
    links.append(
        {"link": f"identity of {fuel.name}", "evidence": batch, "state": OPEN if told else CLOSED, "told": told}
    )
    count = f"{readings} reading{'' if readings == 1 else 's'} of this study {'names' if readings == 1 else 'name'} it"
    used = (
        f"{count}{', the lot in routine use' if str(in_use) == lot else ''}"
        if readings
        else "no reading of this study names it"
    )
    links.append(
        {"link": "lot to result", "evidence": used, "state": CLOSED if readings else "not used here", "told": ""}
    )
    return {
        "lot": lot,
        "value": value.result.value,
        "u": value.result.standard_uncertainty,
        "made": stated.made.isoformat(),
        "expires": None if stated.expires is None else stated.expires.isoformat(),
        "masses": [f"{item.what} {item.net:.8g} g" for item in stated.weighings],
        "fuel": fuel.name,
        "opened": None if fuel.opened is None else fuel.opened.isoformat(),
        "open_days": open_days(value.record),
        "readings": readings,
        "links": links,
    }


def _certificate_link(lot: str, item: Weighing, study: Study, lapse: Lapse | None, covered: str) -> dict[str, Any]:
    """The certificate of one balance: stated in the record, or in the plan's equipment of that name."""
    entry = next((fact for fact in study.plan.equipment if str(fact.get("name")) == item.balance), {})
    certificate = item.certificate or entry.get("certificate")
    until = item.certificate_valid_until or entry.get("valid_until")
    link = {"link": f"kilogram to {item.balance}", "evidence": "", "state": CLOSED, "told": ""}
    if certificate is None:
        told = f"Lot {lot}: the chain to the kilogram is open: no certificate of balance {item.balance} is stated."
        return {**link, "evidence": f"certificate {NOT_STATED}", "state": OPEN, "told": told}
    link["evidence"] = f"{certificate}, valid until {until or NOT_STATED}"
    if until is None:
        told = (
            f"Lot {lot}: the chain to the kilogram is open: it is not stated until when {certificate} of balance "
            f"{item.balance} holds."
        )
        return {**link, "state": OPEN, "told": told}
    if lapse is None:
        return link
    if lapse.note is None:
        told = f"Lot {lot}: the certificate of balance {item.balance} did not hold on {lapse.day}."
        return {**link, "state": OPEN, "told": told}
    evidence = f"{link['evidence']}; impact note {lapse.note.number}"
    return {**link, "evidence": evidence, "state": COVERED, "told": covered}


# ------------------------------------------------------------------------------------------------------------ words


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    details = evaluation.details
    lots, chains = details.get("lots", ()), details.get("chains", ())
    if not lots:
        return []
    said = [_summary(lots, chains, unit)]
    for group in details["alike"]:
        said += _value_words([shown for shown in lots if shown["lot"] in group], unit)
    return [*said, *_chain_words(chains), *_method_words(lots), *details["said"]]


def _summary(lots: Sequence[Mapping[str, Any]], chains: Sequence[Mapping[str, Any]], unit: str) -> str:
    """The chapter in one sentence."""
    places = places_for(min(shown["u"] for shown in lots))
    texts = [fixed(shown["value"], places) for shown in sorted(lots, key=lambda shown: shown["value"])]
    values = f"{texts[0]} {unit}" if texts[0] == texts[-1] else f"from {texts[0]} to {texts[-1]} {unit}"
    largest = significant(100 * max(shown["u"] / shown["value"] for shown in lots), 2)
    states = {chain["lot"]: {link["state"] for link in chain["links"]} for chain in chains}
    broken = [lot for lot, found in states.items() if OPEN in found]
    covered = [lot for lot, found in states.items() if COVERED in found and OPEN not in found]
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


def _value_words(lots: Sequence[Mapping[str, Any]], unit: str) -> list[str]:
    """One sentence for lots that agree in every number but the masses and the value."""
    places = places_for(lots[0]["u"])
    together: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    for shown in lots:
        numbers = tuple(fixed(shown[name], places) for name in ("weighed", "loss_shift", "u", "expanded"))
        together.setdefault((*numbers, significant(100 * shown["u"] / shown["value"], 2)), []).append(shown)
    return [_value_sentence(group, texts, places, unit) for texts, group in together.items()]


def _value_sentence(group: Sequence[Mapping[str, Any]], texts: Sequence[str], places: int, unit: str) -> str:
    first, one = group[0], len(group) == 1
    weighed, shift, u, expanded, relative = texts
    said = f"{_lots([shown['lot'] for shown in group])}: "
    if one:
        masses = {kind: sum(net for what, net in first["masses"] if what == kind) for kind in ("fuel", "oil")}
        said += f"{masses['fuel']:.8g} g of {first['fuel']} in {masses['oil']:.8g} g of {first['oil']} weigh out as "
    else:
        said += "the masses make "
    said += f"{weighed} {unit}{'' if one else ' each'}; "
    if first["loss_most"]:
        said += f"corrected by {shift} {unit} for the mean loss while weighing, "
    values = sentence_list([fixed(shown["value"], places) for shown in group])
    said += (
        f"the assigned value{' is' if one else 's are'} {values} {unit} with the standard uncertainty {u} {unit} "
        f"({relative} % of it), expanded {expanded} {unit} (k = {first['k']:.2f})."
    )
    largest = sorted(first["parts"], key=lambda part: -part["share"])[:2]
    parts = " and ".join(f"{part['component']} ({100 * part['share']:.0f} %)" for part in largest if part["share"])
    balance = sum(part["share"] for part in first["parts"] if part["component"].startswith(WEIGHINGS))
    return f"{said} The largest parts of its variance are {parts}; the balance itself brings {_percent(balance)}."


def _percent(share: float) -> str:
    return "less than 0.1 %" if share < 0.001 else f"{significant(100 * share, 2)} %"


def _method_words(lots: Sequence[Mapping[str, Any]]) -> list[str]:
    """One sentence for all lots of which Monte Carlo says the same."""
    together: dict[tuple[str, str], list[str]] = {}
    for shown in lots:
        drawn = shown["drawn"]
        if drawn is not None:
            verb = "gives the same interval as propagation" if drawn["agrees"] else "gives another interval"
            verb = verb if drawn["resolved"] else "cannot tell the intervals apart"
            together.setdefault((verb, drawn["reason"]), []).append(shown["lot"])
    return [
        f"{_lots(names)}: Monte Carlo {verb} to two digits of the uncertainty: {reason}."
        for (verb, reason), names in together.items()
    ]


def _chain_words(chains: Sequence[Mapping[str, Any]]) -> list[str]:
    """What is open first, then what a note covers, then what is closed; last the cans that were open before."""
    told = {
        state: list(
            dict.fromkeys(link["told"] for chain in chains for link in chain["links"] if link["state"] == state)
        )
        for state in (OPEN, COVERED)
    }
    closed: dict[str, list[str]] = {}
    for chain in chains:
        if not any(link["told"] for link in chain["links"]):
            certificates = [link["evidence"] for link in chain["links"] if link["link"].startswith("kilogram")]
            closed.setdefault(f"{'; '.join(certificates)}; weighed {chain['made']}", []).append(chain["lot"])
    return [
        *(sentence for sentence in told[OPEN] if sentence),
        *told[COVERED],
        *(f"{_lots(lots)}: the chain from the kilogram to the lot is closed ({how})." for how, lots in closed.items()),
        *_open_cans(chains),
    ]


def _open_cans(chains: Sequence[Mapping[str, Any]]) -> list[str]:
    opened = [chain for chain in chains if chain["open_days"]]
    if not opened:
        return []
    first = opened[0]
    cans = f"Lot {first['lot']}: its can of fuel had been open for {days_text(first['open_days'])}"
    cans += "".join(f", that of {chain['lot']} for {days_text(chain['open_days'])}" for chain in opened[1:])
    return [
        f"{cans}. What evaporated from the can before weighing leaves every mass right and the response wrong: only a "
        "comparison of responses shows it."
    ]


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Standards and their traceability",
    position=160,
    experiment="",
    method=(
        "Each lot has a record of what was weighed. Its assigned value is the mass of fuel times its purity over the "
        "mass of everything; the impurity stays in the denominator, for it is mass all the same.",
        "Both masses are corrected for air buoyancy where the densities are stated. Fuel lost while weighing lies "
        "between nothing and its largest value: the assigned value is corrected for the mean of that, and its width "
        "enters the uncertainty. Homogeneity and the loss in use are relative terms without correction.",
        "The uncertainty is combined by the law of propagation and, beside it, by Monte Carlo with a fixed seed; where "
        "the two differ the reason is said.",
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
    depends_on=("stability",),
    figures=("traceability_chain", "budget_bars"),
)
