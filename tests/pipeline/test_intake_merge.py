"""All files together: which version is in force, what the books say, what is incomplete."""

from __future__ import annotations

import random
from datetime import datetime

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.intake.bringing_together.merge import merge
from pipelines.intake.reading.read import Options
from tests.pipeline.intake_bench import OPERATIONS, POURS, marks, message, read_all, reasons, same, take_in


def pour(mix: str, no: object, grams: object, component: str = "binder", product: str = "clear_a") -> str:
    return f"north,{mix},{no},2025-03-03 08:0{str(no)[-1] if str(no).isdigit() else 0},{product},{component},{grams}\n"


def pours(*rows: str) -> str:
    return POURS + "\n" + "".join(rows)


def counts(taken, file: str) -> tuple[int, ...]:  # type: ignore[no-untyped-def]
    books = taken.intake_files.filter(pl.col("file") == file)
    return books.select("accepted", "refused", "duplicate", "superseded").row(0)


def weights(taken, mix: str) -> list[float]:  # type: ignore[no-untyped-def]
    return taken.tables["pours"].filter(pl.col("mix_id") == mix)["weighed_g"].to_list()


def test_a_later_file_supersedes_the_whole_cup_and_an_identical_one_is_duplicate() -> None:
    taken = take_in(
        {
            "inbox/pours_2.csv": pours(pour("a", 1, 10), pour("b", 1, 7)),
            "inbox/pours_10.csv": pours(pour("a", 1, 11), pour("b", 1, 7)),
            "inbox/pours_1.csv": pours(pour("a", 1, 10), pour("a", 2, 5), pour("b", 1, 7)),
        }
    )
    assert weights(taken, "a") == [11.0] and weights(taken, "b") == [7.0]
    assert counts(taken, "inbox/pours_1.csv") == (1, 0, 0, 2)
    assert counts(taken, "inbox/pours_2.csv") == (0, 0, 1, 1)
    assert counts(taken, "inbox/pours_10.csv") == (1, 0, 1, 0)
    assert taken.incomplete.is_empty()


def test_a_version_that_comes_back_supersedes_the_one_between() -> None:
    taken = take_in({f"inbox/pours_{i}.csv": pours(pour("a", 1, w)) for i, w in enumerate([10, 11, 10])})
    assert weights(taken, "a") == [10.0]
    assert [counts(taken, f"inbox/pours_{i}.csv") for i in range(3)] == [(0, 0, 0, 1), (0, 0, 0, 1), (1, 0, 0, 0)]


def test_the_time_of_export_goes_before_the_name() -> None:
    layout = """
[file]
match_name = "s_*.csv"
exported_at = { name_pattern = "(\\\\d{8})", format = "%d%m%Y" }
[[tables]]
table = "pours"
[tables.columns]
""" + "\n".join(f'{c} = "{c}"' for c in POURS.split(","))
    files = {"inbox/s_01022025.csv": pours(pour("a", 1, 2)), "inbox/s_31012025.csv": pours(pour("a", 1, 1))}
    assert weights(take_in(files, {"s.toml": layout}), "a") == [2.0]
    assert weights(take_in({**files, "inbox/z.csv": pours(pour("a", 1, 3))}, {"s.toml": layout}), "a") == [2.0]


def test_rows_that_differ_under_one_key_are_all_refused_and_equal_ones_count_once() -> None:
    text = pours(pour("a", 1, 10), pour("a", 1, 11), pour("a", 1, 10), pour("b", 1, 7), pour("b", 1, "7.0"))
    taken = take_in({"inbox/pours.csv": text})
    assert counts(taken, "inbox/pours.csv") == (1, 3, 1, 0)
    assert {r[0] for r in reasons(taken, "inbox/pours.csv").values()} == {"key conflict"}
    assert marks(taken, "cup") == {("north", "a")} and marks(taken, "month") == {("north", "2025-03")}


