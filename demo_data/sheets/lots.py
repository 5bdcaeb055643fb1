"""Lot bridging: three lots of the standard in one run, each once in every group of three readings."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, shuffled


def rows(laboratory: Laboratory, design: Row) -> list[Row]:
    """A lot answers by its own factor; day and instrument scale all lots of the run alike."""
    run, found = design["run"], []
    day = laboratory.normal()
    for _ in range(design["readings"]):
        for lot in shuffled(laboratory, list(design["lots"])):
            value = laboratory.result(design["level"], run, day) * design["lots"][lot]
            order = len(found) + 1
            found.append(
                {
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": lot,
                    "level": f"{design['level']:.3f}",
                    "result": f"{value:.2f}",
                }
            )
    return number(found, "L")
