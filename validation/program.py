"""Which program this is: a hash over its own files, so that one changed constant is another program."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


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
