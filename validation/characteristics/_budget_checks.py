"""The budget held against the study itself: components that disagree, and what sharing one standard adds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import stdev
from typing import Any

from validation.characteristics._budgets import CLOSE, LevelBudget, Sized, Sources
from validation.characteristics._precision_runs import place_text, unit_text
from validation.stats.uncertainty import REACH, Cover, cover_of, excess_scatter, root_sum_of_squares
from validation.study.quantity import Quantity
from validation.words import fixed, places_for, sentence_list, significant

Table = dict[str, Any]

#: Where a slope ratio comes from, and the question of the budget whose components stand for it.
SHIFTS = {"matrix.slope_ratio": "oil", "fuel.slope_ratio": "fuel"}
COVERED: Mapping[Cover, str] = {
    "whole": "yes, with all of its interval",
    "estimate": "yes, but not all of its interval",
    "none": "no",
}


# What the plan states beside what the study measured ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Check:
    """One component of the plan beside what this study measured of the same."""

    name: str
    planned: str
    measured: str
    agrees: bool
    remark: str


def checks(one: LevelBudget, sources: Sources, unit: str) -> list[Check]:
    """Standard, fuel and the reading of a sample: each only where the plan states it and the study measured it."""
    found = (_standard(one, sources), _fuel(one, sources), _reading(one, sources, unit))
    return [check for check in found if check is not None]


def _stated(one: LevelBudget, question: str) -> list[Sized]:
    return [c for c in one.components if c.question == question and c.stated]


def _size(parts: Sequence[Sized]) -> float:
    return root_sum_of_squares([part.term.standard_uncertainty for part in parts])


def _standard(one: LevelBudget, sources: Sources) -> Check | None:
    q, parts = sources.single("standards.relative_uncertainty"), _stated(one, "standard")
    if q is None or not q.value or not parts or not one.level:
        return None
    planned = _size(parts) / abs(one.level)
    agrees = abs(planned / q.value - 1) <= CLOSE
    counted = "top-down counts the record, bottom-up the plan" if parts[0].part_of else "the plan counts on both sides"
    remark = f"apart by less than a tenth; {counted}" if agrees else counted
    return Check("standard", _share(planned), f"{_share(q.value)} (lot record{_of(q)})", agrees, remark)


def _of(q: Quantity) -> str:
    return f" {q.at}" if q.at else ""


def _fuel(one: LevelBudget, sources: Sources) -> Check | None:
    q, parts = sources.single("fuel.spread"), _stated(one, "fuel")
    if q is None or q.value is None or q.interval is None or not parts or not one.level:
        return None
    planned, (low, high) = _size(parts) / abs(one.level), q.interval
    names = sentence_list([str(slope.at) for slope in sources.quantities("fuel.slope")])
    measured = f"{_share(q.value)} over {names} ({significant(100 * low, 2)} to {significant(100 * high, 2)} %)"
    return Check("fuel", _share(planned), measured, low <= planned <= high, _beside(planned, low, high))


def _reading(one: LevelBudget, sources: Sources, unit: str) -> Check | None:
    found, parts = sources.at("repeatability.s_r", one.level), _stated(one, "sample reading")
    if found is None or found.bounds is None or not parts:
        return None
    planned, (low, high), of = _size(parts), found.bounds, unit_text(unit)
    places = places_for((high - low) / 4)
    measured = f"{fixed(found.value, places)}{of} ({fixed(low, places)} to {fixed(high, places)}{of}), its s_r"
    place = place_text(one.level, unit)
    return Check(
        "sample reading", f"{fixed(planned, places)}{of} at {place}", measured, low <= planned <= high,
        _beside(planned, low, high),
    )  # fmt: skip


def _beside(planned: float, low: float, high: float) -> str:
    if low <= planned <= high:
        return "the plan lies inside the interval"
    return f"the plan lies {'below' if planned < low else 'above'} the interval"


def _share(value: float) -> str:
    return f"{significant(100 * value, 2)} % of the level"


def checks_table(found: Sequence[Check]) -> Table:
    """Planned and measured side by side."""
    rows = [[c.name, c.planned, c.measured, "yes" if c.agrees else "no", c.remark] for c in found]
    head = ["component", "the plan states", "this study has", "agree", "remark"]
    return {"caption": "Components of the plan beside what this study measured", "head": head, "rows": rows}


def checks_words(found: Sequence[Mapping[str, Any]]) -> list[str]:
    """What disagrees, in one sentence."""
    apart = [c for c in found if not c["agrees"]]
    if not found:
        return []
    if not apart:
        names = sentence_list([c["name"] for c in found])
        return [f"Where this study measured what the plan states ({names}), the two agree."]
    said = [f"the {c['name']} ({c['planned']} stated, {c['measured']} here; {c['remark']})" for c in apart]
    return [f"The plan and this study disagree on {sentence_list(said)}."]


# Used oils ------------------------------------------------------------------------------------------------------


def used_oils(found: Sequence[LevelBudget], focus: LevelBudget, sources: Sources) -> dict[str, Any] | None:
    """What fuel-free used oils scatter by beyond blanks of new oil; None where the blanks do not tell, or tell none."""
    groups = [group for group in sources.evaluation("detection").details.get("groups", ()) if group["kind"] == "blank"]
    new = next((group["results"] for group in groups if group["suffix"] == "" and not _is_used(group)), ())
    used = next((group["results"] for group in groups if _is_used(group)), ())
    if min(len(new), len(used)) < 2 or not stdev(new) > 0:
        return None
    confidence = sources.study.confidence
    excess = excess_scatter(stdev(used), len(used) - 1, stdev(new), len(new) - 1, confidence=confidence)
    lowest = next((one for one in found if one.level > 0), focus)
    stands = _size([c for c in lowest.components if c.question == "oil" and c.part_of is None])
    if not excess.shows or excess.value <= stands:
        return None
    return {
        "new": stdev(new),
        "used": stdev(used),
        "n": [len(new), len(used)],
        "excess": excess.value,
        "ratio": excess.ratio,
        "critical": excess.critical,
        "oil": stands,
        "oil_at": lowest.level,
        "levels": [
            [one.level, one.result.expanded.value, _expanded_with(one, excess.value)]
            for one in ([focus] if lowest is focus else [lowest, focus])
        ],
    }


def _is_used(group: Mapping[str, Any]) -> bool:
    return "used" in str(group["matrix"]).lower()


def _expanded_with(one: LevelBudget, *further: float) -> float:
    """U with further uncertainties, at the k of the budget: its own k would hide part of what is added."""
    return one.result.coverage_factor * root_sum_of_squares([one.u, *further])


def used_oil_words(found: Mapping[str, Any] | None, unit: str) -> list[str]:
    """What stands in no component, and what it would make of U."""
    if found is None:
        return []
    of, places = unit_text(unit), places_for(found["excess"])
    new, used, excess, oil = (fixed(found[name], places) for name in ("new", "used", "excess", "oil"))
    with_it = sentence_list(
        [
            f"{fixed(more, places_for(u))}{of} instead of {fixed(u, places_for(u))}{of} at {place_text(at, unit)}"
            for at, u, more in found["levels"]
        ]
    )
    test = f"ratio of the variances {significant(found['ratio'], 2)}, critical {significant(found['critical'], 2)}"
    return [
        f"Blanks of used oils scatter by {used}{of}, those of new oil by {new}{of} ({found['n'][1]} and "
        f"{found['n'][0]} readings; {test}): what used oils add, {excess}{of}, stands in no component (oil: {oil}{of} "
        f"at {place_text(found['oil_at'], unit)}). With it U would be {with_it}."
    ]


# One standard for several grades and fuels ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shared:
    """A grade or fuel read against the common standard; shares of the level, `expanded` at the level of the budget.

    `together`: one of each at once, which nobody measured.
    """

    name: str
    shift: float
    uncertainty: float
    interval: tuple[float, float] | None
    components: tuple[str, ...]
    size: float
    cover: Cover
    expanded: float
    together: bool = False


def shared(one: LevelBudget, sources: Sources) -> list[Shared]:
    """Every grade and fuel with a slope ratio, and the two that the budget covers and that add up furthest."""
    if not one.level:
        return []
    found: dict[str, list[Shared]] = {}
    for key, question in SHIFTS.items():
        parts = [c for c in one.components if c.question == question and c.part_of is None]
        found[key] = [_shared(one, q, parts) for q in sources.quantities(key)]
    grades, fuels = ([entry for entry in entries if entry.cover != "none"] for entries in found.values())
    pairs = [_together(one, grade, fuel) for grade in grades for fuel in fuels]
    furthest = max(pairs, key=lambda pair: abs(pair.shift), default=None)
    return [*(entry for entries in found.values() for entry in entries), *([] if furthest is None else [furthest])]


def _shared(one: LevelBudget, q: Quantity, parts: Sequence[Sized]) -> Shared:
    shift, u = (q.value or 0.0) - 1, q.standard_uncertainty or 0.0
    interval = None if q.interval is None else (q.interval[0] - 1, q.interval[1] - 1)
    size = _size(parts) / abs(one.level)
    return Shared(
        str(q.at), shift, u, interval, tuple(part.name for part in parts), size,
        cover_of(shift, interval, size), _expanded_with(one, shift * one.level, u * one.level),
    )  # fmt: skip


def _together(one: LevelBudget, grade: Shared, fuel: Shared) -> Shared:
    """Both shifts at once, as factors; nobody measured them together."""
    first, second = 1 + grade.shift, 1 + fuel.shift
    shift, u = first * second - 1, root_sum_of_squares([grade.uncertainty * second, fuel.uncertainty * first])
    size = root_sum_of_squares([grade.size, fuel.size])
    return Shared(
        f"{grade.name} with {fuel.name}", shift, u, None, grade.components + fuel.components, size,
        cover_of(shift, None, size),
        _expanded_with(one, shift * one.level, u * one.level), together=True,
    )  # fmt: skip


def shared_table(found: Sequence[Shared], one: LevelBudget, unit: str, confidence: float) -> Table:
    """What each grade and fuel reads under the common standard, and whether the budget covers it."""
    rows = []
    for entry in found:
        ends = [] if entry.interval is None else [_signed(end) for end in entry.interval]
        low_high = "product, not measured" if entry.together else f"{' to '.join(ends)} %" if ends else ""
        stands = f"{sentence_list(list(entry.components))}, {significant(100 * entry.size, 2)} %"
        places = places_for(one.result.expanded.value)
        rows.append(
            [
                entry.name,
                _read(entry.shift),
                low_high,
                stands if entry.components else "none",
                f"±{fixed(100 * REACH * entry.size, 1)} %",
                "yes" if entry.cover == "estimate" and not ends else COVERED[entry.cover],
                fixed(entry.expanded, places),
            ]
        )
    head = ["grade or fuel", "reads", f"{100 * confidence:.4g} % interval", "component for it"]
    head += ["it reaches", "covered", f"U / {unit} with it" if unit != "1" else "U with it"]
    caption = f"What sharing the standard adds at {place_text(one.level, unit)}; U without it is "
    caption += f"{fixed(one.result.expanded.value, places_for(one.result.expanded.value))}{unit_text(unit)}"
    return {"caption": caption, "head": head, "rows": rows}


def _read(shift: float) -> str:
    """ "1.5 % high"."""
    text = fixed(100 * abs(shift), 1)
    return f"{text} %" if not text.strip("0.") else f"{text} % {'high' if shift > 0 else 'low'}"


def _signed(share: float) -> str:
    text = fixed(100 * share, 1)
    return f"+{text}" if share > 0 and text.strip("0.") else text


def shared_details(found: Sequence[Shared]) -> list[dict[str, Any]]:
    """What the sentences need."""
    return [
        {
            "name": entry.name,
            "shift": entry.shift,
            "together": entry.together,
            "cover": entry.cover,
            "stands": list(entry.components),
            "reach": REACH * entry.size,
            "expanded": entry.expanded,
        }
        for entry in found
    ]


def shared_words(found: Sequence[Mapping[str, Any]], at: float, expanded: float, unit: str) -> list[str]:
    """Which shifts the components cover, what each would add as a bias of its own, and which lie beyond."""
    of, places, place = unit_text(unit), places_for(expanded), place_text(at, unit)
    inside = [entry for entry in found if entry["cover"] != "none"]
    beyond = [entry for entry in found if entry["cover"] == "none"]
    sentences = []
    if inside:
        single = [entry for entry in inside if not entry["together"]]
        reads = sentence_list([f"{entry['name']} reads {_read(entry['shift'])}" for entry in single])
        stands = {name: entry["reach"] for entry in single for name in entry["stands"]}
        reaches = sentence_list([f"{name} ({fixed(100 * reach, 1)} %)" for name, reach in stands.items()])
        more = sentence_list(
            [
                f"{fixed(entry['expanded'], places)}{of} for {entry['name']}"
                + (" (the product; not measured together)" if entry["together"] else "")
                for entry in inside
            ]
        )
        sentences.append(
            f"Against the common standard {reads}, within √3 times the standard uncertainty of {reaches}. Whatever "
            "else these components stand for, by their origin, comes on top: as a bias beside them, U at "
            f"{place} would be {more}, instead of {fixed(expanded, places)}{of}."
        )
    if beyond:
        names = sentence_list([f"{entry['name']} ({_read(entry['shift'])})" for entry in beyond])
        sentences.append(
            f"Under the common standard the budget does not hold for {names}: no component reaches that far."
        )
    return sentences
