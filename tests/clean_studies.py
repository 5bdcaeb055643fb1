"""Clean simulated studies: the demonstration with every planted feature taken out, drawn anew for each seed.

`python tests/clean_studies.py` asks what the program says of them without cause, and writes the answer below the table
of docs/planted_faults.md: questions on the raw data, warnings and silent changes of 200, contradictions of 100.
"""

from __future__ import annotations

import copy
import importlib.util
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import yaml

from validation import resources
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.questions import questions
from validation.study.history.readings import record_readings
from validation.study.load import load_study

STUDIES, JUDGED, SEED = 200, 100, 73_000
PAGE = Path(__file__).resolve().parents[1] / "docs" / "planted_faults.md"
MARKS = ("<!-- false alarms: begin (written by tests/clean_studies.py) -->", "<!-- false alarms: end -->")
#: A day after every reading.
LATER = datetime(2026, 6, 1, tzinfo=UTC)
#: The balance was calibrated in time, in the plan and in the lot records.
CERTIFICATE = ("2026-03-31", "2026-12-31")
#: What the plan of the demonstration states otherwise than its truth, its lot records or its worksheets have it.
_WITHIN = "part_of: within-laboratory reproducibility, origin"
STATEMENTS = {
    CERTIFICATE[0]: CERTIFICATE[1],
    "uncertainty: 0.03,": "uncertainty: 0.0256,",
    '{name: standard, size: "0.6%"': '{name: standard, size: "0.511%"',
    '{name: fuel, size: "3%", origin': "{name: fuel, negligible",
    '{name: oil, size: "2%", origin': "{name: oil, negligible",
    f'{{name: temperature, size: "1.0%", {_WITHIN}': "{name: temperature, negligible",
    f'{{name: standard reading, size: "1.39%", {_WITHIN}': f'{{name: day, size: "sum(0.02, 1.2%)", {_WITHIN}',
    "matrix: used oil": "matrix: new oil",
}
#: Limits with room for what this design can show, so that "not shown" is seldom the reason of a contradiction.
ROOM = {
    'limit: "sum(0.3, 6%)"': 'limit: "sum(0.4, 15%)"',
    'limit: "max(0.15, 5%)"': 'limit: "max(0.25, 7%)"',
    "limit: 0.03\n": "limit: 0.08\n",
    "limit: 0.05\n": "limit: 0.10\n",
    "limit: 0.025\n": "limit: 0.06\n",
    'allowed_change: "2.5%"': 'allowed_change: "6%"',
}


@cache
def generator() -> ModuleType:
    """demo_data/generate.py, which finds its modules beside it."""
    place = resources.folder("demo_data")
    sys.path.insert(0, str(place))
    found = importlib.util.spec_from_file_location("demo_generate", place / "generate.py")
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


def clean_truth(seed: int) -> dict[str, Any]:
    """truth.yaml without what was planted in it: no bend, no slip, no outlier, no site, grade, fuel or lot apart."""
    path = resources.folder("demo_data") / "truth.yaml"
    truth: dict[str, Any] = copy.deepcopy(yaml.safe_load(path.read_text(encoding="utf-8")))
    designs = truth["designs"]
    truth["seed"]["sheets"] = {name: 100 * seed + k for k, name in enumerate(truth["seed"]["sheets"], 1)}
    truth["planted"] = {}
    truth["response"].update(bend=0.0, background=0.0)
    truth["reference_method"]["candidate_proportional"] = 0.0
    truth["sites"]["Oskerby"] = 0.4
    truth["reference_method"]["weathered"] = {"samples": [], "further": 0.0}
    for run in designs["carry_over"]["runs"]:
        run["carried_over"] = 0.0
    for factor in designs["ruggedness"]["factors"].values():
        factor["effect"] = 0.0
    designs["stability"]["loss_a_week"] = dict.fromkeys(designs["stability"]["loss_a_week"], 0.0)
    designs["stability"]["ages"] = [0, 12, 24, 36, 48, 60]
    designs["history"]["grade"] = "OG-N"
    designs["lots"]["lots"] = dict.fromkeys(designs["lots"]["lots"], 1.0)
    designs["fuel"]["fuels"] = dict.fromkeys(designs["fuel"]["fuels"], 1.0)
    for grade in designs["matrix"]["grades"].values():
        grade.update(factor=1.0, blank=0.03)
    return truth