def test_a_refused_row_marks_its_cup_only_while_its_file_holds_the_latest_version() -> None:
    bad, good = pours(pour("a", 1, 10), pour("a", 2, "x")), pours(pour("a", 1, 10), pour("a", 2, 5))
    last_bad = take_in({"inbox/pours_1.csv": good, "inbox/pours_2.csv": bad})
    assert weights(last_bad, "a") == [10.0] and marks(last_bad, "cup") == {("north", "a")}
    assert counts(last_bad, "inbox/pours_1.csv") == (0, 0, 0, 2)
    last_good = take_in({"inbox/pours_1.csv": bad, "inbox/pours_2.csv": good})
    assert weights(last_good, "a") == [10.0, 5.0] and marks(last_good, "cup") == set()
    assert counts(last_good, "inbox/pours_1.csv") == (0, 1, 0, 1)


def test_a_version_of_which_nothing_can_be_read_takes_nothing_away() -> None:
    taken = take_in({"inbox/pours_1.csv": pours(pour("a", 1, 10)), "inbox/pours_2.csv": pours(pour("a", 1, "x"))})
    assert weights(taken, "a") == [10.0] and marks(taken, "cup") == {("north", "a")}
    assert marks(taken, "month") == set()


def test_a_version_that_can_be_read_again_takes_the_place_of_one_that_could_not() -> None:
    body = [pours(pour("a", 1, weight)) for weight in (10, "x", 10)]
    taken = take_in({f"inbox/pours_{n}.csv": text for n, text in enumerate(body)})
    assert weights(taken, "a") == [10.0] and marks(taken, "cup") == set()


def test_a_pour_whose_cup_cannot_be_read_marks_its_month() -> None:
    taken = take_in({"inbox/pours.csv": pours("north,,1,2025-03-03 08:00,clear_a,binder,10\n", pour("b", 1, 7))})
    assert marks(taken, "cup") == set() and marks(taken, "month") == {("north", "2025-03")}


def test_each_table_is_superseded_for_itself() -> None:
    head = OPERATIONS + "\nnorth,j,1,spray,2025-03-03 09:00,,ada,gun_1,clear_a\n"
    panels = "shop_id,job_id,operation_no,panel_id\nnorth,j,1,door\n"
    draws = "shop_id,job_id,operation_no,mix_id,share\nnorth,j,1,a,{}\n"
    taken = take_in(
        {
            "inbox/pours.csv": pours(pour("a", 1, 10)),
            "inbox/operations.csv": head,
            "inbox/operation_panels_1.csv": panels,
            "inbox/draws_1.csv": draws.format(0.5),
            "inbox/draws_2.csv": draws.format(0.6),
        }
    )
    assert taken.tables["draws"]["share"].to_list() == [0.6]
    assert taken.tables["operation_panels"].height == 1


def _appending(name: str) -> str:
    return (
        f'[file]\nmatch_name = "{name}"\nmode = "append"\n[[tables]]\ntable = "pours"\n[tables.columns]\n'
        + "\n".join(f'{c} = "{c}"' for c in POURS.split(","))
    )


def test_an_appending_export_adds_to_the_cup_and_replaces_single_rows() -> None:
    taken = take_in(
        {
            "inbox/pours_1.csv": pours(pour("a", 1, 10), pour("a", 2, 5)),
            "inbox/pours_2_add.csv": pours(pour("a", 2, 6), pour("a", 3, 1)),
            "inbox/pours_3_add.csv": pours(pour("a", 3, 1)),
        },
        {"add.toml": _appending("*_add.csv")},
    )
    assert weights(taken, "a") == [10.0, 6.0, 1.0]
    assert [counts(taken, f"inbox/pours_{n}.csv") for n in ("1", "2_add", "3_add")] == [
        (1, 0, 0, 1), (2, 0, 0, 0), (0, 0, 1, 0),
    ]  # fmt: skip


_version = st.dictionaries(st.integers(1, 3), st.sampled_from([1, 2, "x"]), min_size=1, max_size=3)


