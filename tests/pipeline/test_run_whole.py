"""A run from exports to pages: what it leaves, that it can be repeated, and that nothing gets lost on the way."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "reports"))
from page_words import unplain

from pipelines import cli, commands, taking_in, workspace
from pipelines.workspace import Workspace, WorkspaceError
from tests.workspaces import hashes, table

HOME = Path(__file__).resolve().parents[2]


def contents(space: Workspace) -> dict[str, str]:
    """What the set in force says, file by file, with what it says of itself."""
    # the database is looked at through its tables, so its size in the manifest says nothing
    manifest = json.loads((space.out / workspace.MANIFEST).read_text())
    manifest["files"].pop("filmledger.duckdb")
    manifest.pop("sha256")  # over that too
    manifest.pop("contents")  # words for tables as the workbench holds them, before numbers are rounded
    return hashes(space) | {workspace.MANIFEST: json.dumps(manifest, sort_keys=True)}


def test_the_pages_of_a_run_are_in_plain_words(finished):
    """What the pipeline writes into its tables (advice, reasons, cards) stands on the pages too."""
    pages = {path.name: path.read_text(encoding="utf-8") for path in (finished.out / "site").glob("*.html")}
    assert len(pages) == 8
    assert {name: unplain(html) for name, html in pages.items() if unplain(html)} == {}


def test_a_run_leaves_tables_database_pages_and_hand_outs(finished):
    folder = finished.snapshot()
    names = {path.stem for path in (folder / "tables").glob("*.parquet")}
    assert {"mixes", "film_increments", "transfer_records", "transfer_by_pair", "material_ledger"} <= names
    assert {"intake_files", "refused_rows"} <= names
    assert {path.stem for path in (folder / "csv").glob("*.csv")} == names
    with duckdb.connect(str(folder / "filmledger.duckdb"), read_only=True) as connection:
        for name in names:
            assert connection.table(name).fetchall() == pl.read_parquet(folder / "tables" / f"{name}.parquet").rows()
    assert (folder / "site" / "index.html").is_file()


def test_the_headline_is_what_the_ledger_says(finished):
    ledger = table(finished, "material_ledger")
    headline = workspace.manifest_in_force(finished)["headline"]
    poured = ledger["poured_solids_g"].sum()
    assert headline["poured_solids_g"] == pytest.approx(poured, rel=1e-12)
    assert headline["useful_share"] == pytest.approx(ledger["useful_solids_g"].sum() / poured, rel=1e-12)
    assert 0 < headline["te_low"] < headline["te"] < headline["te_high"] < 1
    assert headline["cups"] == table(finished, "mixes").height


def test_page_command_line_and_totals_say_the_same_to_the_digit(finished, capsys):
    """The page adds loadings and the script's sums, the command reads the manifest, and totals come from the posterior itself."""
    totals = table(finished, "totals")
    whole = totals.filter([pl.col(key) == "all" for key in ("shop_id", "role", "product_id", "period")]).row(
        0, named=True
    )
    headline = workspace.manifest_in_force(finished)["headline"]
    assert {name: headline[name] for name in ("te", "te_low", "te_high")} == {
        name: whole[name] for name in ("te", "te_low", "te_high")
    }
    assert cli.main(["run", str(finished.root)]) in (0, 3)
    said = " ".join(capsys.readouterr().out.split())
    te, low, high = (f"{100 * whole[name]:.0f}" for name in ("te", "te_low", "te_high"))
    assert f"sprayed and could be followed: {te} % ({low}-{high})." in said
    useful = f"{100 * whole['useful_solids_g'] / whole['poured_solids_g']:.0f}"
    assert f"Of every 100 g, {useful} became useful film" in said
    page = (finished.out / "site" / "index.html").read_text(encoding="utf-8")
    for part in ("useful", "overspray"):
        shown = re.search(rf'<span data-m="{part}\.\*" data-of="poured\.\*" data-kind="per100">([^<]+)</span>', page)
        assert shown is not None
        ends = [100 * whole[f"{part}_solids_g{end}"] / whole["poured_solids_g"] for end in ("", "_low", "_high")]
        assert ends[2] - ends[1] > 2, "so wide that it is told without decimals"
        assert shown[1] == "{:.0f} ({:.0f}\u2013{:.0f})".format(*ends)


