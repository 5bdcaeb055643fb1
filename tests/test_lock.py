"""plan.lock, and whether plan and requirements are older than the data."""

import hashlib
import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from study_folder import PLAN, PRECISION, refreeze, write_study

from validation.faults import Refusal
from validation.study.history.plan_lock import freeze, read_lock
from validation.study.history.plan_order import plan_order
from validation.study.load import load_study, read_study

BEFORE = datetime(2026, 6, 30, 15, 0, tzinfo=UTC)
AFTER = datetime(2026, 7, 10, 15, 0, tzinfo=UTC)
ZONED = PLAN.replace("  unit", "  time_zone: Europe/Berlin\n  unit")


def edit(folder, old, new):
    path = folder / "plan.yaml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_freezing_writes_the_hash_of_the_raw_bytes(tmp_path):
    folder = write_study(tmp_path)
    entry, new = freeze(folder, "Q. Manager", BEFORE)
    assert new
    raw = (folder / "plan.yaml").read_bytes()
    sealed = json.dumps(["", hashlib.sha256(raw).hexdigest(), "2026-06-30T15:00:00+00:00", "Q. Manager", None])
    seal = hashlib.sha256(sealed.encode("utf-8")).hexdigest()
    assert json.loads((folder / "plan.lock").read_text(encoding="utf-8")) == {
        "format": 1,
        "entries": [
            {
                "sha256": hashlib.sha256(raw).hexdigest(),
                "time": "2026-06-30T15:00:00+00:00",
                "by": "Q. Manager",
                "amendment": None,
                "seal": seal,
            }
        ],
    }
    assert (folder / "history" / f"plan-{entry.sha256[:12]}.yaml").read_bytes() == raw


def test_freezing_works_before_any_worksheet_exists_and_only_once(tmp_path):
    folder = write_study(tmp_path)
    (folder / "worksheets" / "precision.csv").unlink()
    freeze(folder, "QM", BEFORE)
    _, new = freeze(folder, "Other", AFTER)
    assert not new
    assert len(read_lock(folder)[0]) == 1


def test_freezing_needs_a_name(tmp_path):
    with pytest.raises(Refusal, match="--by NAME"):
        freeze(write_study(tmp_path), " ", BEFORE)


def test_a_plan_that_is_older_than_the_data_is_shown(tmp_path):
    folder = write_study(tmp_path)
    freeze(folder, "QM", BEFORE)
    order = plan_order(load_study(folder))
    assert (order.state, order.first_reading, order.first_time) == ("shown", "P-001", "2026-07-01T08:00")
    assert order.requirements == {"R1": "before data", "R2": "before data"}
    assert "The current plan was frozen before the first dated reading." in order.sentences


def test_without_a_lock_nothing_is_shown(tmp_path):
    order = plan_order(load_study(write_study(tmp_path)))
    assert (order.state, dict(order.requirements)) == ("no lock", {})


def test_a_lock_without_dated_readings_cannot_show_the_order(tmp_path):
    text = "\n".join(",".join(line.split(",")[:4]) for line in PRECISION.splitlines())
    folder = write_study(tmp_path, {"precision": text})
    freeze(folder, "QM", BEFORE)
    order = plan_order(load_study(folder))
    assert (order.state, order.first_reading, order.undated) == ("not shown", None, 12)
    assert set(order.requirements.values()) == {"cannot be shown"}
    assert any("cannot be shown" in text for text in order.sentences)


def test_a_plan_that_changed_after_freezing_does_not_match(tmp_path):
    folder = write_study(tmp_path)
    freeze(folder, "QM", BEFORE)
    edit(folder, "limit: 0.18", "limit: 0.2")
    study = load_study(folder)
    assert any("plan.lock does not match plan.yaml" in text for text in study.warnings)
    order = plan_order(study)
    assert order.state == "lock does not match"
    assert order.requirements == {"R1": "before data", "R2": "set after data"}


def test_a_requirement_that_changed_after_the_data_is_set_after_data(tmp_path):
    folder = write_study(tmp_path)
    freeze(folder, "QM", BEFORE)
    edit(folder, "limit: 0.18", "limit: 0.2")
    refreeze(folder, "QM", AFTER)
    order = plan_order(load_study(folder))
    assert order.state == "not shown"
    assert order.requirements == {"R1": "before data", "R2": "set after data"}
    assert "Set after data: R2." in order.sentences


def test_a_requirement_that_went_away_and_came_back_is_set_after_data(tmp_path):
    folder = write_study(tmp_path)
    freeze(folder, "QM", BEFORE)
    edit(folder, "limit: 0.18", "limit: 0.2")
    refreeze(folder, "QM", AFTER)
    edit(folder, "limit: 0.2", "limit: 0.18")
    refreeze(folder, "QM", AFTER + timedelta(days=1))
    assert plan_order(load_study(folder)).requirements["R2"] == "set after data"


