"""A process that has imported what every notebook imports, and forks one fresh kernel a request.

`NurseryProcess` starts it. Each line on standard input is a request in JSON: `options`, `cwd`, `env` for a kernel,
answered on standard output with its `pid`; or the study to `hold`, with `draft`, which is read once for all kernels
forked afterwards and has no answer. It ends when its input is closed.
A forked kernel has run no notebook before it and runs one only: nothing leaks from chapter to chapter.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import signal
import sys
from contextlib import suppress
from typing import Any

from validation.isolation import hidden

#: Imported once here instead of once a notebook; importing has no effect on any number.
PRELOADED = (
    "ipykernel.kernelapp",
    "ipykernel.ipkernel",
    "IPython.core.completer",
    "pandas.io.formats.style",
    "validation.notebook",
)


def preload() -> None:
    """Import everything a chapter needs, without starting a thread or a socket."""
    _without_debugger()
    for name in PRELOADED:
        importlib.import_module(name)
    from validation.characteristics.registry import characteristics

    for name in characteristics():
        # A module that cannot be imported is reported by the notebook that needs it.
        with suppress(Exception):
            importlib.import_module(f"validation.figures.{name}")


def _without_debugger() -> None:
    """No kernel here is debugged: ipykernel finds no debugger, whose import took a third of a kernel's start."""
    with hidden("debugpy"), suppress(ImportError):
        importlib.import_module("ipykernel.debugger")


def _draw_once() -> None:
    """The first figure loads fonts and the mathematics parser: done here, every kernel has them."""
    from validation.figures.style import dossier_style, new_figure, svg_text

    with dossier_style():
        figure, (axes,) = new_figure()
        axes.set_title("$s_r$")
        svg_text(figure)


def serve() -> None:
    """Answer requests until the input ends."""
    preload()
    _draw_once()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # kernels that ended leave no zombie
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started this process decides when it ends
    gc.freeze()  # pages stay shared with the kernels
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    for line in sys.stdin:
        request = json.loads(line)
        if "hold" in request:
            _hold(request["hold"], draft=request["draft"])
            continue
        pid = os.fork()
        if pid == 0:
            _become_kernel(request)
        answers.write(json.dumps({"pid": pid}) + "\n")
        answers.flush()


def _hold(folder: str, *, draft: bool) -> None:
    from validation.study.load import hold_study

    # What cannot be read is reported by the notebook, which reads it again.
    with suppress(Exception):
        hold_study(folder, draft=draft)
    gc.freeze()


def _become_kernel(request: dict[str, Any]) -> None:
    """Turn this fork into a kernel; never returns."""
    try:
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        os.setsid()
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.environ.clear()
        os.environ.update(request["env"])
        os.chdir(request["cwd"])
        # The parent's number makes the kernel end when the nursery does.
        sys.argv = ["kernel", *request["options"], f"--IPKernelApp.parent_handle={os.getppid()}"]
        launch()
    finally:
        os._exit(0)


def launch() -> None:
    """Be a kernel, as the arguments say; also where nothing is forked."""
    from ipykernel.kernelapp import IPKernelApp

    IPKernelApp.launch_instance(sys.argv[1:])
