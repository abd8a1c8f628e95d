"""The site as bytes: repeatable, closed to the network, escaped, complete for any tables."""

from __future__ import annotations

import json
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from page_words import read
from published_frames import frame, make

from pipelines.transfer.decisions.actions import LEVERS
from reports import wording
from reports.site import PAGES, build
from reports.site.figures.intervals import intervals
from reports.site.figures.runs import geometry
from reports.site.figures.strip import shares, strip
from reports.site.page_sums import between, joined_words, ledger_sums, transfer_rows
from reports.site.page_tables import PageTables
from reports.site.pages import savings_section
from reports.site.pages.common import default_role, interval_rows
from reports.site.theme import PARTS

SETTINGS = {"business": {"currency": "crowns"}, "pages": {"people": "id"}}


def pages(site: dict[str, bytes]) -> dict[str, str]:
    return {name: content.decode() for name, content in site.items() if name.endswith(".html")}


def words(html: str) -> str:
    """What a reader sees: scripts and tags taken out."""
    html = re.sub(r"(?s)<script.*?</script>|<style.*?</style>", " ", html)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_the_same_tables_give_the_same_bytes_whatever_the_order_of_their_rows(tables, site) -> None:
    shuffled = {name: t.sample(fraction=1.0, shuffle=True, seed=5) for name, t in tables.items()}
    again = build(
        shuffled,
        {
            "business": {"currency": "crowns"},
            "pages": {"units": "metric", "people": "id"},
            "cup": {"flush_loss_g": 5.0},
        },
    )
    assert again.keys() == site.keys()
    assert [name for name in site if site[name] != again[name]] == []


def test_the_site_has_every_page_and_one_copy_of_each_shared_file(site) -> None:
    assert {name for name in site if not name.startswith("rows_")} == {p.file for p in PAGES} | {
        "amounts.js", "emissions.js", "plotly.min.js", "site.js", "style.css",
    }  # fmt: skip
    assert {name for name in site if name.startswith("rows_")} == {
        f"rows_{kind}_{shop}.js" for kind in ("ledger", "emissions", "records", "pours") for shop in (1, 2, 3)
    }
    assert sum(len(v) for v in site.values()) < 8e6


def test_no_page_may_reach_anything_but_its_own_folder(site) -> None:
    for name, html in pages(site).items():
        assert "default-src 'none'; script-src 'self';" in unescape(html), name
        targets = re.findall(r'(?:src|href)="([^"]*)"', html)
        assert all(re.fullmatch(r"[\w.-]+(#[\w-]+)?|#[\w-]+|data:,", t) for t in targets), (name, targets)
        assert not re.search(r"<script(?![^>]*(src=|application/json))", html), name
        assert not re.search(r"\son\w+=", html), name


def test_pages_are_well_formed_and_ids_are_single(site) -> None:
    void = {"meta", "link", "rect", "path", "circle", "line", "br", "img", "input"}

    class Check(HTMLParser):
        def __init__(self) -> None:
            super().__init__()
            self.open: list[str] = []
            self.ids: list[str] = []

        def handle_starttag(self, tag, attrs):
            self.ids += [v for k, v in attrs if k == "id"]
            if tag not in void or (tag == "rect"):
                self.open.append(tag)

        def handle_startendtag(self, tag, attrs):
            self.ids += [v for k, v in attrs if k == "id"]

        def handle_endtag(self, tag):
            assert self.open and self.open[-1] == tag, (tag, self.open[-3:])
            self.open.pop()

    for name, html in pages(site).items():
        check = Check()
        check.feed(html)
        assert check.open == [], name
        assert len(check.ids) == len(set(check.ids)), name


def test_each_page_opens_with_its_question_then_the_finding_with_interval(site) -> None:
    for page in PAGES:
        html = pages(site)[page.file]
        assert html.index(page.question) < html.index('class="finding"') < html.index('class="support"')
    start = words(pages(site)["index.html"])
    assert re.search(r"\d+ \(\d+–\d+\) became useful film", start.replace("  ", " "))
    assert "measured (A)" in start and "cups" in start


def test_every_figure_has_its_data_its_rows_how_it_is_computed_and_a_name(site) -> None:
    count = 0
    for html in pages(site).values():
        for figure in re.findall(r"(?s)<figure.*?</figure>", html):
            count += 1
            for summary in ("The data", "The rows behind it", "How it is computed"):
                assert f"<summary>{summary}</summary>" in figure
            assert 'role="img" aria-labelledby=' in figure and "<figcaption>" in figure and "<noscript>" in figure
    assert count == 5


