"""The command line. A command parses, calls one function, prints; heavy imports wait until a command needs them."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from validation import __version__
from validation.faults import Fault, Refusal, StudyDataError
from validation.isolation import isolate
from validation.terminal import (
    ended_in_order,
    plain_streams,
    refuse_unreadable,
    shell_quoted,
    system_sentence,
)
from validation.words import counted

if TYPE_CHECKING:
    from validation.judging.requirements import RequirementResult
    from validation.running.again import RebuildReport
    from validation.running.run import RunReport
    from validation.study.design import Design
    from validation.study.history.amendments import Amendment
    from validation.study.history.plan_order import PlanOrder
    from validation.study.history.roles import RoleName, RolesOfAStudy
    from validation.study.model import Study

DONE, NO, WRONG = 0, 1, 2
INTERRUPTED, ENDED = 130, 143
#: How the name of a pack ends.
PACKED = ".zip"

NOT_WHOLE = (
    "A run is possible, but its conclusion will name what changed. Restore what was first seen; to change a reading, "
    "a lot record or the plan, use validation amend. What cannot be restored is acknowledged: validation amend DIR "
    '--acknowledge READING (or FILE) --reason "..." --by "your name"; the conclusion goes on naming it.'
)

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    help="Plan, compute and prove the validation of a headspace fuel-dilution method: from worksheets to a dossier.",
    epilog="Exit codes: 0 done; 1 the answer is no; 2 the input or the call is wrong.",
)


def _named_path(named: str | Path) -> Path:
    """A path that somebody named, or the default: an empty text would be the current folder."""
    if not str(named).strip():
        raise typer.BadParameter("the name is empty; name a folder.")
    return Path(named)


StudyFolder = Annotated[
    Path | None,
    typer.Argument(
        metavar="DIR",
        help="Folder of the study, which holds plan.yaml; left out: the current folder.",
        parser=_named_path,
    ),
]
DossierOrPack = Annotated[
    Path,
    typer.Argument(
        metavar="DOSSIER",
        help="Folder of a dossier, such as study/dossiers/001, or a pack, a ZIP file.",
        parser=_named_path,
    ),
]
DossierFolder = Annotated[
    Path,
    typer.Argument(metavar="DOSSIER", help="Folder of a dossier, such as study/dossiers/001.", parser=_named_path),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for a program to read.")]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; the console script `validation` calls this.

    Faults and refusals are printed on stderr, one message a problem, never as a traceback.
    """
    if arguments is None:  # the command itself, not a program that calls it
        isolate()
    with plain_streams(), ended_in_order() as signals:
        code = _told(sys.argv[1:] if arguments is None else list(arguments))
        if code == INTERRUPTED and signals:
            code = ENDED
        if code in (INTERRUPTED, ENDED) and arguments is None:
            # What was half-written is gone; threads that still compute are not waited for.
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
        return code


def _told(arguments: Sequence[str]) -> int:
    try:
        refuse_unreadable(arguments)
        return _run(arguments)
    except StudyDataError as error:
        return _tell_faults(error.faults)
    except Refusal as error:
        return _say_wrong(str(error))
    except BrokenPipeError:
        # The reader, such as `head`, has seen enough; without this the interpreter complains again at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        return _say_wrong(system_sentence(error))
    except KeyboardInterrupt:
        print("\nInterrupted. No partial dossier is left; run the same command again.", file=sys.stderr)
        return INTERRUPTED


# typer contains click or depends on it, depending on its version.
_CALL_ERROR: Any = next(base for base in typer.BadParameter.__mro__ if base.__name__ == "ClickException")


def _run(arguments: Sequence[str]) -> int:
    try:
        code = app(args=list(arguments), prog_name="validation", standalone_mode=False)
    except typer.Abort:
        return _say_wrong("No answer was given; nothing was written.")
    except _CALL_ERROR as error:
        error.show()
        return WRONG
    if code == INTERRUPTED:
        raise KeyboardInterrupt
    return code if isinstance(code, int) else DONE


def _say_wrong(sentence: str) -> int:
    print(sentence, file=sys.stderr)
    return WRONG


def _tell_faults(faults: Sequence[Fault]) -> int:
    for fault in faults:
        print(fault, file=sys.stderr)
    them = "it" if len(faults) == 1 else "them"
    print(
        f"\n{counted(len(faults), 'fault')}; nothing was computed. Correct {them} and run the same command again.",
        file=sys.stderr,
    )
    return WRONG


def _folder(named: Path | None) -> Path:
    """The study folder, also where its plan.yaml is named instead; refused where a path leads out of it."""
    from validation.study.folder import refuse_faulty

    path = Path() if named is None else named
    if named is None and not (path / "plan.yaml").is_file():
        raise Refusal(
            "No study is named, and the current folder holds no plan.yaml. Name the folder of the study, or write "
            "one with: validation start DIR"
        )
    if path.name == "plan.yaml" and path.is_file():
        path = path.parent
    if not path.exists():
        raise Refusal(f"There is no folder {path}. Write one with: validation start {shell_quoted(path)}")
    if not path.is_dir():
        raise Refusal(f"{path} is not a folder; name the folder that holds plan.yaml.")
    if (path / "manifest.json").is_file() and not (path / "plan.yaml").exists():
        raise Refusal(f"{path} is a dossier, not a study; name the folder of the study, which holds plan.yaml.")
    refuse_faulty(path)
    return path


def _now() -> datetime:
    """The only clock: the local time with its zone."""
    return datetime.now().astimezone()


def _print_json(value: Any) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=1, default=str))


def _next(*steps: str) -> None:
    command = _command()
    print("\nNext:")
    for step in steps:
        print(f"  {re.sub('(^|[:;] )validation ', lambda match: f'{match[1]}{command} ', step)}")


def _command() -> str:
    """This command as it can be typed here: by its name where the shell finds it, else by its path as it was called."""
    called = Path(sys.argv[0])
    return shell_quoted(called) if called.stem == "validation" and shutil.which("validation") is None else "validation"


def _version(wanted: bool) -> None:
    if wanted:
        print(f"validation {__version__}")
        raise typer.Exit(DONE)


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


# ---------------------------------------------------------------------------------------------------------- start


