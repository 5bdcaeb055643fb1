"""How long the main job takes, against running and converting the same notebooks with the general commands.

Run it with `python tests/benchmark.py`; it takes about two minutes on two processors and needs nothing but the
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
from pathlib import Path

from validation import resources
from validation.characteristics import characteristics

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
from validation.characteristics import characteristics
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


if __name__ == "__main__":
    main()
