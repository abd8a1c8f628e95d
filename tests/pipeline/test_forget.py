"""`filmledger forget`: a person's id and name planted wherever a shop may write them, then looked for in every byte of the workspace.

One small drawn shop for the module. The command is stopped in the middle and finished by the next run, so that both are tried at once;
what a whole command says is tried on the second call, which finds the person forgotten.
"""

from __future__ import annotations

import gzip
import json
import re
import shutil
import sqlite3
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines import cli, commands, forgetting, settings, workbench, workspace
from pipelines import run as runs
from pipelines.workspace import Workspace, WorkspaceError, pseudonyms, traces
from schemas import validate
from schemas.published import PUBLISHED
from seed_data import scenario

ID, LABEL = "anna7hub", "Annamaria Hubertus"
PLANTED = re.compile(rb"anna7hub|annamaria|hubertus", re.IGNORECASE)
LAYOUT = """\
# how Annamaria writes it down
[file]
match_name = "hubertus_*.csv"
delimiter = ";"
[[tables]]
table = "operations"
[tables.columns]
shop_id = "Halle"
job_id = "Nr"
operation_no = "Gang"
kind = { column = "Art", values = { "Hand" = "polish" } }
started_at = { column = "Beginn", format = "%Y-%m-%d %H:%M" }
technician_id = { column = "Wer", values = { "Annamaria" = "anna7hub", "A. Hubertus" = "anna7hub" } }
"""


