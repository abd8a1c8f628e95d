"""Hands: how much of what each technician sprays lands, what that could be confused with, and what to practise.

Technicians appear by their id, in the order of the ids, with interval, number of records and who or what they cannot
be told apart from. Nobody is ordered by an estimate here.
"""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.figures.figure import Figure
from reports.site.figures.intervals import intervals
from reports.site.figures.mini import mini
from reports.site.listing import Listing, listed, of_table, said
from reports.site.page_tables import PageTables
from reports.site.pages import did_it_help, panels
from reports.site.pages.bench import cautions
from reports.site.pages.common import (
    MOST_DRAWN,
    Page,
    Part,
    apart,
    counted,
    default_role,
    interval_rows,
    of_shop,
    transfer_listing,
)


def make(book: PageTables) -> dict[str, Any]:
    if not book.people:
        return {"present": False, "hidden": True, "figure": None, "role": ""}
    rows = book.transfer["technician"]
    role = default_role(rows)
    if not rows:
        return {"present": False, "hidden": False, "figure": None, "role": ""}
    shown = interval_rows(book, "technician", role, every=True) if role else []
    told = [r for r in shown if not r["typical"] and r["v"] is not None]
    figure = (
        Figure(
            key="hands",
            title="Part of the sprayed solids that landed, by technician",
            finding=Markup(
                "The dot is the estimate, the band its 95 % interval; "
                "a hollow dot is one figure for two that cannot be told apart."
            ),
            plot=intervals(interval_rows(book, "technician", role)),
            kind="intervals",
            how="transfer",
            data=transfer_listing(book, "technician", "technician"),
            behind="records",
            spec={"by": "technician", "role": role, "most": MOST_DRAWN},
        )
        if role
        else None
    )
    return {
        "present": True,
        "role": role,
        "role_word": wording.role_word(role),
        "figure": figure,
        "count": counted(shown),
        "cards": [] if book.apart else cards(book),
        "elsewhere": [(_file(i), book.shop_labels.get(s, s)) for i, s in enumerate(_shops(book), 1)]
        if book.apart
        else [],
        "n_cards": book.table("practice_cards").height if book.computed("practice_cards") else None,
        "watch": _watch(book),
        "helped": did_it_help.make(book, did_it_help.HANDS),
        "film": panels.film_listing(book, role),
        "film_said": panels.film_sentence(book),
        "tilt": panels.tilt_listing(book, panels.most_read(book)),
        "tilt_role": panels.most_read(book),
        "maps": [] if book.apart else panels.maps(book),
        "power": panels.power(book),
        "cautions": cautions(book, "practice_cards"),
        "own": book.reader.people == "own",
        "own_said": "; ".join(
            f"{wording.standing(r['v'], r['lo'], r['hi'], r['n'], r['grade'])}{_against(r, shown)}" for r in told
        ),
    }


def _watch(book: PageTables) -> Listing | None:
    """Whom to watch, by shop and role: those whose whole interval lies above the shop's own, in the order of ids."""
    typical = [{**r, "typical": True} for r in book.transfer["role"]]
    found: dict[tuple[str, str], list[str]] = {}
    for r in book.transfer["technician"]:
        of = [t for t in typical if t["role"] == r["role"] and t["shop"] == r["shop"]]
        if r["n"] > 0 and r["v"] is not None and of and apart(r, of) > 0:
            words = f"{r['name']}: {wording.phrase(r['v'], 'share', r['lo'], r['hi'])}, {wording.jobs(r['n'])}"
            found.setdefault((r["shop"], r["role"]), []).append(words)
    own = {(t["shop"], t["role"]): wording.phrase(t["v"], "share") for t in typical}
    rows = [
        {"shop_id": s, "role": role, "who": "; ".join(sorted(who)), "own": own[s, role]}
        for (s, role), who in sorted(found.items())
    ]
    return listed(
        "Shown to land more than the shop's own", rows, of_shop(book), said("role", lambda r: wording.role_word(r["role"])),
        said("whom to watch", "who"), said("the shop's own", "own"), at=lambda r: {"shop": r["shop_id"], "role": r["role"]},
    )  # fmt: skip


def _against(row: dict[str, Any], shown: list[dict[str, Any]]) -> str:
    typical = next((r["v"] for r in shown if r["typical"] and r["shop"] == row["shop"]), None)
    return f", where the shop's own is {wording.phrase(typical, 'share')}" if wording.known(typical) else ""


