"""Small files are read, typed and kept together: each is told as if it were alone, and nothing stays of one that is gone.

That a file reads the same alone and with others is asked of every case of these batteries (intake_bench.take_in)."""

from __future__ import annotations

import random
from pathlib import Path

import polars as pl
import pytest

from pipelines import run as runs
from pipelines import settings, taking_in, workspace
from pipelines.intake.bringing_together.merge import Intake
from pipelines.intake.reading import mapped_rows, read
from pipelines.intake.reading.files import Source
from pipelines.workspace import Workspace
from tests.pipeline.intake_bench import POURS, REGISTERS, alike, equal

LAYOUT = """
[file]
match_name = "cups_*.csv"
delimiter = ";"
decimal = ","
{more}
[[tables]]
table = "pours"
where = {{ column = "Cup", pattern = "^[a-z]" }}
[tables.columns]
shop_id = {{ constant = "north" }}
mix_id = "Cup"
pour_no = {{ number_within = ["mix_id"] }}
poured_at = {{ column = "At", format = "%d.%m.%Y %H:%M" }}
product_id = "Product"
component_id = "Part"
weighed_g = {{ column = "Grams", unit = "g"{weights} }}
"""


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    made, _ = workspace.init(tmp_path / "shop", settings.template())
    for name, text in REGISTERS.items():
        (made.root / name).write_text(text)
    return made


def day(n: int) -> str:
    rows = "".join(f"north,cup{n}_{k},1,2025-03-{n:02} 08:00,clear_a,binder,{100 + k}\n" for k in range(4))
    bad = f"north,bad{n},1,2025-03-{n:02} 08:00,clear_a,binder,much\n" if n % 3 == 0 else ""
    return f"{POURS}\n{rows}{bad}"


def taken_in(space: Workspace, told: list[str] | None = None) -> Intake:
    """Everything taken in, as a run does it that publishes in the end."""

    class Teller(runs.Silent):
        def remark(self, said: str) -> None:
            if told is not None:
                told.append(said)

    current = runs.look(space, Teller())
    found = taking_in.take_in(current, current.settings.flat())
    whole = found.whole()
    workspace.forget_reads(space, current.keys)
    return whole


def afresh(space: Workspace) -> Intake:
    workspace.forget_reads(space, [])
    return taken_in(space)


def kept(space: Workspace) -> set[str]:
    """The cups that stand anywhere in the store."""
    frames = [pl.read_parquet(path) for path in space.intake_store.glob("*/*.parquet")]
    return {cup for frame in frames if "mix_id" in frame.columns for cup in frame["mix_id"]}


def test_nothing_stays_of_an_export_that_was_taken_away(space: Workspace) -> None:
    for n in range(1, 10):
        (space.inbox / f"pours_{n}.csv").write_text(day(n))
    first = taken_in(space)
    assert len(list(space.intake_store.iterdir())) == 1 and {"cup4_1", "bad3"} <= kept(space)
    (space.inbox / "pours_3.csv").unlink()
    (space.inbox / "pours_4.csv").unlink()
    second = taken_in(space)
    assert not {"cup4_1", "bad3", "cup3_0"} & kept(space) and "cup5_0" in kept(space)
    assert second.intake_files.height == first.intake_files.height - 2
    equal(second, afresh(space))


