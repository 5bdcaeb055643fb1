"""Whether every lot, instrument and balance was valid on the day it was used; if not, the run stops.

What expires is written in two places: plan.yaml (`equipment`: `valid_from`, `valid_until`; `standards`: `expires`) and
the lot records (`expires`; `certificate_valid_until` of the balance at each weighing). An impact note, an amendment
that says what later evidence covers the use, turns the fault into a warning.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from validation.faults import Fault, Refusal
from validation.study.folder import AMENDMENTS
from validation.study.history.amendments import COLUMNS, Amendment
from validation.study.history.plan_lock import kept_plan, read_lock
from validation.study.history.readings import RECORD, seen_versions
from validation.study.lot_record import LotRecord, day_of
from validation.study.model import ExperimentData, Reading, Study
from validation.study.plan import PLAN, Plan
from validation.study.text_files import year_out_of_bounds
from validation.study.yaml_reading import Reading as YamlReading
from validation.study.yaml_reading import key_name, read_yaml
from validation.terminal import shell_quoted
from validation.words import counted, sentence_list


@dataclass(frozen=True, slots=True)
class Period:
    """From when until when an item may be used, and where that is written. None: no bound stated on that side."""

    item: str
    what: str
    since: date | None
    until: date | None
    file: str
    place: str
    row: int | None = None

    def covers(self, day: date) -> bool:
        return (self.since is None or self.since <= day) and (self.until is None or day <= self.until)


@dataclass(frozen=True, slots=True)
class Lapse:
    """A use of an item outside its period; `readings` are those it bears on, `lot` the lot that was weighed, if any."""

    period: Period
    day: date
    readings: tuple[Reading, ...]
    lot: str = ""
    note: Amendment | None = None

    @property
    def before(self) -> bool:
        """Used before the period began, which later evidence cannot cover."""
        return self.period.since is not None and self.day < self.period.since


def periods(plan: Plan, records: Mapping[str, LotRecord]) -> tuple[list[Period], list[Fault]]:
    """Everything that expires, plan first, and a fault for each date of the plan that cannot be read."""
    known: list[Period] = []
    faults: list[Fault] = []
    for section, what, entries, names in (
        ("equipment", "certificate", plan.equipment, ("valid_from", "valid_until")),
        ("standards", "lot", plan.standards, ("", "expires")),
    ):
        for entry in entries:
            item = str(entry.get("name", ""))
            since, until = (_day(entry, name, section, item, faults) for name in names)
            if since is not None or until is not None:
                known.append(Period(item, what, since, until, PLAN, f"{section}, {item}, {names[1]}"))
    for lot, record in records.items():
        known += _of_record(lot, record)
    return known, faults


def _day(entry: Mapping[str, Any], name: str, section: str, item: str, faults: list[Fault]) -> date | None:
    value = entry.get(name) if name else None
    if value is None:
        return None
    day = day_of(value)
    why = "The date cannot be read." if day is None else year_out_of_bounds(day)
    if why:
        reason, mend = why, "Write it as 2026-03-31."
        faults.append(Fault(PLAN, reason, mend, None, None, f"{section}, {item}, {name}", str(value), "a day"))
    return day


def _of_record(lot: str, record: LotRecord) -> Iterator[Period]:
    yield Period(lot, "lot", record.preparation.made, None, record.file, "made", record.line("made"))
    if record.preparation.expires is not None:
        yield Period(lot, "lot", None, record.preparation.expires, record.file, "expires", record.line("expires"))
    for position, weighing in enumerate(record.preparation.weighings):
        until = weighing.certificate_valid_until
        if until is not None:
            path = ("weighings", position, "certificate_valid_until")
            row = record.line(*path)
            yield Period(weighing.balance, "certificate", None, until, record.file, key_name(path), row)


def lapses(
    plan: Plan,
    experiments: Mapping[str, ExperimentData],
    records: Mapping[str, LotRecord],
    notes: Iterable[Amendment] = (),
) -> list[Lapse]:
    """Every use of an expired item, each with the impact note that covers it, where there is one.

    Readings without a date are left out, because what cannot be dated cannot have expired; so are excluded readings.
    """
    known, _ = periods(plan, records)
    dated = _dated(experiments)
    uses = [*_weighed(known, dated, records), *_read(known, dated)]
    given = [note for note in notes if note.kind == "impact"]
    return [part for lapse in uses for part in _with_notes(lapse, given)]


def lapses_of(study: Study) -> list[Lapse]:
    """The same of a study that was read: each of its lapses is covered by a note, or the study would not be there."""
    notes = [Amendment.of([row[name] for name in COLUMNS]) for row in study.amendments if row["kind"] == "impact"]
    return lapses(study.plan, study.experiments, study.lot_records, notes)


def _dated(experiments: Mapping[str, ExperimentData]) -> list[tuple[Reading, date]]:
    """The readings that count and carry a time, once each where two experiments share a worksheet."""
    seen: dict[tuple[str, int], tuple[Reading, date]] = {}
    for data in experiments.values():
        for reading in data.readings:
            if reading.time is not None and reading.status in ("used", "censored"):
                seen.setdefault((reading.file, reading.line), (reading, reading.time.date()))
    return list(seen.values())


def _weighed(
    known: Sequence[Period], dated: Sequence[tuple[Reading, date]], records: Mapping[str, LotRecord]
) -> Iterator[Lapse]:
    """Lots weighed on a balance whose certificate did not hold on that day, once for each lot and certificate."""
    for lot, record in records.items():
        seen = set()
        concerned = tuple(reading for reading, _ in dated if reading.values.get("lot") == lot)
        for weighing in record.preparation.weighings:
            day = weighing.date or record.preparation.made
            own = [p for p in known if p.file == record.file and p.item == weighing.balance and p.what != "lot"]
            stated = weighing.certificate_valid_until
            # The certificate that the record names is the one of that day; else the plan's counts.
            those = (
                [p for p in own if p.until == stated] if stated else _in_plan(known, weighing.balance, "certificate")
            )
            period = _outside(those, day)
            if period is not None and (period.item, period.until, period.since, day) not in seen:
                seen.add((period.item, period.until, period.since, day))
                yield Lapse(period, day, concerned, lot)


def _read(known: Sequence[Period], dated: Sequence[tuple[Reading, date]]) -> Iterator[Lapse]:
    """Readings taken with an expired lot or instrument, together for each item and expiry."""
    together: dict[Period, list[tuple[Reading, date]]] = {}
    for reading, day in dated:
        for column, what in (("lot", "lot"), ("instrument", "certificate")):
            item = reading.values.get(column, "")
            if what == "lot":
                # Plan and record may both state an expiry: the earlier one holds.
                those = [p for p in known if p.item == item and p.what == "lot" and not p.covers(day)][:1]
            else:
                those = _in_plan(known, item, what)
            period = _outside(those, day) if item else None
            if period is not None:
                together.setdefault(period, []).append((reading, day))
    for period, uses in together.items():
        first = [use for use in uses if period.since is not None and use[1] < period.since]
        for group in (first, [use for use in uses if use not in first]):
            if group:
                yield Lapse(period, max(day for _, day in group), tuple(reading for reading, _ in group))


def _in_plan(known: Sequence[Period], item: str, what: str) -> list[Period]:
    return [period for period in known if period.file == PLAN and period.item == item and period.what == what]


def _outside(those: Sequence[Period], day: date) -> Period | None:
    """None where one of the periods covers the day; else the one that ended last before it, or the first to begin."""
    if not those or any(period.covers(day) for period in those):
        return None
    ended = [period for period in those if period.until is not None and period.until < day]
    return max(ended, key=lambda period: period.until or date.min) if ended else those[0]


def _with_notes(lapse: Lapse, notes: Sequence[Amendment]) -> Iterator[Lapse]:
    """The lapse by the note that covers it; a note for single readings covers those alone."""
    if lapse.before or lapse.period.until is None:
        yield lapse
        return
    for_item = [note for note in notes if note.column == lapse.period.item and day_of(note.old) == lapse.period.until]
    if lapse.lot or not lapse.readings:
        yield _noted(lapse, [note for note in for_item if not note.reading], lapse.day)
        return
    groups: dict[int, list[Reading]] = {}
    by_number: dict[int, Amendment | None] = {0: None}
    for reading in lapse.readings:
        day = reading.time.date() if reading.time is not None else lapse.day
        fits = [note for note in for_item if note.reading in ("", reading.reading)]
        covering = _covering(fits, day)
        number = 0 if covering is None else covering.number
        by_number[number] = covering
        groups.setdefault(number, []).append(reading)
    for number, readings in groups.items():
        yield Lapse(lapse.period, lapse.day, tuple(readings), lapse.lot, by_number[number])


def _noted(lapse: Lapse, notes: Sequence[Amendment], day: date) -> Lapse:
    return Lapse(lapse.period, lapse.day, lapse.readings, lapse.lot, _covering(notes, day))


def _covering(notes: Sequence[Amendment], day: date) -> Amendment | None:
    return next((note for note in notes if (until := day_of(note.new)) is not None and day <= until), None)


# ------------------------------------------------------------------------------------------------- faults, warnings


def validity_faults(
    folder: Path,
    plan: Plan,
    uses: Sequence[Lapse],
    records: Mapping[str, LotRecord],
    notes: Iterable[Amendment] = (),
) -> list[Fault]:
    """A fault for each lapse that no impact note covers, each date that cannot be read, each note that fits nothing."""
    known, faults = periods(plan, records)
    together: dict[tuple[Any, ...], list[Lapse]] = {}
    for lapse in uses:
        if lapse.note is None:
            period = lapse.period
            key = (period.item, period.what, period.since, period.until, bool(lapse.lot), lapse.before)
            together.setdefault(key, []).append(lapse)
    faults += [_lapse_fault(group, _changed(folder, group[0].period)) for group in together.values()]
    faults += [fault for note in notes if note.kind == "impact" for fault in _note_faults(note, known)]
    rows = _plan_rows(folder) if any(fault.file == PLAN and fault.row is None for fault in faults) else {}
    return [_with_row(fault, rows) for fault in faults]


def _lapse_fault(group: Sequence[Lapse], changed: str) -> Fault:
    """One fault for all uses of one item beyond one date."""
    first, until = group[0], max(lapse.day for lapse in group)
    period = first.period
    readings = list({(r.file, r.line): r for lapse in group for r in lapse.readings}.values())
    stated = f"{_stated(period)}; {_bears_on(readings, lots=bool(first.lot))}"
    note = _or_note(first, until)
    if first.lot:
        lots = [
            f"{lapse.lot} {'before its certificate holds, ' if lapse.before else ''}on {lapse.day}" for lapse in group
        ]
        one = len(lots) == 1
        reason = (
            f"{period.item} weighed {'lot' if one else 'lots'} {sentence_list(lots)}, and its certificate does not "
            "hold "
            f"on {'that day' if one else 'those days'}.{changed}"
        )
        mend = f"Weigh the {'lot' if one else 'lots'} again{note}"
        return Fault(period.file, reason, mend, period.row, None, period.place, stated, "a valid certificate")
    column = "lot" if period.what == "lot" else "instrument"
    noun = f"Lot {period.item}" if period.what == "lot" else f"The certificate of {period.item}"
    verb = "did not hold yet" if first.before else "had expired"
    reason = f"{noun} {verb} when it was used ({period.file}, {period.place}).{changed}"
    mend = f"Repeat the readings, exclude them with a reason (validation amend --exclude){note}"
    where = min(readings, key=_moment)
    return Fault(where.file, reason, mend, where.line, where.reading, column, stated, "a use within that time")


def _or_note(lapse: Lapse, until: date) -> str:
    if lapse.before or lapse.period.until is None:
        return f", or correct the dates in {lapse.period.file}."
    return (
        f", or, where later evidence covers it, write one impact note: validation amend DIR --impact "
        f'{shell_quoted(Path(lapse.period.item))} --until {until} --reason "..." --by "your name".'
    )


def _stated(period: Period) -> str:
    if period.since is not None and period.until is not None:
        return f"valid from {period.since} until {period.until}"
    return f"valid from {period.since}" if period.until is None else f"valid until {period.until}"


def _bears_on(readings: Sequence[Reading], *, lots: bool) -> str:
    """How many readings are concerned in each worksheet, which is the first, and until when."""
    if not readings:
        return "no dated reading names the lot" if lots else "no reading"
    counts: dict[str, int] = {}
    for reading in readings:
        counts[reading.file] = counts.get(reading.file, 0) + 1
    several = len(counts) > 1
    where = ", ".join(f"{count} in {file}" for file, count in counts.items()) if several else next(iter(counts))
    total = counted(len(readings), "reading")
    first = min(readings, key=_moment)
    days = sorted({reading.time.date() for reading in readings if reading.time is not None})
    of = f" of {days[0]}" if days else ""
    last = f"; the last is of {days[-1]}" if len(days) > 1 else ""
    return f"bears on {total} ({where}): the first is {first.reading}{of}, {first.file} row {first.line}{last}"


def _moment(reading: Reading) -> tuple[str, str, int]:
    return ("" if reading.time is None else reading.time.date().isoformat(), reading.file, reading.line)


def _changed(folder: Path, period: Period) -> str:
    """That the date itself was another one earlier, where the history of the study shows it."""
    if period.until is None:
        return ""
    if period.file != PLAN:
        versions = seen_versions(folder).get(period.file, ())
        before = next((seen.cells.get(period.place) for seen in versions), None)
        if before in (None, str(period.until)):
            return ""
        return f" The date itself was changed: it was {before} when the record was first read ({RECORD})."
    entries, _ = read_lock(folder)
    for entry in entries:
        kept = kept_plan(folder, entry.sha256)
        frozen = _plan_dates(kept).get(period.place)
        if frozen not in (None, str(period.until)):
            day, name = entry.time.date(), kept.relative_to(folder).as_posix()
            return f" The date itself was changed: it was {frozen} in the plan as frozen on {day} ({name})."
    return ""


def _plan_dates(path: Path) -> dict[str, str]:
    """Every fact on equipment and standards in a plan, by the place that faults name."""
    try:
        reading = read_yaml(path.read_bytes(), path.name)
    except OSError:
        return {}
    return {place: str(value) for place, value, _ in _facts(reading)}


def _note_faults(note: Amendment, known: Sequence[Period]) -> Iterator[Fault]:
    """A note must name an item that expires, in the file that says so, with the date stated there."""
    row, reading = note.line or None, note.reading or None
    expiring = [period for period in known if period.until is not None]
    names = sorted({period.item for period in expiring})
    if note.column not in names:
        close = get_close_matches(note.column, names, n=1)
        mend = (
            f"Write {close[0]}." if close else f"Write one of {', '.join(names)}." if names else "State its date first."
        )
        reason = "Nothing of this name has an expiry on file."
        yield Fault(AMENDMENTS, reason, mend, row, reading, "column", note.column, "a balance, instrument or lot")
        return
    there = [period for period in expiring if period.item == note.column and period.file == note.file]
    if not there:
        files = sorted({period.file for period in expiring if period.item == note.column})
        reason, mend = "This file does not state when it expires.", f"Write {' or '.join(files)}."
        yield Fault(AMENDMENTS, reason, mend, row, reading, "file", note.file, " or ".join(files))
    elif day_of(note.old) not in {period.until for period in there}:
        dates = " or ".join(sorted({str(period.until) for period in there}))
        reason = "The old date no longer matches the expiry on file."
        mend = "Find out what changed since; an impact note covers one expiry."
        yield Fault(AMENDMENTS, reason, mend, row, reading, "old", note.old, dates)


def _plan_rows(folder: Path) -> dict[str, int]:
    """The line of each date in plan.yaml, by the place that faults name."""
    try:
        reading = read_yaml((folder / PLAN).read_bytes(), PLAN)
    except OSError:
        return {}
    rows: dict[str, int] = {}
    for place, _, row in _facts(reading):
        rows.setdefault(place, row)
    return rows


def _facts(reading: YamlReading) -> Iterator[tuple[str, Any, int]]:
    """Place, value and line of each fact on equipment and standards in a plan."""
    for section in ("equipment", "standards"):
        entries = reading.value.get(section) if isinstance(reading.value, dict) else None
        pairs: Iterable[tuple[str | int, Any]] = ()
        if isinstance(entries, list):
            pairs = enumerate(entries)
        elif isinstance(entries, dict):
            pairs = entries.items()
        for key, entry in pairs:
            if isinstance(entry, dict):
                item = entry.get("name", key)
                for name, value in entry.items():
                    yield f"{section}, {item}, {name}", value, reading.line((section, key, name)) or 0


def _with_row(fault: Fault, rows: Mapping[str, int]) -> Fault:
    row = rows.get(fault.column or "") if fault.file == PLAN and fault.row is None else None
    if not row:
        return fault
    return Fault(fault.file, fault.reason, fault.mend, row, fault.reading, fault.column, fault.value, fault.expected)


def impact_sentences(uses: Sequence[Lapse]) -> list[str]:
    """What page 1 says of each impact note that is needed."""
    together: dict[tuple[int, str, str], list[Lapse]] = {}
    for lapse in uses:
        if lapse.note is not None:
            together.setdefault((lapse.note.number, lapse.period.item, str(lapse.period.until)), []).append(lapse)
    sentences = []
    for (number, item, until), group in together.items():
        note = group[0].note
        assert note is not None
        lots = list(dict.fromkeys(lapse.lot for lapse in group if lapse.lot))
        count = len({(reading.file, reading.line) for lapse in group for reading in lapse.readings})
        parts = [f"{'lot' if len(lots) == 1 else 'lots'} {' and '.join(lots)}"] if lots else []
        parts += [counted(count, "reading")] if count else []
        day = datetime.fromisoformat(note.time).date()
        reason = note.reason.rstrip(".")
        sentences.append(
            f"{item}: expired {until}; impact note {number} of {day} by {note.by}: {reason}. "
            f"Covered until {note.new}; concerns {', '.join(parts)}."
        )
    return sentences


def impact_amendment(
    plan: Plan,
    records: Mapping[str, LotRecord],
    *,
    number: int,
    item: str,
    until: str,
    by: str,
    reason: str,
    now: datetime,
    reading: str = "",
) -> Amendment:
    """The impact note on an item, with the expiry on file.

    Raises
    ------
    Refusal
        Nothing of this name expires, `until` is not a date, or is before every expiry on file.
    """
    known, _ = periods(plan, records)
    expiring = [period for period in known if period.until is not None]
    names = sorted({period.item for period in expiring})
    mine = [period for period in expiring if period.item == item]
    if not mine:
        close = get_close_matches(item, names, n=1)
        hint = f' Did you mean "{close[0]}"?' if close else f" Known: {', '.join(names) or 'none'}."
        raise Refusal(f'No expiry of "{item}" is on file, in plan.yaml or a lot record.{hint}')
    day = day_of(until)
    if day is None:
        raise Refusal(f'--until needs a date such as 2026-04-17; found "{until}".')
    before = [period for period in mine if period.until is not None and period.until < day]
    if not before:
        dates = ", ".join(sorted({str(period.until) for period in mine}))
        raise Refusal(f"{item} is valid until {dates} on file, so nothing needs to be covered until {until}.")
    # The expiry that lapsed last; the plan is named before a lot record.
    latest = max(period.until or date.min for period in before)
    period = next(period for period in before if period.until == latest)
    time = now.isoformat(timespec="seconds")
    return Amendment(number, time, by, "impact", period.file, reading, item, str(latest), str(day), reason)
