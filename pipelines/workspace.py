"""A shop's folder: where things stand, who may write, and how a finished set of results takes the old one's place.

Here belong paths, content fingerprints, the store of files already read, snapshots and their swap, the run lock, and
every write that the program makes. Nothing else writes. Not here: what a file means (intake), what a table holds
(schemas, ledger), what a run consists of (defs).

    my_shop/
      filmledger.toml, inbox/, layouts/, registers/     the shop's own; `init` makes them, a run never touches them
      handouts/<period>/                                what was made to be handed out; `handout` alone writes there
      out                                               a link to the snapshot that is in force
      .filmledger/
        building/            the set a run is working on; worthless once that run has ended
        snapshots/000007/    finished sets; the one before the newest is kept for readers still in it
        intake/<key>/        what was read from one file, by content
        tables/              the workbench: every table of the last run, and what it was made of
        dagster/             Dagster's own records
        lock                 who is running

Readers that want one consistent set resolve `out` once (`Workspace.snapshot`) and read below the folder they got.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
import shutil
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import polars as pl

try:
    import fcntl
except ImportError:  # not a POSIX system: the process id in the lock file alone decides
    fcntl = None  # type: ignore[assignment]

SETTINGS_FILE = "filmledger.toml"
MANIFEST = ".manifest.json"
CODE_SUFFIXES = frozenset({".py", ".sql", ".csv", ".toml", ".html", ".js", ".css", ".jinja", ".j2", ".json", ".svg"})
LIBRARIES = ("polars", "duckdb", "pandera", "numpy", "scipy", "plotly", "jinja2", "sqlglot", "fastexcel", "xlsxwriter")
_REFUSALS = (errno.ENOSPC, errno.EDQUOT, errno.EACCES, errno.EPERM, errno.EROFS)
LARGE = 50_000_000  # bytes of files that are worth looking at on several cores
ROW_GROUP = 1 << 14  # rows of a kept frame that are read together where some of them are wanted
SPREADSHEET_STARTS = "=+-@\t\r"


class WorkspaceError(Exception):
    """The folder does not allow what was asked. The text says where and what to do."""


@dataclass(frozen=True, slots=True)
class Input:
    """One file of the shop's: `path` relative to the workspace with forward slashes, `full` on this machine.

    `trouble` says why it must not be read (a link that leads out of the workspace); None for everything else.
    """

    path: str
    full: Path
    size: int
    mtime_ns: int
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class Workspace:
    """The folder of one business. `root` is absolute, links resolved."""

    root: Path

    @property
    def settings_file(self) -> Path:
        return self.root / SETTINGS_FILE

    @property
    def inbox(self) -> Path:
        return self.root / "inbox"

    @property
    def layouts(self) -> Path:
        return self.root / "layouts"

    @property
    def registers(self) -> Path:
        return self.root / "registers"

    @property
    def out(self) -> Path:
        return self.root / "out"

    @property
    def handouts(self) -> Path:
        return self.root / "handouts"

    @property
    def state(self) -> Path:
        return self.root / ".filmledger"

    @property
    def building(self) -> Path:
        return self.state / "building"

    @property
    def snapshots(self) -> Path:
        return self.state / "snapshots"

    @property
    def intake_store(self) -> Path:
        return self.state / "intake"

    @property
    def dagster_home(self) -> Path:
        return self.state / "dagster"

    def snapshot(self) -> Path | None:
        """The finished set in force now, as a folder that keeps its content; None before the first run."""
        try:
            found = self.out.resolve(strict=True)
        except (OSError, RuntimeError):
            return None
        return found if found.parent == self.snapshots else None


# --- finding and making -----------------------------------------------------------------------------------------------


def find(given: str | os.PathLike[str] | None = None) -> Workspace:
    """The workspace at `given`, or around the current folder where nothing is given.

    A folder is a workspace when it holds filmledger.toml or inbox/. Raises WorkspaceError with the way to make one.
    """
    if given is not None:
        root = Path(given).resolve()
        if not root.is_dir():
            raise WorkspaceError(f"{root} is not a folder. `filmledger init {given}` makes a workspace there.")
        if _is_workspace(root):
            return Workspace(root)
        raise WorkspaceError(
            f"{root} is not a workspace: it holds neither {SETTINGS_FILE} nor inbox/."
            f" `filmledger init {given}` makes it one."
        )
    here = Path.cwd().resolve()
    for root in (here, *here.parents):
        if (root / SETTINGS_FILE).is_file():
            return Workspace(root)
    if _is_workspace(here):
        return Workspace(here)
    raise WorkspaceError(
        f"No workspace here: no {SETTINGS_FILE} in {here} nor above it."
        " Name the folder (`filmledger run my_shop`) or make one (`filmledger init my_shop`)."
    )


def _is_workspace(root: Path) -> bool:
    return (root / SETTINGS_FILE).is_file() or (root / "inbox").is_dir()


def init(directory: str | os.PathLike[str], settings_text: str) -> tuple[Workspace, list[str]]:
    """Make a workspace; what is there already stays as it is. Returns it and the names of what was made."""
    root = Path(directory).resolve()
    made: list[str] = []
    with _told(f"make a workspace in {root}"):
        root.mkdir(parents=True, exist_ok=True)
        space = Workspace(root)
        for folder in (space.inbox, space.layouts, space.registers):
            if not folder.is_dir():
                folder.mkdir()
                made.append(f"{folder.name}/")
        if not space.settings_file.exists():
            _write_atomically(space.settings_file, settings_text.encode())
            made.append(SETTINGS_FILE)
    return space, made


def fill(space: Workspace, relative: str, content: bytes) -> None:
    """Write one of the shop's own files: for `init` and the demo only."""
    target = space.root / relative
    with _told(f"write {target}"):
        target.parent.mkdir(parents=True, exist_ok=True)
        _write_atomically(target, content)


