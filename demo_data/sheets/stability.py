"""Stability: the standard sealed and in use, every age of it read in one run."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, shuffled


def rows(laboratory: Laboratory, design: Row) -> list[Row]:
    run = design["run"]
    day = laboratory.normal()
    planned = [
        (state, age, k)
        for state in design["loss_a_week"]
        for age in design["ages"]
        for k in range(design["replicates"])
    ]
    found: list[Row] = []
    for order, (state, age, _) in enumerate(shuffled(laboratory, planned), 1):
        left = design["level"] * (1 - design["loss_a_week"][state] * age / 7)
        found.append(
            {
                "run": run["run"],
                "order": order,
                "time": clock(run["start"], order),
                "analyst": run["analyst"],
                "instrument": run["instrument"],
                "lot": run["lot"],
                "state": state,
                "age": age,
                "result": f"{laboratory.result(left, run, day):.3f}",
            }
        )
    return number(found, "S")