def test_cautions_stand_on_every_page_and_in_full_on_the_method_page(site) -> None:
    for html in pages(site).values():
        text = words(html)
        assert "isocyanates" in text and "data sheet" in text and "licensed practice" in text
    method = words(pages(site)["method.html"])
    for danger in ("Isocyanates", "Solvents and fire", "Sanding dust", "Pressure"):
        assert danger in method


def test_people_appear_by_id_in_the_order_of_ids_and_never_by_name_or_rank(tables, site) -> None:
    for name, html in pages(site).items():
        assert "A. Name" not in html
        for word in ("worst", "significant", "ranking", "top performer"):
            assert word not in words(html).lower().replace("pay or ranking would be unfair", ""), (name, word)
    cards = re.findall(r"<h3>(T\d+)</h3>", pages(site)["hands.html"])
    assert cards == sorted(cards) and len(cards) == 9
    for role in ("base", "clear", "surfacer"):
        names = [
            (r["shop"], r["name"])
            for r in interval_rows(PageTables(tables, {}), "technician", role)
            if not r["typical"]
        ]
        assert names == sorted(names)


def test_people_can_be_kept_off_the_pages_altogether(tables) -> None:
    site = build(tables, {"pages": {"people": "hidden"}})
    assert "hands.html" not in site
    named = set(tables["technicians"]["technician_id"].to_list())
    for name, content in site.items():
        if name not in ("plotly.min.js", "site.js", "style.css"):
            found = {p for p in named if re.search(rf"\b{p}\b", content.decode())}
            assert not found, (name, found)


def test_text_from_files_is_escaped_wherever_it_stands(tables) -> None:
    evil = "</script><b onmouseover=x>"
    hostile = dict(tables)
    for name, column in (
        ("shops", "label"),
        ("products", "label"),
        ("refused_rows", "raw"),
        ("mixes", "why_incomplete"),
    ):
        hostile[name] = tables[name].with_columns(pl.lit(evil).alias(column))
    hostile["guns"] = tables["guns"].with_columns(pl.col("gun_id").replace("G01", evil))
    for name in ("transfer_by_gun", "transfer_by_pair", "material_ledger"):
        hostile[name] = tables[name].with_columns(pl.col("gun_id").replace("G01", evil))
    site = build(hostile, {"business": {"currency": evil}})
    for name, html in pages(site).items():
        assert "<b onmouseover" not in html, name
    assert b"</script>" not in site["amounts.js"]


@pytest.mark.parametrize("left_out", ["all", "film", "people", "ledger", "intake"])
def test_missing_and_empty_tables_give_pages_that_say_what_to_do(tables, left_out: str) -> None:
    gone = {
        "all": set(tables),
        "film": {t for t in tables if t.startswith("transfer_") or t == "film_increments"},
        "people": {"technicians", "transfer_by_technician", "transfer_by_pair"},
        "ledger": {"material_ledger", "mixes"},
        "intake": {"intake_files", "refused_rows"},
    }[left_out]
    missing = build({n: t for n, t in tables.items() if n not in gone}, SETTINGS)
    empty = build({n: t.clear() if n in gone else t for n, t in tables.items()}, SETTINGS)
    for site in (missing, empty):
        for name, html in pages(site).items():
            text = words(html)
            assert "None" not in text and "nan" not in text.lower().split(), name
            assert 'class="finding"' in html
    if left_out == "all":
        assert "Nothing has been poured here yet" in words(pages(missing)["index.html"])
        assert "inbox/" in words(pages(missing)["index.html"])
    if left_out == "ledger":
        refused = tables["intake_files"].filter(pl.col("table") == "pours")["refused"].sum()
        assert f"No cup could be read: {refused} row" in words(pages(missing)["index.html"])
        assert "The intake page says why" in words(pages(missing)["index.html"])
    if left_out == "film":
        assert "film read before and after" in words(pages(missing)["hands.html"])


