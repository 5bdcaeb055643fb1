"""Write the two demonstration studies from truth.yaml: `python demo_data/generate.py`, the same bytes each time.

Invented data. The random numbers come from numpy's RandomState, whose stream is frozen for good; the workbook is
stored without compression and without a clock, so that no library version enters its bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import sys
import zipfile
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import yaml

HERE = Path(__file__).resolve().parent
MINUTES_A_READING = 4
CONFIRMED = "A1"
MANAGER = "Q1"
Row = dict[str, Any]

# The sentence that the plan amendment adds to the procedure of the first study.
PURGE = "    Purge 60 s instead of 30 s after any result above 5 %.\n"


class Laboratory:
    """The invented laboratory: draws results as its instruments would give them."""

    def __init__(self, truth: Row, seed: int, response_ratio: float = 1.0) -> None:
        self.truth = truth
        self.random = np.random.RandomState(seed)
        # Lot S-02 answers weaker than its weighings say: the standard's response, and so every result, is scaled.
        self.response_ratio = response_ratio

    def normal(self) -> float:
        return float(self.random.standard_normal())

    def sd(self, name: str, x: float) -> float:
        return spread(self.truth[name], x)

    def detected(self, x: float) -> float:
        """Fuel as the sensor answers to it, in %: background, and the bend above 5 %."""
        shape = self.truth["response"]
        return x + shape["background"] - shape["bend"] * max(0.0, x - shape["bend_from"]) ** 2

    def expected(self, x: float) -> float:
        """Mean result of the routine one-point calibration through zero."""
        standard = self.truth["response"]["standard_level"]
        return standard * self.detected(x) / (self.detected(standard) * self.response_ratio)

    def people_and_instrument(self, run: Row, x: float) -> float:
        """Fixed offsets of the named analyst, instrument and site at level x; zero for those not named in the truth."""
        pairs = (("analyst", "analysts"), ("instrument", "instruments"), ("laboratory", "sites"))
        positions = ((role, self.truth[table].get(run.get(role), 0.0)) for role, table in pairs)
        return sum(z * self.sd("s_site" if role == "laboratory" else f"s_{role}", x) for role, z in positions)

    def result(self, x: float, run: Row, day: float) -> float:
        return (
            self.expected(x)
            + day * self.sd("s_day", x)
            + self.people_and_instrument(run, x)
            + self.normal() * self.sd("s_r", x)
        )

    def response(self, x: float, run: Row, day: float) -> float:
        """Frequency shift in Hz. The day and the instrument scale the whole response."""
        gain = self.truth["response"]["gain_hz_per_percent"] * self.response_ratio
        gain *= 1 + day * self.truth["s_day"]["slope"]
        gain *= 1 + self.truth["instruments"].get(run["instrument"], 0.0) * self.truth["s_instrument"]["slope"]
        return gain * (self.detected(x) + self.normal() * self.sd("s_r", x))


def spread(model: Row, x: float) -> float:
    return float(model["constant"] + model["slope"] * x)


def clock(start: str, order: int) -> str:
    return (datetime.fromisoformat(start) + timedelta(minutes=MINUTES_A_READING * (order - 1))).isoformat(
        "T", "minutes"
    )


def number(rows: list[Row], prefix: str) -> list[Row]:
    """Identifiers in the order of measurement."""
    return [{"reading": f"{prefix}-{position:03d}", **row} for position, row in enumerate(rows, 1)]


def shuffled(laboratory: Laboratory, items: list[Any]) -> list[Any]:
    return [items[int(index)] for index in laboratory.random.permutation(len(items))]


def calibration(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    rows = []
    for run in design["runs"]:
        day = laboratory.normal()
        planned = [(x, k) for x in design["levels"] for k in range(1, design["replicates"] + 1)]
        for order, (x, k) in enumerate(shuffled(laboratory, planned), 1):
            rows.append(
                {
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": lot,
                    "preparation": f"K{x:g}-{run['run']}-{k}",
                    "level": f"{x:g}",
                    "response": f"{laboratory.response(x, run, day):.1f}",
                }
            )
    return number(rows, "C")


def precision(laboratory: Laboratory, design: Row, lot: str, planted: Row) -> list[Row]:
    rows = []
    for run in design["runs"]:
        day = laboratory.normal()
        planned = [(x, k) for x in design["levels"] for k in range(1, design["replicates"] + 1)]
        for order, (x, k) in enumerate(shuffled(laboratory, planned), 1):
            drawn = f"{laboratory.result(x, run, day):.2f}"
            event: Row = next((p for p in planted.values() if is_here(p, run["run"], x, k)), {})
            rows.append(
                {
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "day": run["start"][:10],
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": lot,
                    "preparation": f"N{x:g}-{run['run']}-{k}",
                    "level": f"{x:g}",
                    "assigned": f"{x:.3f}",
                    "result": event.get("keyed", event.get("result", drawn)),
                    "record": "",
                    "displayed": event.get("result", drawn),
                }
            )
    return number(rows, "P")


def is_here(planted: Any, run: str, x: float, k: int) -> bool:
    return isinstance(planted, dict) and (planted.get("run"), planted.get("level"), planted.get("replicate")) == (
        run,
        x,
        k,
    )


def detection(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    truth, rows, used_oils = laboratory.truth, [], 0
    for run in design["runs"]:
        day = laboratory.normal()
        kinds = [kind for kind, count in design["each_run"].items() for _ in range(count)]
        for order, kind in enumerate(shuffled(laboratory, kinds), 1):
            level, material, matrix = 0.0, "OG-N batch 11", "new oil"
            if kind == "used_oil":
                used_oils += 1
                own = truth["used_oil_blank"]["mean"] + laboratory.normal() * truth["used_oil_blank"]["s"]
                value = laboratory.result(own - truth["response"]["background"], run, day)
                material, matrix = f"UB-{used_oils:02d}", "used oil"
            elif kind == "empty_vial":
                value = truth["empty_vial"]["mean"] + laboratory.normal() * truth["empty_vial"]["s"]
                material, matrix = "empty vial", "empty vial"
            else:
                if kind == "spike":
                    level, material = design["spike"], f"OG-N batch 11 + {design['spike']:g} % FB-7"
                value = laboratory.result(level, run, day)
            rows.append(
                {
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": lot,
                    "material": material,
                    "matrix": matrix,
                    "level": f"{level:g}",
                    "result": f"{value:.3f}",
                }
            )
    return number(rows, "B")


def comparison(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    method = laboratory.truth["reference_method"]
    samples = {f"U{position:02d}": x for position, x in enumerate(design["samples"], 1)}
    sequence = shuffled(laboratory, list(samples))
    share = len(sequence) // len(design["runs"])
    rows: list[Row] = []
    for position, run in enumerate(design["runs"]):
        day, batch = laboratory.normal(), sequence[position * share : (position + 1) * share]
        seen = {sample: content_seen(laboratory, method, sample, samples[sample]) for sample in batch}
        planned = [(sample, k) for sample in batch for k in range(1, design["replicates"] + 1)]
        for name in ("candidate", "reference"):
            start = run["start"] if name == "candidate" else design["reference_runs"][position]
            for order, (sample, k) in enumerate(shuffled(laboratory, planned), 1):
                if name == "candidate":
                    value, who = laboratory.result(seen[sample], run, day), (run["analyst"], run["instrument"], lot)
                else:
                    x = samples[sample]
                    value, who = x + laboratory.normal() * spread(method["s_r"], x), ("A3", "GC-1", "")
                marked = sample in method["weathered"]["samples"]
                rows.append(
                    {
                        "run": run["run"],
                        "order": order,
                        "time": clock(start, order),
                        "analyst": who[0],
                        "instrument": who[1],
                        "lot": who[2],
                        "sample": sample,
                        "method": name,
                        "replicate": k,
                        "result": f"{value:.2f}",
                        "note": "weathered fuel, see the sampling sheet; kept" if marked else "",
                    }
                )
    return number(rows, "G")


def content_seen(laboratory: Laboratory, method: Row, sample: str, x: float) -> float:
    """What the candidate finds of a used oil's fuel, before its own noise."""
    seen = x * (1 + method["candidate_proportional"]) * (1 + laboratory.normal() * method["sample_scatter"])
    return seen * (1 + method["weathered"]["further"]) if sample in method["weathered"]["samples"] else seen


