"""One number of a dossier back to its formula, its source and the rows it came from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from validation.characteristics.registry import characteristics, known_keys
from validation.dossier.manifest import sha256
from validation.dossier.results import read_results
from validation.dossier.trace_sources import source_lines, sources_of
from validation.faults import Refusal
from validation.study.load import load_study
from validation.study.model import Study
from validation.words import level_text


def as_text(folder: Path, record: Mapping[str, Any]) -> str:
    """What `trace_record` found, in lines to read."""
    lines = [
        f"{record['key']}"
        + ("" if record["at"] is None else f" at {level_text(record['at'])}")
        + f" = {record['value']!r} {'' if record['unit'] == '1' else record['unit']}".rstrip(),
        f"  meaning    {record['meaning']}",
        f"  formula    {record['formula']}",
        f"  source     {record['source']}",
    ]
    if record["interval"] is not None:
        low, high = record["interval"]
        lines.append(f"  interval   {low:.10g} to {high:.10g} at confidence {record['confidence']:.4g}")
    if record["degrees_of_freedom"] is not None:
        lines.append(f"  df         {record['degrees_of_freedom']:.6g}")
    lines += [f"  note       {note}" for note in record["notes"]]
    lines += [f"  notebook   {folder / 'notebooks' / record['notebook']}"]
    lines += source_lines(folder, record["sources"])
    if record["rows"]:
        lines.append(f"  worksheet  {folder / 'inputs' / record['worksheet']}  SHA-256 {record['worksheet_sha256']}")
        lines.append(f"  readings   {len(record['rows'])}:")
        for row in record["rows"]:
            cells = {name: value for name, value in row["values"].items() if value != "" and name != "reading"}
            values = ", ".join(f"{name} {value}" for name, value in cells.items())
            amended = (
                f"  (as written: {', '.join(f'{n} {v}' for n, v in row['amended'].items())})" if row["amended"] else ""
            )
            lines.append(f"    row {row['line']:>4}  {row['reading']}: {values}{amended}")
    return "\n".join(lines)


def trace_record(folder: Path, key: str, at: str | None = None) -> dict[str, Any]:
    """Where a number came from: formula, source, notebook, worksheet rows, lot records, the plan's own lines.

    Raises
    ------
    Refusal
        No dossier there, no such key, or several levels and none named; the message says what comes nearest.
    """
    results = read_results(folder)
    matches = [item for item in results["quantities"] if item["key"] == key]
    if not matches:
        raise Refusal(_nearest(key, sorted({item["key"] for item in results["quantities"]})))
    places = [item["at"] for item in matches]
    chosen = (
        matches[0]
        if at is None and len(matches) == 1
        else next((item for item in matches if _same(item["at"], at)), None)
    )
    if chosen is None:
        raise Refusal(f"{key} exists at {', '.join(level_text(place) for place in places)}; name one with --at.")
    info = known_keys().get(key)
    notebook = next(
        (f"{item.name}.ipynb" for item in characteristics().values() if any(k.key == key for k in item.keys)), ""
    )
    study = load_study(folder / "inputs", draft=True)
    return {
        **chosen,
        "meaning": info.meaning if info else "",
        "formula": info.formula if info else "",
        "notebook": notebook,
        "worksheet_sha256": _worksheet_hash(folder, study, chosen["worksheet"]),
        "rows": _rows(study, chosen["readings"]),
        "sources": sources_of(folder / "inputs", study, chosen, results["quantities"]),
    }


def _worksheet_hash(folder: Path, study: Study, worksheet: str) -> str:
    """Of a worksheet that the study's own plan names; a path that a damaged record names is not followed."""
    known = {data.worksheet for data in study.experiments.values()}
    return sha256(folder / "inputs" / worksheet) if worksheet in known else ""


def where_to_look(folder: Path, record: Mapping[str, Any]) -> str:
    """What to open next: the rows or the files behind a number."""
    inputs = folder / "inputs"
    if record["rows"]:
        return f"The rows are in {inputs}"
    return f"The files are in {inputs}" if record["sources"] else f"The inputs are in {inputs}"


def _nearest(key: str, known: Sequence[str]) -> str:
    """What was meant: the nearest keys, else those of the chapter, else the chapters."""
    chapter, _, name = key.partition(".")
    chapters = list(dict.fromkeys(item.partition(".")[0] for item in known))
    own = [item for item in known if item.partition(".")[0] == chapter]
    # In a chapter that is there, only what is nearly the same; else its list is the better answer.
    close = get_close_matches(key, known, n=3, cutoff=0.85 if own else 0.7)
    if not close and not own:
        # The right name under the wrong chapter.
        close = [item for item in known if name and item.partition(".")[2] == name][:3]
    unknown = f"The dossier has no quantity {key}."
    if close:
        return f"{unknown} The nearest: {', '.join(close)}."
    if own:
        return f"{unknown} Of {chapter} it holds {', '.join(own)}."
    near = get_close_matches(chapter, chapters, n=1)
    of_near = [item for item in known if near and item.partition(".")[0] == near[0]]
    if of_near:
        return f"{unknown} Of {near[0]} it holds {', '.join(of_near)}."
    return f"{unknown} A key begins with its chapter: {', '.join(chapters)}."


def _same(place: Any, wanted: str | None) -> bool:
    if wanted is None or place is None:
        return place is None and wanted is None
    try:
        return float(place) == float(wanted)
    except ValueError:
        return str(place) == wanted


def _rows(study: Study, wanted: Sequence[str]) -> list[dict[str, Any]]:
    by_id = {reading.reading: reading for data in study.experiments.values() for reading in data.readings}
    return [
        {
            "reading": name,
            "line": by_id[name].line,
            "values": dict(by_id[name].values),
            "amended": {
                column: old for column, old in by_id[name].written.items() if by_id[name].values.get(column) != old
            },
        }
        for name in wanted
        if name in by_id
    ]