@pytest.mark.parametrize(
    ("page", "section", "gone", "record"),
    [
        ("guns", "service", "gun_drift", "registers/gun_services.csv"),
        ("guns", "fit", "gun_fit", "smallest and largest tip in registers/products.csv"),
        ("hands", "film", "film_by_technician", "least and greatest film in registers/products.csv"),
        ("hands", "panel", "edge_bias panel_heat", "read nine places of a panel"),
        ("owner", "savings", "savings", "cups that were weighed back"),
    ],
)
def test_a_section_without_its_table_says_what_to_record(
    tables, page: str, section: str, gone: str, record: str
) -> None:
    def said(given: dict[str, pl.DataFrame]) -> str:
        found = re.search(
            rf'<section\s+id="{section}"[^>]*>(.*?)</section>', pages(build(given, SETTINGS))[f"{page}.html"], re.S
        )
        assert found
        return words(found[1])

    assert record not in said(tables)
    assert record in said({name: t.clear() if name in gone.split() else t for name, t in tables.items()})


def test_a_month_that_lacks_something_is_named_and_its_column_marked(tables) -> None:
    emissions = tables["emissions_monthly"].with_columns(complete=pl.col("month") != "2023-06")
    html = pages(build(tables | {"emissions_monthly": emissions}, SETTINGS))["environment.html"]
    assert "Incomplete: June 2023" in words(html)
    assert "A triangle marks a month" in words(html)


def mixed(tables: dict[str, pl.DataFrame], *places: str) -> dict[str, pl.DataFrame]:
    """The tables with the shops placed in turn: a rule speaks of 65 % in `us`, none does in `eu`."""
    packs = pl.DataFrame(
        {"jurisdiction": ["us", "eu"], "sections": ["usage|transfer_65", "usage"], "basis": ["regulatory", "eu"]}
    )
    placed = [places[i % len(places)] for i in range(tables["shops"].height)]
    return tables | {"shops": tables["shops"].with_columns(jurisdiction=pl.Series(placed)), "packs": packs}


def test_guns_are_held_against_65_percent_only_where_a_rule_speaks_of_it(tables) -> None:
    """63.11173(e)(3) gives no percentage; the figure is of state rules in the United States (rule_figures), of no other pack.

    The fixture's shops, in order: Hillside, Northgate, Old Quay.
    """
    assert tables["shops"]["label"].to_list() == ["Hillside", "Northgate", "Old Quay"]

    def made(*places: str) -> tuple[str, list[tuple[float, float]], str]:
        """What stands to be read, the line's stretches (from row, to row), the axis' labels."""
        html = pages(build(mixed(tables, *places), SETTINGS))["guns.html"]
        plot = json.loads(re.search(r'id="json-guns">(.*?)</script>', html, re.S)[1])["plot"]  # type: ignore[index]
        line = [(s["y0"], s["y1"]) for s in plot["layout"]["shapes"] if s["x0"] == s["x1"] == 65]
        said = re.sub(r" (?=[.,;:])", "", " ".join(read(html, hidden=False)[0]))
        return said, line, str(plot["layout"]["xaxis"]["ticktext"])

    high = {"estimate": 0.75, "low": 0.7, "high": 0.8}  # of Northgate, which counts nowhere, and of Old Quay
    here = pl.col("shop_id").is_in(["north", "quay"]) & (pl.col("role") == "clear") & pl.col("estimate").is_not_null()
    lifted = [pl.when(here).then(value).otherwise(pl.col(name)).alias(name) for name, value in high.items()]
    tables = tables | {"transfer_by_gun": tables["transfer_by_gun"].with_columns(lifted)}
    rows = interval_rows(PageTables(tables, SETTINGS), "gun", "clear")
    assert default_role(PageTables(tables, SETTINGS).transfer["gun"]) == "clear"
    said, line, axis = made("us")
    assert "no rule speaks of 65 %" not in said and "No rule here" not in said
    assert line == [(0, len(rows))] and "'65'" in axis
    said, line, axis = made("us", "eu", "us")
    assert "For Northgate no rule speaks of 65 %: guns there are not held against it." in said
    assert [[rows[i]["shop"] for i in range(*stretch)] for stretch in line] == [["east"] * 4, ["quay"] * 4]
    told = [r for r in rows if not r["typical"] and r["v"] is not None and r["shop"] != "north"]
    above, below = sum(r["lo"] > 0.65 for r in told), sum(r["hi"] < 0.65 for r in told)
    assert 0 < above < sum(r["lo"] is not None and r["lo"] > 0.65 for r in rows)
    assert 0 < len(told) < sum(not r["typical"] and r["v"] is not None for r in rows)
    wanted = f"the whole interval lies above it for {above or 'none'}, below it for {below or 'none'}, across it for {len(told) - above - below}."
    assert f"Of the {len(told)} where a rule speaks of 65 %, {wanted}" in said
    said, line, axis = made("eu")
    assert "No rule here speaks of 65 %: no gun is held against it." in said
    assert "lies above it" not in said and "mark at 65 %" not in said
    assert line == [] and "65" not in axis


