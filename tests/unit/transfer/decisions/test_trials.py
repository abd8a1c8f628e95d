"""Trials: how many jobs, which order, where one stands. Tables are drawn here; nothing is read from a workspace."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.decisions import trials
from pipelines.transfer.decisions.trials import GENERAL, TrialError

SHOP = "north"
EVENT, RECORD = 0.08, 0.06
SINCE = dt.date(2026, 3, 2)


def history(n: int = 40, seed: int = 1) -> pl.DataFrame:
    """jobs_of, as it would be of n clear jobs of two hands."""
    rng = np.random.default_rng(seed)
    return pl.DataFrame(
        {
            "shop_id": SHOP, "op_job_id": [f"j{i:04d}" for i in range(n)], "operation_no": pl.Series([1] * n), "role": "clear",
            "gun_id": rng.choice(["g1", "g2"], n), "technician_id": rng.choice(["t1", "t2", "t2"], n),
            "area_class": rng.choice(["0.5_to_1.5", "1.5_to_4"], n),
            "started_at": [dt.datetime(2025, 9, 1, 8) + dt.timedelta(hours=7 * i) for i in range(n)],
            "ratio": 0.6 * np.exp(rng.normal(0, math.hypot(EVENT, RECORD), n)), "var": RECORD**2,
        }
    )  # fmt: skip


def tables(jobs: pl.DataFrame | None = None, **instead: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The tables of a finished set that say what `jobs` says."""
    jobs = history() if jobs is None else jobs
    key = {"job_id": pl.col("op_job_id"), "record_no": pl.lit(1, pl.Int64)}
    spread = [
        ("event", EVENT, 0.07, 0.0914),
        ("pair", 0.03, 0.01, 0.06),
        ("technician", 0.09, 0.04, 0.15),
        ("readings", 2.0, 1.5, 2.5),
    ]
    return {
        "transfer_model": pl.DataFrame(
            [("spread", level, value, low, high, None) for level, value, low, high in spread],
            schema={"term": pl.String, "level": pl.String, "value": pl.Float64, "low": pl.Float64, "high": pl.Float64, "note": pl.String},
            orient="row",
        ),
        "record_layers": jobs.drop("ratio", "var").with_columns(**key, position=1, leftover_known=True),
        "records": jobs.select(
            "shop_id", **key, n_layers=1, landed_solids_ml=10.0, ratio="ratio",
            read_var_ml2=(pl.col("var") - 0.05**2) / 4 * 100,  # scatters twice as much as stated
            area_rel_var=0.05**2 - 0.01**2, sprayed_rel_u=0.01, usable=True, leftover_known=True,
        ),
        "guns": pl.DataFrame({
            "gun_id": ["g1", "g2", "g3", "old"], "valid_from": [None] * 4, "shop_id": [SHOP, SHOP, "south", SHOP],
            "atomising": ["hvlp", "hvlp", "hvlp", "conventional"], "retired_on": [None, None, None, dt.date(2025, 1, 1)],
        }, schema_overrides={"valid_from": pl.Date, "retired_on": pl.Date}),
        "technicians": pl.DataFrame({"technician_id": ["t1", "t2", "t9"], "shop_id": [SHOP, SHOP, "south"], "label": ["Ann", None, None],
                                     "left_on": [None] * 3}, schema_overrides={"left_on": pl.Date}),
        "shops": pl.DataFrame({"shop_id": [SHOP, "south"], "label": ["North", "South"]}),
        "gun_fit": pl.DataFrame(schema={
            "shop_id": pl.String, "gun_id": pl.String, "product_id": pl.String, "role": pl.String, "verdict": pl.String,
            "tip_fits": pl.Boolean, "pressure_fits": pl.Boolean, "atomising_allowed": pl.Boolean}),
        "compliance_guns": pl.DataFrame(schema={"shop_id": pl.String, "gun_id": pl.String, "qualifies": pl.String}),
    } | instead  # fmt: skip


def fit(
    gun: str, verdict: str, tip: bool | None, allowed: bool | None = True, product: str = "clear_one"
) -> pl.DataFrame:
    row = {"shop_id": SHOP, "gun_id": gun, "product_id": product, "role": "clear", "verdict": verdict, "tip_fits": tip,
           "pressure_fits": True, "atomising_allowed": allowed}  # fmt: skip
    return pl.DataFrame([row], schema_overrides={"tip_fits": pl.Boolean, "atomising_allowed": pl.Boolean})


