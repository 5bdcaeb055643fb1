"""Behind the chapters: sensitivity, amendments and flags, means, software, recomputation."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from validation.dossier.anchors import amendment_anchor, input_file, row_anchor
from validation.dossier.attached import OWN, OWN_PAGE, PLACE, AttachedSelfTest
from validation.dossier.attached_records import records_table
from validation.dossier.blocks import (
    Block,
    Fields,
    Heading,
    Items,
    Paragraph,
    Table,
)
from validation.dossier.listings import attachment, both_ends
from validation.dossier.opening import silent_changes
from validation.dossier.record import NOT_STATED, DossierRecord
from validation.dossier.requirement_rows import label_of, outcome_text
from validation.judging.sensitivity import MOST_LOOKS, Variant
from validation.judging.verdict_error import Chance, VerdictError
from validation.study.export_comparison import Comparison
from validation.study.history.amendments import loss_sentences
from validation.study.model import Study
from validation.study.quantity import Flag
from validation.words import (
    counted,
    level_text,
    sentence_list,
    significant,
)


def sensitivity(record: DossierRecord) -> list[Block]:
    """Every verdict judged again under other choices: readings side by side, and the table of verdicts that change."""
    blocks: list[Block] = [Heading("How firm the verdicts are", 1, "sensitivity")]
    if not record.judgement.requirements:
        return []
    text = (
        "Every requirement was judged again with amended or excluded readings as they were written, without flagged "
        "readings and without runs, one after the other, by other methods, and with each other definition of a "
        "detection limit. "
        "None of this enters a reported number. A verdict that changes in one of these checks is fragile."
    )
    return [
        *blocks,
        Paragraph(text),
        Paragraph(_count_of_variants(record.variants)),
        *_readings(record),
        *_flips(record),
        *_error_of_the_verdict(record.judgement.error),
    ]


def _error_of_the_verdict(error: VerdictError | None) -> list[Block]:
    """How often the verdicts of such a study err, requirement by requirement."""
    if error is None:
        return []

    def in_hundred(chance: Chance | None) -> str:
        return "" if chance is None else f"{100 * chance.share:.1f}"

    rows = tuple(
        (error.name(row), row.rule, *map(in_hundred, (row.comfortable, row.met, row.all_met, row.in_range)))
        for row in error.rows
    )
    head = ("Requirement", "Rule", "Met, comfortable", "Met, on its limit", "All met", "In the range")
    runs = [f"{name} {value:.2f}" for name, value in error.correlations.items() if value > 0]
    shared = f" Correlation of the means of a run at two levels: {sentence_list(runs)}." if runs else ""
    return [
        Heading("Error of the verdict as a whole", 2, "verdict-error"),
        Paragraph(f"{error.sentence} {error.point_sentence}".strip(), margin="results.json: verdict_error"),
        Table(
            "Each requirement on its limit, the others comfortable: in how many of 100 studies",
            head,
            rows,
            "lldddd",
            long=True,
        ),
        Paragraph(
            "Simulated from the design, the scatter and the degrees of freedom of this study, with normal scatter. "
            "Comfortable is a difference at its target, or four standard errors inside a one-sided limit, with the "
            "scatter as estimated. The last two columns are those of the requirement on its limit. There every rule "
            "but point is met in about 5 %; the Monte Carlo standard error of 5 % is "
            f"{100 * (0.05 * 0.95 / error.draws) ** 0.5:.1f}. The levels of a worksheet share their runs; named "
            f"materials, lots and settings are drawn independently.{shared}",
            style="small",
        ),
    ]


def _count_of_variants(variants: Sequence[Variant]) -> str:
    names = {"reading": "reading", "run": "left-out run", "method": "other method", "definition": "definition"}
    made = {kind: sum(variant.together for variant in variants if variant.kind == kind) for kind in names}
    counts = [counted(made[kind], name) for kind, name in names.items()]
    most = max((variant.together for variant in variants), default=1)
    joined = f" Of more than {MOST_LOOKS} runs up to {most} neighbours were left out at once." if most > 1 else ""
    left = [f"{variant.title}: not made; {variant.failed}" for variant in variants if variant.kind == "not made"]
    return " ".join([f"Checks made: {', '.join(counts)}.{joined}", *left])


def _readings(record: DossierRecord) -> list[Block]:
    """Outcomes with and without each amended or flagged reading."""
    variants = [variant for variant in record.variants if variant.kind == "reading"]
    if not variants:
        return [Paragraph("Amended, excluded or flagged readings: none.")]
    rows: list[tuple[str, ...]] = []
    links: list[tuple[int, int, str]] = []
    raw = row_anchors(record.study)
    for variant in variants:
        name = variant.title.partition(":")[0]
        links += [(len(rows), 0, raw[name])] if name in raw else []
        if variant.failed or not variant.moved:
            rows.append((variant.title, variant.failed or "no outcome changes", "", ""))
        for number, (before, after) in enumerate(variant.moved):
            word = " (fragile)" if before.settled != after.settled else ""
            title = variant.title if number == 0 else ""
            links.append((len(rows), 1, record.places.trace(before.id, before.at)))
            rows.append((title, label_of(before), outcome_text(before), outcome_text(after) + word))
    caption = "Amended and flagged readings: outcomes side by side; only rows that change are shown"
    head = ("Reading", "Requirement", "As reported", "In this variant")
    margin = "recomputed for this issue"
    return [Table(caption, head, tuple(rows), align="llll", margin=margin, long=True, links=tuple(links))]


def _flips(record: DossierRecord) -> list[Block]:
    """Which verdicts change, and in which variants; then the variants that could not be computed."""
    fragile = [row for row in record.judgement.requirements if row.fragile]
    rows = tuple((label_of(row), row.settled, "; ".join(row.fragile)) for row in fragile)
    links = tuple((number, 0, record.places.trace(row.id, row.at)) for number, row in enumerate(fragile))
    total = len(record.judgement.requirements)
    change = "changes" if total - len(rows) == 1 else "change"
    unmoved = f"{total - len(rows)} of {counted(total, 'verdict')} {change} in none of the checks made."
    blocks: list[Block] = [Paragraph(unmoved)]
    if rows:
        head = ("Requirement", "As reported", "Changes where")
        margin = "results.json: requirements, fragile"
        blocks.append(Table("Fragile verdicts", head, rows, align="lll", margin=margin, long=True, links=links))
    failed = [
        f"{variant.title}: {variant.failed}"
        for variant in record.variants
        if variant.failed and variant.kind != "not made"
    ]
    return [*blocks, *([Items(tuple(failed))] if failed else [])]


def register(record: DossierRecord) -> list[Block]:
    """Amendments, exclusions, flagged readings; "none" is printed too."""
    silent = silent_changes(record.study)
    return [
        Heading("Amendments, exclusions, flagged readings", 1, "register"),
        _amendments(record.study),
        *(Paragraph(sentence, style="note") for sentence in loss_sentences(record.study.lost_amendments)),
        *_exports(record.study),
        _flags(record.judgement.flags, row_anchors(record.study)),
        Paragraph(
            "A test alone never removes a reading: every flagged reading stays in the numbers unless a person "
            "excluded it with a reason.",
            style="small",
        ),
        *([Items(tuple(silent))] if silent else []),
    ]


def _amendments(study: Study) -> Block:
    names = ("number", "time", "by", "kind", "file", "reading", "column", "old", "new", "reason")
    rows = tuple(tuple(_entry(str(entry.get(name, ""))) for name in names) for entry in study.amendments)
    if not rows:
        return Paragraph("Amendments and exclusions: none.", margin="amendments.csv")
    head = ("No.", *(name.capitalize() for name in names[1:]))
    raw = row_anchors(study)
    return Table(
        "Amendments and exclusions",
        head,
        rows,
        align="rlllllllll",
        margin="amendments.csv",
        long=True,
        literal=True,
        anchors=tuple(amendment_anchor(entry.get("number", "")) for entry in study.amendments),
        links=tuple(
            (number, names.index("reading"), raw[entry["reading"]])
            for number, entry in enumerate(study.amendments)
            if entry.get("reading") in raw
        ),
    )


def row_anchors(study: Study) -> dict[str, str]:
    """The anchor of each row of raw data, by the name of its reading."""
    return {r.reading: row_anchor(data.name, r.line) for data in study.experiments.values() for r in data.readings}


def _exports(study: Study) -> list[Block]:
    """The worksheets held against the exports of instruments; "none" is printed too."""
    margin = "results.json: exports"
    if not study.exports:
        return [Paragraph("Worksheets compared with exports of instruments: none.", margin=margin)]
    blocks: list[Block] = [Paragraph(one.counts, margin=margin) for one in study.exports]
    rows = tuple(row for one in study.exports for row in _differing(one))
    if rows:
        head = ("Reading", "Column", "Worksheet (row)", "Export (line)", "Amended or not")
        caption = "Worksheets and exports: what is not the same in both"
        raw = row_anchors(study)
        links = tuple((number, 0, raw[row[0]]) for number, row in enumerate(rows) if row[0] in raw)
        table = Table(caption, head, rows, align="lllll", margin=margin, literal=True, links=links)
        blocks.append(both_ends(table, "every one is in results.json"))
    return blocks


def _differing(one: Comparison) -> Iterator[tuple[str, ...]]:
    for item in one.differences:
        worksheet, export = f"{item.written or 'empty'} ({item.row})", f"{item.export or 'empty'} ({item.line})"
        yield item.reading, item.column, worksheet, export, item.state
    yield from ((name, "the row", f"there ({row})", "not there", "") for name, row in one.only_worksheet)
    yield from ((name, "the line", "not there, or there once", f"there ({line})", "") for name, line in one.only_export)


def _flags(flags: Sequence[Flag], raw: Mapping[str, str]) -> Block:
    margin = "results.json: flags"
    if not flags:
        return Paragraph("Readings that a test flags: none.", margin=margin)
    rows = tuple(
        (
            flag.reading,
            flag.test,
            level_text(flag.at),
            significant(flag.statistic),
            significant(flag.critical),
            "kept" if flag.kept else "left out",
            flag.reason,
        )
        for flag in flags
    )
    head = ("Reading", "Test", "At", "Statistic", "Critical", "Status", "In words")
    links = tuple((number, 0, raw[flag.reading]) for number, flag in enumerate(flags) if flag.reading in raw)
    table = Table("Readings that a test flags", head, rows, "lllddll", margin, long=True, links=links)
    return both_ends(table, "every one is in results.json")


def _entry(cell: str) -> str:
    """A hash by its beginning (in full among the inputs), a time with a space: neither fills eight lines."""
    if re.fullmatch(r"[0-9a-f]{64}", cell):
        return cell[:12]
    return re.sub(r"(?<=\d)T(?=\d\d:\d\d)", " ", cell)


def people_and_equipment(record: DossierRecord) -> list[Block]:
    """People, equipment, standards and lots, as the plan states them."""
    plan = record.study.plan
    lots = {
        "allowed_step": str(plan.lots.allowed_step) if plan.lots.allowed_step is not None else NOT_STATED,
        **{k: _plain(v) for k, v in plan.lots.stated.items()},
    }
    columns = ("analyst", "instrument", "laboratory", "grade", "fuel", "lot")
    stated = tuple((column, *_stated(record.study, column)) for column in columns)
    return [
        Heading("People, equipment, standards", 1, "means"),
        _facts("People", plan.people),
        _facts("Equipment", plan.equipment),
        _facts("Standards", plan.standards),
        Fields(tuple((f"Lots: {name.replace('_', ' ')}", value) for name, value in lots.items())),
        Table("As the worksheets record them", ("Column", "Values", "Not stated in"), stated, align="lll", long=True),
        records_table(record.study, record.records),
    ]


def _facts(title: str, facts: Sequence[Mapping[str, object]]) -> Block:
    """A list of the plan as a table, one column for each fact that an entry states."""
    if not facts:
        return Paragraph(f"{title}: {NOT_STATED}.")
    names = list(dict.fromkeys(name for fact in facts for name in fact))
    rows = tuple(tuple(_plain(fact.get(name, "")) for name in names) for fact in facts)
    head = tuple(name.replace("_", " ") for name in names)
    return Table(title, head, rows, align="l" * len(names), margin=f"plan.yaml: {title.lower()}", long=True)


def _stated(study: Study, column: str) -> tuple[str, str]:
    """The values of a column over all worksheets, and the worksheets without it."""
    seen, missing = [], []
    for data in study.experiments.values():
        values = sorted({r.values.get(column, "") for r in data.readings} - {""})
        seen += values
        missing += [] if values else [data.worksheet.rpartition("/")[2]]
    return ", ".join(dict.fromkeys(seen)) or NOT_STATED, ", ".join(dict.fromkeys(missing)) or "none"


def _plain(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float | int) and not isinstance(value, bool):
        return level_text(value)
    return str(value)


def _software(record: DossierRecord) -> list[Block]:
    """The versions that made this dossier."""
    rows = (*record.versions.items(), ("program files, SHA-256", record.program or NOT_STATED))
    return [
        Table("Software", ("Name", "Version"), tuple(rows), align="ll", margin="manifest.json: versions", long=True),
        Paragraph(
            "These versions computed and rendered this dossier. The same inputs and versions give the same bytes.",
        ),
        *_selftests(record),
    ]


def _selftests(record: DossierRecord) -> list[Block]:
    """The dossier's own report, then one among the study's records; without either, that there is none."""
    reports = [(record.own_selftest, OWN), (record.selftest, PLACE)]
    there = [one for one in reports if one[0] is not None] or reports[1:]
    blocks: list[Block] = [
        Paragraph(selftest_sentence(report, place), margin=place.rpartition("/")[0]) for report, place in there
    ]
    if record.selftest_page:
        blocks.append(attachment(OWN_PAGE, record.selftest_page, "Every check of the dossier's own self-test"))
    return blocks


def selftest_sentence(attached: AttachedSelfTest | str | None, place: str = PLACE) -> str:
    """What a self-test report says of the software of this dossier."""
    if attached is None:
        return "No self-test report is attached; “validation selftest --study DIR” makes one."
    if isinstance(attached, str):
        return attached
    if not attached.intact:
        return (
            f"The self-test report {place} does not have the SHA-256 that it states ({attached.sha256}): it was "
            "changed and proves nothing."
        )
    outcome = "all passed" if attached.failed == 0 else f"{attached.failed} of them failed"
    differs = [] if attached.same_program else ["other program files"]
    differs += [f"other versions ({'; '.join(attached.other_versions)})"] if attached.other_versions else []
    made = (
        f"it was made with {sentence_list(differs)}, so it does not apply to the program of this dossier"
        if differs
        else "it was made with exactly the versions and program files of this dossier"
    )
    return (
        f"Self-test report {place}, SHA-256 of its content {attached.sha256}: {attached.checks} checks of the "
        f"calculations against published examples, {outcome}; {made}."
    )


def recompute(record: DossierRecord) -> list[Block]:
    """How to check this dossier without its author."""
    files = tuple(record.inputs.items())
    links = tuple((number, 0, input_file(name)) for number, (name, _) in enumerate(files))
    return [
        Heading("Software, and how to recompute", 1, "recompute"),
        *_software(record),
        Items(
            (
                "Install the versions listed above, then run “validation verify” on this folder: it "
                "checks every hash, recomputes every quantity, verdict and the conclusion from inputs/, makes the "
                "pages and figures again, executes the notebooks again, and names what differs. With --rebuild it "
                "writes the whole dossier again, the same to the byte but for the times in manifest.json.",
                "“validation trace FOLDER KEY --at LEVEL” leads from one number to its formula, source and rows.",
                "Each executed notebook in notebooks/ shows one chapter's computation step by step; it opens in "
                "JupyterLab.",
                "Without this program: inputs/ holds the worksheets byte for byte; the chapters give the formulas; "
                "results.json gives every number in full precision.",
                "The SHA-256 of the inputs is the hash of what “sha256sum” prints for the files of inputs/, "
                "sorted by name, with paths relative to inputs/.",
                "What no hash shows: readings, plan, history and hashes that were all changed together. A signature "
                "shows that, or a copy of the seal kept elsewhere. The seal is the SHA-256 of manifest.json, in "
                "manifest.sha256; the next issue prints it on its cover.",
            )
        ),
        both_ends(
            Table("Inputs of this dossier", ("File", "SHA-256"), files, "ll", "inputs/", long=True, links=links),
            "every one is in manifest.json",
        ),
    ]
