"""Random damage to a study and to a dossier: what is not noticed must be the same content, written otherwise.

The thorough run looks at four times as many; the seed is fixed, so a failure can be looked at again.
"""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from copy import deepcopy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from profiles import sizes
from study_folder import reseal

from validation.dossier.attached import selftest_facts
from validation.dossier.manifest import hashes, read_manifest
from validation.dossier.rebuild import rebuild
from validation.dossier.results import read_results
from validation.dossier.verify import differences, verify_dossier
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.reading import read_checked
from validation.study.history.plan_lock import read_lock
from validation.study.history.plan_order import plan_order
from validation.study.history.readings import seen_versions
from validation.study.load import load_study
from validation.study.model import Study

SEED = 20261127
NOW = datetime(2026, 7, 6, 8, tzinfo=UTC)


# ------------------------------------------------------------------------------------------------------- damaging


def _swap(raw: bytes, at: int) -> bytes:
    return raw[:at] + raw[at + 1 : at + 2] + raw[at : at + 1] + raw[at + 2 :]


def _with_line(raw: bytes, number: int, change: Callable[[list[bytes], int], None]) -> bytes:
    lines = raw.splitlines(keepends=True)
    change(lines, number % len(lines))
    return b"".join(lines)


def _exchange(lines: list[bytes], at: int) -> None:
    other = (at + 1) % len(lines)
    lines[at], lines[other] = lines[other], lines[at]


def _digit(raw: bytes, at: int, chance: random.Random) -> bytes:
    places = [place for place, byte in enumerate(raw) if 48 <= byte <= 57]
    place = places[at % len(places)] if places else 0
    return raw[:place] + str(chance.randrange(10)).encode() + raw[place + 1 :]


def damaged(raw: bytes, chance: random.Random) -> tuple[str, bytes | None]:
    """One random change of a file, and what was done; None where the file is gone."""
    at = chance.randrange(max(len(raw), 1))
    printable = bytes([chance.choice(b"0123456789.,;:-\"'{}[]#ABXabx \t\n%")])
    ways: list[tuple[str, Callable[[], bytes | None]]] = [
        ("a character replaced", lambda: raw[:at] + printable + raw[at + 1 :]),
        ("a character deleted", lambda: raw[:at] + raw[at + 1 :]),
        ("a character inserted", lambda: raw[:at] + printable + raw[at:]),
        ("a byte turned", lambda: raw[:at] + bytes([raw[at] ^ (1 << chance.randrange(8))]) + raw[at + 1 :]),
        ("two characters exchanged", lambda: _swap(raw, at)),
        ("a digit replaced", lambda: _digit(raw, at, chance)),
        ("a line deleted", lambda: _with_line(raw, at, lambda lines, n: lines.__delitem__(n))),
        ("a line twice", lambda: _with_line(raw, at, lambda lines, n: lines.insert(n, lines[n]))),
        ("two lines exchanged", lambda: _with_line(raw, at, _exchange)),
        ("cut off", lambda: raw[:at]),
        ("line ends of another system", lambda: raw.replace(b"\n", b"\r\n")),
        ("the file gone", lambda: None),
    ]
    what, change = chance.choice(ways)
    return what, change()


def damages(folder: Path, names: list[str], number: int) -> Iterator[tuple[str, str]]:
    """Damage one file after the other, each time put back afterwards; file and kind of damage."""
    chance = random.Random(SEED)
    for _ in range(number):
        name = chance.choice(names)
        path = folder / name
        raw = path.read_bytes()
        what, new = damaged(raw, chance)
        if new == raw:
            continue
        if new is None:
            path.unlink()
        else:
            path.write_bytes(new)
        try:
            yield name, what
        finally:
            path.write_bytes(raw)


# ---------------------------------------------------------------------------------------------------------- studies


def told(study: Study) -> tuple[Any, ...]:
    """All that `check` says of a study beside its content."""
    order = plan_order(study)
    lost = (*study.lost_history, *study.lost_amendments)
    return study.changes, lost, study.warnings, order.state, order.sentences, dict(order.requirements)


def content(study: Study) -> tuple[Any, ...]:
    """All that a study states, however it is written.

    In which order rows stand means nothing, `order` and `time` do. First and last use of a lot are filled in while it
    is in use, and no number rests on them (docs/standards.md).
    """
    readings = sorted(
        (r.reading, dict(r.written), dict(r.values), r.status, r.reason)
        for data in study.experiments.values()
        for r in data.readings
    )
    seen = [(e.file, e.reading, e.sha256, dict(e.cells)) for v in seen_versions(study.folder).values() for e in v]
    later = {"first_use", "last_use"}
    records = {name: record.preparation.model_dump(exclude=later) for name, record in study.lot_records.items()}
    return study.plan, readings, study.amendments, read_lock(study.folder)[0], seen, records


def numbers(study: Study) -> dict[str, Any]:
    """What is computed of a study; the readings of a quantity in the order of their names."""
    results = judge_study(study, evaluate(study)).results()
    return {**results, "quantities": [{**q, "readings": sorted(q["readings"])} for q in results["quantities"]]}


