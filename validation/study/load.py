"""A study folder read whole: plan, lock, worksheets, lot records, amendments; every fault at once."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from validation.faults import Fault, StudyDataError, by_kind
from validation.study.budget import strange_components
from validation.study.columns import NUMERIC
from validation.study.design_notes import design_notes
from validation.study.experiments import EXPERIMENTS
from validation.study.exports import compared_exports
from validation.study.folder import AMENDMENTS, HISTORY, LOCK, RECORDS, folder_faults, refuse_faulty
from validation.study.history.amendments import MEND, Amendment, loss_sentences, read_amendments
from validation.study.history.applying import State, apply, levels_are_labels
from validation.study.history.plan_lock import changed_since_frozen, minute_text
from validation.study.history.study_history import History
from validation.study.lot_record import LotRecord
from validation.study.lot_record_reading import read_lot_records, record_files_of, strange_masses
from validation.study.model import ExperimentData, Reading, Study
from validation.study.name_faults import name_faults, strange_names
from validation.study.plan import PLAN, Plan, PlannedExperiment, read_plan, readable_part
from validation.study.text_files import censored, decimal, moment
from validation.study.validity import impact_sentences, lapses, validity_faults
from validation.study.worksheets import (
    Sheet,
    empty_value_fault,
    filling_faults,
    read_sheets,
    value_faults,
)

OFFICE_TEMPORARY = ("~$", ".~lock.", "~WRL")
IGNORED = (".DS_Store", "Thumbs.db", "desktop.ini")


@dataclass(frozen=True, slots=True)
class RecordFile:
    """A file under records/: linked and hashed, never read as data."""

    file: str
    sha256: str
    size: int


def load_study(
    folder: Path | str,
    *,
    draft: bool = False,
    now: datetime | None = None,
    added: Sequence[Amendment] = (),
    left_out: Collection[int] = (),
) -> Study:
    """Read a study.

    Parameters
    ----------
    folder : the study folder
    draft : leave readings without a result out instead of refusing them
    now : the time with its zone; readings dated later are warned about
    added : amendments that are not written yet, applied after those of amendments.csv
    left_out : numbers of amendments that are not applied, to see what they change

    Raises
    ------
    StudyDataError
        With every fault of plan, lock, worksheets, lot records and amendments, and every use of an expired item.
    """
    study, faults = read_study(folder, draft=draft, now=now, added=added, left_out=left_out)
    if study is None or faults:
        raise StudyDataError(faults)
    return study


_held: dict[tuple[Path, bool], Study] = {}


def hold_study(folder: Path | str, *, draft: bool) -> None:
    """Read a study once for every process that is forked from this one; nobody may change its files afterwards."""
    _held[Path(folder).resolve(), draft] = load_study(folder, draft=draft)


def held_study(folder: Path | str, *, draft: bool) -> Study:
    """The study that `hold_study` read, or else read now.

    Raises
    ------
    StudyDataError
        As `load_study`.
    """
    return _held.get((Path(folder).resolve(), draft)) or load_study(folder, draft=draft)


def read_study(
    folder: Path | str,
    *,
    draft: bool = False,
    now: datetime | None = None,
    added: Sequence[Amendment] = (),
    left_out: Collection[int] = (),
) -> tuple[Study | None, list[Fault]]:
    """The same, with the faults returned: (study, []) or (None, faults)."""
    folder = Path(folder)
    faults = folder_faults(folder)
    if faults:  # nothing is opened before every path is known to be inside the study
        return None, faults
    plan, faults = read_plan(folder / PLAN)
    history = History.read(folder)
    faults += history.faults
    plan_faults = bool(faults) and plan is None
    plan = plan or readable_part(folder / PLAN)  # worksheets are checked even where the plan has faults
    if plan is None:
        return None, faults
    sheets, sheet_faults = read_sheets(folder, plan)
    faults += sheet_faults
    states = states_of(sheets.values())
    kept = [item for item in history.amendments if item.number not in left_out]
    applied = (*kept, *added)
    if not plan_faults and len(sheets) == sum(name in EXPERIMENTS for name in plan.experiments):
        # With a worksheet missing, amendments of its readings would be faulted for nothing.
        faults += apply(applied, [state for group in states.values() for state in group])
    experiments = {}
    for name, sheet in sheets.items():
        data, data_faults = _experiment(sheet, states[name], plan, draft)
        experiments[name] = data
        faults += data_faults
    records, record_read_faults = read_lot_records(folder, plan)
    faults += record_read_faults
    faults += name_faults(plan, states.values(), records)
    lapsed = lapses(plan, experiments, records, applied)
    if not plan_faults:
        # A record with faults cannot be compared with the notes.
        notes = [] if record_read_faults else applied
        faults += validity_faults(folder, plan, lapsed, records, notes)
    # Looking at other choices, the exports stay what they are.
    exports, export_faults = ((), []) if plan_faults or left_out else compared_exports(folder, plan, experiments)
    faults = by_kind([*faults, *export_faults])
    if faults:
        # An amendment that is gone stops nothing by itself, but may well be why something else does.
        return None, [*(Fault(AMENDMENTS, loss.text, MEND) for loss in history.lost_amendments), *faults]
    rows = tuple(item.to_dict() for item in applied)
    study = history.held_against(Study(folder, plan, experiments, rows, draft=draft, lot_records=records))
    study = replace(study, exports=exports)
    lost = loss_sentences(study.lost_amendments)
    warnings = [
        *lost,
        *(one.sentence() for one in exports if not one.same),
        *impact_sentences(lapsed),
        *_values_stated(study),
        *_warnings(study, history, now),
    ]
    return replace(study, warnings=tuple(warnings)), []


def current_states(folder: Path) -> list[State]:
    """Each row with its amendments applied, for a new amendment; faults of single cells do not matter here.

    Raises
    ------
    StudyDataError
        Plan, worksheets or amendments cannot be read at all.
    """
    refuse_faulty(folder)
    plan, faults = read_plan(folder / PLAN)
    written, amendment_faults = read_amendments(folder)
    faults += amendment_faults
    if plan is None or faults:
        raise StudyDataError(faults)
    sheets, faults = read_sheets(folder, plan)
    states = [state for group in states_of(sheets.values()).values() for state in group]
    faults += apply(written, states)
    if faults:
        raise StudyDataError(faults)
    return states


def current_items(folder: Path) -> tuple[Plan, Mapping[str, LotRecord]]:
    """The plan and the lot records, for an impact note; what has expired does not matter here.

    Raises
    ------
    StudyDataError
        Plan or lot records cannot be read.
    """
    refuse_faulty(folder)
    plan, faults = read_plan(folder / PLAN)
    records, record_faults = ({}, []) if plan is None else read_lot_records(folder, plan)
    if plan is None or faults or record_faults:
        raise StudyDataError([*faults, *record_faults])
    return plan, records


def states_of(sheets: Collection[Sheet]) -> dict[str, list[State]]:
    """Each row of each experiment, as written."""
    return {sheet.experiment: [State(sheet, row, dict(row.values)) for row in sheet.rows] for sheet in sheets}


def _experiment(sheet: Sheet, states: Sequence[State], plan: Plan, draft: bool) -> tuple[ExperimentData, list[Fault]]:
    faults: list[Fault] = []
    value = sheet.kind.value
    labels = levels_are_labels(states)
    for state in states:
        faults += value_faults(sheet, state.row, state.values, excluded=state.excluded, labels=labels)
    awaiting = not any(state.values.get(value) for state in states)
    empty = [state.row for state in states if not state.values.get(value) and not state.excluded]
    if empty and not awaiting and not draft:
        faults.append(empty_value_fault(sheet, empty))
    used = [state for state in states if state.values.get(value) and not state.excluded]
    absent, filling = filling_faults(sheet, [(state.row, state.values) for state in used])
    faults += filling
    readings = tuple(_reading(state, plan.study.time_zone) for state in states)
    settings = plan.experiments[sheet.experiment].settings
    if faults:
        return ExperimentData(sheet.experiment, sheet.file, pd.DataFrame(), {}, settings, readings, awaiting), faults
    rows = [state for state, reading in zip(states, readings, strict=True) if reading.status == "used"]
    columns = [column for column in sheet.columns if column not in absent]
    if not rows:
        columns = list(sheet.columns)
    table, exact = _table(sheet, columns, rows)
    data = ExperimentData(sheet.experiment, sheet.file, table, exact, settings, readings, awaiting)
    notes = tuple(design_notes(data, draft=draft))
    return ExperimentData(sheet.experiment, sheet.file, table, exact, settings, readings, awaiting, notes), []


def _reading(state: State, zone: str | None) -> Reading:
    text = state.values.get(state.sheet.kind.value, "")
    status = "excluded" if state.excluded else "empty" if not text else "censored" if censored(text) else "used"
    when = moment(state.values.get("time", ""))
    time, is_a_date = (None, False) if when is None else when
    if time is not None and time.tzinfo is None and zone is not None:
        time = time.replace(tzinfo=ZoneInfo(zone))
    return Reading(
        reading=state.row.reading,
        experiment=state.sheet.experiment,
        file=state.sheet.file,
        line=state.row.line,
        written=state.row.written,
        values=state.values,
        status=status,
        reason=state.reason if state.excluded else "",
        time=time,
        time_is_a_date=is_a_date,
    )


def _table(
    sheet: Sheet, columns: Sequence[str], rows: Sequence[State]
) -> tuple[pd.DataFrame, Mapping[str, tuple[Decimal, ...]]]:
    """The usable readings as floats and texts, and the exact decimals."""
    table: dict[str, object] = {
        "reading": pd.Series([state.row.reading for state in rows], dtype=str),
        "line": pd.Series([state.row.line for state in rows], dtype=int),
    }
    exact: dict[str, tuple[Decimal, ...]] = {}
    for column in columns:
        if column in table:
            continue
        texts = [state.values[column] for state in rows]
        # A numeric column that this experiment does not use may hold anything, so it is shown as it is.
        numeric = column in NUMERIC and column in sheet.kind.used
        numbers = [decimal(text) for text in texts] if numeric else [None]
        decimals = [number for number in numbers if number is not None]
        if len(decimals) == len(texts):
            exact[column] = tuple(decimals)
            table[column] = pd.Series([float(number) for number in decimals], dtype=float)
        else:
            table[column] = pd.Series(texts, dtype=str)
    return pd.DataFrame(table), exact


def _values_stated(study: Study) -> list[str]:
    """Where the plan's value of a standard disagrees with its lot record: warned about, since no result rests on it."""
    if not study.lot_records:
        return []
    from validation.study.lot_values import disagreements  # scipy is not needed to read a study without lot records

    return disagreements(study.plan, study.lot_records)


