"""How long a run takes, as a multiple of a bare DuckDB read of the same files in the same minute.

    python tests/bench/whole_run.py [--pours 100000 1000000 10000000] [--shops 40 --months 60] [--folder bench_out]

For each size: one workspace of canonical CSV files without its last working day, which lies beside it in files of its own.
Timed, each in a process of its own whose largest resident set is the peak memory:

    bare read      every file as text into DuckDB tables (before and after, the mean counts): it does nothing but split
                   lines into cells, so it is the floor for any program that has to look at every cell
    plain pandas   plain_pandas.py: what an analyst would write, with nothing validated
    cold run       everything, from the exports to the pages
    nothing new    the same again
    day of one     the last day's files of one shop added, and run
    day of all     those of the others as well, and run
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import platform
import re
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

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


def timed(command: list[str], name: str) -> Timing:
    """Run a command in a process of its own and measure that process alone; says so, for the largest take hours."""
    done = subprocess.run([sys.executable, "-c", TIMED_CHILD, *command], capture_output=True, text=True, cwd=HOME)
    found = re.search(r"@@ (\d+) ([\d.]+) (\d+)", done.stdout)
    if found is None:
        raise SystemExit(f"{' '.join(command)} did not end:\n{done.stdout}\n{done.stderr}")
    unit = 1024 if platform.system() == "Linux" else 1024 * 1024
    timing = Timing(int(found[1]), float(found[2]), int(found[3]) * unit / 1e6, done.stdout + done.stderr)
    if timing.code not in (0, 3):
        raise SystemExit(f"{name} failed:\n{timing.printed}")
    print(f"{name}: {timing.seconds:.2f} s, {timing.peak_mb:.0f} MB", file=sys.stderr, flush=True)
    return timing


def build(folder: Path, pours: int, shops: int | None = None, months: int = 14) -> Path:
    """A workspace of about `pours` pours as canonical CSV, one file per table, and its last day in the folder
    `new_day`; kept for the next bench of that size. Drawn and written a shop's month at a time."""
    import polars as pl

    from pipelines import settings, workspace
    from seed_data import business, office, scenario
    from seed_data.business import Parameters

    cups = round(pours / POURS_PER_CUP)
    shops = shops or max(3, cups // 40_000)  # a shop sprays some thousand cups a month at most
    target = folder / f"pours_{pours}_{shops}x{months}"
    if (target / "inbox").is_dir():
        return target
    drawn = Parameters(seed=20260, shops=shops, months=months, cups=cups)
    registers = business.build_business(drawn)
    last = business.add_months(drawn.start, drawn.months - 1)
    folder.mkdir(parents=True, exist_ok=True)
    with workspace.draft_of(target) as draft:
        workspace.init(draft, settings.template())
        (draft / "new_day").mkdir()
        poured, held = [], []
        for _, month, tables in scenario.chunks(drawn):
            events = {name: tables[name] for name in scenario.EVENT_TABLES if name in tables}
            poured.append(events["pours"].select("shop_id", "mix_id", "poured_at", "component_id", "weighed_g"))
            if month == last:
                held.append(events)
            else:
                append(draft / "inbox", events)
        day = max(events["jobs"]["opened_on"].max() for events in held)
        for events in held:
            before, on_day = split(events, day)
            append(draft / "inbox", before)
            append(draft / "new_day", on_day, "-day")
        append(draft / "inbox", office.rare_tables(drawn, registers, {"pours": pl.concat(poured)}))
        append(draft / "registers", registers.registers)
    return target


def append(folder: Path, tables: dict[str, pl.DataFrame], mark: str = "") -> None:
    """Write tables, each at the end of its own file; one without rows only where it is a register."""
    for name, frame in tables.items():
        path = folder / f"{name}{mark}.csv"
        if frame.height or folder.name == "registers":
            with open(path, "ab") as handle:
                frame.write_csv(handle, include_header=handle.tell() == 0, datetime_format="%Y-%m-%d %H:%M:%S")


def split(events: dict[str, pl.DataFrame], day: dt.date) -> tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame]]:
    """A month's rows without the jobs opened on a day and the cups poured on it, and the rows of those."""
    import polars as pl

    job, cup = ["shop_id", "job_id"], ["shop_id", "mix_id"]
    jobs = events["jobs"].filter(pl.col("opened_on") == day).select(job)
    cups = events["pours"].filter(pl.col("poured_at").dt.date() == day).select(cup).unique()
    before, on_day = {}, {}
    for name, frame in events.items():
        ids, key = (cups, cup) if name in ("pours", "leftovers") or "job_id" not in frame.columns else (jobs, job)
        before[name] = frame.join(ids, on=key, how="anti", maintain_order="left")
        on_day[name] = frame.join(ids, on=key, how="semi", maintain_order="left")
    return before, on_day


