"""The smallest set of guns against trying every set, which are kept beyond it, and what is missing, spare or idle."""

import itertools
from datetime import date, datetime

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.decisions.gun_set import Choice, gun_cover, smallest_set, tips_to_buy, with_replacement


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
    schema={"shop_id": pl.String, "gun_id": pl.String, "role": pl.String, "typical_estimate": pl.Float64}
)
GUNS = pl.DataFrame(schema={"gun_id": pl.String, "shop_id": pl.String, "retired_on": pl.Date})
SPRAYS = pl.DataFrame(
    schema=dict(
        shop_id=pl.String, gun_id=pl.String, technician_id=pl.String, role=pl.String, started_at=pl.Datetime("us")
    )
)
DRIFT = pl.DataFrame(
    schema=dict(gun_id=pl.String, since=pl.Date, slope_per_litre=pl.Float64, litres=pl.Float64, prob_wear=pl.Float64)
)


def register(rows: list[dict]) -> pl.DataFrame:
    """Every gun of the rows at home in the shop."""
    guns = sorted({r["gun_id"] for r in rows})
    return pl.DataFrame([{"gun_id": g, "shop_id": "s", "retired_on": None} for g in guns], schema=GUNS.schema)


def cover(
    rows: list[dict], transfer: pl.DataFrame = NO_TRANSFER, sprays: pl.DataFrame = SPRAYS, drift: pl.DataFrame = DRIFT
) -> dict[str, dict]:
    found = gun_cover(pl.DataFrame(rows), transfer, register(rows), sprays, drift)
    return {r["item"]: r for r in found.iter_rows(named=True)}


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
    assert found["g"]["part"] == "review"
    assert "tip 1.2-1.4 mm" in found


def keep_of(rows: list[dict], merit: dict[str, float], hands: int = 0) -> dict[str, dict]:
    """Cover of one shop whose guns' transfer is `merit` for every role they fit, and in which `hands` spray finish at once."""
    known = [
        {"shop_id": "s", "gun_id": g, "role": r, "typical_estimate": te}
        for g, te in merit.items()
        for r in sorted({x["role"] for x in rows if x["gun_id"] == g})
    ]
    sprays = pl.DataFrame(
        [
            dict(
                shop_id="s", gun_id="g", technician_id=f"t{k}", role="clear", started_at=datetime(2026, 3, 2, 9, 5 * k)
            )
            for k in range(hands)
        ],
        schema=SPRAYS.schema,
    )
    return cover(rows, pl.DataFrame(known, schema=NO_TRANSFER.schema), sprays)


CLEAR = ("clear1", "clear", 1.3, (1.2, 1.4))
BASE = ("base1", "base", 1.3, (1.2, 1.4))


def test_the_gun_that_lands_more_is_kept_and_the_poorer_one_is_spare():
    """The poorer one was kept because it covers two products; the better one fits one of them, and is no spare."""
    rows = [fit_row("poor", *CLEAR), fit_row("poor", *BASE), fit_row("good", *CLEAR)]
    rows.append(fit_row("good", "base1", "base", 1.3, (1.35, 1.4)))
    found = keep_of(rows, {"poor": 0.52, "good": 0.64})
    assert {k: v["part"] for k, v in found.items()} == {"poor": "keep", "good": "keep"}
    assert found["good"]["why"].startswith("lands most") and "no other gun here fits base1" in found["poor"]["why"]
    both = keep_of([fit_row(g, *p) for g in ("poor", "good") for p in (CLEAR, BASE)], {"poor": 0.52, "good": 0.64})
    assert {k: v["part"] for k, v in both.items()} == {"poor": "spare", "good": "keep"}


def test_as_many_guns_are_kept_as_hands_spray_at_once():
    rows = [fit_row(g, *p) for g in "abc" for p in (CLEAR, BASE)]
    te = {"a": 0.6, "b": 0.5, "c": 0.55}
    parts = {n: {k for k, v in keep_of(rows, te, n).items() if v["part"] == "keep"} for n in (1, 2, 3)}
    assert parts == {1: {"a"}, 2: {"a", "c"}, 3: {"a", "b", "c"}}


def test_a_gun_is_never_spare_while_a_poorer_one_is_kept_for_the_same_work():
    rng = np.random.default_rng(4)
    for _ in range(40):
        work = [(f"p{i}", str(rng.choice(["surfacer", "clear", "sealer"])), (1.0, 2.0)) for i in range(4)]
        rows = [
            fit_row(f"g{g}", p, role, 1.5 if rng.random() < 0.5 else 2.5, window)
            for g in range(5)
            for p, role, window in work
        ]
        merit = {f"g{g}": float(rng.uniform(0.4, 0.7)) for g in range(5)}
        found = keep_of(rows, merit, int(rng.integers(0, 3)))
        fits = {g: {r["product_id"] for r in rows if r["gun_id"] == g and r["tip_fits"]} for g in merit}
        keep = {g: v for g, v in found.items() if v["part"] == "keep"}
        for spare in (g for g, v in found.items() if v["part"] == "spare" and fits[g]):
            for product in found[spare]["products"]:
                holders = [g for g, v in keep.items() if product in v["products"]]
                poorer = [g for g in holders if merit[g] < merit[spare]]
                better = [g for g in holders if merit[g] >= merit[spare]]
                assert better or not poorer, (spare, product, holders)


def test_a_gun_that_wears_is_kept_behind_one_that_holds():
    rows = [fit_row(g, *p) for g in ("worn", "holds") for p in (CLEAR, BASE)]
    drift = pl.DataFrame(
        dict(gun_id=["worn"], since=[date(2026, 1, 1)], slope_per_litre=[-0.01], litres=[40.0], prob_wear=[0.99])
    )
    te = {"worn": 0.62, "holds": 0.60}
    assert keep_of(rows, te)["worn"]["part"] == "keep"
    known = pl.DataFrame(
        [
            {"shop_id": "s", "gun_id": g, "role": r, "typical_estimate": x}
            for g, x in te.items()
            for r in ("clear", "base")
        ],
        schema=NO_TRANSFER.schema,
    )
    assert cover(rows, known, SPRAYS, drift)["worn"]["part"] == "spare"  # .62 exp(-.2) = .51


def test_a_gun_that_is_lent_counts_at_home_alone():
    rows = [fit_row("g", *CLEAR), fit_row("guest", *CLEAR)]
    guns = pl.DataFrame(
        dict(gun_id=["g", "guest"], shop_id=["s", "other"], retired_on=[None, None]), schema=GUNS.schema
    )
    found = gun_cover(pl.DataFrame(rows), NO_TRANSFER, guns, SPRAYS, DRIFT)
    assert found["item"].to_list() == ["g"]


def test_what_the_savings_name_is_said_of_the_gun_that_is_kept():
    rows = [fit_row("g", *CLEAR)]
    told = gun_cover(pl.DataFrame(rows), NO_TRANSFER, register(rows), SPRAYS, DRIFT)
    saved = pl.DataFrame(dict(shop_id=["s"], lever=["gun"], item=["g"], per_year_cost=[90.0], per_year_solids_kg=[3.0]))
    assert "replacement would save most" in with_replacement(told, saved)["why"].item()
    nothing = saved.with_columns(per_year_cost=pl.lit(-5.0))
    assert with_replacement(told, nothing)["why"].equals(told["why"])
