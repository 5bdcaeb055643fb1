"""Raw data: every row of a worksheet as written, with what happened to it. A long worksheet is a file of its own."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from validation.dossier.anchors import amendment_anchor, row_anchor, worksheet_anchor
from validation.dossier.blocks import Block, Heading, Link, Links, Paragraph, Table
from validation.dossier.listings import ENDS, MOST_ROWS, PLACE, as_csv, attachment
from validation.dossier.record import DossierRecord
from validation.dossier.trace import verdict_words
from validation.study.experiments import EXPERIMENTS, chapter_words
from validation.study.history.acknowledging import KIND, acknowledged_cells, cell_text
from validation.study.model import ExperimentData, Reading, Study
from validation.study.quantity import Flag
from validation.words import counted, level_text, sentence_list

#: Of a long worksheet: rows listed of those that are not used as written, and lines of its summary.
MARKED: Final = 200
SUMMARISED: Final = 60
#: Head of the column that says what happened to a row.
STATUS = "Status"
#: The column of dates that a column of times is split into.
DATE = "date"

#: What happened to a row: each time a word, and the same in full.
Remarks = tuple[tuple[str, str], ...]


def raw_data(record: DossierRecord) -> list[Block]:
    """Every row of every worksheet, as written, with what happened to it."""
    blocks: list[Block] = [Heading("Raw data", 1, "raw-data")]
    uses = [(trace["requirement"], _experiments(trace)) for trace in record.traces]
    for data in record.study.experiments.values():
        blocks.append(Heading(f"{chapter_words(data.name)}: {data.worksheet}", 2, worksheet_anchor(data.name)))
        blocks += _verdicts(record, [row for row, experiments in uses if data.name in experiments])
        if not data.readings:
            blocks.append(Paragraph("Awaiting readings: the worksheet holds headings only."))
        elif len(data.readings) > MOST_ROWS:
            blocks += _long_worksheet(record, data)
        else:
            blocks += _whole_worksheet(record, data)
    if record.unused_files:
        blocks.append(Paragraph(f"Present in the study folder, not used: {', '.join(record.unused_files)}."))
    return blocks


def _experiments(trace: Mapping[str, Any]) -> set[str]:
    """The experiments whose readings a verdict rests on."""
    return {row["experiment"] for q in trace["quantities"] for row in (*q["rows"], *q["further_rows"])}


def _verdicts(record: DossierRecord, rows: Sequence[Mapping[str, Any]]) -> list[Block]:
    """The verdicts that rest on readings of a worksheet, as links to their traces."""
    links = [
        Link(f"{verdict_words(row)}{mark}", to)
        for row, mark in zip(rows, [*[","] * (len(rows) - 1), "."], strict=False)
        if (to := record.places.trace(row["id"], row["at"]))
    ]
    return [Links("Verdicts that rest on it:", tuple(links))] if links else []


def on_the_pages(study: Study, flags: Sequence[Flag], data: ExperimentData) -> Sequence[Reading]:
    """The readings of a worksheet that the pages list: all, or of a long one the ends and what is not as written."""
    readings = data.readings
    if len(readings) <= MOST_ROWS:
        return readings
    happened = _happened(study, flags, data)
    marked = [reading for reading in readings if reading.reading in happened]
    chosen = {reading.reading for reading in (*readings[:ENDS], *readings[-ENDS:], *marked[:MARKED])}
    return [reading for reading in readings if reading.reading in chosen]


def listings(study: Study, flags: Sequence[Flag]) -> dict[str, bytes]:
    """By file name, every row of each worksheet that is too long for the pages: as written, and what happened to it."""
    long = [data for data in study.experiments.values() if len(data.readings) > MOST_ROWS]
    return {_file(data): _as_csv(data.readings, _happened(study, flags, data)) for data in long}


def _file(data: ExperimentData) -> str:
    return f"{PLACE}/{data.name}.csv"


def _as_csv(readings: Sequence[Reading], happened: Mapping[str, Remarks]) -> bytes:
    names = [name for name in readings[0].written if name != "reading"]
    remarks = {name: "; ".join(full for _, full in remarks) for name, remarks in happened.items()}
    rows = (
        (r.line, r.reading, *(r.written.get(name, "") for name in names), remarks.get(r.reading, "")) for r in readings
    )
    return as_csv(("row", "reading", *names, "what happened"), rows)


def _whole_worksheet(record: DossierRecord, data: ExperimentData) -> list[Block]:
    listing = Listing(data.readings, _happened(record.study, record.judgement.flags, data))
    whole = [] if listing.remarks else ["Every row is used as written."]
    facts = [f"{counted(len(data.readings), 'row')}.", *listing.shared_by_rows(), *whole, _hash_of(record, data)]
    blocks: list[Block] = [Paragraph(" ".join(facts), style="small"), _as_written("As written", listing, record, data)]
    return [*blocks, *_in_words([*listing.remarks, *_rows_gone(record.study, data)])]


def _long_worksheet(record: DossierRecord, data: ExperimentData) -> list[Block]:
    """The ends of the worksheet, what is not used as written, and a summary; the whole is attached."""
    happened, readings = _happened(record.study, record.judgement.flags, data), data.readings
    marked = [reading for reading in readings if reading.reading in happened]
    listing = Listing(on_the_pages(record.study, record.judgement.flags, data), happened, shared=False)
    listed = f"the first and the last {ENDS} rows and all {len(marked)} that are not used as written"
    if not marked:
        listed = f"the first and the last {ENDS} rows; every row is used as written"
    elif len(marked) > MARKED:
        listed = f"the first and the last {ENDS} rows and the first {MARKED} of {len(marked)} not used as written"
    return [
        Paragraph(
            f"{len(readings)} rows. The pages list at most {MOST_ROWS} rows of a worksheet; of this one, {listed}. "
            f"{_hash_of(record, data)}",
            style="small",
        ),
        attachment(_file(data), _as_csv(readings, happened), "Every row as written, with what happened to it"),
        *_summary(data, happened),
        _as_written("Excerpt, as written", listing, record, data),
        *_in_words([*listing.remarks, *_rows_gone(record.study, data)]),
    ]


def _rows_gone(study: Study, data: ExperimentData) -> list[str]:
    """The rows of a worksheet that were there and are gone without an amendment."""
    present = {reading.reading for reading in data.readings}
    gone = [change for change in study.changes if change.file == data.worksheet and change.reading not in present]
    sentences = [f"{change.reading}: row gone without an amendment; it was: {change.old}." for change in gone]
    rows = [row for row in study.amendments if row["kind"] == KIND and row["file"] == data.worksheet]
    known = [row for row in rows if row["reading"] and row["reading"] not in present]
    return sentences + [f"{row['reading']}: row gone, acknowledged; it was: {row['old']}." for row in known]


def _hash_of(record: DossierRecord, data: ExperimentData) -> str:
    return f"Row is the line of the file. SHA-256 {record.inputs.get(data.worksheet, '')}."


def _as_written(caption: str, listing: Listing, record: DossierRecord, data: ExperimentData) -> Table:
    """The listing: each row has its anchor, and one that was amended leads to the amendment."""
    numbers = {entry["reading"]: amendment_anchor(entry["number"]) for entry in record.study.amendments_of(data)}
    last = len(listing.head) - 1
    return Table(
        caption,
        listing.head,
        listing.rows,
        align="rl" + "l" * (last - 1),
        long=True,
        details=True,
        literal=True,
        anchors=tuple(row_anchor(data.name, int(row[0])) for row in listing.rows),
        links=tuple(
            (at, last, numbers[row[1]])
            for at, row in enumerate(listing.rows)
            if listing.head[last] == STATUS and row[last] and row[1] in numbers
        ),
    )


def _in_words(remarks: Sequence[str]) -> list[Block]:
    return [Paragraph(" ".join(remarks), style="small")] if remarks else []


def _summary(data: ExperimentData, happened: Mapping[str, Remarks]) -> list[Block]:
    """Rows by the entries of the first column that every row fills: how many, and between which results."""
    columns = EXPERIMENTS[data.name].columns
    if not columns.needed or columns.value not in data.table:
        return []
    by = columns.needed[0]
    rows: dict[str, list[Reading]] = {}
    for reading in data.readings:
        rows.setdefault(_entry(reading.values.get(by, "")), []).append(reading)
    if len(rows) > SUMMARISED:
        return [Paragraph(f"{by.capitalize()} has {len(rows)} different entries.", style="small")]
    ends = data.table.groupby(by, sort=False)[columns.value].agg(["count", "min", "max"])
    used = {_entry(place): tuple(level_text(value) for value in row) for place, *row in ends.itertuples()}
    lines = tuple(
        (entry, str(len(own)), *used.get(entry, ("0", "", "")), str(sum(r.reading in happened for r in own)))
        for entry, own in rows.items()
    )
    head = (by, "Rows", "Used", "Smallest", "Largest", "Not used as written")
    return [Table(f"Rows by {by}", head, lines, align="lrrddr", long=True)]


def _entry(written: object) -> str:
    """An entry that is a number as a number: 0.50 and 0.5 are one."""
    try:
        return level_text(float(str(written)))
    except ValueError:
        return str(written)


class Listing:
    """A worksheet as written: what all rows share, what all rows of a run share, and the columns that are left.

    Parameters
    ----------
    readings : those to list
    happened : what happened to a row, by its reading: in a word, and in full
    shared : whether what all rows or all rows of a run share is said once, in a sentence
    """

    def __init__(self, readings: Sequence[Reading], happened: Mapping[str, Remarks], *, shared: bool = True) -> None:
        names = [name for name in readings[0].written if name != "reading"]
        cells = {name: [r.written.get(name, "") for r in readings] for name in names}
        columns = {name: written for name, written in cells.items() if any(written)}
        runs = columns.get("run", [])
        few_runs = shared and 0 < len(set(runs)) <= len(runs) / 3
        columns = _times_split(columns, runs if few_runs else [])
        many = shared and len(readings) > 1
        self.throughout = {name: c[0] for name, c in columns.items() if many and len(set(c)) == 1}
        columns = {name: c for name, c in columns.items() if name not in self.throughout}
        self.by_run: dict[str, dict[str, str]] = {}
        if few_runs and "run" in columns:
            for name in [name for name, c in columns.items() if name != "run" and _follows(c, runs)]:
                self.by_run[name] = dict(zip(runs, columns.pop(name), strict=True))
        status = [happened.get(reading.reading, ()) for reading in readings]
        self.remarks = [
            f"Row {r.line}, {r.reading}: {'; '.join(text for _, text in remarks)}."
            for r, remarks in zip(readings, status, strict=True)
            if remarks
        ]
        if self.remarks:
            columns[STATUS] = [", ".join(word for word, _ in remarks) for remarks in status]
        self.head = ("Row", "Reading", *(name.replace("_", " ") for name in columns))
        self.rows = tuple(
            (str(reading.line), reading.reading, *row)
            for reading, *row in zip(readings, *columns.values(), strict=True)
        )

    def shared_by_rows(self) -> list[str]:
        """Sentences on what all rows, or all rows of a run, share."""
        sentences = []
        if self.throughout:
            sentences.append(f"Throughout: {', '.join(f'{name} {value}' for name, value in self.throughout.items())}.")
        if self.by_run:
            alike: dict[tuple[str, ...], list[str]] = {}
            for name, values in self.by_run.items():
                alike.setdefault(tuple(values.values()), []).append(name)
            runs = next(iter(self.by_run.values()))
            by_run = (
                f"{run} {', '.join(values[number] or 'none' for values in alike)}" for number, run in enumerate(runs)
            )
            names = sentence_list([" and ".join(group) for group in alike.values()])
            sentences.append(f"By run ({names}): {'; '.join(by_run)}.")
        return sentences


def _times_split(columns: Mapping[str, list[str]], runs: Sequence[str]) -> dict[str, list[str]]:
    """The columns, the date of each time in one of its own where all rows, or all of each run, share it."""
    parts = [cell.partition("T") for cell in columns.get("time", ())]
    dates = [date for date, _, _ in parts]
    shared = bool(dates) and (len(set(dates)) == 1 or bool(runs and _follows(dates, runs)))
    if DATE in columns or not parts or not all(mark for _, mark, _ in parts) or not shared:
        return dict(columns)
    made: dict[str, list[str]] = {}
    for name, cells in columns.items():
        made |= {DATE: dates, name: [time for _, _, time in parts]} if name == "time" else {name: cells}
    return made


def _follows(cells: Sequence[str], runs: Sequence[str]) -> bool:
    """Whether a cell is the same in all rows of a run."""
    return len(set(zip(runs, cells, strict=True))) == len(set(runs))


def _happened(study: Study, flags: Sequence[Flag], data: ExperimentData) -> dict[str, Remarks]:
    flagged: dict[str, list[str]] = {}
    for flag in flags:
        flagged.setdefault(flag.reading, []).append(flag.test)
    amended = {(row["reading"], row["column"]) for row in study.amendments_of(data) if row["kind"] == "correction"}
    return what_happened(data.readings, flagged, amended, _changed(study))


def _changed(study: Study) -> dict[str, str]:
    """By reading, the word for a row that changed without an amendment: what it was when first seen."""
    cells: dict[str, list[str]] = {}
    for change in study.changes:
        cells.setdefault(change.reading, []).append(cell_text(change.column, change.old))
    words = {
        name: f"changed without amendment, acknowledged: was {', '.join(old)}"
        for name, old in acknowledged_cells(study.amendments).items()
    }
    return words | {name: f"changed without amendment: was {', '.join(old)}" for name, old in cells.items()}


def what_happened(
    readings: Sequence[Reading],
    flagged: Mapping[str, Sequence[str]],
    amended: Collection[tuple[str, str]],
    changed: Mapping[str, str] = MappingProxyType({}),
) -> dict[str, Remarks]:
    """By reading, what happened to each row that is not used as written.

    Parameters
    ----------
    readings : of one worksheet
    flagged : the tests that point at a reading
    amended : reading and column of every amended cell; a decimal comma is no amendment
    changed : by reading, the word for a change that no amendment recorded
    """
    every = ((reading.reading, _remarks(reading, flagged, amended)) for reading in readings)
    silent = {reading.reading: ((word, word),) for reading in readings if (word := changed.get(reading.reading))}
    remarks = {name: (*silent.get(name, ()), *others) for name, others in every}
    return {name: remark for name, remark in remarks.items() if remark}


def _amended(value: str) -> str:
    """Beside a cell as written: its new value where that is short, so that the listing stays narrow."""
    return f"now {value}" if 0 < len(value) <= 6 else "amended"


def _remarks(reading: Reading, flagged: Mapping[str, Sequence[str]], amended: Collection[tuple[str, str]]) -> Remarks:
    remarks = []
    if reading.status != "used":
        remarks.append((reading.status, f"{reading.status}{': ' + reading.reason if reading.reason else ''}"))
    remarks += [
        (_amended(reading.values[column]), f"{column} amended to {reading.values[column]}")
        for column, old in reading.written.items()
        if (reading.reading, column) in amended and reading.values.get(column, old) != old
    ]
    if reading.reading in flagged:
        remarks.append(("flagged", f"flagged: {', '.join(flagged[reading.reading])}; kept"))
    return tuple(remarks)
