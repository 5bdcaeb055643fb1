"""`exports:` of a plan: how an instrument's export is laid out, and which worksheet holds the same readings."""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, field_validator

from validation.study.plan_values import Text, inside_path

#: What a plan may write for a delimiter that is hard to see.
_DELIMITERS = {"tab": "\t", "comma": ",", "semicolon": ";", "space": " ", "\\t": "\t"}


def _as_names(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _as_texts(value: Any) -> Any:
    """Headings and filters are compared as texts, so a number may stand without quotes."""
    if not isinstance(value, Mapping):
        return value
    return {str(key): str(item) if isinstance(item, int | float) else item for key, item in value.items()}


_Names = Annotated[
    tuple[Text, ...],
    BeforeValidator(_as_names),
    Field(min_length=1),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}),
]
_Headings = Annotated[dict[str, Text], BeforeValidator(_as_texts)]


class Export(BaseModel):
    """One export of an instrument, compared line by line with a worksheet."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)

    file: Text
    """File of the export, in records/: records/export-R5.csv; CSV, TXT or XLSX."""
    experiment: Text
    """Experiment whose worksheet holds the same readings."""
    columns: _Headings = Field(min_length=1)
    """Heading in the export of each column of the worksheet that is compared: {result: "Fuel [%]"}."""
    match: _Names = ("reading",)
    """Columns that together name one row: reading, or [run, order]."""
    rows: _Headings = Field(default_factory=dict)
    """Which rows of the worksheet the export holds, by column: {run: R5}; left out: all."""
    header: int = Field(default=1, ge=1, strict=True)
    """Line of the headings, counted from 1."""
    delimiter: str = ","
    """What parts the cells of a text file: ",", ";", tab."""
    decimal: Literal[".", ","] = "."
    """Decimal mark of numbers in a text file."""
    encoding: Text = "utf-8"
    """Encoding of a text file, such as utf-8, cp1252, utf-16."""
    sheet: Text | None = None
    """Sheet of a workbook; left out: the first visible one."""

    @field_validator("file")
    @classmethod
    def _in_records(cls, value: str) -> str:
        path = inside_path(value)
        if not path.startswith("records/") or not path.lower().endswith((".csv", ".txt", ".tsv", ".xlsx")):
            raise ValueError(f'"{value}" is not a CSV, TXT or XLSX file in records/. Put the export there and name it.')
        return path

    @field_validator("delimiter", mode="before")
    @classmethod
    def _one_mark(cls, value: Any) -> Any:
        mark = _DELIMITERS.get(value.strip().lower(), value) if isinstance(value, str) else value
        if not isinstance(mark, str) or len(mark) != 1 or mark in '"\r\n':
            raise ValueError('must be one character. Write ",", ";" or tab.')
        return mark

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            "".encode(value)
            codecs.lookup(value)
        except (LookupError, ValueError) as error:
            raise ValueError(f'"{value}" is not an encoding. Write utf-8, cp1252 or utf-16.') from error
        return value
