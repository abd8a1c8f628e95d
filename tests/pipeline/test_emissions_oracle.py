"""The environmental record of invented shops equals the same reckoned in plain loops, to 1e-9."""

from __future__ import annotations

from datetime import date, datetime
from functools import cache
from typing import Any

import emission_oracle as oracle
import log_oracle
import polars as pl
import pytest
import test_published_oracle as published_tests

from pipelines import run
from schemas import events, reference, registers, validate
from tests import on_frames

SEEDS = [1, 2, 3]
WANTED = (
    "emissions_monthly hap_monthly rolling_12_months voc_content stock_reconciliation emission_lines "
    "compliance_average compliance_solvent hap_63_3941 waste_drum waste_monthly limit_windows "
    "limit_curve material_log annual_statement spray_time reported_figures restatements"
).split()


PERMITS = [
    dict(shop_id=shop, measure=measure, period=period, valid_from=valid_from, limit=limit, unit=unit, source="permit")
    for shop, measure, period, valid_from, limit, unit in (
        ("north", "voc_kg", "month", None, 20.0, "lb"), ("north", "voc_kg", "month", date(2025, 3, 15), 0.004, "ton_us"),
        ("north", "rts_l:cleaning", "month", None, 1.0, "gal_us"), ("north", "hap_kg:108-88-3", "calendar_year", None, 6.0, "kg"),
        ("north", "hap_kg", "rolling_12_months", None, 5.0, "lb"), ("west", "rts_l", "calendar_year", None, 14.0, "gal_imp"),
        ("south", "voc_kg", "calendar_year", None, 0.03, "tonne"), ("south", "rts_l:topcoat", "month", None, 2.0, "l"),
        ("quay", "exempt_kg", "month", None, 1.5, "kg"), ("quay", "rts_l:surface_prep", "rolling_12_months", None, 2.0, "gal_imp"),
    )
]  # fmt: skip


def frames(rows: dict[str, list[dict[str, Any]]]) -> dict[str, pl.DataFrame]:
    """Rows as intake hands them on; no transfer efficiency is known."""
    found = {name: run.reference_table(name) for name in reference.REFERENCE}
    transfer = ("operation_te", "transfer_by_pair", "transfer_model")
    for name in (*events.EVENTS, *registers.REGISTERS, "incomplete", "intake_files", *transfer):
        empty = validate.empty(name)
        found[name] = pl.DataFrame(
            [{c: row.get(c) for c in empty.columns} for row in rows.get(name, [])], schema=empty.schema
        )
    return found


