"""Totals of an invented business (seed_data), from its exported rows to table totals: they add up, and their intervals are
those of one joint posterior, which a dense computation with drawn effects repeats."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
import scipy.sparse as sp
from scipy import stats

from pipelines.settings import Settings
from pipelines.transfer.decisions import decision_tables
from pipelines.transfer.model import linearise, totals
from pipelines.transfer.model.estimate import estimate
from pipelines.transfer.model.joint import Statements
from seed_data import scenario
from tests import on_frames
from tests.bench.direct_intervals import typed_tables

SETTINGS = Settings()
Business = tuple[dict[str, pl.DataFrame], totals.Cells, Statements]


@pytest.fixture(scope="module")
def business() -> Business:
    drawn = scenario.build(seed=9, shops=2, months=7, cups=1300, small_tables=False)
    film = on_frames.run_all(typed_tables(drawn), SETTINGS.flat(), until="records")
    fits: list[linearise.Joint] = []
    model = estimate(film["records"], film["record_layers"], SETTINGS, drawn.registers["gun_services"], fits.append)
    ledger = on_frames.run_all(film | model, SETTINGS.flat())
    said = Statements(fits[0], SETTINGS)
    return ledger, totals.cells([ledger], said, SETTINGS), said


@pytest.fixture(scope="module")
def table(business: Business) -> pl.DataFrame:
    _, found, said = business
    return decision_tables.formed("totals", totals.totals(found, said))


def at(table: pl.DataFrame, **key: str) -> dict[str, Any]:
    wanted = {"shop_id": "all", "role": "all", "product_id": "all", "period": "all"} | key
    return table.filter(pl.all_horizontal(pl.col(k) == v for k, v in wanted.items())).row(0, named=True)


def test_totals_add_up_to_the_ledger_and_close(business: Business, table: pl.DataFrame) -> None:
    ledger, _, _ = business
    whole = at(table)
    for part in totals.LEDGER:
        assert whole[f"{part}_solids_g"] == pytest.approx(ledger["material_ledger"][f"{part}_solids_g"].sum(), rel=1e-9)
    parts = sum(whole[f"{part}_solids_g"] for part in totals.LEDGER if part != "poured")
    assert parts == pytest.approx(whole["poured_solids_g"], rel=1e-9)
    only = (pl.col("role") == "all") & (pl.col("product_id") == "all")
    for span in (r"\d{4}-\d\d", r"\d{4}-Q\d", r"\d{4}"):
        cut = table.filter(only & (pl.col("shop_id") == "all") & pl.col("period").str.contains(f"^{span}$"))
        assert cut["useful_voc_g"].sum() == pytest.approx(whole["useful_voc_g"], rel=1e-9)
    landed = whole["useful_solids_g"] + whole["over_build_solids_g"]
    assert whole["te"] == pytest.approx(landed / (landed + whole["overspray_solids_g"]), rel=1e-9)


def test_the_parts_of_an_uncertainty_make_its_interval(table: pl.DataFrame) -> None:
    told = table.drop_nulls("te_high").filter(pl.col("n") > 0)
    whole = (told["te_high"] - told["te_low"]) / (2 * 1.959963984540054)
    squares = told["u_event"] ** 2 + told["u_cells"] ** 2 + told["u_shared"] ** 2
    assert (squares / whole**2).to_list() == pytest.approx([1.0] * told.height, rel=1e-9)


def test_the_headline_is_as_wide_as_what_is_shared_and_single_events_hardly_count(
    business: Business, table: pl.DataFrame
) -> None:
    """It was the sum of single jobs' ends, +-19 points where the true error was 1."""
    ledger, _, _ = business
    whole = at(table)
    assert 100 * (whole["te_high"] - whole["te_low"]) / 2 <= 7
    assert 100 * 1.96 * whole["u_event"] <= 1
    assert whole["u_shared"] > whole["u_cells"], "the area table, the gauges and the cans are what is not known"
    ends = [ledger["material_ledger"][f"overspray_solids_g_{end}"].sum() for end in ("low", "high")]
    assert (ends[1] - ends[0]) > 2 * (whole["overspray_solids_g_high"] - whole["overspray_solids_g_low"])
    assert whole["narrowest"].startswith("measure 20 panels")


def test_no_error_that_all_share_narrows_by_adding_up(business: Business, table: pl.DataFrame) -> None:
    area = SETTINGS.film.area_shared_sd
    for row in (
        at(table),
        at(table, role="clear"),
        *table.filter(pl.col("period").str.len_chars() == 7).head(5).iter_rows(named=True),
    ):
        if row["te"]:
            assert row["u_shared"] >= 0.9 * area * row["te"] * (row["te_high"] < 1)