@app.command()
def start(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="DIR",
            help="Folder to write the study into, created if it does not exist; left out: the current folder.",
            parser=_named_path,
            show_default=False,
        ),
    ] = Path(),
    *,
    title: Annotated[str | None, typer.Option(help="What is validated, in one line.")] = None,
    laboratory: Annotated[str | None, typer.Option(help="Name of the laboratory.")] = None,
    measurand: Annotated[str | None, typer.Option(help="What is measured, in full; default: the title.")] = None,
    procedure: Annotated[str | None, typer.Option(help="Procedure and its version.")] = None,
    unit: Annotated[str | None, typer.Option(help='Unit of the results; default: "%".')] = None,
    working_range: Annotated[
        str | None, typer.Option("--range", help="Range to be validated, low and high: 0.5,10", metavar="LOW,HIGH")
    ] = None,
    routine_level: Annotated[
        str | None, typer.Option("--routine-standard", help="Level of the routine one-point standard.", metavar="LEVEL")
    ] = None,
    customer_limits: Annotated[str | None, typer.Option(help="Limits the customer acts on: 2,4", metavar="A,B")] = None,
    levels: Annotated[str | None, typer.Option(help="Levels to prepare: 0.5,1,2,4,7.5,10", metavar="A,B,...")] = None,
    runs: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Runs of the precision experiment; default: 8.")
    ] = None,
    replicates: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Readings at each level and run; default: 3.")
    ] = None,
    people: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="A person who takes part; may be repeated.")
    ] = None,
    laboratories: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="A site of the reproducibility experiment; may be repeated."),
    ] = None,
    grades: Annotated[
        list[str] | None,
        typer.Option("--grade", metavar="NAME", help="An oil grade, the study's own first; may be repeated."),
    ] = None,
    fuels: Annotated[
        list[str] | None,
        typer.Option("--fuel", metavar="NAME", help="A fuel blend, the study's own first; may be repeated."),
    ] = None,
    lots: Annotated[
        list[str] | None,
        typer.Option("--lot", metavar="NAME", help="A lot of the standard, the one in use first; may be repeated."),
    ] = None,
    purges: Annotated[
        list[str] | None,
        typer.Option("--purge", metavar="SETTING", help='A setting at which carry-over is read, such as "30 s".'),
    ] = None,
    factors: Annotated[
        list[str] | None,
        typer.Option("--factor", metavar="NAME:LOW/HIGH", help='A factor of ruggedness: "equilibration: 30 s / 60 s".'),
    ] = None,
    states: Annotated[
        list[str] | None,
        typer.Option("--state", metavar="NAME", help='How a standard is stored, for stability: "sealed", "in use".'),
    ] = None,
    identifier: Annotated[
        str | None, typer.Option("--id", help="Identifier of the study; default: the name of the folder.")
    ] = None,
    xlsx: Annotated[bool, typer.Option("--xlsx/--csv", help="Worksheets as XLSX workbooks or as CSV files.")] = False,
    seed: Annotated[
        int | None,
        typer.Option(min=0, metavar="N", help="Seed of the measuring order; default: made from the answers."),
    ] = None,
) -> None:
    """Write a new study: a commented plan and worksheets in random measuring order.

    Asks for whatever is not given as an option. Never overwrites.
    """
    from validation.study.design import Design
    from validation.study.start import CAUTIONS, start_study

    if (folder / "plan.yaml").exists():
        raise Refusal(f"{folder.resolve()} already holds a plan.yaml; nothing was written. Choose an empty folder.")
    if folder.exists() and not folder.is_dir():
        raise Refusal(f"{folder} is not a folder; name a folder to write the study into.")
    answers = _Answers()
    asked_title = answers.text("--title", "What is validated (title)", title, None)
    design = Design(
        title=asked_title,
        measurand=measurand or "",
        procedure=answers.text("--procedure", "Procedure and version (empty: not stated)", procedure, ""),
        laboratory=answers.text("--laboratory", "Laboratory", laboratory, None),
        unit=answers.text("--unit", "Unit of the results", unit, "%"),
        range=answers.range(working_range),
        routine_level=answers.level(routine_level),
        customer_limits=answers.numbers(
            "--customer-limits", "Customer limits, such as 2,4 (empty: none)", customer_limits
        ),
        levels=answers.numbers("--levels", "Levels to prepare (empty: chosen from the range)", levels),
        runs=answers.whole("Runs of the precision experiment", runs, 8),
        replicates=answers.whole("Readings at each level and run", replicates, 3),
        people=answers.names(people),
        laboratories=tuple(laboratories or ()),
        grades=tuple(grades or ()),
        fuels=tuple(fuels or ()),
        lots=tuple(lots or ()),
        purges=tuple(purges or ()),
        factors=tuple(_factor(text) for text in factors or ()),
        states=tuple(states or ()),
        id=identifier or "",
        workbooks=xlsx,
        seed=seed,
    )
    answers.refuse_gaps()
    _report_start(start_study(folder, design), CAUTIONS, design)


def _factor(text: str) -> tuple[str, str, str]:
    """ "equilibration: 30 s / 60 s" as name, low and high."""
    name, _, settings = text.partition(":")
    low, _, high = settings.partition("/")
    if not name.strip() or not low.strip() or not high.strip() or low.strip() == high.strip():
        raise Refusal(f'--factor "{text}" is not a name with two settings. Write "equilibration: 30 s / 60 s".')
    return name.strip(), low.strip(), high.strip()


def _report_start(started: Any, cautions: Iterable[str], design: Design) -> None:
    print(
        f"{design.title}\n"
        f"{counted(started.readings, 'reading')} prepared, in random order within each run (seed {started.seed}).\n"
    )
    for text in cautions:
        print(f"Caution: {text}")
    print()
    for file in started.files:
        print(f"  {started.folder / file}")
    place = shell_quoted(started.folder)
    _next(
        f"Open {started.folder / 'plan.yaml'} and set the requirements (take away the #).",
        f"validation check {place}",
        f'validation freeze {place} --by "your name"   (before the first reading)',
    )


_Answer = TypeVar("_Answer")


class _Answers:
    """Options first, then questions; at the end of the input, the defaults. What is missing is reported together."""

    def __init__(self) -> None:
        self.missing: list[str] = []
        self.silent = False

    def _ask(self, question: str, default: str | None) -> str | None:
        if self.silent:
            return default
        try:
            return str(typer.prompt(question, default=default, show_default=bool(default), err=True)).strip()
        except typer.Abort:
            if sys.stdin.isatty():
                raise
            self.silent = True
            print(file=sys.stderr)
            return default

    def text(self, option: str, question: str, given: str | None, default: str | None) -> str:
        answer = given if given is not None else self._ask(question, default)
        if default is None and not (answer or "").strip():
            self.missing.append(option)
        return (answer or "").strip()

    def _read(
        self,
        option: str,
        question: str,
        given: str | None,
        default: str | None,
        read: Callable[[str], _Answer],
        empty: _Answer,
    ) -> _Answer:
        """The answer as `read` understands it. At a console a wrong answer is asked for again, the others are kept."""
        while True:
            text = self.text(option, question, given, default)
            if not text:
                return empty
            try:
                return read(text)
            except Refusal as refusal:
                if given is not None or self.silent or not sys.stdin.isatty():
                    raise
                print(refusal, file=sys.stderr)

    def range(self, given: str | None) -> tuple[float, float]:
        def read(text: str) -> tuple[float, float]:
            ends = _numbers(text, "--range")
            if len(ends) != 2:
                raise Refusal(f'--range needs two numbers, low and high, such as 0.5,10; found "{text}".')
            if ends[0] >= ends[1]:
                raise Refusal(f"The range must rise from low to high; found {ends[0]:g} to {ends[1]:g}.")
            return ends[0], ends[1]

        return self._read(
            "--range", "Range to be validated, low and high, such as 0.5,10", given, None, read, (0.0, 1.0)
        )

    def level(self, given: str | None) -> float | None:
        def read(text: str) -> float | None:
            levels = _numbers(text, "--routine-standard")
            if len(levels) > 1:
                raise Refusal(f'--routine-standard needs one number; found "{text}".')
            return levels[0] if levels else None

        question = "Level of the routine one-point standard (empty: none)"
        return self._read("--routine-standard", question, given, "", read, None)

    def numbers(self, option: str, question: str, given: str | None) -> tuple[float, ...]:
        return self._read(option, question, given, "", lambda text: _numbers(text, option), ())

    def whole(self, question: str, given: int | None, default: int) -> int:
        if given is not None:
            return given

        def read(text: str) -> int:
            if not (text.isascii() and text.isdecimal()) or int(text) < 1:
                raise Refusal(f'{question}: write a whole number of at least 1; found "{text}".')
            return int(text)

        return self._read("", question, None, str(default), read, default)

    def names(self, given: list[str] | None) -> tuple[str, ...]:
        texts = given if given is not None else [self._ask("People, separated by commas (empty: none)", "") or ""]
        return tuple(name.strip() for text in texts for name in text.split(",") if name.strip())

    def refuse_gaps(self) -> None:
        if self.missing:
            raise Refusal(f"Give {', '.join(self.missing)}, or answer the questions; nothing was written.")


