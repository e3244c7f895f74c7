"""Feed changed files to what reads them, and look for anything but the documented errors.

Readers: photos (through to a score), Exif blocks, colour profiles, cards (CGATS, JSON),
`round.toml`, hand-kept CSV files, slip codes, journals of filing, backups. Inputs are changed from
a kept corpus by flipped bits, cut, doubled and spliced pieces and telling words. An input that
reaches lines of the program no input before it reached is changed further, and kept with `--keep`.

A find is any other exception, more than 20 s, or more than 1 GB of memory; it is written to the
folder of `--finds` and the program ends with status 1.

    python -m benchmarks.robustness.fuzz --minutes 10         all readers, ten minutes in all
    python -m benchmarks.robustness.fuzz --reader csv --keep  one reader; keeps what is new
    python -m benchmarks.robustness.fuzz --quick              a few inputs a reader
"""

from __future__ import annotations

import argparse
import hashlib
import random
import resource
import signal
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

from benchmarks.robustness import fuzz_seeds as seeds
from lawnscore.card.reference import load_reference
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import read_settings
from lawnscore.filing.journal import filed_before
from lawnscore.filing.slip_code import read_slip_text
from lawnscore.photo.exif import read_exif
from lawnscore.photo.icc import ProfileError, to_srgb
from lawnscore.photo.score import score_photo
from lawnscore.register.register import read_register
from lawnscore.upkeep.backup import restore

CORPUS = seeds.ROOT / "tests" / "corpus"
SECONDS_MAX = 20
BYTES_MAX = 1_000_000_000
KEPT_BYTES_MAX = 6_000
KEPT_MAX = 25
_PACKAGE = str(seeds.ROOT / "lawnscore")

Read = Callable[[bytes, Path], object]

WORDS = (
    b'"', b"'", b",", b";", b"\t", b"\n", b"\r\n", b"#", b"=", b"[", b"]", b"{", b"}", b"\0",
    b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", b"-1", b"0", b"1e999", b"nan", b"NaN", b"inf",
    b"1,234.5", b"1.234,5", b"9999-12-31", b"0000-00-00", b"31/12/99", b"29.2.2026", b"all", b"..",
    b"/", b"true", b"\\u0000", "ü".encode(), "²".encode(), b"BEGIN_DATA", b"END_DATA", b"LAB_L",
    b"lawnscore:1;", b"%00", b"%ff", b"\x7f\xff\xff\xff", b"\x80\0\0\0", b"\xff\xff\xff\xff",
    b"II*\0", b"MM\0*", b"Exif\0\0",
)  # fmt: skip
"""Pieces that mean something to a reader."""


@dataclass(frozen=True)
class Reader:
    """What reads an input, which errors of it are documented, and inputs to start from."""

    name: str
    read: Read
    documented: tuple[type[Exception], ...]
    seeds: Callable[[], list[bytes]]


class Find(Exception):
    """An input that did what it must not do."""


# ------------------------------------------------------------------ readers


def read_a_photo(data: bytes, folder: Path) -> object:
    path = folder / "a.jpg"
    path.write_bytes(data)
    row = score_photo(path).row
    if row["status"] not in ("scored", "refused"):
        raise ValueError(f"status {row['status']}")
    return row


def read_a_card(suffix: str) -> Read:
    def read(data: bytes, folder: Path) -> object:
        (folder / f"a{suffix}").write_bytes(data)
        return load_reference(f"a{suffix}", base=folder)

    return read


def read_toml(data: bytes, folder: Path) -> object:
    (folder / "round.toml").write_bytes(data)
    return read_settings(folder / "round.toml")


def read_csv(data: bytes, folder: Path) -> object:
    for name in ("lawns", "work", "weather"):
        (folder / f"{name}.csv").write_bytes(data)
    return read_register(folder)


def read_profile(data: bytes, _folder: Path) -> object:
    return to_srgb(np.full((2, 2, 3), 90, np.uint8), data)


def read_journal(data: bytes, folder: Path) -> object:
    (folder / ".lawnscore" / "filing").mkdir(parents=True, exist_ok=True)
    (folder / ".lawnscore" / "filing" / "20260101T000000.jsonl").write_bytes(data)
    return filed_before(folder)


def read_a_backup(data: bytes, folder: Path) -> object:
    (folder / "a.zip").write_bytes(data)
    with tempfile.TemporaryDirectory(dir=folder) as out:
        return restore(folder / "a.zip", Path(out) / "new")


_OURS = (LawnscoreError,)
READERS = (
    Reader("photo", read_a_photo, _OURS, seeds.photo_seeds),
    Reader("exif", lambda data, _: read_exif(data, (4000, 3000)), (), seeds.exif_seeds),
    Reader("profile", read_profile, (ProfileError,), seeds.profile_seeds),
    Reader("cgats", read_a_card(".txt"), _OURS, seeds.card_seeds),
    Reader("card_json", read_a_card(".json"), _OURS, seeds.json_seeds),
    Reader("toml", read_toml, _OURS, seeds.toml_seeds),
    Reader("csv", read_csv, _OURS, seeds.csv_seeds),
    Reader(
        "slip",
        lambda data, _: read_slip_text(data.decode("latin-1")),
        (ValueError,),
        seeds.slip_seeds,
    ),
    Reader("journal", read_journal, _OURS, seeds.journal_seeds),
    Reader("backup", read_a_backup, _OURS, seeds.backup_seeds),
)


# ------------------------------------------------------------------ changing and watching


