"""Where permits, statements, the log of materials and closed months turn: the day on which a limit changes, two shops in one month,
a figure that was known and is not.

Each from rows made by hand through one statement.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from small_shop import asked

GALLON_L, POUND_G, TON_KG = (
    3.785411784,
    453.59237,
    907.18474,
)  # NIST SP 811: a US gallon, a pound, a short ton, all exact
EVER, NEVER, FEBRUARY = date(1, 1, 1), date(9999, 12, 31), date(2026, 2, 1)
DAY = date(2026, 3, 2)


def months(shop: str, measure: str, *totals: float) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Months from January 2026 on as rolling_12_months and shop_months have them, all complete."""
    rolling, shown = [], []
    for n, total in enumerate(totals):
        key = {"shop_id": shop, "month": f"2026-{n + 1:02d}"}
        so_far = sum(totals[: n + 1])
        rolling.append(key | {"measure": measure, "total": so_far, "year_to_date": so_far, "month_total": total, "months_present": n + 1,
                              "complete": True, "month_complete": True, "year_complete": True})  # fmt: skip
        shown.append(key | {"month_no": 2026 * 12 + n, "n_before": n, "next_on": date(2026, n + 2, 1)})
    return rolling, shown


def limit(amount: float, period: str, shop: str = "s", **more: Any) -> dict[str, Any]:
    usual = {"shop_id": shop, "measure": "voc_kg", "period": period, "from_on": EVER, "until_on": NEVER, "limit_stated": amount, "unit": "kg",
             "factor": 1.0, "amount": amount, "source": "permit"}  # fmt: skip
    return usual | more


def test_a_limit_that_changes_on_the_first_leaves_the_month_before_alone() -> None:
    rolling, shown = months("s", "voc_kg", 1.0, 2.0)
    limits = [limit(4.0, "month", until_on=FEBRUARY), limit(1.5, "month", from_on=FEBRUARY)]
    found = asked("limit_curve", rolling_12_months=rolling, shop_months=shown, permit_amounts=limits)
    assert [(r["month"], r["limit"], r["headroom"], r["already"]) for r in found] == [
        ("2026-01", 4.0, 3.0, False), ("2026-02", 1.5, -0.5, True),
    ]  # fmt: skip


def test_a_limit_of_nothing_has_no_share_and_any_amount_is_above_it() -> None:
    rolling, shown = months("s", "voc_kg", 1.0)
    (found,) = asked("limit_curve", rolling_12_months=rolling, shop_months=shown, permit_amounts=[limit(0.0, "month")])
    assert (found["share_of_limit"], found["already"], found["crossed_in"]) == (None, True, "2026-01")


def test_a_limit_is_crossed_at_the_pace_of_three_months_by_its_own_measure() -> None:
    """1, 2, 3 and 4 kg: the last three are 3 a month, so 10 kg are above 18 in the third month from April on."""
    rolling, shown = months("s", "voc_kg", 1.0, 2.0, 3.0, 4.0)
    other, _ = months("s", "pm_kg", 100.0, 100.0, 100.0, 100.0)
    limits = [limit(18.0, "calendar_year"), limit(18.0, "rolling_12_months")]
    found = asked("limit_curve", rolling_12_months=[*rolling, *other], shop_months=shown, permit_amounts=limits)
    april = [r for r in found if r["month"] == "2026-04"]
    assert [(r["period"], r["pace_per_month"], r["crossed_in"]) for r in april] == [
        ("calendar_year", 3.0, "2026-07"), ("rolling_12_months", 3.0, "2026-07"),
    ]  # fmt: skip


def test_windows_of_two_shops_are_judged_each_by_its_own_months() -> None:
    mine, shown = months("s", "voc_kg", 1.0, 2.0)
    theirs, also_shown = months("other", "voc_kg", 5.0)
    limits = [
        limit(1.0, "month"),
        limit(2.5, "calendar_year"),
        limit(4.0, "rolling_12_months"),
        limit(5.0, "month", "other"),
    ]
    found = asked(
        "limit_windows", rolling_12_months=mine + theirs, shop_months=shown + also_shown, permit_amounts=limits
    )
    rows = [(r["shop_id"], r["period"], r["window"], r["total"], r["breached"], r["months_present"]) for r in found]
    assert rows == [
        ("other", "month", "2026-01", 5.0, False, 1), ("s", "calendar_year", "2026", 3.0, True, 2), ("s", "month", "2026-01", 1.0, False, 1),
        ("s", "month", "2026-02", 2.0, True, 1), ("s", "rolling_12_months", "2026-01", 1.0, False, 1),
        ("s", "rolling_12_months", "2026-02", 3.0, False, 2),
    ]  # fmt: skip
    assert found[3]["share_of_limit"] == 2.0


