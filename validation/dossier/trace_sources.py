"""What is behind a number that comes from no worksheet row: lot records, and the components of the uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from validation.dossier.manifest import sha256
from validation.study.budget import Component
from validation.study.lot_record import LotRecord, Weighing
from validation.study.model import Study
from validation.study.plan import PLAN
from validation.study.yaml_reading import Reading, read_yaml
from validation.words import level_text

#: Chapters whose numbers come from the lot records alone; a further key compares two of them.
OF_RECORDS, OF_TWO_RECORDS = "standards.", "lots.normalised_difference"
OF_BUDGET = "uncertainty."
#: What the study itself measures of its uncertainty; the standard is that of the lot in use.
MEASURED = ("intermediate_precision.s_I", "trueness.bias", "standards.relative_uncertainty")


def sources_of(inputs: Path, study: Study, quantity: Mapping[str, Any], known: Sequence[Mapping[str, Any]]) -> Any:
    """Lot records, plan entries and measured parts behind a quantity, as plain data; empty for any other quantity.

    Parameters
    ----------
    inputs, study : the copies in the dossier, and the study as read from them
    quantity, known : the quantity of results.json, and all of them
    """
    key, at = quantity["key"], quantity["at"]
    of_budget = key.startswith(OF_BUDGET) and study.plan.uncertainty is not None
    if not (of_budget or key.startswith(OF_RECORDS) or key == OF_TWO_RECORDS):
        return {}
    plan = read_yaml((inputs / PLAN).read_bytes(), PLAN)
    if of_budget:
        return _budget(inputs, study, plan, at, known)
    lots = [at, *_other_lots(study, at)] if key == OF_TWO_RECORDS else [at]
    return {"lot_records": _records(inputs, study, plan, lots)}


# --------------------------------------------------------------------------------------------------------- standards


def _other_lots(study: Study, at: Any) -> list[str]:
    """The lot that the others are compared with."""
    data = study.experiments.get("lots")
    named = None if data is None else data.settings.get("reference")
    reference = str(named or study.plan.lots.stated.get("in_use") or "")
    return [reference] if reference and reference != at else []


def _records(inputs: Path, study: Study, plan: Reading, lots: Sequence[Any]) -> list[dict[str, Any]]:
    records = []
    for lot in lots:
        record = study.lot_records.get(str(lot))
        entry, line = _plan_entry(study, plan, str(lot))
        item: dict[str, Any] = {"lot": lot, "plan": entry, "plan_line": line, "file": "", "lines": []}
        if record is not None:
            item |= {
                "file": record.file,
                "sha256": sha256(inputs / record.file),
                "lines": [*_weighings(record), *_parts(read_yaml((inputs / record.file).read_bytes(), record.file))],
                "amendments": _amendments(study, record),
            }
        records.append(item)
    return records


def _plan_entry(study: Study, plan: Reading, lot: str) -> tuple[str, int | None]:
    standards = plan.value.get("standards") if isinstance(plan.value, dict) else None
    pairs = enumerate(standards) if isinstance(standards, list) else (standards or {}).items()
    position = next((key for key, entry in pairs if isinstance(entry, dict) and entry.get("name", key) == lot), None)
    entry = next((item for item in study.plan.standards if str(item.get("name")) == lot), {})
    facts = ", ".join(f"{name} {value}" for name, value in entry.items())
    return facts, None if position is None else plan.line(("standards", position))


def _weighings(record: LotRecord) -> list[dict[str, Any]]:
    return [
        {"line": record.line("weighings", position), "text": _weighed(record, item)}
        for position, item in enumerate(record.preparation.weighings)
    ]


def _weighed(record: LotRecord, item: Weighing) -> str:
    readings = "" if item.mass_g is not None else f" (gross {item.gross_g} g, tare {item.tare_g} g)"
    until = f", valid until {item.certificate_valid_until}" if item.certificate_valid_until else ""
    return (
        f"{item.what} {item.net:.8g} g{readings}, u = {item.u_g:.2g} g, on {item.balance} "
        f"({item.certificate or 'certificate not stated'}{until}), weighed {item.date or record.preparation.made}"
    )


def _parts(record: Reading) -> list[dict[str, Any]]:
    """Every other fact that enters the value, its uncertainty or its validity, as the record writes it."""
    parts = []
    for name in ("fuel", "loss_while_weighing", "buoyancy", "homogeneity", "in_use_loss", "expires"):
        value = record.value.get(name)
        if value is not None:
            facts = ", ".join(f"{key} {fact}" for key, fact in value.items()) if isinstance(value, dict) else str(value)
            parts.append({"line": record.line((name,)), "text": f"{name}: {facts}"})
    return parts


def _amendments(study: Study, record: LotRecord) -> list[str]:
    """Those of the record itself, and the notes on a balance that it names or on the lot."""
    named = {weighing.balance for weighing in record.preparation.weighings} | {record.lot}
    return [
        f"amendment {row['number']} ({row['kind']}) by {row['by']}: {row['reason']}"
        for row in study.amendments
        if (row["kind"] == "record" and row["file"] == record.file)
        or (row["kind"] == "impact" and row["column"] in named)
    ]


# ------------------------------------------------------------------------------------------------------- uncertainty


def _budget(inputs: Path, study: Study, plan: Reading, at: Any, known: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    budget = study.plan.uncertainty
    assert budget is not None, "asked by the caller"
    components = [
        {
            "line": plan.line(("uncertainty", "components", position)),
            "name": item.name,
            "text": _component(item, at),
            "origin": item.origin or "not stated",
        }
        for position, item in enumerate(budget.components)
    ]
    taken = {str(item.taken_from) for item in budget.components if item.taken_from is not None}
    wanted = [*MEASURED, *sorted(taken - set(MEASURED))]
    measured = [part for key in wanted for part in _measured(key, at, study, known)]
    lots = [part["at"] for part in measured if part["key"].startswith(OF_RECORDS)]
    sources = {"components": components, "plan_sha256": sha256(inputs / PLAN), "measured": measured}
    return {**sources, "lot_records": _records(inputs, study, plan, lots)}


def _component(item: Component, at: Any) -> str:
    if item.reason is not None:
        return item.reason
    limit = item.size if item.size is not None else item.half_width
    if limit is None:
        size = f"from {item.taken_from}"
        size += f", mean of {item.readings} readings" if item.readings > 1 else ""
    else:
        size = f"{'size' if item.size is not None else f'half-width, {item.shape}'} {limit}"
        if isinstance(at, float | int) and limit.needs_level:
            size += f", {limit.value(float(at)):.4g} at {level_text(at)}"
    df = f", {item.degrees_of_freedom:g} degrees of freedom" if item.degrees_of_freedom else ""
    part_of = f", part of the {item.part_of}" if item.part_of else ""
    return f"{size}{df}{part_of}"


def _measured(key: str, at: Any, study: Study, known: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The measured quantities of a key: at this level, or the two nearest levels, or of the lot in use."""
    own = [item for item in known if item["key"] == key and item["value"] is not None]
    if key.startswith(OF_RECORDS):
        in_use = str(study.plan.lots.stated.get("in_use") or "")
        nearest = [item for item in own if item["at"] == in_use] or (own if len(own) == 1 else [])
    else:
        levels = sorted((item for item in own if isinstance(item["at"], float | int)), key=lambda item: item["at"])
        if not isinstance(at, float | int):
            nearest = levels or own
        elif exact := [item for item in levels if item["at"] == at]:
            nearest = exact
        else:
            nearest = [
                *[item for item in levels if item["at"] < at][-1:],
                *[item for item in levels if item["at"] > at][:1],
            ]
    return [{name: item[name] for name in ("key", "at", "value", "unit", "worksheet")} for item in nearest]


