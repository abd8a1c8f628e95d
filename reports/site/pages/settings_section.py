"""Which settings matter: what tip, inlet pressure and coats go with, a section of the page on guns.

A sentence for each that is shown, from the table setting_effects; everything that was looked at in a fold-out, with why nothing is said of the
rest. Not here: when a setting varies enough to be asked (pipelines/transfer/decisions/setting_effects.py).
"""

from __future__ import annotations

from typing import Any

import polars as pl

from pipelines import units
from reports import wording
from reports.site.listing import Record, counted, listed, said
from reports.site.page_tables import PageTables

#: setting -> what more of it is, its name, its unit
SETTINGS = {
    "tip": ("of tip outside the data sheet's window", "tip outside the window", "mm"),
    "inlet": ("more at the inlet", "inlet pressure", "kPa"),
    "coats": ("more", "coats", "coat"),
}
MEASURES = {"te": "{} that landed", "film": "film of {}"}


def make(book: PageTables) -> dict[str, Any]:
    """The section's values: `shown`: (shop, sentence) each; `all`: what came of all; `rows`: every figure, None where there is none."""
    found = book.table("setting_effects").sort("shop_id", "role", "setting", "measure")
    told = found.filter(pl.col("verdict").is_not_null())
    several = len(book.shop_labels) > 1
    return {
        "shown": [(r["shop_id"], (f"{book.shop_labels.get(r['shop_id'], r['shop_id'])}: " if several else "") + _sentence(r))
                  for r in told.filter(pl.col("verdict") == "shown").iter_rows(named=True)],
        "all": f"Of {wording.plain(found.height, 0)} settings by role and measure {wording.plain(told.height, 0)} vary enough, and apart enough from"
        " guns, hands and products, to say what they go with. With so many asked, only what chance would hardly bring counts as shown.",
        "rows": listed(
            "What each setting goes with; in brackets the 95 % interval",
            found,
            said("shop", lambda r: book.shop_labels.get(r["shop_id"], r["shop_id"])),
            said("setting", lambda r: SETTINGS[r["setting"]][1]),
            said("what it may move", lambda r: _measure(r)),
            counted("operations that say it", lambda r: f"{wording.plain(r['n_known'], 0)} of {wording.plain(r['n'], 0)}"),
            counted("usual", _usual),
            counted("of them apart from it", "n_apart"),
            said("one step more", _step),
            counted("goes with", lambda r: wording.quantity(r["effect"], "share", r["low"], r["high"]) if r["verdict"] else None),
            said("in a word", lambda r: wording.ladder(max(r["prob_more"], 1 - r["prob_more"])) if r["verdict"] else r["why"]),
            source="setting_effects",
        ),
    }  # fmt: skip


def _measure(row: Record) -> str:
    return MEASURES[row["measure"]].format(wording.role_word(row["role"]))


def _step(row: Record) -> str:
    """50 kPa (7 psi) more at the inlet."""
    more, _, unit = SETTINGS[row["setting"]]
    size = unit if row["unit"] == 1 else f"{row['unit']:g} {unit}"
    psi = f" ({wording.plain(row['unit'] * units.factor('kPa', 'psi'), 0)} psi)" if unit == "kPa" else ""
    return f"{size}{psi} {more}"


def _usual(row: Record) -> str | None:
    if row["usual"] is None:
        return None
    unit = "" if row["setting"] == "coats" else SETTINGS[row["setting"]][2]
    return f"{row['usual']:.3g} {unit}".strip()


def _sentence(row: Record) -> str:
    """One coat more goes with 31 % (25-37) more film of clear."""
    less = row["effect"] < 0
    ends = (-row["effect"], -row["high"], -row["low"]) if less else (row["effect"], row["low"], row["high"])
    return (
        f"Each {_step(row)} goes with {wording.phrase(ends[0], 'share', ends[1], ends[2])} {'less' if less else 'more'}"
        f" {_measure(row)}: shown ({wording.plain(row['n_known'], 0)} operations, {wording.grade(row['grade'])})."
    )
