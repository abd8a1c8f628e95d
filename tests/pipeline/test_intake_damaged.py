"""Damaged exports: each kind is a row of a table here. No traceback, every row accounted for, every refusal names the place.

`take_in` checks the books of every case. A case says what must be found: a word in the file's message, or words in the
reasons of a line, and how many rows are used.
"""

from __future__ import annotations

import gzip
import io
from dataclasses import dataclass, field

import polars as pl
import pytest

from pipelines.intake.reading.read import Options
from tests.pipeline.intake_bench import OPERATIONS, POURS, message, reasons, take_in

ROW = "north,a,{},2025-03-03 08:00,clear_a,binder,{}\n"
GOOD = POURS + "\n" + ROW.format(1, 10) + ROW.format(2, 5)
LAYOUT = """
[file]
match_name = "{name}"
{file}
[[tables]]
table = "pours"
[tables.columns]
""" + "\n".join(f'{c} = "{c}"' for c in POURS.split(","))


def layout(name: str = "*", file: str = "") -> str:
    return LAYOUT.format(name=name, file=file)


def parquet(**columns: object) -> bytes:
    out = io.BytesIO()
    pl.DataFrame(columns).write_parquet(out)
    return out.getvalue()


def xlsx(sheets: dict[str, list[list[object]]]) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def xl_rows(*rows: list[object]) -> list[list[object]]:
    return [POURS.split(","), *rows]


@dataclass
class Case:
    """`name` of the kind; one file by name and content; `said` in its message; `lines` -> words in its reasons."""

    name: str
    content: str | bytes
    said: tuple[str, ...] = ()
    lines: dict[int, tuple[str, ...]] = field(default_factory=dict)
    used: int = 0
    file: str = "inbox/pours.csv"
    layouts: dict[str, str] = field(default_factory=dict)


