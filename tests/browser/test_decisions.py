"""Five tasks that end in a decision, by a reader who knows only what a page says: links, buttons and choices are found by their
visible words, no id is known before, at most six clicks; each answer is compared with a query of the published tables.
"""

from __future__ import annotations

import random
import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from page_files import SETTINGS, written

from pipelines.transfer.decisions.mix_answer import advise
from reports.site import PAGES, build
from reports.wording import UNITS, phrase, probability, standing
from schemas.published import OWN_DIRECTION, Z95

FILES = [page.file for page in PAGES]
TALLEST = 6000  # px before a reader unfolds anything
MOST_CLICKS = 6


#: what stands in the cells of rows, but for the buttons that open what is behind them
CELLS = """trs => trs.map(tr => [...tr.cells].map(
  cell => [...cell.childNodes].filter(n => n.className !== 'behind').map(n => n.textContent).join('').trim()))"""


class Reader:
    """Clicks and choices of somebody at a page, counted: each choice is one."""

    def __init__(self, tab: Any) -> None:
        self.tab = tab
        self.clicks = 0
        tab.set_default_timeout(10_000)

    def click(self, what: Any) -> None:
        self.clicks += 1
        what.click()

    def page(self, word: str) -> None:
        self.click(self.tab.get_by_role("navigation", name="Pages").get_by_role("link", name=word, exact=True))
        self.tab.wait_for_selector("html[data-ready]", state="attached")

    def choose(self, label: str, option: str) -> None:
        self.clicks += 1
        self.tab.get_by_role("combobox", name=label).first.select_option(label=option)

    def section(self, head: str) -> Any:
        return self.tab.locator("main section, main figure", has=self.tab.get_by_role("heading", name=head)).last

    def rows(self, within: Any) -> list[list[str]]:
        """The cells of the rows that stand there, in words."""
        found: list[list[str]] = within.locator("tr:visible").evaluate_all(CELLS)
        return found


@pytest.fixture
def reader(visit: Any, site: Path) -> Any:
    found = Reader(visit(site))
    yield found
    assert 0 < found.clicks <= MOST_CLICKS


