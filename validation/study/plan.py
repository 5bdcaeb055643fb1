"""The plan of a study: what is validated, why, by whom, and the requirements set before the data."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetPydanticSchema,
    SerializeAsAny,
    ValidationError,
    WithJsonSchema,
    create_model,
    field_validator,
    model_validator,
)
from pydantic_core import InitErrorDetails, core_schema

from validation.faults import Fault
from validation.study.audit_plan import (
    AuditFacts,
    Authorisation,
    Edition,
    Proficiency,
    ReferenceMethod,
    Retention,
    Standing,
)
from validation.study.budget import Budget, Component
from validation.study.decision_rule import DecisionRule
from validation.study.experiments import EXPERIMENTS, Setting, excusable, may_be_planned, settings_of
from validation.study.export_plan import Export
from validation.study.grammar import Limit
from validation.study.plan_checks import plan_checks, range_of
from validation.study.plan_values import At, Name, Number, Numbers, Text, Unit, as_number, inside_path
from validation.study.procedure_settings import ProcedureSetting
from validation.study.schema_faults import by_path, found_text, unknown_word
from validation.study.yaml_reading import Path_, Reading, key_name, read_yaml

PLAN = "plan.yaml"

Rule = Literal["equivalence", "inside", "upper bound", "lower bound", "point"]


class _Model(BaseModel):
    # What is written below a key is its description for editors.
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class StudyFacts(_Model):
    """What is validated, where and why. An absent optional fact is printed as "not stated"."""

    id: Text
    """Short name of the study, printed on every page."""
    title: Text
    """What is validated, in one line."""
    laboratory: Name
    """Name of the laboratory."""
    measurand: Text
    """What is measured, in full, with the reference it is measured against."""
    unit: Unit
    """Unit of the results, such as "%" (in quotes)."""
    range: tuple[float, float]
    """Range to be validated, low and high, in the unit of the study: [0.5, 10.0]."""
    grade: Name | None = None
    """Oil grade of this study: what other grades are compared with."""
    fuel: Name | None = None
    """Fuel blend of this study: what other fuels are compared with."""
    procedure: Text | None = None
    """Procedure and its version."""
    intended_use: Text | None = None
    """What the results decide."""
    customer_limits: Numbers = ()
    """Levels at which the customer acts, in the unit of the study: [2.0, 4.0]."""
    trigger: Text | None = None
    """Why the study is made: new method, new oil grade, new lot ..."""
    time_zone: Text | None = None
    """Zone of times that carry none, such as Europe/Berlin; else that of the computer that froze the plan."""
    date_order: Literal["day-month-year", "month-day-year", "year-month-day"] | None = None
    """How dates are written in worksheets where they are not ISO 8601."""
    matrix: Name | None = None
    """Matrix of the samples that results are reported for, as the worksheets write it: used oil."""
    settings: tuple[ProcedureSetting, ...] = ()
    """What the procedure rests on: values, each with the quantity that must support it."""
    parent: Text | None = Field(default=None, json_schema_extra={"pattern": "^[0-9a-fA-F]{64}$"})
    """SHA-256 of manifest.json of the dossier that this study follows; it is in manifest.sha256 there."""

    @field_validator("range", mode="before")
    @classmethod
    def _two_ends(cls, value: Any) -> Any:
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise ValueError("must be two numbers, low and high. Write decimal points: [0.5, 10.0].")
        low, high = (as_number(end) for end in value)
        if not isinstance(low, int | float) or not isinstance(high, int | float) or low >= high:
            raise ValueError("must rise from low to high. Write the low end first: [0.5, 10.0].")
        return float(low), float(high)

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                if ZoneInfo(value) and value in ("localtime", "posixrules", "Factory"):
                    raise ValueError("another zone on every computer")
            except Exception as error:
                raise ValueError(
                    f'"{value}" is not a time zone. Write an IANA name such as "Europe/Berlin" or "UTC".'
                ) from error
        return value

    @field_validator("parent")
    @classmethod
    def _sha256(cls, value: str | None) -> str | None:
        if value is not None and not re.fullmatch("[0-9a-fA-F]{64}", value):
            raise ValueError(
                "must be the SHA-256 of the parent dossier's manifest.json: 64 hexadecimal digits. "
                "They are in manifest.sha256 of that dossier."
            )
        return None if value is None else value.lower()


class PlannedExperiment(_Model):
    """What the plan says of one experiment: its worksheet, and the settings that its record has."""

    worksheet: Text
    """File of the readings, from the study folder: worksheets/precision.csv."""

    @field_validator("worksheet")
    @classmethod
    def _inside_the_study(cls, value: str) -> str:
        return inside_path(value)

    @property
    def settings(self) -> dict[str, Any]:
        """The settings that the plan states, by name."""
        return {name: value for name, value in self if name != "worksheet" and value is not None}


@lru_cache
def _schema_of(settings: tuple[Setting, ...]) -> type[PlannedExperiment]:
    kinds: dict[str, Any] = {
        item.name: (item.type | None, Field(default=None, description=item.meaning)) for item in settings
    }
    seed: Any = (int | None, Field(default=None, description="Seed of the measuring order, where `start` made one."))
    return create_model("PlannedExperiment", __base__=PlannedExperiment, **kinds, order_seed=seed)


def experiment_schema(name: str) -> type[PlannedExperiment]:
    """The schema of one experiment."""
    return _schema_of(settings_of(name))


def _setting_names(name: str) -> tuple[str, ...]:
    """The keys that an experiment may have; those that every one has come first."""
    own = [item.name for item in EXPERIMENTS[name].settings] if name in EXPERIMENTS else []
    return ("worksheet", "order_seed", *own)


def _as_planned(value: Any) -> Any:
    """Each experiment by the schema of its name; the complaints of all of them at once."""
    if not isinstance(value, Mapping):
        return value  # the schema reports it
    planned: dict[str, PlannedExperiment] = {}
    complaints: list[InitErrorDetails] = []
    for name, entry in value.items():
        try:
            planned[name] = experiment_schema(name).model_validate(entry)
        except ValidationError as error:
            complaints += [_complaint(name, item) for item in error.errors(include_url=False)]
    if complaints:
        raise ValidationError.from_exception_data("experiments", complaints)
    return planned


def _complaint(name: str, item: Mapping[str, Any]) -> InitErrorDetails:
    place = (name, *item["loc"])
    return InitErrorDetails(type=item["type"], loc=place, input=item["input"], ctx=item.get("ctx", {}))


def _without_default(schema: dict[str, Any]) -> None:
    """For editors: what is taken where the key is left out depends on the quantity."""
    del schema["default"]


def _as_stated(value: Any) -> Any:
    """A key without a value would take back what it seems to state, such as the end of a certificate."""
    if value is None:
        raise ValueError("is empty. Write it, or leave the key out.")
    return value


class Requirement(_Model):
    """One requirement: which quantity, where, by which rule, against which limit, and where the limit comes from.

    `at` None means every level inside `study.range` at which the quantity exists. `target` is the centre of the rule
    `equivalence`: 0, but 1 for slopes, ratios, recoveries and agreements, unless the plan says otherwise.
    """

    id: Text
    """Your name for the requirement, used once."""
    quantity: Text
    """Key of results.json that is judged, such as trueness.bias."""
    rule: Rule
    """How it is judged: equivalence asks for the whole interval inside target ± limit, inside for a share of single
    results within ± limit, point looks at the estimate alone."""
    limit: Limit
    """A number, a share of the level ("5%"), or max(...), min(...), sum(...) of those, in quotes."""
    at: At = None
    """A level, or the name of a definition, sample or grade; left out: every tested level inside the range."""
    target: Number = Field(default=0.0, json_schema_extra=_without_default)
    """Centre of the rule equivalence; left out: 0, but 1 for slopes, ratios, recoveries and agreements."""
    content: Annotated[
        Number | None,
        Field(ge=0.5, le=0.9999),
        BeforeValidator(_as_stated),
        WithJsonSchema({"type": "number", "minimum": 0.5, "maximum": 0.9999}),
    ] = Field(default=None, json_schema_extra=_without_default)
    """Share of single results that the rule inside wants within the limit; left out: the plan's confidence."""
    origin: str = ""
    """Where the limit comes from; an auditor will ask."""

    @model_validator(mode="before")
    @classmethod
    def _usual_target(cls, data: Any) -> Any:
        if isinstance(data, Mapping) and "target" not in data:
            name = str(data.get("quantity", "")).rpartition(".")[2]
            one = any(word in name for word in ("slope", "ratio", "recovery", "agreement"))
            return {**data, "target": 1.0 if one else 0.0}
        return data

    @field_validator("limit", mode="before")
    @classmethod
    def _limit_stated(cls, value: Any) -> Any:
        if value is None:
            raise ValueError('is empty. Write a number (0.18) or a text in quotes ("max(0.15, 5%)").')
        return value

    @field_validator("at", mode="after")
    @classmethod
    def _at_is_named(cls, value: float | str | None) -> float | str | None:
        if isinstance(value, str) and not value.strip():
            raise ValueError("is empty. Write a level or a name, or leave the key out for every level.")
        return value

    @model_validator(mode="after")
    def _content_is_a_share(self) -> Requirement:
        if self.content is None:
            return self
        if self.rule != "inside":
            raise ValueError(f"has a content, but its rule is `{self.rule}`. Leave it out; only `inside` asks for one.")
        return self

    @model_validator(mode="after")
    def _share_has_a_level(self) -> Requirement:
        if isinstance(self.at, str) and self.limit.needs_level:
            raise ValueError(
                f'has the limit "{self.limit}", a share of the level, at the name "{self.at}", which is not a level. '
                "Write the limit as a number."
            )
        return self


