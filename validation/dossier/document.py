"""From a judged study to the dossier's blocks: what is said, in which order. Rounds for the page, computes nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from validation.characteristics import Characteristic, KeyInfo, characteristics
from validation.dossier.blocks import (
    Block,
    Cover,
    Document,
    Fields,
    Figure,
    Formula,
    Heading,
    Items,
    Paragraph,
    Signatures,
    Strip,
    Strips,
    Table,
)
from validation.dossier.compare import ComparisonReport
from validation.judging.outcomes import Judgement
from validation.judging.requirements import RequirementResult, find_key
from validation.judging.sensitivity import Variant
from validation.study.model import ExperimentData, Reading, Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import (
    fixed,
    level_text,
    number_in_table,
    p_value,
    places_for,
    sentence_list,
    significant,
    with_interval,
)

NOT_STATED = "not stated"

#: Stands at the head of the dossier once; local codes and licensed practice come first.
CAUTION = (
    "Fuel and blends are flammable and their vapours ignite easily; used oil may be hot and carries combustion products. Local codes, safety data "
    "sheets and licensed practice come first. This dossier supports engineering judgement and orders no action."
)


@dataclass(frozen=True)
class DossierRecord:
    """Everything a dossier is made of; handed in, nothing is looked up here."""

    study: Study
    judgement: Judgement
    evaluations: Mapping[str, Evaluation]
    words: Mapping[str, Sequence[str]]
    figures: Mapping[str, str]
    alts: Mapping[str, str]
    variants: Sequence[Variant]
    issue: str
    inputs: Mapping[str, str]
    inputs_hash: str
    versions: Mapping[str, str]
    timestamp: int
    state_of_data: str
    records: Mapping[str, str] = field(default_factory=dict)
    unused_files: Sequence[str] = ()
    changed_rows: Sequence[str] = ()
    predecessor: ComparisonReport | None = None
    parent: ComparisonReport | None = None
    watermark: str = ""


def build_document(record: DossierRecord) -> Document:
    """Lay out the whole dossier."""
    parts: list[Callable[[DossierRecord], list[Block]]] = [
        verdicts,
        parent_changes,
        predecessor_changes,
        plan_and_requirements,
        absent_characteristics,
        *(chapter_of(item) for item in characteristics().values()),
        sensitivity,
        register,
        people_and_equipment,
        raw_data,
        software,
        recompute,
    ]
    blocks = [block for part in parts for block in part(record)]
    return Document(
        cover=cover(record),
        blocks=tuple(blocks),
        issue=record.issue,
        short_hash=record.inputs_hash[:12],
        timestamp=record.timestamp,
        watermark=record.watermark,
    )


# ------------------------------------------------------------------------------------------------ cover and verdicts


def cover(record: DossierRecord) -> Cover:
    """Page 1."""
    study, plan, judgement = record.study, record.study.plan, record.judgement
    facts = plan.study
    conclusion = judgement.conclusion
    over = (
        ""
        if conclusion.range is None
        else f", {level_text(conclusion.range[0])} to {level_text(conclusion.range[1])} {study.unit}"
    )
    low, high = facts.range
    limits = sentence_list([f"{level_text(limit)} {study.unit}" for limit in facts.customer_limits])
    return Cover(
        title=facts.title,
        study_id=facts.id,
        laboratory=facts.laboratory,
        conclusion=f"{conclusion.outcome}{over}",
        conclusion_text=conclusion.text,
        fields=(
            ("Measurand", facts.measurand),
            ("Procedure", facts.procedure or NOT_STATED),
            ("Intended use", facts.intended_use or NOT_STATED),
            ("Range asked for", f"{level_text(low)} to {level_text(high)} {study.unit}"),
            ("Customer limits", limits or NOT_STATED),
            ("Trigger", facts.trigger or NOT_STATED),
            ("Parent study", facts.parent or "none stated"),
            ("Predecessor", record.predecessor.old.name if record.predecessor else "none: this is the first issue"),
            ("State of the data", record.state_of_data),
            ("SHA-256 of the inputs", record.inputs_hash),
        ),
        warnings=tuple(cover_warnings(record)),
        signatures=(("Prepared", ""), ("Reviewed", ""), ("Approved", "")),
    )


def cover_warnings(record: DossierRecord) -> list[str]:
    """What an auditor must see on page 1."""
    said = [*record.judgement.order.sentences]
    late = sorted({row.id for row in record.judgement.requirements if row.order == "set after data"})
    if late:
        said.append(f"Set after the first reading: {sentence_list(late)}.")
    if record.changed_rows:
        said.append("Worksheet rows changed since they were first read, without an amendment:")
        said += [f"  {row}" for row in record.changed_rows]
    said += list(record.study.warnings)
    return list(dict.fromkeys(said))


def verdicts(record: DossierRecord) -> list[Block]:
    """Page 2: every requirement as a strip."""
    judgement = record.judgement
    blocks: list[Block] = [Heading("Verdicts", 1, "verdicts")]
    blocks.append(Paragraph(judgement.conclusion.text, style="lead", margin="results.json: conclusion"))
    if not judgement.requirements:
        blocks.append(
            Paragraph("The plan sets no requirement. Every quantity is reported in its chapter; nothing is judged.")
        )
        return blocks
    blocks.append(
        Paragraph(
            "Each line is one requirement: its interval as a bar on an axis scaled so that the limit stands at 1, the estimate as an upright stroke, the allowed "
            "region as pale ground. A solid bar is met, a hatched bar is not shown, an open bar is not met; without a bar nothing was judged.",
            style="small",
        )
    )
    blocks.append(Strips(tuple(strip_of(row, anchor=chapter_anchor(row.quantity)) for row in judgement.requirements)))
    return blocks


def chapter_anchor(quantity: str) -> str:
    """The anchor of the chapter that holds a quantity."""
    return quantity.partition(".")[0].replace("_", "-")


def label_of(row: RequirementResult) -> str:
    """ "R1 bias at 4 %"."""
    name = name_of(row.quantity)
    place = ""
    if isinstance(row.at, float):
        place = f" at {level_text(row.at)}" + ("" if row.unit in ("", "1") else f"\N{NO-BREAK SPACE}{row.unit}")
    elif row.at is not None:
        place = f", {row.at}"
    return f"{row.id} {spoken(name).removesuffix(' at')}{place}"


def name_of(quantity: str) -> str:
    """The last part of a key; of a pair of limits what both have in common."""
    info = find_key(quantity)
    key = info.pair[0].rsplit("_", 1)[0] if info is not None and info.pair is not None else quantity
    return key.partition(".")[2]


def spoken(name: str) -> str:
    """The last part of a key as words; symbols such as s_r stay as they are."""
    first = name.partition("_")[0]
    return name if len(first) <= 1 else name.replace("_", " ")


def strip_of(row: RequirementResult, anchor: str = "") -> Strip:
    """A requirement's row as the strip draws it: everything divided by the limit."""
    info = find_key(row.quantity)
    two_sided = row.rule in ("equivalence", "inside") or (
        row.rule == "point" and info is not None and "equivalence" in info.rules
    )
    interval, observed = row.interval, row.observed
    texts = _texts(row)
    allowed: tuple[float | None, float | None] = (
        (-1.0, 1.0) if two_sided else (1.0, None) if row.rule == "lower bound" else (0.0, 1.0)
    )
    scaled: list[float | None] = [None, None, None]
    if row.limit and observed is not None:
        low, high = interval if interval is not None else (observed, observed)
        if row.rule == "upper bound" and low is None:
            low = observed
        if row.rule == "lower bound" and high is None:
            high = observed
        scaled = [None if value is None else (value - row.target) / row.limit for value in (observed, low, high)]
    unit = "" if row.unit in ("", "1") else f" {row.unit}"
    limit_text = {
        "equivalence": "±",
        "inside": "±",
        "upper bound": "≤ ",
        "lower bound": "≥ ",
        "point": "±" if two_sided else "≤ ",
    }[row.rule]
    centre = f"{significant(row.target)} " if row.target and two_sided else ""
    return Strip(
        label=label_of(row),
        outcome=row.outcome,
        observed_text=texts[0] + (unit if texts[0] else ""),
        interval_text=texts[1],
        limit_text="" if row.limit is None else f"{centre}{limit_text}{row.limit_text}",
        allowed=allowed,
        estimate=scaled[0] if row.rule != "inside" else None,
        low=scaled[1],
        high=scaled[2],
        reason="" if row.outcome == "met" else row.reason,
        anchor=anchor,
        thin=row.thin,
    )


