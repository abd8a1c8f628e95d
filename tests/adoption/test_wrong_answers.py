"""One deliberately wrong answer (unit, way of weighing, day and month) raises a doubt in each of ten folders, a right one in none."""

from __future__ import annotations

from typing import Any

import pytest

from pipelines.intake.bringing_together import doubts
from pipelines.intake.reading import read
from pipelines.intake.reading.files import Source
from pipelines.intake.recognising import adopt
from pipelines.intake.recognising.questions import Answers
from tests.adoption.drawer import Folder, folder
from tests.adoption.truthful import answer, taken_in

#: folders whose dates are written with numbers, day or month first
SEEDS = (200, 201, 203, 205, 208, 209, 210, 211, 212, 213)
ANOTHER = {"g": "kg", "kg": "lb", "lb": "kg", "oz": "lb"}


def told(one: Folder, exports: adopt.Exports, wrong: dict[tuple[str, str, str], Any]) -> list[str]:
    answers = Answers(
        [
            {"kind": kind, "shape": "*", "table": table, "column": column, "answer": said}
            for (kind, table, column), said in wrong.items()
        ]
    )
    for _ in range(6):
        found = exports.look(answers)
        if not found.questions:
            break
        for question in found.questions:
            answers.give(question, answer(question, one.truth))
    return [remark for _, remark in doubts.told(taken_in(one, exports.tried(answers).layouts).intake_files)]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_wrong_answer_is_doubted(seed: int) -> None:
    one = folder(seed, unseen=True)
    others = [read.read_file(Source(name, content=text.encode()), []) for name, text in one.registers.items()]
    exports = adopt.Exports.of([Source(name, content=data) for name, data in one.files.items()], others)
    how = next(t["pours"] for t in one.truth.values() if "pours" in t)
    unit, weights, form = how["weighed_g"]["unit"], how["weighed_g"]["weights"], how["poured_at"]["format"]
    assert not told(one, exports, {})
    wrong_unit = told(one, exports, {("unit", "pours", "weighed_g"): ANOTHER[unit]})
    assert any("unit of" in d for d in wrong_unit), (unit, wrong_unit)
    other = "incremental" if weights.startswith("cumulative") else "cumulative"
    assert any("cumulative" in d for d in told(one, exports, {("weights", "pours", "weighed_g"): other})), other
    swapped = form.replace("%d", "@").replace("%m", "%d").replace("@", "%m")
    assert any("day and month" in d for d in told(one, exports, {("format", "pours", "poured_at"): swapped})), swapped
