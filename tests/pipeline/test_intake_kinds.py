# ruff: noqa: E501  (tables of cases)
"""More kinds of exports: workbooks by two libraries, preambles and footers, centuries, serial dates, deletions, a torture set.

The first battery is test_intake_damaged.py; `take_in` checks the books of every case here too. Outside sources: workbooks
written by openpyxl and by xlsxwriter; the eleven cases of the public collection "csv-spectrum" (max-mapper, MIT), written
from memory because the collection is not at hand.
"""

from __future__ import annotations

import dataclasses
import gzip
import io
import random
import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.intake.reading import files, layout, spreadsheets
from pipelines.intake.reading.files import Source
from pipelines.intake.reading.read import Options, packed, read_file, unpack
from tests.pipeline.intake_bench import OPERATIONS, POURS, marks, message, reasons, same, take_in
from tests.pipeline.test_intake_damaged import GOOD, ROW, Case, parquet
from tests.pipeline.test_intake_damaged import test_a_damaged_export_is_told_and_nothing_else_is_lost as judged

HEADER = POURS.split(",")
ROWS: list[list[Any]] = [
    ["north", "a", 1, datetime(2025, 3, 3, 8, 0), "clear_a", "binder", 10.5],
    ["north", "a", 2, datetime(2025, 3, 3, 8, 1), "clear_a", "thin", 5],
]
Sheets = dict[str, list[list[Any]]]


def by_openpyxl(sheets: Sheets, merged: tuple[str, ...] = ()) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for i, row in enumerate(rows, 1):
            for j, value in enumerate(row, 1):
                if value is not None:
                    sheet.cell(i, j, value)
        for cells in merged:
            sheet.merge_cells(cells)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def by_xlsxwriter(sheets: Sheets, merged: tuple[str, ...] = ()) -> bytes:
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    looks = {
        datetime: book.add_format({"num_format": "dd/mm/yyyy hh:mm"}),
        date: book.add_format({"num_format": "dd.mm.yy"}),
        time: book.add_format({"num_format": "hh:mm"}),
    }
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for i, row in enumerate(rows):
            for j, value in enumerate(row):
                if isinstance(value, (datetime, date, time)):
                    sheet.write_datetime(i, j, value, looks[type(value)])
                elif value is not None:
                    sheet.write(i, j, value)
        for cells in merged:
            first = cells.split(":")[0]
            row, column = int("".join(c for c in first if c.isdigit())) - 1, ord(first[0]) - 65
            sheet.merge_range(cells, None)
            sheet.write(row, column, rows[row][column])
    book.close()
    return out.getvalue()


WRITERS = [by_openpyxl, by_xlsxwriter]
both = pytest.mark.parametrize("write", WRITERS, ids=["openpyxl", "xlsxwriter"])


def rule(head: str = "", **columns: str) -> str:
    made = {c: f'"{c}"' for c in HEADER} | columns
    return f"[file]\n{head}\n[[tables]]\ntable = 'pours'\n[tables.columns]\n" + "\n".join(
        f"{k} = {v}" for k, v in made.items() if v
    )