def _numbers(text: str, option: str) -> tuple[float, ...]:
    """Numbers with decimal points, separated by commas, spaces or "to"."""
    parts = [part for part in re.split(r"[,;\s\[\]]+|\bto\b|(?<=[0-9])-(?=[0-9])", text) if part]
    try:
        numbers = tuple(float(part) for part in parts)
    except ValueError:
        raise Refusal(f'{option} needs numbers with decimal points, separated by commas; found "{text}".') from None
    if not all(abs(number) < 1e300 for number in numbers):
        raise Refusal(f'{option} needs finite numbers; found "{text}".')
    return numbers


# ---------------------------------------------------------------------------------------------------------- schema


@app.command()
def schema() -> int:
    """Print the JSON Schema of plan.yaml, by which an editor completes, explains and checks a plan while it is written.

    Save it with: validation schema > plan.schema.json
    """
    from validation.judging.requirements import judged_keys
    from validation.study.plan_schema import plan_schema

    _print_json(plan_schema(judged_keys()))
    print("Next: save it next to the study (> plan.schema.json), and begin plan.yaml with", file=sys.stderr)
    print("  # yaml-language-server: $schema=../plan.schema.json", file=sys.stderr)
    return DONE


# ---------------------------------------------------------------------------------------------------------- check


@app.command()
def check(named: StudyFolder = None, as_json: AsJson = False) -> int:
    """Read the plan and the worksheets, report every problem together, and put the plan into sentences."""
    from validation.judging.held_back import held_back
    from validation.judging.questions import questions
    from validation.judging.reading import read_checked
    from validation.judging.requirements import levels_not_held
    from validation.study.explain import explain
    from validation.study.history.acknowledging import acknowledged_sentences
    from validation.study.history.amendments import loss_sentences
    from validation.study.history.plan_order import plan_order
    from validation.study.history.readings import RECORD, record_readings
    from validation.study.history.roles import RolesOfAStudy

    folder = _folder(named)
    study, faults = read_checked(folder, now=_now())
    faults = [*faults, *_parent_faults(folder, study)]
    if study is None or faults:
        if as_json:
            _print_json({"ok": False, "faults": [_fault_dict(fault) for fault in faults]})
            return WRONG
        return _tell_faults(faults)
    lost = loss_sentences(study.lost_amendments)
    notes = [*(text for text in study.warnings if text not in lost), *levels_not_held(study), *held_back(study)]
    try:
        record_readings(study)
    except OSError as error:
        notes.append(f"The readings could not be recorded in {folder / 'history'}: {error.strerror or error}.")
    asked = [question for question in questions(study) if question.open]
    whole = not (study.changes or study.lost_history or study.lost_amendments or study.plan_change)
    order, roles = plan_order(study), RolesOfAStudy.of(study)
    sentences_by_heading = explain(study, meanings=_meanings())
    if as_json:
        further = _recorded(roles, study) | {"questions": [question.to_dict() for question in asked]}
        _print_json(_check_facts(study, order, notes, sentences_by_heading) | further)
        return DONE if whole else NO
    for heading, sentences in {**sentences_by_heading, "Plan and data": order.sentences}.items():
        _print_part(heading, sentences)
    _print_part("Prepared, reviewed, approved", roles.sentences())
    _print_part("Worksheets and exports", [one.counts for one in study.exports])
    changed = [*map(str, study.changes), *([study.plan_change] if study.plan_change else [])]
    _print_part("Changed without an amendment since first seen", changed)
    _print_part("Record of what was first seen", [loss.text for loss in study.lost_history])
    _print_part("Warnings (none of them stops a run)", notes)
    _print_part("Open questions on the raw data", [f"{item.id}: {item.text}" for item in asked])
    _print_part("Amendments removed, changed or moved", lost)
    _print_part("Acknowledged", acknowledged_sentences(study.amendments, most=None))
    print("\nNo fault found." if whole else f"\n{NOT_WHOLE}")
    if (folder / RECORD).exists():
        print(f"Readings as first seen:\n  {folder / RECORD}")
    _next(*_after_check(study, order.state, shell_quoted(folder)))
    return DONE if whole else NO


def _parent_faults(folder: Path, study: Study | None) -> list[Fault]:
    """Whether the parent that the plan names is there and whole, which a run needs."""
    from validation.study.plan import PLAN, readable_part

    plan = readable_part(folder) if study is None else study.plan
    if plan is None or plan.study.parent is None:
        return []
    from validation.dossier.parent import parent_dossier

    try:
        parent_dossier(folder, plan)
    except Refusal as refusal:
        return [Fault(PLAN, str(refusal), "", column="study.parent")]
    return []


def _check_facts(
    study: Study, order: PlanOrder, notes: Sequence[str], text: Mapping[str, Sequence[str]]
) -> dict[str, Any]:
    return {
        "ok": True,
        "faults": [],
        "warnings": notes,
        "changed_readings": [change.to_dict() for change in study.changes],
        "lost_history": [loss.to_dict() for loss in study.lost_history],
        "lost_amendments": [loss.to_dict() for loss in study.lost_amendments],
        "changed_plan": study.plan_change,
        "plan": {"state": order.state, "requirements": dict(order.requirements), "text": list(order.sentences)},
        "text": text,
    }


def _recorded(roles: RolesOfAStudy, study: Study) -> dict[str, Any]:
    return {"roles": roles.to_dicts(), "exports": [one.to_dict() for one in study.exports]}


