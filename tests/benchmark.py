"""How long the main job takes, against running and converting the same notebooks with the general commands.

Run it with `python tests/benchmark.py`; it takes about six minutes on two processors and needs nothing but the
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
import warnings
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
from benchmark_scale import print_scale
from scipy import optimize
from scipy.stats import theilslopes
from statsmodels.regression.mixed_linear_model import MixedLM

from validation import resources
from validation.characteristics.registry import characteristics
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.simulated import SimulatedRow, simulated_rows
from validation.selftest import coverage
from validation.simulation.estimates import EstimateDraws
from validation.simulation.lines import LineDesign, LineTruth, Scatter, line_readings
from validation.simulation.pairs import PairsDesign
from validation.stats import agreement, calibration, deming, detection, over_levels, passing_bablok, straightness, york
from validation.stats.accuracy import tolerance_limits
from validation.stats.content import reach_interval
from validation.stats.distributions import Normal, Rectangular, StudentT, triangular
from validation.stats.mean_squares import Components, MeanSquares
from validation.stats.mixed_model import mixed_model
from validation.stats.monte_carlo import monte_carlo
from validation.stats.nested_stages import NestedStages
from validation.stats.outliers import grubbs_single, in_standard_deviations
from validation.stats.precision import precision
from validation.stats.reproducibility import reproducibility
from validation.stats.trueness import bias
from validation.stats.weighted_comparison import WeightedLines, weighted_comparison
from validation.study.load import load_study

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


def share_of_one(y: np.ndarray) -> tuple[float, float]:
    """Bounds of the half-width that holds 95 % of single results, of 8 runs of 3."""
    runs = y.reshape(8, 3, 1).tolist()
    return tolerance_limits(precision(runs), float(y.mean())).results.reach(0.95, 0.9)


def judged_rows() -> list[SimulatedRow]:
    """The requirements of the demonstration on bias, s_I and the share of single results."""
    study = load_study(resources.folder("demo_data") / "new-grade")
    chapters = ("trueness", "intermediate_precision", "accuracy")
    judgement = judge_study(study, evaluate(study, only=chapters))
    return simulated_rows(judgement.requirements, judgement.quantities)


def judged_one_by_one(y: np.ndarray, i: int) -> None:
    """The same for one study read by reading: six levels of 8 runs of 3, bias, s_I and share."""
    for level in range(6):
        readings = y[(i + level) % len(y)]
        bias([run.tolist() for run in readings.reshape(8, 3)]).interval(0.9)
        share_of_one(readings)


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
    replicated = coverage.Replicated(20, "read twice", 2, 2)
    pairs = coverage.replicated_pairs(np.random.default_rng(2), 200, replicated, coverage.OWN)
    read = coverage.OWN.readings(np.random.default_rng(2), 200, replicated.design, coverage.PAIRS_SLOPE)
    twice = [readings.reshape(200, 20, 2) for readings in read]
    squares, of_runs = MeanSquares.of(y, counts), (design.level, design.run)
    of_total, judged = Components.of(squares).total_terms, judged_rows()
    x, rows, singles, low_rows = design.x.tolist(), line.small.tolist(), y.tolist(), short.small.tolist()

    def precision_at_once() -> None:
        found = Components.of(MeanSquares.of(y, counts))
        found.s_between_interval(0.95), found.s_total_interval(0.95)

    def laboratories_at_once() -> None:
        found = NestedStages.of(y, ((3,),) * 8)
        found.s_L_interval(0.95), found.s_R_interval(0.95)

    def judged_at_once() -> None:
        draws = EstimateDraws(4000, 1, {"worksheets/precision.csv": 0.5})
        for row in judged:
            row.met(row.comfortable(), draws)

    whole = LineDesign((0.5, 1.0, 2.0, 4.0, 5.0, 7.5, 10.0), 8, 3)
    of_levels = line_readings(rng, 200, whole, LineTruth(0.02, 0.01, Scatter(0.03, 0.018), 0.02, 0.012))
    of_range = over_levels.CellMeans.of(whole.x, whole.run, of_levels)

    jobs: list[tuple[str, Callable[[], object], int, Callable[[int], object]]] = [
        ("precision, 8 runs of 3", precision_at_once, 4000, lambda i: precision(y[i].reshape(8, 3, 1).tolist())),
        (
            "share within a limit, 8 runs of 3",
            lambda: reach_interval(squares.means.mean(axis=1), 8, *of_total, content=0.95, level=0.9),
            4000,
            lambda i: share_of_one(y[i]),
        ),
        (
            "verdicts of the demonstration's precision, 6 levels",
            judged_at_once,
            4000,
            lambda i: judged_one_by_one(y, i),
        ),
        (
            "whole range, 7 levels, 8 runs of 3",
            lambda: over_levels.fit_over_levels(of_range, close=1e-6),
            200,
            lambda i: dense_range(whole.x, whole.run, of_levels[i]),
        ),
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
            lambda: deming.deming_many(a, b, level=4.0),
            1000,
            lambda i: deming.deming(a[i].tolist(), b[i].tolist()),
        ),
        (
            "York, 40 samples",
            lambda: york.YorkFits.of(a, b, 1 / u**2, 1 / u**2),
            1000,
            lambda i: york.york(a[i].tolist(), b[i].tolist(), u, u),
        ),
        (
            "weighted line, 20 samples read twice",
            lambda: WeightedLines.of(pairs, pairs.spreads()),
            200,
            lambda i: weighted_comparison(twice[0][i].tolist(), twice[1][i].tolist()).slope,
        ),
        (
            "agreement at levels, 40 samples",
            lambda: agreement.AgreementLines.of((a + b) / 2, b - a),
            1000,
            lambda i: agreement.level_agreement(a[i].tolist(), b[i].tolist()),
        ),
        (
            "Passing-Bablok, 40 samples",
            lambda: passing_bablok.passing_bablok_many(a, b, level=0.95),
            1000,
            lambda i: passing_bablok.passing_bablok(a[i].tolist(), b[i].tolist()),
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


LME4 = """
given <- commandArgs(TRUE)
suppressMessages(library(lme4))
readings <- read.csv(given[1])
cat(system.time(lmer(y ~ 1 + (1 | analyst) + (1 | instrument) + (1 | run), readings))[["elapsed"]])
"""

#: Statistic, what it is held against, seconds of both; None where the other cannot be had.
Pair = tuple[str, str, float, float | None]


def dense_range(x: np.ndarray, run: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Variances of the model of the whole range from whole covariance matrices, by scipy's search."""
    design, alike, at = np.column_stack([np.ones_like(x), x]), run[:, None] == run, np.outer(x, x)

    def deviance(logs: np.ndarray) -> float:
        a_r, b_r, a, b = np.exp(logs)
        inverse = np.linalg.inv(np.diag(a_r + b_r * x**2) + alike * (a + b * at))
        information = design.T @ inverse @ design
        residual = y - design @ np.linalg.solve(information, design.T @ inverse @ y)
        logs_of = np.linalg.slogdet(information)[1] - np.linalg.slogdet(inverse)[1]
        return float(logs_of + residual @ inverse @ residual)

    return np.asarray(np.exp(optimize.minimize(deviance, np.full(4, -7.0), method="L-BFGS-B").x))


