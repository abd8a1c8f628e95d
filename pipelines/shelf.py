"""The tables of one run: small ones in memory, those that are cut by shop on disk, a part for each span of shops.

Here belongs which table stands where and how it is asked for: whole, some columns of it, or one span's rows. What a run
holds in memory follows from the size of a span and not from that of the business. Not here: the files themselves
(workspace), who makes a table and who reads it (run, defs), where spans begin and end (ledger/shops).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

import polars as pl

from pipelines import workspace
from pipelines.ledger import shops
from pipelines.ledger.shops import Span
from pipelines.workspace import Workspace
from schemas import door

SMALL = 20_000  # rows: a table below this is held in memory, for a business of one shop is not to wait for the disk


class Shelf(Mapping[str, pl.DataFrame]):
    """Tables by name. Reading one as of a mapping gives it whole, in the order of its key; it is not kept in memory then.

    Sent to another process it knows the folder alone: what stands in memory is there after `share`.
    """

    in_order = True  # said to readers that would sort otherwise

    def __init__(self, space: Workspace) -> None:
        self.space = space
        self.spans: list[Span] = [Span()]
        self._held: dict[str, pl.DataFrame] = {}
        self._cut: set[str] = set()
        self._rows: dict[str, int] = {}

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "_held": {}}

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)

    def __contains__(self, name: object) -> bool:
        return name in self._rows

    def __getitem__(self, name: str) -> pl.DataFrame:
        return self.whole(name)

    # --- bringing ---------------------------------------------------------------------------------------------------

    def put(self, name: str, frame: pl.DataFrame) -> None:
        """Take in a whole table."""
        self._rows[name] = frame.height
        self._cut.discard(name)
        if frame.height < SMALL or not shops.is_owned(name):
            self._held[name] = frame
            return
        for at, span in enumerate(self.spans):
            workspace.write_part(self.space, name, at, frame.filter(span.holds()))
        self._held.pop(name, None)
        self._cut.add(name)

    def bring(self, at: int, frames: Mapping[str, pl.DataFrame]) -> None:
        """Write what one span gave of some tables; any thread or process may, each span once. They stand in the shelf after
        `finish`."""
        for name, frame in frames.items():
            workspace.write_part(self.space, name, at, frame)

    def finish(self, name: str, rows: int) -> None:
        """Every span has brought its part of a table, `rows` in all. Of a table that no shop owns each span made the whole
        for itself."""
        if shops.is_owned(name):
            self._held.pop(name, None)
            self._cut.add(name)
            self._rows[name] = rows
        else:
            self.put(
                name, shops.joined(name, [workspace.read_part(self.space, name, at) for at in range(len(self.spans))])
            )

    def publish(self, name: str) -> None:
        """Write a table among the results of the run."""
        if name in self._cut:
            workspace.join_parts(self.space, name, len(self.spans))
        else:
            workspace.write_table(self.space, name, self._held[name])

    def share(self, names: Iterable[str]) -> None:
        """Have the tables that stand in memory on disk too, for other processes."""
        for name in names:
            if name in self._held:
                workspace.write_part(self.space, name, None, self._held[name])

    # --- asking -------------------------------------------------------------------------------------------------------

    def is_apart(self, name: str) -> bool:
        """Whether a table stands on disk in parts."""
        return name in self._cut

    def rows(self, name: str) -> int:
        """How many rows a table has."""
        return self._rows[name]

    def whole(self, name: str, columns: Collection[str] | None = None) -> pl.DataFrame:
        """A table in the order of its key, with these columns or all."""
        if name in self._held:
            frame = self._held[name]
            return frame if columns is None else frame.select(columns)
        key = door.keys(name)
        frame = pl.concat([workspace.read_part(self.space, name, at, columns) for at in range(len(self.spans))])
        # spans stand in the order of shops: nothing is out of place where the key begins with the shop
        return (
            frame.sort(key, nulls_last=True)
            if key and key[0] != shops.SHOP and set(key) <= set(frame.columns)
            else frame
        )

    def of_span(self, at: int, names: Iterable[str]) -> dict[str, pl.DataFrame]:
        """What the work on one span of shops reads: its own rows and those of no shop, and whole what is nobody's own."""
        found = {}
        for name in names:
            if name in self._cut:
                found[name] = workspace.read_part(self.space, name, at)
                continue
            frame = self._held[name] if name in self._held else workspace.read_part(self.space, name, None)
            found[name] = shops.cut({name: frame}, self.spans[at])[name]
        return found

    def each(self, names: Iterable[str]) -> Iterator[dict[str, pl.DataFrame]]:
        """`of_span` of one span after the other."""
        names = list(names)
        for at in range(len(self.spans)):
            yield self.of_span(at, names)

    def parts(self, name: str) -> Iterator[pl.DataFrame]:
        """A table piece by piece, in the order of its key where that begins with the shop; no shop in two pieces, at least one
        piece."""
        if name not in self._cut:
            yield self.whole(name)
            return
        for at in range(len(self.spans)):
            yield workspace.read_part(self.space, name, at)
