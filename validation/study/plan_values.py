"""The kinds of values that a plan states: what each accepts, also for editors, and how to correct what it does not."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import PurePosixPath, PureWindowsPath
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from validation.study.text_files import hidden_character, ordinary


def _as_text(value: Any) -> Any:
    """A whole number is taken as the text it was; 1.10 would lose its zero, so it must be in quotes."""
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if isinstance(value, float | bool):
        raise ValueError(f'must be text. Put it in quotes: "{value}".')
    if isinstance(value, str) and not value.strip():
        raise ValueError("is empty. Write a text, or leave the key out where it is optional.")
    return value


def as_number(value: Any) -> Any:
    """A finite number of a size that can be; what is no number is left to the schema.

    Raises
    ------
    ValueError
        With the mend, where a text, true or false, or a number out of all bounds is in its place.
    """
    if isinstance(value, bool):
        raise ValueError("must be a number, not true or false. Write the number.")
    if isinstance(value, str):
        mend = " Write the number with digits."
        if re.fullmatch(r"\s*[-+]?\d+,\d+\s*", value):
            mend = f" Write a decimal point: {value.strip().replace(',', '.')}."
        elif re.fullmatch(r"\s*[-+]?\d+(\.\d+)?([eE][-+]?\d+)?\s*", value):
            mend = f" Write it without quotes: {value.strip()}."
        elif re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*%\s*", value):
            mend = " Write it without the % sign."
        raise ValueError(f'must be a number; "{value}" is text.{mend}')
    if isinstance(value, int | float) and not math.isfinite(value):
        raise ValueError("must be a finite number. Write the number with digits.")
    if isinstance(value, int | float) and not ordinary(value):
        raise ValueError(f"must be a number between 1e-50 and 1e50 in size; {value:g} is not. Check the exponent.")
    return value


def _as_name(value: Any) -> Any:
    """A name that worksheets repeat: what cannot be seen in it would make two names of one."""
    value = _as_text(value)
    if isinstance(value, str) and (hidden := hidden_character(value)):
        raise ValueError(f"holds a character that cannot be seen, U+{ord(hidden):04X}. Type the name again.")
    if isinstance(value, str) and value != value.strip():
        raise ValueError(f'begins or ends with a blank. Write "{value.strip()}".')
    return value


def _as_unit(value: Any) -> Any:
    value = _as_name(value)
    if isinstance(value, str) and re.search(r"[\[\]]", value):
        raise ValueError('holds a square bracket, which headings need: "result [%]". Write it without.')
    return value


def _as_at(value: Any) -> Any:
    return as_number(value) if isinstance(value, int | float) else value


def _as_published(value: Any) -> Any:
    """One limit for every level, or one a level; a level is kept as the text that names it."""
    if isinstance(value, Mapping):
        if not value:
            raise ValueError("holds no level. Write a number, or one for each level: {2.0: 0.2, 4.0: 0.3}.")
        return {str(level): _as_positive(limit) for level, limit in value.items()}
    if value is None:
        return None
    if isinstance(value, int | float | str):
        return _as_positive(value)
    raise ValueError("must be a number or one for each level. Write 0.3, or {2.0: 0.2, 4.0: 0.3}.")


def _as_positive(value: Any) -> Any:
    value = as_number(value)
    if not isinstance(value, int | float) or value <= 0:
        raise ValueError("must be a number above zero. Write the published limit r in the unit of the study.")
    return float(value)


def _as_factors(value: Any) -> Any:
    """The factors of a screening: the column of the worksheet, and the two texts that its cells may hold."""
    if value is None:
        return None
    example = 'Write one factor a line: equilibration: {low: "30 s", high: "60 s"}.'
    if not isinstance(value, Mapping) or not value:
        raise ValueError(f"must name each factor with its two settings. {example}")
    factors = {}
    for name, settings in value.items():
        if not isinstance(settings, Mapping) or set(settings) != {"low", "high"}:
            raise ValueError(f'has the factor "{name}" without exactly low and high. {example}')
        low, high = (str(settings[end]).strip() for end in ("low", "high"))
        if not low or not high or low == high:
            raise ValueError(f'has the factor "{name}" with one setting twice or none. {example}')
        factors[str(name)] = {"low": low, "high": high}
    return factors


def _as_numbers(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return tuple(value)
    if isinstance(value, int | float):
        return (value,)
    raise ValueError("must be a list of numbers. Write it in square brackets: [2.0, 4.0].")


def _text(pattern: str = r"\S", *kinds: str) -> WithJsonSchema:
    """For editors: a text of this pattern, or a whole number, which is taken as the text it was."""
    return WithJsonSchema({"type": ["string", "integer", *kinds], "pattern": pattern})


_NUMBER = {"type": "number"}
_FACTOR = {
    "type": "object",
    "properties": {end: {"type": ["string", "number"]} for end in ("low", "high")},
    "required": ["low", "high"],
    "additionalProperties": False,
}

Text = Annotated[str, BeforeValidator(_as_text), _text()]
Name = Annotated[str, BeforeValidator(_as_name), _text(r"^\S(.*\S)?$")]
Unit = Annotated[str, BeforeValidator(_as_unit), _text(r"^[^\s\[\]]([^\[\]]*[^\s\[\]])?$")]
Number = Annotated[float, BeforeValidator(as_number)]
Numbers = Annotated[
    tuple[Number, ...],
    BeforeValidator(_as_numbers),
    WithJsonSchema({"anyOf": [_NUMBER, {"type": "array", "items": _NUMBER}]}),
]
At = Annotated[
    float | str | None,
    BeforeValidator(_as_at),
    WithJsonSchema({"type": ["number", "string", "null"], "pattern": r"\S"}),
]
Published = Annotated[
    float | dict[str, float] | None,
    BeforeValidator(_as_published),
    WithJsonSchema(
        {
            "type": ["number", "object", "null"],
            "exclusiveMinimum": 0,
            "minProperties": 1,
            "additionalProperties": {"type": "number", "exclusiveMinimum": 0},
        }
    ),
]
Factors = Annotated[
    dict[str, dict[str, str]] | None,
    BeforeValidator(_as_factors),
    WithJsonSchema({"type": ["object", "null"], "minProperties": 1, "additionalProperties": _FACTOR}),
]


def inside_path(text: str) -> str:
    """A path inside the study folder with forward slashes.

    Raises
    ------
    ValueError
        The path is absolute, leads out of the study folder, or holds a character that cannot be seen.
    """
    if hidden_character(text):
        raise ValueError("holds a character that cannot be seen. Type the path again.")
    windows = PureWindowsPath(text)
    if windows.drive or windows.root or text.startswith("~"):
        raise ValueError(
            f'"{text}" is an absolute path. Copy the file into the study folder and name it from there: '
            f"worksheets/{windows.name}."
        )
    if ".." in windows.parts:
        raise ValueError(
            f'"{text}" leads out of the study folder. Copy the file into the study folder and name it from there: '
            f"worksheets/{windows.name}."
        )
    path = str(PurePosixPath(*windows.parts)) if windows.parts else ""
    if path in ("", "."):
        raise ValueError("must name a file. Write its path, such as worksheets/precision.csv.")
    return path