def test_no_interval_of_transfer_is_shown_above_what_was_sprayed(tables) -> None:
    wide = tables["transfer_by_gun"].with_columns(pl.when(pl.col("high").is_not_null()).then(1.3).alias("high"))
    assert {row["hi"] for row in transfer_rows("gun", wide)} <= {1.0, None}


def test_the_strip_closes_and_keeps_its_order(tables) -> None:
    amounts = ledger_sums([tables["material_ledger"]])
    for see in ("solids", "voc", "cost"):
        for sums in (amounts.sums(), *amounts.by("product_id").values(), *amounts.by("month").values()):
            parts = shares(sums, see)
            assert list(parts) == [p.key for p in PARTS]
            assert sum(parts.values()) == pytest.approx(1, abs=2e-4)
            shape = geometry(sums, see)
            edge = 0.0
            for part in PARTS:
                assert shape[part.key]["left"] == pytest.approx(edge)
                edge += shape[part.key]["width"]
            assert edge == pytest.approx(100, abs=0.02)
    assert shares({}) == {} and "nothing poured" in strip({})


def test_an_interval_of_any_choice_is_the_norm_of_summed_loadings(tables) -> None:
    """By hand, for solids: 5 % of all in one direction, 4 % of each shop's in its own, 10 % of each cell's in squares."""
    amounts = ledger_sums([tables["material_ledger"]], loadings=tables["total_loadings"])
    landed = tables["total_loadings"].filter(pl.col("direction") == "own").with_columns(pl.col("landed_g") / 0.1 / 1000)
    product = amounts.members["product_id"][0]
    for where in ({}, {"shop_id": amounts.members["shop_id"][1]}, {"product_id": product}):
        kept = landed.filter(pl.all_horizontal(pl.lit(True), *(pl.col(k) == v for k, v in where.items())))
        by_shop = kept.group_by("shop_id").agg(pl.col("landed_g").sum())["landed_g"]
        u2 = (0.05 * by_shop.sum()) ** 2 + ((0.04 * by_shop) ** 2).sum() + ((0.1 * kept["landed_g"]) ** 2).sum()
        sums = amounts.sums(where)
        half = (sums["overspray.solids.high"] - sums["overspray.solids.low"]) / 2
        assert half == pytest.approx(1.959963984540054 * u2**0.5, rel=1e-9)
        assert sums["useful.solids.high"] - sums["useful.solids"] == pytest.approx(1.96 * 0.9 * u2**0.5, rel=0.05)
        # VOC and cost go pro rata with a cell's solids: .8 and .05 a gram here
        assert sums["overspray.voc.high"] - sums["overspray.voc"] == pytest.approx(0.8 * half, rel=1e-3)
    by = amounts.by("shop_id")
    for shop, sums in by.items():
        assert sums == pytest.approx(amounts.sums({"shop_id": shop}), rel=1e-9)
    assert "overspray.solids.low" not in ledger_sums([tables["material_ledger"]]).sums()


def test_the_amounts_sum_to_the_published_ledger_by_every_filter(tables) -> None:
    ledger = tables["material_ledger"]
    amounts = ledger_sums([ledger])
    for shop in amounts.members["shop_id"]:
        for month in amounts.members["month"]:
            kept = ledger.filter((pl.col("shop_id") == shop) & (pl.col("month") == month))
            sums = amounts.sums({"shop_id": shop, "month": month})
            assert sums["cups"] == kept["mix_id"].n_unique()
            for part in ("poured", *(p.key for p in PARTS)):
                assert sums[f"{part}.solids"] == pytest.approx(kept[f"{part}_solids_g"].sum() / 1000, abs=1e-3)
                assert sums[f"{part}.cost"] == pytest.approx(kept[f"{part}_cost"].sum(), abs=0.05)


