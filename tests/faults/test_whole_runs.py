"""Whole runs over what was damaged: healed without being asked, said in a line, the same figures afterwards."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipelines import cli
from pipelines.workspace import Workspace
from tests.faults.test_kept_things import flip, random
from tests.workspaces import hashes, table


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
    assert hashes(copy) == hashes(finished)
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
    assert hashes(copy) == hashes(finished)


def test_an_inbox_that_leads_out_is_refused_also_where_nothing_is_new(
    copy: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy.inbox.rename(tmp_path / "drive")
    copy.inbox.symlink_to(tmp_path / "drive")
    assert cli.main(["run", str(copy.root)]) == 1
    assert "linked_folders = true" in capsys.readouterr().err


def test_an_export_that_cannot_be_opened_any_more_stops_the_run(
    copy: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its rows would go without a word. A link out of the workspace stands for it: root may read what others may not."""
    before = copy.snapshot()
    (copy.inbox / "pours.csv").rename(tmp_path / "pours.csv")
    (copy.inbox / "pours.csv").symlink_to(tmp_path / "pours.csv")
    assert cli.main(["run", str(copy.root)]) == 1
    said = capsys.readouterr().err
    assert "inbox/pours.csv cannot be read any more" in said and "--accept-removals" in said
    assert copy.snapshot() == before


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


def test_no_absurd_row_stops_publication(finished: Workspace, copy: Workspace) -> None:
    """Weights, days, numbers and areas that cannot be, or only just can: refused or used, and every other cup stays as it was."""
    before = table(finished, "mixes")
    pour = pl.read_csv(copy.inbox / "pours.csv", infer_schema=False).head(1).to_dicts()[0]
    odd = [
        {"mix_id": "heavy", "weighed_g": "1e308"}, {"mix_id": "heavy", "pour_no": "2", "weighed_g": "1e308"},
        {"mix_id": "tiny", "weighed_g": "5e-324"}, {"mix_id": "tonne", "weighed_g": "1000000"},
        {"mix_id": "past", "poured_at": "1950-01-01 00:00:00"}, {"mix_id": "future", "poured_at": "2199-12-31 23:59:59"},
        {"mix_id": "numbered", "pour_no": "999999999999999"}, {"mix_id": "overnumbered", "pour_no": "9223372036854775807"},
    ]  # fmt: skip
    rows = [{**pour, "pour_no": "1", **one} for one in odd]
    pl.DataFrame(rows).write_csv(copy.inbox / "pours_odd.csv")
    reading = pl.read_csv(copy.inbox / "readings.csv", infer_schema=False).head(1).to_dicts()[0]
    pl.DataFrame([{**reading, "reading_no": f"{n}", "reading_um": um} for n, um in enumerate(["3000", "1e308", "-0.0"], 900)]).write_csv(
        copy.inbox / "readings_odd.csv"
    )  # fmt: skip
    assert cli.main(["run", str(copy.root)]) == 3
    after = table(copy, "mixes")
    assert after.join(before, on=before.columns, how="semi", nulls_equal=True).height >= before.height - 1
    refused = table(copy, "refused_rows").filter(pl.col("file") == "inbox/pours_odd.csv")
    assert sorted(refused["line"]) == [2, 3, 4, 9], refused["reasons"].to_list()
    known = after.filter(pl.col("mix_id").is_in(["tonne", "past", "future", "numbered"]))
    assert known.height == 4 and known["poured_g"].is_finite().all()
