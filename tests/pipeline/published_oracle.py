"""Published tables once more, in plain loops: one function a table, from rows of the CSV files and the tables before it.

Written from the text of the method, for reading rather than for speed. Nothing of the code it checks is imported; factors
of units are typed here, with their source. `oracle.py` has cups, film and records, `emission_oracle.py` the months of the
environmental record; here is what follows from them: the ledger with its intervals, film against the sheet, guns, costs,
permits, the papers that rules ask for. A transfer efficiency with its ends is taken as given: the model is checked elsewhere.

Rows are dictionaries, a number that is not known is None, units are in the names of the columns.
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from oracle import Cup, Face, Ledger, Mix, Op, Part, mean, ratio, times, total

Row = dict[str, Any]
Rows = list[Row]
Tables = Mapping[str, Rows]
Z95 = statistics.NormalDist().inv_cdf(0.975)  # two-sided 95 % of the normal law
# NIST SP 811 (2008), appendix B.8: pound and short ton in kg, US gallon in L; exact.
# The Units of Measurement Regulations 1995 (UK): gallon in L; exact.
METRIC = {
    "l": 1.0, "gal_us": 3.785411784, "gal_imp": 4.54609,
    "kg": 1.0, "lb": 0.45359237, "ton_us": 907.18474, "tonne": 1000.0,
}  # fmt: skip
VOLUMES = ("l", "gal_us", "gal_imp")
PARTS = ("leftover", "flush_loss", "not_split", "overspray", "over_build", "useful")
FINISH, PRIMER = ("base", "mid_coat", "clear", "single_stage"), ("surfacer", "sprayable_filler")


def op_of(row: Row) -> Op:
    return row["shop_id"], row["job_id"], row["operation_no"]


def phi(z: float) -> float:
    """Standard normal distribution."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def expected_excess(film: float, limit: float, s: float) -> float:
    """E[max(0, X - limit)], X ~ N(film, s^2): s phi(z) + (film - limit) Phi(z), z = (film - limit) / s."""
    if s <= 0:
        return max(0.0, film - limit)
    z = (film - limit) / s
    return s * math.exp(-z * z / 2) / math.sqrt(2 * math.pi) + (film - limit) * phi(z)


def latest(rows: Iterable[Row], on: date) -> Row | None:
    """The version of a register's row that is valid on a day."""
    valid = [r for r in rows if (r.get("valid_from") or date.min) <= on]
    return max(valid, key=lambda r: r.get("valid_from") or date.min, default=None)


def month_number(month: str) -> int:
    return int(month[:4]) * 12 + int(month[5:7]) - 1


def month_named(number: int) -> str:
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


# --- the ledger -----------------------------------------------------------------------------------------------------------


def leftover_habits(ledger: Ledger) -> dict[tuple[str, str], float]:
    """Mean of leftover over poured, by shop and role, over complete cups that were weighed back; five of them or none."""
    role = {r["product_id"]: r["role"] for r in ledger.rows["products"]}
    shares: dict[tuple[str, str], list[float]] = defaultdict(list)
    for mix in ledger.mixes.values():
        if mix.leftover_g is not None and mix.complete and mix.poured_g > 0 and mix.product_id in role:
            shares[mix.shop_id, role[mix.product_id]].append(mix.leftover_g / mix.poured_g)
    return {key: mean(found) for key, found in shares.items() if len(found) >= 5}


@dataclass
class Ways:
    """What became of each cup, g of mix. By part (id): took what an operation took, lost what its gun flushed of that.
    By cup: left the leftover as it is or as usual, usable whether its way can be split."""

    took: dict[int, float]
    lost: dict[int, float]
    left: dict[Cup, float]
    usable: dict[Cup, bool]


def ways(ledger: Ledger, unweighed: float = 1.0) -> Ways:
    """Leftover, what left for each gun, and its flush loss. A leftover nobody weighed is the usual one of shop and role, where
    film found (unweighed: the factor) that cups not weighed back sprayed another part: 1 - share of it times the factor.
    What left between two weigh-backs went to the operations in between, and together no more than the cup held. A gun's
    flush is shared by what left its cups, before that finding."""
    role = {r["product_id"]: r["role"] for r in ledger.rows["products"]}
    usual = leftover_habits(ledger)
    it = Ways({}, {}, {}, {})
    before: dict[int, float] = {}
    by_cup: dict[Cup, list[Part]] = defaultdict(list)
    for p in ledger.parts:
        by_cup[p.cup].append(p)
    for cup, mix in ledger.mixes.items():
        kept = mix.poured_g - mix.poured_on_g
        share = usual.get((mix.shop_id, role.get(mix.product_id or "", "")))
        it.usable[cup] = mix.complete and (mix.leftover_known or share is not None)
        it.left[cup] = max(0.0, 1 - (1 - share) * unweighed) * kept if mix.complete and share is not None else 0.0
        if mix.leftover_g is not None:
            it.left[cup] = min(mix.leftover_g, kept)
        gone = [max(0.0, g) for g in ledger.gone[cup] or [kept - it.left[cup]]]
        scale = min(1.0, (kept - it.left[cup]) / sum(gone)) if sum(gone) > 0 else 1.0
        for p in by_cup[cup]:
            it.took[id(p)] = p.share * gone[p.interval] * scale
            before[id(p)] = it.took[id(p)] if mix.leftover_known else p.share * kept * (1 - (share or 0.0))
    for op, parts in ledger.parts_of.items():
        base = {id(p): before[id(p)] if ledger.mixes[p.cup].complete else 0.0 for p in parts}
        flush = min(ledger.flushes.get(op, 0.0), sum(base.values()))
        for p in parts:
            part = flush * base[id(p)] / sum(base.values()) if sum(base.values()) > 0 else 0.0
            it.lost[id(p)] = min(part, it.took[id(p)]) if it.usable[p.cup] else 0.0
    return it


