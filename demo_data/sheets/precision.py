"""Precision: blends of known content in eight runs, with the planted slip and outlier."""

from __future__ import annotations

from typing import Any

from laboratory import Laboratory, Row, clock, number, readings


def rows(laboratory: Laboratory, design: Row, lot: str, planted: Row) -> list[Row]:
    found: list[Row] = []
    for run, day, order, x, k in readings(laboratory, design):
        drawn = f"{laboratory.result(x, run, day):.2f}"
        event: Row = next((p for p in planted.values() if is_here(p, run["run"], x, k)), {})
        found.append(
            {
                "run": run["run"],
                "order": order,
                "time": clock(run["start"], order),
                "day": run["start"][:10],
                "analyst": run["analyst"],
                "instrument": run["instrument"],
                "lot": lot,
                "preparation": f"N{x:g}-{run['run']}-{k}",
                "level": f"{x:g}",
                "assigned": f"{x:.3f}",
                "result": event.get("keyed", event.get("result", drawn)),
                "record": "",
                "displayed": event.get("result", drawn),
            }
        )
    return number(found, "P")


def is_here(planted: Any, run: str, x: float, k: int) -> bool:
    return isinstance(planted, dict) and (planted.get("run"), planted.get("level"), planted.get("replicate")) == (
        run,
        x,
        k,
    )
