"""What to do, for each reader: one list from which all pages take theirs, so that none contradicts another.

Here belong the lines and their order. Why a line is right is said where its table is made (`evidence` names table and key).
First what a rule or permit asks for, then what saves money, most first, then what to practise and what to record.
Owners and painters are told no names of hands.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
from scipy.special import ndtr

from pipelines.transfer.decisions.practice_cards import how_sure
from schemas.published import ALL, Z95
from schemas.registers import CARD_MEASURES, PERIODS

KINDS = ("rule", "money", "gun", "practise", "record")  # in this order
LEVERS = {
    "leftover": "leave no more in the cup than the shop's better half does for the same work: weigh back what is left",
    "transfer": "bring those outside the shop's better half to its transfer",
    "over_build": "stop at the film that the data sheet asks for",
    "rework": "find out why operations are repeated, and end it",
    "gun": "replace this gun",
}
OFTEN = 5  # operations with a gun that does not fit from which it is told
MOST = {"practise": 5, "record": 3, "gun": 5}  # lines of a kind that one reader is told in a shop


def actions(
    savings: pl.DataFrame,
    gun_cover: pl.DataFrame,
    gun_fit: pl.DataFrame,
    voc_content: pl.DataFrame,
    compliance_training: pl.DataFrame,
    permit_headroom: pl.DataFrame,
    practice_cards: pl.DataFrame,
    measure_next: pl.DataFrame,
    changes: pl.DataFrame,
    change_effects: pl.DataFrame,
) -> pl.DataFrame:
    """Table actions: (reader, shop_id, rank), every reader's lines by kind, then by what they are worth, then by subject."""
    lines = _answered([
        *_forbidden_guns(gun_fit), *_over_limits(voc_content), *_trainings(compliance_training), *_permits(permit_headroom),
        *_levers(savings), *_misfits(gun_fit, gun_cover), *_cards(practice_cards), *_records(measure_next),
    ], changes, change_effects)  # fmt: skip
    if not lines:
        return pl.DataFrame()
    place = pl.col("kind").replace_strict({k: n for n, k in enumerate(KINDS)}, return_dtype=pl.Int64)
    by = ["reader", "shop_id", "place", "worth", "subject", "what", "evidence"]
    order = [False, False, False, True, False, False, False]
    most = pl.col("kind").replace_strict(MOST, default=len(lines), return_dtype=pl.Int64)
    return (
        pl.DataFrame(lines, infer_schema_length=None)
        .with_columns(place=place)
        .sort(by, descending=order, nulls_last=True)
        .filter(pl.int_range(pl.len()).over("reader", "shop_id", "kind") < most)
        .with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("reader", "shop_id"))
        .drop("place")
    )


def _answered(lines: list[dict[str, Any]], changes: pl.DataFrame, change_effects: pl.DataFrame) -> list[dict[str, Any]]:
    """The lines without those that a change on record has answered: what it was to move is shown to be better since, and nothing of it
    to be worse. A line whose change cannot be told yet, or is shown to be worse, says so. What a rule asks for and what is to be
    recorded no change closes."""
    effects: dict[str, list[dict[str, Any]]] = {}
    for row in change_effects.iter_rows(named=True):
        effects.setdefault(row["change_id"], []).append(row)
    out = []
    for line in lines:
        since = [c for c in changes.sort("on", "change_id").iter_rows(named=True) if _answers(c, line)]
        told = [_stands(c, effects.get(c["change_id"], []), line["kind"] == "practise") for c in since]
        if "" in told:
            continue
        out.append(line | {"what": " ".join([line["what"], *told[-1:]])})
    return out


def _answers(change: dict[str, Any], line: dict[str, Any]) -> bool:
    """Whether a change is about what this line asks for."""
    if change["shop_id"] != line["shop_id"]:
        return False
    if line["kind"] == "practise":
        card = change["card"] in (None, line["evidence"].split(", ")[2])
        return change["what"] == "practice" and change["technician_id"] == line["subject"] and card
    if line["kind"] not in ("money", "gun") or not line["subject"]:
        return False
    return line["subject"] in (change["replaces_gun_id"] or change["gun_id"], change["product_id"])


