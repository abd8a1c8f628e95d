"""Did it help? What was changed, and what became of it: a section of the pages on guns, hands and material.

One plain sentence a change, from the table change_effects; every measure of it in a fold-out. Not here: how an effect is found
(pipelines/transfer/decisions/change_effects.py), and what closes a line of the actions.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import wording
from reports.site.listing import Listing, Record, counted, listed, said
from reports.site.page_tables import PageTables
from schemas.registers import CARD_MEASURES, GUN_CHANGES

#: what of the register `changes` each page tells
GUNS = GUN_CHANGES
HANDS = ("practice",)
MATERIAL = ("product", "procedure", "other")
#: kind of measure -> what it is called, and how its values and its difference are worded
MEASURES = {
    "te": ("{} that landed", "share", "factor"),
    "film_over": ("chance that a panel's {} lies above the window", "share", "share"),
    "tilt": ("{}, top less bottom", "share", "share"),
    "edge": ("{}, edges less centre", "share", "share"),
    "leftover_share": ("left in the cup", "share", "share"),
    "redo_rate": ("operations done again", "share", "share"),
    "cost_per_job": ("material a job", "cost", "cost"),
}
LARGE = 0.05  # where the whole interval is smaller than this, nothing that matters was changed; of te and cost: of the figure itself
NOTE = (
    "write one line a change into registers/changes.csv (its day, what it was, whom or what it touches), then run again"
)
NONE = {
    GUNS: f"No change of a gun, tip or pressure is on record. To be told whether the next one helped, {NOTE}. Services stand in"
    " registers/gun_services.csv as before.",
    HANDS: f"Nobody's practice is on record. To be told whether it helped, {NOTE}.",
    MATERIAL: f"No change of a product or a way of working is on record. To be told whether the next one helped, {NOTE}.",
}


def make(book: PageTables, kinds: tuple[str, ...]) -> dict[str, Any]:
    """The section's values: `changes` (shop, title, word, said, beside), `every`: all measures, `none` where nothing is on record."""
    found = book.table("changes").filter(pl.col("what").is_in(kinds)).sort("on", "change_id", descending=[True, False])
    effects = book.table("change_effects").filter(pl.col("change_id").is_in(found["change_id"].to_list()))
    rows = {str(k[0]): part.to_dicts() for k, part in effects.group_by("change_id", maintain_order=True)}
    titles = {r["change_id"]: _title(book, r) for r in found.iter_rows(named=True)}
    return {
        "changes": [
            {"shop": r["shop_id"], "title": titles[r["change_id"]], **_told(book, r, rows.get(r["change_id"], []), titles)}
            for r in found.iter_rows(named=True)
        ],
        "every": _every(book, effects, titles),
        "none": NONE[kinds],
    }  # fmt: skip


def since(book: PageTables, who: str) -> list[dict[str, Any]]:
    """What happened since this technician practised, the latest first: title, card (the kind it answers), word, said, beside."""
    mine = book.table("changes").filter(pl.col("what").is_in(HANDS) & (pl.col("technician_id") == who))
    effects = book.table("change_effects")
    return [
        {"title": _title(book, r), "card": r["card"],
         **_told(book, r, effects.filter(pl.col("change_id") == r["change_id"]).to_dicts(), {})}
        for r in mine.sort("on", "change_id", descending=[True, False]).iter_rows(named=True)
    ]  # fmt: skip


def answer(rows: list[Record], own: str | None = None) -> str:
    """What came of a change in a word, from its rows of change_effects: helped, harmed, both, nothing, not, open.

    own: the kind of measure that it was meant to move (of a practice); then that alone is asked for where there is one. Of what
    lands all roles together are asked for where they are told: of four roles one is soon shown by chance."""
    together = any(r["measure"] == TOGETHER for r in rows)
    rows = [r for r in rows if not together or _kind(r) != "te" or r["measure"] == TOGETHER]
    asked = [r for r in rows if _kind(r) == own] or rows
    shown = {r["prob_better"] > 0.5 for r in asked if r["verdict"] == "shown"}
    if shown:
        return "both" if len(shown) == 2 else "helped" if True in shown else "harmed"
    if not asked:
        return "open"
    return "nothing" if all(map(_small, asked)) else "not" if all(map(_no_gain, asked)) else "open"


TOGETHER = "te:all"
WORDS = {
    "helped": "It helped.",
    "harmed": "It did harm.",
    "both": "It helped in one thing and did harm in another.",
    "nothing": "It changed nothing that matters.",
    "not": f"It did not help: a gain of more than {100 * LARGE:g} % is ruled out.",
    "open": "It cannot be told yet.",
}


def _kind(row: Record) -> str:
    return str(row["measure"]).partition(":")[0]


def _role(row: Record) -> str:
    role = str(row["measure"]).partition(":")[2]
    return "paint of all roles" if role == "all" else wording.role_word(role)


def _ends(row: Record) -> tuple[float, float]:
    """The interval of the difference, none at 0, in what LARGE is told in."""
    middle, scale = (
        (1.0, 1.0) if _kind(row) == "te" else (0.0, abs(row["before"]) if _kind(row) == "cost_per_job" else 1.0)
    )
    return (row["low"] - middle) / (scale or 1.0), (row["high"] - middle) / (scale or 1.0)


def _small(row: Record) -> bool:
    """Whether the interval holds no difference and none beyond LARGE."""
    low, high = _ends(row)
    return bool(low <= 0 <= high and max(-low, high) <= LARGE + 1e-9)


def _no_gain(row: Record) -> bool:
    """Whether no gain beyond LARGE is inside. Tilt and edges gain either way."""
    low, high = _ends(row)
    return (
        _small(row) if _kind(row) in ("tilt", "edge") else bool((high if _kind(row) == "te" else -low) <= LARGE + 1e-9)
    )