def material_ledger(
    ledger: Ledger, te: Mapping[Op, Row], over: Mapping[Op, tuple[float, float, float]], unweighed: float = 1.0
) -> dict[tuple[Any, ...], Row]:
    """Every gram of every cup: poured = leftover + flush loss + not split + overspray + over-build + useful.

    te: op -> te, te_low, te_high (None: not known). over: op -> mL of film above the window, with its ends. Ends: overspray
    from the other end of the transfer efficiency; over-build of the landed solids from the ends of the film, never above
    what landed; useful from the far ends of both.
    """
    it = ways(ledger, unweighed)
    rows: dict[tuple[Any, ...], Row] = {}
    for op, parts in ledger.parts_of.items():
        landed_ml = 0.0
        found: list[tuple[Part, Row]] = []
        for p in parts:
            mix = ledger.mixes[p.cup]
            of = te.get(op, {})
            known = (
                it.usable[p.cup] and of.get("te") is not None and op in ledger.ops and op not in ledger.incomplete_ops
            )
            took, lost = it.took[id(p)], it.lost[id(p)]
            row: Row = dict(poured=took, leftover=0.0, flush_loss=lost, not_split=0.0 if known else took - lost)
            row |= dict(te=of.get("te") if known else None, sprayed=took - lost if known else 0.0)
            if known:
                row |= {f"landed{end}": times(row["sprayed"], of[f"te{end}"]) for end in ("", "_low", "_high")}
                landed_ml += times(ratio(row["landed"], mix.density_g_per_ml), mix.solids_volume_fraction) or 0.0
            found.append((p, row))
        above = over.get(op, (0.0, 0.0, 0.0))
        share, share_low, share_high = (min(1.0, ml / landed_ml) if landed_ml > 0 else 0.0 for ml in above)
        for p, row in found:
            landed, low, high = (row.get(f"landed{end}", 0.0) for end in ("", "_low", "_high"))
            row |= dict(
                overspray=row["sprayed"] - landed, over_build=landed * share, over_build_low=landed * share_low,
                over_build_high=landed * share_high, useful=landed * (1 - share),
            )  # fmt: skip
            # a transfer efficiency whose ends are not told tells none here
            row |= dict(overspray_low=None, overspray_high=None, useful_low=None, useful_high=None)
            if low is not None and high is not None:
                row |= dict(
                    overspray_low=max(0.0, row["sprayed"] - high), overspray_high=row["sprayed"] - low,
                    useful_low=max(0.0, low - landed * share_high), useful_high=high - landed * share_low,
                )  # fmt: skip
            rows[(*p.cup, *op[1:])] = row
    taken: dict[Cup, float] = defaultdict(float)
    for p in ledger.parts:
        taken[p.cup] += it.took[id(p)]
    for cup, mix in ledger.mixes.items():
        rest = mix.poured_g - mix.poured_on_g - taken[cup]
        if rest > 1e-9:
            ends = [f"{part}{end}" for part in PARTS[3:] for end in ("", "_low", "_high")]
            rows[(*cup, None, None)] = dict.fromkeys(ends, 0.0) | dict(
                poured=rest, leftover=it.left[cup], flush_loss=0.0, not_split=max(0.0, rest - it.left[cup]), te=None
            )
    return {key: in_solids_voc_and_money(row, ledger.mixes[key[:2]]) for key, row in rows.items()}


def in_solids_voc_and_money(grams: Row, mix: Mix) -> Row:
    """A row of grams of mix as the ledger tells it: solids g with ends, VOC g, cost."""
    row: Row = {"te": grams["te"]}
    for part in ("poured", *PARTS):
        row[f"{part}_solids_g"] = times(grams[part], mix.solids_mass_fraction)
        row[f"{part}_voc_g"] = times(grams[part], mix.voc_mass_fraction)
        row[f"{part}_cost"] = times(grams[part], ratio(mix.cost, mix.poured_g))
        for end in ("low", "high"):
            if f"{part}_{end}" in grams:
                row[f"{part}_solids_g_{end}"] = times(grams[f"{part}_{end}"], mix.solids_mass_fraction)
    return row


