"""Effects of changes by hand-worked figures, against closed forms and a plain reckoning of their own."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipelines.transfer.decisions import change_effects, change_sides, change_steps
from pipelines.transfer.decisions.change_steps import Effect

ON = dt.date(2025, 7, 1)
NAMED = ("until", "technician_id", "gun_id", "replaces_gun_id", "product_id", "role")


def change(what: str, **more: Any) -> dict[str, Any]:
    return {**dict.fromkeys(NAMED), "change_id": "c", "what": what, "shop_id": "s", "on": ON, **more}


def panels(tilt: dict[tuple[str, int], list[float]]) -> pl.DataFrame:
    """Panels of hands before (-1) and since (1), all of clear with one gun, one a day."""
    rows = [
        {"technician_id": hand, "tilt": value, "day": ON + dt.timedelta(days=k if side > 0 else -1 - k)}
        for (hand, side), values in tilt.items()
        for k, value in enumerate(values)
    ]
    fixed = {"shop_id": "s", "gun_id": "g", "role": "clear"}
    return pl.DataFrame(rows).with_columns(
        *(pl.lit(value).alias(name) for name, value in fixed.items()), job_id=pl.int_range(pl.len()).cast(pl.String)
    )


def around(mean: float, sd: float, n: int) -> list[float]:
    """n values of exactly this mean, spread evenly like a normal distribution of this sd."""
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return (mean + sd * z / z.std()).tolist()


def test_the_step_is_the_difference_in_differences_of_a_textbook_example() -> None:
    """Card and Krueger 1994, Am. Econ. Rev. 84, 772, table 3 (figures from memory): mean employment 20.44 and 21.03 where the law
    changed, 23.33 and 21.17 where it did not: 2.75 from these means (2.76 in the table, from unrounded ones). Here in hundredths."""
    each = panels({
        ("changed", -1): around(0.2044, 0.002, 60), ("changed", 1): around(0.2103, 0.002, 60),
        ("control", -1): around(0.2333, 0.002, 60), ("control", 1): around(0.2117, 0.002, 60),
    })  # fmt: skip
    (found,) = change_steps.of_panels([change("practice", technician_id="changed")], each, "tilt")
    assert found.difference == pytest.approx(0.0275, abs=2e-4), (
        "less 1/100 for the prior on what the shop did meanwhile"
    )
    assert found.low < 0.0275 < found.high
    assert found.after == pytest.approx(0.2103, abs=2e-4)
    assert found.before == pytest.approx(0.2103 - 0.0275, abs=4e-4), (
        "what it would have been: not the .2044 that it was"
    )
    assert found.prob_better < 1e-6, "more of a tilt is worse"


def test_who_looked_lowest_comes_back_by_as_much_as_normal_pairs_do() -> None:
    """E[second | first] = mean + rho (first - mean), rho = sd_b^2 / (sd_b^2 + sd_e^2 / n): Davis 1976, Am. J. Epidemiol. 104, 493
    (regression to the mean of normal pairs; the formula from memory). Nothing changed here: what the lowest gained is all return."""
    rng = np.random.default_rng(4)
    hands, n, sd_b, sd_e = 60, 6, 0.06, 0.12
    usual = sd_b * stats.norm.ppf((np.arange(hands) + 0.5) / hands)
    draws = {
        (f"h{k:02d}", side): (usual[k] + sd_e * rng.standard_normal(n)).tolist()
        for k, side in itertools.product(range(hands), (-1, 1))
    }
    before = {hand: float(np.mean(values)) for (hand, side), values in draws.items() if side == -1}
    worst = max(before, key=lambda hand: abs(before[hand]))
    each = panels(draws)
    (found,) = change_steps.of_panels([change("practice", technician_id=worst)], each, "tilt")
    rho = sd_b**2 / (sd_b**2 + sd_e**2 / n)
    mean = float(np.mean([v for values in draws.values() for v in values]))
    returns = -(1 - rho) * (before[worst] - mean)
    assert found.returned is not None
    assert found.returned == pytest.approx(returns, abs=0.2 * abs(returns))
    plain = float(np.mean(draws[worst, 1])) - before[worst]
    assert found.step + found.returned == pytest.approx(plain, abs=0.01), "the plain difference less what came back"
    other = min(before, key=lambda hand: abs(before[hand]))
    (not_worst,) = change_steps.of_panels([change("practice", technician_id=other)], each, "tilt")
    assert not_worst.returned is None


def test_a_step_is_what_a_plain_reckoning_over_a_grid_of_spreads_finds() -> None:
    """The same model dense, its standard deviations summed over a grid with their priors: shares no code with the solver."""
    rng = np.random.default_rng(8)
    n, hands = 60, 4
    hand, since = rng.integers(0, hands, n), np.arange(n) % 2 == 1
    y = np.array([0.2, -0.05, 0.03, 0.0])[hand] - 0.12 * (since & (hand == 0)) + 0.08 * rng.standard_normal(n)
    rows: dict[tuple[str, int], list[float]] = {}
    for h, s, value in zip(hand.tolist(), since.tolist(), y.tolist(), strict=True):
        rows.setdefault((f"h{h}", 1 if s else -1), []).append(value)
    each = panels(rows)
    (found,) = change_steps.of_panels([change("practice", technician_id="h0")], each, "tilt")
    at = each["technician_id"].to_numpy()
    after = (each["day"] >= ON).to_numpy()
    own = after & (at == "h0")
    # role, step, step of the role, meanwhile, four hands, one gun
    x = np.column_stack([np.ones(n), own, own, after, *(at == f"h{h}" for h in range(hands)), np.ones(n)]).astype(float)
    values, contrast = each["tilt"].to_numpy(), np.array([0, 1, 1, 0, 0, 0, 0, 0, 0.0])
    out = []
    for log_sd in itertools.product(np.linspace(-5.5, -0.7, 13), np.linspace(-6, -1.5, 9), np.linspace(-3.1, -1.9, 13)):
        hand_sd, gun_sd, sd = np.exp(log_sd)
        prior = np.array([0.05, 0.3, 0.1, 0.05, *[hand_sd] * hands, gun_sd])
        c = x.T @ x / sd**2 + np.diag(1 / prior**2)
        theta = np.linalg.solve(c, x.T @ values / sd**2)
        fit = n * math.log(sd**2) + np.linalg.slogdet(c)[1] + 2 * np.log(prior).sum()
        fit += ((values - x @ theta) ** 2).sum() / sd**2 + (theta**2 / prior**2).sum()
        half_normal = sum(
            (s / scale) ** 2 - 2 * math.log(s) for s, scale in zip((hand_sd, gun_sd, sd), (0.1, 0.05, 0.3), strict=True)
        )
        out.append((-(fit + half_normal) / 2, contrast @ theta, contrast @ np.linalg.solve(c, contrast)))
    logs, means, variances = np.array(out).T
    weight = np.exp(logs - logs.max()) / np.exp(logs - logs.max()).sum()
    mean = weight @ means
    se = math.sqrt(weight @ (variances + (means - mean) ** 2))
    assert found.step == pytest.approx(mean, abs=0.1 * se)
    assert found.se == pytest.approx(se, rel=0.1)
    assert (found.n_before, found.n_after) == (int((~after & (at == "h0")).sum()), int(own.sum()))


def test_further_jobs_are_those_that_added_to_the_equations_leave_no_zero() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal((12, 3))
    c = x.T @ x + np.eye(3)
    of_step, work, weight, step = np.array([0.0, 0, 1]), np.array([0.4, 0.2, 1]), 0.5, 0.12
    inverse = np.linalg.inv(c)
    asked = change_steps.further(
        step, of_step @ inverse @ of_step, of_step @ inverse @ work, work @ inverse @ work, weight, jobs=400
    )

    def shown(jobs: int) -> bool:
        more = np.linalg.inv(c + jobs * weight * np.outer(work, work))
        return step**2 > 1.959963984540054**2 * (of_step @ more @ of_step)

    assert asked is None and not shown(8000), "however many there were: the step is not told apart from the rest"
    work = np.array([0.0, 0.0, 1.0])
    asked = change_steps.further(
        step, of_step @ inverse @ of_step, of_step @ inverse @ work, work @ inverse @ work, weight, jobs=400
    )
    assert asked == next(m for m in range(10_000) if shown(m))
    assert change_steps.further(step, 0.2, 0.2, 0.2, weight, jobs=4) is None, "beyond 20 times the jobs since"
    assert change_steps.further(0.5, 0.01, 0.01, 0.01, weight, jobs=4) == 0


@pytest.mark.parametrize(
    "before, step, rho", [(0.2, -0.1, -0.3), (0.02, -0.1, 0.0), (-0.1, 0.25, 0.5), (0.0, 0.1, 0.0)]
)
def test_nearer_to_none_is_what_the_bivariate_normal_says(before: float, step: float, rho: float) -> None:
    sd_b, sd_s = 0.05, 0.04
    told = change_steps.nearer(before, sd_b**2, step, sd_s**2, rho * sd_b * sd_s)
    total = 2 * before + step
    cross = sd_s**2 + 2 * rho * sd_b * sd_s
    var = 4 * sd_b**2 + sd_s**2 + 4 * rho * sd_b * sd_s
    both = stats.multivariate_normal([step, total], [[sd_s**2, cross], [cross, var]])
    down = stats.norm.cdf(0, step, sd_s) - both.cdf([0, 0])  # step below 0, sum above
    up = stats.norm.cdf(0, total, math.sqrt(var)) - both.cdf([0, 0])
    assert told == pytest.approx(down + up, abs=2e-3)


def test_sides_are_what_a_change_names_and_nothing_of_tables_that_do_not_know_it() -> None:
    frame = pl.DataFrame(
        {
            "shop_id": ["s", "s", "s", "s", "s", "x", "s"],
            "technician_id": ["a", "b", "a", "a", None, "a", "a"],
            "gun_id": ["old", "new", "new", "third", "new", "new", "new"],
            "product_id": ["p", "p", "q", "p", "q", "q", "z"],
            "role": ["clear", "clear", "clear", "clear", "clear", "clear", "base"],
            "day": [ON - dt.timedelta(days=3), ON, ON, ON - dt.timedelta(days=1), ON + dt.timedelta(days=9), ON, None],
        }
    )

    def told(what: str, **more: Any) -> list[int]:
        return change_sides.sides(change(what, **more), frame).tolist()

    assert told("procedure") == [-1, 1, 1, -1, 1, 0, 0], "whose day is not known lies on no side"
    assert told("practice", technician_id="a") == [-1, 0, 1, -1, 0, 0, 0]
    assert told("gun_trial", gun_id="new", replaces_gun_id="old") == [-1, 1, 1, 0, 1, 0, 0]
    assert told("gun_trial", gun_id="new") == [-1, 1, 1, -1, 1, 0, 0], "against every other gun of the shop"
    assert told("gun_trial", gun_id="new", until=ON) == [-1, 1, 1, -1, 0, 0, 0]
    assert told("gun_serviced", gun_id="new") == [0, 1, 1, 0, 1, 0, 0]
    assert told("product", product_id="q") == [-1, 0, 1, -1, 1, 0, 0], "against what else the role was"
    assert told("procedure", role="base") == [0] * 7
    assert change_sides.sides(change("gun_serviced", gun_id="new"), frame.drop("gun_id")).tolist() == [0] * 7


def test_what_else_differs_is_named() -> None:
    n = 24
    day = [ON + dt.timedelta(days=10 * (k - n // 2)) for k in range(n)]
    since = np.array([d >= ON for d in day])
    work = pl.DataFrame({
        "shop_id": "s", "technician_id": "a", "role": "clear", "day": day,
        "gun_id": np.where(since, "new", "old"), "product_id": np.where(since, "q", "p"),
    })  # fmt: skip
    own, other = change("practice", technician_id="a"), change("procedure", change_id="late")
    side = {"c": change_sides.sides(own, work), "late": change_sides.sides(other, work)}
    assert change_sides.confounded(own, "clear", work, side) == (
        "late, another product mix, the season: nobody else's work of these months to compare with, few guns in common"
    )
    beside = work.with_columns(technician_id=pl.lit("b"))
    both = pl.concat([work.with_columns(gun_id=pl.lit("g"), product_id=pl.lit("p")), beside])
    side = {"c": change_sides.sides(own, both), "early": (both["day"] < ON).to_numpy().astype(np.int8)}
    assert change_sides.confounded(own, None, both, side) is None, (
        "others worked in the same months; `early` ended before"
    )


def test_nothing_is_asked_and_nothing_told_where_nothing_was_changed() -> None:
    def never() -> Any:
        raise AssertionError("nobody asked")

    nothing = pl.DataFrame()
    register = pl.DataFrame(schema={name: pl.String for name in ("change_id", *NAMED)})
    assert change_effects.change_effects(register, never, never, never, nothing, nothing, nothing, nothing).is_empty()


def test_two_records_on_a_side_are_too_few() -> None:
    each = panels({("a", -1): [0.1, 0.2, 0.1], ("a", 1): [0.3, 0.2], ("b", -1): [0.0] * 3, ("b", 1): [0.0] * 3})
    found: list[Effect] = list(change_steps.of_panels([change("practice", technician_id="a")], each, "tilt"))
    assert found == []


def operations(counts: dict[tuple[str, int], tuple[int, int]]) -> pl.DataFrame:
    """First operations of hands before (-1) and since (1), one a job: how many there are, and how many are redone."""
    return pl.DataFrame([
        {"technician_id": hand, "redone": k < redone, "day": ON + dt.timedelta(days=k % 90 if side > 0 else -1 - k % 90)}
        for (hand, side), (n, redone) in counts.items() for k in range(n)
    ]).with_columns(
        shop_id=pl.lit("s"), gun_id=pl.lit("g"), product_id=pl.lit("p"), role=pl.lit("clear"),
        job_id=pl.int_range(pl.len()).cast(pl.String), redo_of=pl.lit(None, pl.Int64),
    )  # fmt: skip


def test_repeats_are_counted_and_a_rate_near_none_keeps_to_what_counts_allow() -> None:
    """Garwood 1936, Biometrika 28, 437 (exact limits of a Poisson count; chi-squared form from memory): of 0 the 97.5 % limit is 3.689.
    Jeffreys' prior, as here, lies between the exact limit of k and that of k + 1 from below: 2.512 of 0."""
    none = operations({("a", -1): (400, 12), ("a", 1): (40, 0), ("b", -1): (400, 12), ("b", 1): (400, 12)})
    (found,) = change_steps.of_redone([change("procedure", technician_id="a")], none)
    assert found.before == pytest.approx(0.03, abs=0.004) and 0 < found.after < found.before, "no rate below none"
    assert found.low < found.difference < 0 < found.high < 2.512 / 40 - found.before + 0.01
    assert abs(found.step) < 1.96 and found.prob_better > 0.7, "none of 40, where 1.2 were expected, shows nothing"
    many = operations({("a", -1): (400, 12), ("a", 1): (200, 24), ("b", -1): (400, 12), ("b", 1): (400, 12)})
    (worse,) = change_steps.of_redone([change("procedure", technician_id="a")], many)
    assert worse.prob_better < 1e-3 and worse.low > 0 and abs(worse.step) > 1.96
    assert worse.low < stats.gamma.mean(24.5, scale=1 / 200) - 0.03 < worse.high


def test_repeats_of_whole_jobs_count_as_fewer() -> None:
    counts = {("a", -1): (400, 12), ("a", 1): (100, 6), ("b", -1): (400, 12), ("b", 1): (400, 12)}
    alone = operations(counts)
    together = alone.with_columns(job_id=pl.col("technician_id") + (pl.int_range(pl.len()) // 6).cast(pl.String))
    widths = []
    for work in (alone, together):
        (found,) = change_steps.of_redone([change("procedure", technician_id="a")], work)
        widths.append(found.high - found.low)
    assert widths[1] > 1.5 * widths[0]
