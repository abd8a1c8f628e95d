"""`make fuzz`: tables, layouts and settings under random bytes, each for a while, with atheris (coverage-guided) where it is installed.

    .venv/bin/python tests/fuzz/fuzz_readers.py [--of tables|layouts|settings] [--seconds 600] [--seed 1] [--without-atheris]

Without atheris: seeded random changes of the seed corpus. A finding is written to a file and told; exit code 1.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import hashlib
import io
import random
import sys
import tempfile
import time
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
if str(HOME) not in sys.path:
    sys.path.insert(0, str(HOME))

BITS = [b'"', b",", b";", b"\n", b"\r\n", b"\t", b"\0", b"\xff", b"'", b"=", b"e9", b"1e400", b"-", b".", b"\xef\xbb\xbf",
        b"nan", b"2025-02-30", b"north", b"Total", b"\xc3\xa4", b"\xe2\x80\xa8", b"\x1c", b"#", b"|"]  # fmt: skip
#: of texts in TOML: what stands between the words
SIGNS = [b"[", b"]", b"[[", b"]]", b"{", b"}", b" = ", b".", b'"', b"\'\'\'", b"true", b"nan", b"-1", b"0",
         b"1e308", b"1979-05-27T07:32:00Z", b"[]", b"{}", b'""', b"\\",
         b"(", b")", b"(?P<a>.*)", b"(a+)+$", b"%d.%m.%Y", b"%", b"*", b"?", b"\n", b"\r", b"\0", b"\x1b", b"\xff", b"\xe2\x80\xae"]  # fmt: skip


def target(of: str) -> tuple[Callable[[bytes], bool], list[bytes], list[bytes]]:
    """What takes the bytes, its seed corpus, and the pieces that are put into them."""
    from tests.fuzz import target as targets

    if of == "tables":
        return targets.one, targets.seeds(), BITS
    words = [*SIGNS, *(key.encode() for key in targets.KEYS)]
    if of == "layouts":
        return targets.a_layout, targets.layout_seeds(), words
    return targets.some_settings, targets.settings_seeds(), words


def changed(data: bytes, chance: random.Random, bits: list[bytes] = BITS) -> bytes:
    """`data` with one to six random changes."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(out) + 1)
        what = chance.randrange(6)
        if what == 0 and out:
            out[at % len(out)] = chance.randrange(256)
        elif what == 1:
            out[at:at] = chance.choice(bits)
        elif what == 2:
            del out[at : at + chance.randint(1, 20)]
        elif what == 3:
            out[at:at] = out[at : at + chance.randint(1, 60)]
        elif what == 4:
            out[at:at] = chance.choice(bits) * chance.choice([2, 3, 100])
        else:
            other = chance.randrange(len(out) + 1)
            out[at:at] = out[other : other + chance.randint(1, 40)]
    return bytes(out)


#: values of layouts and settings, good and not
VALUES = ["true", "-1", "0", "1", "3.5", "nan", "-inf", "1e308", "9" * 400, '""', '"a"', "[]", "{}", "[[1]]", '["a", "b"]', "[1, 2]",
          '{ a = "b" }', '"(a+)+$"', '"([0-9]+)"', '"(?P<a>.*)"', '"[0-9"', '"(?=a)"', '"%d.%m.%Y %H:%M"', '"%Q%"', "1979-05-27", "07:32:00",
          r'"\u0000"', r'"\u202e"', f'"{"a" * 5000}"', '";"', '","', '"utf-7"', '"utf-16"', '"Europe/Vienna"', '"Mars/X"', '"oz"', '"mil"',
          '"cumulative"', '"find"', '"keep"', '{ column = "Net" }', '{ constant = "" }', '{ columns = ["Day"] }', '"hidden"', '"weighed_g"',
          '"pours"', '"shop_id"', '"../x"', '"*"']  # fmt: skip


