"""A workspace of two shops written by hand, run from its files, against the same month sums worked out with a pencil.

Every expected figure is spelled out as the arithmetic that a reader can follow with the register beside it: a US shop with
exempt solvent and kept leftovers, an EU shop with waterborne base, cleaning with flush in what came back, uses without a
scale, documented and undocumented waste, counts, and months without records. All figures are invented.
"""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipelines import commands, workspace
from tests.workspaces import filled

FILES = {
    "registers/shops.csv": "shop_id,label,jurisdiction\nus1,Us,us\neu1,Eu,eu\n",
    "registers/technicians.csv": "technician_id,shop_id\nt1,us1\n",
    "registers/guns.csv": "gun_id,shop_id,atomising,feed,flush_loss_g\ng1,us1,hvlp,gravity,8\ng2,eu1,hvlp,gravity,\n",
    "registers/products.csv": "product_id,role\nclear,clear\nbase,base\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\nclear,us,topcoat_two_stage\n"
    "clear,us,primer_sealer\nclear,eu,topcoat\nbase,eu,topcoat\nbase,us,topcoat_multi_stage\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction,exempt_density_g_per_ml,voc_eu_mass_fraction\n"
    "varnish,1.0,0.5,0.42,0.4,0,0.1,0.8,\n"
    "hardener,1.1,0.6,0.5,0.4,0,0,,\n"
    "thinner,0.85,0,0,0.7,0,0.3,0.79,0.95\n"
    "water_base,1.05,0.2,0.15,0.1,0.7,0,,\n"
    "wash,0.8,0,0,0.75,0,0.25,0.79,\n"
    "wipe,0.78,0,0,1,0,0,,\n"
    "can,0.9,0.3,0.2,0.7,0,0,,\n",
    "registers/component_species.csv": "component_id,cas,substance,mass_fraction,mass_fraction_low,mass_fraction_high\n"
    "varnish,108-88-3,toluene,0.05678,,\n"
    "varnish,100-41-4,ethylbenzene,0.0009,,\n"
    "thinner,1330-20-7,xylenes,,0.1,0.25\n"
    "wash,108-88-3,toluene,0.2,,\n"
    "can,78-93-3,methyl ethyl ketone,0.3,,\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,from_mix_id,weighed_g,job_id\n"
    # January: one cup sprayed in part, its leftover kept; one cup never weighed back
    "us1,A,1,2026-01-10 09:00,clear,varnish,,300,\n"
    "us1,A,2,2026-01-10 09:01,clear,hardener,,150,\n"
    "us1,A,3,2026-01-10 09:02,clear,thinner,,50,\n"
    "us1,B,1,2026-01-20 09:00,clear,varnish,,200,\n"
    # February: 60 g of A's leftover go into C; a pour taken out again
    "us1,C,1,2026-02-03 09:00,clear,varnish,,100,\n"
    "us1,C,2,2026-02-03 09:01,clear,,A,60,\n"
    "us1,C,3,2026-02-03 09:02,clear,thinner,,30,\n"
    "us1,C,4,2026-02-03 09:03,clear,thinner,,-10,\n"
    # May: the records go on, so that what is left of A has been unseen for 90 days
    "us1,D,1,2026-05-20 09:00,clear,varnish,,100,\n"
    "eu1,E,1,2026-01-15 09:00,base,water_base,,400,\n"
    "eu1,E,2,2026-01-15 09:01,base,thinner,,20,\n"
    "eu1,F,1,2026-02-16 09:00,clear,varnish,,200,\n",
    "inbox/leftovers.csv": "shop_id,mix_id,weigh_no,weighed_at,leftover_g,fate\n"
    "us1,A,1,2026-01-10 12:00,100,kept\n"
    "us1,C,1,2026-02-03 12:00,40,discarded\n"
    "us1,D,1,2026-05-20 12:00,10,\n"
    "eu1,E,1,2026-01-15 12:00,120,kept\n"
    "eu1,E,2,2026-03-02 12:00,50,kept\n"
    "eu1,E,3,2026-04-01 12:00,45,discarded\n",
    "inbox/jobs.csv": "shop_id,job_id\n" + "".join(f"{s},{j}\n" for s, j in (("us1", "1"), ("us1", "2"), ("eu1", "3"))),
    "inbox/operations.csv": "shop_id,job_id,operation_no,kind,started_at,technician_id,gun_id,product_id\n"
    "us1,1,1,spray,2026-01-10 10:00,t1,g1,clear\n"
    "us1,1,2,spray,2026-01-10 10:30,t1,g1,clear\n"  # the same cup again: no flush between the two
    "us1,2,1,spray,2026-02-03 10:00,t1,g1,clear\n"
    "eu1,3,1,spray,2026-01-15 10:00,t1,g2,base\n"
    "eu1,3,2,spray,2026-02-20 10:00,t1,g2,base\n",  # draws from the leftover kept in January
    "inbox/draws.csv": "shop_id,job_id,operation_no,mix_id,share\nus1,1,1,A,0.5\nus1,1,2,A,0.5\nus1,2,1,C,\n"
    "eu1,3,1,E,\neu1,3,2,E,\n",
    "inbox/cleaning.csv": "shop_id,cleaning_no,used_at,component_id,purpose,issued_g,recovered_g\n"
    "us1,1,2026-01-11 17:00,wash,gun,500,300\n"
    "us1,2,2026-01-25 17:00,wash,booth,200,\n"
    "us1,3,2026-01-26 17:00,wipe,surface,90,\n"
    "us1,4,2026-02-26 17:00,wash,gun,100,6\n"  # less came back than was flushed into it
    "eu1,1,2026-01-26 17:00,wash,gun,300,200\n",
    "inbox/unscaled_use.csv": "shop_id,use_no,used_at,component_id,mass_g\nus1,1,2026-02-10 10:00,can,400\neu1,1,2026-02-10 10:00,can,250\n",
    "inbox/stock.csv": "shop_id,document_no,line_no,happened_on,component_id,movement,mass_g,voc_mass_fraction,document_ref\n"
    "us1,c1,1,2025-12-31,varnish,counted,5000,,\n"
    "us1,d1,1,2026-01-15,varnish,delivered,2000,,\n"
    "us1,r1,1,2026-01-20,varnish,returned,500,,\n"
    "us1,c2,1,2026-02-28,varnish,counted,5880,,\n"
    "us1,w1,1,2026-02-20,,shipped_as_waste,3000,0.4,manifest 1\n"
    "us1,w2,1,2026-02-21,,shipped_as_waste,3000,0.4,\n"
    "us1,w3,1,2026-05-21,wash,shipped_as_waste,1000,0.9,manifest 2\n"  # its recovery was counted where it was used
    "eu1,w1,1,2026-03-20,,shipped_as_waste,100,0.5,manifest 3\n",
}  # fmt: skip