def xml_changed(book: bytes, old: str, new: str, part: str = "xl/worksheets/sheet1.xml") -> bytes:
    """A workbook with a text in one of its parts replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            data = source.read(name)
            target.writestr(name, data.replace(old.encode(), new.encode()) if name == part else data)
    return out.getvalue()


def typed_parquet() -> bytes:
    row: dict[str, list[Any]] = {c: [v] for c, v in zip(HEADER, ROWS[0], strict=True)}
    frame = pl.DataFrame({**row, "weighed_g": ["10.50"], "spent": [timedelta(minutes=3)]})
    out = io.BytesIO()
    frame.with_columns(
        pl.col("shop_id").cast(pl.Categorical), pl.col("weighed_g").cast(pl.Decimal(9, 3))
    ).write_parquet(out)
    return out.getvalue()


BOOK = by_openpyxl({"Log": [HEADER, *ROWS]})
CASES = [
    # above, below and between the rows
    Case("title rows above the header", "Scale log\nprinted 1.4.2025\n\n" + GOOD, ("found on line 4", "Scale log"), used=2),
    Case("a line that names the delimiter", "sep=;\n" + GOOD.replace(",", ";"), ("found on line 2", "sep=;"), used=2),
    Case("title rows and no header", "Scale log\nprinted\n" + GOOD.split("\n", 1)[1], ("no table has all its columns", "Scale log")),
    Case("header repeated on every page", (GOOD + POURS + "\n").replace("\n", "\r\n"), ("stands again on lines 4",), used=2),
    Case("title rows of a layout", "x\ny\n" + GOOD, ("",), used=2, file="inbox/x.csv", layouts={"a.toml": rule('header_line = "find"')}),
    Case("footer that a layout skips", GOOD + "Total,,,,,,15\n*** end ***\n", ("2 rows passed over", "lines 4, 5"), used=2, file="inbox/x.csv",
         layouts={"a.toml": rule('skip = [{ column = "shop_id", pattern = "^(Total|[*])" }]')}),
    Case("footer that no layout skips", GOOD + "*** end ***\n", lines={4: ("1 cells, the header 7",)}, used=2),
    # encodings
    Case("UTF-16 without a mark", GOOD.encode("utf-16-le"), ("no text",)),
    Case("UTF-16 without a mark, named", GOOD.encode("utf-16-le"), ("",), used=2, file="inbox/x.csv", layouts={"a.toml": rule('encoding = "utf-16-le"')}),
    Case("UTF-16 cut in the middle of a letter", GOOD.encode("utf-16")[:-1], ("0x",)),
    Case("UTF-32 with a mark", GOOD.encode("utf-32"), used=2),
    Case("two byte order marks", b"\xef\xbb\xbf\xef\xbb\xbf" + GOOD.encode(), used=2),
    Case("exports with marks joined into one file", (b"\xef\xbb\xbf" + GOOD.encode()) * 2, ("stands again on lines 4",), used=2),
    Case("byte order mark before every line", b"".join(b"\xef\xbb\xbf" + x for x in GOOD.encode().splitlines(True)), used=2),
    Case("marks of writing direction around cells", GOOD + ROW.format(3, "\u200f5\u202c").replace(",a,", ",\u200ea,"), used=3),
    Case("byte that the named encoding lacks", GOOD.replace(",a,", ",\x81,").encode("latin-1"), ("layout a: line 2", "not windows-1252"), file="inbox/x.csv",
         layouts={"a.toml": rule('encoding = "windows-1252"')}),
    Case("file packed but not named so", gzip.compress(GOOD.encode()), ("what files ending in .csv.gz hold",)),
    Case("workbook under the ending of text", by_openpyxl({"Log": [HEADER, *ROWS]}), ("what files ending in .xlsx hold",)),
    Case("latin-1, named", GOOD.replace(",a,", ",\u00e4,").encode("latin-1"), ("",), used=2, file="inbox/x.csv", layouts={"a.toml": rule('encoding = "latin-1"')}),
    Case("one byte that is no UTF-8", GOOD.encode() + b"north,\xff,3,2025-03-03 08:00,clear_a,binder,1\n", ("line 4", "0xFF")),
    Case("NUL in a cell", GOOD.replace("binder", "bin\0der", 1), ("no text", "byte")),
    Case("line separators of Unicode in a cell", GOOD + ROW.format(3, 1).replace(",a,", ",a\u2028b,"), used=3),
    Case("line ends mixed", GOOD.replace("\n", "\r\n", 1) + ROW.format(3, 1).strip() + "\r" + ROW.format(4, 1), used=4),
    # numbers and dates
    Case("spaces between thousands, of either kind", GOOD.replace(",", ";").replace(";10\n", ";1 010,5\n").replace(";5\n", ";1\u00a0010,5\n"), ("",), used=2, file="inbox/x.csv",
         layouts={"a.toml": rule('delimiter = ";"\ndecimal = ","\nthousands = " "')}),
    Case("groups that are no thousands", GOOD.replace(",", ";").replace(";10\n", ";1.01,5\n"), lines={2: ("'1.01,5' is not a number",)}, used=1, file="inbox/x.csv",
         layouts={"a.toml": rule('delimiter = ";"\ndecimal = ","\nthousands = "."')}),
    Case("years of two and of four digits side by side", GOOD.replace("2025-03-03", "03.03.25", 1).replace("2025-03-03", "03.03.2025"), ("",), used=2, file="inbox/x.csv",
         layouts={"a.toml": rule("century = 1970", poured_at='{ column = "poured_at", format = ["%d.%m.%Y %H:%M", "%d.%m.%y %H:%M"] }')}),
    Case("tare left empty", GOOD.replace("weighed_g", "weighed_g,T").replace(",10\n", ",10,\n").replace(",5\n", ",5,1\n"), lines={2: ("T: must not be empty",)}, used=1, file="inbox/x.csv",
         layouts={"a.toml": rule(weighed_g='{ column = "weighed_g", tare = { column = "T" } }')}),
    Case("comma that may mean a thousand", GOOD + ROW.format(3, '"1,234"'), lines={4: ("Write 1.234 or 1234, whichever is meant",)}, used=2),
    Case("whole number too large", GOOD + ROW.format(2**53 + 1, 1), lines={4: ("too large",)}, used=2),
    Case("pour of a hundred tonnes", GOOD + ROW.format(3, "1e8"), lines={4: ("cannot be: sizes from 1e-06 to 1e+06 g are possible",)}, used=2),
    Case("pour of a hundred kilograms", GOOD + ROW.format(3, "1e5"), ("doubtful: pours of more than 50 kg: 1 (lines 4)",), used=3),
    Case("currency sign in a number", GOOD + ROW.format(3, "$5"), lines={4: ("'$5' is not a number",)}, used=2),
    Case("number of three groups without a layout", GOOD + ROW.format(3, "1.234.5"), lines={4: ("not a number",)}, used=2),
    Case("digits of another script", GOOD + ROW.format(3, "\u0661\u0662"), lines={4: ("not a number",)}, used=2),
    Case("hexadecimal", GOOD + ROW.format(3, "0x1F"), lines={4: ("not a number",)}, used=2),
    Case("spreadsheet error as text", GOOD + ROW.format(3, "#N/A"), lines={4: ("'#N/A' is not a number",)}, used=2),
    Case("hour 24", GOOD + ROW.format(3, 1).replace("08:00", "24:00"), lines={4: ("time that exists",)}, used=2),
    Case("second 61", GOOD + ROW.format(3, 1).replace("08:00", "08:00:61"), lines={4: ("time that exists",)}, used=2),
    Case("29 February of a common year", GOOD + ROW.format(3, 1).replace("03-03", "02-29"), lines={4: ("time that exists",)}, used=2),
    Case("offset without a zone", GOOD.replace("north", "nowhere") + "", lines={2: ("shop_id",), 3: ("shop_id",)}),
    Case("zone offset and Z", GOOD.replace("08:00", "08:00Z", 1).replace("08:00,", "08:00+05:30,"), used=2),
    Case("years of two digits with a century", GOOD.replace("2025-03-03", "03.03.25"), ("",), used=2, file="inbox/x.csv",
         layouts={"a.toml": rule("century = 1970", poured_at='{ column = "poured_at", format = "%d.%m.%y %H:%M" }')}),
    Case("years of four digits where the layout says two", GOOD.replace("2025-03-03", "03.03.2025"), lines={2: ("poured_at",), 3: ("poured_at",)}, file="inbox/x.csv",
         layouts={"a.toml": rule("century = 1970", poured_at='{ column = "poured_at", format = "%d.%m.%y %H:%M" }')}),
    Case("serial numbers for dates", GOOD.replace("2025-03-03 08:00", "45719.333333333336"), ("",), used=2, file="inbox/x.csv",
         layouts={"a.toml": rule(poured_at='{ column = "poured_at", format = "serial" }')}),
    Case("serial numbers of no date", GOOD.replace("2025-03-03 08:00", "1.5"), lines={2: ("poured_at",), 3: ("poured_at",)}, file="inbox/x.csv",
         layouts={"a.toml": rule(poured_at='{ column = "poured_at", format = "serial" }')}),
    # other kinds of file under our endings
    Case("a page with the ending of a table", b"<html><table><tr><td>shop_id</td></tr></table></html>", ("no table has all its columns",)),
    Case("JSON with the ending of a table", b'[{"shop_id": "north"}]', ("no table has all its columns",)),
    Case("old workbook with the new ending", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, ("cannot be read",), file="inbox/pours.xlsx"),
    Case("zip that is no workbook", xml_changed(BOOK, "x", "x")[:200], ("cannot be read",), file="inbox/pours.xlsx"),
    Case("workbook cut short", BOOK[:-60], ("cannot be read",), file="inbox/pours.xlsx"),
    Case("workbook with entities", xml_changed(BOOK, "<workbook", '<!DOCTYPE a [<!ENTITY b "c">]><workbook', "xl/workbook.xml"), ("defines entities",), file="inbox/pours.xlsx"),
    Case("workbook gzipped", gzip.compress(BOOK), used=2, file="inbox/pours.xlsx.gz"),
    Case("gz of nothing", gzip.compress(b""), ("empty",), file="inbox/pours.csv.gz"),
    Case("gz with rubbish behind", gzip.compress(GOOD.encode()) + b"rubbish", ("cannot be unpacked",), file="inbox/pours.csv.gz"),
    Case("gz in two members", gzip.compress(GOOD[:40].encode()) + gzip.compress(GOOD[40:].encode()), used=2, file="inbox/pours.csv.gz"),
    Case("gz inside gz", gzip.compress(gzip.compress(GOOD.encode())), ("packed twice",), file="inbox/pours.csv.gz"),
    Case("parquet gzipped", gzip.compress(parquet(**{c: [str(r[i])[:16] for r in ROWS] for i, c in enumerate(HEADER)})), used=2, file="inbox/pours.parquet.gz"),
    Case("parquet of lists", parquet(shop_id=[["north"]], mix_id=["a"]), ("looks like pours",), file="inbox/pours.parquet"),
    Case("parquet without rows", parquet(**{c: pl.Series([], dtype=pl.String) for c in HEADER}), ("no rows",), file="inbox/pours.parquet"),
    Case("parquet of a billion equal values", parquet(shop_id=pl.repeat("north", 2_000_000, eager=True)), ("max_file_mb",), file="inbox/pours.parquet"),
    Case("parquet of durations, decimals and categories", typed_parquet(), ("durations are not read: spent",), used=1, file="inbox/pours.parquet"),
    # headers
    Case("header in other letters", GOOD.replace("mix_id", "Mix_ID").replace("weighed_g", "weighed"), ("mix_id (is it 'Mix_ID'?)", "weighed_g (is it 'weighed'?)")),
    Case("space between delimiter and quote", "\n".join(", ".join(f'"{c}"' for c in x.split(",")) for x in GOOD.splitlines()), used=2),
    Case("header with empty names", GOOD.replace("weighed_g", "weighed_g,,").replace(",10", ",10,x,").replace(",5\n", ",5,,y\n"), used=2),
    Case("header of spaces around names", GOOD.replace(POURS, " , ".join(HEADER)), used=2),
    Case("header in quotes over two lines", GOOD.replace("weighed_g", 'weighed_g,"Re\nmark"').replace(",10", ",10,").replace(",5\n", ",5,\n"), ("Re mark",), used=2),
    Case("only a delimiter on every line", ",,,\n,,,\n", ("no table has all its columns",)),
    Case("another delimiter without a layout", GOOD.replace(",", "|"), ("no table has all its columns",)),
    # cells of workbooks
    Case("cell in error", xml_changed(by_openpyxl({"Log": [HEADER, *ROWS, [*ROWS[0][:2], 3, *ROWS[0][3:6], "#DIV/0!"]]}), "x", "x"), lines={4: ("cell G4 holds #DIV/0!",)}, used=2, file="inbox/pours.xlsx"),
    Case("formula that was never computed", by_openpyxl({"Log": [HEADER, *ROWS, [*ROWS[0][:2], 3, *ROWS[0][3:6], "=1+1"]]}), lines={4: ("cell G4 holds a formula without",)}, used=2, file="inbox/pours.xlsx"),
    Case("row in merged cells", by_openpyxl({"Log": [HEADER, *ROWS, [None, "a", 3, *ROWS[0][3:6], 1]]}, ("A3:A4",)), lines={4: ("merged cells A3:A4",)}, used=2, file="inbox/pours.xlsx"),
    Case("merged title above the header", by_openpyxl({"Log": [["Scale log"], [], HEADER, *ROWS]}, ("A1:G1",)), ("found on line 3", "Scale log"), used=2, file="inbox/pours.xlsx"),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_another_kind_is_told_and_nothing_else_is_lost(case: Case) -> None:
    judged(case)


def test_there_are_well_over_sixty_kinds_of_damage() -> None:
    from tests.pipeline.test_intake_damaged import CASES as FIRST

    assert len({c.name for c in [*FIRST, *CASES]}) == len(FIRST) + len(CASES) >= 120


# --- workbooks --------------------------------------------------------------------------------------------------------


@both
def test_a_workbook_of_either_library_reads_like_its_csv(write: Any) -> None:
    book = take_in({"inbox/pours.xlsx": write({"Log": [[], ["title"], HEADER, *ROWS]})})
    text = take_in(
        {
            "inbox/pours.csv": GOOD.replace("binder,5", "thin,5")
            .replace(",10", ",10.5")
            .replace("2,2025-03-03 08:00", "2,2025-03-03 08:01")
        }
    )
    assert same(book, text, ("file", "line"))
    assert book.tables["pours"]["line"].to_list() == [4, 5]


@both
def test_sheets_of_one_workbook_feed_their_tables_and_others_are_named(write: Any) -> None:
    steps = [
        OPERATIONS.split(","),
        ["north", "j", 1, "spray", datetime(2025, 3, 3, 9), None, "ada", "gun_1", "clear_a"],
    ]
    taken = take_in({"inbox/week.xlsx": write({"pours": [HEADER, *ROWS], "Steps": steps, "Notes": [["call", "Ada"]]})})
    assert taken.tables["pours"].height == 2 and taken.tables["operations"].height == 1
    books = taken.intake_files.filter(file="inbox/week.xlsx")
    assert books.sort("table", nulls_last=True)["table"].to_list() == ["operations", "pours", None]
    assert books.filter(state="refused")["message"].item().startswith("sheet 'Notes'")


MONTHS: Sheets = {
    "March": [["Scale log"], HEADER, ROWS[0], [*ROWS[1][:6], "x"]],
    "April": [
        HEADER,
        ["north", "b", *ROWS[0][2:]],
        ROWS[1],
        [*ROWS[0][:6], 11.5],
        ["north", "c", 1, ROWS[0][3], "clear_a", "bindr", 3],
    ],
    "Notes": [["call", "Ada"]],
}


@both
@pytest.mark.parametrize(
    "rules", [{}, {"a.toml": rule('sheet = "[MA]*"\nheader_line = "find"')}], ids=["canonical", "layout"]
)
def test_two_sheets_feed_one_table_and_lines_say_which(write: Any, rules: dict[str, str]) -> None:
    name = "inbox/x.xlsx" if rules else "inbox/log.xlsx"
    taken = take_in({name: write(MONTHS)}, rules)
    march, april = f"{name}, sheet 'March'", f"{name}, sheet 'April'"
    assert [(m, f, n) for m, f, n in taken.tables["pours"].select("mix_id", "file", "line").iter_rows()] == [
        ("a", april, 3), ("b", april, 2),
    ]  # fmt: skip
    books = {f: (read, used, lost) for f, read, used, lost in
             taken.intake_files.filter(table="pours").select("file", "rows_read", "accepted", "refused").iter_rows()}  # fmt: skip
    assert books == {march: (2, 0, 2), april: (4, 2, 2)}
    found = reasons(taken, march) | {10 + n: r for n, r in reasons(taken, april).items()}
    assert set(found) == {3, 4, 14, 15}
    assert found[3][0] == found[14][0] == "key conflict"
    assert "lines 3 of sheet 'March', 4 of sheet 'April'" in found[3][1], "one file: neither sheet is the later one"
    assert "'x' is not a number" in found[4][0] and "did you mean 'binder'?" in found[15][0]
    assert "sheet 'March': the header was found on line 2" in message(taken, march) or rules
    assert "Notes" in "; ".join(taken.intake_files["message"].drop_nulls())


def test_a_hidden_sheet_is_read_and_named_as_hidden() -> None:
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(by_openpyxl(MONTHS)))
    book["March"].sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    hidden = out.getvalue()
    assert spreadsheets.look(hidden, 10)["March"].hidden and not spreadsheets.look(hidden, 10)["April"].hidden
    assert "March (pours, hidden), April (pours)" in message(
        take_in({"inbox/log.xlsx": hidden}), "inbox/log.xlsx, sheet 'April'"
    )


def test_sheets_that_feed_one_table_survive_the_store() -> None:
    read = read_file(Source("inbox/log.xlsx", content=by_openpyxl(MONTHS)), [])
    meta, frames = packed([read])
    assert (
        unpack(meta, {name: frame.lazy() for name, frame in frames.items()})[0].sheets
        == read.sheets
        == ("March", "April")
    )


def test_layouts_for_different_sheets_read_one_workbook_together() -> None:
    draws = '[file]\nsheet = "Draws"\n[[tables]]\ntable = "draws"\n[tables.columns]\nshop_id = "s"\njob_id = "j"\noperation_no = "o"\nmix_id = "m"\n'
    book = by_openpyxl(
        {"Log": [HEADER, *ROWS], "Draws": [["s", "j", "o", "m"], ["north", "j", 1, "a"]], "Notes": [["x"]]}
    )
    steps = OPERATIONS + "\nnorth,j,1,spray,2025-03-03 09:00,,ada,gun_1,clear_a\n"
    taken = take_in(
        {"inbox/a.xlsx": book, "inbox/operations.csv": steps}, {"p.toml": rule('sheet = "Log"'), "d.toml": draws}
    )
    assert taken.tables["pours"].height == 2 and taken.tables["draws"].height == 1
    assert "no layout reads: Notes" in message(taken, "inbox/a.xlsx")


@both
def test_a_cell_merged_over_rows_counts_for_each_where_the_layout_says_so(write: Any) -> None:
    rows = [HEADER, ROWS[0], [None, None, *ROWS[1][2:]], [None, None, 3, *ROWS[1][3:]]]
    files_ = {"inbox/x.xlsx": write({"Log": rows}, ("A2:A4", "B2:B4"))}
    assert take_in(files_, {"a.toml": rule('merged = "repeat"')}).tables["pours"]["mix_id"].to_list() == ["a"] * 3
    refused = reasons(take_in(files_, {"a.toml": rule()}), "inbox/x.xlsx")
    assert set(refused) == {3, 4} and all("merged cells" in r[0] for r in refused.values())


@both
def test_a_date_and_a_time_kept_as_such_are_joined_whatever_the_layouts_format(write: Any) -> None:
    header = [c for c in HEADER if c != "poured_at"] + ["Day", "Clock"]
    rows = [[*(v for v in ROWS[0] if not isinstance(v, datetime)), date(2025, 3, 3), time(8, 15)]]
    made = '{ columns = ["Day", "Clock"], format = "%m/%d/%Y %H:%M" }'
    taken = take_in({"inbox/x.xlsx": write({"Log": [header, *rows]})}, {"a.toml": rule(poured_at=made)})
    assert taken.tables["pours"]["poured_at"].to_list() == [datetime(2025, 3, 3, 8, 15)]


def test_a_workbook_that_would_fill_the_memory_is_refused_by_name() -> None:
    far = xml_changed(BOOK, '<c r="A1"', '<c r="XFD1048576"')
    wide = xml_changed(far, '<row r="1"', '<row r="1048576"')
    assert "sheet 'Log' spans 1048576 rows and 16384 columns" in message(
        take_in({"inbox/pours.xlsx": wide}), "inbox/pours.xlsx"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(BOOK)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            target.writestr(name, source.read(name) + b" " * (60_000_000 if "sheet1" in name else 0))
    assert "max_file_mb = 20" in message(
        take_in({"inbox/pours.xlsx": out.getvalue()}, options=Options(max_file_mb=20)), "inbox/pours.xlsx"
    )


def test_what_unpacks_to_hundreds_of_times_its_size_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "RATIO_FROM", 1_000_000)
    monkeypatch.setattr(spreadsheets, "XML_FROM", 1_000_000)
    bomb = gzip.compress(b"0" * 20_000_000)
    assert "200 times" in (read_file(Source("inbox/a.csv.gz", content=bomb), []).message or "")


# --- a public torture set ---------------------------------------------------------------------------------------------

SPECTRUM = [
    ("comma_in_quotes", 'first,last,address,city,zip\nJohn,Doe,120 any st.,"Anytown, WW",08123\n', [["John", "Doe", "120 any st.", "Anytown, WW", "08123"]]),
    ("empty", 'a,b,c\n1,"",""\n2,3,4\n', [["1", None, None], ["2", "3", "4"]]),
    ("empty_crlf", 'a,b,c\r\n1,"",""\r\n2,3,4\r\n', [["1", None, None], ["2", "3", "4"]]),
    ("escaped_quotes", 'a,b\n1,"ha ""ha"" ha"\n3,4\n', [["1", 'ha "ha" ha'], ["3", "4"]]),
    ("json", 'key,val\n1,"{""type"": ""Point"", ""coordinates"": [102.0, 0.5]}"\n', [["1", '{"type": "Point", "coordinates": [102.0, 0.5]}']]),
    ("newlines", 'a,b,c\n1,2,3\n"Once upon \na time",5,6\n7,8,9\n', [["1", "2", "3"], ["Once upon \na time", "5", "6"], ["7", "8", "9"]]),
    ("newlines_crlf", 'a,b,c\r\n1,2,3\r\n"Once upon \r\na time",5,6\r\n7,8,9\r\n', [["1", "2", "3"], ["Once upon \na time", "5", "6"], ["7", "8", "9"]]),
    ("quotes_and_newlines", 'a,b\n1,"ha \n""ha"" \nha"\n3,4\n', [["1", 'ha \n"ha" \nha'], ["3", "4"]]),
    ("simple", "a,b,c\n1,2,3\n", [["1", "2", "3"]]),
    ("simple_crlf", "a,b,c\r\n1,2,3\r\n", [["1", "2", "3"]]),
    ("utf8", "a,b,c\n1,2,3\n4,5,\u02a4\n", [["1", "2", "3"], ["4", "5", "\u02a4"]]),
]  # fmt: skip


@pytest.mark.parametrize(("name", "data", "wanted"), SPECTRUM, ids=[s[0] for s in SPECTRUM])
def test_csv_spectrum_is_read_as_meant(name: str, data: str, wanted: list[list[str | None]]) -> None:
    from pipelines.intake.reading import text

    utf8 = text.to_utf8(data.encode())
    grid = text.grid(utf8, text.records(utf8, ","), 0, ",")
    assert [list(row) for row in grid.rows.drop("line", "damage").iter_rows()] == wanted
    assert grid.rows["damage"].null_count() == len(wanted)


# --- deletions --------------------------------------------------------------------------------------------------------

FIRST = (
    POURS
    + "\n"
    + "".join(
        f"north,{c},1,2025-03-0{d} 08:00,clear_a,binder,10\n" for c, d in (("a", 3), ("b", 4), ("c", 5), ("d", 9))
    )
)
NAME = 'exported_at = { name_pattern = "_(\\\\d+)\\\\.", format = "%Y%m%d" }\n'


def cups(files_: dict[str, str], span: str = "days") -> list[str]:
    return take_in(files_, {"a.toml": rule(f'{NAME}complete_for = "{span}"')}).tables["pours"]["mix_id"].to_list()


def without(text: str, *gone: str) -> str:
    return "".join(line + "\n" for line in text.splitlines() if not any(f",{g}," in line for g in gone))


def test_what_a_complete_export_leaves_out_of_its_days_is_superseded_and_counted() -> None:
    later = without(FIRST, "b", "d")
    files_ = {"inbox/x_20250310.csv": FIRST, "inbox/x_20250311.csv": later}
    taken = take_in(files_, {"a.toml": rule(f'{NAME}complete_for = "days"')})
    assert taken.tables["pours"]["mix_id"].to_list() == ["a", "c", "d"], "d lies after its last day"
    books = {
        f: (a, s)
        for f, a, s in taken.intake_files.filter(table="pours").select("file", "accepted", "superseded").iter_rows()
    }
    assert books["inbox/x_20250310.csv"] == (3, 1)
    assert "1 rows of earlier files are not in this export" in message(taken, "inbox/x_20250311.csv")
    assert cups(files_, "months") == ["a", "c"]


def test_a_unit_that_a_still_later_file_has_is_not_deleted() -> None:
    files_ = {
        "inbox/x_20250310.csv": FIRST,
        "inbox/x_20250311.csv": without(FIRST, "b"),
        "inbox/x_20250312.csv": without(FIRST, "a", "c", "d"),
    }
    assert "b" in cups(files_)


def test_a_complete_export_with_an_unreadable_row_deletes_nothing_it_cannot_be_sure_of() -> None:
    files_ = {"inbox/x_20250310.csv": FIRST, "inbox/x_20250311.csv": FIRST.replace(",b,", ",,")}
    assert cups(files_) == ["a", "b", "c", "d"]
    spoilt = take_in({**files_, "inbox/x_20250311.csv": FIRST.replace("b,1,2025-03-04 08:00,clear_a,binder,10", "b,1,2025-03-04 08:00,clear_a,binder,x")},
                     {"a.toml": rule(f'{NAME}complete_for = "days"')})  # fmt: skip
    assert "b" in spoilt.tables["pours"]["mix_id"].to_list()


def test_what_hangs_on_a_deleted_cup_goes_with_it_and_leaves_nothing_incomplete() -> None:
    left = "shop_id,mix_id,weighed_at,leftover_g\nnorth,b,2025-03-04 10:00,4\nnorth,a,2025-03-03 10:00,x\n"
    files_ = {
        "inbox/x_20250310.csv": FIRST,
        "inbox/x_20250311.csv": without(FIRST, "a", "b").replace(
            "north,c", "north,e,1,2025-03-01 08:00,clear_a,binder,1\nnorth,c"
        ),
    }
    found = {"a.toml": rule(f'match_name = "x_*"\n{NAME}complete_for = "days"')}
    assert marks(take_in({**files_, "inbox/leftovers.csv": left} | {"inbox/x_20250311.csv": FIRST}, found), "cup") == {
        ("north", "a")
    }
    gone = take_in({**files_, "inbox/leftovers.csv": left}, found)
    assert gone.tables["leftovers"].is_empty() and marks(gone, "cup") == set()


def test_the_order_of_reading_moves_nothing_with_deletions_either() -> None:
    files_ = {
        "inbox/x_20250310.csv": FIRST,
        "inbox/x_20250311.csv": without(FIRST, "b"),
        "inbox/x_20250312.csv": without(FIRST, "a"),
    }
    rules = {"a.toml": rule(f'{NAME}complete_for = "months"')}
    base = take_in(files_, rules)
    names = list(files_)
    for seed in range(4):
        random.Random(seed).shuffle(names)
        assert same(base, take_in({n: files_[n] for n in names}, rules))


# --- small things -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("cell", "century", "wanted"), [
    ("01.02.70", 1970, date(1970, 2, 1)), ("01.02.69", 1970, date(2069, 2, 1)), ("29.02.00", 2000, date(2000, 2, 29)),
    ("29.02.00", 1950, date(2000, 2, 29)), ("29.02.96", 1950, date(1996, 2, 29)), ("29.02.97", 1950, None), ("01.01.49", 1950, date(2049, 1, 1)),
])  # fmt: skip
def test_two_digits_fall_into_the_stated_hundred_years(cell: str, century: int, wanted: date | None) -> None:
    text = rule(f"century = {century}", poured_at='{ column = "poured_at", format = "%d.%m.%y" }')
    data = f"{POURS}\nnorth,a,1,{cell},clear_a,binder,1\n"
    read = read_file(Source("inbox/x.csv", content=data.encode()), [layout.parse("a.toml", text)])
    assert [v.date() for v in read.tables["pours"].rows.collect()["poured_at"]] == ([wanted] if wanted else [])


@pytest.mark.parametrize(("head", "said"), [
    ('skip = [{ column = "x" }]', "skip: give one of"), ('complete_for = "days"\nmode = "append"', "additions alone"),
    ('header_line = "search"', "header_line"), ("century = 70", "century"), ('merged = "yes"', "merged"),
    ('exported_at = { name_pattern = "(x)", format = "%y" }', "two digits"),
])  # fmt: skip
def test_new_keys_that_cannot_be_meant_are_errors(head: str, said: str) -> None:
    with pytest.raises(layout.LayoutError, match=said):
        layout.parse("layouts/a.toml", rule(head))


BASE = (
    rule('delimiter = ";"')
    + "\n[[tables]]\ntable = 'leftovers'\n[tables.columns]\nshop_id = 's'\nmix_id = 'm'\nweighed_at = 'a'\nleftover_g = 'l'\n"
)


@pytest.mark.parametrize(("old", "new", "line", "said"), [
    ("delimiter", "delimitr", 2, "did you mean 'delimiter'"), ('";"', '";;"', 2, "one plain character"), ('";"', "3", 2, "found 3; write a text in quotes"),
    ("[file]", "[fil]", 1, "did you mean 'file'"), ("[file]\n", "[file]\nheader_line = 0\n", 2, 'from 1, or "find"'), ("[file]\n", "[file]\nmode = 'add'\n", 2, "write 'replace' or 'append'"),
    ('"mix_id"', "{ column = 'x', colum = 'y' }", 7, "unknown key"), ('"mix_id"', "7", 7, 'such as { column = "Net" }'), ('"weighed_g"', "{ column = 'x', unit = 'gal' }", 12, "weighed_g: the unit 'gal' is ambiguous"),
    ('"weighed_g"', "{ column = 'x', weights = 'sum' }", 12, "write 'incremental'"), ('"weighed_g"', "{ column = 'x', tare_g = -1 }", 12, "or more"), ('"poured_at"', "{ column = 'x', format = '%y' }", 9, "two digits"),
    ("'leftovers'", "'leftover'", 14, "did you mean 'leftovers'"), ("leftover_g = 'l'\n", "", 15, "leftovers needs leftover_g"), ("leftover_g = 'l'", "leftover_g = 'l'\nleftover = 'm'", 20, "'leftover' is no column"),
    ("leftover_g = 'l'", "leftover_g = { column = 'l', weights = 'cumulative' }", 19, "weights belongs on weighed_g"), ("shop_id = 's'", "shop_id = ", 16, "this is not TOML"), ("mix_id = 'm'", "shop_id = 't'", 17, "stands twice"),
])  # fmt: skip
def test_what_is_wrong_in_a_layout_is_named_with_its_line(old: str, new: str, line: int, said: str) -> None:
    assert old in BASE and layout.parse("layouts/a.toml", BASE)
    with pytest.raises(layout.LayoutError) as error:
        layout.parse("layouts/a.toml", BASE.replace(old, new, 1))
    assert f"layouts/a.toml, line {line}: " in str(error.value) and said in str(error.value), error.value


def test_what_was_read_survives_the_store_with_all_its_marks() -> None:
    book = by_openpyxl({"pours": [HEADER, *ROWS], "Notes": [["x"]]})
    read = read_file(Source("inbox/a.xlsx", content=book), [])
    meta, frames = packed([read])
    again = unpack(meta, {name: frame.lazy() for name, frame in frames.items()})[0]
    assert dataclasses.replace(again, tables={}) == dataclasses.replace(read, tables={}) and again.refused_parts


def test_a_file_over_the_limit_is_not_even_opened(tmp_path: Path) -> None:
    big = tmp_path / "big.csv"
    with open(big, "wb") as handle:
        handle.truncate(3_000_000)
    source = Source("inbox/big.csv", big)
    read = read_file(source, [], Options(max_file_mb=2))
    assert read.state == "refused" and "max_file_mb = 2" in (read.message or "")
    assert read.sha256 == "", "known by its size and time: hashing would read it whole"
    assert "data" not in source.__dict__