@pytest.mark.parametrize(
    ("old", "new", "state"),
    [
        ("half the variance", "half of it", "before data"),
        ("title: Fuel dilution", "title: Fuel in oil", "before data"),
        ("limit: 0.18", "limit: 0.180", "before data"),
        ("confidence: 0.95", "confidence: 0.9", "set after data"),
        ("rule: point", "rule: upper bound", "set after data"),
        ("at: 4.0", "at: 2.0", "set after data"),
    ],
)
def test_what_counts_as_a_change_of_a_requirement(tmp_path, old, new, state):
    folder = write_study(tmp_path)
    freeze(folder, "QM", BEFORE)
    edit(folder, old, new)
    refreeze(folder, "QM", AFTER)
    assert plan_order(load_study(folder)).requirements["R2"] == state


def test_another_content_is_another_requirement(tmp_path):
    folder = write_study(tmp_path)
    edit(folder, "intermediate_precision.s_I, at: 4.0, rule: point", "accuracy.tolerance_low, rule: inside")
    freeze(folder, "QM", BEFORE)
    edit(folder, "rule: inside", "rule: inside, content: 0.9")
    refreeze(folder, "QM", AFTER)
    assert plan_order(load_study(folder)).requirements["R2"] == "set after data"


@pytest.mark.parametrize(
    ("time", "state"),
    [
        (datetime(2026, 6, 30, 21, 59, tzinfo=UTC), "shown"),  # 23:59 on 30 June in Berlin
        (datetime(2026, 6, 30, 22, 1, tzinfo=UTC), "not shown"),  # 00:01 on 1 July in Berlin: the same day
        (datetime(2026, 7, 1, 6, 0, tzinfo=UTC), "not shown"),
    ],
)
def test_a_date_without_a_time_on_the_same_day_is_not_shown(tmp_path, time, state):
    dates = PRECISION.replace("T08:00", "").replace("T08:10", "").replace("T08:20", "").replace("T08:30", "")
    folder = write_study(tmp_path, {"precision": dates}, plan=ZONED)
    freeze(folder, "QM", time)
    order = plan_order(load_study(folder))
    assert order.state == state
    assert order.requirements["R1"] == ("before data" if state == "shown" else "cannot be shown")


@pytest.mark.parametrize(("minute", "state"), [(59, "shown"), (0, "not shown")])
def test_a_time_without_a_zone_takes_that_of_the_plan(tmp_path, minute, state):
    # 08:00 in Berlin in July is 06:00 UTC.
    folder = write_study(tmp_path, plan=ZONED)
    freeze(folder, "QM", datetime(2026, 7, 1, 5 if minute else 6, minute, tzinfo=UTC))
    assert plan_order(load_study(folder)).state == state


def test_without_a_zone_in_the_plan_the_zone_of_the_freezing_computer_holds(tmp_path):
    folder = write_study(tmp_path)
    freeze(folder, "QM", datetime(2026, 7, 1, 7, 59, tzinfo=timezone(timedelta(hours=10))))
    order = plan_order(load_study(folder))
    assert order.state == "shown"
    assert any("states no time_zone" in text for text in order.sentences)


def test_a_zone_in_the_worksheet_goes_before_that_of_the_plan(tmp_path):
    folder = write_study(
        tmp_path, {"precision": PRECISION.replace("2026-07-01T08:00", "2026-07-01T08:00+10:00")}, plan=ZONED
    )
    freeze(folder, "QM", datetime(2026, 6, 30, 22, 30, tzinfo=UTC))
    assert plan_order(load_study(folder)).state == "not shown"


def test_a_corrected_time_does_not_make_data_younger(tmp_path):
    folder = write_study(tmp_path)
    freeze(folder, "QM", datetime(2026, 7, 1, 8, 5, tzinfo=UTC))
    (folder / "amendments.csv").write_text(
        "number,time,by,kind,file,reading,column,old,new,reason\n"
        "1,2026-07-06,A1,correction,worksheets/precision.csv,P-001,time,2026-07-01T08:00,2026-07-01T09:00,late\n"
    )
    order = plan_order(load_study(folder))
    assert (order.state, order.first_time) == ("not shown", "2026-07-01T08:00")


def test_a_frozen_version_that_is_no_longer_kept_cannot_be_shown(tmp_path):
    folder = write_study(tmp_path)
    entry, _ = freeze(folder, "QM", BEFORE)
    edit(folder, "limit: 0.18", "limit: 0.2")
    refreeze(folder, "QM", AFTER)
    (folder / "history" / f"plan-{entry.sha256[:12]}.yaml").write_bytes(b"format: 1\n")
    assert plan_order(load_study(folder)).requirements["R1"] == "cannot be shown"


@pytest.mark.parametrize(
    "raw",
    [
        b"{",
        b"[]",
        b'{"format": 2, "entries": []}',
        b'{"format": 1, "entries": [{"sha256": "x", "time": "2026-07-01T00:00Z", "by": "a"}]}',
        b'{"format": 1, "entries": [{"sha256": "' + b"0" * 64 + b'", "time": "2026-07-01T00:00", "by": "a"}]}',
        b'{"format": 1, "entries": [{"sha256": "'
        + b"0" * 64
        + b'", "time": "2026-07-01T00:00Z", "by": "\\ud800", "seal": "x"}]}',  # half a character
        b"\x00",
    ],
)
def test_a_damaged_lock_is_refused(tmp_path, raw):
    folder = write_study(tmp_path)
    (folder / "plan.lock").write_bytes(raw)
    study, (fault,) = read_study(folder)
    assert study is None
    assert fault.file == "plan.lock"
    assert "estore" in fault.mend