def plan(
    guns: tuple[str, ...] = ("g1", "g2"), given: dict[str, pl.DataFrame] | None = None, **asked: object
) -> trials.Plan:
    return trials.plan(given or tables(), list(guns), asked.pop("role", "clear"), **asked)  # type: ignore[arg-type]


# --- how many jobs ----------------------------------------------------------------------------------------------------


def test_the_spread_is_the_shops_own_with_readings_at_their_fitted_scatter() -> None:
    found = plan().spread
    assert found.own and found.n == 40 and found.whose == "this shop's own clear"
    assert (found.event, found.pair) == (EVENT, 0.03)
    assert found.record == pytest.approx(RECORD, rel=1e-12)
    assert found.df == pytest.approx(1 / (2 * (math.log(0.0914 / 0.07) / 3.92) ** 2), rel=1e-4)


def test_jobs_are_those_of_the_two_sample_formula_times_what_looking_costs() -> None:
    """n = 2 sigma^2 (z_.975 + z_.80)^2 / log(1.08)^2 for one look (any textbook); four looks cost about 2 % more."""
    sigma = math.hypot(EVENT, RECORD)
    fixed = 2 * sigma**2 * (1.959964 + 0.841621) ** 2 / math.log(1.08) ** 2
    assert plan(looks=1).jobs == math.ceil(fixed) == 27
    found = plan()
    assert found.jobs == 28 and found.at == (7, 14, 21, 28)
    assert 0.80 <= found.power < 0.83 and found.power_low < found.power < found.power_high
    assert found.bounds == pytest.approx((4.3326, 2.9631, 2.3590, 2.0141), abs=1e-4)
    assert found.expected < found.expected_none <= found.jobs


def test_half_the_difference_takes_four_times_the_jobs() -> None:
    assert plan(difference=0.04, looks=1).jobs / plan(looks=1).jobs == pytest.approx(4, rel=0.06)
    shown = dict(plan().can_show)
    assert shown[6] > shown[10] > shown[60]
    assert math.log1p(shown[10]) / math.log1p(shown[40]) == pytest.approx(2, rel=0.02)


def test_what_holds_for_every_hand_does_not_fall_with_jobs() -> None:
    few, many = plan(jobs=12), plan(jobs=400)
    assert few.any_hand == many.any_hand == pytest.approx(math.expm1(2.801585 * 0.03 * math.sqrt(2 / 2)), rel=1e-5)


def test_without_records_the_values_are_general_and_said_to_be() -> None:
    found = plan(given=tables(history(5)))
    assert found.spread == GENERAL and any("general values that are assumed" in n for n in found.notes)
    assert "assumed" in "\n".join(trials.said(found, 1))


def test_a_role_with_few_records_of_its_own_says_whose_spread_it_takes() -> None:
    assert plan(role="base").spread.whose.startswith("all roles of all shops")
    elsewhere = history().with_columns(shop_id=pl.lit("south"))
    assert plan(given=tables(elsewhere)).spread.whose == "clear of all shops"


def test_too_few_jobs_for_the_looks_make_fewer_looks() -> None:
    found = plan(jobs=7)
    assert found.at == (4, 7) and any("2 looks" in n for n in found.notes)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"guns": ("g1", "g1")}, "two different ones"),
        ({"guns": ("g1",)}, "give --gun twice"),
        ({"guns": ("g1", "g22")}, r"No gun 'g22' \(did you mean g2\?\).*registers/guns.csv"),
        ({"guns": ("g1", "old")}, "retired since 2025-01-01"),
        ({"role": "cleer"}, r"No role 'cleer' \(did you mean clear\?\)"),
        ({"who": ["t3"]}, "No technician 't3'"),
        ({"who": ["t9"]}, "No technician 't9'.*works in north"),
        ({"shop": "nord"}, r"did you mean north\?"),
        ({"looks": 9}, "from 1 .* to 5"),
        ({"jobs": 1}, "--jobs 1"),
        ({"difference": 0.0101, "given": None}, None),
    ],
)
def test_what_cannot_be_planned_is_told(asked: dict[str, object], said: str | None) -> None:
    if said is None:
        with pytest.raises(TrialError, match="jobs with each gun here: plan for a larger one"):
            plan(given=tables(history().with_columns(var=0.25)), difference=0.0101)
        return
    with pytest.raises(TrialError, match=said):
        plan(**asked)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["", "eight", "0", "0.6%", "80%", "-8%", "nan"])
