"""Everything the self-test computes, on this machine, with these versions; the same again gives the same content."""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import json
import os
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

import numpy as np

from validation import resources
from validation.dossier.manifest import versions
from validation.program import files_hash, program_hash
from validation.selftest import published
from validation.selftest.checks import Check, CoverageRow, Digits, NotCompared
from validation.selftest.numerics import Witness, numerics

FORMAT, KIND = 1, "validation self-test"
SEED = 20_260_701
_COVERAGE = "validation.selftest.coverage"


class _Coverage(Protocol):
    """The module of the coverage studies, as far as the self-test knows it."""

    def extract(self, seed: int) -> list[CoverageRow]:
        """A fixed-seed extract of the coverage studies: the same seed and versions give the same rows."""


@dataclass(frozen=True, slots=True)
class SelfTest:
    """What was found, and on what.

    Attributes
    ----------
    checks, left : every comparison, and every printed value that was not compared
    digits, witnesses : correct digits of certified values, and the other libraries
    coverage : the extract of the coverage studies; None where this version has none
    sources : title, document, clause, address, what was read and recalled, by example
    software, machine : versions and hashes; platform and processor
    """

    checks: tuple[Check, ...]
    left: tuple[NotCompared, ...]
    digits: tuple[Digits, ...]
    witnesses: tuple[Witness, ...]
    coverage: tuple[CoverageRow, ...] | None
    sources: Mapping[str, Mapping[str, str]]
    software: Mapping[str, Any]
    machine: Mapping[str, str]

    @property
    def count(self) -> int:
        """How many checks were made."""
        return len(self.checks) + len(self.coverage or ())

    @property
    def failures(self) -> list[str]:
        """Each check that does not hold, in a line."""
        rows = [row.in_words() for row in self.coverage or () if not row.ok]
        return [check.in_words() for check in self.checks if not check.ok] + rows

    @property
    def ok(self) -> bool:
        """Whether every check holds."""
        return not self.failures

    def content(self) -> dict[str, Any]:
        """What is hashed: plain JSON types, nothing of it the time."""
        return {
            "kind": KIND,
            "software": dict(self.software),
            "machine": dict(self.machine),
            "count": self.count,
            "failed": len(self.failures),
            "checks": [check.to_dict() for check in self.checks],
            "not_compared": [item.to_dict() for item in self.left],
            "correct_digits": [row.to_dict() for row in self.digits],
            "coverage": None if self.coverage is None else [row.to_dict() for row in self.coverage],
            "sources": {name: dict(source) for name, source in self.sources.items()},
        }

    @property
    def sha256(self) -> str:
        """SHA-256 of the content."""
        return content_hash(self.content())


def content_hash(content: Mapping[str, Any]) -> str:
    """SHA-256 of the content as JSON: keys sorted, no white space, UTF-8."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def collect(*, progress: Callable[[str], None] = lambda text: None) -> SelfTest:
    """Run every part of the self-test.

    Parameters
    ----------
    progress : called with one line a part
    """
    folder = resources.folder("reference")
    progress("published examples")
    checks: list[Check] = []
    left: list[NotCompared] = []
    for name in published.names(folder):
        made, aside = published.compare(folder, name)
        checks += made
        left += aside
    progress("certified values, against other libraries")
    numbers = numerics(folder)
    coverage = _coverage(progress)
    return SelfTest(
        checks=(*checks, *numbers.checks),
        left=tuple(left),
        digits=numbers.digits,
        witnesses=numbers.witnesses,
        coverage=None if coverage is None else tuple(coverage),
        sources=_sources(folder),
        software=_software(folder, numbers.witnesses),
        machine=machine(),
    )


def _coverage(progress: Callable[[str], None]) -> list[CoverageRow] | None:
    if importlib.util.find_spec(_COVERAGE) is None:
        return None
    progress("extract of the coverage studies")
    return cast(_Coverage, importlib.import_module(_COVERAGE)).extract(SEED)


def _sources(folder: Path) -> dict[str, dict[str, str]]:
    sources = {}
    for path in sorted(folder.glob("*.yaml")):
        content = published.example(folder, path.stem)
        source = content["source"]
        sources[path.stem] = {
            "title": content["title"],
            "document": source["document"],
            "clause": str(source.get("clause", "")),
            "address": source["address"],
            "read": source.get("read", "nothing"),
            "recalled": source.get("recalled", "nothing"),
            "status": content["status"],
        }
    return sources


def _software(folder: Path, witnesses: Sequence[Witness]) -> dict[str, Any]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {
        "versions": dict(versions()),
        "program_sha256": program_hash(),
        "reference_sha256": files_hash(folder, files),
        "witnesses": {other.name: other.version or other.absent for other in witnesses},
    }


def machine() -> dict[str, str]:
    """Platform, processor, Python and linear algebra, which move last digits."""
    return {
        "platform": platform.platform(),
        "processor": _processor(),
        "python": f"{platform.python_implementation()} {platform.python_version()}, {platform.python_compiler()}",
        "linear_algebra": _linear_algebra(),
    }


def _processor() -> str:
    """The processor's own name where the system gives it, else its kind."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        lines = []
    named = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return named[0] if named else platform.processor() or platform.machine()


def _linear_algebra() -> str:
    """The library behind numpy's linear algebra, which moves last digits."""
    built: Any = np.show_config(mode="dicts")
    blas = built.get("Build Dependencies", {}).get("blas", {}) if isinstance(built, dict) else {}
    name = " ".join(str(blas[key]) for key in ("name", "version") if blas.get(key)) or "not stated by numpy"
    threads = os.environ.get("OPENBLAS_NUM_THREADS")
    return f"{name}, threads {threads or 'as the library chooses'}"
