"""Sheets of amounts: what was used and emitted by month, category and substance, sums of twelve months, permits, the store,
and every line behind them. Here belongs no verdict on a rule of content (rules.py)."""

from __future__ import annotations

import polars as pl

from reports.handouts.sheets import US, Made, Selection, Sheet, told, us
from schemas.registers import PERIODS


def unit_of(measure: str) -> str:
    """Of what a permit limits or a sum adds up."""
    return "L" if measure.startswith("rts_l") else "kg"


def totals(view: Selection) -> Sheet | None:
    frame = view.frame("emissions_monthly")
    if frame.is_empty():
        return None
    names = ["rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg"]
    grouped = frame.group_by("shop_id", "category").agg(
        *[pl.when(pl.col(n).count() > 0).then(pl.col(n).sum()).alias(n) for n in names],
        complete=pl.col("complete").all(),
    )
    return view.sheet(
        "emissions_monthly",
        "Usage and emissions of the period by category",
        ["shop_id", "category", *names, "complete"],
        frame=grouped.sort("shop_id", "category"),
        key="by_category",
    )


def twelve_months(view: Selection) -> Sheet | None:
    """Twelve-month and yearly sums: the unit follows the measure."""
    frame = view.asked(view.frame("rolling_12_months")).filter(pl.col("month") == pl.col("month").max().over("shop_id"))
    lacking = _lacking(view)

    def in_us(name: str) -> Made:
        return lambda r: us(r[name], unit_of(r["measure"]))

    columns: dict[str, Made] = {
        "shop": "shop_id",
        "month": "month",
        "measure": "measure",
        "unit": lambda r: unit_of(r["measure"]),
        "last 12 months": "total",
        "since 1 January": "year_to_date",
        "limit over 12 months": "limit",
        "US unit": lambda r: US[unit_of(r["measure"])][0],
        "last 12 months, US": in_us("total"),
        "since 1 January, US": in_us("year_to_date"),
        "limit over 12 months, US": in_us("limit"),
        "months present": "months_present",
        "share of limit": "share_of_limit",
        "complete": "complete",
        "months that make it incomplete": lambda r: ", ".join(lacking.get((r["shop_id"], r["measure"]), [])),
    }
    notes = [view.measures_named(frame)]
    return told("rolling_12_months", "Sums of twelve months and of the year", frame, columns, notes)


def _lacking(view: Selection) -> dict[tuple[str, str], list[str]]:
    """The months of the last twelve of the period that lack something, by shop and measure."""
    last = view.of.last
    first = f"{int(last[:4]) - 1:04d}{last[4:]}"  # the month a year before, which is not in the sum
    frame = view.frame("rolling_12_months", months=False).filter(
        pl.col("month") > first, pl.col("month") <= last, ~pl.col("month_complete")
    )
    grouped = frame.group_by("shop_id", "measure").agg(pl.col("month").sort())
    return {(shop, measure): months for shop, measure, months in grouped.iter_rows()}


def windows_of(view: Selection) -> pl.DataFrame:
    """The windows of permits' limits that end in the period; a year ends with its December."""
    ends = [*view.of.months, *(month[:4] for month in view.of.months if month.endswith("-12"))]
    return view.frame("limit_windows", months=False).filter(pl.col("window").is_in(ends))


def windows(view: Selection) -> Sheet | None:
    """Every window of a permit's limit that ends in the period: breaches first, then what cannot be told."""
    frame = windows_of(view)
    order = pl.col("breached").replace_strict({True: 0, False: 2}, default=1, return_dtype=pl.Int64)
    frame = frame.sort(order, "shop_id", "measure", "period", "window")
    said = {True: "above the limit", False: "within", None: "cannot be told"}
    columns: dict[str, Made] = {
        "shop": "shop_id", "measure": "measure", "period": lambda r: PERIODS[r["period"]], "ending in": "window",
        "verdict": lambda r: said[r["breached"]], "total": "total", "limit": "limit", "unit": "unit",
        "share of limit": "share_of_limit", "months present": "months_present", "complete": "complete", "source": "source",
    }  # fmt: skip
    notes = [
        "By the limit in force on the last day of each window; a sum that is not complete is a lower bound.",
        view.measures_named(frame),
    ]
    return told("limit_windows", "Limits, window by window", frame, columns, notes)