def test_a_difference_that_is_none_is_told(text: str) -> None:
    with pytest.raises(TrialError, match="--difference"):
        trials.share_of(text)


def test_a_difference_is_read_as_it_is_typed() -> None:
    assert [trials.share_of(t) for t in ("8%", "8 %", "0.08", "8,0%")] == pytest.approx([0.08] * 4)


def test_guns_that_the_rule_or_the_sheet_keeps_out_are_refused() -> None:
    forbidden = pl.DataFrame({"shop_id": [SHOP], "gun_id": ["g2"], "qualifies": ["no"]})
    with pytest.raises(TrialError, match=r"The rule of the place does not allow g2 \(hvlp\) in north"):
        plan(given=tables(compliance_guns=forbidden))
    with pytest.raises(TrialError, match="does not allow g2"):
        plan(given=tables(gun_fit=fit("g2", "not_allowed", None, allowed=False)))
    with pytest.raises(TrialError, match="The tip of g2 fits no clear of north"):
        plan(given=tables(gun_fit=fit("g2", "misfit", False)))
    review = forbidden.with_columns(qualifies=pl.lit("review"))
    some = pl.concat([fit("g2", "misfit", False), fit("g2", "fits", True, product="clear_two")])
    found = plan(given=tables(compliance_guns=review, gun_fit=some))
    assert any("for review" in n for n in found.notes) and any("does not fit clear_one" in n for n in found.notes)
    assert any("g3 belongs to south" in n for n in plan(guns=("g1", "g3")).notes)


# --- the order --------------------------------------------------------------------------------------------------------


def test_the_order_is_balanced_within_hands_and_sizes_and_comes_again_from_its_seed() -> None:
    p = plan()
    order = trials.schedule(p, history(), 5)
    assert order.equals(trials.schedule(p, history(), 5)) and not order.equals(trials.schedule(p, history(), 6))
    by = (
        order.group_by("technician_id", "area_class", "gun_id")
        .len()
        .pivot("gun_id", values="len", index=["technician_id", "area_class"])
    )
    assert by.height == 4 and (by["g1"] == by["g2"]).all()
    assert 2 * p.jobs <= order.height <= 2 * math.ceil(1.25 * p.jobs) + 2 * by.height
    busy = order.filter(pl.col("technician_id") == "t2").height
    assert busy > order.height / 2  # the hand that sprays most
    lead = order.with_columns(
        ahead=((pl.col("gun_id") == "g1").cast(pl.Int64) * 2 - 1).cum_sum().over("technician_id", "area_class").abs()
    )
    assert lead["ahead"].max() <= 2
    assert trials.seed_of(p) == trials.seed_of(plan()) != trials.seed_of(plan(guns=("g2", "g1")))


def test_where_nobody_is_named_it_alternates_by_size_alone() -> None:
    unseen = history().with_columns(technician_id=pl.lit(None, pl.String))
    given = tables(unseen)
    given["technicians"] = given["technicians"].clear()
    p = plan(given=given)
    assert p.who == () and any("Nobody is named" in n for n in p.notes)
    assert set(trials.schedule(p, trials.jobs_of(given), 1)["technician_id"]) == {""}
    running = trial_rows(p, 0.0, 3).with_columns(technician_id=pl.lit(None, pl.String))
    assert trials.standing(p, running, SINCE).looks


# --- where one stands -------------------------------------------------------------------------------------------------


