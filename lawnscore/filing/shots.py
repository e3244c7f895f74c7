"""What lies in a phone's dump: photos with their times, and what is no photo."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.slip_finder import HEIF_SUFFIXES
from lawnscore.photo.exif import read_exif
from lawnscore.register.folder import SPOT_MARK

Kind = Literal["photo", "video", "screenshot", "other"]

JPEG_SUFFIXES = (".jpg", ".jpeg")
PHOTO_SUFFIXES = (*JPEG_SUFFIXES, *HEIF_SUFFIXES, ".png", ".tif", ".tiff")
_VIDEO_SUFFIXES = (".mov", ".mp4", ".m4v", ".3gp", ".avi", ".mkv", ".webm")
_SCREENSHOT_WORDS = ("screenshot", "screen shot", "bildschirmfoto", "capture")
_COPY_MARK = re.compile(r"(\s*\(\d+\)|\s+copy|\s+\d)$", re.IGNORECASE)
_COUNTER = re.compile(r"(.*?)(\d{3,5})$")
_TIME_IN_NAME = re.compile(r"(?<!\d)(20\d{6})[-_ T]?(\d{6})(?=\D|\d{3}$|\d{3}\D|$)")
_OFFSET = re.compile(r"([+-]?)(?:(\d+)d)?(?:(\d+)h)?(?:(\d+)m(?:in)?)?(?:(\d{1,3}):(\d{2}))?")
_CHUNK_BYTES = 1 << 20
_OFFSET_MOST = timedelta(days=40 * 366)  # a clock that was never set starts decades ago
_YEARS = (1900, 2200)


@dataclass(frozen=True)
class Shot:
    """One file of a dump.

    Parameters
    ----------
    path, relative
        The file, and its path in the dump.
    kind
        What it is: only a ``photo`` can be filed.
    camera
        Make and model; empty when the file does not say.
    local
        Wall time at which it was taken, mended by the clock offset; ``None`` when unknown.
    utc_offset
        Offset of the wall time, when the camera wrote it.
    time_source
        ``exif``, ``name`` or empty.
    modified
        When the file was last written, in the machine's wall time.
    series, counter
        File name without its number, and the number; ``None`` without one.
    size_bytes
        Size of the file.
    clock_offset
        What was added to the time.
    """

    path: Path
    relative: str
    kind: Kind
    camera: str = ""
    local: datetime | None = None
    utc_offset: timedelta | None = None
    time_source: str = ""
    modified: datetime = datetime.min
    series: str = ""
    counter: int | None = None
    size_bytes: int = 0
    clock_offset: timedelta = timedelta(0)

    @property
    def bare_stem(self) -> str:
        """File name without suffix, spot and marks of a copy such as ``(1)``, in lower case."""
        return _bare_stem(self.path.stem)

    @property
    def spot(self) -> str:
        """Spot that the file name says, before ``--``."""
        spot, mark, _ = self.path.name.partition(SPOT_MARK)
        return spot.strip() if mark else ""


def gather_shots(
    folder: Path | str, *, clock_offset: timedelta = timedelta(0), leave_out: Path | None = None
) -> list[Shot]:
    """Return every file of a dump, in the order of their paths; hidden files are left out.

    Parameters
    ----------
    folder
        The dump; folders in it are searched too.
    clock_offset
        Added to every time taken, for a camera whose clock was wrong.
    leave_out
        A folder that is not part of the dump, such as the round itself.

    Raises
    ------
    LawnscoreError
        When the folder is missing.
    """
    root = Path(folder)
    if not root.is_dir():
        raise LawnscoreError("there is no such folder", "Name the folder of the photos.", root)
    skip = None if leave_out is None else leave_out.resolve()
    return [shot_of(path, root, clock_offset) for path in sorted(_files(root, skip))]


def parse_offset(text: str) -> timedelta:
    """Return a clock offset such as ``+1h``, ``-00:30`` or ``+1d2h30min``.

    Raises
    ------
    LawnscoreError
        When it is no offset, or more than 40 years.

    Examples
    --------
    >>> parse_offset("-1d2h"), parse_offset("+00:30")
    (datetime.timedelta(days=-2, seconds=79200), datetime.timedelta(seconds=1800))
    """
    match = _OFFSET.fullmatch(text.strip().replace(" ", ""))
    if match is None or not any(match.groups()[1:]):
        raise LawnscoreError(
            f"`{text}` is not a clock offset", "Write it as +1h, -30min, +1d2h or -00:30."
        )
    sign, days, hours, minutes, clock_hours, clock_minutes = match.groups()
    try:
        length = timedelta(
            days=int(days or 0),
            hours=int(hours or clock_hours or 0),
            minutes=int(minutes or clock_minutes or 0),
        )
    except (OverflowError, ValueError):  # also a number of more digits than Python reads
        length = timedelta.max
    if length > _OFFSET_MOST:
        raise LawnscoreError(
            f"a clock offset of `{text[:40]}` is more than 40 years", "Write it as +1h or -1d2h."
        )
    return -length if sign == "-" else length


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal digits."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def same_shot(one: Shot, other: Shot) -> bool:
    """Return whether two files are forms of one shot, such as HEIC and JPEG.

    Same name but for the suffix, and the same time to two seconds; where a time is unknown, the
    same folder.
    """
    if one.bare_stem != other.bare_stem or one.path.suffix.lower() == other.path.suffix.lower():
        return False
    if one.local is None or other.local is None or "name" in (one.time_source, other.time_source):
        return one.path.parent == other.path.parent
    return abs((one.local - other.local).total_seconds()) <= 2


def _files(folder: Path, skip: Path | None) -> Iterator[Path]:
    try:
        listed = sorted(folder.iterdir())
    except OSError as error:
        raise LawnscoreError(
            f"the folder cannot be opened ({error.strerror})", "Allow yourself to read it.", folder
        ) from None
    for path in listed:
        if path.name.startswith(".") or path.name in ("Thumbs.db", "desktop.ini"):
            continue
        if path.is_dir():
            if path.resolve() != skip and not path.is_symlink():
                yield from _files(path, skip)
        elif path.is_file():
            yield path


def _bare_stem(stem: str) -> str:
    name = stem.split(SPOT_MARK, 1)[-1]
    return _COPY_MARK.sub("", name).casefold()


def shot_of(path: Path, root: Path, clock_offset: timedelta = timedelta(0)) -> Shot:
    """Return one file of a dump; ``root`` is the dump."""
    stat = path.stat()
    relative = path.relative_to(root).as_posix()
    modified = datetime.fromtimestamp(stat.st_mtime)
    suffix = path.suffix.lower()
    if suffix not in PHOTO_SUFFIXES:
        kind: Kind = "video" if suffix in _VIDEO_SUFFIXES else "other"
        return Shot(path, relative, kind, modified=modified, size_bytes=stat.st_size)
    camera, taken_at = _camera_and_time(path)
    moment = None if taken_at is None else datetime.fromisoformat(taken_at)
    source = "exif" if moment else ""
    if moment is None:
        moment = _time_in_name(path.stem)
        source = "name" if moment else ""
    moment = _mended(moment, clock_offset)
    source = source if moment else ""
    series, counter = _series(_bare_stem(path.stem))
    return Shot(
        path,
        relative,
        "screenshot" if _is_screenshot(path, camera) else "photo",
        camera,
        None if moment is None else moment.replace(tzinfo=None),
        None if moment is None else moment.utcoffset(),
        source,
        modified,
        series,
        counter,
        stat.st_size,
        clock_offset,
    )


def _mended(moment: datetime | None, clock_offset: timedelta) -> datetime | None:
    """Return a time with the clock put right; unknown where that is in no year that can be."""
    try:
        mended = None if moment is None else moment + clock_offset
    except OverflowError:
        return None
    return mended if mended and _YEARS[0] <= mended.year <= _YEARS[1] else None


def _is_screenshot(path: Path, camera: str) -> bool:
    name = path.stem.casefold()
    return not camera and (
        any(word in name for word in _SCREENSHOT_WORDS)
        and path.suffix.lower() in (".png", *JPEG_SUFFIXES)
    )


def _camera_and_time(path: Path) -> tuple[str, str | None]:
    from PIL import Image

    if path.suffix.lower() in HEIF_SUFFIXES:
        from pillow_heif import register_heif_opener

        register_heif_opener()
    try:
        with Image.open(path) as image:
            data = image.info.get("exif") or image.getexif().tobytes()
            notes = read_exif(data, image.size)
    except Exception:  # Pillow raises many kinds for a broken file; it is refused when it is read
        return "", None
    return notes.camera, notes.taken_at


def _time_in_name(stem: str) -> datetime | None:
    """Return the wall time that a file name holds.

    >>> _time_in_name("IMG_20260305_141233")
    datetime.datetime(2026, 3, 5, 14, 12, 33)
    """
    match = _TIME_IN_NAME.search(stem)
    try:
        return datetime.strptime(match[1] + match[2], "%Y%m%d%H%M%S") if match else None
    except ValueError:
        return None


def _series(bare_stem: str) -> tuple[str, int | None]:
    match = _COUNTER.match(bare_stem)
    if match is None or _TIME_IN_NAME.search(bare_stem):
        return bare_stem, None
    return match[1], int(match[2])