def _meanings() -> dict[str, str]:
    from validation.characteristics.registry import known_keys

    return {key: info.meaning for key, info in known_keys().items()}


def _fault_dict(fault: Fault) -> dict[str, Any]:
    facts = {name: getattr(fault, name) for name in fault.__slots__}
    return {"found" if name == "value" else name: fact for name, fact in facts.items()} | {"text": str(fault)}


def _print_part(heading: str, sentences: Iterable[str]) -> None:
    sentences = list(sentences)
    if sentences:
        print(f"\n{heading}" if heading != "Study" else heading)
        for sentence in sentences:
            print(f"  {sentence}")


def _after_check(study: Study, state: str, place: str) -> list[str]:
    steps = []
    awaiting = all(data.awaiting for data in study.experiments.values())
    if state == "no lock":
        when = "before the first reading" if awaiting else "readings are there already, which page 1 will say"
        steps.append(f'validation freeze {place} --by "your name"   ({when})')
    if state == "lock does not match":
        steps.append(
            f'validation amend {place} --plan --reason "..." --by "your name"   (records why the plan changed)'
        )
    if awaiting:
        steps.append(f"Fill in the worksheets in {place}, in the order they give.")
    return [*steps, f"validation run {place}"]


# ---------------------------------------------------------------------------------------------------------- freeze


@app.command()
def freeze(
    named: StudyFolder = None,
    *,
    by: Annotated[str, typer.Option(metavar="NAME", help="Who freezes the plan.")],
    reason: Annotated[
        str | None, typer.Option(help="Why the plan changed since it was frozen before; kept as an amendment.")
    ] = None,
) -> int:
    """Freeze the plan: add its hash, the time and your name to plan.lock, and print it for signature in ink."""
    from validation.judging.requirements import requirement_faults
    from validation.study.folder import LOCK
    from validation.study.history import plan_lock
    from validation.study.plan import plan_lines, read_plan

    folder = _folder(named)
    plan, faults = read_plan(folder)
    faults += [] if plan is None else requirement_faults(plan, lines=plan_lines(folder))
    if faults:
        return _tell_faults(faults)
    why = plan_lock.needs_reason(folder)
    if why and reason is None and sys.stdin.isatty():
        reason = str(typer.prompt(f"{why} Reason", err=True))
    if why and reason is not None:
        _refuse_unsigned(reason, by)
        return _amend_plan(folder, reason, by, yes=True)
    entry, new = plan_lock.freeze(folder, by, _now())
    print((folder / "plan.yaml").read_text(encoding="utf-8-sig"))
    if not new:
        print(f"Already frozen in this form, on {entry.time.isoformat()} by {entry.by}; nothing was added.")
    else:
        print(f"Frozen on {entry.time.isoformat()} by {entry.by} (time of this computer).")
    print(f"SHA-256 of plan.yaml: {entry.sha256}")
    print("\nSignature: ______________________   Date: ______________\n")
    print(f"  {folder / LOCK}\n  {plan_lock.kept_plan(folder, entry.sha256)}")
    place = shell_quoted(folder)
    _next(
        "Take the readings in the order of the worksheets, and write each down as it happens.",
        f"validation run {place}",
        f'After a change of plan.yaml: validation amend {place} --plan --reason "..." --by "your name"',
    )
    return DONE


# ---------------------------------------------------------------------------------------------------------- roles


RoleBy = Annotated[str, typer.Option("--by", metavar="NAME", help="Who it was; never inferred.")]
RoleOn = Annotated[
    tuple[str, str] | None,
    typer.Option("--on", metavar="dossier ISSUE", help="A dossier, such as dossier 001; left out: the plan."),
]


@app.command()
def prepared(named: StudyFolder = None, *, by: RoleBy, on: RoleOn = None) -> int:
    """Record who prepared the plan as it stands, or a dossier."""
    return _record_role(named, "prepared", by, on)


@app.command()
def reviewed(named: StudyFolder = None, *, by: RoleBy, on: RoleOn = None) -> int:
    """Record who reviewed the plan as it stands, or a dossier."""
    return _record_role(named, "reviewed", by, on)


@app.command()
def approved(named: StudyFolder = None, *, by: RoleBy, on: RoleOn = None) -> int:
    """Record who approved the plan as it stands, or a dossier."""
    return _record_role(named, "approved", by, on)


def _record_role(named: Path | None, role: RoleName, by: str, on: tuple[str, str] | None) -> int:
    from validation.study.history.plan_lock import read_lock
    from validation.study.history.roles import ON_PLAN, RECORD, RolesOfAStudy, read_roles, record_role
    from validation.study.plan import readable_part

    folder = _folder(named)
    if on is not None and on[0] != "dossier":
        raise Refusal(f'--on takes "dossier" and its number, such as --on dossier 001; found "{" ".join(on)}".')
    entry = record_role(folder, role, by=by, now=_now(), issue=None if on is None else on[1])
    if entry.on != ON_PLAN:
        _warn_of_damage(folder / "dossiers" / entry.on.partition(" ")[2])
    seen = "plan.yaml" if entry.on == ON_PLAN else f"manifest.json of {entry.on}"
    print(f"Recorded: {entry.by} {role} {seen}, SHA-256 {entry.sha256},\non {entry.time} (time of this computer).")
    plan = readable_part(folder / "plan.yaml")
    people = () if plan is None else tuple(str(person["name"]) for person in plan.people)
    _print_part("So far", RolesOfAStudy(read_roles(folder).entries, read_lock(folder)[0], people).sentences())
    print(f"\n  {folder / RECORD}")
    _next(f"validation check {shell_quoted(folder)}")
    return DONE


# ---------------------------------------------------------------------------------------------------------- amend