def test_where_the_limit_stands_is_that_of_the_last_month_of_its_own_shop() -> None:
    judged = {"measure": "voc_kg", "period": "month", "months_present": 1, "complete": True, "limit_stated": 9.0, "unit": "kg", "unit_fits": True,
              "source": "permit"}  # fmt: skip
    totals = (("s", "2026-01", 1.0), ("s", "2026-02", 2.0), ("other", "2026-01", 5.0), ("other", "2026-02", 6.0))
    curve = [judged | {"shop_id": shop, "month": month, "total": total} for shop, month, total in totals]
    places = [{"shop_id": "s", "last_month": "2026-02"}, {"shop_id": "other", "last_month": "2026-01"}]
    found = asked("permit_headroom", limit_curve=curve, emission_places=places)
    assert [(r["shop_id"], r["total"]) for r in found] == [("other", 5.0), ("s", 2.0)]


@pytest.mark.parametrize(("breached", "said"), [(True, "above the limit"), (False, "within"), (None, "cannot be told")])
def test_a_window_is_reported_as_it_was_judged(breached: bool | None, said: str) -> None:
    window = dict(shop_id="s", measure="voc_kg", period="month", window="2026-01", total_metric=1.0, breached=breached)
    found = asked("reported_figures", limit_windows=[window, window | {"period": "calendar_year", "window": "2026"}])
    assert [(r["part"], r["amount"], r["said"]) for r in found] == [("voc_kg, month", 1.0, said)]


def closed(part: str, amount: float | None, said: str | None = None, shop: str = "s") -> dict[str, Any]:
    return dict(shop_id=shop, month="2026-01", figure_table="t", part=part, figure="f", amount=amount, said=said)


def test_a_closed_figure_is_restated_where_it_changed_came_or_went() -> None:
    was = [closed("same", 1.0), closed("more", 1.0), closed("gone", 1.0), closed("unknown now", 1.0), closed("known now", None),
           closed("word", None, "yes"), closed("never known", None)]  # fmt: skip
    now = [closed("same", 1.0), closed("more", 1.1), closed("new", 1.0), closed("unknown now", None), closed("known now", 0.0),
           closed("word", None, "no"), closed("never known", None), closed("same", 2.0, shop="not closed")]  # fmt: skip
    found = asked("restatements", closed_figures=was, reported_figures=now)
    assert {r["part"]: (r["what"], r["was"], r["is_now"]) for r in found} == {
        "more": ("changed", 1.0, 1.1), "gone": ("gone", 1.0, None), "new": ("new", None, 1.0), "unknown now": ("changed", 1.0, None),
        "known now": ("changed", None, 0.0), "word": ("changed", None, None),
    }  # fmt: skip
    assert {r["because"] for r in found} == {"no file: another version of the program, or a setting"}


def test_a_restatement_names_the_files_of_its_own_shop_and_month() -> None:
    given: dict[str, list[dict[str, Any]]] = {
        "closed_figures": [closed("more", 1.0), closed("more", 1.0, shop="other")],
        "reported_figures": [closed("more", 2.0), closed("more", 2.0, shop="other")],
        "closed_files": [{"month": "2026-01", "path": "pours/a.csv", "sha256": "1"}, {"month": "2026-01", "path": "pours/same.csv", "sha256": "2"}],
        "intake_files": [{"file": f"pours/{name}.csv", "table": "pours", "sha256": sha} for name, sha in (("a", "9"), ("b", "3"), ("same", "2"))],
        "pours": [{"shop_id": "s", "mix_id": "m", "file": "pours/a.csv"}, {"shop_id": "other", "mix_id": "m", "file": "pours/b.csv"},
                       {"shop_id": "s", "mix_id": "later", "file": "pours/b.csv"}],
        "mixes": [{"shop_id": "s", "mix_id": "m", "month": "2026-01"}, {"shop_id": "other", "mix_id": "m", "month": "2026-01"},
                  {"shop_id": "s", "mix_id": "later", "month": "2026-02"}],
    }  # fmt: skip
    found = {r["shop_id"]: r["because"] for r in asked("restatements", **given)}
    assert found == {"s": "pours/a.csv (changed)", "other": "pours/b.csv (new)"}


