"""What a change touches: which rows lie before it, which since, and what else differs between the two.

Here belong the two sides of a change over any table of work, and what it could be confounded with. What the change moved is
reckoned in change_effects.py.

    since   the shop's, hand's, gun's, role's and product's rows that the change names, from `on` to `until`
    before  the same before `on`; of a gun that is new the rows of the gun it replaces (none named: of the shop's other guns), of a
            product that is new those of the role's other products
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

Sides = NDArray[np.int8]  # 1 since, -1 before, 0 neither
Change = dict[str, Any]  # a row of the register

NEW_GUN = ("gun_trial", "gun_replaced")
EVERYTHING = ("te", "film_over", "tilt", "edge", "leftover_share", "redo_rate", "cost_per_job")
#: what -> the measures that it may have moved
MEASURES: dict[str, tuple[str, ...]] = {
    **dict.fromkeys((*NEW_GUN, "gun_serviced", "tip", "inlet"), ("te",)),
    "practice": ("te", "film_over", "tilt", "edge", "leftover_share"),
    "product": ("te", "film_over", "cost_per_job"),
    "procedure": EVERYTHING,
    "other": EVERYTHING,
}
APART = 0.25  # of the operations: from here a mix, the months or another change differ between the sides
IN_COMMON = 0.5  # of the operations since that are by hands or guns of the side before: below, few are in common
OTHERS = 10  # operations of the same months that the change did not touch: fewer cannot tell the season from it


def sides(change: Change, frame: pl.DataFrame) -> Sides:
    """The side of each row of `frame`: shop_id, day and what it has of technician_id, gun_id, product_id, role. No row has a side
    where the change names something that the table does not know (no gun mixes a cup)."""
    named = [name for name in ("technician_id", "gun_id", "product_id") if change[name] is not None]
    if not set(named) <= set(frame.columns):
        return np.zeros(frame.height, np.int8)
    here = pl.col("shop_id") == change["shop_id"]
    if change["technician_id"] is not None:
        here &= pl.col("technician_id") == change["technician_id"]
    if change["role"] is not None and "role" in frame.columns:
        here &= pl.col("role") == change["role"]
    new = old = here
    if change["gun_id"] is not None:
        gun, other = pl.col("gun_id") == change["gun_id"], change["replaces_gun_id"]
        new &= gun
        old &= gun if change["what"] not in NEW_GUN else ~gun if other is None else pl.col("gun_id") == other
    if change["product_id"] is not None:
        product = pl.col("product_id") == change["product_id"]
        new &= product
        old &= product if change["what"] != "product" else ~product
        if change["what"] == "product" and "role" in frame.columns:
            old &= pl.col("role").is_in(frame.filter(product)["role"].unique().implode())
    since = new & (pl.col("day") >= change["on"])
    if change["until"] is not None:
        since &= pl.col("day") <= change["until"]
    side = pl.when(since).then(1).when(old & (pl.col("day") < change["on"])).then(-1).otherwise(0)
    return frame.select(side.cast(pl.Int8)).to_series().to_numpy()


def meanwhile(change: Change, frame: pl.DataFrame) -> NDArray[np.bool_]:
    """The shop's rows of the days of a change, touched or not."""
    until = change["until"] or dt.date.max
    return frame.select(
        ((pl.col("shop_id") == change["shop_id"]) & pl.col("day").is_between(change["on"], until)).fill_null(False)
    ).to_series().to_numpy()  # fmt: skip


def confounded(change: Change, role: str | None, sprays: pl.DataFrame, side: dict[str, Sides]) -> str | None:
    """What else differs between the sides of a change, among the operations of a role (None: of all that it names).

    sprays: shop_id, day, gun_id, technician_id, product_id, role; side: change_id -> the sides of its rows. Other changes by id: those
    in force on more of the operations since than of those before, by a quarter of them. Then in words: another product mix (a
    quarter of the operations), the season (calendar months by a quarter, and fewer than 10 operations of those months that the
    change did not touch), few hands or guns in common (less than half of the operations since).
    """
    own, of_role, role = side[change["change_id"]], np.ones(sprays.height, bool), role or change["role"]
    if role is not None:
        of_role = (sprays["role"] == role).to_numpy()
    after, before = (own == 1) & of_role, (own == -1) & of_role
    if not after.any() or not before.any():
        return None
    found = [
        name
        for name, other in sorted(side.items())
        if name != change["change_id"] and (other[after] == 1).mean() - (other[before] == 1).mean() > APART
    ]
    since, until = sprays.filter(after), sprays.filter(before)
    words = []
    if change["what"] != "product" and _apart(since["product_id"], until["product_id"]) > APART:
        words.append("another product mix")
    months = since["day"].dt.month()
    beside = meanwhile(change, sprays) & (own == 0) & of_role
    if _apart(months, until["day"].dt.month()) > APART and beside.sum() < OTHERS:
        words.append("the season: nobody else's work of these months to compare with")
    if change["technician_id"] is None and _common(since["technician_id"], until["technician_id"]) < IN_COMMON:
        words.append("few hands in common")
    if change["gun_id"] is None and _common(since["gun_id"], until["gun_id"]) < IN_COMMON:
        words.append("few guns in common")
    return ", ".join(found + words) or None


def _apart(one: pl.Series, other: pl.Series) -> float:
    """Half of the sum of the differences of the shares of each value: 0 the same mix, 1 nothing in common."""
    a, b = (Counter(dict(values.value_counts().iter_rows())) for values in (one, other))
    return sum(abs(a[x] / a.total() - b[x] / b.total()) for x in sorted(a.keys() | b.keys(), key=str)) / 2


def _common(one: pl.Series, other: pl.Series) -> float:
    return float(one.is_in(other.unique().implode()).to_numpy().mean())
