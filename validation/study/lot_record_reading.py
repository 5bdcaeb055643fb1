"""Lot records read from the study folder; all faults together, with field, line and how to correct them."""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from validation.faults import Fault
from validation.study.lot_record import (
    UNITS,
    Buoyancy,
    Fuel,
    Homogeneity,
    InUseLoss,
    Loss,
    LotRecord,
    Oil,
    Preparation,
    Weighing,
    day_of,
)
from validation.study.names import readings_of
from validation.study.plan import PLAN, Plan, nearest
from validation.study.plan_values import inside_path
from validation.study.schema_faults import by_path, found_text, unknown_word
from validation.study.yaml_reading import Path_, Reading, key_name, read_yaml

#: Densities that a value in kg/m3 can have; a value in g/mL falls outside.
DENSITIES = {
    "fuel_density": (500.0, 2000.0),
    "oil_density": (500.0, 2000.0),
    "air_density": (0.5, 2.0),
    "weights_density": (2000.0, 25000.0),
}
#: A standard uncertainty above this share of the mass is taken for another unit, such as mg instead of g.
LARGEST_U = 0.1
#: The mass of a lot in gram: one drop to more vials than a study opens.
LOT_SIZES = (0.1, 5000.0)
#: Below this share of the mass not even the best weights are known: class E1 of 1 kg is within 0.5 mg, and its own
#: standard uncertainty a sixth of that (OIML R 111-1:2004, table 1 and 5.2, from memory).
SMALLEST_U = 5e-8
#: Beyond this factor between stated and recomputed value a mass is in another unit or belongs to another component.
OTHER_UNIT = 2.0


def named_records(plan: Plan) -> dict[str, str]:
    """The lot record that the plan names for each standard, as written."""
    return {
        str(item["name"]): str(item["lot_record"])
        for item in plan.standards
        if item.get("name") is not None and item.get("lot_record") is not None
    }


def record_files_of(plan: Plan) -> tuple[str, ...]:
    """The files of the lot records that the plan names, those inside the study folder."""
    files = []
    for text in named_records(plan).values():
        try:
            files.append(inside_path(text))
        except ValueError:
            continue
    return tuple(sorted(set(files)))


def strange_masses(records: Mapping[str, LotRecord]) -> list[str]:
    """Lots of a size that nobody divides into vials: their masses may all be in one other unit than gram.

    The mass fraction is then right all the same, so it is a warning and no fault.
    """
    least, most = LOT_SIZES
    sentences = []
    for record in records.values():
        total = record.total
        if not least <= total <= most:
            unit, factor = ("milligram", 1e-3) if total > most else ("kilogram", 1e3)
            first = record.preparation.weighings[0]
            sentences.append(
                f"{record.file}: the lot weighs {total:.6g} g in all. Were its masses written in {unit}? In gram they "
                f"are a thousand times {'smaller' if factor < 1 else 'larger'}: {first.net:.10g} becomes "
                f"{first.net * factor:.10g}."
            )
    return sentences


def read_lot_records(folder: Path, plan: Plan) -> tuple[dict[str, LotRecord], list[Fault]]:
    """Read every lot record that the plan's standards name.

    Returns
    -------
    The records by lot, in the order of the plan, and every fault of every one of them.
    """
    records: dict[str, LotRecord] = {}
    faults: list[Fault] = []
    for lot, text in named_records(plan).items():
        try:
            file = inside_path(text)
        except ValueError as error:
            reason, _, mend = str(error).partition(". ")
            mend = mend.replace("worksheets/", "standards/")
            faults.append(Fault(PLAN, f"{reason}.", mend, column=f"standards, {lot}, lot_record", value=text))
            continue
        raw, place_faults = _bytes(folder, file)
        faults += place_faults
        if raw is None:
            continue
        record, record_faults = parse_lot_record(raw, file, lot=lot, unit=plan.study.unit, stated=_stated(plan, lot))
        faults += record_faults
        if record is not None:
            records[lot] = record
    return records, faults


def _stated(plan: Plan, lot: str) -> float | None:
    """The value of this standard in the plan, where it is a number."""
    for item in plan.standards:
        value = item.get("value")
        if str(item.get("name")) == lot and isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
    return None


