"""What is said: the catalogue, the starter registers, what `check` advises."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl

from pipelines.intake import check_notes, register_templates
from pipelines.intake.messages import CATALOGUE, say
from pipelines.intake.reading.files import Source
from pipelines.intake.reading.read import read_file
from schemas.registers import REGISTERS
from tests.pipeline.intake_bench import OPERATIONS, POURS, take_in

HOME = Path(__file__).resolve().parents[3] / "pipelines" / "intake"


def test_every_message_stands_in_the_catalogue_and_is_used() -> None:
    code = "\n".join(p.read_text() for p in HOME.rglob("*.py") if p.name != "messages.py")
    said = set(re.findall(r"""\bsay\(\s*"(\w+)\"""", code))
    assert not said - set(CATALOGUE)
    by_kind = {"datetime", "date"}  # said by the kind of a column
    assert not [one for one in CATALOGUE if f'"{one}"' not in code and one not in by_kind]


def test_found_texts_are_made_printable_and_short_in_messages() -> None:
    told = say("number", column="x", found="a\nb\x07" + "z" * 5000, mark="point")
    assert "\n" not in told and "\x07" not in told and len(told) < 600


def test_every_register_has_a_starter_that_is_empty_until_its_example_is_uncommented() -> None:
    texts = register_templates.registers()
    assert set(texts) == {f"{name}.csv" for name in REGISTERS}
    for name, text in texts.items():
        empty = read_file(Source(f"registers/{name}", content=text.encode()), [])
        assert empty.state == "read" and empty.message is None, empty.message
        assert empty.tables[name[:-4]].rows_read == 0
        lines = text.split("\n")
        header = next(i for i, line in enumerate(lines) if line and not line.startswith("#"))
        used = [line.removeprefix("# ") if i > header else line for i, line in enumerate(lines)]
        full = read_file(Source(f"registers/{name}", content="\n".join(used).encode()), [])
        part = full.tables[name[:-4]]
        assert part.height >= 1 and part.refused.is_empty(), part.refused["reason"].to_list()
        assert full.message is None


def test_a_line_number_in_a_register_counts_its_comments_and_a_hash_in_a_text_is_kept() -> None:
    text = '# about\n#\ngun_id,shop_id,atomising,tip_mm\n# example\n#1,north,hvlp,1.3\n"g\n# 2",north,hvlp,x\n'
    found = read_file(Source("registers/guns.csv", content=text.encode()), [])
    part = found.tables["guns"]
    assert part.rows.collect()["gun_id"].to_list() == ["#1"] and part.rows.collect()["line"].to_list() == [5]
    assert part.refused["line"].to_list() == [6] and part.refused["gun_id"].to_list() == ["g\n# 2"]


def test_reasons_are_counted_by_kind_with_an_example_and_what_to_change() -> None:
    rows = [
        ("f.csv", i, "pours", f"component_id: 'x{i}' is not in registers/components.csv; did you mean 'x'?", "raw")
        for i in range(5)
    ]
    rows += [("f.csv", 9, "pours", "weighed_g: 'a' is not a number; write digits with a decimal point", "raw")]
    found = check_notes.kinds(pl.DataFrame(rows, schema=["file", "line", "table", "reason", "raw"], orient="row"))
    assert found["rows"].to_list() == [5, 1] and found["line"].to_list() == [0, 9]
    assert "register" in found["change"][0] and "plain digits" in found["change"][1]


def test_gaps_are_ranked_by_the_material_they_hide() -> None:
    taken = take_in(
        {
            "inbox/pours.csv": POURS
            + "\nnorth,a,1,2025-03-03 08:00,clear_a,binder,800\nnorth,a,2,2025-03-03 08:00,clear_a,mystery,100\n",
            "inbox/operations.csv": OPERATIONS + "\nnorth,j,1,spray,2025-03-03 09:00,,ada,gun_1,clear_a\n",
            "inbox/draws.csv": "shop_id,job_id,operation_no,mix_id\nnorth,j,1,a\n",
        }
    )
    found = check_notes.gaps(taken.tables)
    told = {(r, i): (g, h) for r, i, g, h in found.iter_rows()}
    assert told["components", "mystery"] == ("no density_g_per_ml, solids_mass_fraction, solids_volume_fraction", 100.0)
    assert told["products", "clear_a"][1] == 900.0
    assert told["guns", "gun_1"][1] == 900.0
    assert found["hidden_g"].to_list() == sorted(found["hidden_g"], reverse=True)


def test_components_that_do_not_add_up_are_named() -> None:
    header = "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,water_mass_fraction"
    taken = take_in(
        {"registers/components.csv": header + "\na,1.0,0.5,0.4,0.3,\nb,1.0,0.9,0.1,0.1,0\n"}, registers=False
    )
    told = " ".join(check_notes.gaps(taken.tables)["gap"])
    assert "sum to 0.8" in told and "dry film of 9.00 g/mL is not plausible" in told