@given(st.lists(st.tuples(_version, st.booleans()), min_size=1, max_size=5), st.randoms())
@settings(max_examples=40, deadline=None)
def test_versions_of_a_cup_follow_the_rule_told_plainly(versions, rng) -> None:  # type: ignore[no-untyped-def]
    files = {}
    for i, (rows, appends) in enumerate(versions):
        body = [pour("a", no, w) for no, w in rows.items()]
        files[f"inbox/pours_{i}{'_add' if appends else ''}.csv"] = pours(*body)
    # the rule, file after file
    current: dict[int, int] = {}
    unread: dict[int, str] = {}
    for rows, appends in versions:
        readable = {n: w for n, w in rows.items() if w != "x"}
        if not appends and readable:
            if (readable, {n for n in rows if n not in readable}) != (current, set(unread)):
                current, unread = {}, {}
        current |= readable
        unread |= {n: "x" for n in rows if n not in readable}
    taken = take_in(files, {"add.toml": _appending("*_add.csv")})
    got = dict(taken.tables["pours"].select("pour_no", "weighed_g").iter_rows())
    assert got == current
    assert (marks(taken, "cup") == {("north", "a")}) == bool(unread)
    names = list(files)
    rng.shuffle(names)
    again = take_in({n: files[n] for n in names}, {"add.toml": _appending("*_add.csv")})
    assert same(taken, again) and taken.intake_files.equals(again.intake_files)


def test_reading_order_and_row_order_move_no_number() -> None:
    rng = random.Random(1)
    rows = [pour(m, n, rng.choice([1, 2, 5, "x"])) for m in "abcdef" for n in (1, 2, 3)]
    files = {f"inbox/pours_{i}.csv": pours(*rng.sample(rows, 12)) for i in range(4)}
    back = "shop_id,mix_id,weighed_at,leftover_g\n"
    left = [f"north,{m},2025-03-03 1{h}:00,{3 - h}\n" for m in "abc" for h in range(3)]
    files["inbox/leftovers.csv"] = back + "".join(left)
    first = take_in(files)
    shuffled = {}
    for name in sorted(files, key=lambda _: rng.random()):
        head, *body = files[name].strip().split("\n")
        rng.shuffle(body)
        shuffled[name] = "\n".join([head, *body]) + "\n"
    second = take_in(shuffled)
    assert same(first, second, but=("line",))
    assert first.intake_files.drop("sha256").equals(second.intake_files.drop("sha256"))
    assert first.incomplete.drop("line").sort(pl.all()).equals(second.incomplete.drop("line").sort(pl.all()))
    reads = read_all(files)
    rng.shuffle(reads)
    assert same(first, merge(reads, Options()))


# --- registers --------------------------------------------------------------------------------------------------------


def test_a_register_row_is_one_version_and_a_missing_valid_from_is_a_key_like_any() -> None:
    taken = take_in({})
    assert taken.tables["components"].height == 4
    two = "component_id,density_g_per_ml\nx,1\nx,2\n"
    twice = take_in({"registers/components.csv": two})
    assert twice.tables["components"].is_empty()
    assert reasons(twice, "registers/components.csv")[2][0] == "key conflict"


def test_fractions_that_do_not_sum_to_one_are_refused() -> None:
    head = "component_id,solids_mass_fraction,voc_mass_fraction,water_mass_fraction,exempt_mass_fraction\n"
    taken = take_in(
        {"registers/components.csv": head + "a,0.5,0.5,0,0\nb,0.5,0.4,0,0\nc,0.6,0.41,0,0\nd,0.5,0.49,0,0\n"}
    )
    assert taken.tables["components"]["component_id"].to_list() == ["a", "c", "d"]
    assert "must sum to 1" in reasons(taken, "registers/components.csv")[3][0]


