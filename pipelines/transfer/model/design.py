"""From records and their layers to the design of the mixed model: columns, signatures, shares, variances.

Here belong the meaning of every column of the model and the compression of records to signatures. What is done with
them stands in linearise.py (the passes) and mixed_model.py (the solver).

    eta = role + atomising + unweighed + area class + blended + plastic + product + shop + gun + technician + pair + wear x time

eta is log transfer efficiency of one spray operation. All but product, shop, gun, technician, pair and wear are fixed; wear is
a slope of the gun's own on the time since its last service, so that `gun` is what it does half way through its records.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from pipelines.transfer.solver.mixed_model import Floats, Ints, Unknowns

RECORD = ["shop_id", "job_id", "record_no"]
RANDOM = (
    "product",
    "shop",
    "gun",
    "technician",
    "pair",
    "wear",
)  # variance components in this order; then readings, event
NOBODY = "\x00"  # stands for a gun, technician or product that an operation does not name

# Half-normal scales of the priors on the standard deviations: what guns, hands and single events do to log TE. Product and
# shop: our choice, of the size of the others. Wear: per year since the last service; most guns hold, some lose a third.
SD_SCALE = {"product": 0.10, "shop": 0.15, "gun": 0.15, "technician": 0.15, "pair": 0.05, "wear": 0.15, "event": 0.15}
WEAR_DAYS = 61  # time since a service is taken in steps of this: records of one step share a design row
WEAR_Z = 2.0  # a gun gets a slope where a first look at its records sees one by this many standard errors

# Weak priors on fixed effects, log TE: (mean, sd). A role sits near 58 % give or take 40 %, most of which all roles of a business
# share (ROLES_SD): what one role transfers says much of another that nobody reads by itself. What is left to each, 20 %, is wide
# enough that two roles which are only read together stay not separable (joint.WIDE). Siphon-fed conventional guns put 30-40 % on
# the target where others put 60-70 % (common practice, no published source). The rest: centred, wide.
ROLES_SD = 0.35
PRIOR = {
    "role": (-0.55, 0.2), "conventional": (-0.5, 0.4), "atomising": (0.0, 0.4), "unweighed": (0.0, 0.3),
    "area_class": (0.0, 0.5), "blended": (0.0, 0.5), "plastic": (0.0, 0.5),
    # what a change moved (a step: wide, so that the answer is what the records say), by how much more or less in one role, and
    # how all of the shop moved meanwhile
    "change": (0.0, 0.3), "change of role": (0.0, 0.10), "meanwhile": (0.0, 0.05),
}  # fmt: skip

ATOMISING_BASIS = (
    "hvlp",
    "reduced_pressure",
    "air_assisted_airless",
    "airless",
    "electrostatic",
)  # first one seen is 0
AREA_BASIS = ("1.5_to_4", "0.5_to_1.5", "over_4", "under_0.5")  # likewise

# Where no leftover of a role was ever weighed: share of the poured solids that stays in the cup (common practice).
LEFTOVER_MEAN, LEFTOVER_SD = 0.10, 0.08
MIN_WEIGHED = 5  # leftovers behind a mean of their own; below, the next wider group


@dataclass(frozen=True)
class Design:
    """Everything the passes need. Records are sorted by signature; layers follow their records, by position.

    Arrays per record (n): landed (mL), read_var (mL^2), area_var (relative variance), month (of its last layer, since the
    year 0; 0: not known), start (its first layer)
    Arrays per layer: record, sprayed (mL; estimated where a leftover is unknown), own_var (relative variance of sprayed),
    layer_row (its row in `rows`), group, in_group (layers in that run)
    rows       one design row per distinct layer; row_keys says which: shop_id, gun_id, technician_id, role, times (how many
               operations, records that cannot be used included); row_of_layer: the row of every layer given to `build`
    group      a run of layers of one role inside a role set; role_of_group and set_of_group say which
    signature  first record of each signature; signature_of_record says which each record has
    leftover   the mean share left in the cup that stands in for leftovers not weighed, per shop and role
    gain       relative standard uncertainty of the gauges' gain in each shop, mean over its records; sprayed_u: that of what
               was sprayed (flush, scale), mean over each design row's operations. No record can tell either
    """

    keys: pl.DataFrame
    landed: Floats
    read_var: Floats
    area_var: Floats
    month: Ints
    grade: NDArray[np.str_]
    start: Ints
    record: Ints
    sprayed: Floats
    own_var: Floats
    layer_row: Ints
    group: Ints
    in_group: Ints
    role_of_group: Ints
    set_of_group: Ints
    signature: Ints
    signature_of_record: Ints
    names: list[tuple[str, str]]
    rows: sp.csr_matrix
    row_keys: pl.DataFrame
    row_of_layer: Ints
    unknowns: Unknowns
    scale: Floats
    leftover: pl.DataFrame
    gain: dict[str, float]
    sprayed_u: Floats

    @property
    def n(self) -> int:
        return len(self.landed)


def mean_leftover(layers: pl.DataFrame) -> pl.DataFrame:
    """Mean and sd of the share of poured solids left in the cup, per shop and role: shop_id, role, mean, sd, n.

    From layers whose leftover was weighed: 1 - sprayed / poured. A shop's role with fewer than 5 of them takes the role's
    figures over all shops, then those of all, then a stated default.
    """
    seen = (
        layers.lazy()
        .filter(pl.col("leftover_known") & (pl.col("poured_solids_ml") > 0))
        .select("shop_id", "role", share=(1 - pl.col("sprayed_solids_ml") / pl.col("poured_solids_ml")).clip(0, 0.95))
        .collect()
    )
    wanted = layers.select("shop_id", "role").unique().sort("shop_id", "role")
    out = wanted.with_columns(pl.lit(None, pl.Float64).alias(c) for c in ("mean", "sd"))
    for by in (["shop_id", "role"], ["role"], []):
        stats = [pl.col("share").mean().alias("m"), pl.col("share").std().alias("s"), pl.len().alias("k")]
        some = seen.group_by(by, maintain_order=True).agg(stats) if by else seen.select(stats)
        some = some.filter(pl.col("k") >= MIN_WEIGHED)
        out = out.join(some, on=by, how="left") if by else out.join(some, how="cross") if some.height else out
        if "m" in out.columns:
            out = out.with_columns(mean=pl.coalesce("mean", "m"), sd=pl.coalesce("sd", "s")).drop("m", "s", "k")
    return out.with_columns(pl.col("mean").fill_null(LEFTOVER_MEAN), pl.col("sd").fill_null(LEFTOVER_SD)).sort(
        "shop_id", "role"
    )


def codes(values: pl.Series) -> tuple[Ints, list[str]]:
    """Each text's number among the sorted ones that occur, and those."""
    levels = values.unique().sort().to_list()
    return values.cast(pl.Enum(levels)).to_physical().to_numpy().astype(np.int64), levels