def occupied(directory: str | os.PathLike[str]) -> Workspace | None:
    """The workspace that stands there already; None where the folder is missing or empty.

    Raises WorkspaceError where the folder holds something else.
    """
    root = Path(directory).resolve()
    with _told(f"look into {root}"):
        if not root.exists() or (root.is_dir() and not any(root.iterdir())):
            return None
        if root.is_dir() and _is_workspace(root):
            return Workspace(root)
    raise WorkspaceError(f"{root} holds something else. Name a folder that is empty or not there yet.")


@contextlib.contextmanager
def draft_of(directory: str | os.PathLike[str]) -> Iterator[Path]:
    """A folder to fill beside `directory`; it takes that name when all is well and goes when not."""
    root = Path(directory).resolve()
    draft = root.with_name(f".{root.name}.{os.getpid()}")
    try:
        with _told(f"write in {root.parent}"):
            draft.mkdir(parents=True)
            yield draft
            os.replace(draft, root)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


@contextlib.contextmanager
def _told(action: str) -> Iterator[None]:
    """Turn the operating system's refusals into a sentence that says what to do."""
    try:
        yield
    except OSError as error:
        raise refusal(error, action) from error


def refusal(error: BaseException, action: str) -> WorkspaceError:
    """The WorkspaceError for an operating-system error met while doing `action`."""
    code = error.errno if isinstance(error, OSError) else None
    text = str(error).lower()
    if code in (errno.ENOSPC, errno.EDQUOT) or "no space left" in text or "disk is full" in text:
        return WorkspaceError(f"Could not {action}: the disk is full. Make room and run again; nothing was replaced.")
    if "disk i/o error" in text:  # SQLite's word where the disk fills up at the wrong moment
        return WorkspaceError(
            f"Could not {action}: the disk is full or does not take what is written. Make room and run again;"
            " nothing was replaced."
        )
    if code in (errno.EACCES, errno.EPERM, errno.EROFS) or "permission denied" in text or "read-only" in text:
        return WorkspaceError(
            f"Could not {action}: the folder may not be written ({error})."
            " Allow writing there or work on a copy; nothing was replaced."
        )
    return WorkspaceError(f"Could not {action}: {error}. Nothing was replaced.")


