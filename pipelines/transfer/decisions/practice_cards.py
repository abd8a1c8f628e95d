"""Practice cards: what was seen, how sure, what it could be confused with, what to practise, what would settle it.

Here belong the words and the rules of fairness: nobody is flagged who cannot be told apart from the gun, people appear by id,
nothing is ranked, nobody is blamed. What is flagged is decided where the figures are made (film_model.py, technique.py,
habits.py, the transfer model); a card is written for each flag and for nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipelines.settings import Settings
from pipelines.transfer.decisions.film_model import MAX_VIF
from pipelines.transfer.decisions.habits import Habits
from schemas.published import Z95

RANK_RELIABILITY = 0.7  # below it people stand in no order
LADDER = ((0.95, "shown"), (0.80, "likely"), (0.20, "not shown"), (0.05, "unlikely"), (0.0, "shown not to be so"))
SHEET_FIRST = (
    "The product's data sheet comes first: coats, film, flash times and pressure. Spraying practice panels needs the same "
    "protection as a job: supplied air or the respirator the safety data sheet names wherever a hardener may hold "
    "isocyanates, booth air on, nothing that sparks, gun and parts earthed where solvent is sprayed."
)
# Technique: gun square to the panel, parallel strokes, half overlap, trigger at the ends, borders first. Source: California Air
# Resources Board, tips for spray technique; 40 CFR 63.11173(f)(2)(ii) names distance, angle, banding, overlap, lead and lag.
PRACTISE = {
    "low_transfer": (
        "Hold the distance that the gun's maker and the sheet give, square to the panel over the whole stroke; half overlap; "
        "trigger off at the end of each stroke; border edges first, then the field; the lowest pressure that still atomises. One "
        "papered panel weighed before and after shows a difference within the hour."
    ),
    "over_build": (
        "Count coats against the sheet and read the film after the last but one on a strip or a practice panel; an even speed and "
        "half overlap leave less than a slow hand; where base seems to need one more coat, look at the hiding of the colour first."
    ),
    "tilt": (
        "Keep the gun square to the panel over its whole height, the wrist straight at the upper and the lower edge; half overlap "
        "from the first stroke to the last; on tall panels move the feet, not the wrist."
    ),
    "thin_edges": (
        "Spray the border edges first, one stroke along each, then the field; keep the trigger on until the gun is past the "
        "edge, and let the first and the last stroke lap over it by half."
    ),
    "leftover": (
        "Mix for the area: the guide at the mixing bench tells the amount for this gun; mix a second small cup when it runs short; "
        "weigh back, so that the guide learns. Pot life and the sheet's least mix come first."
    ),
}
CAUTION_EXTRA = {
    "low_transfer": " Lower pressure must not leave the range of the data sheet.",
    "over_build": " A film below the sheet's least must be made good: aim at the middle of the window, not below it.",
    "leftover": " Never keep a mix with hardener beyond its pot life.",
}


def how_sure(probability: float) -> str:
    """The word of the ladder for a probability: shown, likely, not shown, unlikely, shown not to be so."""
    return next(word for floor, word in LADDER if probability > floor or floor == 0.0)


def practice_cards(
    technician_effects: pl.DataFrame,
    film_by_technician: pl.DataFrame,
    edge_bias: pl.DataFrame,
    habits: Habits,
    transfer_by_pair: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Table practice_cards: one row per flag, sorted by shop, technician and kind, never by size."""
    used = transfer_by_pair.group_by("technician_id", maintain_order=True).agg(
        shop_id=pl.col("shop_id").sort_by("n", "shop_id", descending=[True, False]).first(),
        guns=pl.col("gun_id").sort_by("n", "gun_id", descending=[True, False]).unique(maintain_order=True),
    )
    shop_of = dict(used.select("technician_id", "shop_id").iter_rows())
    guns = {
        who: ", ".join([gun for gun in found if gun][:4])
        for who, found in used.select("technician_id", "guns").iter_rows()
    }
    rows: list[dict[str, Any]] = []

    def card(kind: str, r: Mapping[str, Any], shop: str | None, also: str, *, role: str = "all", **more: Any) -> None:
        """A row for the flag `r`; `also`: what it could be confused with besides the gun."""
        who = r["technician_id"]
        if shop is not None:
            rows.append({
                "shop_id": shop, "technician_id": who, "kind": kind, "role": role, "practise": PRACTISE[kind],
                "caution": SHEET_FIRST + CAUTION_EXTRA.get(kind, ""), "how_sure": how_sure(more["prob"]),
                "confused_with": also if kind == "leftover" else _confused(guns.get(who), r["vif"], also), **more,
            })  # fmt: skip

    material = settings.transfer.material_effect
    over = settings.practice.over_build_material
    for r in technician_effects.filter("flagged").iter_rows(named=True):
        card(
            "low_transfer", r, shop_of.get(r["technician_id"]), "a worn gun, a cup not weighed back, an area guessed",
            seen=f"Of what is sprayed, {_percent(r['effect'])} of what is typical here lands on the panel "
                 f"({_percent(r['low'])} to {_percent(r['high'])}), the same work and guns reckoned.",
            value=r["effect"], low=r["low"], high=r["high"], n=r["n"], prob=r["prob_low"],
            would_settle=_settle_log(
                r["effect"], r["low"], r["high"], r["n"], 1 + material,
                "jobs with a weighed leftover and film read before and after",
            ),
        )  # fmt: skip
    for r in film_by_technician.filter("flagged").iter_rows(named=True):
        role = r["role"].replace("_", " ")
        card(
            "over_build", r, r["shop_id"], "a gauge that reads high, a colour that hides poorly, a tip too large", role=r["role"],
            seen=f"The {role} film lies at {_percent(r['ratio'])} of the sheet's greatest film on average "
                 f"({_percent(r['low'])} to {_percent(r['high'])}); of 100 jobs to come, about "
                 f"{100 * r['prob_next_over']:.0f} would lie above it.",
            value=r["ratio"], low=r["low"], high=r["high"], n=r["n"], prob=r["prob_material"],
            would_settle=_settle_log(
                r["ratio"], r["low"], r["high"], r["n"], 1 + over,
                "operations read on their own (a strip pulled in between)",
            ),
        )  # fmt: skip
    panels_of_hand = edge_bias.sort("shop_id", "technician_id", "n_panels", descending=[False, False, True])
    hand = ["shop_id", "technician_id"]
    for r in panels_of_hand.filter("flagged").unique(hand, keep="first", maintain_order=True).iter_rows(named=True):
        side = "upper" if r["tilt"] > 0 else "lower"
        card(
            "tilt", r, r["shop_id"],
            "sag on upright panels (film moves down by itself), border edges sprayed first, a gun whose air cap is partly blocked",
            role=r["role"],
            seen=f"On {r['n_panels']} panels of {r['role'].replace('_', ' ')} the {side} edge carries {_percent(abs(r['tilt']))} more of the "
                 f"mean film than the other ({_percent(r['tilt_low'])} to {_percent(r['tilt_high'])}, upper less lower).",
            value=r["tilt"], low=r["tilt_low"], high=r["tilt_high"], n=r["n_panels"], prob=r["prob_tilt"],
            would_settle="Nine readings on five more panels with another gun: a tilt that stays is the hand's, one that goes is the gun's.",
        )  # fmt: skip
    for r in panels_of_hand.filter("thin_edges").unique(hand, keep="first", maintain_order=True).iter_rows(named=True):
        card(
            "thin_edges", r, r["shop_id"], "a fan that is set too wide, places read too near the edge", role=r["role"],
            seen=f"On {r['n_panels']} panels of {r['role'].replace('_', ' ')} the edges carry {_percent(-r['edge'])} less of the "
                 f"mean film than the centre ({_percent(r['edge_low'])} to {_percent(r['edge_high'])}, edges less centre).",
            value=r["edge"], low=r["edge_low"], high=r["edge_high"], n=r["n_panels"], prob=r["prob_thin"],
            would_settle="Nine readings on five more panels with another gun: edges that stay thin are the hand's.",
        )  # fmt: skip
    if habits.people.height:
        usual = dict(habits.usual.iter_rows())
        for r in habits.people.filter("flagged").iter_rows(named=True):
            half = Z95 * math.sqrt(r["variance"])
            level = usual.get(r["shop_id"], 0.0)
            card(
                "leftover", r, r["shop_id"],
                "Weighing back the large leftovers only, cups mixed for somebody else, colours that need a spare for blending.",
                seen=f"{_percent(r['effect'])} more of a cup stays in it than is usual for the same role, product and size of mix "
                     f"({_percent(r['effect'] - half)} to {_percent(r['effect'] + half)}); usual in this shop is {_percent(level)}.",
                value=r["effect"], low=r["effect"] - half, high=r["effect"] + half, n=r["n"], prob=r["prob"],
                would_settle="Every cup weighed back for two weeks, small leftovers too.",
            )  # fmt: skip
    if not rows:
        return pl.DataFrame()
    return pl.DataFrame(rows, infer_schema_length=None).sort("shop_id", "technician_id", "kind", "role")


