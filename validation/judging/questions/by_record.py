"""Questions on what was written down beside the results: times, order, names, numbers. Chance has no part in them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from itertools import pairwise

from validation.judging.own_reference import own_references
from validation.judging.questions.record import Asked, Raw, Rule, some
from validation.study.experiments import EXPERIMENTS, chapter_words
from validation.study.lot_record import day_of
from validation.study.model import Reading
from validation.study.name_faults import not_listed
from validation.study.text_files import decimal
from validation.words import counted

#: A reading takes about a minute and a half, its equilibration a minute: two on one instrument are further apart.
LEAST = timedelta(minutes=1)
#: Times that are full hours throughout are noticed from so many on.
_MANY = 10
#: Of a sheet that was kept in order: the largest share of rows out of it, and of numbers missing.
_FEW = 0.2
_ASIDE = ("reading", "run", "order", "replicate", "note", "record")


def same_readings(raw: Raw) -> Iterator[Asked]:
    """Rows that differ in their identifier, or their run, alone, the time of day among what is the same."""
    seen: dict[tuple[object, ...], Reading] = {}
    twice: dict[str, list[tuple[str, str]]] = {}
    for reading, _ in raw.timed:
        first = seen.setdefault((reading.file, *_content(reading)), reading)
        if first is not reading:
            twice.setdefault(reading.file, []).append((first.reading, reading.reading))
    for file, pairs in twice.items():
        named = some([f"{first} and {second}" for first, second in pairs])
        text = f"The same but for the identifier: {named}. Were they entered twice?"
        yield Asked(text, tuple(dict.fromkeys(name for pair in pairs for name in pair)), file)


def _content(reading: Reading) -> tuple[tuple[str, str], ...]:
    """What a reading says, without what names its row and place in the run."""
    return tuple((name, text) for name, text in reading.values.items() if name not in _ASIDE)


def too_close(raw: Raw) -> Iterator[Asked]:
    """Two readings on one instrument closer in time than a measurement takes."""
    by_instrument: dict[tuple[str, ...], list[tuple[datetime, str, Reading]]] = {}
    for reading, time in raw.timed:
        if instrument := reading.values.get("instrument", ""):
            key = (instrument, reading.values.get("laboratory", ""))
            by_instrument.setdefault(key[:1], []).append((time, reading.reading, reading))
    close: dict[str, list[str]] = {}
    for uses in by_instrument.values():
        uses.sort(key=lambda use: use[:2])
        for (before, _, first), (after, _, second) in pairwise(uses):
            if after - before < LEAST and _content(first) != _content(second):
                close.setdefault(second.file, []).extend((first.reading, second.reading))
    for file, names in close.items():
        text = (
            f"Less than {int(LEAST.total_seconds())} s between readings on one instrument: {some(names)}. "
            "Are these the times of the readings?"
        )
        yield Asked(text, tuple(dict.fromkeys(names)), file)


def two_places(raw: Raw) -> Iterator[Asked]:
    """One analyst in the same minute at two laboratories, or on two instruments."""
    seen: dict[tuple[str, datetime], Reading] = {}
    found: dict[tuple[str, str], list[str]] = {}
    for reading, time in raw.timed:
        analyst = reading.values.get("analyst", "")
        if not analyst:
            continue
        first = seen.setdefault((analyst, time.replace(second=0, microsecond=0)), reading)
        if any(first.values.get(name, "") != reading.values.get(name, "") for name in ("laboratory", "instrument")):
            found.setdefault((reading.file, analyst), []).extend((first.reading, reading.reading))
    for (file, analyst), names in found.items():
        text = f"{analyst} read on two instruments, or at two sites, in the same minute: {some(names)}. Who read which?"
        yield Asked(text, tuple(dict.fromkeys(names)), file)


def no_minutes(raw: Raw) -> Iterator[Asked]:
    """Times of day that are full hours throughout."""
    by_file: dict[str, list[tuple[Reading, datetime]]] = {}
    for reading, time in raw.timed:
        by_file.setdefault(reading.file, []).append((reading, time))
    for file, uses in by_file.items():
        if len(uses) >= _MANY and all((time.minute, time.second) == (0, 0) for _, time in uses):
            text = f"All {len(uses)} times of {file} are full hours: when was each reading taken?"
            yield Asked(text, tuple(reading.reading for reading, _ in uses), file)


def planned_order(raw: Raw) -> Iterator[Asked]:
    """Readings of a run whose times do not follow the order on the run sheet; or the rows, where no order is stated."""
    by_run: dict[tuple[str, ...], list[tuple[Reading, datetime]]] = {}
    for reading, time in raw.timed:
        values = reading.values
        key = (reading.file, *(values.get(name, "") for name in ("laboratory", "run", "instrument")))
        if values.get("run"):
            by_run.setdefault(key, []).append((reading, time))
    early: dict[str, list[str]] = {}
    sheets: dict[str, int] = {}
    for (file, *_), uses in by_run.items():
        orders = [decimal(reading.values.get("order", "")) for reading, _ in uses]
        stated = [order for order in orders if order is not None]
        in_order = uses
        if len(stated) == len(uses):
            in_order = [use for _, use in sorted(zip(stated, uses, strict=True), key=lambda pair: pair[0])]
        back = [b[0].reading for a, b in pairwise(in_order) if b[1] < a[1]]
        early.setdefault(file, []).extend(back)
        sheets[file] = sheets.get(file, 0) + len(uses)
    for file, names in early.items():
        if 0 < len(names) <= _FEW * sheets[file]:
            text = f"Read before the reading that precedes it on the run sheet: {some(names)}. Was the order changed?"
            yield Asked(text, tuple(names), file)


def number_gaps(raw: Raw) -> Iterator[Asked]:
    """Identifiers counted from one end to the other, with a few missing."""
    for data in raw.experiments:
        numbered = [re.fullmatch(r"(.*?)(\d+)", reading.reading) for reading in data.readings]
        series: dict[str, list[str]] = {}
        for match in numbered:
            if match is not None:
                series.setdefault(match[1], []).append(match[2])
        for head, digits in series.items():
            numbers = {int(text) for text in digits}
            span = max(numbers) - min(numbers) + 1
            missing = span - len(numbers)
            if len(numbers) < 5 or not 0 < missing <= _FEW * len(numbers):
                continue
            width = len(digits[0]) if len({len(text) for text in digits}) == 1 else 0
            absent = [n for n in range(min(numbers), max(numbers)) if n not in numbers]
            names = [f"{head}{n:0{width}d}" for n in absent]
            first = f"{head}{absent[0] - 1:0{width}d}"
            ends = [f"{head}{end(numbers):0{width}d}" for end in (min, max)]
            verb, them = ("is", "it") if missing == 1 else ("are", "them")
            text = f"{some(names)} {verb} missing between {ends[0]} and {ends[1]}: what became of {them}?"
            yield Asked(text, (first, *names), data.worksheet)


def another_day(raw: Raw) -> Iterator[Asked]:
    """Readings whose column `day` is another day than that of their `time`."""
    for data in raw.experiments:
        names = [
            reading.reading
            for reading in data.readings
            if reading.time is not None
            and (day := day_of(reading.values.get("day"))) is not None
            and day != reading.time.date()
        ]
        if names:
            text = f"The day is not that of the time: {some(names)}. On which day were they read?"
            yield Asked(text, tuple(names), data.worksheet)


def one_preparation_of_levels(raw: Raw) -> Iterator[Asked]:
    """A preparation that stands at several levels of one run: a vial has one content."""
    for data in raw.experiments:
        if not {"preparation", "run", "level"} <= set(data.table):
            continue
        cells = [*(name for name in ("laboratory", "grade", "fuel") if name in data.table), "run", "preparation"]
        stated = data.table[data.table["preparation"].astype(str) != ""]
        several = stated[stated.groupby(cells, sort=False)["level"].transform("nunique") > 1]
        if len(several):
            names = some(several["preparation"].astype(str).tolist())
            text = f"At several levels of one run stands one preparation: {names}. Which content did it have?"
            yield Asked(text, tuple(several["reading"].astype(str)), data.worksheet)


def one_preparation(raw: Raw) -> Iterator[Asked]:
    """Replicates that come from one preparation, where the scatter of results is the aim."""
    for data in raw.experiments:
        cells = [name for name in ("laboratory", "run", "level", "grade", "fuel") if name in data.table]
        if not EXPERIMENTS[data.name].shape.scatter or "preparation" not in data.table or "run" not in data.table:
            continue
        stated = data.table[data.table["preparation"].astype(str) != ""]
        sizes = stated.groupby(cells, sort=False)["preparation"].agg(["size", "nunique"])
        shared = sizes[sizes["nunique"] < sizes["size"]]
        if len(shared):
            twice = stated[stated.duplicated([*cells, "preparation"], keep=False)]
            text = (
                f"{counted(len(shared), 'cell')} of {chapter_words(data.name)} hold several readings of one "
                "preparation: does the scatter hold what preparing a vial adds?"
            )
            yield Asked(text, tuple(twice["reading"].astype(str)), data.worksheet)


def standard_as_reference(raw: Raw) -> Iterator[Asked]:
    """Readings of the bias on a standard or preparation that also calibrates."""
    for name, readings in own_references(raw.study).items():
        count = counted(len(readings), "reading")
        text = (
            f"{count} of precision {'is' if len(readings) == 1 else 'are'} of {name}, which also calibrates: what does "
            "the bias there show beyond the calibration?"
        )
        yield Asked(text, tuple(readings), raw.study.experiments["precision"].worksheet)


def names_not_listed(raw: Raw) -> Iterator[Asked]:
    """Analysts and instruments that the plan does not list, where it lists some."""
    plan = raw.study.plan
    for column, section, entries in (
        ("analyst", "people", plan.people),
        ("instrument", "equipment", plan.equipment),
    ):
        for name, files in (not_listed(raw.study, column, entries) if entries else {}).items():
            own = [
                reading.reading
                for data in raw.experiments
                for reading in data.readings
                if reading.values.get(column) == name and reading.file == files[0]
            ]
            text = f"The {column} {name} is not listed under {section} in the plan: {_of[section]}"
            yield Asked(text, tuple(dict.fromkeys(own)), files[0])


_of = {
    "people": "who is it, and authorised for what?",
    "equipment": "what shows that it was fit for use?",
}


def outside_their_time(raw: Raw) -> Iterator[Asked]:
    """Readings by a person before `since` or after `until`."""
    spans: dict[str, tuple[date | None, date | None]] = {}
    for entry in raw.study.plan.people:
        span = (day_of(entry.get("since")), day_of(entry.get("until")))
        for key in ("name", "initials"):
            if entry.get(key) and any(span):
                spans[str(entry[key])] = span
    found: dict[tuple[str, str], list[str]] = {}
    for data in raw.experiments if spans else ():
        for reading in data.readings:
            who = reading.values.get("analyst", "")
            since, until = spans.get(who, (None, None))
            if reading.time is None or reading.status not in ("used", "censored"):
                continue
            day = reading.time.date()
            if (since is not None and day < since) or (until is not None and day > until):
                found.setdefault((reading.file, who), []).append(reading.reading)
    for (file, who), names in found.items():
        text = f"{who} read {some(names)} outside the time that the plan states (since, until): who authorised it?"
        yield Asked(text, tuple(names), file)


RECORD_RULES: tuple[Rule, ...] = (
    Rule("reading entered twice", "It makes scatter small and counts large.", None, same_readings),
    Rule("readings too close in time", "A measurement takes longer than that.", None, too_close),
    Rule("one person in two places", "Who did the work must be known for each reading.", None, two_places),
    Rule("times without minutes", "Times written afterwards show neither order nor age.", None, no_minutes),
    Rule("order of the run sheet", "A random order helps against drift only where it was kept.", None, planned_order),
    Rule("numbers missing", "Every reading that was taken must be on record, failed ones too.", None, number_gaps),
    Rule("day other than its time", "One of the two is not when the reading was taken.", None, another_day),
    Rule("preparation at two levels", "A vial has one content.", None, one_preparation_of_levels),
    Rule("one preparation", "Readings of one preparation are not independent.", None, one_preparation),
    Rule(
        "standard as its own reference",
        "Who calibrates and checks with one weighing checks nothing.",
        None,
        standard_as_reference,
    ),
    Rule("name not in the plan", "People and equipment must be shown to be fit for the task.", None, names_not_listed),
    Rule("person outside their time", "An authorisation begins and ends.", None, outside_their_time),
)