# ------------------------------------------------------------------------------------------------------------ as text


def source_lines(folder: Path, sources: Mapping[str, Any]) -> list[str]:
    """The same as lines of a printed trace."""
    inputs = folder / "inputs"
    lines: list[str] = []
    for part in sources.get("measured", ()):
        place = "" if part["at"] is None else f" at {level_text(part['at'])}"
        unit = "" if part["unit"] == "1" else f" {part['unit']}"
        lines.append(f"  measured   {part['key']}{place} = {part['value']:.6g}{unit}  ({part['worksheet']})")
    for item in sources.get("lot_records", ()):
        if item["file"]:
            lines.append(f"  lot record {inputs / item['file']}  SHA-256 {item['sha256']}")
            lines += [f"    line {part['line']:>3}  {part['text']}" for part in item["lines"]]
            lines += [f"    {text}" for text in item["amendments"]]
        if item["plan"]:
            lines.append(f"  plan       {inputs / PLAN}, line {item['plan_line']}: {item['plan']}")
    if sources.get("components"):
        lines.append(f"  plan       {inputs / PLAN}, uncertainty  SHA-256 {sources['plan_sha256']}")
        lines += [f"    line {part['line']:>3}  {part['name']}: {_with_origin(part)}" for part in sources["components"]]
    return lines


def _with_origin(part: Mapping[str, Any]) -> str:
    reason = part["text"].startswith(("negligible", "not applicable"))
    return str(part["text"]) if reason else f"{part['text']}. Origin: {part['origin']}"