Stated = Annotated[
    Any,
    BeforeValidator(_as_stated),
    WithJsonSchema({"type": ["string", "number"], "description": "A date: 2027-01-31."}),
]
_NumberStated = Annotated[Number | None, BeforeValidator(_as_stated), WithJsonSchema({"type": "number"})]


class _Facts(_Model):
    """What every entry of `people`, `equipment` and `standards` may state; `what` and `note` take anything else."""

    name: Name
    """Name as the worksheets write it, used once."""
    what: Any = None
    """What it is, in your own words."""
    record: Any = None
    """File in records/ that shows it."""
    note: Any = None
    """Anything else worth printing."""


class Person(_Facts):
    """A person who takes part, and in which role."""

    role: Any = None
    initials: Any = None
    laboratory: Any = None
    contact: Any = None
    training: Any = None
    authorised: Any = None
    authorised_for: Any = None
    since: Any = None
    until: Any = None


class Equipment(_Facts):
    """`valid_from` and `valid_until` are compared with every use (validity.py); the rest is printed."""

    kind: Any = None
    maker: Any = None
    model: Any = None
    serial: Any = None
    firmware: Any = None
    software: Any = None
    location: Any = None
    laboratory: Any = None
    owner: Any = None
    certificate: Any = None
    calibrated_by: Any = None
    calibrated_on: Any = None
    valid_from: Stated = None
    """First day on which the certificate holds: 2026-02-01."""
    valid_until: Stated = None
    """Last day on which it holds: 2027-01-31. A use outside the two stops the run."""


