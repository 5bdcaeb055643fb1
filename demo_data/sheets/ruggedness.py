"""Ruggedness: seven settings in the eight trials of Plackett and Burman, each trial once a day on two days."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, shuffled

FIRST = (1, -1, -1, 1, -1, 1, 1)  # each further trial moves it on by one place; the last has every setting low


def rows(laboratory: Laboratory, design: Row) -> list[Row]:
    trials = [tuple(FIRST[(place - trial) % 7] for place in range(7)) for trial in range(7)] + [(-1,) * 7]
    found: list[Row] = []
    for run in design["runs"]:
        day = laboratory.normal()
        for order, (trial, signs) in enumerate(shuffled(laboratory, list(enumerate(trials, 1))), 1):
            held = dict(zip(design["factors"], signs, strict=True))
            shift = sum(sign * design["factors"][name]["effect"] / 2 for name, sign in held.items())
            value = laboratory.result(design["level"], run, day) + shift * laboratory.expected(design["level"])
            found.append(
                {
                    "run": run["run"],
                    "day": run["start"][:10],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": run["lot"],
                    "trial": trial,
                    **{name: design["factors"][name]["high" if sign > 0 else "low"] for name, sign in held.items()},
                    "result": f"{value:.2f}",
                }
            )
    return number(found, "W")