def sprayed_ml(ledger: Ledger) -> dict[Op, float]:
    """What is certain to have left each operation's gun, mL ready to spray: of cups that were weighed back."""
    it = ways(ledger)
    return {
        op: sum(
            ratio(it.took[id(p)] - it.lost[id(p)], ledger.mixes[p.cup].density_g_per_ml) or 0.0
            for p in parts
            if ledger.mixes[p.cup].leftover_known
        )
        for op, parts in ledger.parts_of.items()
    }


def over_build(film_build: Rows, films: Mapping[tuple[Any, ...], float | None], ledger: Ledger) -> dict[Op, Any]:
    """mL of dry film above the window of each operation, with its ends: area x E[max(0, film - max)] with the film as it is
    held and the spread between places; the ends move the film by 1.96 standard errors.

    films: film of each operation alone on each face, um. Operations of one product on a face share what lies above by it;
    where none of theirs is known (an inner face, a film read after sanding), equally.
    """
    out: dict[Op, list[float]] = {}
    for row in film_build:
        if row["over_ml"] is None:
            continue
        held, se, area = row["held_um"], row["held_se_um"] or 0.0, row["covered_m2"]
        within, limit = row["within_um"] or 0.0, row["film_max_um"]
        ends = [row["over_ml"]] + [area * expected_excess(held + z * se, limit, within) for z in (-Z95, Z95)]
        job = row["shop_id"], row["job_id"]
        members = [
            op
            for op in ledger.ops_of_job[job]
            if row["first_operation"] <= op[2] <= row["operation_no"]
            and ledger.ops[op]["kind"] == "spray"
            and ledger.ops[op]["product_id"] == row["product_id"]
            and (*op, row["panel_id"], row["face"]) in films
        ]
        alone = {op: films[(*op, row["panel_id"], row["face"])] for op in members}
        together = sum(film for film in alone.values() if film is not None)
        for op, film in alone.items():
            part = min(1.0, max(0.0, (film or 0.0) / together)) if together > 0 else 1 / len(alone)
            so_far = out.setdefault(op, [0.0, 0.0, 0.0])
            out[op] = [a + part * b for a, b in zip(so_far, ends, strict=True)]
    return {op: tuple(ends) for op, ends in out.items()}


# --- film against the sheet -----------------------------------------------------------------------------------------------


def covered(ledger: Ledger, op: Op, panel: str, face: str) -> float | None:
    """Area that an operation covered of a face, m2."""
    for row in ledger.faces_of_op[op]:
        if (row["panel_id"], row["face"]) == (panel, face):
            return times(ledger.face_area(row), row["covered_fraction"])
    return None


def read_alone(ledger: Ledger) -> dict[tuple[Any, ...], float]:
    """Film of operations that were read alone, um where the paint is: what landed (um x area) over the area covered."""
    found: dict[tuple[Any, ...], float] = {}
    for (shop, job, panel, face), pieces in ledger.pieces.items():
        for piece in pieces:
            if piece.usable and len(piece.layers) == 1:
                op = shop, job, next(iter(piece.layers))
                area = covered(ledger, op, panel, face)
                film = ratio(times(piece.film_um, piece.area_m2), area)
                if film is not None:
                    found[(*op, panel, face)] = film
    return found


def levelled(ledger: Ledger, op: Op, panel: str) -> bool:
    """Whether an operation takes film away by an amount that nobody knows: a cut, a strip, sanding with no removal stated."""
    row = ledger.ops[op]
    bare = row["kind"] == "sand" and row["removal"] != "scuff" and row["removed_um"] is None
    if not (row["kind"] == "sand" and (row["removal"] in ("cut", "strip") or bare)):
        return False
    rows = ledger.faces_of_op[op]
    return not rows or any(r["panel_id"] == panel for r in rows)


def film_groups(ledger: Ledger) -> dict[tuple[Any, ...], list[Op]]:
    """Operations whose films are one film to a data sheet: of one product on one face, nothing levelled between them.
    Key: the last of them with panel and face."""
    on_face: dict[Face, list[Op]] = defaultdict(list)
    for op, row in sorted(ledger.ops.items()):
        if row["kind"] == "spray":
            for face in {(r["panel_id"], r["face"]) for r in ledger.faces_of_op[op]}:
                on_face[(*op[:2], *face)].append(op)
    groups: dict[tuple[Any, ...], list[Op]] = {}
    for (shop, job, panel, face), ops in on_face.items():
        runs: dict[tuple[str, int], list[Op]] = defaultdict(list)
        for op in ops:
            before = sum(levelled(ledger, o, panel) for o in ledger.ops_of_job[shop, job] if o[2] < op[2])
            runs[ledger.ops[op]["product_id"], before].append(op)
        for run in runs.values():
            groups[(*run[-1], panel, face)] = run
    return groups


def film_as_applied(ledger: Ledger) -> dict[tuple[Any, ...], float]:
    """Films that readings alone tell, um: every operation of the group read, the sheet's window of films as applied (a film as
    applied is never one after sanding). Key as film_groups."""
    alone = read_alone(ledger)
    found = {}
    for key, run in film_groups(ledger).items():
        films = [alone.get((*op, *key[3:])) for op in run]
        sheet = ledger.valid("products", ledger.ops[run[-1]]["product_id"], ledger.ops[run[-1]]["started_at"]) or {}
        known = total(films)
        if known is not None and sheet.get("film_basis") != "after_sanding":
            found[key] = known
    return found


