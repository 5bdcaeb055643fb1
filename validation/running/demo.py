"""The main job on the demonstration study, nothing else needed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from validation import resources
from validation.dossier.manifest import MANIFEST, sha256
from validation.dossier.results import read_results
from validation.faults import Refusal
from validation.running.run import RunReport, run_study
from validation.study.folder import issues_of
from validation.study.history.plan_lock import plan_amendment, record_plan_change
from validation.study.plan import PLAN, read_plan

STUDY, LOT_STUDY = "new-grade", "new-lot"


def run_demo(
    out: Path, progress: Callable[[str], None] = lambda text: None, *, jobs: int | None = None, new_lot: bool = False
) -> RunReport:
    """Copy the demonstration study to `out` and run it; what is there already stays, and its dossier is reported.

    Parameters
    ----------
    out : folder such as validation-demo/
    new_lot : go on with the second study, a new lot of the standard, whose parent is the dossier of the first

    Raises
    ------
    Refusal
        A place of the demonstration holds something else.
    """
    missing = [name for name in (STUDY, LOT_STUDY) if not _there(out / name)]
    for name in missing:
        shutil.copytree(resources.folder("demo_data") / name, out / name)
    report = _run_once(out / STUDY, jobs, progress)
    if not new_lot:
        return report
    lot = out / LOT_STUDY
    plan, _ = read_plan(lot)
    if plan is not None and plan.study.parent is None and not issues_of(lot):
        name_parent(lot, report.dossier, now=datetime.now(UTC))
    return _run_once(lot, jobs, progress)


def _there(study: Path) -> bool:
    """Whether the demonstration was copied here already; anything else in its place is refused."""
    if (study / PLAN).is_file():
        return True
    if os.path.lexists(study):
        raise Refusal(
            f"{study} is in the way and is not the demonstration; name another folder with --out, or move it away."
        )
    return False


def _run_once(study: Path, jobs: int | None, progress: Callable[[str], None]) -> RunReport:
    """The newest dossier of a study, made where there is none."""
    issues = issues_of(study)
    if not issues:
        return run_study(study, jobs=jobs, progress=progress)
    progress(f"{issues[-1]} is there already; nothing was computed again, and nothing is overwritten")
    results = read_results(issues[-1])
    conclusion, rows = results["conclusion"], results["requirements"]
    all_met = bool(rows) and all(row["outcome"] == "met" for row in rows)
    return RunReport(issues[-1], conclusion["outcome"], conclusion["text"], all_met, ())


def name_parent(study: Path, dossier: Path, *, now: datetime) -> None:
    """Write the parent's hash into the plan of the second study as a plan amendment: both versions are kept."""
    plan = (study / PLAN).read_text(encoding="utf-8")
    named = plan.replace("study:\n", f"study:\n  parent: {sha256(dossier / MANIFEST)}\n", 1)
    (study / PLAN).write_bytes(named.encode("utf-8"))
    reason = "Names the parent dossier, which was issued after this plan was frozen"
    record_plan_change(study, plan_amendment(study, by="Q1", reason=reason, now=now), now=now)
