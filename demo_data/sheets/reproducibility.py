"""Reproducibility: the same blends at four sites."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, readings


def rows(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    found: list[Row] = []
    for run, day, order, x, k in readings(laboratory, design):
        found.append(
            {
                "laboratory": run["laboratory"],
                "run": run["run"],
                "order": order,
                "time": clock(run["start"], order),
                "analyst": run["analyst"],
                "instrument": run["instrument"],
                "lot": lot,
                "preparation": f"W{x:g}-{run['run']}-{k}",
                "level": f"{x:g}",
                "result [%]": f"{laboratory.result(x, run, day):.2f}",
            }
        )
    return number(found, "N")