def _bytes(folder: Path, file: str) -> tuple[bytes | None, list[Fault]]:
    path = folder / file
    try:
        inside = path.resolve(strict=True).is_relative_to(folder.resolve())
        if not inside:
            mend = "Copy the file itself into the study folder."
            return None, [Fault(file, "The path leads out of the study folder through a link.", mend)]
        return path.read_bytes(), []
    except FileNotFoundError:
        names = [entry.name for entry in path.parent.iterdir()] if path.parent.is_dir() else []
        close = difflib.get_close_matches(path.name, names, n=1, cutoff=0.8)
        hint = f' A file "{close[0]}" is there: rename it or change the plan.' if close else ""
        mend = f"Put the lot record there, or correct lot_record in plan.yaml.{hint}"
        return None, [Fault(file, "The lot record is not there.", mend, value="no file", expected=f"a file {file}")]
    except OSError as error:
        return None, [Fault(file, f"The file cannot be read: {error.strerror or error}.", "Check the access rights.")]


def parse_lot_record(
    raw: bytes, file: str, *, lot: str, unit: str, stated: float | None = None
) -> tuple[LotRecord | None, list[Fault]]:
    """Read a lot record from its bytes.

    Parameters
    ----------
    raw, file : the bytes, and how the file is named in messages
    lot, unit : what the plan calls this standard, and the unit of the study
    stated : the value that the plan states for it; a recomputed one of another size is a fault

    Returns
    -------
    The record, or None where it cannot be used; and every fault, in the order of the file.
    """
    reading = read_yaml(raw, file)
    # The reader speaks of a plan, which is the other file of its kind.
    faults = [_renamed(fault) for fault in reading.faults]
    if not isinstance(reading.value, dict):
        mend = "Begin with lot: and made:, as the template in the documentation of lot records does."
        return None, faults or [Fault(file, "The lot record holds no keys.", mend, row=1)]
    by_place: dict[Path_, Fault] = {}
    value = _without_other_units(reading, file, by_place)
    preparation = None
    try:
        preparation = Preparation.model_validate(value)
    except ValidationError as error:
        for place, item in by_path(error, value).items():
            by_place.setdefault(place, _translated(item, place, reading, file))
    for path, fault in _between_fields(reading, file, lot, unit):
        by_place.setdefault(path, fault)
    faults += by_place.values()
    if preparation is not None and not faults:
        record = LotRecord(file, hashlib.sha256(raw).hexdigest(), preparation, dict(reading.lines))
        faults = _size_faults(record, stated)
        if not faults:
            return record, []
    return None, sorted(faults, key=lambda fault: fault.row or 0)


def _renamed(fault: Fault) -> Fault:
    reason, mend = (text.replace("a plan", "a lot record") for text in (fault.reason, fault.mend))
    reason, mend = (
        text.replace("The plan", "The lot record").replace("the plan", "the lot record") for text in (reason, mend)
    )
    return Fault(fault.file, reason, mend, fault.row, fault.reading, fault.column, fault.value, fault.expected)


# ------------------------------------------------------------------------------------------------ units in the keys

_UNIT_KEY = re.compile(r"(?P<what>mass|gross|tare|u|net)(_(?P<unit>[a-zA-Z]+))?")
_PER_GRAM = {"mg": 1e-3, "kg": 1e3, "ug": 1e-6, "g": 1.0}


def _without_other_units(reading: Reading, file: str, by_place: dict[Path_, Fault]) -> dict[str, Any]:
    """A copy without masses whose key names another unit than gram, or none; each is reported with the key to write."""
    value = dict(reading.value)
    entries = value.get("weighings")
    if not isinstance(entries, list):
        return value
    value["weighings"] = [
        _one_weighing(entry, position, reading, file, by_place) if isinstance(entry, dict) else entry
        for position, entry in enumerate(entries)
    ]
    return value


