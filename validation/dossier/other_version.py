"""A dossier of another version of this program beside what this version computes from its inputs.

Compared is what both versions give: quantities, verdicts, flags, the step since the parent, the conclusion. What one
of them alone gives is listed. A number that differs is a problem, unless the record of changed methods explains it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from validation.dossier.differences import NOTHING, count_values, differences, row_name, short_text
from validation.dossier.method_changes import CONCLUSION, MethodChange
from validation.words import sentence_list

_QUANTITIES, _VERDICTS, _FLAGS, _STEP = "quantities", "requirements", "flags", "step"
#: What a version words in its own way.
_WORDS = {
    _QUANTITIES: ("notes", "source", "unit_name"),
    _VERDICTS: ("reason", "origin", "limit_text", "thin", "fragile"),
    _FLAGS: ("reason",),
    _STEP: ("reason", "parent"),
    CONCLUSION: ("text", "restrictions"),
}
#: Of a verdict and a step: what follows from the quantity, and so moves with it.
_FOLLOWING = ("observed", "interval", "outcome", "settled", "is fragile", "difference")
#: Of a line of names, so many are told.
_NAMED = 12


@dataclass(frozen=True, slots=True)
class Difference:
    """One part of a row that the two versions give differently; `change` explains it, None where nothing does."""

    table: str
    place: str
    key: str
    part: str
    recorded: Any
    today: Any
    change: MethodChange | None

    def text(self) -> str:
        """The dossier's value and today's."""
        recorded, today = short_text(self.recorded), short_text(self.today)
        return f"{self.place}, {self.part}: recorded {recorded}, this version gives {today}."

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        beside = {"recorded": self.recorded, "today": self.today}
        return {"place": self.place, "part": self.part, **beside, "change": self.change and self.change.sentence}


@dataclass(frozen=True, slots=True)
class SourceChange:
    """Quantities whose method is cited otherwise than then."""

    keys: tuple[str, ...]
    then: str
    now: str

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {"keys": list(self.keys), "recorded": self.then, "today": self.now}


@dataclass(frozen=True, slots=True)
class VersionComparison:
    """What two versions give from the same inputs.

    `compared` counts single values; `then_only` and `now_only` are given by one version alone; `faults` are sentences
    on what no change of a method can explain.
    """

    compared: int
    differences: tuple[Difference, ...]
    sources: tuple[SourceChange, ...]
    changes: tuple[MethodChange, ...]
    then_only: tuple[str, ...]
    now_only: tuple[str, ...]
    faults: tuple[str, ...]
    with_conclusion: bool

    @property
    def explained(self) -> tuple[Difference, ...]:
        """What differs because a method changed."""
        return tuple(one for one in self.differences if one.change is not None)

    def problems(self) -> list[str]:
        """What no change of a method explains."""
        return [*(one.text() for one in self.differences if one.change is None), *self.faults]

    def notes(self) -> list[str]:
        """What a reader must know, in sentences."""
        listed = (("the dossier", self.then_only), ("this version", self.now_only))
        return [
            *(f"Since {change.version} another method: {change.sentence}" for change in self.changes),
            *([] if self.changes else ["No method is recorded as changed between the two versions."]),
            *(f"By another method since {one.change.version}: {one.text()}" for one in self.explained if one.change),
            *(f"Cited otherwise: {_named(s.keys)}: then {s.then}; now {s.now}." for s in self.sources),
            *(f"Given by {who} alone, and not compared: {_named(places)}." for who, places in listed if places),
            *([] if self.with_conclusion else [_NO_CONCLUSION]),
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "methods_changed": [
                {"version": change.version, "keys": list(change.keys), "sentence": change.sentence}
                for change in self.changes
            ],
            "differences": [one.to_dict() for one in self.differences],
            "sources_changed": [one.to_dict() for one in self.sources],
            "only_in_dossier": list(self.then_only),
            "only_in_this_version": list(self.now_only),
            "conclusion_compared": self.with_conclusion,
        }


_NO_CONCLUSION = "The conclusion was not compared: it rests on what one version alone gives."


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of results.json: its name, the key that a change of method names, its parts without the words."""

    table: str
    place: str
    key: str
    at: Any
    parts: Mapping[str, Any]


def compare_versions(
    recorded: Mapping[str, Any],
    rebuilt: Mapping[str, Any],
    changes: Sequence[MethodChange],
    *,
    nothing: float = NOTHING,
) -> VersionComparison:
    """Compare what a dossier recorded with what this version gives.

    Parameters
    ----------
    recorded, rebuilt : contents of results.json
    changes : the methods that changed between the two versions
    nothing : what is smaller is rounding, in the unit of the study
    """
    then, now = (_by_place(_rows(content)) for content in (recorded, rebuilt))
    apart = _apart(then, now)
    pairs = [(row, now[place]) for place, row in then.items() if place in now and place not in apart]
    different: list[Difference] = []
    for old, new in pairs:
        different += _differences(old, new, changes, different, nothing)
    return VersionComparison(
        compared=sum(count_values(new.parts) for _, new in pairs),
        differences=tuple(different),
        sources=_source_changes(recorded, rebuilt),
        changes=tuple(changes),
        then_only=(*_one_sided(then, now), *_fields_of_one(recorded, rebuilt, pairs, 0)),
        now_only=(*_one_sided(now, then), *_fields_of_one(rebuilt, recorded, pairs, 1)),
        faults=(*_repeated(recorded), *_missing_verdicts(then, now)),
        with_conclusion=(CONCLUSION, CONCLUSION) not in apart,
    )


