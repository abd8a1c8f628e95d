"""A battery of faults over whole runs, as a user whom permissions stop: `make faults`.

Each fault is done to a copy of one finished workspace. What must hold: the exit code and the words of DEVELOPERS.md's table; the set in
force is the one from before or that of an undisturbed run, byte for byte; and once the fault is mended the next run gives the
undisturbed set. Bits are flipped in every kind of kept file, `--flips` in all, and a run after each dozen of them must give the
undisturbed figures again. Needs Linux, the right to mount for the small disks, and setpriv where it is started as root.

    .venv/bin/python tests/bench/faults.py [--flips 500] [--only WORD]
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
if str(HOME) not in sys.path:
    sys.path.insert(0, str(HOME))

import polars as pl  # noqa: E402

from pipelines import cli, settings, workspace  # noqa: E402
from pipelines.workspace import Workspace  # noqa: E402
from seed_data import scenario  # noqa: E402
from tests.bench.kills import hashes  # noqa: E402

OLD_OR_NEW = (0, 1, 3)


@dataclass(frozen=True)
class Fault:
    """`do` to a workspace, and `mend` it; `codes` and `says` of the run meanwhile; `keeps`: the set from before stays."""

    name: str
    do: Callable[[Workspace], object]
    mend: Callable[[Workspace], object]
    codes: tuple[int, ...] = (1,)
    says: str = ""
    keeps: bool = True
    command: tuple[str, ...] = ("run",)


def run(space: Workspace, *command: str) -> tuple[int, str]:
    """A command in this process: its exit code and all it said."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = cli.main([*(command or ("run",)), str(space.root)])
    return code, out.getvalue()


def figures(space: Workspace) -> dict[str, str] | None:
    folder = space.snapshot()
    return hashes(folder) if folder else None


def mode(path: str, bits: int) -> Callable[[Workspace], object]:
    return lambda space: (space.root / path).chmod(bits)


def moved(path: str, to: str) -> Callable[[Workspace], object]:
    return lambda space: (space.root / path).rename(space.root / to)


def nothing(_: Workspace) -> None: ...


def linked(space: Workspace) -> None:
    space.inbox.rename(space.root.parent / "drive")
    space.inbox.symlink_to(space.root.parent / "drive")


def unlinked(space: Workspace) -> None:
    space.inbox.unlink()
    (space.root.parent / "drive").rename(space.inbox)


def written(path: str, content: bytes) -> Callable[[Workspace], object]:
    def write(space: Workspace) -> None:
        (space.root / path).parent.mkdir(parents=True, exist_ok=True)
        (space.root / path).write_bytes(content)

    return write


def gone(path: str) -> Callable[[Workspace], object]:
    return lambda space: (space.root / path).unlink()


def shrunk(space: Workspace) -> None:
    (space.root / "aside").mkdir()
    for full in sorted(space.inbox.glob("*.csv"))[1:]:
        full.rename(space.root / "aside" / full.name)


def grown(space: Workspace) -> None:
    for full in (space.root / "aside").iterdir():
        full.rename(space.inbox / full.name)
    (space.root / "aside").rmdir()


