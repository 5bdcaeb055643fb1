"""One number of a dossier back to its formula, its source and the rows it came from."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from validation.characteristics.registry import characteristics, known_keys
from validation.dossier.anchors import keys_of
from validation.dossier.manifest import sha256
from validation.dossier.results import read_results
from validation.dossier.trace_sources import source_lines, sources_of
from validation.faults import Refusal
from validation.judging.conclusion import BEHIND_PERFORMANCE
from validation.judging.requirements import BY_PERFORMANCE
from validation.study.load import load_study
from validation.study.model import Reading, Study
from validation.words import level_text


def as_text(folder: Path, record: Mapping[str, Any]) -> str:
    """What `trace_record` gives, in lines to read."""
    if "requirement" not in record:
        return "\n".join(_quantity_lines(folder, record))
    lines = _requirement_lines(record)
    before: object = None  # both limits of a pair rest on the same rows, which are printed once
    for quantity in record["quantities"]:
        same = quantity["rows"] == before
        lines += ["", *_quantity_lines(folder, {**quantity, "rows": []} if same else quantity)]
        lines += [f"  readings   the same {len(quantity['rows'])}"] if same and quantity["rows"] else []
        before = quantity["rows"]
    return "\n".join(lines)


def _requirement_lines(record: Mapping[str, Any]) -> list[str]:
    row = record["requirement"]
    unit = "" if row["unit"] in ("", "1") else f" {row['unit']}"
    lines = [
        f"{row['id']} {row['quantity']}{place_words(row['at'])}: {row['outcome']}",
        f"  rule       {row['rule']}, target {row['target']:g}" if row["target"] else f"  rule       {row['rule']}",
        f"  limit      {row['limit_text'] or 'none at this place'}; in the plan {record['limit_in_plan']}",
    ]
    if row["observed"] is not None:
        lines.append(f"  judged     {row['observed']:.10g}{'' if row.get('content') is not None else unit}")
    if row["interval"] is not None:
        low, high = row["interval"]
        lines.append(f"  interval   {low:.10g} to {high:.10g} at confidence {row['confidence']:.4g}")
    lines += [f"  reason     {row['reason']}"]
    lines += [f"  thin       {row['thin']}"] if row["thin"] else []
    lines += [f"  fragile    {text}" for text in row.get("fragile", ())]
    lines += [f"  set        {row['order']}"] if row["order"] else []
    lines.append(f"  origin     {row['origin'] or 'not stated'}")
    return lines if record["quantities"] else [*lines, "  There is no estimate of the quantity at this place."]


def place_words(at: Any) -> str:
    """ " at 4", what follows the name of a quantity or requirement; empty for the study as a whole."""
    return "" if at is None else f" at {level_text(at)}"


def verdict_words(row: Mapping[str, Any]) -> str:
    """ "R1 at 4", "R9 OG-K": a row of the verdicts in short."""
    return f"{row['id']} {row['at']}" if isinstance(row["at"], str) else f"{row['id']}{place_words(row['at'])}"


def _quantity_lines(folder: Path, record: Mapping[str, Any]) -> list[str]:
    lines = [
        f"{record['key']}{place_words(record['at'])}"
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
    lines += [
        f"  verdict    {row['id']} {row['quantity']}{place_words(row['at'])}: {row['outcome']}"
        for row in record["verdicts"]
    ]
    lines += source_lines(folder, record["sources"])
    if record["rows"]:
        lines.append(f"  worksheet  {folder / 'inputs' / record['worksheet']}  SHA-256 {record['worksheet_sha256']}")
        lines.append(f"  readings   {len(record['rows'])}:")
        lines += [_row_line(row) for row in record["rows"]]
    if record["further_rows"]:
        lines.append(f"  readings   {len(record['further_rows'])} more, of the other numbers named above:")
        lines += [_row_line(row) for row in record["further_rows"]]
    return lines


def _row_line(row: Mapping[str, Any]) -> str:
    cells = {name: value for name, value in row["values"].items() if value != "" and name != "reading"}
    values = ", ".join(f"{name} {value}" for name, value in cells.items())
    amended = f"  (as written: {', '.join(f'{n} {v}' for n, v in row['amended'].items())})" if row["amended"] else ""
    flagged = f"  (flagged: {', '.join(row['flagged'])}; kept)" if row["flagged"] else ""
    changed = "  (changed without an amendment)" if row["changed"] else ""
    return f"    row {row['line']:>4}  {row['reading']}: {values}{amended}{flagged}{changed}"


def trace_record(folder: Path, key: str, at: str | None = None) -> dict[str, Any]:
    """Where a number or a verdict came from: formula, source, notebook, worksheet rows, lot records, the plan's lines.

    `changed` names what of the inputs is not as first seen, without an amendment.

    Parameters
    ----------
    folder : the dossier
    key : a key of results.json, or the id of a requirement
    at : level or name, where there are several

    Raises
    ------
    Refusal
        No dossier there, no such key, or several levels and none named; the message says what comes nearest.
    """
    results = read_results(folder)
    verdicts = [item for item in results["requirements"] if item["id"] == key]
    matches = verdicts or [item for item in results["quantities"] if item["key"] == key]
    if not matches:
        ids = list(dict.fromkeys(item["id"] for item in results["requirements"]))
        raise Refusal(_nearest(key, sorted({item["key"] for item in results["quantities"]}), ids))
    chosen = _at_place(key, matches, at)
    study = load_study(folder / "inputs", draft=True)
    tracer = Tracer(study, folder / "inputs", results)
    traced = tracer.requirement(chosen) if verdicts else tracer.quantity(chosen)
    return {**traced, "changed": [f"inputs/{text}" for text in study.silent_changes]}


def _at_place(key: str, matches: Sequence[Mapping[str, Any]], at: str | None) -> Mapping[str, Any]:
    if at is None and len(matches) == 1:
        return matches[0]
    chosen = next((item for item in matches if _same(item["at"], at)), None)
    if chosen is None:
        places = ", ".join(level_text(item["at"]) for item in matches)
        raise Refusal(f"{key} exists at {places}; name one with --at.")
    return chosen


class Tracer:
    """What is behind the numbers and verdicts of a study: for the pages and for `validation trace` alike.

    Parameters
    ----------
    study : as read from `inputs`
    inputs : the folder that holds plan, worksheets and lot records
    results : the content of results.json
    """

    def __init__(self, study: Study, inputs: Path, results: Mapping[str, Any]) -> None:
        self.study, self.inputs = study, inputs
        self.quantities: Sequence[Mapping[str, Any]] = results["quantities"]
        self.requirements: Sequence[Mapping[str, Any]] = results["requirements"]
        self._known = {(item["key"], item["at"]): item for item in self.quantities}
        self._readings = {r.reading: r for data in study.experiments.values() for r in data.readings}
        self._made: dict[str, dict[str, Any]] = {}  # a row behind many numbers is held once
        self._changed = {change.reading for change in study.changes}
        self._flags: dict[str, list[str]] = {}
        for flag in results["flags"]:
            self._flags.setdefault(flag["reading"], []).append(flag["test"])
        self._amended: dict[str, list[Mapping[str, str]]] = {}
        for entry in study.amendments:
            self._amended.setdefault(entry["reading"], []).append(entry)

    def requirement(self, row: Mapping[str, Any]) -> dict[str, Any]:
        """One verdict: the requirement's row of results.json, and what each quantity that it judges rests on."""
        own = [self._known.get((key, row["at"])) for key in keys_of(row["quantity"])]
        plan = next((str(item.limit) for item in self.study.plan.requirements if item.id == row["id"]), "")
        return {
            "requirement": dict(row),
            "limit_in_plan": plan,
            "quantities": [self.quantity(item) for item in own if item is not None],
        }

    def quantity(self, chosen: Mapping[str, Any]) -> dict[str, Any]:
        """One quantity: its line of results.json, formula, rows, and the other numbers that it rests on."""
        info, chapter = known_keys().get(chosen["key"]), chosen["key"].partition(".")[0]
        sources = sources_of(self.inputs, self.study, chosen, self.quantities)
        verdicts = self._verdicts_behind(chosen)
        return {
            **chosen,
            "meaning": info.meaning if info else "",
            "formula": info.formula if info else "",
            "notebook": f"{chapter}.ipynb" if chapter in characteristics() else "",
            "worksheet_sha256": _worksheet_hash(self.inputs, self.study, chosen["worksheet"]),
            "rows": self._rows(chosen["readings"]),
            "sources": sources,
            "verdicts": verdicts,
            "further_rows": self._rows(self._further(chosen, [*sources.get("measured", ()), *verdicts])),
        }

    def _verdicts_behind(self, chosen: Mapping[str, Any]) -> list[dict[str, Any]]:
        """The verdicts that the quantification limit by performance is made of."""
        if (chosen["key"], chosen["at"]) != ("detection.quantification_limit", BY_PERFORMANCE):
            return []
        return [
            {name: row[name] for name in ("id", "quantity", "at", "outcome")}
            for row in self.requirements
            if row["quantity"].startswith(BEHIND_PERFORMANCE) and row["at"] == chosen["value"]
        ]

    def _further(self, chosen: Mapping[str, Any], others: Sequence[Mapping[str, Any]]) -> list[str]:
        """The readings of other numbers that are not the quantity's own, each once."""
        keys = [(key, item["at"]) for item in others for key in keys_of(item.get("key") or item["quantity"])]
        every = dict.fromkeys(name for place in keys for name in self._known.get(place, {}).get("readings", ()))
        own = set(chosen["readings"])
        return [name for name in every if name not in own]

    def _rows(self, wanted: Sequence[str]) -> list[dict[str, Any]]:
        there = [name for name in wanted if name in self._readings]
        for name in there:
            if name not in self._made:
                self._made[name] = self._row(self._readings[name])
        return [self._made[name] for name in there]

    def _row(self, reading: Reading) -> dict[str, Any]:
        entries = self._amended.get(reading.reading, ())
        # A decimal comma is read as a point: that is another spelling, and no amendment.
        columns = {entry["column"] for entry in entries}
        differ = {column for column, old in reading.written.items() if reading.values.get(column) != old}
        amended = {column: old for column, old in reading.written.items() if column in differ & columns}
        return {
            "reading": reading.reading,
            "line": reading.line,
            "values": dict(reading.values),
            "amended": amended,
            "experiment": reading.experiment,
            "amendments": [int(entry["number"]) for entry in entries if entry["column"] in amended],
            "flagged": self._flags.get(reading.reading, []),
            "changed": reading.reading in self._changed,
        }


