"""Which gun fits which product: facts of the trade and the rule's own lines as cases.

Facts marked so are common practice with no published source; rule texts: 40 CFR 63.11173(e)(3) and 63.11180, 2015 edition.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from pipelines.settings import Settings
from tests import on_frames
from tests.on_frames import frame

MIL = 25.4


def gun_fit(
    guns: list[dict[str, Any]],
    products: list[dict[str, Any]],
    used: list[tuple[str, str]],
    films: dict[str, float] | None = None,
    place: str = "us",
    sprayed_ml: float = 200.0,
    kpa: float | None = None,
) -> dict[tuple[str, str], dict[str, Any]]:
    """gun_fit of one shop; `used` are (gun, product) of operations, films a mean film per gun."""
    role = {p["product_id"]: p["role"] for p in products}
    window = {p["product_id"]: (p.get("film_min_um"), p.get("film_max_um")) for p in products}
    when = datetime(2026, 3, 2, 9, 0)
    each = [
        {"shop_id": "s", "job_id": f"j{i}", "operation_no": 1, "gun_id": g, "product_id": p}
        for i, (g, p) in enumerate(used)
    ]
    sprays = [{**e, "role": role[e["product_id"]], "started_at": when, "coats": 1, "n_faces": 1} for e in each]
    packs = [{"jurisdiction": "us", "sections": "usage|shop_rules"}, {"jurisdiction": "eu", "sections": "usage"}]
    cups = [
        {"shop_id": "s", "mix_id": f"m{i}", "job_id": e["job_id"], "operation_no": 1, "sprayed_g": sprayed_ml}
        for i, e in enumerate(each)
    ]
    panels = [
        {**e, "panel_id": f"p{k}", "face": "outer", "film_um": films[e["gun_id"]] * (1 + 0.04 * (k - 1)), "covered_m2": 1.0,
         "source": "read", "film_min_um": window[e["product_id"]][0], "film_max_um": window[e["product_id"]][1]}
        for e in (each if films else [])
        for k in range(3)
    ]  # fmt: skip
    tables = {
        "shops": frame("shops", *[{"shop_id": "s", "jurisdiction": place}]),
        "packs": frame("packs", *packs),
        "guns": frame("guns", *[{"shop_id": "s", "atomising": "hvlp", **g} for g in guns]),
        "products": frame("products", *products),
        "operations": frame("operations", *[{**e, "kind": "spray", "started_at": when, "inlet_kpa": kpa} for e in each]),
        "sprays": frame("sprays", *sprays),
        "mixes": frame("mixes", *[{"shop_id": "s", "mix_id": f"m{i}", "density_g_per_ml": 1.0} for i in range(len(each))]),
        "sprayed": frame("sprayed", *cups),
        "film_build": frame("film_build", *panels),
    }  # fmt: skip
    for step in ("product_versions", "gun_versions", "guns_now", "gun_uses", "gun_rules"):
        tables[step] = on_frames.run_statement(step, tables, Settings().flat())
    found = on_frames.run_statement("gun_fit", tables, Settings().flat())
    return {(r["gun_id"], r["product_id"]): r for r in found.iter_rows(named=True)}


WINDOW = ("tip_min_mm", "tip_max_mm", "film_min_um", "film_max_um")
SURFACER = {"product_id": "filler", "role": "surfacer"} | dict(zip(WINDOW, (1.6, 1.8, 90.0, 170.0), strict=True))
# High-build direct-to-metal primer: 1.4-1.8 mm, at most 8 mil after sanding (common practice, no published source).
HIGH_BUILD = {"product_id": "dtm", "role": "epoxy"} | dict(zip(WINDOW, (1.4, 1.8, 3 * MIL, 8 * MIL), strict=True))
CLEAR = {"product_id": "clear1", "role": "clear", "tip_min_mm": 1.2, "tip_max_mm": 1.4, "inlet_max_kpa": 200.0}


def test_a_surfacer_through_1_4_mm_where_1_6_to_1_8_is_wanted_is_a_misfit_and_reads_thin():
    """Common practice: too small a tip leaves too little per coat and is sanded through."""
    row = gun_fit([{"gun_id": "g", "tip_mm": 1.4, "cup_ml": 600.0}], [SURFACER], [("g", "filler")] * 4, {"g": 70.0})[
        ("g", "filler")
    ]
    assert (row["verdict"], row["tip_fits"], row["reads"]) == ("misfit", False, "thin")
    assert "below the sheet's 1.6-1.8 mm" in row["why"] and "thin" in row["why"]


def test_a_high_build_primer_through_2_0_mm_is_a_misfit_and_reads_over_8_mil():
    """Common practice: too large a tip, or too many coats, traps solvent; at most 8 mil dry after sanding."""
    row = gun_fit(
        [{"gun_id": "g", "tip_mm": 2.0, "cup_ml": 600.0}], [HIGH_BUILD], [("g", "dtm")] * 4, {"g": 9.5 * MIL}
    )[("g", "dtm")]
    assert (row["verdict"], row["reads"]) == ("misfit", "thick")
    assert row["film_um"] > 8 * MIL and "thick" in row["why"]


@pytest.mark.parametrize("tip", [1.6, 1.7, 1.8])
def test_a_tip_inside_the_range_fits_ends_included(tip: float):
    row = gun_fit([{"gun_id": "g", "tip_mm": tip, "cup_ml": 600.0}], [SURFACER], [("g", "filler")] * 4, {"g": 120.0})[
        ("g", "filler")
    ]
    assert (row["verdict"], row["reads"], row["why"]) == ("fits", "in the window", None)


@pytest.mark.parametrize(
    ("atomising", "cup", "allowed", "verdict"),
    [
        ("hvlp", 600.0, True, "fits"),
        ("electrostatic", 600.0, True, "fits"),
        ("airless", 600.0, True, "fits"),
        ("air_assisted_airless", 600.0, True, "fits"),
        ("conventional", 600.0, False, "not_allowed"),
        ("reduced_pressure", 600.0, None, "unknown"),
        ("conventional", 80.0, True, "fits"),
        ("conventional", 88.7, None, "unknown"),  # 3.0 fl oz stands on both sides of the rule's line
        ("conventional", 90.1, False, "not_allowed"),
    ],
)
def test_guns_the_rule_names(atomising: str, cup: float, allowed: bool | None, verdict: str):
    gun = {"gun_id": "g", "tip_mm": 1.3, "cup_ml": cup, "atomising": atomising}
    row = gun_fit([gun], [CLEAR], [("g", "clear1")], sprayed_ml=60.0)[("g", "clear1")]
    assert (row["atomising_allowed"], row["verdict"]) == (allowed, verdict)


def test_where_no_rule_is_known_a_conventional_gun_is_allowed():
    gun = {"gun_id": "g", "tip_mm": 1.3, "cup_ml": 600.0, "atomising": "conventional"}
    assert gun_fit([gun], [CLEAR], [("g", "clear1")], place="eu")[("g", "clear1")]["atomising_allowed"] is True


def test_a_small_cup_that_sprayed_more_than_it_holds_was_refilled():
    gun = {"gun_id": "g", "tip_mm": 1.3, "cup_ml": 80.0, "atomising": "conventional"}
    row = gun_fit([gun], [CLEAR], [("g", "clear1")], sprayed_ml=120.0)[("g", "clear1")]
    assert row["cup_rule"] == "review" and "refilled" in row["why"] and row["verdict"] == "unknown"


def test_a_primer_gun_that_sprays_clear_is_cross_use():
    """Common practice: a primer gun is kept apart from base and clear guns."""
    clear = {**CLEAR, "tip_max_mm": 1.7}
    found = gun_fit(
        [{"gun_id": "g", "tip_mm": 1.6, "cup_ml": 600.0}], [SURFACER, clear], [("g", "filler")] * 5 + [("g", "clear1")]
    )
    assert found[("g", "clear1")]["cross_use"] and found[("g", "clear1")]["verdict"] == "misfit"
    assert not found[("g", "filler")]["cross_use"]


def test_too_much_inlet_pressure_is_a_misfit_and_none_written_down_is_not():
    gun = [{"gun_id": "g", "tip_mm": 1.3, "cup_ml": 600.0}]
    high = gun_fit(gun, [CLEAR], [("g", "clear1")], kpa=230.0)[("g", "clear1")]
    none = gun_fit(gun, [CLEAR], [("g", "clear1")])[("g", "clear1")]
    assert (high["pressure_fits"], high["verdict"]) == (False, "misfit")
    assert (none["pressure_fits"], none["verdict"]) == (None, "fits")


def test_a_gun_of_unknown_tip_is_unknown():
    row = gun_fit([{"gun_id": "g", "cup_ml": 600.0}], [CLEAR], [("g", "clear1")])[("g", "clear1")]
    assert (row["tip_fits"], row["verdict"]) == (None, "unknown")