def is_refusal(error: BaseException) -> bool:
    """Whether an error is a full disk or a folder that may not be written, whoever raised it."""
    if isinstance(error, OSError) and error.errno in _REFUSALS:
        return True
    return any(
        sign in str(error).lower() for sign in ("no space left", "disk is full", "disk i/o error", "readonly database")
    )


def report_fault(directory: str | None, details: str) -> Path | None:
    """Keep the details of a fault of the program in the workspace, or where there is none in the system's temporary
    folder. Returns the file, None where it could not be written."""
    import tempfile

    for folder in [Path(directory or ".") / ".filmledger", Path(tempfile.gettempdir())]:
        if folder.is_dir():
            with contextlib.suppress(OSError):
                target = folder.resolve() / "filmledger-fault.txt"
                target.write_text(details, encoding="utf-8", errors="backslashreplace")
                return target
    return None


# --- what is in the folder --------------------------------------------------------------------------------------------


def inputs(space: Workspace) -> list[Input]:
    """Every file a run reads: all of inbox/ with its sub-folders, layouts/*.toml and registers/*, sorted by path.

    Left out: names that begin with a dot or `~$`, which editors and file managers leave lying about. A link is followed
    to a file inside the workspace; one that leads out of it is listed with its `trouble`, and never read.
    """
    found: list[Input] = []
    for top in (space.inbox, space.layouts, space.registers):
        for folder, inner, names in os.walk(top):
            inner[:] = sorted(name for name in inner if not _ignored(name))
            links = [name for name in inner if os.path.islink(os.path.join(folder, name))]
            for name in sorted(links + [name for name in names if not _ignored(name)]):
                found.append(_input(space, Path(folder) / name))
    return sorted(found, key=lambda one: one.path)


def _ignored(name: str) -> bool:
    return name.startswith((".", "~$"))


def _input(space: Workspace, full: Path) -> Input:
    path = full.relative_to(space.root).as_posix().encode("utf-8", "backslashreplace").decode()
    try:
        if full.is_symlink():
            target = full.resolve(strict=True)
            if not target.is_relative_to(space.root.resolve()):
                return Input(path, full, 0, 0, f"is a link that leads out of the workspace, to {target}; copy the file")
            if target.is_dir():
                return Input(path, full, 0, 0, "is a link to a folder; copy the folder")
        stat = full.stat()
        if not full.is_file():
            return Input(path, full, 0, 0, "is not a regular file; copy its content into one")
    except (OSError, RuntimeError) as error:
        return Input(path, full, 0, 0, f"cannot be opened ({getattr(error, 'strerror', None) or error})")
    return Input(path, full, stat.st_size, stat.st_mtime_ns)