def ran(found: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    return on_frames.run_wanted(found, *WANTED)


@cache
def both(seed: int) -> tuple[dict[str, pl.DataFrame], oracle.Record]:
    rows = oracle.shops(seed)
    rows["permit_limits"] += PERMITS
    return ran(frames(rows)), oracle.Record(rows)


def close(value: float | None) -> Any:
    return None if value is None else pytest.approx(value, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_monthly_figures_are_those_of_plain_loops(seed: int) -> None:
    found, record = both(seed)
    ours = {(r["shop_id"], r["month"], r["category"]): r for r in found["emissions_monthly"].iter_rows(named=True)}
    assert set(ours) == set(record.emissions)
    for key, expected in record.emissions.items():
        for name in ("rts_l", "rts_kg", "voc_kg", "exempt_kg"):
            assert ours[key][name] == close(expected[name]), (key, name)
        assert ours[key]["complete"] is expected["complete"], key


@pytest.mark.parametrize("seed", SEEDS)
def test_the_drum_is_that_of_plain_loops_and_no_month_is_negative(seed: int) -> None:
    found, record = both(seed)
    ours = {(r["shop_id"], r["month"], r["stream"]): r for r in found["waste_drum"].iter_rows(named=True)}
    assert len(record.drum) > 40 and sum(row["credit_voc_kg"] for row in record.drum.values()) > 1
    for key, expected in record.drum.items():
        for name, value in expected.items():
            assert ours[key][name] == close(value), (key, name)
    for key, row in ours.items():
        moved = row["in_kg"] - row["shipped_kg"]
        assert row["opening_kg"] + moved == pytest.approx(row["closing_kg"], abs=1e-9), key
        if key not in record.drum:
            assert row["in_kg"] == row["shipped_kg"] == row["unexplained_kg"] == 0, key
    last = {}
    for (shop, _, stream), row in sorted(ours.items()):
        last[shop, stream] = row["closing_kg"]
    assert last == {key: close(value) for key, value in record.left_in_drum.items()}
    months = found["emissions_monthly"].group_by("shop_id", "month").agg(pl.col("voc_kg").sum())
    assert months["voc_kg"].min() >= -1e-9


@pytest.mark.parametrize("seed", SEEDS)
def test_pollutants_are_those_of_plain_loops(seed: int) -> None:
    found, record = both(seed)
    ours = {(r["shop_id"], r["month"], r["cas"]): r for r in found["hap_monthly"].iter_rows(named=True)}
    assert {key for key, row in ours.items() if row["kg"]} == {key for key, row in record.hap.items() if row["kg"]}
    for key, expected in record.hap.items():
        if expected["kg"]:
            for name, value in expected.items():
                assert ours[key][name] == close(value), (key, name)
            assert ours[key]["metal"] is (key[2] in oracle.METALS)


@pytest.mark.parametrize("seed", SEEDS)
def test_twelve_month_sums_are_those_of_plain_loops(seed: int) -> None:
    found, record = both(seed)
    ours = {(r["shop_id"], r["month"], r["measure"]): r for r in found["rolling_12_months"].iter_rows(named=True)}
    expected = record.rolling()
    assert len(expected) > 300
    for key, (total, present) in expected.items():
        assert ours[key]["total"] == close(total), key
        assert ours[key]["months_present"] == present, key
    north = {key[2]: row["limit"] for key, row in ours.items() if key[0] == "north"}
    assert north["voc_kg"] == pytest.approx(453.59237, rel=1e-12)
    assert north["rts_l:primer_sealer"] == pytest.approx(75.70823568, rel=1e-12)
    assert north["exempt_kg"] is None


@pytest.mark.parametrize("seed", SEEDS)
def test_voc_content_is_that_of_plain_loops(seed: int) -> None:
    found, record = both(seed)
    cups = found["voc_content"].filter("rules", pl.col("kind") == "cup")
    ours = {(r["shop_id"], r["mix_id"]): r for r in cups.iter_rows(named=True)}
    assert set(ours) == set(record.content)
    others = found["voc_content"].filter(pl.col("kind") != "cup")
    cleaners = {
        (r["shop_id"], r["mix_id"]): (r["category"], close(r["g_per_l"]), r["limit_g_per_l"], r["over"])
        for r in others.iter_rows(named=True)
    }
    assert cleaners == record.cleaners() and len(cleaners) > 20
    assert any(row["over"] for row in record.content.values()) and any(
        row["over"] is False for row in record.content.values()
    )
    for key, expected in record.content.items():
        for name in ("g_per_l", "limit_g_per_l"):
            assert ours[key][name] == close(expected[name]), (key, name)
        assert (ours[key]["category"], ours[key]["over"]) == (expected["category"], expected["over"]), key


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("table", "key"),
    [("compliance_average", ("shop_id", "month", "category")), ("compliance_solvent", ("shop_id", "year"))],
)
def test_averages_and_solvent_are_those_of_plain_loops(table: str, key: tuple[str, ...], seed: int) -> None:
    found, record = both(seed)
    ours = {tuple(r[k] for k in key): r for r in found[table].iter_rows(named=True)}
    expected = record.averages() if table == "compliance_average" else record.solvent()
    assert set(ours) == set(expected) and len(expected) >= 2
    for at, row in expected.items():
        for name, value in row.items():
            assert ours[at][name] == (close(value) if isinstance(value, float) else value), (at, name)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_sum_of_63_3941_is_that_of_plain_loops(seed: int) -> None:
    found, record = both(seed)
    ours = {(r["shop_id"], r["month"]): r["kg"] for r in found["hap_63_3941"].iter_rows(named=True)}
    expected = {key: kg for key, kg in record.hap_63.items() if kg}
    assert {key for key, kg in ours.items() if kg} == set(expected) and len(expected) >= 12
    for key, kg in expected.items():
        assert ours[key] == close(kg), key


@pytest.mark.parametrize("seed", SEEDS)
def test_two_roads_to_usage_are_those_of_plain_loops(seed: int) -> None:
    found, record = both(seed)
    ours = {
        (r["shop_id"], r["component_id"], r["from_on"], r["to_on"]): r
        for r in found["stock_reconciliation"].iter_rows(named=True)
    }
    expected = record.stock()
    assert set(ours) == set(expected) and len(expected) == 36
    for key, row in expected.items():
        for name, value in row.items():
            assert ours[key][name] == close(value), (key, name)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_still_kept_is_in_no_month_and_listed(seed: int) -> None:
    found, record = both(seed)
    flows = found["emission_flows"]
    kept = flows.filter(pl.col("kind") == "kept")
    assert dict(zip(zip(kept["shop_id"], kept["mix_id"], strict=True), kept["mass_g"], strict=True)) == pytest.approx(
        {cup: g for cup, g in record.kept_at_end.items() if g > 0}
    )
    mixes = found["mixes"].select((pl.col("poured_g") - pl.col("poured_on_g")).sum()).item()
    assert flows["mass_g"].sum() == pytest.approx(mixes, rel=1e-12)
    assert {"drawn", "weighed_back", "discarded", "unseen", "found", "kept", "cup"} <= set(flows["kind"])


@pytest.mark.parametrize("seed", SEEDS)
def test_every_figure_is_the_sum_of_its_lines(seed: int) -> None:
    found, _ = both(seed)
    lines = (
        found["emission_lines"]
        .group_by("shop_id", "month", "category")
        .agg(pl.col("rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg").sum(), n=pl.len())
    )
    joined = found["emissions_monthly"].join(
        lines, on=["shop_id", "month", "category"], suffix="_lines", validate="1:1"
    )
    assert joined.height == found["emissions_monthly"].height == lines.height
    for name in ("rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg"):
        gap = (joined[name].fill_null(0) - joined[f"{name}_lines"]).abs().max()
        assert gap < 1e-9, name
    hap = found["hap_lines"].group_by("shop_id", "month", "cas").agg(pl.col("kg").sum())
    both_ways = found["hap_monthly"].join(hap, on=["shop_id", "month", "cas"], suffix="_lines", validate="1:1")
    assert both_ways.height == found["hap_monthly"].height
    assert (both_ways["kg"] - both_ways["kg_lines"]).abs().max() < 1e-9


READERS = [
    ("limit_windows", ("shop_id", "measure", "period", "window"), lambda r: log_oracle.Limits(r, r.rows["permit_limits"]).windows()),
    ("limit_curve", ("shop_id", "measure", "period", "month"), lambda r: log_oracle.Limits(r, r.rows["permit_limits"]).curve()),
    ("material_log", ("shop_id", "month", "kind", "product_id", "component_id", "category"), log_oracle.material_log),
    ("annual_statement", ("shop_id", "year", "line", "cas", "class"), log_oracle.annual_statement),
    ("waste_monthly", ("shop_id", "month"), log_oracle.waste_monthly),
    ("waste_drum", ("shop_id", "month", "stream"), log_oracle.waste_drum),
    ("spray_time", ("shop_id", "technician_id", "month", "product_id"), log_oracle.spray_time),
]  # fmt: skip


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("table", "key", "expected_of"), READERS, ids=[one[0] for one in READERS])
def test_what_readers_are_given_is_that_of_plain_loops(
    table: str, key: tuple[str, ...], expected_of: Any, seed: int
) -> None:
    """Limits window by window and as a curve, the log, the year, the drum: every row, every column that is reckoned."""
    found, record = both(seed)
    ours = published_tests.keyed(log_oracle.compared(table, found[table].to_dicts()), *key)
    expected = expected_of(record)
    assert len(expected) > 20
    assert {name for row in expected.values() for name in row} <= set(found[table].columns)
    assert not (wrong := published_tests.differences(expected, ours)), published_tests.told(wrong)