def faults() -> Iterator[Fault]:
    (hidden, shown) = (0o000, 0o700)
    yield Fault("inbox cannot be listed", mode("inbox", hidden), mode("inbox", shown), says="cannot be listed")
    yield Fault(
        "registers cannot be listed", mode("registers", hidden), mode("registers", shown), says="cannot be listed"
    )
    yield Fault(
        "an export cannot be read",
        mode("inbox/pours.csv", hidden),
        mode("inbox/pours.csv", 0o600),
        says="cannot be read any more",
    )
    yield Fault(
        "a register cannot be read",
        mode("registers/guns.csv", hidden),
        mode("registers/guns.csv", 0o600),
        says="cannot be read any more",
    )
    yield Fault(
        "settings cannot be read",
        mode("filmledger.toml", hidden),
        mode("filmledger.toml", 0o600),
        says="cannot be read",
    )
    yield Fault("inbox is gone", moved("inbox", "elsewhere"), moved("elsewhere", "inbox"), says="is not there")
    yield Fault("inbox leads out", linked, unlinked, says="link out of the workspace")
    yield Fault("inbox shrank", shrunk, grown, says="--accept-removals")

    def led_out(space: Workspace) -> None:
        (space.inbox / "pours.csv").rename(space.root.parent / "p.csv")
        (space.inbox / "pours.csv").symlink_to(space.root.parent / "p.csv")

    def led_back(space: Workspace) -> None:
        (space.inbox / "pours.csv").unlink()
        (space.root.parent / "p.csv").rename(space.inbox / "pours.csv")

    yield Fault("an export leads out", led_out, led_back, says="cannot be read any more")
    yield Fault(
        "a link that bites its tail",
        lambda s: (s.inbox / "loop").symlink_to("loop"),
        gone("inbox/loop"),
        codes=(3,),
        keeps=False,
    )
    yield Fault(
        "a folder linked into itself",
        lambda s: (s.inbox / "loop").symlink_to(s.inbox),
        gone("inbox/loop"),
        codes=(3,),
        keeps=False,
    )
    yield Fault("a pipe", lambda s: os.mkfifo(s.inbox / "pipe.csv"), gone("inbox/pipe.csv"), codes=(3,), keeps=False)
    odd = ("a\x1b[31m.csv", "n" * 251 + ".csv", "A.csv", "a.csv", "=1+1.csv", "-rf.csv")
    yield Fault(
        "names beyond print", lambda s: [(s.inbox / name).write_text("x") for name in odd],
        lambda s: [(s.inbox / name).unlink() for name in odd], codes=(3,), keeps=False,
    )  # fmt: skip
    yield Fault("state may not be written", mode(".filmledger", 0o500), mode(".filmledger", shown), codes=(0, 1, 3))
    yield Fault(
        "a set that may not be read",
        mode("out/tables", hidden),
        mode(".filmledger/snapshots/000001/tables", shown),
        codes=(0, 3),
        keeps=False,
    )
    yield Fault(
        "hand-outs may not be written",
        lambda s: (s.handouts.mkdir(exist_ok=True), s.handouts.chmod(0o500)),
        mode("handouts", shown),
        says="may not be written",
        command=("handout", "--rolling"),
    )
    yield Fault(
        "state is a link",
        lambda s: (s.state.rename(s.root / "state"), s.state.symlink_to("state")),
        lambda s: (s.state.unlink(), (s.root / "state").rename(s.state)),
        says="is a link",
    )
    for part in ("intake", "tables", "snapshots"):
        yield Fault(f"{part} is a link", lambda s, part=part: ((s.state / part).rename(s.root / part), (s.state / part).symlink_to(s.root / part)),
                    lambda s, part=part: ((s.state / part).unlink(), (s.root / part).rename(s.state / part)), codes=(0, 1, 3))  # fmt: skip
    yield Fault(
        "out is a folder of its own",
        lambda s: (s.out.unlink(), s.out.mkdir()),
        lambda s: s.out.rmdir(),
        says="folder of its own",
        keeps=False,
    )
    yield Fault("out is gone", lambda s: s.out.unlink(), nothing, codes=(0, 3), keeps=False)
    yield Fault("state is gone", lambda s: s.state.rename(s.root / "old"), nothing, codes=(0, 3), keeps=False)
    yield Fault(
        "settings that are wrong",
        written("filmledger.toml", b"[cup]\nflush_los_g = 1\n"),
        lambda s: written("filmledger.toml", _settings)(s),
        says="did you mean",
    )
    yield Fault(
        "a layout that is wrong", written("layouts/x.toml", b"[file\n"), gone("layouts/x.toml"), says="this is not TOML"
    )


_settings = b""


def copied(finished: Workspace, at: Path) -> Workspace:
    shutil.copytree(finished.root, at, symlinks=True)
    space = Workspace(at)
    (space.inbox / "note.csv").write_text("shop_id,mix_id\n")  # something is new, so that a run has work
    return space


def battery(finished: Workspace, wanted: dict[str, str], folder: Path, only: str) -> Iterator[tuple[str, str | None]]:
    """(fault, what was wrong)."""
    before = figures(finished)
    for number, fault in enumerate(faults()):
        if only not in fault.name:
            continue
        at = folder / f"f{number}"
        at.mkdir()
        space = Workspace(at / "shop")
        shutil.copytree(finished.root, space.root, symlinks=True)
        fault.do(space)
        code, said = run(space, *fault.command)
        wrong = []
        if code not in fault.codes:
            wrong.append(f"exit code {code}: {said[-300:]}")
        if fault.says not in said:
            wrong.append(f"said {said[-300:]!r}")
        if "fault of the program" in said or "Traceback" in said:
            wrong.append(f"a fault of the program: {said[-300:]}")
        if (
            fault.keeps
            and not space.state.is_symlink()
            and os.access(space.state, os.X_OK)
            and figures(space) not in (before, None)
        ):
            wrong.append("another set is in force")
        fault.mend(space)
        code, said = run(space)
        if code not in (0, 3) or figures(space) != wanted:
            wrong.append(f"after mending: exit code {code}, {'other figures' if code in (0, 3) else said[-300:]}")
        yield fault.name, "; ".join(wrong) or None