def sha256_file(full: Path) -> str:
    """SHA-256 of a file's content, hex."""
    with open(full, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def digests(files: Iterable[Input]) -> dict[str, str]:
    """Path -> SHA-256 of the content. A file that cannot be read gets the word `unreadable` and its trouble."""

    def digest(one: Input) -> str:
        if one.trouble is not None:
            return f"unreadable: {one.trouble}"
        try:
            return sha256_file(one.full)
        except OSError as error:
            return f"unreadable: {error.strerror}"

    files = list(files)
    if sum(one.size for one in files) < LARGE:
        return {one.path: digest(one) for one in files}
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return dict(zip((one.path for one in files), pool.map(digest, files), strict=True))


def code_digest(packages: Iterable[str] = ("pipelines", "schemas", "reports", "seed_data")) -> str:
    """Fingerprint of the program: its own source, templates and reference data, and the libraries' versions.

    `packages` are folders or files from the checkout's top (`pipelines/intake`). Results computed by another version of
    the program are thereby never taken for this one's.
    """
    home = Path(__file__).resolve().parent.parent
    total = hashlib.sha256()
    for full in _sources(home, packages):
        total.update(os.path.relpath(full, home).encode() + b"\0" + sha256_file(full).encode())
    for name, version in library_versions().items():
        total.update(f"{name} {version}\n".encode())
    return total.hexdigest()


def _sources(home: Path, packages: Iterable[str]) -> Iterator[Path]:
    for package in packages:
        if (home / package).is_file():
            yield home / package
        for folder, inner, names in os.walk(home / package):
            inner[:] = sorted(name for name in inner if name != "__pycache__")
            for name in sorted(names):
                if os.path.splitext(name)[1] in CODE_SUFFIXES:
                    yield Path(folder, name)


def library_versions() -> dict[str, str]:
    """Version of each library that can move a number or a byte of the output."""
    from importlib import metadata

    found: dict[str, str] = {}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "none"
    return found


def fingerprint(space: Workspace, contents: Mapping[str, str], code: str) -> str:
    """One hash for everything that can move a result: contents by path, settings, program."""
    total = hashlib.sha256(code.encode())
    try:
        total.update(space.settings_file.read_bytes())
    except FileNotFoundError:
        total.update(b"no settings file")
    except OSError as error:
        raise refusal(error, f"read {space.settings_file}") from error
    for path in sorted(contents):
        total.update(f"\n{path}\0{contents[path]}".encode())
    return total.hexdigest()


# --- what was read before ---------------------------------------------------------------------------------------------


def read_again(space: Workspace, key: str) -> tuple[dict[str, pl.LazyFrame], dict[str, Any]] | None:
    """Frames, still on disk, and notes kept under `key`; None where there are none, or they are damaged."""
    import polars as pl

    folder = space.intake_store / key
    try:
        notes = json.loads((folder / "notes.json").read_bytes())
        frames = {}
        for name, blocks in notes["frames"].items():
            if any((folder / block).stat().st_size != size for block, size in blocks.items()):
                return None
            frames[name] = pl.concat([pl.scan_parquet(folder / block) for block in blocks], how="diagonal")
            frames[name].collect_schema()  # looks at their ends
        return frames, notes["notes"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, pl.exceptions.PolarsError):
        return None


class Keeping:
    """What is read from one file on its way into the store: large frames block by block while it is read, the rest in the
    end. It stands in the store as a whole or not at all."""

    def __init__(self, space: Workspace, key: str) -> None:
        self.target = space.intake_store / key
        self.draft = space.intake_store / f".{key}.{os.getpid()}"
        self.blocks: dict[str, dict[str, int]] = {}
        self.clear()

    def put(self, name: str, rows: pl.DataFrame) -> pl.LazyFrame:
        """Write more rows of a frame. Returns them as they stand on disk, until `finish`."""
        import polars as pl

        blocks = self.blocks.setdefault(name, {})
        full = self.draft / f"{name}.{len(blocks):06d}.parquet"
        with _told(f"keep what was read in {self.target.parent}"):
            full.parent.mkdir(parents=True, exist_ok=True)
            rows.write_parquet(full, compression="lz4", row_group_size=ROW_GROUP)
            blocks[full.name] = full.stat().st_size
        return pl.scan_parquet(full)

    def clear(self) -> None:
        """Drop what was put so far."""
        self.blocks.clear()
        if self.draft.exists():
            shutil.rmtree(self.draft, ignore_errors=True)

    def finish(self, frames: Mapping[str, pl.DataFrame], notes: Mapping[str, Any]) -> None:
        """Keep frames, beside those that were put, and notes (JSON-able). An older entry of the key is replaced."""
        for name, frame in frames.items():
            self.put(name, frame)
        with _told(f"keep what was read in {self.target.parent}"):
            self.draft.mkdir(parents=True, exist_ok=True)
            written = json.dumps({"frames": self.blocks, "notes": dict(notes)}, ensure_ascii=False)
            (self.draft / "notes.json").write_text(written, encoding="utf-8")
            if self.target.exists():
                shutil.rmtree(self.target, ignore_errors=True)
            os.replace(self.draft, self.target)


def is_kept(space: Workspace, key: str) -> bool:
    """Whether something is kept under `key`; whether it can be read shows when it is."""
    return (space.intake_store / key / "notes.json").is_file()


def forget_reads(space: Workspace, keep: Iterable[str]) -> None:
    """Drop everything in the store but these keys."""
    kept = set(keep)
    with contextlib.suppress(FileNotFoundError):
        for entry in os.scandir(space.intake_store):
            if entry.name not in kept:
                shutil.rmtree(entry.path, ignore_errors=True)


def forget_tables(space: Workspace) -> None:
    """Drop the workbench, of either engine."""
    for folder in ("tables", "tables-spark"):
        shutil.rmtree(space.state / folder, ignore_errors=True)


# --- building a snapshot ----------------------------------------------------------------------------------------------


def begin(space: Workspace) -> None:
    """Clear the folder a run builds in. Raises WorkspaceError where the workspace may not be written."""
    if space.out.exists() and not space.out.is_symlink():
        raise WorkspaceError(
            f"{space.out} is a folder of its own, not the link that a run puts there. Move it away and run again."
        )
    with _told(f"write in {space.root}"):
        if space.building.exists():
            shutil.rmtree(space.building)
        (space.building / "tables").mkdir(parents=True)


def write_table(space: Workspace, name: str, write: Callable[[Path], object]) -> None:
    """Have one published table of the set being built written, as parquet."""
    target = space.building / "tables" / f"{name}.parquet"
    with _told(f"write {target}"):
        write(target)


def link_from_before(space: Workspace, relative: str) -> bool:
    """Take a file of the set in force into the one being built as it is. Returns whether it could be."""
    folder = space.snapshot()
    if folder is None:
        return False
    try:
        os.link(folder / relative, _place(space, relative))
    except OSError:
        return False
    return True


def write_bytes(space: Workspace, relative: str, content: bytes) -> None:
    """Write one file of the set being built. `relative` may not lead out of it."""
    target = _place(space, relative)
    with _told(f"write {target}"):
        target.write_bytes(content)


def _place(space: Workspace, relative: str) -> Path:
    target = space.building / relative
    if not target.resolve().is_relative_to(space.building.resolve()):
        raise WorkspaceError(f"{relative} leads out of the set being built; it was not written.")
    with _told(f"write {target}"):
        target.parent.mkdir(parents=True, exist_ok=True)
    return target


def write_csv(space: Workspace, relative: str, parts: Iterable[pl.DataFrame]) -> None:
    """Write frames, one below the other, as one UTF-8 CSV for spreadsheets: lists joined by "; ", texts that a spreadsheet
    would run defused."""
    target = _place(space, relative)
    with _told(f"write {target}"), open(target, "wb") as handle:
        for at, frame in enumerate(parts):
            defused(frame).write_csv(handle, include_bom=at == 0, include_header=at == 0)


def defused(frame: pl.DataFrame) -> pl.DataFrame:
    """Lists as text joined by "; ", and an apostrophe before every text that a spreadsheet would take for a formula.

    A text is taken for one when it begins with = + - @, a tab or a carriage return and is not just a number.
    """
    import polars as pl

    lists = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.List)]
    frame = frame.with_columns(pl.col(name).list.join("; ") for name in lists)
    texts = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    risky = rf"^[{re.escape(SPREADSHEET_STARTS)}]"
    return frame.with_columns(
        pl.when(pl.col(name).str.contains(risky) & ~pl.col(name).str.contains(r"^[+-]?[\d.,]+$"))
        .then("'" + pl.col(name))
        .otherwise(pl.col(name))
        .alias(name)
        for name in texts
    )


