"""A trial of one gun against another: how many jobs it takes, in which order, when it ends, and where a running one stands.

    job        Var log(landed / sprayed) of like jobs = event^2 + what one job's own record leaves open (sigma^2, harmonic mean)
    trial      n jobs with each gun, alternating within painter and panel size: Var(log ratio) = 2 sigma^2 / n
    looks      after equal parts of n; |z| against a boundary that spends 5 % over all looks (solver/sequential.py)
    jobs       n = 2 sigma^2 (theta / log(1 + difference))^2, theta the drift that the boundaries show in 80 of 100 trials

What is asked is the difference in the hands that take part; for other hands the pairs' own spread comes on top. Spreads are the
shop's, from its fitted model; where there is none they are general ones, and said to be. Here belong plan, order and standing, from
tables of a finished set alone, and what is said of them where the command is given. The arithmetic of looks stands in
solver/sequential.py, the sheet in reports/handouts/trial_sheet.py.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import polars as pl
from scipy.special import ndtri
from scipy.stats import t as student

from pipelines.transfer.solver import sequential
from schemas.area_classes import AREA_CLASSES
from schemas.published import Z95
from schemas.registers import ROLES

#: what stands beside the results so that trials can be planned and answered: table -> columns
NEEDS = {
    "transfer_model": ("term", "level", "value", "low", "high", "note"),
    "record_layers": ("shop_id", "job_id", "record_no", "position", "op_job_id", "operation_no", "gun_id", "technician_id", "role",
                      "started_at", "area_class", "leftover_known"),
    "records": ("shop_id", "job_id", "record_no", "n_layers", "landed_solids_ml", "ratio", "read_var_ml2", "area_rel_var",
                "sprayed_rel_u", "usable", "leftover_known"),
}  # fmt: skip
TABLES = (*NEEDS, "guns", "technicians", "shops", "gun_fit", "compliance_guns", "changes")
ALPHA, POWER = 0.05, 0.80
LOOKS, MOST_LOOKS = 4, 5
DIFFERENCE = 0.08
SMALLEST, LARGEST = 0.01, 0.5  # differences that a trial is planned for
FEW = 8  # records of a kind from which their own spread counts
FEWEST_A_LOOK = 3  # jobs with each gun: fewer say nothing of a spread
MOST_JOBS = 2000
SPARE = 1.25  # places on the sheet to those that are needed: jobs come as they come
CAN_SHOW = (6, 10, 16, 24, 40, 60)
PASSES = 6
ANYBODY = ""  # stands for the painter where nobody is named


class TrialError(ValueError):
    """A trial cannot be planned or answered; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of log TE. event: between like jobs, with its 95 % interval; record: what one job's own record leaves
    open; pair: of a gun in one hand beside its mean; between: of hands and sizes. n: records behind `record`; df: degrees of freedom
    of `event`. own: from this business's model, else general values. whose: in words."""

    event: float
    event_low: float
    event_high: float
    record: float
    pair: float
    between: float
    n: int
    df: float
    own: bool
    whose: str

    @property
    def job(self) -> float:
        """Of one job with a record."""
        return math.hypot(self.event, self.record)


#: where a shop has no model yet: assumed, from memory of such records; no published source
GENERAL = Spread(0.10, 0.06, 0.17, 0.08, 0.03, 0.10, 0, 0.0, False, "general values, assumed and not this shop's")


