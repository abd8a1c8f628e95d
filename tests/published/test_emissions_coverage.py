"""Coverage, film and transfer efficiency against published worked examples, through the material ledger itself.

One operation sprays one cup at a stated transfer efficiency; what landed is read back from the ledger. READ, READ-2 (a
secondary account), MEMORY and DERIVED say how well each source was seen.
"""

from __future__ import annotations

import csv
from pathlib import Path

import polars as pl
import pytest
from one_cup import (
    FT2_M2,
    GAL_ML,
    LB_G,
    LB_PER_GAL,
    NOON,
    covered_ft2,
    cups_of,
    landed_ml,
    ledger,
    mix,
    nothing_left,
    part,
    sprayed,
    spraying,
    stated,
)

DATA = Path(__file__).parent / "data"
FT2_MIL_PER_GAL = 231 / 0.144  # in3 in a gallon over in3 in a square foot one mil thick; printed 1604


def gallon(solids: float, **more: float) -> list[dict[str, float]]:
    """A cup of a gallon with that part of solids by volume."""
    return [part(1, lb_per_gal=9.0, voc=2.0, solids=solids, **more)]


@pytest.mark.parametrize(
    ("solids", "te", "mil", "published", "off"),
    [
        # W14: paintcenter.org, May 2004: 194.5 ft2/gal; printed from rounded steps, exact 194.62 (1.9 no. 7). READ-2
        (0.52, 0.35, 1.5, 194.5, 0.2),
        # W26: paintcenter.org, October 2003: 167 ft2, exact 166.8. READ-2
        (0.52, 0.30, 1.5, 167.0, 0.5),
        # W15: a spreading-rate bulletin: 65 % at 5 mil covers 208.52 ft2/gal in theory (all of it lands). READ-2
        (0.65, 1.0, 5.0, 208.52, 0.1),
        # W17: the constant itself, 1604. READ-2
        (1.0, 1.0, 1.0, 1604.0, 0.2),
    ],
)
def test_coverage_of_a_gallon(solids: float, te: float, mil: float, published: float, off: float) -> None:
    landed = landed_ml(sprayed(te, gallon(solids)))[0]
    assert covered_ft2(landed, mil) == pytest.approx(published, abs=off)
    assert covered_ft2(landed, mil) == pytest.approx(FT2_MIL_PER_GAL * solids * te / mil, rel=1e-9)


def test_coverage_in_metric_units() -> None:
    # W16: 65 % at 125 um: 5.2 m2/L. READ-2; um x m2 = mL
    landed = landed_ml(sprayed(1.0, gallon(0.65)))[0]
    assert landed / 125 / (GAL_ML / 1000) == pytest.approx(5.2, rel=1e-9)


def test_the_whole_table_of_spreading_rates() -> None:
    # W27: 24 volume solids x 8 films, scribd.com 104802451, READ-2. One cell is misprinted: 72 % at 2 mil, 527 for 577
    # (1.9 no. 6); it must come out as 577.
    with (DATA / "spreading_rate_table.csv").open() as file:
        table = list(csv.DictReader(file))
    landed = landed_ml(sprayed(1.0, *[gallon(float(row["volume_solids_percent"]) / 100) for row in table]))
    cells, off = 0, []
    for row, ml in zip(table, landed, strict=True):
        for name, printed in row.items():
            if name == "volume_solids_percent":
                continue
            mil = float(name.removeprefix("ft2_per_gal_at_").removesuffix("_mil"))
            cells += 1
            # the bulletin divides 1604, not 1604.17, and rounds
            if abs(covered_ft2(ml, mil) - float(printed)) > 0.5 + 0.17 / mil:
                off.append((row["volume_solids_percent"], mil, float(printed), round(covered_ft2(ml, mil))))
    assert cells == 192
    assert off == [("72", 2.0, 527.0, 578)] or off == [("72", 2.0, 527.0, 577)]


