"""The ten folders kept as files (tests/adoption/folders): each inbox made by hand, one small business behind all of them.

`_shop` holds its registers and its canonical tables; beside each inbox stands what a truthful owner answers (answers.toml, of the form
that `adopt --answers` takes).
"""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipelines.intake.reading import read
from pipelines.intake.reading.files import Source
from pipelines.intake.recognising import adopt
from pipelines.intake.recognising.questions import Answers
from tests.adoption.drawer import Folder

HOME = Path(__file__).parent / "folders"
NAMES = sorted(p.name for p in HOME.iterdir() if (p / "inbox").is_dir())


def folder(name: str, home: Path = HOME) -> Folder:
    """One of them, without the truth about its columns, which its answers hold."""
    files = {f"inbox/{p.name}": p.read_bytes() for p in sorted((home / name / "inbox").iterdir())}
    registers = {f"registers/{p.name}": p.read_text() for p in sorted((home / "_shop" / "registers").glob("*.csv"))}
    canonical = {
        p.stem: pl.read_csv(p, try_parse_dates=True) for p in sorted((home / "_shop" / "canonical").glob("*.csv"))
    }
    return Folder(name, files, {}, canonical, registers, [name])


def answers(name: str, home: Path = HOME) -> Answers:
    """What its owner answers."""
    path = home / name / "answers.toml"
    return Answers.parsed(path.read_text(), path.name) if path.exists() else Answers()


def exports(one: Folder) -> adopt.Exports:
    """Its inbox, opened."""
    others = [read.read_file(Source(n, content=t.encode()), []) for n, t in one.registers.items()]
    return adopt.Exports.of([Source(n, content=b) for n, b in one.files.items()], others)
