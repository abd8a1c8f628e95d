"""Film by hand: against the data sheet's window, and over the panel (tilt, edges, nine places), with what so many panels
can and cannot show. Parts of the hands page; nothing here orders people but their ids.
"""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.figures.heat import heat
from reports.site.figures.mini import window
from reports.site.listing import Column, Listing, Row, text
from reports.site.page_tables import PageTables

LEAST_PANELS = 3  # a map of fewer panels shows chance


def film_listing(book: PageTables, role: str, shop: str | None = None) -> Listing | None:
    """Every technician's mean film against the sheet's window, `role` at first; of one shop only what is not shown to lie
    in it.
    """
    frame = book.table("film_by_technician").filter(pl.col("n") > 0)
    if shop is not None:
        inside = 1 - pl.col("prob_mean_over").fill_null(1.0) - pl.col("prob_mean_under").fill_null(0.0)
        frame = frame.filter((pl.col("shop_id") == shop) & (inside <= 0.95))
    if not frame.height:
        return None
    columns = [
        Column("technician"),
        Column("mean film, the sheet's window framed", Markup("0 to 150 % of the greatest")),
        Column("mean film", Markup("% of greatest, 95 % interval"), number=True),
        Column("the mean lies"),
        Column("next job above"),
        Column("operations", number=True),
        Column("of them read", number=True),
        Column("grade"),
    ]
    if shop is not None:
        columns.insert(1, Column("role"))
    rows = [
        Row(
            [
                _who(book, r, _film_remark(r)),
                *([text(wording.role_word(r["role"]))] if shop is not None else []),
                Markup('<span class="cell-strip open">{}</span>').format(
                    window(r["ratio"], r["low"], r["high"], r["window_low"])
                ),
                wording.quantity(r["ratio"], "share", r["low"], r["high"], bare=True),
                text(against_window(r)),
                text(_per_100(r["prob_next_over"])),
                text(r["n"]),
                text(r["n_read"]),
                text(r["grade"]),
            ],
            {"shop": r["shop_id"], "role": r["role"]},
        )
        for r in frame.iter_rows(named=True)
    ]
    return Listing("Film by technician against the data sheet's window", columns, rows, role=role)


def _where(book: PageTables, row: dict[str, Any]) -> str:
    name = book.person_name(row["technician_id"])
    return f"{name}, {book.shop_labels.get(row['shop_id'], row['shop_id'])}" if len(book.shop_labels) > 1 else name


def _rung(probability: float | None) -> str | None:
    return wording.ladder(probability) if wording.known(probability) else None


def _per_100(probability: float | None) -> str | None:
    if not wording.known(probability) or probability is None:
        return None
    return f"{wording.plain(100 * probability, 0)} of 100" if probability >= 0.005 else "under 1 of 100"


def against_window(row: dict[str, Any]) -> str | None:
    """Where the mean lies, by the ladder: "in the window: shown", "above: likely"."""
    over, under = row["prob_mean_over"], row["prob_mean_under"]
    if not wording.known(over) or not wording.known(under):
        return None
    inside = 1 - over - under
    place, probability = max((("in the window", inside), ("above", over), ("below", under)), key=lambda p: p[1])
    return f"{place}: {wording.ladder(probability)}"


def _film_remark(row: dict[str, Any]) -> str:
    if row["flagged"]:
        return "above by a size that matters: see the card"
    if row["why_not_flagged"] and (row["prob_mean_over"] or 0) > 0.5:
        return f"no card: {row['why_not_flagged']}"
    return f"cannot be told apart from {row['with_whom']}" if row["separable"] is False and row["with_whom"] else ""


def _who(book: PageTables, row: dict[str, Any], remark: str = "") -> Markup:
    """A person, below it the shop where there are several, and a remark."""
    under = [book.shop_labels.get(row["shop_id"], row["shop_id"])] if len(book.shop_labels) > 1 else []
    under += [remark] if remark else []
    below = Markup("").join(Markup('<span class="under">{}</span>').format(u) for u in under)
    return Markup("{}{}").format(book.person_name(row["technician_id"]), below)


