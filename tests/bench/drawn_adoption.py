"""How many folders `adopt` reads right with truthful answers: python -m tests.bench.drawn_adoption [FIRST] [HOW_MANY] [figures] [made] [seen].

Rows are compared for each of HOW_MANY drawn folders from seed FIRST on; with `figures` also every published figure of a whole run against
those of the canonical files; with `made` the twenty folders made by hand come first. A figure that is off by more than 1 % without a doubt
is silent.
"""

from __future__ import annotations

import os
import re
import statistics
import sys
import time
from collections.abc import Iterator
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(name, "1")  # small tables: more threads cost more than they bring

from pipelines.intake.bringing_together import doubts  # noqa: E402
from pipelines.intake.recognising import adopt  # noqa: E402
from tests.adoption import fixtures, real_ones, same_figures  # noqa: E402
from tests.adoption.drawer import Folder, folder  # noqa: E402
from tests.adoption.truthful import adopted, differences, taken_in  # noqa: E402

SILENT = 1.0  # per cent


def folders(first: int, many: int, unseen: bool, made: bool) -> Iterator[tuple[Folder, adopt.Look, int]]:
    """Each folder as adopted, with the number of answers that it took."""
    for name in fixtures.NAMES if made else ():
        one, answers = fixtures.folder(name), fixtures.answers(name)
        yield one, fixtures.exports(one).tried(answers), len(answers.entries)
    for make in real_ones.FOLDERS if made else ():
        one = make()
        found, given = adopted(one)
        yield one, found, len(given)
    for seed in range(first, first + many):
        one = folder(seed, unseen)
        found, given = adopted(one)
        yield one, found, len(given)


def main(first: int, many: int, unseen: bool, made: bool, compared: bool) -> None:
    right, silent, answers = 0, 0, []
    for one, found, given in folders(first, many, unseen, made):
        began = time.perf_counter()
        taken: Any = taken_in(one, found.layouts)
        off = differences(one, taken.tables)
        if compared and not off:
            try:
                off = same_figures.of_folder(one, found.layouts, taken.tables)
            except (RuntimeError, ValueError) as error:
                off = [str(error)]
        told = doubts.told(taken.intake_files)
        worst = max(
            (float(x) for d in off for x in re.findall(r"worst ([0-9.e+-]+) %", d)), default=100.0 if off else 0.0
        )
        answers.append(given)
        right += not off
        silent += worst > SILENT and not told and not found.unread and taken.refused_rows.is_empty()
        took = time.perf_counter() - began
        print(
            f"{one.name}: {'right' if not off else '; '.join(off[:6])} ({given} answers, {len(told)} doubts, {took:.0f} s; {', '.join(one.told)})",
            flush=True,
        )
        for name, why in found.unread.items():
            print(f"    said: {name}: {why[:120]}")
    print(
        f"{right} of {len(answers)} right{' in every published figure' if compared else ''}, {silent} silently wrong;"
        f" answers: median {statistics.median(answers)}, most {max(answers)}"
    )


if __name__ == "__main__":
    numbers = [int(x) for x in sys.argv[1:] if x.isdigit()]
    first, many = [*numbers, *(200, 30)[len(numbers) :]]
    main(first, many, "seen" not in sys.argv, "made" in sys.argv, "figures" in sys.argv)