class Standard(_Facts):
    """A lot of the standard: its stated value, its record, its last day of use."""

    value: _NumberStated = None
    """Content as stated for the lot, in the unit of the study."""
    uncertainty: _NumberStated = None
    """Its standard uncertainty, in the unit of the study."""
    unit: Unit | None = None
    """Unit of the two; that of the study."""
    lot_record: Annotated[Name | None, BeforeValidator(_as_stated), WithJsonSchema({"type": "string"})] = None
    """File of the weighings, from which the value is computed: standards/S-01.yaml."""
    grade: Any = None
    fuel: Any = None
    batch: Any = None
    supplier: Any = None
    certificate: Any = None
    storage: Any = None
    made: Any = None
    made_by: Any = None
    opened: Any = None
    expires: Stated = None
    """Last day of use: 2027-01-31."""


#: Other words for the keys that end a time of use, so that the fault can name the right one.
_MEANT = {
    "equipment": {"expires": "valid_until", "expiry": "valid_until", "due": "valid_until", "valid_to": "valid_until"},
    "standards": {"valid_until": "expires", "expiry": "expires", "use_by": "expires", "best_before": "expires"},
}


def _as_facts(value: Any) -> Any:
    """A list or a mapping by name, as a tuple of mappings, each with its `name`."""
    if value is None:
        return ()
    if isinstance(value, Mapping):
        value = [{"name": name, **_one_fact(facts)} for name, facts in value.items()]
    if not isinstance(value, list | tuple):
        raise ValueError('must be a list. Write one entry a line: - {name: "...", what: "..."}.')
    return tuple(item if isinstance(item, Mapping) else {"name": _plain_fact(item)} for item in value)