def reproducibility(laboratory: Laboratory, design: Row, lot: str) -> list[Row]:
    rows = []
    for run in design["runs"]:
        day = laboratory.normal()
        planned = [(x, k) for x in design["levels"] for k in range(1, design["replicates"] + 1)]
        for order, (x, k) in enumerate(shuffled(laboratory, planned), 1):
            rows.append(
                {
                    "laboratory": run["laboratory"],
                    "run": run["run"],
                    "order": order,
                    "time": clock(run["start"], order),
                    "analyst": run["analyst"],
                    "instrument": run["instrument"],
                    "lot": lot,
                    "preparation": f"W{x:g}-{run['run']}-{k}",
                    "level": f"{x:g}",
                    "result [%]": f"{laboratory.result(x, run, day):.2f}",
                }
            )
    return number(rows, "N")


def separated(rows: list[Row], *, columns: list[str] | None = None, mark: str = ",", decimal: str = ".") -> str:
    """Rows as text with one heading line; `mark` parts the cells."""
    heads = columns or list(rows[0])

    def cell(head: str, value: object) -> str:
        text = str(value)
        if decimal != "." and head in ("level", "result"):
            text = text.replace(".", decimal)
        return f'"{text}"' if mark in text else text

    lines = [mark.join(heads), *(mark.join(cell(head, row[head]) for head in heads) for row in rows)]
    return "\n".join(lines) + "\n"