def _texts(row: RequirementResult) -> tuple[str, str]:
    if row.observed is None:
        return "", ""
    if row.interval is None:
        return significant(row.observed), ""
    low, high = row.interval
    if low is None or high is None:
        end = high if low is None else low
        assert end is not None
        places = places_for(abs(end - row.observed) / 2) if end != row.observed else 3
        word = "at most" if low is None else "at least"
        return fixed(row.observed, places), f"{word} {fixed(end, places)}"
    value, span = with_interval(row.observed, (low, high))
    return ("" if row.rule == "inside" else value), span


# ------------------------------------------------------------------------------------------------ plan and absences


def plan_and_requirements(record: DossierRecord) -> list[Block]:
    """What was asked, why, and since when."""
    plan = record.study.plan
    blocks: list[Block] = [Heading("What was asked", 1, "plan"), Paragraph(CAUTION, style="caution")]
    rows = []
    for requirement in plan.requirements:
        place = "every level in range" if requirement.at is None else level_text(requirement.at)
        order = record.judgement.order.requirements.get(requirement.id, "")
        rows.append(
            (
                requirement.id,
                requirement.quantity,
                place,
                requirement.rule,
                str(requirement.limit),
                requirement.origin or NOT_STATED,
                order or record.judgement.order.state,
            )
        )
    if rows:
        head = ("Id", "Quantity", "At", "Rule", "Limit", "Origin", "Set")
        blocks.append(
            Table(
                "Requirements as the plan sets them",
                head,
                tuple(rows),
                align="lllllll",
                margin="plan.yaml: requirements",
                widths=(0.5, 2.2, 1, 1.1, 1.2, 3, 1),
            )
        )
    alpha = 1 - plan.confidence
    blocks.append(
        Paragraph(
            f"Confidence {plan.confidence:.4g}. An equivalence and its limit are judged on the two-sided {1 - 2 * alpha:.4g} interval, a bound on the one-sided "
            f"{plan.confidence:.4g} bound, a tolerance on its pair of limits, a point on the estimate alone. Met: wholly inside, touching included. Not met: wholly "
            "outside. Otherwise not shown.",
            style="small",
        )
    )
    entries = [
        (str(number), entry.time.isoformat(), entry.by, str(entry.amendment or "none"), entry.sha256[:16])
        for number, entry in enumerate(record.judgement.order.entries, start=1)
    ]
    if entries:
        blocks.append(
            Table(
                "Frozen plans",
                ("No.", "Time", "By", "Amendment", "SHA-256, first 16"),
                tuple(entries),
                align="rllll",
                margin="plan.lock",
            )
        )
    else:
        blocks.append(Paragraph("The plan was never frozen: there is no plan.lock.", margin="plan.lock"))
    return [*blocks, *(Paragraph(sentence, style="note") for sentence in record.judgement.order.sentences)]


