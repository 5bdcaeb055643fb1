"""A comparison as a terminal prints it: conclusion, step and verdicts first, then what moved and why."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from validation.dossier.comparison_report import NOT_SET, CauseGroup, ComparisonReport, NumberChange, Unrepeated
from validation.judging.conclusion import in_plain_words, range_text
from validation.study.experiments import chapter_words
from validation.words import fixed, level_text, places_for, sentence_list, significant

WIDTH = 110
#: A number that moved by more than this many standard uncertainties of the difference is listed one by one.
BEYOND_SCATTER = 2.0
#: So many of one cause are listed one by one in any case, unless they print the same.
FEWEST = 5


def report_text(report: ComparisonReport) -> str:
    """All of it, in the order in which it matters."""
    parts = [
        _heading(report),
        _conclusions(report),
        _steps(report),
        _verdicts(report),
        _not_repeated_verdicts(report),
        *(_group(group) for group in by_cause(report)),
        _unmoved(report),
        _one_sided(report),
        _inputs(report),
    ]
    return "\n\n".join("\n".join(lines) for lines in parts if lines)


def step_text(record: Mapping[str, Any], unit: str) -> str:
    """ "The step of results from lot A to lot B is larger than the allowed 2.5 % at 4 % (0.19 %: not met)." """
    rows = record["rows"]
    old, new = record["lots"]
    between = f"from lot {old} to lot {new}" if old and new else f"since {record['since']}"
    parts = []
    failed = [row for row in rows if row["outcome"] == "not met"]
    if failed:
        sizes = sentence_list([signed(row["difference"], 2) for row in failed])
        parts.append(
            f"is larger than the allowed {record['allowed']} at {_levels(failed)} {unit} (by {sizes} {unit}: not met)"
        )
    open_ = [row for row in rows if row["outcome"] == "not shown"]
    if open_:
        parts.append(f"is not shown to keep the allowed {record['allowed']} at {_levels(open_)} {unit}")
    held = [row for row in rows if row["outcome"] == "met"]
    if held:
        parts.append(f"keeps the allowed {record['allowed']} at {_levels(held)} {unit} (met)")
    return f"The step of results {between} {'; it '.join(parts)}."


def step_restriction(record: Mapping[str, Any] | None, unit: str) -> str:
    """The step of `step_record` as a restriction of the conclusion; empty where it is met or there is none."""
    if record is None or all(row["outcome"] == "met" for row in record["rows"]):
        return ""
    return step_text(record, unit)


def by_cause(report: ComparisonReport) -> tuple[CauseGroup, ...]:
    """The numbers that moved, cause by cause; listed are those that the new study judges or that moved far."""
    judged = {(row["quantity"], row["at"]) for row in report.new.results["requirements"]}
    causes = dict.fromkeys(number.cause for number in report.moved)
    return tuple(_cause_group(cause, [n for n in report.moved if n.cause == cause], judged) for cause in causes)


def _cause_group(cause: str, numbers: Sequence[NumberChange], judged: Collection[tuple[str, Any]]) -> CauseGroup:
    listed = {id(n) for n in numbers if (n.key, n.at) in judged or abs(n.ratio or 0.0) > BEYOND_SCATTER}
    for number in sorted(numbers, key=lambda n: -abs(n.ratio or 0.0)):
        then, now, _ = number_texts(number)
        if len(listed) < FEWEST and then != now:
            listed.add(id(number))
    return CauseGroup(
        cause,
        tuple(n for n in numbers if id(n) in listed),
        tuple(n for n in numbers if id(n) not in listed),
    )


def places_text(places: Sequence[Any]) -> str:
    """ " at 0.5 and 2", " (OG-M)", or nothing."""
    named = sentence_list([level_text(one) for one in places if one is not None])
    if not named:
        return ""
    return f" ({named})" if any(isinstance(one, str) for one in places) else f" at {named}"


def number_texts(number: NumberChange) -> tuple[str, str, str]:
    """Then, now and difference, to the place that shows two digits of the uncertainty of the difference."""
    if number.combined:
        places = places_for(number.combined)
        return tuple("-" if v is None else fixed(v, places) for v in (number.old, number.new, number.difference))  # type: ignore[return-value]
    return tuple("-" if v is None else significant(v) for v in (number.old, number.new, number.difference))  # type: ignore[return-value]


def place(at: Any) -> str:
    """ " at 4", ", OG-M", or nothing."""
    return "" if at is None else f", {at}" if isinstance(at, str) else f" at {level_text(at)}"


def span(conclusion: Mapping[str, Any], unit: str) -> str:
    """ ", from 0.5 to 7.5 %", or nothing."""
    ends = conclusion.get("range")
    return "" if ends is None else f", {range_text((ends[0], ends[1]))} {unit}"


def signed(value: float, digits: int) -> str:
    """With its sign, plus too: which way a result moves is half of what there is to know."""
    return f"{'+' if value > 0 else ''}{significant(value, digits)}"


def beside_text(group: CauseGroup) -> str:
    """What is said of the numbers of a cause that are not listed one by one."""
    count = len(group.counted)
    if not count:
        return ""
    named = counted_by_chapter([{"key": number.key} for number in group.counted])
    others = "1 other" if count == 1 else f"{count} others"
    scatter = "by no more than twice the standard uncertainty of the difference, or without one"
    return f"and {others}, {scatter}{f' ({named})' if ',' in named else ''}"


def counted_by_chapter(quantities: Iterable[Mapping[str, Any]]) -> str:
    """ "reproducibility 28, detection 12" """
    chapters = Counter(str(q["key"]).partition(".")[0] for q in quantities)
    chapters = Counter({chapter_words(name): count for name, count in chapters.items()})
    return ", ".join(f"{name} {count}" for name, count in chapters.items())


def verdict_text(verdict: Mapping[str, Any]) -> str:
    """ "R1 trueness.bias at 4: met -> not shown", with the limits where they differ."""
    limits = verdict.get("limits")
    other = f" (limit {limits[0]} -> {limits[1]})" if limits else ""
    return f"{verdict['id']} {verdict['quantity']}{place(verdict['at'])}: {verdict['old']} -> {verdict['new']}{other}"


def unrepeated_text(item: Unrepeated) -> str:
    """ "R1 trueness bias: met at 0.5, not met at 10" """
    outcomes = ", ".join(f"{outcome}{places_text(places)}" for outcome, places in item.outcomes.items())
    return f"{item.id} {in_plain_words(item.quantity)}: {outcomes}"


def met_text(items: Sequence[Unrepeated]) -> str:
    """ "R5 comparison difference at 2; R9 matrix slope ratio (OG-K)" """
    return "; ".join(f"{i.id} {in_plain_words(i.quantity)}{places_text(i.outcomes['met'])}" for i in items)


def split_unrepeated(items: Sequence[Unrepeated]) -> tuple[list[Unrepeated], list[Unrepeated]]:
    """Those with a verdict other than met, and those met throughout."""
    open_ = [item for item in items if set(item.outcomes) != {"met"}]
    return open_, [item for item in items if set(item.outcomes) == {"met"}]


def _levels(rows: Sequence[Mapping[str, Any]]) -> str:
    return sentence_list([level_text(row["at"]) for row in rows])


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _heading(report: ComparisonReport) -> list[str]:
    lines = [f"{report.old.name} -> {report.new.name}"]
    if not report.changed and not report.versions:
        lines.append(report.cause)
    return lines


def _conclusions(report: ComparisonReport) -> list[str]:
    old, new = report.conclusions
    lines = ["Proposed conclusion:"]
    then, now = (span(one, facts.results["study"]["unit"]) for one, facts in ((old, report.old), (new, report.new)))
    lines += [f"  then {old['outcome']}{then}", f"  now  {new['outcome']}{now}"]
    return lines


def _steps(report: ComparisonReport) -> list[str]:
    if report.step_note:
        # Two issues of one study, where no step is asked for, need no sentence that there is none.
        wanted = report.step_limit or not report.same_study
        return _wrapped(report.step_note, "") if wanted else []
    lots = f" from lot {report.old.lot} to lot {report.new.lot}" if report.old.lot and report.new.lot else ""
    lines = [f"Step of the results{lots}, allowed {report.step_limit}:"]
    return [*lines, *(f"  {n.key}{place(n.at)}: {n.outcome}. {n.reason}" for n in report.steps)]


def _verdicts(report: ComparisonReport) -> list[str]:
    same = report.verdicts_same
    counted = f"the same in both: {same} {'verdict' if same == 1 else 'verdicts'}"
    if report.verdicts:
        lines = ["Verdicts that changed:", *(f"  {verdict_text(v)}" for v in report.verdicts)]
        lines += [f"  {counted}"] if same else []
    else:
        lines = [f"No verdict changed; {counted}." if same else "No verdict is in both."]
    lines += [f"  new: {v['id']} {v['quantity']}{place(v['at'])}: {v['new']}" for v in report.verdicts_added]
    return lines


def _not_repeated_verdicts(report: ComparisonReport) -> list[str]:
    left = report.verdicts_not_repeated
    if not left:
        return []
    lines = [f"Not repeated, so the verdicts of {report.old.name} still apply:"]
    open_, met = split_unrepeated(left)
    for item in open_:
        lines += _wrapped(f"{unrepeated_text(item)}{why_text(item)}")
    if met:
        lines += _wrapped(f"met: {met_text(met)}")
    return lines


def why_text(item: Unrepeated) -> str:
    """Why it is not repeated, where the reason is not the usual one: that the new study does not set it."""
    return "" if item.why == NOT_SET else f" ({item.why})"


def _group(group: CauseGroup) -> list[str]:
    lines = _wrapped(f"Moved by {group.cause}:" if group.cause else "Moved:", "")
    rows = []
    for n in group.listed:
        old, new, difference = number_texts(n)
        by = f"by {'+' if (n.difference or 0) > 0 else ''}{difference}"
        unit = "" if n.unit == "1" else f" {n.unit}"
        u = "" if n.combined is None else f" (u {significant(n.combined, 2)})"
        rows.append((f"{n.key}{place(n.at)}:", f"{old} -> {new}{unit}, {by}{u}"))
    width = max((len(name) for name, _ in rows), default=0)
    lines += [f"  {name:<{width}} {text}" for name, text in rows]
    beside = beside_text(group)
    return [*lines, *(_wrapped(beside) if beside else [])]


def _unmoved(report: ComparisonReport) -> list[str]:
    same = len(report.numbers) - len(report.moved)
    if not same or not report.moved:
        return []
    return [f"{same} {'number is' if same == 1 else 'numbers are'} the same to the last digit that counts."]


def _one_sided(report: ComparisonReport) -> list[str]:
    lines = []
    for quantities, what in (
        (report.not_repeated, f"not repeated; the values of {report.old.name} still apply"),
        (report.added, "new"),
    ):
        if quantities:
            noun = "quantity" if len(quantities) == 1 else "quantities"
            lines += _wrapped(f"{len(quantities)} {noun} {what}: {counted_by_chapter(quantities)}.", "")
    return lines


def _inputs(report: ComparisonReport) -> list[str]:
    lines = ["Inputs (without history/):"]
    for change, files in report.inputs_by_change().items():
        lines += _wrapped(f"{change}: {', '.join(files)}")
    lines += [f"  version: {line}" for line in report.versions]
    return lines