@app.command()
def amend(
    named: StudyFolder = None,
    *,
    reason: Annotated[str, typer.Option(help="Why: what shows that the amendment is right.")],
    by: Annotated[str, typer.Option(metavar="NAME", help="Who amends.")],
    reading: Annotated[str | None, typer.Option(metavar="ID", help="Identifier of the reading.")] = None,
    column: Annotated[str | None, typer.Option(metavar="C", help="Column to correct.")] = None,
    new: Annotated[str | None, typer.Option(metavar="V", help="The corrected value, with a decimal point.")] = None,
    exclude: Annotated[bool, typer.Option("--exclude", help="Leave the reading out; it stays in the record.")] = False,
    reinstate: Annotated[bool, typer.Option("--reinstate", help="Take an exclusion back.")] = False,
    plan: Annotated[
        bool, typer.Option("--plan", help="Record that plan.yaml was changed after it was frozen.")
    ] = False,
    impact: Annotated[
        str | None,
        typer.Option(
            metavar="ITEM", help="Balance, instrument or lot that had expired; the reason assesses the impact."
        ),
    ] = None,
    until: Annotated[
        str | None, typer.Option(metavar="DATE", help="With --impact: the date up to which later evidence covers it.")
    ] = None,
    record: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Record that a lot record, such as standards/S-01.yaml, was changed."),
    ] = None,
    acknowledge: Annotated[
        str | None,
        typer.Option(
            metavar="READING|FILE",
            help='Answer for a change or a loss that no amendment recorded: a reading, a file, or "amendment 2".',
        ),
    ] = None,
    answer: Annotated[
        str | None,
        typer.Option(metavar="QUESTION", help="Answer a question that check lists; the reason is the answer."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Append without asking.")] = False,
) -> int:
    """Correct, exclude or reinstate a reading, record a change of plan or lot record, note an impact, or answer.

    With --acknowledge: answer for a change that no amendment recorded; the conclusion goes on naming it.

    Shows old, new and the outcomes that change, asks, and appends to amendments.csv. Worksheets are never edited.
    """
    folder = _folder(named)
    other = column is not None or new is not None or exclude or reinstate or plan
    if acknowledge is not None:
        if other or reading or record is not None or impact is not None or until is not None or answer is not None:
            raise Refusal("Name one change: give --acknowledge READING (or FILE) without another change.")
        _refuse_unsigned(reason, by)
        return _acknowledge(folder, acknowledge, reason, by, yes)
    if answer is not None:
        if other or reading or impact is not None or until is not None or record is not None:
            raise Refusal("Name one change: give --answer QUESTION without another change.")
        _refuse_unsigned(reason, by)
        return _amend_answer(folder, answer, reason, by, yes)
    if record is not None:
        if other or reading or impact is not None or until is not None:
            raise Refusal("Name one change: give --record FILE without another change.")
        _refuse_unsigned(reason, by)
        return _amend_record(folder, record, reason, by, yes)
    if impact is not None or until is not None:
        _refuse_mixed_impact(impact, until, other)
        _refuse_unsigned(reason, by)
        return _amend_impact(folder, str(impact), str(until), reading or "", reason, by, yes)
    _refuse_mixed_amendment(reading, column, new, exclude, reinstate, plan)
    _refuse_unsigned(reason, by)
    if plan:
        return _amend_plan(folder, reason, by, yes)
    kind = "exclusion" if exclude else "reinstatement" if reinstate else "correction"
    return _amend_reading(folder, str(reading), kind, column or "", new or "", reason, by, yes)


def _refuse_mixed_amendment(
    reading: str | None,
    column: str | None,
    new: str | None,
    exclude: bool,
    reinstate: bool,
    plan: bool,
) -> None:
    correct = column is not None or new is not None
    if correct + exclude + reinstate + plan != 1:
        raise Refusal(
            "Name one change: --column C --new V to correct, or --exclude, or --reinstate, or --plan, or --record "
            "FILE, or --impact ITEM, or --acknowledge READING."
        )
    if correct and (column is None or new is None):
        raise Refusal("A correction needs both --column C and --new V.")
    if not plan and not reading:
        raise Refusal("Name the reading: --reading ID.")
    if plan and reading:
        raise Refusal("--plan amends the plan, not a reading; leave --reading out.")


def _refuse_mixed_impact(impact: str | None, until: str | None, other: bool) -> None:
    if other:
        raise Refusal(
            "Name one change: give --impact ITEM --until DATE without another change; --reading ID limits it to one "
            "reading."
        )
    if impact is None or until is None:
        raise Refusal("An impact note needs both --impact ITEM and --until DATE.")


def _refuse_unsigned(reason: str, by: str) -> None:
    if not reason.strip() or not by.strip():
        raise Refusal("Give both --reason and --by; an amendment without them is worth nothing.")


def _amend_reading(
    folder: Path, reading: str, kind: str, column: str, new: str, reason: str, by: str, yes: bool
) -> int:
    from validation.study.history.amendments import append, next_number, read_amendments
    from validation.study.history.applying import amendment_for
    from validation.study.load import current_states, read_study

    states = current_states(folder)
    number = next_number(read_amendments(folder)[0])
    amendment = amendment_for(
        states, number=number, reading=reading, kind=kind, by=by, reason=reason, now=_now(), column=column, new=new
    )
    row = next(state.row for state in states if state.row.reading == reading)
    print(f"{amendment.file}, row {row.line} (reading {reading})")
    if kind == "correction":
        print(f'  column "{column}": {amendment.old or "empty"} becomes {amendment.new or "empty"}')
    else:
        print(f"  {'left out of every quantity' if kind == 'exclusion' else 'taken back into every quantity'}")
    print(f"  reason: {reason}")
    before, _ = read_study(folder, draft=True)
    after, _ = read_study(folder, draft=True, added=[amendment])
    _print_outcomes(before, after)
    return _append(folder, amendment, yes, lambda: append(folder, amendment))


def _amend_impact(folder: Path, item: str, until: str, reading: str, reason: str, by: str, yes: bool) -> int:
    from validation.study.history.amendments import append, next_number, read_amendments
    from validation.study.load import current_items, read_study
    from validation.study.validity import impact_amendment

    plan, records = current_items(folder)
    written, faults = read_amendments(folder)
    if faults:
        return _tell_faults(faults)
    amendment = impact_amendment(
        plan,
        records,
        number=next_number(written),
        item=item,
        until=until,
        by=by,
        reason=reason,
        now=_now(),
        reading=reading,
    )
    print(f"{amendment.file}: {item} expired {amendment.old}; covered until {amendment.new} by later evidence")
    print(f"  {f'for reading {reading} alone' if reading else 'for everything that was done with it'}")
    print(f"  reason: {reason}")
    _, faults = read_study(folder, draft=True, added=[amendment])
    print("\nNo reading and no outcome changes; the note is printed on page 1 of the dossier.")
    if faults:
        print(f"Faults that remain: {len(faults)}.")
        for fault in faults:
            print(f"  {fault}")
    return _append(folder, amendment, yes, lambda: append(folder, amendment))


def _amend_record(folder: Path, named: str, reason: str, by: str, yes: bool) -> int:
    from validation.study.history.amendments import read_amendments
    from validation.study.history.readings import record_amendment, record_lot_change
    from validation.study.load import current_items

    _, records = current_items(folder)
    written, faults = read_amendments(folder)
    if faults:
        return _tell_faults(faults)
    amendment, seen, changes = record_amendment(folder, records, written, named=named, by=by, reason=reason, now=_now())
    print(f"{amendment.file}: {amendment.old[:12]} becomes {amendment.new[:12]} (SHA-256 of its content)")
    for change in changes:
        line = "" if change.row is None else f"line {change.row}, "
        print(f'  {line}"{change.column}": {change.old or "empty"} becomes {change.new or "empty"}')
    print(f"  reason: {reason}")
    print("\nEvery number of this lot is computed from the record as it is now; both versions are kept.")
    return _append(folder, amendment, yes, lambda: record_lot_change(folder, amendment, seen))


def _acknowledge(folder: Path, name: str, reason: str, by: str, yes: bool) -> int:
    from validation.study.history.amendments import append
    from validation.study.history.study_history import acknowledgement
    from validation.study.load import read_study

    study, faults = read_study(folder, draft=True)
    amendment, sentences = acknowledgement(folder, study, faults, name, by=by, reason=reason, now=_now())
    for sentence in sentences:
        print(sentence)
    print(f"  acknowledged by: {by}\n  reason: {reason}")
    print("\nNo number changes. Check and verify no longer answer no for it; the conclusion goes on naming it.")
    return _append(folder, amendment, yes, lambda: append(folder, amendment))


def _amend_answer(folder: Path, named: str, reason: str, by: str, yes: bool) -> int:
    from validation.judging import questions
    from validation.study.history.amendments import append, next_number, read_amendments
    from validation.study.load import load_study

    study = load_study(folder, draft=True)
    number = next_number(read_amendments(folder)[0])
    amendment = questions.answer(study, named, number=number, by=by, reason=reason, now=_now())
    question = next(item for item in questions.questions(study) if item.id == named)
    print(f"{question.worksheet}: {question.text}\n  answer: {reason}")
    print("\nNo reading and no outcome changes; question and answer are printed in the dossier.")
    return _append(folder, amendment, yes, lambda: append(folder, amendment))


def _print_outcomes(before: Study | None, after: Study | None) -> None:
    """Which outcomes would change, and how many would not."""
    if after is None:
        print("\nThe study still has faults after this amendment, so outcomes cannot be compared.")
        return
    then = {(row.id, row.at): row for row in _outcomes(before)} if before is not None else {}
    now = {(row.id, row.at): row for row in _outcomes(after)}
    changed = [key for key in dict.fromkeys([*then, *now]) if _word(then.get(key)) != _word(now.get(key))]
    print(f"\nOutcomes that change: {len(changed) or 'none'} (of {len(now)}).")
    for key in changed:
        name, at = key
        place = "" if at is None else f" at {at:g}" if isinstance(at, float) else f" at {at}"
        print(f"  {name}{place}: {_word(then.get(key))} becomes {_word(now.get(key))}")
        if key in now:
            print(f"    {now[key].text}")


def _word(row: RequirementResult | None) -> str:
    return "not there" if row is None else row.outcome


def _outcomes(study: Study) -> Sequence[RequirementResult]:
    from validation.judging.outcomes import outcomes

    return outcomes(study)


def _append(folder: Path, amendment: Amendment, yes: bool, write: Callable[[], object]) -> int:
    from validation.study.folder import AMENDMENTS

    if not yes and not typer.confirm(f"\nAppend this as amendment {amendment.number}?", default=False):
        print("Nothing was written.")
        return NO
    write()
    print(f"\nAppended as amendment {amendment.number}:\n  {folder / AMENDMENTS}")
    _next(f"validation check {shell_quoted(folder)}", f"validation run {shell_quoted(folder)}")
    return DONE


def _amend_plan(folder: Path, reason: str, by: str, yes: bool) -> int:
    from dataclasses import replace

    from validation.judging.requirements import requirement_faults
    from validation.study.explain import plan_changes
    from validation.study.history.plan_lock import kept_plan, plan_amendment, record_plan_change
    from validation.study.load import read_study
    from validation.study.plan import parse_plan, plan_lines, read_plan

    plan, faults = read_plan(folder)
    faults += [] if plan is None else requirement_faults(plan, lines=plan_lines(folder))
    if plan is None or faults:
        return _tell_faults(faults)
    amendment = plan_amendment(folder, by=by, reason=reason, now=_now())
    kept = kept_plan(folder, amendment.old)
    frozen = parse_plan(kept.read_bytes())[0] if kept.exists() else None
    same_bytes = amendment.old == amendment.new
    becomes = "as last frozen; plan.lock begins anew" if same_bytes else f"becomes {amendment.new[:12]}"
    print(f"plan.yaml: {amendment.old[:12]} {becomes}\n  reason: {reason}")
    for sentence in [] if frozen is None else plan_changes(frozen, plan):
        print(f"  {sentence}")
    after, _ = read_study(folder, draft=True)
    if after is not None:
        same = frozen is not None and frozen.experiments == plan.experiments
        _print_outcomes(replace(after, plan=frozen) if same and frozen is not None else None, after)
    if amendment.line:
        print(
            f"\nAmendment {amendment.number} already records this change; plan.lock was not written then and is "
            "written now."
        )
    return _append(folder, amendment, yes, lambda: record_plan_change(folder, amendment, now=_now()))


# ---------------------------------------------------------------------------------------------------------- run


@app.command()
def run(
    named: StudyFolder = None,
    jobs: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Notebooks to run at the same time; default: one more than processors."),
    ] = None,
    strict: Annotated[bool, typer.Option("--strict", help="Exit with 1 if a requirement is not met.")] = False,
    open_it: Annotated[bool, typer.Option("--open", help="Open the dossier when it is done.")] = False,
    draft: Annotated[
        bool, typer.Option("--draft", help="Leave out readings without a result; watermarked, outside dossiers/.")
    ] = False,
    only: Annotated[
        str | None, typer.Option(metavar="KEY", help="Compute one characteristic only, as a draft.")
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Compute, judge and write the next dossier.

    Where the plan is not frozen, or no reading is there yet, it writes a draft, which takes no number.
    """
    folder = _folder(named)
    # A key such as trueness.bias begins with the name of its characteristic.
    name = None if only is None else only.partition(".")[0]

    def work() -> RunReport:
        from validation.running.run import run_study

        return run_study(folder, jobs=jobs, draft=draft, only=name, progress=_progress)

    report = _with_kernels(work)
    _report_run(report, folder, as_json, *_against_the_one_before(report, folder))
    if open_it:
        import webbrowser

        webbrowser.open((report.dossier / "dossier.html").resolve().as_uri())
    return NO if strict and not report.all_met else DONE


def _against_the_one_before(report: RunReport, study: Path) -> list[str]:
    from validation.study.folder import issues_of

    issues = [] if report.draft else issues_of(study)[-2:]
    names = " ".join(shell_quoted(issue) for issue in issues)
    return [f"validation compare {names}   (what changed since the issue before)"] if len(issues) == 2 else []


def _progress(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _one_thread() -> None:
    """As in the kernels, and before numpy is imported: the last digit must not depend on the number of processors."""
    from validation.running.nursery_process import ONE_THREAD

    if "numpy" not in sys.modules:
        os.environ.update(ONE_THREAD)


def _with_kernels(work: Callable[[], _Answer], *, early: bool = True) -> _Answer:
    """Start the process that kernels are forked from, then work; a notebook that stopped gives one sentence."""
    from validation.running import nursery_process

    _one_thread()
    if early:
        nursery_process.start_early()
    # jsonschema would import this to check web addresses; notebooks hold none that matter, and it takes a second.
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
    try:
        from validation.running.notebooks import NotebookFailure

        try:
            return work()
        except NotebookFailure as failure:
            raise Refusal(str(failure)) from None
    finally:
        nursery_process.discard()


def _report_run(report: RunReport, study: Path, as_json: bool, *further: str) -> None:
    if as_json:
        _print_json(report.to_dict())
        return
    _print_part("Warnings", report.warnings)
    print(f"\nProposed conclusion: {report.outcome}. {report.text}".rstrip())
    if report.draft:
        print(report.draft)
    print()
    for name in ("dossier.html", "dossier.pdf", "results.json"):
        if (report.dossier / name).exists():
            print(f"  {report.dossier / name}")
    then = f"validation verify {shell_quoted(report.dossier)}"
    if report.draft:
        then = f"validation check {shell_quoted(study)}   (what is to be done before a dossier)"
    _next(f"Read {report.dossier / 'dossier.html'}; people sign, this program does not.", then, *further)


# ---------------------------------------------------------------------------------------------------------- verify


@app.command()
def verify(
    folder: DossierOrPack,
    into: Annotated[
        Path | None,
        typer.Argument(
            metavar="DIR",
            help="With --rebuild: the new folder; left out: beside the dossier, NAME-rebuilt.",
            parser=_named_path,
        ),
    ] = None,
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="Also write the whole dossier again from its inputs, and compare each file."),
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Check every hash of a dossier or a pack, make the dossier again from its inputs, and compare the two.

    The record is computed again, the pages are made again, the notebooks executed again: numbers, words, figures and
    outputs are compared, and what differs is named. A dossier of another version of this program is compared in the
    numbers and verdicts that both versions give; what was not compared is listed first.
    """
    if into is not None and not rebuild:
        raise typer.BadParameter("a second folder goes with --rebuild.")
    if folder.suffix != PACKED:
        folder = _dossier(folder)
    elif rebuild:
        raise typer.BadParameter("--rebuild takes the folder of a dossier: unpack the file first.")
    return _with_kernels(lambda: _verified(folder, rebuild, into, as_json), early=_of_this_version(folder))


def _of_this_version(folder: Path) -> bool:
    """Whether notebooks will be executed again: of another version they are not compared."""
    from validation.dossier.manifest import read_manifest

    try:
        return read_manifest(folder).program_version == __version__
    except Refusal:
        return False


def _verified(folder: Path, rebuild: bool, into: Path | None, as_json: bool) -> int:
    from validation.dossier.pack import verify_pack
    from validation.dossier.verify import verify_dossier
    from validation.running.again import executed_again, rebuilt_dossier

    anew = rebuilt_dossier(folder, into) if rebuild else None
    check = verify_pack if folder.suffix == PACKED else verify_dossier
    report = anew.verified if anew else check(folder, make=executed_again)
    ok = anew.ok if anew else report.ok
    if as_json:
        _print_json((anew or report).to_dict())
        return DONE if ok else NO
    _print_part("Notes", report.notes)
    _print_part("Signatures", report.signed.sentences)
    if report.ok:
        answer = "The dossier verifies" if report.whole else "The dossier verifies as far as this version can check"
        print(f"{answer}: {report.checked} files and values checked, recomputed from its inputs.")
        print(f"  {folder}")
        _print_part("Compared", report.compared)
        print(f"\n{report.limits}")
    for problem in report.problems:
        print(problem, file=sys.stderr)
    if anew is not None:
        _report_rebuilt(anew)
    if report.ok:
        if folder.suffix != PACKED:
            _next(f"validation trace {shell_quoted(folder)} KEY --at LEVEL   (one number back to its rows)")
        return DONE if ok else NO
    print(f"\nThe dossier does not verify: {counted(len(report.problems), 'problem')}.\n  {folder}", file=sys.stderr)
    print(
        "Next: find out what changed; an untouched copy verifies. `validation run` writes a new dossier.",
        file=sys.stderr,
    )
    return NO


def _report_rebuilt(report: RebuildReport) -> None:
    """What is the same to the byte, what is not, and why the manifest never is."""
    print(f"\nWritten again: {report.folder}")
    print(f"  {counted(report.identical, 'file')} the same to the byte.")
    print("  manifest.json and manifest.sha256 differ, as they must: they hold times, and the seal over them.")
    for text in report.different:
        print(f"  {text}")


def _dossier(folder: Path) -> Path:
    from validation.study.folder import issues_of

    if folder.is_file():
        folder = folder.parent
    if not folder.exists():
        raise Refusal(f"There is no dossier {folder}; `validation run` writes one into dossiers/ of the study.")
    if (folder / "plan.yaml").is_file():
        issues = issues_of(folder)
        where = f"its newest dossier is {issues[-1]}" if issues else "`validation run` writes its first dossier"
        raise Refusal(f"{folder} is a study, not a dossier; {where}.")
    return folder


def _warn_of_damage(*folders: Path) -> None:
    """Warn where the hashes of a dossier that is read do not hold; the rest is for `verify`."""
    from validation.dossier.manifest import integrity_problems

    for folder in folders:
        _warn_that_it_does_not_verify(folder, integrity_problems(folder))


def _warn_that_it_does_not_verify(folder: Path, problems: Sequence[str], *, most: int = 5) -> None:
    if problems:
        some = [*problems[:most], *([f"and {len(problems) - most} more."] if len(problems) > most else [])]
        print(f"Warning: {folder} does not verify, so nothing here can be relied on: {' '.join(some)}", file=sys.stderr)


# ------------------------------------------------------------------------------------------------------ sign, pack


@app.command()
def sign(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="DOSSIER", help="Folder of a dossier, such as study/dossiers/001.", parser=_named_path),
    ] = None,
    *,
    role: Annotated[
        str | None, typer.Option("--as", metavar="ROLE", help="What you sign as: prepared, reviewed or approved.")
    ] = None,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who signs.")] = None,
    key: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Key and certificate in one PKCS 12 file (.p12, .pfx).", parser=_named_path),
    ] = None,
    passphrase_file: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="File that holds the passphrase of the key.", parser=_named_path),
    ] = None,
    reason: Annotated[str, typer.Option(help="Why you sign, in words.")] = "",
    test_certificate: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Only write a test certificate into this folder, which proves nothing.",
            parser=_named_path,
        ),
    ] = None,
) -> int:
    """Sign the PDF of a dossier: a PAdES signature in dossier.signed.pdf, which seals the manifest too.

    Each further signature is added to the same file; dossier.pdf and the manifest stay as they are.
    """
    from validation.dossier import signing

    if test_certificate is not None:
        return _write_test_certificate(test_certificate)
    signing.require_signing()
    if folder is None or role is None or by is None or key is None:
        return _say_wrong("Name the dossier, --as prepared, reviewed or approved, --by NAME and --key FILE.")
    secret = None if passphrase_file is None else passphrase_file.read_bytes().rstrip(b"\r\n")
    folder = _dossier(folder)
    copy = signing.sign_dossier(folder, role=role, name=by, key=key, now=_now(), passphrase=secret, reason=reason)
    _print_part("Signatures", copy.sentences)
    print(f"  {folder / signing.SIGNED}")
    _next(
        f"validation verify {shell_quoted(folder)}   (checks the signatures too)",
        f"validation pack {shell_quoted(folder)}   (one file for the archive)",
    )
    return DONE


