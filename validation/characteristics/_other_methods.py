"""The further table of a chapter that shows its quantities by other methods beside the reported ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from validation.study.quantity import Quantity

HEAD = ["quantity", "level", "reported", "from", "to", "by", "value", "from", "to"]


def other_methods_table(
    reported: Sequence[Quantity], alternatives: Mapping[str, Sequence[Quantity]]
) -> list[dict[str, Any]]:
    """One row a quantity and method, in the order of the reported ones; no table where there is none."""
    rows: list[list[Any]] = []
    for title, quantities in alternatives.items():
        found = {(q.key, q.at): q for q in quantities}
        for q in reported:
            other = found.get((q.key, q.at))
            if other is not None:
                name = q.key.partition(".")[2].replace("_", " ") if "s_" not in q.key else q.key.partition(".")[2]
                ends = [*(q.interval or (None, None))], [*(other.interval or (None, None))]
                rows.append([name, q.at, q.value, *ends[0], title, other.value, *ends[1]])
    if not rows:
        return []
    return [
        {
            "caption": "The same by other methods, for the sensitivity of verdicts alone",
            "head": HEAD,
            "rows": rows,
        }
    ]