# --- with a pencil: g of VOC and exempt per g of each cup ---------------------------------------------------------------

A_VOC, A_EXEMPT = (300 * 0.4 + 150 * 0.4 + 50 * 0.7) / 500, (300 * 0.1 + 50 * 0.3) / 500
C_VOC = (100 * 0.4 + 20 * 0.7 + 60 * A_VOC) / 180
C_EXEMPT = (100 * 0.1 + 20 * 0.3 + 60 * A_EXEMPT) / 180
E_VOC = (400 * (0.1 + 0) + 20 * 0.95) / 420  # the EU knows no exempt solvents
WASH_JAN = 700 - (300 - 8)  # 8 g of flush came back in the 300 g
WASH_FEB = 100 - max(0, 6 - 8)
WASH_EU = 300 - 200  # that gun sprays from the same cup next time, so it is not flushed in January
# The drum of us1 on 20 February: 292 g of solvent, 8 g flush of A, 8 g flush and 40 g thrown away of C: 3000 g at 40 % are far
# more than it held, so the credit is the VOC of that coating. Nothing came back afterwards (6 g
# in February were the flush), and 10 g of D are thrown away in May: all that the third paper takes out. What eu1 shipped is
# solvent that came back in January.
WASTE_FEB = 8 * A_VOC + 48 * C_VOC
WASTE_MAY = 10 * 0.4
RTS_A = 300 / 1.0 + 150 / 1.1 + 50 / 0.85
EXPECTED = {
    # shop, month, category: rts_l, rts_kg, voc_kg, exempt_kg
    ("us1", "2026-01", "primer_sealer"): (
        (RTS_A + 200) / 1000, 0.7, (400 * A_VOC + 200 * 0.4) / 1000, (400 * A_EXEMPT + 200 * 0.1) / 1000,
    ),
    ("us1", "2026-01", "cleaning"): (0, 0, WASH_JAN * 0.75 / 1000, WASH_JAN * 0.25 / 1000),
    ("us1", "2026-01", "surface_prep"): (0, 0, 0.09, 0),
    ("us1", "2026-02", "primer_sealer"): (
        (100 / 1.0 + 20 / 0.85) / 1000, 0.12, 180 * C_VOC / 1000, 180 * C_EXEMPT / 1000,
    ),
    ("us1", "2026-02", "cleaning"): (0, 0, WASH_FEB * 0.75 / 1000, WASH_FEB * 0.25 / 1000),
    ("us1", "2026-02", "unscaled"): (400 / 0.9 / 1000, 0.4, 0.28, 0),
    ("us1", "2026-02", "waste"): (0, 0, -WASTE_FEB / 1000, 0),
    # 40 g of A were last seen when 60 g were poured on, on 3 February: gone 90 days later, on 4 May
    ("us1", "2026-05", "primer_sealer"): (0.1, 0.1, (100 * 0.4 + 40 * A_VOC) / 1000, (100 * 0.1 + 40 * A_EXEMPT) / 1000),
    ("us1", "2026-05", "waste"): (0, 0, -WASTE_MAY / 1000, 0),
    ("eu1", "2026-01", "topcoat"): ((400 / 1.05 + 20 / 0.85) / 1000, 0.42, 300 * E_VOC / 1000, 0),
    ("eu1", "2026-01", "cleaning"): (0, 0, WASH_EU * 1.0 / 1000, 0),
    ("eu1", "2026-02", "topcoat"): (0.2, 0.2, (200 * 0.5 + 70 * E_VOC) / 1000, 0),
    ("eu1", "2026-02", "unscaled"): (250 / 0.9 / 1000, 0.25, 0.175, 0),
    ("eu1", "2026-03", "waste"): (0, 0, 0, 0),
    ("eu1", "2026-04", "topcoat"): (0, 0, 50 * E_VOC / 1000, 0),
}  # fmt: skip
A_TOLUENE, A_XYLENES = 300 * 0.05678 / 500, 50 * 0.25 / 500
TOLUENE_JAN = (400 * A_TOLUENE + 200 * 0.05678 + WASH_JAN * 0.2) / 1000
XYLENES_FEB = (20 * 0.25 + 60 * A_XYLENES) / 1000


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    space = filled(tmp_path_factory.mktemp("by_hand") / "shop", FILES)
    outcome = commands.run(space)
    assert not outcome.refused
    folder = space.snapshot()
    assert folder is not None
    wanted = (
        "emissions_monthly hap_monthly rolling_12_months voc_content stock_reconciliation compliance_solvent"
    ).split()
    return workspace.read_snapshot(folder, wanted)