def absent_characteristics(record: DossierRecord) -> list[Block]:
    """The table that keeps a dossier honest."""
    rows = tuple(
        (item.title, item.reason or "no reason given", "yes" if item.excused else "no: forbids the conclusion “fit”")
        for item in record.judgement.absent
    )
    blocks: list[Block] = [Heading("Not evaluated in this study", 1, "not-evaluated")]
    if not rows:
        return [*blocks, Paragraph("Nothing: every characteristic this program knows was evaluated.")]
    text = "No reading of this study speaks about the following. The reasons are the plan's own and were not examined."
    return [
        *blocks,
        Paragraph(text),
        Table(
            "Characteristics without evidence here",
            ("Characteristic", "Reason in the plan", "Excused"),
            rows,
            align="lll",
            margin="plan.yaml: not_evaluated",
            widths=(1.4, 3, 1),
        ),
    ]


# ------------------------------------------------------------------------------------------------ chapters


def chapter_of(item: Characteristic) -> Callable[[DossierRecord], list[Block]]:
    """The chapter of one characteristic."""

    def build(record: DossierRecord) -> list[Block]:
        evaluation = record.evaluations.get(item.name)
        if evaluation is None:
            return []
        blocks: list[Block] = [Heading(item.title, 1, item.name.replace("_", "-"))]
        blocks += [Paragraph(text) for text in item.method]
        if evaluation.missing:
            return [*blocks, Paragraph(evaluation.missing, style="lead")]
        rows = [
            row for row in record.judgement.requirements if chapter_anchor(row.quantity) == chapter_anchor(item.name)
        ]
        if rows:
            blocks.append(Strips(tuple(strip_of(row) for row in rows)))
        quantities = [q for q in record.judgement.quantities if q.key.partition(".")[0] == item.name]
        blocks += [
            Paragraph(sentence, style="lead" if number == 0 else "body")
            for number, sentence in enumerate(record.words.get(item.name, ()))
        ]
        blocks += figures_of(item, record)
        blocks += quantity_tables(item, quantities, record.study)
        blocks += [
            Table(
                table["caption"],
                tuple(table["head"]),
                tuple(tuple(number_in_table(cell) for cell in row) for row in table["rows"]),
                align=_alignment(table),
                long=len(table["rows"]) > 24,
            )
            for table in evaluation.details.get("tables", ())
        ]
        blocks += verdict_sentences(rows)
        blocks += formulas(item)
        blocks += notes_of(evaluation, quantities)
        return blocks

    return build


