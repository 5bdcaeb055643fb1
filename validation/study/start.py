"""A new study folder: a commented plan, and worksheets whose readings stand in random order within each run."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from math import floor, log10
from pathlib import Path

from validation import resources
from validation.faults import Refusal
from validation.files import write_files
from validation.study.folder import refuse_faulty
from validation.study.plan import FURTHER, PLAN, parse_plan
from validation.study.prepared import Prepared, level_cell, shuffled
from validation.study.start_further import further_requirements, further_worksheets, settings_of
from validation.study.text_files import hidden_character

CAUTIONS = (
    "Fuel and blends are flammable: small quantities, ventilation, no ignition source, a spill plan.",
    "Used oil may be hot and carries combustion products: let it cool before capping, wear gloves and eye protection.",
    "Lead vapours and purge exhaust to extraction, not to the person at the bench.",
    "Local codes, safety data sheets and licensed practice come first; this program sets no safety limit.",
)
BLANKS = 10
#: Worksheets whose results all lean on the lot of the standard that is in use.
_OF_A_LOT = (
    *("calibration", "precision", "reproducibility", "detection"),
    *("matrix", "fuel", "carry_over", "ruggedness", "stability"),
)
SAMPLES = 10


@dataclass(frozen=True, slots=True)
class Design:
    """What `start` is told; `levels` empty means: choose from range, customer limits and routine standard.

    `grades`, `fuels` and `lots` name first the one that the others are compared with; `purges` are the settings at
    which carry-over is read, `factors` a name with its low and high setting each, `states` those of a stored standard.
    """

    title: str
    laboratory: str
    range: tuple[float, float]
    unit: str = "%"
    measurand: str = ""
    id: str = ""
    procedure: str = ""
    routine_level: float | None = None
    customer_limits: tuple[float, ...] = ()
    levels: tuple[float, ...] = ()
    runs: int = 8
    replicates: int = 3
    people: tuple[str, ...] = ()
    laboratories: tuple[str, ...] = ()
    grades: tuple[str, ...] = ()
    fuels: tuple[str, ...] = ()
    lots: tuple[str, ...] = ()
    purges: tuple[str, ...] = ()
    factors: tuple[tuple[str, str, str], ...] = ()
    states: tuple[str, ...] = ()
    workbooks: bool = False
    seed: int | None = None


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
    _refuse_contradictions(design)
    levels = design.levels or usual_levels(design)
    seed = _seed(design) if design.seed is None else design.seed
    sheets = [
        _calibration(design, levels, seed),
        _precision(design, levels, seed),
        _network(design, levels, seed),
        _blanks(design, seed),
        _reference(design, seed),
        *further_worksheets(design, levels, seed),
    ]
    if design.lots:
        in_use = design.lots[0]
        sheets = [item.with_column("lot", in_use) if item.experiment in _OF_A_LOT else item for item in sheets]
    suffix = ".xlsx" if design.workbooks else ".csv"
    files = {sheet: f"worksheets/{sheet.name}{suffix}" for sheet in sheets}
    text = plan_text(folder, design, seed, {sheet.experiment: file for sheet, file in files.items()})
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
    contents = {file: _workbook(sheet) if design.workbooks else _csv(sheet) for sheet, file in files.items()}
    contents |= {file: text_of_lot.encode("utf-8") for file, text_of_lot in records.items()}
    # The plan comes last: a folder with a plan is a whole study.
    contents[PLAN] = text.encode("utf-8")
    write_files(folder, contents, expected=dict.fromkeys(contents))
    return Started(folder, (PLAN, *files.values(), *records), seed, sum(len(sheet.rows) for sheet in sheets))


def _refuse_contradictions(design: Design) -> None:
    low, high = design.range
    for item in fields(design):
        given = getattr(design, item.name)
        texts = [part for one in (given if isinstance(given, tuple) else (given,)) for part in _texts(one)]
        hidden = next((text for text in texts if hidden_character(text)), None)
        if hidden is not None:
            raise Refusal(f'{item.name}: the text "{hidden}" holds a character that cannot be seen. Write it without.')
    if re.search(r"[\[\]]", design.unit):
        raise Refusal(
            f'The unit "{design.unit}" holds a bracket, which marks the unit in a heading of a worksheet: write '
            f'"{re.sub(r"[][]", "", design.unit)}", or "% (m/m)".'
        )
    for name, number in (("runs", design.runs), ("replicates", design.replicates)):
        if not 1 <= number <= 1000:
            raise Refusal(f"The number of {name} must lie between 1 and 1000; found {number}.")
    if not low < high:
        raise Refusal(f"The range must rise from low to high; found {low:g} to {high:g}.")
    if len(set(design.levels)) != len(design.levels):
        raise Refusal("A level is named twice.")
    if len(design.factors) > 11:
        raise Refusal(f"A screening of 12 trials holds 11 factors at most; found {len(design.factors)}.")
    for what, named in (("grade", design.grades), ("fuel", design.fuels), ("lot", design.lots)):
        if len(set(named)) != len(named):
            raise Refusal(f"A {what} is named twice.")
    for lot in design.lots:
        if not re.fullmatch(r"[\w-][\w.-]*", lot):
            raise Refusal(f'The lot "{lot}" cannot name a file; use letters, digits, - and _.')
    if len(design.levels) > 100:
        raise Refusal(f"At most 100 levels; found {len(design.levels)}.")


def _texts(value: object) -> tuple[str, ...]:
    """The texts of one answer: itself, or the parts of a factor."""
    return tuple(part for part in (value if isinstance(value, tuple) else (value,)) if isinstance(part, str))


def usual_levels(design: Design) -> tuple[float, ...]:
    """Both ends of the range, customer limits and routine standard inside it, and more where a gap is widest."""
    low, high = design.range
    inside = [level for level in (*design.customer_limits, design.routine_level) if level is not None]
    levels = sorted({low, high, *(level for level in inside if low < level < high)})
    while len(levels) < 5:
        gap, start = max((after - before, before) for before, after in pairwise(levels))
        level = _two_digits(start + gap / 2)
        if level in levels:
            break
        levels = sorted([*levels, level])
    return tuple(levels)


def _two_digits(value: float) -> float:
    return value if value == 0 else round(value, 1 - floor(log10(abs(value))))


def _seed(design: Design) -> int:
    """A seed from what the study is: the same answers give the same order."""
    text = json.dumps([design.id, design.title, design.laboratory, design.measurand, design.range])
    return int.from_bytes(hashlib.sha256(text.encode("utf-8")).digest()[:4], "big") % 1_000_000


def _calibration(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    wanted = sorted({0.0, *levels, *([] if design.routine_level is None else [design.routine_level])})
    head = ("reading", "order", "level", "run", "response", "time", "analyst", "instrument", "note")
    rows = _runs("C", wanted, min(design.runs, 3), design.replicates, seed, "calibration")
    placed = tuple(
        (name, order, level, run, "", "", "", "", "") for order, (name, level, run, _) in enumerate(rows, start=1)
    )
    return Prepared("calibration", "calibration", head, placed)


def _precision(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    result = f"result [{design.unit}]"
    head = ("reading", "order", "level", "run", "preparation", result, "time", "analyst", "instrument", "note")
    rows = _runs("P", levels, design.runs, design.replicates, seed, "precision")
    placed = tuple(
        (name, order, level, run, "", "", "", "", "", "") for order, (name, level, run, _) in enumerate(rows, start=1)
    )
    return Prepared("precision", "precision", head, placed)


def _runs(
    letter: str, levels: Sequence[float], runs: int, replicates: int, seed: int, group: str
) -> list[tuple[str, float | int, int, int]]:
    """Identifiers counted in the order of the design; rows in random order within each run."""
    rows: list[tuple[str, float | int, int, int]] = []
    number = 0
    for run in range(1, runs + 1):
        one_run: list[tuple[object, ...]] = []
        for level in levels:
            for replicate in range(1, replicates + 1):
                number += 1
                one_run.append((f"{letter}-{number:03d}", level_cell(level), run, replicate))
        rows += shuffled(one_run, seed, f"{group} {run}")  # type: ignore[arg-type]
    return rows


def _network(design: Design, levels: Sequence[float], seed: int) -> Prepared:
    head = ("reading", "order", "laboratory", "level", f"result [{design.unit}]", "time", "instrument", "note")
    rows: list[tuple[object, ...]] = []
    number = 0
    for laboratory in design.laboratories:
        one: list[tuple[object, ...]] = []
        for level in levels:
            for _ in range(2):
                number += 1
                one.append((f"N-{number:03d}", laboratory, level_cell(level)))
        for order, row in enumerate(shuffled(one, seed, f"network {laboratory}"), start=1):
            rows.append((row[0], order, *row[1:], "", "", "", ""))
    return Prepared("reproducibility", "network", head, tuple(rows))


def _blanks(design: Design, seed: int) -> Prepared:
    head = ("reading", "order", "material", "matrix", "level", f"result [{design.unit}]", "time", "instrument", "note")
    low = level_cell(design.range[0])
    kinds = [("blank", 0)] * BLANKS + ([("spiked blank", low)] * BLANKS if design.range[0] > 0 else [])
    rows = [(f"B-{number:03d}", material, "new oil", level) for number, (material, level) in enumerate(kinds, start=1)]
    placed = tuple(
        (row[0], order, *row[1:], "", "", "", "") for order, row in enumerate(shuffled(rows, seed, "blanks"), start=1)
    )
    return Prepared("detection", "blanks", head, placed)


def _reference(design: Design, seed: int) -> Prepared:
    head = ("reading", "order", "sample", "method", "replicate", f"result [{design.unit}]", "time", "note")
    rows: list[tuple[object, ...]] = []
    number = 0
    for method in ("candidate", "reference"):
        one: list[tuple[object, ...]] = []
        for sample in range(1, SAMPLES + 1):
            for replicate in (1, 2):
                number += 1
                one.append((f"G-{number:03d}", f"S{sample:02d}", method, replicate))
        for order, row in enumerate(shuffled(one, seed, f"reference {method}"), start=1):
            rows.append((row[0], order, *row[1:], "", "", ""))
    return Prepared("comparison", "reference", head, tuple(rows))


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


def _quoted(text: str) -> str:
    """Text as YAML takes it whatever it holds: a JSON string is a YAML string."""
    return json.dumps(text, ensure_ascii=False)


def _numbers(values: Iterable[float]) -> str:
    return "[" + ", ".join(repr(float(value)) for value in values) + "]"


def plan_text(folder: Path, design: Design, seed: int, worksheets: dict[str, str]) -> str:
    """The commented plan."""
    routine = f", routine_level: {design.routine_level!r}" if design.routine_level is not None else ""
    fixed = f", order_seed: {seed}"
    settings = {"calibration": routine, "detection": ", matrix: new oil", **settings_of(design)}
    lines = [
        "# The plan of one validation study. Requirements are set here, before the data, and then frozen:",
        "#   validation check .     says what this plan means, and what is wrong with it",
        '#   validation freeze . --by "your name"',
        "# Lines that begin with # are comments. Text with a comma, a colon or a % goes in quotes.",
        "#",
        *(f"# Caution: {text}" for text in CAUTIONS),
        "format: 1",
        "study:",
        f"  id: {_quoted(design.id or folder.resolve().name)}",
        f"  title: {_quoted(design.title)}",
        f"  laboratory: {_quoted(design.laboratory)}",
        f"  measurand: {_quoted(design.measurand or design.title)}",
        f"  unit: {_quoted(design.unit)}",
        f"  range: {_numbers(design.range)}",
        _optional("grade", _quoted(design.grades[0]) if design.grades else "", '"oil grade of this study"'),
        _optional("fuel", _quoted(design.fuels[0]) if design.fuels else "", '"fuel blend of this study"'),
        _optional("procedure", _quoted(design.procedure) if design.procedure else "", '"SOP number and version"'),
        _optional("customer_limits", _numbers(design.customer_limits) if design.customer_limits else "", "[2.0, 4.0]"),
        '  # intended_use: "what the results decide"',
        '  # trigger: "new method, new oil grade, new lot, ..."',
        '  # time_zone: "Europe/Berlin"   # zone of times without one in the worksheets',
        "confidence: 0.95",
        "",
        f"# Measuring orders are random within each run; the seed is {seed}. Keep to the column `order` at the bench.",
        "experiments:",
        *(f"  {name}: {{worksheet: {file}{settings.get(name, '')}{fixed}}}" for name, file in worksheets.items()),
        "",
        *_requirement_lines(design),
        "",
        *_people_lines(design),
        *_facts_lines(design),
        "",
        "# What this study does not evaluate, and why; without a reason the conclusion cannot be `fit`.",
        "not_evaluated:",
        *(f'  # {name}: "reason"  # {title}' for name, title in FURTHER.items() if name not in worksheets),
    ]
    return "\n".join(lines) + "\n"


def _optional(key: str, value: str, example: str) -> str:
    return f"  {key}: {value}" if value else f"  # {key}: {example}"


def _requirement_lines(design: Design) -> list[str]:
    """The usual requirements, each behind a # so that nobody adopts a limit without a thought."""
    limits = sorted(design.customer_limits)
    floor_ = _two_digits((limits[0] if limits else design.range[1] / 5) * 0.05)
    bias = f'"max({floor_:g}, 5%)"'
    # A quarter of the customer's gap for the expanded uncertainty, half of its variance for precision.
    sd = f"{_two_digits((limits[-1] - limits[0]) / 8 * 0.5**0.5):g}" if len(limits) > 1 else '"4%"'
    origin = 'origin: "say where the limit comes from"'
    entries = [
        f"quantity: trueness.bias, rule: equivalence, limit: {bias}",
        f"quantity: intermediate_precision.s_I, rule: point, limit: {sd}",
        f"quantity: accuracy.tolerance_low, rule: inside, limit: {bias.replace('5%', '15%')}",
        f"quantity: calibration.departure, rule: equivalence, limit: {bias}",
        f"quantity: calibration.single_point_bias, rule: equivalence, limit: {bias}",
        f'quantity: detection.detection_limit, at: "ISO 11843-2", rule: point, limit: {design.range[0]:g}',
        *(
            f"quantity: comparison.difference_at, at: {level:g}, rule: equivalence, limit: {_two_digits(level * 0.1):g}"
            for level in limits
        ),
        *further_requirements(design),
    ]
    return [
        "# The usual requirements. Take the # away from those that hold, and put your own limits: the numbers here are",
        '# examples. A limit is a number, a share of the level ("5%"), or max(...), min(...), sum(...) of those.',
        "# A limit with a comma stands in quotes. Without `at` every level inside the range is judged.",
        "requirements:",
        *(f"#  - {{id: R{number}, {entry}, {origin}}}" for number, entry in enumerate(entries, start=1)),
    ]


def _people_lines(design: Design) -> list[str]:
    if not design.people:
        return ['# people:\n#   - {name: "...", role: "analyst"}']
    return ["people:", *(f"  - {{name: {_quoted(name)}}}" for name in design.people)]


#: The questions that a budget answers, each with the kind of answer it usually gets.
_ANSWERS = {
    "sampling": 'not_applicable: "the result speaks of the bottle as received"',
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
        lambda found: found[1].ljust(len(found[0])),
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
        "#   components:",
        *(f"#     - {{name: {name}, {answer}}}" for name, answer in _ANSWERS.items()),
        "# decision:   # the rule agreed with the customer; docs/decision.md",
        '#   {rule: guarded, risk: 0.05, agreed_with: "...", agreed_on: 2026-01-31}',
    ]