def against_the_sheet(row: Row) -> Row:
    """What a row of film_build says of its film: ends, probabilities of the mean, dry mL above and below the window."""
    film, se, held, held_se = (row[name] for name in ("film_um", "film_se_um", "held_um", "held_se_um"))
    low, high, area = row["film_min_um"], row["film_max_um"], row["covered_m2"]
    if film is None:
        return dict.fromkeys(("film_low", "film_high", "prob_over", "prob_under", "over_ml", "under_ml"))
    places = math.hypot(held_se, row["within_um"] or 0.0)
    return {
        "film_low": max(0.0, film - Z95 * se),
        "film_high": max(0.0, film + Z95 * se),
        "prob_over": None if high is None else phi((held - high) / held_se),
        "prob_under": None if low is None else phi((low - held) / held_se),
        "over_ml": None if high is None else times(area, expected_excess(held, high, places)),
        "under_ml": None if low is None else times(area, expected_excess(-held, -low, places)),
    }


# --- guns -----------------------------------------------------------------------------------------------------------------


def place_of(tables: Tables, shop: str, setting: str = "us") -> str:
    return next((r["jurisdiction"] for r in tables["shops"] if r["shop_id"] == shop), None) or setting


def has_shop_rules(tables: Tables, shop: str) -> bool:
    place = place_of(tables, shop)
    return any("shop_rules" in p["sections"].split("|") for p in tables["packs"] if p["jurisdiction"] == place)


def small_cup(gun: Row, most_ml: float) -> str:
    """The 3.0 fl oz of 40 CFR 63.11180 (88.72 mL; the rule prints 89 cc and stands on both sides): at most 87 mL outside,
    up to 90 review, and a small cup that sprayed more than it holds in one operation was refilled."""
    if gun["cup_ml"] is None:
        return "missing"
    if gun["cup_ml"] > 90:
        return "inside"
    if most_ml > gun["cup_ml"]:
        return "review: refilled"
    return "review" if gun["cup_ml"] > 87 else "outside"


def gun_fit(tables: Tables, ledger: Ledger) -> dict[tuple[str, str, str], Row]:
    """Every gun of a shop (or used in it) with every product sprayed there: tip, pressure, the place's rule, kind of work."""
    sprays = [op for op, row in ledger.ops.items() if row["kind"] == "spray"]
    guns = {r["gun_id"]: r for r in tables["guns"]}
    newest = {r["product_id"]: r for r in sorted(tables["products"], key=lambda r: r["valid_from"] or date.min)}
    pairs: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    sprayed = sprayed_ml(ledger)
    ml: dict[tuple[str, str], float] = defaultdict(float)
    tips: dict[str, Row] = {}
    kinds: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for op in sorted(sprays, key=lambda o: ledger.ops[o]["started_at"]):
        row = ledger.ops[op]
        pairs[op[0], row["gun_id"], row["product_id"]].append(row)
        ml[op[0], row["gun_id"]] = max(ml[op[0], row["gun_id"]], sprayed.get(op, 0.0))
        if row["tip_mm"] is not None:
            tips[row["gun_id"]] = row
        role = (ledger.valid("products", row["product_id"], row["started_at"]) or {}).get("role")
        kinds[row["gun_id"]][0] += role in PRIMER
        kinds[row["gun_id"]][1] += role in FINISH
    wanted = set(pairs)
    for shop, _, product in pairs:
        wanted |= {(shop, g, product) for g, r in guns.items() if r["shop_id"] == shop and r.get("retired_on") is None}
    out: dict[tuple[str, str, str], Row] = {}
    for shop, gun_id, product in wanted:
        gun, sheet = guns.get(gun_id), newest.get(product)
        if sheet is None:
            continue
        used = pairs.get((shop, gun_id, product), [])
        tip = tips[gun_id]["tip_mm"] if gun_id in tips else (gun or {}).get("tip_mm")
        lowest, highest = sheet.get("tip_min_mm"), sheet.get("tip_max_mm")
        tip_fits: bool | None = None
        if tip is not None and ((lowest is not None and tip < lowest) or (highest is not None and tip > highest)):
            tip_fits = False
        elif None not in (tip, lowest, highest):
            tip_fits = True
        pressures = [r["inlet_kpa"] for r in used if r["inlet_kpa"] is not None]
        most = sheet.get("inlet_max_kpa")
        pressure_fits = None if not pressures or most is None else max(pressures) <= most
        cup = small_cup(gun, ml[shop, gun_id]) if gun else "missing"
        allowed: bool | None = True
        if has_shop_rules(tables, shop) and (gun or {}).get("atomising") not in (
            "hvlp", "airless", "air_assisted_airless", "electrostatic"
        ):  # fmt: skip
            allowed = None if gun is None or cup.startswith("review") or cup == "missing" else cup == "outside"
            if cup == "inside":
                allowed = False if gun and gun["atomising"] == "conventional" else None
        primer, finish = kinds[gun_id]
        role = sheet["role"]
        cross = bool(used) and ((role in PRIMER and finish > primer) or (role in FINISH and primer > finish))
        if allowed is False:
            verdict = "not_allowed"
        elif tip_fits is False or pressure_fits is False or cross:
            verdict = "misfit"
        else:
            verdict = "unknown" if tip_fits is None or allowed is None else "fits"
        out[shop, gun_id, product] = dict(
            tip_fits=tip_fits, pressure_fits=pressure_fits, atomising_allowed=allowed, verdict=verdict,
            n_operations=len(used), tip_mm=tip, cross_use=cross, inlet_kpa=max(pressures, default=None),
        )  # fmt: skip
    return out