def test_a_run_with_nothing_new_changes_no_byte_and_imports_nothing_heavy(finished):
    before, number = contents(finished), finished.snapshot()
    program = (
        "import sys\nfrom pipelines import cli\ncode = cli.main(['run', sys.argv[1]])\n"
        "heavy = {'polars', 'duckdb', 'dagster', 'pandera', 'pydantic', 'numpy'} & set(sys.modules)\n"
        "assert not heavy, heavy\nassert code in (0, 3)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(finished.root)], check=True, capture_output=True, text=True, cwd=HOME
    )
    assert "Nothing new" in done.stdout
    assert finished.snapshot() == number
    assert contents(finished) == before


def own(space: Workspace) -> dict[str, tuple[int, bytes]]:
    """The shop's own files, by time and content."""
    files = [space.settings_file, *space.inbox.rglob("*"), *space.registers.rglob("*")]
    return {str(path): (path.stat().st_mtime_ns, path.read_bytes()) for path in files if path.is_file()}


def test_what_the_pages_add_up_is_what_the_database_adds_up(finished):
    """The amounts that pages and script sum, against DuckDB over the published tables, shop by shop and month by month."""
    text = (finished.out / "site" / "amounts.js").read_text()
    amounts = json.loads(text.removeprefix("window.FILMLEDGER=").rstrip().removesuffix(";"))["amounts"]["ledger"]
    shops, months = amounts["members"]["shop_id"], amounts["members"]["month"]
    sums: dict[tuple[str, str], list[float]] = {}
    for i, (shop, month) in enumerate(zip(amounts["at"]["shop_id"], amounts["at"]["month"], strict=True)):
        one = sums.setdefault((shops[shop], months[month]), [0.0, 0.0, 0.0])
        for k, measure in enumerate(("poured.solids", "overspray.solids", "useful.cost")):
            one[k] += amounts["m"][measure][i]
    with duckdb.connect(str(finished.out / "filmledger.duckdb"), read_only=True) as connection:
        rows = connection.sql(
            "SELECT shop_id, month, sum(poured_solids_g) / 1000, sum(overspray_solids_g) / 1000, sum(useful_cost)"
            " FROM material_ledger GROUP BY ALL"
        ).fetchall()
    assert len(rows) == len(sums) > 2
    for shop, month, *wanted in rows:
        assert sums[shop, month] == pytest.approx(wanted, abs=0.02)
        assert wanted[0] > 0.5


def test_a_site_for_one_reader_holds_that_reader_s_pages_and_stands_beside_the_hand_outs(copy, capsys):
    people = table(copy, "transfer_by_technician")["technician_id"].unique().to_list()
    who = sorted(people)[0]
    assert cli.main(["run", str(copy.root), "--for", "environment"]) in (0, 3)
    site = copy.handouts / "site_environment"
    assert f"For one reader: {site / 'index.html'}" in capsys.readouterr().out
    assert {p.name for p in site.glob("*.html")} == {"index.html", "intake.html", "method.html"}
    for path in site.iterdir():
        if path.name != "plotly.min.js":
            assert not [one for one in people if re.search(rf"\b{one}\b", path.read_text())], path.name
    assert cli.main(["run", str(copy.root), "--for", "painter", "--who", who]) in (0, 3)
    card = (copy.handouts / f"site_painter_{who}" / "hands.html").read_text()
    assert f"<h3>{who}</h3>" in card
    assert not [one for one in people if one != who and re.search(rf"\b{one}\b", card)]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--for", "nobody"], "there is one for owner, environment, trainer, painter"),
        (["--for", "owner", "--who", "t101"], "painter's site alone"),
        (["--who", "t101"], "painter's site alone"),
        (["--for", "painter", "--who", "t999"], "No technician 't999'"),
    ],
)
def test_a_reader_nobody_knows_is_wrong_usage_and_nothing_is_written(copy, capsys, asked, said):
    assert cli.main(["run", str(copy.root), *asked]) == 2
    assert said in capsys.readouterr().err
    assert not copy.handouts.exists()