CASES = [
    # whole files
    Case("empty file", b"", ("empty",)),
    Case("only blank lines", b"\n\n  \n", ("empty",)),
    Case("header alone", POURS + "\n", ("no rows",)),
    Case("binary", b"\x7fELF\0\0\x01", ("no text",)),
    Case("picture with the ending of a table", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", ("no text",)),
    Case("zip with the ending of a table", b"PK\x03\x04\x14\0\0\0", ("no text",)),
    Case("windows-1252 without a layout", POURS.encode() + b"\nnorth,\xe4,1,2025-03-03 08:00,clear_a,binder,1\n",
         ("line 2", "0xE4", "windows-1252")),
    Case("another kind of file", b"%PDF-1.7", (".pdf", ".csv"), file="inbox/a.pdf"),
    Case("no ending", GOOD, ("not read",), file="inbox/pours"),
    Case("gz that is none", GOOD, ("cannot be unpacked",), file="inbox/pours.csv.gz"),
    Case("gz cut short", gzip.compress(GOOD.encode())[:-9], ("ends in the middle",), file="inbox/pours.csv.gz"),
    Case("gz with its checksum broken", gzip.compress(GOOD.encode())[:-8] + b"\0" * 8, ("cannot be unpacked",),
         file="inbox/pours.csv.gz"),
    Case("parquet that is none", GOOD, ("cannot be read",), file="inbox/pours.parquet"),
    Case("parquet cut short", parquet(a=[1])[:-20], ("cannot be read",), file="inbox/pours.parquet"),
    Case("xlsx that is none", GOOD, ("cannot be read",), file="inbox/pours.xlsx"),
    Case("empty xlsx", xlsx({"a": []}), ("empty",), file="inbox/pours.xlsx"),
    Case("xlsx with two sheets", xlsx({"a": xl_rows(), "b": [["x"]]}), ("sheet 'b'", "no table has all its columns"), file="inbox/pours.xlsx"),
    Case("larger than allowed", GOOD + "x" * 3_000_000, ("max_file_mb",)),
    Case("compressed bomb", gzip.compress(b"0" * 9_000_000), ("max_file_mb",), file="inbox/pours.csv.gz"),
    Case("register of no table", "a\n1\n", ("'gunz' is no table", "'guns'"), file="registers/gunz.csv"),
    Case("register without its key", "label\nx\n", ("lacks component_id", "label"), file="registers/component_species.csv"),
    # headers
    Case("missing column", GOOD.replace("weighed_g", "grams"), ("pours without weighed_g", "grams"), file="inbox/x.csv"),
    Case("missing column, named file", GOOD.replace("weighed_g", "grams"), ("weighed_g", "grams")),
    Case("misspelt column", GOOD.replace("mix_id", "mixid"), ("mix_id",)),
    Case("column twice", GOOD.replace("weighed_g", "weighed_g,weighed_g").replace(",10", ",10,10").replace(",5", ",5,5"),
         ("'weighed_g' stands twice",)),
    Case("header in capitals", GOOD.replace(POURS, POURS.upper()), ("no table has all its columns",)),
    Case("no header", "north,a,1,2025-03-03 08:00,clear_a,binder,10\n", ("no table has all its columns",)),
    Case("header of two tables", "shop_id,job_id,operation_no,mix_id,panel_id\nnorth,j,1,a,door\n",
         ("draws", "operation_panels", "equally well"), file="inbox/x.csv"),
    Case("two layouts claim it", GOOD, ("2 layouts claim this file: one, two", "shop_id"),
         layouts={"one.toml": layout(), "two.toml": layout()}),
    Case("a layout's column is missing", GOOD.replace("weighed_g", "net"), ("layout one", "line 1", "weighed_g"),
         layouts={"one.toml": layout()}, file="inbox/x.csv"),
    Case("a layout's encoding does not fit", GOOD.replace(",a,", ",\u00e4,"), ("layout one", "line 2", "not ascii"), used=2,
         layouts={"one.toml": layout(file='encoding = "ascii"')}, file="inbox/x.csv"),
    Case("a layout's sheet is missing", xlsx({"a": xl_rows()}), ("no sheet 'Log'", "it has: a"),
         layouts={"one.toml": layout(file='sheet = "Log"')}, file="inbox/zz.xlsx"),
    Case("unknown columns are named", GOOD.replace("weighed_g", "weighed_g,Remark").replace("10\n", "10,x\n").replace(",5\n", ",5,y\n"),
         ("columns not used: Remark",), used=2),
    # rows
    Case("text in a number", GOOD + ROW.format(3, "ten"), lines={4: ("weighed_g: 'ten' is not a number",)}, used=2),
    Case("unit in a number", GOOD + ROW.format(3, "10 g"), lines={4: ("'10 g' is not a number",)}, used=2),
    Case("decimal comma in quotes", GOOD + ROW.format(3, '"1,5"'), lines={4: ("Write 1.5",)}, used=2),
    Case("decimal comma splits the row", GOOD + ROW.format(3, "1,5"), lines={4: ("8 cells, the header 7",)}, used=2),
    Case("infinite mass", GOOD + ROW.format(3, "inf"), lines={4: ("not a finite",)}, used=2),
    Case("mass too large for a number", GOOD + ROW.format(3, "1e400"), lines={4: ("not a finite",)}, used=2),
    Case("nan", GOOD + ROW.format(3, "nan"), lines={4: ("not a number",)}, used=2),
    Case("empty mass", GOOD + ROW.format(3, ""), lines={4: ("weighed_g: must not be empty",)}, used=2),
    Case("empty cup", GOOD + ROW.format(3, 1).replace(",a,", ",,"), lines={4: ("mix_id: must not be empty",)}, used=2),
    Case("pour number 0", GOOD + ROW.format(0, 1), lines={4: ("pour_no: '0' must be at least 1",)}, used=2),
    Case("pour number 1.5", GOOD + ROW.format(1.5, 1), lines={4: ("whole number",)}, used=2),
    Case("day that does not exist", GOOD + ROW.format(3, 1).replace("03-03", "02-30"), lines={4: ("poured_at", "exists")}, used=2),
    Case("date in another order", GOOD + ROW.format(3, 1).replace("2025-03-03", "03/04/2025"),
         lines={4: ("layout can give another format",)}, used=2),
    Case("year of two digits", GOOD + ROW.format(3, 1).replace("2025", "25"), lines={4: ("poured_at",)}, used=2),
    Case("date of another age", GOOD + ROW.format(3, 1).replace("2025", "0025"), lines={4: ("four digits",)}, used=2),
    Case("unknown component", GOOD + ROW.format(3, 1).replace("binder", "bindr"), lines={4: ("did you mean 'binder'",)}, used=2),
    Case("unknown shop", GOOD + ROW.format(3, 1).replace("north", "nord"), lines={4: ("shop_id", "'north'")}, used=2),
    Case("row cut short", GOOD + "north,a,3,2025-03-0", lines={4: ("4 cells, the header 7",)}, used=2),
    Case("row too long", GOOD + ROW.format(3, 1).strip() + ",x\n", lines={4: ("8 cells, the header 7",)}, used=2),
    Case("two rows on one line", GOOD + ROW.format(3, 1).strip() + ROW.format(4, 1), lines={4: ("13 cells",)}, used=2),
    Case("open quote", GOOD + ROW.format(3, 1).replace("binder", '"binder') + ROW.format(4, 1), lines={4: ("quote",)}, used=3),
    Case("quote in a quote", GOOD + ROW.format(3, 1).replace("binder", '"bin"der"'), lines={4: ("quote",)}, used=2),
    Case("repeated header", GOOD + POURS + "\n" + ROW.format(3, 1), ("stands again on lines 4",), used=3),
    Case("line of totals", GOOD + "Total,,,,,,15\n", lines={4: ("mix_id: must not be empty",)}, used=2),
    Case("differing rows with one key", GOOD + ROW.format(2, 6), lines={3: ("key conflict",), 4: ("key conflict", "3, 4")}, used=1),
    Case("the same row twice", GOOD + ROW.format(2, 5), used=2),
    Case("spreadsheet formula", GOOD + ROW.format(3, "=1+1"), lines={4: ("'=1+1' is not a number",)}, used=2),
    Case("script for an id", GOOD + ROW.format(3, 1).replace("binder", "<script>alert(1)</script>"), lines={4: ("<script>",)}, used=2),
    Case("path for an id", GOOD + ROW.format(3, 1).replace(",a,", ",../../etc,"), used=3),
    Case("SQL for an id", GOOD + ROW.format(3, 1).replace(",a,", ",'; drop table pours;--,"), used=3),
    Case("a cell of a megabyte", GOOD + ROW.format(3, "9" * 1_000_000 + "x"), lines={4: ("1000001 characters",)}, used=2),
    Case("ten thousand columns", ",".join([POURS, *(f"x{i}" for i in range(10_000))]) + "\n" + ROW.format(1, 1).strip() + ",1" * 10_000 + "\n",
         ("more than 2,000 columns",), used=0),
    Case("control characters in an id", GOOD + ROW.format(3, 1).replace("binder", "bin\x07\x1bder"), lines={4: ("component_id",)}, used=2),
    # honest variety that must not be refused
    Case("byte order mark", b"\xef\xbb\xbf" + GOOD.encode(), used=2),
    Case("UTF-16 with a mark", GOOD.encode("utf-16"), used=2),
    Case("carriage returns", GOOD.replace("\n", "\r"), used=2),
    Case("semicolons", GOOD.replace(",", ";"), used=2),
    Case("tabs", GOOD.replace(",", "\t"), used=2, file="inbox/pours.tsv"),
    Case("no newline at the end", GOOD.strip(), used=2),
    Case("blank lines between", GOOD.replace("\n", "\n\n") + ",,,,,,\n", used=2),
    Case("blanks around cells", GOOD.replace(",", " , ").replace("north", "\u00a0north"), used=2),
    Case("everything in quotes", "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in GOOD.strip().split("\n")), used=2),
    Case("columns in another order", pl.read_csv(io.StringIO(GOOD), infer_schema=False).select(
        reversed(POURS.split(","))).write_csv(), used=2),
    Case("empty cells at the end of every row", GOOD.replace("\n", ",,\n").replace("weighed_g,,", "weighed_g"), used=2),
    Case("gzipped twice over", gzip.compress(GOOD.encode()), used=2, file="inbox/deep/er/pours.CSV.GZ"),
    Case("xlsx with numbers and dates", xlsx({"Log": xl_rows(
        ["north", "a", 1, __import__("datetime").datetime(2025, 3, 3, 8, 0), "clear_a", "binder", 10.123456789012],
        [None] * 7, ["north", "a", 2, "2025-03-03 08:01", "clear_a", "binder", "x"])}),
         lines={4: ("'x' is not a number",)}, used=1, file="inbox/pours.xlsx"),
    Case("parquet with types", parquet(shop_id=["north", "north"], mix_id=["a", "a"], pour_no=[1, 2], poured_at=pl.Series(
        ["2025-03-03 08:00:00", "2025-03-03 08:00:01"]).str.to_datetime(time_unit="ns"), product_id=["clear_a"] * 2,
        component_id=["binder"] * 2, weighed_g=[10.5, float("nan")]), lines={2: ("weighed_g",)}, used=1, file="inbox/pours.parquet"),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_a_damaged_export_is_told_and_nothing_else_is_lost(case: Case) -> None:
    other = "inbox/operations.csv"
    files = {case.file: case.content, other: OPERATIONS + "\nnorth,j,1,spray,2025-03-03 09:00,,ada,gun_1,clear_a\n"}
    taken = take_in(files, case.layouts, options=Options(max_file_mb=2.5))
    assert taken.tables["operations"].height == 1, "the rest of the run goes on"
    said = message(taken, case.file)
    for word in case.said:
        assert word in said, said
    found = reasons(taken, case.file)
    assert set(found) == set(case.lines), found
    for line, words in case.lines.items():
        for word in words:
            assert any(word in reason for reason in found[line]), found[line]
    used = taken.intake_files.filter(pl.col("file") == case.file)["accepted"].sum()
    assert used == case.used
    assert len(said) < 5000 and all(len(r) < 1000 for rs in found.values() for r in rs)
    assert "Traceback" not in said and "Error:" not in said


def test_every_refused_row_keeps_its_text_as_it_stood() -> None:
    text = GOOD + 'north,"a\nb",3,2025-03-03 08:00,clear_a,binder,x  \n' + ROW.format(4, 7).replace("binder", "bindr")
    taken = take_in({"inbox/pours.csv": text})
    raw = dict(taken.refused_rows.select("line", "raw").iter_rows())
    assert raw == {
        4: 'north,"a\nb",3,2025-03-03 08:00,clear_a,binder,x  ',
        6: "north,a,4,2025-03-03 08:00,clear_a,bindr,7",
    }


DIGITS = [0.123456789012345, 2.5e-06, 234567.123456789]  # a workbook holds 15 digits or more


def test_numbers_of_a_spreadsheet_keep_all_their_digits() -> None:
    rows = xl_rows(*(["north", "a", i + 1, "2025-03-03 08:00", "clear_a", "binder", w] for i, w in enumerate(DIGITS)))
    taken = take_in({"inbox/pours.xlsx": xlsx({"s": rows})})
    assert taken.tables["pours"]["weighed_g"].to_list() == DIGITS
