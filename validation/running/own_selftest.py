"""The self-test report that a dossier holds: made once for a program on a machine, then taken from the user's cache."""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from validation.dossier.attached import OWN, OWN_PAGE, AttachedSelfTest, attached_selftest
from validation.dossier.manifest import versions
from validation.files import write_files
from validation.program import program_hash

#: SHA-256 of the files of a kept report, as `sha256sum` prints it.
_HASHES = "files.sha256"


def attach_selftest(place: Path, *, progress: Callable[[str], None]) -> None:
    """Put page and record of the self-test into selftest/ of a dossier.

    Parameters
    ----------
    place : the dossier that is being built
    progress : called with one line where the test is made, which takes a while
    """
    from validation.selftest.collect import machine

    kept = cache_folder() / "selftest" / _key(machine())
    files = _kept(kept)
    if files is None:
        files = _made(progress)
        _keep(kept, files)
    write_files(place / Path(OWN).parent, files)


def _made(progress: Callable[[str], None]) -> dict[str, bytes]:
    from validation.selftest.collect import collect
    from validation.selftest.report import files_of

    progress("self-test of the calculations, once for this program on this machine (up to half a minute)")
    result = collect()
    failed = len(result.failures)
    progress(f"self-test: {result.count} checks, {f'{failed} failed' if failed else 'all passed'}")
    return files_of(result)


def cache_folder() -> Path:
    """The user's cache of this program; a temporary folder where the system names none."""
    if sys.platform == "win32":
        named = os.environ.get("LOCALAPPDATA", "")
    else:
        named = os.environ.get("XDG_CACHE_HOME", "") or os.path.expanduser(os.path.join("~", ".cache"))
    base = Path(named)
    return (base if base.is_absolute() else Path(tempfile.gettempdir())) / "validation"


def _key(machine: dict[str, str]) -> str:
    """Another program, other libraries or another machine: another report."""
    facts = json.dumps([program_hash(), dict(versions()), machine], sort_keys=True)
    return hashlib.sha256(facts.encode("utf-8")).hexdigest()[:32]


def _kept(folder: Path) -> dict[str, bytes] | None:
    """The files of a kept report; None where one is missing or was changed, or the record is not of this program."""
    try:
        lines = (folder / _HASHES).read_text(encoding="utf-8").splitlines()
        stated = {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
        files = {name: (folder / name).read_bytes() for name in stated if name == Path(name).name}
    except (OSError, UnicodeDecodeError):
        return None
    if set(files) != {Path(OWN).name, Path(OWN_PAGE).name}:
        return None
    if {name: hashlib.sha256(raw).hexdigest() for name, raw in files.items()} != stated:
        return None
    record = attached_selftest(folder, versions(), program_hash(), place=Path(OWN).name)
    good = isinstance(record, AttachedSelfTest) and record.intact and not record.facts.differs
    return files if good else None


def _keep(folder: Path, files: dict[str, bytes]) -> None:
    """Keep a report for the next run; where nothing can be written, the next run makes it again."""
    lines = "".join(f"{hashlib.sha256(raw).hexdigest()}  {name}\n" for name, raw in files.items())
    try:
        write_files(folder, {**files, _HASHES: lines.encode("utf-8")})
    except OSError:
        return