def test_each_end_of_a_saving_stands_where_its_end_belongs(tables) -> None:
    """Cost, VOC and solids, value, low and high, as the savings table has them, on the page and in what its script reckons by."""
    book = PageTables(tables, SETTINGS)
    every = tables["savings"].filter(pl.col("lever") == "transfer")
    one = every.filter(pl.col("shop_id") == "all")
    columns = {
        "cost": ("per_year_cost", "low", "high"),
        "voc": ("per_year_voc_kg", "per_year_voc_kg_low", "per_year_voc_kg_high"),
        "solids": ("per_year_solids_kg", "per_year_solids_kg_low", "per_year_solids_kg_high"),
    }
    lever = next(x for x in savings_section.levers(book) if x.key == "transfer")
    for name, ends in columns.items():
        value, low, high = lever.amounts[name]
        assert (value, low, high) == pytest.approx(tuple(one[c].item() for c in ends))
        assert low < value < high
    embedded = json.loads(savings_section.make(book)["savings_json"])
    for row in every.iter_rows(named=True):
        told = embedded["shops"][row["shop_id"]]["levers"]["transfer"]
        for numbers, ends in zip(told, columns.values(), strict=True):
            assert numbers == pytest.approx([row[c] for c in ends], rel=1e-5)
    voc, low, high = (one[c].item() for c in columns["voc"])
    html = pages(build(tables, SETTINGS))["owner.html"]
    assert str(wording.quantity(voc, "mass_kg", low, high, bare=True)) in html


def test_a_part_without_a_figure_stays_unknown_and_is_not_zero(tables) -> None:
    bare = tables["material_ledger"].with_columns(
        [pl.lit(None, pl.Float64).alias(c) for c in tables["material_ledger"].columns if c.endswith("_cost")]
    )
    html = pages(build(tables | {"material_ledger": bare}, SETTINGS))["owner.html"]
    assert 'data-see="solids"' in html  # without prices the owner's page counts in solids


def test_rows_without_an_estimate_are_said_and_not_drawn() -> None:
    rows = [
        {
            "shop": "a",
            "role": "base",
            "name": "T1",
            "v": None,
            "lo": None,
            "hi": None,
            "n": 1,
            "grade": None,
            "joined": None,
            "typical": False,
        },
        {
            "shop": "a",
            "role": "base",
            "name": "T2",
            "v": 0.6,
            "lo": 0.5,
            "hi": 0.7,
            "n": 9,
            "grade": "A",
            "joined": "gun G2",
            "typical": False,
        },
    ]
    figure = intervals(rows)
    assert figure.layout.annotations[0].text == "<b>T1</b>  not enough jobs (1 record)"
    assert "together with gun G2: 60" in figure.layout.annotations[1].text
    assert [list(t.x) for t in figure.data] == [[50.0, 70.0, None], [50.0, 70.0], [], [60.0], []]


def test_tables_of_later_runs_find_their_place(tables) -> None:
    more = {
        "technician_effects": frame(
            "technician_effects",
            [
                {
                    "technician_id": "T01",
                    "effect": 0.9,
                    "low": 0.84,
                    "high": 0.97,
                    "n": 30,
                    "reliability": 0.8,
                    "vif": 1.2,
                    "separable": True,
                    "flagged": True,
                    "prob_low": 0.97,
                }
            ],
        ),
        "edge_bias": frame(
            "edge_bias",
            [
                {
                    "shop_id": "east",
                    "technician_id": "T01",
                    "role": "base",
                    "tilt": 0.12,
                    "tilt_low": 0.05,
                    "tilt_high": 0.19,
                    "edge": 0.02,
                    "edge_low": -0.03,
                    "edge_high": 0.07,
                    "n_panels": 12,
                    "n_technician": 12,
                    "flagged": True,
                }
            ],
        ),
        "practice_cards": frame(
            "practice_cards",
            [
                {
                    "shop_id": "east",
                    "technician_id": "T01",
                    "kind": "tilt",
                    "role": "base",
                    "seen": "the upper edge gets more film",
                    "how_sure": "shown",
                    "prob": 0.97,
                    "practise": "keep the gun square to the panel over its whole height",
                    "would_settle": "six panels read in nine places",
                }
            ],
        ),
        "gun_fit": frame(
            "gun_fit",
            [
                {
                    "shop_id": "east",
                    "gun_id": "G01",
                    "product_id": "p_fill",
                    "verdict": "misfit",
                    "why": "tip 1.3 below 1.6",
                }
            ],
        ),
        "rolling_12_months": frame(
            "rolling_12_months",
            [
                {
                    "shop_id": "east",
                    "month": "2023-10",
                    "measure": "voc_kg",
                    "total": 40.0,
                    "months_present": 6,
                    "limit": 100.0,
                    "share_of_limit": 0.4,
                }
            ],
        ),
        "savings": frame(
            "savings", [{"shop_id": "east", "lever": "leftover", "per_year_cost": 900.0, "low": 500.0, "high": 1300.0}]
        ),
    }
    site = pages(build(tables | more, SETTINGS))
    hands = words(site["hands.html"])
    assert "shown (97 chances in 100)" in hands and "keep the gun square" in hands
    assert "no gun fits Grade surfacer" in words(site["guns.html"])
    assert "40.0 kg" in words(site["environment.html"]).replace("\u202f", " ")
    assert re.search(
        r"Leave no more in the cup than the shop.*?s better half : 900 crowns",
        words(site["index.html"]).replace("\u202f", " "),
    )