def _write_test_certificate(folder: Path) -> int:
    from validation.dossier.signing import write_test_certificate

    written = write_test_certificate(folder, _now())
    print(f"A test certificate, which proves nothing, without a passphrase:\n  {written}")
    _next(f'validation sign DOSSIER --as prepared --by "your name" --key {shell_quoted(written)}')
    return DONE


@app.command()
def pack(
    folder: DossierFolder,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="The file to write; left out: the study and the issue, in the current folder.",
            parser=_named_path,
        ),
    ] = None,
) -> int:
    """Pack a dossier for the archive: one ZIP file with its signed copy, how to check it, and this program's source."""
    from validation.dossier.pack import pack_dossier

    written = pack_dossier(_dossier(folder), out)
    print(f"{counted(written.files, 'file')}, {written.size / 1e6:.1f} MB.\nSHA-256 {written.sha256}\n  {written.path}")
    _next(
        f"validation verify {shell_quoted(written.path)}   (unpacks it to a temporary folder and verifies it)",
        "Keep the SHA-256 elsewhere; RECOMPUTE.txt inside says how to read the file without this program.",
    )
    return DONE


@app.command()
def trace(
    folder: DossierFolder,
    key: Annotated[
        str,
        typer.Argument(
            metavar="KEY", help="A requirement, such as R1, or a key of results.json, such as trueness.bias."
        ),
    ],
    at: Annotated[str | None, typer.Option(metavar="LEVEL", help="Level or name, where there are several.")] = None,
    as_json: AsJson = False,
) -> int:
    """Follow a verdict or a number back to formula, source and worksheet rows.

    Hashes, and changes without an amendment, are checked first; verify computes every number again.
    """
    from validation.dossier import trace as tracing

    folder = _dossier(folder)
    _warn_of_damage(folder)
    record = tracing.trace_record(folder, key, at)
    _warn_that_it_does_not_verify(folder, record["changed"])
    if as_json:
        _print_json(record)
        return DONE
    print(tracing.as_text(folder, record))
    look = tracing.where_to_look(folder, record)
    _next(f"{look}; validation verify {shell_quoted(folder)} recomputes every number.")
    return DONE


