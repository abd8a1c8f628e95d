"""Where a run's pieces of work are done: on this machine's cores, or on an Apache Spark cluster.

Here belongs handing out work and nothing else: a piece is a function and something small that it is called with. What a
piece is and where its tables stand is run.py's. Scheduling, retries and moving work to where there is room are left to
the thread pool or to Spark.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pipelines.workspace import WorkspaceError

Item = TypeVar("Item")
Result = TypeVar("Result")
HOME = Path(__file__).resolve().parents[1]


class EngineError(Exception):
    """The engine that the settings name cannot be used. The text says what is missing and what to do."""


class Engine(Protocol):
    """`apart`: work is done in other processes, maybe on other machines, so its tables travel as files."""

    apart: bool

    def each(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        """Call `work` with every item; results in the order of the items."""


class Cores:
    """Threads of this process: polars and DuckDB leave the interpreter alone while they work."""

    apart = False

    def __init__(self, workers: int = 0) -> None:
        self.workers = workers or os.cpu_count() or 1

    def each(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        if self.workers == 1 or len(items) < 2:
            yield from map(work, items)
            return
        ahead: deque[Future[Result]] = deque()
        with ThreadPoolExecutor(max_workers=self.workers) as pool:
            for item in items:
                ahead.append(pool.submit(work, item))
                # results that nobody has taken yet are held in memory: no more of them than there are workers
                if len(ahead) > self.workers:
                    yield ahead.popleft().result()
            while ahead:
                yield ahead.popleft().result()


class Spark:
    """Python workers of a Spark cluster."""

    apart = True

    def __init__(self, session: Any) -> None:
        self.session = session

    def each(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        if not items:
            return
        # a task for each item: Spark then sends work to whoever is idle, and repeats what was lost with a machine
        handed = self.session.sparkContext.parallelize(list(items), len(items))
        for found in handed.map(partial(_answered, work)).collect():
            if isinstance(found, _Refusal):
                raise found.error
            yield found


@dataclass(frozen=True)
class _Refusal:
    """What a worker says instead of a result where trying again would not help."""

    error: WorkspaceError


def _answered(work: Callable[[Item], Result], item: Item) -> Result | _Refusal:
    """Spark repeats what raises, and tells of it in words of its own: what the workspace does not allow comes as an answer."""
    try:
        return work(item)
    except WorkspaceError as error:
        return _Refusal(error)


@contextlib.contextmanager
def start(name: str, workers: int = 0, master: str = "") -> Iterator[Engine]:
    """The engine of the settings, for as long as a run lasts. Raises EngineError where Spark cannot be started.

    `workers` for this machine, 0: one for each core. `master` for Spark, as Spark writes it (spark://host:7077, yarn,
    local-cluster[2,1,2048]); empty: what Spark's own configuration says.
    """
    if name != "spark":
        yield Cores(workers)
        return
    session = _session(master)
    try:
        yield Spark(session)
    finally:
        session.stop()


def _session(master: str) -> Any:
    try:
        from py4j.protocol import Py4JError
        from pyspark.errors import PySparkException
        from pyspark.sql import SparkSession
    except ImportError:
        raise EngineError(
            'engine = "spark" needs pyspark, which is not installed here. Install it with: pip install -e ".[spark]"'
        ) from None
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    builder = (
        SparkSession.builder.appName("filmledger")
        .config("spark.ui.enabled", "false")
        .config("spark.ui.showConsoleProgress", "false")
        .config("spark.executorEnv.PYTHONPATH", str(HOME))
    )
    # one thread for each reduction, as on one machine: sums must not depend on who adds them
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        builder = builder.config(f"spark.executorEnv.{variable}", "1")
    if master:
        builder = builder.master(master)
    try:
        session = builder.getOrCreate()
    except (PySparkException, Py4JError, RuntimeError, OSError) as error:
        java = getattr(error, "java_exception", None)  # what Java says: py4j's own text names only the call
        said = str(error if java is None else java.toString()).strip()
        first = said.splitlines()[0] if said else type(error).__name__
        raise EngineError(
            f"Spark did not start ({first}). It needs Java 17 or newer on every machine, and a master that answers at the"
            " address in spark_master; see 'On a cluster' in README.md."
        ) from error
    session.sparkContext.setLogLevel("ERROR")
    return session
