"""A new study folder: a commented plan, and worksheets whose readings are in random order within each run."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from validation import resources
from validation.faults import Refusal
from validation.files import write_files
from validation.study.design import Design, refuse_contradictions, two_digits, usual_levels
from validation.study.experiments import EXPERIMENTS, all_records
from validation.study.folder import refuse_faulty
from validation.study.plan import PLAN, parse_plan
from validation.study.preparations import quoted
from validation.study.prepared import Prepared

CAUTIONS = (
    "Fuel and blends are flammable: small quantities, ventilation, no ignition source, a spill plan.",
    "Used oil may be hot and carries combustion products: let it cool before capping, wear gloves and eye protection.",
    "Lead vapours and purge exhaust to extraction, not to the person at the bench.",
    "Local codes, safety data sheets and licensed practice come first; this program sets no safety limit.",
)


@dataclass(frozen=True, slots=True)
class Started:
    """What was written, and the seed of the measuring order."""

    folder: Path
    files: tuple[str, ...]
    seed: int
    readings: int


def start_study(folder: Path, design: Design) -> Started:
    """Write a new study folder.

    Raises
    ------
    Refusal
        The folder holds a plan or one of the worksheets already, or the design contradicts itself.
    """
    refuse_contradictions(design)
    seed = _seed(design) if design.seed is None else design.seed
    sheets = _worksheets(design, seed)
    suffix = ".xlsx" if design.workbooks else ".csv"
    files = {name: f"worksheets/{file}{suffix}" for name, (file, _) in sheets.items()}
    text = plan_text(folder, design, seed, files)
    plan, faults = parse_plan(text.encode("utf-8"))
    if plan is None:
        raise Refusal(f"The answers make no valid plan: {faults[0]}")
    records = {f"standards/{lot}.yaml": lot_record(lot) for lot in design.lots}
    there = [file for file in (PLAN, *files.values(), *records) if os.path.lexists(folder / file)]
    if there:
        raise Refusal(
            f"{folder} already holds {', '.join(there)}; nothing was written. Choose an empty folder, or remove these "
            "files where an interrupted start left them."
        )
    refuse_faulty(folder)
    written = _workbook if design.workbooks else _csv
    contents = {files[name]: written(sheet) for name, (_, sheet) in sheets.items()}
    contents |= {file: text_of_lot.encode("utf-8") for file, text_of_lot in records.items()}
    # The plan comes last: a folder with a plan is a whole study.
    contents[PLAN] = text.encode("utf-8")
    write_files(folder, contents, expected=dict.fromkeys(contents))
    readings = sum(len(sheet.rows) for _, sheet in sheets.values())
    return Started(folder, (PLAN, *files.values(), *records), seed, readings)


def _worksheets(design: Design, seed: int) -> dict[str, tuple[str, Prepared]]:
    """By experiment, the name of the file and the worksheet; those whose materials or settings are named."""
    levels = design.levels or usual_levels(design)
    sheets = {}
    for name, record in EXPERIMENTS.items():
        sheet = None if record.start is None else record.start.prepare(design, levels, seed)
        if record.start is not None and sheet is not None:
            lot = design.lots[:1] if record.start.of_a_lot else ()
            sheets[name] = record.start.file, sheet.with_column("lot", lot[0]) if lot else sheet
    return sheets


def _seed(design: Design) -> int:
    """A seed from what the study is: the same answers give the same order."""
    text = json.dumps([design.id, design.title, design.laboratory, design.measurand, design.range])
    return int.from_bytes(hashlib.sha256(text.encode("utf-8")).digest()[:4], "big") % 1_000_000


def _csv(sheet: Prepared) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerows([sheet.head, *sheet.rows])
    # With the byte order mark a spreadsheet program reads umlauts and signs as they are.
    return text.getvalue().encode("utf-8-sig")


def _workbook(sheet: Prepared) -> bytes:
    import openpyxl
    from openpyxl.styles import Font

    book = openpyxl.Workbook()
    page = book.active
    page.title = "readings"
    for row in (sheet.head, *sheet.rows):
        page.append([None if cell == "" else cell for cell in row])
    for cell in page[1]:
        cell.font = Font(bold=True)
        page.column_dimensions[cell.column_letter].width = max(10, len(str(cell.value)) + 4)
    page.freeze_panes = "A2"
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


def _numbers(values: Iterable[float]) -> str:
    return "[" + ", ".join(repr(float(value)) for value in values) + "]"


def plan_text(folder: Path, design: Design, seed: int, worksheets: dict[str, str]) -> str:
    """The commented plan."""
    lines = [
        "# The plan of one validation study. Requirements are set here, before the data, and then frozen:",
        "#   validation check .     says what this plan means, and what is wrong with it",
        '#   validation freeze . --by "your name"',
        "# Lines that begin with # are comments. Text with a comma, a colon or a % goes in quotes.",
        "#",
        *(f"# Caution: {text}" for text in CAUTIONS),
        "format: 1",
        "study:",
        f"  id: {quoted(design.id or folder.resolve().name)}",
        f"  title: {quoted(design.title)}",
        f"  laboratory: {quoted(design.laboratory)}",
        f"  measurand: {quoted(design.measurand or design.title)}",
        f"  unit: {quoted(design.unit)}",
        f"  range: {_numbers(design.range)}",
        _optional("grade", quoted(design.grades[0]) if design.grades else "", '"oil grade of this study"'),
        _optional("fuel", quoted(design.fuels[0]) if design.fuels else "", '"fuel blend of this study"'),
        _optional("procedure", quoted(design.procedure) if design.procedure else "", '"SOP number and version"'),
        _optional("customer_limits", _numbers(design.customer_limits) if design.customer_limits else "", "[2.0, 4.0]"),
        '  # intended_use: "what the results decide"',
        '  # trigger: "new method, new oil grade, new lot, ..."',
        '  # time_zone: "Europe/Berlin"   # zone of times without one in the worksheets',
        "  # date_order: day-month-year   # or month-day-year: dates in worksheets that are not written 2026-07-01",
        "confidence: 0.95",
        "",
        f"# Measuring orders are random within each run; the seed is {seed}. Keep to the column `order` at the bench.",
        "experiments:",
        *(
            f"  {name}: {{worksheet: {file}{_settings(name, design)}, order_seed: {seed}}}"
            for name, file in worksheets.items()
        ),
        "",
        *_requirement_lines(design),
        "",
        *_people_lines(design),
        *_facts_lines(design),
        "",
        "# What this study does not evaluate, and why; without a reason the conclusion cannot be `fit`.",
        "not_evaluated:",
        *(
            f'  # {name}: "reason"  # {record.title}'
            for name, record in all_records().items()
            if record.asked == "further" and name not in worksheets
        ),
    ]
    return "\n".join(lines) + "\n"


def _settings(name: str, design: Design) -> str:
    start = EXPERIMENTS[name].start
    return start.settings(design) if start is not None and start.settings is not None else ""


def _optional(key: str, value: str, example: str) -> str:
    return f"  {key}: {value}" if value else f"  # {key}: {example}"


def _requirement_lines(design: Design) -> list[str]:
    """The usual requirements, each behind a #, so that no limit is adopted without thought."""
    limits = sorted(design.customer_limits)
    floor_ = two_digits((limits[0] if limits else design.range[1] / 5) * 0.05)
    bias = f'"max({floor_:g}, 5%)"'
    # A quarter of the customer's gap for the expanded uncertainty, half of its variance for precision.
    sd = f"{two_digits((limits[-1] - limits[0]) / 8 * 0.5**0.5):g}" if len(limits) > 1 else '"4%"'
    further = [record.usual_requirements for record in all_records().values()]
    origin = 'origin: "say where the limit comes from"'
    entries = [
        f"quantity: trueness.bias, rule: equivalence, limit: {bias}",
        f"quantity: intermediate_precision.s_I, rule: upper bound, limit: {sd}",
        f"quantity: accuracy.tolerance_low, rule: inside, limit: {bias.replace('5%', '15%')}",
        f"quantity: calibration.departure, rule: equivalence, limit: {bias}",
        f"quantity: calibration.single_point_bias, rule: equivalence, limit: {bias}",
        f'quantity: detection.detection_limit, at: "ISO 11843-2", rule: upper bound, limit: {design.range[0]:g}',
        *(
            f"quantity: comparison.difference_at, at: {level:g}, rule: equivalence, limit: {two_digits(level * 0.1):g}"
            for level in limits
        ),
        *(entry for usual in further if usual is not None for entry in usual(design)),
    ]
    return [
        "# The usual requirements. Take the # away from those that hold, and put your own limits: the numbers here are",
        '# examples. A limit is a number, a share of the level ("5%"), or max(...), min(...), sum(...) of those.',
        "# A limit with a comma goes in quotes. Without `at` every level inside the range is judged.",
        "requirements:",
        *(f"#  - {{id: R{number}, {entry}, {origin}}}" for number, entry in enumerate(entries, start=1)),
    ]


