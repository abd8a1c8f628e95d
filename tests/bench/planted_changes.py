"""Bench: businesses drawn with changes that helped, did nothing or were asked of whoever looked lowest by chance.

    python tests/bench/planted_changes.py [--only NAME] [--n N] [--seed FIRST]

Said are the cover of published intervals of `difference`, how often `shown` stands where nothing changed, and how often a coached
lowest hand is called better though nothing changed (shown, and better). Everything is invented; bars stand beside the figures.

transfer   records drawn with known truth (tests/networks.py): gun_serviced +8 % on a gun, tip on another without effect, a practice of
           the hand whose plain records before were lowest without effect, a procedure of a whole shop without effect
tilt       panels: a hand that tilts by .2 halves it; the hand that leans most by chance is coached without effect
leftover   cups: the hand that leaves most by chance is coached without effect; another falls by 5 points
redone     operations of whom 3 % are repeated, in some jobs several together: half of them since a change of a shop, twice as many
           since another, a hand whose repeats were most is coached without effect
settings   records drawn as for transfer: a tip 0.2 mm outside its window costs one role 6 %; pressure, coats and all else do nothing
whole      businesses of the demo's scenario, from its event tables through ledger and decisions: its own three changes, with what
           they are worth
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipelines.settings import Settings
from pipelines.transfer.decisions import change_steps, change_transfer, decision_tables, setting_effects
from pipelines.transfer.decisions.change_steps import Effect
from pipelines.transfer.model import estimate
from tests import networks, on_frames

NAMED = ("until", "technician_id", "gun_id", "replaces_gun_id", "product_id", "role")
NO_SERVICE = pl.DataFrame(schema={"gun_id": pl.String, "serviced_on": pl.Date, "work": pl.String})
Told = tuple[str, bool, bool, bool]  # what was planted; interval holds the truth; shown; shown as better


def change(name: str, what: str, shop: str, on: dt.date, **more: Any) -> dict[str, Any]:
    return {**dict.fromkeys(NAMED), "change_id": name, "what": what, "shop_id": shop, "on": on, **more}


def told(name: str, one: Effect, truth: float) -> Told:
    shown = abs(one.step) > 1.96 * one.se
    return name, one.low <= truth <= one.high, shown, shown and one.prob_better > 0.5


def transfer(seed: int) -> Iterator[Told]:
    net = networks.network(networks.Truth(shops=2, jobs=90, guns=4, technicians=4), 50_000 + seed)
    layers = net.layers.with_columns(day=pl.col("started_at").dt.date())
    on = layers["day"].min() + dt.timedelta(days=180)  # type: ignore[operator]
    shops = layers["shop_id"].unique().sort().to_list()
    guns = layers.filter(pl.col("shop_id") == shops[0])["gun_id"].unique().sort().to_list()
    better = (pl.col("gun_id") == guns[0]) & (pl.col("day") >= on)
    volumes = ["sprayed_solids_ml", "poured_solids_ml"]
    layers = layers.with_columns(pl.when(better).then(pl.col(c) / 1.08).otherwise(pl.col(c)).alias(c) for c in volumes)
    record = ["shop_id", "job_id", "record_no"]
    plain = (
        layers.filter((pl.col("shop_id") == shops[0]) & (pl.col("day") < on)).join(net.records, on=record)
        .group_by("technician_id", maintain_order=True)
        .agg(ratio=pl.col("landed_solids_ml").sum() / pl.col("poured_solids_ml").sum()).sort("ratio")
    )  # fmt: skip
    changes = [
        change("gun +8 %", "gun_serviced", shops[0], on, gun_id=guns[0]),
        change("tip, nothing", "tip", shops[0], on, gun_id=guns[1]),
        change("lowest hand coached, nothing", "practice", shops[0], on, technician_id=plain["technician_id"][0]),
        change("shop-wide, nothing", "procedure", shops[1], on),
    ]
    for one in change_transfer.of_transfer(changes, net.records, layers.drop("day"), NO_SERVICE):
        name = one.change["change_id"]
        yield told(name, one, 1.08 if name == "gun +8 %" else 1.0)


def hands(rng: np.random.Generator, n: int, people: int) -> pl.DataFrame:
    days = np.sort(rng.integers(0, 360, n))
    hand = rng.integers(0, people, n)
    gun = np.where(rng.random(n) < 0.75, hand, rng.integers(0, people, n))
    return pl.DataFrame({
        "shop_id": "s", "job_id": [f"j{k}" for k in range(n)], "technician_id": [f"t{h}" for h in hand],
        "gun_id": [f"g{g}" for g in gun], "role": rng.choice(["base", "clear"], n),
        "day": [dt.date(2025, 1, 1) + dt.timedelta(days=int(d)) for d in days],
    })  # fmt: skip


ON = dt.date(2025, 7, 1)


def tilt(seed: int) -> Iterator[Told]:
    rng = np.random.default_rng([60_000, seed])
    people = 5
    each, usual = hands(rng, 160, people), rng.normal(0, 0.06, people)
    usual[0] = 0.2
    who = each["technician_id"].str.slice(1).cast(pl.Int64).to_numpy()
    since = (each["day"] >= ON).to_numpy()
    y = usual[who] - 0.1 * (since & (who == 0)) + 0.1 * rng.standard_normal(each.height)
    each = each.with_columns(tilt=pl.Series(y))
    before = each.filter((pl.col("day") < ON) & (pl.col("technician_id") != "t0"))
    most = before.group_by("technician_id", maintain_order=True).agg(pl.col("tilt").mean().abs()).sort("tilt")
    changes = [
        change("tilt -50 %", "practice", "s", ON, technician_id="t0"),
        change("most leaning hand coached, nothing", "practice", "s", ON, technician_id=most["technician_id"][-1]),
    ]
    for one in change_steps.of_panels(changes, each, "tilt"):
        yield told(one.change["change_id"], one, -0.1 if one.change["change_id"] == "tilt -50 %" else 0.0)


def leftover(seed: int) -> Iterator[Told]:
    rng = np.random.default_rng([70_000, seed])
    people = 5
    cups, usual = hands(rng, 200, people), rng.normal(0.16, 0.03, people)
    who = cups["technician_id"].str.slice(1).cast(pl.Int64).to_numpy()
    since = (cups["day"] >= ON).to_numpy()
    y = usual[who] - 0.05 * (since & (who == 0)) + 0.08 * rng.standard_normal(cups.height)
    cups = cups.with_columns(share=pl.Series(y), product_id="role", size=pl.lit("1"), least=pl.lit(False))
    before = cups.filter((pl.col("day") < ON) & (pl.col("technician_id") != "t0"))
    most = before.group_by("technician_id", maintain_order=True).agg(pl.col("share").mean()).sort("share")
    changes = [
        change("leftover -5 points", "practice", "s", ON, technician_id="t0"),
        change("hand that leaves most coached, nothing", "practice", "s", ON, technician_id=most["technician_id"][-1]),
    ]
    for one in change_steps.of_leftovers(changes, cups):
        yield told(one.change["change_id"], one, -0.05 if one.change["change_id"] == "leftover -5 points" else 0.0)


def redone(seed: int) -> Iterator[Told]:
    rng = np.random.default_rng([65_000, seed])
    jobs, each, people = 900, 2, 6
    hand, shop = rng.integers(0, people, jobs), rng.integers(0, 3, jobs)
    days = [dt.date(2025, 1, 1) + dt.timedelta(days=int(d)) for d in rng.integers(0, 360, jobs)]
    since = np.array([d >= ON for d in days])
    usual = 0.03 * rng.gamma(4.0, 0.25, (3, people))
    rate = usual[shop, hand] * np.where(since, np.array([1.0, 0.5, 2.0])[shop], 1.0)
    together = rng.random(jobs) < 0.3  # both steps of a job or none
    first = rng.random(jobs) < rate
    second = np.where(together, first, rng.random(jobs) < rate)
    work = pl.DataFrame({
        "shop_id": [f"s{x}" for x in np.repeat(shop, each)], "job_id": [f"j{k}" for k in np.repeat(np.arange(jobs), each)],
        "technician_id": [f"t{a}{b}" for a, b in zip(np.repeat(shop, each), np.repeat(hand, each), strict=True)],
        "gun_id": "g", "product_id": "p", "role": np.tile(["base", "clear"], jobs), "day": [d for d in days for _ in range(each)],
        "redone": np.column_stack([first, second]).ravel(), "redo_of": None,
    }, schema_overrides={"redo_of": pl.Int64})  # fmt: skip
    before = work.filter((pl.col("shop_id") == "s0") & (pl.col("day") < ON))
    most = before.group_by("technician_id", maintain_order=True).agg(pl.col("redone").mean()).sort("redone")
    changes = [
        change("most repeats coached, nothing", "procedure", "s0", ON, technician_id=most["technician_id"][-1]),
        change("repeats halved", "procedure", "s1", ON), change("repeats doubled", "procedure", "s2", ON),
    ]  # fmt: skip
    for one in change_steps.of_redone(changes, work):
        name = one.change["change_id"]
        s = int(one.change["shop_id"][1])
        mine = (shop == s) & since
        truth = 0.0 if s == 0 else float((rate[mine] - usual[shop, hand][mine]).mean())
        yield told(name, one, truth)


def settings(seed: int) -> Iterator[Told]:
    net = networks.network(networks.Truth(shops=1, jobs=300, guns=4, technicians=3), 90_000 + seed)
    rng = np.random.default_rng([91_000, seed])
    n = net.layers.height
    layers = net.layers.with_columns(
        tip_out_mm=pl.Series(np.where(rng.random(n) < 0.4, 0.2, 0.0)),
        inlet_kpa=pl.Series(np.where(rng.random(n) < 0.6, 200 + 25 * rng.standard_normal(n), np.nan)).fill_nan(None),
        coats=pl.Series(np.where(rng.random(n) < 0.25, 3, 2)),
    )
    out = (pl.col("role") == "clear") & (pl.col("tip_out_mm") > 0)
    volumes = ["sprayed_solids_ml", "poured_solids_ml"]
    layers = layers.with_columns(pl.when(out).then(pl.col(c) / 0.94).otherwise(c).alias(c) for c in volumes)
    joint = estimate.fitted_model(net.records, layers)
    said = layers.select("shop_id", "operation_no", "tip_out_mm", "inlet_kpa", "coats", job_id="op_job_id").unique()
    assert joint is not None
    found = setting_effects.setting_effects(said, te=setting_effects.of_transfer(joint, layers), film=None)
    for row in found.filter(pl.col("verdict").is_not_null()).iter_rows(named=True):
        planted = (row["role"], row["setting"]) == ("clear", "tip")
        truth, shown = (0.94**0.5 - 1 if planted else 0.0), row["verdict"] == "shown"
        name = "tip 0.2 mm out, -6 %" if planted else "of settings, nothing"
        yield name, row["low"] <= truth <= row["high"], shown, shown and row["prob_more"] > 0.5


def whole(seed: int) -> Iterator[Told]:
    """A gun that took another's place is worth the difference of both and of their pairs; the practice is worth half of a tilt, and
    nothing else; stirring is worth nothing."""
    from seed_data import business
    from tests.bench.drawn_decisions import whole as drawn

    tables, s = drawn(80_000 + seed, shops=2, months=12, cups=2500)
    gun = tables["changes"].filter(change_id="c01").row(0, named=True)
    sprays = s.truth["truth_operations"].filter(pl.col("shop_id") == gun["shop_id"])
    effect = {
        r["gun_id"]: float(np.log(r["effect"])) + business.ATOMISING_EFFECT[r["atomising"]]
        for r in s.truth["truth_guns"].iter_rows(named=True)
    }
    pairs = s.truth["truth_pairs"].with_columns(pair=pl.col("effect").log()).drop("effect")
    of_pairs = sprays.join(pairs, on=["gun_id", "technician_id"]).with_columns(day=pl.col("started_at").dt.date())

    roles = partial(_roles, tables)

    def side(name: str, role: str, since: bool) -> float:
        day = pl.col("day") >= gun["on"] if since else pl.col("day") < gun["on"]
        mean = of_pairs.filter((pl.col("gun_id") == name) & pl.col("role").is_in(roles(role)) & day)["pair"].mean()
        return effect[name] + float(mean)  # type: ignore[arg-type]

    for row in effects(tables).iter_rows(named=True):
        measure, _, role = row["measure"].partition(":")
        truth = 1.0 if measure == "te" else 0.0
        name = f"nothing, {measure}"
        if row["change_id"] == "c01":
            truth = float(np.exp(side(gun["gun_id"], role, True) - side(gun["replaces_gun_id"], role, False)))
            name = "gun in another's place"
        elif row["change_id"] == "c02" and measure == "tilt":
            truth, name = business.PLANTED_TILT * (business.PRACTISED - 1), "tilt halved"
        shown = row["verdict"] == "shown"
        yield name, row["low"] <= truth <= row["high"], shown, shown and row["prob_better"] > 0.5
        if row["worth_per_year"] is not None:
            worth = 0.0
            if row["change_id"] == "c01":
                until, since = (_sprayed_cost(tables, gun, role, after) for after in (False, True))
                worth = until * (1 - 1 / truth) + since * (truth - 1)
            yield f"money of {name}", row["worth_low"] - 1e-9 <= worth <= row["worth_high"] + 1e-9, False, False


def _roles(tables: dict[str, pl.DataFrame], role: str) -> list[str]:
    return tables["sprays"]["role"].drop_nulls().unique().to_list() if role == "all" else [role]


def _sprayed_cost(tables: dict[str, pl.DataFrame], gun: dict[str, Any], role: str, after: bool) -> float:
    """What a role cost to spray with the gun of one side, a year of the shop's last twelve months (these businesses have no more)."""
    day, operation = pl.col("started_at").dt.date(), ["shop_id", "job_id", "operation_no"]
    which = (day >= gun["on"]) if after else (day < gun["on"])
    name = gun["gun_id"] if after else gun["replaces_gun_id"]
    mine = tables["sprays"].filter(
        which
        & (pl.col("shop_id") == gun["shop_id"])
        & (pl.col("gun_id") == name)
        & pl.col("role").is_in(_roles(tables, role))
    )
    poured = tables["mixes"].filter(pl.col("shop_id") == gun["shop_id"])["first_poured_at"].drop_nulls().dt.date()
    days = (poured.max() - poured.min()).days + 1  # type: ignore[operator, union-attr]
    lines = tables["material_ledger"].join(mine.select(operation), on=operation)
    cost = lines.select(
        pl.sum_horizontal("overspray_cost", "over_build_cost", "useful_cost", ignore_nulls=False).sum()
    ).item()
    return float(cost or 0.0) * 365.25 / max(days, 1)


