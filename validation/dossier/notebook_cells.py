"""Executed notebooks compared cell by cell, without identifiers, times and execution counts."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from validation.dossier.word_differences import word_differences

#: What a notebook holds beside words: compared as data, never quoted.
_DRAWN = ("image/svg+xml", "image/png", "image/jpeg", "application/pdf")
_INJECTED = "injected-parameters"


def source_differences(recorded: bytes, plain: bytes) -> Iterator[str]:
    """Each cell whose source is not that of the notebook as this version of the program has it.

    Parameters
    ----------
    recorded : an executed notebook
    plain : the notebook before it was executed; papermill adds one cell, with the parameters
    """
    cells = [cell for cell in _cells(recorded) if _INJECTED not in _tags(cell)]
    yield from _sources(cells, _cells(plain))


def cell_differences(recorded: bytes, again: bytes) -> Iterator[str]:
    """Each cell whose source or output is not that of the same notebook executed again."""
    there, here = _cells(recorded), _cells(again)
    yield from _sources(there, here)
    for number, (one, other) in enumerate(zip(there, here, strict=False), start=1):
        yield from (f"cell {number}: {text}" for text in _outputs(_list(one, "outputs"), _list(other, "outputs")))


def _sources(there: list[dict[str, Any]], here: list[dict[str, Any]]) -> Iterator[str]:
    if len(there) != len(here):
        yield f"it has {len(there)} cells; the record gives {len(here)}."
    for number, (one, other) in enumerate(zip(there, here, strict=False), start=1):
        if one.get("cell_type") != other.get("cell_type"):
            yield f"cell {number}: it is of another kind."
        elif _text(one.get("source")) != _text(other.get("source")):
            yield f"cell {number}: its source is another: {_both(_text(one.get('source')), _text(other.get('source')))}"


def _outputs(there: list[Any], here: list[Any]) -> Iterator[str]:
    if len(there) != len(here):
        yield f"it has {len(there)} outputs; executed again it gives {len(here)}."
    for one, other in zip(there, here, strict=False):
        data, wanted = _output(one), _output(other)
        kinds = [kind for kind in {**wanted, **data} if data.get(kind) != wanted.get(kind)]
        if any(kind in _DRAWN for kind in kinds):
            yield "its figure is not the one that it draws when executed again."
        words = [kind for kind in kinds if kind not in _DRAWN]
        if words:  # the same words come as text and as HTML: the first says it
            yield f"its output is another: {_both(data.get(words[0], ''), wanted.get(words[0], ''))}"


def _output(output: Any) -> Mapping[str, str]:
    """What an output shows, by kind."""
    if not isinstance(output, dict):
        return {"text": str(output)}
    data = output.get("data")
    shown = {str(kind): _text(value) for kind, value in data.items()} if isinstance(data, dict) else {}
    beside = {name: _text(output[name]) for name in ("name", "text", "ename", "evalue", "traceback") if name in output}
    return {**shown, **beside, "output_type": str(output.get("output_type"))}


def _both(one: str, other: str) -> str:
    """The first words that differ."""
    first = next(iter(word_differences(one, other)), None)
    if first is None:
        return "it differs in white space."
    return f"“{first.found}”; the record gives “{first.expected}”."


def _cells(raw: bytes) -> list[dict[str, Any]]:
    try:
        content = json.loads(raw)
    except (ValueError, RecursionError):
        return []
    cells = _list(content, "cells") if isinstance(content, dict) else []
    return [cell for cell in cells if isinstance(cell, dict)]


def _list(holder: Mapping[str, Any], name: str) -> list[Any]:
    value = holder.get(name)
    return value if isinstance(value, list) else []


def _tags(cell: Mapping[str, Any]) -> list[Any]:
    metadata = cell.get("metadata")
    return _list(metadata, "tags") if isinstance(metadata, dict) else []


def _text(value: Any) -> str:
    """Notebooks hold a text as a string or as its lines."""
    if isinstance(value, list):
        return "".join(map(str, value))
    return value if isinstance(value, str) else json.dumps(value, sort_keys=True)
