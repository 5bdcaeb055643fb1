"""How long the main job takes, against running and converting the same notebooks with the general commands.

Run it with `python tests/benchmark.py`; it takes about four minutes on two processors and needs nothing but the
installed package. Every measurement is a cold start of a new process, everything counted. It prints ratios within
this one run: seconds drift from machine to machine.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
from benchmark_scale import print_scale

from validation import resources
from validation.characteristics.registry import characteristics
from validation.selftest import coverage
from validation.simulation.lines import LineDesign
from validation.simulation.pairs import PairsDesign
from validation.stats import calibration, comparison, detection, straightness
from validation.stats.distributions import Normal, Rectangular, StudentT, triangular
from validation.stats.mean_squares import Components, MeanSquares
from validation.stats.monte_carlo import monte_carlo
from validation.stats.nested_stages import NestedStages
from validation.stats.outliers import grubbs_single, in_standard_deviations
from validation.stats.precision import precision
from validation.stats.reproducibility import reproducibility

try:
    import resource
except ImportError:  # Windows has no peak-memory counter of child processes
    resource = None  # type: ignore[assignment]


def timed(*command: str, cwd: Path) -> float:
    """Seconds of one command, which must succeed."""
    start = time.perf_counter()
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    seconds = time.perf_counter() - start
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} failed:\n{done.stdout}\n{done.stderr}")
    return seconds


def notebooks_by_command(folder: Path, study: Path, notebooks: list[Path]) -> float:
    """Each notebook by the papermill command, then by the nbconvert command, one after another."""
    saved = folder / "command"
    saved.mkdir()
    total = 0.0
    for notebook in notebooks:
        executed = folder / notebook.name
        parameters = ["-p", "study_folder", str(study), "-p", "output_folder", str(saved)]
        total += timed(sys.executable, "-m", "papermill", str(notebook), str(executed), *parameters, cwd=folder)
        total += timed(sys.executable, "-m", "nbconvert", "--to", "html", str(executed), cwd=folder)
    return total


MANY_BY_API = """
import sys, warnings
from concurrent.futures import ProcessPoolExecutor
import papermill

def one(job):
    warnings.simplefilter("ignore")
    given = {"study_folder": job[2], "output_folder": job[3]}
    papermill.execute_notebook(job[0], job[1], parameters=given, progress_bar=False)

