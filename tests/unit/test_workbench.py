"""The workbench: tables stand in the order of their key, whole or not at all, with a word for their content."""

from __future__ import annotations

import random
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines import workbench
from pipelines.workbench import DuckDB, Note, Tables
from schemas import validate


def costs(**changed: object) -> pl.DataFrame:
    """Five jobs of four shops; every column that may not be empty has something in it."""
    frame = validate.empty("job_costs").clear(5).with_columns(
        shop_id=pl.Series(["a", "a", "b", "c", "d"]), job_id=pl.Series([*"12121"])
    )  # fmt: skip
    fill = {"int": 0, "float": 1.5, "bool": False, "text": "x"}
    wanted = [info for info in validate.columns("job_costs") if not info.nullable and not info.key]
    return frame.with_columns(pl.lit(fill[info.kind], info.dtype).alias(info.name) for info in wanted).with_columns(
        **changed
    )


@pytest.fixture
def bench() -> DuckDB:
    return DuckDB()


def put(bench: DuckDB, name: str, frame: pl.DataFrame) -> str:
    with bench.writing():
        bench.put(name, frame)
        content, rows = bench.look(name)
        bench.note(name, Note("made of", {"a": 1}, content, rows, {}))
    return content


def test_a_table_is_read_as_it_was_put_whole_in_columns_and_by_shop(bench: DuckDB) -> None:
    frame = costs()
    put(bench, "job_costs", frame)
    assert bench.read("job_costs").equals(frame)
    assert bench.read("job_costs", ["job_id", "shop_id"]).equals(frame.select("job_id", "shop_id"))
    assert bench.read("job_costs", ["shop_id"], ("a", "b"))["shop_id"].to_list() == ["a", "a", "b"]
    assert pl.concat(bench.pieces("job_costs")).equals(frame)
    assert bench.sizes(["job_costs"]) == {"a": 2, "b": 1, "c": 1, "d": 1}
    assert bench.count("job_costs") == 5


def test_a_table_that_comes_in_another_order_stands_in_that_of_its_key_and_has_the_same_content(bench: DuckDB) -> None:
    frame = costs()
    word = put(bench, "job_costs", frame)
    for seed in range(5):
        order = random.Random(seed).sample(range(5), 5)
        assert put(bench, "job_costs", frame[order]) == word
        assert bench.read("job_costs").equals(frame)


def test_other_content_has_another_word(bench: DuckDB) -> None:
    number = next(info.name for info in validate.columns("job_costs") if info.kind == "float")
    words = [
        put(bench, "job_costs", frame)
        for frame in (costs(), costs().head(4), costs().with_columns(pl.lit(2.5).alias(number)), costs().clear())
    ]
    assert len(set(words)) == 4


def test_a_key_that_stands_twice_is_named_and_nothing_is_replaced(bench: DuckDB) -> None:
    put(bench, "job_costs", costs())
    with pytest.raises(validate.TableError, match=r"job_costs: the key .*'a'.*more than once"):
        put(bench, "job_costs", pl.concat([costs(), costs().head(1)]))
    assert bench.read("job_costs").equals(costs())
    assert bench.notes()["job_costs"].rows == 5


@pytest.mark.parametrize(
    ("table", "column", "value", "said"),
    [
        ("leftover_habits", "leftover_share", float("nan"), "finite"),
        ("component_species", "mass_fraction", 1.2, "at most 1"),
        ("component_species", "mass_fraction", -0.2, "at least 0"),
        ("leftover_habits", "role", "varnish", "must be one of"),
        ("leftover_habits", "n", None, "must not be empty"),
        ("leftover_habits", "shop_id", " ", "must not be blank"),
    ],
)
def test_what_a_schema_promises_is_looked_at(bench: DuckDB, table: str, column: str, value: object, said: str) -> None:
    row = {"shop_id": "s", "role": "clear", "n": 3, "leftover_share": 0.1, "leftover_share_sd": 0.1} | {
        "component_id": "c", "cas": "67-64-1", "mass_fraction": 0.5
    }  # fmt: skip
    columns = validate.empty(table).schema
    good = pl.DataFrame([{name: row.get(name) for name in columns}], schema=columns)
    put(bench, table, good)
    with pytest.raises(validate.TableError, match=said):
        put(bench, table, good.with_columns(pl.lit(value, good.schema[column]).alias(column)))


def test_the_workbench_refuses_what_the_door_refuses() -> None:
    """Both speak of the same declaration: a bound added there must reach the database too."""
    bench = DuckDB()
    for table in ("mixes", "film_build", "transfer_by_pair", "operations", "stock"):
        for info in validate.columns(table):
            kept, broken = workbench.broken(table), list(workbench._breaks(info))
            assert all(one in kept for one in broken)
            n = (not info.nullable) + (info.kind == "float") + (info.low is not None) + (info.above is not None)
            n += (info.high is not None) + bool(info.values) + (info.key and info.kind == "text")
            assert len(broken) == n, info.name
    bench.close()


