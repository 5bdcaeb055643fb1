"""The uncertainty budget of the plan: what is known besides the measurements, and what each component answers."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from validation.study.grammar import Limit
from validation.study.text_files import ordinary

#: What a budget of this method is asked about, in the order of the way from the engine to the report.
CHECKLIST = {
    "sampling": "drawing the sample from the engine",
    "oil": "oil batch and grade",
    "fuel": "fuel blend and weathering",
    "standard": "content of the routine standard",
    "standard reading": "scatter of the standard's readings",
    "sample reading": "scatter of the sample's reading",
    "temperature": "temperature of the vial",
    "instrument": "difference between instruments",
    "analyst": "difference between analysts",
    "rounding": "rounding of the reported result",
}

#: What the study measures as a whole, so that a single component may be contained in it.
MEASURED = ("within-laboratory reproducibility", "bias", "standard")

#: Measured standard deviations that a component may take its size from, and what each is called.
TAKEN_FROM: Mapping[str, str] = {
    "repeatability.s_r": "repeatability standard deviation",
    "intermediate_precision.s_run": "standard deviation between runs",
    "intermediate_precision.s_I": "intermediate precision standard deviation of a single result",
    "reproducibility.s_r": "repeatability standard deviation",
    "reproducibility.s_L": "standard deviation between laboratories",
    "reproducibility.s_R": "reproducibility standard deviation",
    "ruggedness.residual_sd": "scatter of replicates of one trial",
    "fuel.spread": "relative standard deviation of the response factors over fuels",
    "standards.relative_uncertainty": "standard uncertainty as a share of the assigned value",
}

SHAPES = ("rectangular", "triangular", "one-sided")


def _as_text(value: Any) -> Any:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{value:g}"
    if isinstance(value, bool):
        raise ValueError("must be text. Put it in quotes.")
    if isinstance(value, str) and not value.strip():
        raise ValueError("is empty. Write a text, or leave the key out where it is optional.")
    return value


def _as_number(value: Any) -> Any:
    if isinstance(value, bool | str):
        raise ValueError(f'must be a number; "{value}" is not. Write the number with digits, without quotes.')
    if isinstance(value, int | float) and not math.isfinite(value):
        raise ValueError("must be a finite number. Leave the key out where it is infinite.")
    if isinstance(value, int | float) and not ordinary(value):
        raise ValueError(f"must be a number between 1e-50 and 1e50 in size; {value:g} is not. Check the exponent.")
    return value


def _as_numbers(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return tuple(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return (value,)
    raise ValueError("must be a list of numbers. Write it in square brackets: [2.0, 4.0].")


def _as_size(value: Any) -> Any:
    """A limit of the plan's grammar, not negative wherever it is used."""
    if value is None:
        raise ValueError('is empty. Write a share of the level ("2%"), a number (0.01) or "sum(0.01, 2%)".')
    limit = Limit.parse(value)
    if limit.value(1.0) < 0 or limit.value(0.0) < 0:
        raise ValueError(f'is "{limit}", which is negative. Write the size without its sign.')
    return limit


def _one_of(known: Iterable[str]) -> BeforeValidator:
    names = tuple(known)

    def check(value: Any) -> Any:
        if value is None or value in names:
            return value
        close = difflib.get_close_matches(str(value), names, n=1, cutoff=0.5)
        mend = f'Write "{close[0]}".' if close else f"Known: {', '.join(names)}."
        raise ValueError(f'is "{value}", which is unknown here. {mend}')

    return BeforeValidator(check)


def _as_coverage(value: Any) -> Any:
    value = _as_number(value)
    if isinstance(value, int | float) and 1 < value < 100:
        raise ValueError(f"must be a share of one, not per cent. Write {value / 100:g}.")
    if isinstance(value, int | float) and not 0.5 < value <= 0.9999:
        raise ValueError("must be more than 0.5 and at most 0.9999. Write 0.95.")
    return value


Text = Annotated[str, BeforeValidator(_as_text), WithJsonSchema({"type": ["string", "number"], "pattern": r"\S"})]
Number = Annotated[float, BeforeValidator(_as_number)]
Numbers = Annotated[
    tuple[Number, ...],
    BeforeValidator(_as_numbers),
    WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "array", "items": {"type": "number"}}]}),
]
Size = Annotated[Limit, BeforeValidator(_as_size)]

_STATEMENTS = ("size", "half_width", "from", "negligible", "not_applicable")


def _words(names: Iterable[str]) -> dict[str, Any]:
    return {"enum": [*names, None]}