@sizes("count", 40, 400)
def test_no_damage_to_a_study_passes_in_silence(amended_study: Path, count: int, tmp_path: Path) -> None:
    study = Path(shutil.copytree(amended_study, tmp_path / "study"))
    whole = load_study(study, now=NOW)
    expected, results = (told(whole), content(whole)), numbers(whole)
    assert not whole.changes
    assert not whole.lost_history
    names = [
        "plan.yaml",
        "plan.lock",
        "amendments.csv",
        "worksheets/precision.csv",
        "standards/S-01.yaml",
        "history/readings.csv",
        "history/amendments.csv",
        *(path.relative_to(study).as_posix() for path in sorted((study / "history").glob("plan-*.yaml"))),
    ]
    tally: Counter[str] = Counter()
    harmless: Counter[str] = Counter()
    for name, what in damages(study, names, count):
        found, faults = read_checked(study, now=NOW)
        if faults or found is None:
            tally["fault"] += 1
        elif told(found) != expected[0]:
            tally["told"] += 1
        else:
            assert content(found) == expected[1], f"{name}: {what}"
            assert list(differences(numbers(found), results)) == [], f"{name}: {what}"
            tally["same content, written otherwise"] += 1
            harmless[f"{name}: {what}"] += 1
    assert tally["fault"] + tally["told"] > 0.8 * sum(tally.values()), tally
    print(f"\n{sum(tally.values())} damages to a study: {dict(tally)}; written otherwise: {dict(harmless)}")


# --------------------------------------------------------------------------------------------------------- dossiers

#: Held by their hashes alone: whoever writes new hashes may change their words.
BY_HASH_ALONE = ("dossier.html", "dossier.pdf", "notebooks/")


@pytest.mark.slow
@sizes("count", 40, 400)
def test_no_damage_to_a_dossier_under_fresh_hashes_passes(small_dossier: Path, count: int, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(small_dossier, tmp_path / "001"))
    names = [name for name in hashes(folder) if not name.startswith(BY_HASH_ALONE)]
    recorded = read_results(folder)
    expected = content(load_study(folder / "inputs"))
    tally: Counter[str] = Counter()
    for name, what in damages(folder, names, count // 20):
        reseal(folder)
        if not verify_dossier(folder).ok:
            tally["noticed"] += 1
            continue
        assert read_results(folder) == recorded, f"{name}: {what}"
        assert content(load_study(folder / "inputs")) == expected, f"{name}: {what}"
        tally["same content, written otherwise"] += 1
    assert tally["noticed"] > 0.8 * sum(tally.values()), tally
    print(f"\n{sum(tally.values())} damages to a dossier under fresh hashes: {dict(tally)}")


def places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """The place of every single value, and of every list and mapping that is empty."""
    items = (
        list(value.items()) if isinstance(value, dict) else list(enumerate(value)) if isinstance(value, list) else []
    )
    if not items:
        yield path
    for name, item in items:
        yield from places(item, (*path, name))


def other(value: Any) -> Any:
    """Another value of the same kind."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value * (1 + 1e-6) + (1e-6 if abs(value) < 1e-9 else 0)  # below 1e-15 a number is zero, but for rounding
    return {"x": 0} if value == {} else [0] if value == [] else 0 if value is None else f"{value}."


def unnoticed(
    recorded: dict[str, Any], rebuilt: dict[str, Any], wanted: Callable[[int], bool]
) -> tuple[int, list[Any]]:
    """Alter every single value in turn; how many were altered, and the places where that was not found."""
    altered, missed = 0, []
    for number, path in enumerate(places(recorded)):
        if not wanted(number):
            continue
        *above, last = path
        holder: Any = recorded
        for name in above:
            holder = holder[name]
        kept = holder[last]
        holder[last] = other(kept)
        altered += 1
        if next(differences(recorded, rebuilt), None) is None:
            missed.append(path)
        holder[last] = kept
    return altered, missed


@pytest.mark.slow
def test_every_value_of_the_results_is_compared(small_dossier: Path) -> None:
    made = read_manifest(small_dossier)
    selftest = selftest_facts(small_dossier, made.versions, made.content["program_sha256"])
    recorded, rebuilt = read_results(small_dossier), rebuild(small_dossier / "inputs", selftest=selftest).results
    assert next(differences(recorded, rebuilt), None) is None
    altered, missed = unnoticed(deepcopy(recorded), rebuilt, lambda number: True)
    assert altered > 500
    assert missed == []


@pytest.mark.slow
def test_a_key_added_or_taken_away_is_found(small_dossier: Path) -> None:
    rebuilt = rebuild(small_dossier / "inputs").results
    for name in rebuilt:
        less = {key: item for key, item in rebuilt.items() if key != name}
        assert any(f"{name} is missing" in text for text in differences(less, rebuilt))
    for name in ("quantities", "requirements"):
        first = rebuilt[name][0]
        assert list(differences({**rebuilt, name: rebuilt[name][1:]}, rebuilt))
        assert list(differences({**rebuilt, name: [*rebuilt[name], first]}, rebuilt))
        assert list(differences({**rebuilt, name: rebuilt[name][::-1]}, rebuilt))
        assert list(differences({**rebuilt, name: [{**first, "more": 1}, *rebuilt[name][1:]]}, rebuilt))
