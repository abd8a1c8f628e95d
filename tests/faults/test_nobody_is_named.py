"""Names planted wherever a shop writes text: none of them stands in what promises to name nobody.

A small drawn shop; for each column of text of its own one person of the register, whose id or a part of whose name stands in ids,
labels, free text, names of files, sheets and layouts, so that a hit says what leaked.
"""

from __future__ import annotations

import io
import os
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines import cli, settings, workspace
from pipelines.workspace import Workspace
from reports.veil import Veil
from schemas import validate
from schemas.events import EVENTS
from schemas.registers import REGISTERS
from seed_data import scenario

OWN = {
    "technician_id",
    "jurisdiction",
    "time_zone",
    "measure",
    "cas",
    "category",
}  # ids of people, words that are the law's
WRITTEN_BY_US = ("closed_figures", "closed_files")
COLUMNS = sorted(
    {
        info.name
        for name in (*EVENTS, *REGISTERS)
        if name not in WRITTEN_BY_US
        for info in validate.columns(name)
        if info.kind == "text" and not info.values and info.name not in OWN
    }
)
PLACES = ["sheet", "csv file", "layout", "folder", "header", "refused row"]
NUMBER = {place: n for n, place in enumerate([*COLUMNS, *PLACES], start=10)}
SAME = {"from_mix_id": "mix_id", "witness_of": "panel_id"}
PLANTED = re.compile(rb"tz\d\dk|zq\d\dgiven|vx\d\dburn|unlisted\d\d", re.IGNORECASE)


def person(place: str) -> tuple[str, str, str]:
    """id, given name, family name of the one whose name stands at a place."""
    n = NUMBER[SAME.get(place, place)]
    return f"Tz{n}k", f"Zq{n}given", f"Vx{n}burn"


