"""Matrix effect: three oil grades at three levels, interleaved, once in each of eight runs."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, shuffled


def rows(laboratory: Laboratory, design: Row) -> list[Row]:
    """An oil of another base lets the fuel go more or less easily: a factor; its own vapour adds to every reading."""
    background, found = laboratory.truth["response"]["background"], []
    for run in design["runs"]:
        day = laboratory.normal()
        planned = [(grade, x) for grade in design["grades"] for x in design["levels"]]
        for order, (grade, x) in enumerate(shuffled(laboratory, planned), 1):
            oil = design["grades"][grade]
            value = laboratory.result(oil["factor"] * x + oil["blank"] - background, run, day)
            found.append(
                {
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": run["lot"],
                    "grade": grade,
                    "matrix": "new oil",
                    "preparation": f"M{grade[-1]}{x:g}-{run['run']}",
                    "level": f"{x:g}",
                    "result": f"{value:.3f}",
                }
            )
    return number(found, "M")
