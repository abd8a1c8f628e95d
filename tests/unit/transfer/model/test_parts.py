"""Small parts of the transfer model: Fieller, one event's uncertainty, flags, shares, leftovers."""

import numpy as np
import polars as pl
import pytest

from pipelines.settings import Settings
from pipelines.transfer.model import design, flags, linearise, operation_estimate
from pipelines.transfer.model.direct import fieller
from tests import networks


def test_fieller_is_the_set_of_ratios_that_a_t_test_does_not_refuse():
    from scipy import stats

    rng = np.random.default_rng(1)
    v = rng.lognormal(3, 0.4, 9)
    d = 0.6 * v * rng.lognormal(0, 0.1, 9)
    _, low, high = fieller(d, v)
    for end in (low, high):
        assert stats.ttest_1samp(d - end * v, 0.0).pvalue == pytest.approx(0.05, abs=1e-9)


def test_fieller_gives_no_interval_from_one_record_or_from_noise_around_nothing():
    assert np.isnan(fieller(np.array([1.0]), np.array([2.0]))[1])
    assert np.isnan(fieller(np.array([1.0, 2.0]), np.array([-3.0, 3.1]))[1])


def test_propagation_is_not_trusted_where_uncertainty_is_large():
    te, u = np.array([0.6]), np.array([0.35])
    drawn = operation_estimate.monte_carlo_factors(0.35, 0.0, 0.0, 0.0)
    assert not operation_estimate.passes_clause_8(
        te, u, operation_estimate.gum_interval(te, u), (te * drawn[0], te * drawn[1])
    )[0]


def test_an_unweighed_leftover_opens_the_interval_upwards_more_than_downwards():
    """More left in the cup than thought means less was sprayed: TE can only gain much by it."""
    low, high = operation_estimate.monte_carlo_factors(0.01, 0.01, 0.15, 0.10)
    assert high - 1 > 1 - low


def test_a_budget_adds_up_and_says_how_its_interval_was_found(network):
    prepared = design.prepare_layers(network.layers)
    budget = operation_estimate.budgets(network.records, prepared, Settings())
    parts = budget.select(*operation_estimate.LANDED, *operation_estimate.SPRAYED, "leftover_rel_u").to_numpy()
    assert budget["rel_u"].to_numpy() == pytest.approx(np.sqrt((parts**2).sum(axis=1)))
    unweighed = budget.filter(pl.col("leftover_rel_u") > 0)
    assert set(unweighed["how"]) == {"Monte Carlo"}
    assert "propagation" in set(budget["how"])


def test_a_record_of_hardly_any_film_gets_no_interval(network):
    prepared = design.prepare_layers(network.layers)
    budget = operation_estimate.budgets(
        network.records.with_columns(landed_solids_ml=pl.lit(1e-6)), prepared, Settings()
    )
    assert set(budget["how"]) == {operation_estimate.VAGUE}
    assert budget["high"].is_null().all()
    assert budget["rel_u"].is_finite().all()


def test_an_interval_of_one_record_holds_its_figure(network):
    budget = operation_estimate.budgets(network.records, design.prepare_layers(network.layers), Settings())
    assert budget.select(((pl.col("low") < pl.col("te")) & (pl.col("te") < pl.col("high"))).all()).item()


def test_flags_stop_where_the_expected_share_of_wrong_ones_would_pass_the_limit():
    p = np.array([0.99, 0.50, 0.97, 0.96, 0.90])
    assert flags.flag(p, np.ones(5, bool), 0.05).tolist() == [True, False, True, True, True]  # mean wrong .045
    assert flags.flag(p, np.ones(5, bool), 0.021).tolist() == [True, False, True, False, False]


def test_those_who_cannot_be_told_apart_are_never_flagged():
    assert not flags.flag(np.array([0.999]), np.array([False]), 0.05).any()


def test_the_chance_of_being_low_is_half_at_the_limit_itself():
    assert flags.prob_low(np.log(np.array([0.95])), np.array([0.01]), -0.05)[0] == pytest.approx(0.5)


def test_mean_splits_of_a_role_set_sum_to_one_and_know_nothing_of_one_record(network):
    d = design.build(network.records, design.prepare_layers(network.layers))
    on = np.ones(d.n, bool)
    theta = np.where(d.unknowns.component < 0, d.unknowns.prior_mean, 0.0)
    linear = linearise.linearise(d, theta, on)
    sets = np.bincount(d.set_of_group, linear.mean_share)
    assert sets == pytest.approx(np.ones(len(sets)))
    sums = np.flatnonzero(np.bincount(d.record) > 1)
    rows = linear.design[d.signature_of_record[sums]]
    role = np.array([kind == "role" for kind, _ in d.names])
    assert np.unique(np.round(rows[:, role].data, 12)).size == 2, "all base+clear records are split alike"


