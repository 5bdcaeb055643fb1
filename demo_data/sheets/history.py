"""History: what customers' engines gave in the year before the study, mostly sound ones and some with a leak."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import log

from laboratory import Laboratory, Row, clock, number


def rows(laboratory: Laboratory, design: Row) -> list[Row]:
    """Routine results, a batch a week; who worked, and on which instrument, changes from week to week."""
    found: list[Row] = []
    first = datetime.fromisoformat(design["first"])
    for week in range(design["weeks"]):
        day, people, instruments = laboratory.normal(), design["analysts"], design["instruments"]
        run = {
            "analyst": people[week % len(people)],
            "instrument": instruments[week // len(people) % len(instruments)],
        }
        start = (first + timedelta(days=7 * week)).isoformat("T", "minutes")
        for place in range(1, design["batch"] + 1):
            sample = week * design["batch"] + place
            found.append(
                {
                    "time": clock(start, place),
                    "sample": f"E25-{sample:04d}",
                    "grade": design["grade"],
                    "instrument": run["instrument"],
                    "analyst": run["analyst"],
                    "lot": design["lot"],
                    "result": f"{laboratory.result(content(laboratory, design), run, day):.2f}",
                }
            )
    return number(found, "H")


def content(laboratory: Laboratory, design: Row) -> float:
    """The fuel in one engine's oil, in %."""
    kind = design["leaking" if laboratory.random.random_sample() < design["leaking"]["share"] else "sound"]
    return float(laboratory.random.lognormal(log(kind["median"]), kind["log_sd"]))