def _one_fact(facts: Any) -> dict[str, Any]:
    return dict(facts) if isinstance(facts, Mapping) else {} if facts is None else {"what": _plain_fact(facts)}


def _plain_fact(value: Any) -> Any:
    if isinstance(value, Mapping | list | tuple):
        raise ValueError("must be a name or a mapping of facts. Write one entry a line.")
    return value


Facts = tuple[dict[str, Any], ...]


def _entries(kind: type[_Facts]) -> GetPydanticSchema:
    """A list whose entries have the keys of `kind`; whoever reads it sees plain mappings, in the order of the plan."""

    def plain(stated: Any, read: Callable[[Any], tuple[_Facts, ...]]) -> Facts:
        entries = [entry.model_dump(exclude_unset=True) for entry in read(stated)]
        return tuple({key: entry[key] for key in item} for item, entry in zip(stated, entries, strict=True))

    written = core_schema.plain_serializer_function_ser_schema(lambda facts: facts)
    return GetPydanticSchema(
        lambda _, handler: core_schema.no_info_wrap_validator_function(
            plain,
            handler(tuple[kind, ...]),  # type: ignore[valid-type]
            serialization=written,
        )
    )


class Lots(_Model):
    """The lot in use, and the largest step between two lots that the customer may see."""

    in_use: Name | None = None
    """Lot in routine use, one of the standards."""
    allowed_step: Limit | None = None
    """Largest step between two lots that may pass: a number, or a share of the level ("5%")."""
    what: Text | None = None
    """What the lots are of, in your own words."""
    note: Text | None = None
    """Anything else worth printing."""

    @property
    def stated(self) -> dict[str, Any]:
        """The facts about lots in addition to `allowed_step`, as the plan states them."""
        return {name: value for name, value in self if name != "allowed_step" and value is not None}


def _as_reasons(value: Any) -> Any:
    if value is None:
        return {}
    if isinstance(value, list | tuple):
        return {str(name): "" for name in value}
    if isinstance(value, Mapping):
        return {name: "" if reason is None else reason for name, reason in value.items()}
    return value


