"""The demo's exports read back: by the layouts that ship with them they give the canonical tables, but for what was
damaged on purpose, and everything that was damaged is refused."""

from __future__ import annotations

import hashlib
from pathlib import Path

import polars as pl
import pytest

from pipelines import run as runs
from pipelines import taking_in, workspace
from pipelines.intake.bringing_together import merge
from schemas import validate
from seed_data.exports import DemoFiles, write_demo
from seed_data.scenario import Scenario, build

#: what rounding in the exports may cost: ounces to four decimals (twice, as running totals), square feet, psi, mil
CLOSE = {"weighed_g": 0.006, "target_g": 0.003, "leftover_g": 0.003, "area_m2": 1e-5, "inlet_kpa": 0.01,
         "reading_um": 0.002, "removed_um": 0.002}  # fmt: skip


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return build(seed=31, months=7, cups=1300)


def _read(root: Path) -> merge.Intake:
    return taking_in.read_everything(runs.look(workspace.find(root), runs.Silent()))


@pytest.fixture(scope="module")
def demo(scenario: Scenario, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, DemoFiles, merge.Intake]:
    root = tmp_path_factory.mktemp("demo")
    written = write_demo(root, scenario)
    return root, written, _read(root)


def test_every_file_is_read_and_the_counts_add_up(demo: tuple[Path, DemoFiles, merge.Intake]) -> None:
    _, _, intake = demo
    books = intake.intake_files
    assert set(books["state"]) == {"read"}
    assert (books["rows_read"] == books["accepted"] + books["refused"] + books["duplicate"] + books["superseded"]).all()
    assert books["duplicate"].sum() > 1000  # overlapping exports
    assert books["superseded"].sum() > 20  # corrected cups, jobs that were still open


def test_exactly_the_damaged_rows_are_refused(demo: tuple[Path, DemoFiles, merge.Intake]) -> None:
    _, written, intake = demo
    refused = intake.refused_rows.select("file", "line").unique().sort("file", "line")
    assert written.damaged.height >= 9
    assert refused.equals(written.damaged.select("file", "line").unique().sort("file", "line"))
    # and each makes the parent incomplete that it belongs to
    for row in written.damaged.iter_rows(named=True):
        parent = {
            k: row[k]
            for k in ("shop_id", "mix_id", "job_id", "panel_id")
            if row[k] is not None and row["table"] != "operation_panels"
        }
        assert intake.incomplete.filter(*(pl.col(k) == v for k, v in parent.items())).height >= 1, row


@pytest.mark.parametrize(
    "table",
    ["pours", "leftovers", "jobs", "operations", "operation_panels", "draws", "readings", "target_weighings",
     "cleaning", "unscaled_use", "stock", "gauge_checks", "scale_checks", "deviations",
     "guns", "components", "trainings"],
)  # fmt: skip
def test_exports_give_back_the_canonical_table(
    table: str, scenario: Scenario, demo: tuple[Path, DemoFiles, merge.Intake]
) -> None:
    _, written, intake = demo
    key = validate.keys(table)
    names = [c.name for c in validate.columns(table)]
    true = validate.conform(table, {**scenario.canonical, **scenario.registers}[table])
    found = intake.tables[table].select(names)
    assert found.join(true, on=key, how="anti", nulls_equal=True).is_empty()
    lost = true.join(found, on=key, how="anti", nulls_equal=True)
    assert (
        lost.height == written.damaged.filter(pl.col("table") == table, ~pl.col("what").str.contains("magnetic")).height
    )
    both = true.join(found, on=key, how="inner", nulls_equal=True, suffix="_found")
    assert both.height == found.height
    for name in names:
        if name in key:
            continue
        a, b = both[name], both[f"{name}_found"]
        if a.dtype == pl.Float64:
            assert (a.is_null() == b.is_null()).all(), name
            assert ((a - b).abs().max() or 0.0) <= CLOSE.get(name, 1e-9), name
        else:
            assert a.eq_missing(b).all(), name


def test_corrected_cups_stand_as_their_last_export_has_them(
    scenario: Scenario, demo: tuple[Path, DemoFiles, merge.Intake]
) -> None:
    _, written, intake = demo
    assert written.corrected.height >= 4
    cup = ["shop_id", "mix_id"]
    kept = intake.tables["pours"].join(written.corrected, on=cup).group_by(cup).agg(pl.col("weighed_g").sum())
    true = scenario.canonical["pours"].group_by(cup).agg(true=pl.col("weighed_g").sum())
    both = kept.join(true, on=cup)
    assert both.height == written.corrected.height
    assert (both["weighed_g"] - both["true"]).abs().max() < 0.03


def test_the_same_scenario_writes_the_same_bytes(
    scenario: Scenario, demo: tuple[Path, DemoFiles, merge.Intake], tmp_path: Path
) -> None:
    root, written, _ = demo
    assert write_demo(tmp_path, scenario).files == written.files

    def prints(folder: Path) -> list[str]:
        return [hashlib.sha256((folder / f).read_bytes()).hexdigest() for f in written.files]

    assert prints(tmp_path) == prints(root)


def test_the_three_shapes_are_as_different_as_they_say(demo: tuple[Path, DemoFiles, merge.Intake]) -> None:
    root, written, _ = demo
    scale = (root / "inbox/ostenried/Waage_2025-04.csv").read_bytes()
    with pytest.raises(UnicodeDecodeError):
        scale.decode("utf-8")
    assert ";1.0" in scale.decode("windows-1252") or ";1.1" in scale.decode("windows-1252")  # a dot for thousands
    us = (root / sorted(f for f in written.files if "tarnwick/mixing" in f)[0]).read_text(encoding="utf-8")
    assert " PM," in us
    logs = [root / f for f in written.files if "vellmoor/log" in f and f.endswith(".tsv")]
    kinds = {line.split("\t")[1] for log in logs for line in log.read_text(encoding="utf-8").splitlines()}
    assert kinds == {"Line", "STEP", "FILM"}
    assert any(f.endswith(".tsv.gz") for f in written.files)


def test_without_damage_nothing_is_refused(tmp_path: Path) -> None:
    s = build(seed=32, shops=4, months=2, cups=400)
    written = write_demo(tmp_path, s, damage=False)
    assert written.damaged.is_empty()
    assert any(f.startswith("inbox/shop004/") for f in written.files)
    intake = _read(tmp_path)
    assert intake.refused_rows.is_empty()
    assert intake.incomplete.is_empty()
    for table in ("pours", "operations", "readings"):
        assert intake.tables[table].height == s.canonical[table].height


def test_a_business_of_one_shop_or_of_no_cups_can_be_written(tmp_path: Path) -> None:
    for name, s in (
        ("one", build(seed=33, shops=1, months=1, cups=60)),
        ("none", build(seed=33, shops=3, months=1, cups=0)),
    ):
        write_demo(tmp_path / name, s)
        intake = _read(tmp_path / name)
        assert intake.tables["pours"].height >= s.canonical["pours"].height - 3
        assert set(intake.intake_files["state"]) == {"read"}
