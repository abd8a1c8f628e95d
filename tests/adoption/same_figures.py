"""Every published figure of a folder as adopted, against those of its canonical files. Names of cups and jobs are free.

The canonical files are written with the names that adopting found (a cup is known by when and what was poured, a job by its steps), so
that rows of both runs have the same keys; nothing else of the adopted reading enters the other run.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipelines import results, settings, steps, workspace
from pipelines import run as runs
from pipelines.workbench import rounded
from pipelines.workspace import Workspace
from schemas import validate
from tests.adoption.drawer import Folder
from tests.adoption.truthful import named

RELATIVE, ABSOLUTE = 1e-8, 1e-11
#: tables about files, not about what happened
OF_FILES = ("intake_files", "refused_rows")


def published(space: Workspace, files: Mapping[str, bytes]) -> dict[str, pl.DataFrame]:
    """Every published table of a workspace with these files alone, as a run makes it: all steps, with their checks; without pages,
    spreadsheets and database file, which hold no figure that is not in a table. Raises RuntimeError where anything is refused.

    A step that reads the very rows which it read before, bit for bit, is not made again: that makes the second of two runs cheap.
    """
    for one in workspace.inputs(space):
        if one.path not in files:
            one.full.unlink()
    for name, data in files.items():
        path = space.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    with runs.begin(space, runs.Silent()) as run:
        steps.bring_up_to_date(run)
        lost = run.bench.read("refused_rows")
        unread = run.bench.read("intake_files").filter(pl.col("state") == "refused")
        if lost.height or unread.height:
            raise RuntimeError(
                f"{lost.height} rows and {unread.height} files were refused: {lost.head(3).to_dicts()}, {unread.head(3).to_dicts()}"
            )
        return {name: rounded(run.bench.read(name)) for name in results.PUBLISHED if name not in OF_FILES}


def of_folder(folder: Folder, layouts: Mapping[str, str], taken: Mapping[str, pl.DataFrame]) -> list[str]:
    """Where a figure of the folder, read with these layouts, differs from the same figure of its canonical files; `taken` are the rows
    as they were read. Each difference says how far off the worst is."""
    registers = {n: t.encode() for n, t in folder.registers.items()}
    own = {f"layouts/{n}.toml": t.encode() for n, t in layouts.items()}
    canonical = {f"inbox/{n}.csv": t.write_csv().encode() for n, t in _renamed(folder.canonical, taken).items()}
    with tempfile.TemporaryDirectory(prefix="filmledger-figures-", dir=os.environ.get("FIGURES_DIR")) as at:
        space, _ = workspace.init(Path(at) / "shop", settings.template())
        mine = published(space, {**folder.files, **registers, **own})
        true = published(space, {**canonical, **registers})
    out = [f"{name}: published by one alone" for name in sorted(set(mine) ^ set(true))]
    for name in sorted(set(mine) & set(true)):
        out += differing(name, true[name], mine[name])
    return out


def differing(name: str, true: pl.DataFrame, mine: pl.DataFrame) -> list[str]:
    """Where two tables of one name differ, column by column: `table.column: n of m, worst 3 %`."""
    key = [k for k in validate.keys(name) if k in true.columns]
    if true.columns != mine.columns or true.height != mine.height:
        return [f"{name}: {mine.height} rows for {true.height}"]
    true, mine = (f.sort(key, nulls_last=True) for f in (true, mine))
    out = []
    for column, kind in true.schema.items():
        if column in ("file", "file_line"):  # where a row was read
            continue
        a, b = true[column], mine[column]
        if kind.is_float():
            off = (a - b).abs()
            bad = (
                (off > RELATIVE * a.abs() + ABSOLUTE).fill_null(False)
                | (a.is_null() != b.is_null())
                | (a.is_nan() != b.is_nan()).fill_null(False)
            )
            worst = (off / a.abs()).filter(bad & (off > ABSOLUTE)).max()
            remark = f", worst {100 * float(worst):.3g} %" if isinstance(worst, float) else ""
        else:
            bad, remark = (
                a.ne_missing(b)
                if not kind.is_nested()
                else pl.Series([x != y for x, y in zip(a.to_list(), b.to_list(), strict=True)], dtype=pl.Boolean),
                "",
            )
        if count := int(bad.sum()):
            at = bad.arg_true()[0]
            out.append(f"{name}.{column}: {count} of {true.height}{remark}, such as {a[at]} and {b[at]}")
    return out


def _renamed(canonical: Mapping[str, pl.DataFrame], taken: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The canonical tables with the names of cups and jobs that adopting gave them."""
    theirs, ours = named(dict(canonical)), named(dict(taken))
    out = dict(canonical)
    for table, column, by in (("pours", "mix_id", "@cup"), ("operations", "job_id", "@job")):
        if table not in theirs or table not in ours:
            continue
        pairs = (
            theirs[table]
            .select(column, by)
            .unique()
            .join(ours[table].select(by, pl.col(column).alias("@now")).unique(), on=by)
        )
        if pairs.select(column).is_duplicated().any() or pairs.select("@now").is_duplicated().any():
            raise ValueError(f"{table}: {column} cannot be told apart by what it holds")
        names = dict(pairs.select(column, "@now").iter_rows())
        out = {n: f.with_columns(pl.col(column).replace(names)) if column in f.columns else f for n, f in out.items()}
    return out
