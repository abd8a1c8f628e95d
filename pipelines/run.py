"""One run over a workspace: what the folder holds, and its workbench.

Here belongs what all steps of a run share, so that the command line and Dagster's own pages run the same. Not here: which
steps there are (steps), what is read of the files (taking_in), putting results in force (results), whether a run is needed at all
(commands), writing (workspace).
"""

from __future__ import annotations

import contextlib
import hashlib
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from importlib import resources
from typing import TYPE_CHECKING, Protocol

from pipelines import workspace
from pipelines.workspace import Workspace, WorkspaceError

if TYPE_CHECKING:
    import polars as pl

    from pipelines.settings import Settings
    from pipelines.transfer.model.linearise import Joint
    from pipelines.workbench import Workbench


REFERENCE = resources.files("seed_data") / "reference"


class Teller(Protocol):
    """Says what a run does, while it does it."""

    def stage(self, name: str, result: str) -> None:
        """One line of result when a stage is done."""

    def progress(self, what: str, done: int, total: int) -> None:
        """A sign of life on long work."""

    def remark(self, said: str) -> None:
        """Something out of the ordinary that the run went on from."""


class Silent:
    """A teller that says nothing."""

    def stage(self, name: str, result: str) -> None: ...

    def progress(self, what: str, done: int, total: int) -> None: ...

    def remark(self, said: str) -> None: ...


@dataclass
class Run:
    """A run in progress: the folder, its settings, what its files held at the start, and the workbench with the tables made so
    far, once it is open."""

    space: Workspace
    settings: Settings
    files: list[workspace.Input]
    contents: dict[str, str]
    fingerprint: str
    teller: Teller
    remark: str | None = None
    accept_removals: bool = False  # an inbox that shrank sharply is meant to
    #: the transfer model as this run fitted it, for the decisions; (None,) where there is nothing to fit
    transfer_model: tuple[Joint | None] | None = None
    fitting: threading.Lock = field(default_factory=threading.Lock)  # several decisions may ask for it at a time
    keys: list[str] = field(default_factory=list)  # of the store, under which what was read this time stands
    seconds: dict[str, float] = field(default_factory=dict)
    _adding: threading.Lock = field(default_factory=threading.Lock)
    _bench: Workbench | None = None

    @cached_property
    def forgotten(self) -> workspace.Forgotten:
        """Who is called by a pseudonym."""
        return workspace.forgotten(self.space)

    @property
    def bench(self) -> Workbench:
        """The tables, opened when they are first asked for."""
        if self._bench is None:
            from pipelines import workbench

            chosen = self.settings.engine
            if chosen.engine == "spark":
                from pipelines import spark

                self._bench = spark.Spark(self.space.state / "tables-spark", chosen.spark_master)
            else:
                self._bench = workbench.opened(
                    self.space.state / "tables", chosen.memory_gb, chosen.threads, self.teller.remark
                )
        return self._bench

    @property
    def is_apart(self) -> bool:
        """Whether a workbench is open whose work is done elsewhere."""
        return self._bench is not None and self._bench.apart

    def close(self) -> None:
        if self._bench is not None:
            self._bench.close()
            self._bench = None

    @cached_property
    def sources(self) -> dict[str, str]:
        """What the shop's own files hold, a word for each of inbox, registers and layouts."""
        found = {}
        for top in ("inbox", "registers", "layouts"):
            held = [f"{path}\0{word}" for path, word in sorted(self.contents.items()) if path.startswith(f"{top}/")]
            found[top] = hashlib.sha256("\n".join(held).encode()).hexdigest()
        return found

    @contextlib.contextmanager
    def timed(self, stage: str) -> Iterator[None]:
        """Add what happens inside to the time of a stage."""
        began = time.perf_counter()
        try:
            yield
        finally:
            with self._adding:
                self.seconds[stage] = self.seconds.get(stage, 0.0) + time.perf_counter() - began

    def shrank(self, what: str, had: int, has: int, of: str) -> None:
        """Raises WorkspaceError where half of something is gone since the results in force were made: a drive that came loose, an
        export that went wrong. Nothing is published until it is accepted."""
        if had and 2 * has <= had and not self.accept_removals:
            raise WorkspaceError(
                f"{what} {had:,} {of} when the results in force were made, and {has:,} now. If that is meant, run once with"
                " --accept-removals; until then the results in force stay, and nothing was replaced."
            )

    def still_opens(self, before: Mapping[str, str]) -> None:
        """Raises WorkspaceError where a file that the results in force were made from is there and cannot be opened any more: its
        rows would go without a word. before: path -> content, as the results in force say."""
        lost = [
            (path, word)
            for path, word in self.contents.items()
            if word.startswith(workspace.UNREADABLE)
            and path in before
            and not before[path].startswith(workspace.UNREADABLE)
        ]
        if lost and not self.accept_removals:
            raise WorkspaceError(
                f"{self.named([path for path, _ in lost])} cannot be read any more ({lost[0][1].removeprefix(workspace.UNREADABLE)})."
                " Allow reading it, or connect the drive it stands on, and run again; or, if that is meant, run once with"
                " --accept-removals. Nothing was replaced."
            )

    def named(self, paths: list[str]) -> str:
        """Files as a sentence may call them: by name, or where nobody is to be named by their folder alone."""
        if self.settings.pages.veiled:
            paths = [f"a file of {path.split('/')[0]}/" for path in paths]
        paths = list(dict.fromkeys(paths))
        return ", ".join(paths[:5]) + (f" and {len(paths) - 5} more" if len(paths) > 5 else "")

    def changed(self, paths: list[str]) -> WorkspaceError:
        """What is raised where files changed while they were read."""
        return WorkspaceError(
            f"{self.named(paths)} changed while being read, so nothing was published. Run again when the export has finished."
        )

    def tell(self, stage: str, result: str) -> None:
        """One line of result with the seconds the stage has taken."""
        self.teller.stage(stage, f"{result} ({self.seconds.get(stage, 0.0):.1f} s)")


