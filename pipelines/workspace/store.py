"""The store of files that were read: by content, each entry whole or not at all."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import told

if TYPE_CHECKING:
    import polars as pl

ROW_GROUP = 1 << 14  # rows of a kept frame that are read together where some of them are wanted


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
        with told(f"keep what was read in {self.target.parent}"):
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
        with told(f"keep what was read in {self.target.parent}"):
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