def combine(*codes: Ints) -> tuple[Ints, Ints]:
    """Several integer codes as one dense code, and for each dense code the first place where it stands."""
    if not len(codes[0]):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    key = codes[0]
    for code in codes[1:]:
        if (int(key.max()) + 1) * (int(code.max()) + 1) > 2**62:
            key = np.unique(key, return_inverse=True)[1]
        key = key * (int(code.max()) + 1) + code
    n, top = len(key), int(key.max())
    if top > 4 * n or key.min() < 0:
        _, first, dense = np.unique(key, return_index=True, return_inverse=True)
        return dense, first
    place = np.full(top + 1, n)  # few numbers: nothing need be sorted
    place[key[::-1]] = np.arange(n)[::-1]
    seen = place < n
    return (np.cumsum(seen) - 1)[key], place[seen]


def since_service(layers: pl.DataFrame, services: pl.DataFrame | None) -> pl.Series:
    """Days from the gun's last service (its first operation, before any) to each operation, in steps of WEAR_DAYS.

    services: gun_id, serviced_on, work; a cleaning takes no wear away. 0 where it is not known when an operation began.
    """
    if "started_at" not in layers.columns:
        return pl.Series(np.zeros(layers.height, np.int64))
    days = layers.select("gun_id", day=pl.col("started_at").dt.date()).with_row_index("row")
    begin = pl.col("day").min().over("gun_id")
    if services is not None and services.height:
        worn = (
            services.filter(pl.col("work") != "cleaned").select("gun_id", served="serviced_on").unique().sort("served")
        )
        days = days.sort("day").join_asof(
            worn, left_on="day", right_on="served", by="gun_id", check_sortedness=False
        ).sort("row")  # fmt: skip
        begin = pl.coalesce("served", begin)
    return days.select(((pl.col("day") - begin).dt.total_days() // WEAR_DAYS).fill_null(0)).to_series()


def prepare_layers(layers: pl.DataFrame, services: pl.DataFrame | None = None) -> pl.DataFrame:
    """Layers with every covariate spelt out and no nulls among them; one row per layer, in the order given (record, position).

    services: the guns' services, see `since_service`.
    """
    shop_role = ["shop_id", "role"]
    left = layers.select(shop_role).join(mean_leftover(layers), on=shop_role, how="left", maintain_order="left")
    known = pl.col("leftover_known").fill_null(False) & pl.col("sprayed_solids_ml").is_not_null()
    since = since_service(layers, services)
    month = pl.lit(0, pl.Int64)
    if "started_at" in layers.columns:  # months since the year 0; 0: not known
        at = pl.col("started_at").dt
        month = (at.year().cast(pl.Int64) * 12 + at.month().cast(pl.Int64) - 1).fill_null(0)
    return (
        # not a join of the layers themselves: it would copy every text
        layers.with_columns(left["mean"], left["sd"], month=month, since=since)
        .lazy()
        .with_columns(
            pl.col("gun_id", "technician_id", "product_id").fill_null(NOBODY),
            atomising=pl.col("atomising").fill_null("hvlp"),
            area_class=pl.col("area_class").fill_null(AREA_BASIS[0]),
            blended=pl.col("blended").fill_null(False),
            plastic=pl.col("plastic_share").fill_null(0.0) > 0.5,
            unweighed=~known,
            sprayed=pl.when(known).then("sprayed_solids_ml").otherwise(pl.col("poured_solids_ml") * (1 - pl.col("mean"))),
            own_var=pl.col("sprayed_rel_u").fill_null(0.0) ** 2
            + pl.when(known).then(0.0).otherwise((pl.col("sd") / (1 - pl.col("mean"))) ** 2),
        )
        .select(
            *RECORD, "op_job_id", "operation_no", "gun_id", "technician_id", "product_id", "role", "atomising", "area_class",
            "blended", "plastic", "unweighed", "since", "month", "sprayed", "sprayed_rel_u", "own_var", "mean", "sd",
        )
        .collect()
    )  # fmt: skip


#: (kind of PRIOR, level) -> the layers, in the order of `prepared`, that a fixed column of its own touches
Touched = Mapping[tuple[str, str], NDArray[np.bool_]]


def build(records: pl.DataFrame, prepared: pl.DataFrame, touched: Touched | None = None) -> Design:
    """The design over usable records; every layer in `prepared` gets its columns, so that each cell can be predicted.

    records   usable rows only
    prepared  all layers, from `prepare_layers`
    touched   columns besides those that layers have of themselves: changes (decisions/change_effects.py)
    """
    coded = {key: codes(prepared[key]) for key in LEVELS}
    measured = ["landed_solids_ml", "read_var_ml2", "area_rel_var", "gain_rel_u", "grade"]
    records = in_order(records.select(*RECORD, *measured), RECORD)
    changed = pl.any_horizontal(pl.col(name) != pl.col(name).shift(1) for name in RECORD).fill_null(True)
    first_of_run = prepared.select(changed).to_series().to_numpy()  # layers of one record stand together
    runs = prepared.filter(pl.Series(first_of_run)).select(RECORD)
    numbered = records.select(RECORD).with_row_index("number")
    number = runs.join(numbered, on=RECORD, how="left", maintain_order="left")["number"].cast(pl.Int64).fill_null(-1)
    number = number.to_numpy()[np.cumsum(first_of_run) - 1]
    used = number >= 0
    number, role = number[used], coded["role"][0][used]
    count = np.bincount(number, minlength=records.height)
    start = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64)
    position = np.arange(len(number)) - start[number]

    # role set: the runs of one role in order
    run_starts = (position == 0) | (role != np.roll(role, 1))
    runs_before = np.cumsum(run_starts)
    run = runs_before - runs_before[start][number] if len(number) else number
    signature = role_set = np.zeros(records.height, np.int64)
    for place in range(int(run.max(initial=-1)) + 1):
        role_set, _ = combine(role_set, _spread(number, role + 1, run_starts & (run == place), records.height))

    worn = wearing(
        records, start, role_set, prepared["sprayed"].to_numpy()[used], prepared["own_var"].to_numpy()[used],
        coded["gun_id"][0][used], coded["technician_id"][0][used], prepared["since"].to_numpy()[used],
        combine(coded["shop_id"][0], prepared["month"].to_numpy())[0][used],
        np.array([g != NOBODY for g in coded["gun_id"][1]], bool),
    )  # fmt: skip
    names, rows, unknowns, scale, layer_row_all, first_layer = _columns(prepared, coded, worn, touched or {})
    layer_row = layer_row_all[used]
    cell = ["shop_id", "gun_id", "technician_id", "role"]
    distinct = prepared[[*cell, "mean", "sd"]][first_layer]
    times = np.bincount(layer_row_all, minlength=len(first_layer))
    row_keys = distinct.select(cell).with_columns(times=pl.Series(times, dtype=pl.Int64))

    # signature: the rows of all layers in order
    for place in range(int(count.max(initial=0))):
        signature, _ = combine(signature, _spread(number, layer_row + 1, position == place, records.height))

    order = np.argsort(signature, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    layer_order = np.argsort(rank[number], kind="stable")
    number, layer_row, role = rank[number][layer_order], layer_row[layer_order], role[layer_order]
    run_starts, run = run_starts[layer_order], run[layer_order]
    signature, role_set = signature[order], np.unique(role_set[order], return_inverse=True)[1]
    count = count[order]
    start = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64)
    first_of_signature = np.flatnonzero(np.diff(signature, prepend=-1))

    group, first = combine(role_set[number], run)
    grade, grades = codes(records["grade"].fill_null("B"))
    run_id = np.cumsum(run_starts) - 1
    return Design(
        keys=records.select(RECORD)[order],
        landed=records["landed_solids_ml"].to_numpy()[order],
        read_var=records["read_var_ml2"].fill_null(0.0).to_numpy()[order],
        area_var=records["area_rel_var"].fill_null(0.0).to_numpy()[order],
        month=np.maximum.reduceat(prepared["month"].to_numpy()[used][layer_order], start) if len(order) else order,
        grade=np.array(grades)[grade][order],
        start=start,
        record=number,
        sprayed=prepared["sprayed"].to_numpy()[used][layer_order],
        own_var=prepared["own_var"].to_numpy()[used][layer_order],
        layer_row=layer_row,
        group=group,
        in_group=np.bincount(run_id)[run_id] if len(run_id) else run_id,
        role_of_group=role[first],
        set_of_group=role_set[number][first],
        signature=first_of_signature,
        signature_of_record=np.cumsum(np.diff(signature, prepend=-1) > 0) - 1,
        names=names,
        rows=rows,
        row_keys=row_keys,
        row_of_layer=layer_row_all,
        unknowns=unknowns,
        scale=scale,
        leftover=distinct.select("shop_id", "role", "mean", "sd").unique().sort("shop_id", "role"),
        gain=dict(
            records.group_by("shop_id", maintain_order=True).agg(pl.col("gain_rel_u").fill_null(0.0).mean()).iter_rows()
        ),
        sprayed_u=np.bincount(layer_row_all, prepared["sprayed_rel_u"].fill_null(0.0).to_numpy(), len(first_layer))
        / times.clip(1),
    )


def in_order(frame: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Sorted by `by`; a frame that comes sorted, as the ledger's do, is only looked at."""
    later = equal = pl.lit(True)
    for name in reversed(by):
        now, before = pl.col(name), pl.col(name).shift(1)
        later = (now > before) | ((now == before) & later)
        equal = equal & (now == before)
    fine = frame.select((later | equal).fill_null(pl.int_range(pl.len()) == 0).all()).item() if frame.height else True
    return frame if fine else frame.sort(by, maintain_order=True)


def _spread(number: Ints, value: Ints, at: NDArray[np.bool_], n: int) -> Ints:
    """One value per record from the layers `at`; 0 where a record has none."""
    out = np.zeros(n, np.int64)
    out[number[at]] = value[at]
    return out


def wearing(
    records: pl.DataFrame, start: Ints, role_set: Ints, sprayed: Floats, own_var: Floats, gun: Ints,
    technician: Ints, since: Ints, shop_month: Ints, named: NDArray[np.bool_],
) -> NDArray[np.bool_]:  # fmt: skip
    """The guns whose landed over sprayed changes with the time since their service, one flag per gun.

    A first look: records of one gun, each against the mean of those by the same hands with the same roles, regressed on
    time, less what the shop's other guns did that month; seen where the slope is more than WEAR_Z of its standard errors.
    Most guns hold, and a slope for each of them would cut every signature by time: many times the work for next to nothing.

    records, start (each one's first layer) and role_set per record; the rest per layer, named per gun. shop_month: a code.
    """
    out = np.zeros(len(named), bool)
    if not since.any():
        return out
    total = np.add.reduceat(sprayed, start)
    own = np.add.reduceat(sprayed**2 * own_var, start) / total**2
    alone = np.minimum.reduceat(gun, start) == np.maximum.reduceat(gun, start)
    at = np.flatnonzero(alone & named[gun[start]])
    if not len(at):
        return out
    gun, group = gun[start][at], combine(gun[start], technician[start], role_set)[0][at]
    time = since[start][at].astype(float)
    landed, area_var, read_var = (
        records[name].fill_null(0.0).to_numpy()[at] for name in ("landed_solids_ml", "area_rel_var", "read_var_ml2")
    )

    def mean(value: Floats, weight: Floats) -> Floats:
        return (np.bincount(group, weight * value) / np.maximum(np.bincount(group, weight), 1e-300))[group]

    expected = total[at] * np.maximum(mean(landed / total[at], total[at]), 1e-9)
    weight = 1 / (area_var + own[at] + read_var / expected**2 + SD_SCALE["event"] ** 2)
    miss = np.clip(landed / expected - 1, -1.5, 1.5)
    # a month in which the shop's other guns moved as well is the shop's (trend.py), not the gun's wear
    month = combine(shop_month[start][at])[0]
    pair = combine(month, gun)[0]
    rest = [np.bincount(month, x)[month] - np.bincount(pair, x)[pair] for x in (weight * miss, weight)]
    miss = miss - np.divide(rest[0], rest[1] + 1 / SD_SCALE["shop"] ** 2)
    miss, time = miss - mean(miss, weight), time - mean(time, weight)
    about = np.bincount(gun, weight * time**2, minlength=len(named))
    slope = np.bincount(gun, weight * time * miss, minlength=len(named))
    spread = (weight * miss**2).sum() / max(len(at) - len(np.unique(group)), 1)
    return np.asarray(np.abs(slope) > WEAR_Z * np.sqrt(about * spread))


LEVELS = ("shop_id", "gun_id", "technician_id", "role", "atomising", "area_class", "product_id")


def _columns(
    layers: pl.DataFrame, coded: dict[str, tuple[Ints, list[str]]], worn: NDArray[np.bool_], touched: Touched
) -> tuple[list[tuple[str, str]], sp.csr_matrix, Unknowns, Floats, Ints, Ints]:
    """Names, one design row per distinct layer, unknowns, half-normal scales, each layer's row, each row's first layer.

    coded: codes and levels of LEVELS; worn: guns that get a slope of time; touched: see `build`.
    """
    codes = {key: found[0] for key, found in coded.items()}
    levels = {key: found[1] for key, found in coded.items()}
    flags = {key: layers[key].to_numpy().astype(np.int64) for key in ("unweighed", "blended", "plastic")}
    flags |= {"\t".join(name): mask.astype(np.int64) for name, mask in touched.items()}
    since = np.where(worn[codes["gun_id"]], layers["since"].to_numpy(), 0)
    layer_row, first = combine(*codes.values(), *flags.values(), since - since.min(initial=0))
    at = {key: code[first] for key, code in (codes | flags).items()}
    n = len(first)

    # kind, component, which rows, level, level names, what stands there
    parts: list[tuple[str, int, NDArray[np.bool_], Ints, list[str], Floats]] = []
    every = np.ones(n, bool)

    def add(
        kind: str,
        component: int,
        which: NDArray[np.bool_],
        level: Ints,
        level_names: list[str],
        value: Floats | None = None,
    ) -> None:
        present = np.unique(level[which])
        names = [level_names[i] for i in present]
        value = np.ones(n) if value is None else value
        parts.append((kind, component, which, np.searchsorted(present, level), names, value))

    add("role", -1, every, at["role"], levels["role"])
    basis = next((a for a in ATOMISING_BASIS if a in levels["atomising"]), None)
    shown = np.array([a != basis for a in levels["atomising"]], bool)
    add("atomising", -1, shown[at["atomising"]] if n else every, at["atomising"], levels["atomising"])
    add("unweighed", -1, at["unweighed"] > 0, at["unweighed"], ["weighed", "unweighed"])
    basis = next((a for a in AREA_BASIS if a in levels["area_class"]), None)
    shown = np.array([a != basis for a in levels["area_class"]], bool)
    add("area_class", -1, shown[at["area_class"]] if n else every, at["area_class"], levels["area_class"])
    add("blended", -1, at["blended"] > 0, at["blended"], ["whole", "blended"])
    add("plastic", -1, at["plastic"] > 0, at["plastic"], ["metal", "plastic"])
    for kind, name in touched:
        there = at[f"{kind}\t{name}"]
        add(kind, -1, there > 0, there * 0, [name])
    named = np.array([p != NOBODY for p in levels["product_id"]], bool)
    add("product", 0, named[at["product_id"]] if n else every, at["product_id"], levels["product_id"])
    n_border_parts = len(parts)

    # blocks: shops joined where a gun or a technician has worked in both. Whoever is not named stays inside the shop.
    shop_n, gun_n = len(levels["shop_id"]), len(levels["gun_id"])
    gun_named = np.array([g != NOBODY for g in levels["gun_id"]], bool)
    tech_named = np.array([t != NOBODY for t in levels["technician_id"]], bool)
    gun, gun_names = _within_shop(at["gun_id"], at["shop_id"], levels["gun_id"], levels["shop_id"], gun_named)
    tech, tech_names = _within_shop(
        at["technician_id"], at["shop_id"], levels["technician_id"], levels["shop_id"], tech_named
    )
    gun_n, tech_n = len(gun_names), len(tech_names)
    edges = sp.coo_matrix(
        (np.ones(2 * n), (np.tile(at["shop_id"], 2), np.concatenate([shop_n + gun, shop_n + gun_n + tech]))),
        shape=(shop_n + gun_n + tech_n,) * 2,
    )
    component_of = connected_components(edges, directed=False)[1] if n else np.zeros(0, np.int64)
    pair, pair_first = combine(gun, tech)
    pair_names = [f"{gun_names[gun[i]]}\t{tech_names[tech[i]]}" for i in pair_first]
    if shop_n > 1:
        add("shop", 1, every, at["shop_id"], levels["shop_id"])
    add("gun", 2, every, gun, gun_names)
    add("technician", 3, every, tech, tech_names)
    add("pair", 4, every, pair, pair_names)
    years = _about_the_middle(since, codes["gun_id"])[first] * WEAR_DAYS / 365.25
    add("wear", 5, (years != 0) & gun_named[at["gun_id"]], gun, gun_names, years)

    names: list[tuple[str, str]] = []
    component: list[int] = []
    block: list[int] = []
    prior: list[tuple[float, float]] = []
    row_index, column_index, values = [], [], []
    shop_block = component_of[at["shop_id"]] if n else np.zeros(0, np.int64)
    for i, (kind, number, which, level, level_names, value) in enumerate(parts):
        offset = len(names)
        names += [(kind, name) for name in level_names]
        component += [number] * len(level_names)
        if i < n_border_parts:
            block += [-1] * len(level_names)
        else:
            of_level = np.zeros(len(level_names), np.int64)
            of_level[level[which]] = shop_block[which]
            block += of_level.tolist()
        prior += [_prior(kind, name) if number < 0 else (0.0, np.inf) for name in level_names]
        row_index.append(np.flatnonzero(which))
        column_index.append(level[which] + offset)
        values.append(value[which])

    # border first, then block by block; components that are not there drop out
    block_array = np.array(block, np.int64)
    order = np.argsort(np.where(block_array < 0, -1, block_array), kind="stable")
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    rows, columns = np.concatenate(row_index), place[np.concatenate(column_index)]
    matrix = sp.csr_matrix((np.concatenate(values), (rows, columns)), shape=(n, len(names)))
    matrix.sort_indices()
    component_array = np.array(component, np.int64)[order]
    present = sorted(set(component_array[component_array >= 0].tolist()))
    dense = {old: new for new, old in enumerate(present)}
    component_array = np.array([dense.get(c, -1) for c in component_array.tolist()], np.int64)
    blocks = block_array[order]
    _, packed = np.unique(blocks[blocks >= 0], return_inverse=True)
    blocks[blocks >= 0] = packed
    prior_array = np.array(prior, float).reshape(-1, 2)[order]
    roles = np.array([names[i][0] == "role" for i in order], bool)
    shared_sd = np.where(roles, ROLES_SD, 0.0)
    unknowns = Unknowns(component_array, blocks, prior_array[:, 0], prior_array[:, 1], len(present), shared_sd)
    # after the components: the factor on the stated spread of readings (nan: a factor, not an sd), then the event
    scale = np.array([SD_SCALE[RANDOM[c]] for c in present] + [np.nan, SD_SCALE["event"]])
    return [names[i] for i in order], matrix, unknowns, scale, layer_row, first


def _about_the_middle(value: Ints, group: Ints) -> Floats:
    """Values less the mean of their group, to the nearest whole number: a design of few distinct numbers is quick to work."""
    count = np.bincount(group).clip(1)
    return np.asarray(value - np.rint(np.bincount(group, value) / count)[group])


def _within_shop(
    level: Ints, shop: Ints, names: list[str], shops: list[str], named: NDArray[np.bool_]
) -> tuple[Ints, list[str]]:
    """Levels over all shops, but a missing id is one level of its own in each shop."""
    if not len(level) or named[level].all():
        return level, names
    code = np.where(named[level], level, len(names) + shop)
    return code, names + [f"{NOBODY}{s}" for s in shops]


def _prior(kind: str, level: str) -> tuple[float, float]:
    return PRIOR["conventional"] if (kind, level) == ("atomising", "conventional") else PRIOR[kind]
