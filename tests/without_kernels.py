"""What the notebooks save, made in this process: for tests of all that lies around them."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from types import TracebackType

import pytest

from validation import notebook, resources
from validation.dossier.redrawn import figure_names
from validation.notebook import Chapter
from validation.running import making, nursery_process
from validation.study.experiments import chapter_words
from validation.study.load import load_study
from validation.study.quantity import Evaluation


class NoKernels:
    """In the place of `KernelSource`; starts nothing."""

    def hold(self, folder: Path, *, draft: bool) -> None:
        """Nothing is read ahead."""

    def __enter__(self) -> NoKernels:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Nothing is to be closed."""


def without_kernels(patch: pytest.MonkeyPatch, *, figures: bool = True) -> None:
    """From now on a run executes no notebook: each is copied as it is committed; without figures in half the time."""
    patch.setattr(nursery_process, "start_early", lambda: None)
    patch.setattr(making, "KernelSource", NoKernels)
    patch.setattr(making, "_execute", partial(_compute, figures=figures))


def _compute(
    names: Sequence[str],
    place: Path,
    kernels: NoKernels,
    jobs: int,
    draft: bool,
    progress: Callable[[str], None],
    *,
    figures: bool,
) -> None:
    for folder in ("saved", "notebooks"):
        (place / folder).mkdir(exist_ok=True)
    study, done = load_study(place / "inputs", draft=draft), dict[str, Evaluation]()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(notebook, "held_study", lambda folder, draft: study)
        for number, name in enumerate(names, start=1):
            chapter = Chapter(name, str(place / "inputs"), str(place / "saved"), draft)
            chapter._done = done
            for figure in figure_names(name) if figures else ():
                chapter.figure(figure)
            chapter.save()
            shutil.copyfile(resources.folder("notebooks") / f"{name}.ipynb", place / "notebooks" / f"{name}.ipynb")
            progress(f"[{number}/{len(names)}] {chapter_words(name)}")