# --- money ----------------------------------------------------------------------------------------------------------------


def job_costs(material: Rows, tables: Tables, rate: float) -> dict[tuple[str, str], Row]:
    """Cost of each job by part. What of a cup belongs to no operation goes to the jobs it fed, by what each took of it (solids).
    One row without a price: the job's material has no cost. Labour: hours of the repeats x rate; None without a rate."""
    taken: dict[tuple[str, str], dict[str, float]] = defaultdict(lambda: defaultdict(float))
    solid: dict[tuple[str, str], bool] = {}
    for r in material:
        if r["job_id"] is not None:
            taken[r["shop_id"], r["mix_id"]][r["job_id"]] += r["poured_solids_g"] or 0.0
            solid[r["shop_id"], r["mix_id"]] = True
    jobs: dict[tuple[str, str], dict[str, list[float | None]]] = defaultdict(lambda: defaultdict(list))
    for r in material:
        cup = r["shop_id"], r["mix_id"]
        if r["job_id"] is not None:
            for part in PARTS[1:]:
                jobs[r["shop_id"], r["job_id"]][part].append(r[f"{part}_cost"])
            jobs[r["shop_id"], r["job_id"]]["rework"].append(r["poured_cost"] if r["rework"] else 0.0)
            jobs[r["shop_id"], r["job_id"]]["all"].append(r["poured_cost"])
            continue
        whole = sum(taken[cup].values())
        for job, grams in taken[cup].items():
            share = grams / whole if whole > 0 else 1 / len(taken[cup])
            for part in ("leftover", "not_split"):
                jobs[r["shop_id"], job][part].append(times(share, r[f"{part}_cost"]))
            jobs[r["shop_id"], job]["all"].append(r["poured_cost"])
    hours: dict[tuple[str, str], list[float | None]] = defaultdict(list)
    for o in tables["operations"]:
        if o["redo_of"] is not None and o["ended_at"] is not None:
            hours[o["shop_id"], o["job_id"]].append((o["ended_at"] - o["started_at"]).total_seconds() / 3600)
    out: dict[tuple[str, str], Row] = {}
    for job, found in jobs.items():
        priced = total(found["all"]) is not None
        row: Row = {f"{part}_cost": total(found[part]) if priced else None for part in PARTS}
        row["poured_cost"] = total(row.values())
        row["rework_cost"] = total(found["rework"]) if priced else None
        row["redo_labour_cost"] = rate * (total(hours[job]) or 0.0) if rate > 0 else None
        out[job] = row
    return out


# --- the environmental record ---------------------------------------------------------------------------------------------


def particulate(material: Rows, tables: Tables) -> dict[tuple[str, str], Row]:
    """Particulate of a shop's month, kg with its ends: overspray solids x (1 - capture of the booth's filter on that day), in
    the month of the operation; nothing is held back where no booth or no capture is known. Ends category by category: chance of
    single operations (the model's word, pm_own_kg) in squares, the rest of each line's interval added up."""
    ops = {op_of(r): r for r in tables["operations"]}
    booths: dict[str, Rows] = defaultdict(list)
    for r in tables["booths"]:
        booths[r["booth_id"]].append(r)
    lines = {(*op_of(r), r["mix_id"]): r for r in tables["emission_lines"] if r["kind"] == "overspray"}
    out: dict[tuple[str, str], Row] = {}
    parts: dict[tuple[str, str, str], list[tuple[float, float, float | None, float | None]]] = defaultdict(list)
    for r in material:
        if r["te"] is None or op_of(r) not in ops:
            continue
        op = ops[op_of(r)]
        booth = latest(booths.get(op["booth_id"], []), op["started_at"].date()) or {}
        passed = (1 - (booth.get("filter_capture") or 0.0)) / 1000
        line = lines[(*op_of(r), r["mix_id"])]
        middle, low, high = (times(r[f"overspray_solids_g{end}"], passed) for end in ("", "_low", "_high"))
        if middle is None:
            continue
        own = (Z95 * line["pm_own_kg"]) ** 2
        key = (r["shop_id"], op["started_at"].strftime("%Y-%m"), line["category"])
        below = None if low is None else max((middle - low) ** 2 - own, 0.0) ** 0.5
        above = None if high is None else max((high - middle) ** 2 - own, 0.0) ** 0.5
        parts[key].append((middle, own, below, above))
    for (shop, month, _), listed in parts.items():
        row = out.setdefault((shop, month), dict.fromkeys(("", "_low", "_high"), 0.0))
        middle, chance = sum(one[0] for one in listed), sum(one[1] for one in listed)
        below, above = total([one[2] for one in listed]), total([one[3] for one in listed])
        row[""] = total([row[""], middle])
        row["_low"] = total([row["_low"], None if below is None else max(middle - (chance + below**2) ** 0.5, 0.0)])
        row["_high"] = total([row["_high"], None if above is None else middle + (chance + above**2) ** 0.5])
    return out