def permits(view: Selection) -> Sheet | None:
    curve = view.frame("limit_curve")
    columns: dict[str, Made] = {
        "shop": "shop_id",
        "measure": "measure",
        "period": lambda r: PERIODS[r["period"]],
        "up to month": "month",
        "unit": lambda r: unit_of(r["measure"]),
        "total": "total",
        "limit": "limit",
        "head-room": "headroom",
        "share of limit": "share_of_limit",
        "pace a month": "pace_per_month",
        "crossed at this pace": lambda r: "now" if r["already"] else r["crossed_in"],
        "total, in the permit's unit": "total_stated",
        "limit as stated": "limit_stated",
        "head-room, in the permit's unit": "headroom_stated",
        "unit as stated": "unit",
        "complete": "complete",
        "source": "source",
    }
    notes = [
        "Pace: the mean of the last three months. As of the last month of the period that has a record; every window of the period is"
        " judged under Limits, window by window.",
        view.measures_named(curve),
    ]
    latest = curve.filter(pl.col("month") == pl.col("month").max().over("shop_id"))
    return told("permit_limits", "Limits of the permits", latest, columns, notes)


def months(view: Selection) -> Sheet | None:
    return view.sheet(
        "emissions_monthly",
        "Usage and emissions by month and category",
        (
            "shop_id month category rts_l rts_kg voc_kg exempt_kg pm_kg pm_kg_low pm_kg_high complete "
            "share_a share_b share_c"
        ).split(),
        notes=[
            "VOC counts when the material left its cup or was thrown away; kept leftovers when they are shown gone.",
            "complete = no: something was unreadable or has no figure, and the row is a lower bound.",
            "Shares by mass: A weighed; B data sheets, volumes, leftovers nobody weighed; C unreadable or no figure.",
        ],
    )


def material_log(view: Selection) -> Sheet | None:
    frame = view.frame("material_log")
    frame = frame.drop("voc_lb_per_gal_supplied", "voc_lb_per_gal_applied", "voc_lb_per_gal_regulatory")
    return view.sheet(
        "material_log",
        "The log of materials",
        (
            "shop_id month kind product_id component_id category colour_id rts_l mass_kg share_by_volume share_by_mass"
            " voc_g_per_l_supplied voc_g_per_l_applied voc_g_per_l_regulatory limit_g_per_l n_over recovered_kg shipped_kg document_ref n"
        ).split(),
        frame=frame,
        notes=[
            "Products as applied; their components as supplied, with their share of the mix; solvents as issued, recovered and shipped."
        ],
    )


def waste(view: Selection) -> Sheet | None:
    return view.sheet(
        "waste_monthly",
        "Waste: generated, shipped, on hand",
        "shop_id month generated_kg shipped_kg unexplained_kg on_hand_kg generator too_much_on_hand source".split(),
        notes=[
            "All that goes into the drum is taken as hazardous waste. Unexplained: shipped beyond what the drum held."
        ],
    )


def annual(view: Selection) -> Sheet | None:
    """The statement of each calendar year whose December lies in the period."""
    years = [int(month[:4]) for month in view.of.months if month.endswith("-12")]
    frame = view.frame("annual_statement").filter(pl.col("year").is_in(years))
    return view.sheet(
        "annual_statement",
        "The calendar year against the thresholds of the place",
        (
            "shop_id year line cas substance kg tonnes tons_us litres threshold unit rule share_of_threshold reached complete n_months source"
        ).split(),
        frame=frame,
        notes=[
            "Thresholds speak of what a place can emit, not only of what it did; the authority decides what counts."
        ],
    )


def hap(view: Selection) -> Sheet | None:
    return view.sheet(
        "hap_monthly",
        "Hazardous air pollutants",
        "shop_id month cas substance kg kg_low kg_high kg_63_3941 metal complete grade".split(),
        shops=view.having("hap"),
        notes=[
            "kg counts all, at the upper end of a stated range. Metals: the compound in the material used, not in the air."
        ],
    )


def organic_hap(view: Selection) -> Sheet | None:
    return view.sheet(
        "hap_63_3941",
        "Organic HAP by 40 CFR 63.3941",
        ["shop_id", "month", "kg"],
        shops=view.having("hap"),
        notes=["Each material's counted fractions summed and cut off to 3 decimals; waste not taken off."],
    )


def store(view: Selection) -> Sheet | None:
    first, end = view.of.days
    stock = view.frame("stock_reconciliation").filter(pl.col("to_on").is_between(first, end))
    return view.sheet(
        "stock_reconciliation",
        "The store against the scale",
        (
            "shop_id component_id from_on to_on opening_g delivered_g out_g closing_g recorded_use_g "
            "unexplained_g low high hint"
        ).split(),
        frame=stock,
        notes=["Spans whose closing count lies in the period. low and high: 95 %, from the scales alone."],
    )


def lines(view: Selection) -> Sheet | None:
    return view.sheet(
        "emission_lines",
        "What every figure was added from",
        (
            "shop_id line month category kind source on_date mix_id job_id operation_no number "
            "document_line component_id mass_g rts_l rts_kg issued_l issued_g recovered_g flush_g voc_kg exempt_kg pm_kg complete"
            " grade note file file_line"
        ).split(),
        printed=False,
    )
