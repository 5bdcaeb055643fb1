"""`study.settings`: the values on which the procedure rests, each with the quantity that must support it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, field_validator, model_validator

from validation.study.plan_values import At, Text, as_number

SettingKind = Literal["requirement met", "highest level", "lowest level", "age limit", "tolerance"]


def _as_value(value: Any) -> Any:
    """One number, or the two ends of a tolerance."""
    if isinstance(value, list | tuple):
        if len(value) != 2:
            raise ValueError("must be one number, or two for a tolerance. Write 5.0, or [0.4, 0.6].")
        low, high = (as_number(end) for end in value)
        if not isinstance(low, int | float) or not isinstance(high, int | float) or low > high:
            raise ValueError("must rise from low to high. Write the low end first: [0.4, 0.6].")
        return float(low), float(high)
    value = as_number(value)
    if not isinstance(value, int | float):
        raise ValueError("must be a number. Write 5.0, or [0.4, 0.6] for a tolerance.")
    return float(value)


_NUMBER = {"type": "number"}
Value = Annotated[
    float | tuple[float, float],
    BeforeValidator(_as_value),
    WithJsonSchema({"anyOf": [_NUMBER, {"type": "array", "items": _NUMBER, "minItems": 2, "maxItems": 2}]}),
]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Support(_Model):
    """The quantity of results.json that supports a setting, and its place."""

    quantity: Text
    """Key of results.json, such as carry_over.effect."""
    at: At = None
    """Level or name, as in a requirement; left out: every level, or no place."""

    @property
    def text(self) -> str:
        """ "carry_over.effect at 30 s"."""
        return self.quantity if self.at is None else f"{self.quantity} at {self.at}"


class ProcedureSetting(_Model):
    """A value of the procedure, and what must support it."""

    name: Text
    """What is set, in your own words."""
    value: Value
    """The value; for a tolerance also its two ends, [0.4, 0.6]."""
    unit: Text
    """Unit of the value: that of the study for a level, d for an age, that of the factor for a tolerance."""
    kind: SettingKind = "requirement met"
    """What the value means. highest level: not above the highest level at which the requirement on the quantity is
    met; lowest level: not below the lowest; age limit: days, not above the age that stability shows; tolerance:
    inside the two settings of the factor, with its requirement met; requirement met: nothing but that."""
    supported_by: Support = Field(title="Supported by")
    """The quantity that must support the value."""

    @field_validator("unit", mode="after")
    @classmethod
    def _trimmed(cls, value: str) -> str:
        return value.strip()

    @model_validator(mode="after")
    def _ends_of_a_tolerance(self) -> ProcedureSetting:
        if isinstance(self.value, tuple) and self.kind != "tolerance":
            raise ValueError(f'"{self.name}" has two ends, but its kind is {self.kind}. Only a tolerance has two.')
        return self

    @property
    def low(self) -> float:
        """The value, or the low end of the tolerance."""
        return self.value[0] if isinstance(self.value, tuple) else self.value

    @property
    def high(self) -> float:
        """The value, or the high end of the tolerance."""
        return self.value[1] if isinstance(self.value, tuple) else self.value
