"""What the transfer tables say: cover, separability, fairness, fallbacks, screening, determinism.

Truth is drawn by tests.networks (invented). The long runs behind the same bars: tests/bench/transfer_model.py.
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.settings import Settings
from pipelines.transfer.model.estimate import estimate, fitted_model
from schemas.published import Z95
from schemas.validate import conform
from tests import networks

CELL = ["shop_id", "gun_id", "technician_id", "role"]
PUBLISHED = [
    "transfer_by_pair", "transfer_by_gun", "transfer_by_technician", "transfer_by_role", "gun_effects",
    "technician_effects", "operation_te", "screened_records",
    "record_budgets", "transfer_model",
]  # fmt: skip


# The simulator draws no error that all records share: intervals are judged without those terms.
NOTHING_SHARED = Settings.model_validate(
    {"film": {"area_shared_sd": 0.0}, "cup": {"solids_rel_u": 0.0, "density_rel_u": 0.0}}
)


def run(truth: networks.Truth, seed: int) -> tuple[networks.Network, dict[str, pl.DataFrame]]:
    net = networks.network(truth, seed)
    return net, estimate(net.records, net.layers, NOTHING_SHARED)


def against_truth(net: networks.Network, tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    return tables["transfer_by_pair"].join(net.cells(), on=CELL).with_columns(
        inside=(pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high")),
        error=(pl.col("estimate") / pl.col("truth")).log(),
    )  # fmt: skip


@pytest.fixture(scope="module")
def found(network):
    return estimate(network.records, network.layers)


def conforms(tables: dict[str, pl.DataFrame]) -> None:
    for name in PUBLISHED:
        conform(name, tables[name])


def test_every_table_keeps_its_contract(found):
    conforms(found)


def test_a_cell_speaks_of_its_own_operations_each_counted_once():
    """log TE of a pair is the mean over its operations of the log TE that their own work gives them. Looked at are pairs none of
    whose operations is better known by its own record."""
    network, found = run(networks.Truth(shops=3, jobs=80, between=0.25), 11)
    own = network.layers.join(
        found["operation_te"].filter(pl.col("source") == "model"), on=["shop_id", "op_job_id", "operation_no"]
    )
    whole = network.layers.group_by(CELL).len("all")
    cells = own.group_by(CELL).agg(pl.len(), mean=pl.col("te").log().mean(), classes=pl.col("area_class").n_unique())
    cells = cells.join(whole, on=CELL).filter((pl.col("len") == pl.col("all")) & (pl.col("classes") > 1))
    cells = cells.join(found["transfer_by_pair"].drop_nulls("estimate"), on=CELL)
    assert cells.height >= 10
    assert cells["mean"].exp().to_list() == pytest.approx(cells["estimate"].to_list(), rel=1e-9)


def test_the_model_s_own_terms_are_told_with_their_intervals(found):
    told = found["transfer_model"]
    work = told.filter(pl.col("term").is_in(["area_class", "blended", "plastic", "unweighed", "role", "spread"]))
    assert work.select(((pl.col("low") < pl.col("value")) & (pl.col("value") < pl.col("high"))).all()).item()
    blended = told.filter(pl.col("term") == "blended").row(0, named=True)
    assert blended["low"] < np.exp(networks.Truth().blended_effect) < blended["high"]
    levels = {"product", "shop", "gun", "technician", "pair", "readings", "event"}
    assert set(told.filter(pl.col("term") == "spread")["level"]) == levels


def test_every_spray_operation_has_one_figure_between_its_ends(network, found):
    te = found["operation_te"]
    assert te.height == network.layers.select("shop_id", "op_job_id", "operation_no").n_unique()
    assert te.select(((pl.col("te_low") <= pl.col("te")) & (pl.col("te") <= pl.col("te_high"))).all()).item()
    assert set(te["source"]) == {"own", "model"}
    assert set(te.filter(pl.col("source") == "own")["grade"]) == {"A"}


def test_intervals_cover_the_truth_and_estimates_are_unbiased():
    cells = pl.concat([against_truth(*run(networks.Truth(shops=2), seed)) for seed in range(8)])
    assert cells.height > 700
    assert 0.92 <= cells["inside"].mean() <= 0.985
    assert abs(cells["error"].mean()) < 0.015


def test_leftovers_that_are_missing_because_they_are_large_bias_nothing():
    cells = pl.concat(
        [against_truth(*run(networks.Truth(shops=2, weighed_at_random=False), seed)) for seed in range(6)]
    )
    assert abs(cells["error"].mean()) < 0.02
    assert cells["inside"].mean() >= 0.92


def test_the_model_beats_the_ratio_of_sums_on_cells_that_both_can_judge():
    from pipelines.transfer.model.direct import direct_cells

    errors = []
    for seed in range(5):
        net, tables = run(networks.Truth(shops=2), seed)
        both = against_truth(net, tables).join(direct_cells(net.records, net.layers), on=CELL, suffix="_ratio")
        errors.append(both.select("error", ratio=(pl.col("estimate_ratio") / pl.col("truth")).log()))
    rmse = pl.concat(errors).select((pl.all() ** 2).mean().sqrt()).row(0)
    assert rmse[0] <= 0.60 * rmse[1]


def test_base_and_clear_are_not_separable_where_nothing_was_read_between():
    net, tables = run(networks.Truth(shops=2, between=0.0), 5)
    cells = against_truth(net, tables)
    told = cells.filter(pl.col("role").is_in(["base", "clear"]))
    assert not told["separable"].any()
    assert told["with_whom"].is_not_null().all()
    assert told["inside"].mean() >= 0.93, "wide, but honest"
    assert cells.filter(pl.col("role") == "surfacer")["separable"].all()
    width = (told["combined_high"] / told["combined_low"]).log()
    assert width.median() < 0.25, "the sum of both is known well"
    assert told["advice"].is_null().all(), "what would tell them apart is tried by measure_next"


def log_half_width(frame: pl.DataFrame, low: str = "low", high: str = "high") -> pl.Series:
    return frame.select((pl.col(high).log() - pl.col(low).log()) / (2 * Z95)).to_series()


def test_a_one_man_shop_knows_itself_as_well_as_its_pairs():
    """At the partners it really has; at a partner of average effect nobody knows more than how hands differ."""
    _, tables = run(networks.Truth(shops=1, technicians=1, guns=2), 3)
    role, pair = (log_half_width(tables[f"transfer_by_{what}"]).median() for what in ("role", "pair"))
    assert role <= 1.05 * pair
    assert log_half_width(tables["transfer_by_role"], "typical_low", "typical_high").median() > 1.5 * role


def test_what_all_records_share_is_in_figures_and_in_no_comparison():
    net = networks.network(networks.Truth(shops=1, gain_rel_u=0.03), 3)
    bare, whole = (estimate(net.records, net.layers, settings) for settings in (NOTHING_SHARED, Settings()))
    added = 0.05**2 + 0.02**2 * 2  # areas; solids and densities, less where a cell has more than one product
    for table in ("transfer_by_role", "transfer_by_pair", "transfer_by_gun"):
        more = log_half_width(whole[table]) ** 2 - log_half_width(bare[table]) ** 2
        assert more.is_between(0.05**2 + 0.02**2 * 2 / 2 - 1e-9, added + 1e-9).all()
    wider = log_half_width(whole["operation_te"], "te_low", "te_high") > log_half_width(
        bare["operation_te"], "te_low", "te_high"
    )
    assert wider.filter(whole["operation_te"]["te_high"] < 1).all()
    for table in ("gun_effects", "technician_effects"):
        assert_frame_equal(bare[table], whole[table])
    typical = ["typical_estimate", "typical_low", "typical_high"]
    assert_frame_equal(bare["transfer_by_gun"].select(typical), whole["transfer_by_gun"].select(typical))


def test_with_some_jobs_read_between_they_are_separable(found):
    pairs = found["transfer_by_pair"].filter(pl.col("n") > 0)
    assert pairs["separable"].mean() > 0.98


def test_a_technician_who_is_given_the_spot_jobs_and_bumpers_is_not_shown_as_wasteful():
    """Raw ratios put the first technician of each shop far behind; the model puts the work where it belongs."""
    effects, raw = [], []
    for seed in range(4):
        net, tables = run(networks.Truth(shops=3, sd_technician=0.0, unfair=True), seed)
        given = [f"t{shop * 4:05d}" for shop in range(3)]
        hand = tables["technician_effects"].with_columns(spot=pl.col("technician_id").is_in(given))
        assert not hand["flagged"].any()
        effects.append(hand)
        by = net.layers.filter(pl.col("leftover_known") & (pl.col("role") == "surfacer")).join(
            net.records, on=["shop_id", "job_id", "record_no"]
        )
        raw.append(by.group_by(pl.col("technician_id").is_in(given).alias("spot")).agg(
            (pl.col("landed_solids_ml").sum() / pl.col("sprayed_solids_ml").sum()).alias("ratio")
        ))  # fmt: skip
    hands = pl.concat(effects)
    spot, rest = (hands.filter(pl.col("spot") == s)["effect"].log().mean() for s in (True, False))
    ratios = pl.concat(raw)
    raw_spot, raw_rest = (ratios.filter(pl.col("spot") == s)["ratio"].mean() for s in (True, False))
    assert np.log(raw_spot / raw_rest) < -0.15
    assert abs(spot - rest) < 0.05


def test_nobody_is_flagged_where_all_are_alike():
    truth = networks.Truth(shops=2, sd_gun=0, sd_technician=0, sd_pair=0, sd_shop=0, sd_product=0)
    flagged = 0
    for seed in range(10):
        _, tables = run(truth, seed)
        flagged += tables["technician_effects"]["flagged"].any() or tables["gun_effects"]["flagged"].any()
    assert flagged <= 1


def test_who_is_truly_low_is_flagged():
    hits, wrong = 0, 0
    for seed in range(3):
        net, tables = run(networks.Truth(sd_technician=0.25), seed)
        hands = tables["technician_effects"].filter("flagged")["technician_id"]
        low = [net.technician[t] for t in hands]
        hits += sum(u < np.log(0.95) for u in low)
        wrong += sum(u >= np.log(0.95) for u in low)
    assert hits >= 5
    assert wrong <= 1


def test_a_pair_that_only_ever_works_together_is_not_told_apart():
    _, tables = run(networks.Truth(shops=2, own_gun=1.0, guns=4), 1)
    for table, whom in (("technician_effects", "gun_id"), ("gun_effects", "technician_id")):
        effects = tables[table]
        assert not effects["separable"].any()
        assert not effects["flagged"].any()
        assert set(effects["with_whom"]) <= set(tables["transfer_by_pair"][whom])


def test_guns_that_nobody_else_uses_are_not_told_apart_from_their_technician():
    """Not one to one: every technician takes three guns, two of the first shop's technicians the same three. Whoever shares
    no gun, not even over others, is known together with that set alone, however well shrinkage makes it look."""
    net = networks.network(networks.Truth(shops=2, jobs=150, guns=3, sd_technician=0.25), 3)
    with_friend = pl.col("technician_id").replace("t00001", "t00000")
    own = net.layers.with_columns(
        gun_id=with_friend + "-" + (pl.col("gun_id").str.slice(1).cast(pl.Int64) % 3).cast(pl.String)
    )
    tables = estimate(net.records, own)
    friends = pl.col("technician_id").is_in(["t00000", "t00001"])
    hands = tables["technician_effects"]
    alone = hands.filter(~friends)
    assert alone.height == 6
    assert not alone["separable"].any()
    assert not alone["flagged"].any()
    assert alone["vif"].is_null().all()
    assert alone["with_whom"].to_list() == [f"{t}-0, {t}-1, {t}-2" for t in alone["technician_id"]]
    assert hands.filter(friends)["vif"].is_not_null().all()
    guns = tables["gun_effects"].with_columns(hand=pl.col("gun_id").str.slice(0, 6))
    theirs = guns.filter(pl.col("hand") != "t00000")
    assert theirs.height == 18
    assert not theirs["separable"].any()
    assert not theirs["flagged"].any()
    assert theirs["with_whom"].to_list() == theirs["hand"].to_list()
    assert guns.filter(pl.col("hand") == "t00000")["separable"].all()


def test_one_gun_of_one_technician_still_gets_its_figures():
    net, tables = run(networks.Truth(shops=1, guns=1, technicians=1, jobs=30), 2)
    conforms(tables)
    cells = against_truth(net, tables)
    assert cells.height == 3
    assert cells["inside"].all()
    assert not tables["technician_effects"]["separable"].any()


def test_no_film_at_all_gives_grade_c_no_figure_and_says_what_to_measure(network):
    records = network.records.with_columns(usable=pl.lit(False), landed_solids_ml=pl.lit(None, pl.Float64))
    unnamed = network.layers.with_columns(
        technician_id=pl.when(pl.col("technician_id") == "t00001").then(None).otherwise("technician_id")
    )
    tables = estimate(records, unnamed)
    conforms(tables)
    pairs = tables["transfer_by_pair"]
    assert pairs.height > 0
    assert pairs["estimate"].is_null().all()
    assert set(pairs["grade"]) == {"C"}
    assert pairs["advice"].str.contains("read the film").all()
    assert tables["operation_te"]["te"].is_null().all()


def test_an_empty_workspace_gives_empty_tables(network):
    tables = estimate(network.records.clear(), network.layers.clear())
    conforms(tables)
    assert all(tables[name].height == 0 for name in PUBLISHED)


@pytest.mark.parametrize("kept", [1, 2, 5])
def test_a_handful_of_records_gives_wide_intervals_that_hold(network, kept):
    key = ["shop_id", "job_id", "record_no"]
    records = network.records.filter(pl.col("kind").str.starts_with("clear")).head(kept)
    layers = network.layers.join(records.select(key), on=key, how="semi")
    tables = estimate(records, layers)
    conforms(tables)
    pairs = tables["transfer_by_pair"].join(network.cells(), on=CELL)
    assert (pairs["low"] < pairs["truth"]).all()
    assert (pairs["truth"] < pairs["high"]).all()
    assert not tables["technician_effects"]["flagged"].any()


def test_one_role_is_enough(network):
    records = network.records.filter(pl.col("kind").str.starts_with("surfacer"))
    layers = network.layers.filter(pl.col("role") == "surfacer")
    tables = estimate(records, layers)
    conforms(tables)
    assert tables["transfer_by_pair"]["separable"].all()
    assert set(tables["transfer_by_role"]["role"]) == {"surfacer"}


def test_a_role_whose_film_nobody_read_gets_no_figure(network):
    surfacer = pl.col("kind").str.starts_with("surfacer")
    records = network.records.with_columns(usable=~surfacer)
    tables = estimate(records, network.layers)
    conforms(tables)
    pairs = tables["transfer_by_pair"].filter(pl.col("role") == "surfacer")
    assert pairs["estimate"].is_null().all()
    assert set(pairs["grade"]) == {"C"}
    assert pairs["advice"].str.contains("no film of surfacer").all()


def test_nothing_weighed_back_leaves_the_bound_only():
    net, tables = run(networks.Truth(shops=1, weighed=0.0), 4)
    conforms(tables)
    cells = against_truth(net, tables)
    assert cells["estimate"].is_null().all()
    assert cells.filter(pl.col("low").is_not_null())["high"].eq(1.0).all()
    assert (cells["low"] <= cells["truth"]).mean() >= 0.95
    assert cells["method"].str.contains("never weighed").all()
    assert cells["advice"].str.contains("weigh").all()


def test_a_technician_who_never_weighs_is_bounded_and_the_others_are_judged(network):
    never = "t00001"
    mine = pl.col("technician_id") == never
    layers = network.layers.with_columns(
        leftover_known=pl.col("leftover_known") & ~mine,
        sprayed_solids_ml=pl.when(mine).then(None).otherwise("sprayed_solids_ml"),
    )
    tables = estimate(network.records, layers)
    conforms(tables)
    pairs = tables["transfer_by_pair"]
    assert pairs.filter(mine)["estimate"].is_null().all()
    assert pairs.filter(~mine)["estimate"].is_not_null().all()
    hand = tables["technician_effects"].filter(mine).row(0, named=True)
    assert hand["separable"] is False
    assert hand["with_whom"] == "leftovers never weighed back"
    assert not hand["flagged"]


def test_gross_errors_are_set_aside_with_their_reason_and_move_little(network, found):
    key = ["shop_id", "job_id", "record_no"]
    wrong = network.records.filter(pl.col("kind").str.starts_with("clear")).head(3).select(key)
    factor = pl.when(pl.struct(key).is_in(wrong.select(pl.struct(key)).to_series().implode())).then(10.0).otherwise(1.0)
    records = network.records.with_columns(landed_solids_ml=pl.col("landed_solids_ml") * factor)
    tables = estimate(records, network.layers)
    aside = tables["screened_records"]
    assert aside.join(wrong, on=key, how="semi").height == 3
    assert aside["why"].is_not_null().all()
    moved = tables["transfer_by_pair"].join(found["transfer_by_pair"], on=CELL)
    assert (moved["estimate"] / moved["estimate_right"]).log().abs().max() < 0.08


def test_neither_the_order_of_rows_nor_a_second_run_moves_a_byte(network, found):
    shuffled = estimate(
        network.records.sample(fraction=1.0, shuffle=True, seed=1),
        network.layers.sample(fraction=1.0, shuffle=True, seed=2),
    )
    for name in PUBLISHED:
        assert_frame_equal(found[name], shuffled[name], check_exact=True)


ONE_THREAD = """
import sys
from pathlib import Path
import polars as pl
from pipelines.transfer.model.estimate import estimate
at = Path(sys.argv[1])
tables = estimate(pl.read_parquet(at / "records.parquet"), pl.read_parquet(at / "layers.parquet"))
for name, frame in tables.items():
    frame.write_parquet(at / f"{name}.parquet")
