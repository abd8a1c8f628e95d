"""The pours behind a cup's VOC content add up to it: published examples, an example worked by hand, and cups by chance.

Source of the quotient: 40 CFR 59.104(a)(1), VOC = (Wv - Ww - Wec)/(V - Vw - Vec) for the coating as prepared. Its variables
were READ in the edition of 2015, the picture of the formula was not in that copy. The EU's: 2004/42/EC Annex II B, MEMORY
for the division by the volume less water.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from one_cup import GAL_ML, LB_G, cups_of, lb_per_gal, ledger, part

from pipelines import checks
from reports import lines
from schemas.published import VOC_QUOTIENTS

WANTED = ("mixes", "voc_content", "voc_content_lines")
COMPONENTS: list[dict[str, Any]] = [
    dict(component_id="a", density_g_per_ml=1.0, solids_mass_fraction=0.4, voc_mass_fraction=0.3, water_mass_fraction=0.2,
         exempt_mass_fraction=0.1, exempt_density_g_per_ml=2.0),
    dict(component_id="b", density_g_per_ml=0.8, solids_mass_fraction=0.1, voc_mass_fraction=0.9, water_mass_fraction=0.0,
         exempt_mass_fraction=0.0),
    dict(component_id="water", density_g_per_ml=0.9982, solids_mass_fraction=0.0, voc_mass_fraction=0.0,
         water_mass_fraction=1.0, exempt_mass_fraction=0.0),
    dict(component_id="lacking", density_g_per_ml=1.2, solids_mass_fraction=0.5),
    dict(component_id="secret", solids_mass_fraction=0.5, voc_mass_fraction=0.5),
    dict(component_id="exempt", density_g_per_ml=0.9, solids_mass_fraction=0.0, voc_mass_fraction=0.5,
         water_mass_fraction=0.0, exempt_mass_fraction=0.5, voc_eu_mass_fraction=0.97),
]  # fmt: skip
PRODUCTS: list[dict[str, Any]] = [
    dict(product_id="plain", role="clear"),
    dict(product_id="told", role="clear", rts_density_g_per_ml=1.1, rts_voc_g_per_l=400.0, rts_water_mass_fraction=0.1,
         rts_exempt_mass_fraction=0.0),
    dict(product_id="cleaner", role="specialty"),
]  # fmt: skip
START = datetime(2026, 3, 3, 8)


def pour(mix: str, number: int, grams: float, what: str, at: int = 0, product: str = "plain", shop: str = "us") -> Any:
    way = {"from_mix_id": what} if what.startswith("m") else {"component_id": what}
    return dict(shop_id=shop, mix_id=mix, pour_no=number, poured_at=START + timedelta(minutes=at), product_id=product,
                weighed_g=grams, **way)  # fmt: skip


def run(pours: list[dict[str, Any]]) -> dict[str, pl.DataFrame]:
    return ledger(
        *WANTED, pours=pours, components=COMPONENTS, products=PRODUCTS,
        shops=[dict(shop_id=one, jurisdiction=one) for one in ("us", "eu")],
        product_categories=[dict(product_id="cleaner", jurisdiction="eu", category="pre_cleaner"),
                            dict(product_id="plain", jurisdiction="us", category="topcoat_two_stage")],
    )  # fmt: skip


def holds(found: dict[str, pl.DataFrame]) -> checks.Outcome:
    return checks.quotient_of_lines(found["voc_content"], found["mixes"], found["voc_content_lines"])


def test_enamel_and_thinner_line_by_line() -> None:
    # W7, a trade handbook: 1 gal at 2.5 lb/gal and a quarter at 6.8: 4.2 lb in 1.25 gal, 3.36 lb/gal. READ-2
    found = ledger(*WANTED, **cups_of([part(1, voc=2.5, solids=0.5), part(0.25, lb_per_gal=6.8, voc=6.8)]))
    rows = found["voc_content_lines"]
    assert (rows["voc_g"] / LB_G).to_list() == pytest.approx([2.5, 1.7], rel=1e-12)
    assert (rows["volume_ml"] / GAL_ML).to_list() == pytest.approx([1.0, 0.25], rel=1e-12)
    said = lines.listed(found, "voc_g_per_l:c1", None)
    assert lb_per_gal(said.total or 0) == pytest.approx(3.36, rel=1e-9) and said.total == pytest.approx(said.figure)


def test_water_is_taken_out_of_the_volume_line_by_line() -> None:
    # W6, Paints & Coatings Resource Center: 20.8 % solids and 53.0 % water by mass, 8.52 lb/gal: 4.87 lb/gal less water. READ-2
    paint = part(1, lb_per_gal=8.52, water=0.53 * 8.52, voc=0.262 * 8.52, solids=0.2)
    found = ledger(*WANTED, **cups_of([paint, part(1, lb_per_gal=8.33, water=8.33)]))
    said = lines.listed(found, "voc_g_per_l_regulatory:c1", None)
    assert lb_per_gal(said.total or 0) == pytest.approx(4.87, abs=0.01)
    assert said.rows["regulatory_ml"][1] == pytest.approx(0.0, abs=1.0)  # 8.33 lb/gal is water but for rounding


def test_an_example_worked_by_hand_with_a_leftover_poured_in() -> None:
    # DERIVED: 100 g of a and 50 g of b; then 30 g of these 150 g, a fifth, with 40 g of b
    found = run(
        [pour("m1", 1, 100, "a"), pour("m1", 2, 50, "b"), pour("m2", 1, 30, "m1", 60), pour("m2", 2, 40, "b", 60)]
    )
    first = lines.listed(found, "voc_g_per_l_regulatory:m1", None)
    # 30 + 45 g in 100 + 62.5 mL less 20/0.9982 mL of water and 10/2 mL of exempt compounds
    assert first.rows["voc_g"].to_list() == pytest.approx([30, 45])
    assert first.rows["water_ml"].to_list() == pytest.approx([20 / 0.9982, 0])
    assert first.rows["exempt_ml"].to_list() == pytest.approx([5, 0])
    assert first.total == first.figure == pytest.approx(1000 * 75 / (162.5 - 20 / 0.9982 - 5))
    assert lines.listed(found, "voc_g_per_l_actual:m1", None).total == pytest.approx(1000 * 75 / 162.5)
    # EU: exempt compounds are VOC, and water alone leaves the volume
    assert lines.listed(found, "voc_g_per_l_eu:m1", None).total == pytest.approx(1000 * 85 / (162.5 - 20 / 0.9982))
    second = lines.listed(found, "voc_g_per_l:m2", None)
    assert second.rows.select("pour_no", "component_id", "from_mix_id").rows() == [
        (1, "a", "m1"), (1, "b", "m1"), (2, "b", None),
    ]  # fmt: skip
    assert second.rows["mass_g"].to_list() == pytest.approx([20, 10, 40])
    assert second.total == pytest.approx(1000 * (6 + 9 + 36) / (20 + 12.5 + 50 - 4 / 0.9982 - 1))
    *_, sums = second.told()
    assert sums == "3 lines: 51 g of VOC in 77.4928 mL (the volume less water and exempt compounds) are 658.126 g/L; " \
        "voc_content says 658.126 g/L."  # fmt: skip


def test_a_cleaner_is_judged_on_all_of_its_volume_in_the_union() -> None:
    found = run([pour("m1", 1, 100, "a", product="cleaner", shop="eu"), pour("m2", 1, 100, "a", shop="eu")])
    assert lines.listed(found, "voc_g_per_l:m1", None).total == pytest.approx(400.0)
    assert lines.listed(found, "voc_g_per_l:m2", None).total == pytest.approx(1000 * 40 / (100 - 20 / 0.9982))


def test_what_lacks_a_figure_is_named_and_leaves_no_content() -> None:
    found = run([pour("m1", 1, 60, "a"), pour("m1", 2, 40, "lacking"), pour("m2", 1, 40, "lacking", product="told")])
    said = lines.listed(found, "voc_g_per_l:m1", None)
    assert said.total is None and said.figure is None
    assert said.rows["note"].to_list() == [None, "no VOC figure, no water figure, no figure of exempt compounds"]
    assert "2 lines; at least one lacks a figure (see note), so the content is not known." in list(said.told())
    stands_in = lines.listed(found, "voc_g_per_l_actual:m2", None)
    assert stands_in.total == pytest.approx(400.0)
    assert stands_in.rows["note"].to_list() == ["figures of its product, ready to spray, stand in"]


def test_the_check_finds_what_does_not_add_up() -> None:
    found = run(
        [pour("m1", 1, 100, "a"), pour("m1", 2, 50, "b"), pour("m2", 1, 9, "water"), pour("m3", 1, 9, "secret")]
    )
    assert holds(found)[0]
    rows = found["voc_content_lines"]

    def changed(name: str, **more: pl.Expr) -> checks.Outcome:
        return holds(found | {name: found[name].with_columns(**more)})

    once = pl.int_range(pl.len()) == 0
    for amount in ("voc_g", "regulatory_ml", "volume_ml", "eu_ml", "voc_eu_g", "content_voc_g", "content_ml"):
        more = pl.when(once).then(pl.col(amount) * (1 + 1e-7)).otherwise(amount)
        assert not changed("voc_content_lines", **{amount: more})[0], amount
        gone = changed("voc_content_lines", **{amount: pl.when(~once).then(amount)})
        assert not gone[0] and gone[1]["figures_without_lines"]
    for figure in set(VOC_QUOTIENTS) & set(found["mixes"].columns):
        assert not changed("mixes", **{figure: pl.col(figure) * (1 + 1e-7)})[0]
    assert not changed("voc_content", g_per_l=pl.col("g_per_l") * (1 + 1e-7))[0]
    assert changed("voc_content", g_per_l=pl.lit(None, pl.Float64))[1]["lines_without_figure"] == 1
    assert not holds(found | {"voc_content_lines": rows[1:]})[0]
    assert holds(found | {"voc_content_lines": pl.concat([rows, rows.with_columns(mix_id=pl.lit("m9"))])})[1][
        "lines_left_over"
    ]


CUPS = st.lists(
    st.tuples(
        st.sampled_from([one["product_id"] for one in PRODUCTS]),
        st.sampled_from(["us", "eu"]),
        st.lists(
            st.tuples(
                st.sampled_from([one["component_id"] for one in COMPONENTS] + ["m0", "m1", "m2"]),
                st.one_of(st.floats(0.1, 900), st.just(0.0)),
                st.sampled_from([0.0, 0.0, 0.4, 1.0]),
            ),
            min_size=1, max_size=4,
        ),
    ),
    min_size=1, max_size=5,
)  # fmt: skip


@given(CUPS)
@settings(max_examples=18, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
def test_any_cups_add_up(cups: list[tuple[str, str, list[tuple[str, float, float]]]]) -> None:
    """Cups poured into cups (circles too), taken out again, of water alone, without figures."""
    pours = [
        pour(f"m{at}", number, mass, what, at, product, shop)
        for at, (product, shop, parts) in enumerate(cups)
        for at_part, (what, grams, back) in enumerate(parts)
        if what != f"m{at}"
        for number, mass in ((2 * at_part + 1, grams), (2 * at_part + 2, -back * grams))
    ]
    if not pours:
        return
    found = run(pours)
    assert holds(found) == (True, holds(found)[1])
    rows = {key: group for key, group in found["voc_content_lines"].group_by("shop_id", "mix_id")}
    for mix in found["mixes"].iter_rows(named=True):
        group = rows.get((mix["shop_id"], mix["mix_id"]))
        for name, (mass, volume) in VOC_QUOTIENTS.items():
            if mix.get(name) is None:
                continue
            assert group is not None
            # loops, not the check's own sums
            voc = sum(group[mass].to_list())
            ml = sum(group[volume].to_list())
            whole = sum(abs(one) for one in group["volume_ml"].to_list())
            assert abs(mix[name] * ml - 1000 * voc) <= 1e-9 * max(
                abs(mix[name]) * whole, 1000 * group[mass].abs().sum()
            )
    # what was poured as a component stands line for line with the mass that was weighed
    own = found["voc_content_lines"].filter(pl.col("from_mix_id").is_null())
    weighed = {(r["shop_id"], r["mix_id"], r["pour_no"]): r["weighed_g"] for r in pours}
    assert all(
        weighed[r[0], r[1], r[2]] == r[3] for r in own.select("shop_id", "mix_id", "pour_no", "mass_g").iter_rows()
    )