def _shops(book: PageTables) -> list[str]:
    return sorted({r["shop"] for r in book.transfer["technician"]})


def _file(number: int) -> str:
    return f"hands_{number}.html"


def parts(book: PageTables) -> list[Part]:
    """Where there are many shops, a page each: the cards that ask for practice, and film that is not shown to be in the
    window. (Everybody's own card comes with a painter's site.)
    """
    if not book.apart:
        return []
    out = []
    every, said = cards(book), cautions(book, "practice_cards")
    for i, shop in enumerate(_shops(book), 1):
        label = book.shop_labels.get(shop, shop)
        values = {
            "title": label,
            "question": f"What could we practise at {label}?",
            "cards": [c for c in every if shop in c["shops"] and c["flags"]],
            "film": panels.film_listing(book, "", shop),
            "cautions": said,
            "own": False,
        }
        out.append(Part(_file(i), "hands_cards", values))
    return out


KIND_WORDS = {
    "low_transfer": "Transfer",
    "over_build": "Film above the window",
    "tilt": "Film over the panel",
    "thin_edges": "Edges of the panel",
    "leftover": "Left in the cup",
}


def cards(book: PageTables) -> list[dict[str, Any]]:
    """A practice card each technician, in the order of ids: what was seen; of each flag how sure, could be confused with,
    to practise, what would settle it. A card without a flag says so, and what its figures rest on.
    """
    by_id: dict[str, list[dict[str, Any]]] = {}
    for row in book.transfer["technician"]:
        by_id.setdefault(row["who"], []).append(row)
    flags: dict[str, list[dict[str, Any]]] = {}
    for r in book.table("practice_cards").iter_rows(named=True):
        flags.setdefault(r["technician_id"], []).append(r)
        by_id.setdefault(r["technician_id"], [])
    effects = {r["technician_id"]: r for r in book.table("technician_effects").iter_rows(named=True)}
    edges, film = _by_person(book.table("edge_bias")), _by_person(book.table("film_by_technician"))
    maps: dict[str, list[dict[str, Any]]] = {}
    for m in panels.maps(book):
        maps.setdefault(m["who"], []).append(m)
    partners = _partners(book)
    advice = {
        (r["technician_id"], r["role"]): r["advice"] for r in book.table("transfer_by_technician").iter_rows(named=True)
    }
    out = []
    for number, (who, all_rows) in enumerate(sorted(by_id.items()), 1):
        rows = [r for r in all_rows if r["n"] > 0]
        lines, below, above = _lines(book, rows, film.get(who, []))
        shops = sorted({r["shop"] for r in all_rows} | {f["shop_id"] for f in flags.get(who, [])})
        effect = effects.get(who)
        mine = sorted(maps.get(who, []), key=lambda m: -m["n"])
        out.append(
            {
                "id": f"card-{number}",
                "name": book.person_name(who),
                "shops": shops,
                "without": sorted(
                    {wording.role_word(r["role"]) for r in all_rows} - {wording.role_word(r["role"]) for r in rows}
                ),
                "lines": lines,
                "flags": [
                    {
                        "word": KIND_WORDS[f["kind"]]
                        + (f", {wording.role_word(f['role'])}" if f["role"] != "all" else ""),
                        **{
                            k: f[k]
                            for k in ("seen", "how_sure", "confused_with", "practise", "would_settle", "caution")
                        },
                        "p": wording.probability(f["prob"]),
                        "evidence": _evidence(book, f),
                    }
                    for f in flags.get(who, [])
                ],
                "sure": _sure(effect, below, above, rows),
                "confused": _confused(effect, rows, partners.get(who, [])),
                "practise": _practise(effect, below, book.computed("practice_cards")),
                "settle": _settle(rows, [advice.get((who, r["role"])) for r in rows]),
                "edge": next((_edge_words(r) for r in edges.get(who, []) if mine and _same(r, mine[0])), ""),
                "map": mine[0] if mine else None,
                "since": did_it_help.since(book, who),
            }
        )
    return out


