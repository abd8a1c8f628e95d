"""From CSV to every published table: how a shop writes its records down moves no figure, key, text or verdict.

Each variant of one invented business (guns that change shop and are lent, strips, blends, zones of their own) is run from its
files and every published table is compared: keys, counts, texts and verdicts exactly, floats to 1e-9 of their size, decisions,
savings and probabilities too. intake_files speaks of the files themselves and is left out; the file and line of a pour that
voc_content_lines gives are held against that line.
"""

from __future__ import annotations

import datetime as dt
import random
import shutil
import zoneinfo
from pathlib import Path

import polars as pl
import polars.selectors as cs
import pytest
from test_engines import at_a_time, differences
from test_moving_guns import MOVED, NEW, lent_for_one_spray, moved_for_good

from pipelines import settings, workspace
from seed_data import scenario
from tests.workspaces import made_tables

TIME = "%Y-%m-%d %H:%M:%S"
LAYOUTS = {  # NIST SP 811 (2008), appendix B.8: grams of a pound and an ounce, um of a mil, m2 of a square foot
    "pours": ("weighed_g", "Weight (lb)", "lb", 453.59237),
    "leftovers": ("leftover_g", "Left (oz)", "oz", 28.349523125),
    "readings": ("reading_um", "Film (mil)", "mil", 25.4),
    "operation_panels": ("area_m2", "Area (sq ft)", "ft2", 0.09290304),
}
# What one shop's own files tell, whatever other shops there are. All else learns from every shop: the spread of readings and
# panels, the transfer model, and what rests on them.
OF_ONE_SHOP = (
    "mixes voc_content voc_content_lines hap_monthly hap_lines hap_63_3941 hap_material_lines solvent_lines stock_lines "
    "stock_reconciliation compliance_average compliance_multistage compliance_metals compliance_training compliance_booths "
    "compliance_retention compliance_solvent"
).split()
ALL = ("*",)
OF_HOME = {  # which guns a shop has and what they cost, whoever sprayed with them
    "compliance_guns": ALL, "gun_cover": ALL, "gun_fit": ALL, "savings_basis": ("gun_price",),
    "savings": ("price", "payback_years", "payback_low", "payback_high"), "measure_next": ("worth",),
}  # fmt: skip
NUMBERS = {"cleaning": "cleaning_no", "unscaled_use": "use_no", "stock": "document_no"}
Tables = dict[str, pl.DataFrame]
Business = dict[str, Tables]  # folder -> table -> rows


@pytest.fixture(scope="module")
def business() -> Business:
    """Two shops in zones of their own; one gun changes shop in the middle of the time, and is lent for one spray before."""
    drawn = scenario.build(shops=2, months=3, cups=150)
    events = {name: table for name, table in drawn.canonical.items() if table.height}
    events["operations"] = moved_for_good(lent_for_one_spray(events["operations"]))
    assert set(events["operations"].filter(pl.col("gun_id") == MOVED)["shop_id"]) == set(events["jobs"]["shop_id"])
    return {"inbox": events, "registers": dict(drawn.registers)}


def written(folder: Path, it: Business, **chosen: object) -> workspace.Workspace:
    space, _ = workspace.init(folder, settings.template(**chosen))
    for where, tables in it.items():
        for name, table in tables.items():
            table.write_csv(space.root / where / f"{name}.csv", datetime_format=TIME)
    return space


def ran(space: workspace.Workspace) -> Tables:
    """Every published table of a run. The places in files that two of them give are looked up, and left out then."""
    tables = made_tables(space)
    del tables["intake_files"]
    lines = {path.name: path.read_text("utf-8-sig").splitlines() for path in space.inbox.glob("*.csv")}

    def at(file: str, line: int) -> dict[str, str]:
        text = lines[file.rsplit("/", 1)[-1]]
        return dict(zip(text[0].split(","), text[line - 1].split(","), strict=True))

    pours = tables["voc_content_lines"].select("file", "file_line", "mix_id", "pour_no")
    assert all((at(f, n)["mix_id"], int(at(f, n)["pour_no"])) == (mix, pour) for f, n, mix, pour in pours.iter_rows())
    others = (
        tables["emission_lines"].filter(pl.col("file").is_not_null()).select("file", "file_line", "source", "number")
    )
    assert all(at(f, n)[NUMBERS[source]] == number for f, n, source, number in others.iter_rows())
    for name in ("voc_content_lines", "emission_lines"):
        tables[name] = tables[name].drop("file", "file_line")
    return tables


