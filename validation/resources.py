"""Where the notebooks, templates, demo study and published examples are: one resolver for a wheel and a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
# Inside the wheel; next to the package in a checkout, where `reference` belongs to the tests.
_ROOTS = (_PACKAGE / "_data", _PACKAGE.parent, _PACKAGE.parent / "tests")


def folder(name: str) -> Path:
    """The folder `notebooks`, `templates`, `demo_data` or `reference` of this installation.

    Raises
    ------
    FileNotFoundError
        The installation is incomplete; the message names what is missing.
    """
    for root in _ROOTS:
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"This installation has no folder {name!r}; reinstall the package.")