def file_name_of(path: str) -> str:
    """A flat file name for a path inside the workspace, distinct for distinct paths, plain on every system."""
    flat = re.sub(r"[^\w.\-]+", "_", path.replace("/", "__"), flags=re.ASCII)[-100:].lstrip(".")
    plain = path.replace("/", "__")
    return flat if flat == plain else f"{flat}.{hashlib.sha256(path.encode()).hexdigest()[:8]}"


def write_basis(space: Workspace, name: str, frame: pl.DataFrame) -> None:
    """Write a table that readers of the set being built look up beside its results, and that is no result itself."""
    target = space.building / "basis" / f"{name}.parquet"
    with _told(f"write {target}"):
        target.parent.mkdir(exist_ok=True)
        frame.write_parquet(target, compression="zstd")


def read_snapshot(folder: Path, names: Iterable[str]) -> dict[str, pl.DataFrame]:
    """Tables of one finished set by name, results and what stands beside them; one that it lacks is left out."""
    import polars as pl

    places = {name: (folder / "tables" / f"{name}.parquet", folder / "basis" / f"{name}.parquet") for name in names}
    found = {name: next((full for full in both if full.is_file()), None) for name, both in places.items()}
    return {name: pl.read_parquet(full) for name, full in found.items() if full}


def read_handout(space: Workspace, name: str) -> bytes | None:
    """A file of the hand-outs; None where it is not there."""
    try:
        return (space.handouts / name).read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise refusal(error, f"read {space.handouts / name}") from error