@pytest.fixture(scope="module")
def plain(business: Business, tmp_path_factory: pytest.TempPathFactory) -> tuple[workspace.Workspace, Tables]:
    """The business as it is, run once; its workspace is not to be touched."""
    space = written(tmp_path_factory.mktemp("plain") / "shop", business)
    tables = ran(space)
    speak = "film_build transfer_by_pair totals savings mix_guide actions measure_next rolling_12_months".split()
    assert not [name for name in speak if not tables[name].height]
    return space, tables


def told(found: list[str]) -> str:
    return f"{len(found)} differences\n" + "\n".join(found[:15])


# --- ways of writing the same thing -----------------------------------------------------------------------------------------


def shuffled(it: Business) -> Business:
    """Rows in any order, registers too."""
    rng = random.Random(5)
    return {
        where: {name: t.sample(fraction=1, shuffle=True, seed=rng.randrange(10**6)) for name, t in tables.items()}
        for where, tables in it.items()
    }


def split(it: Business) -> Business:
    """Every pour put on the scale in two goes."""
    pours = it["inbox"]["pours"]
    parts = [
        pours.with_columns(weighed_g=pl.col("weighed_g") * 0.37),
        pours.with_columns(weighed_g=pl.col("weighed_g") * 0.63, pour_no=pl.col("pour_no") + 1000),
    ]
    return {**it, "inbox": it["inbox"] | {"pours": pl.concat(parts)}}


def in_utc(it: Business) -> Business:
    """Times of shops with a zone of their own with their offset from UTC, as clocks of machines write them."""
    zones = dict(it["registers"]["shops"].select("shop_id", "time_zone").iter_rows())
    assert all(zones.values())

    def utc(shop: str, at: dt.datetime | None) -> str | None:
        local = None if at is None else at.replace(tzinfo=zoneinfo.ZoneInfo(zones[shop]))
        return None if local is None else local.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S+00:00")

    inbox = {}
    for name, table in it["inbox"].items():
        moments = [c for c, dtype in table.schema.items() if isinstance(dtype, pl.Datetime)]
        for column in moments if "shop_id" in table.columns else []:
            rows = table.select("shop_id", column).rows()
            table = table.with_columns(pl.Series(column, [utc(*row) for row in rows], dtype=pl.String))
        inbox[name] = table
    return {**it, "inbox": inbox}


def twice(space: workspace.Workspace) -> None:
    """Every export handed over twice."""
    for path in sorted(space.inbox.glob("*.csv")):
        (space.inbox / f"{path.stem}_again.csv").write_bytes(path.read_bytes())


def in_us_units(it: Business, space: workspace.Workspace) -> None:
    """Pounds, ounces, mils and square feet, by layouts."""
    for name, (column, head, unit, factor) in LAYOUTS.items():
        table = it["inbox"][name]
        (space.inbox / f"{name}.csv").unlink()
        other = table.with_columns(pl.col(column) / factor).rename({column: head})
        other.write_csv(space.inbox / f"us_{name}.csv", datetime_format=TIME)
        lines = ["[file]", f'match_name = "us_{name}*.csv"', "[[tables]]", f'table = "{name}"', "[tables.columns]"]
        lines += [f'{c} = "{c}"' for c in table.columns if c != column]
        lines += [f'{column} = {{ column = "{head}", unit = "{unit}" }}', ""]
        (space.root / "layouts").mkdir(exist_ok=True)
        (space.root / "layouts" / f"us_{name}.toml").write_text("\n".join(lines), "utf-8")


def of_cups(lines: pl.DataFrame) -> pl.DataFrame:
    """What a cup holds by component, however often it was poured."""
    key = ["shop_id", "mix_id", "component_id", "from_mix_id", "from_product", "on_date", "product_id", "product_on"]
    amounts = (cs.ends_with("_g", "_ml") - cs.by_name("density_g_per_ml")).sum()
    return lines.group_by(key).agg(amounts, pl.col("density_g_per_ml").mean()).sort(key)


