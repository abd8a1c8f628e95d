"""What readers get of each published table: packed parquet, a spreadsheet, a table of the one database file.

Packing and writing waits for the disk, and nothing of the run waits for it: a table is handed in as soon as it stands, and is
written beside whatever comes next, one after the other. Not here: which tables are published (schemas), pages and hand-outs
(reports), how a file is written (workspace), putting the finished set in force (run).
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor

from pipelines import workspace
from pipelines.shelf import Shelf

MOST_ROWS = 1_048_575  # below the header of a sheet with 2^20 lines; no spreadsheet opens more


class Results:
    """The published tables of one run. `wait` before the set is put in force, `close` in any case."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self._database = workspace.Database(shelf.space)
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="results")
        self._ahead: dict[str, Future[None]] = {}

    def add(self, name: str) -> None:
        """Write a table that stands in the shelf and does not change any more, once; returns at once."""
        if name not in self._ahead:
            self._ahead[name] = self._pool.submit(self._write, name)

    def wait(self) -> None:
        """Come back when all is written. Raises the first WorkspaceError met."""
        for one in self._ahead.values():
            one.result()
        self._database.close()

    def close(self) -> None:
        """Stop behind the table that is being written."""
        self._pool.shutdown(cancel_futures=True)
        self._database.close()

    def _write(self, name: str) -> None:
        self.shelf.publish(name)
        if self.shelf.rows(name) <= MOST_ROWS:
            workspace.write_csv(self.shelf.space, f"csv/{name}.csv", self.shelf.parts(name))
        self._database.add(name)
