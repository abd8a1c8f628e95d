"""The cups: mixed for the operations that need them, with leftovers, and what the scale shows of them.

What belongs here: how much was poured, of what, by whom, what left the cup and what came back, and the tables of pours,
leftovers, draws and weighed targets. What does not: why that much was needed (work.py).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from seed_data import business as biz
from seed_data.business import PRODUCTS, Business, Parameters, ShopTruth
from seed_data.plan import TARGET, Ids, Jobs, job_label, labels, minute
from seed_data.work import Ops


@dataclass
class Cups:
    """The cups of a shop-month and their links to operations."""

    product: np.ndarray
    colour: np.ndarray
    job: np.ndarray  # -1 = not for a job
    tech: np.ndarray
    parts: np.ndarray  # (C, K) true mass fractions
    ml_solids_per_g: np.ndarray
    gone: np.ndarray  # g that left the cup to guns
    poured: np.ndarray  # g, from_mix included
    leftover: np.ndarray  # g, before any of it was poured on
    first: np.ndarray  # minute of the first pour
    last: np.ndarray  # minute when the last operation ended
    link_op: np.ndarray
    link_cup: np.ndarray
    link_g: np.ndarray
    donor: np.ndarray  # index of the cup poured in, -1
    donated: np.ndarray  # g of it
    kept: np.ndarray
    recorded: np.ndarray  # False: nobody weighed this cup in
    between: np.ndarray  # minute of a weigh-back between two operations, -1
    between_g: np.ndarray


def mix_cups(
    p: Parameters,
    b: Business,
    s: int,
    shop: ShopTruth,
    jobs: Jobs,
    ops: Ops,
    start: np.ndarray,
    end: np.ndarray,
    rng: np.random.Generator,
) -> Cups:
    """Mix the cups that the operations need, with leftovers; some serve two operations, some nobody's."""
    n_ops = len(ops.job)
    o_start, o_end = start[ops.job, ops.slot], end[ops.job, ops.slot]
    mean_q = mean_concentration(b)
    need_ml = ops.sprayed / mean_q[ops.product]
    count = np.clip(np.ceil(need_ml / (0.9 * b.cup_ml[ops.gun])), 1, 4).astype(np.int64)
    # two operations from one cup: neighbours in time of one product and colour, within the pot life, both small
    second_of = np.full(n_ops, -1)
    colour_matters = np.array([bool(q.toners) for q in PRODUCTS])
    key = ops.product * 1000 + np.where(colour_matters[ops.product], jobs.colour[ops.job], 0)
    order = np.lexsort((np.arange(n_ops), o_start, key))
    a, c = order[:-1], order[1:]
    fits = (
        (key[a] == key[c])
        & (count[a] == 1)
        & (count[c] == 1)
        & (o_start[c] - o_start[a] < 240)
        & (ops.job[a] != ops.job[c])
        & (o_end[a] <= o_start[c])
        & (need_ml[a] + need_ml[c] < 1500)
    )
    chosen = np.flatnonzero(fits & (rng.random(len(fits)) < min(1.0, p.shared_cup * 3)))
    chosen = chosen[np.concatenate([[True], np.diff(chosen) > 1])] if len(chosen) else chosen
    if len(chosen) > 1:  # a run of neighbours: no operation may be in two pairs
        used = np.zeros(n_ops, bool)
        keep = []
        for i in chosen:
            if not used[a[i]] and not used[c[i]]:
                used[a[i]] = used[c[i]] = True
                keep.append(i)
        chosen = np.array(keep, dtype=np.int64)
    second_of[c[chosen]] = a[chosen]

    own = second_of < 0
    link_op = np.repeat(np.arange(n_ops)[own], count[own])
    n_own = len(link_op)
    first_cup = np.full(n_ops, -1)
    first_cup[link_op[::-1]] = np.arange(n_own)[::-1]
    follow = np.flatnonzero(~own)
    link_cup = np.concatenate([np.arange(n_own), first_cup[second_of[follow]]])
    link_op = np.concatenate([link_op, follow])
    portion = 1 / np.maximum(np.where(own, count, 1), 1)[link_op]
    wobble = np.exp(rng.normal(0, 0.08, len(link_op)))
    total = np.bincount(link_op, portion * wobble, n_ops)
    portion = portion * wobble / total[link_op]

    # flush: at each change of cup, paid by the operation after which the gun gets another cup
    order = np.lexsort((o_start, ops.gun))
    nxt = np.full(n_ops, -1)
    same_gun = ops.gun[order[:-1]] == ops.gun[order[1:]]
    nxt[order[:-1][same_gun]] = order[1:][same_gun]
    main_cup = first_cup.copy()
    main_cup[follow] = first_cup[second_of[follow]]
    pays = (nxt < 0) | (main_cup[nxt] != main_cup)
    ops.flush = np.where(pays, b.flush_g[ops.gun] * np.exp(rng.normal(0, 0.15, n_ops)), 0.0)

    # cups nobody sprayed a job from: parts, test cards, trials
    n_loose = rng.poisson(p.cup_without_job * n_own)
    roles = np.array([shop.product[r] for r in ("base", "clear", "surfacer", "sealer")])
    n_cups = n_own + n_loose
    cup_op = link_op[:n_own]
    product = np.concatenate([ops.product[cup_op], roles[rng.integers(0, 4, n_loose)]])
    colour = np.concatenate([jobs.colour[ops.job[cup_op]], rng.integers(0, p.colours, n_loose)])
    colour = np.where(colour_matters[product], colour, -1)
    job = np.concatenate([ops.job[cup_op], np.full(n_loose, -1)])
    mixer = np.concatenate([ops.tech[cup_op], shop.painters[rng.integers(0, len(shop.painters), n_loose)]])
    lo, hi = (o_start.min(), o_start.max()) if n_ops else (0, 1)
    loose_at = lo + np.floor(rng.random(n_loose) * max(hi - lo, 1)).astype(np.int64)
    loose_at = loose_at - loose_at % 1440 + 540 + loose_at % 300
    first = np.concatenate([o_start[cup_op] - rng.integers(6, 30, n_own), loose_at])
    last = np.zeros(n_cups, np.int64)
    np.maximum.at(last, link_cup, o_end[link_op])
    last[n_own:] = loose_at + 30

    parts = b.product_mix[product].copy()
    for (shop_index, prod), mix in b.toner_mix.items():
        if shop_index == s:
            here = product == prod
            parts[here] += mix[colour[here]]
    parts *= np.exp(rng.normal(0, 0.012, parts.shape))
    parts /= parts.sum(axis=1, keepdims=True)
    per_g = b.solids_volume / b.density  # mL of solids per g of component
    conc = (parts * per_g).sum(axis=1) * np.exp(rng.normal(0, p.solids_sd, n_cups))
    density = 1 / (parts / b.density).sum(axis=1)

    def gone_of(conc_now: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        link = ops.sprayed[link_op] * portion / conc_now[link_cup] + ops.flush[link_op] * portion
        gone = np.bincount(link_cup, link, n_cups)
        gone[n_own:] = loose_gone
        return link, gone

    loose_gone = rng.uniform(20, 250, n_loose)
    link_g, gone = gone_of(conc)
    lam = np.clip(
        rng.gamma((p.leftover_mean / p.leftover_sd) ** 2, p.leftover_sd**2 / p.leftover_mean, n_cups), 0.002, 0.6
    )
    smallest = np.array([q.min_mix_ml for q in PRODUCTS])[product] * density
    poured = np.maximum(gone / (1 - lam), smallest * np.exp(rng.normal(0.0, 0.02, n_cups)))
    poured = np.maximum(poured, gone * 1.002)
    leftover = poured - gone

    # kept leftovers of one-pack products, and the next cup of that product and colour that takes one in
    one_pack = np.array([q.pot_life is None and q.role in ("base", "mid_coat") for q in PRODUCTS])
    kept = one_pack[product] & (rng.random(n_cups) < p.kept * 2) & (leftover > 25) & (job >= 0)
    donor, donated = np.full(n_cups, -1), np.zeros(n_cups)
    key = product * 1000 + np.maximum(colour, 0)
    order = np.lexsort((np.arange(n_cups), first, key))
    a, c = order[:-1], order[1:]
    takes = (
        (key[a] == key[c])
        & kept[a]
        & ~kept[c]
        & (first[c] > last[a] + 60)
        & (job[c] >= 0)
        & (gone[c] > 60)
        & (rng.random(len(a)) < p.poured_on)
    )
    donor[c[takes]] = a[takes]
    receives = donor >= 0
    for _ in range(8):  # the mixture decides how much is needed, and that decides the mixture
        donated[receives] = np.minimum(0.9 * leftover[donor[receives]], 0.5 * poured[receives])
        share = np.where(receives, donated / poured, 0.0)
        mixed = (1 - share) * conc + share * conc[np.where(receives, donor, 0)]
        link_g, gone = gone_of(np.where(receives, mixed, conc))
        poured = np.where(receives, gone / (1 - lam), poured)
    leftover = poured - gone
    conc = np.where(receives, mixed, conc)

    recorded = rng.random(n_cups) >= p.operation_without_cup
    recorded |= np.isin(np.arange(n_cups), np.concatenate([donor[receives], link_cup[n_own:]]))
    recorded[receives] = True
    between, between_g = np.full(n_cups, -1), np.zeros(n_cups)
    for i in np.flatnonzero(~own):  # few: pairs alone
        cup = first_cup[second_of[i]]
        if rng.random() < 0.35 and o_start[i] - o_end[second_of[i]] > 3:
            between[cup] = o_end[second_of[i]] + 1
            between_g[cup] = poured[cup] - link_g[np.flatnonzero((link_cup == cup) & (link_op == second_of[i]))[0]]
    ops.rts_g = np.bincount(link_op, link_g, n_ops) - ops.flush
    ops.recorded = np.bincount(link_op, recorded[link_cup], n_ops) == np.bincount(link_op, minlength=n_ops)
    return Cups(
        product,
        colour,
        job,
        mixer,
        parts,
        conc,
        gone,
        poured,
        leftover,
        first,
        last,
        link_op,
        link_cup,
        link_g,
        donor,
        donated,
        kept,
        recorded,
        between,
        between_g,
    )


def mean_concentration(b: Business) -> np.ndarray:
    """Solids volume fraction of each product before toners."""
    m = b.product_mix / b.product_mix.sum(axis=1, keepdims=True)
    return np.asarray((m / b.density * b.solids_volume).sum(axis=1) / (m / b.density).sum(axis=1))


def cup_tables(
    p: Parameters, b: Business, shop: ShopTruth, ids: Ids, jobs: Jobs, ops: Ops, cups: Cups, rng: np.random.Generator
) -> dict[str, pl.DataFrame]:
    """pours, leftovers, draws and truth_cups."""
    n_cups = len(cups.product)
    own_g = cups.poured - cups.donated
    # a job either states its draws or leaves them to the job number on the cups; what serves two jobs is always stated
    states = rng.random(len(jobs.kind)) < p.explicit_draws
    shared = np.bincount(cups.link_cup, minlength=n_cups) > 1
    states[ops.job[cups.link_op[shared[cups.link_cup]]]] = True
    on_cup = (cups.job >= 0) & (~states[np.maximum(cups.job, 0)] | (rng.random(n_cups) < 0.4)) & ~shared

    cup, comp = np.nonzero(cups.parts > 0)
    grams = own_g[cup] * cups.parts[cup, comp]
    seq = np.arange(len(cup)) - np.searchsorted(cup, cup)
    odd = rng.random(len(cup))
    twice = (odd < p.odd_pours) & (grams > 4)  # topped up, or a little taken out again
    taken_out = twice & (odd < p.odd_pours * 0.25)
    rep = 1 + twice
    row = np.repeat(np.arange(len(cup)), rep)
    second = np.concatenate([[False], row[1:] == row[:-1]]) if len(row) else np.zeros(0, bool)
    piece = np.where(taken_out[row], 1.06, 0.85)
    part = np.where(second, 1 - piece, piece)
    value = np.where(twice[row], grams[row] * part, grams[row])
    weighed = np.round(value + rng.normal(0, 0.05, len(value)), 1)
    weighed = np.where(second | (weighed > 0.05), weighed, 0.1)
    # one shop measures its reducers in a graduated jug: whole millilitres, turned into grams
    reducer = np.array([k == "reducer" for k in b.component_kinds])
    by_volume = reducer[comp[row]] & (shop.style == 1) & ~twice[row]
    density = b.density[comp[row]]
    ml = np.maximum(np.round(value * np.exp(rng.normal(0, 0.015, len(value))) / density), 1)
    weighed = np.where(by_volume, ml * density, weighed)
    cup_r = cup[row]
    target = np.where(rng.random(n_cups)[cup_r] < 0.7, np.round(np.where(second, np.nan, grams[row]), 1), np.nan)
    # a kept leftover goes in first
    receives = np.flatnonzero(cups.donor >= 0)
    all_cup = np.concatenate([receives, cup_r])
    rank = np.concatenate([np.full(len(receives), -1), seq[row]])
    is_second = np.concatenate([np.zeros(len(receives), bool), second])
    order = np.lexsort((is_second, rank, all_cup))
    from_mix = np.concatenate([cups.donor[receives], np.full(len(cup_r), -1)])[order]
    comp_all = np.concatenate([np.full(len(receives), -1), comp[row]])[order]
    weighed = np.concatenate([np.round(cups.donated[receives], 1), weighed])[order]
    by_volume = np.concatenate([np.zeros(len(receives), bool), by_volume])[order]
    target = np.concatenate([np.full(len(receives), np.nan), target])[order]
    all_cup = all_cup[order]
    keep = cups.recorded[all_cup]
    from_mix, comp_all, weighed, target, all_cup, by_volume = (
        x[keep] for x in (from_mix, comp_all, weighed, target, all_cup, by_volume)
    )
    no = np.arange(len(all_cup)) - np.searchsorted(all_cup, all_cup) + 1
    scale = rng.integers(0, len(shop.scales), n_cups)
    ready = np.array([len(q.mix) == 1 for q in PRODUCTS])[cups.product]
    pours = pl.DataFrame(
        {
            "shop_id": ids.shop(len(all_cup)),
            "mix_id": ids.mix(all_cup),
            "pour_no": no,
            "poured_at": minute(cups.first[all_cup] + np.minimum((no - 1) // 3, 4)),
            "product_id": labels([q.product_id for q in PRODUCTS], cups.product[all_cup]),
            "component_id": labels(b.component_ids, comp_all),
            "from_mix_id": pl.select(
                pl.when(pl.Series(from_mix) >= 0).then(ids.mix(np.maximum(from_mix, 0))).otherwise(None)
            ).to_series(),
            "weighed_g": weighed,
            "target_g": pl.Series(target).fill_nan(None),
            "technician_id": labels(b.technician_ids, cups.tech[all_cup]),
            "scale_id": labels(shop.scales, scale[all_cup]),
            "colour_id": labels(shop.colours, cups.colour[all_cup]),
            "measured_by": labels(["scale", "ready", "volume"], np.where(by_volume, 2, ready[all_cup])),
            "job_id": job_label(ids, np.where(on_cup, cups.job, -1)[all_cup]),
        }
    )

    # weigh-backs: small leftovers are weighed a little less often, one technician never does
    prob = b.weigh_prob[cups.tech]
    prob = np.where(cups.leftover < 12, prob * (1 - 0.25 * (1 - prob)), prob)
    weighs = ((rng.random(n_cups) < prob) | cups.kept) & cups.recorded
    weighs |= np.isin(np.arange(n_cups), cups.donor[receives])
    weighs |= cups.between >= 0
    donors = np.zeros(n_cups, bool)
    donors[cups.donor[receives]] = True
    at_end = np.flatnonzero(weighs)
    mid = np.flatnonzero(cups.between >= 0)
    later = np.flatnonzero(cups.kept & weighs & ~donors & (rng.random(n_cups) < 0.7))
    lo_cup = np.concatenate([mid, at_end, later])
    lo_no = np.concatenate(
        [np.ones(len(mid), np.int64), 1 + (cups.between[at_end] >= 0), 2 + (cups.between[later] >= 0)]
    )
    last_day = cups.last[later] + 1440 * rng.integers(3, 45, len(later))
    lo_at = np.concatenate([cups.between[mid], cups.last[at_end] + rng.integers(4, 30, len(at_end)), last_day])
    dried = cups.leftover[later] * rng.uniform(0.97, 1.0, len(later))
    lo_g = np.concatenate([cups.between_g[mid], cups.leftover[at_end], dried])
    lo_g = np.round(np.maximum(lo_g + rng.normal(0, 0.05, len(lo_g)), 0), 1)
    fate_kept = np.concatenate([np.ones(len(mid), bool), cups.kept[at_end], np.zeros(len(later), bool)])
    # the scale's own noise must not let a cup grow between two weighings
    order = np.lexsort((lo_no, lo_cup))
    lo_cup, lo_no, lo_at, lo_g, fate_kept = (x[order] for x in (lo_cup, lo_no, lo_at, lo_g, fate_kept))
    for _ in range(2):
        again = np.concatenate([[False], lo_cup[1:] == lo_cup[:-1]]) if len(lo_cup) else np.zeros(0, bool)
        lo_g[again] = np.minimum(lo_g[again], lo_g[np.flatnonzero(again) - 1])
    # the records end with their last month: what is still kept then has not been weighed again yet
    end = (biz.add_months(p.start, p.months) - dt.date(1970, 1, 1)).days * 1440
    lo_cup, lo_no, lo_at, lo_g, fate_kept = (x[lo_at < end] for x in (lo_cup, lo_no, lo_at, lo_g, fate_kept))
    leftovers = pl.DataFrame(
        {
            "shop_id": ids.shop(len(lo_cup)),
            "mix_id": ids.mix(lo_cup),
            "weigh_no": lo_no,
            "weighed_at": minute(lo_at),
            "leftover_g": lo_g,
            "fate": labels(["discarded", "kept"], fate_kept.astype(np.int64)),
        }
    )

    # draws
    rec = cups.recorded[cups.link_cup] & states[ops.job[cups.link_op]]
    d_op, d_cup = cups.link_op[rec], cups.link_cup[rec]
    link_g = cups.link_g[rec]
    gone = cups.gone[d_cup]
    several = shared[d_cup]
    says = rng.random(n_cups)[d_cup] < 0.5
    share = np.clip(np.floor(link_g / np.maximum(gone, 1e-9) * 100) / 100, 0.01, 1.0)
    share = np.where(several & says & (cups.between[d_cup] < 0), share, np.nan)
    order = np.lexsort((d_cup, jobs.op_no[ops.job[d_op], ops.slot[d_op]], ops.job[d_op]))
    draws = pl.DataFrame(
        {
            "shop_id": ids.shop(len(d_op)),
            "job_id": ids.job(ops.job[d_op]),
            "operation_no": jobs.op_no[ops.job[d_op], ops.slot[d_op]],
            "mix_id": ids.mix(d_cup),
            "share": pl.Series(share).fill_nan(None),
        }
    )[order]
    truth = pl.DataFrame(
        {
            "shop_id": ids.shop(n_cups),
            "mix_id": ids.mix(np.arange(n_cups)),
            "product_id": labels([q.product_id for q in PRODUCTS], cups.product),
            "poured_g": cups.poured,
            "gone_g": cups.gone,
            "leftover_g": cups.leftover,
            "donated_g": np.bincount(np.maximum(cups.donor, 0), cups.donated, n_cups),
            "ml_solids_per_g": cups.ml_solids_per_g,
            "recorded": cups.recorded,
            "weighed_back": weighs,
            "operations": np.bincount(cups.link_cup, minlength=n_cups),
        }
    )
    return {"pours": pours, "leftovers": leftovers, "draws": draws, "truth_cups": truth}


def target_weighings(b: Business, ids: Ids, jobs: Jobs, cups: Cups, ops: Ops) -> pl.DataFrame:
    """Foil targets weighed before and after: what landed, in grams of dry film."""
    o = np.flatnonzero(jobs.kind[ops.job] == TARGET)
    dry = np.zeros(len(ops.job))
    mass = (cups.parts * b.solids_mass).sum(axis=1)
    volume = (cups.parts * b.solids_volume / b.density).sum(axis=1)
    dry[cups.link_op] = (mass / volume)[cups.link_cup]
    landed_g = np.round(ops.landed[o] * dry[o], 2)
    # two foils share the spray
    first = np.round(landed_g * 0.55, 2)
    gain = np.stack([first, landed_g - first], axis=1).ravel()
    before = np.round(np.tile([212.4, 208.7], len(o)), 2)
    oo = np.repeat(o, 2)
    return pl.DataFrame(
        {
            "shop_id": ids.shop(len(oo)),
            "job_id": ids.job(ops.job[oo]),
            "operation_no": jobs.op_no[ops.job[oo], ops.slot[oo]],
            "target_id": pl.Series(["foil_1", "foil_2"] * len(o), dtype=pl.String),
            "before_g": before,
            "after_g": np.round(before + gain, 2),
            "whole": pl.Series([True] * len(oo), dtype=pl.Boolean),
        }
    )