def clean_plan() -> str:
    """The plan of the demonstration without its export and its slips, its statements as the truth has them."""
    plan = (resources.folder("demo_data") / "plans" / "new-grade.yaml").read_text(encoding="utf-8")
    plan = plan[: plan.index("exports:\n")] + plan[plan.index("requirements:\n") :]
    for before, after in (STATEMENTS | ROOM).items():
        assert before in plan, before
        plan = plan.replace(before, after)
    return plan


def clean_files(seed: int, plan: str | None = None) -> dict[str, bytes]:
    """Every file of a clean study by name; `plan` in the place of that of the demonstration."""
    made, truth = generator(), clean_truth(seed)
    raw = (plan or clean_plan()).encode("utf-8")
    sheets = made.measured(truth, seed)
    for row in sheets["precision"]:
        row["u_level"] = f"{0.002 * float(row['assigned']):.4f}"
    for row in sheets["comparison"]:
        row["u"] = f"{0.02 + 0.012 * float(row['result']):.3f}"
    history, lock = made.frozen([(raw, "2026-03-02T09:15:00+01:00", None)])
    records = {name: text.replace(*map(str.encode, CERTIFICATE)) for name, text in made.lot_records(*LOTS).items()}
    return {"plan.yaml": raw, "plan.lock": lock, **history, **made.worksheets(sheets), **records}


LOTS = ("S-01", "S-02", "S-03")


def write_files(folder: Path, files: Mapping[str, bytes]) -> Path:
    for name, raw in files.items():
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(raw)
    return folder


def of_the_raw_data(folder: Path) -> dict[str, set[str]]:
    """What one study raises before anything is computed: rules that ask, warnings, changes without an amendment."""
    record_readings(load_study(folder, now=LATER))
    study = load_study(folder, now=LATER)
    return {
        "questions on the raw data": {question.rule for question in questions(study)},
        "warnings": set(study.warnings),
        "changes without an amendment": set(study.silent_changes),
    }


def of_the_judged(folder: Path) -> dict[str, set[str]]:
    """The rules of the contradictions of one study."""
    study = load_study(folder, now=LATER)
    return {"contradictions": {item.rule for item in judge_study(study, evaluate(study)).contradictions}}


def row(subject: str, raised: Sequence[set[str]]) -> str:
    """How many studies raise anything, and how many of them what."""
    counts = Counter(rule for one in raised for rule in one)
    which = ", ".join(f"{rule} {count}" for rule, count in counts.most_common()) or "-"
    return f"| {subject} | {len(raised)} | {sum(map(bool, raised))} | {which} |"


def table(place: Path, studies: int, judged: int) -> str:
    """What clean studies raise, as rows of the page."""
    raised: dict[str, list[set[str]]] = {}
    for number in range(studies):
        folder = write_files(place / str(number), clean_files(SEED + number))
        asked = of_the_raw_data(folder) | (of_the_judged(folder) if number < judged else {})
        for subject, rules in asked.items():
            raised.setdefault(subject, []).append(rules)
        shutil.rmtree(folder)
    lines = [row(subject, found) for subject, found in raised.items()]
    return "\n".join(("| raised | clean studies | of them with any | which |", "|---|---|---|---|", *lines))


def write_page() -> None:
    start = time.process_time()
    with tempfile.TemporaryDirectory() as place:
        text = table(Path(place), STUDIES, JUDGED)
    used = f"Made in {time.process_time() - start:.0f} s of one processor by `python tests/clean_studies.py`."
    before, rest = PAGE.read_text(encoding="utf-8").split(MARKS[0])
    PAGE.write_text(f"{before}{MARKS[0]}\n{text}\n\n{used}\n{MARKS[1]}{rest.split(MARKS[1])[1]}", encoding="utf-8")


if __name__ == "__main__":
    write_page()