@dataclass(frozen=True, slots=True)
class Plan:
    """jobs: with EACH gun; at: jobs with each at the looks; bounds: |z| at which to stop there; power: the chance that a true
    `difference` (TE of one over the other, less 1) is shown; power_low, power_high: at the ends of what the event may be; expected,
    expected_none: jobs with each until it ends, with that difference and with none; can_show: (jobs, difference shown in 80 of 100);
    any_hand: the smallest difference between the guns in any hand that these painters can show, however many jobs. who: empty where
    nobody is named."""

    shop_id: str
    gun_a: str
    gun_b: str
    role: str
    who: tuple[str, ...]
    difference: float
    jobs: int
    at: tuple[int, ...]
    bounds: tuple[float, ...]
    power: float
    power_low: float
    power_high: float
    expected: float
    expected_none: float
    can_show: tuple[tuple[int, float], ...]
    any_hand: float
    spread: Spread
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Look:
    """One look: jobs with each gun, the ratio of what lands (second gun over first) with the interval that holds at every look
    at once (repeated confidence interval), z, boundary, and whether it ends the trial."""

    number: int
    jobs: int
    ratio: float
    low: float
    high: float
    z: float
    boundary: float
    ends: bool


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a running trial stands: looks made so far, jobs with each gun that count, and the word: `go on`, `first gun`, `second
    gun` (lands more), `not shown`. next_at: jobs with each gun at the next look."""

    looks: tuple[Look, ...]
    n_a: int
    n_b: int
    word: str
    next_at: int | None
    said: str


# --- what is asked ----------------------------------------------------------------------------------------------------


def share_of(text: str) -> float:
    """A difference as it is typed: 8%, 8 % or 0.08. Raises TrialError."""
    bare = text.strip().removesuffix("%").strip().replace(",", ".")
    try:
        value = float(bare) / (100 if "%" in text else 1)
    except ValueError:
        value = math.nan
    if not SMALLEST <= value <= LARGEST:
        raise TrialError(
            f"--difference {text!r}: give the difference that would matter, from {100 * SMALLEST:.0f}% to {100 * LARGEST:.0f}%,"
            " such as 8% or 0.08."
        )
    return value


def _pick(name: str, known: Iterable[str], what: str, to_do: str) -> str:
    pool = sorted(set(known))
    if name in pool:
        return name
    close = difflib.get_close_matches(name, pool, n=1)
    there = f" There are: {', '.join(pool[:20])}{' and more' if len(pool) > 20 else ''}." if pool else ""
    raise TrialError(f"No {what} {name!r}{f' (did you mean {close[0]}?)' if close else ''}. {to_do}{there}")


def _guns(tables: Mapping[str, pl.DataFrame], guns: list[str], role: str, shop: str | None) -> tuple[str, list[str]]:
    """The shop of a trial and what to heed of its guns. Raises TrialError where one may not or cannot be compared."""
    if len(guns) != 2:
        raise TrialError(f"A trial compares two guns: give --gun twice, not {len(guns)} times.")
    if guns[0] == guns[1]:
        raise TrialError(f"Both guns are {guns[0]}: a trial compares two different ones.")
    # the last row of a gun holds
    known = {r["gun_id"]: r for r in tables["guns"].sort("gun_id", "valid_from").iter_rows(named=True)}
    to_do = "Write one line a gun into registers/guns.csv, a borrowed or new one too, and run again."
    for gun in guns:
        _pick(gun, known, "gun", to_do)
        if known[gun]["retired_on"]:
            raise TrialError(f"The gun {gun} is retired since {known[gun]['retired_on']} (registers/guns.csv).")
    shop = shop or str(known[guns[0]]["shop_id"])
    notes = []
    fit, allowed = tables["gun_fit"], tables["compliance_guns"]
    for gun in guns:
        if known[gun]["shop_id"] != shop:
            notes.append(
                f"{gun} belongs to {known[gun]['shop_id']}: write down in the job log who has it on which day."
            )
        status = allowed.filter((pl.col("shop_id") == shop) & (pl.col("gun_id") == gun))["qualifies"].to_list()
        mine = fit.filter((pl.col("shop_id") == shop) & (pl.col("gun_id") == gun) & (pl.col("role") == role))
        forbidden = mine.filter(~pl.col("atomising_allowed"))  # what nobody knows is no prohibition
        if "no" in status or (mine.height and forbidden.height == mine.height):
            raise TrialError(
                f"The rule of the place does not allow {gun} ({known[gun]['atomising'].replace('_', ' ')}) in {shop}: no trial is"
                " planned with it. Ask the authority for an approval first, or take another gun."
            )
        if "review" in status:
            notes.append(
                f"Whether the place's rule allows {gun} is for review: have that settled before the first job."
            )
        wrong = mine.filter(pl.col("verdict") == "misfit")
        tips = wrong.filter(~pl.col("tip_fits"))
        if mine.height and tips.height == mine.height:
            raise TrialError(
                f"The tip of {gun} fits no {role.replace('_', ' ')} of {shop} by the data sheets: fit another tip, enter it in"
                " registers/guns.csv and run again."
            )
        if tips.height:
            left = ", ".join(tips["product_id"].unique().sort())
            notes.append(f"By the data sheet the tip of {gun} does not fit {left}: leave those jobs out of the trial.")
        if wrong.height > tips.height:
            notes.append(f"{gun} was used above the data sheet's highest pressure: set it lower before the first job.")
    return shop, notes


# --- what is known ----------------------------------------------------------------------------------------------------


def jobs_of(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Every spray operation of the records: shop_id, op_job_id, operation_no, role, gun_id, technician_id, area_class, started_at;
    ratio (landed over sprayed) and var (what its own record leaves open, relative variance) where it has a usable record of its own
    with a weighed leftover, else null."""
    factor = tables["transfer_model"].filter((pl.col("term") == "spread") & (pl.col("level") == "readings"))["value"]
    scale = float(factor[0]) ** 2 if factor.len() else 1.0
    own = tables["records"].filter(
        (pl.col("n_layers") == 1) & pl.col("usable") & pl.col("leftover_known") & (pl.col("ratio") > 0)
    )
    read = pl.col("read_var_ml2").fill_null(0.0) / pl.col("landed_solids_ml") ** 2
    own = own.select(
        "shop_id", "job_id", "record_no", "ratio",
        var=scale * read + pl.col("area_rel_var").fill_null(0.0) + pl.col("sprayed_rel_u").fill_null(0.0) ** 2,
    )  # fmt: skip
    operation = ["shop_id", "op_job_id", "operation_no"]
    return (
        tables["record_layers"]
        .select("shop_id", "job_id", "record_no", "op_job_id", "operation_no", "role", "gun_id", "technician_id", "area_class", "started_at")
        .join(own, on=["shop_id", "job_id", "record_no"], how="left")
        .sort(*operation, "var", "record_no", nulls_last=True)
        .unique(operation, keep="first", maintain_order=True)
        .drop("job_id", "record_no")
    )  # fmt: skip


