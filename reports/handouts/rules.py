"""Sheets of verdicts: content of VOC and target metals against their limits, trainings, booths, guns, deviations, the
solvent balance. Counts of people only: nobody is named. Here belongs what the jurisdiction of a shop asks for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

import polars as pl

from reports.handouts.sheets import Made, Selection, Sheet, told, us


def content(view: Selection) -> Sheet | None:
    frame = view.frame("voc_content").filter(pl.col("shop_id").is_in(view.having("voc_content")))
    grouped = (
        frame.group_by("shop_id", "jurisdiction", "category", "basis", "limit_g_per_l", "source")
        .agg(
            cups=pl.len(),
            known=pl.col("g_per_l").count(),
            highest=pl.col("g_per_l").max(),
            over=pl.col("over").sum(),
            undecided=pl.col("why_not").count(),
        )
        .sort("shop_id", "category", "limit_g_per_l", nulls_last=True)
    )
    columns: dict[str, Made] = {
        "shop": "shop_id",
        "jurisdiction": "jurisdiction",
        "category": lambda r: r["category"] or "no category known",
        "basis": "basis",
        "cups": "cups",
        "without a figure": lambda r: r["cups"] - r["known"],
        "above the limit": lambda r: (
            r["over"] if r["limit_g_per_l"] is not None and r["undecided"] < r["cups"] else None
        ),
        "cannot be compared": "undecided",
        "highest [g/L]": "highest",
        "highest [lb/US gal]": lambda r: us(r["highest"], "g/L"),
        "limit [g/L]": "limit_g_per_l",
        "limit [lb/US gal]": lambda r: us(r["limit_g_per_l"], "g/L"),
        "source": "source",
    }
    notes = ["Compared in g/L only; lb/US gal for information."]
    return told("voc_content", "VOC content by category", grouped, columns, notes)


def metals(view: Selection) -> Sheet | None:
    frame = view.frame("compliance_metals").filter(pl.col("shop_id").is_in(view.having("target_metals")))
    grouped = (
        frame.group_by("shop_id", "product_id", "cas", "metal", "form", "substance", "threshold_mass_fraction")
        .agg(
            cups=pl.len(),
            highest=pl.col("mass_fraction_high").max(),
            above=(pl.col("verdict") == "above").sum(),
            review=(pl.col("verdict") == "review").sum(),
        )
        .sort("shop_id", "product_id", "cas", "metal")
    )
    columns: dict[str, Made] = {
        "shop": "shop_id",
        "product": lambda r: view.named("product_id", r["product_id"]),
        "CAS number": "cas",
        "metal": "metal",
        "form": "form",
        "compound": "substance",
        "threshold by mass": "threshold_mass_fraction",
        "cups": "cups",
        "highest by mass": "highest",
        "cups above": "above",
        "cups to review": "review",
    }
    notes = ["Exactly at the threshold, or with a stated range that holds it: review."]
    return told("target_metals", "Target metals of 40 CFR 63 subpart HHHHHH", grouped, columns, notes)


def trained(view: Selection) -> pl.DataFrame:
    """Where everybody's training stood on the last day of the period; who was hired later is left out."""
    hired = pl.col("hired_on").is_null() | pl.col("as_of").is_null() | (pl.col("hired_on") <= pl.col("as_of"))
    return view.as_of("training_days").filter(hired)


def guns(view: Selection, shops: list[str]) -> Sheet | None:
    """Guns in service in the period; a cup counts as refilled from the day on which it was."""
    first, end = view.of.days
    serving = (pl.col("in_service_on").is_null() | (pl.col("in_service_on") <= end)) & (
        pl.col("retired_on").is_null() | (pl.col("retired_on") >= first)
    )
    frame = view.frame("compliance_guns").filter(serving)
    late = pl.col("first_refilled_on").is_null() | (pl.col("first_refilled_on") > end)
    return view.sheet(
        "compliance_guns",
        "Guns and cups",
        "shop_id gun_id atomising qualifies why cup_ml cup in_service_on retired_on".split(),
        frame=frame.with_columns(
            cup=pl.when(late).then("cup_by_size").otherwise("cup"),
            retired_on=pl.when(pl.col("retired_on") <= end).then("retired_on"),
        ),
        shops=shops,
    )


def booths(view: Selection, shops: list[str]) -> Sheet | None:
    """Versions of booths that were in force in the period."""
    first, end = view.of.days
    frame = view.frame("compliance_booths").filter(
        pl.col("from_on") <= end, pl.col("until_on").is_null() | (pl.col("until_on") > first)
    )
    return view.sheet(
        "compliance_booths",
        "Booths and filters",
        "shop_id booth_id from_on filter_capture filter_capture_needed evidence_ref status missing source".split(),
        frame=frame,
        shops=shops,
        notes=["Versions in force in the period. Nothing is assumed: what is not in the registers is missing."],
    )