# kind of card -> the table behind it, the columns shown, and what they are
_EVIDENCE: dict[str, tuple[str, list[str], str]] = {
    "low_transfer": (
        "transfer_by_technician",
        ["shop_id", "role", "estimate", "low", "high", "n", "grade", "prob_below_65"],
        "What landed, role by role",
    ),
    "over_build": (
        "film_build",
        ["job_id", "panel_id", "film_um", "film_low", "film_high", "film_max_um", "prob_over", "gun_id", "grade"],
        "The films read, the latest first",
    ),
    "tilt": (
        "panel_heat",
        ["row", "col", "relative_film", "low", "high", "n_panels"],
        "Film at nine places over the panel's mean; row 1 is the upper edge",
    ),
    "thin_edges": (
        "panel_heat",
        ["row", "col", "relative_film", "low", "high", "n_panels"],
        "Film at nine places over the panel's mean; rows and columns 1 and 3 are edges",
    ),
    "leftover": (
        "leftover_cups",
        ["first_poured_on", "shop_id", "mix_id", "product_id", "poured_g", "sprayed_g", "leftover_g", "left_share"],
        "The cups mixed and weighed back, the latest first",
    ),
}


def _evidence(book: PageTables, card: dict[str, Any]) -> Listing | None:
    """The rows behind a card: of that hand and role."""
    if card["kind"] not in _EVIDENCE:
        return None
    name, columns, caption = _EVIDENCE[card["kind"]]
    mine = pl.col("technician_id") == card["technician_id"]
    if card["role"] != "all":
        mine &= pl.col("role") == card["role"]
    frame = pl.concat([part.filter(mine) for part in book.parts(name)])
    if name == "film_build":
        frame = frame.filter(pl.col("source").is_in(["read", "shared"]) & (pl.col("face") == "outer"))
        frame = frame.sort("job_id", "panel_id", descending=True)
    if name == "leftover_cups":
        frame = frame.sort("first_poured_on", "mix_id", descending=True)
    return of_table(name, frame, columns, limit=12, caption=caption) if frame.height else None


def _by_person(frame: pl.DataFrame) -> dict[str, list[dict[str, Any]]]:
    out: dict[str, list[dict[str, Any]]] = {}
    for row in frame.iter_rows(named=True):
        out.setdefault(row["technician_id"], []).append(row)
    return out


