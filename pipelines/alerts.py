"""What a scheduler and whoever is on duty hear of a run: its log file, and the hook command that is called with what is new.

Here belongs nothing of what a run does, and nothing that is printed (cli).
"""

from __future__ import annotations

import contextlib
import json
import logging
import logging.handlers
import shlex
import subprocess
from collections.abc import Iterator
from typing import Any

LOG_BYTES, LOGS_KEPT = 1_000_000, 5
HOOK_SECONDS = 60


@contextlib.contextmanager
def log_to(file: str | None) -> Iterator[logging.Logger]:
    """A log that adds to `file` with the time and level of each line, put aside at 1 MB; without a file it keeps nothing."""
    log = logging.Logger("filmledger")
    logging.raiseExceptions = False  # a log that takes no more lines stops no run and fills no screen
    handler: logging.Handler = logging.NullHandler()
    if file is not None:
        handler = logging.handlers.RotatingFileHandler(
            file, maxBytes=LOG_BYTES, backupCount=LOGS_KEPT, encoding="utf-8"
        )
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    log.addHandler(handler)
    try:
        yield log
    finally:
        with contextlib.suppress(OSError):
            handler.close()


def news(before: dict[str, Any], now: dict[str, Any]) -> list[tuple[str, list[Any]]]:
    """(event, what of it is new) for doubts and breaches that the numbers of the run before did not have."""
    out = []
    for event in ("doubts", "breaches"):
        known = {_named(one) for one in before.get(event, [])}
        new = [one for one in now[event] if _named(one) not in known]
        if new:
            out.append((event, new))
    return out


def _named(one: Any) -> str:
    """What makes a doubt or a breach the same one: a breach's place and window, whatever its total is by now."""
    if isinstance(one, dict):
        one = [one[key] for key in ("shop_id", "measure", "period", "window")]
    return json.dumps(one, default=str)


def call(command: str, told: dict[str, Any]) -> str | None:
    """Call a hook (words as a shell splits them, no shell) with one JSON object on its input. Returns what went wrong, if anything."""
    try:
        done = subprocess.run(
            shlex.split(command),
            input=json.dumps(told, ensure_ascii=False, default=str),
            text=True,
            timeout=HOOK_SECONDS,
            check=False,
        )
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        return f"The hook {command!r} could not be called: {error}."
    return f"The hook {command!r} ended with exit code {done.returncode}." if done.returncode else None