def planted(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """A third of each column's texts with a person's id, family name or whole name in it; the same text becomes the same."""
    for info in validate.columns(name):
        if (
            info.values
            or info.name not in COLUMNS
            or info.name not in frame.columns
            or frame[info.name].null_count() == frame.height
        ):
            continue
        id_, given, family = person(info.name)
        ways = [f"{{}}-{id_}", f"{family}_{{}}", f"{{}} {given} {family}"]
        texts = sorted(frame[info.name].drop_nulls().unique())
        changed = {text: ways[sum(text.encode()) % 3].format(text) for text in texts}
        frame = frame.with_columns(pl.col(info.name).replace(changed))
    return frame


def told(path: Path) -> bytes:
    """All that a file says, unpacked."""
    content = path.read_bytes()
    if path.suffix == ".parquet":
        frame = pl.read_parquet(io.BytesIO(content))
        content += frame.with_columns(pl.col(pl.List(pl.String)).list.join(" ")).write_csv().encode()
    if path.suffix == ".duckdb":
        with duckdb.connect(str(path), read_only=True) as connection:
            names = [row[0] for row in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
            rows = [str(connection.execute(f'SELECT * FROM "{name}"').fetchall()) for name in names]
        content += "\n".join(rows).encode()
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as parts:
            content = b"\n".join(parts.read(part) for part in parts.namelist())
    return content


def hits(folder: Path) -> dict[str, set[str]]:
    """file -> names that stand in it or in its own name."""
    found: dict[str, set[str]] = {}
    files = [path for path in folder.resolve().rglob("*") if path.is_file()]
    assert files, folder
    for path in files:
        relative = str(path.relative_to(folder.resolve()))
        names = {hit.decode().lower() for hit in PLANTED.findall(relative.encode() + b"\n" + told(path))}
        if names:
            found[relative] = names
    return found


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    space, _ = workspace.init(tmp_path_factory.mktemp("names") / "shop", settings.template(private=True))
    drawn = scenario.build(shops=1, months=3, cups=60)
    people = drawn.registers["technicians"]
    names = [dict(zip(("technician_id", "given", "family"), person(place), strict=True)) for place in NUMBER]
    more = pl.DataFrame(names).select(
        "technician_id",
        shop_id=pl.lit(people["shop_id"][0]),
        label=pl.format("{} {}", "given", "family"),
        hired_on=pl.lit(people["hired_on"][0]),
        left_on=pl.lit(None, pl.Date),
    )
    drawn.registers["technicians"] = pl.concat([people, more], how="vertical_relaxed")
    for tables in (drawn.canonical, drawn.registers):
        for name in tables:
            tables[name] = planted(name, tables[name])
    scenario.write_canonical(space.root, drawn)
    first = drawn.canonical["jobs"]["shop_id"][0]
    (space.inbox / f"operations_{person('csv file')[2]}.csv").write_text(
        "shop_id,job_id,operation_no,kind,started_at,technician_id\n"
        f"{first},j9,1,sand,2025-03-03 08:00,unlisted01\n{first},{person('refused row')[0]},x,sand,{person('refused row')[2]},\n"
    )
    folder = space.inbox / f"of {person('folder')[1]}"
    folder.mkdir()
    (folder / "strange.csv").write_text(f"what;{person('header')[2]};unlisted02\n1;2;3\n")
    (folder / "deviations.csv").write_text(
        "of unlisted03\nshop_id,deviation_no,from_on,to_on,rule,nature,action,unlisted04\n"
        f"{first},d1-{person('deviation_no')[0]},2025-02-03,,masks {person('rule')[2]},"
        f"{person('nature')[1]} {person('nature')[2]} had none,told {person('action')[0]},x\n"
    )
    book = io.BytesIO()
    pl.DataFrame({"Halle": [f"{first}"], "Nr": ["q1"], "Tag": ["2025-03-03"]}).write_excel(
        book, worksheet=f"of {person('sheet')[2]}"
    )
    (space.inbox / "list.xlsx").write_bytes(book.getvalue())
    (space.layouts / f"{person('layout')[2]}.toml").write_text(
        '[file]\nmatch_name = "list.xlsx"\n[[tables]]\ntable = "jobs"\n[tables.columns]\nshop_id = "Halle"\njob_id = "Nr"\n'
        'opened_on = { column = "Tag", format = "%Y-%m-%d" }\n'
    )
    return space


@pytest.fixture
def usual_umask() -> Iterator[None]:
    before = os.umask(0o022)
    yield
    os.umask(before)


def test_names_stand_where_they_may_and_a_private_workspace_is_read_by_its_user_alone(
    shop: Workspace, usual_umask: None, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["run", str(shop.root)]) in (0, 3), capsys.readouterr().err
    named = {name for names in hits(shop.out).values() for name in names}
    wanted = {
        n for place, n in NUMBER.items() if place in ("mix_id", "job_id", "gun_id", "csv file", "layout", "folder")
    }
    assert wanted <= {int(re.sub(r"\D", "", name)) for name in named}, "planted where they are seen"
    capsys.readouterr()
    assert cli.main(["handout", str(shop.root), "--rolling"]) in (0, 3), capsys.readouterr().err
    for reader in ("owner", "environment", "painter"):
        assert cli.main(["run", str(shop.root), "--for", reader]) in (0, 3), capsys.readouterr().err
    assert hits(shop.handouts) == {}
    # who stands in no register cannot be known: what the shop wrote freely says so to its reader, in print and in the workbook
    mark = b"look for others before it leaves the shop"
    marked = {path.suffix for path in shop.handouts.rglob("*.*") if path.is_file() and mark in told(path)}
    assert {".html", ".xlsx"} <= marked, marked
    assert not PLANTED.search(capsys.readouterr().out.encode())
    made = [path for top in (shop.state, shop.handouts) for path in (top, *top.rglob("*")) if not path.is_symlink()]
    made.remove(shop.state / "lock")  # taken before the settings are read; it holds the number of a process
    assert {path.stat().st_mode & 0o077 for path in made} == {0}, [p for p in made if p.stat().st_mode & 0o077]


def test_hidden_people_stand_in_no_result_at_all(shop: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    text = shop.settings_file.read_text()
    hidden = re.sub(r'^(# *)?people = "id"', 'people = "hidden"', text, flags=re.MULTILINE)
    assert hidden != text
    shop.settings_file.write_text(hidden)
    capsys.readouterr()
    log = shop.root.parent / "logs" / "run.log"
    log.parent.mkdir()
    for words in ([], ["--verbose"], ["--json"]):
        assert cli.main(["run", str(shop.root), "--log", str(log), *words]) in (0, 3), log.read_text()
    for block in shop.intake_store.glob("*/*.parquet"):  # what is kept of every file is damaged, and is told
        block.write_bytes(b"")
    with open(next(shop.inbox.glob("operations_*burn.csv")), "a") as export:
        export.write("x,y\n")
    assert cli.main(["run", str(shop.root), "--log", str(log)]) in (0, 3), log.read_text()
    assert (
        "What was kept of a file of inbox/" in log.read_text() and log.read_text().count("finished with exit code") == 4
    )
    assert hits(shop.out) == {} and hits(log.parent) == {}
    said = capsys.readouterr()
    assert not PLANTED.search((said.out + said.err).encode()), said
    ledger = pl.read_parquet(shop.out / "tables" / "material_ledger.parquet")
    mixes = pl.read_parquet(shop.out / "tables" / "mixes.parquet")
    assert ledger["te"].count() > 20, "there is something to name in every part of it"
    assert mixes["mix_id"].str.starts_with("alias-").any() and mixes.height == mixes.unique("mix_id").height
    assert set(ledger["mix_id"].drop_nulls()) <= set(mixes["mix_id"]), "aliases are the same in every table"


PEOPLE = pl.DataFrame({"technician_id": ["T1", "T12", "ab", "7"], "label": ["Ada Nord", "Bo Süd", None, "Painter 7"]})
VEIL = Veil({"technicians": PEOPLE}, None)


@pytest.mark.parametrize(
    ("text", "reads"),
    [
        ("sprayed by T1", "sprayed by a hand"),
        ("technician T12, Ada Nord", "a hand, a hand"),
        ("technician 7 has 7 cups", "a hand has 7 cups"),
        ("T123 and CT1 are others", "T123 and CT1 are others"),
        ("about a painter", "about a painter"),
        ("Süd's gun", "a hand's gun"),
        ("northern lights", "northern lights"),
        ("the absolute least", "the absolute least"),
    ],
)
def test_names_in_sentences(text: str, reads: str) -> None:
    assert VEIL.words(text) == reads


def test_ids_become_aliases_that_stay() -> None:
    assert VEIL.id("cup-3") == "cup-3" and VEIL.id("T123") == "T123"
    one = VEIL.id("cup_nordic")
    assert one.startswith("alias-") and one == VEIL.id("cup_nordic") != VEIL.id("cup_Nordic")
    assert VEIL.words("cup_nordic is empty.") == f"{one} is empty."
    assert VEIL.path("inbox/T1/pours.csv") == f"inbox/{VEIL.alias('T1')}/pours.csv"


def test_one_person_may_be_named_to_that_person() -> None:
    own = Veil({"technicians": PEOPLE}, "T1")
    assert own.words("T1 and T12, Ada Nord") == "T1 and a hand, Ada Nord"
