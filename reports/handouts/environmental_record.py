"""The environmental record of one period, put together: which sheets it has, in which order, and the files it comes as."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import polars as pl

from reports.handouts import annex, differences, rules, summary, usage
from reports.handouts.cells import csv_of
from reports.handouts.periods import Period, PeriodError
from reports.handouts.printed import page
from reports.handouts.sheets import Handout, Selection, Sheet
from reports.handouts.workbook import xlsx
from reports.sorted_tables import Tables
from reports.veil import Veil

#: what `build` reads; a table that is missing reads as an empty one
TABLES = (
    "emissions_monthly",
    "emission_lines",
    "hap_monthly",
    "hap_63_3941",
    "hap_gaps",
    "rolling_12_months",
    "limit_windows",
    "limit_curve",
    "voc_content",
    "compliance_average",
    "compliance_metals",
    "training_days",
    "compliance_booths",
    "compliance_guns",
    "compliance_retention",
    "compliance_solvent",
    "stock_reconciliation",
    "mixes",
    "lacking_figures",
    "intake_files",
    "refused_rows",
    "shops",
    "products",
    "components",
    "booths",
    "product_categories",
    "material_log",
    "annual_statement",
    "waste_monthly",
    "waste_drum",
    "restatements",
    "closed_figures",
    "spray_time",
    "technicians",
    "deviations",
    "notifications",
    "packs",
    "voc_limits",
)

#: the file of a hand-out from which the next one of the same period tells what has changed
RECORD = "record.json"


def build(
    tables: Mapping[str, pl.DataFrame],
    settings: Mapping[str, Any],
    of: Period,
    *,
    shops: Sequence[str] | None = None,
    before: Callable[[str], bytes | None] = lambda _: None,
    people: str | None = None,
) -> Handout:
    """The hand-out of a period, for all shops or those named.

    `settings` flat, as SQL gets them; `before`: gives by a hand-out's name what `record` gave for the last one of it, None
    where there was none. `people`: names or pseudonyms, for an annex with each person's trainings and time at the gun, else people
    are counted. Raises PeriodError where a shop that is named does not exist.
    """
    veil = Veil(tables, None)
    found = Tables({name: veil.texts(name, frame) for name, frame in tables.items()})
    known = sorted({*found["shops"]["shop_id"], *found["emissions_monthly"]["shop_id"]})
    chosen = sorted({veil.id(shop) for shop in shops}) if shops else known
    for shop in chosen:
        if shop not in known:
            raise PeriodError(f"There is no shop {shop!r}; known here: {', '.join(known) or 'none'}.")
    view = Selection(found, settings, of, chosen)
    sheets = [sheet for sheet in (*_sheets(view), *annex.sheets(view, people)) if sheet is not None]
    order = [summary.summary(view, sheets), *sheets, summary.sources(view)]
    as_csv = {sheet.key: csv_of(sheet) for sheet in order}
    facts = differences.facts(view)
    name = of.label if chosen == known else "_".join([of.label, *(_plain_name(shop) for shop in chosen)])
    name = f"{name}_{people}" if people else name
    last = before(name)
    old = json.loads(last) if last else None
    if old is not None:
        changed = differences.changes(old["facts"], facts)
        order.insert(1, changed)
        as_csv[changed.key] = csv_of(changed)
    made = Handout(name, of, chosen, order, facts, as_csv, False)
    made.same = old is not None and old["content"] == differences.content(made)
    return made


def _plain_name(text: str) -> str:
    """An id as a part of a file name on any system; ids that differ stay different."""
    flat = re.sub(r"[^A-Za-z0-9-]+", "-", text)[:40]
    return flat if flat == text else f"{flat}-{hashlib.sha256(text.encode()).hexdigest()[:6]}"


def _sheets(view: Selection) -> Iterable[Sheet | None]:
    """In the order of the workbook, between summary and sources; None where a table has no row."""
    yield usage.windows(view)
    yield differences.restated(view)
    yield summary.gaps(view)
    yield usage.totals(view)
    yield usage.months(view)
    yield usage.twelve_months(view)
    yield usage.permits(view)
    yield rules.content(view)
    yield rules.cups_above(view)
    yield rules.averages(view)
    yield usage.material_log(view)
    yield usage.waste(view)
    yield usage.annual(view)
    yield usage.hap(view)
    yield usage.organic_hap(view)
    yield rules.metals(view)
    yield from rules.shop_rules(view)
    yield from rules.europe(view)
    yield usage.store(view)
    yield usage.lines(view)


def files(handout: Handout) -> dict[str, bytes]:
    """All files of a hand-out by path in its folder: workbook, CSV of each sheet, page to print, record for the next one."""
    return {
        f"environmental_record_{handout.name}.xlsx": xlsx(handout),
        f"environmental_record_{handout.name}.html": page(handout),
        RECORD: differences.record(handout),
        **{f"csv/{key}.csv": content for key, content in handout.csv.items()},
    }
