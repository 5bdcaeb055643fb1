"""Readings of the bias on what also calibrates: they give back the calibration, whatever the value is worth."""

from __future__ import annotations

from collections.abc import Mapping

from validation.study.model import Study
from validation.study.text_files import decimal


def own_references(study: Study) -> dict[str, list[str]]:
    """Readings of the precision experiment by the material that also calibrates.

    That is a standard of the plan or a lot that the readings were calibrated with, named as `preparation`, or a
    preparation that the calibration holds at the same level. A bare number names nothing beyond its worksheet.
    """
    data = study.ready("precision")
    if data is None:
        return {}
    standards = {str(entry["name"]) for entry in study.plan.standards if entry.get("name")} | set(study.lot_records)
    calibration = study.ready("calibration")
    calibrated = set() if calibration is None else {_blend(one.values) for one in calibration.readings}
    found: dict[str, list[str]] = {}
    for reading in data.readings:
        name, lot = reading.values.get("preparation", ""), reading.values.get("lot", "")
        calibrates = name in standards or name == lot or _blend(reading.values) in calibrated
        if name and not name.isdigit() and calibrates and reading.status in ("used", "censored"):
            found.setdefault(name, []).append(reading.reading)
    return found


def _blend(values: Mapping[str, str]) -> tuple[str, object]:
    return values.get("preparation", ""), decimal(values.get("level", ""))