def measure_months(tables: Tables, shop: str, measure: str) -> dict[int, float | None]:
    """What a measure of a permit was in each month, in L or kg; None: something is there and nothing of it is known."""
    name, _, which = measure.partition(":")
    found: dict[int, list[float | None]] = defaultdict(list)
    for r in tables["emissions_monthly"]:
        if r["shop_id"] != shop or name not in ("rts_l", "voc_kg", "exempt_kg", "pm_kg"):
            continue
        if not which or (r["category"] == which and which not in ("cleaning", "surface_prep", "waste")):
            found[month_number(r["month"])].append(r[name])
    for r in tables["hap_monthly"]:
        if r["shop_id"] == shop and name == "hap_kg" and (r["cas"] == which if which else not r["metal"]):
            found[month_number(r["month"])].append(r["kg"])
    for r in tables["hap_gaps"]:  # material whose composition nobody gave: it is there, and nothing of it is known
        if r["shop_id"] == shop and measure == "hap_kg":
            found[month_number(r["month"])].append(None)
    return {
        m: total([v for v in found[m] if v is not None]) if any(v is not None for v in found[m]) else None
        for m in found
    }


def permit_headroom(tables: Tables) -> dict[tuple[str, str, str], Row]:
    """What is left under each limit in the month of the shop's last pour, cleaning or unscaled use, and the first of the next
    24 months in which it would be crossed at the pace of the last three months (fewer where there are fewer)."""
    out: dict[tuple[str, str, str], Row] = {}
    for limit in tables["permit_limits"]:
        shop, measure, period = limit["shop_id"], limit["measure"], limit["period"]
        days = [r["poured_at"] for r in tables["pours"] if r["shop_id"] == shop]
        days += [r["used_at"] for t in ("cleaning", "unscaled_use") for r in tables[t] if r["shop_id"] == shop]
        if not days:
            continue
        first, last = (month_number(f"{day:%Y-%m}") for day in (min(days), max(days)))
        by_month = measure_months(tables, shop, measure)
        first = min([first, *by_month])

        def amount(m: int, by_month: dict[int, float | None] = by_month) -> float | None:
            return by_month.get(m, 0.0)

        fits = (limit["unit"] in VOLUMES) == measure.startswith("rts_l")
        most = limit["limit"] * METRIC[limit["unit"]] if fits else None
        recent = [amount(m) for m in range(max(first, last - 2), last + 1)]
        known = [v for v in recent if v is not None]
        pace = sum(known) / len(known) if known else None
        months = {
            "month": range(last, last + 1),
            "calendar_year": range(last - last % 12, last + 1),
            "rolling_12_months": range(last - 11, last + 1),
        }[period]
        inside = [by_month[m] for m in months if m in by_month]  # months with something of it; the others have none
        here = [v for v in inside if v is not None]
        so_far = sum(here) if here or not inside else None
        crossed = None
        if most is not None and so_far is not None and so_far > most:
            crossed = month_named(last)
        elif most is not None and so_far is not None and pace is not None:
            for k in range(1, 25):
                if period == "month":
                    then = pace
                elif period == "calendar_year":
                    if (last + k) // 12 > last // 12:
                        break
                    then = so_far + k * pace
                else:  # the window moves on: its oldest months leave it, months at the present pace come in
                    then = sum(amount(m) or 0.0 for m in range(last + k - 11, last + 1)) + min(k, 12) * pace
                if then > most:
                    crossed = month_named(last + k)
                    break
        out[shop, measure, period] = dict(
            month=month_named(last), total=so_far, limit=most, headroom=None if None in (most, so_far) else most - so_far,
            share_of_limit=None if not most else ratio(so_far, most), pace_per_month=pace,
            already=None if None in (most, so_far) else so_far > most, crossed_in=crossed, unit_fits=fits,
            months_present=min(12, last - month_number(f"{min(days):%Y-%m}") + 1),
        )  # fmt: skip
    return out


# --- papers that rules ask for --------------------------------------------------------------------------------------------


def last_day(tables: Tables, shop: str) -> date | None:
    """The last day on which a shop recorded anything that can show material."""
    when = {
        "pours": "poured_at", "cleaning": "used_at", "unscaled_use": "used_at", "leftovers": "weighed_at",
        "operations": "started_at",
    }  # fmt: skip
    days = [r[at].date() for t, at in when.items() for r in tables[t] if r["shop_id"] == shop]
    days += [r["happened_on"] for r in tables["stock"] if r["shop_id"] == shop]
    return max(days, default=None)


