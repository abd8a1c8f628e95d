"""What comes in is bounded before work starts: sizes of numbers, widths, lengths, nesting, patterns, kinds of files."""

from __future__ import annotations

import contextlib
import gzip
import resource
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import polars as pl
import pytest

from pipelines import cli, settings, workspace
from pipelines.intake.reading import layout, read
from pipelines.intake.reading.files import Source
from schemas import events, registers, validate, vocabulary
from tests.faults import hostile_files
from tests.faults.hostile_files import BODIES, GOOD, NAMES, POURS
from tests.faults.hostile_texts import LAYOUTS, SETTINGS


def told(text: str | bytes, name: str = "inbox/pours.csv", layouts: list[layout.Layout] | None = None) -> read.FileRead:
    content = text.encode() if isinstance(text, str) else text
    return read.read_file(Source(name, content=content), layouts or [])


def reasons(one: read.FileRead) -> list[str]:
    return [reason for part in one.tables.values() for reason in part.refused["reason"]]


def test_every_number_that_a_shop_gives_is_bounded() -> None:
    for table in (*events.EVENTS, *registers.REGISTERS):
        for info in validate.columns(table):
            if info.kind == "float":
                assert info.high is not None or info.possible is not None, f"{table}.{info.name}"
            if info.kind == "int":
                assert info.high is not None or info.possible is not None, f"{table}.{info.name}"


@pytest.mark.parametrize("cell", ["1e308", "-1e308", "1e18", "1e-300", "2000000", "-3e6"])
def test_a_weight_that_cannot_be_is_refused_and_its_cup_goes_on(cell: str) -> None:
    found = told(f"{POURS}\n{GOOD}\nnorth,b,1,2025-03-03 08:00,clear_a,binder,{cell}\n")
    assert found.state == "read" and found.tables["pours"].height == 1
    assert len(reasons(found)) == 1 and "cannot be: sizes from 1e-06 to 1e+06 g" in reasons(found)[0]


def test_an_empty_cup_and_a_small_pour_are_neither_impossible_nor_doubted() -> None:
    assert reasons(told(f"{POURS}\nnorth,a,1,2025-03-03 08:00,clear_a,binder,0\n")) == []
    assert vocabulary.POSSIBLE["g"][0] < 0.001


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (",".join(f"c{n}" for n in range(3000)) + "\n1\n", "more than 2,000 columns"),
        ("x" * 70_000 + "\n1\n", "more than 2,000 columns"),
        ("[" + ",".join('{"mix":1,"g":2}' for _ in range(90_000)) + "]", "without a line end"),
        (POURS + "\n" + "x" * 2_000_000, "without a line end"),
    ],
)
def test_what_is_no_table_is_refused_before_it_is_laid_out(body: str, says: str) -> None:
    found = told(body)
    assert found.state == "refused" and says in (found.message or ""), found.message


def test_a_cell_that_is_too_long_refuses_its_row_alone() -> None:
    found = told(f"{POURS}\n{GOOD}\nnorth,{'b' * 40_000},1,2025-03-03 08:00,clear_a,binder,1\n")
    assert found.tables["pours"].height == 1 and "a cell is longer than 32,767 signs" in reasons(found)[0]


def test_an_unseen_end_mark_is_no_row() -> None:
    for end in ("\x1a", "\n\x1a", "\r\n\x1a\r\n"):
        found = told(f"{POURS}\n{GOOD}{end}")
        assert (found.tables["pours"].rows_read, reasons(found)) == (1, []), repr(end)


@pytest.mark.parametrize("form", ["utf-16", "utf-16-le", "utf-16-be"])
def test_a_text_in_another_form_with_a_mark_is_read_and_said(form: str) -> None:
    mark = "" if form == "utf-16" else "\ufeff"
    found = told((mark + f"{POURS}\n{GOOD}\n").encode(form))
    assert found.tables["pours"].height == 1 and "read as utf-16" in (found.message or "")
    assert "read as" not in (told(f"\ufeff{POURS}\n{GOOD}\n").message or "")


FILE = '[file]\n{}\n[[tables]]\ntable = "shops"\n[tables.columns]\nshop_id = "S"\n'


@pytest.mark.parametrize(
    "name", ["zlib", "rot13", "idna", "punycode", "unicode_escape", "utf-7", "base64", "hex", "undefined"]
)
def test_encodings_are_those_that_texts_are_written_in(name: str) -> None:
    with pytest.raises(layout.LayoutError, match="encoding"):
        layout.parse("x.toml", FILE.format(f'encoding = "{name}"'))
    for good in ("utf-8", "windows-1252", "latin-1", "utf-16", "cp850", "iso-8859-15", "mac-roman"):
        layout.parse("x.toml", FILE.format(f'encoding = "{good}"'))


