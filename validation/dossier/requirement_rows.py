"""One requirement on the page: its label, its strip, its outcome in words."""

from __future__ import annotations

from validation.dossier.blocks import (
    Strip,
)
from validation.judging.conclusion import NAMED
from validation.judging.requirements import RequirementResult, find_key
from validation.study.experiments import chapter_words
from validation.words import (
    level_text,
    share_text,
    significant,
    with_interval,
)

_PROPER_NAMES = {name.lower(): name for name in ("Bablok", "Deming", "Mandel", "Passing", "York")}

#: Quantities whose key is a symbol.
IN_FULL = {
    "s_r": "repeatability standard deviation s_r",
    "s_run": "standard deviation between runs s_run",
    "s_I": "intermediate standard deviation s_I",
    "s_L": "standard deviation between laboratories s_L",
    "s_R": "reproducibility standard deviation s_R",
    "r": "repeatability limit r",
    "R": "reproducibility limit R",
}


def chapter_anchor(quantity: str) -> str:
    """The anchor of the chapter that holds a quantity."""
    return quantity.partition(".")[0].replace("_", "-")


def label_of(row: RequirementResult) -> str:
    """ "R1 trueness bias at 4 %"; two chapters may use the same name for a quantity, so its chapter is named."""
    comma = "," if isinstance(row.at, str) else ""
    place = place_of(row)
    name = f"{row.id} {name_in_words(row.quantity)}{comma}"
    return f"{name} {place}" if place else name


def place_of(row: RequirementResult) -> str:
    """ "at 4 %", or the name of what was examined; empty for the study as a whole."""
    if isinstance(row.at, float):
        return f"at {level_text(row.at)}" + ("" if row.unit in ("", "1") else f"\N{NO-BREAK SPACE}{row.unit}")
    return "" if row.at is None else str(row.at)


def name_of(quantity: str) -> str:
    """The last part of a key; of a pair of limits what both have in common."""
    info = find_key(quantity)
    key = info.pair[0].rsplit("_", 1)[0] if info is not None and info.pair is not None else quantity
    return key.partition(".")[2]


def name_in_words(quantity: str) -> str:
    """ "trueness bias", "intermediate standard deviation s_I": what people call the quantity of a key."""
    chapter, _, key = quantity.partition(".")
    if quantity in NAMED or key in IN_FULL:
        return NAMED.get(quantity) or IN_FULL[key]
    return f"{chapter_words(chapter)} {spoken(name_of(quantity)).removesuffix(' at')}"


def spoken(name: str) -> str:
    """The last part of a key as words; symbols such as s_r stay as they are."""
    first = name.partition("_")[0]
    if len(first) <= 1:
        return name
    return " ".join(_PROPER_NAMES.get(word, word) for word in name.split("_"))


def strip_of(row: RequirementResult, anchor: str = "", *, trace: str = "", name: str = "") -> Strip:
    """A requirement's row as the strip draws it: everything divided by the limit.

    Of the rule `inside` it is the share outside, divided by the share that may be outside.
    """
    info = find_key(row.quantity)
    two_sided = row.rule == "equivalence" or (row.rule == "point" and info is not None and "equivalence" in info.rules)
    texts = _texts(row)
    allowed: tuple[float | None, float | None] = (
        (-1.0, 1.0) if two_sided else (1.0, None) if row.rule == "lower bound" else (0.0, 1.0)
    )
    scaled: list[float | None] = [None, None, None]
    if row.content is not None and row.observed is not None:
        least, most = row.interval or (row.observed, row.observed)
        scaled = [(1 - share) / (1 - row.content) for share in (row.observed, most, least)]
    elif row.limit and row.observed is not None:
        low, high = row.interval or (row.observed, row.observed)
        zero = row.target if two_sided else 0.0
        scaled = [(value - zero) / row.limit for value in (row.observed, low, high)]
    unit = "" if row.unit in ("", "1") or row.content is not None else f" {row.unit}"
    limit_text = {
        "equivalence": "±",
        "inside": f"{100 * (row.content or 0.0):.6g} % within ±",
        "upper bound": "≤ ",
        "lower bound": "≥ ",
        "point": "±" if two_sided else "≤ ",
    }[row.rule]
    centre = f"{significant(row.target)} " if row.target and two_sided else ""
    place = place_of(row)
    unbroken = place.replace(" ", "\N{NO-BREAK SPACE}") if isinstance(row.at, float) else place
    return Strip(
        label=label_of(row).removesuffix(place) + unbroken,
        outcome=row.outcome,
        observed_text=texts[0] + (unit if texts[0] else ""),
        interval_text=texts[1],
        limit_text="" if row.limit is None else f"{centre}{limit_text}{row.limit_text}",
        allowed=allowed,
        estimate=scaled[0],
        low=scaled[1],
        high=scaled[2],
        reason="" if row.outcome == "met" else row.reason,
        anchor=anchor,
        trace=trace,
        name=name,
        thin=row.thin,
        fragile=bool(row.fragile),
        place=unbroken,
    )


def _texts(row: RequirementResult) -> tuple[str, str]:
    """The estimate, and the interval or the bound that the rule judges."""
    if row.observed is None:
        return "", ""
    if row.content is not None:
        lower, upper = row.interval or (row.observed, row.observed)
        least, most = share_text(lower, row.content, side=-1), share_text(upper, row.content, side=1)
        bound = f"at most {most}" if row.settled == "not met" else f"at least {least}"
        return share_text(row.observed, row.content), bound
    value, span = with_interval(row.observed, row.interval)
    if row.interval is not None and row.rule in ("upper bound", "lower bound"):
        low, _, high = span.partition(" to ")
        span = f"at most {high}" if row.rule == "upper bound" else f"at least {low}"
    return value, span


def outcome_text(row: RequirementResult) -> str:
    """The outcome with the value and its interval, as far as there are any."""
    value, span = _texts(row)
    text = ", ".join(part for part in (value, span) if part)
    return f"{row.settled}: {text}" if text else row.settled
