"""What happened at the bench: rows, amendments, order, preparations, certificates, exclusions, factors, people."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from validation.audit.evidence import (
    FIRMNESS,
    MEANS,
    ORDER,
    RAW,
    REGISTER,
    STATEMENTS,
    AuditRecord,
    Finding,
    Missing,
    chapter,
    either,
    raw_row,
    raw_sheet,
    unless,
)
from validation.audit.order import ordered_runs
from validation.audit.standing import some
from validation.study.audit_plan import Authorisation
from validation.study.history.readings import RECORD
from validation.study.lot_record import LotRecord
from validation.study.model import ExperimentData, Reading
from validation.study.validity import lapses_of
from validation.words import counted, plural, sentence_list

#: The row that is shown: the seventh of the fifth run, as far as there are so many.
_RUN, _LINE = 5, 7
#: What the bench record of a row must hold besides the value.
WHO_AND_WHEN = {"time": "time", "analyst": "analyst", "instrument": "instrument"}
_FACTORS = {"analyst": "analyst", "instrument": "instrument", "day": "day", "lot": "lot", "pad_lot": "pad lot"}


def one_row(record: AuditRecord) -> Finding:
    """One row of the raw data, chosen by a rule, and whether all rows say when, by whom and on what."""
    readings = list(record.readings)
    if not readings:
        return either([], [Missing("There is no reading.", "worksheets")], RAW)
    reading = _chosen(record)
    cells = ", ".join(f"{name} {text}" for name, text in reading.written.items() if text and name != "reading")
    facts = [f"{reading.file}, line {reading.line}, {reading.reading}: {cells}.", f"{len(readings)} such rows."]
    missing = []
    for column, words in WHO_AND_WHEN.items():
        without = [reading.file for reading in readings if not reading.values.get(column)]
        text = f"Without {words}: {counted(len(without), 'row')} ({some(without)})."
        missing.append(unless(not without, text, f"column {column}"))
    return either(facts, missing, raw_sheet(record.study.experiments[reading.experiment]), raw_row(reading))


def _chosen(record: AuditRecord) -> Reading:
    """The seventh row of the fifth run of the precision worksheet, or of the first worksheet with readings."""
    sheets = {data.name: data for data in record.sheets}
    data = sheets.get("precision") or next(iter(sheets.values()))
    runs: dict[str, list[Reading]] = {}
    for reading in data.readings:
        runs.setdefault(reading.values.get("run", ""), []).append(reading)
    own = list(runs.values())[:_RUN][-1]
    return own[:_LINE][-1]


def amendments(record: AuditRecord) -> Finding:
    """Who changed a reading, when and why, and whether the original is there."""
    study = record.study
    entries = [entry for entry in study.amendments if entry["kind"] in ("correction", "exclusion", "reinstatement")]
    facts = [_amended(entry) for entry in entries[:3]]
    more = len(entries) - len(facts)
    facts += [f"{more} more are in the register."] if more > 0 else []
    first_seen = (study.folder / RECORD).is_file()
    if not entries and first_seen:
        facts.append("No reading was changed: every row is as it was first seen.")
    silent = [change.reading for change in study.changes]
    lost = [*study.lost_history, *study.lost_amendments]
    missing = [
        unless(first_seen, "No record of the readings as first seen is there.", RECORD),
        unless(not silent, f"Changed without an amendment: {some(silent)}.", "amendments.csv"),
        unless(not lost, f"No longer complete: {some(loss.short for loss in lost)}.", "history/"),
    ]
    touched = {entry["reading"] for entry in entries}
    rows = [reading for reading in record.readings if reading.reading in touched]
    return either(facts, missing, REGISTER, *map(raw_row, rows[:1]))


def _amended(entry: Mapping[str, str]) -> str:
    what = f"{entry['column']} {entry['old']} became {entry['new']}" if entry["column"] else entry["kind"]
    return f"{entry['reading']}: {what}, by {entry['by']} on {entry['time'][:10]}: {entry['reason'].rstrip('.')}."


def order(record: AuditRecord) -> Finding:
    """Whether the planned order was followed, run by run."""
    runs = ordered_runs(record.sheets)
    compared = [run for run in runs if not run.missing]
    moved = [run for run in compared if run.moved]
    facts = []
    if compared:
        followed = len(compared) - len(moved)
        facts.append(f"In {followed} of {counted(len(compared), 'run')} every reading was taken in its planned place.")
    facts += [
        f"{run.series}: {some(f'{name} (planned {planned}, taken {place})' for name, planned, place in run.moved)}."
        for run in moved[:3]
    ]
    noted = {reading.reading for reading in record.readings if reading.values.get("note")}
    silent = [run.series for run in moved if not noted & {name for name, _, _ in run.moved}]
    blind = [f"{run.worksheet} ({run.missing})" for run in runs if run.missing]
    missing = [
        unless(not silent, f"Another order and no note that says why: {some(silent)}.", "column note"),
        unless(not blind, f"Not to be compared: {some(blind)}.", "columns order and time"),
    ]
    return either(facts, missing if runs else [Missing("There is no reading.", "worksheets")], ORDER, RAW)


def preparations(record: AuditRecord) -> Finding:
    """Whether replicates are preparations of their own."""
    wanted = ("calibration", "precision", "matrix", "fuel", "reproducibility")
    sheets = [data for data in record.sheets if data.name in wanted]
    facts, missing = [], []
    for data in sheets:
        names = [reading.values.get("preparation", "") for reading in data.readings]
        words = data.name.replace("_", " ")
        if not all(names):
            count = counted(sum(not name for name in names), "reading")
            missing.append(Missing(f"{words}: {count} without a preparation.", f"column preparation of {data.name}"))
        elif len(set(names)) < len(names):
            text = (
                f"{words}: {len(names)} readings of {counted(len(set(names)), 'preparation')}, so some were read again."
            )
            missing.append(Missing(text, f"column preparation of {data.name}"))
        else:
            facts.append(f"{words}: {counted(len(names), 'reading')}, each of a preparation of its own.")
    if not sheets:
        missing.append(Missing("There are no replicates of blends.", "experiments.precision"))
    return either(facts, missing, *(raw_sheet(data) for data in sheets if data.name == "precision"), RAW)


def certificate(record: AuditRecord) -> Finding:
    """Whether the certificate of each balance held on the day of each weighing."""
    if not record.study.lot_records:
        text = "No record of a weighing is there, so no balance can be looked up."
        return either([], [Missing(text, "standards.lot_record")], MEANS)
    notes = {lapse.lot: lapse.note for lapse in lapses_of(record.study) if lapse.lot and lapse.note}
    facts, missing = [], []
    for lot, item in record.study.lot_records.items():
        note = notes.get(lot)
        for balance, number, day, until in _weighed(item, record.plan.equipment):
            what = f"{lot}, weighed on {day} on {balance}, certificate {number or 'not stated'}"
            if note is not None and until is not None and day > until:
                facts.append(f"{what}: lapsed on {until}; impact note {note.number} covers it to {note.new}.")
            elif until is not None:
                facts.append(f"{what}, valid until {until}.")
            missing.append(unless(number, f"{what}.", "standards/*.yaml: weighings.certificate"))
            missing.append(unless(until, f"{what}: valid until when is not stated.", "equipment.valid_until"))
    filed = {str(entry.get("name")) for entry in record.plan.equipment if entry.get("record")}
    used = {weighing.balance for item in record.study.lot_records.values() for weighing in item.preparation.weighings}
    text = f"Where the certificate is filed: not stated for {some(sorted(used - filed))}."
    missing.append(unless(used <= filed, text, "equipment.record"))
    return either(facts, missing, chapter("standards"), MEANS, *([REGISTER] if notes else []))


def _weighed(
    record: LotRecord, equipment: tuple[dict[str, Any], ...]
) -> list[tuple[str, str | None, date, date | None]]:
    """Balance, certificate, day and last valid day of each weighing, each once."""
    made = record.preparation
    stated = {str(entry.get("name")): entry for entry in equipment}
    found = []
    for weighing in made.weighings:
        entry = stated.get(weighing.balance, {})
        until = weighing.certificate_valid_until or entry.get("valid_until")
        number = weighing.certificate or entry.get("certificate")
        day = until if isinstance(until, date) else date.fromisoformat(str(until)) if until else None
        found.append((weighing.balance, None if number is None else str(number), weighing.date or made.made, day))
    return list(dict.fromkeys(found))


def excluded(record: AuditRecord) -> Finding:
    """What was left out, what a test flags, and whether a verdict flips."""
    left = [reading for reading in record.readings if reading.status == "excluded"]
    flags = list(dict.fromkeys(flag.reading for flag in record.judgement.flags if flag.kept))
    facts = [f"Left out: {some(f'{r.reading} ({r.reason})' for r in left)}." if left else "No reading was left out."]
    facts += [f"Flagged by a test and kept: {some(flags)}."] if flags else []
    looks = [variant for variant in record.variants if variant.kind == "reading"]
    flipped = [variant.title for variant in looks if variant.flipped]
    if looks:
        turns = f"a verdict changes in: {some(flipped)}" if flipped else "no verdict changes"
        facts.append(f"Judged again with and without each of {counted(len(looks), 'reading')}: {turns}.")
    unmade = [variant.title for variant in record.variants if variant.kind == "not made"]
    judged = bool(record.judgement.requirements)
    missing = [
        unless(judged or not left, "Whether a verdict changes cannot be said: nothing is judged.", "requirements"),
        unless(not unmade, f"Not looked at one by one: {some(unmade)}.", "amendments.csv"),
    ]
    return either(facts, missing, REGISTER, FIRMNESS)


def factors(record: AuditRecord) -> Finding:
    """Which factors varied between the runs of the precision experiment."""
    data = next((data for data in record.sheets if data.name == "precision"), None)
    if data is None:
        return either([], [Missing("There is no precision experiment.", "experiments.precision")], RAW)
    columns = dict(_varied(data))
    varied = [f"{len(names)} {plural(word) if len(names) > 1 else word}" for word, names in columns.items()]
    varied = [text for text, names in zip(varied, columns.values(), strict=True) if len(names) > 1]
    still = [f"{word} {next(iter(names))}" for word, names in columns.items() if len(names) == 1]
    facts = [f"Varied: {sentence_list(varied)}."] if varied else []
    facts += [f"Did not vary: {sentence_list(still)}."] if still else []
    absent = [word for word, names in columns.items() if not names]
    missing = [
        unless(varied, "Nothing that is recorded varied.", "columns analyst, instrument and day"),
        unless(not absent, f"Not recorded: {sentence_list(absent)}.", "columns of the precision worksheet"),
    ]
    return either(facts, missing, chapter("intermediate_precision"), raw_sheet(data))


def _varied(data: ExperimentData) -> Iterator[tuple[str, set[str]]]:
    """Each factor with the entries that it has; the day from the time where it has no column."""
    used = [reading for reading in data.readings if reading.status == "used"]
    yield "run", {reading.values.get("run", "") for reading in used} - {""}
    for column, word in _FACTORS.items():
        names = {reading.values.get(column, "") for reading in used} - {""}
        if column == "day" and not names:
            names = {reading.time.date().isoformat() for reading in used if reading.time is not None}
        yield word, names


def authorised(record: AuditRecord) -> Finding:
    """Who may approve, since when; and whether everyone was authorised on the days of their work."""
    entries = record.stated.authorisations
    if not entries:
        return either([], [Missing("Who is authorised for what: not stated.", "audit.authorisations")], MEANS)
    signs = [item for item in entries if item.task == "approve"]
    facts = [
        f"{item.person} may approve since {item.since}{f' until {item.until}' if item.until else ''}"
        f"{f' ({item.record})' if item.record else ''}."
        for item in signs
    ]
    missing = [unless(signs, "Who may approve: not stated.", "audit.authorisations")]
    for task, noun, days in (
        ("measure", "analyst", _days((r.values.get("analyst", ""), r.time and r.time.date()) for r in _dated(record))),
        ("prepare standards", "maker of a standard", _days(_made(record))),
        ("review", "reviewer on record", _days(_in_role(record, "reviewed"))),
        ("approve", "approver on record", _days(_in_role(record, "approved"))),
    ):
        without, late = _not_covered(entries, task, days)
        if days:
            good = len(days) - len(without) - len(late)
            facts.append(f"Authorised to {task} when they did: {good} of {len(days)} ({noun}).")
        missing.append(unless(not without, f"No authorisation to {task}: {some(without)}.", "audit.authorisations"))
        text = f"Not authorised to {task} on every day: {some(late)}."
        missing.append(unless(not late, text, "audit.authorisations.since"))
    return either(facts, missing, STATEMENTS, MEANS)


def _dated(record: AuditRecord) -> Iterator[Reading]:
    return (reading for reading in record.readings if reading.time is not None and reading.status != "empty")


def _made(record: AuditRecord) -> Iterator[tuple[str, date]]:
    """Who made each lot of the standard, and when."""
    return ((item.preparation.maker, item.preparation.made) for item in record.study.lot_records.values())


def _in_role(record: AuditRecord, role: str) -> Iterator[tuple[str, date]]:
    """Who reviewed or approved a plan or dossier, and when, as the roles of results.json have it."""
    entries = record.results.get("roles") or ()
    return ((item["by"], datetime.fromisoformat(item["time"]).date()) for item in entries if item["role"] == role)


def _days(work: Iterable[tuple[str, date | None]]) -> dict[str, tuple[date, date]]:
    """The first and the last day on which each person worked."""
    days: dict[str, tuple[date, date]] = {}
    for person, day in work:
        if person and day is not None:
            first, last = days.get(person, (day, day))
            days[person] = (min(first, day), max(last, day))
    return days


def _not_covered(
    entries: Sequence[Authorisation], task: str, days: Mapping[str, tuple[date, date]]
) -> tuple[list[str], list[str]]:
    """Who has no authorisation for a task, and whose does not cover the days of the work."""
    without, late = [], []
    for person, (first, last) in sorted(days.items()):
        own = [item for item in entries if item.person == person and item.task == task]
        if not own:
            without.append(person)
        elif not any(item.since <= first and (item.until is None or last <= item.until) for item in own):
            ends = f" until {own[0].until}" if own[0].until else ""
            late.append(f"{person} (worked from {first} to {last}, authorised from {own[0].since}{ends})")
    return without, late
