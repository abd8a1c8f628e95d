"""What a reader of the environmental record must know is lacking: one line for each thing, for pages and hand-outs alike.

Pure: published tables and registers in, lines out. Nothing is guessed: only what the tables show is told.
"""

from __future__ import annotations

import calendar
from collections.abc import Callable, Iterator, Sequence
from datetime import date

import polars as pl

from reports import wording

Line = tuple[str, str, str]  # shop, month or "", what is missing
Read = Callable[[str], pl.DataFrame]

#: tables that may be large -> what is read of them
COLUMNS = {
    "emission_lines": ("shop_id", "month", "kind", "on_date", "mix_id", "number", "complete", "note"),
    "voc_content": ("shop_id", "month", "product_id", "category"),
}

#: the day of a row that stands for material, by table
_DAYS = {"pours": "poured_at", "cleaning": "used_at", "unscaled_use": "used_at", "stock": "happened_on"}

#: so many things of one kind are named; the rest is counted
NAMED = 12


def span(read: Read, shop: str, until: date | None = None) -> tuple[date | None, date | None]:
    """First and last day, up to `until`, on which a shop poured, cleaned or used anything."""
    days = read("emission_lines").filter(
        pl.col("shop_id") == shop, pl.col("kind").is_in(["cup", "cleaning", "surface_prep", "unscaled"])
    )["on_date"]
    days = days.filter(days <= until) if until else days
    return days.min(), days.max()  # type: ignore[return-value]


def missing(
    read: Read, jurisdiction: str, shops: Sequence[str], months: Sequence[str], label: str, until: date | None = None
) -> list[Line]:
    """Every line for these shops in these months (YYYY-MM, in order); `label` is what the period is called. `jurisdiction`:
    the setting's, for shops whose register row names none. `until`: what came after that day is not looked at."""
    out: list[Line] = []
    for shop in shops:
        out += _of_rules(read, jurisdiction, shop)
        out += _of_months(read, shop, months, label)
        out += _of_figures(read, shop, until)
    return [*out, *_causes(read, shops, months), *_of_composition(read, jurisdiction, shops, months), *_of_no_day(read)]


def _of_composition(read: Read, jurisdiction: str, shops: Sequence[str], months: Sequence[str]) -> Iterator[Line]:
    """Materials of which nobody said what is in them, where the place asks for pollutants."""
    asking = {row["jurisdiction"] for row in read("packs").iter_rows(named=True) if "hap" in row["sections"].split("|")}
    places = dict(read("shops").select("shop_id", "jurisdiction").iter_rows())
    wanted = [shop for shop in shops if (places.get(shop) or jurisdiction) in asking]
    grouped = (
        read("hap_gaps")
        .filter(pl.col("shop_id").is_in(wanted), pl.col("month").is_in(list(months)))
        .group_by("shop_id", "month")
        .agg(pl.col("component_id").sort())
        .sort("shop_id", "month")
    )
    names = _names(read, "components", "component_id")
    for shop, month, components in grouped.iter_rows():
        more = len(components) - NAMED
        named = ", ".join(names.get(one, one) for one in components[:NAMED]) + (f" and {more} more" if more > 0 else "")
        yield (
            shop,
            month,
            (
                f"Composition not given of: {named}. What they hold of hazardous air pollutants and target metals is not known;"
                " the month's figures of them are lower bounds."
            ),
        )


def _of_no_day(read: Read) -> Iterator[Line]:
    """Refused rows of whose day nothing could be read: any month may lack them."""
    on = pl.col("table").replace_strict(_DAYS, default=None, return_dtype=pl.String)
    lost = (
        read("refused_rows")
        .select("file", "line", "table", on.alias("on"), "reasons")
        .drop_nulls("on")
        .explode("reasons")
        .filter(pl.col("reasons").str.starts_with(pl.col("on") + ":"))
        .select("file", "line", "table")
        .unique()
        .group_by("table")
        .len()
        .sort("table")
    )
    for table, n in lost.iter_rows():
        many = "1 refused row has" if n == 1 else f"{n} refused rows have"
        yield (
            "",
            "",
            f"{table}: {many} no readable day, so any month may lack {'it' if n == 1 else 'them'}; see out/refused.",
        )


def _of_rules(read: Read, setting: str, shop: str) -> Iterator[Line]:
    named = dict(read("shops").select("shop_id", "jurisdiction").iter_rows()).get(shop)
    place = named or setting
    packs = {row["jurisdiction"]: row for row in read("packs").iter_rows(named=True)}
    if not named:
        yield shop, "", f"No jurisdiction in the register of shops: taken from the settings, {place or 'none'}."
    if place not in packs:
        yield shop, "", f"No limits are known for the jurisdiction {place or 'that is not given'}: nothing is compared."
    elif packs[place]["verify"]:
        yield shop, "", f"The figures of {packs[place]['label']} are not read from the rule itself: verify before use."