def kinds(space: Workspace) -> dict[str, list[Path]]:
    """Every file that the program keeps, by kind."""
    found: dict[str, list[Path]] = {}
    snapshot = space.snapshot()
    assert snapshot
    places = {
        "table": snapshot.glob("tables/*"),
        "basis": snapshot.glob("basis/*"),
        "spreadsheet": snapshot.glob("csv/*"),
        "page": snapshot.glob("site/**/*.html"),
        "database": snapshot.glob("*.duckdb"),
        "package": snapshot.glob("*.json"),
        "manifest": snapshot.glob(".manifest.json"),
        "read": space.intake_store.glob("*/*.parquet"),
        "notes": space.intake_store.glob("*/*.json"),
        "workbench": (space.state / "tables").glob("*.duckdb"),
        "seal": (space.state / "tables").glob("*.json"),
        "hand-out": space.handouts.glob("*/**/*.*"),
    }
    for kind, files in places.items():
        found[kind] = sorted(full for full in files if full.is_file() and full.stat().st_size)
    return found


def flips(
    finished: Workspace, wanted: dict[str, str], at: Path, count: int, together: int = 12
) -> Iterator[tuple[str, str | None]]:
    """Bits of kept files turned, some in each kind, `together` before each run; the run must give the undisturbed figures."""
    chance, space, done = random.Random(5), copied(finished, at), 0
    assert run(space)[0] in (0, 3)
    assert run(space, "handout", "--rolling")[0] in (0, 3)
    undisturbed = figures(space)
    while done < count:
        hit = []
        files = kinds(space)
        for _ in range(together):
            kind = sorted(files)[done % len(files)]
            done += 1
            if files[kind]:
                full = chance.choice(files[kind])
                content = bytearray(full.read_bytes())
                for _ in range(1 if content else 0):
                    bit = chance.randrange(len(content) * 8)
                    content[bit // 8] ^= 1 << bit % 8
                full.write_bytes(content)
                hit.append(f"{kind} {full.name}")
        (space.inbox / "note.csv").write_text("shop_id,mix_id\n" + "\n" * (done % 7))
        code, said = run(space, *chance.choice([("run",), ("handout", "--rolling")]))
        wrong = code not in (0, 3) or (figures(space) != undisturbed and _differs(space, undisturbed))
        yield f"{done} bits", f"{hit}: exit code {code}, {said[-300:]}" if wrong else None


def _differs(space: Workspace, wanted: dict[str, str] | None) -> bool:
    """Whether more differs than what speaks of the file that is changed between runs."""
    now = figures(space) or {}
    return any(now.get(name) != said for name, said in (wanted or {}).items() if "intake" not in name and "refused" not in name and "site" not in name
               and "datapackage" not in name and "duckdb" not in name)  # fmt: skip


#: imports everything once; each line is a command, run in a child that kills itself before or after its n-th rename (0: never)
RENAMING = """
import ctypes, importlib, os, pkgutil, signal, sys
import pipelines, reports
for package in (pipelines, reports):
    for one in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
        if "spark" not in one.name and "defin" not in one.name and "defs" not in one.name:
            importlib.import_module(one.name)
import duckdb, pyarrow.parquet
from pipelines import cli
from pipelines.workspace import kept_handouts
for line in sys.stdin:
    number, side, one_step, *command = line.split()
    child = os.fork()
    if not child:
        os.dup2(2, 1)
        done = 0
        def counted(true):
            def renamed(*given, **more):
                global done
                done += 1
                if done == int(number) and side == "before":
                    os.kill(os.getpid(), signal.SIGKILL)
                told = true(*given, **more)
                if done == int(number):
                    os.kill(os.getpid(), signal.SIGKILL)
                return told
            return renamed
        os.replace, os.rename = counted(os.replace), counted(os.rename)
        kept_handouts._exchanged = counted(kept_handouts._exchanged) if one_step == "one" else lambda *_: False
        os._exit(cli.main(command))
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


def renames(finished: Workspace, folder: Path) -> Iterator[tuple[str, str | None]]:
    """Killed before and after each rename of a run and its hand-out, by number: the set in force and the hand-out are those of one of the
    two states, and the next command ends with those of its state."""
    space = copied(finished, folder / "renames" / "shop")
    late = space.inbox / "pours_late.csv"
    few = pl.read_csv(space.inbox / "pours.csv", infer_schema=False).head(3)
    text = few.with_columns(mix_id=pl.lit("late")).write_csv()
    with open(folder / "said", "w+") as said:
        zygote = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-c", RENAMING], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=said, text=True,
            cwd=HOME,
        )  # fmt: skip

        def command(number: int, side: str, steps: str) -> int:
            assert zygote.stdin and zygote.stdout
            zygote.stdin.write(f"{number} {side} {steps} handout --rolling {space.root}\n")
            zygote.stdin.flush()
            return int(zygote.stdout.readline())

        def state(with_late: bool) -> None:
            late.write_text(text) if with_late else late.unlink(missing_ok=True)

        known: list[dict[str, str] | None] = []
        for with_late in (True, False):
            state(with_late)
            assert command(0, "before", "one") in (0, 3)
            known.insert(0, figures(space))
        last, now = 3, True
        for steps in ("one", "two"):  # as Linux swaps folders, and as others do: the last renames of a command
            for number in range(last - 2, 50):
                codes = []
                for side in ("before", "after"):
                    state(now)
                    wrong = []
                    codes.append(command(number, side, steps))
                    kept = [one.name for one in space.handouts.iterdir() if workspace.is_whole(space, one.name)]
                    if figures(space) not in known:
                        wrong.append("what is in force is no undisturbed set")
                    if not kept:
                        wrong.append("no hand-out is whole")
                    if (code := command(0, "before", steps)) not in (0, 3):
                        wrong.append(f"the next ended with {code}")
                    if figures(space) != known[now]:
                        wrong.append("the next did not end with the state's set")
                    names = os.listdir(
                        space.handouts
                    )  # what a hand-out says of earlier ones hangs on what was handed out
                    if len(names) != 1 or not workspace.is_whole(space, names[0]):
                        wrong.append(f"hand-outs that are left over or not whole: {sorted(names)}")
                    yield f"{side} rename {number}, swap in {steps} (exit code {codes[-1]})", "; ".join(wrong) or None
                    now = not now
                if -9 not in codes:
                    last = number
                    break
        assert zygote.stdin
        zygote.stdin.close()
        zygote.wait()


LIMITED = (
    "import resource, sys; from pipelines import cli; which = getattr(resource, sys.argv[1]); n = int(float(sys.argv[2]));"
    "resource.setrlimit(which, (n, n)); sys.exit(cli.main(['run', sys.argv[3]]))"
)


def limits(finished: Workspace, before: dict[str, str], folder: Path, only: str) -> Iterator[tuple[str, str | None]]:
    """Little memory, and small files: the old or the new set, whole, and no fault of the program."""
    asked = (
        [("RLIMIT_AS", size) for size in (1.2e9, 1.8e9, 2.5e9)]
        + [("RLIMIT_FSIZE", size) for size in (2e3, 5e4, 1e6)]
        + [("RLIMIT_NOFILE", 12.0), ("RLIMIT_NOFILE", 40.0)]
    )
    for number, (which, size) in enumerate(one for one in asked if only in one[0]):
        space = copied(finished, folder / f"l{number}")
        done = subprocess.run(
            [sys.executable, "-c", LIMITED, which, str(size), str(space.root)],
            capture_output=True,
            text=True,
            cwd=HOME,
            check=False,
        )
        wrong = []
        if done.returncode not in (0, 1, 3) and done.returncode >= 0:
            wrong.append(f"exit code {done.returncode}: {done.stderr[-300:]}")
        if "fault of the program" in done.stderr or "Traceback" in done.stderr:
            wrong.append(done.stderr[-300:])
        if done.returncode not in (0, 3) and figures(space) != before:
            wrong.append("another set is in force")
        code, said = run(space)
        if code not in (0, 3):
            wrong.append(f"afterwards: {said[-300:]}")
        yield (
            f"{which} {size:g} ({done.returncode}: {done.stderr.strip().splitlines()[-1][:80] if done.stderr.strip() else ''})",
            "; ".join(wrong) or None,
        )


def disks(finished: Workspace, before: dict[str, str], folder: Path) -> Iterator[tuple[str, str | None]]:
    """Disks with a little room, from none to almost enough: the set from before stays, and nothing keeps them full."""
    used = sum(full.lstat().st_size for full in finished.root.rglob("*") if full.is_file())
    for room in (0, 50_000, 400_000, 1_500_000, 4_000_000):
        disk = folder / f"d{room}"
        disk.mkdir()
        if subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={2 * used + 8_000_000}", "tmpfs", str(disk)],
            capture_output=True,
            check=False,
        ).returncode:
            yield f"disk with {room} bytes of room", "not tried: mounting is not allowed here"
            continue
        try:
            space = copied(finished, disk / "shop")
            stat = os.statvfs(disk)
            (disk / "filler").write_bytes(b"\0" * max(0, stat.f_bavail * stat.f_frsize - room))
            code, said = run(space)
            wrong = []
            if code == 1 and ("the disk is full" not in said or figures(space) != before):
                wrong.append(f"said {said[-300:]}, or another set is in force")
            if code not in OLD_OR_NEW:
                wrong.append(f"exit code {code}")
            if code == 1 and (space.building / "tables").exists() and any((space.building / "tables").iterdir()):
                wrong.append("what was begun keeps it full")
            (disk / "filler").unlink()
            if run(space)[0] not in (0, 3):
                wrong.append("no run afterwards")
            yield f"disk with {room} bytes of room (exit code {code})", "; ".join(wrong) or None
        finally:
            subprocess.run(["umount", "-l", str(disk)], check=False)


#: what changes while a run is under way
CHANGES: dict[str, Callable[[Workspace], object]] = {
    "settings": written("filmledger.toml", b"[cup]\nflush_loss_g = 50.0\n"),
    "export": lambda space: (space.inbox / "pours.csv").write_text((space.inbox / "pours.csv").read_text() + "x\n"),
    "export gone": gone("inbox/pours.csv"),
}


def races(
    finished: Workspace, before: dict[str, str], folder: Path, tries: int = 6
) -> Iterator[tuple[str, str | None]]:
    """Settings and exports that change at a moment of the run: published is what they were before it or what they are after it,
    byte for byte, or nothing; and the next run gives what they are now."""
    chance, space, began = random.Random(9), copied(finished, folder / "r"), time.monotonic()
    assert run(space)[0] in (0, 3)
    whole, unchanged, after = time.monotonic() - began, figures(space), {}
    for number, (what, change) in enumerate(CHANGES.items()):
        changed = copied(finished, folder / f"c{number}")
        change(changed)
        run(changed)
        after[what] = figures(changed)
        assert after[what] != unchanged, what
    for number in range(tries):
        space = copied(finished, folder / f"r{number}")
        what = list(CHANGES)[number % 3]
        wait = chance.uniform(0.02, 0.9) * whole
        other = threading.Timer(wait, CHANGES[what], (space,))
        other.start()
        began = time.monotonic()
        code, said = run(space)
        took = time.monotonic() - began
        other.join()
        wrong, now = [], figures(space)
        if code == 1 and now != before:
            wrong.append("another set is in force")
        if code == 1 and "changed while being read" not in said and after[what] != before:
            wrong.append(said[-300:])
        if now not in (before, unchanged, after[what]) or code not in OLD_OR_NEW:
            wrong.append(f"exit code {code}, and what is in force is no undisturbed set")
        run(space)
        if figures(space) not in (after[what], unchanged if after[what] == before else None):
            wrong.append("the next run did not give what is there now")
        yield f"{what} after {wait:.1f} s of a run of {took:.1f} s (exit code {code})", "; ".join(wrong) or None


def main() -> int:
    global _settings
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("--flips", type=int, default=504)
    given.add_argument("--only", default="")
    given.add_argument("--parts", default="battery,flips,limits,disks,races,renames")
    chosen = given.parse_args()
    if os.geteuid() == 0 and "FILMLEDGER_STOPPED" not in os.environ:
        what = "--bounding-set=-dac_override,-dac_read_search,-fowner"  # root as a user whom permissions stop
        os.execvpe("setpriv", ["setpriv", what, sys.executable, *sys.argv], {**os.environ, "FILMLEDGER_STOPPED": "1"})
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    findings = tried = 0
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        finished, _ = workspace.init(folder / "finished" / "shop", settings.template())
        _settings = finished.settings_file.read_bytes()
        scenario.write_canonical(finished.root, scenario.build(shops=1, months=1, cups=8))
        code, said = run(finished)
        assert code in (0, 3), said
        wanted = figures(finished)
        assert wanted
        ways = {
            "battery": lambda: battery(finished, wanted, folder, chosen.only),
            "flips": lambda: flips(finished, wanted, folder / "flips", chosen.flips),
            "limits": lambda: limits(finished, wanted, folder, chosen.only),
            "disks": lambda: disks(finished, wanted, folder),
            "races": lambda: races(finished, wanted, folder),
            "renames": lambda: renames(finished, folder),
        }
        for part in chosen.parts.split(","):
            for name, wrong in ways[part]():
                tried += 1
                findings += wrong is not None
                print(f"{'FINDING' if wrong else 'holds':8} {part}: {name}{': ' + wrong if wrong else ''}", flush=True)
    print(f"{tried} faults, {findings} findings")
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