def test_an_unknown_id_is_refused_with_the_nearest_and_a_refused_id_is_not_unknown() -> None:
    operations = OPERATIONS + "\n" + "north,j,1,spray,2025-03-03 09:00,,Ada,gun-1,clear_a\n"
    taken = take_in({"inbox/operations.csv": operations})
    said = reasons(taken, "inbox/operations.csv")[2]
    assert "did you mean 'gun_1'" in said[0] and "did you mean 'ada'" in said[1]
    assert marks(taken, "operation") == {("north", "j", 1)}
    refused_gun = take_in(
        {
            "registers/guns.csv": "gun_id,shop_id,atomising\ngun-1,north,steam\n",
            "inbox/operations.csv": operations.replace("Ada", "ada"),
        }
    )
    assert refused_gun.tables["operations"].height == 1


def test_an_empty_register_of_optional_facts_checks_nothing_but_says_so() -> None:
    operations = OPERATIONS + "\n" + "north,j,1,spray,2025-03-03 09:00,,anyone,gun_1,clear_a\n"
    taken = take_in({"registers/technicians.csv": "technician_id,shop_id\n", "inbox/operations.csv": operations})
    assert taken.tables["operations"].height == 1
    assert "register technicians is empty" in message(taken, "inbox/operations.csv")
    needed = take_in({"registers/guns.csv": "gun_id,shop_id,atomising\n", "inbox/operations.csv": operations})
    assert "it is empty" in reasons(needed, "inbox/operations.csv")[2][0]


def test_a_row_gets_all_its_reasons_those_of_other_tables_too() -> None:
    text = POURS + "\nnorth,a,0,2025-02-30 08:00,clear_b,bindr,abc\n"
    said = reasons(take_in({"inbox/pours.csv": text}), "inbox/pours.csv")[2]
    assert len(said) == 5
    for column in ("pour_no", "poured_at", "product_id", "component_id", "weighed_g"):
        assert any(r.startswith(column) for r in said)


# --- cups -------------------------------------------------------------------------------------------------------------


def leftovers(*rows: str) -> str:
    return "shop_id,mix_id,weighed_at,leftover_g\n" + "".join(f"north,a,2025-03-03 {r}\n" for r in rows)


def test_weighings_are_numbered_by_time_across_files_and_a_rise_is_refused() -> None:
    taken = take_in(
        {
            "inbox/pours.csv": pours(pour("a", 1, 100)),
            "inbox/leftovers_1.csv": leftovers("12:00,40", "10:00,60"),
            "inbox/leftovers_2.csv": leftovers("11:00,50", "13:00,45", "14:00,101", "15:00,30"),
        }
    )
    rows = taken.tables["leftovers"].select("weigh_no", "leftover_g").rows()
    assert rows == [(1, 60.0), (2, 50.0), (3, 40.0), (6, 30.0)]
    said = reasons(taken, "inbox/leftovers_2.csv")
    assert said[3][0] == "weighed up" and "45 g after 40 g" in said[3][1]
    assert any("leftover above poured" in r for r in said[4])
    assert marks(taken, "cup") == {("north", "a")}


def test_a_weighing_corrected_in_a_later_export_supersedes_the_one_of_that_time() -> None:
    taken = take_in(
        {
            "inbox/pours.csv": pours(pour("a", 1, 100)),
            "inbox/leftovers_1.csv": leftovers("10:00,60", "12:00,40"),
            "inbox/leftovers_2.csv": leftovers("10:00,65", "12:00,40"),
        }
    )
    assert taken.tables["leftovers"].select("weigh_no", "leftover_g").rows() == [(1, 65.0), (2, 40.0)]


def test_a_component_is_netted_and_its_net_may_not_be_negative() -> None:
    taken = take_in(
        {"inbox/pours.csv": pours(pour("a", 1, 100), pour("a", 2, -100), pour("b", 1, 10), pour("b", 2, -11))}
    )
    assert weights(taken, "a") == [100.0, -100.0] and weights(taken, "b") == [10.0]
    assert marks(taken, "cup") == {("north", "b")}
    other = take_in({"inbox/pours.csv": pours(pour("a", 1, 100), pour("a", 2, -1, "thin"))})
    assert weights(other, "a") == [100.0]