def _alignment(table: Mapping[str, Any]) -> str:
    """Numbers to the right, text to the left, column by column."""
    columns = range(len(table["head"]))
    numeric = [
        all(
            cell is None or (isinstance(cell, int | float) and not isinstance(cell, bool))
            for cell in (row[c] for row in table["rows"])
        )
        for c in columns
    ]
    return "".join("d" if is_number and c > 0 else "l" for c, is_number in enumerate(numeric))


def figures_of(item: Characteristic, record: DossierRecord) -> list[Block]:
    """The chapter's figures, in the order the characteristic names them."""
    names = [f"{item.name}-{name}" for name in item.figures if f"{item.name}-{name}" in record.figures]
    return [Figure(f"{name}.svg", record.figures[name], record.alts.get(name, name), _caption(name)) for name in names]


def _caption(name: str) -> str:
    words = name.partition("-")[2].replace("_", " ")
    return words[:1].upper() + words[1:]


def quantity_tables(item: Characteristic, quantities: Sequence[Quantity], study: Study) -> list[Block]:
    """All quantities of a chapter: those of the whole study first, then by level or name."""
    infos = {info.key: info for info in item.keys}
    places = {q.at for q in quantities}
    single = [q for q in quantities if q.at is None]
    others = [q for q in quantities if q.at is not None]
    blocks: list[Block] = []
    head = ("Quantity", "At", "Value", f"Interval, {study.confidence:.4g}", "Unit", "df", "n")
    for group, what in (
        (single, "quantities of the whole study"),
        (
            others,
            "quantities by level"
            if all(isinstance(p, float) for p in places if p is not None)
            else "quantities by name",
        ),
    ):
        if not group:
            continue
        ordered = sorted(group, key=lambda q: list(infos).index(q.key) if q.key in infos else len(infos))
        rows, last = [], ""
        for q in ordered:
            name = _named(q.key, infos)
            rows.append(("" if name == last else name, *_quantity_cells(q)))
            last = name
        worksheet = next((q.worksheet for q in group if q.worksheet), "")
        keys = sorted({q.key for q in group})
        margin = f"{worksheet.rpartition('/')[2]}\nresults.json: {keys[0]}{' ...' if len(keys) > 1 else ''}"
        blocks.append(
            Table(f"{item.title}: {what}", head, tuple(rows), align="llddlrr", margin=margin, long=len(rows) > 24)
        )
    return blocks


def _named(key: str, infos: Mapping[str, KeyInfo]) -> str:
    """ "lack of fit p", "slope, b", "s_r"."""
    name = key.partition(".")[2]
    symbol = infos[key].symbol if key in infos else name
    words = spoken(name)
    return words if symbol in (name, name.rpartition("_")[2]) or len(symbol) > 8 else f"{words}, {symbol}"


def _quantity_cells(q: Quantity) -> tuple[str, ...]:
    if q.value is None:
        value, span = "", ""
    elif q.key.endswith("_p"):
        value, span = p_value(q.value), ""
    else:
        value, span = with_interval(q.value, q.interval)
    df = (
        ""
        if q.degrees_of_freedom is None
        else significant(q.degrees_of_freedom, 3)
        if q.degrees_of_freedom % 1
        else f"{q.degrees_of_freedom:.0f}"
    )
    return level_text(q.at), value, span, "" if q.unit == "1" else q.unit, df, str(q.n)