def film_sentence(book: PageTables) -> str:
    """How many pairs of technician and role lie above or below the window, by the ladder's words."""
    frame = book.table("film_by_technician").filter(pl.col("prob_mean_over").is_not_null() & (pl.col("n") > 0))
    if not frame.height:
        return ""
    over = frame.filter(pl.col("prob_mean_over") > 0.95).height
    likely = frame.filter(pl.col("prob_mean_over").is_between(0.8, 0.95)).height
    under = frame.filter(pl.col("prob_mean_under") > 0.95).height
    return (
        f"Over all data, of {wording.plain(frame.height, 0)} pairs of technician and role, the mean film is shown to lie above the sheet's window "
        f"in {over}, likely in {likely}, and shown to lie below it in {under}."
    )


def tilt_listing(book: PageTables, role: str) -> Listing | None:
    """Tilt and heavy edges, with the smallest that so many panels would show."""
    frame = book.table("edge_bias").filter(pl.col("n_panels") > 0)
    if not frame.height:
        return None
    columns = [
        Column("technician"),
        Column("top less bottom", Markup("% of the mean, 95 % interval"), number=True),
        Column("would show from", Markup("±%"), number=True),
        Column("edges less centre", Markup("% of the mean, 95 % interval"), number=True),
        Column("would show from", Markup("±%"), number=True),
        Column("panels", number=True),
        Column("tilt of a size that matters"),
    ]
    rows = [
        Row(
            [
                _who(book, r),
                _signed(r["tilt"], r["tilt_low"], r["tilt_high"]),
                text(_pct(r["tilt_sees"])),
                _signed(r["edge"], r["edge_low"], r["edge_high"]),
                text(_pct(r["edge_sees"])),
                text(r["n_panels"]),
                text("shown: see the card" if r["flagged"] else _not_flagged(r)),
            ],
            {"shop": r["shop_id"], "role": r["role"]},
        )
        for r in frame.iter_rows(named=True)
    ]
    return Listing("Tilt and edges by technician", columns, rows, role=role)


def _not_flagged(row: dict[str, Any]) -> str | None:
    if row["separable"] is False:
        return f"cannot be told apart from {row['with_whom'] or 'the gun'}"
    return _rung(row["prob_tilt"])


def _signed(value: float | None, low: float | None, high: float | None) -> Markup:
    return wording.quantity(value, "share", low, high, bare=True) if wording.known(value) else text("too few panels")


def _pct(value: float | None) -> str | None:
    return wording.plain(100 * value, 0) if wording.known(value) and value is not None else None


def maps(book: PageTables) -> list[dict[str, Any]]:
    """A map for every technician and role with enough panels: name, shop, role, panels, drawing."""
    frame = book.table("panel_heat").filter(pl.col("n_panels") >= LEAST_PANELS)
    out = []
    for (shop, person, role), places in frame.group_by("shop_id", "technician_id", "role", maintain_order=True):
        rows = places.to_dicts()
        out.append(
            {
                "shop": shop,
                "role": role,
                "who": person,
                "name": _where(book, rows[0]),
                "n": rows[0]["n_panels"],
                "drawing": heat(rows),
            }
        )
    return out


def power(book: PageTables) -> dict[str, Any]:
    """What a number of panels can show: spread between places, panels needed for 5, 10, 20 %."""
    frame = book.table("technique_power").filter(pl.col("panels").is_not_null() & pl.col("spread").is_not_null())
    if not frame.height:
        return {}
    of = {
        m: ", ".join(
            f"{wording.plain(r['panels'], 0)} for {wording.plain(100 * r['difference'], 0)} %"
            for r in frame.filter(pl.col("measure") == m).sort("difference").iter_rows(named=True)
        )
        for m in ("tilt", "edge")
    }
    return {"spread": wording.phrase(max(frame["spread"].to_list()), "share"), **of}


def most_read(book: PageTables) -> str:
    """The role with the most panels read in nine places."""
    frame = book.table("edge_bias").group_by("role").agg(pl.col("n_panels").sum()).sort("n_panels", "role")
    return frame["role"][-1] if frame.height else ""