def test_a_cup_of_two_products_is_incomplete_and_keeps_its_rows() -> None:
    taken = take_in({"inbox/pours.csv": pours(pour("a", 1, 10), pour("a", 2, 5, "thin", "base_b"))})
    assert weights(taken, "a") == [10.0, 5.0] and marks(taken, "cup") == {("north", "a")}


def test_a_cup_poured_into_another_must_be_known_and_a_pour_has_one_source() -> None:
    head = POURS.replace("component_id", "component_id,from_mix_id")
    rows = ["a,1,2025-03-03 08:00,clear_a,binder,,10", "b,1,2025-03-03 09:00,clear_a,,a,5",
            "c,1,2025-03-03 09:00,clear_a,,aa,5", "d,1,2025-03-03 09:00,clear_a,,,5",
            "e,1,2025-03-03 09:00,clear_a,thin,a,5", "f,1,2025-03-03 09:00,clear_a,,f,5"]  # fmt: skip
    taken = take_in({"inbox/pours.csv": "\n".join([head, *("north," + r for r in rows)])})
    assert taken.tables["pours"]["mix_id"].to_list() == ["a", "b"]
    said = reasons(taken, "inbox/pours.csv")
    assert "did you mean 'a'" in said[4][0] and set(said) == {4, 5, 6, 7}


def test_a_volume_is_weighed_by_the_density_valid_on_its_day() -> None:
    layout = '[file]\nmatch_name = "v.csv"\n[[tables]]\ntable = "pours"\n[tables.columns]\n' + "\n".join(
        f'{c} = {{ column = "{c}"{", unit = " + chr(34) + "fl oz US" + chr(34) if c == "weighed_g" else ""} }}'
        for c in POURS.split(",")
    )
    may, june = "2025-05-31 08:00", "2025-06-01 08:00"
    rows = [
        f"north,a,1,{may},clear_a,binder,1",
        f"north,a,2,{june},clear_a,binder,1",
        f"north,a,3,{may},clear_a,mystery,1",
    ]
    taken = take_in({"inbox/v.csv": "\n".join([POURS, *rows])}, {"v.toml": layout})
    assert weights(taken, "a") == pytest.approx([29.5735295625 * 1.2, 29.5735295625 * 1.5], rel=1e-12)
    assert set(taken.tables["pours"]["measured_by"]) == {"volume"}
    assert "no density_g_per_ml" in reasons(taken, "inbox/v.csv")[4][0]


# --- operations, draws, readings --------------------------------------------------------------------------------------

JOB = OPERATIONS + (
    "\nnorth,j,1,spray,2025-03-03 09:00,2025-03-03 09:30,ada,gun_1,clear_a"
    "\nnorth,j,2,sand,2025-03-03 10:00,2025-03-03 10:30,ada,,"
    "\nnorth,j,3,spray,2025-03-03 11:00,2025-03-03 11:30,ada,gun_1,clear_a\n"
)
PANELS = (
    "shop_id,job_id,operation_no,panel_id,substrate\n"
    "north,j,1,door,steel\nnorth,j,1,bumper,plastic\nnorth,j,3,door,\nnorth,j,3,hood,aluminium\n"
)


def readings(*rows: str) -> str:
    return "shop_id,job_id,panel_id,reading_no,reading_um,taken_at,gauge_id,witness_of\n" + "".join(
        f"north,j,{r}\n" for r in rows
    )


def job(**files: str):  # type: ignore[no-untyped-def]
    base = {"operations": JOB, "operation_panels": PANELS, "pours": pours(pour("a", 1, 100), pour("b", 1, 100))}
    return take_in({f"inbox/{n}.csv": t for n, t in {**base, **files}.items()})


def test_the_stage_of_a_reading_is_found_from_its_time() -> None:
    taken = job(
        readings=readings(
            "door,1,50,2025-03-03 08:00,mag,", "door,2,50,2025-03-03 09:30,mag,", "door,3,50,2025-03-03 10:59,mag,",
            "door,4,50,2025-03-03 12:00,mag,", "hood,1,50,2025-03-03 09:40,eddy,", "strip,1,50,2025-03-03 09:40,mag,bumper",
        )
    )  # fmt: skip
    found = taken.tables["readings"].select("panel_id", "reading_no", "after_operation").rows()
    wanted = [("door", 1, 0), ("door", 2, 1), ("door", 3, 2), ("door", 4, 3), ("hood", 1, 0), ("strip", 1, 1)]
    assert sorted(found) == wanted