def _told(book: PageTables, change: Record, rows: list[Record], titles: dict[str, str]) -> dict[str, Any]:
    """The word, one plain sentence, and what stands beside it."""
    rule = [
        f"By the rule of the trial: {said}"
        for said in book.table("trial_standing").filter(pl.col("change_id") == change["change_id"])["said"]
    ]
    if not rows:
        return {"word": WORDS["open"], "said": "It takes three records on either side of its day.", "beside": rule}
    own = CARD_MEASURES.get(change["card"] or "")
    found = answer(rows, own)
    main = min(rows, key=lambda r: _weight(r, found, own))
    said = _sentence(book, main)
    if found == "open":
        jobs = main["jobs_to_decide"]
        said += (
            f" About {wording.jobs(jobs, 'more job', 'more jobs')} like these would decide it."
            if jobs
            else " What there is so far is too little, or too small a difference, to say how many more jobs would."
        )
    beside = []
    if wording.known(main["worth_per_year"]) and book.reader.prices:
        ends = main["worth_per_year"], main["worth_low"], main["worth_high"]
        less = ends[0] < 0
        value, low, high = (-ends[0], *(end and -end for end in (ends[2], ends[1]))) if less else ends
        worth = wording.phrase(value, "cost", low, high, currency=book.currency)
        beside.append(f"{'It costs more in a year' if less else 'Saved by it in a year'}: {worth}.")
    if main["confounded_with"]:
        beside.append(f"Cannot be told apart from: {_named(main['confounded_with'], titles)}.")
    if wording.known(main["returned_by_itself"]):
        kind = MEASURES[_kind(main)][2]
        beside.append(
            f"Of the plain difference between before and since, {wording.phrase(main['returned_by_itself'], kind)} would have come back"
            " by itself: whoever looks lowest once looks better the next time, with or without practice. It is not counted here."
        )
    return {
        "word": WORDS[found],
        "said": said,
        "beside": beside + [f"{line} The figure above is none of its looks." for line in rule],
    }


def _weight(row: Record, found: str, own: str | None) -> tuple[bool, bool, bool, float, int, str]:
    """What is told first: what it was meant to move, what the answer rests on, the surer, the more records."""
    rests = row["verdict"] == "shown" and (found == "both" or (row["prob_better"] > 0.5) == (found == "helped"))
    told = row["measure"] != TOGETHER
    return _kind(row) != own, not rests, told, -abs(row["prob_better"] - 0.5), -(row["n_after"] or 0), row["measure"]


def _sentence(book: PageTables, row: Record) -> str:
    word, of, how = MEASURES[_kind(row)]
    money = book.currency if of == "cost" else ""
    what = word.format(_role(row))
    way = "better" if row["prob_better"] >= 0.5 else "worse"
    return (
        f"{what[:1].upper()}{what[1:]}: {wording.phrase(row['after'], of, currency=money)} since, where"
        f" {wording.phrase(row['before'], of, currency=money)} would have been without it;"
        f" {'that is' if how == 'factor' else 'a difference of'}"
        f" {wording.phrase(row['difference'], how, row['low'], row['high'], currency=money)}, {way}: {row['verdict']}"
        f" ({wording.plain(row['n_before'], 0)} before, {wording.plain(row['n_after'], 0)} since)."
    )


def _named(text: str, titles: dict[str, str]) -> str:
    """The ids of other changes as they are called; words stay."""
    return "; ".join(titles.get(part.strip(), part.strip()) for part in text.split(","))


def _title(book: PageTables, r: Record) -> str:
    who = book.person_name(r["technician_id"]) if r["technician_id"] else "somebody"
    gun, other = r["gun_id"] or "a gun", r["replaces_gun_id"] or "the one before"
    product = book.product_label(r["product_id"]) if r["product_id"] else "a product"
    what = {
        "gun_trial": f"{gun} tried against {other}", "gun_replaced": f"{gun} in place of {other}", "gun_serviced": f"{gun} serviced",
        "tip": f"{gun}: another tip", "inlet": f"{gun}: another inlet pressure", "practice": f"{who} practised",
        "product": f"{product} taken into use", "procedure": "Another way of working", "other": "Something changed",
    }[r["what"]]  # fmt: skip
    role = f", {wording.role_word(r['role'])}" if r["role"] else ""
    words = "; ".join(part for part in (r["after"], f"before: {r['before']}" if r["before"] else "") if part)
    return f"{what}{role}, {wording.day_word(r['on'])}{f' ({words})' if words else ''}"


def _every(book: PageTables, effects: pl.DataFrame, titles: dict[str, str]) -> Listing | None:
    def worded(r: Record, name: str, place: int) -> Any:
        kind = MEASURES[_kind(r)][place]
        ends = (r["low"], r["high"]) if name == "difference" else (None, None)
        return wording.quantity(r[name], kind, *ends, currency=book.currency if kind == "cost" else "")

    return listed(
        "Every figure of each change; in brackets the 95 % interval",
        effects.sort("change_id", "measure"),
        said("change", lambda r: titles[r["change_id"]]),
        said("what", lambda r: MEASURES[_kind(r)][0].format(_role(r))),
        counted("without it", lambda r: worded(r, "before", 1)),
        counted("since", lambda r: worded(r, "after", 1)),
        counted("difference", lambda r: worded(r, "difference", 2)),
        said("better", lambda r: wording.ladder(r["prob_better"])),
        counted("records before, since", lambda r: f"{r['n_before']}, {r['n_after']}"),
        counted("more jobs that would decide it", "jobs_to_decide"),
        source="change_effects",
    )
