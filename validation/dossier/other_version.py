"""A dossier of another version of this program compared with what this version computes from its inputs.

Compared is what both versions give: quantities, verdicts, flags, the step since the parent, the conclusion. What one
of them alone gives is listed. A number that differs is a problem, unless the record of changed methods explains it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from validation.dossier.differences import NOTHING, count_values, differences, short_text
from validation.dossier.method_changes import CONCLUSION, NO_ROW, Between, MethodChange
from validation.words import sentence_list

_QUANTITIES, _VERDICTS, _FLAGS, _STEP = "quantities", "requirements", "flags", "step"
#: What a version words in its own way.
_WORDS = {
    _QUANTITIES: ("notes", "source", "unit_name"),
    _VERDICTS: ("reason", "origin", "limit_text", "thin", "fragile"),
    _FLAGS: ("reason",),
    _STEP: ("reason",),
    CONCLUSION: ("text", "restrictions"),
}
#: Of a verdict and a step: what follows from the quantity, and so moves with it.
_FOLLOWING = ("observed", "interval", "bound", "outcome", "settled", "is fragile", "difference")
#: So many names are written in one line.
_NAMED = 12


@dataclass(frozen=True, slots=True)
class Difference:
    """One part of a row that the two versions give differently; `change` explains it, None where nothing does."""

    table: str
    place: str
    key: str
    at: Any
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
    """Quantities whose method is cited differently now."""

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

    @property
    def moved_values(self) -> tuple[Difference, ...]:
        """Of what differs because a method changed: the values of quantities."""
        return tuple(one for one in self.explained if one.table == _QUANTITIES and one.part == "value")

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
            *(f"Cited differently: {_named(s.keys)}: then {s.then}; now {s.now}." for s in self.sources),
            *(f"Given by {who} only, and not compared: {_named(places)}." for who, places in listed if places),
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


_NO_CONCLUSION = "The conclusion was not compared: it depends on what only one version gives."


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of results.json: its table and name, the key that a change of method names, its parts without words."""

    table: str
    name: tuple[Any, ...]
    key: str
    parts: Mapping[str, Any]

    @property
    def place(self) -> str:
        """ "trueness.bias at 4.0", "step at 4.0", "conclusion"."""
        named = " ".join(str(part) for part in self.name[:-1])
        what = named if self.table in (_QUANTITIES, _VERDICTS) else f"{self.table} {named}".rstrip()
        at = self.name[-1] if self.name else None
        return what if at is None else f"{what} at {at}"

    @property
    def quantity(self) -> tuple[str, Any]:
        """The quantity and the place that a verdict is on."""
        return self.key, self.name[-1]


_Name = tuple[str, tuple[Any, ...]]
_Rows = Mapping[_Name, _Row]


def compare_versions(
    recorded: Mapping[str, Any],
    rebuilt: Mapping[str, Any],
    record: Between,
    *,
    nothing: float = NOTHING,
) -> VersionComparison:
    """Compare what a dossier recorded with what this version gives.

    Parameters
    ----------
    recorded, rebuilt : contents of results.json
    record : the methods and quantities that changed between the two versions
    nothing : what is smaller is rounding, in the unit of the study
    """
    then, now = (_by_name(_rows(content)) for content in (recorded, rebuilt))
    apart = _apart(then, now)
    pairs = [(row, now[name]) for name, row in then.items() if name in now and name not in apart]
    different: list[Difference] = []
    for old, new in pairs:
        different += _differences(old, new, record.changes, different, nothing)
    return VersionComparison(
        compared=sum(count_values(new.parts) for _, new in pairs),
        differences=tuple(different),
        sources=_source_changes(recorded, rebuilt),
        changes=record.changes,
        then_only=(*_one_sided(then, now), *_fields_of_one(recorded, rebuilt, pairs, 0)),
        now_only=(*_one_sided(now, then), *_fields_of_one(rebuilt, recorded, pairs, 1)),
        faults=(*_repeated(recorded), *_beyond_its_verdicts(recorded), *_missing_rows(then, now, record)),
        with_conclusion=(CONCLUSION, ()) not in apart,
    )


def _rows(content: Mapping[str, Any]) -> Iterator[_Row]:
    for item in content["quantities"]:
        yield _row(_QUANTITIES, (item["key"], item["at"]), item["key"], item)
    for item in content["requirements"]:
        fragile = {"is fragile": bool(item["fragile"])} if "fragile" in item else {}
        yield _row(_VERDICTS, (item["id"], item["at"]), item["quantity"], item | fragile)
    for item in content["flags"]:
        # Read as text: nothing holds the shape of a flag.
        yield _row(_FLAGS, tuple(str(item.get(name)) for name in ("reading", "test", "at")), _FLAGS, item)
    if content.get("step") is not None:
        yield from _step_rows(content["step"])
    yield _row("study", (), "study", content["study"])
    # Last: whether a verdict moved with a method is known by then.
    yield _row(CONCLUSION, (), CONCLUSION, content["conclusion"])


def _step_rows(step: Mapping[str, Any]) -> Iterator[_Row]:
    yield _row(_STEP, (), step["quantity"], {name: value for name, value in step.items() if name != "rows"})
    for item in step["rows"]:
        parent = {f"parent's {name}": value for name, value in item["parent"].items()}
        own = {name: value for name, value in item.items() if name != "parent"}
        yield _row(_STEP, (item["at"],), step["quantity"], own | parent)


def _row(table: str, name: tuple[Any, ...], key: str, item: Mapping[str, Any]) -> _Row:
    words = _WORDS.get(table, ())
    return _Row(table, name, key, {part: value for part, value in item.items() if part not in words})


