"""The annex that leads from every verdict to the rows of raw data behind it: `validation trace`, as links."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Final

from validation.dossier.anchors import amendment_anchor, input_file, row_anchor, worksheet_anchor
from validation.dossier.blocks import Block, Heading, Link, Links, Paragraph
from validation.dossier.chapters import typeset_formula
from validation.dossier.listings import MOST_ROWS
from validation.dossier.raw_data import on_the_pages
from validation.dossier.record import NOT_STATED, DossierRecord
from validation.dossier.requirement_rows import label_of, place_of, strip_of
from validation.dossier.trace import place_words, verdict_words
from validation.judging.requirements import RequirementResult
from validation.study.model import ExperimentData, Reading
from validation.study.plan import PLAN
from validation.words import counted, sentence_list, significant

#: Ranges of lines that are written out, and rows left out that are named one by one.
MOST_RANGES: Final = 6
MOST_LEFT_OUT: Final = 12

Trace = Mapping[str, Any]


def verdict_traces(record: DossierRecord) -> list[Block]:
    """One entry a verdict: what was asked, the number that answers it, and every row that the number rests on."""
    if not record.traces:
        return []
    blocks: list[Block] = [
        Heading("Trace of the verdicts", 1, "trace"),
        Paragraph(
            "Each outcome on the page of verdicts leads here, and each number of a row to that row of the raw data. "
            "“validation trace FOLDER R1 --at LEVEL” prints the same with the content of the rows.",
            style="small",
        ),
    ]
    pairs = zip(record.judgement.requirements, record.traces, strict=True)
    listed = {name: _listed(record, data) for name, data in record.study.experiments.items()}
    for _, group in groupby(pairs, key=lambda pair: pair[0].id):
        blocks += _requirement(record, list(group), listed)
    return blocks


def _listed(record: DossierRecord, data: ExperimentData) -> set[int]:
    """The lines of a worksheet that are on the pages."""
    return {reading.line for reading in on_the_pages(record.study, record.judgement.flags, data)}


def _requirement(
    record: DossierRecord, rows: Sequence[tuple[RequirementResult, Trace]], listed: Mapping[str, set[int]]
) -> list[Block]:
    """What all rows of a requirement share, then each row; rows of raw data that follow on the same are listed once."""
    first, trace = rows[0]
    title = label_of(first).removesuffix(place_of(first)).rstrip(" ,")
    blocks: list[Block] = [Heading(title, 3), Paragraph(" ".join(_shared(first, trace)), style="small")]
    for _, alike in groupby(rows, key=lambda pair: _identifiers(pair[1])):
        entries = list(alike)
        lists = _rows_of(record, entries[0][1], listed)
        if len(entries) == 1 or not lists:
            blocks += [_entry(record, row, its, lists) for row, its in entries]
            continue
        below = f"rows-{record.places.trace(entries[0][0].id, entries[0][0].at)}"
        blocks += [_entry(record, row, its, [Link("Rows: below.", below)]) for row, its in entries]
        blocks.append(Links("Rows of raw data of each:", tuple(lists), below))
    return [*blocks, *_left_out(record, [its for _, its in rows])]


def _identifiers(trace: Trace) -> tuple[str, ...]:
    return tuple(row["reading"] for row in _rows(trace))


def _rows(trace: Trace) -> list[Mapping[str, Any]]:
    """Every row behind a verdict, each once, in the order of the worksheets."""
    every = {row["reading"]: row for q in trace["quantities"] for row in (*q["rows"], *q["further_rows"])}
    return list(every.values())


def _shared(row: RequirementResult, trace: Trace) -> Iterator[str]:
    """Rule, limit, origin; then the quantity with formula, source, notebook and worksheet."""
    content = "" if row.content is None else f", {100 * row.content:.6g} % of single results"
    yield f"Rule: {row.rule}{content}; limit in the plan {trace['limit_in_plan']}; {row.order}."
    yield f"Origin: {row.origin or NOT_STATED}.".replace("..", ".")
    for quantity in trace["quantities"]:
        yield f"{quantity['key']}: {quantity['meaning']}; {typeset_formula(quantity['formula'])}."
    for source in dict.fromkeys(quantity["source"] for quantity in trace["quantities"]):
        yield f"Source: {source}."
    for notebook in dict.fromkeys(quantity["notebook"] for quantity in trace["quantities"]):
        yield f"Computed in notebooks/{notebook}."


def _entry(record: DossierRecord, row: RequirementResult, trace: Trace, rows: Sequence[Link]) -> Links:
    """One verdict: where, outcome, number and limit; then its links."""
    places, strip = record.places, strip_of(row)
    interval = f" ({strip.interval_text})" if strip.interval_text else ""
    limit = f"limit {strip.limit_text}" if strip.limit_text else "no limit"
    facts = [text for text in (f"{strip.observed_text}{interval}", _degrees(trace), limit) if text]
    fragile = ", fragile" if row.fragile else ""
    lead = f"{row.id} {place_of(row)}".rstrip() + f": {row.outcome}{fragile}; {', '.join(facts)}."
    links = [
        Link("Verdict.", places.verdict(row.id, row.at)),
        *(Link(f"{q['key']}.", places.quantity(q["key"], q["at"])) for q in trace["quantities"]),
        *(link for q in trace["quantities"] for link in _sources(record, q)),
    ]
    if not trace["quantities"]:
        links.append(Link("There is no estimate of the quantity here.", ""))
    return Links(lead, (*dict.fromkeys(links), *rows), places.trace(row.id, row.at))


def _degrees(trace: Trace) -> str:
    """ "df 7, n 24" of the first quantity, as far as there is any."""
    if not trace["quantities"]:
        return ""
    quantity = trace["quantities"][0]
    df = quantity["degrees_of_freedom"]
    parts = [] if df is None else [f"df {significant(df, 3) if df % 1 else f'{df:.0f}'}"]
    return ", ".join([*parts, *([f"n {quantity['n']}"] if quantity["n"] else [])])


def _sources(record: DossierRecord, quantity: Mapping[str, Any]) -> Iterator[Link]:
    """Other verdicts, measured quantities, components of the budget and lot records behind a quantity."""
    places, sources = record.places, quantity["sources"]
    if quantity["verdicts"]:
        yield Link("From the verdicts", "")
        for item in quantity["verdicts"]:
            yield Link(f"{verdict_words(item)},", places.trace(item["id"], item["at"]))
    if sources.get("measured"):
        yield Link("From", "")
        for item in sources["measured"]:
            yield Link(f"{item['key']}{place_words(item['at'])},", places.quantity(item["key"], item["at"]))
    if sources.get("components"):
        names = sentence_list([f"{part['name']} (line {part['line']})" for part in sources["components"]])
        yield Link(f"and the components {names} of", "")
        yield Link(f"{PLAN}.", input_file(PLAN))
    for item in sources.get("lot_records", ()):
        yield from _lot_record(item)


def _lot_record(item: Mapping[str, Any]) -> Iterator[Link]:
    yield Link(f"Lot {item['lot']}:", "standards")
    if item["file"]:
        lines = sentence_list([str(part["line"]) for part in sorted(item["lines"], key=lambda part: part["line"] or 0)])
        yield Link(f"{item['file']},", input_file(item["file"]))
        yield Link(f"lines {lines}.", "")
    if item["plan"]:
        yield Link(f"{PLAN}, line {item['plan_line']}.", input_file(PLAN))


def _rows_of(record: DossierRecord, trace: Trace, listed: Mapping[str, set[int]]) -> list[Link]:
    """The rows behind a verdict, worksheet by worksheet: which, and each that is on the pages as a link."""
    links: list[Link] = []
    rows = sorted(_rows(trace), key=lambda row: (list(record.study.experiments).index(row["experiment"]), row["line"]))
    for experiment, own in groupby(rows, key=lambda row: row["experiment"]):
        links += _of_worksheet(record.study.experiments[experiment], list(own), listed[experiment])
    return links


def _of_worksheet(data: ExperimentData, rows: Sequence[Mapping[str, Any]], listed: set[int]) -> Iterator[Link]:
    file = data.worksheet.rpartition("/")[2]
    lines = [row["line"] for row in rows]
    yield Link(f"{file}, {counted(len(rows), 'row')},", worksheet_anchor(data.name))
    if len(data.readings) > MOST_ROWS:
        there = "none of them on the pages" if not listed & set(lines) else "on the pages"
        yield Link(f"{in_ranges(lines)}, all in listings/{data.name}.csv; {there}:", "")
    else:
        yield Link(f"{in_ranges(lines)}:", "")
    for row in rows:
        if row["line"] in listed:
            yield Link(f"{row['line']}{_mark(row)}", row_anchor(data.name, row["line"]))
            yield from (Link(f"(amendment {number})", amendment_anchor(number)) for number in row["amendments"])


def _mark(row: Mapping[str, Any]) -> str:
    """What an amended or flagged row says beside its number."""
    parts = [
        f"{name} as written {old or 'empty'}, amended {row['values'].get(name, '')}"
        for name, old in row["amended"].items()
    ]
    parts += [f"flagged: {', '.join(row['flagged'])}"] if row["flagged"] else []
    parts += ["changed without an amendment"] if row["changed"] else []
    return f" ({'; '.join(parts)})" if parts else ""


def in_ranges(lines: Sequence[int]) -> str:
    """ "2 to 7, 9 and 12": rows that follow on one another as a range; of many ranges their ends alone."""
    ordered = sorted(set(lines))
    runs: list[list[int]] = []
    for line in ordered:
        if runs and line == runs[-1][-1] + 1:
            runs[-1].append(line)
        else:
            runs.append([line])
    if len(runs) > MOST_RANGES:
        return f"between rows {ordered[0]} and {ordered[-1]}"
    return "rows " + sentence_list([str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs])


def _left_out(record: DossierRecord, traces: Sequence[Trace]) -> list[Block]:
    """The rows of the same worksheets that no number uses: excluded, censored, empty."""
    names = dict.fromkeys(row["experiment"] for trace in traces for row in _rows(trace))
    blocks: list[Block] = []
    for data in (record.study.experiments[name] for name in names):
        unused = [reading for reading in data.readings if reading.status != "used"]
        if unused:
            more = len(unused) - MOST_LEFT_OUT
            links = [_unused(data, reading) for reading in unused[:MOST_LEFT_OUT]]
            links += [Link(f"and {more} more.", worksheet_anchor(data.name))] if more > 0 else []
            blocks.append(Links(f"Left out of {data.worksheet.rpartition('/')[2]}, whatever the level:", tuple(links)))
    return blocks


def _unused(data: ExperimentData, reading: Reading) -> Link:
    reason = f": {reading.reason}" if reading.reason else ""
    return Link(f"{reading.line} ({reading.status}{reason})", row_anchor(data.name, reading.line))
