"""The invented laboratory: what its instruments would give, and the small things every worksheet needs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import numpy as np

MINUTES_A_READING = 4
Row = dict[str, Any]


class Laboratory:
    """The invented laboratory: draws results as its instruments would give them."""

    def __init__(self, truth: Row, seed: int, response_ratio: float = 1.0) -> None:
        self.truth = truth
        self.random = np.random.RandomState(seed)
        # Lot S-02 answers weaker than its weighings say: the standard's response, and so every result, is scaled.
        self.response_ratio = response_ratio

    def normal(self) -> float:
        return float(self.random.standard_normal())

    def sd(self, name: str, x: float) -> float:
        return spread(self.truth[name], x)

    def detected(self, x: float) -> float:
        """Fuel as the sensor answers to it, in %: background, and the bend above 5 %."""
        shape = self.truth["response"]
        return x + shape["background"] - shape["bend"] * max(0.0, x - shape["bend_from"]) ** 2

    def expected(self, x: float) -> float:
        """Mean result of the routine one-point calibration through zero."""
        standard = self.truth["response"]["standard_level"]
        return standard * self.detected(x) / (self.detected(standard) * self.response_ratio)

    def people_and_instrument(self, run: Row, x: float) -> float:
        """Fixed offsets of the named analyst, instrument and site at level x; zero for those not named in the truth."""
        pairs = (("analyst", "analysts"), ("instrument", "instruments"), ("laboratory", "sites"))
        positions = ((role, self.truth[table].get(run.get(role), 0.0)) for role, table in pairs)
        return sum(z * self.sd("s_site" if role == "laboratory" else f"s_{role}", x) for role, z in positions)

    def result(self, x: float, run: Row, day: float) -> float:
        return (
            self.expected(x)
            + day * self.sd("s_day", x)
            + self.people_and_instrument(run, x)
            + self.normal() * self.sd("s_r", x)
        )

    def response(self, x: float, run: Row, day: float) -> float:
        """Frequency shift in Hz. The day and the instrument scale the whole response."""
        gain = self.truth["response"]["gain_hz_per_percent"] * self.response_ratio
        gain *= 1 + day * self.truth["s_day"]["slope"]
        gain *= 1 + self.truth["instruments"].get(run["instrument"], 0.0) * self.truth["s_instrument"]["slope"]
        return gain * (self.detected(x) + self.normal() * self.sd("s_r", x))


def spread(model: Row, x: float) -> float:
    return float(model["constant"] + model["slope"] * x)


def clock(start: str, order: int) -> str:
    return (datetime.fromisoformat(start) + timedelta(minutes=MINUTES_A_READING * (order - 1))).isoformat(
        "T", "minutes"
    )


def readings(laboratory: Laboratory, design: Row) -> Iterator[tuple[Row, float, int, float, int]]:
    """Run, its draw of the day, order, level and replicate of a design in which every run holds every level."""
    for run in design["runs"]:
        day = laboratory.normal()
        planned = [(x, k) for x in design["levels"] for k in range(1, design["replicates"] + 1)]
        for order, (x, k) in enumerate(shuffled(laboratory, planned), 1):
            yield run, day, order, x, k


def number(rows: list[Row], prefix: str) -> list[Row]:
    """Identifiers in the order of measurement."""
    return [{"reading": f"{prefix}-{position:03d}", **row} for position, row in enumerate(rows, 1)]


def shuffled(laboratory: Laboratory, items: list[Any]) -> list[Any]:
    return [items[int(index)] for index in laboratory.random.permutation(len(items))]