def _warnings(study: Study, history: History, now: datetime | None) -> list[str]:
    """What is warned about and not refused."""
    warnings = [f"{data.worksheet}: {note}" for data in study.experiments.values() for note in data.notes]
    warnings += [] if study.plan.uncertainty is None else strange_components(study.plan.uncertainty)
    warnings += strange_masses(study.lot_records)
    warnings += strange_names(study) + _open_workbooks(study) + _future(study, now)
    if changed_since_frozen(study.folder):
        warnings.append("plan.lock does not match plan.yaml: the plan changed after it was frozen.")
    frozen = history.freezings[-1].time if history.freezings else None
    if frozen is not None and now is not None and frozen > now:
        warnings.append(f"plan.lock is dated in the future: {minute_text(frozen)}.")
    for name, experiment in study.plan.experiments.items():
        if name not in EXPERIMENTS:
            warnings.append(
                f'The experiment "{name}" ({experiment.worksheet}) is planned, but nothing evaluates it yet.'
            )
    unused = unused_files(study.folder, study.plan)
    if unused:
        warnings.append(f"Present, not used: {', '.join(unused)}.")
    return warnings


def _open_workbooks(study: Study) -> list[str]:
    """Workbooks next to which a spreadsheet program has left its mark: what is not saved there is not read."""
    sentences = []
    for file in sorted({data.worksheet for data in study.experiments.values()}):
        path = study.folder / file
        marks = [path.with_name(mark) for mark in (f"~${path.name}", f".~lock.{path.name}#")]
        mark = next((mark for mark in marks if mark.exists()), None)
        if mark is not None:
            sentences.append(
                f"{file} is open in a spreadsheet program ({mark.name}): what is not saved there is not read. Save and "
                f"close it, then run the same command again; where nobody has it open, delete {mark.name}."
            )
    return sentences


