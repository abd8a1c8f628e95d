"""Where the work is done moves no number: one batch of shops or many, this machine's threads or a cluster's workers."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess

import polars as pl
import pytest

from pipelines import conductor, engine, settings, workspace
from pipelines.ledger import runner, shops
from seed_data import scenario

CUPS = 700
CLUSTER = "local-cluster[2,1,1024]"
REL = 1e-9  # sums of floats in another order


@pytest.fixture(scope="module")
def exports(tmp_path_factory):
    """A workspace of three small shops that nobody ran yet."""
    folder = tmp_path_factory.mktemp("engines") / "exports"
    workspace.init(folder, settings.template())
    scenario.write_canonical(folder, scenario.build(cups=CUPS, shops=3))
    return folder


def ran(exports, target, **chosen) -> dict[str, pl.DataFrame]:
    """Every published table of a run with these settings of the engine."""
    shutil.copytree(exports, target)
    lines = [f"{key} = {value!r}".replace("'", '"') for key, value in chosen.items()]
    (target / "filmledger.toml").write_text("\n".join(["[engine]", *lines, ""]))
    space = workspace.find(target)
    conductor.run(space)
    return {path.stem: pl.read_parquet(path) for path in sorted((space.out / "tables").glob("*.parquet"))}


@pytest.fixture(scope="module")
def together(exports, tmp_path_factory):
    return ran(exports, tmp_path_factory.mktemp("engines") / "together")


@pytest.fixture(scope="module")
def one_by_one(exports, tmp_path_factory):
    return ran(exports, tmp_path_factory.mktemp("engines") / "one_by_one", batch_rows=1)


def differences(left: dict[str, pl.DataFrame], right: dict[str, pl.DataFrame]) -> list[str]:
    """Where two sets of tables differ: keys, counts, texts and times in anything, numbers by more than REL of their size."""
    found = [f"tables: {sorted(left.keys() ^ right.keys())}"] if left.keys() != right.keys() else []
    for name in sorted(left.keys() & right.keys()):
        a, b = left[name], right[name]
        if a.schema != b.schema or a.height != b.height:
            found.append(f"{name}: {a.height} rows against {b.height}")
            continue
        for column, dtype in a.schema.items():
            x, y = a[column], b[column]
            if x.equals(y):
                continue
            if not dtype.is_float() or not x.is_null().equals(y.is_null()):
                found.append(f"{name}.{column}")
                continue
            scale = max(float(x.abs().mean() or 0.0), 1e-12)  # a difference of two large numbers has their rounding
            worst = float(
                ((x - y).abs() / pl.select(pl.max_horizontal(x.abs(), pl.lit(scale))).to_series()).max() or 0.0
            )
            if worst > REL:
                found.append(f"{name}.{column}: {worst:.1e}")
    return found


def test_every_step_of_the_ledger_stands_in_one_pass_after_all_that_it_reads():
    done: set[str] = set()
    for phase in shops.phases():
        inside = set(phase.steps)
        for step in phase.steps:
            assert runner.upstream(step) & set(runner.steps()) <= done | inside
            assert step not in done
        done |= inside
        assert phase.by_shop == (not inside & shops.POOLED)
    assert done == set(runner.steps())


def test_batches_hold_every_shop_once_in_order_and_stay_near_the_size_asked_for():
    rows = pl.DataFrame({"shop_id": ["b"] * 3 + ["a"] * 5 + ["c"] * 2 + ["d"] * 9})
    tables = {"jobs": rows, "guns": pl.DataFrame({"shop_id": ["z"] * 99})}  # a gun is not cut by the shop it hangs in
    assert shops.batches(tables, 8) == [["a", "b"], ["c"], ["d"]]
    assert shops.batches(tables, 1) == [["a"], ["b"], ["c"], ["d"]]
    assert shops.batches(tables, 100) == [["a", "b", "c", "d"]]
    assert shops.batches({}, 8) == [[]]


def test_a_shop_gets_its_own_rows_and_whole_what_is_nobodys_own():
    tables = {
        "jobs": pl.DataFrame({"shop_id": ["a", "b"], "job_id": ["1", "2"]}),
        "incomplete": pl.DataFrame({"shop_id": ["a", None, "b"], "what": ["cup", "file", "cup"]}),
        "products": pl.DataFrame({"product_id": ["p"]}),
    }
    cut = shops.cut(tables, ["a"])
    assert cut["jobs"]["job_id"].to_list() == ["1"]
    assert cut["incomplete"]["what"].to_list() == ["cup", "file"]
    assert cut["products"].height == 1


def test_shops_worked_on_one_by_one_give_the_numbers_of_all_at_once(together, one_by_one):
    assert differences(together, one_by_one) == []


def test_the_number_of_workers_changes_no_byte(exports, one_by_one, tmp_path):
    alone = ran(exports, tmp_path / "alone", batch_rows=1, workers=1)
    assert all(alone[name].equals(one_by_one[name]) for name in one_by_one)


def java() -> bool:
    """Whether a Java that starts is there; some systems have a `java` that only says how to get one."""
    found = shutil.which("java")
    return bool(found) and subprocess.run([found, "-version"], capture_output=True).returncode == 0


@pytest.mark.skipif(
    importlib.util.find_spec("pyspark") is None, reason="pyspark is not installed here; make spark installs it"
)
@pytest.mark.skipif(not java(), reason="no Java here: Spark needs Java 17 or newer")
def test_spark_workers_in_processes_of_their_own_give_the_same_tables(exports, one_by_one, tmp_path):
    """local-cluster: a master and two workers, each its own process, with nothing in common but the folder."""
    with engine.start("spark", master=CLUSTER) as cluster:
        assert os.getpid() not in set(cluster.each(lambda _: os.getpid(), range(4)))
    there = ran(exports, tmp_path / "there", batch_rows=1, engine="spark", spark_master=CLUSTER)
    assert one_by_one.keys() == there.keys()
    assert all(one_by_one[name].equals(there[name]) for name in there), differences(one_by_one, there)