def trial_rows(p: trials.Plan, log_ratio: float, seed: int, event: float = EVENT) -> pl.DataFrame:
    """jobs_of of a trial done as planned: hands and sizes differ, the second gun lands exp(log_ratio) times as much."""
    rng = np.random.default_rng(seed)
    level = {("t1", "0.5_to_1.5"): 0.0, ("t1", "1.5_to_4"): 0.06, ("t2", "0.5_to_1.5"): 0.15, ("t2", "1.5_to_4"): -0.1}
    blocks = list(level)
    rows = []
    queue: dict[tuple[str, str], list[str]] = {b: [] for b in blocks}
    taken = {p.gun_a: 0, p.gun_b: 0}
    while min(taken.values()) < p.jobs:
        block = blocks[int(rng.integers(len(blocks)))]
        if not queue[block]:
            queue[block] = list(rng.permutation([p.gun_a, p.gun_b]))
        gun = queue[block].pop()
        taken[gun] += 1
        mean = math.log(0.6) + level[block] + log_ratio * (gun == p.gun_b)
        record = rng.uniform(0.5, 1.5) * RECORD
        ratio = math.exp(mean + event * rng.standard_normal()) * (1 + record * rng.standard_normal())
        rows.append((SHOP, f"k{len(rows):05d}", 1, "clear", gun, *block, dt.datetime(2026, 3, 2, 8) + dt.timedelta(hours=3 * len(rows)),
                     ratio, record**2))  # fmt: skip
    return pl.DataFrame(rows, schema=history(1).columns, orient="row")


def test_the_contrast_is_that_of_a_weighted_regression_on_logarithms() -> None:
    """statsmodels' GLS with the same covariance: both linearise, so they agree to second order in the noise."""
    import statsmodels.api as sm

    p = plan(jobs=60)
    rows = trial_rows(p, 0.1, 4)
    value, se, z = trials.contrast(rows, "g2", p.spread)
    block = rows.select(pl.struct("technician_id", "area_class").rank("dense")).to_series().to_numpy()
    cov = p.spread.between**2 * (block[:, None] == block[None, :]) + np.diag(rows["var"].to_numpy() + EVENT**2)
    x = sm.add_constant((rows["gun_id"] == "g2").to_numpy().astype(float))
    gls = sm.GLS(np.log(rows["ratio"].to_numpy()), x, sigma=cov).fit()
    assert value == pytest.approx(gls.params[1], abs=0.003)
    assert se == pytest.approx(gls.bse[1], rel=0.15)  # ours leans on what the model knew of the spread
    assert z == pytest.approx(value / se, rel=0.02)


def test_students_t_becomes_the_normal_deviate_of_the_same_chance() -> None:
    # t tables (any textbook): 2.228 at 10 degrees of freedom leaves 2.5 % above, as 1.96 does
    assert trials.normal_deviate(2.2281, 10) == pytest.approx(1.95996, abs=1e-4)
    assert trials.normal_deviate(-2.2281, 10) == pytest.approx(-1.95996, abs=1e-4)


def test_it_does_not_matter_when_or_how_often_anybody_looks() -> None:
    p = plan()
    rows = trial_rows(p, 0.25, 11)
    end = trials.standing(p, rows, SINCE)
    assert end.word == "second gun" and end.looks[-1].ends and end.next_at is None
    assert end.said.startswith("Stop: that g2 lands more than g1 is shown")
    for n in range(1, rows.height + 1):
        now = trials.standing(p, rows.head(n), SINCE)
        assert now.looks == end.looks[: len(now.looks)]
        if now.word == "go on":
            assert now.next_at == p.at[len(now.looks)]
    early = trials.standing(p, rows.head(3), SINCE)
    assert early.looks == () and "Nothing is judged before" in early.said and early.next_at == p.at[0]
    mirrored = trials.standing(plan(guns=("g2", "g1"), jobs=p.jobs), rows, SINCE)
    assert mirrored.word == "first gun" and mirrored.looks[-1].z == pytest.approx(-end.looks[-1].z, abs=1e-6)


def test_jobs_outside_the_trial_do_not_count() -> None:
    p = plan()
    rows = trial_rows(p, 0.0, 2)
    strange = pl.concat([
        rows.with_columns(role=pl.lit("base")), rows.with_columns(shop_id=pl.lit("south")), rows.with_columns(technician_id=pl.lit("t9")),
        rows.with_columns(ratio=pl.lit(None, pl.Float64)), rows.with_columns(gun_id=pl.lit("g3")),
        rows.with_columns(pl.col("started_at").dt.offset_by("-1y")),
    ])  # fmt: skip
    assert trials.standing(p, pl.concat([strange, rows]), SINCE) == trials.standing(p, rows, SINCE)
    assert trials.standing(p, rows, SINCE, SINCE + dt.timedelta(days=1)).n_a < p.jobs


