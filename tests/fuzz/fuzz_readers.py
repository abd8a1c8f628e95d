"""`make fuzz`: tables, layouts and settings under random bytes, each for a while, with atheris (coverage-guided) where it is installed.

    .venv/bin/python tests/fuzz/fuzz_readers.py [--of tables|layouts|settings] [--seconds 600] [--seed 1] [--without-atheris]

Without atheris: seeded random changes of the seed corpus. A finding is written to a file and told; exit code 1.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
import tempfile
import time
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


def target(of: str) -> tuple[Callable[[bytes], None], list[bytes], list[bytes]]:
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


def shaken(seconds: float, seed: int, of: str) -> int:
    """Random changes for so many seconds. Returns the number of texts tried; raises SystemExit on a finding."""
    one, pool, bits = target(of)
    chance, done = random.Random(seed), 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        data = changed(chance.choice(pool), chance, bits)
        try:
            one(data)
        except BaseException as error:
            name = Path(tempfile.gettempdir()) / f"finding-{hashlib.sha256(data).hexdigest()[:12]}.bin"
            name.write_bytes(data)
            print(f"finding after {done} {of}, kept in {name}: {error!r}")
            raise SystemExit(1) from error
        done += 1
        if len(pool) < 2000 and chance.random() < 0.02:
            pool.append(data)
    return done


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
        atheris.Setup([sys.argv[0], f"-max_total_time={int(seconds)}", f"-seed={seed}", "-max_len=6000", corpus], one)
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
    print(
        f"{shaken(chosen.seconds, chosen.seed, chosen.of)} {chosen.of} in {chosen.seconds:g} s, no crash, no lost row"
    )


if __name__ == "__main__":
    main()
