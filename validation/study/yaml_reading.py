"""YAML read safely, with the line of every key: no tags, no aliases, no merge keys, no key twice, no huge file."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import yaml

from validation.faults import Fault
from validation.study.text_files import decode

Path_ = tuple[str | int, ...]

#: The reader in C where this installation of PyYAML has it: the same rules, ten times as fast.
_QUICK: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
LARGEST = 1_000_000
DEEPEST = 20

_INT = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_SPECIAL = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_CORE = "tag:yaml.org,2002:"
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")


@dataclass
class Reading:
    """A YAML text as plain Python values; `lines` gives the line of each key path, counted from 1."""

    value: Any = None
    lines: dict[Path_, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def line(self, path: Path_) -> int | None:
        """The line of a key, or of the nearest key above it."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)


def read_yaml(raw: bytes, file: str) -> Reading:
    """Read one YAML document; whatever is wrong with it is in `faults`, with the line and how to correct it."""
    text, faults = decode(raw, file, largest=LARGEST)
    faults = faults or _control_characters(text, file)
    if faults:
        return Reading(faults=faults)
    try:
        faults, node = _composed(text, file, _QUICK)
    except (yaml.YAMLError, RecursionError, ValueError):
        # The quick reader names faults differently from what `_mend` expects.
        try:
            faults, node = _composed(text, file, yaml.SafeLoader)
        except (yaml.YAMLError, RecursionError, ValueError) as error:
            return Reading(faults=[_syntax(error, text, file)])
    if faults:
        return Reading(faults=faults)
    reading = Reading()
    if node is not None:
        reading.value = _plain(node, (), reading, file)
    return reading


def _composed(text: str, file: str, loader: Any) -> tuple[list[Fault], yaml.Node | None]:
    """What is forbidden in the text, else its tree."""
    faults = _forbidden(text, file, loader)
    return faults, None if faults else yaml.compose(text, Loader=loader)


def _control_characters(text: str, file: str) -> list[Fault]:
    match = _CONTROL.search(text)
    if match is None:
        return []
    row = text[: match.start()].count("\n") + 1
    name = f"U+{ord(match.group()):04X}"
    return [Fault(file, "The file holds a control character.", "Delete it.", row=row, value=name)]


def _forbidden(text: str, file: str, loader: Any) -> list[Fault]:
    """Anchors, aliases, tags, deep nesting: nothing a plan needs, and the ways in which YAML can hurt."""
    faults: list[Fault] = []
    depth = documents = 0
    for event in yaml.parse(text, Loader=loader):
        row = event.start_mark.line + 1  # type: ignore[union-attr]
        documents += isinstance(event, yaml.DocumentStartEvent)
        if documents > 1:
            faults.append(Fault(file, "A second document starts here.", 'Delete the line "---" and merge.', row=row))
            break
        anchor, tag = getattr(event, "anchor", None), getattr(event, "tag", None)
        if isinstance(event, yaml.AliasEvent):
            mend = f"Write the value out in place of *{anchor}; text that begins with * needs quotes."
            faults.append(Fault(file, "An alias is not allowed in a plan.", mend, row=row, value=f"*{anchor}"))
        elif anchor is not None:
            mend = f"Delete &{anchor}; text that begins with & needs quotes."
            faults.append(Fault(file, "An anchor is not allowed in a plan.", mend, row=row, value=f"&{anchor}"))
        if tag is not None:
            mend = "Delete the tag; text that begins with ! needs quotes."
            faults.append(Fault(file, "A tag is not allowed in a plan.", mend, row=row, value=str(tag)))
        opens = isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent)
        depth += opens - isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent)
        if depth > DEEPEST:
            mend = "Write the plan as the documentation of the study folder shows."
            faults.append(Fault(file, f"The plan is nested more than {DEEPEST} deep.", mend, row=row))
            break
    return faults


def _plain(node: yaml.Node, path: Path_, reading: Reading, file: str) -> Any:
    if isinstance(node, yaml.MappingNode):
        return _mapping(node, path, reading, file)
    if isinstance(node, yaml.SequenceNode):
        items = []
        for position, item in enumerate(node.value):
            reading.lines[(*path, position)] = item.start_mark.line + 1
            items.append(_plain(item, (*path, position), reading, file))
        return items
    return _scalar(node)


def _mapping(node: yaml.MappingNode, path: Path_, reading: Reading, file: str) -> dict[str, Any]:
    result: dict[str, Any] = {}
    for key_node, value_node in node.value:
        row = key_node.start_mark.line + 1
        if not isinstance(key_node, yaml.ScalarNode):
            reading.faults.append(Fault(file, "A key must be a single word.", "Write `key: value`.", row=row))
            continue
        key = key_node.value
        if key == "<<" and not key_node.style:
            mend = "Write the keys out instead of merging them."
            reading.faults.append(Fault(file, "A merge key is not allowed in a plan.", mend, row=row, value="<<"))
            continue
        if key in result:
            first = reading.lines[(*path, key)]
            mend = f"Keep one of the two; the first is in line {first}."
            name = key_name((*path, key))
            reading.faults.append(Fault(file, "The key appears twice.", mend, row=row, column=name, value=key))
            continue
        reading.lines[(*path, key)] = row
        result[key] = _plain(value_node, (*path, key), reading, file)
    return result


def _scalar(node: yaml.Node) -> Any:
    """Numbers, true and false, nothing; every other plain scalar is text (a date and "no" too)."""
    text: str = node.value
    if getattr(node, "style", None):  # quoted; a plain scalar has None, or an empty text from the reader in C
        return text
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text in ("true", "True", "TRUE", "false", "False", "FALSE"):
        return text.lower() == "true"
    if _INT.fullmatch(text) and len(text) < 20:
        return int(text)
    if _FLOAT.fullmatch(text) or _SPECIAL.fullmatch(text):
        return (
            float(text.replace(".inf", "inf").replace(".nan", "nan"))
            if _FLOAT.fullmatch(text)
            else float(re.sub(r"\.", "", text))
        )
    return text


def key_name(path: Path_) -> str:
    """A key path as a person names it: requirements[2].limit counts from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _syntax(error: Exception, text: str, file: str) -> Fault:
    """A YAML error in a sentence, with the usual corrections."""
    mark = getattr(error, "problem_mark", None)
    row = None if mark is None else mark.line + 1
    problem = str(getattr(error, "problem", None) or "the nesting is too deep")
    lines = text.splitlines()
    content = lines[row - 1].strip()[:120] if row is not None and 0 < row <= len(lines) else None
    return Fault(
        file,
        f"The line cannot be read as YAML ({problem}).",
        _mend(problem, content or ""),
        row=row,
        value=content,
    )


def _mend(problem: str, line: str) -> str:
    if "'%'" in problem or line.rstrip("}, ").endswith(": %"):
        return 'Put text that begins with % in quotes: unit: "%".'
    if "\\t" in problem or "\t" in line:
        return "Indent with spaces; YAML does not allow tabs there."
    if "mapping values are not allowed" in problem:
        return "Put text that holds a colon in quotes, and check the indentation of this line and the one before."
    if "expected ',' or" in problem or "flow" in problem:
        return 'Close every bracket, and put a text with a comma or a bracket in quotes: limit: "max(0.15, 5%)".'
    if "quoted scalar" in problem or "end of stream" in problem:
        return "Close the quotes and brackets that were opened."
    if "'`'" in problem or "'@'" in problem:
        return "Put text that begins with this character in quotes."
    return "Check quotes, brackets and the indentation of this line and the one before."
