"""What `run` and `check` say at the end is true where little is known: no film, no areas, no leftovers, all refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines import cli, workspace

FACTS = "density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,water_mass_fraction,exempt_mass_fraction"
POURS = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g,job_id\n"
FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\ns,us\n",
    "registers/technicians.csv": "technician_id,shop_id\nt,s\n",
    "registers/guns.csv": "gun_id,shop_id,atomising,feed,flush_loss_g\ng,s,hvlp,gravity,5\n",
    "registers/products.csv": "product_id,role\ntop,clear\n",
    "registers/components.csv": f"component_id,{FACTS}\nvarnish,1.0,0.5,0.4,0.5,0,0\n",
    "inbox/pours.csv": POURS + "".join(f"s,m{n},1,2026-03-0{n} 08:00,top,varnish,200,j{n}\n" for n in range(1, 7)),
    "inbox/leftovers.csv": "shop_id,mix_id,weigh_no,weighed_at,leftover_g,fate\n"
    + "".join(f"s,m{n},1,2026-03-0{n} 18:00,20,discarded\n" for n in range(1, 7)),
    "inbox/operations.csv": "shop_id,job_id,operation_no,kind,started_at,ended_at,technician_id,gun_id,product_id\n"
    + "".join(f"s,j{n},1,spray,2026-03-0{n} 09:00,2026-03-0{n} 10:00,t,g,top\n" for n in range(1, 7)),
    "inbox/operation_panels.csv": "shop_id,job_id,operation_no,panel_id,area_m2,substrate\n"
    + "".join(f"s,j{n},1,hood,1.5,steel\n" for n in range(1, 7)),
    "inbox/readings.csv": "shop_id,job_id,panel_id,after_operation,reading_no,reading_um\n"
    + "".join(
        f"s,j{n},hood,{after},{no},{100 + 25 * after + no}\n"
        for n in range(1, 7)
        for after in (0, 1)
        for no in range(1, 7)
    ),
}


def run(folder: Path, capsys: pytest.CaptureFixture[str], command: str = "run", **changed: str | None) -> str:
    """What the command prints of a workspace of FILES; None takes a file away."""
    space, _ = workspace.init(folder, "")
    for name, text in (FILES | {f"inbox/{name}.csv": text for name, text in changed.items()}).items():
        if text is not None:
            workspace.fill(space, name, text.encode())
    cli.main([command, str(folder)])
    return capsys.readouterr().out


def test_with_everything_there_film_and_transfer_are_told(tmp_path, capsys) -> None:
    said = run(tmp_path, capsys)
    assert "became useful film" in said and "Transfer efficiency of what was sprayed and could be followed" in said


def test_without_film_nothing_is_said_to_have_become_none(tmp_path, capsys) -> None:
    said = run(tmp_path, capsys, readings=None)
    assert "useful film" not in said
    assert (
        "10 were left in the cups, 2 were flushed out; the way of 88 is not known" in said
    )  # 20 g, 5 g, 175 g of 200 g
    assert "No transfer efficiency yet: that takes film readings before and after spraying." in said


def test_without_areas_it_is_the_areas_that_lack(tmp_path, capsys) -> None:
    panels = "shop_id,job_id,operation_no,panel_id,substrate\n" + "".join(f"s,j{n},1,hood,steel\n" for n in range(1, 7))
    said = run(tmp_path, capsys, operation_panels=panels)
    assert "useful film" not in said and "that takes film readings" not in said
    assert (
        "No transfer efficiency yet. Of 6 records none can be used, most often: area of the panel is not known" in said
    )


def test_without_leftovers_what_was_left_is_not_told_as_none(tmp_path, capsys) -> None:
    said = run(tmp_path, capsys, leftovers=None)
    assert "0 were left" not in said
    assert ("the way of 100 is not known" in said) or ("became useful film" in said)


def test_where_all_was_refused_there_is_nothing_to_account_for(tmp_path, capsys) -> None:
    said = run(tmp_path, capsys, pours=POURS + "s,m1,1,never,top,varnish,lots,j1\n", leftovers=None)
    assert "No cup with known solids was found" in said and "of 100 g" not in said
    assert "became" not in said and "All " not in said


def test_a_check_gives_no_share_of_rows_nobody_could_read(tmp_path, capsys) -> None:
    nothing = dict.fromkeys(("leftovers", "operations", "operation_panels", "readings"))
    said = run(tmp_path, capsys, "check", pours="what,is,this\n1,2,3\n", **nothing)
    assert "% are good" not in said
    assert "1 file was refused as a whole: no share can be given of rows that could not be read." in said