def _percent(x: float | None) -> str:
    return "unknown" if x is None else f"{100 * x:.0f} %"


def _wider(vif: float) -> str:
    """What a VIF means for an interval: its square root. Hand and gun count as told apart up to a VIF of 3."""
    factor = f"{math.sqrt(vif):.1f}"
    if factor == "1.0":
        return "that hardly widens the interval; hand and gun are well told apart here"
    return f"that makes the interval {factor} times as wide; up to {math.sqrt(MAX_VIF):.1f} times, one can still be told from the other"


def _confused(guns: str | None, vif: float | None, other: str) -> str:
    start = f"The gun: seen with {guns}. " if guns else ""
    how = "" if vif is None else f"What the guns themselves do is not known exactly: {_wider(vif)}. "
    return f"{start}{how}Also: {other}."


def _settle_log(value: float, low: float, high: float, n: int, edge: float, what: str) -> str:
    """Records that bring the 95 % interval wholly to one side of `edge`, the standard error falling with 1/sqrt(n)."""
    if not (value and low and high) or n < 1:
        return f"More {what}."
    matters = f"{_percent(edge)}, where a difference starts to matter"
    if low > edge or high < edge:
        return f"The whole interval lies beyond {matters}; the next {max(5, math.ceil(n / 2))} {what} show whether practice helps."
    half = math.log(high / low) / 2
    gap = abs(math.log(value / edge))
    if gap <= 0.1 * half:
        return f"The figure lies at {matters}: no number of jobs is likely to settle it; more {what} keep it in view."
    more = math.ceil(n * ((half / gap) ** 2 - 1))
    return f"About {max(more, 3)} more {what}: then the interval should lie wholly on one side of {matters}."