def _rows(content: Mapping[str, Any]) -> Iterator[_Row]:
    for item in content["quantities"]:
        yield _row(_QUANTITIES, row_name(item), item["key"], item)
    for item in content["requirements"]:
        fragile = {"is fragile": bool(item["fragile"])} if "fragile" in item else {}
        yield _row(_VERDICTS, row_name(item), item["quantity"], item | fragile)
    for item in content["flags"]:
        yield _row(_FLAGS, f"flag of {item.get('reading')} by {item.get('test')} at {item.get('at')}", _FLAGS, item)
    step = content.get("step", {})
    for item in step.get("rows", []):
        parent = {f"parent's {name}": value for name, value in item["parent"].items()}
        yield _row(_STEP, f"step at {item['at']}", step["quantity"], item | parent)
    yield _row("study", "study", "study", content["study"])
    # Last: whether a verdict moved with a method is known by then.
    yield _row(CONCLUSION, CONCLUSION, CONCLUSION, content["conclusion"])


def _row(table: str, place: str, key: str, item: Mapping[str, Any]) -> _Row:
    words = _WORDS.get(table, ())
    return _Row(table, place, key, item.get("at"), {name: value for name, value in item.items() if name not in words})


_Places = Mapping[tuple[str, str], _Row]


def _by_place(rows: Iterator[_Row]) -> _Places:
    return {(row.table, row.place): row for row in rows}


def _apart(then: _Places, now: _Places) -> set[tuple[str, str]]:
    """What is not compared although both give it: verdicts that one version, without the quantity, could not judge.

    And a conclusion that rests on such, or on a verdict or a step that one version alone gives.
    """
    of_one = _measured(then) ^ _measured(now)
    verdicts = {
        place
        for place, row in then.items()
        if place in now
        and row.table == _VERDICTS
        and _on(row) in of_one
        and None in (row.parts.get("observed"), now[place].parts.get("observed"))
    }
    rests = verdicts | {place for place in then.keys() ^ now.keys() if place[0] in (_VERDICTS, _STEP)}
    return verdicts | ({(CONCLUSION, CONCLUSION)} if rests else set())


def _measured(rows: _Places) -> set[tuple[str, Any]]:
    return {_on(row) for row in rows.values() if row.table == _QUANTITIES}


def _on(row: _Row) -> tuple[str, Any]:
    return row.key, row.at


def _differences(
    old: _Row, new: _Row, changes: Sequence[MethodChange], before: Sequence[Difference], nothing: float
) -> Iterator[Difference]:
    for part in old.parts:
        if part in new.parts and next(differences(old.parts[part], new.parts[part], nothing=nothing), None) is not None:
            change = _explanation(old, part, changes, before)
            yield Difference(old.table, old.place, old.key, part, old.parts[part], new.parts[part], change)


def _explanation(
    row: _Row, part: str, changes: Sequence[MethodChange], before: Sequence[Difference]
) -> MethodChange | None:
    """The change of a method that a difference comes from: of the row's own, or of a verdict, for the conclusion."""
    follows = row.table in (_VERDICTS, _STEP) and part in _FOLLOWING
    own = [change for change in changes if change.concerns(row.key) and (follows or part in change.parts)]
    if row.table == CONCLUSION and part in ("outcome", "range"):
        own += [one.change for one in before if one.change and one.table in (_VERDICTS, _STEP)]
    return own[0] if own else None


def _source_changes(recorded: Mapping[str, Any], rebuilt: Mapping[str, Any]) -> tuple[SourceChange, ...]:
    now = {row_name(item): item["source"] for item in rebuilt["quantities"]}
    keys: dict[tuple[str, str], list[str]] = {}
    for item in recorded["quantities"]:
        today = now.get(row_name(item), item["source"])
        if today != item["source"]:
            keys.setdefault((item["source"], today), []).append(item["key"])
    return tuple(SourceChange(tuple(dict.fromkeys(names)), *sources) for sources, names in keys.items())


def _one_sided(rows: _Places, others: _Places) -> list[str]:
    return [row.place for place, row in rows.items() if place not in others]


def _fields_of_one(
    content: Mapping[str, Any], other: Mapping[str, Any], pairs: Sequence[tuple[_Row, _Row]], side: int
) -> list[str]:
    """Keys of the file and parts of its rows that the other version does not know."""
    fields = {f"{pair[side].table}: {p}" for pair in pairs for p in pair[side].parts if p not in pair[1 - side].parts}
    return [*(name for name in content if name not in (*other, _STEP)), *sorted(fields)]


def _repeated(recorded: Mapping[str, Any]) -> list[str]:
    """Of two rows of one name, every reader would take another one."""
    counts = Counter((row.table, row.place) for row in _rows(recorded) if row.table in (_QUANTITIES, _VERDICTS))
    return [f"{place} is there twice." for (_, place), count in counts.items() if count > 1]


def _missing_verdicts(then: _Places, now: _Places) -> Iterator[str]:
    """Verdicts that one side lacks although both give the quantity: the plan, which both read, asks for them."""
    both = _measured(then) & _measured(now)
    if not both:
        yield "none of its quantities is one that this version computes from the inputs."
    for place, row in {**then, **now}.items():
        if row.table == _VERDICTS and _on(row) in both and (place in then) != (place in now):
            lacking = "the dossier" if place in now else "this version"
            yield f"{row.place}: not given by {lacking}, yet both give {row.key}."


def _named(places: Sequence[str]) -> str:
    more = len(places) - _NAMED
    return sentence_list([*places[:_NAMED], f"{more} more"] if more > 0 else list(places))
