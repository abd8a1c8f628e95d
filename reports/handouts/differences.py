"""What differs from the last hand-out of the same period: the facts that are kept beside one, and the sheet that compares."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import date

import polars as pl

from reports.handouts import rules
from reports.handouts.sheets import Cell, Handout, Head, Made, Selection, Sheet, told
from reports.handouts.usage import windows_of
from schemas import validate


def restated(view: Selection) -> Sheet | None:
    """Figures of closed months, up to the end of the period, that are no longer as they were reported."""
    frame = view.frame("restatements", months=False).filter(pl.col("month") <= view.of.last)
    columns: dict[str, Made] = {
        "shop": "shop_id", "closed month": "month", "table": lambda r: r["figure_table"].replace("_", " "),
        "of": lambda r: r["part"].replace("_", " "), "figure": "figure", "what": "what",
        "was": lambda r: r["was"] if r["was"] is not None else r["was_said"],
        "is": lambda r: r["is_now"] if r["is_now"] is not None else r["is_said"], "because of": "because",
    }  # fmt: skip
    notes = ["The hand-outs of closed months stay as they were given; this is what has become of their figures."]
    return told("restatements", "Restatements of closed months", frame, columns, notes)


def is_closed(tables: Mapping[str, pl.DataFrame], handout: Handout) -> bool:
    """Whether every month of a hand-out that has figures is closed, in each of its shops."""
    closed = (
        tables["closed_figures"].select("shop_id", "month").unique() if "closed_figures" in tables else pl.DataFrame()
    )
    if closed.is_empty():
        return False
    given = tables["emissions_monthly"].filter(handout.period.holds(), pl.col("shop_id").is_in(handout.shops))
    return given.height > 0 and given.join(closed, on=["shop_id", "month"], how="anti").is_empty()


def facts(view: Selection) -> dict[str, Cell]:
    out: dict[str, Cell] = {}
    for row in view.frame("emissions_monthly").iter_rows(named=True):
        for name in ("rts_l", "voc_kg", "exempt_kg", "pm_kg", "complete"):
            out[" | ".join(("emissions_monthly", row["shop_id"], row["month"], row["category"], name))] = row[name]
    for row in view.frame("hap_monthly").filter(pl.col("shop_id").is_in(view.having("hap"))).iter_rows(named=True):
        out[" | ".join(("hap_monthly", row["shop_id"], row["month"], row["cas"], "kg"))] = row["kg"]
    for sheet in (rules.guns(view, view.shops), rules.booths(view, view.shops), rules.deviations(view)):
        if sheet is None:
            continue
        naming = 3 if sheet.key == "compliance_booths" else 2  # shop and gun; shop, booth and version
        for cells in sheet.rows:
            who = " | ".join((sheet.key, *map(str, cells[:naming])))
            out |= {f"{who} | {head}": cell for head, cell in zip(sheet.heads, cells, strict=True)}
    for row in windows_of(view).iter_rows(named=True):
        who = " | ".join(("limit_windows", *(row[key] for key in validate.keys("limit_windows"))))
        out |= {f"{who} | {column}": row[column] for column in ("total", "limit", "breached")}
    counts = rules.trained(view).group_by("shop_id", "label", "status").len()
    out |= {f"training | {shop} | {label} | {status}": n for shop, label, status, n in counts.iter_rows()}
    registers = {
        "booths": ["filter_capture", "evidence_ref"],
        "components": ["density_g_per_ml", "voc_mass_fraction", "water_mass_fraction", "exempt_mass_fraction"],
        "shops": ["jurisdiction"],
        "product_categories": [],
    }
    end = view.of.days[1]
    for name, columns in registers.items():
        keys = validate.keys(name)
        for row in view.tables[name].iter_rows(named=True):
            if row.get("valid_from") and row["valid_from"] > end:
                continue
            who = " | ".join((name, *(str(row[key]) if row[key] is not None else "from ever" for key in keys)))
            for column in columns:
                out[f"{who} | {column}"] = row[column]
            if not columns:
                out[who] = True
    return out


def record(handout: Handout) -> bytes:
    """What the next hand-out of the same name needs to tell what has changed."""
    facts = {key: value.isoformat() if isinstance(value, date) else value for key, value in handout.facts.items()}
    said = {"period": handout.period.label, "shops": handout.shops, "content": content(handout), "facts": facts}
    return json.dumps(said, sort_keys=True, indent=0).encode()


def content(handout: Handout) -> str:
    """A hash of all that a hand-out says but what differs from the one before."""
    total = hashlib.sha256()
    for key in sorted(handout.csv.keys() - {"changes"}):
        total.update(key.encode() + b"\0" + handout.csv[key] + b"\0")
    return total.hexdigest()


def changes(old: Mapping[str, Cell], now: Mapping[str, Cell]) -> Sheet:
    rows: list[tuple[Cell, ...]] = []
    for key in sorted(old.keys() | now.keys()):
        was, is_now = old.get(key), now.get(key)
        if isinstance(is_now, date):
            is_now = is_now.isoformat()
        same = was == is_now
        if isinstance(was, float | int) and isinstance(is_now, float | int) and not isinstance(was, bool):
            same = abs(was - is_now) <= 1e-9 * max(abs(was), abs(is_now))
        if not same or (key in old) != (key in now):
            what = "changed" if key in old and key in now else "new" if key in now else "gone"
            rows.append((key, what, was, is_now))
    if not rows:
        rows.append(("nothing", "", None, None))
    heads = [Head("figure or register row"), Head("what"), Head("before"), Head("now")]
    return Sheet("changes", "What differs from the last hand-out of this period", heads, rows)
