"""Exports are data: nothing in them is executed, followed out of the inbox or written outside out/."""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl
import pytest

from pipelines import cli, workspace
from pipelines.workspace import Workspace
from tests.pipeline.intake_bench import OPERATIONS, POURS, REGISTERS
from tests.workspaces import filled, table

NASTY = [
    "../../../tmp/evil", "/etc/passwd", "..\\..\\evil", "C:\\evil", "con", "a/b", ".", "..",
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7*7 }}", "{% include 'x' %}", "</td></tr>",
    "'; drop table pours; --", "x' or '1'='1", "$name", "%s", "${HOME}", "`id`", "$(id)", "=cmd|'/C calc'!A1", "@SUM(1)", "+1+1",
    "-2+3", "\u202eabc", "a\u200bb", "\ud7ff", "NULL", "None", "nan", "true",
]  # fmt: skip


@pytest.fixture(scope="module")
def nasty(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, Path, set[str]]:
    """A workspace full of hostile texts that was run once; the folder around it, and what stood there before."""
    around = tmp_path_factory.mktemp("around")
    space = filled(around / "shop", REGISTERS)
    quoted = ['"' + text.replace('"', '""') + '"' for text in NASTY]
    people = "technician_id,shop_id,label\nada,north,Ada\n" + "".join(f"{q},north,{q}\n" for q in quoted)
    workspace.fill(space, "registers/technicians.csv", people.encode())
    pours = "".join(f"north,{q},1,2025-03-03 08:00,clear_a,binder,10\n" for q in quoted)
    pours += "".join(f"north,ok,1,2025-03-03 08:00,{q},binder,10\n" for q in quoted)
    workspace.fill(space, "inbox/pours.csv", (POURS + "\n" + pours).encode())
    steps = "".join(f"north,{q},1,spray,2025-03-03 09:00,,{q},gun_1,clear_a\n" for q in quoted)
    workspace.fill(space, "inbox/operations.csv", (OPERATIONS + "\n" + steps).encode())
    workspace.fill(space, "inbox/=cmd()<b>.csv", (POURS + "\nnorth,z,x,,,,\n").encode())
    outside = around / "secret.csv"
    outside.write_text(POURS + "\nnorth,secret,1,2025-03-03 08:00,clear_a,binder,10\n")
    (space.inbox / "link.csv").symlink_to(outside)
    (space.inbox / "folder").symlink_to(around)
    (space.inbox / "loop").symlink_to(space.inbox)
    (space.inbox / "gone.csv").symlink_to(around / "nothing")
    os.mkfifo(space.inbox / "pipe.csv")
    before = {
        str(p) for p in around.rglob("*") if not p.is_relative_to(space.state) and not p.is_relative_to(space.out)
    }
    assert cli.main(["run", str(space.root)]) == 3
    return space, around, before


def test_links_out_of_the_inbox_and_what_is_no_file_are_refused_by_name(
    nasty: tuple[Workspace, Path, set[str]],
) -> None:
    space, _, _ = nasty
    files = table(space, "intake_files").filter(state="refused")
    told = dict(files.select("file", "message").iter_rows())
    assert "leads out of the workspace" in told["inbox/link.csv"]
    for name in ("inbox/folder", "inbox/loop", "inbox/gone.csv", "inbox/pipe.csv"):
        assert told[name], name
    mixes = table(space, "mixes")
    assert "secret" not in mixes["mix_id"].to_list()


def test_nothing_is_written_outside_out_and_the_programs_own_folder(nasty: tuple[Workspace, Path, set[str]]) -> None:
    space, around, before = nasty
    after = {str(p) for p in around.rglob("*") if not p.is_relative_to(space.state) and not p.is_relative_to(space.out)}
    assert after == before
    top = space.snapshot()
    assert top is not None
    assert all(p.resolve().is_relative_to(top) for p in top.rglob("*"))


def test_hostile_ids_are_kept_as_they_are_in_the_tables(nasty: tuple[Workspace, Path, set[str]]) -> None:
    space, _, _ = nasty
    mixes = table(space, "mixes")["mix_id"].to_list()
    assert {t.strip() for t in NASTY} - set(mixes) == set()


def test_pages_hold_no_text_of_an_export_as_markup_and_carry_a_policy(nasty: tuple[Workspace, Path, set[str]]) -> None:
    space, _, _ = nasty
    pages = sorted((space.out / "site").rglob("*.html"))
    assert pages
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert "Content-Security-Policy" in text, page
        for hostile in ("<script>alert(1)", "<img src=x", "</td></tr></td></tr>", "<b>.csv"):
            assert hostile not in text, (page, hostile)
        assert "id: &#39;49&#39;" not in text, "a template in a label was run"


def test_hand_outs_hold_no_cell_that_a_spreadsheet_would_run(nasty: tuple[Workspace, Path, set[str]]) -> None:
    space, _, _ = nasty
    sheets = [*(space.out / "csv").glob("*.csv"), *(space.out / "refused").glob("*.csv")]
    assert sheets
    for path in sheets:
        for row in pl.read_csv(path, infer_schema=False).iter_rows():
            for cell in row:
                if cell and cell[0] in "=+-@\t\r":
                    float(cell)  # a number alone is harmless; anything else fails here


def test_the_file_of_refused_rows_has_a_plain_name(nasty: tuple[Workspace, Path, set[str]]) -> None:
    space, _, _ = nasty
    names = [p.name for p in (space.out / "refused").iterdir()]
    assert all(set("/\\<>=:|?*\"'") & set(name) == set() for name in names), names
