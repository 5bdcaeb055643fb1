"""Fuel blends: three fuels at two levels in the study grade, interleaved, once in each of four runs."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, shuffled


def rows(laboratory: Laboratory, design: Row) -> list[Row]:
    """Esters are less volatile than the rest of a fuel: the more of them, the weaker the signal of the same mass."""
    found: list[Row] = []
    for run in design["runs"]:
        day = laboratory.normal()
        planned = [(fuel, x) for fuel in design["fuels"] for x in design["levels"]]
        for order, (fuel, x) in enumerate(shuffled(laboratory, planned), 1):
            found.append(
                {
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": run["lot"],
                    "fuel": fuel,
                    "preparation": f"F{fuel.removeprefix('FB-')}-{x:g}-{run['run']}",
                    "level": f"{x:g}",
                    "result": f"{laboratory.result(design['fuels'][fuel] * x, run, day):.2f}",
                }
            )
    return number(found, "F")
