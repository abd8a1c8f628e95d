"""Files that no shop means to bring: what `make hostile` measures one by one, and of which the tests read the quick ones.

`BODIES` are bytes that stand under any kind of name; `whole()` gives files of one kind each, written when they are asked for.
Everything is made from a seed of its own, so that a finding can be made again.
"""

# ruff: noqa: E501
from __future__ import annotations

import gzip
import io
import random
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl

POURS = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g"
GOOD = "north,a,1,2025-03-03 08:00,clear_a,binder,10"
NAMES = ["inbox/pours.csv", "inbox/x.txt", "inbox/x.csv.gz", "inbox/x.xlsx", "inbox/x.parquet", "registers/guns.csv"]


def row(**changed: str) -> bytes:
    cells = dict(zip(POURS.split(","), GOOD.split(","), strict=True)) | changed
    return (POURS + "\n" + ",".join(cells.values()) + "\n").encode("utf-8", "surrogatepass")


BODIES: dict[str, bytes] = {
    "json lines": b'{"a":1}\n' * 2000, "json on one line": b'{"a":1},' * 60_000, "nothing but commas": b"," * 60_000,
    "lines of commas": (b"," * 5000 + b"\n") * 40, "wide rows": POURS.encode() + b"\n" + (b"1," * 200_000 + b"\n") * 3,
    "quotes": b'"' * 50_000, "quotes and commas": b'",' * 30_000, "open quote": POURS.encode() + b'\n"' + b"a,b\n" * 5000,
    "line ends": b"\r\n" * 50_000, "carriage returns": b"a\r" * 50_000, "zeros": b"\0" * 100_000, "high bytes": b"\xff" * 100_000,
    "html": b"<html><table>" + b"<tr><td>1</td></tr>" * 5000, "nested html": b"<div>" * 50_000, "tabs": b"\t" * 60_000,
    "semicolons": (b";" * 300 + b"\n") * 300, "marks": b"\xef\xbb\xbf" * 20_000, "surrogates": b"\xed\xa0\x80" * 20_000,
    "utf-16 halves": b"\xff\xfe" + b"\x00\xd8" * 20_000, "utf-16 odd": b"\xff\xfea", "utf-32": b"\xff\xfe\0\0" + b"a\0\0\0" * 9000,
    "end marks": b"\x1a" * 60_000, "separators": (chr(0x2028) * 20_000).encode(), "combining": ("a" + chr(0x301) * 30_000).encode(),
    "right to left": (POURS + "\n" + "\u202e" * 9000).encode(), "numbers": POURS.encode() + b"\n" + b"9" * 30_000,
    "exponents": POURS.encode() + b"\n" + b"n,a,1,2025-03-03,c,b,1e999999999\n" * 100, "twice": (POURS + "\n").encode() * 3000,
    "one header twice in a row": (POURS + "," + POURS + "\n").encode(), "same column": b"mix_id," * 500 + b"\n",
    "zip": b"PK\x03\x04" + b"\0" * 5000, "gzip": gzip.compress(b"a" * 3_000_000), "gzip in gzip": gzip.compress(gzip.compress(b"a")),
    "parquet": b"PAR1" + b"\xff" * 5000 + b"PAR1", "end of parquet": b"PAR1" + b"\0" * 16 + b"\xff\xff\xff\x7fPAR1", "empty": b"",
    "a pdf": b"%PDF-1.7\n" + b"1 0 obj\n" * 3000, "a script": b"#!/bin/sh\nrm -rf /\n", "a formula": POURS.encode() + b'\n=cmd|" /C calc"!A0',
    # since the bounds were set
    "deep json": b"[" * 200_000 + b"]" * 200_000, "deep json in lines": b'{"a":\n' * 50_000, "deep xml": b"<a>\n" * 100_000,
    "header alone": POURS.encode(), "header and ends": POURS.encode() + b"\r\n\n\r\r\n", "nul in a cell": row(mix_id="a\0b"),
    "nul at the end": row() + b"\0", "nul at the start": b"\0" + row(), "every second a nul": row().replace(b"", b"\0")[1:],
    "line ends mixed": row() + GOOD.replace(",a,", ",b,").encode() + b"\r" + GOOD.replace(",a,", ",c,").encode() + b"\r\n\n",
    "vertical tabs": row().replace(b"\n", b"\x0b"), "form feeds": row().replace(b"\n", b"\x0c"), "next lines": row().replace(b"\n", b"\xc2\x85"),
    "records by 0x1e": row().replace(b"\n", b"\x1e").replace(b",", b"\x1f"), "end mark inside": row(mix_id="a\x1ab") + GOOD.encode(),
    "end mark alone on a line": row() + b"\x1a\n" + GOOD.replace(",a,", ",b,").encode() + b"\n", "backspaces": row(mix_id="a\x08b"),
    "escape codes": row(mix_id="\x1b[31mred\x1b[0m"), "bells": row(mix_id="\x07" * 50), "overlong": POURS.encode() + b"\n\xc0\xaf,\xe0\x80\xaf\n",
    "five bytes": b"\xf8\x88\x80\x80\x80" * 5000, "half a sign": row()[:-2] + b"\xe2\x82", "lone half": row(mix_id="a\ud800b"),
    "cesu": row(mix_id="\ud83d\ude00"), "private use": row(mix_id="\ue000\U000f0000"), "non-signs": row(mix_id="\ufffe\uffff\ufdd0"),
    "utf-8 mark twice": b"\xef\xbb\xbf\xef\xbb\xbf" + row(), "utf-7 mark": b"+/v8-" + row(), "utf-1 mark": b"\xf7\x64\x4c" + row(),
    "utf-16 without a mark": row().decode().encode("utf-16-le"), "utf-16 big without a mark": row().decode().encode("utf-16-be"),
    "utf-16": row().decode().encode("utf-16"), "utf-16 big": b"\xfe\xff" + row().decode().encode("utf-16-be"),
    "utf-16 cut": row().decode().encode("utf-16")[:-1], "utf-16 swapped": b"\xff\xfe" + row().decode().encode("utf-16-be"),
    "utf-32 little": row().decode().encode("utf-32"), "utf-32 big": b"\0\0\xfe\xff" + row().decode().encode("utf-32-be"),
    "utf-32 cut": row().decode().encode("utf-32")[:-3], "utf-32 beyond": b"\xff\xfe\0\0" + b"\xff\xff\xff\x7f" * 50,
    "utf-32 without a mark": row().decode().encode("utf-32-le"), "utf-16 with a nul": ("\ufeff" + POURS + "\na\0b").encode("utf-16-le"),
    "ebcdic": row().decode().encode("cp500"), "latin-1": row(mix_id="M\u00fcller").decode().encode("latin-1"), "mark alone": b"\xef\xbb\xbf",
    "utf-16 mark alone": b"\xff\xfe", "utf-32 mark alone": b"\xff\xfe\0\0", "marks of direction": row(mix_id="\u200e\u202ba\u202cb\u2067c\u2069"),
    "override in an id": row(mix_id="a\u202eb"), "unseen in an id": row(mix_id="a\u200bb\u2060c\ufeffd\u00ad"), "tags": row(mix_id="a\U000e0061\U000e007f"),
    "spaces of all kinds": row(mix_id="\u00a0\u2003\u3000\u2028"), "variation signs": row(mix_id="a" + "\ufe0f" * 500),
    "zalgo id": row(mix_id="a" + "\u0315\u031b\u0321" * 5000), "id of 30,000 signs": row(mix_id="b" * 30_000), "id of spaces": row(mix_id=" " * 5000),
    "ligatures": row(weighed_g="\uff11\uff10"), "arabic digits": row(weighed_g="\u0661\u0660"), "roman": row(weighed_g="\u2169"), "half": row(weighed_g="\u00bd"),
    "year 0": row(poured_at="0000-01-01 00:00"), "year 9999": row(poured_at="9999-12-31 23:59:59"), "year 10000": row(poured_at="10000-01-01 00:00"),
    "year before": row(poured_at="-0001-01-01 00:00"), "day 0": row(poured_at="2025-03-00 08:00"), "hour 24": row(poured_at="2025-03-03 24:00"),
    "leap second": row(poured_at="2016-12-31 23:59:60"), "hour of spring": row(poured_at="2025-03-30 02:30"), "hour of autumn": row(poured_at="2025-10-26 02:30"),
    "spring with offset": row(poured_at="2025-03-30 02:30+01:00"), "offset of 99 hours": row(poured_at="2025-03-30 02:30+99:00"),
    "offset of a second": row(poured_at="2025-03-30 02:30:00+00:00:01"), "nanoseconds": row(poured_at="2025-03-03 08:00:00.123456789123"),
    "serial day": row(poured_at="45719.3333"), "huge serial day": row(poured_at="99999999999"), "seconds since 1970": row(poured_at="1740988800"),
    "week date": row(poured_at="2025-W10-1"), "infinite": row(weighed_g="inf"), "not a number": row(weighed_g="nan"), "hex": row(weighed_g="0x1F"),
    "hex float": row(weighed_g="0x1p1023"), "underscores": row(weighed_g="1_000"), "subnormal": row(weighed_g="5e-324"), "minus zero": row(weighed_g="-0.0"),
    "smallest": row(weighed_g="-1e308"), "digits": row(weighed_g="1" * 5000), "digits behind the point": row(weighed_g="0." + "1" * 5000),
    "long exponent": row(weighed_g="1e" + "9" * 5000), "pour number of 400 digits": row(pour_no="9" * 400), "pour number 2^63": row(pour_no=str(2**63)),
    "pour number 2^53+1": row(pour_no=str(2**53 + 1)), "pour number minus": row(pour_no="-1"), "pour number 1.0": row(pour_no="1.0"),
    "header of formulas": b"=1+1,+cmd,-2,@x\n1,2,3,4\n", "formula id": row(mix_id="=HYPERLINK(1)"), "full-width formula": row(mix_id="\uff1d1+1"),
    "sql in an id": row(mix_id="'; DROP TABLE mixes; --"), "html in an id": row(mix_id="<script>alert(1)</script>"), "path in an id": row(mix_id="../../etc/passwd"),
    "template in an id": row(mix_id="{{7*7}}{% raw %}"), "format in an id": row(mix_id="{0.__class__}%s%n$1\\1"), "null words": row(mix_id="NULL", component_id="None"),
    "true words": row(mix_id="true", pour_no="true"), "header in quotes": b'"' + POURS.replace(",", '","').encode() + b'"\n' + GOOD.encode(),
    "header with line ends": b'"shop_id\n",mix_id\n1,2\n', "header of marks": b"\xef\xbb\xbf,\xef\xbb\xbf\n1,2\n", "header of 70,000 signs": b"a" * 65_000 + b",b\n1,2\n",
    "2,001 columns": ",".join(f"c{n}" for n in range(2001)).encode() + b"\n", "a million columns": b"a," * 1_000_000 + b"\n",
    "column twice with good ones": (POURS + ",mix_id\n" + GOOD + ",z\n").encode(), "empty names": (POURS + ",,,\n" + GOOD + ",1,2,3\n").encode(),
    "200,000 bad rows": (POURS + "\n").encode() + b"x,y\n" * 200_000, "200,000 lone quotes": (POURS + "\n").encode() + b'a"b,"c\n' * 200_000,
    "quote that spans": (POURS + "\n").encode() + b'"a\nb' * 50_000, "doubled quotes": b'""""' * 60_000, "same key 50,000 times": row() + (GOOD + "1\n").encode() * 50_000,
    "comment lines": b"# x\n" * 100_000, "sep line": b"sep=;\n" + row(), "bytes of a picture": b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 200,
    "sqlite": b"SQLite format 3\0" + b"\0" * 4096, "old workbook": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 4096, "7z": b"7z\xbc\xaf\x27\x1c" + b"\0" * 999,
    "bzip2": b"BZh91AY&SY" + b"\0" * 999, "zstd": b"\x28\xb5\x2f\xfd" + b"\0" * 999, "tar": b"a" + b"\0" * 256 + b"ustar" + b"\0" * 2000, "elf": b"\x7fELF" + b"\0" * 999,
    "noise": random.Random(7).randbytes(200_000), "noise in lines": b"\n".join(random.Random(n).randbytes(50) for n in range(2000)),
}  # fmt: skip
for _byte in range(0, 256, 5):
    BODIES[f"one byte, 0x{_byte:02x}"] = bytes([_byte])