@pytest.mark.parametrize(("thinner", "dry"), [(0.0, 2.8), (0.1, 2.545)])
def test_dry_film_of_a_wet_one(thinner: float, dry: float) -> None:
    # W18: 8 mil wet of 35 % gives 2.8 mil dry; 10 % thinner makes "32 %" of it. READ-2; the thinned film is DERIVED
    parts = gallon(0.35)
    if thinner:
        parts.append(part(thinner, lb_per_gal=7.0, voc=7.0))
    solids = mix(*parts)["solids_volume_fraction"]
    assert 8 * solids == pytest.approx(dry, abs=0.001)
    assert round(100 * solids) == (32 if thinner else 35)


def test_film_from_mass_divides_by_the_grams_of_a_pound() -> None:
    # paintcenter.org, December 2007: mil = 1604 lb VS/(lb/gal x ft2). READ-2. For grams it is printed with x 453.6 (1.9 no. 5),
    # which is 206,000 times too thick.
    pounds, density, solids, area_ft2 = 2.0, 9.0, 0.45, 100.0
    landed = landed_ml(sprayed(1.0, [part(pounds / density, lb_per_gal=density, voc=2.0, solids=solids)]))[0]
    mil = landed / (area_ft2 * FT2_M2) / 25.4
    assert mil == pytest.approx(1604 * pounds * solids / (density * area_ft2), rel=2e-4)
    grams = pounds * LB_G
    assert mil == pytest.approx(1604 * grams / 453.6 * solids / (density * area_ft2), rel=2e-4)
    assert mil < 1e-4 * (1604 * grams * 453.6 * solids / (density * area_ft2))


def test_money_that_a_low_transfer_efficiency_sprays_past_the_part() -> None:
    # W20: Pollution Prevention Resource Center, 2012: at 17 % of every $100 of paint $83 is overspray. READ
    grams = GAL_ML * 9.0 * LB_PER_GAL
    found = sprayed(0.17, gallon(0.4, price_per_kg=100 / (grams / 1000)))["material_ledger"]
    assert found["overspray_cost"].sum() == pytest.approx(83, rel=1e-9)
    assert found["poured_cost"].sum() == pytest.approx(100, rel=1e-9)


def test_the_same_film_at_a_better_transfer_efficiency() -> None:
    # W23: pfonline.com, transfer efficiency: 0.66 gal at 30 % or 0.28 gal at 70 %; 0.38 gal, $3.80 at $10 a gallon. READ-2
    per_kg = 10 / (GAL_ML * 9.0 * LB_PER_GAL / 1000)

    def of(gallons: float, te: float) -> tuple[float, float]:
        found = sprayed(te, [part(gallons, lb_per_gal=9.0, voc=2.0, solids=0.4, price_per_kg=per_kg)])
        return landed_ml(found)[0], found["material_ledger"]["poured_cost"].sum()

    before, cost_before = of(0.66, 0.30)
    after, cost_after = of(0.66 * 0.30 / 0.70, 0.70)
    assert after == pytest.approx(before, rel=1e-9)
    assert round(0.66 * 0.30 / 0.70, 2) == 0.28
    assert cost_before - cost_after == pytest.approx(3.80, abs=0.03)  # published from the rounded gallons


def test_solids_deposited_carry_the_transfer_efficiency() -> None:
    # W5: Illinois 35 IAC 218.204(a)(1)(B): 15.1 lb VOC per gallon of solids deposited, 1.81 kg/L. READ (the figure);
    # from 2.8 lb/gal at 30 % MEMORY
    voc_gal = 2.8 / 7.36
    found = sprayed(0.30, [part(1 - voc_gal, lb_per_gal=11.0, solids=1.0), part(voc_gal, lb_per_gal=7.36, voc=7.36)])
    voc_g = found["material_ledger"]["poured_voc_g"].sum()
    per_litre = voc_g / landed_ml(found)[0]  # g/mL = kg/L
    assert per_litre / LB_PER_GAL == pytest.approx(15.1, abs=0.05)
    assert per_litre == pytest.approx(1.81, abs=0.01)


def test_two_guns_of_heitbrinks_study() -> None:
    # Heitbrink et al., AIHA J 57(3):304-310, 1996, abstract: 33 % more film per mass of paint, half the overspray per film
    # (READ); solved for both guns: 0.504 and 0.670 (DERIVED)
    conventional, low_pressure = (sprayed(te, gallon(0.4)) for te in (0.504, 0.670))
    film = [landed_ml(found)[0] for found in (conventional, low_pressure)]
    past = [found["material_ledger"]["overspray_solids_g"].sum() for found in (conventional, low_pressure)]
    assert film[1] / film[0] == pytest.approx(1.33, abs=0.005)
    assert (past[0] / film[0]) / (past[1] / film[1]) == pytest.approx(2.0, abs=0.01)


