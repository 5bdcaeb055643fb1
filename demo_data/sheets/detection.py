"""Detection: blanks of three kinds and a low spike."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, shuffled


def rows(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    truth, used_oils = laboratory.truth, 0
    found: list[Row] = []
    for run in design["runs"]:
        day = laboratory.normal()
        kinds = [kind for kind, count in design["each_run"].items() for _ in range(count)]
        for order, kind in enumerate(shuffled(laboratory, kinds), 1):
            level, material, matrix = 0.0, "OG-N batch 11", "new oil"
            if kind == "used_oil":
                used_oils += 1
                own = truth["used_oil_blank"]["mean"] + laboratory.normal() * truth["used_oil_blank"]["s"]
                value = laboratory.result(own - truth["response"]["background"], run, day)
                material, matrix = f"UB-{used_oils:02d}", "used oil"
            elif kind == "empty_vial":
                value = truth["empty_vial"]["mean"] + laboratory.normal() * truth["empty_vial"]["s"]
                material, matrix = "empty vial", "empty vial"
            else:
                if kind == "spike":
                    level, material = design["spike"], f"OG-N batch 11 + {design['spike']:g} % FB-7"
                value = laboratory.result(level, run, day)
            found.append(
                {
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": lot,
                    "material": material,
                    "matrix": matrix,
                    "level": f"{level:g}",
                    "result": f"{value:.3f}",
                }
            )
    return number(found, "B")
