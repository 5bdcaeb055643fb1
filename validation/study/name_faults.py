"""Names of worksheets, plan and lot records compared with each other: near misses, and lots that are not stated."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from validation.faults import Fault
from validation.study.columns import COLUMNS, OF_THE_STUDY
from validation.study.experiments import EXPERIMENTS
from validation.study.history.applying import State, levels_are_labels
from validation.study.names import Names, Place, hidden_fault, plain, readings_of, rows_named
from validation.study.plan import PLAN, Plan
from validation.study.text_files import hidden_character
from validation.words import sentence_list

if TYPE_CHECKING:
    from validation.study.lot_record import LotRecord
    from validation.study.model import Study


def name_faults(
    plan: Plan, sheets: Iterable[Sequence[State]], records: Mapping[str, LotRecord] | None = None
) -> list[Fault]:
    """Every name with a hidden character, every two names that are nearly one, every lot that the plan does not name.

    Parameters
    ----------
    sheets : the rows of each worksheet with their amendments applied; excluded rows are left out
    records : the lot records, whose balances and people have names too
    """
    study = {kind: Names(kind) for kind in OF_THE_STUDY}
    _of_the_plan(plan, study)
    for record in (records or {}).values():
        _of_a_record(record, study)
    faults: list[Fault] = []
    seen: set[str] = set()
    for states in sheets:
        if not states or states[0].sheet.file in seen:
            continue  # a worksheet that two experiments share is checked once
        sheet = states[0].sheet
        seen.add(sheet.file)
        rows = [state for state in states if not state.excluded]
        labels = sheet.kind.labels and levels_are_labels(rows)
        for column in sheet.columns:
            scope = COLUMNS[column].scope if column in COLUMNS else ""
            if not scope or (column == "level" and not labels):
                continue
            places = _of_a_column(rows, column)
            for name, place in places.items():
                hidden = hidden_character(name)
                if hidden:
                    faults.append(hidden_fault(place, name, hidden))
            names = study.get(column) or Names(column)
            for name, place in places.items():
                names.add(plain(name), place)
            if scope == "sheet":
                for name, place in _settings(plan, sheet.experiment, column):
                    names.add(name, place)
                faults += names.faults()
            elif column == "lot" and not EXPERIMENTS[sheet.experiment].traits.earlier:
                faults += _strange_lots(plan, places)
    for names in study.values():
        faults += names.faults()
    return faults


def _of_a_column(rows: Sequence[State], column: str) -> dict[str, Place]:
    texts = [state.row.reading if column == "reading" else state.values.get(column, "") for state in rows]
    counts = Counter(texts)
    first = dict(zip(reversed(texts), reversed(rows), strict=True))
    return {
        name: Place(first[name].sheet.file, first[name].row.line, first[name].row.reading, column, rows=count)
        for name, count in counts.items()
        if name
    }


def _of_the_plan(plan: Plan, study: Mapping[str, Names]) -> None:
    def add(kind: str, name: object, column: str) -> None:
        if name is not None and str(name):
            study[kind].add(str(name), Place(PLAN, None, None, column, fixed=True))

    for kind, section in (("instrument", "equipment"), ("lot", "standards"), ("analyst", "people")):
        for entry in getattr(plan, section):
            add(kind, entry.get("name"), section)
    for kind in ("laboratory", "grade", "fuel"):
        add(kind, getattr(plan.study, kind), f"study.{kind}")
    add("lot", plan.lots.in_use, "lots.in_use")
    for record in EXPERIMENTS.values():
        column = record.shape.names
        if column in study:
            for name, place in _settings(plan, record.name, column):
                study[column].add(name, place)


def _settings(plan: Plan, experiment: str, column: str) -> Iterable[tuple[str, Place]]:
    """What the plan names of a worksheet: the matrix of the blanks, a reference, where a requirement is set."""
    settings = plan.experiments[experiment].settings if experiment in plan.experiments else {}
    record = EXPERIMENTS[experiment]
    for setting in record.settings:
        if setting.names == column and setting.name in settings:
            path = f"experiments.{experiment}.{setting.name}"
            yield settings[setting.name], Place(PLAN, None, None, path, fixed=True)
    for item in plan.requirements if record.shape.names == column else ():
        if item.quantity.partition(".")[0] == experiment and isinstance(item.at, str):
            yield item.at, Place(PLAN, None, None, f"requirement {item.id}, at", fixed=True)


def _of_a_record(record: LotRecord, study: Mapping[str, Names]) -> None:
    preparation = record.preparation
    for kind, name, *path in (
        ("fuel", preparation.fuel.name, "fuel", "name"),
        ("grade", preparation.oil.name, "oil", "name"),
        ("analyst", preparation.maker, "maker"),
        ("analyst", preparation.checker, "checker"),
        *(("instrument", item.balance, "weighings", i, "balance") for i, item in enumerate(preparation.weighings)),
    ):
        study[str(kind)].add(str(name), Place(record.file, record.line(*path), None, ".".join(map(str, path))))


def _strange_lots(plan: Plan, places: Mapping[str, Place]) -> Iterable[Fault]:
    """Lots that the plan's standards do not name; a near miss is reported with the other names."""
    standards = [str(entry["name"]) for entry in plan.standards if entry.get("name") is not None]
    near = {reading for name in standards for reading in readings_of(name)}
    for name, place in places.items():
        if not standards or name in standards or not near.isdisjoint(readings_of(name)):
            continue
        mend = f"{_nearest(name, standards)} or add the lot to the standards of plan.yaml."
        reason = f"The plan names no such standard ({rows_named(place)}): its expiry and record would not be checked."
        expected = ", ".join(standards[:8])
        yield Fault(place.file, reason, mend, place.row, place.reading, place.column, name, expected)


def _nearest(name: str, known: Collection[str]) -> str:
    close = get_close_matches(name, known, n=1, cutoff=0.5)
    return f'Write "{close[0]}",' if close else "Correct the name,"


def strange_names(study: Study) -> list[str]:
    """Instruments and analysts that the plan does not list, where it lists some: a warning, not a fault."""
    plan = study.plan
    certificates = any(entry.get("valid_from") or entry.get("valid_until") for entry in plan.equipment)
    lists: tuple[tuple[str, str, Sequence[Mapping[str, Any]]], ...] = (
        ("instrument", "equipment", plan.equipment),
        ("analyst", "people", plan.people),
    )
    sentences = []
    for column, section, entries in lists:
        strange = not_listed(study, column, entries) if entries else {}
        if strange:
            lack = ", so nothing shows a valid certificate" if certificates and section == "equipment" else ""
            files = list(dict.fromkeys(file for named in strange.values() for file in named))
            sentences.append(
                f"No entry under {section} in plan.yaml{lack}: {', '.join(sorted(strange))} ({sentence_list(files)})."
            )
    return sentences


def not_listed(study: Study, column: str, entries: Sequence[Mapping[str, Any]]) -> dict[str, list[str]]:
    """Names of a column that are neither name nor initials of an entry, with the files that hold them."""
    listed = {str(entry.get(key)) for entry in entries for key in ("name", "initials")}
    strange: dict[str, list[str]] = {}
    for experiment, data in study.experiments.items():
        for reading in () if EXPERIMENTS[experiment].traits.earlier else data.readings:
            name = reading.values.get(column, "")
            if name and name not in listed and reading.status in ("used", "censored"):
                strange.setdefault(name, []).append(reading.file)
    return strange
