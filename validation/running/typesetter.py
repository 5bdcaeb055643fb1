"""The pages set in a process of its own: setting takes more memory than all else, and gives it back when it ends."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Mapping
from typing import Any

from validation.isolation import isolated_command, isolated_environment


def set_apart(source: Mapping[str, Any]) -> bytes:
    """The dossier as PDF/A, the bytes of `render_pdf`.

    Parameters
    ----------
    source : what `source_of` makes of a document

    Raises
    ------
    RuntimeError
        The process failed, for want of memory say; with what it wrote.
    """
    done = subprocess.run(
        isolated_command("from validation.dossier.typesetting import main; main()"),
        input=json.dumps(source).encode("ascii"),
        capture_output=True,
        env=isolated_environment(),
        check=False,
    )
    if done.returncode != 0:
        reason = done.stderr.decode("utf-8", "replace").strip() or f"it ended with {done.returncode}"
        raise RuntimeError(f"The pages could not be set as PDF: {reason}")
    return done.stdout
