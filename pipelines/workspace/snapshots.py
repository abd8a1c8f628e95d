"""A set of results: built aside, put in force by the swap of one link, read as one consistent folder.

Its manifest holds the SHA-256 of every file; `set_in_force` looks at all of them, `read_snapshot` at those that it reads. What
was written into a set stands in its list of files, and only that is ever deleted.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Collection, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.workspace.checksums import (
    MANIFEST,
    WRITTEN,
    Damaged,
    Older,
    broken,
    read_plain,
    sealed,
    sha256_file,
    sums,
    take_away,
    unsealed,
    written,
)
from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import WorkspaceError, flush, refusal, told

if TYPE_CHECKING:
    import polars as pl


def begin(space: Workspace) -> None:
    """Clear the folder a run builds in. Raises WorkspaceError where the workspace may not be written."""
    if space.out.is_symlink() and not os.readlink(space.out).startswith(f"{space.snapshots.relative_to(space.root)}/"):
        raise WorkspaceError(
            f"{space.out} is a link of your own, not the one that a run puts there. Move it and run again."
        )
    if space.out.exists() and not space.out.is_symlink():
        raise WorkspaceError(
            f"{space.out} is a folder of its own, not the link that a run puts there. Move it away and run again."
        )
    with told(f"write in {space.root}"):
        clear(space)
        space.building.mkdir(parents=True)  # empty: what is cleared away is what was written


def clear(space: Workspace) -> None:
    """Take away what a run was building. What somebody else put there is set aside."""
    if space.building.exists() and not take_away(space.building, written(space.building)):
        number = 1
        while (aside := space.state / f"not_ours_{number}").exists():
            number += 1
        os.rename(space.building, aside)


def write_table(space: Workspace, name: str, write: Callable[[Path], object]) -> None:
    """Have one published table of the set being built written, as parquet."""
    target = _place(space, f"tables/{name}.parquet")
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
        with open(space.building / WRITTEN, "a", encoding="utf-8") as handle:
            handle.write(f"{relative}\n")
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

    A text is taken for one when it begins with one of FORMULA_STARTS and is not just a number.
    """
    import polars as pl

    from schemas.vocabulary import FORMULA_STARTS

    lists = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.List)]
    frame = frame.with_columns(pl.col(name).list.join("; ") for name in lists)
    starts = rf"^[{re.escape(FORMULA_STARTS)}]"
    some = frame.select(pl.col(pl.String).str.contains(starts).any())
    return frame.with_columns(
        pl.when(pl.col(name).str.contains(starts) & ~pl.col(name).str.contains(r"^[+-]?[\d.,]+$"))
        .then("'" + pl.col(name))
        .otherwise(pl.col(name))
        .alias(name)
        for name in some.columns
        if some[name].item()
    )


def file_name_of(path: str) -> str:
    """A flat file name for a path inside the workspace, distinct for distinct paths, plain on every system."""
    flat = re.sub(r"[^\w.\-]+", "_", path.replace("/", "__"), flags=re.ASCII)[-100:].lstrip(".")
    plain = path.replace("/", "__")
    return flat if flat == plain else f"{flat}.{hashlib.sha256(path.encode()).hexdigest()[:8]}"


def write_basis(space: Workspace, name: str, frame: pl.DataFrame) -> None:
    """Write a table that readers of the set being built look up beside its results, and that is no result itself."""
    target = _place(space, f"basis/{name}.parquet")
    with told(f"write {target}"):
        frame.write_parquet(target, compression="zstd")


def write_database(space: Workspace, fill: Callable[[Path], None]) -> None:
    """filmledger.duckdb of the set being built, filled by `fill`."""
    import duckdb

    target = _place(space, "filmledger.duckdb")
    _place(space, "filmledger.duckdb.wal")  # where it is killed meanwhile
    try:
        fill(target)
    except duckdb.Error as error:
        raise refusal(error, f"write {target}") from error


