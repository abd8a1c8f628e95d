"""What an analyst would write: the ledger of one workspace in plain pandas, with nothing validated.

    python tests/bench/plain_pandas.py WORKSPACE

For comparison of time and memory alone (whole_run.py prints it beside the pipeline). It trusts every row: no refusals, no
duplicates or later exports, no leftover poured into another cup, no witness strips, no gauge checks, no shares given or
sanding between stages, one ratio of sums for each gun, technician and role, no interval. It writes two CSV files, the
ledger and the months, beside the workspace's own results, and prints their totals.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

OPERATION = ["shop_id", "job_id", "operation_no"]
CUP = ["shop_id", "mix_id"]
FLUSH_G = 5.0


def tables(root: Path) -> dict[str, pd.DataFrame]:
    """Every CSV file of inbox and registers, by the table its name starts with; several files of a table together."""
    found: dict[str, list[pd.DataFrame]] = {}
    for folder in ("inbox", "registers"):
        for path in sorted((root / folder).glob("*.csv")):
            found.setdefault(path.stem.split("-")[0], []).append(pd.read_csv(path, low_memory=False))
    return {name: pd.concat(parts, ignore_index=True) for name, parts in found.items()}


def cups(t: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Mass, solids, VOC and cost of each cup, its leftover and its month."""
    pours = t["pours"].merge(t["components"].drop_duplicates("component_id", keep="last"), on="component_id")
    pours["volume"] = pours.weighed_g / pours.density_g_per_ml
    pours["solids_g"] = pours.weighed_g * pours.solids_mass_fraction
    pours["solids_ml"] = pours.volume * pours.solids_volume_fraction
    pours["voc_g"] = pours.weighed_g * pours.voc_mass_fraction
    pours["cost"] = pours.weighed_g / 1000 * pours.price_per_kg
    pours["month"] = pours.poured_at.str[:7]
    amounts = ["weighed_g", "volume", "solids_g", "solids_ml", "voc_g", "cost"]
    cup = pours.groupby(CUP).agg({**dict.fromkeys(amounts, "sum"), "product_id": "first", "month": "min"}).reset_index()
    last = t["leftovers"].sort_values("weigh_no").groupby(CUP).leftover_g.last()
    return cup.merge(last.reset_index(), on=CUP, how="left").fillna({"leftover_g": 0.0})


def landed(t: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Film gained between neighbouring stages times the panel's area, mL per job and last operation of the step."""
    areas = t["panel_areas"].query("face == 'outer'")[["vehicle_class", "panel_id", "area_m2"]]
    jobs = t["jobs"][["shop_id", "job_id", "vehicle_class"]]
    panel = ["shop_id", "job_id", "panel_id"]
    mean = t["readings"].groupby([*panel, "after_operation"]).reading_um.mean().reset_index()
    mean["before"] = mean.groupby(panel).after_operation.shift()
    mean["film"] = mean.reading_um - mean.groupby(panel).reading_um.shift()
    gained = (
        mean.dropna(subset=["before"])
        .merge(jobs, on=["shop_id", "job_id"])
        .merge(areas, on=["vehicle_class", "panel_id"])
    )
    gained["ml"] = gained.film * gained.area_m2
    step = ["shop_id", "job_id", "before", "after_operation"]
    return gained.groupby(step).ml.sum().reset_index()


def ledger(t: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """One row per operation and cup: poured, leftover, flush, overspray and landed solids in g."""
    cup = cups(t)
    drawn = t["draws"].merge(cup, on=CUP)
    drawn["part"] = 1 / drawn.groupby(CUP).mix_id.transform("size")
    gone = ((drawn.weighed_g - drawn.leftover_g) * drawn.part - FLUSH_G).clip(lower=0)
    drawn["sprayed_g"] = gone * drawn.solids_g / drawn.weighed_g
    drawn["sprayed_ml"] = gone * drawn.solids_ml / drawn.weighed_g
    sprays = t["operations"].query("kind == 'spray'")
    roles = t["products"].drop_duplicates("product_id", keep="last")[["product_id", "role", "film_max_um"]]
    rows = drawn.drop(columns="product_id").merge(sprays, on=OPERATION).merge(roles, on="product_id")

    film = landed(t)
    alone = film[film.after_operation == film.before + 1].rename(columns={"after_operation": "operation_no"})
    direct = rows.merge(alone[[*OPERATION, "ml"]], on=OPERATION)
    cell = ["shop_id", "gun_id", "technician_id", "role"]
    sums = direct.groupby(cell).agg(ml=("ml", "sum"), sprayed=("sprayed_ml", "sum"))
    overall = sums.ml.sum() / sums.sprayed.sum()
    te = (sums.ml / sums.sprayed).rename("te").reset_index()
    rows = rows.merge(te, on=cell, how="left").fillna({"te": overall})
    rows["leftover_solids_g"] = rows.leftover_g * rows.part * rows.solids_g / rows.weighed_g
    rows["poured_solids_g"] = rows.solids_g * rows.part
    rows["landed_solids_g"] = rows.sprayed_g * rows.te
    rows["overspray_solids_g"] = rows.sprayed_g - rows.landed_solids_g
    rows["flush_solids_g"] = rows.poured_solids_g - rows.leftover_solids_g - rows.sprayed_g
    parts = ["poured_solids_g", "leftover_solids_g", "flush_solids_g", "overspray_solids_g", "landed_solids_g"]
    return rows[[*OPERATION, "mix_id", "gun_id", "technician_id", "role", *parts]].sort_values([*OPERATION, "mix_id"])


def main() -> None:
    root = Path(sys.argv[1])
    t = tables(root)
    rows = ledger(t)
    months = cups(t).groupby(["shop_id", "month"])[["volume", "solids_g", "voc_g", "cost"]].sum().reset_index()
    rows.to_csv(root / "plain_ledger.csv", index=False)
    months.to_csv(root / "plain_months.csv", index=False)
    print(rows.select_dtypes("number").sum().to_string())
    print(f"{len(rows)} rows, {len(months)} months of shops")


if __name__ == "__main__":
    main()