def effects(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Table change_effects alone."""
    found = decision_tables.change_effects_of(on_frames.decisions_from(tables), Settings())
    return decision_tables.formed("change_effects", found["change_effects"])


PARTS = {
    "transfer": (transfer, 200), "tilt": (tilt, 200), "leftover": (leftover, 200), "redone": (redone, 200), "settings": (settings, 60),
    "whole": (whole, 20),
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", choices=list(PARTS))
    parser.add_argument("--n", type=int, help="businesses of each part")
    parser.add_argument("--seed", type=int, default=0, help="the first of their numbers")
    asked = parser.parse_args()
    for part, (draw, n) in PARTS.items():
        if asked.only not in (None, part):
            continue
        begun, found = time.process_time(), []
        businesses = asked.n or n
        for seed in range(asked.seed, asked.seed + businesses):
            found += list(draw(seed))
            print(seed, file=sys.stderr, flush=True)
        seen = pl.DataFrame(found, schema=["planted", "holds", "shown", "better"], orient="row")
        for (name,), rows in seen.group_by("planted", maintain_order=True):
            holds, shown, better = (float(rows[c].mean()) for c in ("holds", "shown", "better"))  # type: ignore[arg-type]
            bars = "cover bar .92-.975" + ("; shown bar .05" if "nothing" in str(name) else "")
            print(
                f"{part}, {name}: cover {holds:.3f}, shown {shown:.3f}, called better {better:.3f} "
                f"({rows.height} figures of {businesses} businesses; {bars})",
                flush=True,
            )
        print(f"{part}: {time.process_time() - begun:.0f} s of processor time", flush=True)


if __name__ == "__main__":
    main()
