"""Where the notebooks, templates and demo study are: one resolver for a wheel and an editable install."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_ROOTS = (_PACKAGE / "_data", _PACKAGE.parent)  # inside the wheel; beside the package in a checkout


def folder(name: str) -> Path:
    """The folder `notebooks`, `templates` or `demo_data` of this installation.

    Raises
    ------
    FileNotFoundError
        The installation is incomplete; the message names what is missing.
    """
    for root in _ROOTS:
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"This installation has no folder {name!r}; reinstall the package.")
