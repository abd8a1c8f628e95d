"""The smallest set of guns against trying every set, and what is missing or idle."""

import itertools

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.gunset import Choice, gun_cover, smallest_set, tips_to_buy


def brute(products: list[str], choices: list[Choice]) -> int | None:
    for size in range(len(products) + 1):
        for pick in itertools.combinations(choices, size):
            one_purpose = len({c.name for c in pick}) == len(pick)
            if one_purpose and set(products) <= set().union(*(c.products for c in pick), set()):
                return size
    return None


def test_as_few_as_trying_every_set():
    rng = np.random.default_rng(1)
    for _ in range(60):
        products = [f"p{i}" for i in range(rng.integers(1, 7))]
        choices = [
            Choice(f"g{g}", True, use, frozenset(p for p in products if rng.random() < 0.4), float(rng.random()))
            for g in range(rng.integers(1, 6))
            for use in ("primer", "finish")
        ]
        found, best = smallest_set(products, choices), brute(products, choices)
        assert (None if found is None else len(found)) == best
        if found:
            assert set(products) <= set().union(*(c.products for c in found))


def test_the_better_gun_of_two_that_fit_is_kept():
    two = [Choice("low", True, "finish", frozenset({"p"}), 0.5), Choice("high", True, "finish", frozenset({"p"}), 0.7)]
    found = smallest_set(["p"], two)
    assert found and [c.name for c in found] == ["high"]


@pytest.mark.parametrize("seed", range(5))
def test_tips_to_buy_are_as_few_as_points_that_stab_every_interval(seed: int):
    rng = np.random.default_rng(seed)
    low = np.round(rng.uniform(1.0, 2.0, 6), 1)
    needs = [
        (f"p{i}", "finish", float(a), float(a + w))
        for i, (a, w) in enumerate(zip(low, rng.choice([0.1, 0.2, 0.4], 6), strict=True))
    ]
    points = sorted({b for _, _, _, b in needs})
    for size in range(1, 7):
        if any(
            all(any(a - 1e-9 <= x <= b + 1e-9 for x in pick) for _, _, a, b in needs)
            for pick in itertools.combinations(points, size)
        ):
            break
    assert len(tips_to_buy(needs)) == size


def fit_row(
    gun: str,
    product: str,
    role: str,
    tip: float,
    window: tuple[float, float],
    allowed: bool | None = True,
    used: int = 5,
) -> dict:
    return {
        "shop_id": "s", "gun_id": gun, "product_id": product, "role": role, "tip_mm": tip, "tip_min_mm": window[0],
        "tip_max_mm": window[1], "tip_fits": window[0] <= tip <= window[1], "atomising_allowed": allowed, "n_operations": used,
    }  # fmt: skip


NO_TRANSFER = pl.DataFrame(
    schema={"gun_id": pl.String, "role": pl.String, "typical_estimate": pl.Float64, "estimate": pl.Float64}
)
GUNS = pl.DataFrame(schema={"gun_id": pl.String, "retired_on": pl.Date})


def cover(rows: list[dict]) -> dict[str, dict]:
    return {r["item"]: r for r in gun_cover(pl.DataFrame(rows), NO_TRANSFER, GUNS).iter_rows(named=True)}


def test_a_primer_gun_is_not_counted_for_clear_at_the_same_time():
    """One gun fits both, but serves one purpose: the second must be there as well."""
    rows = [
        fit_row("g", p, r, 1.4, w) for p, r, w in (("clear1", "clear", (1.2, 1.4)), ("filler1", "surfacer", (1.4, 1.8)))
    ] + [
        fit_row("h", p, r, 1.7, w) for p, r, w in (("clear1", "clear", (1.2, 1.4)), ("filler1", "surfacer", (1.4, 1.8)))
    ]
    found = cover(rows)
    assert {k: v["part"] for k, v in found.items()} == {"g": "keep", "h": "keep"}
    assert (found["g"]["purpose"], found["h"]["purpose"]) == ("finish", "primer")


def test_a_missing_tip_is_named_with_its_products_and_an_unused_gun_is_idle():
    rows = [
        fit_row("g", "clear1", "clear", 1.3, (1.2, 1.4)), fit_row("g", "filler1", "surfacer", 1.3, (1.6, 1.8)),
        fit_row("h", "clear1", "clear", 1.4, (1.2, 1.4), used=0), fit_row("h", "filler1", "surfacer", 1.4, (1.6, 1.8), used=0),
    ]  # fmt: skip
    found = cover(rows)
    assert found["tip 1.6-1.8 mm"]["part"] == "to_buy" and found["tip 1.6-1.8 mm"]["products"] == ["filler1"]
    assert {found["g"]["part"], found["h"]["part"]} <= {"keep", "idle", "spare"}
    assert sum(r["part"] == "keep" for r in found.values()) == 1


def test_a_gun_that_the_rule_may_not_allow_is_for_review_and_covers_nothing():
    found = cover([fit_row("g", "clear1", "clear", 1.3, (1.2, 1.4), allowed=None)])
    assert found["g"]["part"] == "spare" and found["g"]["why"].startswith("review")
    assert "tip 1.2-1.4 mm" in found