def workbook(rows: list[Row], sheet: str) -> bytes:
    """A minimal workbook: text cells inline, numbers as numbers, times as spreadsheet dates."""
    heads = list(rows[0])
    lines = [[text_cell(name(column, 1), head) for column, head in enumerate(heads)]]
    for line, row in enumerate(rows, 2):
        lines.append([one_cell(name(column, line), head, row[head]) for column, head in enumerate(heads)])
    body = "".join(f'<row r="{line}">{"".join(cells)}</row>' for line, cells in enumerate(lines, 1))
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    kinds = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    xml = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{kinds}.sheet.main+xml"/>'
        f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{kinds}.worksheet+xml"/>'
        f'<Override PartName="/xl/styles.xml" ContentType="{kinds}.styles+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships">'
        f'<Relationship Id="rId1" Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">'
        f'<Relationship Id="rId1" Type="{office}/worksheet" Target="worksheets/sheet1.xml"/>'
        f'<Relationship Id="rId2" Type="{office}/styles" Target="styles.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
        f'<sheet name="{escape(sheet)}" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><cols><col min="1" max="{len(heads)}" width="14" '
        f'customWidth="1"/></cols><sheetData>{body}</sheetData></worksheet>',
        "xl/styles.xml": f'<styleSheet xmlns="{main}"><fonts count="1"><font><sz val="11"/><name val="Calibri"/></font>'
        '</fonts><fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill '
        'patternType="gray125"/></fill></fills><borders count="1"><border><left/><right/><top/><bottom/><diagonal/>'
        '</border></borders><cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/>'
        '</cellStyleXfs><cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
        '<xf numFmtId="22" fontId="0" fillId="0" borderId="0" xfId="0" applyNumberFormat="1"/></cellXfs>'
        '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>',
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for part, content in parts.items():
            info = zipfile.ZipInfo(part, date_time=(1980, 1, 1, 0, 0, 0))
            info.create_system = 3  # the same on every system
            archive.writestr(info, xml + content)
    return buffer.getvalue()


def name(column: int, line: int) -> str:
    return f"{chr(ord('A') + column)}{line}"


def text_cell(place: str, text: str) -> str:
    return f'<c r="{place}" t="inlineStr"><is><t>{escape(text)}</t></is></c>'


def one_cell(place: str, head: str, value: object) -> str:
    if value == "":
        return ""
    if head == "time":
        since = datetime.fromisoformat(str(value)) - datetime(1899, 12, 30)
        return f'<c r="{place}" s="1"><v>{since.total_seconds() / 86400:.10f}</v></c>'
    if head in ("order", "replicate", "result"):
        return f'<c r="{place}"><v>{value}</v></c>'
    return text_cell(place, str(value))


def frozen(versions: list[tuple[bytes, str, int | None]]) -> tuple[dict[str, bytes], bytes]:
    """History files and plan.lock for the versions of a plan: (bytes, time, number of the amendment)."""
    digests = [hashlib.sha256(content).hexdigest() for content, _, _ in versions]
    entries = [
        {"sha256": digest, "time": time, "by": MANAGER, "amendment": amendment}
        for digest, (_, time, amendment) in zip(digests, versions, strict=True)
    ]
    history = {f"history/plan-{d[:12]}.yaml": v[0] for d, v in zip(digests, versions, strict=True)}
    return history, (json.dumps({"format": 1, "entries": entries}, indent=2) + "\n").encode()


def export(rows: list[Row], run: str) -> str:
    """What the instrument of one run wrote by itself: the values as they stood on its display."""
    of_run = [row for row in rows if row["run"] == run]
    head = f"# invented export of {of_run[0]['instrument']}, run {run}, {of_run[0]['day']}; mass fraction in %\n"
    return head + separated(of_run, columns=["order", "time", "preparation", "displayed"])