def _stands(change: dict[str, Any], effects: list[dict[str, Any]], practise: bool) -> str:
    """What a change has come to beside its line; "" where it has answered it."""
    meant = CARD_MEASURES.get(change["card"] or "") if practise else None
    asked = [r for r in effects if meant is None or r["measure"].partition(":")[0] == meant]
    shown = {r["prob_better"] > 0.5 for r in asked if r["verdict"] == "shown"}
    day = f"{change['on']:%Y-%m-%d}"
    if shown == {True}:
        better = f"(Tried since {day}: {change['gun_id']} is shown to be better.)"
        return better if change["what"] == "gun_trial" else ""
    if shown == {False}:
        return f"(Changed on {day}: shown to be worse since.)"
    jobs = min((r["jobs_to_decide"] for r in asked if r["jobs_to_decide"]), default=None)
    return f"(Changed on {day}: not shown yet to have helped{f'; about {jobs} more jobs would tell' if jobs else ''}.)"


def _line(
    readers: tuple[str, ...], kind: str, shop: str, what: str, subject: str, evidence: str, worth: float | None = None,
    low: float | None = None, high: float | None = None, unit: str = "", sure: str = "shown", due: dt.date | None = None,
) -> list[dict[str, Any]]:  # fmt: skip
    return [
        {"reader": reader, "shop_id": shop, "what": what, "subject": subject, "worth": worth, "worth_low": low, "worth_high": high,
         "unit": unit, "how_sure": sure, "due_on": due, "evidence": evidence, "kind": kind}
        for reader in readers
    ]  # fmt: skip


def _forbidden_guns(gun_fit: pl.DataFrame) -> list[dict[str, Any]]:
    found = (
        gun_fit.filter((~pl.col("atomising_allowed")) & (pl.col("n_operations") > 0))
        .group_by("shop_id", "gun_id", maintain_order=True).agg(pl.col("n_operations").sum()).sort("shop_id", "gun_id")
    )  # fmt: skip
    what = "do not spray with this gun: the place's rule does not allow it; replace it, or have an approval on file"
    return [
        line
        for shop, gun, n in found.iter_rows()
        for line in _line(("owner", "environment", "painter"), "rule", shop, what, gun, f"gun_fit: {shop}, {gun}", float(n), unit="operations")
    ]  # fmt: skip


def _over_limits(voc_content: pl.DataFrame) -> list[dict[str, Any]]:
    found = (
        voc_content.filter("over").group_by("shop_id", "product_id", "category", maintain_order=True)
        .agg(n=pl.len(), limit=pl.col("limit_g_per_l").min()).drop_nulls("product_id").sort("shop_id", "product_id", "category")
    )  # fmt: skip
    return [
        line
        for shop, product, category, n, limit in found.iter_rows()
        for line in _line(
            ("owner", "environment"), "rule", shop,
            f"mix it below {limit:g} g/L as the place counts, or take a product that is: cups lie above the limit",
            product, f"voc_content: {shop}, {product}, {category}", float(n), unit="cups",
        )
    ]  # fmt: skip


def _trainings(compliance_training: pl.DataFrame) -> list[dict[str, Any]]:
    late = compliance_training.filter(pl.col("status").is_in(["overdue", "expired", "missing", "due"])).sort(
        "shop_id", "technician_id", "rule"
    )
    out = []
    for r in late.iter_rows(named=True):
        lapsed = r["status"] != "due"
        what = f"{r['label']}: {'train before the next spraying' if lapsed else 'train by the day'}"
        evidence = f"compliance_training: {r['shop_id']}, {r['technician_id']}, {r['rule']}"
        due = r["valid_until"] or r["due_by"]
        out += _line(("environment",), "rule", r["shop_id"], what, r["technician_id"], evidence, due=due)
    lapsed_only = late.filter(pl.col("status") != "due")
    for (shop,), part in lapsed_only.group_by("shop_id", maintain_order=True):
        out += _line(("owner",), "rule", str(shop), "trainings have lapsed or are missing: nobody may spray without", "",
                     f"compliance_training: {shop}", float(part.height), unit="trainings")  # fmt: skip
    return out


