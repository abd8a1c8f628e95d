"""`filmledger lines`: any figure of the environmental record listed as what it was added from, to the same sum."""

from __future__ import annotations

from datetime import date
from functools import cache
from typing import Any

import emission_oracle
import polars as pl
import pytest
from test_emissions_oracle import frames

from pipelines import cli, workspace
from pipelines.settings import Settings, template
from reports import handouts, lines
from tests import on_frames


@cache
def tables() -> dict[str, pl.DataFrame]:
    return on_frames.run_wanted(frames(emission_oracle.shops(5, cups=40)), *lines.TABLES, *lines.OF_CUPS)


def figure(table: str, column: str, *where: pl.Expr) -> Any:
    return pytest.approx(tables()[table].filter(*where)[column].sum(), rel=1e-9, abs=1e-12)


QUARTER = handouts.period("2025-Q1")
IN_QUARTER = pl.col("month").is_between(pl.lit("2025-01"), pl.lit("2025-03"))
NORTH = pl.col("shop_id") == "north"


@pytest.mark.parametrize("measure", ["rts_l", "rts_kg", "voc_kg", "exempt_kg"])
def test_a_figure_of_the_month_is_the_sum_of_its_lines(measure: str) -> None:
    found = lines.listed(tables(), measure, QUARTER)
    assert found.rows.height > 50 and found.rows.columns[-1] == measure
    assert found.total == figure("emissions_monthly", measure, IN_QUARTER) == found.figure
    shop = lines.listed(tables(), measure, handouts.period("2025-03"), ["north"])
    assert shop.total == figure("emissions_monthly", measure, NORTH, pl.col("month") == "2025-03") == shop.figure


def test_a_category_alone() -> None:
    found = lines.listed(tables(), "voc_kg:cleaning", QUARTER, ["south"])
    assert found.rows["kind"].unique().to_list() == ["cleaning"] and found.rows["number"].is_not_null().all()
    where = (IN_QUARTER, pl.col("shop_id") == "south", pl.col("category") == "cleaning")
    assert found.total == figure("emissions_monthly", "voc_kg", *where)
    waste = lines.listed(tables(), "voc_kg:waste", handouts.period("2025"))
    assert waste.total is not None and waste.total < 0 and "document_line" in waste.rows.columns


@pytest.mark.parametrize("measure", ["voc_kg", "rts_l", "exempt_kg", "hap_kg", "hap_kg:108-88-3"])
def test_the_sum_of_twelve_months(measure: str) -> None:
    found = lines.listed(tables(), measure, handouts.rolling({}, handouts.period("2025-06")), ["west"])
    where = (pl.col("shop_id") == "west", pl.col("month") == "2025-06", pl.col("measure") == measure)
    assert found.total == figure("rolling_12_months", "total", *where)


def test_pollutants_and_the_unions_solvent() -> None:
    every = lines.listed(tables(), "hap_kg", QUARTER)
    assert every.total == figure("hap_monthly", "kg", IN_QUARTER, ~pl.col("metal")) == every.figure
    one = lines.listed(tables(), "hap_kg:1330-20-7", QUARTER)
    assert one.total == figure("hap_monthly", "kg", IN_QUARTER, pl.col("cas") == "1330-20-7")
    assert {"mix_id", "number", "kind"} <= set(every.rows.columns)
    cut = lines.listed(tables(), "hap_63_3941", QUARTER)
    assert cut.total == figure("hap_63_3941", "kg", IN_QUARTER) == cut.figure
    solvent = lines.listed(tables(), "solvent_kg", QUARTER)
    assert solvent.rows["shop_id"].unique().to_list() == ["south"]
    where = (pl.col("measure") == "solvent_kg", IN_QUARTER)
    assert solvent.total == figure("rolling_12_months", "month_total", *where) == solvent.figure


def test_the_unexplained_part_of_a_component_is_the_sum_of_counts_movements_and_uses() -> None:
    found = lines.listed(tables(), "stock:clear", handouts.period("2025-03"), ["north"])
    where = (
        NORTH,
        pl.col("component_id") == "clear",
        pl.col("from_on") <= date(2025, 3, 31),
        pl.col("to_on") >= date(2025, 3, 1),
    )
    assert found.total == figure("stock_reconciliation", "unexplained_g", *where) == found.figure
    assert {"opening", "closing", "cup"} <= set(found.rows["kind"])


def test_what_lacks_a_figure_is_listed_and_makes_the_sum_a_lower_bound() -> None:
    found = lines.listed(tables(), "voc_kg", handouts.period("2025"), ["north"])
    lacking = found.rows.filter(~pl.col("complete"))
    assert lacking.height and lacking["note"].is_not_null().all() and not found.complete
    assert any("lower bound" in one for one in found.told())


def test_a_period_outside_the_records_is_told_with_theirs() -> None:
    # the last month is that of a kept leftover that nobody saw for 90 days
    with pytest.raises(
        lines.MeasureError, match=r"^There is no record of 2031: the records go from 2024-11 to 2025-12\.$"
    ):
        lines.listed(tables(), "voc_kg", handouts.period("2031"))
    nothing = lines.listed(tables(), "rts_l:cleaning", QUARTER)
    assert nothing.rows.is_empty() and list(nothing.told()) == ["No lines: nothing of it was recorded in this time."]


def test_no_line_names_a_person() -> None:
    for measure in ("voc_kg", "pm_kg", "hap_kg", "stock:clear", "solvent_kg"):
        assert not any(
            "technician" in name for name in lines.listed(tables(), measure, handouts.period("2025")).rows.columns
        )