def _one_weighing(
    entry: dict[str, Any], position: int, reading: Reading, file: str, by_place: dict[Path_, Fault]
) -> dict[str, Any]:
    kept = {}
    for key, item in entry.items():
        parts = _UNIT_KEY.fullmatch(key)
        if parts is None or key in Weighing.model_fields:
            kept[key] = item
            continue
        path: Path_ = ("weighings", position, key)
        right = f"{'mass' if parts['what'] == 'net' else parts['what']}_g"
        by_place[path] = _wrong_unit(path, right, parts["unit"], item, reading, file)
        # A placeholder, so that the mass is not reported as missing as well.
        kept.setdefault(right, entry.get(right, 1e-9 if right == "u_g" else 1.0))
    has_mass = kept.get("mass_g") is not None
    pair = [kept.get("gross_g") is not None, kept.get("tare_g") is not None]
    path = ("weighings", position, "mass_g")
    if not has_mass and not all(pair):
        missing = "mass_g" if not any(pair) else "gross_g" if not pair[0] else "tare_g"
        mend = "Write the net mass as mass_g, or both gross_g and tare_g, in gram."
        by_place[path] = Fault(file, f"The {missing} is missing.", mend, reading.line(path), None, key_name(path))
    elif has_mass and any(pair):
        mend = "Keep mass_g, or gross_g and tare_g."
        reason = "The mass is given twice, as a net mass and as readings of the balance."
        by_place[path] = Fault(file, reason, mend, reading.line(path), None, key_name(path))
    return kept


def _wrong_unit(path: Path_, right: str, unit: str | None, item: Any, reading: Reading, file: str) -> Fault:
    number = item if isinstance(item, int | float) and not isinstance(item, bool) else None
    factor = _PER_GRAM.get(unit or "")
    mend = f"Write {right}, in gram"
    if number is not None and factor is not None:
        mend += f": {right}: {number * factor:.10g}"
    reason = f"Masses are given in gram, not in {unit}." if unit else "The key does not name its unit."
    row = reading.line(path)
    return Fault(file, reason, f"{mend}.", row, None, key_name(path), str(path[-1]), right)


# -------------------------------------------------------------------------------------------------- between fields


def _between_fields(reading: Reading, file: str, lot: str, unit: str) -> Iterator[tuple[Path_, Fault]]:
    """Contradictions between two fields or with the plan; each check uses the fields that can be read."""
    value: dict[str, Any] = reading.value

    def fault(path: Path_, reason: str, mend: str, written: Any, expected: str | None = None) -> tuple[Path_, Fault]:
        return path, Fault(file, reason, mend, reading.line(path), None, key_name(path), str(written), expected)

    if value.get("lot") is not None and str(value["lot"]) != lot:
        mend = "Correct the name here or in plan.yaml, or name the record of this lot there."
        yield fault(("lot",), "The record is for a different lot from the one in plan.yaml.", mend, value["lot"], lot)
    people = [readings_of(str(value[key])) for key in ("maker", "checker") if value.get(key) is not None]
    if len(people) == 2 and not set(people[0]).isdisjoint(people[1]):
        mend = "Have another person check the record, and enter that name."
        yield fault(("checker",), "Maker and checker are the same person.", mend, value["checker"], "another person")
    yield from _unit_faults(value, unit, fault)
    yield from _date_faults(value, fault)
    yield from _weighing_faults(value, fault)
    yield from _component_faults(value, fault)


def _unit_faults(value: Mapping[str, Any], unit: str, fault: Any) -> Iterator[tuple[Path_, Fault]]:
    stated = value.get("unit")
    if stated is None:
        return
    if str(stated) != unit:
        mend = f'Write unit: "{unit}", or correct the unit of the study in plan.yaml.'
        yield fault(("unit",), "The unit of the record is not that of the study.", mend, stated, unit)
    elif str(stated) not in UNITS:
        mend = "A lot made by weighing has a mass fraction; give the study such a unit."
        known = ", ".join(f'"{name}"' for name in UNITS)
        yield fault(("unit",), "The unit is not one of mass fraction.", mend, stated, known)


def _date_faults(value: Mapping[str, Any], fault: Any) -> Iterator[tuple[Path_, Fault]]:
    fuel = value.get("fuel") if isinstance(value.get("fuel"), dict) else {}
    days: dict[Path_, date | None] = {
        (name,): day_of(value.get(name)) for name in ("made", "first_use", "last_use", "expires")
    }
    days[("fuel", "opened")] = day_of(fuel.get("opened"))  # type: ignore[union-attr]
    order: tuple[tuple[Path_, Path_, str], ...] = (
        (("fuel", "opened"), ("made",), "The can of fuel was opened after the lot was made."),
        (("made",), ("expires",), "The lot expires before it was made."),
        (("made",), ("first_use",), "The lot was used before it was made."),
        (("first_use",), ("last_use",), "The last use is before the first."),
    )
    for earlier, later, reason in order:
        first, second = days[earlier], days[later]
        if first is not None and second is not None and second < first:
            path = earlier if earlier == ("fuel", "opened") else later
            mend = f"Correct {key_name(earlier)} ({first}) or {key_name(later)} ({second})."
            bound = f"{second} or earlier" if path == earlier else f"{first} or later"
            yield fault(path, reason, mend, days[path], bound)