def weighed(parts: list[dict[str, float]], landed_g: float, film_ml: float) -> list[float]:
    """Transfer efficiency by a weighed target (mass) and by the film on a panel of 1 m2 (volume), from transfer_records."""
    rows = cups_of(parts, parts)
    rows["jobs"] = [{"shop_id": "s", "job_id": job} for job in ("j1", "j2")]
    rows["guns"] = [{"gun_id": "g", "shop_id": "s", "atomising": "hvlp", "flush_loss_g": 0.0}]
    rows["operations"] = [spraying(job_id=f"j{n}", started_at=NOON.replace(hour=12 + n)) for n in (1, 2)]
    rows["draws"] = [{"shop_id": "s", "job_id": f"j{n}", "operation_no": 1, "mix_id": f"c{n}"} for n in (1, 2)]
    rows["leftovers"] = [nothing_left(n) for n in (1, 2)]
    rows["target_weighings"] = [
        {
            "shop_id": "s",
            "job_id": "j1",
            "operation_no": 1,
            "target_id": "foil",
            "before_g": 50.0,
            "after_g": 50.0 + landed_g,
            "whole": True,
        }
    ]
    rows["operation_panels"] = [
        {
            "shop_id": "s",
            "job_id": "j2",
            "operation_no": 1,
            "panel_id": "door",
            "face": "outer",
            "area_m2": 1.0,
            "covered_fraction": 1.0,
            "substrate": "steel",
        }
    ]
    rows["readings"] = [
        {
            "shop_id": "s",
            "job_id": "j2",
            "panel_id": "door",
            "after_operation": after,
            "reading_no": n,
            "reading_um": um,
        }
        for after, um in ((0, 0.0), (1, film_ml))
        for n in range(1, 6)
    ]
    found = ledger("transfer_records", **rows)["transfer_records"].sort("basis")
    return found.filter(pl.col("usable")).sort("basis")["ratio"].to_list()


def test_transfer_efficiency_is_solids_adhering_over_solids_sprayed() -> None:
    # 40 CFR 63.11180: solids adhering over total solids sprayed; by volume and by weight as in ASTM D5286. READ
    parts = [part(0.05, lb_per_gal=9.0, voc=3.0, solids=0.5)]
    solids_g = 0.05 * GAL_ML * (9.0 - 3.0) * LB_PER_GAL
    solids_ml = 0.05 * GAL_ML * 0.5
    by_mass, by_volume = weighed(parts, landed_g=0.6 * solids_g, film_ml=0.4 * solids_ml)
    assert by_mass == pytest.approx(0.6, rel=1e-9)
    assert by_volume == pytest.approx(0.4, rel=1e-9)


@pytest.mark.parametrize(("te", "solids", "swollen"), [(0.55, 0.4, 1.0), (0.7, 0.55, 1.1), (0.3, 0.5, 0.9)])
def test_both_ways_agree_only_where_the_film_is_as_dense_as_the_solids_of_the_mix(
    te: float, solids: float, swollen: float
) -> None:
    # W24: ASTM D5286, text as shown in an unofficial copy. READ
    parts = [part(0.05, lb_per_gal=9.0, voc=3.0, solids=solids)]
    solids_g = 0.05 * GAL_ML * (9.0 - 3.0) * LB_PER_GAL
    dry_density = mix(*parts)["dry_density_g_per_ml"]
    by_mass, by_volume = weighed(parts, landed_g=te * solids_g, film_ml=te * solids_g / dry_density * swollen)
    assert by_volume == pytest.approx(by_mass * swollen, rel=1e-9)


