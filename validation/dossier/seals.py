"""The seals of the dossiers beside this one: what it names as predecessor and parent, what the next one names."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from validation.dossier.manifest import MANIFEST, read_manifest, sha256
from validation.dossier.parent import PLACE as PARENT
from validation.faults import Refusal


@dataclass(frozen=True, slots=True)
class SealsBeside:
    """Which dossiers beside this one were compared by their seals, and where a seal is another."""

    compared: tuple[str, ...]
    problems: tuple[str, ...]


def seals_beside(folder: Path, content: dict[str, Any]) -> SealsBeside:
    """Compare the seal of each dossier that lies beside this one and that one of the two names.

    Parameters
    ----------
    folder : the dossier
    content : of its manifest
    """
    issue = str(content.get("issue"))
    if not re.fullmatch("[0-9]{3,9}", issue):
        return SealsBeside((), ())
    compared: list[str] = []
    problems: list[str] = []
    for name, text in (*_predecessor(folder, content), *_successor(folder, content), *_parent(folder)):
        compared.append(name)
        problems += [text] if text else []
    return SealsBeside(tuple(compared), tuple(problems))


def _predecessor(folder: Path, content: dict[str, Any]) -> Iterator[tuple[str, str]]:
    before = folder.resolve().parent / f"{int(content['issue']) - 1:03d}"
    if _content(before).get("study") != content.get("study"):
        return
    seal, named = sha256(before / MANIFEST), content.get("predecessor")
    if named is None:
        yield before.name, f"{MANIFEST}: predecessor: none named, yet issue {before.name} lies beside it."
    else:
        yield (
            before.name,
            ""
            if seal == named
            else f"{MANIFEST}: predecessor: {named}; the seal of issue {before.name} beside it is {seal}.",
        )


def _successor(folder: Path, content: dict[str, Any]) -> Iterator[tuple[str, str]]:
    place = folder.resolve()
    if place.name != content["issue"]:  # a copy under another name is not the one that the next issue follows
        return
    after = place.parent / f"{int(place.name) + 1:03d}"
    there = _content(after)
    named = there.get("predecessor")
    if there.get("study") != content.get("study") or named is None:
        return
    seal = sha256(place / MANIFEST)
    yield (
        after.name,
        "" if seal == named else f"{MANIFEST}: its SHA-256 is {seal}; issue {after.name} beside it names {named}.",
    )


def _parent(folder: Path) -> Iterator[tuple[str, str]]:
    kept = folder / "inputs" / PARENT / MANIFEST
    shelf = folder.resolve().parent
    if not kept.is_file() or shelf.name != "dossiers":
        return
    own, seal = _content(kept.parent), sha256(kept)
    places = [*shelf.parent.parent.glob(f"*/dossiers/*/{MANIFEST}"), *shelf.parent.glob(f"records/**/{MANIFEST}")]
    alike = [path for path in sorted(places) if _named(_content(path.parent)) == _named(own)]
    if alike:
        name = f"{own.get('study')} issue {own.get('issue')}"
        wrong = f"{MANIFEST}: parent: {seal}; {name} beside this study has another seal."
        yield name, "" if any(sha256(path) == seal for path in alike) else wrong


def _named(content: dict[str, Any]) -> tuple[str, str]:
    return str(content.get("study")), str(content.get("issue"))


def _content(folder: Path) -> dict[str, Any]:
    """The content of a manifest; empty where there is none that can be read."""
    try:
        return dict(read_manifest(folder).content)
    except Refusal:
        return {}