def verdict_sentences(rows: Sequence[RequirementResult]) -> list[Block]:
    """Each requirement in words: where it is met, where not, and what would settle what is not shown."""
    if not rows:
        return [Paragraph("The plan sets no requirement on this characteristic; nothing here is judged.", style="note")]
    said = []
    for name in dict.fromkeys(row.id for row in rows):
        own = [row for row in rows if row.id == name]
        spans = [(outcome, list(group)) for outcome, group in groupby(own, key=lambda row: row.outcome)]
        where = "; ".join(f"{outcome} {_where(group)}".strip() for outcome, group in spans)
        reasons = [
            _reason(row)
            for row in own
            if row.outcome != "met" or row.thin
        ]
        origin = f" Origin: {own[0].origin}." if own[0].origin else ""
        said.append(
            " ".join(
                [f"{name}, {spoken(name_of(own[0].quantity)).removesuffix(' at')}: {where}.{origin}", *reasons]
            ).replace("..", ".")
        )
    return [Items(tuple(said))]


def _reason(row: RequirementResult) -> str:
    place = _where([row])
    told = f"{row.reason} Thin: {row.thin}" if row.thin else row.reason
    return f"{place[:1].upper()}{place[1:]}: {told}" if place else told


def _where(rows: Sequence[RequirementResult]) -> str:
    levels = [row.at for row in rows]
    if levels[0] is None:
        return ""
    if not isinstance(levels[0], float):
        return f"for {sentence_list([str(level) for level in levels])}"
    unit = "" if rows[0].unit in ("", "1") else f" {rows[0].unit}"
    if len(levels) == 1:
        return f"at {level_text(levels[0])}{unit}"
    return f"from {level_text(levels[0])} to {level_text(levels[-1])}{unit}"


def formulas(item: Characteristic) -> list[Block]:
    """The formulas, their sources, and what each was checked against."""
    infos = {info.key: info for info in item.keys}
    lines = tuple(
        dict.fromkeys(
            info.formula if info.formula.startswith(info.symbol) else f"{_named(info.key, infos)}: {info.formula}"
            for info in item.keys
        )
    )
    checked = tuple(
        (
            _named(info.key, infos),
            info.source,
            sentence_list(list(info.checked_against)) or "no published example; see the tests",
        )
        for info in item.keys
    )
    return [
        Formula(tuple(typeset(line) for line in lines)),
        Table(
            f"{item.title}: sources, and the published examples the program is held to",
            ("Quantity", "Source", "Checked against"),
            checked,
            align="lll",
            details=True,
            widths=(1, 2, 2.4),
        ),
    ]


def typeset(formula: str) -> str:
    """The signs a page prints for those a keyboard has."""
    signs = (
        ("sqrt(", "√("),
        ("sum_", "Σ_"),
        ("sum(", "Σ("),
        ("+-", "±"),
        (">=", "≥"),
        ("<=", "≤"),
        (" - ", " − "),
        (" * ", " × "),
    )
    for typed, printed in signs:
        formula = formula.replace(typed, printed)
    return formula


def notes_of(evaluation: Evaluation, quantities: Sequence[Quantity]) -> list[Block]:
    """What an auditor must be told, each sentence once, with the places it concerns."""
    places: dict[str, list[str]] = {note: [] for note in evaluation.notes}
    for q in quantities:
        for note in q.notes:
            name = q.key.partition(".")[2]
            places.setdefault(note, []).append(name if q.at is None else f"{name} at {level_text(q.at)}")
    if not places:
        return [Paragraph("Notes: none.", style="note")]
    return [
        Heading("Notes", 3),
        Items(tuple(_with_places(note, names, len(quantities)) for note, names in places.items())),
    ]


def _with_places(note: str, names: Sequence[str], total: int) -> str:
    if not names or len(names) == total:
        return note
    shown = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
    return f"{note} ({shown})"


# ------------------------------------------------------------------------------------------------ sensitivity, register


def sensitivity(record: DossierRecord) -> list[Block]:
    """Outcomes with and without each amended or flagged reading."""
    blocks: list[Block] = [Heading("With and without amended and flagged readings", 1, "sensitivity")]
    if not record.variants:
        return [*blocks, Paragraph("None: no reading was amended, excluded or flagged.")]
    text = (
        "Every requirement was decided again with each amended or excluded reading as it was written, and without each flagged one. Only rows that move are shown; "
        "a reading after which no row moves is named all the same. A verdict that changes is fragile."
    )
    blocks.append(Paragraph(text))
    rows: list[tuple[str, ...]] = []
    for variant in record.variants:
        if variant.failed:
            rows.append((variant.title, "", "", variant.failed))
        elif not variant.moved:
            rows.append((variant.title, "no requirement moves", "", ""))
        for number, (before, after) in enumerate(variant.moved):
            fragile = " (fragile)" if before.settled != after.settled else ""
            rows.append(
                (
                    variant.title if number == 0 else "",
                    label_of(before),
                    _outcome_text(before),
                    _outcome_text(after) + fragile,
                )
            )
    head = ("Reading", "Requirement", "As reported", "Otherwise")
    return [
        *blocks,
        Table(
            "Outcomes side by side",
            head,
            tuple(rows),
            align="llll",
            widths=(2, 2, 1.6, 1.6),
            margin="recomputed for this issue",
        ),
    ]


