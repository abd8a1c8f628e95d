"""First and last sheets: the sums of the period, what is missing, sources and assumptions."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from reports import wording
from reports.handouts import usage
from reports.handouts.sheets import NOTHING_MISSING, US, Cell, Head, Selection, Sheet, us
from reports.missing import missing, span

NOT_COVERED = (
    "Permits, stack tests, registrations, notifications and local rules are not covered.",
    "What counts and by when is for the authority to say; where this differs from a rule, a permit or a data sheet, they win.",
    "Particulate is an upper figure: floor and masking are taken as if they held nothing back.",
)

_READ = {"yes": "yes", "secondary": "in a secondary account", "memory": "no, from memory: verify before use"}
_ASSUMPTIONS = (
    ("Volumes are taken as additive.", "stated in the method"),
    (
        "A leftover that was not weighed back counts as emitted; one weighed back and not marked as kept counts as thrown away.",
        "stated in the method",
    ),
    (
        "Flush losses are taken off recovered cleaning solvent: their VOC was counted with the cup.",
        "stated in the method",
    ),
    ("Waste earns a credit once, in the month shipped, with a document and an analysis.", "stated in the method"),
    ("Where no booth or no filter capture is known, nothing is taken as held back.", "stated in the method"),
)


def gaps(view: Selection) -> Sheet:
    """Each thing that is missing on a line of its own."""
    setting = str(view.settings.get("jurisdiction", ""))
    lines = missing(view.tables.__getitem__, setting, view.shops, view.of.months, view.of.label, until=view.of.days[1])
    if not lines:
        lines.append(("", view.of.label, NOTHING_MISSING))
    return Sheet("missing", "What is missing", [Head("shop"), Head("month"), Head("what")], lines)


def _limits(view: Selection) -> Iterator[tuple[Cell, ...]]:
    """What of the period lies above a limit, before anything else is said; or that nothing does."""
    windows = usage.windows_of(view)
    for r in windows.filter("breached").sort("window", "shop_id", "measure", "period").iter_rows(named=True):
        over = wording.window_word(r["period"], r["window"])
        what = f"{view.shop_named(r['shop_id'])}, {over}: {wording.measure_words(r['measure'], view.substances)}"
        reached = f"{'' if r['complete'] else 'at least '}{wording.plain(r['total'], 2)}"
        said = f"{what}: {reached} {wording.PERMIT_UNITS.get(r['unit'], r['unit'])} against {wording.plain(r['limit'], 2)} ({r['source']})"
        unit = usage.unit_of(r["measure"])
        total = r["total_metric"]
        yield "ABOVE A LIMIT OF A PERMIT", said, total, unit, us(total, unit), US[unit][0]
    cups = view.frame("voc_content").filter("over")
    if cups.height:
        yield "Above a limit on VOC content", "see Cups above a limit on VOC content", cups.height, "times", None, ""
    n_open = windows["breached"].null_count()
    if n_open:
        yield (
            "Windows of permits' limits that cannot be told",
            "something in them is not known",
            n_open,
            "windows",
            None,
            "",
        )
    if windows.height and not windows["breached"].any():
        kept = f"none of the {windows.height} windows that end in this period is known to be above its limit"
        yield "Limits of the permits", kept, None, "", None, ""


def summary(view: Selection, sheets: list[Sheet]) -> Sheet:
    frame = view.frame("emissions_monthly")
    files = view.tables["intake_files"]
    rows: list[tuple[Cell, ...]] = [
        *_limits(view),
        ("Period", f"{view.of.label}: {view.of.first} to {view.of.last}", None, "", None, ""),
        (
            "Refused files, whatever period they are of",
            files.filter(pl.col("state") == "refused").height,
            None,
            "",
            None,
            "",
        ),
    ]
    for name in view.shops:
        own = frame.filter(pl.col("shop_id") == name)
        first, last = span(view.tables.__getitem__, name, view.of.days[1])
        pack = view.pack[name]
        rows.append((f"Shop {view.shop_named(name)}", pack["label"] if pack else view.place[name], None, "", None, ""))
        rows.append(("  Records", f"{first} to {last}" if first else "none", None, "", None, ""))
        if own.is_empty():
            rows.append(("  This period", "no record", None, "", None, ""))
            continue
        of_months = own.group_by("month").agg(pl.col("n_refused").max())["n_refused"]
        rows.append(("  Rows refused in these months", int(of_months.sum()), None, "", None, ""))
        rows.append(("  Evidence by mass poured", _evidence(own), None, "", None, ""))
        lost = float(own["not_split_solids_kg"].sum())
        for column, word in (
            ("rts_l", "Poured, ready to spray"),
            ("rts_kg", "Poured, ready to spray"),
            ("voc_kg", "VOC, documented waste taken off"),
            ("exempt_kg", "Exempt compounds"),
            ("pm_kg", "Particulate, upper figure"),
        ):
            unit = "L" if column == "rts_l" else "kg"
            total = float(own[column].sum()) if own[column].count() else None
            rows.append(
                (
                    f"  {word}",
                    _bound(total, own["complete"], lost if column == "pm_kg" else 0.0),
                    total,
                    unit,
                    us(total, unit),
                    US[unit][0],
                )
            )
        if name in view.having("hap"):
            hap = view.frame("hap_monthly").filter(pl.col("shop_id") == name, ~pl.col("metal"))
            total = float(hap["kg"].sum()) if own["n_lines"].sum() else None
            gaps = view.frame("hap_gaps").filter(pl.col("shop_id") == name)
            if hap.is_empty() and gaps.height:
                total = None  # not 0: nobody said what is in it
            said = _bound(total, pl.concat([own["complete"], pl.Series("complete", [gaps.is_empty()])]), 0.0)
            rows.append(("  Organic hazardous air pollutants", said, total, "kg", us(total, "kg"), "lb"))
    rows += [("", "", None, "", None, "")]
    rows += [("Prepared by", "", None, "", None, ""), ("Reviewed by", "", None, "", None, "")]
    heads = [Head("what"), Head("remark"), Head("figure"), Head("unit"), Head("figure, US"), Head("US unit")]
    names = ", ".join(sheet.title for sheet in sheets)
    return Sheet("summary", f"Environmental record {view.of.label}", heads, rows, [f"Sheets: {names}.", *NOT_COVERED])


def sources(view: Selection) -> Sheet:
    rows: list[tuple[Cell, ...]] = []
    for place in sorted({p for p in view.place.values() if p}):
        pack = next((row for row in view.pack.values() if row and row["jurisdiction"] == place), None)
        if pack:
            rows.append(("jurisdiction", pack["label"], pack["note"], pack["source"], _READ[pack["read"]]))
    used = view.frame("voc_content").select("jurisdiction", "category").unique()
    limits = (
        view.tables["voc_limits"]
        .join(used, on=["jurisdiction", "category"], how="semi")
        .sort("jurisdiction", "category")
    )
    for row in limits.iter_rows(named=True):
        said = f"{row['label']}: {row['limit_g_per_l']:g} g/L"
        rows.append(("limit", f"{row['jurisdiction']} {row['category']}", said, row["source"], _READ[row["read"]]))
    for key in ("water_density_g_per_ml", "flush_loss_g", "kept_unseen_days", "volume_rel_u", "scale_rel_u"):
        if key in view.settings:
            rows.append(("setting", key, f"{view.settings[key]}", "filmledger.toml", ""))
    for said, source in _ASSUMPTIONS:
        rows.append(("assumption", "", said, source, ""))
    for unit, (other, factor) in US.items():
        rows.append(
            (
                "conversion",
                f"1 {unit}",
                f"{factor:.9g} {other}",
                "exact by definition of the international pound and the US gallon",
                "",
            )
        )
    heads = [Head("kind"), Head("of"), Head("what"), Head("source"), Head("read by us")]
    return Sheet("sources", "Sources and assumptions", heads, rows)


def _evidence(frame: pl.DataFrame) -> str:
    """ "A 71 %, B 29 %, C 0 %": shares of the mass poured, by grade; categories without any weigh nothing."""
    weight = pl.col("rts_kg").fill_null(0.0)
    shares = frame.select((pl.col(f"share_{g}").fill_null(0.0) * weight).sum().alias(g.upper()) for g in "abc")
    whole = sum(shares.row(0))
    told = ", ".join(
        f"{name} {100 * value / whole:.0f} %" for name, value in shares.row(0, named=True).items() if whole
    )
    return told or "not known"


def _bound(total: float | None, complete: pl.Series, lost_kg: float) -> str:
    """The remark beside a sum: that it is not known, or what makes it a lower bound, if anything does."""
    if total is None:
        return "not known"
    why = [] if complete.all() else ["a lower bound"]
    if lost_kg > 1e-9:
        why.append(f"without {wording.plain(lost_kg, wording.digits(lost_kg))} kg of solids whose way is not known")
    return "; ".join(why)
