"""Ids that exports use and registers do not know, all at once, and rows to begin their registers with. Frames in, text out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Any

import polars as pl

from pipelines.intake.reading.read import FileRead
from schemas import validate
from schemas.registers import REGISTERS

SCHEMA: dict[str, Any] = {
    "register": pl.String, "id": pl.String, "rows": pl.Int64, "poured_g": pl.Float64,
    "first_seen": pl.Datetime("us"), "shop_id": pl.String, "file": pl.String,
    "first_in_cup": pl.Float64,
}  # fmt: skip


def missing(reads: Iterable[FileRead]) -> pl.DataFrame:
    """One row for each id that no row of its register has, the most material first: `rows` that name it, `poured_g` of it (g),
    when and in which file it is first seen, the shop, and how often it is the first pour of its cup (0 to 1)."""
    known: dict[str, set[str]] = {}
    used: list[pl.DataFrame] = []
    panels = _Panels()
    for read in reads:
        for table, part in read.tables.items():
            if not table or not part.height:
                continue
            infos = validate.columns(table)
            rows = part.rows.collect()
            panels.see(table, rows, read.file)
            if table in REGISTERS and (keys := [c.name for c in infos if c.key and c.kind == "text"]):
                known.setdefault(table, set()).update(rows[keys[0]].drop_nulls())
            at = next((c.name for c in infos if c.kind in ("datetime", "date") and c.required), None)
            for info in infos:
                if info.refers_to in REGISTERS and table not in REGISTERS:
                    used.append(_named(rows, table, info.name, info.refers_to, at, read.file))
    used.append(panels.without_area())
    if not any(one.height for one in used):
        return pl.DataFrame(schema=SCHEMA)
    every = pl.concat(used).group_by("register", "id").agg(
        pl.col("rows").sum(), pl.col("poured_g").sum(), pl.col("first_seen").min(), pl.col("shop_id").drop_nulls().sort().first(),
        pl.col("file").sort_by("first_seen", "file", nulls_last=True).first(), pl.col("first_in_cup").max(),
    )  # fmt: skip
    lost = [one not in known.get(register, set()) for register, one in every.select("register", "id").iter_rows()]
    return (
        every.filter(pl.Series(lost, dtype=pl.Boolean))
        .select(*SCHEMA)
        .sort("poured_g", "rows", "register", "id", descending=[True, True, False, False])
    )


class _Panels:
    """Panels that steps name without an area, by the class of their vehicle."""

    def __init__(self) -> None:
        self.known: set[tuple[str, str, str]] = set()
        self.classes: dict[tuple[str, str], str] = {}
        self.named: list[tuple[str, str, str, str, str]] = []

    def see(self, table: str, rows: pl.DataFrame, file: str) -> None:
        if table == "panel_areas":
            self.known |= set(rows.select("vehicle_class", "panel_id", "face").iter_rows())
        elif table == "jobs":
            told = rows.drop_nulls("vehicle_class").select("shop_id", "job_id", "vehicle_class")
            self.classes |= {(shop, job): vehicle for shop, job, vehicle in told.iter_rows()}
        elif table == "operation_panels":
            bare = rows.filter(pl.col("area_m2").is_null()).select("shop_id", "job_id", "panel_id", "face")
            self.named += [(*one, file) for one in bare.iter_rows()]

    def without_area(self) -> pl.DataFrame:
        out: dict[str, list[Any]] = {}
        for shop, job, panel, face, file in self.named:
            vehicle = self.classes.get((shop, job))
            if vehicle is not None and (vehicle, panel, face or "outer") not in self.known:
                out.setdefault(
                    _KEYED.join((vehicle, panel, face or "outer")), ["panel_areas", "", 0, 0.0, None, shop, file, None]
                )[2] += 1
        made = [[found[0], name, *found[2:]] for name, found in out.items()]
        return pl.DataFrame(made, schema=SCHEMA, orient="row")


HEAD = "# to be completed: added because exports name them"  # above rows that `stubs` makes
#: stands between the parts of an id of several columns
_KEYED = " / "


def _named(rows: pl.DataFrame, table: str, column: str, register: str, at: str | None, file: str) -> pl.DataFrame:
    poured = (
        pl.col("weighed_g").fill_null(0.0).sum()
        if table == "pours" and column in ("component_id", "product_id")
        else pl.lit(0.0)
    )
    first = (
        (pl.col("pour_no") == 1).mean() if table == "pours" and column == "component_id" else pl.lit(None, pl.Float64)
    )
    seen = pl.col(at).cast(pl.Datetime("us")).min() if at else pl.lit(None, pl.Datetime("us"))
    shop = (
        pl.col("shop_id").drop_nulls().sort().first()
        if "shop_id" in rows.columns and column != "shop_id"
        else pl.lit(None, pl.String)
    )
    found = rows.filter(pl.col(column).is_not_null()).group_by(pl.col(column).alias("id")).agg(
        pl.len().cast(pl.Int64).alias("rows"), poured.alias("poured_g"), seen.alias("first_seen"), shop.alias("shop_id"), first.alias("first_in_cup")
    )  # fmt: skip
    return found.with_columns(register=pl.lit(register), file=pl.lit(file)).select(*SCHEMA)


def told(lost: pl.DataFrame) -> list[str]:
    """A line for each id."""
    out = []
    for row in lost.iter_rows(named=True):
        seen = f", first on {row['first_seen']:%Y-%m-%d}" if row["first_seen"] else ""
        mass = f", {row['poured_g'] / 1000:,.1f} kg poured" if row["poured_g"] else ""
        out.append(f"{row['register']}: {row['id']}: {row['rows']:,} rows{mass}{seen} ({row['file']})")
    return out


def stubs(lost: pl.DataFrame, header: Mapping[str, list[str]]) -> dict[str, tuple[list[str], list[str]]]:
    """Register -> lines to add to its CSV, and the columns that must be filled in before they count. `header`: register -> its
    columns as they stand in its file. Lines that lack something needed are comments: without it they would be refused."""
    out: dict[str, tuple[list[str], list[str]]] = {}
    for (register,), rows in lost.sort("register", "id").group_by("register", maintain_order=True):
        infos = validate.columns(str(register))
        ids = next(c.name for c in infos if c.key and c.kind == "text")
        given = {ids, "label", "shop_id", "panel_id"}  # told by the exports
        needed = [c.name for c in infos if c.required and c.name not in given]
        lines = []
        for row in rows.iter_rows(named=True):
            cells = {"label": row["id"], "shop_id": row["shop_id"] or "", ids: row["id"]}
            if register == "panel_areas":
                cells = dict(zip(("vehicle_class", "panel_id", "face"), row["id"].split(_KEYED), strict=True))
            if register == "components" and (row["first_in_cup"] or 0) >= 0.8:
                cells["kind"] = "binder"
            line = _line([cells.get(name, "") for name in header[str(register)]])
            lines.append(
                f"# {line}"
                if needed
                or (not row["shop_id"] and any(c.name == "shop_id" and c.required and c.name != ids for c in infos))
                else line
            )
        out[str(register)] = (lines, needed)
    return out


def _line(cells: list[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow(cells)
    return text.getvalue()