def _of_months(read: Read, shop: str, months: Sequence[str], label: str) -> Iterator[Line]:
    own = read("emissions_monthly").filter(pl.col("shop_id") == shop, pl.col("month").is_in(list(months)))
    if own.is_empty():
        yield shop, label, "No record in this period."
        return
    below = pl.any_horizontal(
        pl.col("voc_kg", "exempt_kg") < -1e-9
    )  # documented waste is taken off: below 0 by its nature
    by_month = {
        row["month"]: row
        for row in own.group_by("month")
        .agg(
            n_lines=pl.col("n_lines").sum(),
            refused=pl.col("n_refused").max(),
            complete=pl.col("complete").all(),
            unmapped=((pl.col("category") == "unmapped") & (pl.col("n_lines") > 0)).any(),
            below=pl.col("category").filter(below, pl.col("category") != "waste").sort(),
        )
        .iter_rows(named=True)
    }
    first, last = span(read, shop)
    for month in months:
        row = by_month.get(month)
        if row is None:
            yield shop, month, "No record in this month."
            continue
        refused = f"{row['refused']} row{'' if row['refused'] == 1 else 's'} refused" if row["refused"] else ""
        if not row["n_lines"]:
            yield shop, month, f"Nothing of this month could be read ({refused}): not known, which is not 0."
        elif not row["complete"]:
            why = f" ({refused})" if refused else ""
            yield (
                shop,
                month,
                f"Incomplete: something was unreadable or has no figure{why}; its figures are lower bounds.",
            )
        if row["below"]:
            yield (
                shop,
                month,
                f"Below 0 in this month: {', '.join(row['below']).replace('_', ' ')}. Leftovers that nobody had seen for long counted as gone"
                " in an earlier month; they were found and poured into a cup that is not empty yet, with which they count again.",
            )
        if row["unmapped"]:
            yield shop, month, f"No category in product_categories for: {_unmapped(read, shop, month)}."
        if first is not None and f"{first:%Y-%m}" == month and first.day > 1:
            yield shop, month, f"The records begin on {first}: what was before is not in these figures."
        if last is not None and f"{last:%Y-%m}" == month and (last.day < _last_day(month)):
            yield shop, month, f"The records end on {last}: what comes after is not in these figures."


def _of_figures(read: Read, shop: str, until: date | None) -> Iterator[Line]:
    """Properties that cups of a product lack, each once, with what it would take to know them."""
    rows = read("lacking_figures").filter(pl.col("shop_id") == shop)
    names, of_component = _names(read, "products", "product_id"), _names(read, "components", "component_id")
    for row in (rows.filter(pl.col("first_on") <= until) if until else rows).iter_rows(named=True):
        product = names.get(row["product_id"], row["product_id"])
        of = f"{row['n_lacking']} of {row['n_cups']} cups of {product}"
        if until:  # how many there are by now is another period's business
            of = f"cups of {product}, the first of {row['first_on']}"
        takes = row["would_take"].replace(f" of {row['product_id']} in", f" of {product} in")
        materials = ", ".join(of_component.get(one, one) for one in row["components"].split(", "))
        takes = takes.replace(f" of {row['components']} in", f" of {materials} in")
        so = "the product's sheet stands in for the whole cup" if row["from_sheet"] else "what rests on it is not known"
        yield shop, "", f"No {_PROPERTY[row['property']]} known for {of}: {so}. It takes {takes}."


_PROPERTY = {
    "density": "density is",
    "solids by mass": "solids by mass are",
    "solids by volume": "solids by volume are",
    "VOC": "VOC is",
    "water": "content of water is",
    "exempt compounds": "content of exempt compounds is",
}


def _last_day(month: str) -> int:
    return calendar.monthrange(int(month[:4]), int(month[5:]))[1]


def _unmapped(read: Read, shop: str, month: str) -> str:
    products = read("voc_content").filter(
        pl.col("shop_id") == shop, pl.col("month") == month, pl.col("category").is_null()
    )["product_id"]
    names = _names(read, "products", "product_id")
    return ", ".join(sorted({names.get(one, one) for one in products if one})) or "a cup whose pours disagree"


def _names(read: Read, table: str, column: str) -> dict[str, str]:
    return wording.called(read(table).select(column, "label").iter_rows())


def _causes(read: Read, shops: Sequence[str], months: Sequence[str]) -> Iterator[Line]:
    """Why a month is incomplete, with the cups, cleanings and uses by name."""
    grouped = (
        read("emission_lines")
        .filter(~pl.col("complete"), pl.col("shop_id").is_in(list(shops)), pl.col("month").is_in(list(months)))
        .group_by("shop_id", "month", pl.col("note").fill_null("unreadable"))
        .agg(which=pl.coalesce("mix_id", "number").drop_nulls().unique().sort())
        .sort("shop_id", "month", "note")
    )
    for row in grouped.iter_rows(named=True):
        more = len(row["which"]) - NAMED
        named = ", ".join(row["which"][:NAMED]) + (f" and {more} more" if more > 0 else "")
        yield row["shop_id"], row["month"], f"{row['note']}: {named}."
