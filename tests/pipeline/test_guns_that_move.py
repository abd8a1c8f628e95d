"""Guns are lent and people move: what follows a gun or a painter from shop to shop, from CSV to table, by hand.

One gun sprays in shop a, then in shop b, then in shop a again out of the cup it had before. It was flushed in between, so cup
m1 pays twice: order inside the shop alone would say once. The tip last written down for it is the one in shop b.
"""

from __future__ import annotations

import polars as pl
import pytest
from test_engines import at_a_time

from tests.workspaces import filled, made_tables

FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\na,us\nb,us\n",
    "registers/technicians.csv": "technician_id,shop_id\nt,a\n",
    "registers/guns.csv": "gun_id,shop_id,atomising,feed,tip_mm,cup_ml,flush_loss_g\ng,a,hvlp,gravity,1.8,600,7.5\n",
    "registers/products.csv": "product_id,role,tip_min_mm,tip_max_mm\ntop,clear,1.2,1.4\nfill,surfacer,1.6,1.9\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction\nvarnish,1.0,0.5,0.4,0.5,0,0\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g,job_id\n"
    "a,m1,1,2026-03-02 08:00,top,varnish,300,j\nb,n1,1,2026-03-02 09:50,fill,varnish,200,k\n"
    "b,n2,1,2026-03-02 11:50,fill,varnish,200,k\nb,n3,1,2026-03-02 12:50,fill,varnish,200,k\n",
    "inbox/leftovers.csv": "shop_id,mix_id,weigh_no,weighed_at,leftover_g,fate\na,m1,1,2026-03-02 18:00,40,discarded\n"
    "b,n1,1,2026-03-02 18:00,20,discarded\nb,n2,1,2026-03-02 18:00,20,discarded\nb,n3,1,2026-03-02 18:00,20,discarded\n",
    "inbox/operations.csv": "shop_id,job_id,operation_no,kind,started_at,technician_id,gun_id,product_id,tip_mm\n"
    "a,j,1,spray,2026-03-02 09:00,t,g,top,1.8\nb,k,1,spray,2026-03-02 10:00,t,g,fill,\n"
    "a,j,2,spray,2026-03-02 11:00,t,g,top,1.8\nb,k,2,spray,2026-03-02 12:00,t,g,fill,1.3\n"
    "b,k,3,spray,2026-03-02 13:00,t,g,fill,\nb,k,4,spray,2026-03-02 14:00,t,g,fill,\n",
    "inbox/operation_panels.csv": "shop_id,job_id,operation_no,panel_id,area_m2\n"
    + "".join(f"{shop},{job},{no},hood,1.0\n" for shop, job, no in (*(("a", "j", n) for n in (1, 2)), *(("b", "k", n) for n in (1, 2, 3, 4)))),
    "inbox/draws.csv": "shop_id,job_id,operation_no,mix_id,share\na,j,1,m1,0.5\na,j,2,m1,0.5\nb,k,1,n1,1\nb,k,2,n2,1\nb,k,3,n3,0.5\n"
    "b,k,4,n3,0.5\n",
}  # fmt: skip


@pytest.fixture(scope="module")
def by_shop(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    """Each shop for itself."""
    space = filled(tmp_path_factory.mktemp("moved"), FILES)
    with at_a_time(1):
        return made_tables(space)


def test_a_gun_is_flushed_between_shops(by_shop: dict[str, pl.DataFrame]) -> None:
    flush = by_shop["material_ledger"].group_by("shop_id", "mix_id").agg(pl.col("flush_loss_solids_g").sum()).rows()
    # 7.5 g at half solids a flush: after a/1, b/1, a/2, b/2 and b/4; b/3 and b/4 share their cup
    assert dict((mix, grams) for _, mix, grams in flush) == pytest.approx(
        {"m1": 7.5, "n1": 3.75, "n2": 3.75, "n3": 3.75}
    )


def test_the_tip_and_the_purpose_of_a_gun_are_those_of_all_its_work(by_shop: dict[str, pl.DataFrame]) -> None:
    fits = {(r["shop_id"], r["product_id"]): r for r in by_shop["gun_fit"].iter_rows(named=True)}
    # last written down: 1.3 mm, in b; four of six operations were primer, so it is a primer gun that sprayed clear in a too
    wanted = [1.3, True, True, "misfit"]
    assert [fits["a", "top"][name] for name in ("tip_mm", "tip_fits", "cross_use", "verdict")] == wanted
    wanted = [1.3, False, False, "misfit"]
    assert [fits["b", "fill"][name] for name in ("tip_mm", "tip_fits", "cross_use", "verdict")] == wanted
