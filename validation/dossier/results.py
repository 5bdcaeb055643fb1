"""results.json: put together in one place for whoever writes or checks it, and read with every part in its shape."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictFloat, StrictInt, StrictStr, ValidationError

from validation.dossier.comparison_report import ComparisonReport
from validation.dossier.manifest import read_json
from validation.faults import Refusal
from validation.judging.outcomes import Judgement

RESULTS = "results.json"
_Number = StrictInt | StrictFloat
_At = _Number | StrictStr | None
_Interval = Annotated[list[_Number | None], Field(min_length=2, max_length=2)] | None


class _Part(BaseModel):
    model_config = ConfigDict(extra="allow")


class _Quantity(_Part):
    key: StrictStr
    at: _At
    value: _Number | None
    unit: StrictStr
    standard_uncertainty: _Number | None
    interval: _Interval
    confidence: _Number | None
    degrees_of_freedom: _Number | None
    n: StrictInt
    notes: list[StrictStr]
    source: StrictStr
    worksheet: StrictStr
    readings: list[StrictStr]


class _Requirement(_Part):
    id: StrictStr
    quantity: StrictStr
    at: _At
    observed: _Number | None
    interval: _Interval
    outcome: StrictStr
    reason: StrictStr


class _Conclusion(_Part):
    outcome: StrictStr
    range: _Interval
    text: StrictStr


class _Study(_Part):
    id: StrictStr
    unit: StrictStr


class _ParentValue(_Part):
    value: _Number | None
    standard_uncertainty: _Number | None
    degrees_of_freedom: _Number | None
    interval: _Interval
    confidence: _Number | None


class _StepRow(_Part):
    at: _At
    parent: _ParentValue


class _Step(_Part):
    quantity: StrictStr
    since: StrictStr
    lots: Annotated[list[StrictStr], Field(min_length=2, max_length=2)]
    rows: list[_StepRow]


class _Results(_Part):
    format: StrictInt
    study: _Study
    quantities: list[_Quantity]
    requirements: list[_Requirement]
    flags: list[dict[str, Any]]
    conclusion: _Conclusion
    step: _Step | None = None
    draft: StrictBool = False


def results_of(judgement: Judgement, parent: ComparisonReport | None, *, draft: bool) -> dict[str, Any]:
    """The content of results.json, in plain JSON types; with the step since the parent, where there is one.

    `parent_recomputed` holds the numbers of the parent that this version computes differently; absent without any.
    """
    content = judgement.results()
    step = None if parent is None else parent.step_record()
    if step is not None:
        content["step"] = step
    if parent is not None and parent.recomputed:
        content["parent_recomputed"] = [number.to_dict() for number in parent.recomputed]
    if draft:
        content["draft"] = True
    return json.loads(json.dumps(content, allow_nan=False))


def results_bytes(content: Mapping[str, Any]) -> bytes:
    """The file."""
    return (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")


def read_results(folder: Path) -> dict[str, Any]:
    """The content of a dossier's results.json.

    Raises
    ------
    Refusal
        There is none, or a part that the format names is not there or of another kind; the message names it.
    """
    try:
        content = read_json(folder / RESULTS)
        _Results.model_validate(content)
    except FileNotFoundError:
        raise Refusal(f"{folder} is not a dossier: it has no {RESULTS}.") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"][:3]) or "its entire content"
        raise Refusal(f"{folder / RESULTS} cannot be read as the results of a dossier: {place} is damaged.") from None
    except (OSError, ValueError, RecursionError) as error:
        raise Refusal(f"{folder / RESULTS} cannot be read as JSON ({type(error).__name__}); it is damaged.") from None
    return content
