"""The process that forks kernels, seen from outside. Imports next to nothing: it can be started before all else."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import threading
from contextlib import suppress

from validation.isolation import isolated_command, isolated_environment

#: One thread of linear algebra a kernel: kernels run side by side, and the last digit does not depend on the machine.
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")

_early: list[NurseryProcess] = []


class NurseryProcess:
    """A running `validation.running.nursery`; may be asked from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.kernels: set[int] = set()
        self.closed = False
        self._process = subprocess.Popen(
            isolated_command("from validation.running.nursery import serve; serve()"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # Not the user's current folder, where matplotlib would look for its settings.
            cwd=os.path.dirname(os.path.abspath(__file__)),
            env=isolated_environment(**ONE_THREAD),
            text=True,
            encoding="utf-8",
        )

    def hold(self, folder: str, *, draft: bool) -> None:
        """Read a study for the kernels that are forked from now on; returns at once."""
        with self._lock, suppress(BrokenPipeError, ValueError):
            self._send({"hold": folder, "draft": draft})

    def _send(self, request: dict[str, object]) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(request) + "\n")
        self._process.stdin.flush()

    def fork(self, options: list[str], cwd: str, env: dict[str, str]) -> int | None:
        """The process number of a fresh kernel, or None where the nursery is gone."""
        assert self._process.stdout is not None
        with self._lock:
            if self.closed:
                raise RuntimeError("The run was stopped; no further kernel is started.")
            try:
                self._send({"options": options, "cwd": cwd, "env": env})
            except (BrokenPipeError, ValueError):
                return None
            answer = self._process.stdout.readline()
            number = int(json.loads(answer)["pid"]) if answer else None
            if number is not None:
                self.kernels.add(number)
            return number

    def close(self) -> None:
        """End the process, and first the kernels that are still there."""
        with self._lock:
            self.closed = True
        for number in tuple(self.kernels):
            with suppress(ProcessLookupError):
                os.kill(number, signal.SIGKILL)
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(BrokenPipeError):
                    stream.close()
        self._process.terminate()
        self._process.wait()


def start_early() -> None:
    """Start the process while the caller still imports; the next `take` hands it out."""
    if hasattr(os, "fork") and not _early:
        _early.append(NurseryProcess())


def take() -> NurseryProcess:
    """The process started early, or a new one. The caller closes it."""
    return _early.pop() if _early else NurseryProcess()


def discard() -> None:
    """Close a process that was started early and never taken."""
    while _early:
        _early.pop().close()
