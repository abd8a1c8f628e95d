"""Change points, steps and wear in series whose truth is drawn."""

import itertools
from datetime import date, datetime

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.decisions import drift


def test_false_alarms_stay_between_three_and_seven_in_a_hundred_over_500_records(drawn):
    rings = drawn.first_alarms(np.random.default_rng(1), 600, 500)
    assert 0.03 <= (rings >= 0).mean() <= 0.07


def test_the_bench_watches_as_the_module_does(drawn):
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
        series, first, r = drift.independent(np.clip(z, -3, 3), np.arange(500) // 3)
        assert r > drift.CORRELATED and len(series) == len(first) == 167
        alarms += drift.watch(series)[0] >= 0
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
