"""The report of a self-test: the same blocks as a dossier, as HTML, PDF and JSON."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from math import floor
from pathlib import Path
from typing import Any

from validation.dossier.blocks import Block, Cover, Document, Fields, Heading, Items, Paragraph, Table
from validation.dossier.html import render_html
from validation.dossier.pdf import render_pdf
from validation.faults import Refusal
from validation.files import write_files
from validation.selftest import published
from validation.selftest.checks import Check, Digits
from validation.selftest.collect import FORMAT, KIND, SelfTest, collect
from validation.words import MINUS, counted, fixed, sentence_list, significant

RECORD, PAGE, PRINT = "selftest.json", "selftest.html", "selftest.pdf"
STUDY_PLACE = Path("records") / "selftest"

_AREAS = {
    "calibration": "Calibration",
    "precision": "Precision within and between runs and laboratories",
    "tolerance": "Tolerance limits",
    "detection": "Detection limits",
    "comparison": "Comparison of two methods",
    "tables": "Tables of critical values",
    "ratios": "Ratios of slopes and of means",
    "ruggedness": "Screening designs and their effects",
    "recovery": "Recovery",
    "stability": "Stability and expiry",
    "uncertainty": "Measurement uncertainty, decision",
}
_CERTIFIED, _DIGITS = "certified values", "correct digits"

#: Statistics for which no worked example with printed results is known to us.
WITHOUT_EXAMPLE = (
    "the weighted tests of linearity (their reference distribution is simulated), departures and one-point bias",
    "the intervals of the components between runs and laboratories and of their sums",
    "the components where runs or laboratories hold unequal numbers of readings and a likelihood must be searched",
    "expectation tolerance limits of several readings a run (with one reading a run there is an example)",
    "limits of detection from a calibration line",
    "the line by medians of slopes, and the jackknife intervals of the line with errors in both methods",
)


@dataclass(frozen=True, slots=True)
class Written:
    """A self-test and the place of its report."""

    result: SelfTest
    folder: Path
    study_copy: Path | None

    def to_dict(self) -> dict[str, Any]:
        """The answer for a program to read."""
        return {
            "ok": self.result.ok,
            "checks": self.result.count,
            "failed": self.result.failures,
            "not_compared": len(self.result.left),
            "sha256": self.result.sha256,
            "folder": str(self.folder),
            "study_copy": None if self.study_copy is None else str(self.study_copy),
        }


def run_selftest(
    out: Path,
    *,
    now: Callable[[], datetime],
    study: Path | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Written:
    """Run the self-test and write its report.

    Parameters
    ----------
    out : folder of the report; made if need be
    now : the clock, handed in; its times are in selftest.json, outside of what is hashed
    study : a study folder whose records/ receive a copy, so that its next dossier cites it
    progress : called with one line a step

    Raises
    ------
    Refusal
        A file of the report's name is there that is no self-test report, or `study` holds no plan.yaml.
    """
    folders = [out] if study is None else [out, study / STUDY_PLACE]
    if study is not None and not (study / "plan.yaml").is_file():
        raise Refusal(f"{study} holds no plan.yaml; name the folder of a study, or leave --study out.")
    for folder in folders:
        _refuse_foreign(folder)
    started = now()
    result = collect(progress=progress)
    progress("writing the report")
    document = build_report(result)
    page, printed = render_html(document).encode("utf-8"), render_pdf(document)
    made = {"started": started.isoformat(), "ended": now().isoformat()}
    files = {PAGE: page, PRINT: printed, RECORD: _record(result, made=made)}  # the record comes last
    for folder in folders:
        write_files(folder, files)
    return Written(result, out, None if study is None else study / STUDY_PLACE)


def files_of(result: SelfTest) -> dict[str, bytes]:
    """Page and record for a dossier, by name, the record last; without the time, so that the same gives the same."""
    return {PAGE: render_html(build_report(result)).encode("utf-8"), RECORD: _record(result)}


def _record(result: SelfTest, **further: object) -> bytes:
    record = {"format": FORMAT, "sha256": result.sha256, "content": result.content(), **further}
    return (json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")


def _refuse_foreign(folder: Path) -> None:
    """Only an earlier report of the self-test itself may be replaced."""
    if folder.exists() and not folder.is_dir():
        raise Refusal(f"{folder} is not a folder; name a folder for the report.")
    there = [name for name in (RECORD, PAGE, PRINT) if (folder / name).exists() or (folder / name).is_symlink()]
    if there and not _own(folder / RECORD):
        raise Refusal(
            f"{folder} holds {sentence_list(there)} that this program did not write as a self-test report; "
            "nothing was written. Choose another folder with --out."
        )


def _own(path: Path) -> bool:
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        return record["content"]["kind"] == KIND
    except (OSError, ValueError, KeyError, TypeError):
        return False


# The document ----------------------------------------------------------------------------------------------------


def build_report(result: SelfTest) -> Document:
    """Lay out the report; the same self-test gives the same document."""
    parts = (_summary, _published, _certified, _digits, _coverage, _left, _limits, _software)
    return Document(
        cover=_cover(result),
        blocks=tuple(block for part in parts for block in part(result)),
        issue=str(result.software["versions"]["validation"]),
        issue_word="version",
        short_hash=result.sha256[:12],
        timestamp=0,  # the time of the run is only in selftest.json, so this stays the same
    )


def _cover(result: SelfTest) -> Cover:
    failed = len(result.failures)
    passed = f"all {result.count} checks passed" if result.ok else f"{failed} of {result.count} checks failed"
    versions, software = result.software["versions"], result.software
    text = (
        "This program computed published worked examples and certified values again, on this machine and with these "
        "versions, and compared each result with the printed one."
    )
    if not result.ok:
        text += " Do not rely on a dossier made with this installation until the cause is found."
    warnings = [f"Failed: {line}" for line in result.failures[:6]]
    if failed > 6:
        warnings.append(f"{counted(failed - 6, 'further check')} failed; all are listed under Result.")
    warnings += [other.absent for other in result.witnesses if other.absent]
    return Cover(
        title="Self-test of the calculations",
        study_id="validation",
        laboratory=f"Self-test on {result.machine['platform']}",
        conclusion=passed,
        conclusion_text=text,
        fields=(
            ("Program", f"validation {versions['validation']}"),
            ("Program files, SHA-256", software["program_sha256"]),
            ("Published examples, SHA-256", software["reference_sha256"]),
            ("Platform", result.machine["platform"]),
            ("Processor", result.machine["processor"]),
            ("Python", result.machine["python"]),
            ("numpy, scipy", f"{versions['numpy']}, {versions['scipy']}"),
            ("Linear algebra", result.machine["linear_algebra"]),
            ("This report, SHA-256", result.sha256),
            ("Time", f"is in {RECORD}; this page stays the same on the same machine and versions"),
        ),
        warnings=tuple(warnings),
        signatures=(("Made", ""), ("Reviewed", "")),
        kind="Software self-test",
        conclusion_name="Result",
    )


def _summary(result: SelfTest) -> list[Block]:
    blocks: list[Block] = [Heading("Result", 1, "result")]
    rows = []
    for area in (*_AREAS, *sorted({c.area for c in result.checks} - {*_AREAS, _CERTIFIED, _DIGITS})):
        rows.append(_summary_row(_AREAS.get(area, area), result, area))
    rows.append(_summary_row("Certified values", result, _CERTIFIED))
    rows.append(_summary_row("Correct digits against other libraries", result, _DIGITS))
    if result.coverage is not None:
        held = sum(row.ok for row in result.coverage)
        count = len(result.coverage)
        rows.append(("Coverage, simulated", str(count), str(held), str(count - held), "0"))
    total = len(result.failures)
    rows.append(("All", str(result.count), str(result.count - total), str(total), str(len(result.left))))
    blocks.append(
        Table(
            "Checks",
            ("Part", "Checks", "Passed", "Failed", "Printed values not compared"),
            tuple(rows),
            align="lrrrr",
            widths=(3, 1, 1, 1, 1.4),
        )
    )
    memory = sum(check.address == "from memory" for check in result.checks)
    blocks.append(
        Paragraph(
            "A check passes where computed and printed value differ by no more than half a unit of the last printed "
            "digit; where another tolerance applies, it is stated with the reason. "
            f"{memory} of the {len(result.checks)} checks use values recalled from memory; each says so. A recalled "
            "value that is reproduced to the last digit supports both the recollection and the program."
        )
    )
    if result.failures:
        blocks += [Heading("Failed checks", 2, "failed"), Items(tuple(result.failures))]
    return blocks


def _summary_row(title: str, result: SelfTest, area: str) -> tuple[str, ...]:
    own = [check for check in result.checks if check.area == area]
    held, aside = sum(check.ok for check in own), sum(item.area == area for item in result.left)
    return title, str(len(own)), str(held), str(len(own) - held), str(aside)


def _published(result: SelfTest) -> Iterator[Block]:
    yield Heading("Published worked examples", 1, "published")
    own = [check for check in result.checks if check.area not in (_CERTIFIED, _DIGITS)]
    for area in dict.fromkeys([*_AREAS, *(check.area for check in own)]):
        cases = groupby([check for check in own if check.area == area], key=lambda check: check.case)
        groups = [(case, list(checks)) for case, checks in cases]
        if groups:
            yield Heading(_AREAS.get(area, area), 2, f"published-{_slug(area)}")
        for case, checks in groups:
            yield from _example(result.sources[case], case, checks)


def _example(source: Mapping[str, str], case: str, checks: Sequence[Check]) -> Iterator[Block]:
    yield Heading(source["title"], 3, f"example-{_slug(case)}")
    yield Paragraph(_source_sentence(source), style="small", margin=f"{case}.yaml")
    for route in dict.fromkeys(check.route for check in checks):
        plain = [check for check in checks if check.route == route and not check.reference]
        other = [check for check in checks if check.route == route and check.reference]
        caption = f"By {route}" if route else "The calculation stopped"
        if plain:
            yield Table(
                caption,
                ("Quantity", "Printed", "Computed", "Difference", "Tolerance", "Outcome"),
                tuple((c.statistic, minus(c.printed), *_numbers(c)) for c in plain),
                align="ldddrl",
                long=True,
                literal=True,
                widths=(2.2, 1.5, 1.6, 1.2, 1.2, 1.1),
            )
        if other:
            yield Table(
                f"{caption}, compared with something other than the printed value",
                ("Quantity", "Printed", "Compared with", "Computed", "Difference", "Tolerance", "Outcome"),
                tuple((c.statistic, minus(c.printed), minus(_shown(c.reference)), *_numbers(c)) for c in other),
                align="llddrrl",
                long=True,
                literal=True,
                widths=(2.2, 1.2, 1.6, 1.6, 1.1, 1.1, 1),
            )
    notes = dict.fromkeys(check.note for check in checks if check.note)
    lines = [f"{sentence_list(_statistics(checks, note))}: {note}" for note in notes]
    if lines:
        yield Items(tuple(lines))


def _statistics(checks: Sequence[Check], note: str) -> list[str]:
    statistics = list(dict.fromkeys(check.statistic for check in checks if check.note == note))
    return statistics if len(statistics) <= 6 else [*statistics[:5], f"{len(statistics) - 5} more"]


def _source_sentence(source: Mapping[str, str]) -> str:
    where = ". ".join(part for part in (source["document"], source["clause"]) if part)
    if source["status"] == "from-memory":
        return f"{where}. From memory: {source['recalled']}. Read: {source['read']}."
    return f"{where}. Read: {source['read']}, at {source['address']}. From memory: {source['recalled']}."


def _numbers(check: Check) -> tuple[str, str, str, str]:
    outcome = "agrees" if check.ok else "does not agree"
    if check.computed is None or check.difference is None:
        return "no value", "", _small(check.tolerance), outcome
    places = max(0, -_exponent(_shown(check.held_to))) + (0 if check.reference else 3)
    return fixed(check.computed, min(places, 18)), _small(check.difference), _small(check.tolerance), outcome


def _small(value: float) -> str:
    """Two digits; powers of ten in the narrow notation of certified values."""
    return significant(value, 2) if value == 0 or abs(value) >= 1e-4 else minus(f"{value:.1E}")


def _shown(reference: str) -> str:
    """A reference as a page shows it: ten digits of one that was recomputed with more."""
    return reference if len(reference.strip("-0.").replace(".", "")) <= 13 else f"{float(reference):.10g}".upper()


def _exponent(printed: str) -> int:
    mantissa, _, power = printed.upper().partition("E")
    return int(power or 0) - len(mantissa.partition(".")[2])


def minus(printed: str) -> str:
    """A printed number with a true minus sign."""
    return printed.replace("-", MINUS)


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def _certified(result: SelfTest) -> list[Block]:
    own = [check for check in result.checks if check.area == _CERTIFIED]
    rows = []
    for case, checks in groupby(own, key=lambda check: check.case):
        for number, check in enumerate(checks):
            computed = "no value" if check.difference is None else minus(f"{check.computed:.15E}")
            digits = next(row for row in result.digits if (row.case, row.statistic) == (case, check.statistic))
            rows.append(
                (
                    _set_name(case) if number == 0 else "",
                    check.statistic,
                    minus(check.printed),
                    computed,
                    _cut(digits.ours),
                    "agrees" if check.ok else "does not agree",
                )
            )
    text = (
        "NIST Statistical Reference Datasets: eleven one-way analyses of variance and four regressions, with values "
        "certified to fifteen digits. Of a one-way table thirteen digits are asked for, of a fit ten; the column "
        "Digits counts how many are right, fourteen at most. NoInt2 is recalled from memory; all else was read."
    )
    stopped = tuple(f"{check.name}: {check.note}" for check in own if check.computed is None)
    blocks: list[Block] = [
        Heading("Certified values", 1, "certified"),
        Paragraph(text, margin="itl.nist.gov/div898/strd"),
        Table(
            "Certified and computed values",
            ("Set", "Quantity", "Certified", "Computed", "Digits", "Outcome"),
            tuple(rows),
            align="lllldl",
            long=True,
            literal=True,
            widths=(0.9, 1.3, 2.3, 2.3, 0.7, 1),
        ),
    ]
    return [*blocks, Items(stopped)] if stopped else blocks


def _set_name(case: str) -> str:
    name = case.removeprefix("cal-nist-")
    return f"NoInt{name[-1]}" if name.startswith("noint") else name if name != name.lower() else name.capitalize()


def _digits(result: SelfTest) -> list[Block]:
    present = [other for other in result.witnesses if not other.absent]
    names = [other.name for other in present]
    held = {(c.case, c.statistic.removeprefix("correct digits of ")): c for c in result.checks if c.area == _DIGITS}
    rows = []
    for case, group in groupby(result.digits, key=lambda row: row.case):
        for number, row in enumerate(group):
            rows.append((_set_name(case) if number == 0 else "", *_digits_row(row, names, held)))
    text = (
        "The log relative error, \u2212log10(|computed \u2212 certified| / |certified|), counts the correct digits; it "
        "is capped at the digits certified and at fourteen. This program is given the readings as the decimals that "
        "are written, as it is in a study; the others are given doubles, which is all they take. Of two ways of "
        "solving that a library offers, the better one counts. This program may have no fewer digits than the best of "
        "the others, to a tenth of a digit."
    )
    blocks: list[Block] = [Heading("Correct digits against other libraries", 1, "digits"), Paragraph(text)]
    versions = [other.absent for other in result.witnesses if other.absent]
    versions += [
        f"{other.version if other.name in other.version else f'{other.name} {other.version}'}." for other in present
    ]
    blocks.append(Items(tuple(versions)))
    blocks.append(
        Table(
            "Log relative error",
            ("Set", "Quantity", "This program", *names, "Outcome"),
            tuple(rows),
            align="ll" + "d" * (1 + len(names)) + "l",
            long=True,
            literal=True,
            widths=(0.9, 1.3, 1.1, *[1] * len(names), 1.6),
        )
    )
    return blocks


def _digits_row(row: Digits, names: Sequence[str], held: Mapping[tuple[str, str], Check]) -> tuple[str, ...]:
    others = dict(row.others)
    cells = [_cut(others[name]) if name in others else "" for name in names]
    check = held.get((row.case, row.statistic))
    outcome = "no other value" if check is None else "not below the best" if check.ok else "BELOW THE BEST"
    return row.statistic, _cut(row.ours), *cells, outcome


def _cut(digits: float) -> str:
    """Cut, not rounded: 12.99 are twelve whole digits."""
    return fixed(floor(10 * digits) / 10, 1)


def _coverage(result: SelfTest) -> list[Block]:
    blocks: list[Block] = [Heading("Coverage, simulated", 1, "coverage")]
    if result.coverage is None:
        text = "This version has no extract of simulated coverage studies; nothing is claimed from them here."
        return [*blocks, Paragraph(text)]
    rows = tuple(
        (
            row.statistic.replace("single_point", "single point").replace("residual_sd", "residual sd"),
            row.simulated,
            f"{row.nominal:g}",
            fixed(row.attained, 4),
            fixed(row.standard_error, 4),
            str(row.draws),
            f"{row.lowest:g} to {row.highest:g}",
            "holds" if row.ok else "does not hold",
        )
        for row in result.coverage
    )
    head = ("Statistic", "Design", "Nominal", "Attained", "Its standard error", "Studies", "Allowed", "Outcome")
    text = (
        "Studies simulated with a stated truth and a fixed seed: "
        "how often an interval contains the true value, or a test gives the wrong answer."
    )
    table = Table(
        "Attained rates",
        head,
        rows,
        align="lldddrll",
        long=True,
        widths=(2, 3, 0.8, 0.9, 0.9, 0.8, 1.4, 1),
    )
    notes = tuple(dict.fromkeys(row.note for row in result.coverage if row.note))
    return [*blocks, Paragraph(text), table, *([Items(notes)] if notes else [])]


def _left(result: SelfTest) -> list[Block]:
    rows = []
    for case, group in groupby(result.left, key=lambda item: item.case):
        for number, item in enumerate(group):
            rows.append((case if number == 0 else "", item.statistic, minus(item.printed), item.reason))
    files = tuple(f"{name}: {reason}." for name, reason in published.OTHER_FILES.items())
    return [
        Heading("Printed values not compared", 1, "left"),
        Paragraph("Each printed value of the examples that was not compared, with the reason."),
        Table(
            "Not compared",
            ("Example", "Quantity", "Printed", "Reason"),
            tuple(rows),
            align="lldl",
            long=True,
            literal=True,
            widths=(1.5, 1.6, 1.3, 3.6),
        ),
        Paragraph("Files of the folder that are not worked examples:"),
        Items(files),
    ]


def _limits(result: SelfTest) -> list[Block]:
    return [
        Heading("What this does not show", 1, "limits"),
        Items(
            (
                "It tests the statistics. How worksheets are read, limits judged and pages made is tested by the "
                "test suite of the program; “validation verify” recomputes one dossier from its inputs.",
                "It says nothing about a measurement: whether a procedure is fit is for a validation study to show.",
                "It applies to the program files and versions whose hashes and numbers are listed here, on this "
                "machine. "
                "Another version, or one changed constant, is another program and needs its own self-test.",
                "A hash shows that nothing was changed since; it does not show who made the report, or when.",
            )
        ),
        Paragraph("No worked example with printed results is known to us for:"),
        Items(tuple(f"{item[0].upper()}{item[1:]}." for item in WITHOUT_EXAMPLE)),
        Paragraph(
            "The test suite compares these with independent routes (general-purpose libraries, exact arithmetic, "
            "search by brute force) and to simulation."
        ),
    ]


def _software(result: SelfTest) -> list[Block]:
    software = result.software
    return [
        Heading("Software and machine", 1, "software"),
        Fields(tuple((name.replace("_", " ").capitalize(), value) for name, value in result.machine.items())),
        Fields(tuple(software["versions"].items())),
        Fields(
            (
                ("Program files, SHA-256", software["program_sha256"]),
                ("Published examples, SHA-256", software["reference_sha256"]),
                *((f"{name} (witness)", value) for name, value in software["witnesses"].items()),
            )
        ),
        Paragraph(
            "“validation selftest” repeats all of this. On the same machine and versions it gives the same content, "
            f"and so the same SHA-256: that of the member “content” of {RECORD}, written as JSON with sorted keys, "
            "without white space, in UTF-8."
        ),
    ]
