"""Proposed layouts: exports of other shapes than the demo's. What is taken must be right; what cannot be seen is asked."""

from __future__ import annotations

import pytest

from pipelines.intake import infer, layout
from pipelines.intake.files import FileRefused, Source
from pipelines.intake.read import read_file
from tests.unit.intake.export_shapes import IDS, Shape, shapes

SHAPES = shapes()


def proposed(shape: Shape, ids: dict[str, set[str]] | None = None) -> infer.Proposal:
    source = Source(f"inbox/{shape.file}", content=shape.content.encode(shape.encoding))
    return infer.propose(source, IDS if ids is None else ids)


def taken(found: infer.Proposal) -> dict[str, dict[str, set[str]]]:
    """Table -> column -> header names, of what is taken without a question."""
    out = {table: {m.column: set(m.sources) for m in matches} for table, matches in found.tables.items()}
    for table, extras in found.extras.items():
        for line, _ in extras:
            if line.startswith("unpivot"):
                rule = layout.parse("x.toml", found.toml() + "\n").tables[0].unpivot if not found.needed else None
                columns = set(rule.columns) if rule else set(__import__("re").findall(r'"([^"]*)"', line.split("]")[0]))
                out[table]["reading_um"] = columns
                out[table].setdefault("reading_no", set())
    return out


def test_the_right_table_and_nine_of_ten_columns_are_found_and_none_is_taken_wrongly() -> None:
    right, all_columns, wrong = 0, 0, []
    for shape in SHAPES:
        found = proposed(shape)
        assert set(found.tables) == set(shape.truth), shape.name
        got = taken(found)
        for table, truth in shape.truth.items():
            can_be_found = {c: s for c, s in truth.items() if c not in shape.ask}
            all_columns += len(can_be_found)
            right += sum(got[table].get(c) == set(s) for c, s in can_be_found.items())
            wrong += [(shape.name, c, s) for c, s in got[table].items() if set(truth.get(c, ("?",))) != s]
            wrong += [(shape.name, c, "taken, not asked") for c in shape.ask if c in got[table]]
    assert not wrong
    assert right >= 0.9 * all_columns, (right, all_columns)
    assert len(SHAPES) >= 22 and all_columns >= 120


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_without_any_register_nothing_is_taken_wrongly_either(shape: Shape) -> None:
    got = taken(proposed(shape, {}))
    for table in set(got) & set(shape.truth):
        for column, sources in got[table].items():
            assert set(shape.truth[table].get(column, ("?",))) == sources, (column, sources)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_a_proposal_with_its_questions_answered_reads_every_row(shape: Shape) -> None:
    found = proposed(shape)
    for one in found.open:
        if one.column == "shop_id":
            found = found.answered(one.table, one.column, '{ constant = "mill" }')
        elif one.needed:
            assert one.answers, one
            found = found.answered(one.table, one.column, one.answers[0][0])
    rules = layout.parse("proposed.toml", found.toml())
    source = Source(f"inbox/{shape.file}", content=shape.content.encode(shape.encoding))
    read = read_file(source, [rules])
    assert read.layout == "proposed" and read.state == "read", read.message
    for table, part in read.tables.items():
        assert part.refused.height == 0, (table, part.refused["reason"].unique().to_list())
        assert part.height >= shape.least


def test_every_match_carries_its_evidence_and_every_question_its_column() -> None:
    for shape in SHAPES:
        found = proposed(shape)
        assert all(m.evidence for matches in found.tables.values() for m in matches)
        assert all(one.question for one in found.open)
        for one in found.open:
            assert f"# OPEN {one.column}" in found.toml()


def test_day_and_month_that_cannot_be_told_apart_are_asked() -> None:
    text = "Cup No,When,Finish,Component,Net (g)\n" + "".join(
        f"{i},0{i}/0{i + 1}/2025 08:00,clear_hs,ch_hard,10\n" for i in range(1, 8)
    )
    found = infer.propose(Source("inbox/a.csv", content=text.encode()), IDS)
    asked = {o.column: o for o in found.open}
    assert "poured_at" in asked and len(asked["poured_at"].answers) == 2
    assert "poured_at" not in {m.column for m in found.tables["pours"]}


def test_a_unit_that_means_different_amounts_is_asked() -> None:
    text = "Delivery note,Day,Item,Booking,Quantity (ton)\n" + "D1,2025-03-04,ch_hard,receipt,1.5\n" * 5
    found = infer.propose(Source("inbox/a.csv", content=text.encode()), IDS)
    assert "mass_g" in {o.column for o in found.open}


def test_a_header_without_rows_asks_how_its_dates_are_written() -> None:
    found = infer.propose(Source("inbox/a.csv", content=b"Mix,Component,Net (g),Mixed at,Product\n"), IDS)
    assert "cannot be seen" in {o.column: o.question for o in found.needed}["poured_at"]


@pytest.mark.parametrize("text", [
    "Name,Phone,City,Since\n" + "Someone,0555,Town,2020-01-02\n" * 9, "Employee,Date,Start,End,Hours\n" + "t04,2025-05-02,07:00,15:30,8\n" * 9,
    "A,B,C,D,E\n" + "c1,ch_hard,12.5,2025-05-02 08:00,clear_hs\n" * 9,
])  # fmt: skip
def test_other_lists_of_a_business_are_not_taken_for_ours(text: str) -> None:
    with pytest.raises(FileRefused, match="no table of ours"):
        infer.propose(Source("inbox/a.csv", content=text.encode()), IDS)


def test_what_is_nothing_of_ours_is_said_with_its_header() -> None:
    with pytest.raises(FileRefused, match="Header found: Song"):
        infer.propose(Source("inbox/a.csv", content=b"Song,Singer\nx,y\nz,w\n"), IDS)