def seconds(job: Callable[[], object], repeats: int = 3) -> float:
    """The shortest of some repeats; what is computed once and kept is made anew by the caller."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return min(times)


def crossed(n: int) -> tuple[np.ndarray, dict[str, list[str]]]:
    """Readings of six analysts on four instruments, five in each run, and their factors."""
    rng = np.random.default_rng(1)
    run = np.arange(n) // 5
    analyst, instrument = (rng.integers(0, size, n // 5)[run] for size in (6, 4))
    effects = rng.normal(0, 1, 6)[analyst] + rng.normal(0, 0.7, 4)[instrument] + rng.normal(0, 0.5, n // 5)[run]
    columns = {"analyst": analyst, "instrument": instrument, "run": run}
    return effects + rng.normal(0, 1, n), {name: codes.astype(str).tolist() for name, codes in columns.items()}


def by_lme4(y: np.ndarray, factors: dict[str, list[str]]) -> float | None:
    """Seconds of the fit alone, without the start of R; None without R or lme4."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "readings.csv"
        pd.DataFrame({"y": y, **factors}).to_csv(table, index=False)
        done = subprocess.run(["Rscript", "-e", LME4, str(table)], capture_output=True, text=True, check=False)
    return float(done.stdout) if done.returncode == 0 else None


