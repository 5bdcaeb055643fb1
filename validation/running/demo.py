"""The main job on the demonstration study, nothing else needed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from validation import resources
from validation.dossier.manifest import MANIFEST, sha256
from validation.faults import Refusal
from validation.running.run import RunReport, run_study
from validation.study.history.plan_lock import plan_amendment, record_plan_change
from validation.study.plan import PLAN

STUDY, LOT_STUDY = "new-grade", "new-lot"


def run_demo(
    out: Path, progress: Callable[[str], None] = lambda text: None, *, jobs: int | None = None, new_lot: bool = False
) -> RunReport:
    """Copy the demonstration study to `out` and run it; never overwrites.

    Parameters
    ----------
    out : folder to create, such as validation-demo/
    new_lot : go on with the second study, a new lot of the standard, whose parent is the first dossier

    Raises
    ------
    Refusal
        `out` holds a study already.
    """
    target = out / STUDY
    if target.exists() or (out / LOT_STUDY).exists():
        raise Refusal(
            f"{out} already holds a demonstration, which is never overwritten; name another folder with --out, or "
            f"remove it."
        )
    out.mkdir(parents=True, exist_ok=True)
    source = resources.folder("demo_data")
    shutil.copytree(source / STUDY, target)
    shutil.copytree(source / LOT_STUDY, out / LOT_STUDY)
    report = run_study(target, jobs=jobs, progress=progress)
    if not new_lot:
        return report
    name_parent(out / LOT_STUDY, report.dossier, now=datetime.now(UTC))
    return run_study(out / LOT_STUDY, jobs=jobs, progress=progress)


def name_parent(study: Path, dossier: Path, *, now: datetime) -> None:
    """Write the parent's hash into the plan of the second study as a plan amendment: both versions are kept."""
    plan = (study / PLAN).read_text(encoding="utf-8")
    named = plan.replace("study:\n", f"study:\n  parent: {sha256(dossier / MANIFEST)}\n", 1)
    (study / PLAN).write_bytes(named.encode("utf-8"))
    reason = "Names the parent dossier, which was issued after this plan was frozen"
    record_plan_change(study, plan_amendment(study, by="Q1", reason=reason, now=now), now=now)
