"""A run is a transaction: `make kills` stops runs at random moments and looks at what readers see.

Two states of one small workspace, without and with a late export, are first run undisturbed. Then, over and over, the
workspace changes to the other state, a run starts and is killed (SIGKILL) at a random moment. What is in force must be one
of the two undisturbed sets, byte for byte (the database by what its tables hold); the next run must end with the set that
belongs to the state. A reader polls all the while: it must never find a set that is mixed, cut short or missing.

    .venv/bin/python tests/bench/kills.py [--kills 200] [--seed 1] [--finish-every 1]
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl

HOME = Path(__file__).resolve().parents[2]
if str(HOME) not in sys.path:
    sys.path.insert(0, str(HOME))

from pipelines import settings, workspace  # noqa: E402
from pipelines.workspace import Workspace  # noqa: E402
from seed_data import scenario  # noqa: E402

LATE = "pours_late.csv"


def hashes(folder: Path, database: bool = True) -> dict[str, str]:
    """Every file of a finished set with a hash of its bytes; the database by what its tables hold."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.suffix != ".duckdb" and path.name != workspace.MANIFEST:
            found[path.relative_to(folder).as_posix()] = hashlib.sha256(path.read_bytes()).hexdigest()
    if database:
        with duckdb.connect(str(folder / "filmledger.duckdb"), read_only=True) as connection:
            for (name,) in connection.sql("select table_name from information_schema.tables order by 1").fetchall():
                rows = connection.table(name).fetchall()
                found[f"filmledger.duckdb/{name}"] = hashlib.sha256(repr(rows).encode()).hexdigest()
    return found