def exactly(value: float) -> object:
    return pytest.approx(value, rel=1e-6, abs=1e-12)


def test_every_month_and_category(tables: dict[str, pl.DataFrame]) -> None:
    found = {(r["shop_id"], r["month"], r["category"]): r for r in tables["emissions_monthly"].iter_rows(named=True)}
    assert set(found) == set(EXPECTED)
    for key, figures in EXPECTED.items():
        ours = [found[key][name] or 0.0 for name in ("rts_l", "rts_kg", "voc_kg", "exempt_kg")]
        assert ours == [exactly(one) for one in figures], key


def test_pollutants(tables: dict[str, pl.DataFrame]) -> None:
    found = {(r["shop_id"], r["month"], r["cas"]): r for r in tables["hap_monthly"].iter_rows(named=True)}
    january = found["us1", "2026-01", "108-88-3"]
    assert january["kg"] == exactly(TOLUENE_JAN)
    cut = (400 * 300 * 0.0567 / 500 + 200 * 0.0567 + WASH_JAN * 0.2) / 1000
    assert january["kg_63_3941"] == exactly(cut)
    ethylbenzene = found["us1", "2026-01", "100-41-4"]
    assert ethylbenzene["kg"] == exactly((400 * 300 / 500 + 200) * 0.0009 / 1000)
    assert ethylbenzene["kg_63_3941"] == 0  # below 0.1 % and 1 %: not counted
    xylenes = found["us1", "2026-02", "1330-20-7"]
    assert xylenes["kg"] == xylenes["kg_high"] == exactly(XYLENES_FEB)
    assert xylenes["kg_low"] == exactly(XYLENES_FEB * 0.1 / 0.25)
    assert not any(cas == "78-93-3" for _, _, cas in found)  # deleted from the list in 2005
    assert {month for shop, month, _ in found if shop == "us1"} == {"2026-01", "2026-02", "2026-05"}


