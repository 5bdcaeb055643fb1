"""Standards: the assigned value of each lot from its weighings, its uncertainty, and the chain that it hangs on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.stats.estimate import Estimate
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
NOT_STATED = "not stated"
MISSING = (
    "No lot record is there: name one in the plan's standards, such as lot_record: standards/S-01.yaml, with the "
    "masses, the balances and their certificates."
)
#: How the names of balance readings begin.
WEIGHINGS = ("mass of ", "gross with ", "tare before ")
CLOSED, OPEN, COVERED = "closed", "open", "covered by an impact note"


def evaluate(study: Study) -> Evaluation:
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
        details = {
            "lots": [_shown(value) for value in values],
            "chains": chains,
            "tables": [
                _facts_table([value.record for value in values]),
                *(_budget_table(value) for value in values),
                _methods_table(values),
                _links_table(chains),
            ],
        }
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def _unrecorded(study: Study) -> list[str]:
    names = [str(item.get("name")) for item in study.plan.standards]
    return [f"Standard {name} has no lot record." for name in names if name not in study.lot_records]


# ------------------------------------------------------------------------------------------------------- quantities


def _quantities(value: LotValue, study: Study, notes: Sequence[str]) -> list[Quantity]:
    propagated, stated = value.result.propagated, value.record.preparation
    count = len(stated.weighings)
    df = float(propagated.coverage_df) if propagated.coverage_df is not None else None

    def estimate(
        number: float, interval: tuple[float, float] | None = None, confidence: float | None = None
    ) -> Estimate:
        u = propagated.combined if interval is not None else None
        return Estimate(number, interval, confidence, u, df, n=count, units=count, source=SOURCE)

    def quantity(
        key: str, estimated: Estimate, unit: str, judged: Estimate | None = None, said: Sequence[str] = ()
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
            quantity("fuel_open", Estimate(float(days), n=count, units=count, source="dates of the lot record"), "day")
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


def _budget_table(value: LotValue) -> dict[str, Any]:
    rows: list[list[Any]] = [
        [
            part.name,
            f"{part.estimate:.8g} {_unit(value.units[part.name])}".rstrip(),
            f"{part.standard_uncertainty:.2g} {_unit(value.units[part.name])}".rstrip()
            if part.standard_uncertainty
            else "0",
            value.shapes[part.name],
            part.sensitivity if part.standard_uncertainty else None,
            abs(part.contribution),
            _share(part.share),
        ]
        for part in value.result.propagated.parts
    ]
    propagated, unit = value.result.propagated, value.record.preparation.unit
    places = places_for(propagated.combined)
    total = f"{fixed(propagated.value, places)} {unit}"
    rows.append(
        [
            "assigned value",
            total,
            f"{fixed(propagated.combined, places)} {unit}",
            "",
            None,
            propagated.combined,
            "100 %",
        ]
    )
    head = ["component", "value", "u", "distribution", "sensitivity", f"contribution / {unit}", "share of u²"]
    return {"caption": f"Budget of lot {value.record.lot}, by the law of propagation", "head": head, "rows": rows}


def _share(share: float) -> str:
    return "0" if share == 0 else "below 0.001 %" if share < 1e-5 else f"{100 * share:.2g} %"


def _unit(unit: str) -> str:
    return {"1": "", "kg/m3": "kg/m³"}.get(unit, unit)


def _methods_table(values: Sequence[LotValue]) -> dict[str, Any]:
    rows: list[list[Any]] = []
    for value in values:
        propagated, drawn = value.result.propagated, value.result.drawn
        if drawn is None:
            continue
        # One place more than is reported, so that a difference can be seen.
        places = places_for(propagated.combined) + 1
        lot = value.record.lot
        for method, number, u, interval in (
            ("law of propagation", propagated.value, propagated.combined, propagated.interval),
            (f"Monte Carlo, {fixed(drawn.draws, 0)} draws", drawn.mean, drawn.standard_uncertainty, drawn.symmetric),
            ("Monte Carlo, shortest interval", drawn.mean, drawn.standard_uncertainty, drawn.shortest),
        ):
            rows.append([lot, method, *(fixed(x, places) for x in (number, u, *interval)), ""])
        rows[-3][-1] = f"k = {propagated.coverage_factor:.2f}"
        rows[-2][-1] = f"{'agrees' if _agrees(value) else 'differs'}: {_reason(value)}"
    unit = values[0].record.preparation.unit
    head = ["lot", "method", f"value / {unit}", f"u / {unit}", "low", "high", "remark"]
    return {"caption": "Law of propagation and Monte Carlo side by side", "head": head, "rows": rows}


def _agrees(value: LotValue) -> bool:
    return value.result.agreement is not None and value.result.agreement.agrees


def _facts_table(records: Sequence[LotRecord]) -> dict[str, Any]:
    columns = [_facts(record) for record in records]
    rows = [[name, *(facts[name] or NOT_STATED for facts in columns)] for name in columns[0]]
    return {"caption": "Lot records", "head": ["fact", *(record.lot for record in records)], "rows": rows}


def _facts(record: LotRecord) -> dict[str, str]:
    stated = record.preparation
    days = open_days(record)
    opened = "" if days is None else f"opened {stated.fuel.opened}, open for {_days(days)}"
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
        "loss in use": _size(in_use, None if in_use is None else in_use.u, "u = "),
        "storage": stated.storage or "",
        "opened by": stated.opened_by or "",
        "first and last use": f"{stated.first_use or NOT_STATED}, {stated.last_use or NOT_STATED}",
        "expires": f"{stated.expires or NOT_STATED}{f': {stated.expiry_basis}' if stated.expiry_basis else ''}",
        "further record": stated.record or "",
        "note": stated.note or "",
    }


def _named(what: str, text: str | None) -> str:
    return f"{what} {text}" if text else f"{what} {NOT_STATED}"


def _days(days: int) -> str:
    return "less than a day" if days == 0 else f"{days} day{'' if days == 1 else 's'}"


def _weighed(item: Weighing) -> str:
    return f"{item.what} {item.net:.8g} g (u = {item.u_g:.2g} g)"


def _balance(item: Weighing) -> str:
    until = f", valid until {item.certificate_valid_until}" if item.certificate_valid_until else ""
    return f"{item.balance}: {item.certificate or f'certificate {NOT_STATED}'}{until}"


def _size(part: Any, size: float | None, before: str = "", after: str = "") -> str:
    if part is None:
        return ""
    return f"negligible: {part.negligible_because}" if size is None else f"{before}{100 * size:g} %{after}"


# ------------------------------------------------------------------------------------------------------------ chain


def _chains(values: Sequence[LotValue], study: Study) -> list[dict[str, Any]]:
    """From the kilogram to the routine result, link by link, for each lot."""
    lapsed = {(lapse.lot, lapse.period.item): lapse for lapse in lapses_of(study) if lapse.lot}
    in_use = study.plan.lots.stated.get("in_use")
    counts = _readings_by_lot(study)
    return [_chain(value, study, lapsed, counts.get(value.record.lot, 0), in_use) for value in values]


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
    value: LotValue, study: Study, lapsed: Mapping[tuple[str, str], Lapse], readings: int, in_use: Any
) -> dict[str, Any]:
    stated, lot, links = value.record.preparation, value.record.lot, []
    for balance in dict.fromkeys(item.balance for item in stated.weighings):
        item = next(weighing for weighing in stated.weighings if weighing.balance == balance)
        links.append(_certificate_link(lot, item, study, lapsed.get((lot, balance))))
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


def _certificate_link(lot: str, item: Weighing, study: Study, lapse: Lapse | None) -> dict[str, Any]:
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
    told = (
        f"Lot {lot}: the certificate of balance {item.balance} had expired on {lapse.period.until} when the lot was "
        f"weighed on {lapse.day}; impact note {lapse.note.number} covers it until {lapse.note.new}: "
        f"{lapse.note.reason.rstrip('.')}."
    )
    evidence = f"{link['evidence']}; impact note {lapse.note.number}"
    return {**link, "evidence": evidence, "state": COVERED, "told": told}


def _links_table(chains: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    rows = [
        [chain["lot"], link["link"], link["evidence"], link["state"]] for chain in chains for link in chain["links"]
    ]
    return {"caption": "Traceability, link by link", "head": ["lot", "link", "evidence", "state"], "rows": rows}


# ------------------------------------------------------------------------------------------------------------ words


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    lots = evaluation.details.get("lots", ())
    chains = {chain["lot"]: chain for chain in evaluation.details.get("chains", ())}
    if not lots:
        return []
    said = [_summary(lots, list(chains.values()), unit)]
    for shown in lots:
        said.append(_value_words(shown, unit))
        said += _chain_words(chains[shown["lot"]])
    return said + _method_words(lots)


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


def _value_words(shown: Mapping[str, Any], unit: str) -> str:
    places = places_for(shown["u"])
    masses = {kind: sum(net for what, net in shown["masses"] if what == kind) for kind in ("fuel", "oil")}
    weighed = (
        f"Lot {shown['lot']}: {masses['fuel']:.8g} g of {shown['fuel']} in {masses['oil']:.8g} g of {shown['oil']} "
        f"weigh out as {fixed(shown['weighed'], places)} {unit}"
    )
    corrected = ""
    if shown["loss_most"]:
        corrected = f"; corrected by {fixed(shown['loss_shift'], places)} {unit} for the mean loss while weighing,"
    relative = significant(100 * shown["u"] / shown["value"], 2)
    value = (
        f"{weighed}{corrected or ';'} the assigned value is {fixed(shown['value'], places)} {unit} with the standard "
        f"uncertainty {fixed(shown['u'], places)} {unit} ({relative} % of it), expanded "
        f"{fixed(shown['expanded'], places)} {unit} (k = {shown['k']:.2f})."
    )
    largest = sorted(shown["parts"], key=lambda part: -part["share"])[:2]
    parts = " and ".join(f"{part['component']} ({100 * part['share']:.0f} %)" for part in largest if part["share"])
    balance = sum(part["share"] for part in shown["parts"] if part["component"].startswith(WEIGHINGS))
    return f"{value} The largest parts of its variance are {parts}; the balance itself brings {_percent(balance)}."


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
        f"Lot{'' if len(names) == 1 else 's'} {sentence_list(names)}: Monte Carlo {verb} to two digits of the "
        f"uncertainty: {reason}."
        for (verb, reason), names in together.items()
    ]


def _chain_words(chain: Mapping[str, Any]) -> list[str]:
    lot = chain["lot"]
    broken = [link["told"] for link in chain["links"] if link["state"] == OPEN and link["told"]]
    covered = [link["told"] for link in chain["links"] if link["state"] == COVERED]
    said = [*broken, *covered]
    if not said:
        through = "; ".join(link["evidence"] for link in chain["links"] if link["link"].startswith("kilogram"))
        said.append(
            f"Lot {lot}: the chain from the kilogram to the lot is closed ({through}; weighed {chain['made']})."
        )
    if chain["open_days"]:
        said.append(
            f"Lot {lot}: its can of fuel had been open for {_days(chain['open_days'])}. What evaporated from the can "
            "before weighing leaves every mass right and the response wrong: only a comparison of responses shows it."
        )
    return said


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Standards and their traceability",
    position=160,
    experiment=NAME,
    method=(
        "Each lot has a record of what was weighed. Its assigned value is the mass of fuel times its purity over the "
        "mass of everything, w = m_f P / (m_f + m_o); the impurity stays in the denominator, for it is mass all the "
        "same.",
        "Both masses are corrected for air buoyancy where the densities are stated. Fuel lost while weighing lies "
        "between nothing and its largest value: the assigned value is corrected for the mean of that, and its width "
        "enters the uncertainty. Homogeneity and the loss in use are relative terms without correction.",
        "The uncertainty is combined by the law of propagation and, beside it, by Monte Carlo with a fixed seed; where "
        "the two differ the reason is said.",
        "The chain runs from the kilogram through the certificate of each balance and the weighings to the lot; the "
        "identity of the fuel is its second branch. A link without evidence is drawn open.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.mass_fraction",
            "assigned value of the lot",
            "w",
            "w = m_f P / (m_f + m_o), corrected for buoyancy and the mean loss while weighing",
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
            "u(w)^2 = sum (c_i u_i)^2",
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