def test_error_rates_are_those_stated() -> None:
    """120 trials without a difference and 80 with the planned one, of a fixed seed; at length in tests/bench/trial_power.py. The band is four
    standard errors of so many draws."""
    p, n, m = plan(), 120, 80
    none = [trials.standing(p, trial_rows(p, 0.0, 1000 + i), SINCE).word for i in range(n)]
    some = [trials.standing(p, trial_rows(p, math.log1p(p.difference), 5000 + i), SINCE).word for i in range(m)]
    called = sum(word in ("first gun", "second gun") for word in none) / n
    assert abs(called - 0.05) < 4 * math.sqrt(0.05 * 0.95 / n)
    assert abs(some.count("second gun") / m - p.power) < 4 * math.sqrt(0.16 / m) and some.count("first gun") <= 1


def test_the_interval_holds_at_every_look_at_once() -> None:
    p, truth, n = plan(looks=3, jobs=18), 0.05, 60
    held = 0
    for i in range(n):
        looks = trials.standing(p, trial_rows(p, truth, 9000 + i), SINCE).looks
        held += all(look.low <= math.exp(truth) <= look.high for look in looks)
    assert held / n > 0.95 - 4 * math.sqrt(0.05 * 0.95 / n)


# --- a change on record -----------------------------------------------------------------------------------------------


def change(**instead: object) -> dict[str, pl.DataFrame]:
    row = {"change_id": "c1", "on": SINCE, "until": None, "what": "gun_trial", "shop_id": SHOP, "technician_id": None, "gun_id": "g2",
           "replaces_gun_id": "g1", "role": "clear"} | instead  # fmt: skip
    return {"changes": pl.DataFrame([row])}


def test_a_change_names_its_trial_or_says_what_it_lacks() -> None:
    assert trials.of_change(change(), "c1")["gun_id"] == "g2"
    with pytest.raises(TrialError, match=r"No change 'cc1' \(did you mean c1\?\)"):
        trials.of_change(change(), "cc1")
    with pytest.raises(TrialError, match="lacks replaces_gun_id"):
        trials.of_change(change(replaces_gun_id=None), "c1")
    with pytest.raises(TrialError, match="is gun serviced, no trial"):
        trials.of_change(change(what="gun_serviced"), "c1")
    with pytest.raises(TrialError, match=r"registers/changes\.csv"):
        trials.of_change({}, "c1")


def test_what_nobody_knows_of_a_gun_neither_forbids_it_nor_fails_to_fit() -> None:
    unknown = fit("g1", "misfit", None, None)
    assert plan(given=tables() | {"gun_fit": unknown}).jobs > 0
    with pytest.raises(trials.TrialError, match="does not allow g1"):
        plan(given=tables() | {"gun_fit": fit("g1", "misfit", None, False)})


def test_the_table_of_trials_says_what_the_command_says() -> None:
    p = plan(jobs=28)
    given = tables(pl.concat([history(), trial_rows(p, 0.25, 11)]))
    # the other gun went out of use when it had lost: the trial is answered all the same
    given["guns"] = given["guns"].with_columns(
        retired_on=pl.when(pl.col("gun_id") == "g1").then(dt.date(2026, 6, 1)).otherwise("retired_on")
    )
    planned = change(jobs=28, looks=4)
    (row,) = trials.trial_standing(given | planned).iter_rows(named=True)
    _, stands, known = trials.of_row(given, planned["changes"].row(0, named=True), [], None, None, None)
    assert known and row["planned"] and row["said"] == stands.said and row["word"] == stands.word == "second gun"
    assert (row["jobs"], row["looks"], row["looked"]) == (28, 4, len(stands.looks)) and row["n_a"] >= 28
    assert row["low"] == stands.looks[-1].low < row["ratio"] < row["high"]
    (guess,) = trials.trial_standing(given | change(jobs=None, looks=None)).iter_rows(named=True)
    assert not guess["planned"] and "registers/changes.csv (jobs, looks)" in guess["said"]
    begun = tables(pl.concat([history(), trial_rows(p, 0.25, 11).head(5)]))
    (early,) = trials.trial_standing(begun | planned).iter_rows(named=True)
    assert (
        early["word"] == "go on"
        and early["next_at"] == 7
        and early["ratio"] is None
        and "of 28 with each" in early["said"]
    )
    (broken,) = trials.trial_standing(given | change(jobs=28, looks=4, replaces_gun_id=None)).iter_rows(named=True)
    assert "lacks replaces_gun_id" in broken["said"] and broken.get("word") is None
    assert trials.trial_standing(given | change(what="gun_serviced")).is_empty()
