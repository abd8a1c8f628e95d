"""How long a run takes, as a multiple of a bare DuckDB read of the same files in the same minute.

    python tests/bench/whole_run.py [--pours 1000000] [--folder bench_out]

Builds one workspace of canonical CSV files, then times: a bare all-text read of every file into DuckDB tables (before
and after, the mean counts), the cold run, and a run with nothing new. Each in a process of its own; peak memory is that
process's largest resident set. The bare read does nothing but split lines into cells, so it is the floor for any
program that has to look at every cell.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import resource
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
POURS_PER_CUP = 3.5  # of the invented business; only used to ask for about the wanted number

BARE_READ = """
import sys, duckdb
with duckdb.connect() as connection:
    for path in sys.argv[1:]:
        connection.execute(
            "CREATE OR REPLACE TEMP TABLE one AS SELECT * FROM read_csv($path, all_varchar = true, header = true)",
            {"path": path},
        )
"""

TIMED_CHILD = """
import os, resource, subprocess, sys, time
began = time.perf_counter()
code = subprocess.call(sys.argv[1:])
seconds = time.perf_counter() - began
print(f"@@ {code} {seconds} {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss}", flush=True)
"""


@dataclass(frozen=True)
class Timing:
    code: int
    seconds: float
    peak_mb: float
    printed: str


def timed(command: list[str]) -> Timing:
    """Run a command in a process of its own and measure that process alone."""
    done = subprocess.run([sys.executable, "-c", TIMED_CHILD, *command], capture_output=True, text=True, cwd=HOME)
    found = re.search(r"@@ (\d+) ([\d.]+) (\d+)", done.stdout)
    if found is None:
        raise SystemExit(f"{' '.join(command)} did not end:\n{done.stdout}\n{done.stderr}")
    unit = 1024 if platform.system() == "Linux" else 1024 * 1024
    return Timing(int(found[1]), float(found[2]), int(found[3]) * unit / 1e6, done.stdout + done.stderr)


def build(folder: Path, pours: int) -> Path:
    """A workspace of about `pours` pours as canonical CSV, one file per table; kept for the next bench of that size."""
    from pipelines import settings, workspace
    from seed_data import scenario

    target = folder / f"pours_{pours}"
    if (target / "inbox").is_dir():
        return target
    cups = round(pours / POURS_PER_CUP)
    shops = max(3, cups // 40_000)  # a shop sprays some thousand cups a month at most
    drawn = scenario.build(cups=cups, shops=shops)
    folder.mkdir(parents=True, exist_ok=True)
    with workspace.draft_of(target) as draft:
        workspace.init(draft, settings.template())
        scenario.write_canonical(draft, drawn)
    return target


def main() -> None:
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--pours", type=int, default=1_000_000)
    wanted.add_argument("--folder", type=Path, default=HOME / "bench_out")
    given = wanted.parse_args()

    print(f"Building {given.pours:,} pours ...", flush=True)
    space = build(given.folder, given.pours)
    shutil.rmtree(space / ".filmledger", ignore_errors=True)
    (space / "out").unlink(missing_ok=True)
    files = sorted(str(path) for folder in ("inbox", "registers") for path in (space / folder).glob("*.csv"))
    size = sum(os.path.getsize(path) for path in files)
    for path in files:  # all timings find the files in the system's cache
        with open(path, "rb") as handle:
            while handle.read(1 << 24):
                pass

    run = [sys.executable, "-m", "pipelines.cli", "run", str(space)]
    bare_before = timed([sys.executable, "-c", BARE_READ, *files])
    cold = timed(run)
    bare_after = timed([sys.executable, "-c", BARE_READ, *files])
    again = timed(run)
    if cold.code not in (0, 3) or again.code != cold.code:
        raise SystemExit(f"the run failed:\n{cold.printed}\n{again.printed}")
    bare = (bare_before.seconds + bare_after.seconds) / 2

    print(f"\n{time.strftime('%Y-%m-%d')}, {os.cpu_count()} cores, {memory_gb():.0f} GB, {versions()}")
    print(f"{given.pours:,} pours, {len(files)} files, {size / 1e6:,.0f} MB\n")
    print(f"{'':<16}{'seconds':>9}{'x bare read':>13}{'peak MB':>9}")
    for name, timing in (("bare read", bare_before), ("cold run", cold), ("nothing new", again)):
        seconds = bare if timing is bare_before else timing.seconds
        print(f"{name:<16}{seconds:>9.2f}{seconds / bare:>13.1f}{timing.peak_mb:>9.0f}")
    print("\nShare of the cold run by stage (the rest is starting up, Dagster's records and writing tables):")
    told = re.findall(r"^(\w+) +.*\(([\d.]+) s\)$", cold.printed, flags=re.MULTILINE)
    for name, seconds in [*told, ("rest", cold.seconds - sum(float(s) for _, s in told))]:
        print(f"  {name:<14}{float(seconds):>9.2f}{100 * float(seconds) / cold.seconds:>12.0f} %")


def memory_gb() -> float:
    return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9


def versions() -> str:
    from pipelines.workspace import library_versions

    shown = {name: version for name, version in library_versions().items() if name in ("polars", "duckdb", "numpy")}
    return f"Python {platform.python_version()}, " + ", ".join(f"{name} {version}" for name, version in shown.items())


if __name__ == "__main__":
    sys.path.insert(0, str(HOME))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
