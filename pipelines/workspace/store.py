"""The store of files that were read: by content, each entry whole or not at all, each block with its SHA-256."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.workspace.checksums import Damaged, below, broken, sealed, sha256_file, take_away, unsealed
from pipelines.workspace.paths import PRIVATE, Workspace
from pipelines.workspace.refusals import WorkspaceError, told

if TYPE_CHECKING:
    import polars as pl

ROW_GROUP = 1 << 14  # rows of a kept frame that are read together where some of them are wanted
NOTES = "notes.json"
TOGETHER = "together-"  # what keys of several files begin with
BENCH = "tables.duckdb"
_BLOCK = re.compile(r"[^/]+\.\d{6}\.parquet")
_OF_BENCH = re.compile(
    r"^tables\.duckdb(\.wal|\.tmp)?$|^(seal|notes)\.json$|^\.notes\.\d+$|^spill/duckdb_temp|^[^/]+/[^/]*(\.parquet|\.crc|_SUCCESS)$"
)
_DRAFT = re.compile(r"\..+\.\d+")


def read_again(space: Workspace, key: str) -> tuple[dict[str, pl.LazyFrame], dict[str, Any]] | None:
    """Frames, still on disk, and notes kept under `key`; None where there are none, or they are damaged."""
    import polars as pl

    folder = space.intake_store / key
    try:
        kept = unsealed(folder / NOTES)
        if broken(folder, {block: said for blocks in kept["frames"].values() for block, said in blocks.items()}):
            return None
        frames = {}
        for name, blocks in kept["frames"].items():
            frames[name] = pl.concat([_scanned(folder / block) for block in blocks], how="diagonal")
            frames[name].collect_schema()  # looks at their ends
        return frames, kept["notes"]
    except (Damaged, WorkspaceError, OSError, pl.exceptions.PolarsError):
        return None


def _scanned(full: Path) -> pl.LazyFrame:
    """Exactly this file, whatever signs and words stand in the names of the folders above it."""
    import polars as pl

    return pl.scan_parquet(full, glob=False, hive_partitioning=False)


class Keeping:
    """What is read from one file on its way into the store: large frames block by block while it is read, the rest in the
    end. It stands in the store as a whole or not at all."""

    def __init__(self, space: Workspace, key: str) -> None:
        self.target = space.intake_store / key
        self.draft = space.intake_store / f".{key}.{os.getpid()}"
        self.blocks: dict[str, dict[str, str]] = {}
        self.clear()

    def put(self, name: str, rows: pl.DataFrame) -> pl.LazyFrame:
        """Write more rows of a frame. Returns them as they stand on disk, until `finish`."""
        blocks = self.blocks.setdefault(name, {})
        full = self.draft / f"{name}.{len(blocks):06d}.parquet"
        with told(f"keep what was read in {self.target.parent}"):
            self._begin()
            rows.write_parquet(full, compression="lz4", row_group_size=ROW_GROUP)
            blocks[full.name] = sha256_file(full)
        return _scanned(full)

    def _begin(self) -> None:
        """The draft's folder, inside of one that holds people and is for its owner alone."""
        self.target.parent.parent.mkdir(parents=True, exist_ok=True)
        self.target.parent.mkdir(mode=PRIVATE, exist_ok=True)
        self.draft.mkdir(exist_ok=True)

    def clear(self) -> None:
        """Drop what was put so far."""
        self.blocks.clear()
        _drop(self.draft)

    def finish(self, frames: Mapping[str, pl.DataFrame], notes: Mapping[str, Any]) -> None:
        """Keep frames, beside those that were put, and notes (JSON-able). An older entry of the key is replaced."""
        for name, frame in frames.items():
            self.put(name, frame)
        with told(f"keep what was read in {self.target.parent}"):
            self._begin()
            (self.draft / NOTES).write_bytes(sealed({"frames": self.blocks, "notes": dict(notes)}))
            _drop(self.target)
            os.replace(self.draft, self.target)


def is_kept(space: Workspace, key: str) -> bool:
    """Whether something is kept under `key`; whether it can be read shows when it is."""
    return (space.intake_store / key / NOTES).is_file()


def kept_together(space: Workspace) -> list[str]:
    """The keys under which several files are kept."""
    with contextlib.suppress(FileNotFoundError):
        return sorted(name for name in os.listdir(space.intake_store) if name.startswith(TOGETHER))
    return []


def forget_reads(space: Workspace, keep: Iterable[str]) -> None:
    """Drop everything of ours in the store but these keys."""
    kept = set(keep)
    with contextlib.suppress(FileNotFoundError):
        for entry in os.scandir(space.intake_store):
            ours = _DRAFT.fullmatch(entry.name) or os.path.lexists(os.path.join(entry.path, NOTES))
            if entry.name not in kept and ours:
                _drop(space.intake_store / entry.name)


def forget_drafts(space: Workspace) -> None:
    """Drop what was being kept when a run ended: nobody will finish it."""
    with contextlib.suppress(FileNotFoundError):
        for name in os.listdir(space.intake_store):
            if _DRAFT.fullmatch(name):
                _drop(space.intake_store / name)


def _drop(folder: Path) -> None:
    """Take an entry away, its notes last: until then it is known for one of ours."""
    with contextlib.suppress(FileNotFoundError):
        take_away(folder, [*filter(_BLOCK.fullmatch, os.listdir(folder)), NOTES])


def forget_tables(space: Workspace) -> None:
    """Drop the workbench, of either engine."""
    for folder in ("tables", "tables-spark"):
        drop_bench(space.state / folder)


def drop_bench(folder: Path) -> None:
    """Take away what a workbench wrote into its folder."""
    take_away(folder, [name for name in below(folder) if _OF_BENCH.search(name)])


SEAL = "seal.json"  # of a workbench's file, while nobody has it open


def seal_bench(folder: Path) -> None:
    """Note what the workbench's file holds, now that it is closed."""
    with contextlib.suppress(OSError):  # without a seal its own checksums stand for it
        (folder / SEAL).write_bytes(sealed({"files": {BENCH: sha256_file(folder / BENCH)}}))


def unseal_bench(folder: Path) -> None:
    """The workbench's file is about to be changed."""
    (folder / SEAL).unlink(missing_ok=True)


def bench_is_damaged(folder: Path) -> bool:
    """Whether the workbench's file is not what it was when it was closed. One that was never closed, because its run was killed,
    has its own checksums alone. Raises WorkspaceError where a later version wrote it."""
    try:
        return bool(broken(folder, unsealed(folder / SEAL)["files"]) or (folder / f"{BENCH}.wal").exists())
    except FileNotFoundError:
        return False
    except (Damaged, OSError):
        return True
