"""The plan's `decision:` block: by which rule a result is reported against a customer's limit, and who agreed to it."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from validation.study.text_files import ordinary

#: The usual one-sided risk of a guard band where the plan states none.
USUAL_RISK = 0.05


def _text(value: Any) -> Any:
    if isinstance(value, bool) or value is None or not isinstance(value, str | int):
        raise ValueError('must be text. Write it in quotes: "...".')
    if not str(value).strip():
        raise ValueError('is empty. Write a text, or leave the key out: the dossier then prints "not stated".')
    return str(value)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("must be a number. Write it with a decimal point and without quotes or %: 0.05.")
    if not ordinary(value):
        raise ValueError(f"must be a number between 1e-50 and 1e50 in size; {value:g} is not. Check the exponent.")
    return float(value)


def _risk(value: Any) -> float:
    risk = _number(value)
    if 0.5 <= risk < 50:
        raise ValueError(f"must be a share of one below 0.5. Write {risk / 100:g} if {risk:g} % is meant.")
    if not 0.0001 <= risk < 0.5:
        raise ValueError(
            "must be above 0 and below 0.5, and not below 0.0001: at 0.5 there is no guard band. Write 0.05 for 5 %."
        )
    return risk


def _coverage(value: Any) -> float:
    coverage = _number(value)
    if 1 < coverage < 100:
        raise ValueError(f"must be a share of one, not per cent. Write {coverage / 100:g}.")
    if not 0.5 < coverage <= 0.9999:
        raise ValueError("must be above 0.5 and below 1, and not above 0.9999. Write 0.95 for 95 %.")
    return coverage


def _step(value: Any) -> float:
    step = _number(value)
    if step <= 0:
        raise ValueError("must be a number above zero. Write the step to which results are reported: 0.1.")
    return step


def _limits(value: Any) -> tuple[float, ...]:
    values = value if isinstance(value, list | tuple) else (value,)
    if not values:
        raise ValueError(
            "holds no limit. Write the limits in square brackets, [2.0, 4.0], or leave the key out for "
            "study.customer_limits."
        )
    limits = tuple(_number(item) for item in values)
    if any(item <= 0 for item in limits):
        raise ValueError("must be numbers above zero. Write the limits in the unit of the study: [2.0, 4.0].")
    if len(set(limits)) < len(limits):
        raise ValueError("names a limit twice. Write each limit once.")
    return limits


_LIMIT = {"type": "number", "exclusiveMinimum": 0}
_LIMITS = {"anyOf": [_LIMIT, {"type": "array", "items": _LIMIT, "minItems": 1, "uniqueItems": True}]}

Text = Annotated[str, BeforeValidator(_text), WithJsonSchema({"type": ["string", "integer"], "pattern": r"\S"})]


class DecisionRule(BaseModel):
    """How a result is reported against a limit."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)

    rule: Literal["simple", "guarded", "non-binary"] = "non-binary"
    """simple: the result alone; guarded: below only what is the guard band below the limit, all else above;
    non-binary: four zones, below, conditionally below, conditionally above, above."""
    risk: Annotated[float | None, BeforeValidator(_risk)] = Field(
        default=None, json_schema_extra={"minimum": 0.0001, "exclusiveMaximum": 0.5}
    )
    """One-sided probability of a wrong report that the guard band leaves, as a share of one; left out: 0.05."""
    guard: Literal["U"] | None = None
    """U where the guard band is the expanded uncertainty, in place of risk."""
    coverage: Annotated[float | None, BeforeValidator(_coverage)] = Field(
        default=None, json_schema_extra={"exclusiveMinimum": 0.5, "maximum": 0.9999}
    )
    """Coverage probability of that U; left out: U as the uncertainty chapter states it."""
    u_at: Literal["limit", "result"] = "limit"
    """limit: one guard band from the uncertainty at the limit; result: from that at the result itself."""
    distribution: Literal["normal", "t"] = "normal"
    """normal, or t with the effective degrees of freedom of the uncertainty."""
    limits: Annotated[tuple[float, ...], BeforeValidator(_limits), WithJsonSchema(_LIMITS)] = ()
    """Limits in the unit of the study; left out: the customer limits of the study."""
    agreed_with: Text | None = None
    """Who agreed to the rule."""
    agreed_on: Text | None = None
    """When it was agreed: 2026-01-31."""
    rounding: Annotated[float | None, BeforeValidator(_step)] = Field(
        default=None, json_schema_extra={"exclusiveMinimum": 0}
    )
    """Step to which results are reported."""
    between: Text = "repeat the analysis and look at the trend"
    """What the laboratory does between the zones, in its own words."""

    @property
    def one_sided_risk(self) -> float:
        """The risk that the guard band is made for, where it is not U."""
        return USUAL_RISK if self.risk is None else self.risk

    @model_validator(mode="after")
    def _one_guard_band(self) -> DecisionRule:
        if self.rule == "simple":
            for name in ("risk", "guard", "coverage"):
                if getattr(self, name) is not None:
                    raise ValueError(
                        f"has the rule simple, which has no guard band, and states {name}. "
                        f"Delete {name}, or write rule: guarded or rule: non-binary."
                    )
        if self.guard is not None and self.risk is not None:
            raise ValueError("states both risk and guard. Keep one: risk: 0.05, or guard: U.")
        if self.coverage is not None and self.guard is None:
            raise ValueError("states the coverage of U but no guard: U. Add guard: U, or delete coverage.")
        return self