def test_the_job_that_dagster_starts_by_itself_makes_the_bytes_of_the_plain_loop_under_the_same_lock(copy, monkeypatch):
    from pipelines.definitions import defs

    before, number = contents(copy), copy.snapshot()
    workspace.forget_tables(copy)
    monkeypatch.setenv("FILMLEDGER_WORKSPACE", str(copy.root))
    everything = defs.resolve_job_def("everything")
    with workspace.lock(copy):
        context = (copy.state / "lock").read_bytes()
        assert everything.execute_in_process().success
        assert (copy.state / "lock").read_bytes() == context
    assert copy.snapshot() != number
    assert contents(copy) == before


def test_a_file_that_comes_and_a_damaged_one_are_told_and_computing_all_again_without_them_gives_the_same_bytes(
    copy, capsys
):
    before, of_the_shop = contents(copy), own(copy)
    extra = copy.inbox / "pours_late.csv"
    pours = pl.read_csv(copy.inbox / "pours.csv", infer_schema=False)
    pours.head(3).with_columns(mix_id=pl.lit("late")).write_csv(extra)
    noise = copy.inbox / "noise.csv"
    noise.write_bytes(b"\x00\x01\x02binary")
    export = copy.inbox / "pours.csv"
    time, whole = export.stat().st_mtime_ns, export.read_bytes()
    pours = export.read_text().splitlines()
    header = pours[0].split(",")
    cells = pours[1].split(",")
    cells[header.index("weighed_g")] = "=1+1"
    export.write_text("\n".join([pours[0], ",".join(cells), *pours[2:]]) + "\n")
    assert cli.main(["run", str(copy.root)]) == 3
    assert table(copy, "mixes").filter(pl.col("mix_id") == "late").height >= 1
    assert contents(copy) != before
    told = capsys.readouterr().out
    assert "1 file" in told
    files = table(copy, "intake_files")
    assert files.filter(pl.col("state") == "refused")["file"].to_list() == ["inbox/noise.csv"]
    refused = pl.read_csv(copy.out / "refused" / "inbox__pours.csv.csv", infer_schema=False)
    row = refused.filter(pl.col("line") == "2")
    assert row.height == 1
    assert "weighed_g" in row["reasons"][0]
    extra.unlink()
    noise.unlink()
    export.write_bytes(whole)
    os.utime(export, ns=(time, time))
    number = copy.snapshot()
    assert commands.run(copy, again=True).new
    assert copy.snapshot() != number
    assert contents(copy) == before
    assert own(copy) == of_the_shop, "nothing of the shop's own is touched"
    assert sorted(os.listdir(copy.root)) == [".filmledger", "filmledger.toml", "inbox", "layouts", "out", "registers"]


def test_an_empty_workspace_runs_and_says_that_there_is_nothing_yet(tmp_path, capsys):
    assert cli.main(["init", str(tmp_path / "shop")]) == 0
    assert cli.main(["run", str(tmp_path / "shop")]) == 0
    told = capsys.readouterr().out
    assert "nothing to account for yet" in told
    assert (tmp_path / "shop" / "out" / "site" / "index.html").is_file()
    assert cli.main(["check", str(tmp_path / "shop")]) == 0


def test_check_publishes_nothing_and_finds_what_a_run_would(copy, capsys):
    (copy.inbox / "noise.csv").write_bytes(b"\x00\x01\x02binary")
    number = copy.snapshot()
    assert cli.main(["check", str(copy.root)]) == 3
    told = capsys.readouterr().out
    assert "inbox/noise.csv: refused" in told
    assert "inbox/pours.csv: pours" in told
    assert copy.snapshot() == number
    assert not copy.building.exists()


def test_a_file_that_changes_while_being_read_stops_the_run_before_anything_is_replaced(copy, monkeypatch):
    before = contents(copy)
    (copy.inbox / "pours.csv").write_text((copy.inbox / "pours.csv").read_text() + "\n")
    true_take_in = taking_in.take_in

    def meanwhile(current, settings):
        taken = true_take_in(current, settings)
        (copy.inbox / "jobs.csv").write_text((copy.inbox / "jobs.csv").read_text() + "\n")
        return taken

    monkeypatch.setattr(taking_in, "take_in", meanwhile)
    with pytest.raises(WorkspaceError, match=r"inbox/jobs.csv changed while being read"):
        commands.run(copy)
    assert contents(copy) == before