# --- begin and end ----------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def begin(space: Workspace, teller: Teller, accept_removals: bool = False) -> Iterator[Run]:
    """Take the lock, clear the building folder, note what the files hold. Raises WorkspaceError where half of them are gone and
    nobody accepted that."""
    with workspace.lock(space) as remark:
        current = look(space, teller)
        if current.settings.pages.people == "pseudonyms" and not workspace.has_list(space):
            workspace.keep_forgotten(space, current.forgotten)  # pseudonyms hang on its key
            current = look(space, teller)
        current.remark, current.accept_removals = remark, accept_removals
        before = workspace.said_in_force(space)
        for top in ("inbox", "registers"):
            had = [path for path in before.get("inputs", ()) if path.startswith(f"{top}/")]
            has = [path for path in current.contents if path.startswith(f"{top}/")]
            current.shrank(f"{top}/ held", len(had), len(has), "files")
        current.still_opens(before.get("inputs", {}))
        workspace.begin(space)
        workspace.forget_drafts(space)
        try:
            yield current
        finally:
            current.close()
            with contextlib.suppress(OSError):  # what was not published is of no use, and takes room
                workspace.clear(space)
                workspace.forget_drafts(space)


def look(space: Workspace, teller: Teller) -> Run:
    """What the folder holds now: settings, files and their content. Nothing is locked and nothing written. Raises WorkspaceError
    where figures of closed months were changed by hand."""
    from pipelines import settings

    raw = workspace.settings_bytes(space)  # once: the fingerprint is that of the settings that are used
    chosen = settings.Settings() if raw is None else settings.parse(raw, str(space.settings_file))
    for said in settings.migrated(raw or b""):
        teller.remark(said)
    workspace.keep_private(space, chosen.pages.private, alone=chosen.engine.engine != "spark")
    if (led := workspace.leading_out(space)) and not chosen.intake.linked_folders:
        raise WorkspaceError(
            f"{led[0]} If that is meant, write linked_folders = true below [intake] in filmledger.toml; else put the folder in"
            " its place. Nothing was replaced."
        )
    files = workspace.inputs(space)
    contents = workspace.held(space, chosen.intake.max_file_mb, files)
    workspace.check_sealed(space, contents)
    return Run(space, chosen, files, contents, workspace.fingerprint(raw, contents, workspace.code_digest()), teller)


def settings_word(settings: Settings) -> str:
    """All settings as one word."""
    return hashlib.sha256(settings.model_dump_json().encode()).hexdigest()


def unchanged(current: Run) -> None:
    """Raises WorkspaceError where a file changed, came or went since the run began."""
    now = workspace.held(current.space, current.settings.intake.max_file_mb)
    if now != current.contents:
        changed = sorted(path for path in now | current.contents if now.get(path) != current.contents.get(path))
        raise current.changed(changed)


# --- reference ---------------------------------------------------------------------------------------------------------


def reference_table(name: str) -> pl.DataFrame:
    """One of the tables that ship with the project, from seed_data/reference/<name>.csv, in its schema's form."""
    import polars as pl

    from schemas import validate

    text = pl.read_csv((REFERENCE / f"{name}.csv").read_bytes(), infer_schema=False)
    typed = text.with_columns(
        pl.col(info.name).str.to_date() if info.kind == "date" else pl.col(info.name).cast(info.dtype)
        for info in validate.columns(name)
        if info.name in text.columns and info.kind != "bool"
    )
    flags = [info.name for info in validate.columns(name) if info.kind == "bool" and info.name in text.columns]
    typed = typed.with_columns(
        pl.col(flag).replace_strict({"true": True, "false": False}, return_dtype=pl.Boolean) for flag in flags
    )
    return validate.conform(name, typed)