def _outcome_text(row: RequirementResult) -> str:
    value, span = _texts(row)
    text = ", ".join(part for part in (value, span) if part)
    return f"{row.settled}: {text}" if text else row.settled


def register(record: DossierRecord) -> list[Block]:
    """Amendments, exclusions, flagged readings; "none" is printed too."""
    blocks: list[Block] = [Heading("Amendments, exclusions, flagged readings", 1, "register")]
    names = ("number", "time", "by", "kind", "file", "reading", "column", "old", "new", "reason")
    rows = tuple(tuple(str(entry.get(name, "")) for name in names) for entry in record.study.amendments)
    if rows:
        head = ("No.", "Time", "By", "Kind", "File", "Reading", "Column", "Old", "New", "Reason")
        blocks.append(
            Table("Amendments and exclusions", head, rows, align="rlllllllll", margin="amendments.csv", long=True, widths=(0.4, 1.3, 0.5, 1, 1.3, 0.9, 0.8, 1, 1, 2.2))
        )
    else:
        blocks.append(Paragraph("Amendments and exclusions: none.", margin="amendments.csv"))
    flags = tuple(
        (
            f.reading,
            f.test,
            level_text(f.at),
            significant(f.statistic),
            significant(f.critical),
            "kept" if f.kept else "left out",
            f.reason,
        )
        for f in record.judgement.flags
    )
    if flags:
        head = ("Reading", "Test", "At", "Statistic", "Critical", "Status", "In words")
        blocks.append(
            Table(
                "Readings that a test points at",
                head,
                flags,
                align="lllddll",
                widths=(1, 1.1, 0.6, 0.8, 0.8, 0.7, 3),
                margin="results.json: flags",
            )
        )
    else:
        blocks.append(Paragraph("Readings that a test points at: none.", margin="results.json: flags"))
    blocks.append(
        Paragraph(
            "A test alone never removes a reading: every flagged reading stays in the numbers unless a person excluded it with a reason.",
            style="small",
        )
    )
    if record.changed_rows:
        blocks.append(Paragraph("Rows that changed since they were first read, without an amendment:"))
        blocks.append(Items(tuple(record.changed_rows)))
    return blocks


def people_and_equipment(record: DossierRecord) -> list[Block]:
    """People, equipment, standards and lots, as the plan states them."""
    plan = record.study.plan
    blocks: list[Block] = [Heading("People, equipment, standards", 1, "means")]
    for title, facts in (("People", plan.people), ("Equipment", plan.equipment), ("Standards", plan.standards)):
        if not facts:
            blocks.append(Paragraph(f"{title}: {NOT_STATED}."))
            continue
        names = list(dict.fromkeys(name for fact in facts for name in fact))
        rows = tuple(tuple(_plain(fact.get(name, "")) for name in names) for fact in facts)
        blocks.append(
            Table(
                title,
                tuple(name.replace("_", " ") for name in names),
                rows,
                align="l" * len(names),
                margin=f"plan.yaml: {title.lower()}",
            )
        )
    lots = {
        "allowed_step": str(plan.lots.allowed_step) if plan.lots.allowed_step is not None else NOT_STATED,
        **{k: _plain(v) for k, v in plan.lots.stated.items()},
    }
    blocks.append(Fields(tuple((f"Lots: {name.replace('_', ' ')}", value) for name, value in lots.items())))
    rows = tuple(
        (column, *_stated(record.study, column))
        for column in ("analyst", "instrument", "laboratory", "grade", "fuel", "lot")
    )
    blocks.append(
        Table(
            "As the worksheets record them",
            ("Column", "Values", "Not stated in"),
            rows,
            align="lll",
            widths=(0.8, 3, 2),
        )
    )
    if record.records:
        blocks.append(
            Table(
                "Attached records, by hash",
                ("File", "SHA-256"),
                tuple((name, value) for name, value in record.records.items()),
                align="ll",
                widths=(1.2, 3),
                margin="records/, not parsed",
            )
        )
    else:
        blocks.append(Paragraph("Attached records: none."))
    return blocks