@app.command()
def audit(
    folder: DossierFolder,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 1 where a question or clause is not answered in full.")
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Ask a dossier the thirty questions of an assessment and ISO/IEC 17025 clause by clause, from its own record.

    Each answer says where it stands in the dossier; what is missing names the key of the plan that would answer it.
    """
    _one_thread()
    from validation.dossier.auditing import as_text, audit_dossier

    report = audit_dossier(_dossier(folder))
    for warning in report.warnings:
        print(f"Warning: {warning}", file=sys.stderr)
    if as_json:
        _print_json(report.to_dict())
    else:
        print(as_text(report))
        _next("State what is missing in the plan (once frozen, validation amend --plan), then run the study again.")
    return NO if strict and report.findings else DONE


@app.command()
def compare(
    old: Annotated[Path, typer.Argument(metavar="OLD", help="The earlier dossier.", parser=_named_path)],
    new: Annotated[Path, typer.Argument(metavar="NEW", help="The later dossier.", parser=_named_path)],
    as_json: AsJson = False,
) -> int:
    """Compare two dossiers, number by number, verdict changes first, with the cause."""
    from validation.dossier.compare import compare as compare_dossiers
    from validation.dossier.compare_text import report_text

    report = compare_dossiers(_dossier(old), _dossier(new))
    _warn_of_damage(old, new)
    if as_json:
        _print_json(report.to_dict())
        return DONE
    print(report_text(report))
    _next(f"validation trace {shell_quoted(new)} KEY --at LEVEL   (why a number moved)", f"The dossiers: {old}, {new}")
    return DONE


@app.command()
def demo(
    out: Annotated[
        Path,
        typer.Option(metavar="DIR", help="Folder to write into; nothing is overwritten.", parser=_named_path),
    ] = Path("validation-demo"),
    jobs: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Notebooks to run at the same time; default: one more than processors."),
    ] = None,
    new_lot: Annotated[
        bool, typer.Option("--new-lot", help="Go on with a second study: a new lot of the standard.")
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Run the main job on the demonstration study.

    A dossier that is there already is reported again; with --new-lot the second study goes on from it.
    """

    def work() -> RunReport:
        from validation.running.demo import run_demo

        return run_demo(out, _progress, jobs=jobs, new_lot=new_lot)

    report = _with_kernels(work)
    further = f"validation demo --out {shell_quoted(out)} --new-lot   (a new lot of the standard, after this study)"
    if new_lot:
        from validation.running.demo import STUDY
        from validation.study.folder import issues_of

        first = issues_of(out / STUDY)[-1]
        further = f"validation compare {shell_quoted(first)} {shell_quoted(report.dossier)}   (what the lot changed)"
    _report_run(report, report.dossier.parent.parent, as_json, further)
    return DONE


@app.command()
def selftest(
    out: Annotated[
        Path,
        typer.Option(
            metavar="DIR", help="Folder of the report; an earlier report there is replaced.", parser=_named_path
        ),
    ] = Path("validation-selftest"),
    study: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Put a copy into records/ of this study; its next dossier cites it.",
            parser=_named_path,
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Test the calculations on this machine against published examples and certified values, and write a report.

    It needs no study. The exit code is 1 if a check fails; each failed check is named.
    """
    _one_thread()
    from validation.selftest.report import PAGE, PRINT, RECORD, run_selftest

    place = None if study is None else _folder(study)
    written = run_selftest(out, now=_now, study=place, progress=_progress)
    failures = written.result.failures
    if as_json:
        _print_json(written.to_dict())
        return NO if failures else DONE
    for line in failures:
        print(f"FAILED  {line}", file=sys.stderr)
    count = written.result.count
    if failures:
        print(f"\nThe self-test fails: {len(failures)} of {count} checks.", file=sys.stderr)
    else:
        print(
            f"The self-test passes: all {count} checks passed; {len(written.result.left)} printed values were not "
            "compared."
        )
    for other in written.result.witnesses:
        if other.absent:
            print(other.absent)
    print(f"SHA-256 of its content: {written.result.sha256}")
    for folder in (out, *([] if written.study_copy is None else [written.study_copy])):
        print("", *(f"  {folder / name}" for name in (PAGE, PRINT, RECORD)), sep="\n")
    if failures:
        _next("Do not rely on a dossier of this installation; reinstall the package and run validation selftest again.")
        return NO
    cited = (
        "validation selftest --study DIR   (puts a copy into the records of a study, for its dossier to cite)"
        if place is None
        else f"validation run {shell_quoted(place)}   (its dossier cites the report)"
    )
    _next(f"Read {out / PAGE}; people sign, this program does not.", cited)
    return DONE