class Plan(_Model):
    """The content of plan.yaml. `Plan.model_validate` reads it from plain values; `read_plan` from the file."""

    format: Literal[1]
    """Format of this file."""
    study: StudyFacts
    """What is validated, where and why."""
    confidence: Number = Field(default=0.95, ge=0.6, le=0.9999)
    """Confidence of every interval, as a share of one; a requirement may err with a probability of one minus it."""
    experiments: Annotated[
        dict[str, SerializeAsAny[PlannedExperiment]], Field(min_length=1), BeforeValidator(_as_planned)
    ]
    """What is measured: each experiment with its worksheet."""
    exports: tuple[Export, ...] = ()
    """Exports of instruments in records/, compared line by line with the worksheets."""
    requirements: tuple[Requirement, ...] = ()
    """What must be true of the method, set before the data."""
    people: Annotated[Facts, _entries(Person), BeforeValidator(_as_facts)] = ()
    """Who takes part."""
    equipment: Annotated[Facts, _entries(Equipment), BeforeValidator(_as_facts)] = ()
    """Instruments and balances, with their certificates."""
    standards: Annotated[Facts, _entries(Standard), BeforeValidator(_as_facts)] = ()
    """Lots of the standard."""
    not_evaluated: Annotated[dict[str, str], BeforeValidator(_as_reasons)] = Field(default_factory=dict)
    """What this study leaves out, each with the reason; without one the conclusion cannot be fit."""
    lots: Lots = Field(default_factory=Lots)
    """The lot in use, and the largest step between two lots."""
    uncertainty: Budget | None = None
    """Components of the uncertainty of a result."""
    decision: DecisionRule | None = None
    """The rule agreed with the customer for a result against a limit."""
    audit: AuditFacts = Field(default_factory=AuditFacts)
    """What an assessor asks for and no reading shows."""
    verdict_draws: int = Field(default=4000, ge=500, le=200_000, strict=True)
    """Studies simulated for the error of the verdict as a whole; more take longer and narrow its Monte Carlo error."""

    @field_validator("requirements", "exports", mode="before")
    @classmethod
    def _none_is_no_requirement(cls, value: Any) -> Any:
        return () if value is None else value

    @field_validator("lots", "audit", mode="before")
    @classmethod
    def _none_is_no_lots(cls, value: Any) -> Any:
        return {} if value is None else value

    @field_validator("confidence", mode="before")
    @classmethod
    def _share_of_one(cls, value: Any) -> Any:
        if isinstance(value, int | float) and not isinstance(value, bool) and 1 < value < 100:
            raise ValueError(f"must be a share of one, not per cent. Write {value / 100:g}.")
        return value

    @model_validator(mode="after")
    def _experiments_and_ids(self) -> Plan:
        for name in self.experiments:
            if not may_be_planned(name):
                raise ValueError(f'names the unknown experiment "{name}".{nearest(name, EXPERIMENTS)}')
        ids = [requirement.id for requirement in self.requirements]
        twice = sorted({name for name in ids if ids.count(name) > 1})
        if twice:
            raise ValueError(f"gives the requirement id {twice[0]} twice. Give each requirement its own id.")
        return self


def nearest(name: str, known: Iterable[str]) -> str:
    """ " Write X." for the nearest known name, else the list of them."""
    known = list(known)
    close = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.6)
    return f' Write "{close[0]}".' if close else f" Known: {', '.join(known)}."


def read_plan(path: Path) -> tuple[Plan | None, list[Fault]]:
    """Read and check plan.yaml.

    Parameters
    ----------
    path : the plan, or the study folder that holds it

    Returns
    -------
    The plan, or None where it cannot be used; and every fault, each with line, key, what was found and the mend.
    """
    raw, faults = _raw(path)
    return (None, faults) if faults else parse_plan(raw)


def parse_plan(raw: bytes, file: str = PLAN) -> tuple[Plan | None, list[Fault]]:
    """The same from the bytes of a plan."""
    plan, faults = _parsed(raw, file)
    return plan, list(faults)


@lru_cache(maxsize=32)
def _parsed(raw: bytes, file: str) -> tuple[Plan | None, tuple[Fault, ...]]:
    """One study is read many times, and so are the frozen versions of its plan."""
    reading = read_yaml(raw, file)
    if reading.faults and reading.value is None:
        return None, tuple(reading.faults)
    faults = [*reading.faults]
    if not isinstance(reading.value, dict):
        mend = "Begin with format: 1 and study:, as `validation start` writes it."
        return None, (*faults, Fault(file, "The plan holds no keys.", mend, row=1))
    value, shape_faults = _examined(reading, file)
    faults += shape_faults
    try:
        plan = Plan.model_validate(value)
    except ValidationError as error:
        faults += _translated(error, reading, file)
        plan = None
    faults.sort(key=lambda fault: fault.row or 0)
    return (None if faults else plan), tuple(faults)


