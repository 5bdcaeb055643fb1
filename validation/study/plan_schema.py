"""The JSON Schema of plan.yaml, made from the models that read it: for editors, and for forms."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic.json_schema import GenerateJsonSchema

from validation.study.experiments import EXPERIMENTS, all_records, chapter_words, excusable, may_be_planned
from validation.study.plan import Plan, experiment_schema

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_NOTHING = {"type": "null"}
_REASON = {"type": ["string", "null"]}


class _Plain(GenerateJsonSchema):
    """Titles as a sentence begins: "Customer limits"."""

    def get_title_from_name(self, name: str) -> str:
        return name.replace("_", " ").capitalize()


def plan_schema(quantities: Mapping[str, str]) -> dict[str, Any]:
    """The schema of a plan of format 1.

    It holds the shape: keys, kinds of values, words, the grammar of limits to three brackets inside each other. What
    the values say against each other, the reader alone examines.

    Parameters
    ----------
    quantities : the keys that a requirement may name, each with its meaning

    Returns
    -------
    Plain JSON types, draft 2020-12.
    """
    schema = Plan.model_json_schema(schema_generator=_Plain)
    parts, models = schema["properties"], schema["$defs"]
    quantity = models["Requirement"]["properties"]["quantity"]
    quantity |= {"enum": list(quantities), "enumDescriptions": list(quantities.values())}
    parts["experiments"] = _stated(parts["experiments"]) | _experiments()
    del models["PlannedExperiment"]
    for name, model in (("people", "Person"), ("equipment", "Equipment"), ("standards", "Standard")):
        parts[name] = _listed(parts[name], models, model)
    parts["not_evaluated"] = _excused(parts["not_evaluated"])
    for name in ("requirements", "lots", "exports", "audit"):
        parts[name] = _or_nothing(parts[name])
    for name, part in parts.items():  # what is a model of its own has no title here
        part.setdefault("title", name.capitalize())
    return {"$schema": DIALECT, **_cleaned({**schema, "title": "Plan of a validation study", "description": _ABOUT})}


_ABOUT = "plan.yaml, format 1: what is validated, why, by whom, and the requirements, set before the data."


def _experiments() -> dict[str, Any]:
    """Each experiment by its name, with the settings that it has."""
    names = [name for name in all_records() if may_be_planned(name)]
    kinds = {name: _experiment(name) for name in names}
    return {"type": "object", "minProperties": 1, "properties": kinds, "additionalProperties": False}


def _experiment(name: str) -> dict[str, Any]:
    schema = experiment_schema(name).model_json_schema(schema_generator=_Plain)
    record = all_records()[name]
    serves = EXPERIMENTS[name].serves if name in EXPERIMENTS else record.title
    return schema | {"title": record.title.capitalize(), "description": f"Serves {serves}."}


def _listed(stated: Mapping[str, Any], models: dict[str, Any], model: str) -> dict[str, Any]:
    """A list of entries, or of names alone; or entries by name, which then need not repeat it; or nothing."""
    one = {"$ref": f"#/$defs/{model}"}
    by_name = {key: item for key, item in models[model].items() if key not in ("required", "description")}
    word = {"type": ["string", "number"]}
    forms = [
        {"type": "array", "items": {"anyOf": [one, word]}},
        {"type": "object", "additionalProperties": {"anyOf": [by_name, word, _NOTHING]}},
        _NOTHING,
    ]
    return _stated(stated) | {"anyOf": forms}


def _excused(stated: Mapping[str, Any]) -> dict[str, Any]:
    """A reason by the name of what is left out; names alone; or nothing."""
    known = {name: _REASON | {"title": chapter_words(name).capitalize()} for name in excusable()}
    by_name = {"type": "object", "properties": known, "additionalProperties": _REASON}
    forms = [by_name, {"type": "array", "items": {"type": "string"}}, _NOTHING]
    return _stated(stated) | {"anyOf": forms}


def _or_nothing(stated: Mapping[str, Any]) -> dict[str, Any]:
    inner = {key: item for key, item in stated.items() if key not in (*_HEAD, "default")}
    return _stated(stated) | {"anyOf": [inner, _NOTHING]}


_HEAD = ("title", "description")
#: Bounds that are left in pydantic's own words where they follow a validator of ours.
_BOUNDS = {"gt": "exclusiveMinimum", "ge": "minimum", "lt": "exclusiveMaximum", "le": "maximum"}


def _stated(stated: Mapping[str, Any]) -> dict[str, Any]:
    return {key: stated[key] for key in _HEAD if key in stated}


def _cleaned(value: Any) -> Any:
    """Without defaults that say nothing, and with every description in one line."""
    if isinstance(value, list):
        return [_cleaned(item) for item in value]
    if not isinstance(value, Mapping):
        return value
    stated = {_BOUNDS.get(key, key): _cleaned(item) for key, item in value.items()}
    if stated.get("default", "") in (None, []):
        del stated["default"]
    if isinstance(stated.get("description"), str):
        stated["description"] = " ".join(stated["description"].partition("\n\n")[0].split())
    return stated
