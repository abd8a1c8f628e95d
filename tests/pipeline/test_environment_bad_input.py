"""What a month lacks has its own clear line on the page on emissions and in the hand-out, and never counts as nothing."""

from __future__ import annotations

import csv
import html
import io
import re

import polars as pl
import pytest

from pipelines import commands, workspace
from pipelines.settings import template
from reports.wording import dated
from tests.workspaces import filled, table

POURS = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
FILES = {
    "registers/shops.csv": "shop_id,label,jurisdiction\nnorth,North,us\nsouth,South,\n",
    "registers/products.csv": "product_id,role\ntop,clear\nodd,specialty\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,us,topcoat_two_stage\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,"
    "voc_mass_fraction,water_mass_fraction,exempt_mass_fraction,composition_complete\n"
    "clear,1.0,0.5,0.4,0.5,0,0,yes\nblank,1.0,0.5,0.4,,,,\nheavy,,0.5,0.4,0.5,0,0,\n",
    "inbox/north.csv": POURS
    + "north,whole,1,2026-01-05 09:00,top,clear,200\n"
    + "north,secret,1,2026-02-05 09:00,top,clear,100\nnorth,secret,2,2026-02-05 09:01,top,blank,100\n"
    + "north,unheard,1,2026-02-07 09:00,odd,clear,100\n"
    + "north,last,1,2026-04-14 09:00,top,clear,200\n",
    "inbox/south_broken.csv": POURS + "south,three,1,some day,top,clear,200\n",
    "inbox/south.csv": POURS
    + "south,one,1,2026-04-01 09:00,top,clear,200\nsouth,two,1,2026-04-30 09:00,top,clear,200\n",
    "inbox/purchases.csv": "Day;What;Gallons\n2026-01-02;clear;5\n2026-01-02;heavy;5\n",
    "layouts/purchases.toml": '[file]\nmatch_name = "purchases*.csv"\ndelimiter = ";"\n[[tables]]\ntable = "stock"\n'
    '[tables.columns]\nshop_id = { constant = "north" }\ndocument_no = { constant = "D1" }\n'
    'line_no = { number_within = ["document_no"] }\nhappened_on = { column = "Day", format = "%Y-%m-%d" }\ncomponent_id = "What"\n'
    'movement = { constant = "delivered" }\nmass_g = { column = "Gallons", unit = "gal_us" }\n',
}


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    space = filled(tmp_path_factory.mktemp("lacking") / "shop", FILES)
    commands.handout(space, "2026", [])
    commands.handout(space, "2025-06", [])
    return space


def on_page(space: workspace.Workspace) -> list[str]:
    """The rows of the section on what is missing, cells joined by ' | '."""
    text = (space.out / "site" / "environment.html").read_text(encoding="utf-8")
    section = re.search(r'<section id="missing"[^>]*>(.*?)</section>', text, re.DOTALL)
    assert section
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", section[1], re.DOTALL)
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL) for row in rows]
    return [html.unescape(" | ".join(re.sub(r"<[^>]+>", "", cell) for cell in row)) for row in cells]


def in_handout(space: workspace.Workspace, period: str = "2026") -> list[str]:
    text = (space.handouts / period / "csv" / "missing.csv").read_text(encoding="utf-8-sig")
    return [" | ".join(row) for row in csv.reader(io.StringIO(text))][1:]


@pytest.mark.parametrize(
    ("shop", "month", "said"),
    [
        ("north", "2026-02", "a component has no VOC or exempt figure: secret."),
        ("north", "2026-02", "Incomplete: something was unreadable or has no figure; its figures are lower bounds."),
        ("north", "2026-02", "No category in product_categories for: odd."),
        ("north", "2026-03", "No record in this month."),
        ("north", "2026-04", "The records end on 2026-04-14: what comes after is not in these figures."),
        ("north", "2026-01", "The records begin on 2026-01-05: what was before is not in these figures."),
        ("north", "2026-01", "Incomplete: something was unreadable or has no figure (1 row refused); its figures are lower bounds."),
        ("south", "", "No jurisdiction in the register of shops: taken from the settings, us."),
    ],
)  # fmt: skip
def test_each_thing_that_lacks_has_a_line_of_its_own(
    space: workspace.Workspace, shop: str, month: str, said: str
) -> None:
    assert f"{shop} | {month} | {said}" in in_handout(space)
    label = {"north": "North", "south": "South"}[shop]
    months = {"": "", "01": "January 2026", "02": "February 2026", "03": "March 2026", "04": "April 2026"}
    assert any(
        line.startswith(label) and line.endswith(f" | {dated(said)}") and months[month[5:]] in line
        for line in on_page(space)
    ), on_page(space)


def test_a_month_that_is_whole_has_no_line(space: workspace.Workspace) -> None:
    assert not any(line.startswith("south | 2026-04") for line in in_handout(space))


def test_a_period_without_data_says_so(space: workspace.Workspace) -> None:
    assert "north | 2025-06 | No record in this period." in in_handout(space, "2025-06")
    summary = (space.handouts / "2025-06" / "csv" / "summary.csv").read_text(encoding="utf-8-sig")
    assert summary.count("no record") == 2


def test_rows_of_no_readable_day_are_told_for_every_period(space: workspace.Workspace) -> None:
    said = "pours: 1 refused row has no readable day, so any month may lack it; see out/refused."
    assert f" |  | {said}" in in_handout(space) and f" |  | {said}" in in_handout(space, "2025-06")
    assert any(line.endswith(said) for line in on_page(space))


def test_what_has_no_figure_is_no_zero(space: workspace.Workspace) -> None:
    monthly = table(space, "emissions_monthly")
    february = monthly.filter(pl.col("month") == "2026-02", pl.col("category") == "topcoat_two_stage")
    assert february.select("rts_l", "voc_kg", "complete").rows() == [(0.2, None, False)]


def test_a_purchase_by_volume_needs_a_density(space: workspace.Workspace) -> None:
    refused = table(space, "refused_rows").explode("reasons")
    assert refused.filter(pl.col("file") == "inbox/purchases.csv").select("file", "line", "reasons").rows() == [
        (
            "inbox/purchases.csv",
            3,
            "mass_g: a volume of 'heavy' cannot be weighed: the register gives it no density_g_per_ml",
        )
    ]
    assert "no density_g_per_ml" in (space.out / "site" / "intake.html").read_text(encoding="utf-8")


def test_a_business_of_which_no_row_could_be_read_used_something_and_not_nothing(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    unread, _ = workspace.init(tmp_path_factory.mktemp("unread") / "shop", template())
    for name in ("registers/shops.csv", "registers/products.csv", "registers/components.csv"):
        workspace.fill(unread, name, FILES[name].encode())
    workspace.fill(unread, "inbox/pours.csv", (POURS + "north,one,1,2026-03-05 09:00,top,clear,heavy\n").encode())
    commands.run(unread)
    finding = re.search(
        r'<p class="finding"[^>]*>(.*?)</p>', (unread.out / "site" / "environment.html").read_text(), re.DOTALL
    )
    assert finding and "not known" in finding[1] and "0 kg" not in finding[1]
