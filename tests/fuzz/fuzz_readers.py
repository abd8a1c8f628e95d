"""`make fuzz`: the readers under random bytes for a while, with atheris (coverage-guided) where it is installed.

    .venv/bin/python tests/fuzz/fuzz_readers.py [--seconds 600] [--seed 1] [--without-atheris]

Without atheris: seeded random changes of the seed corpus. A finding is written to a file and told; exit code 1.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
import tempfile
import time
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
if str(HOME) not in sys.path:
    sys.path.insert(0, str(HOME))

BITS = [b'"', b",", b";", b"\n", b"\r\n", b"\t", b"\0", b"\xff", b"'", b"=", b"e9", b"1e400", b"-", b".", b"\xef\xbb\xbf",
        b"nan", b"2025-02-30", b"north", b"Total", b"\xc3\xa4", b"\xe2\x80\xa8", b"\x1c", b"#", b"|"]  # fmt: skip


def changed(data: bytes, chance: random.Random) -> bytes:
    """`data` with one to six random changes."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(out) + 1)
        what = chance.randrange(6)
        if what == 0 and out:
            out[at % len(out)] = chance.randrange(256)
        elif what == 1:
            out[at:at] = chance.choice(BITS)
        elif what == 2:
            del out[at : at + chance.randint(1, 20)]
        elif what == 3:
            out[at:at] = out[at : at + chance.randint(1, 60)]
        elif what == 4:
            out[at:at] = chance.choice(BITS) * chance.choice([2, 3, 100])
        else:
            other = chance.randrange(len(out) + 1)
            out[at:at] = out[other : other + chance.randint(1, 40)]
    return bytes(out)


def shaken(seconds: float, seed: int) -> int:
    """Random changes for so many seconds. Returns the number of files read; raises SystemExit on a finding."""
    from tests.fuzz.target import one, seeds

    chance, pool, done = random.Random(seed), seeds(), 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        data = changed(chance.choice(pool), chance)
        try:
            one(data)
        except BaseException as error:
            name = Path(tempfile.gettempdir()) / f"finding-{hashlib.sha256(data).hexdigest()[:12]}.bin"
            name.write_bytes(data)
            print(f"finding after {done} files, kept in {name}: {error!r}")
            raise SystemExit(1) from error
        done += 1
        if len(pool) < 2000 and chance.random() < 0.02:
            pool.append(data)
    return done


def guided(seconds: float, seed: int) -> None:
    """atheris: coverage of this package steers the bytes."""
    import atheris

    with atheris.instrument_imports(include=["pipelines.intake"]):
        from tests.fuzz.target import one, seeds
    with tempfile.TemporaryDirectory() as corpus:
        for i, data in enumerate(seeds()):
            (Path(corpus) / str(i)).write_bytes(data)
        atheris.Setup([sys.argv[0], f"-max_total_time={int(seconds)}", f"-seed={seed}", "-max_len=6000", corpus], one)
        atheris.Fuzz()


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
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
            guided(chosen.seconds, chosen.seed)
            return
    print(f"{shaken(chosen.seconds, chosen.seed)} files read in {chosen.seconds:g} s, no crash, no lost row")


if __name__ == "__main__":
    main()