CLOSED = {("north", "2025-02"), ("north", "2025-03"), ("south", "2025-03"), ("quay", "2025-04")}


@pytest.mark.parametrize("seed", SEEDS)
def test_restatements_are_the_differences_of_two_reckonings_in_plain_loops(seed: int) -> None:
    """Four months are closed; then a cup turns out to have held more, a cleaning and a use turn up, a drum was shipped late."""
    then, record = both(seed)
    rows = oracle.shops(seed)
    rows["permit_limits"] += PERMITS
    poured = next(
        p for p in rows["pours"]
        if p["shop_id"] == "north" and p.get("component_id") == "clear" and oracle.month_of(p["poured_at"]) == "2025-03"
    )  # fmt: skip
    poured["weighed_g"] += 250.0
    late = dict(component_id="wash", issued_g=700.0, recovered_g=None, purpose="gun")
    rows["cleaning"].append(dict(shop_id="south", cleaning_no="late", used_at=datetime(2025, 3, 9, 8), **late))
    rows["unscaled_use"].append(
        dict(shop_id="quay", use_no="late", used_at=datetime(2025, 4, 9, 8), component_id="can", mass_g=333.0)
    )
    rows["stock"].append(
        dict(shop_id="north", document_no="late", line_no=1, happened_on=date(2025, 2, 20), movement="shipped_as_waste",
             component_id=None, mass_g=900.0, voc_mass_fraction=0.4, document_ref="late")
    )  # fmt: skip
    given = frames(rows)
    told = then["reported_figures"].filter(
        pl.struct("shop_id", "month").is_in([dict(shop_id=s, month=m) for s, m in sorted(CLOSED)])
    )
    empty = validate.empty("closed_figures")
    given["closed_figures"] = told.select(empty.columns).cast(dict(empty.schema))
    found = ran(given)["restatements"].filter(~pl.col("figure").is_in(["pm_kg", "issued_l"]))
    ours = published_tests.keyed(found.to_dicts(), "shop_id", "month", "figure_table", "part", "figure")
    expected = log_oracle.restatements(record, oracle.Record(rows), rows["permit_limits"], CLOSED)
    assert len(expected) > 15 and {key[0] for key in expected} == {"north", "south", "quay"}
    assert not (wrong := published_tests.differences(expected, ours)), published_tests.told(wrong)


def test_order_of_rows_moves_no_figure() -> None:
    rows = oracle.shops(4, cups=30)
    straight = ran(frames(rows))
    turned = ran(frames({name: list(reversed(table)) for name, table in rows.items()}))
    for name in WANTED:
        left, right = straight[name], turned[name]
        floats = [c for c, t in left.schema.items() if t.is_float()]
        assert left.drop(floats).equals(right.drop(floats)), name
        for column in floats:
            gap = (left[column] - right[column]).abs().max()
            assert gap is None or gap < 1e-9, (name, column)
