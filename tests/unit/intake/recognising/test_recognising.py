"""Proposed layouts of single exports: other shapes than the demo's. What is taken must be right; what cannot be seen is asked."""

from __future__ import annotations

import re

import pytest

from pipelines.intake.reading.files import Source
from pipelines.intake.recognising import adopt
from pipelines.intake.recognising.opening import opened
from pipelines.intake.recognising.proposals import Draft, Inbox, drafted
from pipelines.intake.recognising.questions import Answers
from pipelines.intake.recognising.shapes import Known
from tests.unit.intake.recognising.export_shapes import IDS, Shape, shapes

SHAPES = shapes()
KNOWN = Known({name: frozenset(ids) for name, ids in IDS.items()})
Taken = dict[str, dict[str, set[str]]]


def source(shape: Shape) -> Source:
    return Source(f"inbox/{shape.file}", content=shape.content.encode(shape.encoding))


def proposed(shape: Shape, known: Known = KNOWN, answers: Answers | None = None) -> Draft:
    return drafted(Inbox.of(opened(source(shape)), known), answers or Answers())[0]


def taken(found: Draft) -> Taken:
    """Table -> column -> header names, of what is taken without a question."""
    asked = {(q.table, q.column) for q in found.questions}
    if any(q.kind == "register" for q in found.questions):
        asked |= {(t, "shop_id") for t in found.tables}
    out = {
        table: {c: set(m.sources) for c, m in made.items() if (table, c) not in asked}
        for table, made in found.tables.items()
    }
    for table, extras in found.extras.items():
        for line, _ in extras:
            if line.startswith("unpivot"):
                into = re.search(r'into = "(\w+)"', line)
                assert into
                if (table, into.group(1)) not in asked:
                    out[table][into.group(1)] = set(re.findall(r'"([^"]*)"', line.split("]")[0]))
                out[table].setdefault("reading_no", set())
    return out


def without_tares(table: dict[str, set[str]], shape: Shape) -> dict[str, set[str]]:
    return {c: {s for s in sources if not s.startswith("Empty")} for c, sources in table.items()}


def test_the_right_table_and_nine_of_ten_columns_are_found_and_none_is_taken_wrongly() -> None:
    right, all_columns, wrong = 0, 0, []
    for shape in SHAPES:
        found = proposed(shape)
        assert set(found.tables) == set(shape.truth), (shape.name, found.questions)
        got = taken(found)
        for table, truth in shape.truth.items():
            can_be_found = {c: s for c, s in truth.items() if c not in shape.ask}
            all_columns += len(can_be_found)
            mine = without_tares(got[table], shape)
            right += sum(mine.get(c) == set(s) for c, s in can_be_found.items())
            wrong += [(shape.name, c, s) for c, s in mine.items() if set(truth.get(c, ("?",))) != s]
            wrong += [(shape.name, c, "taken, not asked") for c in shape.ask if c in mine]
    assert not wrong
    assert right >= 0.9 * all_columns, (right, all_columns)
    assert len(SHAPES) >= 22 and all_columns >= 120


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_without_any_register_nothing_is_taken_wrongly_either(shape: Shape) -> None:
    got = taken(proposed(shape, Known()))
    for table in set(got) & set(shape.truth):
        for column, sources in without_tares(got[table], shape).items():
            assert set(shape.truth[table].get(column, ("?",))) == sources, (column, sources)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_a_proposal_with_its_questions_answered_reads_every_row(shape: Shape) -> None:
    answers = Answers()
    for _ in range(5):
        found = proposed(shape, KNOWN, answers)
        if not found.questions:
            break
        for one in found.questions:
            answers.give(one, "mill" if one.kind == "register" else one.options[0][0])
    assert not found.questions
    from pipelines.intake.reading import layout, read

    one_read = read.read_file(source(shape), [layout.parse("proposed.toml", found.toml())])
    assert one_read.layout == "proposed" and one_read.state == "read", one_read.message
    for table, part in one_read.tables.items():
        assert part.refused.height == 0, (table, part.refused["reason"].unique().to_list())
        assert part.height >= shape.least


def test_every_match_carries_its_evidence_and_every_question_its_rows() -> None:
    for shape in SHAPES:
        found = proposed(shape)
        assert all(m.evidence for made in found.tables.values() for m in made.values())
        assert all(one.ask and 1 <= len(one.rows) <= 3 for one in found.questions)


def look(text: str) -> adopt.Look:
    return adopt.Exports.of([Source("inbox/a.csv", content=text.encode())], []).tried(Answers())


def test_day_and_month_that_cannot_be_told_apart_are_asked() -> None:
    text = "Cup No,When,Finish,Component,Net (g)\n" + "".join(
        f"{i},0{i}/0{i + 1}/2025 08:00,clear_hs,ch_hard,10\n" for i in range(1, 8)
    )
    asked = {(o.kind, o.column): o for o in look(text).questions}
    assert [o for o, _ in asked["format", "poured_at"].options] == ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"]


def test_a_unit_that_means_different_amounts_is_asked() -> None:
    text = "Delivery note,Day,Item,Booking,Quantity (ton)\n" + "D1,2025-03-04,ch_hard,receipt,1.5\n" * 5
    asked = {(o.kind, o.column): o for o in look(text).questions}
    assert {o for o, _ in asked["unit", "mass_g"].options} == {"ton_us", "tonne"}


@pytest.mark.parametrize("text", [
    "Name,Phone,City,Since\n" + "Someone,0555,Town,2020-01-02\n" * 9, "Employee,Date,Start,End,Hours\n" + "t04,2025-05-02,07:00,15:30,8\n" * 9,
    "Song,Singer\nx,y\nz,w\n",
])  # fmt: skip
def test_other_lists_of_a_business_are_not_taken_for_ours(text: str) -> None:
    found = look(text)
    assert not found.layouts and not found.questions and "recognised" in next(iter(found.unread.values()))