def cups_of_a_product(**first: Any) -> list[dict[str, Any]]:
    usual = {"shop_id": "s", "month": "2026-03", "product_id": "p", "category": "clear"}
    one = {"mix_id": "a", "rts_l": 0.8, "own_poured_g": 1000.0, "voc_mass_fraction": 0.5}
    two = {"mix_id": "b", "rts_l": 0.5, "own_poured_g": 500.0, "voc_mass_fraction": 0.4}
    return [usual | one | first, usual | two]


def test_the_log_says_what_was_used_of_each_product_and_component() -> None:
    """1000 g with 50 % and 500 g with 40 % VOC in 1.3 L; of 1500 g at 1.25 g/mL, 50 % VOC, as supplied: 625 g/L."""
    material = dict(jurisdiction="us", component_id="c", on_date=DAY, density_g_per_ml=1.25, voc_mass_fraction=0.5)
    found = asked(
        "material_log",
        emission_cups=cups_of_a_product(),
        pours=[{"shop_id": "s", "mix_id": mix, "pour_no": 1, "colour_id": "red"} for mix in "ab"],
        cup_contents=[{"shop_id": "s", "mix_id": mix, "component_id": "c", "on_date": DAY, "own_g": g} for mix, g in (("a", 1000.0), ("b", 500.0))],
        voc_content=[{"shop_id": "s", "mix_id": mix, "rules": True, "kind": "cup", "g_per_l": g, "limit_g_per_l": 420.0, "over": g > 420}
                     for mix, g in (("a", 410.0), ("b", 430.0))],
        emission_places=[{"shop_id": "s", "jurisdiction": "us"}],
        emission_materials=[material],
        products=[{"product_id": "p", "label": "a clear"}],
    )  # fmt: skip
    component, product = found
    assert (product["rts_l"], product["mass_kg"], product["n"], product["n_over"]) == (pytest.approx(1.3), 1.5, 2, 1)
    assert (product["colour_id"], product["label"], product["limit_g_per_l"]) == ("red", "a clear", 420.0)
    assert product["voc_g_per_l_applied"] == pytest.approx((500 + 200) / 1.3)
    assert product["voc_lb_per_gal_applied"] == pytest.approx((500 + 200) / 1.3 * GALLON_L / POUND_G)
    assert product["voc_lb_per_gal_regulatory"] == pytest.approx(430 * GALLON_L / POUND_G)
    assert (component["rts_l"], component["mass_kg"]) == (pytest.approx(1.2), 1.5)
    assert (component["share_by_volume"], component["share_by_mass"]) == (pytest.approx(1.2 / 1.3), pytest.approx(1.0))
    assert component["voc_g_per_l_supplied"] == pytest.approx(625.0)


@pytest.mark.parametrize("colours", [("red", None), ("red", "blue")])
def test_a_row_of_the_log_has_a_colour_where_all_its_mixes_have_it(colours: tuple[str, str | None]) -> None:
    pours = [
        {"shop_id": "s", "mix_id": mix, "pour_no": 1, "colour_id": c} for mix, c in zip("ab", colours, strict=True)
    ]
    (found,) = asked("material_log", emission_cups=cups_of_a_product(), pours=pours)
    assert found["colour_id"] is None


def test_litres_that_one_mix_lacks_are_no_litres_of_the_product() -> None:
    (found,) = asked("material_log", emission_cups=cups_of_a_product(rts_l=None))
    assert (found["rts_l"], found["voc_g_per_l_applied"], found["mass_kg"]) == (None, None, 1.5)


