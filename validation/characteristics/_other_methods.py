"""The further table of a chapter that shows its quantities by other methods beside the reported ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from validation.study.quantity import Cell, Quantity, Table

HEAD = ("quantity", "level", "reported", "from", "to", "by", "value", "from", "to")


def other_methods_table(
    reported: Sequence[Quantity], alternatives: Mapping[str, Sequence[Quantity]]
) -> tuple[Table, ...]:
    """One row a quantity and method, in the order of the reported ones; no table where there is none."""
    rows: list[tuple[Cell, ...]] = []
    for title, quantities in alternatives.items():
        by_place = {(q.key, q.at): q for q in quantities}
        for q in reported:
            other = by_place.get((q.key, q.at))
            if other is not None:
                name = q.key.partition(".")[2].replace("_", " ") if "s_" not in q.key else q.key.partition(".")[2]
                own, others = (item.interval or (None, None) for item in (q, other))
                rows.append((name, q.at, q.value, *own, title, other.value, *others))
    caption = "The same by other methods, for the sensitivity of verdicts alone"
    return (Table("other methods", caption, HEAD, tuple(rows), aside=True),) if rows else ()
