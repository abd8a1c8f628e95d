"""Change points, steps and wear in series whose truth is drawn."""

import itertools
from datetime import date, datetime

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.decisions import drift
from pipelines.transfer.model.estimate import fitted_model
from tests import networks
from tests.bench import drawn_decisions as drawn


def test_false_alarms_stay_between_three_and_seven_in_a_hundred_over_500_records():
    rings = drawn.first_alarms(np.random.default_rng(1), 600, 500)
    assert 0.03 <= (rings >= 0).mean() <= 0.07


def test_the_bench_watches_as_the_module_does():
    """The vectorised form used for the long runs against drift.watch, record by record."""
    rng = np.random.default_rng(2)
    state = np.random.default_rng(2).standard_normal((6, 260))
    rings = drawn.first_alarms(rng, 6, 260, shift=1.0, at=120)
    state[:, 120:] -= 1.0
    assert [drift.watch(np.clip(z, -3, 3))[0] for z in state] == rings.tolist()


def test_a_loss_is_found_soon_and_dated_well():
    rng = np.random.default_rng(3)
    waits, dates = [], []
    for _ in range(20):
        z = rng.standard_normal(300)
        z[120:] -= 1.5
        rings, change, _ = drift.watch(np.clip(z, -3, 3))
        if rings >= 120:
            waits.append(rings - 120)
            dates.append(change - 120)
    assert len(waits) >= 18
    assert np.median(waits) < 20 and abs(np.median(dates)) <= 3


def test_records_of_which_a_gun_sprayed_a_share_ring_no_more_often():
    """Base by one gun and clear by another in one reading: shares of .35 and .65, some of a gun alone."""
    rng = np.random.default_rng(12)
    signal = rng.choice([0.35, 0.65, 1.0], (400, 500), p=[0.5, 0.3, 0.2])
    rings = [drift.watch(np.clip(rng.standard_normal(500), -3, 3), s)[0] >= 0 for s in signal]
    assert 0.03 <= np.mean(rings) <= 0.075
    z = rng.standard_normal((40, 350)) - np.where(np.arange(350) >= 200, 0.18 / 0.14, 0.0) * signal[:40, :350]
    found = [drift.watch(np.clip(one, -3, 3), s) for one, s in zip(z, signal[:40, :350], strict=True)]
    assert np.mean([ring >= 200 for ring, *_ in found]) > 0.9


def test_a_gain_rings_no_alarm():
    z = np.concatenate(
        [np.random.default_rng(4).standard_normal(100), 2 + np.random.default_rng(5).standard_normal(100)]
    )
    assert drift.watch(np.clip(z, -3, 3))[0] == -1


def test_steps_looking_back_are_the_best_of_all_segmentations():
    """Exact against trying every set of up to two steps."""
    rng = np.random.default_rng(6)
    for _ in range(5):
        z = np.concatenate([rng.normal(0, 1, 12), rng.normal(2, 1, 9), rng.normal(-1, 1, 10)])
        n, best, at = len(z), np.inf, None

        def cost(part: np.ndarray) -> float:
            return float(((part - part.mean()) ** 2).sum())

        for k in range(3):
            for cut in itertools.combinations(range(5, n - 4), k):
                edges = [0, *cut, n]
                if min(np.diff(edges)) < 5:
                    continue
                total = sum(cost(z[a:b]) for a, b in itertools.pairwise(edges)) + drift.PENALTY * k
                if total < best:
                    best, at = total, list(cut)
        assert drift.steps_back(z) == at


def test_no_step_is_seen_in_noise_most_of_the_time():
    rng = np.random.default_rng(7)
    seen = [len(drift.steps_back(np.clip(rng.standard_normal(200), -3, 3))) > 0 for _ in range(60)]
    assert np.mean(seen) <= 0.12


