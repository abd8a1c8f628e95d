"""Five tasks that end in a decision, by a reader who knows only the page; figures of random choices against queries of the tables."""

from __future__ import annotations

import datetime as dt
import random
import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from page_files import SETTINGS, written
from published_frames import frame

from pipelines.transfer.decisions.mix_answer import advise
from reports.site import PAGES, build
from reports.wording import UNITS, phrase

FILES = [page.file for page in PAGES]
TALLEST = 6000  # px before a reader unfolds anything
MOST_CLICKS = 6


class Reader:
    """Clicks and choices of somebody at a page, counted: each choice is one."""

    def __init__(self, tab: Any) -> None:
        self.tab = tab
        self.clicks = 0

    def click(self, what: Any) -> None:
        self.clicks += 1
        what.click()

    def page(self, word: str) -> None:
        self.click(self.tab.locator("nav[aria-label=Pages] a", has_text=word))
        self.tab.wait_for_selector("html[data-ready]", state="attached")

    def choose(self, name: str, label: str) -> None:
        self.clicks += 1
        self.tab.select_option(f"select[name={name}]", label=label)


@pytest.fixture
def reader(visit: Any, site: Path) -> Any:
    found = Reader(visit(site))
    yield found
    assert found.clicks <= MOST_CLICKS


def _lost(tables: dict[str, pl.DataFrame], months: list[str]) -> tuple[float, float]:
    kept = tables["material_ledger"].filter(pl.col("month").is_in(months))
    poured = float(kept["poured_cost"].sum())
    return poured - float(kept["useful_cost"].sum()), poured