def test_neither_how_it_is_written_down_nor_how_it_is_worked_on_moves_anything(
    business: Business, plain: tuple[workspace.Workspace, Tables], tmp_path: Path
) -> None:
    """Everything at a time: a run takes seconds, and none of it may move anything. Rows shuffled, times in UTC, pounds, ounces, mils
    and square feet, every export twice; one core, a fraction of the memory, every shop by itself: guns that are lent meet all of it."""
    it = in_utc(shuffled(business))
    space = written(tmp_path / "shop", it, threads=1, memory_gb=0.3)
    in_us_units(it, space)
    twice(space)
    with at_a_time(1):
        found = ran(space)
    wrong = differences(plain[1], found)
    assert not wrong, told(wrong)


def test_a_gun_whose_home_is_elsewhere_sprays_as_it_did_and_pours_split_in_two_hold_as_much(
    business: Business, plain: tuple[workspace.Workspace, Tables], tmp_path: Path
) -> None:
    """The register says that a gun belongs to the other shop from the middle of the time on: who used it is in the records. What is
    in a cup has nothing to do with guns, so both are tried in one run."""
    guns = business["registers"]["guns"]
    middle = business["inbox"]["operations"]["started_at"].dt.date().sort()[business["inbox"]["operations"].height // 2]
    later = guns.filter(pl.col("gun_id") == MOVED).with_columns(shop_id=pl.lit(NEW), valid_from=pl.lit(middle))
    assert later.height == 1 and guns.filter(pl.col("gun_id") == MOVED)["shop_id"].item() != NEW
    moved = {**split(business), "registers": business["registers"] | {"guns": pl.concat([guns, later], how="diagonal")}}
    expected, found = (
        {name: table.drop(OF_HOME.get(name, ())) for name, table in tables.items() if OF_HOME.get(name) != ALL}
        for tables in (plain[1], ran(written(tmp_path / "shop", moved)))
    )
    for tables in (expected, found):  # a row for each pour there
        tables["voc_content_lines"] = of_cups(tables["voc_content_lines"])
    wrong = differences(expected, found)
    assert not wrong, told(wrong)


def test_a_file_that_comes_later_gives_what_all_files_at_once_give(
    business: Business, plain: tuple[workspace.Workspace, Tables], tmp_path: Path
) -> None:
    """The last month's pours come a month later; a run in between."""
    pours = business["inbox"]["pours"]
    late = pl.col("poured_at") >= pours["poured_at"].max().replace(day=1)  # type: ignore[union-attr]
    space = written(tmp_path / "shop", business)
    last = pours.filter(late.any().over("shop_id", "mix_id"))
    assert 0 < last.height < pours.height
    rest = pours.join(last, on=["shop_id", "mix_id"], how="anti")
    rest.write_csv(space.inbox / "pours.csv", datetime_format=TIME)
    made_tables(space)
    last.write_csv(space.inbox / "pours_last_month.csv", datetime_format=TIME)
    wrong = differences(plain[1], ran(space))
    assert not wrong, told(wrong)


def test_a_shop_that_leaves_takes_nothing_of_the_others_with_it(
    business: Business, plain: tuple[workspace.Workspace, Tables], tmp_path: Path
) -> None:
    """The rows of one shop alone, with all registers. Taken out of what stood before: all as if it had never been there; and
    what a shop's own files tell stays as it was."""
    shop = sorted(set(business["inbox"]["jobs"]["shop_id"]) - {NEW})[0]
    alone = {
        name: table.filter(pl.col("shop_id") == shop) if "shop_id" in table.columns else table
        for name, table in business["inbox"].items()
    }
    found = ran(written(tmp_path / "alone", {**business, "inbox": alone}))
    left = tmp_path / "left"
    shutil.copytree(plain[0].root, left, symlinks=True)
    wrong = differences(found, ran(written(left, {"inbox": alone})))
    assert not wrong, told(wrong)
    ours = {name: plain[1][name].filter(pl.col("shop_id") == shop) for name in OF_ONE_SHOP}
    theirs = {name: found[name].filter(pl.col("shop_id") == shop) for name in OF_ONE_SHOP}
    assert sum(table.height for table in ours.values()) > 500
    wrong = differences(ours, theirs)
    assert not wrong, told(wrong)