def retold(data: bytes, chance: random.Random) -> bytes:
    """A text in TOML with changes that mostly leave it TOML: values, keys and lines exchanged, doubled and gone."""
    lines = data.decode("utf-8", "replace").splitlines() or [""]
    for _ in range(chance.randint(1, 3)):
        at, what = chance.randrange(len(lines)), chance.randrange(7)
        key, mark, value = lines[at].partition(" = ")
        if what < 3 and mark:
            lines[at] = key + mark + chance.choice(VALUES)
        elif what == 3 and mark:
            lines[at] = f"{chance.choice(lines).partition(' = ')[0]} = {value}"
        elif what == 4 and mark:
            lines[at] = key + mark + (chance.choice(lines).partition(" = ")[2] or value)
        elif what == 5:
            lines.insert(chance.randrange(len(lines) + 1), lines[at])
        elif len(lines) > 1:
            del lines[at]
    return "\n".join(lines).encode()


MERGED_EVERY = 100  # tables: reading alone is a fiftieth of reading and merging
ENCODINGS = ("utf-8-sig", "utf-16", "utf-16-be", "utf-32", "cp1252", "latin-1", "utf-7", "cp037", "shift_jis")
CELLS = ("", " ", '"', '""', '"a\nb"', "'", "NaN", "inf", "-0", "1e308", "1e-400", "1,5", "1.234,5", "0x10", "1_000", "٣", "１", "2025-02-30",
         "30.03.2025 02:30",
         "=1+1", "true", "null", "\ufeff", "\u200b", "a" * 33_000, "[" * 3000, '{"a":' * 300, "north\x1c", "é", "e\u0301", "\ud7ff")  # fmt: skip


def restructured(data: bytes, chance: random.Random) -> bytes:
    """A table with changes of what it is built of: the members of what is packed; rows, cells, separators, quotes, line ends and
    the encoding of a text."""
    kind, body = data[:1], data[1:]
    if body.startswith(b"PK\x03\x04"):
        with contextlib.suppress(
            zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError
        ):
            return kind + _other_members(body, chance)
    if body.startswith(b"\x1f\x8b"):
        with contextlib.suppress(OSError, EOFError, zlib.error):
            inner = restructured(kind + gzip.decompress(body), chance)[1:]
            packed = gzip.compress(inner, chance.choice([0, 9]))
            return kind + chance.choice(
                [packed, packed + packed, packed[:-5], packed + b"\0" * 9, gzip.compress(packed)]
            )
    text = body.decode("utf-8", "replace")
    mark = chance.choice([",", ";", "\t", "|"])
    rows = [line.split(max(",;\t|", key=line.count)) for line in text.splitlines()] or [[""]]
    for _ in range(chance.randint(1, 5)):
        row, what = chance.choice(rows), chance.randrange(9)
        at = chance.randrange(len(row)) if row else 0
        if what == 0:
            row[at : at + 1] = [chance.choice(CELLS)]
        elif what == 1:
            row.insert(at, chance.choice(CELLS))
        elif what == 2:
            del row[at : at + 1]
        elif what == 3:
            rows.insert(chance.randrange(len(rows) + 1), list(row))
        elif what == 4:
            rows.insert(chance.randrange(len(rows) + 1), [chance.choice(CELLS)] * chance.choice([0, 1, 3, 300]))
        elif what == 5:
            rows.remove(row)
        elif what == 6:
            chance.shuffle(rows)
        elif what == 7 and row:
            row[at] = f'"{row[at]}"'
        else:
            rows[0] = [*rows[0], chance.choice(rows[0] or [""])]
        rows = rows or [[""]]
    end = chance.choice(["\n", "\n", "\r\n", "\r", "\n\n", "\r\r\n", "\x0b", "\u2028"])
    out = end.join(mark.join(row) for row in rows) + chance.choice(["", end, "\x1a", "\0"])
    return kind + (
        out.encode(chance.choice(ENCODINGS), "replace") if chance.random() < 0.3 else out.encode("utf-8", "replace")
    )


