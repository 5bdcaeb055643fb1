"""A study read with its requirements checked: every fault of plan, worksheets, amendments and requirements at once."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from validation.faults import Fault, StudyDataError
from validation.judging.requirements import requirement_faults
from validation.study.load import read_study
from validation.study.model import Study
from validation.study.plan import plan_lines, readable_part


def read_checked(folder: Path, *, draft: bool = False, now: datetime | None = None) -> tuple[Study | None, list[Fault]]:
    """The study and no faults, or None and all of them; requirements are checked even where worksheets have faults."""
    study, faults = read_study(folder, draft=draft, now=now)
    plan = readable_part(folder) if study is None else study.plan
    if plan is not None:
        numeric = {} if study is None else _numeric_levels(study)
        faults = [*faults, *requirement_faults(plan, numeric_levels=numeric, lines=plan_lines(folder))]
    return (None if faults else study), faults


def load_checked(folder: Path, *, draft: bool = False, now: datetime | None = None) -> Study:
    """The same, with the faults raised.

    Raises
    ------
    StudyDataError
        With every fault.
    """
    study, faults = read_checked(folder, draft=draft, now=now)
    if study is None:
        raise StudyDataError(faults)
    return study


def _numeric_levels(study: Study) -> dict[str, bool]:
    """By experiment whether its levels are numbers, or have a reference value that is one."""
    tables = {name: data for name, data in study.experiments.items() if not data.table.empty}
    return {name: data.numeric_levels or "assigned" in data.table for name, data in tables.items()}
