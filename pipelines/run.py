"""One run over a workspace, as the graph of tables sees it: what the folder holds, reading it, putting results in force.

Here belongs what the graph's assets share, so that the command line and Dagster's own pages run the same. Not here: the
graph (defs), whether a run is needed at all (conductor), writing (workspace), computing of any kind.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from pipelines import workspace
from pipelines.workspace import Workspace, WorkspaceError

if TYPE_CHECKING:
    import polars as pl

    from pipelines.intake.merge import Intake
    from pipelines.intake.read import FileRead
    from pipelines.settings import Settings

# What one file's reading depends on besides its bytes: its path, the layouts, these settings and this source.
INTAKE_SECTIONS = ("business", "intake")
INTAKE_SOURCE = ("pipelines/intake", "pipelines/units.py", "pipelines/run.py", "schemas")


class Teller(Protocol):
    """Says what a run does, while it does it."""

    def stage(self, name: str, result: str) -> None:
        """One line of result when a stage is done."""

    def progress(self, what: str, done: int, total: int) -> None:
        """A sign of life on long work."""


class Silent:
    """A teller that says nothing."""

    def stage(self, name: str, result: str) -> None: ...

    def progress(self, what: str, done: int, total: int) -> None: ...


@dataclass
class Run:
    """A run in progress: the folder, its settings, what its files held at the start, and the tables made so far."""

    space: Workspace
    settings: Settings
    files: list[workspace.Input]
    contents: dict[str, str]
    fingerprint: str
    teller: Teller
    remark: str | None = None
    tables: dict[str, pl.DataFrame] = field(default_factory=dict)
    keys: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)

    @contextlib.contextmanager
    def timed(self, stage: str) -> Iterator[None]:
        """Add what happens inside to the time of a stage."""
        began = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[stage] = self.seconds.get(stage, 0.0) + time.perf_counter() - began

    def tell(self, stage: str, result: str) -> None:
        """One line of result with the seconds the stage has taken."""
        self.teller.stage(stage, f"{result} ({self.seconds.get(stage, 0.0):.1f} s)")


# --- begin and end ----------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def begin(space: Workspace, teller: Teller) -> Iterator[Run]:
    """Take the lock, clear the building folder, note what the files hold."""
    with workspace.lock(space) as remark:
        current = look(space, teller)
        workspace.begin(space)
        yield dataclasses.replace(current, remark=remark)


def look(space: Workspace, teller: Teller) -> Run:
    """What the folder holds now: settings, files and their content. Nothing is locked and nothing written."""
    from pipelines import settings

    chosen = settings.load(space.settings_file)
    files = workspace.inputs(space)
    contents = workspace.digests(files)
    return Run(space, chosen, files, contents, workspace.fingerprint(space, contents, workspace.code_digest()), teller)


def publish(current: Run) -> dict[str, Any]:
    """Put the finished set in force, if the folder still holds what was read. Returns the headline numbers.

    Raises WorkspaceError where a file changed, came or went meanwhile.
    """
    now = workspace.digests(workspace.inputs(current.space))
    if now != current.contents:
        changed = sorted(path for path in now | current.contents if now.get(path) != current.contents.get(path))
        raise WorkspaceError(
            f"{', '.join(changed[:5])} changed while being read, so nothing was published."
            " Run again when the export has finished."
        )
    told = headline(current.tables)
    workspace.publish(current.space, {"fingerprint": current.fingerprint, "headline": told})
    workspace.forget_reads(current.space, current.keys)
    return told


# --- intake -----------------------------------------------------------------------------------------------------------


def read_everything(current: Run) -> Intake:
    """All files of the workspace, each read anew only where its content was not read before, and merged."""
    from pipelines.intake import layout, merge, read
    from pipelines.intake.files import Source

    chosen = current.settings.flat()
    layouts = layout.load({one.path: _text(one) for one in current.files if one.path.startswith("layouts/")})
    basis = hashlib.sha256(workspace.code_digest(INTAKE_SOURCE).encode())
    dump = current.settings.model_dump()
    basis.update(json.dumps([dump[name] for name in INTAKE_SECTIONS], sort_keys=True).encode())
    for path, digest in sorted(current.contents.items()):
        if path.startswith("layouts/"):
            basis.update(f"{path}\0{digest}\n".encode())
    todo = [one for one in current.files if not one.path.startswith("layouts/")]

    def one_file(one: workspace.Input) -> tuple[str, FileRead]:
        key = hashlib.sha256(f"{basis.hexdigest()}\0{one.path}\0{current.contents[one.path]}".encode()).hexdigest()
        kept = workspace.read_again(current.space, key)
        if kept is not None:
            return key, read.restored(*kept)
        found = read.read_file(Source(one.path, one.full, trouble=one.trouble), layouts, chosen)
        return key, found

    reads: list[FileRead] = []
    with ThreadPoolExecutor(max_workers=2) as pool:
        for done, (key, found) in enumerate(pool.map(one_file, todo), start=1):
            reads.append(found)
            current.keys.append(key)
            current.teller.progress("reading files", done, len(todo))
    return merge.merge(reads, chosen)


def _text(one: workspace.Input) -> str:
    """The text of a layout. Raises WorkspaceError naming the file where it cannot be read."""
    if one.trouble:
        raise WorkspaceError(f"{one.path} {one.trouble}.")
    try:
        return one.full.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise WorkspaceError(f"{one.path}: not UTF-8 text (byte {error.start}); save the file as UTF-8.") from error
    except OSError as error:
        raise WorkspaceError(f"{one.path}: cannot be read ({error.strerror}).") from error


def intake_frames(found: Intake) -> dict[str, pl.DataFrame]:
    """Everything that intake made, by table name."""
    return {
        **found.tables,
        "intake_files": found.intake_files,
        "refused_rows": found.refused_rows,
        "incomplete": found.incomplete,
    }


# --- headline ---------------------------------------------------------------------------------------------------------


def headline(tables: Mapping[str, pl.DataFrame]) -> dict[str, Any]:
    """The numbers of the closing paragraph, from the published tables. Masses in g of solids, ratios as such."""
    import polars as pl

    files, ledger = tables["intake_files"], tables["material_ledger"]
    sums = ledger.select(pl.col(pl.Float64).sum()).row(0, named=True)
    poured = sums["poured_solids_g"]
    landed = sums["useful_solids_g"] + sums["over_build_solids_g"]
    sprayed = landed + sums["overspray_solids_g"]
    return {
        "cups": tables["mixes"].height,
        "poured_solids_g": poured,
        "useful_share": sums["useful_solids_g"] / poured if poured else None,
        "te": landed / sprayed if sprayed else None,
        "te_low": 1 - sums["overspray_solids_g_high"] / sprayed if sprayed else None,
        "te_high": 1 - sums["overspray_solids_g_low"] / sprayed if sprayed else None,
        "not_split_share": sums["not_split_solids_g"] / poured if poured else None,
        "rows_read": int(files["rows_read"].sum()),
        "refused_rows": int(files["refused"].sum()),
        "refused_files": files.filter(pl.col("state") == "refused").height,
    }