def test_the_owner_reads_what_waste_cost_against_before_and_what_saves_most(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    reader.page("Material")
    tab = reader.tab
    for span, months in (("now", ["2023-08", "2023-09", "2023-10"]), ("before", ["2023-05", "2023-06", "2023-07"])):
        lost, poured = _lost(tables, months)
        row = tab.locator(f"[data-span={span}]")
        assert row.locator("[data-c=lost]").inner_text().startswith(phrase(lost, "cost") + " (")
        assert row.locator("[data-c=rate]").inner_text().startswith(phrase(lost / poured, "per100"))
    said = tab.locator("[data-change='1']").inner_text()
    assert said.startswith("Against the one before that is ") and said.endswith(
        (": shown.", ": likely.", ": not shown.")
    )
    costs = tables["savings"].filter(shop_id="all")["per_year_cost"]
    total = tab.locator("table.savings [data-total] [data-amount=cost] [data-v]")
    assert float(total.get_attribute("data-v")) == pytest.approx(sum(costs))
    assert "(" in total.inner_text()  # with its interval


def test_the_reporter_goes_from_a_months_voc_to_the_cups_and_to_file_and_line(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    reader.page("Emissions")
    tab = reader.tab
    reader.choose("units", "US")
    reader.choose("from", "July 2023")
    reader.choose("to", "July 2023")
    kept = tables["emissions_monthly"].filter(pl.col("month") == "2023-07")
    for category in ("topcoat", "primer"):
        voc = kept.filter(pl.col("category") == category)["voc_kg"].sum()
        row = tab.locator(f"#categories tr[data-key={category}]").inner_text()
        assert phrase(voc, "mass_kg", system="us", bare=True) in row
    reader.click(tab.locator("summary", has_text="The rows behind it"))
    tab.wait_for_selector("[data-sum=voc_kg]")
    assert float(tab.locator("[data-sum=voc_kg]").get_attribute("data-total")) == pytest.approx(
        kept["voc_kg"].sum(), rel=1e-5
    )
    link = tab.locator("a[data-cup]").first
    mix = link.inner_text()
    reader.click(link)
    tab.wait_for_selector("#cup h3:has-text('What was poured')")
    pours = tables["voc_content_lines"].filter((pl.col("mix_id") == mix) & (pl.col("shop_id") == _shop(tab)))
    text = tab.locator("#cup").inner_text()
    for file, line in pours.select("file", "file_line").iter_rows():
        assert file in text and str(line) in text
    assert "cup=" in tab.url  # the address can be sent


def test_the_reporter_reads_each_categorys_limit_and_the_head_room_of_twelve_months(
    visit: Any, tables: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    curve = [
        {"shop_id": "east", "measure": "voc_kg", "period": "rolling_12_months", "month": f"2023-{m:02d}", "unit": "ton_us", "unit_fits": True,
         "total_stated": 0.03 * (m - 4), "limit_stated": 0.5, "headroom_stated": 0.5 - 0.03 * (m - 4), "share_of_limit": 0.06 * (m - 4),
         "headroom": (0.5 - 0.03 * (m - 4)) * 907.18474, "pace_stated": 0.03, "complete": True, "already": False}
        for m in range(5, 11)
    ]  # fmt: skip
    cups = [
        {"shop_id": "east", "mix_id": f"V{n}", "jurisdiction": "us", "category": "topcoat", "basis": "regulatory", "limit_g_per_l": 420.0,
         "g_per_l": 400.0 + 10 * n, "over": n > 2, "status_date": dt.date(2023, 7, 1)}
        for n in range(5)
    ]  # fmt: skip
    more = {"limit_curve": frame("limit_curve", curve), "voc_content": frame("voc_content", cups)}
    reader = Reader(visit(written(tmp_path, build(tables | more, SETTINGS))))
    reader.page("Emissions")
    reader.choose("units", "US")
    row = reader.tab.locator("#categories tr[data-key=topcoat]").inner_text()
    assert f"{phrase(420.0, 'content_g_per_l', system='us', bare=True)}: 2 of 5 cups above" in row
    said = reader.tab.locator("#limits .limit-curves").inner_text().replace("\u202f", " ")
    assert "October 2023: 0.180 of 0.500 US tons; 0.320 US tons left (640 lb)" in said or "left (290 kg)" in said
    assert reader.clicks == 2


def _shop(tab: Any) -> str:
    return str(tab.evaluate("new URLSearchParams(location.hash.slice(1)).get('cup').split('|')[0]"))


def test_the_trainer_reads_what_to_practise_with_whom_how_sure_and_what_it_is_not_for(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    reader.page("Hands")
    tab = reader.tab
    assert "T01: Count the coats against the sheet." in tab.locator("#todo").inner_text()
    assert "shown" in tab.locator("#todo li", has_text="T01").inner_text()
    assert "not for pay or for order of merit" in tab.locator(".support").inner_text()
    watch = tab.locator("#watch")
    reader.click(watch.locator(".unfold")) if watch.locator(".unfold").count() else None
    assert "papered panel" in watch.inner_text()
    own = {(r["shop_id"], r["role"]): r["estimate"] for r in tables["transfer_by_role"].iter_rows(named=True)}
    wanted: dict[tuple[str, str], set[str]] = {}  # with whom: whoever's whole interval lies above the shop's own
    for r in (
        tables["transfer_by_technician"]
        .filter(pl.col("with_whom").is_null(), pl.col("low").is_not_null())
        .iter_rows(named=True)
    ):
        if r["low"] > own[r["shop_id"], r["role"]]:
            wanted.setdefault((r["shop_id"], r["role"]), set()).add(r["technician_id"])
    told = watch.locator("tbody tr[data-role]").evaluate_all(
        "es => es.map(e => [e.dataset.shop, e.dataset.role, e.textContent])"
    )
    assert wanted and {(shop, role): set(re.findall(r"T\d\d", said)) for shop, role, said in told} == wanted
    reader.click(tab.locator("a[data-jump]", has_text="T01").first)
    card = tab.locator("#card-1").inner_text()
    assert "Could be confused with" in card and "shown (97 chances in 100)" in card


def test_the_painter_reads_gun_parts_and_what_running_short_costs_for_one_front_door(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    """Knows the shop, that clear is due, and that it is a front door of a sedan."""
    reader.page("Mixing bench")
    tab = reader.tab
    reader.choose("shop", "Northgate")
    reader.choose("role", "clear")
    reader.choose("panel", "front door left of a sedan")
    best = tab.locator("select[name=gun] option").first.inner_text()
    gun = best.partition(":")[0]
    fit = tables["gun_fit"].filter(product_id="p_clear", shop_id="north", verdict="fits")["gun_id"].to_list()
    lands = (
        tables["transfer_by_gun"]
        .filter(pl.col("gun_id").is_in(fit), role="clear")
        .sort("estimate", nulls_last=True, descending=True)
    )
    assert gun == lands["gun_id"][0] and ": fits" in best
    told = advise(tables["mix_guide"], "p_clear", gun, 0.85, shop="north")
    assert tab.locator("output").inner_text() == phrase(told.mix_ml, "volume_ml")
    assert (
        f"Hardener 1\t{phrase(0.3 * told.mix_ml, 'volume_ml', bare=True)}" in tab.locator("[data-parts]").inner_text()
    )
    sums = [float(x) for x in tab.locator("[data-levels] td:last-child").all_inner_texts()]
    chosen = tab.locator("[data-levels] input:checked").evaluate("e => Number(e.value)")
    assert sums[chosen] == min(sums) and len(sums) == len(told.choices)


def test_the_sceptic_takes_any_figure_to_its_rows_and_saves_them(reader: Any, tables: dict[str, pl.DataFrame]) -> None:
    tab = reader.tab
    reader.choose("shop", "Northgate")
    reader.choose("role", "clear")
    reader.click(tab.locator("summary", has_text="The rows behind it"))
    tab.wait_for_selector("[data-sum=poured_solids_g]")
    kept = tables["material_ledger"].filter((pl.col("shop_id") == "north") & (pl.col("role") == "clear"))
    assert kept.height and f"of {kept.height} rows" in tab.locator(".browser").inner_text()
    total = float(tab.locator("[data-sum=poured_solids_g]").get_attribute("data-total"))
    assert total == pytest.approx(kept["poured_solids_g"].sum(), rel=1e-5)
    with tab.expect_download() as saved:
        reader.click(tab.locator("button", has_text="Save as CSV"))
    rows = pl.read_csv(saved.value.path())
    assert rows.height == kept.height
    assert rows["useful_solids_g"].sum() == pytest.approx(kept["useful_solids_g"].sum(), rel=1e-5)


def test_thirty_random_choices_show_what_the_published_tables_hold(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    draw = random.Random(18)
    tab = visit(site, "owner.html")
    ledger = tables["material_ledger"]
    months, roles = sorted(ledger["month"].unique()), sorted(ledger["role"].drop_nulls().unique())
    shown = 0
    for _ in range(30):
        shop, role = draw.choice(["", "east", "north", "quay"]), draw.choice(["", *roles])
        first, last = sorted(draw.choices(months, k=2))
        tab.evaluate(f"location.hash = 'see=solids&shop={shop}&role={role}&from={first}&to={last}'")
        tab.wait_for_function("([a, b]) => document.querySelector('[name=from]').value === a && document.querySelector('[name=to]').value === b",
                              arg=[first, last])  # fmt: skip
        kept = ledger.filter(
            pl.col("month").is_between(pl.lit(first), pl.lit(last))
            & ((pl.col("shop_id") == shop) | (shop == ""))
            & ((pl.col("role") == role) | (role == ""))
        )
        sums = tab.evaluate("filmledgerPage.sums('ledger')['']")
        for part in ("poured", "useful", "over_build", "overspray", "flush_loss", "leftover", "not_split"):
            assert sums[f"{part}.solids"] == pytest.approx(
                kept[f"{part}_solids_g"].sum() / 1000, abs=5e-5 * (kept.height + 1)
            )
        poured, useful = (kept[f"{p}_solids_g"].sum() / 1000 for p in ("poured", "useful"))
        row = tab.locator("[data-span=now] [data-c=lost]").inner_text()
        assert float(row.split()[0]) == pytest.approx(poured - useful, abs=0.51) if poured else row == "not known"
        shown += kept.height > 0
    assert shown > 20


#: measure of a page -> (table, column, its unit over the shown kind's)
COLUMNS = {
    **{f"{part}.{see}": ("material_ledger", f"{part}_{column}", by)
       for part in ("poured", "useful", "over_build", "overspray", "flush_loss", "leftover", "not_split")
       for see, column, by in (("solids", "solids_g", 1e-3), ("voc", "voc_g", 1e-3), ("cost", "cost", 1.0))},
    "rts_l": ("emissions_monthly", "rts_l", 1.0), "voc": ("emissions_monthly", "voc_kg", 1.0),
    "exempt": ("emissions_monthly", "exempt_kg", 1.0), "pm": ("emissions_monthly", "pm_kg", 1.0),
}  # fmt: skip
SHOWN_NUMBERS = """() => [...document.querySelectorAll('[data-m]')].filter(e => !e.closest('[hidden], noscript'))
  .map(e => [e.dataset.m, e.dataset.of || '', e.dataset.kind, e.closest('table[data-by]')?.dataset.by || '',
    e.closest('tr[data-key]')?.dataset.key || '', e.textContent])"""


def _queried(tables: dict[str, pl.DataFrame], measure: str, chosen: dict[str, str], by: str, key: str) -> float:
    """The figure from the published table alone; lost is all that was poured less the useful film."""
    if measure.startswith("lost."):
        see = measure.partition(".")[2]
        return _queried(tables, f"poured.{see}", chosen, by, key) - _queried(tables, f"useful.{see}", chosen, by, key)
    table, column, unit = COLUMNS[measure]
    kept = tables[table].filter(pl.col("month").is_between(pl.lit(chosen["from"]), pl.lit(chosen["to"])))
    for name, column_of in (("shop", "shop_id"), ("role", "role")):
        if chosen.get(name) and column_of in kept.columns:
            kept = kept.filter(pl.col(column_of) == chosen[name])
    if key:
        kept = kept.filter(pl.col(by) == key)
    return float(kept[column].sum()) * unit


def test_every_figure_of_thirty_random_choices_is_a_query_of_the_published_tables(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    """Each number that a page binds to amounts, in sentences and in cells, on the three pages that add up, in both units."""
    draw = random.Random(29)
    months = sorted(tables["material_ledger"]["month"].unique())
    roles = sorted(tables["material_ledger"]["role"].drop_nulls().unique())
    tabs = {file: visit(site, file) for file in ("index.html", "owner.html", "environment.html")}
    looked = 0
    for n in range(30):
        file = list(tabs)[n % 3]
        first, last = sorted(draw.choices(months, k=2))
        see, units = draw.choice(["solids", "voc", "cost"]), draw.choice(["metric", "us"])
        chosen = {"shop": draw.choice(["", "east", "north", "quay"]), "from": first, "to": last, "units": units}
        chosen |= {} if file == "environment.html" else {"role": draw.choice(["", *roles]), "see": see}
        tab = tabs[file]
        tab.evaluate("hash => { location.hash = hash }", "&".join(f"{k}={v}" for k, v in chosen.items()))
        tab.wait_for_function("m => document.querySelector('[name=from]').value === m", arg=first)
        tab.wait_for_function("m => document.querySelector('[name=to]').value === m", arg=last)
        for measure, of, kind, by, key, said in tab.evaluate(SHOWN_NUMBERS):
            full, whole = measure.replace("*", see), of.replace("*", see)
            if full not in COLUMNS and not full.startswith("lost."):
                continue  # cups and grades: of their own tests
            value = _queried(tables, full, chosen, by, key)
            if whole:
                total = _queried(tables, whole, chosen, by, key)
                if not total:
                    assert said == "not known"
                    continue
                value = 100 * value / total
            elif units == "us" and (kind in UNITS or see != "cost"):
                value /= UNITS[kind if kind in UNITS else "mass_kg"].factor
            number = re.match(r"-?[\d,\u202f]+(?:\.(\d+))?", said)
            assert number, (file, chosen, measure, said)
            shown = float(number[0].replace(",", "").replace("\u202f", ""))
            half_a_digit = 0.5 * 10 ** -len(number[1] or "")
            assert shown == pytest.approx(value, abs=half_a_digit * 1.01 + 2e-3), (
                file,
                chosen,
                measure,
                of,
                by,
                key,
                said,
            )
            looked += 1
    assert looked > 500


def test_lists_of_all_pages_hold_the_same_lines_of_the_table(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    """What stands on a reader's page is that reader's list; every line stands on Start as well."""
    of = {
        "owner.html": "owner",
        "environment.html": "environment",
        "hands.html": "trainer",
        "guns.html": "painter",
        "bench.html": "painter",
    }
    found = {
        file: set(visit(site, file).locator("[data-action]").evaluate_all("es => es.map(e => e.dataset.action)"))
        for file in of
    }
    for file, name in of.items():
        mine = tables["actions"].filter(pl.col("reader") == name)
        assert found[file] == {
            "|".join(row) for row in mine.select("shop_id", "evidence", "subject", "what").iter_rows()
        }
    start = visit(site).locator("[data-action]").evaluate_all("es => es.map(e => e.dataset.action)")
    assert len(start) == len(set(start)) and set(start) == set().union(*found.values())


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("file", FILES)
def test_no_page_is_taller_than_a_reader_can_overlook(visit: Any, site: Path, file: str, width: int) -> None:
    tab = visit(site, file, viewport={"width": width, "height": 900})
    assert tab.evaluate("document.documentElement.scrollHeight") < TALLEST


@pytest.mark.parametrize("file", ["index.html", "owner.html", "environment.html", "hands.html", "guns.html"])
def test_without_script_the_main_drawing_is_an_image(visit: Any, site: Path, file: str) -> None:
    tab = visit(site, file, ready=False, java_script_enabled=False)
    image = tab.locator("noscript svg.still").first
    box = image.bounding_box()
    assert box["width"] > 600 and box["height"] > 200
    assert image.locator("rect, path").count() > 10 and image.locator("text").count() > 5


def test_back_takes_a_choice_back(visit: Any, site: Path) -> None:
    tab = visit(site, "owner.html")
    tab.select_option("select[name=shop]", "quay")
    tab.select_option("select[name=role]", "base")
    tab.go_back()
    tab.wait_for_function("document.querySelector('[name=role]').value === ''")
    assert tab.locator("select[name=shop]").input_value() == "quay"


def test_the_comparison_says_with_the_script_what_it_said_without(visit: Any, site: Path) -> None:
    parts = "#compare [data-c], #compare [data-change]"
    still = visit(site, "owner.html", ready=False, java_script_enabled=False).locator(parts).all_text_contents()
    assert visit(site, "owner.html").locator(parts).all_text_contents() == still and len(still) == 14
