"""Where things stand in a shop's folder, how a folder is found or made, and the shop's own files that `init` writes."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipelines.workspace.refusals import WorkspaceError, told, write_atomically

PRIVATE = 0o700  # of folders that hold people and that nobody else has to read
SETTINGS_FILE = "filmledger.toml"
DAGSTER_SETTINGS = """\
# Written by filmledger: nothing about its use leaves this machine.
telemetry:
  enabled: false
"""


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


def find(given: str | os.PathLike[str] | None = None) -> Workspace:
    """The workspace at `given`, or around the current folder where nothing is given.

    A folder is a workspace when it holds filmledger.toml or inbox/. Raises WorkspaceError with the way to make one.
    """
    if given is not None:
        root = Path(given).resolve()
        if not root.is_dir():
            raise WorkspaceError(f"{root} is not a folder. `filmledger init {given}` makes a workspace there.")
        if _is_workspace(root):
            return _nameable(root)
        raise WorkspaceError(
            f"{root} is not a workspace: it holds neither {SETTINGS_FILE} nor inbox/."
            f" `filmledger init {given}` makes it one."
        )
    here = Path.cwd().resolve()
    for root in (here, *here.parents):
        if (root / SETTINGS_FILE).is_file():
            return _nameable(root)
    if _is_workspace(here):
        return _nameable(here)
    raise WorkspaceError(
        f"No workspace here: no {SETTINGS_FILE} in {here} nor above it."
        " Name the folder (`filmledger run my_shop`) or make one (`filmledger init my_shop`)."
    )


def _nameable(root: Path) -> Workspace:
    """Raises WorkspaceError where the database could not keep its files in a folder of this name."""
    if "?" in str(root) or any("\ud800" <= one <= "\udfff" for one in str(root)):  # bytes that are no UTF-8
        raise WorkspaceError(
            f"{root} has a question mark or bytes that are no UTF-8 in its name or above it, and the database keeps no files there."
            " Rename the folder; nothing was replaced."
        )
    return Workspace(root)


def _is_workspace(root: Path) -> bool:
    return (root / SETTINGS_FILE).is_file() or (root / "inbox").is_dir()


def init(directory: str | os.PathLike[str], settings_text: str) -> tuple[Workspace, list[str]]:
    """Make a workspace; what is there already stays as it is. Returns it and the names of what was made."""
    root = Path(directory).resolve()
    made: list[str] = []
    with told(f"make a workspace in {root}"):
        space = _nameable(root)
        root.mkdir(parents=True, exist_ok=True)
        for folder in (space.inbox, space.layouts, space.registers):
            if not folder.is_dir():
                folder.mkdir()
                made.append(f"{folder.name}/")
        if not space.settings_file.exists():
            write_atomically(space.settings_file, settings_text.encode())
            made.append(SETTINGS_FILE)
    return space, made


def fill(space: Workspace, relative: str, content: bytes) -> None:
    """Write one of the shop's own files: for `init`, the demo and what `close` keeps in registers/ only."""
    target = space.root / relative
    with told(f"write {target}"):
        target.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(target, content)


def keep_private(space: Workspace, results: bool, alone: bool = True) -> None:
    """What is kept of people's records besides results is for its user alone, unless other machines read it (not `alone`). `results`: so is from
    now on what this process writes, and what earlier runs published and handed out."""
    folders = [space.intake_store, space.state / "tables", space.dagster_home] if alone else []
    if results:
        os.umask(0o077)
        folders += [space.state, space.handouts]
    for folder in folders:
        with told(f"change who may read {folder}"), contextlib.suppress(FileNotFoundError):
            folder.chmod(PRIVATE)


def occupied(directory: str | os.PathLike[str]) -> Workspace | None:
    """The workspace that stands there already; None where the folder is missing or empty.

    Raises WorkspaceError where the folder holds something else.
    """
    root = Path(directory).resolve()
    with told(f"look into {root}"):
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
        with told(f"write in {root.parent}"):
            draft.mkdir(parents=True)
            yield draft
            os.replace(draft, root)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def report_fault(directory: str | None, details: str) -> Path | None:
    """Keep the details of a fault of the program in the workspace, or where there is none in the system's temporary
    folder. Returns the file, None where it could not be written."""
    import tempfile

    for place in (lambda: Path(directory or ".") / ".filmledger", tempfile.gettempdir):
        with contextlib.suppress(OSError):  # there may be no temporary folder either
            if (folder := Path(place())).is_dir():
                target = folder.resolve() / "filmledger-fault.txt"
                target.write_text(details, encoding="utf-8", errors="backslashreplace")
                return target
    return None


def prepare_dagster(space: Workspace) -> Path:
    """Make Dagster's folder with its settings (no telemetry) and return it."""
    with told(f"write in {space.dagster_home}"):
        space.state.mkdir(exist_ok=True)
        space.dagster_home.mkdir(mode=PRIVATE, exist_ok=True)
        wanted = DAGSTER_SETTINGS.encode()
        target = space.dagster_home / "dagster.yaml"
        if not target.exists() or target.read_bytes() != wanted:
            write_atomically(target, wanted)
    return space.dagster_home