def cautions() -> pl.DataFrame:
    """Table cautions: what stands beside advice that could hurt somebody, with the source that says more."""
    rows = [
        ("data sheet", ["mix_guide", "cup_guide", "film_by_technician", "gun_fit", "practice_cards"],
         "The product's data sheet and safety data sheet come first: mixing ratio, pot life, coats, film, tip, pressure. Advice "
         "here never widens them.", "the product's own sheets"),
        ("isocyanates", ["mix_guide", "cup_guide", "practice_cards", "gun_fit"],
         "Hardeners of two-part products may hold isocyanates, which can cause asthma for life. Supplied air or the respirator that "
         "the safety data sheet and local rules name, gloves, eye protection, fit test and medical advice; also for practice panels "
         "and for cleaning the gun. In the European Union training is required before use.",
         "29 CFR 1910.134; Regulation (EU) 2020/1149, REACH Annex XVII entry 74; Reeb-Whitaker and others 2012"),
        ("booth air", ["practice_cards", "gun_fit", "savings"],
         "Booth air stays on while spraying, flashing off and cleaning. A better transfer is no reason for less air or fewer filters.",
         "40 CFR 63.11173(e)(2); local codes"),
        ("static and fire", ["gun_fit", "gun_cover", "savings", "mix_guide", "cup_guide"],
         "Solvent vapour ignites. Earth guns, cups and parts, keep sparks and hot work away, close containers. Electrostatic guns, "
         "changes to air supply or ventilation are work for people licensed to do it.", "local fire code; the gun's manual"),
        ("film limits", ["film_by_technician", "savings", "practice_cards"],
         "Less film is a saving only inside the window: below the sheet's least, protection and repairability are lost; above its "
         "greatest, solvent may be trapped.", "the product's data sheet"),
        ("place's rules", ["gun_fit", "gun_cover"],
         "Whether a gun is allowed is decided by the rule of the place and its inspector. Where it is not known, or for "
         "review, ask before spraying with it.", "40 CFR 63.11173(e)(3), 63.11180; local rules"),
        ("personal data", ["technician_effects", "film_by_technician", "edge_bias", "panel_heat", "practice_cards"],
         "These are personal data about named people's work. Local employment and privacy law applies, with whatever a works council "
         "or contract says. Tell the people first, show them their own figures, use them to coach and for nothing else.",
         "local law; in the European Union the General Data Protection Regulation"),
        ("tilt and edges", ["edge_bias", "panel_heat"],
         "Spraying the border edges first is good practice and thickens them on purpose; sag moves film down upright panels. A tilt "
         "says where the film is, not why.", "California Air Resources Board, spray technique; common practice"),
        ("order of people", ["technician_effects", "film_by_technician", "edge_bias"],
         f"People stand in order of their id. An order of their figures would mean nothing unless at least "
         f"{_percent(RANK_RELIABILITY)} of the differences between them were their own; the rest is chance.",
         "the method page"),
    ]  # fmt: skip
    return pl.DataFrame(
        rows,
        schema={"topic": pl.String, "beside": pl.List(pl.String), "says": pl.String, "source": pl.String},
        orient="row",
    )
