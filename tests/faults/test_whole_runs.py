"""Whole runs over what was damaged: healed without being asked, said in a line, the same figures afterwards."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines import cli, workspace
from pipelines.workspace import Workspace
from tests.bench import kills
from tests.faults.test_kept_things import flip, random


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A small workspace that was run once. Tests leave it as it is."""
    from pipelines import settings
    from seed_data import scenario

    space, _ = workspace.init(tmp_path_factory.mktemp("faults") / "shop", settings.template())
    scenario.write_canonical(space.root, scenario.build(shops=1, months=2, cups=12))
    assert cli.main(["run", str(space.root)]) in (0, 3)
    return space


@pytest.fixture
def copy(finished: Workspace, tmp_path: Path) -> Workspace:
    shutil.copytree(finished.root, tmp_path / "shop", symlinks=True)
    return Workspace(tmp_path / "shop")


def figures(space: Workspace) -> dict[str, str]:
    folder = space.snapshot()
    assert folder is not None
    return kills.hashes(folder)


def test_a_damaged_set_is_healed_in_a_line_and_with_the_same_bytes(
    finished: Workspace,
    copy: Workspace,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    folder = copy.snapshot()
    assert folder is not None
    flip(folder / "tables" / "mixes.parquet", random.Random(1))
    flip(folder / "site" / "index.html", random.Random(1))
    assert cli.main(["mix", "clear_a", str(copy.root), "--gun", "g", "--area", "1"]) != 1, "the guide is whole"
    flip(folder / "tables" / "mix_guide.parquet", random.Random(1))
    capsys.readouterr()
    assert cli.main(["mix", "clear_a", str(copy.root), "--gun", "g", "--area", "1"]) == 1
    assert "mix_guide.parquet is damaged" in capsys.readouterr().err
    # at once with Dagster's records in ruins: neither stops the run
    home = tmp_path / "home"
    home.mkdir()
    (home / "dagster.yaml").write_text("storage: [not, a, mapping]\n")
    monkeypatch.setenv("DAGSTER_HOME", str(home))
    assert cli.main(["run", str(copy.root)]) in (0, 3)
    told = capsys.readouterr().out
    assert told.count("missing or not what was written; it is made anew.") == 1
    assert told.count("cannot be used (") == 1 and "this run keeps none" in told
    assert figures(copy) == figures(finished)
    assert cli.main(["run", str(copy.root)]) in (0, 3)
    assert "Nothing new" in capsys.readouterr().out


def test_damaged_tables_of_a_killed_run_and_damaged_reads_are_made_anew(
    finished: Workspace, copy: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    """The workbench without its seal, as a killed run leaves it: its own checksums tell."""
    bench = copy.state / "tables"
    (bench / "seal.json").unlink()
    content = bytearray((bench / "tables.duckdb").read_bytes())
    for at in range(20_000, len(content), 4096):
        content[at] ^= 1
    (bench / "tables.duckdb").write_bytes(content)
    for block in copy.intake_store.glob("*/*.parquet"):
        flip(block, random.Random(2))
    capsys.readouterr()
    assert cli.main(["run", str(copy.root)]) in (0, 3)
    assert "Nothing new" in capsys.readouterr().out, "the set itself is whole"
    (copy.out / "datapackage.json").unlink()
    assert cli.main(["run", str(copy.root)]) in (0, 3)
    told = capsys.readouterr().out
    assert "all of them are made anew" in told and told.count("the export was read again") == 1, told
    assert figures(copy) == figures(finished)


def test_rows_that_went_are_asked_about_once(copy: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    before = copy.snapshot()
    for export in copy.inbox.glob("*.csv"):
        lines = export.read_text().splitlines()
        export.write_text("\n".join(lines[: max(2, len(lines) // 4)]) + "\n")
    assert cli.main(["run", str(copy.root)]) == 1
    assert "rows that could be read" in capsys.readouterr().err and copy.snapshot() == before
    assert cli.main(["run", str(copy.root), "--accept-removals"]) in (0, 3)
    assert copy.snapshot() != before
    capsys.readouterr()
    assert cli.main(["run", str(copy.root)]) in (0, 3)
    assert "Nothing new" in capsys.readouterr().out