def readable_part(path: Path) -> Plan | None:
    """What can be read of a plan with faults, so that those of its worksheets and requirements are reported as well.

    Each experiment and each requirement that is sound by itself, and the unit; None where there is not even that.
    Nothing is ever computed on it.
    """
    whole, _ = read_plan(path)
    if whole is not None:
        return whole
    raw, faults = _raw(path)
    value = None if faults else read_yaml(raw, PLAN).value
    facts = value.get("study") if isinstance(value, dict) else None
    if not isinstance(value, dict) or not isinstance(facts, dict):
        return None
    experiments, requirements = value.get("experiments"), value.get("requirements")
    named = experiments if isinstance(experiments, dict) else {}
    stated = requirements if isinstance(requirements, list) else []
    unsaid = dict.fromkeys(("id", "title", "laboratory", "measurand"), "not read")
    part = {
        "format": 1,
        "study": {**unsaid, "unit": facts.get("unit"), "range": range_of(value)},
        "experiments": {
            name: item
            for name, entry in named.items()
            if name in EXPERIMENTS and _sound(experiment_schema(name), item := _without_foreign(name, entry))
        },
        "requirements": [item for item in stated if _sound(Requirement, item)],
    }
    try:
        return Plan.model_validate(part)
    except ValidationError:
        return None


def _sound(model: type[BaseModel], value: Any) -> bool:
    try:
        model.model_validate(value)
    except ValidationError:
        return False
    return True


def plan_lines(path: Path) -> dict[str, int]:
    """The line of each requirement in plan.yaml, by requirement id; empty where the plan cannot be read."""
    raw, faults = _raw(path)
    reading = Reading() if faults else read_yaml(raw, PLAN)
    lines: dict[str, int] = {}
    entries = reading.value.get("requirements") if isinstance(reading.value, dict) else None
    for position, entry in enumerate(entries if isinstance(entries, list) else []):
        if isinstance(entry, dict) and "id" in entry:
            lines.setdefault(str(entry["id"]), reading.lines[("requirements", position)])
    return lines


def _raw(path: Path) -> tuple[bytes, list[Fault]]:
    path = path / PLAN if path.is_dir() else path
    try:
        return path.read_bytes(), []
    except FileNotFoundError:
        mend = f"Run `validation start` to write one, or name the folder that holds {PLAN}."
        return b"", [Fault(PLAN, f"The study has no {PLAN}.", mend, value=str(path))]
    except OSError as error:
        return b"", [Fault(PLAN, f"The plan cannot be read: {error.strerror or error}.", "Check the access rights.")]


def _examined(reading: Reading, file: str) -> tuple[dict[str, Any], list[Fault]]:
    """Faults that a schema reports badly: limits cut by YAML, unknown keys and experiments, ids that appear twice.

    What is reported here is removed from the returned copy, so that it is reported once.
    """
    value = dict(reading.value)
    faults: list[Fault] = []
    experiments = value.get("experiments")
    if isinstance(experiments, dict):
        value["experiments"] = _examined_experiments(experiments, reading, file, faults)
    entries = value.get("requirements")
    if isinstance(entries, list):
        value["requirements"] = [
            _examined_requirement(entry, position, reading, file, faults) for position, entry in enumerate(entries)
        ]
        value["requirements"] = _without_repeats(value["requirements"], reading, file, faults)
    for section in ("people", "equipment", "standards"):
        if section in value:
            value[section] = _as_list(section, value[section], reading)
    excused = value.get("not_evaluated")
    for name in excused if isinstance(excused, dict) else ():
        # Any name may be excused, but one that is nearly a known one excuses nothing.
        known = excusable()
        if name not in known and (close := difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.8)):
            path: Path_ = ("not_evaluated", name)
            reason, mend = "This is nearly the name of something else.", f'Write "{close[0]}".'
            faults.append(Fault(file, reason, mend, reading.line(path), None, key_name(path), name, close[0]))
    return value, [*faults, *plan_checks(value, reading, file)]


def _as_list(section: str, entries: Any, reading: Reading) -> Any:
    """`people`, `equipment` or `standards` as the list that they are, with the line of each key."""
    try:
        listed = list(_as_facts(entries))
    except ValueError:
        return entries  # the schema reports it
    for position, name in enumerate(entries if isinstance(entries, dict) else ()):
        for path in [path for path in reading.lines if path[:2] == (section, name)]:
            reading.lines[(section, position, *path[2:])] = reading.lines[path]
    return listed