def keep_handout(space: Workspace, folder: str, files: Mapping[str, bytes]) -> Path:
    """Write a hand-out's files (paths below `folder`), whole or not at all, in place of an earlier one of that name."""
    target = space.handouts / folder
    draft, aside = target.with_name(f".{folder}.{os.getpid()}"), target.with_name(f".{folder}.before")
    try:
        with _told(f"write {target}"):
            for name, content in files.items():
                (draft / name).parent.mkdir(parents=True, exist_ok=True)
                (draft / name).write_bytes(content)
                _flush(draft / name)
            shutil.rmtree(aside, ignore_errors=True)
            if target.exists():
                os.replace(target, aside)
            os.replace(draft, target)
            shutil.rmtree(aside, ignore_errors=True)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        if aside.exists() and not target.exists():
            os.replace(aside, target)
    return target


def write_database(space: Workspace, names: Iterable[str]) -> None:
    """filmledger.duckdb of the set being built, from its published parquet files."""
    import duckdb

    target = space.building / "filmledger.duckdb"
    try:
        with duckdb.connect(str(target), config={"memory_limit": "512MB"}) as connection:
            for name in names:
                connection.read_parquet(str(space.building / "tables" / f"{name}.parquet")).create(name)
    except duckdb.Error as error:
        raise refusal(error, f"write {target}") from error


def publish(space: Workspace, manifest: Mapping[str, Any]) -> Path:
    """Put the finished set in force and return its folder. Readers see the old set until one rename, then the new.

    The set before stays for readers that are still in it; older ones go.
    """
    with _told(f"publish the results in {space.root}"):
        sizes = {
            full.relative_to(space.building).as_posix(): full.stat().st_size
            for full in sorted(space.building.rglob("*"))
            if full.is_file()
        }
        written = json.dumps({**manifest, "files": sizes}, ensure_ascii=False, sort_keys=True, indent=1)
        (space.building / MANIFEST).write_text(written + "\n", encoding="utf-8")
        for full in space.building.rglob("*"):
            _flush(full)
        space.snapshots.mkdir(exist_ok=True)
        numbers = [int(name) for name in os.listdir(space.snapshots) if name.isdecimal()]
        target = space.snapshots / f"{max(numbers, default=0) + 1:06d}"
        before = space.snapshot()
        os.rename(space.building, target)
        _flush(space.snapshots)
        link = space.state / "out.link"
        link.unlink(missing_ok=True)
        link.symlink_to(target.relative_to(space.root))
        os.replace(link, space.out)
        _flush(space.root)
    for entry in os.listdir(space.snapshots):
        if space.snapshots / entry not in (target, before):
            shutil.rmtree(space.snapshots / entry, ignore_errors=True)
    return target


def manifest_in_force(space: Workspace) -> dict[str, Any] | None:
    """What the finished set says of itself; None where there is none or a file of it is missing or cut short."""
    folder = space.snapshot()
    if folder is None:
        return None
    try:
        manifest: dict[str, Any] = json.loads((folder / MANIFEST).read_bytes())
        for name, size in manifest["files"].items():
            if (folder / name).stat().st_size != size:
                return None
    except (OSError, ValueError, KeyError, AttributeError):
        return None
    return manifest