def said(path: Path) -> bytes:
    """All that a file says, unpacked."""
    content = path.read_bytes()
    if path.suffix == ".parquet":
        frame = pl.read_parquet(path, hive_partitioning=False)
        flat = frame.with_columns(pl.col(pl.List(pl.String)).list.join(" "))
        content += str(pl.read_parquet_metadata(path)).encode() + flat.write_csv().encode()
    elif path.suffix == ".duckdb":
        with duckdb.connect(str(path), read_only=True) as base:
            names = [row[0] for row in base.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
            content += "\n".join(str(base.execute(f'SELECT * FROM "{name}"').fetchall()) for name in names).encode()
    elif content.startswith(b"PK"):
        with zipfile.ZipFile(path) as parts:
            content += b"\n".join(name.encode() + parts.read(name) for name in parts.namelist())
    elif content.startswith(b"\x1f\x8b"):
        content += gzip.decompress(content)
    return content


def hits(root: Path, *left_out: Path) -> dict[str, set[bytes]]:
    """Below a folder: file -> what of the person stands in it or in its name."""
    found = {}
    for path in sorted(root.rglob("*")):
        if path.is_file() and not path.is_symlink() and not any(path.is_relative_to(one) for one in left_out):
            relative = str(path.relative_to(root))
            if names := {one.lower() for one in PLANTED.findall(relative.encode() + b"\n" + said(path))}:
                found[relative] = names
    return found


def planted(root: Path) -> Workspace:
    """A drawn shop in which the hand with most work is called ID and LABEL, and so is much else."""
    space, _ = workspace.init(root, settings.template() + "\n# asked by Annamaria Hubertus\n")
    drawn = scenario.build(shops=1, months=3, cups=60)
    worked = drawn.canonical["operations"]["technician_id"].drop_nulls().value_counts(sort=True)
    busy, job = worked["technician_id"][0], drawn.canonical["jobs"]["job_id"][0]
    for tables in (drawn.canonical, drawn.registers):
        for name, frame in tables.items():
            if "technician_id" in frame.columns:
                frame = frame.with_columns(pl.col("technician_id").replace({busy: ID}))
            if "job_id" in frame.columns:
                frame = frame.with_columns(pl.col("job_id").replace({job: "j-hubertus1"}))
            tables[name] = frame
    people = drawn.registers["technicians"]
    mine = pl.col("technician_id") == ID
    drawn.registers["technicians"] = people.with_columns(
        pl.when(mine).then(pl.lit(LABEL)).otherwise("label").alias("label")
    )
    scenario.write_canonical(space.root, drawn)
    (space.inbox / "operations.csv").rename(space.inbox / "operations_annamaria.csv")
    shop = drawn.canonical["jobs"]["shop_id"][0]
    (space.inbox / "hubertus_1.csv").write_text(
        f"Halle;Nr;Gang;Art;Beginn;Wer\n{shop};j-hubertus1;90;Hand;2025-03-03 08:00;Annamaria\n"
        f"{shop};j-hubertus1;91;Hand;2025-03-03 09:00;A. Hubertus\n"
    )
    (space.inbox / "operations_late.csv").write_text(
        f"shop_id,job_id,operation_no,kind,started_at,technician_id\n{shop},j1,x,sand,Annamaria said Monday,{ID}\n"
    )
    (space.inbox / "deviations.csv").write_text(
        f"shop_id,deviation_no,from_on,to_on,rule,nature,action\n{shop},d1,2025-02-03,,masks,{LABEL} had none,told Hubertus\n"
    )
    (space.layouts / "hubertus.toml").write_text(LAYOUT)
    return space


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    space = planted(tmp_path_factory.mktemp("forget") / "shop")
    root, log = str(space.root), space.root / "run.log"
    codes = [cli.main(["run", root, "-q", "--log", str(log), "--for", "painter", "--who", ID])]
    codes.append(cli.main(["handout", root, "--rolling", "--people", "names", "-q"]))
    with open(log, "a") as handle:
        handle.write(f"2025-04-01 08:00:00,000 INFO the file of {LABEL}\n")
    (space.state / "filmledger-fault.txt").write_text(f"where {ID} = 3\n")
    workspace.prepare_dagster(space)
    (space.dagster_home / "history").mkdir()
    with sqlite3.connect(space.dagster_home / "history" / "runs.db") as base:
        base.execute("CREATE TABLE event_logs (id INTEGER PRIMARY KEY, event TEXT)")
        base.executemany(
            "INSERT INTO event_logs (event) VALUES (?)", [(json.dumps({"of": [ID, LABEL, n]}),) for n in range(300)]
        )
        base.execute("DELETE FROM event_logs WHERE id > 280")  # what was deleted stands in its pages still
    (space.root / "note.txt").write_text("ask Annamaria\n")
    before = hits(space.root, space.inbox, space.registers)
    files = {
        path: path.read_bytes() for top in (space.inbox, space.registers) for path in top.rglob("*") if path.is_file()
    }
    tables = {name: pl.read_parquet(space.out / "tables" / f"{name}.parquet") for name in PUBLISHED}
    first = space.snapshot()

    def stopped(*_: Any) -> None:
        raise KeyboardInterrupt

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(commands, "_materialize", stopped)
        codes.append(cli.main(["forget", LABEL, root]))
    half = {
        "in force": space.snapshot() == first,
        "begun": bool(workspace.begun(space)),
        "whole": workspace.set_in_force(space)[1],
        "aside": list(space.state.glob("not_ours*")),
    }
    codes.append(cli.main(["run", root, "-q", "--log", str(log)]))
    return {"space": space, "codes": codes, "before": before, "files": files, "tables": tables, "half": half}


def test_a_command_that_is_stopped_leaves_the_set_in_force_and_the_next_run_finishes_it(shop: dict[str, Any]) -> None:
    assert shop["codes"] == [3, 3, 130, 3]
    assert shop["half"] == {"in force": True, "begun": True, "whole": None, "aside": []}
    assert workspace.begun(shop["space"]) == [] and not (shop["space"].state / workspace.JOURNAL).exists()


def test_no_byte_below_the_workspace_holds_the_person_but_the_files_of_the_shop(shop: dict[str, Any]) -> None:
    space = shop["space"]
    kinds = {Path(one).suffix for one in shop["before"]}
    assert {".parquet", ".duckdb", ".xlsx", ".html", ".csv", ".json", ".js", ".db", ".log", ".txt", ".toml"} <= kinds, (
        "planted where it counts"
    )
    assert hits(space.root, space.inbox, space.registers) == {"note.txt": {b"annamaria"}}, (
        "a note of somebody else's is told, not touched"
    )
    for path, content in shop["files"].items():
        assert path.read_bytes() == content, "the shop's own files are not touched"
    assert not PLANTED.search((space.root / pseudonyms.LIST).read_bytes())
    assert (space.root / pseudonyms.LIST).stat().st_mode & 0o077 == 0


def test_no_figure_has_moved(shop: dict[str, Any]) -> None:
    space = shop["space"]
    held = workspace.forgotten(space)
    held.meet([ID, LABEL, "Annamaria", "Hubertus"])
    for name, old in shop["tables"].items():
        new = pl.read_parquet(space.out / "tables" / f"{name}.parquet")
        by = [one for one in validate.keys(name)] or old.columns
        floats = [info.name for info in validate.columns(name) if info.kind == "float"]
        exact = [one for one in old.columns if one not in floats]
        # only the register's label is a person's; a published one is a rule's
        named = held.frame(old.rename({"label": "of_a_rule"}, strict=False)).rename(
            {"of_a_rule": "label"}, strict=False
        )
        left, right = named.sort(by, maintain_order=True), new.sort(by, maintain_order=True)
        assert left.select(exact).equals(right.select(exact)), (name, left.select(exact), right.select(exact))
        for one in floats:
            a, b = left[one], right[one]
            assert (a.is_null() == b.is_null()).all(), (name, one)
            gap = (
                ((a - b).abs() / pl.DataFrame({"a": a.abs(), "b": b.abs()}).max_horizontal().clip(1e-300))
                .fill_nan(0.0)
                .max()
            )
            assert gap is None or gap <= 1e-9, (name, one, gap)


def test_the_person_is_one_pseudonym_wherever_people_stand(shop: dict[str, Any]) -> None:
    space = shop["space"]
    (called,) = workspace.forgotten(space).ids.values()
    assert re.fullmatch(r"person-[0-9a-f]{10}", called)
    people = pl.read_parquet(space.out / "basis" / "technicians.parquet")
    assert people.filter(pl.col("technician_id") == called)["label"].to_list() == [called]
    effects = pl.read_parquet(space.out / "tables" / "technician_effects.parquet")
    assert called in effects["technician_id"] and called in (space.out / "site" / "hands.html").read_text("utf-8")
    operations = pl.read_parquet(space.out / "tables" / "spray_time.parquet")
    assert operations["technician_id"].n_unique() == shop["tables"]["spray_time"]["technician_id"].n_unique()
    layout = (next(space.layouts.glob("*.toml"))).read_text()
    assert layout.count(called) >= 4 and "technician_id" in layout, "and the layout reads its export as before"
    site = [one.name for one in space.handouts.iterdir() if not one.name.startswith(".")]
    assert not any("painter" in one for one in site), "a site of that person's own is gone"
    (record,) = [one for one in site if not one.startswith("site")]
    assert workspace.is_whole(space, record) and hits_of(space.handouts / record, called), (
        "its annex says the pseudonym"
    )
    with sqlite3.connect(space.dagster_home / "history" / "runs.db") as base:
        rows = base.execute("SELECT event FROM event_logs").fetchall()
    assert len(rows) == 280 and all(called in row[0] for row in rows)


def hits_of(folder: Path, word: str) -> list[str]:
    return [path.name for path in folder.rglob("*") if path.is_file() and word.encode() in said(path)]


def test_twice_is_said_and_so_is_where_the_files_of_the_shop_hold_the_person(
    shop: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    space = shop["space"]
    (called,) = workspace.forgotten(space).ids.values()
    capsys.readouterr()
    assert cli.main(["forget", ID, str(space.root)]) == 0
    out = capsys.readouterr().out
    assert f"was forgotten before and is called {called}" in out and "Nothing new" not in out.split("was forgotten")[1]
    assert "inbox/hubertus_1.csv: its name, line 2, line 3" in out
    assert (
        re.search(r"registers/technicians.csv: line \d+", out)
        and "inbox/operations_annamaria.csv: its name, line " in out
    )
    assert forgetting.WHAT_TO_DO in out
    assert cli.main(["forget", LABEL, str(space.root), "--json"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert lines[-1] == {"event": "finished", "called": called, "before": True}
    assert {one["file"] for one in lines if one["event"] == "place"} >= {
        "inbox/deviations.csv",
        "inbox/operations_late.csv",
    }


def test_somebody_unknown_is_a_clear_error(shop: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert cli.main(["forget", "nobody at all", str(shop["space"].root)]) == 1
    assert "Nobody is known here as 'nobody at all'" in capsys.readouterr().err


def test_who_has_had_no_record_for_long_is_found_by_the_records(shop: dict[str, Any]) -> None:
    """The figures of the setting reckoned from the exports themselves."""
    space = shop["space"]
    people = pl.read_csv(space.registers / "technicians.csv", infer_schema=False)
    parts = [
        pl.read_csv(space.inbox / "operations_annamaria.csv", infer_schema=False).select(
            "technician_id", on="started_at"
        )
    ]
    parts.append(pl.read_csv(space.inbox / "pours.csv", infer_schema=False).select("technician_id", on="poured_at"))
    parts.append(
        pl.read_csv(space.registers / "trainings.csv", infer_schema=False).select("technician_id", on="completed_on")
    )
    parts += [people.select("technician_id", on=on) for on in ("hired_on", "left_on")]
    rows = pl.concat(parts).drop_nulls().select("technician_id", pl.col("on").str.slice(0, 10).str.to_date())
    latest = pl.concat(parts[:3]).drop_nulls()["on"].str.slice(0, 10).max()
    last = rows.group_by("technician_id").agg(pl.col("on").max())
    for months in (0, 1, 2, 1200):
        settled = settings.parse(f"[pages]\nkeep_people_for = {months}\n".encode())
        bench = workbench.opened(space.state / "tables", 1.0, 1, print)
        try:
            current = runs.Run(space, settled, [], {}, "", runs.Silent(), _bench=bench)
            found = [one for one, _ in forgetting.aged(current)]
        finally:
            bench.close()
        old = last.filter(pl.col("on").dt.offset_by(f"{months}mo") <= pl.lit(latest).str.to_date())["technician_id"]
        assert found == (sorted(set(old) - {ID}) if months else []), months


def test_pseudonyms_as_a_setting_keep_everybody_apart_and_name_nobody(shop: dict[str, Any]) -> None:
    space = shop["space"]
    before = space.settings_file.read_text()
    people = pl.read_csv(space.registers / "technicians.csv", infer_schema=False)
    effects = pl.read_parquet(space.out / "tables" / "technician_effects.parquet")
    try:
        space.settings_file.write_text(re.sub(r'# people = "id"', 'people = "pseudonyms"', before))
        assert cli.main(["run", str(space.root), "-q"]) == 3
        now = pl.read_parquet(space.out / "tables" / "technician_effects.parquet")
        assert (
            now["technician_id"].str.contains(r"^person-[0-9a-f]{10}$").all()
            and now["technician_id"].is_unique().sum() > 0
        )
        assert sorted(now["effect"].drop_nulls()) == sorted(effects["effect"].drop_nulls())
        ids = [one for one in people["technician_id"] if one != ID]
        named = re.compile("|".join(rf"(?<![\w-]){re.escape(one)}(?![\w-])" for one in ids).encode())
        for path in sorted(space.out.resolve().rglob("*")):
            if path.is_file() and path.name != "plotly.min.js":
                assert not named.search(said(path)), path
    finally:
        space.settings_file.write_text(before)


# --- names in texts, without a workspace --------------------------------------------------------------------------------


@pytest.fixture
def held() -> pseudonyms.Forgotten:
    one = pseudonyms.Forgotten("ab" * 32)
    one.add(ID, [ID, LABEL, "Annamaria", "Hubertus"])
    return one


@pytest.mark.parametrize(
    "text",
    [ID, LABEL, "by Annamaria", "HUBERTUS", "j-hubertus1", f"({ID})", f"inbox/{ID}/a.csv", "of Annamaria.Hubertus."],
)
def test_a_name_goes_out_of_a_text(held: pseudonyms.Forgotten, text: str) -> None:
    assert not PLANTED.search(held.text(text).encode())


@pytest.mark.parametrize("text", ["", "anna", "hub", "Hubert", "T7", "maria and tus", "person-0123456789"])
def test_another_text_stays_as_it_is(held: pseudonyms.Forgotten, text: str) -> None:
    assert held.text(text) == text


def test_what_differed_differs_still_whatever_was_looked_at_before(held: pseudonyms.Forgotten) -> None:
    texts = [
        ID,
        LABEL,
        "Annamaria",
        "annamaria",
        "Hubertus",
        "HUBERTUS",
        "Annamaria Hubertus",
        "A. Hubertus",
        "hubertus",
    ]
    assert len({held.text(one) for one in texts}) == len(set(texts))
    other = pseudonyms.Forgotten(**held.as_json())
    assert [other.text(one) for one in reversed(texts)] == [held.text(one) for one in reversed(texts)]
    assert [held.text(held.text(one)) for one in texts] == [held.text(one) for one in texts], "a pseudonym stays one"


def test_who_is_old_is_forgotten_by_the_run_that_finds_it_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The order of it; who is old is tried above, and forgetting itself too."""
    space, _ = workspace.init(tmp_path / "shop", "")
    space.snapshots.mkdir(parents=True)
    made: list[tuple[bool, bool]] = []
    told: list[str] = []

    def anew(_: Workspace, again: bool, *__: Any) -> tuple[commands.Outcome, list[tuple[str, list[str]]]]:
        made.append((again, bool(workspace.begun(space))))
        return commands.Outcome(True, {}), [("t1", ["t1", "Ada Nord"]), ("t2", ["t2"])] if len(made) == 1 else []

    monkeypatch.setattr(commands, "_anew", anew)
    teller = runs.Silent()
    monkeypatch.setattr(teller, "remark", told.append)
    assert commands.run(space, teller=teller).new
    assert made == [(False, False), (True, True)] and workspace.begun(space) == []
    held = workspace.forgotten(space)
    assert held.called("t1") and held.called("t2") and not held.called("t3") and "Nord" not in held.text("Ada Nord")
    assert len(told) == 1 and told[0].startswith("2 people have had no record") and "t1" not in told[0]


def test_a_list_that_is_damaged_or_newer_stops_a_run(tmp_path: Path) -> None:
    space, _ = workspace.init(tmp_path / "shop", "")
    held = workspace.forgotten(space)
    held.add("t1", ["t1"])
    workspace.keep_forgotten(space, held)
    full = space.root / pseudonyms.LIST
    whole = full.read_bytes()
    assert workspace.forgotten(space).ids == held.ids
    full.write_bytes(whole.replace(b"person-", b"persom-"))
    with pytest.raises(WorkspaceError, match="Put it back from a backup"):
        workspace.forgotten(space)
    full.write_bytes(whole.replace(b'"form": 2', b'"form": 3'))
    with pytest.raises(WorkspaceError):
        workspace.forgotten(space)


def test_files_of_every_kind_are_written_anew(tmp_path: Path) -> None:
    def change(text: str) -> str:
        return text.replace("Hubertus", "P")

    book, packed, plain = tmp_path / "a.xlsx", tmp_path / "a.csv.gz", tmp_path / "ü.txt"
    pl.DataFrame({"who": ["Hubertus", "x"]}).write_excel(book)
    packed.write_bytes(gzip.compress(b"who\nHubertus\n"))
    plain.write_bytes("für Hubertus\r\n".encode("utf-16"))
    for one in (book, packed, plain):
        assert traces.rewritten(one, change) and not traces.rewritten(one, change)
        assert b"Hubertus" not in said(one)
    assert pl.read_excel(book)["who"].to_list() == ["P", "x"] and plain.read_bytes().decode("utf-16") == "für P\r\n"
    copy = tmp_path / "b.parquet"
    pl.DataFrame({"who": ["Hubertus"]}).write_parquet(copy)
    with pytest.raises(traces.NotText):
        traces.rewritten(copy, change)
    assert [at for at, text in traces.spoken(copy) if "Hubertus" in text] == ["row 1"]
    shutil.rmtree(tmp_path)