"""


def test_the_number_of_threads_moves_nothing_that_anybody_could_see(network, found, tmp_path):
    network.records.write_parquet(tmp_path / "records.parquet")
    network.layers.write_parquet(tmp_path / "layers.parquet")
    threads = {
        name: "1" for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "POLARS_MAX_THREADS")
    }
    root = Path(__file__).parents[4]
    subprocess.run([sys.executable, "-c", ONE_THREAD, str(tmp_path)], env=os.environ | threads, cwd=root, check=True)
    for name in PUBLISHED:
        one = pl.read_parquet(tmp_path / f"{name}.parquet")
        assert_frame_equal(found[name], one, check_exact=False, abs_tol=1e-9, rel_tol=1e-9)


def test_people_and_guns_may_move_between_shops(network):
    """The shops then share a block; all else goes on."""
    layers = network.layers.with_columns(
        technician_id=pl.when(pl.col("technician_id") == "t00004").then(pl.lit("t00000")).otherwise("technician_id")
    )
    tables = estimate(network.records, layers)
    conforms(tables)
    assert tables["technician_effects"].height == 7


def test_an_operation_without_a_named_gun_informs_the_rest_and_gets_no_row_of_its_own(network):
    layers = network.layers.with_columns(
        gun_id=pl.when(pl.col("gun_id") == "g00000").then(None).otherwise("gun_id")
    )  # fmt: skip
    tables = estimate(network.records, layers)
    conforms(tables)
    assert tables["transfer_by_pair"]["gun_id"].null_count() == 0
    assert "g00001" in tables["gun_effects"]["gun_id"].to_list()


def test_a_gun_that_wears_is_followed_by_what_each_of_its_operations_is_said_to_land():
    cells, slopes = [], []
    for seed in range(4):
        net, tables = run(networks.Truth(shops=2, wear=0.4), seed)
        conforms(tables)
        cells.append(against_truth(net, tables).filter(pl.col("gun_id").is_in(["g00000", "g00005"])))
        year = pl.col("started_at").dt.ordinal_day() / 365
        operation = ["shop_id", "op_job_id", "operation_no"]
        said = tables["operation_te"].filter(pl.col("source") == "model").select(*operation, log=pl.col("te").log())
        work = net.layers.filter(pl.col("gun_id").is_in(["g00000", "g00005"]))
        alike = ["technician_id", "role", "area_class", "blended", "plastic_share", "product_id", "gun_id"]
        at = said.join(work, on=operation).with_columns(
            t=year - year.mean().over(alike), y=pl.col("log") - pl.col("log").mean().over(alike)
        )
        slopes.append(at.select((pl.col("t") * pl.col("y")).sum() / (pl.col("t") ** 2).sum()).item())
    assert pl.concat(cells)["inside"].mean() >= 0.9
    assert np.mean(slopes) == pytest.approx(-0.4, abs=0.12)


def test_what_is_handed_over_is_the_model_behind_the_tables(network, found):
    handed = []
    assert estimate(network.records, network.layers, hand_over=handed.append)["transfer_by_pair"].equals(
        found["transfer_by_pair"]
    )
    again = fitted_model(network.records, network.layers)
    assert np.array_equal(handed[0].fit.best.theta, again.fit.best.theta)
    assert fitted_model(network.records.clear(), network.layers.clear()) is None


def test_a_fit_that_does_not_settle_says_so_and_gives_no_interval(network, monkeypatch):
    from pipelines.transfer.model import linearise

    monkeypatch.setattr(linearise, "MAX_PASSES", 1)
    tables = estimate(network.records, network.layers)
    conforms(tables)
    pairs = tables["transfer_by_pair"]
    assert pairs["method"].str.contains("did not settle").all()
    assert pairs["low"].is_null().all()
    assert pairs["high"].is_null().all()
    assert not tables["technician_effects"]["flagged"].any()
