"""Execute a characteristic's notebook through papermill in a fresh kernel of the running interpreter."""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import as_completed
from pathlib import Path
from typing import Any

import nbformat

from validation.faults import Refusal
from validation.running.kernels import KernelSource
from validation.study.experiments import chapter_words
from validation.threads import threads

#: What every notebook of a characteristic declares in its cell tagged `parameters`.
PARAMETERS = ("study_folder", "output_folder", "draft")


class NotebookFailure(Exception):
    """A notebook stopped: which, where, and the error in one sentence. `copy` is the executed copy it left."""

    def __init__(self, notebook: str, cell: str, error: str, copy: Path):
        self.notebook, self.cell, self.error, self.copy = notebook, cell, error, copy
        super().__init__(f"Notebook {notebook} stopped in cell {cell}: {error}. Its executed copy: {copy}")


def declared_parameters(path: Path) -> tuple[str, ...]:
    """Names assigned in the cell tagged `parameters`.

    Raises
    ------
    Refusal
        The notebook has no such cell: papermill would only warn, and the run would use defaults.
    """
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code" and "parameters" in cell.metadata.get("tags", []):
            return tuple(re.findall(r"^(\w+)\s*(?::[^=]+)?=", cell.source, flags=re.MULTILINE))
    raise Refusal(
        f'{path.name} has no cell tagged "parameters"; a notebook that takes no parameters cannot be run on a study.'
    )


def check_parameters(path: Path, parameters: Mapping[str, Any]) -> None:
    """Refuse a parameter that the notebook does not declare; papermill would only warn.

    Raises
    ------
    Refusal
        No parameters cell, or an unknown parameter; the message names both sides.
    """
    declared = declared_parameters(path)
    unknown = sorted(set(parameters) - set(declared))
    if unknown:
        raise Refusal(
            f"{path.name} does not declare the parameter {', '.join(unknown)}; it declares {', '.join(declared)}."
        )


def execute(source: Path, target: Path, parameters: Mapping[str, Any], cwd: Path, kernels: KernelSource) -> Path:
    """Run one notebook and write its executed copy, without times, paths and random identifiers.

    Raises
    ------
    NotebookFailure
        A cell raised; the executed copy is left at `target`, the error at its top.
    Refusal
        Missing parameters cell or unknown parameter.
    OSError
        The copy cannot be written, as on a full disk.
    """
    import papermill
    from papermill.exceptions import PapermillExecutionError

    check_parameters(source, parameters)
    logging.getLogger("papermill").setLevel(logging.CRITICAL)  # a failure is reported once, by the caller
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            papermill.execute_notebook(
                _plain_path(source),
                _plain_path(target),
                parameters=dict(parameters),
                engine_name=kernels.engine_name,
                kernel_name="python3",
                language="python",
                progress_bar=False,
                request_save_on_cell_execute=False,
                km=kernels.manager(),
                resources={"metadata": {"path": str(cwd)}},
            )
    except PapermillExecutionError as error:
        clean(target)
        raise NotebookFailure(source.name, str(error.exec_count), f"{error.ename}: {error.evalue}", target) from None
    clean(target)
    return target


def _plain_path(path: Path) -> str:
    """A path in which papermill finds no parameter: it would fill in `{draft}`."""
    return str(path).replace("{", "{{").replace("}", "}}")


def clean(path: Path) -> None:
    """Take out of an executed notebook what differs between two runs of the same inputs."""
    notebook = nbformat.read(path, as_version=4)
    notebook.metadata.pop("papermill", None)
    for position, cell in enumerate(notebook.cells):
        for name in ("papermill", "execution"):
            cell.metadata.pop(name, None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.id = "injected-parameters"
        elif "papermill-error-cell-tag" in cell.metadata.get("tags", []):
            cell.id = f"error-{position}"
    path.write_bytes((nbformat.writes(notebook, indent=1, sort_keys=True) + "\n").encode("utf-8"))


def execute_all(
    sources: Sequence[Path],
    target_folder: Path,
    parameters: Mapping[str, Any],
    cwd: Path,
    kernels: KernelSource,
    *,
    jobs: int,
    progress: Callable[[str], None],
) -> None:
    """Run notebooks side by side, `jobs` at once; report each one that is done.

    Raises
    ------
    NotebookFailure
        The first one (in the order of `sources`) that stopped; the others have finished.
    """
    target_folder.mkdir(parents=True, exist_ok=True)
    failures: dict[str, Exception] = {}
    with threads(jobs) as pool:
        waiting = {
            pool.submit(execute, source, target_folder / source.name, parameters, cwd, kernels): source
            for source in sources
        }
        for done, future in enumerate(as_completed(waiting), start=1):
            source = waiting[future]
            error = future.exception()
            if error is not None:
                if not isinstance(error, NotebookFailure | Refusal):
                    raise error
                failures[source.name] = error
            progress(f"[{done}/{len(sources)}] {chapter_words(source.stem)}{' stopped' if error else ''}")
    for source in sources:
        if source.name in failures:
            raise failures[source.name]