DAGSTER_SETTINGS = """\
# Written by filmledger: nothing about its use leaves this machine.
telemetry:
  enabled: false
"""


def prepare_dagster(space: Workspace) -> Path:
    """Make Dagster's folder with its settings (no telemetry) and return it."""
    with _told(f"write in {space.dagster_home}"):
        space.dagster_home.mkdir(parents=True, exist_ok=True)
        wanted = DAGSTER_SETTINGS.encode()
        target = space.dagster_home / "dagster.yaml"
        if not target.exists() or target.read_bytes() != wanted:
            _write_atomically(target, wanted)
    return space.dagster_home


def _flush(full: Path) -> None:
    """Have the system bring a file or folder to the disk, so that a power cut cannot leave a renamed, empty file."""
    with contextlib.suppress(OSError):
        handle = os.open(full, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _write_atomically(target: Path, content: bytes) -> None:
    draft = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        with open(draft, "wb") as handle:
            handle.write(content)
            handle.flush()
            os.fsync(handle.fileno())
        os.replace(draft, target)
    finally:
        draft.unlink(missing_ok=True)


# --- the run lock -----------------------------------------------------------------------------------------------------

_held: dict[Path, int] = {}  # locks of this process: the command takes one, the graph it runs enters it again


@contextlib.contextmanager
def lock(space: Workspace) -> Iterator[str | None]:
    """Hold the workspace for one run; a process may enter its own lock again.

    Yields a remark where the lock of a process that died was taken over, else None. Raises WorkspaceError that names
    the holder where another run is going on. The system's file lock decides where the file system has one, and goes
    with its process; elsewhere the process id with its start time, so that a reused id is no holder.
    """
    if space.root in _held:
        _held[space.root] += 1
        try:
            yield None
        finally:
            _held[space.root] -= 1
        return
    with _told(f"write in {space.root}"):
        space.state.mkdir(parents=True, exist_ok=True)
        handle = open(space.state / "lock", "a+b")
    with handle:
        locked = _take(handle.fileno())
        handle.seek(0)
        holder = _holder(handle.read())
        if not locked or (holder and _alive(holder)):
            raise WorkspaceError(_busy(space, holder))
        remark = f"A run by process {holder['pid']} ended without finishing; starting afresh." if holder else None
        with _told(f"write {space.state / 'lock'}"):
            handle.truncate(0)
            handle.write(json.dumps(_me()).encode())
            handle.flush()
        _held[space.root] = 1
        try:
            yield remark
        finally:
            del _held[space.root]
            with contextlib.suppress(OSError):
                handle.truncate(0)
                handle.flush()


def _take(descriptor: int) -> bool:
    """Take the system's lock; True also where the file system knows no locks, for then the process id decides."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def _me() -> dict[str, Any]:
    return {"pid": os.getpid(), "started": _started(os.getpid()), "host": socket.gethostname()}


def _holder(raw: bytes) -> dict[str, Any] | None:
    try:
        holder = json.loads(raw)
        return {"pid": int(holder["pid"]), "started": str(holder["started"]), "host": str(holder["host"])}
    except (ValueError, KeyError, TypeError):
        return None


def _alive(holder: Mapping[str, Any]) -> bool:
    if holder["host"] != socket.gethostname():
        return fcntl is None  # without a system lock nothing tells whether another machine's run still goes on
    return bool(_started(holder["pid"]) == holder["started"])


def _started(pid: int) -> str:
    """When a process started, in a form only good for comparing; "" where there is no such process."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as handle:
            return handle.read().rpartition(b")")[2].split()[19].decode()
    except (OSError, IndexError):
        pass
    if os.path.isdir("/proc/self"):
        return ""
    import subprocess

    try:
        told = subprocess.run(["ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True, check=False)
    except OSError:
        return ""
    return told.stdout.strip()


def _busy(space: Workspace, holder: Mapping[str, Any] | None) -> str:
    who = f"process {holder['pid']} on {holder['host']}" if holder else "another process"
    return f"{who} is already running on {space.root}. Wait until it has finished, then run again."
