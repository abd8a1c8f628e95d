"""What is used as it stands and yet told: every doubt once, and none where all is well. No row is refused for a doubt."""

from __future__ import annotations

import pytest

from pipelines.intake import check_notes
from pipelines.intake.bringing_together import doubts
from tests.pipeline.intake_bench import OPERATIONS, POURS, message, take_in

GOOD = {
    "inbox/jobs.csv": "shop_id,job_id,vehicle_class\nnorth,j,small_car\n",
    "inbox/pours.csv": POURS
    + "\nnorth,a,1,2025-03-03 08:00,clear_a,binder,100\nnorth,b,1,2025-03-03 09:00,base_b,binder,50\n",
    "inbox/leftovers.csv": "shop_id,mix_id,weighed_at,leftover_g\nnorth,a,2025-03-03 11:00,10\n",
    "inbox/operations.csv": OPERATIONS
    + "\nnorth,j,1,spray,2025-03-03 08:30,2025-03-03 08:50,ada,gun_1,clear_a\nnorth,j,2,spray,2025-03-03 08:55,2025-03-03 09:40,ada,gun_1,base_b\n",
    "inbox/operation_panels.csv": "shop_id,job_id,operation_no,panel_id,area_m2,substrate\nnorth,j,1,hood,1.5,steel\n",
    "inbox/draws.csv": "shop_id,job_id,operation_no,mix_id\nnorth,j,1,a\nnorth,j,2,b\n",
    "inbox/readings.csv": "shop_id,job_id,panel_id,after_operation,reading_no,reading_um,gauge_id\n"
    "north,j,hood,1,1,50,both\nnorth,j,hood,0,1,5,both\n",
}  # fmt: skip


def test_nothing_is_doubted_where_all_is_well() -> None:
    assert doubts.told(take_in(GOOD).intake_files) == []


@pytest.mark.parametrize(("file", "old", "new", "said"), [
    ("draws", "north,j,1,a", "north,j,1,b", ("another product: 1 (lines 2)", "operation 1 of job 'j' is 'clear_a'", "cup 'b' holds 'base_b'")),
    ("pours", "a,1,2025-03-03 08:00", "a,1,2025-03-03 09:00", ("when the operation was over: 1 (lines 2)", "cup 'a' of 2025-03-03 09:00")),
    ("operations", "2025-03-03 08:55,2025-03-03 09:40", "2025-03-03 08:55,", ("when the operation was over: 1 (lines 3)",)),
    ("readings", "50,both", "50,eddy", ("eddy gauge on steel: 1 (lines 2)", "gauge 'eddy' on panel 'hood'")),
    ("readings", "hood,1,1", "hood,7,1", ("not in operations: 1 (lines 2)", "operation 7 of job 'j'")),
    ("pours", "north,b,1,2025-03-03 09:00,base_b", "north,a,2,2025-03-03 08:10,base_b", ("more than one product: 2 (lines 2, 3)", "cup 'a'")),
    ("leftovers", "11:00", "07:00", ("weighed before their cup was poured: 1 (lines 2)", "cup 'a' of 2025-03-03 08:00")),
    ("jobs", "north,j,", "south,j,", ("jobs holds nothing of shop 'north'",)),
])  # fmt: skip
def test_what_contradicts_other_rows_is_told_and_used(file: str, old: str, new: str, said: tuple[str, ...]) -> None:
    name = f"inbox/{file}.csv"
    assert old in GOOD[name]
    changed = {**GOOD, name: GOOD[name].replace(old, new, 1)}
    if "north,a,2" in new:  # cup b is gone then, which a draw names
        changed["inbox/draws.csv"] = GOOD["inbox/draws.csv"].replace("north,j,2,b\n", "")
    taken = take_in(changed)
    told = "\n".join(f"{f}: {remark}" for f, remark in doubts.told(taken.intake_files))
    for words in said:
        assert words in told, told
    assert taken.refused_rows.is_empty()


def test_two_files_of_one_name_are_named_where_the_one_replaces_the_other() -> None:
    later = GOOD["inbox/pours.csv"].replace("binder,100", "binder,101")
    rest = {name: text for name, text in GOOD.items() if name != "inbox/pours.csv"}
    first = {**rest, "inbox/a/pours.csv": GOOD["inbox/pours.csv"]}
    taken = take_in({"inbox/b/pours.csv": later, **first})
    assert [f for f, remark in doubts.told(taken.intake_files)] == ["inbox/b/pours.csv"]
    told = message(taken, "inbox/b/pours.csv")
    assert "inbox/b/pours.csv replaces rows of inbox/a/pours.csv" in told and "only folder or ending" in told
    assert taken.tables["pours"].filter(mix_id="a")["weighed_g"].to_list() == [101.0]
    alike = take_in({"inbox/b/pours.csv": GOOD["inbox/pours.csv"], **first})
    assert doubts.told(alike.intake_files) == [], "equal content: nothing hangs on the order"
    dated = take_in({"inbox/b/pours_2.csv": later, **first})
    assert doubts.told(dated.intake_files) == [], "the names say it"


def test_two_files_of_one_register_are_named_too() -> None:
    other = "gun_id\tshop_id\tatomising\ngun_1\tnorth\tairless\n"
    told = doubts.told(take_in({**GOOD, "registers/guns.tsv": other}).intake_files)
    assert [file for file, _ in told] == ["registers/guns.tsv"]


def test_rows_of_a_cup_of_two_products_are_not_called_good() -> None:
    two = GOOD["inbox/pours.csv"].replace("north,b,1", "north,a,2")
    draws = GOOD["inbox/draws.csv"].replace("north,j,2,b\n", "")
    taken = take_in({**GOOD, "inbox/pours.csv": two, "inbox/draws.csv": draws})
    assert check_notes.incomplete(taken.incomplete) == {"cup": 1}
    assert check_notes.rows_incomplete(taken.tables, taken.incomplete) == 4, "two pours, a weigh-back and a draw"
    whole = take_in(GOOD)
    assert check_notes.rows_incomplete(whole.tables, whole.incomplete) == 0