def test_correlated_records_are_averaged_per_day_and_ring_no_more_often():
    rng = np.random.default_rng(8)
    alarms = 0
    for _ in range(30):
        z = rng.standard_normal(500)
        for i in range(1, 500):
            z[i] = 0.25 * z[i - 1] + np.sqrt(1 - 0.25**2) * z[i]
        series, signal, first, r = drift.independent(np.clip(z, -3, 3), np.arange(500) // 3, np.ones(500))
        assert r > drift.CORRELATED and len(series) == len(first) == 167
        alarms += drift.watch(series, signal)[0] >= 0
    assert alarms <= 5


def test_months_until_the_next_loss_by_hand():
    # 0.1 % of log TE a litre, 20 litres a month: ln(0.95) = -0.0513 -> 2.56 months
    assert drift._months(-0.001, 20.0) == pytest.approx(2.5647, abs=1e-3)
    assert drift._months(0.0, 20.0) is None and drift._months(0.001, 20.0) is None


def test_litres_are_those_sprayed_before_an_operation_since_the_last_service():
    """By hand: 200 g less 8 g of flush at 1.2 g/mL is 160 mL; cleaning is no service, a new tip is one."""
    days = [datetime(2026, 3, d, 9) for d in (2, 3, 4, 5)]
    key = {"shop_id": ["s"] * 4, "job_id": [f"j{k}" for k in range(4)], "operation_no": [1] * 4}
    sprays = pl.DataFrame(key | {"gun_id": ["g"] * 4, "started_at": days})
    sprayed = pl.DataFrame(key | {
        "mix_id": [f"m{k}" for k in range(4)], "expected_gone_g": [200.0, 128.0, 68.0, 20.0], "flush_g": [8.0] * 4
    })  # fmt: skip
    mixes = pl.DataFrame(
        {"shop_id": ["s"] * 4, "mix_id": [f"m{k}" for k in range(4)], "density_g_per_ml": [1.2, 1.0, 1.0, 1.0]}
    )
    services = pl.DataFrame({
        "gun_id": ["g", "g"], "serviced_on": [date(2026, 3, 3), date(2026, 3, 5)], "work": ["cleaned", "tip_changed"]
    })  # fmt: skip
    found = drift.litres_sprayed(sprays, sprayed, mixes, services).sort("job_id")
    assert found["litres"].to_list() == pytest.approx([0.0, 0.160, 0.160 + 0.120, 0.0])
    assert found["since"].to_list() == [date(2026, 3, 2)] * 3 + [date(2026, 3, 5)]
    unknown = pl.DataFrame(
        {"shop_id": "s", "job_id": "no cup", "operation_no": 1, "gun_id": "g", "started_at": datetime(2026, 3, 4, 10)}
    )
    found = drift.litres_sprayed(pl.concat([sprays, unknown]), sprayed, mixes, services).filter(
        pl.col("job_id") == "no cup"
    )
    assert found.select("ml", "litres").row(0) == pytest.approx((0.0, 0.160 + 0.120 + 0.060))


def watched(seed: int, step: float) -> tuple[pl.DataFrame, datetime]:
    """gun_drift of a drawn shop of 350 jobs, most read over base and clear together; the first gun's transfer changes after
    three fifths of its work, film being what it was. When it did."""
    net = networks.network(networks.Truth(shops=1, jobs=350, guns=3, technicians=3), seed)
    gun = sorted(net.layers["gun_id"].unique())[0]
    days = net.layers.filter(pl.col("gun_id") == gun)["started_at"].sort()
    when = days[int(0.6 * len(days))]
    hit = (pl.col("gun_id") == gun) & (pl.col("started_at") >= when)
    layers = net.layers.with_columns(
        pl.when(hit).then(pl.col(name) / (1 + step)).otherwise(name).alias(name)
        for name in ("sprayed_solids_ml", "poured_solids_ml")
    )
    litres = layers.sort("gun_id", "started_at").select(
        "shop_id", "operation_no", "gun_id", "started_at", job_id="op_job_id", since=pl.lit(date(2025, 1, 1)),
        litres=0.1 * pl.int_range(pl.len()).over("gun_id"), ml=pl.lit(100.0),
    )  # fmt: skip
    joint = fitted_model(net.records, layers)
    return drift.gun_drift(drift.residuals(joint, layers, litres), litres), when


def test_a_gun_that_lost_a_sixth_rings_and_its_neighbours_do_not():
    for seed in (1, 2):
        found, when = watched(seed, -0.18)
        assert found["alarm"].to_list() == [True, False, False]
        first = found.row(0, named=True)
        assert abs((first["changed_on"] - when.date()).days) <= 21
        assert first["step_low"] < -0.18 < first["step_high"]


def test_guns_that_hold_ring_no_alarm():
    assert not any(watched(seed, 0.0)[0]["alarm"].any() for seed in (101, 102))
