"""A check-up: is what the program stands on there, and is the round sound?"""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from lawnscore import __version__
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import PART_END, PART_START, make_folder, part_beside
from lawnscore.register.folder import Round, open_round
from lawnscore.register.lock import FOLDER
from lawnscore.register.register import read_register
from lawnscore.scoring.ledger import FILE_NAME, Ledger

_FREE_BYTES_MIN = 500_000_000
_CHUNK_BYTES = 1 << 20


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at: what was found, and how to mend it; no mend: all is well."""

    what: str
    found: str
    mend: str = ""

    @property
    def well(self) -> bool:
        """Whether there is nothing to mend."""
        return not self.mend


def examine(round_path: Path | str | None = None, *, photos: bool = False) -> list[Finding]:
    """Look at the installation, and at a round.

    Parameters
    ----------
    round_path
        Folder of a round; ``None`` looks at the installation alone.
    photos
        Read every photo again and compare it with the hash kept of it: slow, and finds what a
        failing disk has changed.

    Returns
    -------
    list of Finding
        One for each thing looked at, whatever was found.
    """
    found = [_python(), *_packages(), _picture_kinds(), _fonts()]
    if round_path is None:
        return found
    root = Path(round_path)
    try:
        opened = open_round(root)
    except LawnscoreError as error:
        return [*found, Finding("round", f"{root}: {error.what}", error.mend)]
    steps: tuple[Callable[[Round], Finding | None], ...] = (
        _round, _card, _register, _places, _writable, _space, _ledger, _set_aside, _half_written,
        _filings, _rights,
    )  # fmt: skip
    found += [finding for step in steps if (finding := step(opened)) is not None]
    return [*found, _photos(opened)] if photos else found


# ------------------------------------------------------------------ the installation


def _python() -> Finding:
    version = ".".join(map(str, sys.version_info[:3]))
    mend = "" if sys.version_info >= (3, 11) else "Install Python 3.11 or newer."
    return Finding("program", f"lawnscore {__version__} on Python {version}", mend)


def _packages() -> Iterator[Finding]:
    """Yield what is wrong with the packages the program needs, or one line that nothing is."""
    try:
        wanted = metadata.requires("lawnscore") or []
    except metadata.PackageNotFoundError:
        yield Finding("packages", "run from a working copy; versions were not looked at")
        return
    from packaging.requirements import Requirement

    n = 0
    for requirement in map(Requirement, wanted):
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": ""}):
            continue
        n += 1
        try:
            version = metadata.version(requirement.name)
        except metadata.PackageNotFoundError:
            version = ""
        if not version or not requirement.specifier.contains(version, prereleases=True):
            found = f"{requirement.name} {version or 'is not installed'}"
            yield Finding("packages", found, f"Install {requirement.name}{requirement.specifier}.")
            n = -len(wanted)
    if n > 0:
        yield Finding("packages", f"all {n} are there")


def _picture_kinds() -> Finding:
    try:
        import cv2
        import pillow_heif
        from simplejpeg import decode_jpeg

        ready = hasattr(cv2.aruco, "ArucoDetector") and bool(pillow_heif.libheif_version())
        ready = ready and callable(decode_jpeg)
    except (ImportError, AttributeError) as error:
        return Finding("photos", f"cannot be read ({error})", "Install the program again.")
    mend = "" if ready else "Install the program again."
    return Finding("photos", "JPEG, HEIC, PNG, TIFF and WebP can be read", mend)


def _fonts() -> Finding:
    from matplotlib import get_data_path

    font = Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
    mend = "" if font.is_file() else "Install the package matplotlib again."
    return Finding("fonts", "for cards, slips and PDF" if not mend else "are missing", mend)


# ------------------------------------------------------------------ the round


def _round(opened: Round) -> Finding:
    return Finding("round", f"{opened.path}: {_count(len(opened.photos), 'photo')}")


def _card(opened: Round) -> Finding:
    from lawnscore.card.reference import load_reference

    try:
        card = load_reference(opened.settings.scoring.card, base=opened.path)
    except LawnscoreError as error:
        return Finding("card", error.what, error.mend)
    return Finding("card", "told by its markers" if card is None else f"{card.name}, {card.source}")


def _register(opened: Round) -> Finding:
    register = read_register(opened.path)
    n = len(register.problems)
    mend = "`lawnscore check` names each with its row." if n else ""
    return Finding(
        "register", f"{_count(len(register.lawns), 'zone')}, {_count(n, 'problem')}", mend
    )


def _places(opened: Round) -> Finding | None:
    if not opened.misplaced:
        return None
    one = opened.misplaced[0]
    n = len(opened.misplaced)
    return Finding("places", f"{n} not scored, such as {one.relative}: {one.what}", one.mend)


def _writable(opened: Round) -> Finding:
    part = part_beside(opened.path / FOLDER / "any")
    try:
        make_folder(part.parent)
        part.write_bytes(b"")
        part.unlink()
    except OSError as error:
        mend = "Allow yourself to write there."
        return Finding("rights", f"nothing can be written ({error.strerror})", mend)
    return Finding("rights", "the round can be written")


def _space(opened: Round) -> Finding:
    free = shutil.disk_usage(opened.path).free
    mend = "" if free >= _FREE_BYTES_MIN else "Free some space: tables and reports need it."
    return Finding("space", f"{free / 1e9:.1f} GB free", mend)


def _ledger(opened: Round) -> Finding:
    path = opened.path / FOLDER / FILE_NAME
    if not path.exists():
        return Finding("ledger", "nothing is scored yet")
    mend = "`lawnscore score` scores anew what it needs."
    try:
        db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=10)
        try:
            sound = db.execute("PRAGMA integrity_check(1)").fetchone()[0] == "ok"
        finally:
            db.close()
        if not sound:
            return Finding("ledger", "is damaged", mend)
        with Ledger(opened.path) as ledger:
            n, n_bad = ledger.audit()
    except (sqlite3.DatabaseError, LawnscoreError) as error:
        return Finding("ledger", f"cannot be read ({error})", mend)
    return Finding(
        "ledger", f"{_count(n, 'row')}, {n_bad} changed on the disk", mend if n_bad else ""
    )


def _set_aside(opened: Round) -> Finding | None:
    kept = sorted((opened.path / FOLDER).glob("ledger-damaged-*.sqlite3"))
    if not kept:
        return None
    names = ", ".join(path.name for path in kept)
    return Finding("ledger", f"damaged ones were kept: {names}", "Delete them when all is well.")


def _half_written(opened: Round) -> Finding | None:
    """Look for what a killed run left, while none is at work."""
    parts = list(opened.path.rglob(f"{PART_START}*{PART_END}"))
    if not parts:
        return None
    mend = "The next `lawnscore score` or `file` removes them, unless a run is at work now."
    return Finding("half-written files", f"{len(parts)}", mend)


def _filings(opened: Round) -> Finding | None:
    from lawnscore.filing.journal import unfinished

    runs = unfinished(opened.path)
    if not runs:
        return None
    mend = "File the same folder again; or take it back with `lawnscore file ROUND --undo`."
    return Finding("filing", f"was cut off: {', '.join(runs)}", mend)


def _rights(opened: Round) -> Finding:
    """Look for files of the program's own that others on this computer may read."""
    open_to_all = [
        path
        for name in (FOLDER, "reports")
        for path in (opened.path / name).rglob("*")
        if path.is_file() and path.stat().st_mode & 0o007
    ]
    n = len(open_to_all)
    mend = f"Make them your own: chmod -R o-rwx {opened.path}." if n else ""
    return Finding("privacy", f"{_count(n, 'file')} may be read by anyone on this computer", mend)


def _photos(opened: Round) -> Finding:
    """Read every photo and compare it with the hash that is kept of it."""
    changed = []
    n = 0
    with Ledger(opened.path) as ledger:
        for place in opened.photos:
            known = None if place.trouble else ledger.known_hash(place.relative, place.path)
            if known is None:
                continue
            n += 1
            with place.path.open("rb") as file:
                if hashlib.file_digest(file, "sha256").hexdigest() != known:
                    changed.append(place.relative)
    if not changed:
        return Finding("originals", f"{_count(n, 'photo')}, each as it was scored")
    mend = "Copy them from a backup, and have the disk checked."
    return Finding("originals", f"changed without being written: {', '.join(changed[:5])}", mend)


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
