"""Five tasks that end in a decision, by a reader who knows only the page; figures of random choices against queries of the tables."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from reports.site import PAGES
from reports.wording import phrase

FILES = [page.file for page in PAGES]
TALLEST = 6000  # px before a reader unfolds anything, at 1280
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
    costs = tab.locator("table.savings tbody tr:visible [data-amount=cost] [data-v]").evaluate_all(
        "es => es.map(e => Number(e.dataset.v))"
    )
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


def _shop(tab: Any) -> str:
    return str(tab.evaluate("new URLSearchParams(location.hash.slice(1)).get('cup').split('|')[0]"))


def test_the_trainer_reads_what_to_practise_how_sure_and_what_it_is_not_for(reader: Any) -> None:
    reader.page("Hands")
    tab = reader.tab
    assert "T01: Count the coats against the sheet." in tab.locator("#todo").inner_text()
    assert "shown" in tab.locator("#todo li", has_text="T01").inner_text()
    assert "not for pay or for order of merit" in tab.locator(".support").inner_text()
    assert "papered panel" in tab.locator("#watch").inner_text() if tab.locator("#watch").count() else True
    reader.click(tab.locator("a[data-jump]", has_text="T01").first)
    card = tab.locator("#card-1").inner_text()
    assert "Could be confused with" in card and "shown (97 chances in 100)" in card


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


@pytest.mark.parametrize("file", FILES)
def test_no_page_is_taller_than_a_reader_can_overlook(visit: Any, site: Path, file: str) -> None:
    assert visit(site, file).evaluate("document.documentElement.scrollHeight") < TALLEST


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
