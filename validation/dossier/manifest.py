"""The manifest: SHA-256 of every file, versions, times. Its own hash is in a file next to it."""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

from validation.faults import Refusal

MANIFEST, SEAL = "manifest.json", "manifest.sha256"
#: The signed copy of the PDF lies beside the manifest: people sign after it was written.
SIGNED = "dossier.signed.pdf"

#: What the numbers and the pages depend on.
_DISTRIBUTIONS = (
    "numpy",
    "scipy",
    "pandas",
    "matplotlib",
    "papermill",
    "nbclient",
    "ipykernel",
    "pydantic",
    "openpyxl",
    "jinja2",
    "typst",
    "fonttools",
    "xlsxwriter",
)


@dataclass(frozen=True, slots=True)
class Manifest:
    """manifest.json as read: SHA-256 by file, versions by name, and the whole content; other keys may hold anything."""

    files: Mapping[str, str]
    versions: Mapping[str, str]
    content: Mapping[str, Any]

    @property
    def program_version(self) -> str:
        """The version of this program that made the dossier."""
        return self.versions.get("validation", "not stated")


def sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex; a record may be of any size, so the whole is never held in memory."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def relative_files(folder: Path) -> list[str]:
    """Every file below `folder` with forward slashes, sorted."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 by relative path, of every file but the manifest, its seal and the signed copy."""
    return {name: sha256(folder / name) for name in relative_files(folder) if name not in (MANIFEST, SEAL, SIGNED)}


def inputs_hash(inputs: Path) -> str:
    """SHA-256 over the sorted inputs: of the text that `sha256sum` prints for them, one line "hash  path" a file."""
    lines = "".join(f"{sha256(inputs / name)}  {name}\n" for name in relative_files(inputs))
    return hashlib.sha256(lines.encode("utf-8")).hexdigest()


@cache
def versions() -> Mapping[str, str]:
    """Versions of this package, of Python, and of the libraries the numbers depend on."""
    from validation import __version__

    installed = {"validation": __version__, "python": platform.python_version()}
    for name in _DISTRIBUTIONS:
        try:
            installed[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            installed[name] = "not installed"
    return installed


def write_manifest(folder: Path, facts: Mapping[str, Any]) -> str:
    """Write manifest.json (`facts` and the hashes) and manifest.sha256; return the manifest's own hash."""
    content = {"format": 1, **facts, "versions": dict(versions()), "files": hashes(folder)}
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    (folder / MANIFEST).write_bytes(text.encode("utf-8"))
    seal = sha256(folder / MANIFEST)
    (folder / SEAL).write_bytes(f"{seal}  {MANIFEST}\n".encode())
    return seal


def read_json(path: Path) -> Any:
    """A JSON file in which no key appears twice: readers differ in which of two they take.

    Raises
    ------
    ValueError
        The file is no JSON, or a key appears twice.
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        content = dict(pairs)
        if len(content) != len(pairs):
            raise ValueError("a key appears twice")
        return content

    return json.loads(path.read_bytes(), object_pairs_hook=once)


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a dossier.

    Raises
    ------
    Refusal
        There is none, or it is damaged.
    """
    try:
        content = read_json(folder / MANIFEST)
        manifest = Manifest(content["files"], content.get("versions", {}), content)
        texts = [text for table in (manifest.files, manifest.versions) for pair in table.items() for text in pair]
        if not isinstance(content, dict) or not all(isinstance(text, str) for text in texts):
            raise ValueError("another shape")
    except FileNotFoundError:
        raise Refusal(f"{folder} is not a complete dossier: it has no {MANIFEST}.") from None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise Refusal(f"{folder / MANIFEST} cannot be read as a manifest; it is damaged.") from None
    return manifest


def _no_files(folder: Path) -> list[str]:
    """What no hash covers: folders without a file below them, pipes, devices."""
    held = {parent for name in relative_files(folder) for parent in Path(name).parents}
    below = {
        path.relative_to(folder): path for path in folder.rglob("*") if not path.is_file() and not path.is_symlink()
    }
    return sorted(name.as_posix() for name, path in below.items() if not path.is_dir() or name not in held)


def integrity_problems(folder: Path) -> list[str]:
    """What no longer agrees with the manifest: changed, missing, added files, a broken seal. Empty when all agrees."""
    if not (folder / MANIFEST).is_file():
        return [f"{MANIFEST}: missing. This is not a complete dossier."]
    problems = []
    seal = (folder / SEAL).read_text(encoding="utf-8", errors="replace") if (folder / SEAL).is_file() else ""
    if not seal:
        problems.append(f"{SEAL}: missing.")
    elif seal != f"{sha256(folder / MANIFEST)}  {MANIFEST}\n":
        problems.append(f"{MANIFEST}: its SHA-256 is not the one in {SEAL}; one of the two was changed.")
    try:
        recorded = read_manifest(folder).files
    except Refusal:
        return [*problems, f"{MANIFEST}: cannot be read as a manifest; it was changed."]
    present = set(relative_files(folder)) - {MANIFEST, SEAL, SIGNED}
    problems += [f"{name}: missing; the manifest lists it." for name in sorted(set(recorded) - present)]
    problems += [f"{name}: added; the manifest does not list it." for name in sorted(present - set(recorded))]
    problems += [
        f"{name}: changed; its SHA-256 is not the one in the manifest."
        for name in sorted(present & set(recorded))
        if sha256(folder / name) != recorded[name]
    ]
    problems += [f"{name}: added; no dossier holds an empty folder, a pipe or a device." for name in _no_files(folder)]
    links = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_symlink())
    return problems + [f"{name}: a link, not a file; a dossier must hold its own files." for name in links]