def test_sums_of_twelve_months(tables: dict[str, pl.DataFrame]) -> None:
    found = {(r["shop_id"], r["month"], r["measure"]): r for r in tables["rolling_12_months"].iter_rows(named=True)}
    assert max(month for shop, month, _ in found if shop == "eu1") == "2026-02"  # no window ends after the last record
    for shop, last, present in (("us1", "2026-05", 5), ("eu1", "2026-02", 2)):
        for measure, column in (("rts_l", 0), ("voc_kg", 2), ("exempt_kg", 3)):
            total = sum(
                figures[column] for (owner, month, _), figures in EXPECTED.items() if owner == shop and month <= last
            )
            row = found[shop, last, measure]
            assert (row["total"], row["months_present"]) == (exactly(total), present), (shop, measure)
    assert found["us1", "2026-03", "hap_kg:108-88-3"]["month_total"] == 0
    solvent = found["eu1", "2026-02", "solvent_kg"]
    pours_jan, pours_feb = (400 * 0.1 + 20 * 0.95) / 1000, 200 * 0.5 / 1000
    assert solvent["total"] == exactly(pours_jan + pours_feb + WASH_EU / 1000 + 0.175)


def test_voc_content(tables: dict[str, pl.DataFrame]) -> None:
    found = {(r["shop_id"], r["mix_id"]): r for r in tables["voc_content"].filter("rules").iter_rows(named=True)}
    exempt_ml = 300 * 0.1 / 0.8 + 50 * 0.3 / 0.79
    a = found["us1", "A"]
    assert a["g_per_l"] == exactly(1000 * 500 * A_VOC / (RTS_A - exempt_ml))
    assert (a["category"], a["limit_g_per_l"], a["over"]) == ("primer_sealer", 550, a["g_per_l"] > 550)
    c_ml = 100 / 1.0 + 20 / 0.85 + 60 * RTS_A / 500
    c_exempt_ml = 100 * 0.1 / 0.8 + 20 * 0.3 / 0.79 + 60 * exempt_ml / 500
    assert found["us1", "C"]["g_per_l"] == exactly(1000 * 180 * C_VOC / (c_ml - c_exempt_ml))
    e = found["eu1", "E"]
    e_ml = 400 / 1.05 + 20 / 0.85 - 400 * 0.7 / 0.9982
    assert (e["g_per_l"], e["limit_g_per_l"], e["basis"]) == (exactly(1000 * 420 * E_VOC / e_ml), 420, "eu")


def test_the_store_against_the_scale(tables: dict[str, pl.DataFrame]) -> None:
    (row,) = tables["stock_reconciliation"].iter_rows(named=True)
    assert (row["from_on"], row["to_on"]) == (date(2025, 12, 31), date(2026, 2, 28))
    assert (row["opening_g"], row["delivered_g"], row["out_g"], row["closing_g"]) == (5000, 2000, 500, 5880)
    assert row["recorded_use_g"] == exactly(300 + 200 + 100)
    assert row["unexplained_g"] == exactly(5000 + 2000 - 500 - 5880 - 600)


def test_the_unions_balance_of_the_year(tables: dict[str, pl.DataFrame]) -> None:
    (row,) = tables["compliance_solvent"].filter(pl.col("shop_id") == "eu1").iter_rows(named=True)
    pours = (400 * 0.1 + 20 * 0.95 + 200 * 0.5) / 1000
    assert row["input_kg"] == exactly(pours + 0.3 + 0.175)
    assert row["came_back_kg"] == exactly(0.2)
    assert row["consumed_kg"] == exactly(pours + 0.1 + 0.175)
    emitted = sum(
        figures[2] for (shop, _, category), figures in EXPECTED.items() if shop == "eu1" and category != "waste"
    )
    assert row["emitted_kg"] == exactly(emitted) and row["emitted_less_waste_kg"] == exactly(emitted)
    assert row["kept_change_kg"] == exactly(0)  # what was kept in January was gone by April
