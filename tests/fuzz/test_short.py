"""The short form of `make fuzz`: the seed corpus, seeded changes of it, and what hypothesis thinks of."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz.fuzz_readers import BITS, changed, restructured, retold, target
from tests.fuzz.target import FILES, HEADER, LAYOUTS, one, read_one, seeds


# numbered: a workbook holds the time it was made, so that its bytes are not as many in every process
@pytest.mark.parametrize("data", [pytest.param(d, id=f"{n}, kind {d[0]}") for n, d in enumerate(seeds())])
def test_the_seed_corpus_holds(data: bytes) -> None:
    one(data)


@pytest.mark.parametrize("seed", range(4))
def test_changed_seeds_hold(seed: int) -> None:
    chance = random.Random(seed)
    for number in range(30):
        data = chance.choice(seeds())
        data = changed(data, chance) if number % 3 == 0 else restructured(data, chance)
        one(data) if number % 10 == 0 else read_one(data)


@pytest.mark.parametrize("of", ["layouts", "settings"])
def test_changed_layouts_and_settings_hold(of: str) -> None:
    use, corpus, bits = target(of)
    chance = random.Random(11)
    for data in corpus[:4]:
        use(data)
    taken = 0
    for number in range(40):
        data = chance.choice(corpus)
        taken += use(changed(data, chance, bits) if number % 2 else retold(data, chance))
    assert 0 < taken < 40, "some are taken and some refused: a corpus of which nothing is read tells nothing"


_pieces = st.lists(
    st.sampled_from([*BITS, b"north", b"a", b"1", b"2025-03-03 08:00", b"clear_a", b"binder"]), max_size=40
)


@settings(max_examples=25, deadline=None)
@given(_pieces, st.binary(max_size=20), st.sampled_from([0, 1, 3, 6, 7]))
def test_any_body_below_a_good_header_holds(pieces: list[bytes], noise: bytes, kind: int) -> None:
    assert kind < len(FILES) * len(LAYOUTS)
    one(bytes([kind]) + HEADER.encode() + b"\n" + b"".join(pieces) + noise)
