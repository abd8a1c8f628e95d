"""The first day: a scale's exports and weighed leftovers, and nothing else. No job log, no gauge, no area.

Usage, VOC, the cost of leftovers and what to measure first are there; what cannot be known yet (transfer efficiency, film, how much a
square metre takes) has no number. What was used is reckoned here from the CSV files in plain loops.
"""

from __future__ import annotations

import contextlib
import csv
import io
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from pipelines import cli, settings, workspace
from pipelines.workspace import Workspace
from tests.adoption.drawer import business


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Workspace, dict[str, pl.DataFrame], str]]:
    """A workspace with mixes and leftovers alone, run by the command: the workspace, its tables, what the command said."""
    space, _ = workspace.init(tmp_path_factory.mktemp("first") / "day", settings.template())
    tables, registers = business(11)
    for name in ("pours", "leftovers"):
        tables[name].write_csv(space.root / "inbox" / f"{name}.csv")
    for name in ("shops", "products", "components", "product_categories"):
        registers[name].write_csv(space.root / "registers" / f"{name}.csv")
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        code = cli.main(["run", str(space.root)])
    assert code == 0, said.getvalue()
    yield space, {p.stem: pl.read_parquet(p) for p in (space.out / "tables").glob("*.parquet")}, said.getvalue()


def rows(space: Workspace, path: str) -> list[dict[str, str]]:
    with (space.root / path).open(newline="") as handle:
        return list(csv.DictReader(handle))


Cups = dict[str, float]


def poured(space: Workspace) -> tuple[Cups, Cups, Cups, dict[str, str]]:
    """Cup -> g poured, cost, g of VOC, month, in plain loops; a component as its register has it on the day of the first pour."""
    about: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in rows(space, "registers/components.csv"):
        about[row["component_id"]].append(row)
    pours = rows(space, "inbox/pours.csv")
    began: dict[str, str] = {}
    for row in pours:
        began[row["mix_id"]] = min(began.get(row["mix_id"], "9"), row["poured_at"])
    grams, cost, voc = defaultdict(float), defaultdict(float), defaultdict(float)
    for row in pours:
        day = began[row["mix_id"]][:10]
        one = max((r for r in about[row["component_id"]] if r["valid_from"] <= day), key=lambda r: r["valid_from"])
        weight = float(row["weighed_g"])
        grams[row["mix_id"]] += weight
        cost[row["mix_id"]] += weight / 1000 * float(one["price_per_kg"])
        voc[row["mix_id"]] += weight * float(one["voc_mass_fraction"])
    return grams, cost, voc, {cup: day[:7] for cup, day in began.items()}


def test_usage_and_voc_are_there_month_by_month(shop: tuple[Workspace, dict[str, pl.DataFrame], str]) -> None:
    """What was weighed back and kept is not gone: its VOC counts when the cup is drawn from, thrown away or no longer seen."""
    space, tables, _ = shop
    grams, _, voc, months = poured(space)
    kept = {r["mix_id"]: float(r["leftover_g"]) for r in rows(space, "inbox/leftovers.csv") if r["fate"] == "kept"}
    assert kept, "the case that makes the difference is there"
    used, gone = defaultdict(float), defaultdict(float)
    for cup, weight in grams.items():
        used[months[cup]] += weight / 1000
        gone[months[cup]] += voc[cup] * (1 - kept.get(cup, 0.0) / weight) / 1000
    found = tables["emissions_monthly"]
    assert found["rts_l"].null_count() == 0 and found["complete"].all()
    sums = found.group_by("month").agg(pl.col("rts_kg", "voc_kg").sum()).rows()
    assert {month: kg for month, kg, _ in sums} == pytest.approx(dict(used), rel=1e-9)
    assert {month: kg for month, _, kg in sums} == pytest.approx(dict(gone), rel=1e-9)


def test_leftovers_have_their_cost(shop: tuple[Workspace, dict[str, pl.DataFrame], str]) -> None:
    space, tables, _ = shop
    grams, cost, _, _ = poured(space)
    left = {r["mix_id"]: float(r["leftover_g"]) for r in rows(space, "inbox/leftovers.csv")}
    parts = dict(tables["material_ledger"].group_by("mix_id").agg(pl.col("leftover_cost").sum()).iter_rows())
    assert len(left) > 10
    for cup, weighed in left.items():
        assert parts[cup] == pytest.approx(cost[cup] * weighed / grams[cup], rel=1e-9, abs=1e-11)
    lever = tables["savings"].filter(lever="leftover").row(0, named=True)
    assert lever["per_year_cost"] > 0 and lever["low"] <= lever["per_year_cost"] <= lever["high"]


def test_what_to_measure_first_is_told_and_nothing_is_invented(
    shop: tuple[Workspace, dict[str, pl.DataFrame], str],
) -> None:
    _, tables, _ = shop
    first = tables["measure_next"].sort("rank")
    assert first.height >= 3 and first["action"].str.len_chars().min() > 10
    assert first["worth"].null_count() == first.height and first["why_no_worth"].null_count() == 0
    assert (
        tables["transfer_by_role"].is_empty()
        and tables["film_build"].is_empty()
        and tables["transfer_records"].is_empty()
    )
    assert tables["material_ledger"]["te"].null_count() == tables["material_ledger"].height


def test_how_much_to_mix_is_told_from_weighed_cups_alone(shop: tuple[Workspace, dict[str, pl.DataFrame], str]) -> None:
    space, tables, _ = shop
    grams, _, _, _ = poured(space)
    product = {row["mix_id"]: row["product_id"] for row in rows(space, "inbox/pours.csv")}
    left = {r["mix_id"]: float(r["leftover_g"]) for r in rows(space, "inbox/leftovers.csv")}
    density = dict(tables["mixes"].select("mix_id", "density_g_per_ml").iter_rows())
    taken = defaultdict(list)
    for cup, weighed in left.items():
        taken[product[cup]].append((grams[cup] - weighed) / density[cup])
    guide = {r["product_id"]: r for r in tables["cup_guide"].iter_rows(named=True)}
    assert set(guide) == {p for p, known in taken.items() if len(known) >= 8} != set()
    for name, row in guide.items():
        assert row["taken_ml"] == pytest.approx(sum(taken[name]) / len(taken[name]), rel=1e-9)
        assert row["low"] <= row["advised_ml"] <= row["high"] and row["advised_ml"] > row["taken_ml"]
    assert tables["mix_guide"].is_empty()
    page = (space.out / "site" / "bench.html").read_text()
    assert "cups that were weighed back" in page and "Nothing can be advised" not in page
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert cli.main(["mix", next(iter(guide)), str(space.root)]) == 0
    assert said.getvalue().startswith("Mix ")


def test_every_page_says_what_is_known_and_what_not(shop: tuple[Workspace, dict[str, pl.DataFrame], str]) -> None:
    space, _, said = shop
    pages = {p.name: p.read_text() for p in Path(space.out / "site").glob("*.html")}
    assert len(pages) >= 8 and all(
        "nan" not in page.lower().split() and "None" not in page.split() for page in pages.values()
    )
    assert "weighed back" in " ".join(pages.values()).lower() and "film" in said.lower()
