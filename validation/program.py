"""Which program this is: a hash over its own files, and its source for an archive."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from validation.resources import folder

_PACKAGE = Path(__file__).resolve().parent
LICENCE, DISTRIBUTION = "LICENCE", "headspace-validation-dossier"


def files_hash(root: Path, files: Iterable[Path]) -> str:
    """SHA-256 of what `sha256sum` prints for these files, sorted by their names relative to `root`."""
    names = sorted((path.relative_to(root).as_posix(), path) for path in files)
    lines = "".join(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {name}\n" for name, path in names)
    return hashlib.sha256(lines.encode("utf-8")).hexdigest()


@cache
def program_hash() -> str:
    """SHA-256 over the Python files of this installation, paths relative to the package.

    Data that a wheel carries inside the package is left out: the same program has the same hash in a wheel and in a
    checkout.
    """
    data = _PACKAGE / "_data"
    return files_hash(_PACKAGE, (path for path in _PACKAGE.rglob("*.py") if not path.is_relative_to(data)))


def source_files() -> dict[str, bytes]:
    """The source of this installation by name: the package, its notebooks and templates, and the licence.

    What only demonstrations and the self-test read is left out.
    """
    data = _PACKAGE / "_data"
    own = [path for path in _PACKAGE.rglob("*.py") if not path.is_relative_to(data)]
    files = {f"validation/{path.relative_to(_PACKAGE).as_posix()}": path for path in own}
    for name in ("notebooks", "templates"):
        root = folder(name)
        inside = (path for path in root.rglob("*") if path.is_file() and "." not in path.parent.name)
        files |= {f"{name}/{path.relative_to(root).as_posix()}": path for path in inside}
    licence = _licence()
    return {name: path.read_bytes() for name, path in (files | ({LICENCE: licence} if licence else {})).items()}


def _licence() -> Path | None:
    """In a checkout among the documents, in an installation beside the package's metadata."""
    beside = _PACKAGE.parent.glob(f"headspace_validation_dossier-*.dist-info/**/{LICENCE}")
    return next((path for path in (_PACKAGE.parent / "docs" / LICENCE, *sorted(beside)) if path.is_file()), None)