NESTED = ["a = " + "[" * 20_000, "a = " + "{x=" * 20_000, "a" + ".a" * 20_000 + " = 1", "a = " + "9" * 20_000,
          "[" * 20_000 + "]" * 20_000, '"' * 20_000, "a = '''" + "x" * 1_100_000]  # fmt: skip


@pytest.mark.parametrize("text", NESTED, ids=range(len(NESTED)))
def test_nested_and_endless_toml_is_refused_in_words(text: str) -> None:
    with pytest.raises(settings.SettingsError):
        settings.parse(text.encode())
    with pytest.raises(layout.LayoutError):
        layout.parse("x.toml", text)


@pytest.mark.parametrize("pattern", ["(a+)+$", "((a|aa)+)+b", "(x?){40}x{40}$", "(.*)*(.*)*(.*)*z"])
def test_no_pattern_of_a_layout_takes_long(pattern: str) -> None:
    text = FILE.format(f'exported_at = {{ name_pattern = "{pattern}", format = "%Y-%m-%d" }}')
    began = time.process_time()
    try:
        one = layout.parse("x.toml", text)
    except layout.LayoutError:
        return
    told("S\n" + "a" * 200 + "\n", f"inbox/{'a' * 200}.csv", [one])
    assert time.process_time() - began < 2


@pytest.mark.parametrize(
    "line",
    ["[cup]\nflush_loss_g = 1e308", "[engine]\nmemory_gb = 1e-9", "[engine]\nthreads = 1000000000", "[cup]\nwater_density_g_per_ml = 1e-300",
     "[film]\ngauge_check_days = 999999999999", "[intake]\nmax_file_mb = 1e300", "[film]\ninner_face_ratio = 1e-200"],
)  # fmt: skip
def test_settings_have_possible_ranges(line: str) -> None:
    with pytest.raises(settings.SettingsError, match=r"line 2.*(less|greater) than or equal"):
        settings.parse(line.encode())


def test_full_width_signs_are_defused_wherever_texts_leave() -> None:
    from reports.handouts import cells

    for text in ("\uff1d1+1", "\uff0bx", "\uff0dx", "\uff20x", "=1", "@x"):
        assert cells.defused(text) == f"'{text}"
        assert workspace.defused(pl.DataFrame({"a": [text]}))["a"][0] == f"'{text}"


def test_escape_codes_in_file_names_are_not_printed_raw(tmp_path: Path) -> None:
    space, _ = workspace.init(tmp_path / "shop", "")
    for name in ("a\x1b[31mred.csv", "b\x07.csv", "c\u202egnp.csv", "d\n.csv", "e\x9b2J.csv", "ö.csv"):
        (space.inbox / name).write_text("x")
    paths = [one.path for one in workspace.inputs(space)]
    assert "inbox/ö.csv" in paths and len(set(paths)) == 6
    assert all(sign.isprintable() for path in paths for sign in path), paths


# --- hostile files ---


@pytest.mark.parametrize("name", NAMES)
def test_hostile_files_are_answered_in_words_and_soon(name: str) -> None:
    """Every short body under every kind of name, the long ones under one; `make hostile` measures all of them, and memory."""
    for what, body in BODIES.items():
        if len(body) > 5_000 and (name != NAMES[0] or len(body) > 300_000):
            continue
        for packed in (False, True) if name.endswith(".gz") else (False,):
            began = time.process_time()
            found = told(gzip.compress(body) if packed else body, name)
            assert " (in " not in (found.message or ""), f"{what}: {found.message}"
            assert found.state == "refused" or found.tables, what
            assert time.process_time() - began < 20, what


QUICK = {
    "workbook": ("stray cell", "4294967295 strings", "utf-16 sheet", "10000000", "entities",
                 "a foreign entity", "rows without", "one tag", "errors without", "formulas and",
                 "a million deep", "list of 600", "overlapping", "lying", "password", "many small",
                 "bits", "5000 sheets", "dimension", "sheet outside"),
    "parquet": ("60,000,000 equal", "dates far", "days far", "5,000 columns", "bits turned, 1", "length of"),
}  # fmt: skip


