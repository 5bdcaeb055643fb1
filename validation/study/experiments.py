"""All that the program knows of an experiment or chapter by its name: one record each, in no other place.

No field has a default where a record could forget it: what is empty is empty on purpose. A column that is new is one
more entry of `columns`; what `start` writes is a function of `preparations`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field

from validation.study import preparations
from validation.study.design import Design
from validation.study.grammar import Limit
from validation.study.plan_values import Factors, Name, Number, Published, Unit
from validation.study.preparations import usual
from validation.study.prepared import Prepared


@dataclass(frozen=True, kw_only=True, slots=True)
class Columns:
    """The columns of one experiment.

    `needed` must be filled in every row; `value` is the reading itself, which may be empty or censored; `structure`
    are optional columns that change the statistics and so must be filled in every row or in none; `labels` says
    whether `level` may be a label; `words` fixes the words that a column may hold.
    """

    needed: tuple[str, ...]
    value: str
    structure: tuple[str, ...] = ()
    labels: bool = False
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def required(self) -> tuple[str, ...]:
        return (*self.needed, self.value)

    @property
    def used(self) -> tuple[str, ...]:
        """The columns that the statistics of the experiment read."""
        return (*self.required, *self.structure)

    def with_factors(self, factors: Mapping[str, Mapping[str, str]] | None) -> Columns:
        """Each factor of a screening adds a column that holds its low or its high setting."""
        words = {name: (settings["low"], settings["high"]) for name, settings in (factors or {}).items()}
        return replace(self, needed=(*self.needed, *words), words={**self.words, **words})


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Setting:
    """A key of the plan in addition to `worksheet`. `type`: what it accepts, for the plan's schema; `meaning`: words.

    `kind`: what else is asked of it: a content is between zero and 100 %, a limit above zero; `names`: the
    column of the worksheet whose entry it names.
    """

    name: str
    type: Any
    meaning: str
    kind: Literal["", "content", "limit"] = ""
    names: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Start:
    """What `start` writes: the worksheet under the name `file`, made by `prepare` of design, levels and seed.

    `settings` are those of the plan, as text behind the worksheet; `of_a_lot`: its results all lean on the lot of the
    standard that is in use.
    """

    file: str
    prepare: Callable[[Design, Sequence[float], int], Prepared | None]
    settings: Callable[[Design], str] | None
    of_a_lot: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """What a chapter compares with the study's own: oil grades or fuel blends.

    `keys` decide on another one, the slope ratio first; `own_standard`: one that does not follow the common standard
    could be validated with a standard of its own.
    """

    kind: Literal["grade", "fuel"]
    keys: tuple[str, ...]
    own_standard: bool


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Chapter:
    """What a study may hold or leave out, by one name.

    Attributes
    ----------
    name : as plan and results write it
    words : as a sentence has it
    title : as the conclusion and the table of what is not evaluated name it
    asked : whether a validation must evaluate or excuse it: as one of the five classical experiments, further, or not
    also_called : the same thing under another name in `not_evaluated`
    reserved : `experiments` of the plan may name it, though it has no worksheet and nothing evaluates it there
    usual_requirements : those that `start` writes; None where it has none, or with the classical ones of `start` itself
    """

    name: str
    words: str
    title: str
    asked: Literal["main", "further", "no"]
    also_called: tuple[str, ...]
    reserved: bool
    usual_requirements: Callable[[Design], list[str]] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Shape:
    """How the readings of an experiment are arranged.

    Attributes
    ----------
    names : the column whose entries name the places of its quantities
    cells : the columns of one cell, where a sentence counts the readings in each; those that the worksheet has
    scatter : the columns within which replicates are wanted, where the scatter itself is the aim
    varies_between : the columns of which one entry alone leaves nothing to vary
    pairs : what is read in pairs, and by what
    """

    names: str = ""
    cells: tuple[str, ...] = ()
    scatter: tuple[str, ...] = ()
    varies_between: tuple[str, ...] = ()
    pairs: tuple[str, str] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Traits:
    """What holds of some experiments alone.

    Attributes
    ----------
    ordered : its order of measurement is examined for carry-over
    evaluated_when_read : readings alone make it evaluated; else its chapter must hold a quantity from them
    censored_as_bounds : readings such as "<0.1" enter as bounds, and are not left out
    earlier : its readings are older than the study: their dates, lots and instruments do not count
    """

    ordered: bool = False
    evaluated_when_read: bool = False
    censored_as_bounds: bool = False
    earlier: bool = False


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Experiment(Chapter):
    """An experiment: a chapter with readings of its own.

    Attributes
    ----------
    serves : what it is there for, at the end of a sentence
    chapters : the chapters that are computed from its readings and have other names
    columns, shape, traits : its worksheet
    settings : what the plan may say of it in addition to `worksheet` and `order_seed`
    compares : the materials that it compares with the study's own
    start : what `start` prepares
    """

    serves: str
    chapters: tuple[str, ...]
    columns: Columns
    shape: Shape
    traits: Traits
    settings: tuple[Setting, ...]
    compares: Compared | None
    start: Start | None
    reserved: bool = False


#: Cells of the experiments whose scatter is the aim, as they are counted and as replicates are wanted in them.
_CELLS = ("laboratory", "sample", "method", "level", "run")
_SCATTER = ("laboratory", "level", "run", "material")

Named = TypeVar("Named", bound=Chapter)


def _by_name(*records: Named) -> dict[str, Named]:
    return {record.name: record for record in records}


#: The experiments, in the order in which they are printed.
EXPERIMENTS: Mapping[str, Experiment] = _by_name(
    Experiment(
        name="calibration",
        words="calibration",
        title="calibration and linearity",
        asked="main",
        also_called=(),
        serves="calibration and linearity",
        chapters=(),
        columns=Columns(needed=("level",), value="response", structure=("run", "assigned", "u_level")),
        shape=Shape(cells=_CELLS, scatter=_SCATTER, varies_between=("run",)),
        traits=Traits(ordered=True, evaluated_when_read=True),
        settings=(
            Setting(
                name="routine_level",
                type=Number,
                meaning="Level of the routine one-point standard; left out: the level nearest the middle of the range.",
                kind="content",
            ),
            Setting(name="response_unit", type=Unit, meaning="Unit of the response, such as Hz."),
        ),
        compares=None,
        start=Start(
            file="calibration", prepare=preparations.calibration, settings=preparations.routine_level, of_a_lot=True
        ),
        usual_requirements=None,
    ),
    Experiment(
        name="precision",
        words="precision",
        title="precision, trueness and accuracy profile",
        asked="main",
        also_called=(),
        serves="repeatability, intermediate precision, trueness and the accuracy profile",
        chapters=("repeatability", "intermediate_precision", "trueness", "accuracy"),
        columns=Columns(needed=("level", "run"), value="result", structure=("assigned", "u_level"), labels=True),
        shape=Shape(cells=_CELLS, scatter=_SCATTER, varies_between=("run",)),
        traits=Traits(ordered=True, evaluated_when_read=True),
        settings=(
            Setting(
                name="published_r",
                type=Published,
                meaning="Repeatability limit of a published method: one number, or one a level, {2.0: 0.2, 4.0: 0.3}.",
            ),
        ),
        compares=None,
        start=Start(file="precision", prepare=preparations.precision, settings=None, of_a_lot=True),
        usual_requirements=None,
    ),
    Experiment(
        name="reproducibility",
        words="reproducibility",
        title="reproducibility between laboratories",
        asked="main",
        also_called=(),
        serves="reproducibility between laboratories",
        chapters=(),
        columns=Columns(needed=("laboratory", "level"), value="result", structure=("run", "u_level"), labels=True),
        shape=Shape(cells=_CELLS, scatter=_SCATTER, varies_between=("run", "laboratory")),
        traits=Traits(ordered=True, evaluated_when_read=True),
        settings=(),
        compares=None,
        start=Start(file="network", prepare=preparations.network, settings=None, of_a_lot=True),
        usual_requirements=None,
    ),
    Experiment(
        name="detection",
        words="detection",
        title="detection and quantification limits",
        asked="main",
        also_called=(),
        serves="detection and quantification limits",
        chapters=(),
        columns=Columns(needed=("material",), value="result", structure=("level", "run")),
        shape=Shape(varies_between=("run",)),
        traits=Traits(ordered=True, evaluated_when_read=True),
        settings=(
            Setting(
                name="matrix",
                type=Name,
                meaning="Main matrix of the worksheet; left out: the first among the blanks.",
                names="matrix",
            ),
            Setting(
                name="low_range_max",
                type=Number,
                meaning="Highest level that low-range definitions use; left out: the lowest four levels.",
                kind="content",
            ),
        ),
        compares=None,
        start=Start(file="blanks", prepare=preparations.blanks, settings=preparations.new_oil, of_a_lot=True),
        usual_requirements=None,
    ),
    Experiment(
        name="comparison",
        words="comparison",
        title="comparison with a reference method",
        asked="main",
        also_called=(),
        serves="the comparison with a reference method",
        chapters=(),
        columns=Columns(
            needed=("sample", "method"),
            value="result",
            structure=("u",),
            words={"method": ("candidate", "reference")},
        ),
        shape=Shape(cells=("sample", "method"), pairs=("sample", "method")),
        traits=Traits(evaluated_when_read=True),
        settings=(),
        compares=None,
        start=Start(file="reference", prepare=preparations.reference, settings=None, of_a_lot=False),
        usual_requirements=None,
    ),
    Experiment(
        name="matrix",
        words="matrix",
        title="selectivity and matrix effect",
        asked="further",
        also_called=("selectivity",),
        serves="the comparison of oil grades and used oils",
        chapters=(),
        columns=Columns(needed=("grade", "level"), value="result", structure=("run",)),
        shape=Shape(names="grade", cells=("grade", "level")),
        traits=Traits(ordered=True),
        settings=(
            Setting(
                name="reference",
                type=Name,
                meaning="Grade that others are compared with; left out: study.grade, else the first one.",
                names="grade",
            ),
        ),
        compares=Compared(kind="grade", keys=("matrix.slope_ratio", "matrix.blank_difference"), own_standard=True),
        start=Start(file="matrix", prepare=preparations.grades, settings=None, of_a_lot=True),
        usual_requirements=usual(
            lambda design: design.grades[1:],
            ("matrix.slope_ratio", "equivalence", 0.05),
            ("matrix.blank_difference", "equivalence", None),
        ),
    ),
    Experiment(
        name="fuel",
        words="fuel",
        title="fuel blend and volatility",
        asked="further",
        also_called=(),
        serves="the comparison of fuel blends",
        chapters=(),
        columns=Columns(needed=("fuel", "level"), value="result", structure=("run",)),
        shape=Shape(names="fuel", cells=("fuel", "level")),
        traits=Traits(ordered=True),
        settings=(
            Setting(
                name="reference",
                type=Name,
                meaning="Fuel that others are compared with; left out: study.fuel, else the first one.",
                names="fuel",
            ),
        ),
        # Which fuel thinned a used oil is seldom known, so a standard of its own would not help.
        compares=Compared(kind="fuel", keys=("fuel.slope_ratio",), own_standard=False),
        start=Start(file="fuel", prepare=preparations.fuels, settings=None, of_a_lot=True),
        usual_requirements=usual(lambda design: design.fuels[1:], ("fuel.slope_ratio", "equivalence", 0.05)),
    ),
    Experiment(
        name="carry_over",
        words="carry-over",
        title="carry-over",
        asked="further",
        also_called=(),
        serves="carry-over from a high sample",
        chapters=(),
        columns=Columns(
            needed=("sequence", "position"),
            value="result",
            structure=("setting", "level"),
            words={"position": ("high", "blank 1", "blank 2")},
        ),
        shape=Shape(names="setting"),
        traits=Traits(),
        settings=(),
        compares=None,
        start=Start(file="carry-over", prepare=preparations.triples, settings=None, of_a_lot=True),
        usual_requirements=usual(lambda design: design.purges, ("carry_over.effect", "upper bound", None)),
    ),
    Experiment(
        name="ruggedness",
        words="ruggedness",
        title="ruggedness",
        asked="further",
        also_called=(),
        serves="the screening of the procedure's settings",
        chapters=(),
        columns=Columns(needed=("trial",), value="result", structure=("run",)),
        shape=Shape(cells=("trial",)),
        traits=Traits(),
        settings=(
            Setting(
                name="factors",
                type=Factors,
                meaning="Each factor with the two texts that its cells hold: {equilibration: {low: 30 s, high: 60 s}}.",
            ),
            Setting(name="nominal", type=Number, meaning="Level that was measured.", kind="content"),
        ),
        compares=None,
        start=Start(file="ruggedness", prepare=preparations.screening, settings=preparations.factors, of_a_lot=True),
        usual_requirements=usual(
            lambda design: [name for name, _, _ in design.factors], ("ruggedness.relative_effect", "equivalence", 0.03)
        ),
    ),
    Experiment(
        name="recovery",
        words="recovery",
        title="recovery of spikes",
        asked="further",
        also_called=(),
        serves="the recovery of spikes",
        chapters=(),
        columns=Columns(needed=("sample", "added"), value="result", structure=("u_added", "run")),
        shape=Shape(cells=("sample", "added")),
        traits=Traits(),
        settings=(),
        compares=None,
        start=None,
        usual_requirements=None,
    ),
    Experiment(
        name="stability",
        words="stability",
        title="stability of standards and calibration",
        asked="further",
        also_called=(),
        serves="the stability of standards",
        chapters=(),
        columns=Columns(needed=("state", "age"), value="result", structure=("run",)),
        shape=Shape(names="state", cells=("state", "age")),
        traits=Traits(),
        settings=(
            Setting(
                name="allowed_change",
                type=Limit,
                meaning="Largest change that may pass, a limit whose share is taken of the value at age zero.",
                kind="limit",
            ),
            Setting(
                name="planned_time",
                type=Annotated[Number, Field(gt=0)],
                meaning="Days for which the standard is to be used.",
            ),
        ),
        compares=None,
        start=Start(
            file="stability", prepare=preparations.storage, settings=preparations.allowed_change, of_a_lot=True
        ),
        usual_requirements=usual(lambda design: design.states, ("stability.change", "equivalence", 0.025)),
    ),
    Experiment(
        name="lots",
        words="lots",
        title="lots",
        asked="no",
        also_called=(),
        serves="the comparison of lots of the standard",
        chapters=(),
        columns=Columns(needed=("lot",), value="result", structure=("run", "level")),
        shape=Shape(names="lot", cells=("lot",)),
        traits=Traits(ordered=True),
        settings=(
            Setting(
                name="reference",
                type=Name,
                meaning="Lot that others are compared with; left out: lots.in_use, else the first one.",
                names="lot",
            ),
        ),
        compares=None,
        start=Start(file="lots", prepare=preparations.lots, settings=None, of_a_lot=False),
        usual_requirements=usual(lambda design: design.lots[1:], ("lots.response_ratio", "equivalence", 0.025)),
    ),
    Experiment(
        name="control",
        words="control",
        title="control",
        asked="no",
        also_called=(),
        serves="the drift of the check standard",
        chapters=(),
        columns=Columns(needed=("run",), value="result", structure=("level",)),
        shape=Shape(cells=("run",)),
        traits=Traits(evaluated_when_read=True),
        settings=(
            Setting(
                name="allowed_drift",
                type=Limit,
                meaning="Largest drift of the check standard that may pass, a limit.",
                kind="limit",
            ),
        ),
        compares=None,
        start=None,
        usual_requirements=None,
    ),
    Experiment(
        name="history",
        words="history",
        title="history",
        asked="no",
        also_called=(),
        serves="the overall risk of the decision rule",
        chapters=(),
        columns=Columns(needed=(), value="result"),
        shape=Shape(),
        traits=Traits(evaluated_when_read=True, censored_as_bounds=True, earlier=True),
        settings=(),
        compares=None,
        start=None,
        usual_requirements=None,
    ),
)

#: The chapters that have no readings of their own, and that `not_evaluated` may excuse.
WITHOUT_READINGS: Mapping[str, Chapter] = _by_name(
    Chapter(
        name="standards",
        words="standards",
        title="traceability of the standards",
        asked="further",
        also_called=(),
        reserved=True,  # lot records are named under `standards`
        usual_requirements=None,
    ),
    Chapter(
        name="uncertainty",
        words="uncertainty",
        title="measurement uncertainty",
        asked="further",
        also_called=(),
        reserved=False,
        usual_requirements=preparations.expanded_uncertainty,
    ),
    Chapter(
        name="decision",
        words="decision",
        title="decision",
        asked="no",
        also_called=(),
        reserved=False,
        usual_requirements=None,
    ),
)


def all_records() -> dict[str, Chapter]:
    """Every record by name: the experiments, then the chapters without readings."""
    return {**EXPERIMENTS, **WITHOUT_READINGS}


def may_be_planned(name: str) -> bool:
    """Whether the plan may name it under `experiments`."""
    return name in EXPERIMENTS or (name in WITHOUT_READINGS and WITHOUT_READINGS[name].reserved)


def excusable() -> tuple[str, ...]:
    """What `not_evaluated` may excuse: every record, its other names, and the chapters computed from it."""
    names = [name for record in all_records().values() for name in (record.name, *record.also_called)]
    return (*names, *(chapter for record in EXPERIMENTS.values() for chapter in record.chapters))


def settings_of(name: str) -> tuple[Setting, ...]:
    """The settings of an experiment; of a name that is none, those of all, so that each is examined as what it is."""
    if name in EXPERIMENTS:
        return EXPERIMENTS[name].settings
    return tuple({item.name: item for record in EXPERIMENTS.values() for item in record.settings}.values())


def chapter_words(name: str) -> str:
    """The name of a chapter as a sentence has it: "intermediate precision", "carry-over"."""
    record = all_records().get(name)
    return name.replace("_", " ") if record is None else record.words
