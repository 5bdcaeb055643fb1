"""Write the two demonstration studies from truth.yaml: `python demo_data/generate.py`, the same bytes each time.

Invented data. The random numbers come from numpy's RandomState, whose stream is frozen for good; the workbook is
stored without compression and without a clock, so that no library version enters its bytes.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import re
import shutil
import sys
from pathlib import Path

import yaml
from files import separated, workbook
from laboratory import Laboratory, Row
from sheets import calibration, comparison, detection, precision, reproducibility

FURTHER = ("matrix", "fuel", "carry_over", "ruggedness", "stability", "lots", "history")
HERE = Path(__file__).resolve().parent
MANAGER = "Q1"

# What the plan amendment adds to the first study: a sentence of the procedure, its settings, and the requirement.
PURGE = "    Purge 60 s instead of 30 s after any result above 5 %.\n"
ADDED_SETTINGS = re.compile(r"    - \{name: (?:result above which the purge|prolonged purge).*\n")
ADDED_REQUIREMENT = re.compile(r"  - id: R15\n(?:    .*\n)+")


def frozen(versions: list[tuple[bytes, str, int | None]]) -> tuple[dict[str, bytes], bytes]:
    """History files and plan.lock for the versions of a plan: (bytes, time, number of the amendment)."""
    digests = [hashlib.sha256(content).hexdigest() for content, _, _ in versions]
    entries = [
        {"sha256": digest, "time": time, "by": MANAGER, "amendment": amendment}
        for digest, (_, time, amendment) in zip(digests, versions, strict=True)
    ]
    history = {f"history/plan-{d[:12]}.yaml": v[0] for d, v in zip(digests, versions, strict=True)}
    return history, (json.dumps({"format": 1, "entries": entries}, indent=2) + "\n").encode()


def roles(*entries: tuple[str, str, str, bytes]) -> bytes:
    """history/roles.csv: time, person, role and the plan that was seen, each entry chained to the one before."""
    link, rows = "", []
    for time, by, role, plan in entries:
        texts = [time, by, role, "plan", hashlib.sha256(plan).hexdigest()]
        link = hashlib.sha256(json.dumps([link, *texts]).encode()).hexdigest()
        rows.append(dict(zip(("time", "by", "role", "on", "sha256", "chain"), [*texts, link], strict=True)))
    return separated(rows).encode()


def export(rows: list[Row], run: str) -> str:
    """What the instrument of one run wrote by itself: the values as they stood on its display."""
    of_run = [row for row in rows if row["run"] == run]
    head = f"# invented export of {of_run[0]['instrument']}, run {run}, {of_run[0]['day']}; mass fraction in %\n"
    return head + separated(of_run, columns=["order", "time", "preparation", "displayed"])


def measured(truth: Row, seed: int) -> dict[str, list[Row]]:
    """The rows of every worksheet of the first study."""
    laboratory, designs, lot = Laboratory(truth, seed), truth["designs"], "S-01"
    return {
        "calibration": calibration.rows(laboratory, designs["calibration"], lot),
        "precision": precision.rows(laboratory, designs["precision"], lot, truth["planted"]),
        "detection": detection.rows(laboratory, designs["detection"], lot),
        "comparison": comparison.rows(laboratory, designs["comparison"], lot),
        "reproducibility": reproducibility.rows(laboratory, designs["reproducibility"], lot),
        **{name: further_sheet(name, truth) for name in FURTHER},
    }


def worksheets(sheets: dict[str, list[Row]]) -> dict[str, bytes]:
    """The files of the worksheets of the first study."""
    written = [head for head in sheets["precision"][0] if head != "displayed"]
    return {
        "worksheets/calibration.csv": separated(sheets["calibration"]).encode(),
        "worksheets/precision.csv": separated(sheets["precision"], columns=written).encode(),
        "worksheets/network.csv": separated(sheets["reproducibility"]).encode(),
        # Saved by a spreadsheet with European settings: byte-order mark, semicolons, decimal commas.
        "worksheets/blanks.csv": separated(sheets["detection"], mark=";", decimal=",").encode("utf-8-sig"),
        "worksheets/reference.xlsx": workbook(sheets["comparison"], "used oils"),
        **{f"worksheets/{name.replace('_', '-')}.csv": separated(sheets[name]).encode() for name in FURTHER},
    }


def new_grade(truth: Row, seed: int) -> dict[str, bytes]:
    """Every file of the first study."""
    sheets = measured(truth, seed)
    slip = truth["planted"]["transcription"]
    wrong = next(row for row in sheets["precision"] if row["result"] == slip["keyed"])
    exported = f"records/export-{slip['run']}.csv"
    for row in sheets["precision"]:
        row["record"] = exported if row["run"] == slip["run"] else ""
    amended = (HERE / "plans" / "new-grade.yaml").read_bytes()
    before = ADDED_SETTINGS.sub("", amended.decode("utf-8").replace(PURGE, ""))
    first = ADDED_REQUIREMENT.sub("", before).encode("utf-8")
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
            "reason": "The triples of 2026-03-17 show that 30 s of purge leave near 0.1 % in the blank after 10 %; "
            "five triples with 60 s are added. R15 holds them to the limit of R14; no other requirement changed.",
        },
        lapsed_balance(3),
    ]
    return {
        "plan.yaml": amended,
        "plan.lock": lock,
        **history,
        "history/roles.csv": roles(
            ("2026-02-26T16:40:00+01:00", "Q1", "prepared", first),
            ("2026-02-27T10:20:00+01:00", "S1", "reviewed", first),
            ("2026-03-02T08:30:00+01:00", "M1", "approved", first),
            ("2026-03-18T08:50:00+01:00", "Q1", "prepared", amended),
            ("2026-03-18T09:35:00+01:00", "S1", "reviewed", amended),
            ("2026-03-18T09:55:00+01:00", "M1", "approved", amended),
        ),
        "amendments.csv": separated(amendments).encode(),
        **worksheets(sheets),
        exported: export(sheets["precision"], slip["run"]).encode(),
        **lot_records("S-01", "S-02", "S-03"),
    }


def further_sheet(name: str, truth: Row) -> list[Row]:
    """A worksheet that has a seed of its own, so that it stays the same whatever else is drawn."""
    laboratory = Laboratory(truth, truth["seed"]["sheets"][name])
    return importlib.import_module(f"sheets.{name}").rows(laboratory, truth["designs"][name])


def lapsed_balance(number: int, file: str = "plan.yaml") -> Row:
    """The impact note on the certificate that lapsed before two lots were weighed."""
    return {
        "number": number,
        "time": "2026-04-17T15:20:00+02:00",
        "by": MANAGER,
        "kind": "impact",
        "file": file,
        "reading": "",
        "column": "BAL-2",
        "old": "2026-03-31",
        "new": "2027-04-16",
        "reason": "The certificate of BAL-2 lapsed on 2026-03-31, while lots S-02 and S-03 were weighed on "
        "2026-04-14 and 2026-04-15. Recalibrated on 2026-04-17, as found within 0.2 mg over the range used, "
        "certificate K-26-0412: the weighings stand.",
    }


def lot_records(*lots: str) -> dict[str, bytes]:
    """The hand-written records of these lots of the standard."""
    return {f"standards/{lot}.yaml": (HERE / "standards" / f"{lot}.yaml").read_bytes() for lot in lots}


def new_lot(truth: Row, seed: int) -> dict[str, bytes]:
    """Every file of the second study."""
    design, lot = truth["new-lot"], "S-02"
    laboratory = Laboratory(truth, seed, design["response_ratio"])
    levels = {key: truth["designs"]["calibration"][key] for key in ("levels", "replicates")}
    calibrated = calibration.rows(laboratory, {**levels, **design["calibration"]}, lot)
    readings = precision.rows(laboratory, design["precision"], lot, {})
    plan = (HERE / "plans" / "new-lot.yaml").read_bytes()
    history, lock = frozen([(plan, "2026-05-04T11:20:00+02:00", None)])
    written = [head for head in readings[0] if head not in ("displayed", "record")]
    return {
        "plan.yaml": plan,
        "plan.lock": lock,
        **history,
        "amendments.csv": separated([lapsed_balance(1, "standards/S-02.yaml")]).encode(),
        "worksheets/calibration.csv": separated(calibrated).encode(),
        "worksheets/precision.csv": separated(readings, columns=written).encode(),
        **lot_records("S-01", "S-02"),
    }


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
