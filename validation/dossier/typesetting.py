"""PDF/A set by typst. Imports nothing else of this program: a process that only sets the pages stays small."""

from __future__ import annotations

import json
import sys
from base64 import b64decode
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

import typst

#: PDF/A-3b: kept readable for decades, and the raw data may be attached to it.
STANDARD: Literal["a-3b"] = "a-3b"


def typeset(template: str, fonts: str, data: str, timestamp: int, attached: Sequence[str] = ()) -> bytes:
    """The pages that a template makes of JSON data; the same data give the same bytes.

    Parameters
    ----------
    template : path of the template
    fonts : folder of the only fonts at hand
    data : JSON, read by the template as `sys.inputs.document`
    timestamp : seconds since 1970, written into the file as its date
    attached : files for the template to attach, in base 64; it reads them as `/0`, `/1`, ...
    """
    with TemporaryDirectory() as folder:  # the typesetter reads bytes from files alone
        for number, content in enumerate(attached):
            (Path(folder) / str(number)).write_bytes(b64decode(content))
        main = Path(folder) / "main.typ"
        main.write_bytes(Path(template).read_bytes())
        compiled = typst.compile(
            main,
            None,
            root=Path(folder),
            format="pdf",
            font_paths=typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[fonts]),
            ignore_system_fonts=True,
            sys_inputs={"document": data},
            pdf_standards=[STANDARD],
            timestamp=timestamp,
        )
    assert isinstance(compiled, bytes)
    return compiled


def main() -> None:
    """Read the arguments of `typeset` as JSON on standard input, write the PDF to standard output."""
    sys.stdout.buffer.write(typeset(**json.loads(sys.stdin.buffer.read())))