def test_the_variance_of_a_weighted_total_against_drawn_effects(business: Business) -> None:
    """10,000 draws of all effects from a dense posterior, made from the records' design anew; totals not linearised."""
    _, _, said = business
    joint, d = said.joint, said.d
    linear = joint.linear
    design = linearise.design_rows(d, linear.mean_share)[d.signature_of_record].toarray()
    best = np.exp(2 * joint.fit.best.log_sd)
    x = d.unknowns
    uniform = stats.qmc.Sobol(x.size, seed=1).random(1 << 14)[:10_000]
    normal = stats.norm.ppf(np.clip(uniform, 1e-12, 1 - 1e-12))
    points = joint.posterior.points
    draws = np.empty_like(normal)
    for point, mine in zip(points, joint.posterior.draws(len(normal)), strict=True):
        sd2 = np.exp(2 * point.log_sd)
        weight = 1 / (linear.v + linear.s * (sd2[-2] - best[-2]) + linear.h * sd2[-1])
        prior = np.diag(np.where(x.component < 0, x.prior_sd**2, np.append(sd2, 0)[x.component]))
        c = design.T @ (weight[:, None] * design) + np.linalg.inv(prior + np.outer(x.common_sd, x.common_sd))
        draws[mine] = point.theta + np.linalg.solve(np.linalg.cholesky(c).T, normal[mine].T).T
    work = totals.operations(business[0]).filter(pl.col("design_row").is_not_null())
    row = work["design_row"].to_numpy()
    sprayed = work["landed"].to_numpy() / np.exp(np.asarray(said.weighed_rows[row] @ joint.posterior.theta()).ravel())
    rng = np.random.default_rng(3)
    for chosen in (np.ones(len(row), bool), (work["role"] == "clear").to_numpy(), rng.random(len(row)) < 0.1):
        used, place = np.unique(row[chosen], return_inverse=True)
        total = np.exp(draws @ said.weighed_rows[used].T.toarray()) @ np.bincount(place, sprayed[chosen])
        shops, shop = np.unique(work["shop_id"].to_numpy()[chosen], return_inverse=True)
        g = sp.csr_matrix(
            (work["landed"].to_numpy()[chosen], (shop, row[chosen])), shape=(len(shops), d.rows.shape[0])
        )  # fmt: skip
        rows = totals.Rows.of(joint.layout, sp.csr_matrix(g @ said.weighed_rows))
        border, inside = said.posterior.loadings(rows)
        own = sum(float((inside[at].sum(axis=0) ** 2).sum()) for _, at in rows.by_block())
        assert np.sqrt((border.sum(axis=0) ** 2).sum() + own) == pytest.approx(total.std(), rel=0.01)


def test_any_choice_has_its_interval_by_adding_loadings(business: Business, table: pl.DataFrame) -> None:
    """What a reader's browser does: sums per direction, then the root of their squares."""
    _, found, _ = business
    loadings = decision_tables.formed("total_loadings", totals.loadings(found))
    for key in ({}, {"shop_id": found.frame["shop_id"][0]}, {"role": "clear"}):
        chosen = loadings.filter(pl.all_horizontal(pl.col(k) == v for k, v in key.items()) if key else pl.lit(True))
        own = pl.col("direction") == "own"
        common = chosen.filter(~own).group_by("direction").agg(pl.col("landed_g").sum())["landed_g"].to_numpy()
        variance = (common**2).sum() + (chosen.filter(own)["landed_g"] ** 2).sum()
        row = at(table, **key)
        half = (row["overspray_solids_g_high"] - row["overspray_solids_g_low"]) / (2 * 1.959963984540054)
        assert np.sqrt(variance) == pytest.approx(half, rel=1e-6)


def test_the_error_budget_adds_up_to_the_headline(business: Business, table: pl.DataFrame) -> None:
    _, found, said = business
    budget = decision_tables.formed("error_budget", totals.error_budget(found, said))
    whole = at(table)
    u2 = sum(whole[name] ** 2 for name in ("u_event", "u_cells", "u_shared"))
    assert (budget["points"] ** 2).sum() == pytest.approx(1e4 * u2, rel=0.01)
    assert budget["points"].is_sorted(descending=True) and budget["position"].to_list() == list(range(1, 8))
    area = budget.filter(pl.col("source").str.contains("areas")).row(0, named=True)
    assert area["size"] == SETTINGS.film.area_shared_sd
    panels = int(area["halves"].split()[1])
    assert (1 + panels * (area["size"] / totals.PANEL_REL_SD) ** 2) ** -0.5 == pytest.approx(0.5, abs=0.03)


def test_an_operation_whose_only_film_was_read_as_nothing_has_an_interval_too(business: Business) -> None:
    ledger, _, _ = business
    nothing = ledger["film_build"].with_columns(film_um=pl.lit(0.0))
    assert totals.operations(ledger | {"film_build": nothing})["over_gain"].is_finite().all()