def _stated(study: Study, column: str) -> tuple[str, str]:
    """The values of a column over all worksheets, and the worksheets without it."""
    seen, missing = [], []
    for data in study.experiments.values():
        values = sorted({r.values.get(column, "") for r in data.readings} - {""})
        seen += values
        missing += [] if values else [data.worksheet.rpartition("/")[2]]
    return ", ".join(dict.fromkeys(seen)) or NOT_STATED, ", ".join(dict.fromkeys(missing))


def _plain(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float | int) and not isinstance(value, bool):
        return level_text(value)
    return str(value)


# ------------------------------------------------------------------------------------------------ raw data, software


def raw_data(record: DossierRecord) -> list[Block]:
    """Every row of every worksheet, as written, with what happened to it."""
    blocks: list[Block] = [Heading("Raw data", 1, "raw-data")]
    flagged: dict[str, list[str]] = {}
    for flag in record.judgement.flags:
        flagged.setdefault(flag.reading, []).append(flag.test)
    for data in record.study.experiments.values():
        blocks.append(Heading(f"{data.name}: {data.worksheet}", 2, f"raw-{data.name.replace('_', '-')}"))
        if not data.readings:
            blocks.append(Paragraph("Awaiting readings: the worksheet holds headings only."))
            continue
        throughout, head, rows = raw_table(data, flagged)
        same = (
            f" Throughout: {', '.join(f'{name} {value}' for name, value in throughout.items())}." if throughout else ""
        )
        text = f"{len(rows)} rows. SHA-256 {record.inputs.get(data.worksheet, '')}. Row is the line of the file; the heading is line 1.{same}"
        blocks += [
            Paragraph(text, style="small"),
            Table(
                f"{data.worksheet}, as written", head, rows, align="rl" + "l" * (len(head) - 2), long=True, details=True
            ),
        ]
    if record.unused_files:
        blocks.append(Paragraph(f"Present in the study folder, not used: {', '.join(record.unused_files)}."))
    return blocks


