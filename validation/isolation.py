"""What may be imported, and which settings reach a helper process: never the study, the current folder or PYTHONPATH.

A study is data. A file pandas.py or matplotlibrc next to plan.yaml must change nothing, in this process or in those
that it starts. Imports the standard library only, so that it can be called before anything else is imported.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

#: The folder that holds the package which is running: wherever it is, it was chosen by whoever started it.
_HOME = str(Path(__file__).resolve().parent.parent)
#: Settings of the user's shell that would let a helper process import, execute or draw something else.
_LEFT_OUT = ("PYTHON", "IPYTHON", "JUPYTER", "MPLBACKEND", "MATPLOTLIBRC", "VIRTUAL_ENV", "CONDA_")
#: Executed by `python -I -c`, which looks neither at PYTHONPATH nor at the current folder.
_START = "import sys; sys.path[:] = sys.argv[1].split({separator!r}); del sys.argv[1]; {statement}"


def trusted_path() -> list[str]:
    """Where modules may come from: this interpreter's own folders, and the one that holds this package."""
    stated = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    script = os.path.dirname(os.path.abspath(sys.argv[0])) if sys.argv and sys.argv[0] else ""
    foreign = {os.path.realpath(entry) for entry in ("", *stated, script)}
    kept = [entry for entry in sys.path if os.path.isabs(entry) and os.path.realpath(entry) not in foreign - {_HOME}]
    return list(dict.fromkeys([*kept, _HOME]))


def isolated_command(statement: str, *arguments: str) -> list[str]:
    """The command that executes one Python statement in a new interpreter with the trusted path alone."""
    start = _START.format(separator=os.pathsep, statement=statement)
    return [sys.executable, "-I", "-c", start, os.pathsep.join(trusted_path()), *arguments]


def isolated_environment(**settings: str) -> dict[str, str]:
    """The environment of a helper process: this one's without what would steer its imports or figures."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(_LEFT_OUT)}
    return {**kept, "MPLBACKEND": "agg", **settings}


@contextmanager
def hidden(*names: str) -> Iterator[None]:
    """Imports inside do without these optional parts of a library, as if they were not installed."""
    there = {name: sys.modules.get(name) for name in names}
    sys.modules.update(dict.fromkeys(names))  # type: ignore[arg-type]  # an import of None fails
    try:
        yield
    finally:
        for name, module in there.items():
            del sys.modules[name]
            if module is not None:
                sys.modules[name] = module


def isolate() -> None:
    """The same for the command's own process, before it imports what computes and draws."""
    sys.path[:] = trusted_path()
    os.environ["MPLBACKEND"] = "agg"
