"""What `filmledger check` says beyond the counts: commonest reasons with what to change, the first rows as they would be
read, and the gaps of the registers by how much material they hide. Frames in, frames out; nothing is printed here.
"""

from __future__ import annotations

import csv
import io
import re
from typing import Any

import polars as pl

from schemas import validate

#: a pattern in a reason -> what to change, where the reason itself does not say it
CHANGES = [
    (r"is not in registers/", "correct the id in the export, or add its row to the register"),
    (r"is not in (pours|operations|jobs)", "bring the export that holds it into the inbox, or correct the number"),
    (r"must not be empty", "fill the cell in at its source, or let the layout make it (a constant, a pattern, numbers)"),
    (r"is not a number", "let the export write plain digits; a layout can say decimal, thousands and unit"),
    (r"is not a (time|date) that exists", "give the format in the layout, or correct the cell"),
    (r"must be (at least|at most|greater)", "look for a wrong unit or a slipped decimal mark"),
    (r"must be one of", "let the layout rename it: values = { \"theirs\" = \"ours\" }"),
    (r"^key conflict", "keep the right row of those with one key, or let the layout number the rows"),
    (r"no table takes this row", "add a [[tables]] entry whose `where` takes it, or name it in `skip`"),
    (r"cells, the header", "put texts that hold the delimiter into quotes, or export with another delimiter"),
    (r"after_operation", "fill in after_operation, or the end times of the steps and taken_at of the readings"),
    (r"leftover above poured|weighed up", "look for a forgotten tare, or two cups mixed up"),
]  # fmt: skip


def change(reason: str) -> str:
    """What to change for a reason, or an empty text where the reason says it all."""
    return next((told for pattern, told in CHANGES if re.search(pattern, reason)), "")


def kinds(reasons: pl.DataFrame) -> pl.DataFrame:
    """Reasons by kind, commonest first: table, kind, rows, reason, file, line, raw (of the first), change. `reasons`: file,
    line, table, reason, raw."""
    found = (
        reasons.with_columns(kind=pl.col("reason").str.replace_all(r"'[^']*'|\d[\d.,]*", "..."))
        .with_columns(
            kind=pl.col("kind").str.replace(
                r"; did you mean \.\.\.\?$| \(it has [., ]*\)$|; correct it, or bring what holds it$", ""
            )
        )
        .sort("file", "line")
        .group_by("table", "kind", maintain_order=True)
        .agg(pl.len().alias("rows"), pl.col("reason", "file", "line", "raw").first())
        .sort("rows", descending=True, maintain_order=True)
    )
    return found.with_columns(pl.col("reason").map_elements(change, return_dtype=pl.String).alias("change"))


def first_rows(tables: dict[str, pl.DataFrame], file: str, n: int = 20) -> dict[str, pl.DataFrame]:
    """The first `n` rows of each table that came from `file`, columns that hold something, in the order of the file."""
    out = {}
    for table, frame in tables.items():
        of_file = (pl.col("file") == file) | pl.col("file").str.starts_with(f"{file}, sheet '")
        rows = frame.filter(of_file).sort("file", "line").head(n)
        if rows.height:
            out[table] = rows.select(
                "line", *(c.name for c in validate.columns(table) if rows[c.name].null_count() < rows.height)
            )
    return out


#: kind of `incomplete` -> the tables whose rows hang on it, and by which ids
_PARENTS = {
    "cup": (("pours", "leftovers", "draws"), ["shop_id", "mix_id"]),
    "operation": (
        ("operations", "operation_panels", "draws", "target_weighings"),
        ["shop_id", "job_id", "operation_no"],
    ),
    "panel_stage": (("readings",), ["shop_id", "job_id", "panel_id", "after_operation"]),
}


def incomplete(found: pl.DataFrame) -> dict[str, int]:
    """How many cups, operations and panel stages are incomplete, by their name. `found`: the table incomplete."""
    counts: dict[str, int] = {}
    for what, (_, ids) in _PARENTS.items():
        n = found.filter(pl.col("what") == what).select(ids).n_unique()
        name = what.replace("_", " ")
        counts |= {name + ("s" if n > 1 else ""): n} if n else {}
    return counts