def test_two_coats_of_base_by_two_people_are_one_run_of_the_role_set(network):
    sums = network.layers.filter(pl.len().over("shop_id", "job_id", "record_no") == 2)
    base = sums.filter(pl.col("role") == "base").with_columns(
        position=pl.lit(0, pl.Int64), operation_no=pl.lit(9, pl.Int64), technician_id=pl.lit("t00002")
    )
    layers = pl.concat([network.layers, base]).sort("shop_id", "job_id", "record_no", "position")
    d = design.build(network.records, design.prepare_layers(layers))
    theta = np.where(d.unknowns.component < 0, d.unknowns.prior_mean, 0.0)
    linear = linearise.linearise(d, theta, np.ones(d.n, bool))
    three = np.flatnonzero(np.bincount(d.record) == 3)
    assert len(three) == base.height
    roles = np.array([kind == "role" for kind, _ in d.names])
    total = np.asarray(linear.design[d.signature_of_record[three]][:, roles].sum(axis=1)).ravel()
    assert total == pytest.approx(np.ones(len(three)))


def test_the_mean_leftover_falls_back_from_shop_to_role_to_all(network):
    rare = (pl.col("shop_id") == "s0000") & (pl.col("role") == "surfacer")
    layers = network.layers.with_columns(leftover_known=pl.col("leftover_known") & ~rare)
    found = design.mean_leftover(layers)
    other = found.filter((pl.col("shop_id") == "s0001") & (pl.col("role") == "surfacer"))
    assert found.filter(rare)["mean"][0] == pytest.approx(other["mean"][0])
    nothing = design.mean_leftover(layers.with_columns(leftover_known=pl.lit(False)))
    assert set(nothing["mean"]) == {design.LEFTOVER_MEAN}


def layers_of_one_gun(days, gun="g1"):
    at = np.datetime64("2025-01-01T08:00", "us") + np.array(days) * np.timedelta64(1, "D")
    return pl.DataFrame({"gun_id": [gun] * len(days), "started_at": at})


def test_time_counts_from_the_last_service_and_a_cleaning_is_none():
    services = pl.DataFrame({
        "gun_id": ["g1", "g1", "g2"], "work": ["rebuilt", "cleaned", "rebuilt"],
        "serviced_on": pl.Series(["2025-05-01", "2025-07-01", "2025-01-15"]).str.to_date(),
    })  # fmt: skip
    days = [0, 70, 119, 120, 200, 250]  # 1 May is day 120
    assert design.since_service(layers_of_one_gun(days), services).to_list() == [0, 1, 1, 0, 1, 2]
    assert design.since_service(layers_of_one_gun(days), None).to_list() == [0, 1, 1, 1, 3, 4]
    assert design.since_service(layers_of_one_gun(days).drop("started_at"), services).to_list() == [0] * 6


def test_a_slope_is_given_to_the_guns_that_wear_and_hardly_to_others():
    worn = others = 0
    for seed in range(4):
        net = networks.network(networks.Truth(shops=2, wear=0.4), seed)
        names = {
            name for kind, name in design.build(net.records, design.prepare_layers(net.layers)).names if kind == "wear"
        }
        worn += len(names & {"g00000", "g00005"})
        others += len(names - {"g00000", "g00005"})
    assert worn >= 7
    assert others <= 8  # of 32: a first look at two standard errors


def test_design_rows_follow_the_records_that_are_kept(network):
    """A signature whose only record is set aside goes with it: every later row belonged to another shop's records else."""
    prepared = design.prepare_layers(network.layers)
    built = design.build(network.records, prepared)
    rare = np.flatnonzero(np.bincount(built.signature_of_record) == 1)[0]
    lost = built.keys[np.flatnonzero(built.signature_of_record == rare).tolist()].with_columns(gone=pl.lit(True))
    spoilt = network.records.join(lost, on=list(lost.columns[:3]), how="left").with_columns(
        landed_solids_ml=pl.when(pl.col("gone").fill_null(False)).then(9.0).otherwise(1.0) * pl.col("landed_solids_ml")
    )
    joint = linearise.solve(design.build(spoilt, prepared))
    d = joint.design
    assert lost.join(d.keys, on=list(lost.columns[:3]), how="anti").height == 1
    assert joint.linear.design.shape[0] == len(d.signature)
    shares = joint.linear.mean_share
    assert abs(joint.linear.design - linearise.design_rows(d, shares)).max() == 0