def _by_name(rows: Iterator[_Row]) -> _Rows:
    return {(row.table, row.name): row for row in rows}


def _apart(then: _Rows, now: _Rows) -> set[_Name]:
    """What is not compared although both give it: verdicts that one version, without the quantity, could not judge.

    And a conclusion that rests on such, or on a verdict or a step that one version alone gives.
    """
    measured = _measured(then) ^ _measured(now)
    verdicts = {
        name
        for name, row in then.items()
        if name in now
        and row.table == _VERDICTS
        and row.quantity in measured
        and None in (row.parts.get("observed"), now[name].parts.get("observed"))
    }
    of_one_version = {name for name in then.keys() ^ now.keys() if name[0] in (_VERDICTS, _STEP)}
    conclusion: set[_Name] = {(CONCLUSION, ())} if verdicts or of_one_version else set()
    return verdicts | conclusion


def _measured(rows: _Rows) -> set[tuple[str, Any]]:
    return {row.quantity for row in rows.values() if row.table == _QUANTITIES}


def _differences(
    old: _Row, new: _Row, changes: Sequence[MethodChange], before: Sequence[Difference], nothing: float
) -> Iterator[Difference]:
    for part in old.parts:
        if part in new.parts and next(differences(old.parts[part], new.parts[part], nothing=nothing), None) is not None:
            worse = _is_worse(old.parts[part], new.parts[part])
            possible = [change for change in changes if worse or not change.stricter]
            change = _explanation(old, part, possible, before)
            at = old.name[-1] if old.name else None
            yield Difference(old.table, old.place, old.key, at, part, old.parts[part], new.parts[part], change)


#: The outcomes of a conclusion, best first.
_OUTCOMES = ("fit", "fit with restrictions", "not fit")


def _is_worse(then: Any, now: Any) -> bool:
    return then in _OUTCOMES and now in _OUTCOMES and _OUTCOMES.index(now) > _OUTCOMES.index(then)


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
    now = {(item["key"], item["at"]): item["source"] for item in rebuilt["quantities"]}
    keys: dict[tuple[str, str], list[str]] = {}
    for item in recorded["quantities"]:
        today = now.get((item["key"], item["at"]), item["source"])
        if today != item["source"]:
            keys.setdefault((item["source"], today), []).append(item["key"])
    return tuple(SourceChange(tuple(dict.fromkeys(names)), *sources) for sources, names in keys.items())


def _one_sided(rows: _Rows, others: _Rows) -> list[str]:
    return [row.place for name, row in rows.items() if name not in others]


def _fields_of_one(
    content: Mapping[str, Any], other: Mapping[str, Any], pairs: Sequence[tuple[_Row, _Row]], side: int
) -> list[str]:
    """Keys of the file and parts of its rows that the other version does not know."""
    fields = {f"{pair[side].table}: {p}" for pair in pairs for p in pair[side].parts if p not in pair[1 - side].parts}
    return [*(name for name in content if name not in (*other, _STEP)), *sorted(fields)]


def _repeated(recorded: Mapping[str, Any]) -> list[str]:
    """Of two rows of one name, every reader would take another one."""
    rows = [row for row in _rows(recorded) if row.table in (_QUANTITIES, _VERDICTS)]
    counts = Counter((row.table, row.name) for row in rows)
    return list(dict.fromkeys(f"{row.place} is there twice." for row in rows if counts[row.table, row.name] > 1))


def _beyond_its_verdicts(recorded: Mapping[str, Any]) -> Iterator[str]:
    """A conclusion better than the dossier's own verdicts allow, by the rules of every version."""
    conclusion, rows = recorded["conclusion"], recorded["requirements"]
    failed = [row for row in rows if row["outcome"] != "met"]
    if conclusion["outcome"] == "fit" and failed:
        yield f"conclusion, outcome: recorded fit, yet {failed[0]['id']} is {failed[0]['outcome']}."
    if conclusion["range"] is None:
        return
    low, high = conclusion["range"]
    for row in failed:
        if isinstance(row["at"], float) and low <= row["at"] <= high:
            yield f"conclusion, range: it holds {row['at']}, where {row['id']} is {row['outcome']}."


def _missing_rows(then: _Rows, now: _Rows, record: Between) -> Iterator[str]:
    """Quantities and verdicts that one side lacks although no record says so: both read the same inputs."""
    both = _measured(then) & _measured(now)
    if not both:
        yield "none of its quantities is one that this version computes from the inputs."
    for name, row in {**then, **now}.items():
        if row.table not in (_QUANTITIES, _VERDICTS) or (name in then) == (name in now):
            continue
        recorded = record.added_quantity(row.key) if name in now else record.dropped_quantity(row.key)
        if row.table == _VERDICTS and name in then and _has_no_row(row, record):
            continue
        if row.table == _VERDICTS and row.quantity in both:
            lacking = "the dossier" if name in now else "this version"
            yield f"{row.place}: not given by {lacking}, yet both give {row.key}."
        elif not recorded:
            yield f"{row.place}: {_LACKING if name in now else _TOO_MANY}"


def _has_no_row(row: _Row, record: Between) -> bool:
    """Whether a verdict of the dossier is one that this version no longer gives: on a difference that is zero."""
    changes = (change for change in record.changes if NO_ROW in change.parts and change.concerns(row.key))
    return row.parts.get("observed") == 0 and any(changes)


_LACKING = "missing; the inputs give it, and no version is recorded as the first to give it."
_TOO_MANY = "the inputs do not give it, and no version is recorded as the last to give it."


def _named(places: Sequence[str]) -> str:
    more = len(places) - _NAMED
    return sentence_list([*places[:_NAMED], f"{more} more"] if more > 0 else list(places))
