"""An export that is joined to a note: which job and panel each batch of a gauge is."""

from __future__ import annotations

from pipelines.intake.reading import layout, notes, read
from pipelines.intake.reading.files import Source

LAYOUT = """[file]
note = { file = "note*.csv", on = "Batch", of = "No", columns = ["Job", "Panel"], delimiter = ";" }

[[tables]]
table = "readings"

[tables.columns]
shop_id = { constant = "north" }
job_id = "Job"
panel_id = "Panel"
after_operation = { constant = 1 }
reading_no = "Shot"
reading_um = "Film"
"""
GAUGE = "Batch,Shot,Film\nB1,1,40\nB1,2,42\nB2,1,55\nB3,1,60\n"


def found(gauge: str, *files: tuple[str, str]) -> tuple[list[layout.Layout], read.FileRead]:
    sources = [Source("inbox/gauge.csv", content=gauge.encode()), *(Source(n, content=t.encode()) for n, t in files)]
    layouts = notes.with_notes([layout.parse("gauge.toml", LAYOUT)], sources)
    return layouts, read.read_file(sources[0], layouts)


def test_columns_of_all_notes_stand_beside_the_rows() -> None:
    _, one = found(
        GAUGE,
        ("inbox/note_may.csv", "No;Job;Panel\nB1;J1;hood\nB2;J1;roof\n"),
        ("inbox/note_june.csv", "Panel;No;Job\nhood;B3;J2\n"),
    )
    rows = one.tables["readings"].rows.collect().sort("line").select("job_id", "panel_id", "reading_um").rows()
    assert rows == [("J1", "hood", 40.0), ("J1", "hood", 42.0), ("J1", "roof", 55.0), ("J2", "hood", 60.0)]
    assert one.message is None


def test_a_batch_that_no_note_holds_is_refused_and_named() -> None:
    _, one = found(GAUGE, ("inbox/note.csv", "No;Job;Panel\nB1;J1;hood\n"))
    assert sorted(set(one.tables["readings"].refused["line"])) == [4, 5]
    assert "2 times 'Batch' names what no note 'note*.csv' holds (B2, B3)" in str(one.message)


def test_a_batch_of_which_a_note_says_two_things_is_not_guessed() -> None:
    _, one = found(
        GAUGE, ("inbox/note.csv", "No;Job;Panel\nB1;J1;hood\nB1;J2;hood\nB2;J1;roof\nB2;J1;roof\nB3;J1;door\n")
    )
    assert sorted(set(one.tables["readings"].refused["line"])) == [2, 3]
    assert "says different things of 'Batch' B1" in str(one.message)


def test_the_note_itself_is_read_and_makes_no_rows() -> None:
    note = ("inbox/note.csv", "No;Job;Panel\nB1;J1;hood\n")
    layouts, _ = found(GAUGE, note)
    one = read.read_file(Source(note[0], content=note[1].encode()), layouts)
    assert one.state == "read" and not one.tables and "layout gauge" in str(one.message)


def test_another_note_is_another_layout() -> None:
    """What was read is kept under the layouts' digest: a note that changes has its export read anew."""
    one, other = (found(GAUGE, ("inbox/note.csv", f"No;Job;Panel\nB1;J1;{panel}\n"))[0] for panel in ("hood", "roof"))
    assert layout.digest(one) != layout.digest(other)