def _weighing_faults(value: Mapping[str, Any], fault: Any) -> Iterator[tuple[Path_, Fault]]:
    entries = value.get("weighings")
    if not isinstance(entries, list):
        return
    kinds = {str(entry.get("what")) for entry in entries if isinstance(entry, dict)}
    for kind in ("fuel", "oil"):
        if kind not in kinds and kinds <= {"fuel", "oil"}:
            mend = f"Add the weighing of the {kind}: - {{what: {kind}, mass_g: ..., u_g: ..., balance: ...}}."
            yield fault(("weighings",), f"There is no weighing of {kind}.", mend, ", ".join(sorted(kinds)) or "none")
    for position, entry in enumerate(entries):
        if not isinstance(entry, dict):
            continue
        path: Path_ = ("weighings", position)
        gross, tare, mass, u = (_plain(entry.get(name)) for name in ("gross_g", "tare_g", "mass_g", "u_g"))
        if gross is not None and tare is not None and gross <= tare and gross > 0 and tare >= 0:
            mend = "Check whether the two are exchanged."
            yield fault((*path, "gross_g"), "The net mass is zero or less: gross does not exceed tare.", mend, gross)
        net = mass if mass is not None else gross - tare if gross is not None and tare is not None else None
        if net is not None and u is not None and net > 0 and u > LARGEST_U * net:
            mend = f"Write it in gram: 0.3 mg is u_g: 0.0003; {u:g} mg would be u_g: {u / 1000:.10g}."
            reason = "The standard uncertainty is more than a tenth of the mass; is it in milligram?"
            yield fault((*path, "u_g"), reason, mend, u, f"below {LARGEST_U * net:g}")
        name, largest = next(((n, v) for n, v in (("mass_g", mass), ("gross_g", gross)) if v), ("", 0.0))
        if u is not None and 0 < u < SMALLEST_U * largest:
            mend = f"Write each mass in gram: {largest:.10g} mg is {name}: {largest / 1000:.10g}."
            reason = "No balance is as sure as this u_g says for such a mass; is the mass in milligram?"
            yield fault((*path, name), reason, mend, f"{largest:.10g}", f"below {u / SMALLEST_U:g}")


def _component_faults(value: Mapping[str, Any], fault: Any) -> Iterator[tuple[Path_, Fault]]:
    """A component of the budget has a size, or a reason why it has none; densities are in kg/m3."""
    for name, size in (("loss_while_weighing", "most"), ("homogeneity", "u"), ("in_use_loss", "u")):
        part = value.get(name)
        if isinstance(part, dict) and (part.get(size) is None) == (part.get("negligible_because") is None):
            reason = "Neither a size nor a reason is given." if part.get(size) is None else "Both are given."
            mend = f'Write {size}: "0.5%", or negligible_because: with the reason, not both.'
            yield fault((name,), reason, mend, "nothing" if part.get(size) is None else "both")
    part = value.get("buoyancy")
    if not isinstance(part, dict):
        return
    needed = ("fuel_density", "oil_density", "air_density")
    missing = [name for name in needed if part.get(name) is None]
    if part.get("negligible_because") is None and missing:
        mend = f"Add {', '.join(missing)} in kg/m3, or negligible_because: with the reason."
        yield fault(
            ("buoyancy",), "The correction of air buoyancy lacks a density.", mend, f"no {', no '.join(missing)}"
        )
    elif part.get("negligible_because") is not None and len(missing) < len(needed):
        mend = "Keep the densities, or the reason."
        yield fault(("buoyancy",), "Both densities and a reason for leaving them out are given.", mend, "both")
    for name, (low, high) in DENSITIES.items():
        number = _plain(part.get(name))
        if number is not None and not low <= number <= high:
            mend = "Write the density in kg/m3"
            mend += f": {number * 1000:g}." if low <= number * 1000 <= high else "."
            yield fault(
                ("buoyancy", name), "The density cannot be in kg/m3.", mend, f"{number:g}", f"{low:g} to {high:g}"
            )