def years_later(day: date, years: int) -> date:
    """The same day of another year; 29 February becomes 28 February, the earlier day."""
    return date(day.year + years, day.month, min(day.day, 28) if day.month == 2 else day.day)


def rules_of(tables: Tables, name: str, place: str) -> dict[str, Row]:
    """Rows of a reference table that hold in a place, by rule: its own before those of the place above it (us above us-ca)."""
    own = {r["rule"]: r for r in tables[name] if r["jurisdiction"] == place}
    above = {r["rule"]: r for r in tables[name] if r["jurisdiction"] == place.split("-")[0]}
    return above | own


def compliance_training(tables: Tables) -> dict[tuple[str, str, str], Row]:
    """40 CFR 63.11173(f), (g): 180 days from hiring, renewed within 5 years, hands-on and classroom both; the EU's training on
    diisocyanates before use. Judged on the last day of the home shop's records."""
    out: dict[tuple[str, str, str], Row] = {}
    for person in tables["technicians"]:
        shop = person["shop_id"]
        as_of = last_day(tables, shop)
        for rule in rules_of(tables, "training_rules", place_of(tables, shop)).values():
            mine = [r for r in tables["trainings"] if r["technician_id"] == person["technician_id"]]
            mine = [r for r in mine if as_of is None or r["completed_on"] <= as_of]
            painter = rule["rule"] == "painter_training"
            full = [r for r in mine if not painter or (r["hands_on"] and r["classroom"])]
            rest = [r for r in mine if painter and None in (r["hands_on"], r["classroom"])]
            unsure = [r["completed_on"] for r in rest if False not in (r["hands_on"], r["classroom"])]  # may be full
            newest = max((r["completed_on"] for r in full), default=None)
            due = None
            if person["hired_on"] is not None:
                due = person["hired_on"] + timedelta(days=int(rule["within_days"]))
                due = max(due, rule["applies_from"] or date.min)
            until = None if newest is None else years_later(newest, int(rule["valid_years"]))
            counts = [as_of is None or years_later(day, int(rule["valid_years"])) >= as_of for day in unsure]
            if as_of is not None and person["left_on"] is not None and person["left_on"] < as_of:
                status = "left"
            elif until is not None and (as_of is None or until >= as_of):
                status = "trained"
            elif any(counts) or (until is None and unsure):
                status = "missing"
            elif until is not None:
                status = "expired"
            elif due is None:
                status = "missing"
            else:
                status = "due" if as_of is not None and as_of <= due else "overdue"
            out[shop, person["technician_id"], rule["rule"]] = dict(
                due_by=due, first_completed_on=min((r["completed_on"] for r in full), default=None),
                latest_completed_on=newest, valid_until=until, status=status, as_of=as_of,
            )  # fmt: skip
    return out


def compliance_booths(tables: Tables) -> dict[tuple[str, str, date], Row]:
    """40 CFR 63.11173(e)(2): filters that hold back 98 %, shown by a paper."""
    out: dict[tuple[str, str, date], Row] = {}
    for r in tables["booths"]:
        if not has_shop_rules(tables, r["shop_id"]):
            continue
        begins = r["valid_from"] or date.min
        later = [b["valid_from"] for b in tables["booths"] if b["booth_id"] == r["booth_id"] and b["valid_from"]]
        capture = r["filter_capture"]
        if capture is not None and capture < 0.98:
            status = "below"
        else:
            status = "missing" if capture is None or r["evidence_ref"] is None else "holds"
        out[r["shop_id"], r["booth_id"], begins] = dict(
            until_on=min((d for d in later if d > begins), default=None), filter_capture=capture,
            filter_capture_needed=0.98, status=status,
        )  # fmt: skip
    return out


def compliance_guns(tables: Tables, ledger: Ledger) -> dict[tuple[str, str], Row]:
    """40 CFR 63.11173(e)(3) and the 3.0 fl oz line of 63.11180, where the shop rules apply."""
    out: dict[tuple[str, str], Row] = {}
    sprayed = sprayed_ml(ledger)
    for gun in tables["guns"]:
        if not has_shop_rules(tables, gun["shop_id"]):
            continue
        refilled = 0
        most = 0.0
        for op, row in ledger.ops.items():
            if op[0] == gun["shop_id"] and row["kind"] == "spray" and row["gun_id"] == gun["gun_id"]:
                ml = sprayed.get(op, 0.0)
                most = max(most, ml)
                refilled += gun["cup_ml"] is not None and gun["cup_ml"] <= 90 and ml > gun["cup_ml"]
        named = gun["atomising"] in ("hvlp", "airless", "air_assisted_airless", "electrostatic")
        out[gun["shop_id"], gun["gun_id"]] = dict(
            qualifies="yes" if named else "no" if gun["atomising"] == "conventional" else "review",
            cup=small_cup(gun, most), n_refilled=refilled,
        )  # fmt: skip
    return out