def test_a_statement_makes_the_columns_and_types_of_its_schema(bench: DuckDB) -> None:
    sql = "-- said first\nSELECT 1.50 AS leftover_share, $n AS n, 's' AS shop_id, 'clear' AS role, 0 AS leftover_share_sd, 1 AS more;\n"
    with bench.writing():
        bench.run_sql("leftover_habits", sql.replace("1.50", "0.50"), {"n": 3})
        bench.look("leftover_habits")
    assert bench.read("leftover_habits").schema == validate.empty("leftover_habits").schema
    with pytest.raises(workbench.WorkbenchError, match=r"leftover_habits\.sql: .*shop_id"), bench.writing():
        bench.run_sql("leftover_habits", "SELECT 1 AS n", {})


def test_tables_stay_for_the_next_run_and_a_damaged_workbench_is_set_up_anew_with_a_word(tmp_path: Path) -> None:
    said: list[str] = []
    bench = workbench.opened(tmp_path / "tables", 1.0, 1, said.append)
    put(bench, "job_costs", costs())
    bench.close()
    bench = workbench.opened(tmp_path / "tables", 1.0, 1, said.append)
    assert bench.read("job_costs").equals(costs()) and bench.notes()["job_costs"].asked == {"a": 1} and not said
    bench.close()
    (tmp_path / "tables" / "tables.duckdb").write_bytes(b"cut short by a power cut" * 500)
    bench = workbench.opened(tmp_path / "tables", 1.0, 1, said.append)
    assert not bench.notes() and len(said) == 1 and "made anew" in said[0]
    bench.close()


def test_what_leaves_the_workbench_has_twelve_digits(bench: DuckDB, tmp_path: Path) -> None:
    number = next(info.name for info in validate.columns("job_costs") if info.kind == "float")
    noisy = [0.1 + 0.2, 1 / 3, 12345.678901234567, 0.0, 5e-9 / 3]
    put(bench, "job_costs", costs(**{number: pl.Series(noisy)}))
    workbench.write_out("job_costs", bench.pieces("job_costs"), tmp_path / "x.parquet")
    found = pl.read_parquet(tmp_path / "x.parquet")
    assert found[number].to_list() == [float(f"{one:.12g}") for one in noisy]
    assert Tables(bench)["job_costs"].equals(found)
    assert found.schema == validate.empty("job_costs").schema


def test_threads_write_apart_and_one_that_fails_takes_back_its_own_alone(bench: DuckDB) -> None:
    both_write = threading.Barrier(2)

    def fails() -> None:
        with bench.writing():
            bench.put("job_costs", costs())
            bench.note("job_costs", Note("lost", {}, *bench.look("job_costs"), {}))
            both_write.wait()
            raise ValueError("stopped")

    def stands() -> None:
        with bench.writing():
            bench.put("leftover_habits", validate.empty("leftover_habits"))
            both_write.wait()
            bench.note("leftover_habits", Note("kept", {}, *bench.look("leftover_habits"), {}))

    with ThreadPoolExecutor(2) as threads:
        lost, kept = threads.submit(fails), threads.submit(stands)
        kept.result()
        with pytest.raises(ValueError, match="stopped"):
            lost.result()
    assert set(bench.notes()) == {"leftover_habits"} and bench.count("leftover_habits") == 0
    with pytest.raises(duckdb.CatalogException):
        bench.read("job_costs")


@given(st.floats(min_value=1e-12, max_value=1e12), st.sampled_from([-1, 1]))
def test_rounding_is_to_the_nearest_number_of_twelve_digits(value: float, sign: int) -> None:
    found = workbench.rounded(pl.DataFrame({"x": [sign * value]}))["x"][0]
    assert found == pytest.approx(float(f"{sign * value:.12g}"), rel=2e-15)


@given(st.dictionaries(st.text(max_size=3), st.integers(0, 9)), st.integers(1, 20))
def test_shops_that_are_worked_on_together_follow_each_other_and_none_is_left_out(
    sizes: dict[str, int], rows: int
) -> None:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(workbench, "AT_A_TIME", rows)
        spans = workbench.together(sizes)
    held = [[shop for shop in sorted(sizes) if first <= shop <= last] for first, last in spans]
    assert [shop for part in held for shop in part] == sorted(sizes)
    assert all(len(part) == 1 or sum(sizes[shop] for shop in part) <= rows for part in held)