@pytest.mark.parametrize(
    ("names", "own", "said"),
    [
        ("epoxy by T1; wash_primer by T1", "T1", "epoxy, wash primer"),
        ("surfacer with G2; epoxy with G1", "G1", "surfacer with G2, epoxy"),
        ("gun G2", "T1", "gun G2"),
        (None, "T1", "what it always occurs with"),
    ],
)
def test_what_cannot_be_told_apart_is_named_without_repeating_itself(names, own: str, said: str) -> None:
    assert joined_words(names, own) == said


def test_what_cannot_be_told_apart_shows_the_joint_figure(tables) -> None:
    rows = tables["transfer_by_gun"].with_columns(
        combined=pl.when(~pl.col("separable")).then(0.5), combined_low=pl.lit(0.45), combined_high=pl.lit(0.55)
    )
    joined = [r for r in PageTables({"transfer_by_gun": rows}, {}).transfer["gun"] if r["joined"]]
    assert joined and {(r["v"], r["lo"], r["hi"]) for r in joined} == {(0.5, 0.45, 0.55)}


def test_where_every_file_was_refused_the_pages_say_so_and_what_to_do(tables) -> None:
    files = tables["intake_files"].with_columns(
        [pl.lit(0, pl.Int64).alias(c) for c in ("rows_read", "accepted", "refused", "duplicate", "superseded")],
        state=pl.lit("refused"),
        message=pl.lit("two layouts claim this file"),
    )
    site = pages(build({"intake_files": files}, SETTINGS))
    start, intake = words(site["index.html"]), words(site["intake.html"])
    assert "All 4 files that came in were refused" in start and "layouts/" in start
    assert "all were refused as a whole" in intake and "two layouts claim this file" in intake


def test_what_saves_and_what_to_mix_do_not_contradict_each_other(tables) -> None:
    """Here the advice leaves more in cups than was left (fewer second cups pay for it): no page may then say to mix less."""
    site = pages(build(tables, SETTINGS))
    bench, owner = words(site["bench.html"]), words(site["owner.html"])
    assert tables["mix_backtest"]["leftover_advised_l"].sum() > tables["mix_backtest"]["leftover_l"].sum()
    assert "The advice buys fewer second mixes and pays for them in leftovers" in bench
    assert "Advised is the level at which running short and leftovers cost least together" in bench
    for said in (bench, owner, words(site["index.html"]), LEVERS["leftover"]):
        assert not re.search(r"mix (less|closer)|the guide at the mixing bench", said, re.IGNORECASE)
    assert "Leave no more in the cup than" in owner


def test_one_technician_is_compared_with_nobody(tables) -> None:
    one = {
        n: t.filter(pl.col("technician_id") == "T01") if n.startswith(("transfer_by_t", "transfer_by_p")) else t
        for n, t in tables.items()
    }
    hands = words(pages(build(one, SETTINGS))["hands.html"])
    assert "there is one technician" in hands and "nothing here compares people" in hands


