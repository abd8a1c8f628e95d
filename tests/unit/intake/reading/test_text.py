"""Bytes to rows of text. The rules are those of RFC 4180; Python's csv module is the second opinion."""

import codecs
import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.intake.reading import text
from pipelines.intake.reading.files import FileRefused, Source, unpacked


def rows(data: str | bytes, delimiter: str = ",", header_line: int | None = None) -> text.Grid:
    utf8 = text.to_utf8(data.encode() if isinstance(data, str) else data)
    found = text.records(utf8, delimiter)
    at = text.first_line(found, utf8, header_line)
    assert at is not None
    return text.grid(utf8, found, at, delimiter)


def lines(grid: text.Grid) -> list[tuple[int, ...]]:
    return grid.rows.drop("damage").rows()


def test_every_row_knows_its_physical_line_blank_lines_included() -> None:
    grid = rows("a,b\n1,2\n\n  \n3,4\n,,\n5,6")
    assert lines(grid) == [(2, "1", "2"), (5, "3", "4"), (7, "5", "6")]


def test_quoted_newlines_move_the_lines_after_them() -> None:
    grid = rows('a,b\n1,"x\ny ""z"""\n3,4\n')
    assert lines(grid) == [(2, "1", 'x\ny "z"'), (4, "3", "4")]
    assert grid.origin.raw(grid.rows).to_list() == ['1,"x\ny ""z"""', "3,4"]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_all_three_line_ends_give_the_same_rows(end: str) -> None:
    assert lines(rows(end.join(["a,b", "1,2", "", "3,4"]))) == [(2, "1", "2"), (4, "3", "4")]


@pytest.mark.parametrize(
    "encoded",
    [
        codecs.BOM_UTF8 + "a,b\nä,€\n".encode(),
        "a,b\nä,€\n".encode(),
        codecs.BOM_UTF16_LE + "a,b\nä,€\n".encode("utf-16-le"),
        codecs.BOM_UTF16_BE + "a,b\nä,€\n".encode("utf-16-be"),
        codecs.BOM_UTF32_LE + "a,b\nä,€\n".encode("utf-32-le"),
    ],
)
def test_a_byte_order_mark_says_the_encoding(encoded: bytes) -> None:
    # The Unicode Standard, chapter 23.8, table "Unicode Encoding Scheme Signatures"
    grid = rows(encoded)
    assert grid.header == ["a", "b"] and lines(grid) == [(2, "ä", "€")]


def test_another_encoding_is_read_when_named_and_refused_with_its_line_when_not() -> None:
    data = "a,b\n1,2\nä,3\n".encode("windows-1252")
    assert "ä".encode() in text.to_utf8(data, "windows-1252")
    with pytest.raises(FileRefused, match=r"line 3.*0xE4.*utf-8.*windows-1252"):
        text.to_utf8(data)


@pytest.mark.parametrize(("data", "said"), [(b"", "empty"), (b" \n\n", "empty"), (b"a,b\n1,\0\n", "byte 6")])
def test_empty_and_binary_files_are_refused(data: bytes, said: str) -> None:
    with pytest.raises(FileRefused, match=said):
        text.to_utf8(data)


def test_rows_with_too_few_or_too_many_cells_are_kept_with_their_damage() -> None:
    grid = rows("a,b,c\n1,2\n1,2,3\n1,2,3,4\n1,2,3,,\n")
    assert grid.rows.drop("damage").rows() == [
        (2, "1", "2", None), (3, "1", "2", "3"), (4, "1", "2", "3"), (5, "1", "2", "3"),
    ]  # fmt: skip
    assert [d is not None for d in grid.rows["damage"]] == [True, False, True, False]
    assert "2 cells, the header 3" in grid.rows["damage"][0]


def test_an_open_quote_spoils_its_own_row_only() -> None:
    grid = rows('a,b\n1,"open\n3,4\n5,6\n')
    assert grid.rows["line"].to_list() == [2, 3, 4]
    assert [d is not None for d in grid.rows["damage"]] == [True, False, False]


def test_a_quoted_newline_survives_in_a_file_with_a_damaged_quote_elsewhere() -> None:
    grid = rows('a,b\n1,"x\ny"\n"p"q,4\n5,6\n')
    assert grid.rows["line"].to_list() == [2, 4, 5]
    assert grid.rows["c1"].to_list()[0] == "x\ny"
    assert [d is not None for d in grid.rows["damage"]] == [False, True, False]


def test_an_inch_mark_inside_a_cell_is_no_quote() -> None:
    grid = rows('a,b\nhose 5",2\n')
    assert lines(grid) == [(2, 'hose 5"', "2")] and grid.rows["damage"].null_count() == 1


def test_the_mark_at_a_texts_end_is_no_cell_and_the_same_sign_inside_a_row_is_one() -> None:
    for end in ("\x1a", "\n\x1a", "\n\x1a\r\n", "\n\x1a\x1a"):
        assert [list(r[1:]) for r in lines(rows(f"a,b\n1,2{end}", ","))] == [["1", "2"]], end
    assert [list(r[1:]) for r in lines(rows("a,b\n,\x1a\n", ","))] == [[None, "\x1a"]]


_cell = st.text(
    st.characters(codec="utf-8", exclude_characters="\0\r\x1c\x1d\x1e\x1f", exclude_categories=["Cs"]), max_size=8
)


@given(st.lists(st.lists(_cell, min_size=3, max_size=3), max_size=8), st.sampled_from([",", ";", "\t"]), st.booleans())
@settings(max_examples=150, deadline=None)
def test_whatever_pythons_csv_writes_is_read_back(table: list[list[str]], delimiter: str, quote_all: bool) -> None:
    out = io.StringIO()
    writer = csv.writer(
        out, delimiter=delimiter, lineterminator="\n", quoting=csv.QUOTE_ALL if quote_all else csv.QUOTE_MINIMAL
    )
    writer.writerow(["a", "b", "c"])
    writer.writerows(table)
    grid = rows(out.getvalue(), delimiter)
    wanted = [[c.strip() or None for c in row] for row in table]
    assert [list(r[1:]) for r in lines(grid)] == [r for r in wanted if any(r)]
    assert grid.rows["damage"].null_count() == grid.rows.height


@given(st.text(st.sampled_from('a",\n; 1'), max_size=60))
@settings(max_examples=300, deadline=None)
def test_no_line_is_lost_however_damaged_the_quotes(body: str) -> None:
    data = "h1,h2\n" + body
    grid = rows(data)
    covered: set[int] = set()
    raws = grid.origin.raw(grid.rows).to_list()
    for line, raw in zip(grid.rows["line"], raws, strict=True):
        covered |= set(range(line, line + raw.count("\n") + 1))
    for number, line in enumerate(data.split("\n")[1:], start=2):
        blank = not line.replace(",", "").replace('"', "").strip()
        assert blank or number in covered


def test_a_compressed_bomb_is_stopped_at_the_limit() -> None:
    import gzip

    bomb = gzip.compress(b"0" * 30_000_000)
    with pytest.raises(FileRefused, match="max_file_mb = 1"):
        unpacked(Source("inbox/a.csv.gz", content=bomb), 1.0)


def test_all_members_of_a_gzip_file_are_read_and_a_cut_one_is_refused() -> None:
    import gzip

    both = gzip.compress(b"a,b\n") + gzip.compress(b"1,2\n")
    assert unpacked(Source("inbox/a.csv.gz", content=both), 1.0) == b"a,b\n1,2\n"
    with pytest.raises(FileRefused, match="middle"):
        unpacked(Source("inbox/a.csv.gz", content=both[:-6]), 1.0)