def _future(study: Study, now: datetime | None) -> list[str]:
    if now is None:
        return []
    late = []
    for data in study.experiments.values():
        for reading in data.readings:
            if reading.time is None:
                continue
            # A time without a zone is in the future only where it is so in every zone of the world.
            time = reading.time if reading.time.tzinfo else reading.time.replace(tzinfo=UTC) - timedelta(hours=14)
            if time > now:
                late.append(f"{reading.reading} ({data.worksheet}, row {reading.line}: {reading.values['time']})")
    late = list(dict.fromkeys(late))
    more = f" and {len(late) - 5} more" if len(late) > 5 else ""
    return [f"Dated in the future: {', '.join(late[:5])}{more}."] if late else []


def unused_files(folder: Path, plan: Plan) -> tuple[str, ...]:
    """Files of the study folder that nothing reads, without temporary office files and records/."""
    named = {PLAN, LOCK, AMENDMENTS, *(_worksheet(item) for item in plan.experiments.values()), *record_files_of(plan)}
    names = []
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder)
        if relative.parts[0] in ("dossiers", "draft", RECORDS, HISTORY) or _passing(relative) or not path.is_file():
            continue
        if relative.as_posix() not in named:
            names.append(relative.as_posix())
    return tuple(names)


def _worksheet(experiment: PlannedExperiment) -> str:
    return experiment.worksheet


def _passing(relative: Path) -> bool:
    """Temporary files of office programs, and files that a system or a program hides."""
    hidden = any(part.startswith(".") for part in relative.parts)
    return hidden or relative.name.startswith(OFFICE_TEMPORARY) or relative.name in IGNORED


def record_names(folder: Path) -> list[str]:
    """The files under records/, relative to the study, without what a system or an office program leaves there."""
    paths = [path for path in sorted((folder / RECORDS).rglob("*")) if path.is_file()]
    return [path.relative_to(folder).as_posix() for path in paths if not _passing(path.relative_to(folder))]


def record_files(folder: Path) -> tuple[RecordFile, ...]:
    """The files under records/ with their hashes and sizes."""
    return tuple(_record_file(folder, name) for name in record_names(folder))


def _record_file(folder: Path, name: str) -> RecordFile:
    with (folder / name).open("rb") as file:  # of any size, so never held in memory
        hashed = hashlib.file_digest(file, "sha256").hexdigest()
        return RecordFile(name, hashed, file.tell())
