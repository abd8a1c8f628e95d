"""The pages as a reader has them: opened from disk in Chromium, filtered, switched, printed, read aloud."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from page_files import SETTINGS, written
from published_frames import make

from pipelines.transfer.decisions.mix_answer import advise
from reports.site import PAGES, build
from reports.site.page_tables import PageTables
from reports.site.pages.common import counted, interval_rows
from reports.wording import phrase, plain

FILES = [page.file for page in PAGES]
BOUND = "[data-m],[data-u],[data-unit],[data-see-word],[data-when],[data-count],[data-things],[data-role-word]"
STRIPS = """[...document.querySelectorAll('svg[data-strip] rect')]
  .map(r => [r.getAttribute('x'), r.getAttribute('width')].join())"""


@pytest.mark.parametrize("file", FILES)
def test_a_page_opens_from_disk_draws_its_figures_and_never_scrolls_sideways(visit: Any, site: Path, file: str) -> None:
    tab = visit(site, file)
    figures = tab.locator(".plot")
    for i in range(figures.count()):
        assert figures.nth(i).locator("svg.main-svg").count() > 0
    assert tab.title().endswith("filmledger")
    for width in (1920, 768, 360, 320):
        tab.set_viewport_size({"width": width, "height": 800})
        tab.wait_for_function("w => document.documentElement.scrollWidth <= w", arg=width, timeout=3000)


@pytest.mark.parametrize("file", FILES)
def test_axe_finds_no_violation_of_wcag_22_aa(visit: Any, site: Path, axe: str, file: str) -> None:
    tab = visit(site, file, bypass_csp=True)
    tab.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    tab.add_script_tag(content=axe)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)
        found = tab.evaluate("tags => axe.run(document, {runOnly: tags, preload: false}).then(r => r.violations)", tags)
        assert [(scheme, v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found] == []


@pytest.mark.parametrize("file", FILES)
def test_the_script_says_for_all_data_what_the_page_said_without_it(visit: Any, site: Path, file: str) -> None:
    plain_page = visit(site, file, ready=False, java_script_enabled=False)
    bound = plain_page.locator(BOUND).all_text_contents()
    tab = visit(site, file)
    assert tab.locator(BOUND).all_text_contents() == bound
    source = (site / file).read_text(encoding="utf-8")
    for pair in tab.evaluate(STRIPS):
        x, width = pair.split(",")
        assert f'x="{x}" y="0" width="{width}"' in source


@pytest.mark.parametrize("file", ["index.html", "owner.html", "environment.html", "hands.html", "guns.html"])
def test_the_script_draws_for_all_data_what_python_drew(visit: Any, site: Path, file: str) -> None:
    """Traces, labels and shapes of the redrawn figure equal the embedded ones."""
    tab = visit(site, file)
    pairs = tab.evaluate(
        """() => Object.values(filmledgerPage.figures).map(f => {
             const made = JSON.parse(f.text).plot;
             const pick = p => ({
               data: p.data.map(t => ({x: t.x, y: t.y, width: t.width, visible: t.visible !== false})),
               notes: (p.layout.annotations || []).map(a => [a.text, a.x, a.y, a.xshift, a.visible !== false]),
               shapes: (p.layout.shapes || []).map(s => [s.x0, s.x1, s.y0, s.y1]),
               height: p.layout.height});
             return [pick(made), pick(f.drawn)];
           })"""
    )
    assert pairs
    for made, drawn in pairs:
        _close(made, drawn)


def _close(a: Any, b: Any) -> None:
    if isinstance(a, dict):
        assert a.keys() == b.keys()
        for key in a:
            _close(a[key], b[key])
    elif isinstance(a, list):
        assert len(a) == len(b)
        for x, y in zip(a, b, strict=True):
            _close(x, y)
    elif isinstance(a, (int, float)) and not isinstance(a, bool):
        assert b == pytest.approx(a, rel=1e-9, abs=1e-9)
    else:
        assert a == b


def test_a_filter_changes_figure_and_sentence_and_its_total_is_the_published_tables(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    tab = visit(site, "owner.html#see=solids")
    tab.select_option("select[name=shop]", "north")
    tab.select_option("select[name=from]", "2023-06")
    tab.select_option("select[name=to]", "2023-08")
    tab.select_option("select[name=role]", "base")
    kept = tables["material_ledger"].filter(
        (pl.col("shop_id") == "north")
        & pl.col("month").is_between(pl.lit("2023-06"), pl.lit("2023-08"))
        & (pl.col("role") == "base")
    )
    assert kept.height
    poured = kept["poured_solids_g"].sum() / 1000
    sums = tab.evaluate("filmledgerPage.sums('ledger')['']")
    assert sums["poured.solids"] == pytest.approx(poured, abs=5e-5 * kept.height)
    assert sums["cups"] == kept["mix_id"].n_unique()
    assert phrase(poured, "mass_kg") in tab.locator(".support").inner_text()
    useful = kept["useful_solids_g"].sum() / 1000
    width = tab.evaluate("filmledgerPage.figures.runs.drawn.data[0].width[0]")
    assert width == pytest.approx(100 * useful / poured, abs=0.05)
    assert "from June 2023 to August 2023" in tab.locator(".finding").inner_text()
    assert "shop=north" in tab.url and "role=base" in tab.url


def test_months_outside_the_filter_leave_the_emission_figure_and_its_table(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    tab = visit(site, "environment.html#shop=quay&from=2023-07")
    kept = tables["emissions_monthly"].filter((pl.col("shop_id") == "quay") & (pl.col("month") >= "2023-07"))
    total = kept["voc_kg"].sum()
    drawn = tab.evaluate(
        "filmledgerPage.figures.emissions.drawn.data.slice(0, 6).flatMap(t => t.y).reduce((a, b) => a + b, 0)"
    )
    assert drawn == pytest.approx(total, abs=1e-3)
    assert phrase(total, "mass_kg") in tab.locator(".finding").inner_text()
    tab.locator("summary", has_text="The data").click()
    assert tab.locator("table[data-by=month] tr[data-key]:visible").count() == kept["month"].n_unique()


def test_choices_follow_to_the_next_page_and_show_all_takes_them_back(visit: Any, site: Path) -> None:
    tab = visit(site, "index.html")
    tab.select_option("select[name=shop]", "east")
    tab.select_option("select[name=units]", "us")
    tab.locator("nav a", has_text="Material").click()
    tab.wait_for_selector("html[data-ready]", state="attached")
    assert tab.locator("select[name=shop]").input_value() == "east"
    assert tab.locator("select[name=units]").input_value() == "us"
    tab.locator(".filters button[type=reset]").click()
    assert "shop=" not in tab.url and "units=us" in tab.url


def test_going_back_in_the_address_sets_the_choices_back(visit: Any, site: Path) -> None:
    tab = visit(site, "hands.html#role=clear")
    tab.evaluate("location.hash = 'role=surfacer&units=us&theme=dark'")
    tab.wait_for_function("document.querySelector('[name=role]').value === 'surfacer'")
    assert "surfacer" in tab.locator("#hands-finding").inner_text()
    assert tab.locator("select[name=units]").input_value() == "us"
    assert tab.evaluate("document.documentElement.dataset.theme") == "dark"


def test_us_units_reach_sentences_headers_and_the_axis(visit: Any, site: Path, tables: dict[str, pl.DataFrame]) -> None:
    tab = visit(site, "environment.html#units=us")
    pounds = tables["emissions_monthly"]["voc_kg"].sum() / 0.45359237
    assert f"{plain(pounds, 1)}\u202flb" in tab.locator(".finding").inner_text()
    assert tab.locator("th .unit", has_text="lb").count() > 0
    assert "VOC a month, lb" in tab.locator("#plot-emissions").inner_text()
    drawn = tab.evaluate(
        "filmledgerPage.figures.emissions.drawn.data.slice(0, 6).flatMap(t => t.y).reduce((a, b) => a + b, 0)"
    )
    assert drawn == pytest.approx(pounds, rel=1e-3)


def test_a_role_and_a_shop_leave_only_their_rows_and_cards(visit: Any, site: Path) -> None:
    tab = visit(site, "hands.html#shop=north&role=surfacer")
    labels = tab.evaluate("filmledgerPage.figures.hands.drawn.layout.annotations.map(a => a.text)")
    assert labels and "Northgate" in labels[0]
    assert len(labels) == 4
    assert tab.locator("article:visible").count() == 3
    assert "surfacer" in tab.locator("#hands-finding").inner_text()
    assert "Things worth practising: none." in tab.locator(".finding").inner_text()
    tab.select_option("select[name=shop]", "east")
    assert "Things worth practising: 1." in tab.locator(".finding").inner_text()
    assert tab.locator("#cards > p a:visible").all_inner_texts() == ["T01"]
    tab = visit(site, "guns.html#shop=north")
    said = tab.locator("#fit .prose:visible").all_inner_texts()
    assert len(said) == 1 and said[0].startswith("Northgate: of 15 pairs of gun and product, 10 do not go together")


def test_the_finding_counts_the_role_and_shop_that_are_chosen(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    book = PageTables(tables, SETTINGS)
    for page, by in (("hands", "technician"), ("guns", "gun")):
        tab = visit(site, f"{page}.html")
        for role, shop in (("surfacer", ""), ("base", "north"), ("clear", "")):
            tab.evaluate(f"location.hash = 'role={role}&shop={shop}'")
            tab.wait_for_function(
                "role => document.querySelector('.finding').innerText.includes('In ' + role)", arg=role
            )
            held = book.shops_with("transfer_65") if by == "gun" else []
            wanted = counted(interval_rows(book, by, role, shop, every=True), held)
            for el in tab.locator("[data-count]").all():
                said, n = el.inner_text(), wanted[el.get_attribute("data-count") or ""]
                assert said == ("none" if n == 0 and el.get_attribute("data-zero") else plain(n, 0))


def test_the_line_at_65_percent_and_its_counts_follow_the_shop_that_is_chosen(
    visit: Any, tmp_path: Path, tables: dict[str, pl.DataFrame]
) -> None:
    """A rule speaks of 65 % for Hillside and Old Quay, none does for Northgate."""
    packs = {"jurisdiction": ["us", "eu"], "sections": ["usage|transfer_65", "usage"], "basis": ["regulatory", "eu"]}
    shops = tables["shops"].with_columns(jurisdiction=pl.Series(["us", "eu", "us"]))
    given = tables | {"shops": shops, "packs": pl.DataFrame(packs)}
    book = PageTables(given, SETTINGS)
    tab = visit(written(tmp_path, build(given, SETTINGS)), "guns.html")
    line = """filmledgerPage.figures.guns.drawn.layout.shapes.filter(s => s.x0 === 65 && s.x1 === 65).map(s => [s.y0, s.y1])"""
    for shop, drawn in (("", [[0, 4], [8, 12]]), ("north", []), ("quay", [[0, 4]])):
        tab.select_option("select[name=shop]", shop)
        assert tab.evaluate(line) == drawn
        assert (65 in tab.evaluate("filmledgerPage.figures.guns.drawn.layout.xaxis.tickvals")) == bool(drawn)
        finding, support = tab.locator(".finding").inner_text(), tab.locator(".support").inner_text()
        assert ("mark at 65 %" in tab.locator("#guns-finding").inner_text()) == bool(drawn)
        assert ("For Northgate no rule speaks of 65 %" in support) == (shop != "quay")
        wanted = counted(interval_rows(book, "gun", "clear", shop, every=True), ["east", "quay"])
        assert (wanted["held"] == 0) == (shop == "north")
        assert (f"Of the {wanted['held']} where a rule speaks of 65 %" in finding) == bool(wanted["held"])
        assert ("above it" in finding) == bool(wanted["held"])


def test_a_card_has_the_rows_behind_it_one_click_away(visit: Any, site: Path) -> None:
    tab = visit(site, "hands.html")
    cards = tab.locator("article details")
    assert cards.count() > 0
    assert cards.first.locator("table").first.is_hidden()
    cards.first.locator("summary").first.click()
    assert cards.first.locator("tbody tr").count() > 0 and cards.first.locator("table").first.is_visible()


def test_every_control_is_reached_by_keyboard_alone(visit: Any, site: Path) -> None:
    tab = visit(site, "index.html")
    reached = set()
    for _ in range(60):
        tab.keyboard.press("Tab")
        reached.add(tab.evaluate("(e => e.name || e.textContent.trim().slice(0, 20))(document.activeElement)"))
    assert {
        "To the text",
        "Start",
        "units",
        "theme",
        "shop",
        "from",
        "to",
        "role",
        "see",
        "Show all",
        "The data",
        "Save as SVG",
    } <= reached
    tab.goto(tab.url)
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    assert tab.evaluate("document.activeElement.id") == "main"


def test_a_printed_page_is_on_white_and_its_figure_fits_the_sheet(visit: Any, site: Path) -> None:
    tab = visit(site, "index.html", color_scheme="dark")
    tab.evaluate(
        """window.seen = []; window.addEventListener('beforeprint', () => {
             const drawn = filmledgerPage.figures.runs.drawn;
             seen.push([drawn.layout.width, drawn.data[0].marker.color]); })"""
    )
    pdf = tab.pdf(format="A4")
    assert pdf.startswith(b"%PDF")
    assert tab.evaluate("seen") == [[680, "#008f68"]]


def test_a_figure_is_saved_as_svg(visit: Any, site: Path) -> None:
    tab = visit(site, "guns.html")
    with tab.expect_download() as kept:
        tab.locator("button", has_text="Save as SVG").click()
    assert kept.value.suggested_filename == "filmledger-guns.svg"


@pytest.mark.parametrize("case", ["nothing", "one shop", "no film"])
def test_small_and_empty_businesses_read_well(visit: Any, tmp_path: Path, case: str) -> None:
    tables = {} if case == "nothing" else make(n_months=1, shops=1, cups_a_month=2)
    if case == "no film":
        for name in (
            "transfer_by_gun",
            "transfer_by_technician",
            "transfer_by_pair",
            "transfer_by_role",
            "transfer_records",
        ):
            tables[name] = tables[name].clear()
    folder = written(tmp_path, build(tables, SETTINGS))
    for file in FILES:
        tab = visit(folder, file)
        text = tab.locator("main").inner_text()
        assert len(text) > 150
        for word in ("undefined", "NaN", "None", "null"):
            assert word not in text


def test_hostile_text_from_a_file_stays_text(visit: Any, tmp_path: Path) -> None:
    evil = "<img src=x onerror=alert(1)></script><script>alert(2)</script>"
    tables = make()
    for name in ("transfer_by_gun", "transfer_by_pair", "guns", "material_ledger"):
        tables[name] = tables[name].with_columns(pl.col("gun_id").replace("G01", evil))
    tables["shops"] = tables["shops"].with_columns(pl.lit(evil).alias("label"))
    folder = written(tmp_path, build(tables, SETTINGS))
    for file in FILES:
        tab = visit(folder, file)
        assert tab.locator("img").count() == 0
    assert tab.evaluate("document.scripts.length") < 8


def _sheets(pdf: bytes) -> int:
    """Pages of a PDF by its page tree."""
    counts = [int(n) for n in re.findall(rb"/Count (\d+)", pdf)]
    return max(counts)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(("file", "what"), [("hands.html", "article"), ("bench.html", ".sheet")])
def test_a_practice_card_and_a_mixing_table_print_on_one_page(
    visit: Any, site: Path, paper: str, file: str, what: str
) -> None:
    tab = visit(site, file)
    tab.evaluate(
        """what => {
             let one = document.querySelector(what);
             one.style.breakBefore = 'auto';
             for (; one !== document.body; one = one.parentNode)
               for (const other of one.parentNode.children) if (other !== one) other.style.display = 'none'; }""",
        what,
    )
    assert _sheets(tab.pdf(format=paper)) == 1


def test_printing_one_card_leaves_the_others_out(visit: Any, site: Path) -> None:
    tab = visit(site, "hands.html")
    tab.evaluate(
        "window.print = () => { window.shown = [...document.querySelectorAll('article')].filter(e => e.matches('.alone')).length; }"
    )
    tab.locator("button[data-print]").nth(2).click()
    assert tab.evaluate("shown") == 1
    tab.evaluate(
        "document.documentElement.classList.add('one'); document.querySelectorAll('article')[2].classList.add('alone')"
    )
    assert _sheets(tab.pdf(format="A4")) == 1


@pytest.mark.parametrize(("panel", "area"), [("", 0.3), ("", 2.35), ("", 4.0), ("front door left of a sedan", 0.85)])
def test_a_job_is_reckoned_at_the_bench_as_the_command_says_it(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame], panel: str, area: float
) -> None:
    tab = visit(site, "bench.html#shop=north")
    tab.select_option("select[name=product]", label="Grade clear")
    gun = tab.locator("select[name=gun]").input_value()
    if panel:
        tab.select_option("select[name=panel]", label=panel)
        assert float(tab.locator("input[name=area]").input_value()) == area
    else:
        tab.fill("input[name=area]", str(area))
    told = advise(tables["mix_guide"], "p_clear", gun, area, shop="north")
    assert tab.locator("output").inner_text() == phrase(told.mix_ml, "volume_ml")
    rows = tab.locator("[data-levels] tr")
    for i, c in enumerate(told.choices):
        cells = rows.nth(i).locator("td").all_inner_texts()
        assert cells[:3] == [
            phrase(c["mix_ml"], "volume_ml", bare=True),
            plain(c["cost_short"], 2),
            plain(c["cost_left"], 2),
        ]
    assert "cheapest" in rows.nth([c["enough_in"] for c in told.choices].index(round(100 * told.quantile))).inner_text()
    parts = tab.locator("[data-parts] tbody tr").all_inner_texts()
    assert [p.split("\t") for p in parts] == [
        [w, phrase(s * told.mix_ml, "volume_ml", bare=True)]
        for w, s in (("Binder 1", 0.5), ("Hardener 1", 0.3), ("Reducer 1", 0.2))
    ]
    tab.locator("[data-levels] input").nth(0).check()
    assert tab.locator("output").inner_text() == phrase(told.choices[0]["mix_ml"], "volume_ml")
    if not panel:
        tab.select_option("select[name=units]", "us")
        tab.fill("input[name=area]", "10")
        told = advise(tables["mix_guide"], "p_clear", gun, 10 * 0.3048**2, shop="north")
        assert tab.locator("output").inner_text() == phrase(told.mix_ml, "volume_ml", system="us")


def test_what_if_moves_savings_in_proportion_and_back(visit: Any, site: Path, tables: dict[str, pl.DataFrame]) -> None:
    from playwright.sync_api import expect

    tab = visit(site, "owner.html#shop=quay")
    cost = "tr[data-lever=transfer] [data-amount=cost]"
    assert tab.locator(cost).inner_text() == phrase(900, "cost", 450, 1350)
    tab.fill("input[name=price]", "20")
    tab.fill("input[name=jobs]", "40")  # twice the 20 a month of the basis
    assert tab.locator(cost).inner_text() == phrase(2160, "cost", 1080, 3240)
    assert tab.locator("tr[data-lever=transfer] [data-amount=voc]").inner_text() == phrase(
        18, "mass_kg", 9, 30, bare=True
    )
    tab.fill("input[name=gun]", "960")
    assert tab.locator("tr[data-lever='gun:quay'] .payback").inner_text() == "1.0 years (0.7 to 2.0)"
    assert tab.locator("table.savings tbody tr:visible").count() == 5
    tab.locator(".whatif button").click()
    expect(tab.locator("input[name=jobs]")).to_have_value("20")
    assert tab.locator(cost).inner_text() == phrase(900, "cost", 450, 1350)


def test_film_and_maps_follow_the_role_that_is_chosen(visit: Any, site: Path) -> None:
    tab = visit(site, "hands.html#shop=east&role=surfacer")
    tab.locator("#panel .unfold").click()
    tab.locator("#film .unfold").click()
    tab.locator("#panel summary", has_text="Maps of the panel").click()
    assert tab.locator("#panel [data-map]:visible").count() == 3
    assert tab.locator("#film tbody tr:visible").count() == 3
    assert "surfacer" in tab.locator("#film .prose").inner_text()


def test_words_and_choices_work_before_the_figures_are_there(visit: Any, site: Path) -> None:
    tab = visit(site, "index.html", ready=False)
    tab.wait_for_selector("html[data-awake]", state="attached")
    tab.select_option("select[name=shop]", "east")
    tab.wait_for_selector("html[data-ready]", state="attached")
    assert tab.evaluate("filmledgerPage.figures.runs.drawn !== undefined")


def test_a_chain_of_shops_opens_with_the_shops_and_a_page_for_each(visit: Any, tmp_path: Path) -> None:
    folder = written(tmp_path, build(make(n_months=2, shops=40, cups_a_month=3), SETTINGS))
    tab = visit(folder, "hands.html")
    labels = "filmledgerPage.figures.hands.drawn.layout.annotations.length"
    assert tab.evaluate(labels) == 40
    tab.select_option("select[name=shop]", "north")
    assert tab.evaluate(labels) == 4
    tab = visit(folder, "bench.html")
    tab.locator(".columns a", has_text="Shop 40").click()
    tab.wait_for_selector("html[data-ready]", state="attached")
    assert tab.locator("h1").inner_text() == "How much should we mix at Shop 40?"
    assert tab.locator("output").inner_text().endswith("mL")


# Five tasks of somebody who has not seen the pages, each from the start page in at most three clicks (a choice is a click).


def test_task_the_dearest_product_in_overspray_of_one_shop(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    tab = visit(site)
    tab.locator("nav a", has_text="Material").click()
    tab.wait_for_selector("html[data-ready]", state="attached")
    tab.select_option("select[name=shop]", "quay")
    dearest = (
        tables["material_ledger"]
        .filter(pl.col("shop_id") == "quay")
        .group_by("product_id")
        .agg(pl.col("overspray_cost").sum())
        .sort("overspray_cost", descending=True)["product_id"][0]
    )
    first = tab.locator("table[data-by=product_id] tbody tr:visible").first
    assert first.get_attribute("data-key") == dearest


def test_task_who_needs_what_practice_and_how_sure(visit: Any, site: Path) -> None:
    tab = visit(site)
    tab.locator("a", has_text="Who trains the hands").click()
    tab.wait_for_selector("html[data-ready]", state="attached")
    tab.locator("a[data-jump]", has_text="T01").click()
    assert tab.evaluate("document.activeElement.id") == "card-1"
    card = tab.locator("#card-1").inner_text()
    assert "Count the coats against the sheet." in card and "shown (97 chances in 100)" in card


def test_task_which_gun_to_service(visit: Any, site: Path) -> None:
    tab = visit(site)
    tab.locator("a", has_text="Who keeps the guns").click()
    assert "shown to fall with use for G01: look there first" in tab.locator("#service").inner_text()


def test_task_one_months_voc_of_one_shop_ready_to_print(
    visit: Any, site: Path, tables: dict[str, pl.DataFrame]
) -> None:
    tab = visit(site)
    tab.locator("a", has_text="Who reports it").click()
    tab.wait_for_selector("html[data-ready]", state="attached")
    tab.select_option("select[name=shop]", "quay")
    column = tab.locator("#plot-emissions .bars .point").nth(2)
    column.scroll_into_view_if_needed()
    box = column.bounding_box()
    tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    month = tab.locator("select[name=from]").input_value()
    assert month == tab.locator("select[name=to]").input_value() != ""
    kept = tables["emissions_monthly"].filter((pl.col("shop_id") == "quay") & (pl.col("month") == month))
    assert phrase(kept["voc_kg"].sum(), "mass_kg") in tab.locator(".finding").inner_text()


def test_task_which_product_has_no_fitting_gun(visit: Any, tmp_path: Path) -> None:
    tables = make()
    tables["gun_fit"] = tables["gun_fit"].with_columns(
        tip_fits=pl.col("product_id") != "p_fill",
        verdict=pl.when(pl.col("product_id") == "p_fill").then(pl.lit("misfit")).otherwise(pl.lit("fits")),
    )
    tab = visit(written(tmp_path, build(tables, SETTINGS)))
    tab.locator("a", has_text="Who keeps the guns").click()
    assert "Hillside: no gun fits Grade surfacer." in tab.locator("#fit").inner_text()