def by_mixed_lm(y: np.ndarray, factors: dict[str, list[str]]) -> float:
    """Seconds of statsmodels, which forms matrices over readings: of 10,000 they fill several GiB."""
    table = pd.DataFrame({"y": y, "all": 1, **factors})
    formulas = {name: f"0 + C({name})" for name in factors}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return seconds(
            lambda: MixedLM.from_formula("y ~ 1", table, groups="all", re_formula="0", vc_formula=formulas).fit(), 1
        )


def single_statistics() -> list[Pair]:
    """One study, ours against a general library on the same readings."""
    rng = np.random.default_rng(1)
    pairs: list[Pair] = []
    for n in (1_000, 10_000, 100_000):
        y = rng.normal(4, 0.1, (n // 10, 10)).round(3)
        runs = [[[Decimal(f"{value:.3f}")] for value in run] for run in y.tolist()]
        sums = seconds(lambda y=y: (y.var(axis=1, ddof=1).mean(), y.mean(axis=1).var(ddof=1)))
        pairs.append((f"precision, {n} decimals", "sums of numpy", seconds(lambda runs=runs: precision(runs)), sums))
    for n in (1_000, 10_000):
        y, factors = crossed(n)
        start = time.perf_counter()
        mixed_model(y.tolist(), factors)
        ours = time.perf_counter() - start
        pairs.append((f"mixed model, {n} readings", "lme4", ours, by_lme4(y, factors)))
        if n <= 1_000:
            pairs.append((f"mixed model, {n} readings", "statsmodels", ours, by_mixed_lm(y, factors)))
    for n in (200, 1_000):
        t = rng.uniform(1, 10, n)
        a, b = (np.round(t + rng.normal(0, 0.1, n), 3) for _ in range(2))
        exact = [[Decimal(f"{value:.3f}") for value in values] for values in (a, b)]
        start = time.perf_counter()
        passing_bablok.passing_bablok(*exact)
        ours = time.perf_counter() - start
        pairs.append(
            (f"pairwise slopes, {n} samples", "scipy theilslopes", ours, seconds(lambda a=a, b=b: theilslopes(b, a)))
        )
    return pairs


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
    for name, together, one_by_one in simulated_studies():
        print(f"  {name:<46s} {together:9.1f} {one_by_one:13.1f} {one_by_one / together:7.0f}")
    print("one study, seconds:                                ours       other   ratio")
    for name, other, own, theirs in single_statistics():
        against = "     absent" if theirs is None else f"{theirs:11.4f} {own / theirs:7.1f}"
        print(f"  {name:<28s} {other:<18s} {own:9.4f} {against}")
    at_once, memory, whole, whole_memory, loop = budget_of_ten()
    print("a million draws of a budget of ten inputs, mean, u and both intervals:")
    print(f"  in blocks, with the shortest interval and errors {at_once:5.2f} s  {memory:5.0f} MiB")
    print(f"  one plain block of numpy                         {whole:5.2f} s  {whole_memory:5.0f} MiB")
    print(f"  a loop over single draws, extrapolated           {loop:5.1f} s   {loop / at_once:.0f} times the blocks")
    with tempfile.TemporaryDirectory() as scratch:
        print_scale(Path(scratch))


if __name__ == "__main__":
    main()
