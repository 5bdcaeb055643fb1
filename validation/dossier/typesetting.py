"""PDF/A set by typst. Imports nothing else of this program: a process that only sets the pages stays small."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Literal

import typst

#: PDF/A-3b: kept readable for decades, and the raw data may be attached to it.
STANDARD: Literal["a-3b"] = "a-3b"


def typeset(template: str, fonts: str, data: str, timestamp: int) -> bytes:
    """The pages that a template makes of JSON data; the same data give the same bytes.

    Parameters
    ----------
    template : path of the template
    fonts : folder of the only fonts at hand
    data : JSON, read by the template as `sys.inputs.document`
    timestamp : seconds since 1970, written into the file as its date
    """
    compiled = typst.compile(
        Path(template).read_bytes(),
        None,
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