@pytest.mark.parametrize("kind", QUICK)
def test_workbooks_and_parquet_that_nobody_means(kind: str) -> None:
    """One of them (4,294,967,295 texts said to follow) ended the whole process."""
    made = hostile_files.workbooks() if kind == "workbook" else hostile_files.parquets()
    asked = [(what, make) for what, make in made if what.startswith(QUICK[kind])]
    assert len(asked) > 10
    for what, make in asked:
        began = time.process_time()
        found = told(make(), f"inbox/x.{'xlsx' if kind == 'workbook' else 'parquet'}")
        assert " (in " not in (found.message or "") and (found.message or found.tables), f"{what}: {found.message}"
        assert time.process_time() - began < 20, what


def test_a_day_beyond_the_calendar_refuses_its_row_alone() -> None:
    far = pl.Series([2**31 - 1, 20_000, -(2**31)]).cast(pl.Date)
    found = told(hostile_files._parquet(hostile_files._pours(poured_at=far)), "inbox/pours.parquet")
    assert found.state == "read" and found.tables["pours"].height == 1
    assert any("2147483647" in reason for reason in reasons(found)), reasons(found)


def test_a_cell_that_is_too_long_refuses_its_row_in_parquet_and_workbooks_too() -> None:
    pours = hostile_files._pours(mix_id=["a", "b" * 40_000, "c"])
    for ending, data in (("parquet", hostile_files._parquet(pours)),):
        found = told(data, f"inbox/pours.{ending}")
        assert found.tables["pours"].height == 2 and "longer than 32,767" in reasons(found)[0]


def test_settings_and_layouts_that_nobody_means() -> None:
    """A sentence or what it says, soon: 40,000 dots took 1.5 GB, 60,000 keys more than two minutes, 3,000 brackets an exception."""
    for texts, use, refused in (
        (SETTINGS, settings.parse, settings.SettingsError),
        (LAYOUTS, lambda text: layout.parse("x.toml", text.decode()), layout.LayoutError),
    ):
        for what, text in texts.items():
            began = time.process_time()
            with contextlib.suppress(refused):
                use(text)
            assert time.process_time() - began < 5, what


MEASURED = textwrap.dedent(
    """
    import resource, sys, time
    from pathlib import Path
    from pipelines.intake.reading import read
    from pipelines.intake.reading.files import Source
    read.read_file(Source("inbox/pours.csv", content=b"a,b\\n1,2\\n" * 1000), [])
    before, began = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    found = read.read_file(Source("inbox/" + Path(sys.argv[1]).name, path=Path(sys.argv[1])), [])
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(found.state, (after - before) // 1024, time.process_time() - began)
    """
)


def _large(what: str, full: Path) -> None:
    with open(full, "wb") as handle:
        if what == "json on one line":
            handle.write(b"[" + b",".join(b'{"mix": "%d", "g": %d, "who": "x"}' % (n, n) for n in range(60_000)) + b"]")
        elif what == "a disk image":
            handle.truncate(1 << 30)
        elif what == "wide lines":
            for _ in range(60):
                handle.write(b"1," * 400_000 + b"\n")
        elif what == "no line end":
            for _ in range(400):
                handle.write(b"x" * 1_000_000)
        elif what == "unpacks to much":
            handle.write(gzip.compress(b"\0" * 100_000_000) * 100)
        elif what == "unpacks to much of a foreign table":
            handle.write(gzip.compress(b"what,ever\n1,2\n" * 500_000) * 30)


@pytest.mark.parametrize(
    "what",
    [
        "json on one line",
        "a disk image",
        "wide lines",
        "no line end",
        "unpacks to much",
        "unpacks to much of a foreign table",
    ],
)
def test_a_refused_file_takes_less_than_200_mb(what: str, tmp_path: Path) -> None:
    """Peak memory of a process that reads it, above that of one that has read a small file."""
    full = tmp_path / ("a.csv.gz" if "unpack" in what else "a.csv")
    _large(what, full)
    done = subprocess.run([sys.executable, "-c", MEASURED, str(full)], capture_output=True, text=True, check=True)
    state, mb, seconds = done.stdout.split()
    assert state == "refused" and int(mb) < 200, done.stdout
    assert float(seconds) < 20, done.stdout


def test_reading_goes_on_where_memory_is_short() -> None:
    """A process that may take little memory: said as what it is, no fault of the program."""
    script = (
        "import resource, sys\nfrom pipelines import cli\n"
        "def _init(given): bytearray(1 << 33)\ncli._init = _init\n"
        f"resource.setrlimit(resource.RLIMIT_AS, (2 * {cli.LEAST_MEMORY}, 2 * {cli.LEAST_MEMORY}))\nsys.exit(cli.main(['init', 'x']))\n"
    )
    assert resource.getrlimit(resource.RLIMIT_AS)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 1 and "not enough memory" in done.stderr and "fault of the program" not in done.stderr