def _permits(permit_headroom: pl.DataFrame) -> list[dict[str, Any]]:
    out = []
    for r in permit_headroom.sort("shop_id", "measure", "period").iter_rows(named=True):
        if not r["already"] and r["crossed_in"] is None:
            continue
        what = f"{PERIODS[r['period']]}: " + (
            "the limit of the permit is crossed; tell the authority as the permit says, use less"
            if r["already"]
            else "at the present pace the limit of the permit is crossed; use less or ask for more"
        )
        due = None if r["already"] else dt.datetime.strptime(f"{r['crossed_in']}-01", "%Y-%m-%d").date()
        out += _line(("owner", "environment"), "rule", r["shop_id"], what, r["measure"],
                     f"permit_headroom: {r['shop_id']}, {r['measure']}, {r['period']}", r["share_of_limit"], unit="1",
                     sure="shown" if r["already"] else "likely", due=due)  # fmt: skip
    return out


def _levers(savings: pl.DataFrame) -> list[dict[str, Any]]:
    """Every lever that saves on average, in money where prices are known, else in solids."""
    out = []
    for r in savings.filter(pl.col("shop_id") != ALL).sort("shop_id", "position").iter_rows(named=True):
        priced = r["per_year_cost"] is not None
        solids = ("per_year_solids_kg", "per_year_solids_kg_low", "per_year_solids_kg_high")
        value, low, high = (r[n] for n in (("per_year_cost", "low", "high") if priced else solids))
        if value is None or value <= 0:
            continue
        sd = (high - low) / (2 * Z95)
        sure = how_sure(float(ndtr(value / sd)) if sd > 0 else 1.0)
        readers = ("owner", "painter") if r["lever"] == "leftover" else ("owner",)
        out += _line(readers, "money", r["shop_id"], LEVERS[r["lever"]], r["item"] or "", f"savings: {r['shop_id']}, {r['lever']}",
                     value, low, high, "currency/a" if priced else "kg/a", sure)  # fmt: skip
    return out


def _misfits(gun_fit: pl.DataFrame, gun_cover: pl.DataFrame) -> list[dict[str, Any]]:
    """Products sprayed with guns whose tip does not fit, and which of the guns that are kept to take."""
    kept: dict[tuple[str, str], list[str]] = {}
    told = gun_cover.filter(pl.col("part") == "keep").select("shop_id", "item", "products")
    for shop, gun, products in told.iter_rows():
        for product in products:
            kept.setdefault((shop, product), []).append(gun)
    wrong = (
        gun_fit.filter((~pl.col("tip_fits")) & (pl.col("n_operations") > 0))
        .group_by("shop_id", "product_id", maintain_order=True).agg(pl.col("n_operations").sum(), guns=pl.col("gun_id").sort())
        .filter(pl.col("n_operations") >= OFTEN).sort("shop_id", "product_id")
    )  # fmt: skip
    out = []
    for shop, product, n, guns in wrong.iter_rows():
        fit = kept.get((shop, product), [])
        what = f"buy a tip that fits it: no gun here has one, {', '.join(guns)} sprayed it"
        if fit:
            what = f"spray it with {' or '.join(fit)}, not with {', '.join(guns)}"
        out += _line(("painter", "owner") if not fit else ("painter",), "gun", shop, what, product,
                     f"gun_cover: {shop}", float(n), unit="operations")  # fmt: skip
    return out


def _cards(practice_cards: pl.DataFrame) -> list[dict[str, Any]]:
    return [
        line
        for r in practice_cards.sort("shop_id", "technician_id", "kind", "role").iter_rows(named=True)
        for line in _line(
            ("trainer",), "practise", r["shop_id"], f"{r['seen']} {r['practise']}", r["technician_id"],
            f"practice_cards: {r['shop_id']}, {r['technician_id']}, {r['kind']}, {r['role']}", sure=r["how_sure"],
        )
    ]  # fmt: skip


def _records(measure_next: pl.DataFrame) -> list[dict[str, Any]]:
    """What to record: of hands the trainer's, of the whole shop the painter's and the reporter's."""
    out = []
    for r in measure_next.sort("shop_id", "rank").iter_rows(named=True):
        narrows = None if r["half_width_then"] is None else r["half_width_now"] - r["half_width_then"]
        jobs = "" if r["jobs"] is None else f" ({r['jobs']} jobs)"
        readers = ("trainer",) if " by " in r["figure"] else ("painter", "environment")
        out += _line(readers, "record", r["shop_id"], r["action"] + jobs, r["figure"], f"measure_next: {r['shop_id']}, {r['rank']}",
                     narrows, unit="1", sure="reckoned")  # fmt: skip
    return out
