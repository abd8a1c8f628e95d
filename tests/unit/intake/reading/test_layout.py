"""What a layout may say, and what it makes out of an export."""

from datetime import datetime

import pytest

from pipelines.intake.reading import layout
from pipelines.intake.reading.files import Source
from pipelines.intake.reading.read import FileRead, read_file

POURS = """
[tables.columns]
shop_id = { constant = "north" }
mix_id = "Ticket"
pour_no = { number_within = ["mix_id"] }
poured_at = { columns = ["Date", "Time"], format = "%m/%d/%Y %H:%M" }
product_id = { column = "Material", values = { "Clear A" = "clear_a" } }
component_id = "What"
weighed_g = { column = "Net", unit = "oz" }
"""
HEADER = "Ticket,Date,Time,Material,What,Net"


def read(layout_text: str, data: str | bytes, name: str = "inbox/scale.csv") -> FileRead:
    content = data.encode() if isinstance(data, str) else data
    return read_file(Source(name, content=content), [layout.parse("scale.toml", layout_text)])


def pours(head: str = "", columns: str = POURS) -> str:
    return f"{head}\n[[tables]]\ntable = 'pours'\n{columns}"


def test_joined_times_units_constants_numbers_within_and_renames() -> None:
    found = read(pours(), HEADER + "\nT1,3/9/2025,7:05,Clear A,binder,10\nT1,3/9/2025,7:06,Clear A,thin,.5\n")
    rows = found.tables["pours"].rows.collect()
    assert found.layout == "scale"
    assert rows["pour_no"].to_list() == [1, 2]
    assert rows["weighed_g"].to_list() == [283.49523125, 14.1747615625]
    assert rows["poured_at"][0] == datetime(2025, 3, 9, 7, 5)
    assert set(rows["product_id"]) == {"clear_a"} and set(rows["shop_id"]) == {"north"}


def test_a_value_the_layout_does_not_rename_is_refused_unless_kept() -> None:
    data = HEADER + "\nT1,3/9/2025,7:05,Clear B,binder,10\n"
    refused = read(pours(), data).tables["pours"].refused
    assert refused["reason"].to_list() == [
        "product_id: 'Clear B' is not among the layout's values (Clear A); correct the cell, or add it there"
    ]
    kept = POURS.replace('"clear_a" }', '"clear_a" }, otherwise = "keep", prefix = "n-"')
    assert read(pours(columns=kept), data).tables["pours"].rows.collect()["product_id"].to_list() == ["n-Clear B"]


@pytest.mark.parametrize(
    ("weights", "shown", "wanted"),
    [
        ('weights = "incremental"', [10, 5, 2], [10, 5, 2]),
        ('weights = "incremental", tare_g = 1', [10, 5, 2], [9, 4, 1]),
        ('weights = "cumulative"', [10, 15, 17], [10, 5, 2]),
        ('weights = "cumulative_with_tare", tare_g = 3', [13, 18, 20], [10, 5, 2]),
        ('weights = "cumulative_with_tare", tare = { column = "Cup", unit = "kg" }', [13, 18, 20], [10, 5, 2]),
    ],
)
def test_weights_become_what_each_pour_added(weights: str, shown: list[int], wanted: list[float]) -> None:
    columns = POURS.replace(
        'weighed_g = { column = "Net", unit = "oz" }', f'weighed_g = {{ column = "Net", {weights} }}'
    )
    body = "".join(f"T1,3/9/2025,7:0{i},Clear A,binder,{w},0.003\n" for i, w in enumerate(shown))
    rows = read(pours(columns=columns), HEADER + ",Cup\n" + body).tables["pours"].rows.collect()
    assert rows["weighed_g"].to_list() == pytest.approx(wanted, rel=1e-12)


def test_a_cumulative_weight_after_an_unreadable_one_is_refused_too() -> None:
    columns = POURS.replace('unit = "oz"', 'weights = "cumulative"')
    body = "T1,3/9/2025,7:00,Clear A,binder,10\nT1,3/9/2025,7:01,Clear A,thin,x\nT1,3/9/2025,7:02,Clear A,thin,30\n"
    found = read(pours(columns=columns), HEADER + "\n" + body + "T1,3/9/2025,7:03,Clear A,thin,31\n").tables["pours"]
    assert found.rows.collect()["weighed_g"].to_list() == [10, 1]
    assert "before this row could not be read" in found.refused.filter(line=4)["reason"][0]


