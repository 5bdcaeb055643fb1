"""A self-test of two published examples in the place of the whole one, for tests that are about something else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from validation.running import own_selftest
from validation.selftest import collect as collecting
from validation.selftest import published
from validation.selftest.numerics import Numerics
from validation.selftest.report import files_of

EXAMPLES = 2


def few_checks(patch: pytest.MonkeyPatch, cache: Path) -> None:
    """From now on a dossier holds a report of few checks, kept in `cache`."""
    patch.setattr(own_selftest, "cache_folder", lambda: cache)
    patch.setattr(own_selftest, "_made", _made)


def _made(progress: Callable[[str], None]) -> dict[str, bytes]:
    with pytest.MonkeyPatch.context() as patch:
        names = published.names
        patch.setattr(published, "names", lambda folder: names(folder)[:EXAMPLES])
        patch.setattr(collecting, "numerics", lambda folder: Numerics((), (), ()))
        patch.setattr(collecting, "_coverage", lambda progress: None)
        return files_of(collecting.collect(progress=progress))
