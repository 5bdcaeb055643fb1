"""A small study folder on disk, for tests of reading, amending, freezing and the command line."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from validation.dossier.manifest import MANIFEST, SEAL, hashes, inputs_hash, sha256
from validation.study.history.amendments import Amendment, append, next_number, read_amendments
from validation.study.history.applying import amendment_for
from validation.study.history.plan_lock import plan_amendment, record_plan_change
from validation.study.load import current_states

#: A day after the readings below.
NOW = datetime(2026, 7, 6, 9, tzinfo=UTC)

PLAN = """\
format: 1
study:
  id: VS-1
  title: Fuel dilution
  laboratory: Quillmere Condition Laboratory
  measurand: mass fraction of fuel
  unit: "%"
  range: [0.5, 10.0]
confidence: 0.95
experiments:
{experiments}
requirements:
  - {{id: R1, quantity: trueness.bias, rule: equivalence, limit: "max(0.15, 5%)", origin: "limits 2 % and 4 %"}}
  - {{id: R2, quantity: intermediate_precision.s_I, at: 4.0, rule: point, limit: 0.18, origin: "half the variance"}}
"""

PRECISION = """\
reading,level,run,result,time
P-001,2,1,2.01,2026-07-01T08:00
P-002,2,1,2.07,2026-07-01T08:10
P-003,4,1,4.05,2026-07-01T08:20
P-004,4,1,3.96,2026-07-01T08:30
P-005,2,2,1.98,2026-07-02T08:00
P-006,2,2,2.03,2026-07-02T08:10
P-007,4,2,4.11,2026-07-02T08:20
P-008,4,2,4.02,2026-07-02T08:30
P-009,2,3,2.00,2026-07-03T08:00
P-010,2,3,1.95,2026-07-03T08:10
P-011,4,3,3.91,2026-07-03T08:20
P-012,4,3,4.00,2026-07-03T08:30
"""


def write_study(
    folder: Path, worksheets: Mapping[str, str | bytes] | None = None, *, plan: str = PLAN, suffix: str = ".csv"
) -> Path:
    """Write a study; `worksheets` by experiment, else the precision experiment above."""
    given = {"precision": PRECISION} if worksheets is None else worksheets
    (folder / "worksheets").mkdir(parents=True, exist_ok=True)
    lines = []
    for name, content in given.items():
        lines.append(f"  {name}: {{worksheet: worksheets/{name}{suffix}}}")
        raw = content.encode("utf-8") if isinstance(content, str) else content
        (folder / "worksheets" / f"{name}{suffix}").write_bytes(raw)
    text = plan.format(experiments="\n".join(lines)) if "{experiments}" in plan else plan
    (folder / "plan.yaml").write_text(text, encoding="utf-8")
    return folder


def amend(folder: Path, reading: str, kind: str = "exclusion", column: str = "", new: str = "") -> Amendment:
    """Amend one reading, as the command does."""
    number, states = next_number(read_amendments(folder)[0]), current_states(folder)
    made = amendment_for(
        states, number=number, reading=reading, kind=kind, by="A1", reason="see log", now=NOW, column=column, new=new
    )
    append(folder, made)
    return made


def refreeze(folder: Path, by: str, now: datetime) -> None:
    """Freeze a plan that has changed since it was frozen, with a reason."""
    record_plan_change(folder, plan_amendment(folder, by=by, reason="as agreed", now=now), now=now)


def reseal(folder: Path) -> None:
    """New hashes for whatever a dossier holds now, as a forger would make them."""
    manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    manifest["files"] = hashes(folder)
    manifest["inputs_sha256"] = inputs_hash(folder / "inputs")
    (folder / MANIFEST).write_text(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    (folder / SEAL).write_text(f"{sha256(folder / MANIFEST)}  {MANIFEST}\n", encoding="utf-8")