def new_grade(truth: Row, seed: int) -> dict[str, bytes]:
    """Every file of the first study."""
    laboratory, designs, lot = Laboratory(truth, seed), truth["designs"], "S-01"
    sheets = {
        "calibration": calibration(laboratory, designs["calibration"], lot),
        "precision": precision(laboratory, designs["precision"], lot, truth["planted"]),
        "detection": detection(laboratory, designs["detection"], lot),
        "comparison": comparison(laboratory, designs["comparison"], lot),
        "reproducibility": reproducibility(laboratory, designs["reproducibility"], lot),
    }
    slip = truth["planted"]["transcription"]
    wrong = next(row for row in sheets["precision"] if row["result"] == slip["keyed"])
    exported = f"records/export-{slip['run']}.csv"
    for row in sheets["precision"]:
        row["record"] = exported if row["run"] == slip["run"] else ""
    amended = (HERE / "plans" / "new-grade.yaml").read_bytes()
    first = amended.replace(PURGE.encode(), b"")
    history, lock = frozen([(first, "2026-03-02T09:15:00+01:00", None), (amended, "2026-03-18T10:05:00+01:00", 2)])
    amendments: list[Row] = [
        {
            "number": 1,
            "time": "2026-03-17T08:05:00+01:00",
            "by": "A2",
            "kind": "correction",
            "file": "worksheets/precision.csv",
            "reading": wrong["reading"],
            "column": "result",
            "old": slip["keyed"],
            "new": slip["result"],
            "reason": f"Decimal point keyed one place too far right; {exported} shows {slip['result']} for "
            f"{wrong['preparation']}.",
        },
        {
            "number": 2,
            "time": "2026-03-18T10:05:00+01:00",
            "by": MANAGER,
            "kind": "plan",
            "file": "plan.yaml",
            "reading": "",
            "column": "",
            "old": hashlib.sha256(first).hexdigest(),
            "new": hashlib.sha256(amended).hexdigest(),
            "reason": "Blanks read after 10 % samples came out near 0.1 %; 60 s of purge brings them back. "
            "No requirement changed.",
        },
    ]
    written = [head for head in sheets["precision"][0] if head != "displayed"]
    return {
        "plan.yaml": amended,
        "plan.lock": lock,
        **history,
        "amendments.csv": separated(amendments).encode(),
        "worksheets/calibration.csv": separated(sheets["calibration"]).encode(),
        "worksheets/precision.csv": separated(sheets["precision"], columns=written).encode(),
        "worksheets/network.csv": separated(sheets["reproducibility"]).encode(),
        # Saved by a spreadsheet with European settings: byte-order mark, semicolons, decimal commas.
        "worksheets/blanks.csv": separated(sheets["detection"], mark=";", decimal=",").encode("utf-8-sig"),
        "worksheets/reference.xlsx": workbook(sheets["comparison"], "used oils"),
        exported: export(sheets["precision"], slip["run"]).encode(),
        "records/standard-S-01.txt": standard_record("S-01", "2026-02-26", "opened the same day", "1.0003", "19.0049"),
    }


def new_lot(truth: Row, seed: int) -> dict[str, bytes]:
    """Every file of the second study."""
    design, lot = truth["new-lot"], "S-02"
    laboratory = Laboratory(truth, seed, design["response_ratio"])
    levels = {key: truth["designs"]["calibration"][key] for key in ("levels", "replicates")}
    calibrated = calibration(laboratory, {**levels, **design["calibration"]}, lot)
    readings = precision(laboratory, design["precision"], lot, {})
    plan = (HERE / "plans" / "new-lot.yaml").read_bytes()
    history, lock = frozen([(plan, "2026-05-04T11:20:00+02:00", None)])
    written = [head for head in readings[0] if head not in ("displayed", "record")]
    return {
        "plan.yaml": plan,
        "plan.lock": lock,
        **history,
        "worksheets/calibration.csv": separated(calibrated).encode(),
        "worksheets/precision.csv": separated(readings, columns=written).encode(),
        "records/standard-S-02.txt": standard_record("S-02", "2026-04-29", "open for 40 days", "0.9998", "18.9961"),
    }


def standard_record(lot: str, date: str, can: str, fuel: str, oil: str) -> bytes:
    value = 100 * float(fuel) / (float(fuel) + float(oil))
    return (
        f"Invented record of standards lot {lot}, made {date} by {CONFIRMED}, checked by {MANAGER}.\n"
        f"Fuel FB-7, can {can}: {fuel} g. Oil OG-N, batch 11: {oil} g. Balance BAL-2, u = 0.3 mg a weighing.\n"
        f"Mass fraction from the weighings: {value:.3f} %. Stated value 5.00 %, standard uncertainty 0.03 %\n"
        "(weighing, loss of fuel while weighing and mixing, homogeneity, loss in use).\n"
    ).encode()


STUDIES = {"new-grade": new_grade, "new-lot": new_lot}


def write(target: Path) -> None:
    """Write both studies into `target`, replacing what is there."""
    truth = yaml.safe_load((HERE / "truth.yaml").read_text(encoding="utf-8"))
    for study, files in STUDIES.items():
        shutil.rmtree(target / study, ignore_errors=True)
        for path, content in files(truth, truth["seed"][study]).items():
            place = target / study / path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