def publish(space: Workspace, manifest: Mapping[str, Any], earlier: int = 1) -> Path:
    """Put the finished set in force and return its folder. Readers see the old set until one rename, then the new.

    The set before stays for readers that are still in it, and of older ones as many as make `earlier` with it.
    """
    with told(f"publish the results in {space.root}"):
        files = [name for name in written(space.building)[:-2] if (space.building / name).is_file()]
        (space.building / MANIFEST).write_bytes(sealed({**manifest, "files": sums(space.building, files)}))
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
    drop_earlier_sets(space, {target, before}, earlier + 1)
    return target


def drop_earlier_sets(space: Workspace, keep: Collection[Path | None] = (), most: int = 0) -> None:
    """Take finished sets away but the one in force, those to be kept, and the latest until `most` are there."""
    stay = {space.snapshot(), *keep}
    numbers = sorted((int(name) for name in os.listdir(space.snapshots) if name.isdecimal()), reverse=True)
    for at, number in enumerate(numbers):
        folder = space.snapshots / f"{number:06d}"
        if at >= most and folder not in stay:
            take_away(folder, written(folder))


def read_snapshot(folder: Path, names: Iterable[str]) -> dict[str, pl.DataFrame]:
    """Tables of one finished set by name, results and what stands beside them; one that it lacks is left out.

    Raises WorkspaceError where one of them is not what was written."""
    import io

    import polars as pl

    files = said_of(folder)["files"]
    found: dict[str, pl.DataFrame] = {}
    for name in names:
        place = next((one for one in (f"tables/{name}.parquet", f"basis/{name}.parquet") if one in files), None)
        if place is None:
            continue
        try:
            content = read_plain(folder / place)
        except OSError:
            content = b""
        if hashlib.sha256(content).hexdigest() != files[place]:
            raise WorkspaceError(_unfit(folder, f"{place} is damaged"))
        found[name] = pl.read_parquet(io.BytesIO(content))
    return found


def said_of(folder: Path) -> dict[str, Any]:
    """What a finished set says of itself. Raises WorkspaceError where that cannot be used."""
    try:
        return unsealed(folder / MANIFEST)
    except Older as older:
        raise WorkspaceError(_unfit(folder, "they were written by an earlier version of the program")) from older
    except (Damaged, FileNotFoundError) as error:
        raise WorkspaceError(_unfit(folder, f"{MANIFEST} is missing or damaged")) from error


def _unfit(folder: Path, why: str) -> str:
    root = folder.parents[2]
    return f"The results in force cannot be used: {why}. A run makes them anew: filmledger run {root}"


def set_in_force(space: Workspace, of: Callable[[Path], str] = sha256_file) -> tuple[dict[str, Any] | None, str | None]:
    """What the finished set says of itself, as far as that can be told, and what is wrong with the set: None where every file is
    there as it was written, or where there never was a set. Raises WorkspaceError where a later version wrote it."""
    folder = space.snapshot()
    if folder is None:
        return None, "the results in force have vanished" if space.out.is_symlink() else None
    try:
        manifest = unsealed(folder / MANIFEST)
    except Older:
        return None, "the results in force were written by an earlier version of the program"
    except (Damaged, FileNotFoundError):
        return None, f"{MANIFEST} of the results in force is missing or damaged"
    wrong = broken(folder, manifest["files"], of)
    if wrong:
        more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        return manifest, f"{wrong[0]}{more} of the results in force is missing or not what was written"
    return manifest, None


def said_in_force(space: Workspace) -> dict[str, Any]:
    """What the finished set says of itself, its files not looked at; nothing where there is none or it does not say. Raises
    WorkspaceError where a later version wrote it."""
    folder = space.snapshot()
    try:
        return unsealed(folder / MANIFEST) if folder else {}
    except (Damaged, FileNotFoundError):
        return {}


def manifest_in_force(space: Workspace) -> dict[str, Any] | None:
    """What the finished set says of itself; None where there is none or a file of it is not what was written."""
    manifest, wrong = set_in_force(space)
    return None if wrong else manifest