def raw_table(
    data: ExperimentData, flagged: Mapping[str, Sequence[str]]
) -> tuple[dict[str, str], tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Cells that are the same in every row, said once; then the columns that differ, and what happened to each row."""
    values = {
        name: [r.written.get(name, "") for r in data.readings] for name in data.readings[0].written if name != "reading"
    }
    throughout = {
        name: cells[0] for name, cells in values.items() if len(set(cells)) == 1 and cells[0] and len(cells) > 1
    }
    columns = [name for name, cells in values.items() if name not in throughout and any(cells)]
    head = ("Row", "Reading", *(name.replace("_", " ") for name in columns), "Status")
    rows = tuple(
        (str(r.line), r.reading, *(r.written.get(name, "") for name in columns), _status(r, flagged))
        for r in data.readings
    )
    return throughout, head, rows


def _status(reading: Reading, flagged: Mapping[str, Sequence[str]]) -> str:
    said = [] if reading.status == "used" else [f"{reading.status}{': ' + reading.reason if reading.reason else ''}"]
    said += [
        f"{column} amended to {reading.values[column]}"
        for column, old in reading.written.items()
        if reading.values.get(column, old) != old
    ]
    said += [f"flagged: {', '.join(flagged[reading.reading])}; kept"] if reading.reading in flagged else []
    return "; ".join(said)


def software(record: DossierRecord) -> list[Block]:
    """The versions that made this dossier."""
    return [
        Heading("Software", 1, "software"),
        Paragraph(
            "These versions computed and rendered this dossier. The same inputs and versions give the same bytes.",
            margin="manifest.json: versions",
        ),
        Fields(tuple(record.versions.items())),
        Paragraph("The published example that each statistic is held to stands in the chapters, beside its source."),
    ]


def recompute(record: DossierRecord) -> list[Block]:
    """How to check this dossier without its author."""
    files = tuple(record.inputs.items())
    return [
        Heading("How to recompute", 1, "recompute"),
        Items(
            (
                "Install the versions listed under Software, then run “validation verify” on this folder: it checks every hash and recomputes every quantity, verdict and the conclusion from inputs/.",
                "“validation trace FOLDER KEY --at LEVEL” leads from one number to its formula, source and rows.",
                "Each executed notebook in notebooks/ shows one chapter's computation step by step; it opens in JupyterLab.",
                "Without this program: inputs/ holds the worksheets byte for byte; the formulas stand in the chapters; results.json holds every number in full precision.",
                "The SHA-256 of the inputs is the hash of what “sha256sum” prints for the files of inputs/, sorted by name, with paths relative to inputs/.",
            )
        ),
        Table("Inputs of this dossier", ("File", "SHA-256"), files, align="ll", widths=(1.2, 2.6), margin="inputs/"),
    ]


# ------------------------------------------------------------------------------------------------ changes


def parent_changes(record: DossierRecord) -> list[Block]:
    """What changed since the parent study: verdicts first."""
    if record.parent is None:
        return []
    return change_blocks(record.parent, "What changed since the parent", "parent", record.study.unit)


def predecessor_changes(record: DossierRecord) -> list[Block]:
    """What changed since the issue before this one."""
    if record.predecessor is None:
        return []
    return change_blocks(
        record.predecessor, "What changed since the predecessor of this issue", "predecessor", record.study.unit
    )


def change_blocks(report: ComparisonReport, title: str, anchor: str, unit: str) -> list[Block]:
    """A comparison as a chapter."""
    old, new = report.conclusions
    blocks: list[Block] = [
        Heading(title, 1, anchor),
        Paragraph(
            f"{report.old.name}, manifest SHA-256 {report.old.manifest_hash}. {report.cause}",
            margin="validation compare",
        ),
    ]
    blocks.append(
        Paragraph(f"Proposed conclusion then: {old['outcome']}{_span(old)}. Now: {new['outcome']}{_span(new)}.")
    )
    if report.verdicts:
        rows = tuple((v["id"], v["quantity"], level_text(v["at"]), v["old"], v["new"]) for v in report.verdicts)
        blocks.append(Table("Verdicts that changed", ("Id", "Quantity", "At", "Then", "Now"), rows, align="lllll"))
    else:
        blocks.append(Paragraph("No verdict changed."))
    if report.steps:
        rows = tuple(
            (
                level_text(n.at),
                _number(n.difference),
                "" if n.interval is None else with_interval(n.difference or 0.0, n.interval)[1],
                f"±{significant(n.allowed or 0.0, 2)}",
                n.outcome,
            )
            for n in report.steps
        )
        head = ("Level", "Step", "Interval", f"Allowed ({report.step_limit})", "Outcome")
        blocks.append(
            Table(
                f"Step of the results, in {unit}, against the allowed step: an equivalence, since a small difference is never “no change”",
                head,
                rows,
                align="lddll",
                margin="plan.yaml: lots.allowed_step",
            )
        )
    elif anchor == "parent":
        blocks.append(
            Paragraph(
                "The plan gives no lots.allowed_step: whether the change matters is not judged.",
                margin="plan.yaml: lots",
            )
        )
    blocks.append(
        Table(
            "Inputs by hash",
            ("File", "Change", "Then", "Now"),
            tuple((i["file"], i["change"], (i["old"] or "")[:16], (i["new"] or "")[:16]) for i in report.inputs),
            align="llll",
        )
    )
    rows = tuple(
        (
            n.key,
            level_text(n.at),
            _number(n.old),
            _number(n.new),
            _number(n.difference),
            "" if n.combined is None else significant(n.combined, 2),
            "" if n.ratio is None else significant(n.ratio, 2),
        )
        for n in report.numbers
    )
    head = ("Quantity", "At", "Then", "Now", "Difference", "u of difference", "Ratio")
    blocks.append(
        Table(
            "Every quantity: then, now, difference, combined standard uncertainty and their ratio",
            head,
            rows,
            align="llddddd",
            long=True,
            details=True,
            widths=(2.4, 1, 1, 1, 1, 1, 0.8),
        )
    )
    if report.not_repeated:
        rows = tuple((q["key"], level_text(q["at"]), _number(q["value"]), q["unit"]) for q in report.not_repeated)
        caption = f"Not repeated; the value stands from {report.old.name} (manifest {report.old.manifest_hash[:16]})"
        blocks.append(Table(caption, ("Quantity", "At", "Value", "Unit"), rows, align="lldl", long=True, details=True))
    if report.versions:
        blocks.append(Paragraph(f"Versions: {'; '.join(report.versions)}."))
    return blocks


def _span(conclusion: Mapping[str, Any]) -> str:
    spread = conclusion.get("range")
    return "" if spread is None else f", {level_text(spread[0])} to {level_text(spread[1])}"


def _number(value: float | None) -> str:
    return "" if value is None else significant(value, 4)


__all__ = ["DossierRecord", "KeyInfo", "Signatures", "build_document"]
