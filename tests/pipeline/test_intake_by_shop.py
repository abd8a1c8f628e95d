"""Merging shop by shop gives what merging all shops at once gives: `take_in` compares both, here on mixes made to go wrong."""

from __future__ import annotations

import random
from functools import partial
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines import cli, taking_in, workspace
from pipelines import run as runs
from pipelines.intake.bringing_together import merge
from pipelines.intake.bringing_together.merge import BY_SHOP, Merging, Span, spans_of
from pipelines.intake.reading import read
from seed_data.exports import write_demo
from seed_data.scenario import build
from tests.pipeline.intake_bench import OPERATIONS, POURS, REGISTERS, each_by_itself, equal, read_all, take_in

SHOPS = ("north", "south", "Åre")
COLUMNS = {
    "jobs": "shop_id,job_id,vehicle_class,opened_on",
    "pours": POURS,
    "leftovers": "shop_id,mix_id,weighed_at,leftover_g",
    "operations": OPERATIONS,
    "operation_panels": "shop_id,job_id,operation_no,panel_id,area_m2,substrate",
    "draws": "shop_id,job_id,operation_no,mix_id,share",
    "readings": "shop_id,job_id,panel_id,after_operation,reading_no,reading_um,gauge_id,taken_at",
    "cleaning": "shop_id,cleaning_no,used_at,component_id,purpose,issued_g",
    "gauge_checks": "gauge_id,checked_at,shim_um,reading_um",
}
LAYOUT = '[file]\nmatch_name = "{match}"\n{more}[[tables]]\ntable = "{table}"\n[tables.columns]\n{columns}\n'  # in our own units


def taken_in(space: workspace.Workspace) -> Merging:
    look = runs.look(space, runs.Silent())
    return taking_in.take_in(look, look.settings.flat())


def _table(draw: random.Random, table: str) -> list[str]:
    """Rows of all shops, mostly good."""
    rows = []
    products = ["clear_a", "clear_a", "base_b"]
    for shop in SHOPS:
        for n in range(3):
            day = f"2025-03-{draw.choice(['29', '30', '31'])}"  # the clock of north changes on the 30th
            hour = draw.choice(["02:30", "08:00", "09:00"])
            rows += {
                "jobs": [f"{shop},j{n},small_car,{day}"] if shop != "south" else [],
                "pours": [f"{shop},c{n},{k},{day} {hour},{draw.choice(products)},binder,{draw.choice([100, 60000, -5])}" for k in (1, 2)],
                "leftovers": [f"{shop},c{n},{day} {hour},{draw.choice([3, 3, 900000])}"],
                "operations": [f"{shop},j{n},{k},spray,{day} {hour},{draw.choice(['', day + ' 10:00'])},ada,gun_1,clear_a" for k in (1, 2)],
                "operation_panels": [f"{shop},j{n},1,hood,1.5,{draw.choice(['steel', 'plastic'])}"],
                "draws": [f"{shop},j{n},{draw.choice([1, 1, 7])},c{draw.choice([n, n, 8])},{draw.choice([0.5, 0.9])}"],
                "readings": [f"{shop},j{n},hood,{draw.choice(['', '1', '5'])},{k},50,{draw.choice(['eddy', 'mag'])},{day} 11:00" for k in (1, 2)],
                "cleaning": [f"{shop},{n},{day} 12:00,thin,gun,{draw.choice([5, 6])}"],
                "gauge_checks": [f"mag,{day} {hour},{n},50"] if shop == "north" else [],
            }[table]  # fmt: skip
    return rows


def _spoilt(draw: random.Random, row: str) -> str:
    cells = row.split(",")
    cells[draw.randrange(len(cells))] = draw.choice(["", "x", "c1", "9"])
    return ",".join(cells)


def hostile(seed: int) -> tuple[dict[str, str | bytes], dict[str, str]]:
    """Files that name several shops, spoil rows, come again, add, say they are complete, and share names."""
    draw = random.Random(seed)
    files: dict[str, str | bytes] = {}
    layouts = {}
    for table, header in COLUMNS.items():
        same = "\n".join(f'{name} = "{name}"' for name in header.split(","))
        clock = '{ name_pattern = "_(\\\\d+)\\\\.", format = "%Y%m%d" }'
        more = {"add": 'mode = "append"\n', "full": f'complete_for = "days"\nexported_at = {clock}\n'}
        for kind, says in more.items():
            layouts[f"{table}_{kind}.toml"] = LAYOUT.format(
                match=f"{table}_{kind}*", more=says, table=table, columns=same
            )
        base = _table(draw, table)
        names = [f"a/{table}.csv", f"b/{table}.csv", f"{table}_1.csv", f"{table}_add.csv"]
        names += [f"{table}_full_2025040{n}.csv" for n in (1, 2)] if draw.random() < 0.6 else []
        for name in names:
            rows = [row for row in base if draw.random() < 0.8]
            rows = [_spoilt(draw, row) if draw.random() < 0.15 else row for row in rows]
            rows += [draw.choice(rows)] if rows and draw.random() < 0.5 else []
            draw.shuffle(rows)
            files[f"inbox/{name}"] = "\n".join([header, *rows]) + "\n"
    return files, layouts