def spread_of(tables: Mapping[str, pl.DataFrame], jobs: pl.DataFrame, role: str, shop: str) -> Spread:
    """The spreads that a trial of this role in this shop rests on."""
    model = {r["level"]: r for r in tables["transfer_model"].filter(pl.col("term") == "spread").iter_rows(named=True)}
    event, known = model.get("event"), jobs.drop_nulls("ratio")
    if event is None or known.height < FEW:
        return GENERAL
    of_role = known.filter(pl.col("role") == role)
    sources = (
        (of_role.filter(pl.col("shop_id") == shop), f"this shop's own {role.replace('_', ' ')}"),
        (of_role, f"{role.replace('_', ' ')} of all shops"),
        (known, "all roles of all shops: this role has too few records of its own"),
    )
    frame, whose = next((one for one in sources if one[0].height >= FEW), sources[-1])
    variance = event["value"] ** 2 + frame["var"].to_numpy()
    job = 1 / float(np.mean(1 / variance))  # what weights 1/variance make of n jobs
    low, high = event["low"], event["high"]
    rel = math.log(high / low) / (2 * Z95) if low and high and high > low else 1.0
    between = math.hypot(model.get("technician", {"value": 0.1})["value"], 0.05)
    pair = model.get("pair", {"value": GENERAL.pair})["value"]
    return Spread(
        event["value"], low or event["value"], high or event["value"], math.sqrt(max(job - event["value"] ** 2, 0.0)), pair, between,
        frame.height, 1 / (2 * rel**2), True, whose,
    )  # fmt: skip


# --- the plan ---------------------------------------------------------------------------------------------------------