@pytest.mark.parametrize(
    ("measure", "shops", "told"),
    [
        ("fumes", [], "There is no measure 'fumes'. There are rts_l, "),
        ("VOC_kg", [], "There is no measure 'VOC_kg'. Did you mean voc_kg? There are "),
        ("solvent_kg:wash", [], "solvent_kg has no parts: write solvent_kg alone."),
        ("stock", [], "stock: grams of different components do not add up; write stock:COMPONENT; known here: clear, "),
        ("voc_kg:paint", [], "voc_kg: there is no 'paint'; known here: cleaning, "),
        ("hap_kg:1", [], "hap_kg: there is no '1'; known here: 100-41-4"),
        ("voc_kg", ["nowhere"], "There is no shop 'nowhere'; known here: north"),
        ("voc_g_per_l", [], "voc_g_per_l: there is no content of a month; write voc_g_per_l:CUP with"),
        ("voc_g_per_l:m1", ["north"], "there is no cup 'm1'; known here: m031, "),
        (
            "voc_g_per_l_eu:m001",
            [],
            "There is a cup 'm001' in each of the shops north, quay, south, west: say which with",
        ),
    ],
)
def test_what_there_is_not_is_told_with_what_there_is(measure: str, shops: list[str], told: str) -> None:
    with pytest.raises(lines.MeasureError, match=r"[Tt]here is (no|a cup)|write") as raised:
        lines.listed(tables(), measure, QUARTER, shops)
    assert told in str(raised.value)


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    """A workspace with a set in force that was put there without a run."""
    space, _ = workspace.init(tmp_path_factory.mktemp("lines") / "shop", template())
    with workspace.lock(space):
        workspace.begin(space)
        for name in (*lines.TABLES, *lines.OF_CUPS):
            workspace.write_table(space, name, tables()[name].write_parquet)
        workspace.publish(space, {})
    return space


def test_the_command_lists_the_lines_and_their_sum(
    space: workspace.Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["lines", "voc_kg:cleaning", str(space.root), "--period", "2025-03", "--shop", "north"]) == cli.FINE
    out = capsys.readouterr().out
    total = lines.listed(tables(), "voc_kg:cleaning", handouts.period("2025-03"), ["north"])
    assert out.count("cleaning") >= total.rows.height > 1
    assert (
        f"{total.rows.height} lines, together {total.total:,.6g} kg; emissions_monthly says {total.total:,.6g} kg."
        in out
    )
    assert cli.main(["lines", "voc_kg", str(space.root), "--period", "2025-03", "--csv", "--rolling"]) == cli.FINE
    rows = pl.read_csv(capsys.readouterr().out.encode())
    assert rows["month"].unique().sort().to_list()[-1] == "2025-03" and rows.width > 8
    assert rows["voc_kg"].sum() == pytest.approx(lines.listed(tables(), "voc_kg", handouts.rolling({}, QUARTER)).total)


def test_the_command_lists_the_pours_behind_a_cups_content(
    space: workspace.Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    mix = tables()["voc_content"].filter(NORTH, pl.col("g_per_l").is_not_null()).row(0, named=True)
    asked = ["lines", f"voc_g_per_l:{mix['mix_id']}", str(space.root), "--shop", "north"]
    assert cli.main(asked) == cli.FINE
    assert f"are {mix['g_per_l']:,.6g} g/L; voc_content says {mix['g_per_l']:,.6g} g/L." in capsys.readouterr().out
    assert cli.main([*asked, "--csv"]) == cli.FINE
    rows = pl.read_csv(capsys.readouterr().out.encode())
    assert 1000 * rows["content_voc_g"].sum() / rows["content_ml"].sum() == pytest.approx(mix["g_per_l"], rel=1e-9)
    assert rows["component_id"].null_count() == 0 and rows["mass_g"].sum() > 0


def test_each_pour_says_where_it_was_read_and_where_its_components_figures_stand() -> None:
    placed = tables()["pours"].with_columns(
        file=pl.lit("inbox/scale.csv"), line=pl.int_range(2, pl.len() + 2, dtype=pl.Int64)
    )
    found = dict(tables())
    found["pours"] = placed
    found["voc_content_lines"] = on_frames.run_statement("voc_content_lines", found, Settings().flat())
    versions = found["components"]
    found["components"] = versions.with_columns(
        file=pl.lit("registers/components.csv"), line=pl.int_range(2, pl.len() + 2, dtype=pl.Int64)
    )
    lately = placed.filter(NORTH, pl.col("component_id") == "clear", pl.col("poured_at") >= date(2025, 3, 1)).row(
        0, named=True
    )
    rows = lines.listed(found, f"voc_g_per_l:{lately['mix_id']}", None, ["north"]).rows
    row = rows.filter(pl.col("pour_no") == lately["pour_no"]).row(0, named=True)
    assert (row["file"], row["file_line"]) == ("inbox/scale.csv", lately["line"])
    newer = versions.with_row_index("at", 2).filter(component_id="clear", valid_from=date(2025, 3, 1))["at"][0]
    assert (row["figures_file"], row["figures_line"]) == ("registers/components.csv", newer)
    assert row["density_g_per_ml"] == 1.01


def test_the_command_says_what_is_wrong(
    space: workspace.Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Any
) -> None:
    assert cli.main(["lines", "fumes", str(space.root)]) == cli.WRONG_USAGE
    assert "There is no measure 'fumes'" in capsys.readouterr().err
    assert cli.main(["lines", "voc_kg", str(space.root), "--period", "lately"]) == cli.WRONG_USAGE
    workspace.init(tmp_path / "empty", template())
    assert cli.main(["lines", "voc_kg", str(tmp_path / "empty")]) == cli.COULD_NOT_RUN
    assert "there is nothing to list yet; run: filmledger run" in capsys.readouterr().err