def _other_members(body: bytes, chance: random.Random) -> bytes:
    """A zip with one member changed, gone, twice, renamed or said to be larger than it is."""
    out, what = io.BytesIO(), chance.randrange(6)
    with zipfile.ZipFile(io.BytesIO(body)) as old, zipfile.ZipFile(out, "w") as new:
        chosen = chance.choice(old.namelist() or [""])
        for name in old.namelist():
            content = old.read(name)
            if name == chosen and what == 0:
                continue
            if name == chosen and what in (1, 2, 3):
                content = changed(content, chance, XML)
            new.writestr(
                f"{name}x" if name == chosen and what == 4 else name,
                content,
                chance.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED]),
            )
            if name == chosen and what == 5:
                new.writestr(name, changed(content, chance, XML))
    return changed(out.getvalue(), chance) if chance.random() < 0.2 else out.getvalue()


XML = [b"<", b">", b"/>", b'"', b"&lt;", b"&#0;", b"&a;", b"<c r='A1048577'/>", b't="e"', b't="s"', b"<v>9999999</v>", b"<f>A1</f>",
       b"<!DOCTYPE a [<!ENTITY a 'b'>]>",
       b"<row r='0'>", b"<mergeCell ref='A1:XFD1048576'/>", b"count='999999999'", b"<is><t>x</t></is>", b"\xff", b"\0",
       b"-1", b"1e999", b"../../x"]  # fmt: skip


def shaken(seconds: float, seed: int, of: str) -> tuple[int, int]:
    """Random changes for so many seconds: the number of texts tried, and of those that were taken; raises SystemExit on a finding.
    Only what was taken is changed further: what is refused at once finds nothing more."""
    from tests.fuzz.target import is_read

    one, pool, bits = target(of)
    chance, done, accepted = random.Random(seed), 0, 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        data = chance.choice(pool)
        if chance.random() < (0.6 if of == "tables" else 0.9):
            data = restructured(data, chance) if of == "tables" else retold(data, chance)
        else:
            data = changed(data, chance, bits)
        try:
            taken = one(data) if of != "tables" or done % MERGED_EVERY == 0 else is_read(data)
        except BaseException as error:
            name = Path(tempfile.gettempdir()) / f"finding-{hashlib.sha256(data).hexdigest()[:12]}.bin"
            name.write_bytes(data)
            print(f"finding after {done} {of}, kept in {name}: {error!r}")
            raise SystemExit(1) from error
        done += 1
        accepted += taken
        if taken and len(pool) < 2000 and chance.random() < 0.02:
            pool.append(data)
    return done, accepted


def guided(seconds: float, seed: int, of: str) -> None:
    """atheris: coverage of this package steers the bytes."""
    import atheris

    with atheris.instrument_imports(
        include=["pipelines.intake", "pipelines.settings", "pipelines.toml_texts", "tomllib"]
    ):
        one, seeds, _ = target(of)
    with tempfile.TemporaryDirectory() as corpus:
        for i, data in enumerate(seeds):
            (Path(corpus) / str(i)).write_bytes(data)
        atheris.Setup(
            [sys.argv[0], f"-max_total_time={int(seconds)}", f"-seed={seed}", "-max_len=6000", corpus],
            lambda data: one(data) and None,
        )
        atheris.Fuzz()


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("--of", choices=("tables", "layouts", "settings"), default="tables")
    given.add_argument("--seconds", type=float, default=600)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--without-atheris", action="store_true")
    chosen = given.parse_args()
    if not chosen.without_atheris:
        try:
            import atheris  # noqa: F401
        except ImportError:
            print("atheris is not installed (pip install atheris): random changes of the seed corpus instead")
        else:
            guided(chosen.seconds, chosen.seed, chosen.of)
            return
    done, accepted = shaken(chosen.seconds, chosen.seed, chosen.of)
    print(f"{done} {chosen.of} in {chosen.seconds:g} s, {accepted} of them taken, no crash, no lost row")


if __name__ == "__main__":
    main()
