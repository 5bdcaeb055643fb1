"""From a lot record to its assigned value: which input has which distribution, and what the record leaves open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from validation.stats.distributions import Distribution, Normal, Rectangular, one_sided
from validation.stats.standards import (
    AIR,
    DRAWS,
    FUEL_DENSITY,
    LOSS,
    OIL_DENSITY,
    PURITY,
    WEIGHTS,
    AssignedValueResult,
    SharedValues,
    Weighed,
    assigned_value,
    shared_values,
)
from validation.study.lot_record import UNITS, LotRecord, Preparation, Weighing
from validation.study.plan import Plan

HOMOGENEITY, IN_USE = "homogeneity of the lot", "loss in use"
SEED = 8004
#: Stated and recomputed value may differ by this many standard uncertainties of the difference.
FACTOR = 2.0


@dataclass(frozen=True)
class LotValue:
    """The assigned value of a lot, the inputs behind it, and sentences on what was assumed or left out."""

    record: LotRecord
    result: AssignedValueResult
    inputs: dict[str, Distribution]
    shapes: dict[str, str]
    units: dict[str, str]
    notes: tuple[str, ...] = ()


def lot_value(record: LotRecord, *, confidence: float, draw: bool = False, draws: int = DRAWS) -> LotValue:
    """Assigned value of a lot; `draw` adds Monte Carlo with a fixed seed."""
    stated = record.preparation
    weighings, inputs, shapes = _balance_readings(stated)
    units = dict.fromkeys(inputs, "g")
    inputs[PURITY], shapes[PURITY], units[PURITY] = Normal(stated.fuel.purity, stated.fuel.u_purity), "normal", "1"
    for further in (_loss(stated), _buoyancy(stated)):
        for name, (distribution, shape, unit) in further.items():
            inputs[name], shapes[name], units[name] = distribution, shape, unit
    relative = []
    for name, part in ((HOMOGENEITY, stated.homogeneity), (IN_USE, stated.in_use_loss)):
        if part is not None and part.u is not None:
            inputs[name], shapes[name], units[name] = Normal(1.0, part.u), "normal", "1"
            relative.append(name)
    scale = UNITS[stated.unit]
    result = assigned_value(
        weighings, inputs, relative, scale=scale, confidence=confidence, seed=SEED if draw else None, draws=draws
    )
    return LotValue(record, result, inputs, shapes, units, tuple(_notes(stated, inputs)))


def _balance_readings(stated: Preparation) -> tuple[list[Weighed], dict[str, Distribution], dict[str, str]]:
    """Each balance reading once: a gross that is written again as the next tare is one and the same number."""
    counts: dict[str, int] = {}
    weighings, inputs = [], {}
    last: tuple[str, Weighing] | None = None
    for item in stated.weighings:
        counts[item.what] = counts.get(item.what, 0) + 1
        several = sum(other.what == item.what for other in stated.weighings) > 1
        name = f"{item.what}{f' {counts[item.what]}' if several else ''}"
        if item.mass_g is not None:
            inputs[f"mass of {name}"] = Normal(item.mass_g, item.u_g)
            weighings.append(Weighed(item.what, f"mass of {name}"))
            last = None
            continue
        gross, tare = f"gross with {name}", f"tare before {name}"
        if last is not None and last[1].gross_g == item.tare_g and last[1].balance == item.balance:
            tare = last[0]
        else:
            inputs[tare] = Normal(item.tare_g or 0.0, item.u_g)
        inputs[gross] = Normal(item.gross_g or 0.0, item.u_g)
        weighings.append(Weighed(item.what, gross, tare))
        last = (gross, item)
    return weighings, dict(inputs), dict.fromkeys(inputs, "normal")


_Input = tuple[Distribution, str, str]


def _loss(stated: Preparation) -> dict[str, _Input]:
    loss = stated.loss_while_weighing
    if loss is None or loss.most is None:
        return {}
    if loss.shape == "one sided":
        return {LOSS: (one_sided(loss.most), "rectangular from zero, one sided", "1")}
    return {LOSS: (Rectangular(-loss.most, loss.most), "rectangular about zero", "1")}


def _buoyancy(stated: Preparation) -> dict[str, _Input]:
    part = stated.buoyancy
    if part is None or part.fuel_density is None or part.oil_density is None or part.air_density is None:
        return {}
    return {
        AIR: (Normal(part.air_density, part.u_air_density), "normal", "kg/m3"),
        WEIGHTS: (Normal(part.weights_density, 0.0), "exact by convention", "kg/m3"),
        FUEL_DENSITY: (Normal(part.fuel_density, part.u_density), "normal", "kg/m3"),
        OIL_DENSITY: (Normal(part.oil_density, part.u_density), "normal", "kg/m3"),
    }


def _notes(stated: Preparation, inputs: dict[str, Distribution]) -> list[str]:
    """What is assumed, what is missing, what rests on a stated reason; the same words for lots in the same case."""
    notes = []
    loss = stated.loss_while_weighing
    if loss is not None and loss.most is not None:
        share = 100 * loss.most
        if loss.shape == "one sided":
            notes.append(
                f"Between nothing and {share:g} % of the fuel was lost while weighing; the assigned value is corrected "
                f"for the mean of that, {share / 2:g} %."
            )
        else:
            notes.append(
                f"The fuel may have changed by up to {share:g} % either way while weighing; the assigned value is not "
                "corrected for it."
            )
    if stated.fuel.u_purity == 0:
        notes.append(f"The purity of the fuel, {stated.fuel.purity:g}, is taken as exact, as the record states it.")
    for title, part, size in (
        ("loss while weighing", loss, None if loss is None else loss.most),
        ("air buoyancy", stated.buoyancy, inputs.get(AIR)),
        ("homogeneity", stated.homogeneity, None if stated.homogeneity is None else stated.homogeneity.u),
        ("loss in use", stated.in_use_loss, None if stated.in_use_loss is None else stated.in_use_loss.u),
    ):
        if part is None:
            notes.append(f"The lot record says nothing about {title}; it counts as nothing in the uncertainty.")
        elif size is None and part.negligible_because is not None:
            reason = part.negligible_because.rstrip(".")
            notes.append(f"{title.capitalize()} is left out of the uncertainty because: {reason}.")
    return notes + _in_use_notes(stated)


def _in_use_notes(stated: Preparation) -> list[str]:
    part = stated.in_use_loss
    if part is None or part.u is None:
        return []
    uncorrected = "The assigned value is not corrected for the loss in use; its uncertainty has to cover it"
    if part.per_week is None or part.days is None:
        return [f"{uncorrected}."]
    most = part.per_week * part.days / 7
    # An uncorrected loss between nothing and `most` departs from zero by most / sqrt(3), root mean square.
    needed = most / sqrt(3)
    # Stated figures are rounded: half a unit of the second digit is no contradiction.
    short = needed > 1.05 * part.u
    return [
        f"{uncorrected}: {100 * part.per_week:g} % a week over {part.days:g} days is {100 * most:.2g} % at most, "
        f"{100 * needed:.2g} % root mean square; the record takes {100 * part.u:g} %"
        f"{', which is too little' if short else ''}."
    ]


def errors_of(value: LotValue) -> dict[str, float]:
    """What each error brings to the value of a lot, with its sign; one name in two lots is one and the same error.

    Shared are: purity where fuel and batch are the same, as with two dilutions of one parent lot; readings of one
    balance under one certificate, as if all of `u_g` were the balance's own error; losses whose sizes rest on one
    report; densities of the same fuel and oil; the air of one day. Homogeneity is of each lot alone.
    """
    named: dict[str, float] = {}
    for part in value.result.propagated.parts:
        name = _source(part.name, value.record.preparation) or f"{part.name} of lot {value.record.lot}"
        named[name] = named.get(name, 0.0) + part.contribution
    return named


def relative_covariance(values: Sequence[LotValue]) -> SharedValues:
    """Covariance of the relative errors of the values of lots, each with an uncertainty above zero."""
    return shared_values(
        [{name: part / value.result.value for name, part in errors_of(value).items()} for value in values]
    )


def _source(name: str, stated: Preparation) -> str | None:
    """The error behind an input, by a name that other lots may share; None: of this lot alone."""
    fuel, reports = stated.fuel, {LOSS: stated.loss_while_weighing, IN_USE: stated.in_use_loss}
    if name == PURITY:
        return f"purity of {fuel.name}, batch {fuel.batch}" if fuel.batch else None
    if name in reports:
        part = reports[name]
        return None if part is None or part.evidence is None else f"{name} by {part.evidence}"
    if name in (AIR, WEIGHTS):
        return f"{name} on {stated.made}"
    if name in (FUEL_DENSITY, OIL_DENSITY):
        return f"density of {fuel.name if name == FUEL_DENSITY else stated.oil.name}"
    used = {(item.balance, item.certificate) for item in stated.weighings}
    if name == HOMOGENEITY or len(used) > 1:
        return None
    ((balance, certificate),) = used
    return f"{name} by balance {balance}, certificate {certificate}" if certificate else None


def disagreements(plan: Plan, records: Mapping[str, LotRecord]) -> list[str]:
    """A sentence for each lot whose value in the plan disagrees with its weighings beyond the uncertainty of both."""
    sentences = []
    for lot, record in records.items():
        entry = next((item for item in plan.standards if str(item.get("name")) == lot), {})
        value, u = entry.get("value"), entry.get("uncertainty")
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        weighed = lot_value(record, confidence=plan.confidence).result
        stated_u = float(u) if isinstance(u, int | float) and not isinstance(u, bool) else 0.0
        difference = float(value) - weighed.value
        joint = FACTOR * sqrt(weighed.standard_uncertainty**2 + stated_u**2)
        if abs(difference) > joint:
            unit = plan.study.unit
            sentences.append(
                f"Lot {lot}: plan.yaml states {value:g} {unit}, the weighings in {record.file} give "
                f"{weighed.value:.4g} {unit}; the two differ by {difference:.2g} {unit}, more than their "
                f"uncertainties allow ({joint:.2g})."
            )
    return sentences
