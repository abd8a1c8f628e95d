"""How long a cold run takes on either engine with one worker and with two, in the same minutes.

    python tests/bench/engines.py [--pours 100000 1000000] [--folder bench_out]

The workspaces are those of whole_run.py. Spark runs in local-cluster mode: a master inside the driver and one worker process
for each worker, each with one core and Python processes of its own; nothing but the folder is shared. For each run: seconds,
multiples of the bare read of the same files (before and after all runs, the mean counts), and the largest resident set, seen
five times a second, of the driver (the command itself and, for Spark, its Java) and of all workers together. At the end,
whether every published table is the same file on both engines. Memory is read from /proc: on Linux only.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import whole_run

HOME = whole_run.HOME
LOOK = 0.2  # s between looks at memory
WORKER_MB = 2048  # what a worker may give to its Java; its Python stands beside that
WORKER = "CoarseGrainedExecutorBackend"  # what Spark calls the process of a worker that runs tasks

RUNS = (
    ("duckdb, 1 worker", 'engine = "duckdb"\nworkers = 1'),
    ("duckdb, 2 workers", 'engine = "duckdb"\nworkers = 2'),
    ("spark, 1 worker", f'engine = "spark"\nspark_master = "local-cluster[1,1,{WORKER_MB}]"'),
    ("spark, 2 workers", f'engine = "spark"\nspark_master = "local-cluster[2,1,{WORKER_MB}]"'),
)

STARTED = f"""
from pipelines import engine
with engine.start("spark", master="local-cluster[2,1,{WORKER_MB}]") as cluster:
    assert list(cluster.each(abs, [-1, -2])) == [1, 2]
"""


@dataclass(frozen=True)
class Watched:
    seconds: float
    driver_mb: float
    workers_mb: float


def watched(command: list[str]) -> Watched:
    """Run a command and look at the memory of all its processes meanwhile. SystemExit where it fails."""
    began = time.perf_counter()
    driver = workers = 0.0
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=HOME) as process:
        while True:
            try:
                printed, _ = process.communicate(timeout=LOOK)
                break
            except subprocess.TimeoutExpired:
                one, other = resident_mb(process.pid)
                driver, workers = max(driver, one), max(workers, other)
    if process.returncode not in (0, 3):
        raise SystemExit(f"{' '.join(command)} failed:\n{printed}")
    return Watched(time.perf_counter() - began, driver, workers)


def resident_mb(root: int) -> tuple[float, float]:
    """Resident memory of a process and what it started: all but Spark's workers, and those with what they started, MB."""
    parents, sizes, works = {}, {}, set()
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            status = dict(line.split(":", 1) for line in (entry / "status").read_text().splitlines() if ":" in line)
            if WORKER.encode() in (entry / "cmdline").read_bytes():
                works.add(int(entry.name))
        except OSError:  # it has ended
            continue
        parents[int(entry.name)] = int(status["PPid"])
        sizes[int(entry.name)] = int(status.get("VmRSS", "0 kB").split()[0]) * 1024 / 1e6
    totals = [0.0, 0.0]
    for process, size in sizes.items():
        line = [process]
        while line[-1] != root and line[-1] in parents:
            line.append(parents[line[-1]])
        if line[-1] == root:
            totals[bool(works & set(line))] += size
    return totals[0], totals[1]


def tables(space: Path) -> dict[str, str]:
    """The digest of every published table."""
    found = sorted((space / "out" / "tables").glob("*.parquet"))
    return {path.stem: hashlib.sha256(path.read_bytes()).hexdigest() for path in found}


def measure(folder: Path, pours: int) -> None:
    """Time one size on both engines and print its table."""
    space = whole_run.build(folder, pours)
    files = whole_run.warm(space)
    command = [sys.executable, "-m", "pipelines.cli", "run", str(space)]
    bare_read = [sys.executable, "-c", whole_run.BARE_READ, *files]
    own = (space / "filmledger.toml").read_text()
    bare = [whole_run.timed(bare_read)]
    took, results = {}, {}
    try:
        for name, chosen in RUNS:
            whole_run.forget(space)
            (space / "filmledger.toml").write_text(f"[engine]\n{chosen}\n")
            took[name] = watched(command)
            results[name] = tables(space)
    finally:
        (space / "filmledger.toml").write_text(own)
    bare.append(whole_run.timed(bare_read))
    floor = sum(one.seconds for one in bare) / len(bare)

    size = sum(os.path.getsize(path) for path in files)
    print(f"\n{pours:,} pours, {len(files)} files, {size / 1e6:,.0f} MB\n")
    print(f"{'':<20}{'seconds':>9}{'x bare read':>13}{'driver MB':>11}{'workers MB':>12}")
    print(f"{'bare read':<20}{floor:>9.2f}{1:>13.1f}{max(one.peak_mb for one in bare):>11.0f}{'':>12}")
    for name, one in took.items():
        beside = f"{one.workers_mb:>12.0f}" if one.workers_mb else ""
        print(f"{name:<20}{one.seconds:>9.2f}{one.seconds / floor:>13.1f}{one.driver_mb:>11.0f}{beside}")
    first, *others = results.values()
    differ = sorted({name for other in others for name in first | other if first.get(name) != other.get(name)})
    print(
        f"\n{len(first)} published tables; "
        + (f"NOT the same: {', '.join(differ)}" if differ else "all the same files")
    )
    sys.stdout.flush()


def java_version() -> str:
    return subprocess.run(["java", "-version"], capture_output=True, text=True).stderr.splitlines()[0]


def main() -> None:
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--pours", type=int, nargs="+", default=[100_000, 1_000_000])
    wanted.add_argument("--folder", type=Path, default=HOME / "bench_out")
    given = wanted.parse_args()
    if shutil.which("java") is None:
        raise SystemExit(
            "Spark needs Java 17 or newer, and there is none here. Debian: apt install default-jdk-headless"
        )
    print(f"{whole_run.machine()}, pyspark {metadata.version('pyspark')}, {java_version()}")
    print(f"Starting Spark with two workers and stopping it: {watched([sys.executable, '-c', STARTED]).seconds:.1f} s")
    for pours in given.pours:
        measure(given.folder, pours)


if __name__ == "__main__":
    sys.path.insert(0, str(HOME))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
