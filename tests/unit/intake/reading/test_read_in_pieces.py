"""A file read piece by piece gives what reading it at once gives: rows, lines, reasons, raw texts, remarks."""

from __future__ import annotations

import tempfile
from pathlib import Path

import polars as pl
import polars.selectors as cs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipelines import workspace
from pipelines.intake.reading import files, read, text
from pipelines.intake.reading.files import Source
from tests.pipeline.intake_bench import POURS
from tests.pipeline.test_intake_by_shop import hostile

AT_ONCE = 1 << 24


def both_ways(file: str, content: bytes, monkeypatch: pytest.MonkeyPatch, most: int = 200) -> tuple[read.FileRead, int]:
    """The file as read at once, after comparing it with pieces; how many pieces there were."""
    monkeypatch.setattr(read, "PIECE", AT_ONCE)
    whole = read.read_file(Source(file, content=content), [])
    monkeypatch.setattr(read, "PIECE", most)
    count = 0
    true_typed = read._typed

    def typed(*given: object) -> list[read.TableRead]:
        nonlocal count
        count += 1
        return true_typed(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(read, "_typed", typed)
    pieces = read.read_file(Source(file, content=content), [])
    monkeypatch.setattr(read, "_typed", true_typed)
    meta, frames = read.packed([whole])
    other_meta, other_frames = read.packed([pieces])
    assert meta == other_meta and list(frames) == list(other_frames)
    for name, frame in frames.items():
        assert_frame_equal(frame, other_frames[name])
    put_away(file, content, most, whole, monkeypatch)
    lines = [line for one in whole.tables.values() for line in one.rows.head(3).collect()["line"]] + [70]
    raws = []
    for size in (AT_ONCE, most):
        monkeypatch.setattr(read, "PIECE", size)
        raws.append(read.raw_lines(whole, Source(file, content=content), [], lines))
    assert raws[0] == raws[1] and (len(lines) == 1 or raws[0])
    return whole, count


def put_away(file: str, content: bytes, most: int, whole: read.FileRead, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same with rows put away in blocks of a piece or two, from a file on disk: what comes back is what was read."""
    monkeypatch.setattr(read, "BLOCK", 5)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "as it came")
        path.write_bytes(content)
        place = workspace.Keeping(workspace.Workspace(Path(folder)), "key")
        found = read.read_file(Source(file, path), [], place=place)
        meta, frames = read.packed([found], place.blocks)
        place.finish(frames, meta)
        kept = workspace.read_again(workspace.Workspace(Path(folder)), "key")
        assert kept is not None
        (again,) = read.unpack(kept[1], kept[0])
        assert read.packed([whole])[0] == kept[1]
        for name, one in whole.tables.items():
            assert_frame_equal(again.tables[name].refused, one.refused)
            rows = again.tables[name].rows.with_columns(cs.ends_with("@utc", "@ml").fill_null(False))
            assert_frame_equal(rows.collect().sort("line"), one.rows.collect().sort("line"))
            assert again.tables[name].height == one.height and again.tables[name].shops == one.shops
    monkeypatch.setattr(read, "BLOCK", 1_000_000)


@pytest.mark.parametrize("seed", range(2))
def test_hostile_files_in_tiny_pieces(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    files, _ = hostile(seed)
    refused = 0
    for name, content in list(files.items())[seed::2]:
        assert isinstance(content, str)
        head, body = content.split("\n", 1)
        whole, pieces = both_ways(name, (head + "\n" + body * 12).encode(), monkeypatch, most=1000)
        refused += sum(one.refused.height for one in whole.tables.values())
        assert pieces > 3 or len(body) < 400
    assert refused > 100


ROW = "north,a,{n},2025-03-03 08:00,clear_a,binder,10\n"
OVER_LINES = "a" + "\nb" * 300
MANY = "".join(ROW.format(n=n) for n in range(1, 200))


@pytest.mark.parametrize(("content", "in_pieces"), [
    (f"{POURS}\n{MANY}", True),
    (f"{POURS}\n{MANY}".replace("\n", "\r\n"), True),
    (f"{POURS}\n{MANY}".replace("\n", "\r"), False),
    (f"\ufeff{POURS}\n{MANY}".rstrip("\n"), True),
    (f"{POURS}\n{MANY}".replace(",", "\t"), True),
    (f"Export of March\n\n{POURS}\n{MANY}", True),
    ("\n" * 30 + f"{POURS}\n{MANY}\n\n\n,,,,,,\n", True),
    (f"{POURS},note,note2\n{MANY}", True),
    (f"{POURS}\n{MANY}north,a,200\nnorth,a,201,2025-03-03 08:00,clear_a,binder,10,,,\n{MANY}", True),
    (f"{POURS}\n{MANY}north,a,300,2025-03-03T08:00Z,clear_a,binder,10\n", True),
    (f"{POURS}\n{MANY}north,a,300,2025-03-03T08:00Z,clear_a,\u200bbinder\u00a0,1\u20440\n", True),
    (f"{POURS}\n{MANY}{POURS}\n{MANY}", True),
    (f"{POURS}\n" + "\n" * 100 + MANY, True),
    (f"{POURS}\n" + ",\n" * 100, True),
    (f'{POURS}\n{MANY}north,"a\nb",300,2025-03-03 08:00,clear_a,binder,10\n', True),
    (f'{POURS}\n{MANY}north,"a""b",300,2025-03-03 08:00,clear_a,binder,10\n{MANY}', True),
    (f'{POURS}\n{MANY}north,"{OVER_LINES}",300,2025-03-03 08:00,clear_a,binder,10\n{MANY}', True),
    (f'{POURS}\n{MANY}north,"a,300,2025-03-03 08:00,clear_a,binder,10\n{MANY}', True),
    (f'{POURS}\n{MANY}north,a"b",300,2025-03-03 08:00,clear_a,binder,10\n{MANY}', True),
    (f'{POURS}\n{MANY}\ufeffnorth,a,300,2025-03-03 08:00,clear_a,binder,10\n{MANY}', True),
    (f"\ufeff{POURS}\n{MANY}".encode("utf-16-le").decode("latin-1"), False),
    (f"{POURS.replace('mix_id', 'cup')}\n{MANY}", False),
    (f"{POURS}\n{MANY}\0{MANY}", True),
    ("\n" * 1000, False),
], ids=range(24))  # fmt: skip
def test_each_oddity_in_tiny_pieces(content: str, in_pieces: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    raw = content.encode("latin-1") if content.startswith("\u00ff\u00fe") else content.encode()
    _, pieces = both_ways("inbox/pours.csv", raw, monkeypatch)
    assert (pieces > 1) == in_pieces


@given(st.text(alphabet='a,\n1x\r;"', max_size=400), st.integers(1, 90))
@settings(max_examples=60, deadline=None)
def test_pieces_hold_every_byte_once_and_end_outside_of_quotes(body: str, most: int) -> None:
    data = f"{POURS}\n{body}".encode()
    pieces = list(files.pieces(Source("inbox/pours.csv", content=data), 1.0, most, 5))
    assert b"".join(pieces) == data and all(pieces)
    for piece in pieces[:-1]:
        assert piece.endswith(b"\n") and (piece.count(b'"') % 2 == 0 or len(piece) > 2 * most)
    assert pieces[0].count(b"\n") >= min(5, data.count(b"\n"))


def test_a_disk_that_takes_no_more_rows_is_no_fault_of_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Full(workspace.Keeping):
        def put(self, name: str, rows: pl.DataFrame) -> pl.LazyFrame:
            raise workspace.WorkspaceError("the disk is full")

    for most in (AT_ONCE, 200):  # put away when all is read, and between pieces
        monkeypatch.setattr(read, "PIECE", most)
        monkeypatch.setattr(read, "BLOCK", 5)
        source = Source("inbox/pours.csv", content=f"{POURS}\n{MANY}".encode())
        with pytest.raises(workspace.WorkspaceError, match="the disk is full"):
            read.read_file(source, [], place=Full(workspace.Workspace(tmp_path), "key"))


def test_a_byte_beyond_the_first_piece_that_is_not_utf8_is_named_by_its_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "_BLOCK", 64)
    good = f"{POURS}\n{MANY}".encode()
    line = good.count(b"\n") + 1
    for spoilt in (good + b"\xff\n", good + "ä".encode()[:1], good + "ä".encode()[:1] + b",\n" + good):
        with pytest.raises(text.FileRefused, match=f"line {line}: the byte 0x"):
            text.to_utf8(spoilt)
    assert text.to_utf8(good + "äöü€".encode() * 100) == good + "äöü€".encode() * 100
