"""The log of a round: one JSON object a line, of what was done, when, by which method, how long.

It holds counts and durations and never the name of a lawn, so it may be passed on when something
is to be looked into. It lies in `.lawnscore/log.jsonl`; full files are kept as `log.jsonl.1` and so
on, the oldest goes. Each line also goes to Python's logging, for `-v`.
"""

from __future__ import annotations

import contextlib
import json
import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from lawnscore import __version__
from lawnscore.contract.files import append_own
from lawnscore.register.lock import FOLDER

FILE_NAME = "log.jsonl"
FILE_BYTES_MAX = 1_000_000
FILES_KEPT = 3
"""Full files that are kept beside the one that is written."""

LOGGER = logging.getLogger("lawnscore")

Value = str | int | float | bool | None


def note(round_path: Path | str, what: str, **facts: Value) -> None:
    """Add one line to the log. A log that cannot be written is not worth ending a run for.

    Parameters
    ----------
    round_path
        Folder of the round.
    what
        What was done, in one word, such as ``score``.
    facts
        Counts, durations (``seconds``), ids of methods; no names.
    """
    entry: dict[str, Value] = {
        "when": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "what": what,
        "version": __version__,
        **facts,
    }
    said = ", ".join(f"{name} {value}" for name, value in facts.items())
    LOGGER.info("%s: %s", what, said)
    path = Path(round_path) / FOLDER / FILE_NAME
    with contextlib.suppress(OSError):
        if path.exists() and path.stat().st_size > FILE_BYTES_MAX:
            _rotate(path)
        append_own(path, json.dumps(entry) + "\n")


@contextmanager
def noted(round_path: Path | str, what: str) -> Iterator[dict[str, Value]]:
    """Log what is done inside, how long it took and how it ended; facts are put into the dict."""
    started = time.monotonic()
    facts: dict[str, Value] = {}
    ended = "well"
    try:
        yield facts
    except BaseException as error:
        ended = type(error).__name__
        raise
    finally:
        seconds = round(time.monotonic() - started, 3)
        note(round_path, what, ended=ended, seconds=seconds, **facts)


def _rotate(path: Path) -> None:
    for number in range(FILES_KEPT, 0, -1):
        older = path.with_name(f"{path.name}.{number}")
        newer = path if number == 1 else path.with_name(f"{path.name}.{number - 1}")
        if newer.exists():
            newer.replace(older)