# --- workbooks, from their parts ---

_TYPES = b'<?xml version="1.0"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>'
_MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_RELS = b'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"'
_KIND = b"http://schemas.openxmlformats.org/officeDocument/2006/relationships/"


def cell(place: str, said: str) -> bytes:
    return f'<c r="{place}" t="inlineStr"><is><t>{said}</t></is></c>'.encode()


def sheet(rows: bytes, before: bytes = b"", after: bytes = b"") -> bytes:
    return b"<worksheet %s>%s<sheetData>%s</sheetData>%s</worksheet>" % (_MAIN, before, rows, after)


ONE = sheet(
    b'<row r="1">' + cell("A1", "what") + cell("B1", "ever") + b'</row><row r="2">' + cell("A2", "1") + b"</row>"
)


def workbook(
    sheets: list[bytes], strings: bytes | None = None, book: bytes = b"", more: dict[str, bytes] | None = None
) -> bytes:
    """A workbook of these sheets' XML; `book` stands at the start of the list of sheets."""
    listed = b"".join(b'<sheet name="s%d" sheetId="%d" r:id="r%d"/>' % (n, n, n) for n in range(1, len(sheets) + 1))
    links = b"".join(
        b'<Relationship Id="r%d" Type="%sworksheet" Target="worksheets/s%d.xml"/>' % (n, _KIND, n)
        for n in range(1, len(sheets) + 1)
    )
    links += b'<Relationship Id="rs" Type="%ssharedStrings" Target="sharedStrings.xml"/>' % _KIND if strings else b""
    ns = b'xmlns="http://schemas.openxmlformats.org/package/2006/relationships"'
    parts = {
        "[Content_Types].xml": _TYPES,
        "_rels/.rels": b'<Relationships %s><Relationship Id="r1" Type="%sofficeDocument" Target="xl/workbook.xml"/></Relationships>' % (ns, _KIND),
        "xl/workbook.xml": book + b"<workbook %s %s><sheets>%s</sheets></workbook>" % (_MAIN, _RELS, listed),
        "xl/_rels/workbook.xml.rels": b"<Relationships %s>%s</Relationships>" % (ns, links),
        **({"xl/sharedStrings.xml": strings} if strings else {}),
        **{f"xl/worksheets/s{n}.xml": body for n, body in enumerate(sheets, start=1)},
        **(more or {}),
    }  # fmt: skip
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