def test_one_wide_log_feeds_several_tables() -> None:
    text = """
[file]
delimiter = ";"
encoding = "windows-1252"
decimal = ","
header_line = 2
[[tables]]
table = "operations"
[tables.columns]
shop_id = { constant = "north" }
job_id = { column = "Note", pattern = "J(\\\\d+)" }
operation_no = "Step"
kind = { column = "Kind", values = { "Lack" = "spray", "Schliff" = "sand" } }
started_at = { column = "Start", format = "%d.%m.%Y %H:%M" }
gun_id = { column = "Gun", optional = true }
technician_id = { constant = "ada" }
product_id = { constant = "clear_a" }
[[tables]]
table = "operation_panels"
[tables.columns]
shop_id = { constant = "north" }
job_id = { column = "Note", pattern = "J(\\\\d+)" }
operation_no = "Step"
panel_id = { column = "Panels", split = "+" }
[[tables]]
table = "draws"
where = { column = "Ticket", filled = true }
[tables.columns]
shop_id = { constant = "north" }
job_id = { column = "Note", pattern = "J(\\\\d+)" }
operation_no = "Step"
mix_id = "Ticket"
[[tables]]
table = "readings"
unpivot = { columns = ["R1", "R2"], into = "reading_um", unit = "mil", position = { row = [1, 3], reading_no = [1, 2] } }
[tables.columns]
shop_id = { constant = "north" }
job_id = { column = "Note", pattern = "J(\\\\d+)" }
panel_id = { column = "Panels", pattern = "^([^+]+)" }
after_operation = "Step"
"""
    data = "Auszug;Prüfstand\nNote;Step;Kind;Start;Panels;Ticket;R1;R2;Gun\n"
    data += "fix J12 door;1;Lack;01.03.2025 08:00;door + hood;T1;1,0;2;gun_1\n"
    data += "fix J12 door;2;Schliff;01.03.2025 09:00;;;;3;\n"
    found = read(text, data.encode("windows-1252")).tables
    assert found["operations"].rows.collect()["job_id"].to_list() == ["12", "12"]
    assert found["operations"].rows.collect()["line"].to_list() == [3, 4]
    assert found["operation_panels"].rows.collect()["panel_id"].to_list() == ["door", "hood"]
    assert found["draws"].rows.collect()["mix_id"].to_list() == ["T1"]
    readings = found["readings"].rows.collect()
    assert readings.select("line", "row", "reading_no", "reading_um").rows() == [(3, 1, 1, 25.4), (3, 3, 2, 50.8)]
    assert found["readings"].refused["reason"].to_list() == ["panel_id: must not be empty"]


def test_rows_that_no_table_takes_are_refused_by_name() -> None:
    columns = POURS + "\n"
    text = pours(columns=f'where = {{ column = "Kind", is = ["POUR"] }}\n{columns}')
    found = read(text, HEADER + ",Kind\nT1,3/9/2025,7:05,Clear A,binder,10,POUR\nx,,,,,,TOTAL\n")
    assert found.tables[""].refused.select("line", "reason", "raw").rows() == [
        (3, "no table takes this row", "x,,,,,,TOTAL")
    ]
    assert found.message is not None and "no table takes this row" in found.message


def test_time_of_export_from_the_name_or_a_column() -> None:
    row = "\nT1,3/9/2025,7:05,Clear A,binder,10"
    by_name = '[file]\nexported_at = { name_pattern = "_(\\\\d{8})\\\\.", format = "%Y%m%d" }'
    assert read(pours(by_name), HEADER + row, "inbox/s_20250310.csv").exported_at == datetime(2025, 3, 10)
    unnamed = read(pours(by_name), HEADER + row, "inbox/s.csv")
    assert unnamed.exported_at is None and "natural order" in (unnamed.message or "")
    by_column = '[file]\nexported_at = { column = "Exp", format = "%Y-%m-%d %H:%M" }'
    found = read(pours(by_column), HEADER + ",Exp" + row + ",2025-03-10 08:00" + row + ",2025-03-10 09:30")
    assert found.exported_at == datetime(2025, 3, 10, 9, 30)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[fil]\n", "fil: unknown key; did you mean 'file'"),
        ('[file]\ndelimter = ","\n' + pours(), "file.delimter: unknown key; did you mean 'delimiter'"),
        (pours().replace("'pours'", "'pour'"), "did you mean 'pours'"),
        (pours().replace("mix_id = ", "mixid = "), "'mixid' is no column of pours; did you mean 'mix_id'"),
        (pours().replace('component_id = "What"', 'component_id = { colum = "What" }'), "did you mean 'column'"),
        (pours().replace('mix_id = "Ticket"\n', ""), "pours needs mix_id"),
        (pours().replace('"oz"', '"ton"'), "the unit 'ton' is ambiguous"),
        (pours().replace('"oz"', '"psi"'), "measures pressure, not mass"),
        (pours().replace("%m/%d/%Y", "%m/%d/%y"), "two digits"),
        (pours().replace("%m/%d/%Y", "%Q"), "%Q"),
        (pours().replace('"Ticket"', '{ column = "T", pattern = "J[" }'), "no regular expression"),
        (pours().replace('"Ticket"', '{ column = "T", pattern = "J" }'), "needs a group"),
        (pours().replace('"Ticket"', '{ column = "T", pattern = "(?<=J)(1)" }'), "look-around"),
        (pours().replace('"Ticket"', '{ column = "T", constant = "x" }'), "one source only"),
        (pours('[file]\nencoding = "utf-9"'), "utf-9"),
        (pours('[file]\ntime_zone = "Europe/Wien"'), "IANA"),
        (pours('[file]\ndelimiter = "ab"'), "one plain character"),
        (pours().replace('unit = "oz"', 'weights = "cumulative_with_tare"'), "needs tare"),
        (pours().replace('unit = "oz"', 'unit = "ml", tare_g = 3'), "a volume has no tare"),
        ("[[tables]\n", "not TOML"),
    ],
)  # fmt: skip
def test_a_layout_that_cannot_be_meant_is_an_error_that_names_file_and_key(text: str, said: str) -> None:
    with pytest.raises(layout.LayoutError) as error:
        layout.parse("layouts/scale.toml", text)
    assert said in str(error.value) and "layouts/scale.toml" in str(error.value)


