"""One requirement on the page: its label, its strip, its outcome in words."""

from __future__ import annotations

from validation.dossier.blocks import (
    Strip,
)
from validation.judging.requirements import RequirementResult, find_key
from validation.words import (
    fixed,
    level_text,
    places_for,
    significant,
    with_interval,
)


def chapter_anchor(quantity: str) -> str:
    """The anchor of the chapter that holds a quantity."""
    return quantity.partition(".")[0].replace("_", "-")


def label_of(row: RequirementResult) -> str:
    """ "R1 bias at 4 %"."""
    name = name_of(row.quantity)
    place = ""
    if isinstance(row.at, float):
        place = f" at {level_text(row.at)}" + ("" if row.unit in ("", "1") else f"\N{NO-BREAK SPACE}{row.unit}")
    elif row.at is not None:
        place = f", {row.at}"
    return f"{row.id} {spoken(name).removesuffix(' at')}{place}"


def name_of(quantity: str) -> str:
    """The last part of a key; of a pair of limits what both have in common."""
    info = find_key(quantity)
    key = info.pair[0].rsplit("_", 1)[0] if info is not None and info.pair is not None else quantity
    return key.partition(".")[2]


def spoken(name: str) -> str:
    """The last part of a key as words; symbols such as s_r stay as they are."""
    first = name.partition("_")[0]
    return name if len(first) <= 1 else name.replace("_", " ")


def strip_of(row: RequirementResult, anchor: str = "") -> Strip:
    """A requirement's row as the strip draws it: everything divided by the limit."""
    info = find_key(row.quantity)
    two_sided = row.rule in ("equivalence", "inside") or (
        row.rule == "point" and info is not None and "equivalence" in info.rules
    )
    interval, observed = row.interval, row.observed
    texts = _texts(row)
    allowed: tuple[float | None, float | None] = (
        (-1.0, 1.0) if two_sided else (1.0, None) if row.rule == "lower bound" else (0.0, 1.0)
    )
    scaled: list[float | None] = [None, None, None]
    if row.limit and observed is not None:
        low, high = interval if interval is not None else (observed, observed)
        if row.rule == "upper bound" and low is None:
            low = observed
        if row.rule == "lower bound" and high is None:
            high = observed
        scaled = [None if value is None else (value - row.target) / row.limit for value in (observed, low, high)]
    unit = "" if row.unit in ("", "1") else f" {row.unit}"
    limit_text = {
        "equivalence": "±",
        "inside": "±",
        "upper bound": "≤ ",
        "lower bound": "≥ ",
        "point": "±" if two_sided else "≤ ",
    }[row.rule]
    centre = f"{significant(row.target)} " if row.target and two_sided else ""
    return Strip(
        label=label_of(row),
        outcome=row.outcome,
        observed_text=texts[0] + (unit if texts[0] else ""),
        interval_text=texts[1],
        limit_text="" if row.limit is None else f"{centre}{limit_text}{row.limit_text}",
        allowed=allowed,
        estimate=scaled[0] if row.rule != "inside" else None,
        low=scaled[1],
        high=scaled[2],
        reason="" if row.outcome == "met" else row.reason,
        anchor=anchor,
        thin=row.thin,
    )


def _texts(row: RequirementResult) -> tuple[str, str]:
    if row.observed is None:
        return "", ""
    if row.interval is None:
        return significant(row.observed), ""
    low, high = row.interval
    if low is None or high is None:
        end = high if low is None else low
        assert end is not None
        places = places_for(abs(end - row.observed) / 2) if end != row.observed else 3
        word = "at most" if low is None else "at least"
        return fixed(row.observed, places), f"{word} {fixed(end, places)}"
    value, span = with_interval(row.observed, (low, high))
    return ("" if row.rule == "inside" else value), span


def outcome_text(row: RequirementResult) -> str:
    value, span = _texts(row)
    text = ", ".join(part for part in (value, span) if part)
    return f"{row.settled}: {text}" if text else row.settled
