"""Memory and time of every hostile file, each by itself: `make hostile` writes tests/bench/results_hostile.md.

Each file is read in a process that has read a small one before; its peak is taken anew for each (Linux: clear_refs), over what the
process took in the beginning. A refused file may take 200 MB above that and 5 s of a processor, one that is read 20 s. What is
answered with the name of an exception, or with nothing, is a finding too.

    .venv/bin/python tests/bench/hostile.py [--write FILE] [--only WORD] [--layouts]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Iterator
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
if str(HOME) not in sys.path:
    sys.path.insert(0, str(HOME))

from tests.faults import hostile_files  # noqa: E402
from tests.faults.hostile_texts import LAYOUTS, SETTINGS  # noqa: E402

Row = tuple[str, str, str, int, float]  # what, as, it is, MB above the process, s
SHOWN = 15  # of those that took most memory, and of those that took most time
MOST_MB, MOST_SECONDS, MOST_SECONDS_READ, KILLED_AFTER = 200, 5.0, 20.0, 120.0

WORKER = textwrap.dedent(
    '''
    import json, sys, time
    from pathlib import Path
    from pipelines import settings
    from pipelines.intake.reading import layout, read
    from pipelines.intake.reading.files import Source

    ANY = """[file]
    delimiter = ";"
    encoding = "windows-1252"
    header_line = "find"
    [[tables]]
    table = "pours"
    [tables.columns]
    shop_id = { constant = "north" }
    mix_id = "Ticket"
    pour_no = { number_within = ["mix_id"] }
    poured_at = { column = "Day", format = "%d.%m.%Y" }
    product_id = { constant = "clear_a" }
    component_id = "What"
    weighed_g = "Net"
    """
    LAYOUTS = [layout.parse("any.toml", ANY.replace("\\n    ", "\\n"))]

    def status(word):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith(word):
                return int(line.split()[1]) // 1024

    def answer(kind, name, path):
        if kind == "file":
            found = read.read_file(Source(name, path=Path(path)), LAYOUTS if sys.argv[1:] else [])
            if found.state == "read":
                read.packed([found])
            return found.state, found.message or ""
        text = Path(path).read_bytes()
        try:
            if kind == "settings":
                settings.parse(text)
            else:
                layout.parse("x.toml", text.decode())
        except (settings.SettingsError, layout.LayoutError) as error:
            return "refused", str(error)
        return "read", ""

    read.read_file(Source("inbox/pours.csv", content=b"a,b\\n1,2\\n" * 1000), LAYOUTS)
    print(json.dumps([status("VmRSS")]), flush=True)
    for line in sys.stdin:
        kind, name, path = json.loads(line)
        Path("/proc/self/clear_refs").write_text("5")
        began, by_clock = time.process_time(), time.monotonic()
        state, said = answer(kind, name, path)
        print(json.dumps([state, said[:300], status("VmHWM"), time.process_time() - began, time.monotonic() - by_clock, status("VmRSS")]), flush=True)
    '''
)


class Worker:
    """A process that reads one file after the other, and is replaced where it keeps memory or does not answer."""

    def __init__(self, layouts: bool) -> None:
        self._layouts = layouts
        self._child: subprocess.Popen[str] | None = None
        self._base = 0

    def _started(self) -> subprocess.Popen[str]:
        if self._child is None or self._child.poll() is not None:
            given = [sys.executable, "-c", WORKER, *(["layouts"] if self._layouts else [])]
            self._child = subprocess.Popen(
                given, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=HOME
            )
            assert self._child.stdout
            self._base = json.loads(self._child.stdout.readline())[0]
        return self._child

    def read(self, kind: str, name: str, path: Path) -> tuple[str, str, int, float]:
        """State, message, peak above the base in MB, seconds of processor."""
        import threading

        child = self._started()
        assert child.stdin and child.stdout
        child.stdin.write(json.dumps([kind, name, str(path)]) + "\n")
        child.stdin.flush()
        late = threading.Timer(KILLED_AFTER, child.kill)
        late.start()
        told = child.stdout.readline()
        late.cancel()
        if not told:
            child.wait()
            self._child = None
            return "killed", f"no answer, ended with {child.returncode}", 0, KILLED_AFTER
        state, said, peak, seconds, _, now = json.loads(told)
        if now > self._base + 120:  # what it keeps would hide what the next file takes
            self.close()
        return state, said, peak - self._base, seconds

    def close(self) -> None:
        if self._child is not None:
            self._child.kill()
            self._child.wait()
            self._child = None


def every() -> Iterator[tuple[str, str, str, object]]:
    for what, name, write in hostile_files.whole():
        yield "file", what, name, write
    for kind, texts in (("settings", SETTINGS), ("layout", LAYOUTS)):
        for what, text in texts.items():
            yield kind, what, f"{kind}.toml", (lambda full, text=text: full.write_bytes(text))


def measure(only: str, layouts: bool) -> Iterator[tuple[str, str, str, str, str, int, float]]:
    worker = Worker(layouts)
    with tempfile.TemporaryDirectory() as folder:
        for kind, what, name, write in every():
            if only not in f"{kind} {what} {name}":
                continue
            full = Path(folder) / Path(name).name
            write(full)  # type: ignore[operator]
            found = worker.read(kind, name, full)
            if wrong(*found):  # what was kept of files before may stand in it
                worker.close()
                found = worker.read(kind, name, full)
            yield (kind, what, name, *found)
            full.unlink()
    worker.close()


def wrong(state: str, said: str, mb: int, seconds: float) -> str:
    """What of the bounds is broken."""
    found = []
    if state == "killed":
        found.append(said)
    if " (in " in said or (state == "refused" and not said):
        found.append(f"said: {said}")
    if state == "refused" and mb >= MOST_MB:
        found.append(f"{mb} MB")
    if seconds > (MOST_SECONDS if state == "refused" else MOST_SECONDS_READ):
        found.append(f"{seconds:.1f} s")
    return ", ".join(found)


def main() -> int:
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("--write", type=Path)
    given.add_argument("--only", default="")
    given.add_argument("--layouts", action="store_true", help="a layout that claims by header alone stands beside")
    chosen = given.parse_args()
    rows, findings, began = [], [], time.monotonic()
    for kind, what, name, state, said, mb, seconds in measure(chosen.only, chosen.layouts):
        rows.append((" ".join(what.replace("|", "\\|").split()), name, state, max(0, mb), seconds))
        if trouble := wrong(state, said, mb, seconds):
            findings.append(f"{kind}: {what} as {name}: {trouble}")
            print(findings[-1], flush=True)
        if chosen.write and not len(rows) % 100:
            _write(chosen.write, rows, findings)
    print(f"{len(rows)} files, {len(findings)} findings, {time.monotonic() - began:.0f} s")
    if chosen.write:
        _write(chosen.write, rows, findings)
    return 1 if findings else 0


def _write(full: Path, rows: list[Row], findings: list[str]) -> None:
    """What became of the files of each name, and those that took most."""
    by_name: dict[str, list[Row]] = {}
    for row in rows:
        by_name.setdefault(row[1], []).append(row)
    heavy = [row for of in (3, 4) for row in sorted(rows, key=lambda row: row[of], reverse=True)[:SHOWN]]
    lines = [
        "# Hostile files, measured one by one", "",
        f"By `make hostile`: {len(rows)} files, {len(findings)} beyond the bounds (a refused file {MOST_MB} MB above the process and"
        f" {MOST_SECONDS:g} s of a processor, one that is read {MOST_SECONDS_READ:g} s).", "",
        *[f"- {one}" for one in findings], "",
        "| as | files | refused | read | at most MB above the process | at most s |", "|---|---|---|---|---|---|",
    ]  # fmt: skip
    for name, own in by_name.items():
        states = [row[2] for row in own]
        most = f"{max(row[3] for row in own)} | {max(row[4] for row in own):.2f}"
        lines.append(f"| {name} | {len(own)} | {states.count('refused')} | {states.count('read')} | {most} |")
    lines += [
        "",
        "## Those that took most",
        "",
        "| what | as | it is | MB above the process | s |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {what} | {name} | {state} | {mb} | {seconds:.2f} |"
        for what, name, state, mb, seconds in dict.fromkeys(heavy)
    ]
    full.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    sys.exit(main())