def compliance_retention(tables: Tables) -> dict[tuple[str, str], Row]:
    """The longest time that any rule of the place, or of the one above it, asks for."""
    out: dict[tuple[str, str], Row] = {}
    for shop in {r["shop_id"] for r in tables["shops"]}:
        place, last = place_of(tables, shop), last_day(tables, shop)
        kinds: dict[str, list[int]] = defaultdict(list)
        for r in tables["retention"]:
            if r["jurisdiction"] in (place, place.split("-")[0]):
                kinds[r["record"]].append(int(r["years"]))
        for record, years in kinds.items():
            since = None if last is None else years_later(last, -max(years))
            out[shop, record] = dict(years=max(years), n_rules=len(years), keep_since=since)
    return out


def compliance_multistage(tables: Tables, ledger: Ledger) -> dict[tuple[str, str], Row]:
    """(base + mid coats + 2 clear) / (mid coats + 3), g/L less water and exempt compounds, of jobs with base and clear; each layer
    the mean of its cups by volume (40 CFR 59.104(a)(2), from memory; for M = 0 San Luis Obispo APCD Rule 423). Limits of
    40 CFR 59 subpart B, Table 1: two stages 600 g/L, more 630 g/L. Jobs whose cups were weighed back in between are left out."""
    cups: dict[tuple[str, str], dict[str, list[tuple[float | None, float | None]]]] = defaultdict(
        lambda: defaultdict(list)
    )
    left_out = set()
    for p in ledger.parts:
        row, mix = ledger.ops.get(p.op), ledger.mixes[p.cup]
        sheet = (
            ledger.valid("products", row["product_id"], row["started_at"]) if row and row["kind"] == "spray" else None
        )
        if sheet is None or row is None or sheet["role"] not in ("base", "mid_coat", "clear"):
            continue
        if len(ledger.weighings[p.cup]) > 1:
            left_out.add(p.op[:2])
        layer = f"mid {row['product_id']}" if sheet["role"] == "mid_coat" else sheet["role"]
        ml = ratio(p.share * (mix.poured_g - mix.poured_on_g), mix.density_g_per_ml)
        cups[p.op[:2]][layer].append((mix.voc_g_per_l_regulatory, ml))
    out: dict[tuple[str, str], Row] = {}
    for job, layers in cups.items():
        if place_of(tables, job[0]) in ("eu", "uk") or not {"base", "clear"} <= layers.keys() or job in left_out:
            continue
        content = {
            name: ratio(total(times(g, ml) for g, ml in found), total(ml for _, ml in found))
            for name, found in layers.items()
        }
        mids = [g for name, g in content.items() if name.startswith("mid ")]
        sum_of = total([content["base"], *mids, times(2.0, content["clear"])])
        if sum_of is None:
            continue
        limit = {0: 600.0}.get(len(mids), 630.0) if place_of(tables, job[0]) == "us" else None
        g_per_l = sum_of / (len(mids) + 3)
        out[job] = dict(
            base_g_per_l=content["base"], clear_g_per_l=content["clear"], n_mid_coats=len(mids), g_per_l=g_per_l
        )
        if limit is not None:
            out[job] |= dict(limit_g_per_l=limit, over=g_per_l > limit)
    return out


def savings_basis(ledger: Ledger, material: Rows) -> dict[tuple[str], Row]:
    """The days that a year is reckoned from: the last twelve calendar months of pours, or what there is of them."""
    out: dict[tuple[str], Row] = {}
    for shop in {cup[0] for cup in ledger.mixes}:
        days = sorted(m.first_poured_at.date() for m in ledger.mixes.values() if m.shop_id == shop)
        first_month = month_number(f"{days[-1]:%Y-%m}") - 12
        begin = date(first_month // 12, first_month % 12 + 1, 1)
        start = begin if days[0] < begin else days[0]
        span = (days[-1] - start).days + 1
        rows = [r for r in material if r["shop_id"] == shop and r["month"] and r["month"] >= f"{start:%Y-%m}"]
        if not rows:
            continue
        grams = sum(r["poured_solids_g"] or 0.0 for r in rows)
        priced = sum(r["poured_solids_g"] or 0.0 for r in rows if r["poured_cost"] is not None)
        out[shop,] = dict(
            from_on=start, to_on=days[-1], days=span, solids_kg_per_year=grams / 1000 * 365.25 / span,
            voc_kg_per_year=sum(r["poured_voc_g"] or 0.0 for r in rows) / 1000 * 365.25 / span,
            cost_known_share=priced / max(grams, 1e-9),
        )  # fmt: skip
    if len(out) > 1:
        every = list(out.values())
        first, last = min(r["from_on"] for r in every), max(r["to_on"] for r in every)
        kg = sum(r["solids_kg_per_year"] for r in every)
        out["all",] = dict(
            from_on=first, to_on=last, days=(last - first).days + 1, solids_kg_per_year=kg,
            voc_kg_per_year=sum(r["voc_kg_per_year"] for r in every),
            cost_known_share=sum(r["cost_known_share"] * r["solids_kg_per_year"] for r in every) / kg,
        )  # fmt: skip
    return out
