"""RECOMPUTE.txt of a pack: plain text for whoever opens it in ten years, without this program."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from textwrap import fill
from typing import Final

from validation.dossier.manifest import MANIFEST, SEAL, SIGNED, Manifest
from validation.dossier.workbook.book import WORKBOOK

WIDTH: Final = 96


def recompute_text(manifest: Manifest, seal: str, facts: Mapping[str, bool | float]) -> str:
    """The text.

    Parameters
    ----------
    manifest : of the dossier
    seal : SHA-256 of its manifest.json
    facts : whether a signed copy, a parent, a predecessor, a licence are there, and the size of the program in MB
    """
    study, issue = manifest.content.get("study"), manifest.content.get("issue")
    parts = [f"Dossier of study {study}, issue {issue}", f"SHA-256 of {MANIFEST}: {seal}"]
    for title, paragraphs in (
        ("What is inside", _inside(manifest, facts)),
        ("How to check that nothing changed", _check(facts)),
        ("How to compute it again with the program", _program(manifest, facts)),
        ("How to compute it again by hand", _by_hand()),
        ("Formats", _formats()),
    ):
        parts.append(f"{title}\n{'-' * len(title)}")
        parts += [text if text.startswith("  ") else fill(text, WIDTH) for text in paragraphs]
    return "\n\n".join(parts) + "\n"


def _inside(manifest: Manifest, facts: Mapping[str, bool | float]) -> Iterator[str]:
    yield (
        "dossier/ is the whole dossier, byte for byte: dossier.pdf and dossier.html (the same content), results.json "
        "(every number with every digit), workbook.xlsx (raw readings and live formulas), notebooks/ (executed), "
        "figures/, and inputs/: plan, lock, worksheets, amendments and the record of what was first seen."
    )
    if facts["signed"]:
        yield f"dossier/{SIGNED} is the signed copy: it begins with dossier.pdf, byte for byte; signatures follow."
    else:
        yield "There is no signed copy."
    if facts["parent"]:
        yield "dossier/inputs/history/parent/ is what was kept of the dossier that this study goes on from."
    if facts["predecessor"]:
        yield "dossier/predecessor/ is what was kept of the issue before."
    if facts["program"]:
        licence = "; licence: program/LICENCE" if facts["licence"] else ""
        yield f"program/ is the source of the program that made it, {facts['program']:.1f} MB{licence}."
    else:
        version = manifest.program_version
        yield f"The program is not inside: it was packed by another version than {version}, which made the dossier."


def _check(facts: Mapping[str, bool | float]) -> Iterator[str]:
    yield "Every file of this pack, in its folder:"
    yield "  sha256sum -c SHA256SUMS"
    yield f"The dossier by itself: {SEAL} states the hash of {MANIFEST}, which states that of every other file:"
    yield f"  cd dossier && sha256sum -c {SEAL}"
    yield (
        "SHA256SUMS lies in the pack, so it shows damage and not intent: compare the SHA-256 of the whole file, or of "
        f"{MANIFEST}, with a copy that was kept elsewhere" + (", or check the signatures." if facts["signed"] else ".")
    )


def _program(manifest: Manifest, facts: Mapping[str, bool | float]) -> Iterator[str]:
    version = manifest.versions.get("python", "not stated")
    yield f"The dossier was made by version {manifest.program_version} of the program with Python {version} and:"
    names = (name for name in manifest.versions if name not in ("validation", "python"))
    yield "\n".join(f"  {name} {manifest.versions[name]}" for name in names)
    if facts["program"]:
        yield f"With Python {version}, in the folder program/ (on Windows: .venv\\Scripts\\python):"
        yield (
            "  python -m venv .venv\n  .venv/bin/python -m pip install -r requirements.txt\n"
            "  .venv/bin/python -m validation verify ../dossier"
        )
    yield "verify computes every number again from inputs/ and compares it with results.json, to 1e-9."


def _by_hand() -> Iterator[str]:
    yield (
        f"dossier/{WORKBOOK} holds every reading and live formulas for the main numbers: any spreadsheet program that "
        "reads XLSX computes them again. Its first sheet sets each beside the dossier's value. The worksheets in "
        "dossier/inputs/ are what was written down at the bench; amendments.csv says what was changed, by whom and why."
    )


def _formats() -> Iterator[str]:
    yield "CSV: text, RFC 4180, UTF-8; worksheets as the laboratory wrote them (comma, semicolon or tab)."
    yield "PDF/A-3 (ISO 19005-3), with inputs, record and workbook attached. JSON: RFC 8259, UTF-8. YAML 1.2."
    yield "XLSX: ISO/IEC 29500, without macros. HTML and SVG: text, without scripts. SHA-256: FIPS 180-4. ZIP: deflate."
