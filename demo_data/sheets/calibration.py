"""Calibration: the response at each level, three runs on three instruments."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, readings


def rows(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    found: list[Row] = []
    for run, day, order, x, k in readings(laboratory, design):
        found.append(
            {
                "run": run["run"],
                "order": order,
                "time": clock(run["start"], order),
                "analyst": run["analyst"],
                "instrument": run["instrument"],
                "lot": lot,
                "preparation": f"K{x:g}-{run['run']}-{k}",
                "level": f"{x:g}",
                "response": f"{laboratory.response(x, run, day):.1f}",
            }
        )
    return number(found, "C")