def test_the_owner_reads_what_waste_cost_against_before_and_what_saves_most(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    reader.page("Material")
    section = reader.section("What did not become film, and against before")
    told = {row[0]: row for row in reader.rows(section)}
    rates = {}
    for name, months in (
        ("This period", ["2023-08", "2023-09", "2023-10"]),
        ("The one before", ["2023-05", "2023-06", "2023-07"]),
    ):
        kept = tables["material_ledger"].filter(pl.col("month").is_in(months))
        poured, useful = kept["poured_cost"].sum(), kept["useful_cost"].sum()
        rates[name] = (poured - useful) / poured
        assert told[name][1].startswith(phrase(poured - useful, "cost") + " (")
        assert told[name][2].startswith(phrase(rates[name], "per100") + " (")
    more = "more" if rates["This period"] > rates["The one before"] else "less"
    said = section.inner_text()
    number = re.search(r"Against the one before that is ([\d.]+) \(", said)
    assert number
    apart = 100 * abs(rates["This period"] - rates["The one before"])
    assert float(number[1]) == pytest.approx(apart, abs=0.51 * 10 ** -len(number[1].partition(".")[2]))
    assert any(f"{more} of every 100 poured: {word}." in said for word in ("shown", "likely", "not shown"))
    changes = tables["savings"].filter((pl.col("shop_id") == "all") != (pl.col("lever") == "gun"))
    best = changes.sort("per_year_cost", "shop_id", descending=[True, False]).head(3)
    total = tables["savings_basis"].filter(shop_id="all").row(0, named=True)
    said = reader.section("What could be saved in a year?").inner_text()
    for row in best.iter_rows(named=True):
        word = (
            f"replace gun {row['item']}"
            if row["lever"] == "gun"
            else "bring those outside the shop's better half to its transfer"
        )
        assert word in said.split("Together")[0]
    assert (
        f"Together {phrase(total['best_cost'], 'cost', total['best_low'], total['best_high'], currency='crowns')} a year, shown."
        in said
    )


def test_the_reporter_reads_a_months_voc_by_category_its_limit_the_head_room_and_goes_to_file_and_line(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    reader.page("Emissions")
    reader.choose("first month", "July 2023")
    reader.choose("last month", "July 2023")
    kept = tables["emissions_monthly"].filter(pl.col("month") == "2023-07")
    cups = tables["voc_content"].filter(pl.col("month") == "2023-07")
    section = reader.section("By category")
    head, *rows = reader.rows(section)
    at = {
        word: [i for i, cell in enumerate(head) if cell.startswith(word)]
        for word in ("VOC", "limit on content", "held", "above", "not judged")
    }
    told = {row[0]: row for row in rows}
    assert [head[i].split()[-1] for i in at["VOC"]] == ["kg", "lb"] and {
        "primer",
        "topcoat",
        "cleaning",
        "all together",
    } <= set(told)
    for category in ("primer", "topcoat", "cleaning"):
        voc, of = kept.filter(category=category)["voc_kg"].sum(), cups.filter(category=category)
        assert [told[category][i] for i in at["VOC"]] == [
            phrase(voc, "mass_kg", bare=True),
            phrase(voc, "mass_kg", system="us", bare=True),
        ]
        if category != "cleaning":
            numbers = [told[category][at[word][0]] for word in ("limit on content", "held", "above", "not judged")]
            over = of["over"]
            assert numbers == [
                f"{of['limit_g_per_l'][0]:.0f}",
                str(over.count()),
                str(over.sum()),
                str(over.null_count()),
            ]
    assert [told["all together"][i] for i in at["VOC"]] == [
        phrase(kept["voc_kg"].sum(), "mass_kg", bare=True), phrase(kept["voc_kg"].sum(), "mass_kg", system="us", bare=True)
    ]  # fmt: skip
    curve = tables["limit_curve"].sort("month").row(-1, named=True)
    said = reader.section("Against the limits").inner_text().replace("\u202f", " ")
    assert (
        f"Hillside: VOC, over twelve months. October 2023: {curve['total_stated']:.3f} of {curve['limit_stated']:.3f} US tons;"
        f" {curve['headroom_stated']:.3f} US tons left ({curve['headroom']:.0f} kg); pace 0.0300 a month"
    ) in said
    reader.click(section.get_by_role("button", name="The rows behind topcoat"))
    reader.tab.get_by_role("region", name="Rows of emission_lines").wait_for()
    behind = tables["emission_lines"].filter(month="2023-07", category="topcoat")
    browser = reader.tab.locator(".browser:visible")
    assert f"of {behind.height} rows" in browser.inner_text() and "Only topcoat" in browser.inner_text()
    listed = reader.rows(browser)
    column = next(i for i, cell in enumerate(listed[0]) if cell.startswith("voc"))
    assert listed[-1][column] == told["topcoat"][at["VOC"][0]]  # the rows come to the figure
    place = listed[0].index("cup")
    assert sorted(row[place] for row in listed[1:-1]) == sorted(behind["mix_id"])
    mix, shop = (
        listed[1][place],
        {v: k for k, v in tables["shops"].select("shop_id", "label").iter_rows()}[listed[1][0]],
    )
    reader.click(browser.get_by_role("link", name=mix).first)
    pours = tables["voc_content_lines"].filter(mix_id=mix, shop_id=shop)
    opened = reader.tab.locator("section", has=reader.tab.get_by_role("heading", name=f"Cup {mix}")).last
    opened.get_by_role("heading", name="What was poured").wait_for()
    poured = reader.rows(opened.locator("div", has=reader.tab.get_by_role("heading", name="What was poured")).last)
    file, line = (poured[0].index(word) for word in ("file", "line"))
    assert {(row[file], row[line]) for row in poured[1:] if row[file]} == {
        (f, str(n)) for f, n in pours.select("file", "file_line").iter_rows()
    }
    assert "cup=" in reader.tab.url  # the address can be sent


def test_the_trainer_reads_what_to_practise_with_whom_how_sure_and_what_it_is_not_for(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    reader.page("Hands")
    tab = reader.tab
    cards = tables["practice_cards"].filter(kind="over_build")
    todo = reader.section("What to do").inner_text()
    for who, practise, sure in (
        tables["actions"].filter(reader="trainer").select("subject", "what", "how_sure").iter_rows()
    ):
        assert f"{who}: {practise}" in todo and sure in todo
    assert "not for pay or for order of merit" in tab.locator("main").inner_text()
    watch = reader.section("Transfer: what to practise, and whom to watch")
    assert "papered panel" in watch.inner_text()
    own = {(r["shop_id"], r["role"]): r["estimate"] for r in tables["transfer_by_role"].iter_rows(named=True)}
    label = dict(tables["shops"].select("shop_id", "label").iter_rows())
    wanted: dict[tuple[str, str], list[str]] = {}  # with whom: whoever's whole interval lies above the shop's own
    for r in (
        tables["transfer_by_technician"]
        .filter(pl.col("with_whom").is_null(), pl.col("low").is_not_null())
        .iter_rows(named=True)
    ):
        if r["low"] > own[r["shop_id"], r["role"]]:
            wanted.setdefault((label[r["shop_id"]], r["role"]), []).append(
                f"{r['technician_id']}: {phrase(r['estimate'], 'share', r['low'], r['high'])}"
            )
    told = {(row[0], row[1]): row[2] for row in reader.rows(watch)[1:]}
    assert wanted and told.keys() == wanted.keys()
    assert all(person in told[key] for key, people in wanted.items() for person in people)
    card = cards.row(0, named=True)
    reader.click(reader.section("Practice cards").get_by_role("link", name=card["technician_id"]).first)
    said = tab.locator("article", has=tab.get_by_role("heading", name=card["technician_id"])).inner_text()
    for word, value in (
        ("Seen", "seen"),
        ("Could be confused with", "confused_with"),
        ("To practise", "practise"),
        ("What would settle it", "would_settle"),
    ):
        assert word in said and card[value].lower().rstrip(".") in said.lower()
    assert f"{card['how_sure']} ({probability(card['prob'])})" in said


def test_the_painter_reads_gun_parts_and_what_running_short_costs_for_one_front_door(
    reader: Any, tables: dict[str, pl.DataFrame]
) -> None:
    """Knows the shop, that clear is due, and that it is a front door of a sedan."""
    reader.page("Mixing bench")
    tab = reader.tab
    reader.choose("shop", "Northgate")
    reader.choose("role", "clear")
    reader.choose("panel", "front door left of a sedan")
    best = tab.get_by_role("combobox", name="gun").locator("option").first.inner_text()
    gun = best.partition(":")[0]
    fit = tables["gun_fit"].filter(product_id="p_clear", shop_id="north", verdict="fits")["gun_id"].to_list()
    lands = (
        tables["transfer_by_gun"]
        .filter(pl.col("gun_id").is_in(fit), role="clear")
        .sort("estimate", nulls_last=True, descending=True)
    )
    assert gun == lands["gun_id"][0] and ": fits" in best
    told = advise(tables["mix_guide"], "p_clear", gun, 0.85, shop="north")
    form = tab.get_by_role("form", name="How much for one job")
    assert form.get_by_role("status").inner_text() == phrase(told.mix_ml, "volume_ml")
    parts = {row[0]: row[1] for row in reader.rows(form.locator("table", has_text="What to pour"))[1:]}
    shares = (
        tables["mix_parts"].filter(shop_id="north", product_id="p_clear").join(tables["components"], on="component_id")
    )
    assert parts == {
        name: phrase(share * told.mix_ml, "volume_ml", bare=True)
        for name, share in shares.select("label", "share").iter_rows()
    }
    levels = reader.rows(form.locator("table", has_text="running short"))[1:]
    assert len(levels) == len(told.choices)
    cheapest = min(levels, key=lambda row: float(row[4]))
    assert "cheapest" in cheapest[0]
    for row, choice in zip(levels, told.choices, strict=True):
        assert row[1:4] == [
            phrase(choice["mix_ml"], "volume_ml", bare=True),
            f"{choice['cost_short']:.2f}",
            f"{choice['cost_left']:.2f}",
        ]


@pytest.mark.parametrize("seed", [1, 2])
def test_the_sceptic_takes_any_figure_to_its_rows_its_cup_and_a_file(
    reader: Any, tables: dict[str, pl.DataFrame], seed: int
) -> None:
    """A figure of Material drawn by number: what was poured of one product, or in one month."""
    draw = random.Random(seed)
    reader.page("Material")
    tab = reader.tab
    head = ["Month by month", "In which products?"][seed % 2]
    if seed % 2 == 0:
        reader.click(reader.section(head).get_by_role("button", name=head))
    listed = reader.rows(reader.section(head).locator("table"))
    row = draw.choice(listed[1:])
    reader.click(reader.section(head).get_by_role("button", name=f"The rows behind {row[0]}", exact=True))
    tab.get_by_role("region", name="Rows of material_ledger").wait_for()
    browser = tab.locator(".browser:visible")
    if seed % 2:
        ids = {
            f"{label} ({role})": p
            for p, label, role in tables["products"].select("product_id", "label", "role").iter_rows()
        }
        kept = tables["material_ledger"].filter(product_id=ids[row[0]])
    else:
        months = {
            "May 2023": "2023-05",
            "June 2023": "2023-06",
            "July 2023": "2023-07",
            "August 2023": "2023-08",
            "September 2023": "2023-09",
            "October 2023": "2023-10",
        }
        kept = tables["material_ledger"].filter(month=months[row[0]])
    assert kept.height and f"of {kept.height} rows" in browser.inner_text()
    rows = reader.rows(browser)
    assert rows[-1][rows[0].index(next(cell for cell in rows[0] if cell.startswith("poured")))] == row[2]
    with tab.expect_download() as saved:
        reader.click(browser.get_by_role("button", name="Save as CSV"))
    file = pl.read_csv(saved.value.path())
    assert file.height == kept.height
    assert file["poured_cost"].sum() == pytest.approx(kept["poured_cost"].sum(), rel=1e-5)
    mix = rows[1][rows[0].index("cup")]
    reader.click(browser.get_by_role("link", name=mix).first)
    opened = tab.locator("section", has=tab.get_by_role("heading", name=f"Cup {mix}")).last
    opened.get_by_role("heading", name="What was poured").wait_for()
    assert "inbox/scale_" in opened.inner_text()


# --- every figure of thirty choices ------------------------------------------------------------------------------------------

LEDGER = ("poured", "useful", "over_build", "overspray", "flush_loss", "leftover", "not_split")
SEES = {"solids": ("solids_g", 1e-3), "voc": ("voc_g", 1e-3), "cost": ("cost", 1.0)}
EMISSIONS = {"rts_l": "rts_l", "rts_kg": "rts_kg", "voc": "voc_kg", "exempt": "exempt_kg", "pm": "pm_kg"}
FOUND = """() => [...document.querySelectorAll('[data-m]')].filter(e => !e.closest('[hidden], noscript')).map(e => ({
  m: e.dataset.m, of: e.dataset.of || '', kind: e.dataset.kind, other: 'other' in e.dataset, said: e.textContent,
  which: (e.closest('[data-amounts]') || {dataset: {amounts: 'ledger'}}).dataset.amounts,
  by: e.closest('table[data-by]')?.dataset.by || '', key: e.closest('tr[data-key]')?.dataset.key || ''}))"""
SAID = """() => ({
  counts: [...document.querySelectorAll('[data-count]')].filter(e => !e.closest('[hidden]')).map(e => [e.dataset.count, e.textContent]),
  things: [...document.querySelectorAll('[data-things]')].map(e => e.textContent),
  labels: Object.values(filmledgerPage.figures).flatMap(f => f.kind === 'intervals' ? f.drawn.layout.annotations.map(a => a.text) : []),
  saved: [...document.querySelectorAll('table.savings tr')].filter(e => !e.hidden && (e.dataset.lever || 'total' in e.dataset)).map(
    e => [e.dataset.lever || '', e.querySelector('[data-amount=cost]').textContent])})"""


class Query:
    """Figures of one choice, from the published tables alone: plain sums, and ends from total_loadings by their definition."""

    def __init__(self, tables: dict[str, pl.DataFrame], chosen: dict[str, str]) -> None:
        self.tables, self.chosen = tables, chosen

    def kept(self, table: str, by: str = "", key: str = "") -> pl.DataFrame:
        rows = self.tables[table].filter(
            pl.col("month").is_between(pl.lit(self.chosen["from"]), pl.lit(self.chosen["to"]))
        )
        for name, column in (("shop", "shop_id"), ("role", "role")):
            if self.chosen.get(name) and column in rows.columns:
                rows = rows.filter(pl.col(column) == self.chosen[name])
        return rows.filter(pl.col(by) == key) if key else rows

    def ledger(self, measure: str, by: str, key: str) -> tuple[float, float | None, float | None]:
        rows = self.kept("material_ledger", by, key)
        part, _, see = measure.partition(".")
        landed = rows.select(
            pl.sum_horizontal(f"{p}_solids_g" for p in ("useful", "over_build", "overspray"))
        ).to_series()
        if part == "cups":
            return rows.select("shop_id", "mix_id").n_unique(), None, None
        if part in ("sprayed", "a", "b", "c"):
            of = landed if part == "sprayed" else landed.filter(rows["grade"] == part.upper())
            return float(of.sum()) / 1000, None, None
        suffix, by_unit = SEES[see]
        amount = {p: float(rows[f"{p}_{suffix}"].sum()) * by_unit for p in LEDGER}
        if part in ("poured", "flush_loss", "leftover", "not_split"):
            return amount[part], None, None
        cells = ["shop_id", "month", "product_id"]
        sums = rows.group_by(cells).agg(
            k=(pl.col(f"useful_{suffix}") + pl.col(f"over_build_{suffix}")).sum() * by_unit * 1000
            / (pl.col("useful_solids_g") + pl.col("over_build_solids_g")).sum()
        )  # fmt: skip
        loads = (
            self.tables["total_loadings"]
            .rename({"period": "month"})
            .join(sums, on=cells)
            .filter(pl.col("k").is_finite())
        )
        of = {"overspray": pl.col("landed_g"), "over_build": pl.col("over_build_g")}.get(
            part, pl.col("landed_g") - pl.col("over_build_g")
        )
        own = pl.col("direction") == OWN_DIRECTION
        shared = loads.filter(~own).group_by("direction").agg(u=(pl.col("k") * of).sum() / 1000)["u"]
        alone = loads.filter(own).select(
            (pl.col("k") * pl.col("landed_g") / 1000) ** 2, o=(pl.col("k") * pl.col("over_build_g") / 1000) ** 2
        )
        squares = {"overspray": alone["k"].sum(), "over_build": alone["o"].sum()}.get(
            part, alone["k"].sum() + alone["o"].sum()
        )
        half, most = (
            Z95 * ((shared**2).sum() + squares) ** 0.5,
            amount["overspray"] + amount["over_build"] + amount["useful"],
        )
        value = amount["useful" if part == "lost" else part]
        low, high = (min(max(value + sign * half, 0.0), most) for sign in (-1, 1))
        if part == "lost":
            return amount["poured"] - value, max(0.0, amount["poured"] - high), max(0.0, amount["poured"] - low)
        return value, low, high

    def emissions(self, measure: str, by: str, key: str) -> tuple[float, float | None, float | None]:
        if measure in ("judged", "above", "open"):
            over = self.kept("voc_content", by, key).filter(pl.col("limit_g_per_l").is_not_null())["over"]
            return {"judged": over.count(), "above": over.sum(), "open": over.null_count()}[measure], None, None
        rows = self.kept("emissions_monthly", by, key)
        if measure in ("a", "b", "c"):
            return float((rows[f"share_{measure}"] * rows["rts_kg"]).sum()), None, None
        ends = [float(rows[f"pm_kg_{e}"].sum()) for e in ("low", "high")] if measure == "pm" else [None, None]
        return float(rows[EMISSIONS[measure]].sum()), *ends

    def told(self, found: dict[str, Any]) -> tuple[float, float | None, float | None] | None:
        """The figure in the unit it is said in; None: not known."""
        see, measure, of = self.chosen.get("see", ""), found["m"], found["of"]
        look = self.ledger if found["which"] == "ledger" else self.emissions
        ends = look(measure.replace("*", see), found["by"], found["key"])
        by = 1.0
        if of:
            by = look(of.replace("*", see), found["by"], found["key"])[0] / 100
        else:
            kind = found["kind"] if found["kind"] != "*" else "cost" if see == "cost" else "mass_kg"
            if (self.chosen["units"] == "us") != found["other"] and kind in UNITS:
                by = UNITS[kind].factor
        value, low, high = (None if e is None or not by else e / by for e in ends)
        return None if value is None else (value, low, high)


def _numbers(said: str) -> list[tuple[float, float]]:
    """Each number of a phrase with half of its last digit."""
    flat = re.sub(r"(?<=\d)[,\u202f](?=\d{3})", "", said)
    return [(float(n), 0.51 * 10 ** -len(n.partition(".")[2])) for n in re.findall(r"(?<![\d.])-?\d+(?:\.\d+)?", flat)]


def _shows(said: str, told: tuple[float, float | None, float | None] | None) -> bool:
    if told is None:
        return said == "not known"
    numbers, ends = _numbers(said), [e for e in told if e is not None]
    if len(ends) == 3 and len(numbers) == 1:
        ends = ends[:1] if abs(told[2] - told[1]) < 1e-9 * max(1.0, abs(told[0])) else ends
    return len(numbers) == len(ends) and all(
        abs(n - e) <= half + 1e-3 * abs(e) + 2e-3 for (n, half), e in zip(numbers, ends, strict=True)
    )


def _of_hands_or_guns(
    tables: dict[str, pl.DataFrame], by: str, shop: str, role: str
) -> tuple[dict[str, int], list[str]]:
    """What the page counts, and what stands beside each band, from the tables of transfer."""
    who = "technician_id" if by == "technician" else "gun_id"
    rows = tables[f"transfer_by_{by}"].filter(
        (pl.col("role") == role) & (pl.lit(shop == "") | (pl.col("shop_id") == shop))
    )
    whole = dict(tables["transfer_by_role"].filter(role=role).select("shop_id", "estimate").iter_rows())
    told = rows.filter(pl.col("estimate").is_not_null())
    typical = pl.col("shop_id").replace_strict(whole, return_dtype=pl.Float64)
    alone = told.filter("separable")
    counts = {
        "all": rows[who].n_unique(), "told": told[who].n_unique(), "held": told.height, "records": int(told["n"].sum()),
        "above": told.filter(pl.col("low") > 0.65).height, "below": told.filter(pl.col("high") < 0.65).height,
        "better": alone.filter(pl.col("low") > typical).height, "less": alone.filter(pl.col("high") < typical).height,
    }  # fmt: skip
    counts["open"] = counts["held"] - counts["above"] - counts["below"]
    return counts, [
        standing(r["estimate"], r["low"], None if r["high"] is None else min(r["high"], 1.0), r["n"], r["grade"])
        for r in rows.iter_rows(named=True)
    ]


@pytest.fixture(scope="module")
def every_site(
    site: Path, tables: dict[str, pl.DataFrame], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("readers")
    made = {"": site}
    for name in ("owner", "environment", "trainer", "painter"):
        (folder / name).mkdir()
        made[name] = written(folder / name, build(tables, SETTINGS, name))
    return made


def test_every_figure_of_thirty_random_choices_is_a_query_of_the_published_tables(
    visit: Any, every_site: dict[str, Path], tables: dict[str, pl.DataFrame]
) -> None:
    """All that pages bind to a choice of shop, months, role, units and way of counting: amounts with their ends, cups, grades, cups
    against limits, counts, figures of hands and guns, savings. The site for everybody and those of single readers."""
    where = [("", "index.html"), ("", "owner.html"), ("", "environment.html"), ("", "hands.html"), ("", "guns.html"),
             ("owner", "owner.html"), ("environment", "environment.html"), ("trainer", "hands.html"), ("painter", "guns.html"),
             ("owner", "index.html")]  # fmt: skip
    tabs = {
        at: visit(every_site[at[0]], "index.html" if not (every_site[at[0]] / at[1]).is_file() else at[1])
        for at in where
    }
    months = sorted(tables["material_ledger"]["month"].unique())
    roles = sorted(tables["transfer_by_role"]["role"].unique())
    records = {by: dict(tables[f"transfer_by_{by}"].filter(pl.col("estimate").is_not_null()).group_by("role").agg(pl.col("n").sum()).iter_rows())
               for by in ("technician", "gun")}  # fmt: skip
    looked = dict.fromkeys(("amounts", "counts", "labels", "saved"), 0)
    for seed in range(30):
        draw = random.Random(seed)
        at = where[seed % len(where)]
        tab = tabs[at]
        first, last = sorted(draw.choices(months, k=2))
        chosen = {"shop": draw.choice(["", "east", "north", "quay"]), "from": first, "to": last, "units": draw.choice(["metric", "us"]),
                  "see": draw.choice([*SEES]), "role": draw.choice(["", *roles])}  # fmt: skip
        offered = set(tab.locator("select[name]").evaluate_all("es => es.map(e => e.name)"))
        chosen |= {"from": months[0], "to": months[-1]} if "from" not in offered else {}
        asked = {k: v for k, v in chosen.items() if k in offered}
        if at[1] == "environment.html":
            chosen["role"] = ""
        was = tab.evaluate(
            "hash => { const was = location.hash; location.hash = hash; return was; }",
            "&".join(f"{k}={v}" for k, v in asked.items()),
        )
        if was != tab.evaluate("location.hash"):
            tab.wait_for_function(
                "a => Object.entries(a).every(([k, v]) => document.querySelector(`select[name=${k}]`).value === v)",
                arg=asked,
            )
        query, case = Query(tables, chosen), (seed, at, chosen)
        for found in tab.evaluate(FOUND):
            assert _shows(found["said"], query.told(found)), (case, found, query.told(found))
            looked["amounts"] += 1
        said = tab.evaluate(SAID)
        by = {"hands.html": "technician", "guns.html": "gun"}.get(at[1])
        if by:
            role = chosen["role"] or max(sorted(records[by]), key=lambda r: records[by][r])
            counts, labels = _of_hands_or_guns(tables, by, chosen["shop"], role)
            for name, text in said["counts"]:
                assert text == ("none" if not counts[name] and text == "none" else str(counts[name])), (case, name)
                looked["counts"] += 1
            drawn = " ".join(re.sub(r"<[^>]*>", "", label) for label in said["labels"])
            for label in labels:
                assert label in drawn, (case, label)
                looked["labels"] += 1
        if at == ("", "hands.html"):
            cards = (
                tables["practice_cards"]
                .filter(pl.lit(chosen["shop"] == "") | (pl.col("shop_id") == chosen["shop"]))
                .height
            )
            assert said["things"] == [str(cards) if cards else "none"]
        saves = tables["savings"]
        for lever, text in said["saved"]:
            shop = lever.partition(":")[2] or chosen["shop"] or "all"
            if lever:
                row = (
                    saves.filter(shop_id=shop, lever=lever.partition(":")[0])
                    .select("per_year_cost", "low", "high")
                    .row(0)
                )
            else:
                row = (
                    tables["savings_basis"]
                    .filter(shop_id=shop)
                    .select("saved_cost", "saved_cost_low", "saved_cost_high")
                    .row(0)
                )
            assert _shows(text, row), (case, lever, text, row)
            looked["saved"] += 1
    assert looked["amounts"] > 600 and looked["counts"] > 60 and looked["labels"] > 40 and looked["saved"] > 30


@pytest.mark.parametrize("file", ["index.html", "owner.html", "environment.html"])
def test_what_does_not_follow_the_period_says_so_beside_itself(visit: Any, site: Path, file: str) -> None:
    """Sections with a figure that read the same for one month as for all say of what they are."""
    read = """() => Object.fromEntries([...document.querySelectorAll('main section[id], main figure[id]')].map(e => [e.id, e.textContent]))"""
    tab = visit(site, file)
    whole = tab.evaluate(read)
    tab.evaluate("location.hash = 'from=2023-06&to=2023-06'")
    tab.wait_for_function("document.querySelector('[name=to]').value === '2023-06'")
    shown, hidden = (
        tab.evaluate(read),
        tab.evaluate(
            "() => [...document.querySelectorAll('main tbody tr[hidden]')].map(e => e.closest('section')?.id)"
        ),
    )
    same = [
        name for name in whole if whole[name] == shown[name] and name not in hidden and re.search(r"\d", whole[name])
    ]
    telling = re.compile(
        r"whatever the period|all data|all months|of all dates|reckoned for a year|a year, all shops", re.IGNORECASE
    )
    assert [
        name for name in same if name not in ("cup", "lines") and not telling.search(" ".join(whole[name].split()))
    ] == []
    assert len(same) < len(whole)


def test_lists_of_all_pages_hold_the_same_lines_of_the_table_in_the_same_words(
    visit: Any, every_site: dict[str, Path], tables: dict[str, pl.DataFrame]
) -> None:
    """What stands on a reader's page is that reader's list; every line stands on Start as well, and a line reads alike wherever it
    stands, on the pages for everybody and on each reader's own site, but for its link."""
    of = {
        "owner.html": "owner",
        "environment.html": "environment",
        "hands.html": "trainer",
        "guns.html": "painter",
        "bench.html": "painter",
    }
    read = """es => es.map(e => [e.dataset.action, e.textContent.replace('What stands behind it', '').replace(/\\s+/g, ' ').trim()])"""
    told: dict[str, set[str]] = {}

    def lines(reader: str, file: str) -> set[str]:
        found = visit(every_site[reader], file).locator("[data-action]").evaluate_all(read)
        for key, text in found:
            told.setdefault(key, set()).add(text)
        assert len({key for key, _ in found}) == len(found)
        return {key for key, _ in found}

    start: set[str] = set()
    for file, name in of.items():
        rows = (
            tables["actions"]
            .filter(pl.col("reader") == name)
            .select("shop_id", "evidence", "subject", "what")
            .iter_rows()
        )
        mine = {"|".join(row) for row in rows}
        assert lines("", file) == mine
        assert lines(name, file if (every_site[name] / file).is_file() else "index.html") == mine
        start |= mine
    assert lines("", "index.html") == start
    assert {key: texts for key, texts in told.items() if len(texts) > 1} == {}
    for what in told:  # the gun that nobody may spray with is nowhere said to be sprayed with
        shop, evidence, subject, _ = what.split("|")
        if evidence.startswith("gun_fit"):
            assert not [
                text
                for key, texts in told.items()
                if key.startswith(f"{shop}|gun_cover")
                for text in texts
                if f"with {subject}" in text
            ]


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
