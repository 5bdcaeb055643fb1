"""Several files that change together: all of them, or none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from itertools import count
from pathlib import Path

from validation.faults import Refusal


def write_files(
    folder: Path, contents: Mapping[str, bytes], *, expected: Mapping[str, bytes | None] | None = None
) -> None:
    """Write files in this order, each whole; where one cannot be written, none of them is changed.

    A program that is ended in between leaves the later ones as they were; what belongs together is ordered so that the
    next command takes it up from there.

    Parameters
    ----------
    folder : what the names are relative to
    contents : the new content by name
    expected : what the caller found in the files that it adds to, None for no file

    Raises
    ------
    Refusal
        A file no longer holds what the caller found.
    OSError
        A file cannot be written; all are as before.
    """
    drafts: dict[Path, Path] = {}
    before: dict[Path, bytes | None] = {}
    try:
        for name, raw in contents.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            drafts[path] = _written(path, raw)
        for name, before_call in (expected or {}).items():
            if content(folder / name) != before_call:
                raise Refusal(f"{name} changed in the meantime; look at it and run the same command again.")
        for path, draft in drafts.items():
            before[path] = content(path)
            os.replace(draft, path)
    except BaseException:
        _restore(before)
        raise
    finally:
        for draft in drafts.values():
            draft.unlink(missing_ok=True)


def _written(path: Path, raw: bytes) -> Path:
    """The new content next to the file, under an unused name: what is there is neither followed nor lost."""
    for number in count():
        draft = path.with_name(f".{path.name}.{os.getpid()}-{number}.new")
        try:
            with draft.open("xb") as stream:
                stream.write(raw)
        except FileExistsError:
            continue
        except OSError:
            draft.unlink(missing_ok=True)
            raise
        if path.exists():
            shutil.copymode(path, draft)
        return draft
    raise AssertionError("never reached")


def content(path: Path) -> bytes | None:
    """What the file holds; None where there is none."""
    return path.read_bytes() if path.exists() else None


def _restore(before: Mapping[Path, bytes | None]) -> None:
    for path, raw in before.items():
        if raw is None:
            path.unlink(missing_ok=True)
        elif content(path) != raw:
            path.write_bytes(raw)