_BOMB = b"<!DOCTYPE x [<!ENTITY a 'ha'>" + b"".join(
    b"<!ENTITY %c '%s'>" % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(20)
) + b"]>"  # fmt: skip
_FOREIGN = b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'


def _row(n: int, cells: bytes) -> bytes:
    return b'<row r="%d">%s</row>' % (n, cells)


def _letters(n: int) -> str:
    out = ""
    while n:
        n, rest = divmod(n - 1, 26)
        out = chr(65 + rest) + out
    return out


def workbooks() -> Iterator[tuple[str, Callable[[], bytes]]]:
    """What a workbook may be made of to break its reader."""
    head = _row(1, cell("A1", "what") + cell("B1", "ever"))
    far = {"last cell": "XFD1048576", "100 by a million": "CV999990", "20 by a million": "T1000000", "16,384 by 6,000": "XFD6000",
           "3 by a million": "C1048576", "row 2 million": "A2000000", "column ZZZ": "ZZZ3", "row of 30 digits": "A" + "9" * 30, "row 0": "A0"}  # fmt: skip
    for what, place in far.items():
        n = place.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
        far_row = f'<row r="{n}">'.encode() + cell(place, "x") + b"</row>"
        yield f"stray cell: {what}", lambda far_row=far_row: workbook([sheet(head + far_row)])  # type: ignore[misc]
    for what, tag in {"in single quotes": "<c r='XFD1048576'><v>1</v></c>", "spaces around": '<c r = "XFD1048576"><v>1</v></c>', "small letters": '<c r="xfd1048576"><v>1</v></c>',
                      "four letters": '<c r="AAAA3"><v>1</v></c>', "row of the cell alone": '<c r="T1048576"><v>1</v></c>', "prefix": "<x:c r='XFD1048576'><x:v>1</x:v></x:c>"}.items():  # fmt: skip
        yield f"stray cell, {what}", lambda tag=tag: workbook([sheet(head + _row(2, tag.encode()))])  # type: ignore[misc]
    yield "utf-16 sheet", lambda: workbook([sheet(head).decode().encode("utf-16")])
    yield (
        "4294967295 strings behind a comment",
        lambda: workbook(
            [ONE],
            b"<!--" + b" " * 5_000_000 + b'--><sst count="4294967295" uniqueCount="4294967295"><si><t>x</t></si></sst>',
        ),
    )
    yield (
        "4294967295 strings behind spaces",
        lambda: workbook([ONE], b"<sst " + b" " * 70_000 + b"uniqueCount = '4294967295'><si><t>x</t></si></sst>"),
    )
    for ref in ("A1:XFD1048576", "A1:A1", "B2:A1", "A1:ZZZZ99999999999", "x"):
        yield f"dimension {ref}", lambda ref=ref: workbook([sheet(head, f'<dimension ref="{ref}"/>'.encode())])  # type: ignore[misc]
    for n in (300, 5000):
        yield f"{n} sheets", lambda n=n: workbook([ONE] * n)  # type: ignore[misc]
    yield "no sheets", lambda: workbook([])
    yield "empty sheets", lambda: workbook([sheet(b"")] * 3)
    for part in ("workbook", "sheet", "strings"):
        for what, bomb in (("entities", _BOMB), ("a foreign entity", _FOREIGN)):
            yield f"{what} in the {part}", lambda part=part, bomb=bomb: workbook(  # type: ignore[misc]
                [(bomb if part == "sheet" else b"") + sheet(_row(1, cell("A1", "&u;") + b'<c r="B1" t="s"><v>0</v></c>'))],
                (bomb if part == "strings" else b"") + b"<sst %s><si><t>&u;&a;</t></si></sst>" % _MAIN,
                bomb if part == "workbook" else b"",
            )  # fmt: skip
    strings = b'<sst %s count="%d" uniqueCount="%d"><si><t>x</t></si></sst>'
    for n in (4_294_967_295, 10**18, -1):
        yield (
            f"{n} strings said",
            lambda n=n: workbook([sheet(_row(1, b'<c r="A1" t="s"><v>0</v></c>'))], strings % (_MAIN, n, n)),
        )  # type: ignore[misc]
    for n in (1, 99_999_999_999, -1):
        yield (
            f"string number {n}",
            lambda n=n: workbook([sheet(_row(1, b'<c r="A1" t="s"><v>%d</v></c>' % n))], strings % (_MAIN, 1, 1)),
        )  # type: ignore[misc]
    yield (
        "strings that unpack to 95 MB",
        lambda: workbook([ONE], b"<sst %s>" % _MAIN + b"<si><t>aaaaaaaa</t></si>" * 4_000_000 + b"</sst>"),
    )
    yield (
        "one string of 90 MB",
        lambda: workbook([ONE], b"<sst %s><si><t>" % _MAIN + b"a" * 90_000_000 + b"</t></si></sst>"),
    )
    yield "one cell of 50 MB", lambda: workbook([sheet(_row(1, cell("A1", "a" * 50_000_000)))])
    yield "list of sheets of 50 MB", lambda: workbook([ONE], book=b"<!--" + b"a" * 50_000_000 + b"-->")
    yield "list of 600,000 names", lambda: workbook([ONE], more={"xl/workbook.xml": b"<workbook %s %s><sheets>" % (_MAIN, _RELS)
        + b'<sheet name="s" sheetId="1" r:id="r1"/>' * 600_000 + b"</sheets></workbook>"})  # fmt: skip
    yield "a million deep", lambda: workbook([ONE], more={"xl/workbook.xml": b"<a>" * 1_000_000})
    yield "rows without an end", lambda: workbook([sheet(b"<row " * 400_000)])
    yield (
        "one tag of places",
        lambda: workbook(
            [
                sheet(
                    head + b"<c " + b'r="A1" ' * 200_000 + b"></c>",
                    after=b'<mergeCells><mergeCell ref="A1:B1"/></mergeCells>',
                )
            ]
        ),
    )
    yield "errors without an end", lambda: workbook([sheet(head + b'<c r="A2" t="e">' * 100_000)])
    yield (
        "formulas and spaces",
        lambda: workbook([sheet(head + (b'<row r="3"><c r="A3"><f>1</f>' + b" " * 200_000 + b"<v>") * 20)]),
    )
    merged = b"<mergeCells>" + b'<mergeCell ref="A1:XFD1048576"/>' * 50_000 + b"</mergeCells>"
    yield (
        "50,000 merged ranges over all",
        lambda: workbook([sheet(head + b"".join(_row(n, cell(f"A{n}", "x")) for n in range(2, 3000)), after=merged)]),
    )
    yield (
        "16,384 columns",
        lambda: workbook([sheet(_row(1, b"".join(cell(f"{_letters(n)}1", f"c{n}") for n in range(1, 16_385))))]),
    )
    yield (
        "300,000 rows of a foreign table",
        lambda: workbook(
            [
                sheet(
                    b"".join(
                        _row(n, b'<c r="A%d"><v>%d</v></c><c r="B%d"><v>1.5</v></c>' % (n, n, n))
                        for n in range(1, 300_001)
                    )
                )
            ]
        ),
    )
    yield (
        "500,000 empty cells",
        lambda: workbook(
            [
                sheet(
                    b"".join(
                        _row(n, b"".join(b'<c r="%s%d"/>' % (_letters(c).encode(), n) for c in range(1, 51)))
                        for n in range(1, 10_001)
                    )
                )
            ]
        ),
    )
    yield "password", lambda: _flagged(workbook([ONE]))
    yield "many small parts", lambda: workbook([ONE], more={f"x{n}": b"" for n in range(60_000)})
    yield "zip bomb in a part nobody reads", lambda: workbook([ONE], more={"junk": b"\0" * 120_000_000})
    yield "ten bombs", lambda: workbook([ONE], more={f"junk{n}": b"\0" * 60_000_000 for n in range(10)})
    yield "overlapping parts", lambda: _overlapping(3000)
    yield "cut short", lambda: workbook([ONE])[:-30]
    yield "no central directory", lambda: workbook([ONE])[:300]
    yield "lying sizes", lambda: _lying(workbook([ONE], more={"junk": b"\0" * 5_000_000}))
    yield "sheet outside of the archive", lambda: workbook([], more={"xl/workbook.xml": b'<workbook %s %s><sheets><sheet name="s" sheetId="1" r:id="r1"/></sheets></workbook>' % (_MAIN, _RELS),
        "xl/_rels/workbook.xml.rels": b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="%sworksheet" Target="../../../../etc/passwd"/></Relationships>' % _KIND})  # fmt: skip
    yield (
        "names of sheets",
        lambda: workbook(
            [ONE],
            more={
                "xl/workbook.xml": b'<workbook %s %s><sheets><sheet name="\xe2\x80\xae&#10;=1+1&#9;" sheetId="1" r:id="r1"/></sheets></workbook>'
                % (_MAIN, _RELS)
            },
        ),
    )
    yield "bits turned", lambda: _turned(workbook([ONE]), 40)
    for n in range(1, 13):
        yield f"bits turned, {n}", lambda n=n: _turned(workbook([ONE], b"<sst %s><si><t>x</t></si></sst>" % _MAIN), n)  # type: ignore[misc]


def _flagged(data: bytes) -> bytes:
    """Every part marked as encrypted."""
    out = bytearray(data)
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = out.find(mark)
        while place >= 0:
            out[place + at] |= 1
            place = out.find(mark, place + 1)
    return bytes(out)


def _lying(data: bytes) -> bytes:
    """The directory says that every part is one byte."""
    out = bytearray(data)
    place = out.find(b"PK\x01\x02")
    while place >= 0:
        out[place + 24 : place + 28] = struct.pack("<I", 1)
        place = out.find(b"PK\x01\x02", place + 1)
    return bytes(out)


def _turned(data: bytes, seed: int) -> bytes:
    chance, out = random.Random(seed), bytearray(data)
    for _ in range(1 + seed % 4):
        at = chance.randrange(len(out))
        out[at] ^= 1 << chance.randrange(8)
    return bytes(out)


def _overlapping(n: int) -> bytes:
    """A directory that names one packed part of 10 MB many times."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a", b"\0" * 10_000_000)
    data = out.getvalue()
    at = data.find(b"PK\x01\x02")
    end = data.find(b"PK\x05\x06")
    entry = data[at:end]
    many = entry * n
    return data[:at] + many + data[end : end + 8] + struct.pack("<HHII", n, n, len(many), at) + b"\0\0"


# --- parquet ---


def _parquet(frame: pl.DataFrame, **how: object) -> bytes:
    out = io.BytesIO()
    frame.write_parquet(out, **how)  # type: ignore[arg-type]
    return out.getvalue()


def parquets() -> Iterator[tuple[str, Callable[[], bytes]]]:
    """What a parquet file may hold."""
    for n in (5_000_000, 60_000_000):
        yield f"{n:,} equal rows", lambda n=n: _parquet(pl.select(what=pl.repeat(7, n, dtype=pl.Int8)))  # type: ignore[misc]
    yield (
        "5,000,000 equal texts of 300 signs",
        lambda: _parquet(
            pl.select(what=pl.repeat("x" * 300, 5_000_000)).with_columns(pl.col("what").cast(pl.Categorical))
        ),
    )
    yield "200 texts of a megabyte", lambda: _parquet(pl.DataFrame({"mix_id": ["x" * 1_000_000] * 200}))
    yield "5,000 columns", lambda: _parquet(pl.DataFrame({f"c{n}": [1] for n in range(5000)}))
    yield "no columns", lambda: _parquet(pl.DataFrame())
    yield "no rows", lambda: _parquet(pl.DataFrame(schema=dict.fromkeys(POURS.split(","), pl.String)))
    yield "lists of lists", lambda: _parquet(pl.DataFrame({"mix_id": [[[["a"]]]], "shop_id": [{"a": {"b": 1}}]}))
    yield "lists of a million", lambda: _parquet(pl.DataFrame({"what": [[1] * 1_000_000] * 20}))
    yield "names", lambda: _parquet(pl.DataFrame({"\x1b[31m": [1], "": [2], "a\nb": [3], "\u202ex": [4], "=1+1": [5]}))
    yield "not finite", lambda: _parquet(_pours(weighed_g=[float("inf"), float("nan"), -1e308]))
    yield "dates far away", lambda: _parquet(_pours(poured_at=pl.Series([-(2**62), 2**62, 0]).cast(pl.Datetime("us"))))
    yield (
        "dates far away in ms",
        lambda: _parquet(_pours(poured_at=pl.Series([-(2**62), 2**62, 0]).cast(pl.Datetime("ms")))),
    )
    yield "days far away", lambda: _parquet(_pours(poured_at=pl.Series([-(2**31), 2**31 - 1, 0]).cast(pl.Date)))
    yield (
        "a zone of its own",
        lambda: _parquet(_pours(poured_at=pl.Series([0, 1, 2]).cast(pl.Datetime("us", "America/New_York")))),
    )
    yield "large whole numbers", lambda: _parquet(_pours(pour_no=pl.Series([2**64 - 1, 2**63, 1], dtype=pl.UInt64)))
    yield "long decimals", lambda: _parquet(_pours(weighed_g=pl.Series(["1" * 30, "2", "3"]).cast(pl.Decimal(38, 0))))
    yield "bytes", lambda: _parquet(_pours(mix_id=[b"\xff\xfe", b"a", b"\0"]))
    yield "times of day", lambda: _parquet(_pours(poured_at=pl.Series([0, 1, 2]).cast(pl.Time)))
    yield "nulls", lambda: _parquet(pl.DataFrame({name: [None] * 3 for name in POURS.split(",")}))
    yield "5,000 row groups", lambda: _parquet(pl.DataFrame({"what": range(5000)}), row_group_size=1)
    small = _parquet(_pours())
    for n in range(1, 41):
        yield f"bits turned, {n}", lambda n=n: _turned(small, n)  # type: ignore[misc]
    for n in (1, 8, 100, len(small) // 2):
        yield f"cut by {n}", lambda n=n: small[:-n]  # type: ignore[misc]
    yield "length of its end beyond the file", lambda: small[:-8] + struct.pack("<I", 2**31 - 1) + b"PAR1"
    yield "twice", lambda: small + small


def _pours(**changed: object) -> pl.DataFrame:
    usual: dict[str, object] = {
        "shop_id": ["north"] * 3, "mix_id": ["a", "b", "c"], "pour_no": [1, 1, 1], "poured_at": ["2025-03-03 08:00"] * 3,
        "product_id": ["clear_a"] * 3, "component_id": ["binder"] * 3, "weighed_g": [1.0, 2.0, 3.0],
    }  # fmt: skip
    return pl.DataFrame(usual | changed, strict=False)


# --- packed, and large ---


def packed() -> Iterator[tuple[str, Callable[[], bytes]]]:
    """Gzip: bombs, members, damage."""
    yield "10 GB of zeros", lambda: gzip.compress(b"\0" * 100_000_000) * 100
    yield "3 GB of lines", lambda: gzip.compress(b"what,ever\n" * 10_000_000) * 30
    yield "400 MB of lines, 190 times packed", lambda: gzip.compress(_lines(4_000_000), 9) * 10
    yield "90 MB of lines", lambda: gzip.compress(b"what,ever\n1,2\n" * 6_500_000)
    yield "90 MB on one line", lambda: gzip.compress(b"x" * 90_000_000)
    yield "100,000 empty members", lambda: gzip.compress(b"") * 100_000
    yield "padding", lambda: gzip.compress(row()) + b"\0" * 1_000_000
    yield "padding and junk", lambda: gzip.compress(row()) + b"\0\0junk"
    yield "packed 20 times", lambda: _again(row(), 20)
    yield "size that lies", lambda: gzip.compress(row())[:-4] + b"\xff\xff\xff\xff"
    yield "checksum that lies", lambda: gzip.compress(row())[:-8] + b"\0" * 4 + gzip.compress(row())[-4:]
    yield "raw deflate", lambda: zlib.compress(row())
    yield "name in the head", lambda: b"\x1f\x8b\x08\x08" + b"\0" * 6 + b"../../x\0" + gzip.compress(row())[10:]
    for n in range(1, 21):
        yield f"bits turned, {n}", lambda n=n: _turned(gzip.compress(row() * 20), n)  # type: ignore[misc]


def _lines(n: int) -> bytes:
    """Lines of no table that pack some two hundred times."""
    block = b"what,ever\n" * 1000
    return (block + random.Random(3).randbytes(10).hex().encode() + b"\n") * (n // 1000 // 10)


def _again(data: bytes, times: int) -> bytes:
    for _ in range(times):
        data = gzip.compress(data)
    return data


def large() -> Iterator[tuple[str, str, Callable[[Path], None]]]:
    """(what, name, how it is written): files that are not made in memory."""

    def sparse(size: int) -> Callable[[Path], None]:
        return lambda full: full.open("wb").truncate(size) and None  # type: ignore[func-returns-value]

    def lines(head: bytes, line: bytes, n: int) -> Callable[[Path], None]:
        def write(full: Path) -> None:
            with open(full, "wb") as handle:
                handle.write(head)
                for _ in range(n // 10_000):
                    handle.write(line * 10_000)

        return write

    for ending in ("csv", "csv.gz", "xlsx", "parquet", "txt"):
        yield "10 GB, sparse", f"inbox/a.{ending}", sparse(10_000_000_000)
        yield "3 GB, sparse", f"inbox/b.{ending}", sparse(3_000_000_000)
    yield (
        "400 MB of foreign lines",
        "inbox/foreign.csv",
        lines(b"what,ever,is,this\n", b"some,thing,or,other\n", 20_000_000),
    )
    yield (
        "400 MB of foreign lines",
        "registers/guns.csv",
        lines(b"what,ever,is,this\n", b"some,thing,or,other\n", 20_000_000),
    )
    yield "400 MB of html", "inbox/page.txt", lines(b"<html>\n", b"<td>1</td></tr><tr>\n", 20_000_000)
    yield "400 MB in latin-1", "inbox/latin.csv", lines(b"what,ever,\xe4\n", b"some,thing,or,\xf6ther\n", 20_000_000)
    yield "json, 60,000 objects on a line", "inbox/j.csv", lambda full: full.write_bytes(
        b"[" + b",".join(b'{"mix": "%d", "g": %d, "who": "x"}' % (n, n) for n in range(60_000)) + b"]") and None  # fmt: skip
    yield (
        "an open quote above long lines",
        "inbox/q.csv",
        lambda full: full.write_bytes((POURS + '\n"').encode() + (b"x" * 20_000 + b"\n") * 1500) and None,
    )
    yield "wide lines", "inbox/w.csv", lambda full: full.write_bytes((b"1," * 400_000 + b"\n") * 60) and None


def whole() -> Iterator[tuple[str, str, Callable[[Path], None]]]:
    """Every hostile file: (kind, name, how it is written)."""

    def written(make: Callable[[], bytes]) -> Callable[[Path], None]:
        return lambda full: full.write_bytes(make()) and None  # type: ignore[func-returns-value]

    for ending, kind in (("xlsx", workbooks), ("parquet", parquets), ("csv.gz", packed)):
        for what, make in kind():
            yield what, f"inbox/x.{ending}", written(make)
    yield from large()
    for name in NAMES:
        for what, body in BODIES.items():
            if what.startswith("one byte") and name != NAMES[0]:
                continue
            yield what, name, written(lambda body=body: body)  # type: ignore[misc]
            if name.endswith(".gz"):
                yield f"{what}, packed", name, written(lambda body=body: gzip.compress(body))  # type: ignore[misc]