def test_weighted_transfer_efficiency_of_a_month() -> None:
    # 40 CFR 60.313, 60.393: T = sum(Lc Vs T)/Ls, weighted by solids volume (variables READ, equation images omitted)
    found = [
        sprayed(te, [part(gal, lb_per_gal=9.0, voc=2.0, solids=vs)]) for gal, vs, te in ((1, 0.5, 0.25), (2, 0.3, 0.6))
    ]
    landed = sum(landed_ml(f)[0] for f in found)
    total = sum((f["mixes"]["rts_l"] * f["mixes"]["solids_volume_fraction"]).sum() * 1000 for f in found)
    assert landed / total == pytest.approx((0.5 * 0.25 + 0.6 * 0.6) / (0.5 + 0.6), rel=1e-9)


def test_shortcut_of_the_metal_furniture_rule() -> None:
    # 40 CFR 60.313(c)(1)(iv): VOC per L of solids over the lowest TE at most 0.90 kg/L. READ; 0.36 at 0.40: DERIVED
    solids = 0.5
    voc = 0.36 * solids / LB_PER_GAL  # lb/gal of a coating with 0.36 kg VOC per L of solids
    found = sprayed(0.40, [part(1, lb_per_gal=9.0, voc=voc, solids=solids)])
    assert found["material_ledger"]["poured_voc_g"].sum() / landed_ml(found)[0] == pytest.approx(0.90, rel=1e-9)


def test_particulate_behind_the_filter() -> None:
    # DERIVED, no published example was found: 400 g at 45 % solids, 97.5 g landed (1.5 m2 x 50 um x 1.3 g/cm3), filter 98 %:
    # TE 0.5417, overspray 82.5 g, 1.65 g out.
    solids_g, landed_g = 400 * 0.45, 1.5 * 50 * 1.3
    density = 10.0 * LB_PER_GAL
    cup = [part(400 / density / GAL_ML, lb_per_gal=10.0, voc=5.5, solids=0.3)]
    rows = cups_of(cup)
    rows["guns"] = [{"gun_id": "g", "shop_id": "s", "atomising": "hvlp", "flush_loss_g": 0.0}]
    rows["booths"] = [
        {"booth_id": "b", "shop_id": "s", "filter_capture": 0.5},
        {"booth_id": "b", "shop_id": "s", "filter_capture": 0.98, "valid_from": NOON.date()},
    ]
    rows["operations"] = [spraying(booth_id="b")]
    rows["draws"] = [{"shop_id": "s", "job_id": "j", "operation_no": 1, "mix_id": "c1"}]
    rows["leftovers"] = [nothing_left()]
    te = landed_g / solids_g
    rows["operation_te"] = [stated(te, off=0.1)]
    assert te == pytest.approx(0.5417, abs=5e-5)
    found = ledger("emissions_monthly", "material_ledger", **rows)
    assert found["material_ledger"]["overspray_solids_g"].sum() == pytest.approx(82.5, rel=1e-9)
    month = found["emissions_monthly"].row(0, named=True)
    assert month["pm_kg"] == pytest.approx(1.65e-3, rel=1e-9)
    assert month["pm_kg_low"] == pytest.approx((82.5 - 18) * 0.02 / 1000, rel=1e-9)
    assert month["pm_kg_high"] == pytest.approx((82.5 + 18) * 0.02 / 1000, rel=1e-9)
    rows["booths"] = []
    assert ledger("emissions_monthly", **rows)["emissions_monthly"]["pm_kg"].sum() == pytest.approx(82.5e-3, rel=1e-9)


def test_mixed_is_sprayed_and_waste() -> None:
    # Daily log columns of the coordinating committee for automotive repair: mixed 3 oz, sprayed 2 oz, waste 1 oz. READ-2
    ounce = LB_G / 16
    rows = cups_of([part(3 * ounce / (9.0 * LB_PER_GAL) / GAL_ML, lb_per_gal=9.0, voc=3.0, solids=0.4)])
    rows["leftovers"] = [
        {"shop_id": "s", "mix_id": "c1", "weigh_no": 1, "weighed_at": NOON.replace(hour=20), "leftover_g": ounce}
    ]
    found = ledger("material_ledger", **rows)["material_ledger"].row(0, named=True)
    assert found["leftover_solids_g"] / found["poured_solids_g"] == pytest.approx(1 / 3, rel=1e-9)
    assert found["not_split_solids_g"] / found["poured_solids_g"] == pytest.approx(2 / 3, rel=1e-9)
