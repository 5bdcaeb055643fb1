"""What is between the command and its terminal: plain text out, clean arguments in, an orderly end on a signal."""

from __future__ import annotations

import errno
import os
import re
import shlex
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from validation.faults import Refusal

#: Control characters but for tab and line end; what turns the direction of writing; what cannot be encoded.
_UNPRINTABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def plain(text: str) -> str:
    """The text with every character that would steer a terminal written out, as JSON writes it."""
    return _UNPRINTABLE.sub(lambda match: f"\\u{ord(match.group()):04x}", text)


class PlainStream:
    """A text stream that passes everything on as `plain` text: what a study holds cannot move the cursor."""

    def __init__(self, stream: Any):
        self._stream = stream

    def write(self, text: str) -> int:
        self._stream.write(plain(text))
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def plain_streams() -> Iterator[None]:
    """Standard output and error as plain UTF-8 text; closed ones are opened on nothing."""
    _open_missing()
    before = sys.stdin, sys.stdout, sys.stderr
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A console with an old code page would stop at the first ±.
            stream.reconfigure(encoding="utf-8", errors="replace")
    sys.stdout, sys.stderr = PlainStream(sys.stdout), PlainStream(sys.stderr)
    try:
        yield
    finally:
        sys.stdin, sys.stdout, sys.stderr = before


def _open_missing() -> None:
    """A program may be started with standard streams closed; a file opened later would take their place."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            descriptor = os.open(os.devnull, os.O_RDONLY if mode == "r" else os.O_WRONLY)
            if descriptor != number:
                os.dup2(descriptor, number)
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


@contextmanager
def ended_in_order() -> Iterator[list[int]]:
    """SIGTERM unwinds the program as Ctrl-C does, so that nothing half-written stays behind; gives what was caught."""
    caught: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield caught
        return

    def end(number: int, frame: FrameType | None) -> None:
        caught.append(number)
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield caught
    finally:
        signal.signal(signal.SIGTERM, before)


def refuse_unreadable(arguments: Sequence[str]) -> None:
    """Refuse arguments, and a current folder, whose bytes are no UTF-8: nothing could be written down with them.

    Raises
    ------
    Refusal
        One of them holds such bytes, or a control character.
    """
    for text in (*arguments, os.getcwd()):
        if _UNPRINTABLE.search(text):
            raise Refusal(
                f'"{plain(text)}" holds bytes that are no UTF-8 text, or a control character; write it without them.'
            )


def shell_quoted(path: Path) -> str:
    """A path as it can be pasted into a shell: nothing in it is executed, or taken for an option."""
    text = str(path)
    if text.startswith("-"):
        text = os.path.join(os.curdir, text)
    if os.name == "posix":
        return shlex.quote(text)
    return f'"{text}"' if re.search(r"[^\w.:\\/+-]", text) else text


_MENDS = {
    errno.ENOSPC: "Make room on the disk and run the same command again.",
    errno.EDQUOT: "Make room on the disk and run the same command again.",
    errno.EACCES: "Check the access rights, and close the file in other programs.",
    errno.EPERM: "Check the access rights, and close the file in other programs.",
    errno.EROFS: "Copy the study to a place that can be written to.",
    errno.ENOENT: "Check the path.",
    errno.ENAMETOOLONG: "Use a shorter path.",
}


def system_sentence(error: OSError) -> str:
    """What the system refused, where, and what can be done about it."""
    # Where a file takes the place of another one, the second is the one that a person knows.
    named = error.filename2 or error.filename
    place = f" {named}" if named else ""
    mend = _MENDS.get(error.errno or 0, "Check the path and the disk.")
    return f"The system refuses{place}: {error.strerror or error}. {mend}"
