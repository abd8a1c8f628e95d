"""A set of results: built aside, put in force by the swap of one link, read as one consistent folder."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import WorkspaceError, flush, refusal, told

if TYPE_CHECKING:
    import polars as pl

MANIFEST = ".manifest.json"
SPREADSHEET_STARTS = "=+-@\t\r"


def begin(space: Workspace) -> None:
    """Clear the folder a run builds in. Raises WorkspaceError where the workspace may not be written."""
    if space.out.exists() and not space.out.is_symlink():
        raise WorkspaceError(
            f"{space.out} is a folder of its own, not the link that a run puts there. Move it away and run again."
        )
    with told(f"write in {space.root}"):
        if space.building.exists():
            shutil.rmtree(space.building)
        (space.building / "tables").mkdir(parents=True)


def write_table(space: Workspace, name: str, write: Callable[[Path], object]) -> None:
    """Have one published table of the set being built written, as parquet."""
    target = space.building / "tables" / f"{name}.parquet"
    with told(f"write {target}"):
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
    with told(f"write {target}"):
        target.write_bytes(content)


def _place(space: Workspace, relative: str) -> Path:
    target = space.building / relative
    if not target.resolve().is_relative_to(space.building.resolve()):
        raise WorkspaceError(f"{relative} leads out of the set being built; it was not written.")
    with told(f"write {target}"):
        target.parent.mkdir(parents=True, exist_ok=True)
    return target


def write_csv(space: Workspace, relative: str, parts: Iterable[pl.DataFrame]) -> None:
    """Write frames, one below the other, as one UTF-8 CSV for spreadsheets: lists joined by "; ", texts that a spreadsheet
    would run defused."""
    target = _place(space, relative)
    with told(f"write {target}"), open(target, "wb") as handle:
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
    with told(f"write {target}"):
        target.parent.mkdir(exist_ok=True)
        frame.write_parquet(target, compression="zstd")


def write_database(space: Workspace, fill: Callable[[Path], None]) -> None:
    """filmledger.duckdb of the set being built, filled by `fill`."""
    import duckdb

    target = space.building / "filmledger.duckdb"
    try:
        fill(target)
    except duckdb.Error as error:
        raise refusal(error, f"write {target}") from error


def publish(space: Workspace, manifest: Mapping[str, Any]) -> Path:
    """Put the finished set in force and return its folder. Readers see the old set until one rename, then the new.

    The set before stays for readers that are still in it; older ones go.
    """
    with told(f"publish the results in {space.root}"):
        sizes = {
            full.relative_to(space.building).as_posix(): full.stat().st_size
            for full in sorted(space.building.rglob("*"))
            if full.is_file()
        }
        written = json.dumps({**manifest, "files": sizes}, ensure_ascii=False, sort_keys=True, indent=1)
        (space.building / MANIFEST).write_text(written + "\n", encoding="utf-8")
        for full in space.building.rglob("*"):
            flush(full)
        space.snapshots.mkdir(exist_ok=True)
        numbers = [int(name) for name in os.listdir(space.snapshots) if name.isdecimal()]
        target = space.snapshots / f"{max(numbers, default=0) + 1:06d}"
        before = space.snapshot()
        os.rename(space.building, target)
        flush(space.snapshots)
        link = space.state / "out.link"
        link.unlink(missing_ok=True)
        link.symlink_to(target.relative_to(space.root))
        os.replace(link, space.out)
        flush(space.root)
    for entry in os.listdir(space.snapshots):
        if space.snapshots / entry not in (target, before):
            shutil.rmtree(space.snapshots / entry, ignore_errors=True)
    return target


def read_snapshot(folder: Path, names: Iterable[str]) -> dict[str, pl.DataFrame]:
    """Tables of one finished set by name, results and what stands beside them; one that it lacks is left out."""
    import polars as pl

    places = {name: (folder / "tables" / f"{name}.parquet", folder / "basis" / f"{name}.parquet") for name in names}
    found = {name: next((full for full in both if full.is_file()), None) for name, both in places.items()}
    return {name: pl.read_parquet(full) for name, full in found.items() if full}


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