def rows_incomplete(tables: dict[str, pl.DataFrame], found: pl.DataFrame) -> int:
    """Rows in force that belong to a cup, operation or panel stage in the table incomplete; each counted once."""
    hanging: dict[str, list[pl.Series]] = {}
    for what, (names, ids) in _PARENTS.items():
        left = found.filter(pl.col("what") == what).select(ids).unique()
        for table in names:
            rows = tables[table].with_row_index("@row").join(left, on=ids, how="semi")
            hanging.setdefault(table, []).append(rows["@row"])
    return sum(pl.concat(rows).n_unique() for rows in hanging.values())


# --- gaps of the registers --------------------------------------------------------------------------------------------

GAPS = {"register": pl.String, "id": pl.String, "gap": pl.String, "hidden_g": pl.Float64}


def gaps(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """What the registers lack, worst first: register, id, gap, hidden_g (mass poured that the gap keeps from being followed,
    g; 0 where nothing was poured)."""
    pours = tables["pours"].filter(pl.col("weighed_g").is_not_null())
    by_component = _sums(pours, "component_id")
    by_product = _sums(pours, "product_id")
    found = [
        *_components(tables["components"], by_component),
        *_products(tables["products"], by_product),
        *_guns(tables, pours),
    ]
    frame = pl.DataFrame(found, schema=GAPS, orient="row")
    return frame.unique().sort("hidden_g", "register", "id", "gap", descending=[True, False, False, False])


def _sums(pours: pl.DataFrame, by: str) -> dict[str, float]:
    sums = pours.filter(pl.col(by).is_not_null()).group_by(by).agg(pl.col("weighed_g").sort().sum())
    return {one: max(0.0, mass) for one, mass in sums.iter_rows()}


Gap = tuple[str, str, str, float]


def _components(components: pl.DataFrame, mass: dict[str, float]) -> list[Gap]:
    out: list[Gap] = []
    known = set(components["component_id"])
    for one in sorted(set(mass) - known):
        out.append(("components", one, "no usable row: it is missing or refused", mass[one]))
    for row in components.iter_rows(named=True):
        one, hidden = row["component_id"], mass.get(row["component_id"], 0.0)
        solids, volume, density = row["solids_mass_fraction"], row["solids_volume_fraction"], row["density_g_per_ml"]
        lacking = [n for n in ("density_g_per_ml", "solids_mass_fraction", "solids_volume_fraction") if row[n] is None]
        if lacking:
            out.append(("components", one, f"no {', '.join(lacking)}", hidden))
        parts = [row[f"{p}_mass_fraction"] for p in ("solids", "voc", "water", "exempt")]
        total = sum(p for p in parts if p is not None)
        if parts[0] is not None and parts[1] is None:
            out.append(("components", one, "no voc_mass_fraction", hidden))
        elif parts[0] is not None and None in parts and total < 0.99:
            told = f"the fractions given sum to {total:g}; name the rest (water, exempt), or write 0"
            out.append(("components", one, told, hidden))
        if None not in (solids, volume, density) and 0 < volume < 1:
            dry, wet = density * solids / volume, density * (1 - solids) / (1 - volume)
            if not 0.8 <= dry <= 4:
                out.append(("components", one, f"a dry film of {dry:.2f} g/mL is not plausible (0.8-4)", hidden))
            if solids < 1 and not 0.6 <= wet <= 1.6:
                out.append(("components", one, f"volatiles of {wet:.2f} g/mL are not plausible (0.6-1.6)", hidden))
    return out


def _products(products: pl.DataFrame, mass: dict[str, float]) -> list[Gap]:
    out: list[Gap] = []
    for row in products.iter_rows(named=True):
        one, hidden = row["product_id"], mass.get(row["product_id"], 0.0)
        lacking = [n for n in ("film_min_um", "film_max_um") if row[n] is None]
        if lacking:
            out.append(("products", one, f"no film window ({', '.join(lacking)})", hidden))
        if row["tip_min_mm"] is None and row["tip_max_mm"] is None:
            out.append(("products", one, "no tip sizes of its data sheet", hidden))
    return out


def _guns(tables: dict[str, pl.DataFrame], pours: pl.DataFrame) -> list[Gap]:
    """Guns by the cups they drew from: a cup of several guns counts for each with its equal part."""
    cup, step = ["shop_id", "mix_id"], ["shop_id", "job_id", "operation_no"]
    cups = pours.group_by(cup).agg(pl.col("weighed_g").sort().sum().alias("g"), pl.col("job_id").drop_nulls().first())
    sprays = tables["operations"].filter(pl.col("gun_id").is_not_null()).select(*step, "gun_id")
    drawn = tables["draws"].select(*step, "mix_id").join(sprays, on=step)
    by_job = cups.join(drawn.select(cup).unique(), on=cup, how="anti").join(sprays, on=["shop_id", "job_id"])
    pairs = pl.concat([drawn.select(*cup, "gun_id"), by_job.select(*cup, "gun_id")]).unique()
    share = pairs.with_columns((1 / pl.len().over(cup)).alias("part")).join(cups.select(*cup, "g"), on=cup)
    mass = dict(share.group_by("gun_id").agg((pl.col("g") * pl.col("part")).sort().sum()).iter_rows())
    out: list[Gap] = []
    for row in tables["guns"].iter_rows(named=True):
        hidden = max(0.0, mass.get(row["gun_id"], 0.0))
        if row["tip_mm"] is None:
            out.append(("guns", row["gun_id"], "no tip_mm", hidden))
        if row["flush_loss_g"] is None:
            out.append(("guns", row["gun_id"], "no flush_loss_g: the setting is used", hidden))
    return out


# --- changes that records tell --------------------------------------------------------------------------------------------

FIRST_WEEKS = 30  # days of a shop's records in which every gun is new to them
OF_WORK = {"rebuilt": "gun_serviced", "tip_changed": "tip"}


def changes(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """What records tell of guns and the register of changes does not, latest first: seen, row (as it would stand in
    registers/changes.csv, for people to copy and complete). Services but cleanings, a gun's first job, a tip of another size."""
    guns = tables["guns"].sort("gun_id", "valid_from", nulls_last=False)
    home = dict(guns.select("gun_id", "shop_id").iter_rows())
    found: list[tuple[Any, str, str, str, str, str]] = []  # on, what, shop, gun, seen, after
    for gun, on, work in tables["gun_services"].select("gun_id", "serviced_on", "work").iter_rows():
        if work in OF_WORK and gun in home:
            found.append((on, OF_WORK[work], home[gun], gun, f"gun {gun} was {work.replace('_', ' ')}", ""))
    tips = guns.with_columns(was=pl.col("tip_mm").shift(1).over("gun_id"))
    for gun, shop, on, tip, was in tips.select("gun_id", "shop_id", "valid_from", "tip_mm", "was").iter_rows():
        if None not in (on, tip, was) and tip != was:
            found.append(
                (on, "tip", shop, gun, f"gun {gun} has a tip of {tip:g} mm instead of {was:g} mm", f"{tip:g} mm")
            )
    sprays = tables["operations"].filter(pl.col("gun_id").is_not_null() & pl.col("started_at").is_not_null())
    first = (
        sprays.group_by("shop_id", "gun_id").agg(on=pl.col("started_at").min().dt.date())
        .with_columns(begun=pl.col("on").min().over("shop_id")).sort("shop_id", "gun_id")
    )  # fmt: skip
    for shop, gun, on, begun in first.select("shop_id", "gun_id", "on", "begun").iter_rows():
        if (on - begun).days > FIRST_WEEKS:
            found.append((on, "gun_trial", shop, gun, f"gun {gun} sprayed for the first time in {shop}", ""))
    known = set(tables["changes"].select("gun_id", "on").iter_rows())
    header = [info.name for info in validate.columns("changes")]
    out: dict[tuple[str, Any], tuple[Any, str, str]] = {}  # one line a gun and day
    for on, what, shop, gun, seen, after in sorted(found):
        if (gun, on) not in known:
            cells = {
                "change_id": f"{gun}_{on}",
                "on": str(on),
                "what": what,
                "shop_id": shop,
                "gun_id": gun,
                "after": after,
            }
            text = io.StringIO()
            csv.writer(text, lineterminator="").writerow([cells.get(name, "") for name in header])
            out.setdefault((gun, on), (on, f"{on}: {seen}", text.getvalue()))
    schema = {"on": pl.Date, "seen": pl.String, "row": pl.String}
    rows = pl.DataFrame(list(out.values()), schema=schema, orient="row")
    return rows.sort("on", "row", descending=[True, False]).select("seen", "row")
