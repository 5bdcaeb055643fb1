"""Part of the benchmark: one precision worksheet of 240, 2,000 and 20,000 readings through a whole run."""

from __future__ import annotations

import math
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from study_folder import write_study

READINGS = (240, 2_000, 20_000)
LEVELS, REPEATS = (0.5, 1.0, 2.0, 4.0, 7.5), 4
ANALYSTS, INSTRUMENTS, RUNS_A_DAY = "ABCDEF", ("SAW-1", "SAW-2", "SAW-3", "SAW-4"), 4


@dataclass(frozen=True)
class Cost:
    """What one run of `readings` took, and how large its pages and its record are."""

    readings: int
    seconds: float
    cpu: float
    largest: float
    html: int
    pdf: int
    results: int

    def text(self) -> str:
        """One line of the table."""
        pages = f"{self.html / 1e6:9.2f} {self.pdf / 1e6:8.2f} {self.results / 1e6:8.2f}"
        return f"  {self.readings:8d} {self.seconds:9.1f} {self.cpu:8.1f} {self.largest:10.0f} {pages}"


def worksheet(readings: int) -> str:
    """Levels in runs, four repeats each, with components of run, analyst and instrument; the day is a factor too."""
    rng = np.random.default_rng(2026)
    shift = {name: rng.normal(0, 0.02) for name in (*ANALYSTS, *INSTRUMENTS)}
    rows = ["reading,level,run,result,time,analyst,instrument,day"]
    for run in range(math.ceil(readings / len(LEVELS) / REPEATS)):
        start = datetime(2026, 7, 1, 8) + timedelta(days=run // RUNS_A_DAY, hours=2 * (run % RUNS_A_DAY))
        analyst, instrument = rng.choice(list(ANALYSTS)), rng.choice(INSTRUMENTS)
        for number in range(len(LEVELS) * REPEATS):
            level, time_ = LEVELS[number // REPEATS], start + timedelta(minutes=2 * number)
            if number % REPEATS == 0:
                of_run = rng.normal(0, 0.03)
            result = level + of_run + shift[analyst] + shift[instrument] + rng.normal(0, 0.05)
            cells = (f"P-{len(rows):05d}", f"{level:g}", run + 1, f"{result:.3f}", f"{time_:%Y-%m-%dT%H:%M}")
            rows.append(",".join(map(str, (*cells, analyst, instrument, f"{start:%Y-%m-%d}"))))
    return "\n".join(rows[: readings + 1]) + "\n"


def cost(folder: Path, readings: int) -> Cost:
    """A draft of a study with one worksheet, from a cold start."""
    study = write_study(folder / str(readings), {"precision": worksheet(readings)})
    start = time.perf_counter()
    with (folder / f"{readings}.log").open("wb") as log:
        command = [sys.executable, "-m", "validation", "run", str(study), "--draft"]
        process = subprocess.Popen(command, cwd=folder, stdout=log, stderr=log)
        if hasattr(os, "wait4"):
            _, status, used = os.wait4(process.pid, 0)
            process.returncode, cpu, largest = status, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024
        else:  # Windows counts neither
            process.wait()
            cpu = largest = math.nan
    seconds = time.perf_counter() - start
    if process.returncode:
        raise SystemExit((folder / f"{readings}.log").read_text(encoding="utf-8"))
    sizes = [(study / "draft" / name).stat().st_size for name in ("dossier.html", "dossier.pdf", "results.json")]
    return Cost(readings, seconds, cpu, largest, *sizes)


def print_scale(folder: Path) -> None:
    """The table, and what ten times as many readings cost."""
    print("one precision worksheet with analysts, instruments and days, run as a draft:")
    print("  readings   seconds    CPU s    largest   HTML MB   PDF MB  results MB")
    costs = [cost(folder, readings) for readings in READINGS]
    for item in costs:
        print(item.text())
    small, middle, large = (item.seconds if math.isnan(item.cpu) else item.cpu for item in costs)
    added = (large - small) / (middle - small)
    print(f"  what 20,000 readings add to 240 is {added:.1f} times what 2,000 add; readings: 11.2 times")


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as scratch:
        print_scale(Path(scratch))