def _worksheet_hash(inputs: Path, study: Study, worksheet: str) -> str:
    """Of a worksheet that the study's own plan names; a path that a damaged record names is not followed."""
    known = {data.worksheet for data in study.experiments.values()}
    return sha256(inputs / worksheet) if worksheet in known and (inputs / worksheet).is_file() else ""


def where_to_look(folder: Path, record: Mapping[str, Any]) -> str:
    """What to open next: the rows or the files behind a number."""
    inputs = folder / "inputs"
    page = folder / "dossier.html"
    if "requirement" in record and page.is_file() and b'id="trace"' in page.read_bytes():
        return f"dossier.html#trace leads to the same rows; they are in {inputs}"
    if record["rows"]:
        return f"The rows are in {inputs}"
    return f"The files are in {inputs}" if record["sources"] else f"The inputs are in {inputs}"


def _nearest(key: str, known: Sequence[str], ids: Sequence[str] = ()) -> str:
    """What was meant: the nearest keys, else those of the chapter, else the chapters."""
    chapter, _, name = key.partition(".")
    chapters = list(dict.fromkeys(item.partition(".")[0] for item in known))
    own = [item for item in known if item.partition(".")[0] == chapter]
    # In a chapter that is there, only what is nearly the same; else its list is the better answer.
    close = get_close_matches(key, known, n=3, cutoff=0.85 if own else 0.7)
    if not close and not own:
        # The right name under the wrong chapter.
        close = [item for item in known if name and item.partition(".")[2] == name][:3]
    if ids and not name and re.fullmatch(r"[A-Za-z]{1,3}-?[0-9]+[a-z]?", key):
        return f"The dossier has no requirement {key}; it has {', '.join(ids)}."
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