def test_two_operations_that_ended_together_leave_the_stage_open() -> None:
    tie = JOB.replace("2025-03-03 10:00,2025-03-03 10:30", "2025-03-03 09:10,2025-03-03 09:30")
    taken = job(operations=tie, readings=readings("door,1,50,2025-03-03 09:40,mag,", "hood,1,50,2025-03-03 08:40,,"))
    assert "operations 1 and 2" in reasons(taken, "inbox/readings.csv")[2][0]
    assert marks(taken, "panel_stage") == {("north", "j", "door", None)}


def test_no_stage_is_told_from_time_where_an_operation_of_the_job_cannot_be_read() -> None:
    broken = JOB.replace("2025-03-03 11:30", "2025-03-03 11:61")
    taken = job(operations=broken, readings=readings("door,1,50,2025-03-03 12:00,mag,"))
    assert "cannot be told" in reasons(taken, "inbox/readings.csv")[2][0]


@pytest.mark.parametrize(
    ("panel", "gauge", "word"),
    [("bumper", "mag", "plastic"), ("bumper", "eddy", "plastic"), ("bumper", "both", "plastic"),
     ("hood", "mag", "aluminium"), ("bumper", "sound", None), ("hood", "eddy", None), ("door", "mag", None)],
)  # fmt: skip
def test_a_gauge_that_cannot_see_the_substrate_is_refused(panel: str, gauge: str, word: str | None) -> None:
    taken = job(readings=readings(f"{panel},1,50,2025-03-03 12:00,{gauge},"))
    if word is None:
        assert taken.tables["readings"].height == 1
    else:
        assert reasons(taken, "inbox/readings.csv")[2][0] == f"gauge cannot read {word}"
        assert marks(taken, "panel_stage")


def test_the_substrate_comes_from_the_class_of_vehicle_where_no_panel_states_it_and_strips_are_metal() -> None:
    taken = job(
        operation_panels=PANELS.replace("plastic", ""),
        jobs="shop_id,job_id,vehicle_class\nnorth,j,small\n",
        panel_areas="vehicle_class,panel_id,area_m2,substrate\nsmall,bumper,1,composite\n",
        readings=readings("bumper,1,50,2025-03-03 12:00,mag,", "strip,1,50,2025-03-03 12:00,mag,bumper"),
    )
    # an operation_panels row that states nothing leaves the word to panel_areas
    assert reasons(taken, "inbox/readings.csv")[2][0] == "gauge cannot read composite"
    assert taken.tables["readings"]["panel_id"].to_list() == ["strip"]


def test_a_strip_or_a_redo_that_points_nowhere_is_refused() -> None:
    taken = job(
        operations=OPERATIONS
        + ",redo_of\n"
        + "".join(f"{r},{x}\n" for r, x in zip(JOB.strip().split("\n")[1:], ["", "", "1"], strict=True))
        + "north,j,5,sand,2025-03-03 12:00,,ada,,,4\n",
        readings=readings("strip,1,50,2025-03-03 09:40,mag,bumpr", "s2,1,50,2025-03-03 09:40,mag,s2"),
    )
    assert taken.tables["operations"]["operation_no"].to_list() == [1, 2, 3]
    assert reasons(taken, "inbox/operations.csv")[5][0].startswith("redo_of: operation 4")
    said = reasons(taken, "inbox/readings.csv")
    assert any("did you mean 'bumper'" in r for r in said[2]) and any(
        "strip cannot stand for itself" in r for r in said[3]
    )