WORK = [
    ("J1", 1, "spray", "hood~roof", "small"),
    ("J1", 2, "spray", "hood", "small"),
    ("J2", 1, "sand", "left door", "large"),
    ("J3", 1, "spray", "wing~bumper", "small"),
    ("J4", 1, "spray", "bonnet", "large"),
    ("J5", 1, "spray", "boot lid", "small"),
]


def work(mark: str, whole: bool) -> str:
    panels = [p if whole or "~" in p else p.split("~")[0] for *_, p, _ in WORK]
    rows = [
        f"{j};{n};{k};2025-03-{3 + n:02d} 0{n}:1{i};t1;g1;clear;{p.replace('~', mark)};{v}"
        for i, ((j, n, k, _, v), p) in enumerate(zip(WORK, panels, strict=True))
    ]
    return "Job;Step;Work;Start;Painter;Gun;Paint;Panels;Vehicle\n" + "\n".join(rows) + "\n"


def test_lists_of_panels_are_split_where_no_register_knows_the_panels() -> None:
    """A new shop's registers are empty. Where few pieces stand in other cells too it is asked what stands between them."""
    exports = adopt.Exports.of([Source("inbox/work.csv", content=work(", ", True).encode())], [])
    answers = Answers([{"kind": "register", "shape": "*", "answer": "north"}])
    asked = [q for q in exports.look(answers).questions if q.kind == "split"]
    assert [(q.table, q.column, q.options[0][0]) for q in asked] == [("operation_panels", "panel_id", ",")]
    answers.give(asked[0], ",")
    (text,) = exports.tried(answers).layouts.values()
    assert (
        'panel_id = { column = "Panels", split = "," }' in text
        and 'table = "jobs"' in text
        and 'vehicle_class = "Vehicle"' in text
    )
    answers.give(asked[0], "none")
    (text,) = exports.tried(answers).layouts.values()
    assert 'panel_id = "Panels"' in text


def test_a_log_of_spray_steps_alone_that_does_not_say_spray_is_a_job_log() -> None:
    head = "Order\tDate\tStep\tStart\tEnd\tGun\tPainter\tPaint\tCoats\tPanel\tArea m2\tSurface\n"
    rows = [
        f"A{100 + n}\t0{n % 9 + 1}/09/2026\t{step}\t{9 + step}:05\t{9 + step}:35\tG{n % 2}\t{who}\t{paint}\t2\tbonnet\t1.3\tsteel\n"
        for n, who in enumerate(("Mara", "Jon", "Mara") * 8)
        for step, paint in enumerate(("Base W", "Clear HS-9"), 1)
    ]
    inbox = Inbox.of(opened(Source("inbox/booth sheet.csv", content=(head + "".join(rows)).encode())), Known({}))
    found = drafted(inbox, Answers())[0]
    assert set(found.tables) == {"operations", "operation_panels"}
    asked = {q.column: [option for option, _ in q.options] for q in found.questions if q.kind == "source"}
    assert asked == {"kind": ["= spray", "= hand", "= sand", "= polish", "does not exist"]}  # two coats are no fraction


SCALE = "Ticket;When;Paint;Item;Shown\n" + "".join(
    f"T{n:03d};2026-09-{n % 9 + 1:02d} 08:{n:02d};clear_hs;{item};{shown + n}\n"
    for n in range(12)
    for item, shown in (("ch_bind", 310), ("ch_hard", 420), ("ch_thin", 460))
)


@pytest.mark.parametrize(
    ("kind", "table", "column", "answer", "said"),
    [
        ("source", "pours", "component_id", "Itm", "There is no column 'Itm' in it. Which column"),
        ("source", "pours", "poured_at", ["When", "Clock"], "There is no column 'Clock' in it. Which column"),
        ("unit", "pours", "weighed_g", "gramz", "'gramz' is no unit of mass or volume. In which unit"),
        ("unit", "pours", "weighed_g", "um", "'um' is no unit of mass or volume. In which unit"),
        ("tare", "pours", "weighed_g", "Cup", "There is no column 'Cup' in it. Does 'Shown'"),
        ("weights", "pours", "weighed_g", "running", "'running' is none of the options. 'Shown'"),
        ("tables", "", "", "pour", "There is no table 'pour'. What does"),
    ],
)
def test_an_answer_that_cannot_be_is_said_and_asked_again(
    kind: str, table: str, column: str, answer: str | list[str], said: str
) -> None:
    """From a file of answers as much as in the terminal: a slip of the pen was once left out without a word."""
    given = {"kind": kind, "shape": "*", "table": table, "column": column, "answer": answer}
    exports = adopt.Exports.of([Source("inbox/scale.csv", content=SCALE.encode())], [])
    found = exports.tried(Answers([{"kind": "register", "shape": "*", "answer": "north"}, given]))
    assert [q.ask for q in found.questions if q.ask.startswith(said)] and not found.layouts


def test_an_answer_may_differ_from_the_header_in_case_and_blanks() -> None:
    given = {"kind": "source", "shape": "*", "table": "pours", "column": "component_id", "answer": " item"}
    exports = adopt.Exports.of([Source("inbox/scale.csv", content=SCALE.encode())], [])
    found = exports.look(Answers([{"kind": "register", "shape": "*", "answer": "north"}, given]))
    assert not [q for q in found.questions if q.kind == "source"]
    assert next(iter(found.drafts.values())).tables["pours"]["component_id"].sources == ("Item",)