def test_sections_of_a_pack_that_no_shop_is_under_are_left_out(tables) -> None:
    hap = frame(
        "hap_monthly",
        [{"shop_id": s, "month": "2023-05", "cas": "108-88-3", "substance": "Toluene", "kg": 1.0, "metal": False}
         for s in ("east", "quay")],
    )  # fmt: skip
    shops = tables["shops"].with_columns(
        jurisdiction=pl.when(pl.col("shop_id") == "east").then(pl.lit("here")).otherwise(pl.lit("there"))
    )
    packs = frame(
        "packs",
        [
            {"jurisdiction": "here", "label": "Here", "basis": "regulatory", "averaging": "each_mix", "verify": False,
             "sections": "voc_content|usage|hap", "note": "n", "source": "s", "read": "yes"},
            {"jurisdiction": "there", "label": "There", "basis": "regulatory", "averaging": "each_mix", "verify": True,
             "sections": "usage", "note": "n", "source": "s", "read": "memory"},
        ],
    )  # fmt: skip
    page = pages(build(tables | {"hap_monthly": hap, "shops": shops, "packs": packs}, SETTINGS))["environment.html"]
    section = page[page.index("Hazardous air pollutants</h2>") :].split("</section>")[0]
    assert "Toluene" in section and 'data-shop="east"' in section and 'data-shop="quay"' not in section
    assert "verify before use" in words(page)


def test_a_big_chain_stays_within_its_size_and_its_sums(tables) -> None:
    """Ten years and 200 shops: one shop's tables repeated, ids made their own."""
    one = make(n_months=120, shops=1, cups_a_month=3)
    shops = pl.DataFrame({"_s": [f"s{i:03d}" for i in range(200)]})
    big = {}
    for name, table in one.items():
        columns = [c for c in ("gun_id", "technician_id") if c in table.columns]
        if "shop_id" not in table.columns and not columns:
            big[name] = table
            continue
        named = [pl.col("_s").alias("shop_id")] if "shop_id" in table.columns else []
        named += [(pl.col("_s") + "-" + pl.col(c)).alias(c) for c in columns]
        big[name] = table.join(shops, how="cross").with_columns(named).drop("_s")
    site = build(big, SETTINGS)
    # what a reader's page loads; rows are read a shop at a time, when they are asked for
    assert sum(len(v) for name, v in site.items() if not name.startswith("rows_")) < 25e6
    assert max(len(v) for name, v in site.items() if name.startswith("rows_")) < 1e6
    book = PageTables(big, SETTINGS)
    assert book.ledger.frame.height <= 30_000 and book.ledger.periods == [str(y) for y in range(2023, 2034)]
    assert book.ledger.sums()["poured.solids"] == pytest.approx(
        big["material_ledger"]["poured_solids_g"].sum() / 1000, abs=5e-5 * book.ledger.frame.height
    )
    assert book.emissions.sums()["voc"] == pytest.approx(big["emissions_monthly"]["voc_kg"].sum(), rel=1e-4)
    assert sum(r["cups"] for r in book.ledger.by("month").values()) == big["mixes"].height


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        ("2024-11", "2025-02", ["2024-11", "2024-12", "2025-01", "2025-02"]),
        ("2024-Q3", "2025-Q1", ["2024-Q3", "2024-Q4", "2025-Q1"]),
        ("2024", "2026", ["2024", "2025", "2026"]),
    ],
)
def test_periods_between_are_filled_in(first: str, last: str, said: list[str]) -> None:
    assert between(first, last) == said


def test_the_drawing_library_is_of_the_version_that_figures_are_made_for_and_knows_their_traces(site) -> None:
    """plotly.js with bars and lines alone comes with the pages; `make charts` fetches it anew after an upgrade."""
    import plotly

    whole = (Path(plotly.__file__).parent / "package_data" / "plotly.min.js").read_text(encoding="utf-8")
    version = re.compile(r"plotly\.js (?:\(basic - minified\) )?v([\d.]+)")
    ours = site["plotly.min.js"].decode()
    assert "basic" in ours[:100] and version.search(ours[:300])[1] == version.search(whole[:300])[1]
    drawn = set()
    for name, content in site.items():
        if name.endswith(".html"):
            for made in re.findall(r'<script type="application/json" id="json-[^"]*">(.*?)</script>', content.decode()):
                drawn |= {trace.get("type", "scatter") for trace in json.loads(made).get("plot", {}).get("data", [])}
    assert drawn == {"bar", "scatter"}
