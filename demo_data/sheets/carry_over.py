"""Carry-over: triples of a high sample and two blanks, at each purge time."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number


def rows(laboratory: Laboratory, design: Row) -> list[Row]:
    """The first vial after a high one gets the share that its purge leaves behind; the second gets nothing."""
    found: list[Row] = []
    for run in design["runs"]:
        day = laboratory.normal()
        for triple in range(1, design["triples"] + 1):
            carried = run["carried_over"] * design["high"]
            vials = (("high", design["high"], 0.0), ("blank 1", 0.0, carried), ("blank 2", 0.0, 0.0))
            for place, (position, x, extra) in enumerate(vials, 1):
                order = 3 * (triple - 1) + place
                found.append(
                    {
                        "run": run["run"],
                        "order": order,
                        "time": clock(run["start"], order),
                        "analyst": run["analyst"],
                        "instrument": run["instrument"],
                        "lot": run["lot"],
                        "sequence": f"{run['run']}-{triple}",
                        "position": position,
                        "setting": run["setting"],
                        "level": f"{design['high']:g}",
                        "result": f"{laboratory.result(x, run, day) + extra:.3f}",
                    }
                )
    return number(found, "X")