def test_changes_that_records_tell_are_proposed_with_their_row_and_never_twice() -> None:
    files = {
        "registers/guns.csv": "gun_id,shop_id,atomising,valid_from,tip_mm\ngun_1,north,hvlp,,1.3\n"
        "gun_1,north,hvlp,2025-06-01,1.4\ngun_2,north,hvlp,,1.3\ngun_3,south,hvlp,,1.3\n",
        "registers/gun_services.csv": "gun_id,serviced_on,work\ngun_1,2025-04-01,cleaned\ngun_1,2025-05-01,rebuilt\n"
        "gun_2,2025-07-01,tip_changed\n",
        "inbox/operations.csv": OPERATIONS + "\nnorth,j,1,spray,2025-03-03 09:00,,ada,gun_1,clear_a\n"
        "north,k,1,spray,2025-04-02 09:00,,ada,gun_3,clear_a\nnorth,l,1,spray,2025-04-03 09:00,,ada,gun_2,clear_a\n"
        "north,m,1,spray,2025-04-04 09:00,,ada,gun_2,clear_a\n",
    }  # fmt: skip
    found = check_notes.changes(take_in(files).tables)
    assert found.rows() == [
        ("2025-07-01: gun gun_2 was tip changed", "gun_2_2025-07-01,2025-07-01,,tip,north,,gun_2,,,,,,,,,"),
        (
            "2025-06-01: gun gun_1 has a tip of 1.4 mm instead of 1.3 mm",
            "gun_1_2025-06-01,2025-06-01,,tip,north,,gun_1,,,,,1.4 mm,,,,",
        ),
        ("2025-05-01: gun gun_1 was rebuilt", "gun_1_2025-05-01,2025-05-01,,gun_serviced,north,,gun_1,,,,,,,,,"),
        (
            "2025-04-03: gun gun_2 sprayed for the first time in north",
            "gun_2_2025-04-03,2025-04-03,,gun_trial,north,,gun_2,,,,,,,,,",
        ),
    ], "a cleaning is no change; within its first 30 days every gun is new to a shop's records"
    header = register_templates.registers()["changes.csv"].splitlines()
    names = next(line for line in header if not line.startswith("#"))
    copied = {**files, "registers/changes.csv": "\n".join([names, *found["row"]]) + "\n"}
    taken = take_in(copied)
    assert taken.tables["changes"].height == 4 and taken.refused_rows.is_empty()
    assert check_notes.changes(taken.tables).is_empty()


def test_a_change_that_contradicts_itself_or_names_what_nobody_knows_is_refused_with_every_reason() -> None:
    rows = {
        "fine": "fine,2025-03-01,2025-03-31,gun_trial,north,,gun_1,,,,,,,",
        "ends": "ends,2025-03-01,2025-02-01,other,north,,,,,,,,,",
        "no_gun": "no_gun,2025-03-01,,gun_serviced,north,,,,,,,,,",
        "itself": "itself,2025-03-01,,gun_replaced,north,,gun_1,gun_1,,,,,,",
        "old": "old,2025-03-01,,gun_replaced,north,,gun_1,gun_9,,,,,,",
        "nobody": "nobody,2025-03-01,,practice,north,,,,,,,,tilt,",
        "paint": "paint,2025-03-01,,product,north,,,,,clear,,,,",
        "costly": "costly,2025-03-01,,other,north,ada,,,,,,,,1e12",
        "card": "card,2025-03-01,,practice,north,bob,,,,,,,slow,",
    }
    header = (
        "change_id,on,until,what,shop_id,technician_id,gun_id,replaces_gun_id,product_id,role,before,after,card,cost"
    )
    taken = take_in({"registers/changes.csv": "\n".join([header, *rows.values()]) + "\n"})
    assert taken.tables["changes"]["change_id"].to_list() == ["fine"]
    why = {
        raw.split(",")[0]: " | ".join(reasons)
        for reasons, raw in taken.refused_rows.select("reasons", "raw").iter_rows()
    }
    assert why.keys() == rows.keys() - {"fine"}
    for name, told in {
        "ends": "until: must not be before on", "no_gun": "gun_id: must name the gun where the change is one of gun_trial",
        "itself": "replaces_gun_id: must be another gun", "old": "replaces_gun_id: 'gun_9' is not in registers/guns.csv",
        "nobody": "technician_id: must name who practised", "paint": "product_id: must name the new product",
        "costly": "cost: cannot be", "card": "card: must be one of low_transfer",
    }.items():  # fmt: skip
        column, words = told.split(": ")
        assert f"{column}: " in why[name] and words in why[name], why[name]
    assert "technician_id: 'bob' is not in registers/technicians.csv" in why["card"]
