"""How many drawn folders `adopt` reads right with truthful answers: python -m tests.bench.drawn_adoption [FIRST] [HOW_MANY] [seen]."""

from __future__ import annotations

import statistics
import sys
import time

from tests.adoption.drawer import folder
from tests.adoption.truthful import adopted, differences, taken_in


def main(first: int = 200, many: int = 30, unseen: bool = True) -> None:
    right, silent, answers = 0, 0, []
    for seed in range(first, first + many):
        one, began = folder(seed, unseen), time.perf_counter()
        found, given = adopted(one)
        taken = taken_in(one, found.layouts)
        off = differences(one, taken.tables)
        answers.append(len(given))
        right += not off
        wrong = [d for d in off if "differ" in d]
        silent += bool(wrong)
        print(
            f"{seed}: {'right' if not off else '; '.join(off[:4])} ({len(given)} answers, {time.perf_counter() - began:.1f} s; {', '.join(one.told)})"
        )
        for name, why in found.unread.items():
            print(f"    said: {name}: {why[:120]}")
    print(
        f"{right} of {many} read right, {silent} with figures that differ; answers: median {statistics.median(answers)}, most {max(answers)}"
    )


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:3]), unseen="seen" not in sys.argv)