def test_the_log_has_solvent_as_it_was_issued_and_waste_as_it_was_shipped() -> None:
    use = {"shop_id": "s", "month": "2026-03", "component_id": "c", "on_date": DAY}
    cleaning = use | dict(
        kind="cleaning", source="cleaning", issued_l=2.5, issued_g=2000.0, recovered_g=500.0, mass_g=1500.0
    )
    unscaled = use | {"kind": "unscaled", "source": "unscaled_use", "rts_l": 0.4, "mass_g": 300.0}
    waste = {"shop_id": "s", "month": "2026-03"}
    rows = asked(
        "material_log",
        emission_uses=[cleaning, unscaled, use | {"kind": "cup", "source": "mixes", "mass_g": 9.0}],
        emission_places=[{"shop_id": "s", "jurisdiction": "us"}],
        emission_materials=[{"jurisdiction": "us", "component_id": "c", "on_date": DAY, "voc_mass_fraction": 0.9}],
        emission_waste=[waste | {"mass_g": 300.0, "document_ref": "b"}, waste | {"mass_g": 200.0, "document_ref": "a"}],
    )
    found = {row["kind"]: row for row in rows}
    assert set(found) == {"cleaning", "unscaled", "waste"}
    wanted = {"rts_l": 2.5, "mass_kg": 2.0, "voc_g_per_l_supplied": 720.0, "recovered_kg": 0.5, "n": 1}
    assert {name: found["cleaning"][name] for name in wanted} == pytest.approx(wanted)
    wanted = {"rts_l": 0.4, "mass_kg": 0.3, "voc_g_per_l_supplied": 675.0, "n": 1}
    assert {name: found["unscaled"][name] for name in wanted} == pytest.approx(wanted)
    assert (found["waste"]["shipped_kg"], found["waste"]["document_ref"], found["waste"]["n"]) == (0.5, "a; b", 2)


def statement(**more: list[dict[str, Any]]) -> dict[tuple[str, str | None], dict[str, Any]]:
    """The statement of 2026 of a place with a threshold of 10 short tons of one pollutant and 25 of all."""
    month = dict(shop_id="s", complete=True, n_lines=1, rts_kg=3000.0, rts_l=2500.0, voc_kg=1000.0, pm_kg=1.0)
    given: dict[str, list[dict[str, Any]]] = {
        "shop_months": [{"shop_id": "s", "month": f"2026-{n:02d}"} for n in (1, 2)],
        "emission_places": [{"shop_id": "s", "jurisdiction": "us"}],
        "packs": [{"jurisdiction": "us", "sections": "hap"}],
        "emissions_monthly": [month | {"month": f"2026-{n:02d}", "category": c} for n, c in ((1, "base"), (2, "clear"))],
        "rule_figures": [{"jurisdiction": "us", "rule": "major", "figure": f"{what}_per_year", "value": tons, "unit": "ton_us", "source": "law"}
                         for what, tons in (("single_hap", 10.0), ("all_hap", 25.0))],
    } | more  # fmt: skip
    return {(row["line"], row["cas"] or row["substance"]): row for row in asked("annual_statement", **given)}


def test_a_year_is_added_up_and_each_end_of_a_pollutant_by_itself() -> None:
    month = {"shop_id": "s", "complete": True, "metal": False, "substance": "xylenes", "cas": "1330-20-7"}
    hap = [
        month | {"month": f"2026-{n:02d}", "kg": kg, "kg_low": kg / 2, "kg_high": kg}
        for n, kg in ((1, 10 * TON_KG), (2, 907.18474))
    ]
    found = statement(hap_monthly=hap)
    poured = found["throughput", None]
    assert (poured["kg"], poured["tonnes"], poured["litres"], poured["n_months"]) == (6000.0, 6.0, 5000.0, 2)
    single, everything = found["single_hap", "1330-20-7"], found["all_hap", None]
    for row, threshold, reached in ((single, 10.0, True), (everything, 25.0, False)):
        assert row["kg"] == pytest.approx(11 * TON_KG)
        assert (row["kg_low"], row["kg_high"]) == (pytest.approx(5.5 * TON_KG), pytest.approx(11 * TON_KG))
        assert (row["tons_us"], row["threshold"], row["reached"]) == (pytest.approx(11.0), threshold, reached)
        assert row["share_of_threshold"] == pytest.approx(11 / threshold)


def test_solids_whose_way_is_not_known_leave_the_years_particulate_open() -> None:
    month = {"shop_id": "s", "month": "2026-01", "category": "clear", "complete": True, "pm_kg": 1.0}
    assert statement(emissions_monthly=[month])["pm", None]["complete"] is True
    assert statement(emissions_monthly=[month | {"not_split_solids_kg": 0.2}])["pm", None]["complete"] is False


def test_a_year_of_which_no_pollutant_is_known_says_so() -> None:
    assert (statement()["all_hap", None]["kg"], statement()["all_hap", None]["complete"]) == (0.0, True)
    found = statement(hap_gaps=[{"shop_id": "s", "month": "2026-01", "component_id": "c", "mass_g": 1.0}])[
        "all_hap", None
    ]
    assert (found["kg"], found["complete"], found["reached"]) == (None, False, None)