if __name__ == "__main__":
    study, saved, *names = sys.argv[1:]
    jobs = [(name, saved + "/" + name.replace("\\\\", "/").rsplit("/", 1)[-1], study, saved) for name in names]
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(one, jobs))
"""

EVALUATE = """
import sys, time
from pathlib import Path
from validation.judging.outcomes import evaluate, judge_study
from validation.study.load import load_study
from validation.characteristics.registry import characteristics
characteristics()
start = time.perf_counter()
study = load_study(Path(sys.argv[1]))
judge_study(study, evaluate(study))
print(time.perf_counter() - start)
"""


def notebooks_by_api(folder: Path, study: Path, notebooks: list[Path]) -> float:
    """All notebooks through the papermill API, two processes at once, without any conversion."""
    saved = folder / "api"
    saved.mkdir()
    script = folder / "many.py"
    script.write_text(MANY_BY_API, encoding="utf-8")
    return timed(sys.executable, str(script), str(study), str(saved), *map(str, notebooks), cwd=folder)


def simulated_studies() -> list[tuple[str, float, float]]:
    """Microseconds a simulated study, by statistic: all at once, and a plain loop over the public function."""
    rng = np.random.default_rng(1)
    counts, design, low = (3,) * 8, LineDesign(coverage.FULL, 3, 3), LineDesign(coverage.LOW, 1, 10)
    y = coverage.run_errors(rng, 4000, counts, 1.0)
    line = coverage.straight_readings(rng, 100, design, True)
    short = coverage.straight_readings(rng, 4000, low, False)
    samples, methods = PairsDesign.most_low(40, 0.5, 10.0), coverage.EQUAL
    a, b = methods.readings(rng, 1000, samples, 1.0)
    u = methods.scatter.at(np.asarray(samples.levels))
    squares, of_runs = MeanSquares.of(y, counts), (design.level, design.run)
    x, rows, singles, low_rows = design.x.tolist(), line.small.tolist(), y.tolist(), short.small.tolist()

    def precision_at_once() -> None:
        found = Components.of(MeanSquares.of(y, counts))
        found.s_between_interval(0.95), found.s_total_interval(0.95)

    def laboratories_at_once() -> None:
        found = NestedStages.of(y, ((3,),) * 8)
        found.s_L_interval(0.95), found.s_R_interval(0.95)

    jobs: list[tuple[str, Callable[[], object], int, Callable[[int], object]]] = [
        ("precision, 8 runs of 3", precision_at_once, 4000, lambda i: precision(y[i].reshape(8, 3, 1).tolist())),
        (
            "reproducibility, 8 laboratories of 3",
            laboratories_at_once,
            4000,
            lambda i: reproducibility(y[i].reshape(8, 3).tolist()),
        ),
        (
            "departures, 8 levels, 3 runs of 3",
            lambda: calibration.departures_many(line),
            100,
            lambda i: calibration.departures(x, rows[i], *of_runs),
        ),
        (
            "weighted tests, 59 draws, the same",
            lambda: straightness.weighted_tests_many(line, draws=59, seeds=range(100)),
            100,
            lambda i: straightness.weighted_tests(x, rows[i], *of_runs, draws=59, seed=i),
        ),
        (
            "IUPAC 1997, runs kept, 24 blanks",
            lambda: detection.iupac_runs_multiplier(squares.unweighted, squares.within, (7, 16), 3.0, 0.05),
            4000,
            lambda i: detection.iupac_1997_runs(y[i].reshape(8, 3).tolist()),
        ),
        (
            "ISO 11843-2, low range, 40 readings",
            lambda: detection.LinearSdLimits.of(short.x, short.small, low.level, alpha=0.05),
            4000,
            lambda i: detection.iso_11843_2_linear_sd(low.x.tolist(), low_rows[i], low.level),
        ),
        (
            "Deming, 40 samples",
            lambda: comparison.deming_many(a, b, level=4.0),
            1000,
            lambda i: comparison.deming(a[i].tolist(), b[i].tolist()),
        ),
        (
            "York, 40 samples",
            lambda: comparison.YorkFits.of(a, b, 1 / u**2, 1 / u**2),
            1000,
            lambda i: comparison.york(a[i].tolist(), b[i].tolist(), u, u),
        ),
        (
            "Passing-Bablok, 40 samples",
            lambda: comparison.passing_bablok_many(a, b, level=0.95),
            1000,
            lambda i: comparison.passing_bablok(a[i].tolist(), b[i].tolist()),
        ),
        (
            "Grubbs, 24 readings",
            lambda: np.abs(in_standard_deviations(y)).max(axis=1),
            4000,
            lambda i: grubbs_single(singles[i]),
        ),
    ]
    found = []
    for name, at_once, studies, one in jobs:
        one(0)  # what a function computes once, such as a critical value, is not counted
        start = time.perf_counter()
        at_once()
        together = (time.perf_counter() - start) / studies
        loops = min(studies, 50)
        start = time.perf_counter()
        for i in range(loops):
            one(i)
        found.append((name, 1e6 * together, 1e6 * (time.perf_counter() - start) / loops))
    return found


def budget_of_ten() -> tuple[float, float, float, float, float]:
    """Seconds of a million draws of a budget of ten inputs, in blocks and as one plain block of numpy, the largest
    memory of both in MiB, and the seconds that a loop over single draws would take.
    """
    inputs = {
        **{f"x{i}": Normal(0.0, 0.01 * (i + 1)) for i in range(4)},
        **{f"x{i}": StudentT(0.0, 0.01, 5 + i) for i in range(4, 6)},
        **{f"x{i}": Rectangular(-0.02, 0.02) for i in range(6, 9)},
        "x9": triangular(-0.02, 0.02),
    }
    draws = 1_000_000

    def model(**x: np.ndarray | float) -> np.ndarray | float:
        product: np.ndarray | float = 4.0
        for name in inputs:
            product = product * (1 + x[name])
        return product

    def plain(size: int) -> None:
        random = np.random.default_rng(1)
        y = np.sort(model(**{name: one.draw(random, size) for name, one in inputs.items()}))
        y.mean(), y.std(ddof=1), y[int(0.025 * size)], y[int(0.975 * size)]

    def measured(job: Callable[[], object]) -> tuple[float, float]:
        start = time.perf_counter()
        job()
        seconds = time.perf_counter() - start
        tracemalloc.start()
        job()
        peak = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        return seconds, peak

    blocks = measured(lambda: monte_carlo(model, inputs, draws=draws, seed=1))
    whole = measured(lambda: plain(draws))
    random, singles = np.random.default_rng(1), 2000
    start = time.perf_counter()
    for _ in range(singles):
        model(**{name: float(one.draw(random, 1)[0]) for name, one in inputs.items()})
    loop = (time.perf_counter() - start) * draws / singles
    return blocks[0], blocks[1], whole[0], whole[1], loop


def main() -> None:
    """Measure and print."""
    names = list(characteristics())
    notebooks = [resources.folder("notebooks") / f"{name}.ipynb" for name in names]
    study = resources.folder("demo_data") / "new-grade"
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        local = folder / "study"
        shutil.copytree(study, local)
        demo = [
            timed(sys.executable, "-m", "validation", "demo", "--out", str(folder / f"demo{i}"), cwd=folder)
            for i in range(3)
        ]
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024 if resource else float("nan")
        api = notebooks_by_api(folder, local, notebooks)
        command = notebooks_by_command(folder, local, notebooks)
        pure = float(
            subprocess.run(
                [sys.executable, "-c", EVALUATE, str(local)], capture_output=True, text=True, check=True
            ).stdout
        )
    best = sorted(demo)[1]
    print(
        f"Python {platform.python_version()}, {platform.system()}, {os.cpu_count()} processors, {len(names)} notebooks"
    )
    print(f"validation demo, cold (median of 3):               {best:6.1f} s   ({', '.join(f'{s:.1f}' for s in demo)})")
    print(f"papermill and nbconvert commands, one by one:      {command:6.1f} s   {command / best:.1f} times the demo")
    print(f"papermill API, two at once, no conversion:         {api:6.1f} s   {api / best:.1f} times the demo")
    print(f"reading, statistics and judging alone, no kernel:  {pure:6.1f} s   {pure / best:.0%} of the demo")
    print(f"largest process of the demo:                       {peak:6.0f} MiB")
    print("cost of a simulated study, microseconds:          at once    plain loop   ratio")
    for name, at_once, loop in simulated_studies():
        print(f"  {name:<46s} {at_once:9.1f} {loop:13.1f} {loop / at_once:7.0f}")
    seconds, memory, whole, whole_memory, loop = budget_of_ten()
    print("a million draws of a budget of ten inputs, mean, u and both intervals:")
    print(f"  in blocks, with the shortest interval and errors {seconds:5.2f} s  {memory:5.0f} MiB")
    print(f"  one plain block of numpy                         {whole:5.2f} s  {whole_memory:5.0f} MiB")
    print(f"  a loop over single draws, extrapolated           {loop:5.1f} s   {loop / seconds:.0f} times the blocks")
    with tempfile.TemporaryDirectory() as scratch:
        print_scale(Path(scratch))


if __name__ == "__main__":
    main()
