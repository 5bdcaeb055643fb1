"""What plan and lot records share in turning a schema's complaints into faults that a person can correct."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from validation.faults import Fault
from validation.study.yaml_reading import Path_


def by_path(error: ValidationError, value: Any) -> dict[Path_, Any]:
    """The first complaint about each place of the file."""
    complaints: dict[Path_, Any] = {}
    for item in error.errors(include_url=False):
        complaints.setdefault(_path(item["loc"], value), item)
    return complaints


def _path(loc: tuple[Any, ...], value: Any) -> Path_:
    """The schema's location without the marks that it adds for unions and validators."""
    path: list[str | int] = []
    for part in loc:
        in_list = isinstance(value, list) and isinstance(part, int) and part < len(value)
        if in_list or (isinstance(value, dict) and part in value):
            value = value[part]
        elif not isinstance(value, dict):
            break
        path.append(part)
    return tuple(path)


def unknown_word(item: Any, file: str, row: int | None, name: str) -> Fault:
    """A word that is none of those the schema knows, with the nearest one."""
    words = item["ctx"]["expected"].replace("'", '"')
    close = difflib.get_close_matches(str(item["input"]), re.findall('"([^"]+)"', words), n=1)
    mend = f'Write "{close[0]}".' if close else "Write one of these."
    return Fault(file, "The word is unknown here.", mend, row, None, name, found_text(item), words)


def found_text(item: Any) -> str:
    """What was found, short enough for one line."""
    value = item["input"]
    if isinstance(value, Mapping):
        return "several keys"
    text = "nothing" if value is None else str(value)
    return text if len(text) <= 80 else text[:77] + "..."