class Component(BaseModel):
    """One component of the uncertainty, or the reason why there is none.

    Exactly one of `size` (standard uncertainty), `half_width` with `shape`, `from` (a measured standard deviation),
    `negligible`, `not_applicable`. A `size` or `half_width` is a limit of the plan's grammar: "2%" of the level,
    0.01 in the unit of the study, "sum(0.01, 2%)".
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        populate_by_name=True,
        use_attribute_docstrings=True,
        json_schema_extra={
            "oneOf": [{"required": [name]} for name in _STATEMENTS],
            "dependentRequired": {"half_width": ["shape"], "shape": ["half_width"]},
        },
    )

    name: Text
    """Name of the component; one of the checklist answers its question."""
    size: Size | None = None
    """Standard uncertainty: a share of the level ("2%"), a number in the unit of the study, or a sum(...) of both."""
    half_width: Size | None = None
    """Half-width of the distribution, written as a size; needs a shape."""
    shape: Annotated[str | None, _one_of(SHAPES)] = Field(default=None, json_schema_extra=_words(SHAPES))
    """Shape of the distribution; needs a half-width."""
    taken_from: Annotated[str | None, _one_of(TAKEN_FROM)] = Field(
        default=None, alias="from", json_schema_extra=_words(TAKEN_FROM)
    )
    """Measured standard deviation that the size is taken from."""
    at: Number | None = None
    """Level at which the measured standard deviation is taken, carried to other levels as a share of the level."""
    readings: int = Field(default=1, ge=1)
    """The measured standard deviation is divided by the root of this number."""
    degrees_of_freedom: Number | None = Field(default=None, gt=0)
    """Degrees of freedom of the size; left out: infinite."""
    origin: Text | None = None
    """What the size rests on."""
    part_of: Annotated[str | None, _one_of(MEASURED)] = Field(default=None, json_schema_extra=_words(MEASURED))
    """What the study measures as a whole and contains this component; it then counts in the bottom-up budget alone.
    Without it the component counts in both budgets."""
    answers: Annotated[str | None, _one_of(CHECKLIST)] = Field(default=None, json_schema_extra=_words(CHECKLIST))
    """Question of the checklist that it answers; left out: the one of its own name."""
    negligible: Text | None = None
    """Why it is negligible."""
    not_applicable: Text | None = None
    """Why it does not apply."""

    @model_validator(mode="after")
    def _one_statement(self) -> Component:
        stated = {
            "size": self.size,
            "half_width": self.half_width,
            "from": self.taken_from,
            "negligible": self.negligible,
            "not_applicable": self.not_applicable,
        }
        given = [name for name, value in stated.items() if value is not None]
        if len(given) != 1:
            sizes = " and ".join(given) if given else "nothing of its size"
            raise ValueError(
                f'"{self.name}" states {sizes}. Give exactly one of size: "2%", half_width: 0.1 with a shape, '
                'from: repeatability.s_r, negligible: "because ...", not_applicable: "because ...".'
            )
        if (self.half_width is None) != (self.shape is None):
            raise ValueError(
                f'"{self.name}" needs half_width and shape together. Write shape: rectangular (or triangular, '
                "one-sided) with half_width; a standard uncertainty goes under size."
            )
        if self.taken_from is None and (self.at is not None or self.readings != 1):
            raise ValueError(
                f'"{self.name}" states at or readings without from. They belong to a measured standard deviation: '
                "from: repeatability.s_r."
            )
        if self.reason is not None and (self.part_of is not None or self.degrees_of_freedom is not None):
            raise ValueError(
                f'"{self.name}" is declared not to be a component, but has part_of or degrees_of_freedom. '
                "Remove those, or state its size."
            )
        return self

    @property
    def reason(self) -> str | None:
        """Why there is no component, or None where there is one."""
        if self.negligible is not None:
            return f"negligible: {self.negligible}"
        return None if self.not_applicable is None else f"not applicable: {self.not_applicable}"

    @property
    def question(self) -> str | None:
        """The question of the checklist that it answers."""
        own = self.name.strip().lower()
        return self.answers or (own if own in CHECKLIST else None)


class Budget(BaseModel):
    """The uncertainty of a result: what is known besides the measurements."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)

    bias: Literal["enlarge", "correct", "restrict"] = "enlarge"
    """What becomes of a bias that is not corrected: enlarge joins it to the uncertainty, correct counts its own
    uncertainty alone because results are corrected, restrict leaves out the levels where it shows."""
    reference: Literal["independent", "standard"] | None = None
    """What the bias was measured against: independent: reference values that do not rest on the routine standard, so
    that what its value errs by is in the bias; standard: values that rest on it, so that it counts beside the bias."""
    coverage: Annotated[float | None, BeforeValidator(_as_coverage)] = Field(
        default=None, json_schema_extra={"exclusiveMinimum": 0.5, "maximum": 0.9999}
    )
    """Probability of the expanded uncertainty, as a share of one; left out: the plan's confidence."""
    levels: Numbers = ()
    """Where the budget is drawn up; left out: the tested levels inside the range, and the customer limits."""
    components: tuple[Component, ...] = ()
    """Each component: its size, or the reason why there is none."""

    @model_validator(mode="after")
    def _names_once(self) -> Budget:
        names = [component.name for component in self.components]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f'names the component "{twice[0]}" twice. Give each component its own name.')
        answered = [component.question for component in self.components if component.reason is not None]
        sized = {component.question for component in self.components if component.reason is None}
        both = sorted({question for question in answered if question is not None and question in sized})
        if both:
            raise ValueError(
                f'answers "{both[0]}" both with a size and with a reason why there is none. Keep one of them.'
            )
        return self


def strange_components(budget: Budget) -> list[str]:
    """Components whose name is nearly that of a question: a misspelt name answers none.

    A question that is answered already is only meant where the letters are the same in another order.
    """
    answered = {component.question for component in budget.components}
    sentences = []
    for component in budget.components:
        name = component.name.strip().lower()
        known = [question for question in CHECKLIST if question not in answered or sorted(question) == sorted(name)]
        close = difflib.get_close_matches(name, known, n=1, cutoff=0.65)
        if component.question is None and close:
            sentences.append(
                f'plan.yaml, uncertainty: the component "{component.name}" answers no question of the checklist; did '
                f"you mean {close[0]}? Write that name, or add answers: {close[0]}."
            )
    return sentences