def retention(view: Selection) -> Sheet | None:
    """How long to keep what, counted from the last day of the period."""
    end = view.of.days[1]
    frame = view.frame("compliance_retention")
    kept = [
        dt.date(end.year - years, end.month, min(end.day, 28) if end.month == 2 else end.day)
        for years in frame["years"]
    ]
    return view.sheet(
        "compliance_retention",
        "How long records must be kept",
        ["shop_id", "record", "years", "keep_since", "n_rules", "note", "source"],
        frame=frame.with_columns(keep_since=pl.Series(kept, dtype=pl.Date)),
        notes=["The longest rule wins. Counted from the last day of the period."],
    )


def training(view: Selection, shops: list[str]) -> Sheet | None:
    """Counts only: nobody is named."""
    frame = trained(view).filter(pl.col("shop_id").is_in(shops), pl.col("status") != "left")
    grouped = (
        frame.group_by("shop_id", "label", "as_of", "source")
        .agg(
            people=pl.len(),
            **{s: (pl.col("status") == s).sum() for s in ("trained", "due", "overdue", "expired", "missing")},
            lacking=pl.col("missing").count(),
            next_end=pl.col("valid_until").filter(pl.col("status") == "trained").min(),
        )
        .sort("shop_id", "label")
    )
    columns: dict[str, Made] = {
        "shop": "shop_id",
        "training": "label",
        "on": "as_of",
        "people": "people",
        "trained": "trained",
        "not yet due": "due",
        "overdue": "overdue",
        "expired": "expired",
        "cannot be told": "missing",
        "people with evidence missing": "lacking",
        "next one ends on": "next_end",
        "source": "source",
    }
    notes = ["Nobody is named here: names and certificates stand in the table compliance_training of the workspace."]
    return told("training", "Training", grouped, columns, notes)


def shop_rules(view: Selection) -> Iterable[Sheet | None]:
    shops = view.having("shop_rules")
    yield training(view, shops)
    yield booths(view, shops)
    yield guns(view, shops)
    yield deviations(view)
    yield notifications(view)
    yield retention(view)


def deviations(view: Selection) -> Sheet | None:
    first, end = view.of.days
    frame = view.frame("deviations").filter(pl.col("from_on") <= end, pl.col("to_on").fill_null(end) >= first)
    return view.sheet(
        "deviations",
        "Deviations",
        ["shop_id", "deviation_no", "from_on", "to_on", "rule", "nature", "action"],
        frame=frame,
        notes=["In the shop's own words, names of the register taken out: look for others before it leaves the shop."],
    )


def notifications(view: Selection) -> Sheet | None:
    """What was sent to an authority until the end of the period."""
    frame = view.frame("notifications").filter(pl.col("sent_on") <= view.of.days[1]).sort("shop_id", "sent_on", "kind")
    return view.sheet(
        "notifications", "Sent to an authority", ["shop_id", "sent_on", "kind", "document_ref"], frame=frame
    )


def europe(view: Selection) -> Iterable[Sheet | None]:
    years = {int(m[:4]) for m in view.of.months if m.endswith("-12")}
    balance = view.frame("compliance_solvent").filter(pl.col("year").is_in(sorted(years)))
    yield view.sheet(
        "compliance_solvent",
        "Organic solvent of the year: consumption and balance",
        (
            "shop_id year pours_kg cleaning_issued_kg unscaled_kg input_kg came_back_kg consumed_kg "
            "emitted_kg kept_change_kg waste_kg emitted_less_waste_kg complete"
        ).split(),
        frame=balance,
        shops=view.having("solvent_balance"),
        notes=[
            "A calendar year stands in the record that holds its December. Input = emitted + came back + more kept in cups."
        ],
    )
    sheet = training(view, view.having("diisocyanate_training"))
    if sheet:
        sheet.key, sheet.title = "diisocyanates", "Diisocyanate training"
        sheet.notes.append("Regulation (EU) 2020/1149: verify before use.")
    yield sheet


def cups_above(view: Selection) -> Sheet | None:
    return view.sheet(
        "voc_content",
        "Cups above a limit on VOC content",
        [
            "shop_id",
            "kind",
            "mix_id",
            "product_id",
            "component_id",
            "month",
            "category",
            "g_per_l",
            "basis",
            "limit_g_per_l",
            "source",
        ],
        frame=view.frame("voc_content").filter("over"),
        shops=view.having("voc_content"),
        key="cups_above",
        notes=["Compared in g/L only; lb/US gal for information."],
    )


def averages(view: Selection) -> Sheet | None:
    content = view.having("voc_content")
    judged = [name for name in content if (pack := view.pack[name]) and pack["averaging"] == "monthly_weighted"]
    return view.sheet(
        "compliance_average",
        "VOC content of the month, weighted by volume",
        ["shop_id", "month", "category", "g_per_l", "limit_g_per_l", "over", "n_cups", "complete", "source"],
        shops=judged,
    )