def start(space: Workspace) -> subprocess.Popen[str]:
    """A run in a process of its own; what it says can be read from its stdout."""
    return subprocess.Popen(
        [sys.executable, "-m", "pipelines.cli", "run", str(space.root)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=HOME,
        start_new_session=True,
    )


def finish(space: Workspace) -> str:
    """A run that is left alone. Raises AssertionError where it ends otherwise than fine or with refused rows."""
    child = start(space)
    told = child.communicate()[0]
    assert child.returncode in (0, 3), told
    return told


@dataclass
class Reader(threading.Thread):
    """Polls what is in force and compares it with the undisturbed sets, by fingerprint."""

    space: Workspace
    known: dict[str, dict[str, str]]
    polls: int = 0
    seen: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(daemon=True)
        self.stop = threading.Event()

    def __hash__(self) -> int:
        return id(self)

    def run(self) -> None:
        while not self.stop.is_set():
            self.polls += 1
            try:
                self._look()
            except Exception as error:  # whatever a reader meets is a finding
                self.wrong.append(f"poll {self.polls}: {error!r}")
            time.sleep(0.3)

    def _look(self) -> None:
        folder = self.space.snapshot()
        if folder is None:
            self.wrong.append(f"poll {self.polls}: nothing is in force")
            return
        mark = json.loads((folder / workspace.MANIFEST).read_text())["fingerprint"]
        if mark not in self.known:
            self.wrong.append(f"poll {self.polls}: a set of no known state")
            return
        self.seen[mark] += 1
        wanted = {k: v for k, v in self.known[mark].items() if not k.startswith("filmledger.duckdb")}
        if hashes(folder, database=False) != wanted:
            self.wrong.append(f"poll {self.polls}: a set that is not what an undisturbed run made")


@dataclass
class Result:
    """What came of it: kills by the stage that was going on, and everything that was not as it must be."""

    kills: Counter[str]
    finished_first: int
    polls: int
    seen: Counter[str]
    wrong: list[str]


def drawn(folder: Path) -> Workspace:
    space, _ = workspace.init(folder, settings.template())
    scenario.write_canonical(space.root, scenario.build(shops=1, months=3, cups=150))
    return space


def states(space: Workspace) -> tuple[str, dict[str, dict[str, str]], list[str], float]:
    """Run the workspace undisturbed in both states: the late export's text, the sets by fingerprint, the two fingerprints
    (without, with), and how long the run with the late export took. It is left in that state."""
    late = pl.read_csv(space.inbox / "pours.csv", infer_schema=False).head(3).with_columns(mix_id=pl.lit("late"))
    text = late.write_csv()
    known, marks, took = {}, [], 0.0
    for with_late in (False, True):
        change(space, text, with_late)
        began = time.monotonic()
        finish(space)
        took = time.monotonic() - began
        manifest = workspace.manifest_in_force(space)
        snapshot = space.snapshot()
        assert manifest is not None and snapshot is not None
        known[manifest["fingerprint"]] = hashes(snapshot)
        marks.append(manifest["fingerprint"])
    assert len(known) == 2 and known[marks[0]] != known[marks[1]]
    return text, known, marks, took


def change(space: Workspace, text: str, with_late: bool) -> None:
    """Put the late export there or take it away."""
    if with_late:
        (space.inbox / LATE).write_text(text)
    else:
        (space.inbox / LATE).unlink(missing_ok=True)


def disturb(space: Workspace, kills: int, seed: int, say: bool = False, finish_every: int = 1) -> Result:
    """Kill `kills` runs of a workspace at random moments, seeded; see the module's docstring for what is checked. After every
    `finish_every` kills a run is left alone."""
    # how long a run takes here and now; measured again with every run left alone
    text, known, marks, whole = states(space)
    moments = random.Random(seed)
    reader = Reader(space, known)
    reader.start()
    stages: Counter[str] = Counter()
    wrong: list[str] = []
    first = 0
    try:
        for number in range(1, kills + 1):
            with_late = (number - 1) // finish_every % 2 == 1
            change(space, text, with_late)
            child = start(space)
            time.sleep(moments.uniform(0.05, 1.0) * whole)
            ended = child.poll() is not None
            if not ended:
                os.killpg(child.pid, 9)
            told = child.communicate()[0]
            done = [line.split()[0] for line in told.splitlines() if line and not line[0].isspace()]
            first += ended
            stages["after its end" if ended else f"after {done[-1]}" if done else "before intake's end"] += 1
            folder_now = space.snapshot()
            manifest = workspace.manifest_in_force(space)
            if folder_now is None or manifest is None or hashes(folder_now) != known.get(manifest["fingerprint"]):
                wrong.append(f"kill {number}: what is in force is no undisturbed set")
            if number % finish_every:
                continue
            began = time.monotonic()
            finish(space)
            whole = max(0.5, 0.7 * whole + 0.3 * (time.monotonic() - began))
            folder_now, manifest = space.snapshot(), workspace.manifest_in_force(space)
            if manifest is None or folder_now is None or manifest["fingerprint"] != marks[with_late]:
                wrong.append(f"kill {number}: the next run did not end with the state's set")
            elif hashes(folder_now) != known[marks[with_late]]:
                wrong.append(f"kill {number}: the next run ended with other bytes")
            if space.building.exists():
                wrong.append(f"kill {number}: the next run left its building folder")
            if say and number % 10 == 0:
                print(f"{number} kills, {len(wrong) + len(reader.wrong)} findings, {reader.polls} polls", flush=True)
    finally:
        reader.stop.set()
        reader.join()
    return Result(stages, first, reader.polls, reader.seen, wrong + reader.wrong)


def main() -> int:
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("--kills", type=int, default=200)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--finish-every", type=int, default=1)
    chosen = given.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = disturb(drawn(Path(folder) / "shop"), chosen.kills, chosen.seed, True, chosen.finish_every)
    print(f"{sum(result.kills.values())} runs, of which {result.finished_first} had ended before the kill")
    for stage, n in sorted(result.kills.items()):
        print(f"  {n:4} killed {stage}")
    print(f"a reader looked {result.polls} times; states seen: {sorted(result.seen.values())}")
    print(*result.wrong or ["nothing mixed, missing or different"], sep="\n")
    return 1 if result.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