def _same(row: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(row["role"] == other["role"] and row["shop_id"] == other["shop"])


def _lines(
    book: PageTables, rows: list[dict[str, Any]], film: list[dict[str, Any]]
) -> tuple[list[dict[str, Any]], bool, bool]:
    """A card's lines of transfer and film by role, and whether one lies wholly below or above the shop's own figure."""
    lines = []
    several = len({r["shop"] for r in rows}) > 1
    below = above = False
    of_film = {(f["shop_id"], f["role"]): _film_words(f) for f in film if f["n"] > 1}
    for row in rows:
        typical = [t for t in book.transfer["role"] if t["role"] == row["role"] and t["shop"] == row["shop"]]
        side = apart(row, [{**t, "typical": True} for t in typical])
        below, above = below or side < 0, above or side > 0
        against = (
            f"; the shop's own is {wording.phrase(typical[0]['v'], 'share')}"
            if typical and wording.known(typical[0]["v"])
            else ""
        )
        lines.append(
            {
                "role": wording.role_word(row["role"])
                + (f" at {book.shop_labels.get(row['shop'], row['shop'])}" if several else ""),
                "words": wording.standing(row["v"], row["lo"], row["hi"], row["n"], row["grade"]) + against,
                "mini": mini(
                    row["v"], row["lo"], row["hi"], typical[0]["v"] if typical else None, joined=bool(row["joined"])
                ),
                "film": of_film.pop((row["shop"], row["role"]), ""),
            }
        )
    lines += [{"role": wording.role_word(role), "words": "", "mini": "", "film": f} for (_, role), f in of_film.items()]
    return lines, below, above


def _partners(book: PageTables) -> dict[str, list[tuple[str, float]]]:
    """technician -> guns with the share of that technician's poured solids, the largest first."""
    pair = ["technician_id", "gun_id"]
    poured = [
        part.drop_nulls(pair).group_by(pair, maintain_order=True).agg(pl.col("poured_solids_g").sum())
        for part in book.parts("material_ledger", [*pair, "poured_solids_g"])
    ]
    summed = (
        pl.concat(poured)
        .group_by(pair, maintain_order=True)
        .agg(pl.col("poured_solids_g").sum())
        .with_columns(share=pl.col("poured_solids_g") / pl.col("poured_solids_g").sum().over("technician_id"))
        .sort(["technician_id", "share", "gun_id"], descending=[False, True, False])
    )
    out: dict[str, list[tuple[str, float]]] = {}
    for r in summed.iter_rows(named=True):
        out.setdefault(r["technician_id"], []).append((r["gun_id"], r["share"] or 0.0))
    return out


def _sure(effect: dict[str, Any] | None, below: bool, above: bool, rows: list[dict[str, Any]]) -> str:
    if effect is not None and wording.known(effect["prob_low"]):
        word = wording.ladder(effect["prob_low"])
        return f"That transfer is lower than typical by a size that matters: {word} ({wording.probability(effect['prob_low'])})."
    if all(r["v"] is None for r in rows):
        return "Not enough jobs yet to say anything."
    if below and not above:
        return "In at least one role the whole interval lies below the shop's own figure."
    if above and not below:
        return "In at least one role the whole interval lies above the shop's own figure."
    if above and below:
        return "Above the shop's own figure in one role and below it in another."
    return "Not shown to differ from the shop's own figure in any role."


def _confused(effect: dict[str, Any] | None, rows: list[dict[str, Any]], guns: list[tuple[str, float]]) -> str:
    """Who or what the figures cannot be told apart from: the gun first, then other roles, then what else differs."""
    if all(r["v"] is None for r in rows):
        return "Nothing yet: there is no figure."
    if effect is not None and effect["separable"] is False:
        return f"Cannot be told apart from {effect['with_whom'] or 'the gun'}: they nearly always occur together."
    joined = sorted({r["joined"] for r in rows if r["joined"]})
    if joined:
        return f"Film of several roles was mostly read together; cannot be told apart: {'; '.join(joined)}."
    if effect is not None:
        return "Little: guns, sizes of panels and products are reckoned with, and this hand has used several guns."
    if guns and guns[0][1] >= 0.6:
        share = wording.phrase(guns[0][1], "share")
        return f"Gun {guns[0][0]} carried {share} of the material: part of what is seen may be the gun."
    if guns:
        named = ", ".join(f"{g} {wording.phrase(s, 'share')}" for g, s in guns[:4])
        return f"Guns used: {named}. Also the mix of large panels and spot repairs."
    return "The gun used and the mix of large panels and spot repairs."


def _practise(effect: dict[str, Any] | None, below: bool, weighed: bool) -> str:
    """Of a card without a flag. `weighed`: the decisions were reckoned and raised none."""
    if (effect is not None and effect["flagged"]) or (effect is None and below and not weighed):
        return (
            "If more jobs bear it out: distance, overlap and trigger at the panel's edge; one papered panel, "
            "weighed before and after, shows the difference the same hour."
        )
    return "Nothing stands out."


def _settle(rows: list[dict[str, Any]], advice: list[str | None]) -> str:
    told = [wording.spaced(a) for a in advice if a]
    if not rows:
        return "Jobs with a weighed leftover and film read before and after on one panel."
    if told:
        return " ".join(dict.fromkeys(told))
    thin = [r for r in rows if r["v"] is None or r["n"] < 5]
    if thin:
        roles = ", ".join(sorted({wording.role_word(r["role"]) for r in thin}))
        return f"More jobs with a weighed leftover and film read before and after: {roles}."
    if any(r["joined"] for r in rows):
        return "A few jobs with another gun."
    return "A whole target weighed before and after spraying settles one operation at once."


def _film_words(row: dict[str, Any]) -> str:
    film = wording.phrase(row["ratio"], "share", row["low"], row["high"])
    lies = panels.against_window(row)
    said = f"film at {film} of the sheet's greatest" + (f", {lies}" if lies else "")
    return f"{said}; {wording.jobs(row['n'], 'operation', 'operations')}, {wording.plain(row['n_read'] or 0, 0)} of them read"


def _edge_words(row: dict[str, Any]) -> str:
    tilt = wording.phrase(row["tilt"], "share", row["tilt_low"], row["tilt_high"])
    edge = wording.phrase(row["edge"], "share", row["edge_low"], row["edge_high"])
    return f"Top less bottom {tilt}, edges less centre {edge}."


PAGE = Page(
    "hands", "Hands", "How much of what each of us sprays lands, and what could we practise?", ("shop", "role"), make,
    parts=parts,
)  # fmt: skip