def test_shares_above_one_are_refused_and_leave_cup_and_operations_incomplete() -> None:
    draws = (
        "shop_id,job_id,operation_no,mix_id,share\nnorth,j,1,a,0.6\nnorth,j,3,a,0.5\nnorth,j,1,b,0.6\nnorth,j,3,b,0.4\n"
    )
    taken = job(draws=draws)
    assert taken.tables["draws"]["mix_id"].to_list() == ["b", "b"]
    assert marks(taken, "cup") == {("north", "a")}
    assert marks(taken, "operation") == {("north", "j", 1), ("north", "j", 3)}


def test_draws_and_panels_of_unknown_operations_or_cups_are_refused() -> None:
    draws = "shop_id,job_id,operation_no,mix_id\nnorth,j,9,a\nnorth,jj,1,a\nnorth,j,1,aa\nsouth,j,1,a\n"
    said = reasons(job(draws=draws), "inbox/draws.csv")
    assert "it has 1, 2, 3" in said[2][0] and "did you mean 'j'" in said[3][0] and "did you mean 'a'" in said[4][0]
    assert len(said[5]) == 2  # neither the operation nor the cup is that shop's


def test_an_operations_job_must_be_known_where_the_shop_keeps_jobs() -> None:
    taken = job(jobs="shop_id,job_id\nnorth,j1\n")
    assert "did you mean 'j1'" in reasons(taken, "inbox/operations.csv")[2][0]
    assert job(jobs="shop_id,job_id\nsouth,j1\n").tables["operations"].height == 3


def test_an_operation_that_ends_before_it_starts_is_refused() -> None:
    taken = job(operations=JOB.replace("2025-03-03 09:30", "2025-03-03 08:59"))
    assert "must not be before started_at" in reasons(taken, "inbox/operations.csv")[2][0]
    assert taken.tables["operation_panels"].height == 4  # refused is not unknown


# --- clocks -----------------------------------------------------------------------------------------------------------


def test_clock_changes_move_times_forward_take_the_first_and_are_counted() -> None:
    # Transitions of Europe/Vienna 2025 from the IANA time zone database: 30 March 02:00 -> 03:00, 26 October 03:00 -> 02:00
    rows = [
        "2025-03-30 02:30",
        "2025-03-30 03:30",
        "2025-10-26 02:30",
        "2025-03-30T00:30Z",
        "2025-03-30T01:30Z",
        "2025-10-26T01:30Z",
    ]
    text = pours(*(f"north,m{i},1,{t},clear_a,binder,10\n" for i, t in enumerate(rows)))
    taken = take_in({"inbox/pours.csv": text})
    assert taken.tables["pours"].sort("mix_id")["poured_at"].to_list() == [
        datetime(2025, 3, 30, 3, 30), datetime(2025, 3, 30, 3, 30), datetime(2025, 10, 26, 2, 30),
        datetime(2025, 3, 30, 1, 30), datetime(2025, 3, 30, 3, 30), datetime(2025, 10, 26, 2, 30),
    ]  # fmt: skip
    said = message(taken, "inbox/pours.csv")
    assert "moved forward: 1" in said and "taken as the first: 1" in said


def test_a_shops_own_zone_wins_and_an_offset_without_any_zone_is_refused() -> None:
    row = "{},a,1,2025-07-01T12:00Z,clear_a,binder,10\n"
    files = {"inbox/pours.csv": pours(row.format("north"), row.format("south"))}
    taken = take_in(files, options=Options(time_zone="Asia/Tokyo"))
    assert [t.hour for t in taken.tables["pours"]["poured_at"]] == [14, 8]
    bare = {**files, "registers/shops.csv": "shop_id\nnorth\nsouth\n"}
    assert [t.hour for t in take_in(bare, options=Options(time_zone="Asia/Tokyo")).tables["pours"]["poured_at"]] == [
        21,
        21,
    ]
    assert "carries an offset" in reasons(take_in(bare), "inbox/pours.csv")[2][0]
    wrong = take_in({"registers/shops.csv": "shop_id,time_zone\nnorth,Europe/Wien\n"})
    assert "no IANA time zone" in reasons(wrong, "registers/shops.csv")[2][0]