def test_match_name_is_a_glob_on_the_name_or_the_path_and_gz_may_be_left_out() -> None:
    one = layout.parse("a.toml", pours('[file]\nmatch_name = "Scale_*.csv"'))
    assert one.fits_name("x/scale_1.csv") and one.fits_name("scale_1.csv.gz") and not one.fits_name("scale_1.txt")
    two = layout.parse("a.toml", pours('[file]\nmatch_name = "north/*.csv"'))
    assert two.fits_name("north/a.csv") and not two.fits_name("south/a.csv")


NEWEST_FIRST = """[file]
order = "newest_first"

[[tables]]
table = "pours"

[tables.columns]
shop_id = { constant = "north" }
mix_id = { column = "Ticket", drop = "/-" }
pour_no = { number_within = ["mix_id"] }
poured_at = "When"
product_id = { constant = "clear" }
component_id = "Tin"
weighed_g = { column = "Display", weights = "cumulative" }
"""


def test_a_file_that_is_listed_from_its_end_is_read_from_below() -> None:
    """Pours of one minute stand in the order in which they were poured: what a running display added is the same."""
    text = "Ticket,When,Tin,Display\n25/0-1,2025-03-09 07:05,thin,17\n25/01,2025-03-09 07:05,hardener,15\n25/01,2025-03-09 07:05,binder,10\n"
    rows = read(NEWEST_FIRST, text).tables["pours"].rows.collect()
    assert rows.sort("pour_no").select("component_id", "weighed_g", "mix_id").rows() == [
        ("binder", 10.0, "2501"), ("hardener", 5.0, "2501"), ("thin", 2.0, "2501"),
    ]  # fmt: skip
    assert rows.sort("pour_no")["line"].to_list() == [4, 3, 2]


def test_columns_that_stand_beside_those_that_are_unpivoted() -> None:
    rule = (
        'unpivot = { columns = ["W1", "W2"], into = "weighed_g", unit = "kg",'
        ' beside = { component_id = ["C1", "C2"] }, position = { pour_no = [1, 2] } }'
    )
    text = f"""[[tables]]
table = "pours"
{rule}

[tables.columns]
shop_id = {{ constant = "north" }}
mix_id = "Ticket"
poured_at = "When"
product_id = {{ constant = "clear" }}
component_id = {{ values = {{ "B" = "binder" }}, otherwise = "keep" }}
"""
    data = "Ticket,When,C1,W1,C2,W2\n1,2025-03-09 07:05,B,0.01,thin,0.002\n2,2025-03-09 07:06,B,0.02,,\n3,2025-03-09 07:07,B,0.02,,0.001\n"
    found = read(text, data).tables["pours"]
    rows = (
        found.rows.collect().sort("mix_id", "pour_no").select("mix_id", "pour_no", "component_id", "weighed_g").rows()
    )
    assert rows == [("1", 1, "binder", 10.0), ("1", 2, "thin", 2.0), ("2", 1, "binder", 20.0), ("3", 1, "binder", 20.0)]
    assert found.refused["line"].to_list() == [4]  # a weight of nothing is refused, not lost


def test_as_many_columns_beside_as_are_unpivoted() -> None:
    rule = 'unpivot = { columns = ["A", "B"], into = "weighed_g", beside = { component_id = ["C"] } }'
    text = NEWEST_FIRST.replace('table = "pours"', f'table = "pours"\n{rule}')
    with pytest.raises(layout.LayoutError, match=r"beside\.component_id has 1 columns for 2"):
        layout.parse("x.toml", text)
