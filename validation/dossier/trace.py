"""One number of a dossier back to its formula, its source and the rows it came from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from validation.characteristics import characteristics, known_keys
from validation.dossier.manifest import sha256
from validation.faults import Refusal
from validation.study.load import load_study
from validation.words import level_text


def trace(folder: Path, key: str, at: str | None = None) -> str:
    """Tell where a number came from.

    Raises
    ------
    Refusal
        No dossier there, no such key, or several levels and none named; the message lists what exists.
    """
    record = trace_record(folder, key, at)
    lines = [
        f"{key}"
        + ("" if record["at"] is None else f" at {level_text(record['at'])}")
        + f" = {record['value']!r} {record['unit']}",
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
    if record["rows"]:
        lines.append(f"  worksheet  {folder / 'inputs' / record['worksheet']}  SHA-256 {record['worksheet_sha256']}")
        lines.append(f"  readings   {len(record['rows'])}:")
        for row in record["rows"]:
            cells = {name: value for name, value in row["values"].items() if value != "" and name != "reading"}
            shown = ", ".join(f"{name} {value}" for name, value in cells.items())
            amended = (
                f"  (as written: {', '.join(f'{n} {v}' for n, v in row['amended'].items())})" if row["amended"] else ""
            )
            lines.append(f"    row {row['line']:>4}  {row['reading']}: {shown}{amended}")
    return "\n".join(lines)


def trace_record(folder: Path, key: str, at: str | None = None) -> dict[str, Any]:
    """The same as data."""
    try:
        results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise Refusal(f"{folder} is not a dossier: it has no results.json.") from None
    found = [item for item in results["quantities"] if item["key"] == key]
    if not found:
        raise Refusal(
            f"The dossier holds no quantity {key}; it holds "
            f"{', '.join(sorted({q['key'] for q in results['quantities']}))}."
        )
    places = [item["at"] for item in found]
    chosen = (
        found[0] if at is None and len(found) == 1 else next((item for item in found if _same(item["at"], at)), None)
    )
    if chosen is None:
        raise Refusal(f"{key} exists at {', '.join(level_text(place) for place in places)}; name one with --at.")
    info = known_keys().get(key)
    notebook = next(
        (f"{item.name}.ipynb" for item in characteristics().values() if any(k.key == key for k in item.keys)), ""
    )
    return {
        **chosen,
        "meaning": info.meaning if info else "",
        "formula": info.formula if info else "",
        "notebook": notebook,
        "worksheet_sha256": sha256(folder / "inputs" / chosen["worksheet"]) if chosen["worksheet"] else "",
        "rows": _rows(folder, chosen["readings"]),
    }


def _same(place: Any, wanted: str | None) -> bool:
    if wanted is None or place is None:
        return place is None and wanted is None
    try:
        return float(place) == float(wanted)
    except ValueError:
        return str(place) == wanted


def _rows(folder: Path, wanted: list[str]) -> list[dict[str, Any]]:
    if not wanted:
        return []
    study = load_study(folder / "inputs", draft=True)
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
