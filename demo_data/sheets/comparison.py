"""Comparison: used oils by both methods."""

from __future__ import annotations

from laboratory import Laboratory, Row, clock, number, shuffled, spread


def rows(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    method = laboratory.truth["reference_method"]
    samples = {f"U{position:02d}": x for position, x in enumerate(design["samples"], 1)}
    sequence = shuffled(laboratory, list(samples))
    share = len(sequence) // len(design["runs"])
    found: list[Row] = []
    for position, run in enumerate(design["runs"]):
        day, batch = laboratory.normal(), sequence[position * share : (position + 1) * share]
        seen = {sample: content_seen(laboratory, method, sample, samples[sample]) for sample in batch}
        planned = [(sample, k) for sample in batch for k in range(1, design["replicates"] + 1)]
        for name in ("candidate", "reference"):
            start = run["start"] if name == "candidate" else design["reference_runs"][position]
            for order, (sample, k) in enumerate(shuffled(laboratory, planned), 1):
                if name == "candidate":
                    value, who = laboratory.result(seen[sample], run, day), (run["analyst"], run["instrument"], lot)
                else:
                    x = samples[sample]
                    value, who = x + laboratory.normal() * spread(method["s_r"], x), ("A3", "GC-1", "")
                marked = sample in method["weathered"]["samples"]
                found.append(
                    {
                        "run": run["run"],
                        "order": order,
                        "time": clock(start, order),
                        "analyst": who[0],
                        "instrument": who[1],
                        "lot": who[2],
                        "sample": sample,
                        "method": name,
                        "replicate": k,
                        "result": f"{value:.2f}",
                        "note": "weathered fuel, see the sampling sheet; kept" if marked else "",
                    }
                )
    return number(found, "G")


def content_seen(laboratory: Laboratory, method: Row, sample: str, x: float) -> float:
    """What the candidate finds of a used oil's fuel, before its own noise."""
    seen = x * (1 + method["candidate_proportional"]) * (1 + laboratory.normal() * method["sample_scatter"])
    return seen * (1 + method["weathered"]["further"]) if sample in method["weathered"]["samples"] else seen
