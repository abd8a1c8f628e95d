"""Published tables by name, each sorted by its key. Here belongs how they are handed out, not what they say."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from schemas import validate


class Tables:
    """Tables by name, sorted by key; one that is missing is empty."""

    def __init__(self, given: Mapping[str, pl.DataFrame]) -> None:
        self._given = given

    def __getitem__(self, name: str) -> pl.DataFrame:
        frame = self._given.get(name)
        if frame is None:
            return validate.empty(name)
        return frame.sort(validate.keys(name), nulls_last=True)