def test_a_file_more_each_day_leaves_few_entries_and_is_read_alone(
    space: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[list[str]] = []
    honest = read.read_files
    monkeypatch.setattr(
        read, "read_files", lambda few, *more: (asked.append([one.file for one in few]), honest(few, *more))[1]
    )
    days = taking_in.LOOSE + 5
    for n in range(1, days):
        (space.inbox / f"pours_{n}.csv").write_text(day(n))
        last = taken_in(space)
        assert asked[-1][-1 if n > 1 else 0].startswith("inbox/") and (len(asked[-1]) == 1 or n == 1)
        assert len(list(space.intake_store.iterdir())) <= taking_in.LOOSE + 1
    assert len(asked) == days - 1, "nothing is read twice"
    taken_in(space)
    assert len(asked) == days - 1
    equal(last, afresh(space))


def test_what_was_kept_together_and_is_damaged_is_read_again_with_a_word(space: Workspace) -> None:
    for n in range(1, 8):
        (space.inbox / f"pours_{n}.csv").write_text(day(n))
    first = taken_in(space)
    for full in list(space.intake_store.glob("*/*")):
        before = full.read_bytes()
        spoilt = bytearray(before)
        spoilt[random.Random(full.name).randrange(len(spoilt))] ^= 4
        full.write_bytes(spoilt)
        told: list[str] = []
        equal(first, taken_in(space, told))
        assert len(told) == 1 and "is damaged; the export was read again" in told[0] and "inbox/pours_1.csv" in told[0]


def test_more_than_is_held_in_memory_waits_on_disk(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipelines.intake.bringing_together import merge

    for n in range(1, 20):
        (space.inbox / f"pours_{n}.csv").write_text(day(n))
    first = taken_in(space)
    monkeypatch.setattr(read, "PIECE", 500)
    monkeypatch.setattr(merge, "AT_A_TIME", 20)
    equal(first, afresh(space))
    assert len(list(space.intake_store.iterdir())) > 3
    equal(first, taken_in(space))


@pytest.mark.parametrize(
    ("more", "weights"),
    [
        ("", ""),
        ('order = "newest_first"', ""),
        ('repeat_above = ["Cup", "At"]', ', weights = "cumulative"'),
        ('skip = [{ column = "Part", is = "thin" }]', ', weights = "cumulative_with_tare", tare_g = 10'),
    ],
)
def test_what_a_layout_says_of_a_file_holds_for_each_of_several(more: str, weights: str) -> None:
    """Numbers within a cup, weights that run on, cells that repeat the one above: none of them goes over from one file to the next."""
    from pipelines.intake.reading import layout

    found = [layout.parse("cups.toml", LAYOUT.format(more=more, weights=weights))]
    chance = random.Random(more + weights)
    files = {}
    for n in range(60):
        rows = ["Cup;At;Product;Part;Grams"]
        for k in range(chance.randint(0, 14)):
            cup = chance.choice(["a", "a", "a", "b", "b", "é1", "e\u0301 1", "", "9"])
            gram = chance.choice(["12,5", "100", f"{40 + 9 * k},25", "80", "200", "much", " 7 "])
            at = chance.choice(["03.03.2025 08:00", "04.03.2025 09:30", "05.03.2025 10:00", "31.02.2025 08:00"])
            rows.append(
                f"{cup};{at};clear_a;{chance.choice(['binder', 'thin', ''])};{gram}{chance.choice(['', '', '', ';x'])}"
            )
        files[f"inbox/cups_{n}.csv"] = "\n".join(rows) + "\n"

    def sources() -> list[Source]:
        return [Source(name, content=text.encode()) for name, text in files.items()]

    alone = [read.read_file(one, found) for one in sources()]
    together = read.read_files(sources(), found)
    for one, other in zip(alone, together, strict=True):
        alike(one, other)
    assert sum(one.tables["pours"].height for one in alone) > 20
    assert sum(one.tables["pours"].refused.height for one in alone) > 20
    assert sum(one.tables["pours"].respelled for one in alone) > 2


def test_a_file_that_breaks_the_reader_is_the_only_one_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    honest = mapped_rows.canonical

    def breaks(table: str, grid: object) -> mapped_rows.Shaped:
        shaped = honest(table, grid)  # type: ignore[arg-type]
        if "cup5_2" in shaped.rows["mix_id"]:
            raise RuntimeError("a fault of the reader")
        return shaped

    monkeypatch.setattr(mapped_rows, "canonical", breaks)
    found = read.read_files([Source(f"inbox/pours_{n}.csv", content=day(n).encode()) for n in range(1, 9)], [])
    assert [one.state for one in found] == ["read"] * 4 + ["refused"] + ["read"] * 3
    assert "a fault of the reader" in (found[4].message or "") and found[0].tables["pours"].height == 4