def looks_at(jobs: int, looks: int) -> tuple[int, ...]:
    """Jobs with each gun at the looks: equal parts, rounded up; fewer looks where a part would hold fewer than three."""
    looks = max(1, min(looks, jobs // FEWEST_A_LOOK))
    return tuple(math.ceil(jobs * k / looks) for k in range(1, looks + 1))


@cache
def rule(at: tuple[int, ...]) -> tuple[tuple[float, ...], tuple[float, ...], float]:
    """Of looks at these numbers of jobs: fractions, boundaries, and the drift that they show in 80 of 100 trials."""
    fractions = tuple(n / at[-1] for n in at)
    bounds = tuple(sequential.boundaries(fractions, ALPHA).tolist())
    return fractions, bounds, sequential.drift_for(fractions, bounds, POWER)


def jobs_for(difference: float, job_sd: float, looks: int) -> int:
    """Jobs with each gun that show a true difference in 80 of 100 trials; a multiple of the looks. Raises TrialError beyond 2,000."""
    theta = rule(tuple(range(1, looks + 1)))[2]
    n = 2 * job_sd**2 * (theta / math.log1p(difference)) ** 2
    if n > MOST_JOBS:
        raise TrialError(
            f"A difference of {100 * difference:g} % would take {n:,.0f} jobs with each gun here: plan for a larger one, or read film at"
            " more places and marked ones, so that a job says more."
        )
    return max(looks * math.ceil(n / looks), looks * FEWEST_A_LOOK)


def drift(difference: float, jobs: int, job_sd: float) -> float:
    """Mean of z at the last look where the true ratio is 1 + difference."""
    return math.log1p(difference) * math.sqrt(jobs / (2 * job_sd**2))


def plan(
    tables: Mapping[str, pl.DataFrame],
    guns: list[str],
    role: str,
    who: list[str] | None = None,
    shop: str | None = None,
    difference: float | None = None,
    looks: int | None = None,
    jobs: int | None = None,
    runs: bool = False,
) -> Plan:
    """Plan a trial from the tables TABLES. difference, looks: None: DIFFERENCE, LOOKS; jobs: with each gun, where they are set and
    the question is what they can show. runs: it has begun, so that nothing is asked of its guns any more (shop is given then).

    Raises TrialError where guns, role, people or numbers do not allow one."""
    difference, looks = difference or DIFFERENCE, LOOKS if looks is None else looks
    _pick(role, ROLES, "role", "")
    if not 1 <= looks <= MOST_LOOKS:
        raise TrialError(f"--looks {looks}: from 1 (at the end alone) to {MOST_LOOKS}.")
    if jobs is not None and not FEWEST_A_LOOK <= jobs <= MOST_JOBS:
        raise TrialError(f"--jobs {jobs}: jobs with each gun, from {FEWEST_A_LOOK} to {MOST_JOBS}.")
    if shop is not None:
        _pick(shop, tables["shops"]["shop_id"], "shop", "")
    notes: list[str] = []
    if not runs or shop is None:
        shop, notes = _guns(tables, guns, role, shop)
    done = jobs_of(tables)
    mine = done.filter((pl.col("shop_id") == shop) & (pl.col("role") == role))
    people = tables["technicians"].filter((pl.col("shop_id") == shop) & pl.col("left_on").is_null())["technician_id"]
    hands = set(people) | set(mine["technician_id"].drop_nulls())
    for one in who or []:
        _pick(one, hands, "technician", f"Whoever takes part works in {shop} by registers/technicians.csv.")
    chosen = tuple(dict.fromkeys(who)) if who else tuple(sorted(set(mine["technician_id"].drop_nulls()) & set(people))) or tuple(
        sorted(hands)
    )  # fmt: skip
    if not chosen:
        notes.append("Nobody is named here: the order alternates within sizes of the work alone, whoever sprays.")
    spread = spread_of(tables, done, role, shop)
    if not spread.own:
        notes.append(
            "There are not enough records yet to know this shop's own spread: the numbers rest on general values that are assumed."
            " Plan again after the first ten jobs with film read before and after and the leftover weighed."
        )
    n = jobs or jobs_for(difference, spread.job, looks)
    at = looks_at(n, looks)
    fractions, bounds, _ = rule(at)
    theta = drift(difference, n, spread.job)
    sds = (math.hypot(event, spread.record) for event in (spread.event_high, spread.event_low))
    ends = [sequential.power(fractions, bounds, drift(difference, n, sd)) for sd in sds]
    if len(at) < looks:
        notes.append(f"{n} jobs with each gun allow {len(at)} look{'s' if len(at) > 1 else ''} only.")
    return Plan(
        shop, guns[0], guns[1], role, chosen, difference, n, at, bounds,
        sequential.power(fractions, bounds, theta), ends[0], ends[1],
        n * sequential.expected_fraction(fractions, bounds, theta), n * sequential.expected_fraction(fractions, bounds, 0.0),
        can_show(spread.job, looks), math.expm1((Z95 + float(ndtri(POWER))) * spread.pair * math.sqrt(2 / max(len(chosen), 1))), spread, tuple(notes),
    )  # fmt: skip


def can_show(job_sd: float, looks: int) -> tuple[tuple[int, float], ...]:
    """(jobs with each gun, the true difference that they show in 80 of 100 trials)."""
    return tuple((n, math.expm1(rule(looks_at(n, looks))[2] * job_sd * math.sqrt(2 / n))) for n in CAN_SHOW)


def said(plan: Plan, seed: int) -> list[str]:
    """The plan in words, a line each."""
    percent, s = f"{100 * plan.difference:g} %", plan.spread
    times = ", ".join(map(str, plan.at))
    return [
        f"{plan.gun_a} against {plan.gun_b}, {plan.role.replace('_', ' ')}, in {plan.shop_id}: {plan.jobs} jobs with each gun.",
        f"If one truly lands {percent} more, {100 * plan.power:.0f} of 100 such trials show it ({100 * plan.power_low:.0f} to"
        f" {100 * plan.power_high:.0f}, as far as the spread between jobs is known). If they land alike, at most 5 of 100 call a"
        " difference.",
        f"Looks after {times} jobs with each; it ends early where |z| reaches {', '.join(f'{b:.2f}' for b in plan.bounds)}: on average after"
        f" {plan.expected:.0f} with that difference, {plan.expected_none:.0f} with none. Between looks nothing is judged.",
        "What other numbers of jobs with each show, in 80 of 100 trials: "
        + ", ".join(f"{n}: {100 * d:.0f} %" for n, d in plan.can_show) + ".",
        f"It rests on the spread of one job, {100 * s.job:.0f} % ({100 * s.event:.0f} % between like jobs, {100 * s.record:.0f} % left open by"
        f" a job's own record): {s.whose}{f', {s.n} records' if s.own else ''}.",
        f"The answer holds for these hands ({', '.join(plan.who) or 'nobody is named'}). In any other hand it may be"
        f" {100 * s.pair:.0f} % more or less; a difference below {100 * plan.any_hand:.0f} % cannot be shown for everybody with"
        f" {max(len(plan.who), 1)} of them.",
        f"Order drawn with the seed {seed}, in blocks within painter and size of the work (--sheet FILE writes it to be printed).",
        "Record of each job: the gun in the job log, the leftover weighed back, film before and after at marked places, tip, pressure and"
        " coats. A gun that gives film outside the data sheet's window, spits or leaks is put aside at once: safety ends a trial without"
        " a rule.",
        *plan.notes,
    ]  # fmt: skip


def reckoned(plan: Plan) -> str:
    """What is said beside a standing whose number of jobs nobody wrote down."""
    return (
        f"Looked at after {', '.join(map(str, plan.at))} jobs with each gun, as a trial planned today would be: the rule holds for the numbers"
        " that were planned, and where the sheet says others they go into registers/changes.csv (jobs, looks)."
    )


# --- the order --------------------------------------------------------------------------------------------------------


def seed_of(plan: Plan) -> int:
    """The seed where none is given: of shop, guns and role, so that the same question gives the same sheet."""
    return zlib.crc32("|".join((plan.shop_id, plan.gun_a, plan.gun_b, plan.role)).encode())


def schedule(plan: Plan, jobs: pl.DataFrame, seed: int) -> pl.DataFrame:
    """Which gun takes which job: technician_id, area_class, place (1, 2 ... in the order in which jobs of that painter and size come
    in), gun_id. Random within blocks of two or four places, so that both guns meet the same hands, sizes and weeks and nobody can
    tell the next one for sure; the same seed gives the same order. Places follow the painters' and sizes' shares so far, a quarter more
    than needed."""
    so_far = _of_trial(plan, jobs).group_by("technician_id", "area_class", maintain_order=True).len()
    counted = {(t, a): n for t, a, n in so_far.iter_rows()}
    hands = plan.who or (ANYBODY,)
    sizes = [a for a in AREA_CLASSES if any((t, a) in counted for t in hands)] or ["any"]
    weight = {(t, a): counted.get((t, a), 0) + 0.5 for t in hands for a in sizes}
    total = sum(weight.values())
    rng = np.random.default_rng(seed)
    rows: list[tuple[str, str, int, str]] = []
    for (hand, size), share in weight.items():
        places = 2 * math.ceil(SPARE * plan.jobs * share / total)
        order: list[str] = []
        while len(order) < places:
            half = int(rng.integers(1, 3)) if places - len(order) > 2 else 1
            block = [plan.gun_a, plan.gun_b] * half
            order += [block[i] for i in rng.permutation(len(block))]
        rows += [(hand, size, n, gun) for n, gun in enumerate(order, 1)]
    schema = {"technician_id": pl.String, "area_class": pl.String, "place": pl.Int64, "gun_id": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _of_trial(plan: Plan, jobs: pl.DataFrame) -> pl.DataFrame:
    """Jobs of its shop, role and people."""
    mine = jobs.filter((pl.col("shop_id") == plan.shop_id) & (pl.col("role") == plan.role))
    if plan.who:
        return mine.filter(pl.col("technician_id").is_in(plan.who))
    return mine.with_columns(technician_id=pl.lit(ANYBODY))


# --- where it stands --------------------------------------------------------------------------------------------------


def contrast(rows: pl.DataFrame, gun_b: str, spread: Spread) -> tuple[float, float, float]:
    """(log ratio of the second gun over the first, its standard error, z) of jobs with ratio and var.

    Landed over sprayed is linear in TE, so log TE is found by steps of Gauss and Newton and no logarithm of a noisy ratio is taken. Hands
    and sizes are levels with their own spread, jobs have event^2 + var. The whole variance is scaled by what the model knew of it
    (spread.df) and what these jobs show; z is the normal deviate of the same chance as Student's t (Jennison and Turnbull 2000, 11.2)."""
    y, var = rows["ratio"].to_numpy(), rows["var"].to_numpy() + spread.event**2
    b = (rows["gun_id"] == gun_b).to_numpy().astype(float)
    block = (
        rows.select(pl.struct("technician_id", "area_class").rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    )
    level = np.zeros((len(y), int(block.max()) + 1))
    level[np.arange(len(y)), block] = 1.0
    x = np.column_stack([np.ones(len(y)), b])
    inverse = np.linalg.inv(np.diag(var) + spread.between**2 * level @ level.T)
    known = np.linalg.inv(x.T @ inverse @ x)
    beta, blup = np.array([math.log(y.mean()), 0.0]), np.zeros(level.shape[1])
    for _ in range(PASSES):
        eta = x @ beta + level @ blup
        work = np.clip(y / np.exp(eta) - 1, -1.5, 1.5) + eta
        beta = known @ (x.T @ inverse @ work)
        blup = spread.between**2 * level.T @ inverse @ (work - x @ beta)
    miss = work - x @ beta
    df = spread.df + len(y) - 2
    scale = (spread.df + float(miss @ inverse @ miss)) / df
    se = math.sqrt(known[1, 1] * scale)
    return float(beta[1]), se, normal_deviate(float(beta[1]) / se, df)


def normal_deviate(t: float, df: float) -> float:
    """The normal deviate that is as improbable as this Student's t."""
    return math.copysign(-float(ndtri(max(float(student.sf(abs(t), df)), 1e-300))), t)


def standing(plan: Plan, jobs: pl.DataFrame, since: dt.date, until: dt.date | None = None) -> Standing:
    """Where a trial stands by the jobs on record: at each look the first jobs of each gun that its number asks for, in the order in
    which they were sprayed, so that it does not matter when, or how often, anybody asks. Nothing is judged before the first look."""
    day = pl.col("started_at").dt.date()
    mine = _of_trial(plan, jobs.drop_nulls("ratio")).filter(
        pl.col("gun_id").is_in([plan.gun_a, plan.gun_b]) & (day >= since) & (day <= (until or dt.date.max))
    ).sort("started_at", "op_job_id", "operation_no")  # fmt: skip
    of = [mine.filter(pl.col("gun_id") == gun) for gun in (plan.gun_a, plan.gun_b)]
    n_a, n_b = of[0].height, of[1].height
    looks: list[Look] = []
    for number, (n, bound) in enumerate(zip(plan.at, plan.bounds, strict=True), 1):
        if min(n_a, n_b) < n:
            break
        value, se, z = contrast(pl.concat([frame.head(n) for frame in of]), plan.gun_b, plan.spread)
        ends = abs(z) >= bound
        ratio, low, high = (math.exp(value + sign * bound * se) for sign in (0, -1, 1))
        looks.append(Look(number, n, ratio, low, high, z, bound, ends))
        if ends:
            break
    last = looks[-1] if looks else None
    if last is not None and last.ends:
        word = "second gun" if last.z > 0 else "first gun"
    else:
        word = "not shown" if len(looks) == len(plan.at) else "go on"
    next_at = plan.at[len(looks)] if word == "go on" else None
    return Standing(tuple(looks), n_a, n_b, word, next_at, _said(plan, looks, n_a, n_b, word, next_at))


def _said(plan: Plan, looks: list[Look], n_a: int, n_b: int, word: str, next_at: int | None) -> str:
    there = f"{n_a} jobs with {plan.gun_a} and {n_b} with {plan.gun_b} of {plan.jobs} with each count so far"
    if not looks:
        return f"Go on: {there}; the first look is at {next_at} with each. Nothing is judged before."
    last = looks[-1]
    lands = f"{plan.gun_b} lands {100 * (last.ratio - 1):+.1f} % against {plan.gun_a} ({100 * (last.low - 1):+.1f} to {100 * (last.high - 1):+.1f})"
    against = f"look {last.number} of {len(plan.at)}: z {last.z:.2f} against {last.boundary:.2f}"
    if word == "go on":
        return f"Go on: {lands}, {against}: not reached. {there[:1].upper()}{there[1:]}; the next look is at {next_at} with each."
    if word == "not shown":
        return f"Stop, it has run its length: no difference within its reach is shown ({lands}, {against}). A smaller one may be there."
    better, other = (plan.gun_b, plan.gun_a) if word == "second gun" else (plan.gun_a, plan.gun_b)
    return f"Stop: that {better} lands more than {other} is shown ({lands}, {against})."


def of_change(tables: Mapping[str, pl.DataFrame], change_id: str) -> dict[str, Any]:
    """The row of the register `changes` that a trial is asked for. Raises TrialError where it is no trial of two guns."""
    changes = tables.get("changes", pl.DataFrame(schema={"change_id": pl.String}))
    _pick(change_id, changes["change_id"], "change", "Changes stand in registers/changes.csv, one line each.")
    row = changes.filter(pl.col("change_id") == change_id).row(0, named=True)
    if row["what"] != "gun_trial":
        raise TrialError(
            f"The change {change_id} is {row['what'].replace('_', ' ')}, no trial of a gun: its answer stands on the pages."
        )
    lacking = [name for name in ("gun_id", "replaces_gun_id", "role") if not row[name]]
    if lacking:
        raise TrialError(
            f"The change {change_id} lacks {', '.join(lacking)} in registers/changes.csv: a trial names both guns and the role."
        )
    return row


def of_row(
    tables: Mapping[str, pl.DataFrame], row: Mapping[str, Any], who: list[str], looks: int | None, jobs: int | None, difference: float | None
) -> tuple[Plan, Standing, bool]:  # fmt: skip
    """The trial of a row of the register (of_change) as it was planned, where it stands, and whether the number of its jobs is known:
    given here, or written down there. Raises TrialError."""
    jobs, looks = jobs or row.get("jobs"), looks or row.get("looks")
    who = who or [one for one in (row["technician_id"],) if one]
    guns = [row["replaces_gun_id"], row["gun_id"]]
    found = plan(tables, guns, row["role"], who, row["shop_id"], difference, looks, jobs, runs=True)
    return found, standing(found, jobs_of(tables), row["on"], row["until"]), jobs is not None


def trial_standing(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Table trial_standing: a row for each trial on record, in the words of the command."""
    rows = []
    for change in tables["changes"].filter(pl.col("what") == "gun_trial").sort("change_id").iter_rows(named=True):
        row: dict[str, Any] = {"change_id": change["change_id"], "shop_id": change["shop_id"]}
        try:
            found, stands, planned = of_row(tables, of_change(tables, change["change_id"]), [], None, None, None)
        except TrialError as trouble:
            rows.append(row | {"said": str(trouble)})
            continue
        last = stands.looks[-1] if stands.looks else None
        rows.append(row | {
            "jobs": found.jobs, "planned": planned, "looks": len(found.at), "n_a": stands.n_a, "n_b": stands.n_b,
            "looked": len(stands.looks), "next_at": stands.next_at, "word": stands.word,
            **{name: getattr(last, name) if last else None for name in ("ratio", "low", "high")},
            "said": stands.said if planned else f"{stands.said} {reckoned(found)}",
        })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)
