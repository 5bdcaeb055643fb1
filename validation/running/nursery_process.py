"""The process that forks kernels, seen from outside. Imports next to nothing: it can be started before all else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from contextlib import suppress

#: One thread of linear algebra a kernel: kernels run side by side, and the last digit does not depend on the machine.
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")

_early: list[NurseryProcess] = []


class NurseryProcess:
    """A running `validation.running.nursery`; may be asked from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "validation.running.nursery"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, **ONE_THREAD},
            text=True,
            encoding="utf-8",
        )

    def fork(self, connection_file: str, cwd: str, env: dict[str, str]) -> int | None:
        """The process number of a fresh kernel, or None where the nursery is gone."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with self._lock:
            try:
                request = {"connection_file": connection_file, "cwd": cwd, "env": env}
                self._process.stdin.write(json.dumps(request) + "\n")
                self._process.stdin.flush()
            except (BrokenPipeError, ValueError):
                return None
            answer = self._process.stdout.readline()
            return int(json.loads(answer)["pid"]) if answer else None

    def close(self) -> None:
        """End the process; kernels that are still there end with it."""
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