def _examined_experiments(
    experiments: dict[str, Any], reading: Reading, file: str, faults: list[Fault]
) -> dict[str, Any]:
    kept = {}
    for name, entry in experiments.items():
        path: Path_ = ("experiments", name)
        if not may_be_planned(name):
            mend = nearest(name, EXPERIMENTS).strip()
            row = reading.line(path)
            faults.append(Fault(file, "The experiment is unknown.", mend, row=row, column=key_name(path), value=name))
            continue
        kept[name] = own = _without_foreign(name, entry)
        foreign = [key for key in entry if key not in own] if isinstance(entry, dict) else []
        faults += [_unknown((*path, key), _setting_names(name), reading, file) for key in foreign]
    return kept or experiments


def _without_foreign(name: str, entry: Any) -> Any:
    """What the plan says of an experiment, without the settings of others, which are reported as unknown keys."""
    if not isinstance(entry, dict):
        return entry
    others = {item.name for record in EXPERIMENTS.values() for item in record.settings}
    foreign = others - {item.name for item in settings_of(name)}
    return {key: item for key, item in entry.items() if key not in foreign}


def _examined_requirement(entry: Any, position: int, reading: Reading, file: str, faults: list[Fault]) -> Any:
    """A limit that YAML cut at its comma leaves half a limit and a key such as `5%)`."""
    if not isinstance(entry, dict):
        return entry
    scraps = [key for key, item in entry.items() if item is None and key not in Requirement.model_fields]
    if not scraps or "limit" not in entry:
        return entry
    limit = entry["limit"]
    whole = ", ".join([str(limit), *scraps])
    decimal_comma = isinstance(limit, int) and all(re.fullmatch(r"\d+%?", scrap) for scrap in scraps)
    if not decimal_comma and not (isinstance(limit, str) and "(" in limit):
        return entry
    mend = (
        f"Write a decimal point: limit: {limit}.{scraps[0]}"
        if decimal_comma
        else f'Put the whole limit in quotes: limit: "{whole}".'
    )
    faults.append(
        Fault(
            file,
            "The limit holds a comma outside quotes, and YAML cut it there.",
            mend,
            row=reading.line(("requirements", position, "limit")),
            column=key_name(("requirements", position, "limit")),
            value=str(limit),
            expected="a number, or a text in quotes",
        )
    )
    rest = {key: item for key, item in entry.items() if key not in scraps}
    # A placeholder, so that the other keys of this requirement are examined too; the fault forbids its use.
    return {**rest, "limit": 1.0}


def _without_repeats(entries: list[Any], reading: Reading, file: str, faults: list[Fault]) -> list[Any]:
    seen: dict[str, int] = {}
    kept = []
    for position, entry in enumerate(entries):
        name = str(entry["id"]) if isinstance(entry, dict) and entry.get("id") is not None else None
        if name in seen:
            path: Path_ = ("requirements", position, "id")
            mend = f"Give each requirement its own id; the first {name} is in line {seen[name]}."
            row = reading.line(path)
            faults.append(
                Fault(file, "The requirement id appears twice.", mend, row=row, column=key_name(path), value=name)
            )
            # Keeps its place, so that the lines of later entries stay right.
            entry = {**entry, "id": f"{name} ({position + 1})"}
        elif name is not None:
            seen[name] = reading.line(("requirements", position, "id")) or 0
        kept.append(entry)
    return kept