@pytest.mark.parametrize("seed", range(3))
def test_hostile_files_of_several_shops_give_the_same_in_any_cut(seed: int) -> None:
    files, layouts = hostile(seed)
    if seed % 2:  # and registers that hold nothing
        files["registers/gauges.csv"] = "gauge_id,principle\n"
    taken = take_in(files, layouts)  # compares one look with one for each shop
    books = taken.intake_files
    assert all(books[state].sum() > 10 for state in ("accepted", "refused", "duplicate", "superseded"))
    told = "; ".join(books["message"].drop_nulls())
    assert "not in this export" in told or "nothing is taken as deleted" in told
    assert told.count("doubtful: ") > 3
    assert {shop for table in BY_SHOP for shop in taken.tables[table]["shop_id"]} >= {"north", "south"}
    assert taken.incomplete["shop_id"].n_unique() > 1


def test_the_scenario_shop_by_shop_is_the_scenario_at_once(tmp_path: Path) -> None:
    write_demo(tmp_path, build(seed=31, months=3, cups=400))
    space = workspace.find(tmp_path)
    at_once = taken_in(space)
    assert len(at_once.spans) == 1
    apart = Merging(at_once.files.reads, at_once.options, at_once.raw_of, each_by_itself)
    apart.remarks += at_once.remarks
    assert len(apart.spans) > 2
    one, other = at_once.whole(), apart.whole()
    for name in apart.tables:  # what ships is added by the run alone
        one.tables[name] = other.tables[name]
    equal(one, other)


def test_rows_that_were_put_away_while_reading_give_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_demo(tmp_path, build(seed=32, months=2, cups=300))
    space = workspace.find(tmp_path)
    held = taken_in(space).whole()
    workspace.forget_reads(space, [])
    monkeypatch.setattr(read, "BLOCK", 40)
    monkeypatch.setattr(read, "PIECE", 3000)
    monkeypatch.setattr(merge, "AT_A_TIME", 500)  # more is not held in memory
    fresh = taken_in(space)
    blocks = [path.name for path in space.intake_store.glob("*/0_rows.*.parquet")]
    assert len(blocks) > 20 and len(fresh.spans) > 1
    assert sum(one.kept for each in fresh.files.reads for one in each.tables.values()) > 20
    equal(held, fresh.whole())
    equal(held, taken_in(space).whole())  # from the store


def test_rows_that_were_put_away_and_are_gone_stop_the_run_with_a_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_demo(tmp_path, build(seed=33, months=1, cups=60))
    assert cli.main(["check", str(tmp_path)]) in (0, 3)
    space = workspace.find(tmp_path)
    true_read = workspace.read_again

    def damaged(where: workspace.Workspace, key: str) -> object:
        found = true_read(where, key)
        for block in (space.intake_store / key).glob("0_rows.*.parquet"):
            block.unlink()
        return found

    monkeypatch.setattr(workspace, "read_again", damaged)
    assert cli.main(["check", str(tmp_path)]) == 1
    assert "damaged or gone" in (told := capsys.readouterr().err) and "--again" in told
    monkeypatch.undo()
    assert cli.main(["check", str(tmp_path)]) in (0, 3)


def test_books_are_not_closed_before_every_shop_was_looked_at() -> None:
    row = "{},a,1,2025-03-03 08:00,clear_a,binder,10\n"
    reads = read_all({"inbox/pours.csv": f"{POURS}\n{row.format('north')}{row.format('south')}"})
    taken = Merging(reads, None, None, partial(spans_of, rows=1))
    assert [frame["shop_id"].to_list() for frame in (taken.batch(n)["pours"] for n in (1,))] == [["south"]]
    with pytest.raises(ValueError, match="every span"):
        taken.told()
    taken.batch(0)
    files, refused, _ = taken.told()
    assert files["accepted"].sum() == 2 + sum(text.count("\n") - 1 for text in REGISTERS.values())
    assert refused.is_empty() and isinstance(files, pl.DataFrame)


def test_spans_follow_each_other_in_the_order_of_shops_and_stay_near_the_size_asked_for() -> None:
    sizes = {"a": 5, "b": 3, "c": 2, "d": 9}
    assert spans_of(sizes, 8) == [Span(None, "c"), Span("c", "d"), Span("d", None)]
    assert spans_of(sizes, 1) == [Span(None, "b"), Span("b", "c"), Span("c", "d"), Span("d", None)]
    assert spans_of(sizes, 100) == [Span(None, None)]
    assert spans_of({}, 8) == [Span(None, None)]


@given(st.dictionaries(st.text(max_size=3), st.integers(0, 9)), st.integers(1, 20), st.text(max_size=3))
def test_every_shop_known_or_not_stands_in_exactly_one_span(sizes: dict[str, int], rows: int, stranger: str) -> None:
    ids = pl.DataFrame({"shop_id": sorted({*sizes, stranger})}, schema={"shop_id": pl.String})
    held = [ids.filter(span.holds())["shop_id"].to_list() for span in spans_of(sizes, rows)]
    assert [shop for part in held for shop in part] == ids["shop_id"].to_list()