def main() -> None:
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--pours", type=int, nargs="+", default=[100_000, 1_000_000, 10_000_000])
    wanted.add_argument("--shops", type=int, help="how many; otherwise as many as spray so much")
    wanted.add_argument("--months", type=int, default=14)
    wanted.add_argument("--folder", type=Path, default=HOME / "bench_out")
    given = wanted.parse_args()
    print(machine(), flush=True)
    for pours in given.pours:
        measure(build(given.folder, pours, given.shops, given.months), pours)


def measure(space: Path, pours: int) -> None:
    """Time one size and print its table."""
    forget(space)
    files = warm(space)
    size = sum(os.path.getsize(path) for path in files)

    run = [sys.executable, "-m", "pipelines.cli", "run", str(space)]
    bare_before = timed([sys.executable, "-c", BARE_READ, *files], "bare read")
    plain = timed([sys.executable, str(HOME / "tests" / "bench" / "plain_pandas.py"), str(space)], "plain pandas")
    cold = timed(run, "cold run")
    bare_after = timed([sys.executable, "-c", BARE_READ, *files], "bare read")
    again = timed(run, "nothing new")
    of_one, of_all = (timed(run, name) for name, _ in zip(("day of one", "day of all"), add_day(space), strict=True))
    bare = (bare_before.seconds + bare_after.seconds) / 2

    print(
        f"\n{pours:,} pours, {len(files)} files, {size / 1e6:,.0f} MB; {disk_mb(space):,.0f} MB of results and store\n"
    )
    print(f"{'':<16}{'seconds':>9}{'x bare read':>13}{'peak MB':>9}")
    shown = (
        ("bare read", bare_before),
        ("plain pandas", plain),
        ("cold run", cold),
        ("nothing new", again),
        ("day of one", of_one),
        ("day of all", of_all),
    )
    for name, timing in shown:
        seconds = bare if timing is bare_before else timing.seconds
        print(f"{name:<16}{seconds:>9.2f}{seconds / bare:>13.1f}{timing.peak_mb:>9.0f}")
    told = re.findall(r"^(\w+) +.*\(([\d.]+) s\)$", cold.printed, flags=re.MULTILINE)
    work = sum(float(seconds) for _, seconds in told)  # more than the clock: some of it is done at the same time
    shares = [f"{name} {100 * float(seconds) / work:.0f} %" for name, seconds in told]
    print(f"\nOf {work:.0f} s that the stages of the cold run tell: {', '.join(shares)}", flush=True)


def add_day(space: Path) -> Iterator[None]:
    """Put the last day's files into the inbox: first the rows of one shop, then all."""
    import polars as pl

    new = sorted((space / "new_day").glob("*.csv"))
    first = pl.read_csv(space / "new_day" / "jobs-day.csv", infer_schema=False)["shop_id"].min()
    for path in new:
        pl.read_csv(path, infer_schema=False).filter(shop_id=first).write_csv(space / "inbox" / path.name)
    yield
    for path in new:
        shutil.copy(path, space / "inbox" / path.name)
    yield


def forget(space: Path) -> None:
    """Take away results, store and records of a workspace, so that its next run is cold."""
    shutil.rmtree(space / ".filmledger", ignore_errors=True)
    (space / "out").unlink(missing_ok=True)


def warm(space: Path) -> list[str]:
    """The files of a workspace without its new day, all of them in the system's cache."""
    for path in (space / "new_day").glob("*.csv"):
        (space / "inbox" / path.name).unlink(missing_ok=True)
    files = sorted(str(path) for part in ("inbox", "registers") for path in (space / part).glob("*.csv"))
    for path in files:
        with open(path, "rb") as handle:
            while handle.read(1 << 24):
                pass
    return files


def disk_mb(space: Path) -> float:
    """What results, store and records of a workspace take, MB."""
    return sum(path.lstat().st_size for path in (space / ".filmledger").rglob("*") if path.is_file()) / 1e6


def machine() -> str:
    return f"{time.strftime('%Y-%m-%d')}, {os.cpu_count()} cores, {memory_gb():.0f} GB, {versions()}"


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
