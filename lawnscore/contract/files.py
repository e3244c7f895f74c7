"""How files are written: whole or not at all, for their owner alone, never over another's.

A file is written beside its place and takes its name in one step, so that a reader, or a run that
was cut off, sees the old one or the new one. What a killed run leaves ends in ``.part`` and starts
with :data:`PART_START`; :func:`sweep_parts` removes it.
"""

from __future__ import annotations

import contextlib
import filecmp
import io
import os
import secrets
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from lawnscore.contract.errors import LawnscoreError

PART_START = ".lawnscore-"
PART_END = ".part"

_OWN = stat.S_IRUSR | stat.S_IWUSR
_GROUP = stat.S_IRGRP | stat.S_IWGRP
_HEAD_BYTES = _TAIL_BYTES = 1 << 16

MARK = "lawnscore"
"""Word by which a file is known to be of this program."""

_STARTS: dict[str, bytes] = {
    ".pdf": b"%PDF",
    ".png": b"\x89PNG",
    ".jpg": b"\xff\xd8\xff",
    ".jpeg": b"\xff\xd8\xff",
    ".ics": b"BEGIN:VCALENDAR",
    ".json": b"{",
    ".txt": b"CGATS",
    ".cgats": b"CGATS",
    ".zip": b"PK\x03\x04",
}
"""First bytes of each kind of file that is written where the user says."""


def part_beside(path: Path) -> Path:
    """Return a name beside ``path`` under which it is written first; short, whatever its own."""
    return path.with_name(f"{PART_START}{os.getpid()}-{secrets.token_hex(4)}{PART_END}")


def sweep_parts(folders: Iterable[Path], *, beside: Path | None = None) -> int:
    """Remove what killed runs left in these folders and below; return how many files.

    Only for a caller that holds the round, so that no other run is writing there.

    Parameters
    ----------
    beside
        A folder that is swept too, but nothing below it.
    """
    pattern, n_removed = f"{PART_START}*{PART_END}", 0
    found = [part for folder in folders for part in folder.rglob(pattern)]
    for part in [*found, *(beside.glob(pattern) if beside else ())]:
        with contextlib.suppress(OSError):
            part.unlink()
            n_removed += 1
    return n_removed


def file_mode(folder: Path) -> int:
    """Return the rights of a file written into ``folder``: its owner's alone.

    A folder in which a group may write is shared on purpose: there the group reads and writes.
    """
    with contextlib.suppress(OSError):
        if folder.stat().st_mode & stat.S_IWGRP:
            return _OWN | _GROUP
    return _OWN


def make_folder(folder: Path) -> list[Path]:
    """Make a folder and those above it, for their owner alone; return those made, outer first.

    Below a folder that a group shares, the group's rights are passed on.

    Raises
    ------
    OSError
        When one cannot be made.
    """
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    made = []
    for path in reversed(missing):
        shared = path.parent.stat().st_mode & stat.S_IWGRP
        try:
            path.mkdir(mode=0o700)
        except FileExistsError:  # made meanwhile by another process
            continue
        if shared:
            path.chmod(path.stat().st_mode | stat.S_IRWXG)
        made.append(path)
    if not folder.is_dir():
        raise NotADirectoryError(20, "Not a directory", str(folder))
    return made


def sync_folder(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_whole(path: Path, data: bytes) -> None:
    """Replace a file in one step; one that would not change is left as it is.

    Raises
    ------
    LawnscoreError
        When it cannot be written; the old one is kept then.
    """
    try:
        if _is_same(path, data):
            return
        _replace(path, [data])
    except OSError as error:
        raise cannot_write(path, error) from None


def write_streamed(path: Path, pieces: Iterable[bytes]) -> None:
    """Do as :func:`write_whole` with a file that comes in pieces and never lies in memory whole.

    Raises
    ------
    LawnscoreError
        When it cannot be written; the old one is kept then, as it is when a piece fails.
    """
    try:
        _replace(path, pieces, unless_same=True)
    except OSError as error:
        raise cannot_write(path, error) from None


def _replace(path: Path, pieces: Iterable[bytes], *, unless_same: bool = False) -> None:
    part = part_beside(path)
    make_folder(path.parent)
    try:
        with open(part, "xb", opener=_opener) as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        if unless_same and path.is_file() and filecmp.cmp(part, path, shallow=False):
            return
        part.chmod(file_mode(path.parent))
        part.replace(path)
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def append_own(path: Path, text: str) -> None:
    """Add text to a file that is made, for its owner alone, when it is not there.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    data = text.encode("utf-8", "backslashreplace")
    with open(path, "ab", opener=_opener) as file:
        file.write(data)


def cannot_write(path: Path | str, error: OSError) -> LawnscoreError:
    """Return the one line for a file or folder that could not be written."""
    return LawnscoreError(
        f"cannot be written ({error.strerror or error})",
        "Close it in other programs, free some space, check that you may write there; run again.",
        path,
    )


def _opener(path: str, flags: int) -> int:
    return os.open(path, flags, file_mode(Path(path).parent))


def _is_same(path: Path, data: bytes) -> bool:
    if not path.is_file() or path.stat().st_size != len(data):
        return False
    return path.read_bytes() == data


def check_output(path: Path, *suffixes: str) -> None:
    """Refuse a place for an output that the user named, before anything is done for it.

    Parameters
    ----------
    path
        Where the user wants it.
    suffixes
        Endings that this output can have, such as ``.pdf``.

    Raises
    ------
    LawnscoreError
        When the ending is another, a file is there that this program did not make, or the place
        lies among the photos of a round.
    """
    ending = path.suffix.lower()
    if ending not in suffixes:
        raise LawnscoreError(
            f"this is written as {' or '.join(suffixes)}, not `{path.suffix}`",
            f"Name a file that ends in {' or '.join(suffixes)}.",
            path,
        )
    if _is_among_photos(path):
        raise LawnscoreError(
            "nothing is written among the photos of a round", "Name another folder.", path
        )
    if os.path.lexists(path) and not _is_ours(path, ending):
        raise LawnscoreError(
            "there is something here that was not made by lawnscore",
            "Name another file, or move this one away.",
            path,
        )


def write_output(path: Path, data: bytes, *suffixes: str) -> None:
    """Write a file where the user named it, once :func:`check_output` has let it pass.

    Raises
    ------
    LawnscoreError
        As :func:`check_output` does, and when the file cannot be written.
    """
    check_output(path, *suffixes)
    write_whole(path, data)


def picture_bytes(pixels: Any, ending: str, *, dpi: float | None = None) -> bytes:
    """Return (H, W, 3) uint8 sRGB as a PNG or JPEG file that carries our mark."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    out = io.BytesIO()
    size = {} if dpi is None else {"dpi": (dpi, dpi)}
    if ending.lower() == ".png":
        note = PngInfo()
        note.add_text("Software", MARK)
        Image.fromarray(pixels).save(out, "PNG", pnginfo=note, **size)
    else:
        Image.fromarray(pixels).save(out, "JPEG", quality=90, comment=MARK, **size)
    return out.getvalue()


def _is_among_photos(path: Path) -> bool:
    places = (path.absolute(), path.resolve())
    return any(
        folder.name == "photos" and (folder.parent / "round.toml").is_file()
        for place in places
        for folder in place.parents
    )


def _is_ours(path: Path, ending: str) -> bool:
    """Return whether a file is of the kind its ending says and carries our mark."""
    if path.is_symlink() or not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
            file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
            tail = file.read()
    except OSError:
        return False
    return head.startswith(_STARTS[ending]) and MARK.encode() in head + tail