_KNOWN_AT: dict[str, tuple[str, ...]] = {
    "": tuple(Plan.model_fields),
    "study": tuple(StudyFacts.model_fields),
    "requirements": tuple(Requirement.model_fields),
    "exports": tuple(Export.model_fields),
    "lots": tuple(Lots.model_fields),
    "people": tuple(Person.model_fields),
    "equipment": tuple(Equipment.model_fields),
    "standards": tuple(Standard.model_fields),
    "decision": tuple(DecisionRule.model_fields),
    "audit": tuple(
        dict.fromkeys(
            name
            for part in (
                AuditFacts,
                Standing,
                Edition,
                ReferenceMethod,
                Retention,
                Proficiency,
                Authorisation,
            )
            for name in part.model_fields
        )
    ),
    "uncertainty": (
        *Budget.model_fields,
        *(field.alias or name for name, field in Component.model_fields.items()),
    ),
}
_EXPECTED = {
    "missing": "a value",
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "string_type": "text",
    "dict_type": "keys with values, indented below",
    "model_type": "keys with values, indented below",
    "tuple_type": "a list, one entry a line, each beginning with -",
    "literal_error": "one of the words",
}


#: A bound of the schema in words.
_BOUNDS = {"gt": "a number above", "ge": "a number not below", "lt": "a number below", "le": "a number not above"}


def _translated(error: ValidationError, reading: Reading, file: str) -> list[Fault]:
    """The schema's complaints as faults with line, key, found, expected, mend; one a key."""
    return [_one(item, path, reading, file) for path, item in by_path(error, reading.value).items()]


def _one(item: Any, path: Path_, reading: Reading, file: str) -> Fault:
    kind, name, row, written = item["type"], key_name(path), reading.line(path), found_text(item)
    if kind == "extra_forbidden":
        return _unknown(path, _known_keys(path), reading, file)
    if kind == "missing":
        value = "1" if path == ("format",) else "..."
        mend = f"Add the line `{path[-1]}: {value}`{_under(path)}."
        return Fault(file, f'The key "{path[-1]}" is missing.', mend, row=row, column=name)
    if kind == "value_error":
        reason, _, mend = str(item["ctx"]["error"]).partition(". ")
        # A sentence that begins with "The limit" names its subject itself; the others go on from the key.
        named = path[-1] if path and isinstance(path[-1], str) else "requirement" if path else "plan"
        subject = "" if reason[:1].isupper() or reason[:1] == '"' else f"The {named} "
        return Fault(file, f"{subject}{reason.rstrip('.')}.", mend, row=row, column=name or None, value=written)
    if path == ("format",):
        mend = "Write format: 1; a newer format needs a newer version of this program."
        return Fault(file, "The format number is unknown.", mend, row=row, column=name, value=written, expected="1")
    if kind == "literal_error":
        return unknown_word(item, file, row, name)
    if kind == "too_short":
        mend = "Name at least one experiment with its worksheet."
        return Fault(file, "The plan names no experiment.", mend, row=row, column=name)
    bound = next((f"{words} {item['ctx'][key]:g}" for key, words in _BOUNDS.items() if key in item.get("ctx", {})), "")
    expected = bound or _EXPECTED.get(kind, item["msg"])
    if path == ("confidence",) and bound:
        expected = "a share of one from 0.6 to 0.9999"
    return Fault(file, "The value is of the wrong kind.", f"Write {expected}.", row, None, name, written, expected)


def _under(path: Path_) -> str:
    return f" under {key_name(path[:-1])}" if len(path) > 1 else ""


def _known_keys(path: Path_) -> tuple[str, ...]:
    top = str(path[0]) if len(path) > 1 else ""
    if top == "experiments":
        return _setting_names(str(path[1]))
    return _KNOWN_AT.get(top, ())


def _unknown(path: Path_, known: tuple[str, ...], reading: Reading, file: str) -> Fault:
    key = str(path[-1])
    meant = _MEANT.get(str(path[0]), {})
    close = difflib.get_close_matches(key.lower(), [*known, *meant], n=1, cutoff=0.6)
    mend = nearest(meant.get(close[0], close[0]) if close else key, known).strip()
    if path[0] in ("people", "lots", *_MEANT) and len(path) > 1:
        mend += " What has no key of its own goes under what or note, in your own words."
    if re.fullmatch(r"\d+%?", key):
        mend = "A decimal comma was read as the end of the value: write a decimal point."
    return Fault(
        file,
        "The key is unknown.",
        mend,
        row=reading.line(path),
        column=key_name(path),
        value=key,
        expected="a known key",
    )