def _plain(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _size_faults(record: LotRecord, stated: float | None) -> list[Fault]:
    """A mass in another unit shows in a value of another size."""
    if stated is None or stated <= 0:
        return []
    value, unit = record.plain_fraction, record.preparation.unit
    if 1 / OTHER_UNIT <= value / stated <= OTHER_UNIT:
        return []
    mend = "Check that fuel and oil are not exchanged and every mass is in gram, or correct the value in plan.yaml."
    reason = "The weighings give a mass fraction that does not fit the value in plan.yaml."
    place: Path_ = ("weighings",)
    if (slip := _slip(record, stated)) is not None:
        number, factor = slip
        name = "mass_g" if record.preparation.weighings[number].mass_g is not None else "gross_g"
        mass = getattr(record.preparation.weighings[number], name)
        place, unit_written = ("weighings", number, name), "milligram" if factor < 1 else "kilogram"
        mend = f"Is {mass:.10g} a mass in {unit_written}? Then write {name}: {mass * factor:.10g}, with which it fits."
    weighed, expected = f"{value:.4g} {unit}", f"about {stated:g} {unit}"
    return [Fault(record.file, reason, mend, record.line(*place), None, key_name(place), weighed, expected)]


def _slip(record: LotRecord, stated: float) -> tuple[int, float] | None:
    """The one weighing that fits the stated value when it is a thousand times smaller or larger, and that factor."""
    weighings = record.preparation.weighings
    for factor in (1e-3, 1e3):
        for number, weighing in enumerate(weighings):
            other = weighing.model_copy(update=_scaled(weighing, factor))
            made = (*weighings[:number], other, *weighings[number + 1 :])
            preparation = record.preparation.model_copy(update={"weighings": made})
            if 1 / OTHER_UNIT <= replace(record, preparation=preparation).plain_fraction / stated <= OTHER_UNIT:
                return number, factor
    return None


def _scaled(weighing: Weighing, factor: float) -> dict[str, float]:
    masses = {name: getattr(weighing, name) for name in ("mass_g", "gross_g", "tare_g")}
    return {name: mass * factor for name, mass in masses.items() if mass is not None}


# ----------------------------------------------------------------------------------------- the schema's complaints

_EXPECTED = {
    "string_type": "text",
    "dict_type": "keys with values, indented below",
    "model_type": "keys with values, indented below",
    "model_attributes_type": "keys with values, indented below",
    "tuple_type": "a list, one entry a line, each beginning with -",
}
_MODELS: Mapping[str, type[BaseModel]] = {
    "": Preparation,
    "fuel": Fuel,
    "oil": Oil,
    "weighings": Weighing,
    "loss_while_weighing": Loss,
    "buoyancy": Buoyancy,
    "homogeneity": Homogeneity,
    "in_use_loss": InUseLoss,
}
_EXAMPLES = {
    "made": "2026-02-26",
    "unit": '"%"',
    "purity": "1",
    "u_g": "0.0003",
    "what": "fuel",
    "fuel": '{name: "...", purity: 1}',
    "oil": '{name: "..."}',
}


def _translated(item: Any, path: Path_, reading: Reading, file: str) -> Fault:
    kind, name, row = item["type"], key_name(path), reading.line(path)
    written = found_text(item)
    if kind == "extra_forbidden":
        model = _MODELS.get(str(path[0]) if len(path) > 1 else "", Preparation)
        mend = nearest(str(path[-1]), model.model_fields).strip()
        return Fault(file, "The key is unknown.", mend, row, None, name, str(path[-1]), "a known key")
    if kind == "missing":
        under = f" under {key_name(path[:-1])}" if len(path) > 1 else ""
        mend = f"Add the line `{path[-1]}: {_EXAMPLES.get(str(path[-1]), '...')}`{under}."
        return Fault(file, f'The key "{path[-1]}" is missing.', mend, row, None, name)
    if kind == "value_error":
        reason, _, mend = str(item["ctx"]["error"]).partition(". ")
        return Fault(file, f'"{path[-1]}" {reason.rstrip(".")}.', mend, row, None, name, written)
    if kind == "literal_error":
        return unknown_word(item, file, row, name)
    expected = _EXPECTED.get(kind, item["msg"])
    return Fault(file, "The value is of the wrong kind.", f"Write {expected}.", row, None, name, written, expected)