def changed(data: bytes, others: list[bytes], rng: random.Random) -> bytes:
    """Return an input changed in one to a few places."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 8))):
        place = rng.randrange(len(out) + 1)
        length = min(rng.choice((1, 2, 4, 16, 64, 256)), len(out) - place)
        kind = rng.randrange(7)
        if kind == 0 and length:
            out[place] ^= 1 << rng.randrange(8)
        elif kind == 1:
            out[place : place + length] = rng.randbytes(length)
        elif kind == 2:
            del out[place : place + length]
        elif kind == 3:
            out[place:place] = out[place : place + length] * rng.choice((1, 2, 8))
        elif kind == 4:
            out[place:place] = rng.choice(WORDS)
        elif kind == 5:
            other = rng.choice(others)
            start = rng.randrange(len(other) + 1)
            out[place : place + length] = other[start : start + length]
        elif rng.random() < 0.3:
            del out[place:]
    return bytes(out)


@contextmanager
def lines_reached(into: set[tuple[str, int]]) -> Iterator[None]:
    """Note the lines of the program that run inside."""

    def local(frame: FrameType, event: str, _arg: Any) -> Any:
        if event == "line":
            into.add((frame.f_code.co_filename, frame.f_lineno))
        return local

    def tracer(frame: FrameType, _event: str, _arg: Any) -> Any:
        return local if frame.f_code.co_filename.startswith(_PACKAGE) else None

    before = sys.gettrace()
    sys.settrace(tracer)
    try:
        yield
    finally:
        sys.settrace(before)


def feed(reader: Reader, data: bytes, folder: Path) -> None:
    """Give one input to a reader.

    Raises
    ------
    Find
        When anything but a documented error comes out, or it takes too long or too much.
    """

    def late(_signal: int, _frame: Any) -> None:
        raise TimeoutError(f"more than {SECONDS_MAX} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(SECONDS_MAX)
    memory = _memory_from_here()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            reader.read(data, folder)
    except reader.documented as error:
        if isinstance(error, LawnscoreError) and len(error.line().splitlines()) != 1:
            raise Find("an error of more than one line") from error
    except Exception as error:
        raise Find(f"{type(error).__name__}: {error}") from error
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    if memory() > BYTES_MAX:
        raise Find("more than 1 GB of memory")


def _memory_from_here() -> Callable[[], int]:
    """Return what tells the most memory (bytes) that this process takes above what it holds now.

    What the process took earlier does not count: the peak is set back first (`proc(5)`,
    `clear_refs`). Where the system cannot do that, only what goes above the earlier peak is seen.
    """
    try:
        Path("/proc/self/clear_refs").write_text("5")
        held = _status_bytes("VmRSS")
        return lambda: _status_bytes("VmHWM") - held
    except OSError:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        return lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - peak


def _status_bytes(field: str) -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{field}:"):
            return 1024 * int(line.split()[1])
    raise OSError(f"no {field} in /proc/self/status")


def corpus(reader: Reader) -> list[bytes]:
    """Return the inputs that are kept for a reader, and those it starts from."""
    kept = sorted((CORPUS / reader.name).glob("*"))
    return [*reader.seeds(), *(path.read_bytes() for path in kept)]


def fuzz(
    reader: Reader, *, seconds: float, n: int = 10**9, seed: int = 0, keep: bool = False
) -> tuple[int, int, int]:
    """Feed changed inputs; return how many, how many lines they reached, and how many were kept.

    Raises
    ------
    Find
        At the first find; its `args` are the words and the input.
    """
    rng = random.Random(f"{reader.name} {seed}")
    reached: set[tuple[str, int]] = set()
    pool = corpus(reader)
    n_kept = len(list((CORPUS / reader.name).glob("*")))
    ends, count = time.monotonic() + seconds, 0
    with tempfile.TemporaryDirectory() as folder:
        for data in pool:
            _fed(reader, data, Path(folder), reached)
        while count < n and time.monotonic() < ends:
            data = changed(rng.choice(pool), pool, rng)
            n_before = len(reached)
            _fed(reader, data, Path(folder), reached)
            count += 1
            if len(reached) > n_before:
                pool.append(data)
                if keep and len(data) <= KEPT_BYTES_MAX and n_kept < KEPT_MAX:
                    _keep(reader, data)
                    n_kept += 1
    return count, len(reached), n_kept


def _fed(reader: Reader, data: bytes, folder: Path, reached: set[tuple[str, int]]) -> None:
    try:
        with lines_reached(reached):
            feed(reader, data, folder)
    except Find as find:
        raise Find(*find.args, data) from find.__cause__


def _keep(reader: Reader, data: bytes) -> None:
    path = CORPUS / reader.name / hashlib.sha256(data).hexdigest()[:12]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=5.0, help="in all")
    parser.add_argument("--reader", choices=[r.name for r in READERS], action="append", default=[])
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--keep", action="store_true", help="keep what reached new lines")
    parser.add_argument("--finds", type=Path, default=Path("finds"), help="folder for finds")
    parser.add_argument("--quick", action="store_true", help="a few inputs a reader")
    given = parser.parse_args()
    chosen = [r for r in READERS if r.name in given.reader or not given.reader]
    seconds = 60 * given.minutes / len(chosen)
    print(f"seed {given.seed}\n{'reader':10} {'inputs':>8} {'lines':>6} {'kept':>5}")
    n_finds = 0
    for reader in chosen:
        try:
            n = 5 if given.quick else 10**9
            count, lines, kept = fuzz(
                reader, seconds=seconds, n=n, seed=given.seed, keep=given.keep
            )
            print(f"{reader.name:10} {count:8} {lines:6} {kept:5}", flush=True)
        except Find as find:
            n_finds += 1
            path = given.finds / f"{reader.name}-{hashlib.sha256(find.args[1]).hexdigest()[:12]}"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(find.args[1])
            print(f"{reader.name:10} FIND {find.args[0]}: {path}", flush=True)
    sys.exit(1 if n_finds else 0)


if __name__ == "__main__":
    main()