def _people_lines(design: Design) -> list[str]:
    if not design.people:
        return ['# people:\n#   - {name: "...", role: "analyst"}']
    return ["people:", *(f"  - {{name: {quoted(name)}}}" for name in design.people)]


#: The questions that a budget answers, each with the kind of answer it usually gets.
_ANSWERS = {
    "sampling": 'not_applicable: "the result applies to the bottle as received"',
    "oil": 'size: "2%", origin: "say where the size comes from"',
    "fuel": 'size: "3%", origin: "say where the size comes from"',
    "standard": 'size: "0.6%", part_of: standard, origin: "lot record"',
    "sample reading": "from: repeatability.s_r, part_of: within-laboratory reproducibility",
    "standard reading": 'size: "1.4%", part_of: within-laboratory reproducibility, origin: "three readings a run"',
    "temperature": 'size: "1%", part_of: within-laboratory reproducibility, origin: "say where the size comes from"',
    "instrument": 'size: "1.2%", part_of: within-laboratory reproducibility, origin: "say where the size comes from"',
    "analyst": 'size: "0.6%", part_of: within-laboratory reproducibility, origin: "say where the size comes from"',
    "rounding": 'negligible: "say why"',
}


def lot_record(lot: str) -> str:
    """The record of a lot to be filled in: the template under the lot's own name."""
    template = (resources.folder("templates") / "lot-record.yaml").read_text(encoding="utf-8")
    named = re.sub(r"^lot: \S+", f"lot: {lot}", template, count=1, flags=re.MULTILINE)
    # What only the bench book knows is left empty, so that no example passes for a record.
    return re.sub(
        r"^( *(?:made|maker|checker|mass_g|u_g|balance|certificate|certificate_valid_until|name|purity|most|shape|u"
        r"|fuel_density|oil_density|air_density):)[^#\n]*",
        lambda match: match[1].ljust(len(match[0])),
        named,
        flags=re.MULTILINE,
    )


def _facts_lines(design: Design) -> list[str]:
    """Equipment, standards, uncertainty and decision rule, each as an example behind a #."""
    lots = design.lots or ("S-01",)
    value = 5.0 if design.routine_level is None else design.routine_level
    return [
        "# equipment:",
        '#   - {name: "...", certificate: "...", valid_until: 2027-01-31, record: records/certificate.pdf}',
        "# standards:   # the lot record holds weighings, balances and dates: fill it in, then take the # away",
        *(
            f"#   - {{name: {lot}, value: {value:g}, uncertainty: 0.03, lot_record: standards/{lot}.yaml}}"
            for lot in lots
        ),
        *(["lots:", f"  in_use: {design.lots[0]}"] if design.lots else []),
        "# uncertainty:   # each line is answered: its size, or why it has none (docs/uncertainty.md)",
        "#   # reference: independent   # where no reference value of the precision experiment rests on the standard",
        "#   components:",
        *(f"#     - {{name: {name}, {answer}}}" for name, answer in _ANSWERS.items()),
        "# decision:   # the rule agreed with the customer; docs/decision.md",
        '#   {rule: guarded, risk: 0.05, agreed_with: "...", agreed_on: 2026-01-31}',
    ]
