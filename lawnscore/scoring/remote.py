"""A round at an address that fsspec knows (``s3://...``): scored without a copy of its photos.

What is small (settings, the files kept by hand, tables, the ledger) is fetched into a temporary
folder and what changed there is put back; a photo is only listed, and fetched by who scores it. An
empty file stands for it in the folder, so that its path is read as in any round.
"""

from __future__ import annotations

import hashlib
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from lawnscore.contract.errors import LawnscoreError, PhotoRefused
from lawnscore.contract.settings import read_settings
from lawnscore.photo.read import FILE_BYTES_MAX
from lawnscore.register.folder import PHOTO_SUFFIXES, PHOTOS, Misplaced, PhotoPlace, Round
from lawnscore.register.lock import FOLDER
from lawnscore.scoring.address import shown
from lawnscore.scoring.ledger import FILE_NAME, Ledger, Stamp
from lawnscore.scoring.photo_source import LocalPhoto, PhotoSource, copy_at_hand
from lawnscore.scoring.shared_ledger import ROUND_ID
from lawnscore.scoring.summary import ScoreSummary
from lawnscore.scoring.tables import REPORTS
from lawnscore.scoring.unchanged import STATE

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

_BY_HAND = frozenset({".toml", ".csv", ".txt", ".cgats"})
"""Endings of files that are fetched from the round's own folder."""

_TABLES = frozenset({".csv", ".json", ".parquet"})
_BY_HAND_BYTES_MAX = 50_000_000
_OWN = (FILE_NAME, ROUND_ID, STATE.name)
_HEAD_BYTES = 32
KEPT_SECONDS = 60.0
"""How often what was scored is put back while a run goes on: what a run that is killed loses."""

_CONTENT_IDS = ("ETag", "etag", "md5Hash", "content_md5", "generation", "version_id")
"""What stores call a value that changes with the content of a file."""

_TIMES = ("LastModified", "mtime", "last_modified", "updated", "modified", "created")


FileInfo = dict[str, Any]
"""What a store says of a file: name, size and type, and more by names of each store's own."""


@dataclass(frozen=True)
class RemotePhoto:
    """A photo in a store."""

    name: str
    url: str = field(repr=False)

    @contextmanager
    def at_hand(self) -> Iterator[Path]:
        """Give a copy that is removed afterwards.

        Raises
        ------
        PhotoRefused
            When the photo is gone, or may not be read.
        LawnscoreError
            When the store does not answer.
        """
        with copy_at_hand(self.name, self._data()) as path:
            yield path

    def _data(self) -> bytes:
        fs, path = _file_system(self.url)
        try:
            return bytes(fs.cat_file(path))
        except FileNotFoundError:
            raise PhotoRefused("unreadable", "there is no such file") from None
        except PermissionError:
            raise PhotoRefused("unreadable", "the store does not let it be read") from None
        except Exception as error:  # each store has its own
            raise _unreachable(self.url, error) from None


class RemoteRound:
    """A round in a store and the folder that stands for it here.

    Parameters
    ----------
    address
        Of the round.
    folder
        A folder for it here, empty.

    Raises
    ------
    LawnscoreError
        When there is no round, or it cannot be reached.
    """

    def __init__(self, address: str, folder: Path) -> None:
        self.address = address.rstrip("/")
        self.shown = shown(self.address)
        self.folder = folder
        self.fs, self.root = _file_system(self.address)
        self.listed_ns = time.time_ns()
        self._kept = time.monotonic()
        self._photos: dict[str, FileInfo] = {}
        self._fetched: dict[str, tuple[str, str]] = {}  # SHA-256 and what the store said of it
        self._odd: list[Misplaced] = []
        with self.naming_the_store():
            try:
                self._fetch()
            except OSError as error:
                raise _unreachable(self.address, error) from None

    def opened(self, opened: Round) -> Round:
        """Return the round with what could not be listed among what is misplaced."""
        return replace(opened, misplaced=[*opened.misplaced, *self._odd])

    def source(self, place: PhotoPlace) -> PhotoSource:
        """Return where the content of a photo comes from."""
        relative = self._relative(place.path)
        info = self._photos.get(relative)
        if info is None or info["size"] > FILE_BYTES_MAX:
            return LocalPhoto(place.path)  # which says in words what is the matter
        return RemotePhoto(place.path.name, f"{self.address}/{relative}")

    def stamp(self, place: PhotoPlace) -> Stamp | None:
        """Return by what a photo is known to be unchanged; ``None`` where nothing tells it."""
        info = self._photos.get(self._relative(place.path), {})
        size, content, changed = info.get("size") or 0, _content_id(info), _changed_ns(info)
        if content:
            number = hashlib.blake2b(content.encode(), digest_size=7).digest()
            return (size, 0, 0, int.from_bytes(number, "big"))
        return (size, changed, changed, 0) if changed else None

    def keep(self, ledger: Ledger) -> None:
        """Put back what was scored until now, now and then."""
        if time.monotonic() - self._kept >= KEPT_SECONDS:
            ledger.settle()
            self.put(all_of_it=False)
            self._kept = time.monotonic()

    def put(self, *, all_of_it: bool) -> None:
        """Put back what changed here: each file whole, the tables together.

        Parameters
        ----------
        all_of_it
            Tables and files kept by hand too, not only what the program keeps for itself.

        Raises
        ------
        LawnscoreError
            When it cannot be written, or a file kept by hand was changed there meanwhile.
        """
        names = ("lock.", f"{FILE_NAME}-")  # what belongs to an open ledger is in it once settled
        own = [path for path in self._here(FOLDER) if not path.name.startswith(names)]
        told = [*self._here(REPORTS), *self._here(".")] if all_of_it else []
        try:
            for paths in (told, own):
                self._put([path for path in paths if self._has_changed(path)])
        except LawnscoreError:
            raise
        except Exception as error:  # each store has its own
            raise LawnscoreError(
                f"what was found cannot be written there ({_words(error)})",
                "Check the network and that you may write there, and run again.",
                self.shown,
            ) from None

    def summary(self, summary: ScoreSummary) -> ScoreSummary:
        """Return a summary that speaks of the store and not of the folder here."""
        problems = tuple(self._as_in_store(line) for line in summary.problems)
        return replace(summary, problems=problems, address=self.shown)

    @contextmanager
    def naming_the_store(self) -> Iterator[None]:
        """Let errors speak of the store and not of the folder here."""
        try:
            yield
        except LawnscoreError as error:
            where = None if error.where is None else self._as_in_store(error.where)
            LawnscoreError.__init__(
                error, self._as_in_store(error.what), self._as_in_store(error.mend), where
            )
            raise

    def _as_in_store(self, text: str) -> str:
        return text.replace(str(self.folder), self.shown)

    def _relative(self, path: Path) -> str:
        return path.relative_to(self.folder).as_posix()

    def _here(self, name: str) -> list[Path]:
        return sorted(path for path in (self.folder / name).glob("*") if path.is_file())

    def _has_changed(self, path: Path) -> bool:
        return _sha256(path) != self._fetched.get(self._relative(path), ("", ""))[0]

    def _put(self, paths: list[Path]) -> None:
        for path in paths:
            before = self._fetched.get(self._relative(path))
            if path.parent == self.folder and before and self._stamp_there(path) != before[1]:
                raise LawnscoreError(
                    "the file was changed there while the round was scored",
                    "Run again; nothing of it was written over.",
                    f"{self.shown}/{path.name}",
                )
        with self.fs.transaction:
            for path in paths:
                there = f"{self.root}/{self._relative(path)}"
                with suppress(Exception):  # many stores have no folders; else writing tells
                    self.fs.makedirs(there.rpartition("/")[0], exist_ok=True)
                with self.fs.open(there, "wb") as file:
                    file.write(path.read_bytes())
        for path in paths:
            if path.parent != self.folder:
                self._fetched[self._relative(path)] = (_sha256(path), "")

    def _stamp_there(self, path: Path) -> str:
        self.fs.invalidate_cache()
        return _stamp_text(self.fs.info(f"{self.root}/{path.name}"))

    def _fetch(self) -> None:
        self.fs.invalidate_cache()
        top = self._list(self.root)
        if not top:
            raise LawnscoreError(
                "there is no such round",
                "Name the address of a round: where its round.toml lies.",
                self.shown,
            )
        for info in top:
            name = _name(info)
            if PurePosixPath(name).suffix.lower() in _BY_HAND:
                self._get(name, info)
        for info in self._list(f"{self.root}/{FOLDER}"):
            if _name(info) in _OWN or _name(info).startswith("log."):
                self._get(f"{FOLDER}/{_name(info)}", info)
        for info in self._list(f"{self.root}/{REPORTS}"):
            if PurePosixPath(_name(info)).suffix in _TABLES:
                self._get(f"{REPORTS}/{_name(info)}", info)
        self._get_card()
        self._list_photos()

    def _list(self, path: str) -> list[FileInfo]:
        """Return what the store says of the files of a folder; none where there is none."""
        try:
            found = self.fs.ls(path, detail=True)
        except (FileNotFoundError, NotADirectoryError):
            return []
        except Exception as error:
            raise _unreachable(self.address, error) from None
        return [info for info in found if info.get("type") == "file"]

    def _get(self, relative: str, info: FileInfo) -> None:
        if (info.get("size") or 0) > _BY_HAND_BYTES_MAX and not relative.startswith(FOLDER):
            return
        path = self.folder / relative
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.fs.get_file(info["name"], str(path))
        self._fetched[relative] = (_sha256(path), _stamp_text(info))

    def _get_card(self) -> None:
        """Fetch the file of the card's colours where the settings name one in a folder below."""
        card = ""
        with suppress(LawnscoreError):  # which comes again, and is told, when the round is opened
            card = read_settings(self.folder / "round.toml").scoring.card
        if "/" in card and _is_plain(card) and not (self.folder / card).exists():
            with suppress(FileNotFoundError):
                self._get(card, self.fs.info(f"{self.root}/{card}"))

    def _list_photos(self) -> None:
        base = f"{self.root}/"
        for path, info in self.fs.find(f"{self.root}/{PHOTOS}", detail=True).items():
            relative = str(path).removeprefix(base)
            if _is_plain(relative) and self._stand_in(relative, info):
                self._photos[relative] = info
            else:
                what = "a name that no folder on this machine can hold beside the others"
                self._odd.append(Misplaced(relative, what, "Rename it in the store."))

    def _stand_in(self, relative: str, info: FileInfo) -> bool:
        """Put an empty file where a photo would lie; with its first bytes where its name is odd."""
        path = self.folder / relative
        head = b""
        if path.suffix.lower() not in PHOTO_SUFFIXES and info["size"]:
            head = bytes(self.fs.cat_file(info["name"], start=0, end=_HEAD_BYTES))
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with path.open("xb") as file:
                file.write(head)
                if info["size"] > FILE_BYTES_MAX:
                    file.truncate(info["size"])
        except (OSError, ValueError):
            return False
        return True


@contextmanager
def mirrored(address: str) -> Iterator[RemoteRound]:
    """Give a round of a store for one run; what changed is put back, however the run ends.

    Raises
    ------
    LawnscoreError
        When there is no round, it cannot be reached, or it cannot be written.
    """
    with tempfile.TemporaryDirectory(prefix="lawnscore-round-") as name:
        remote = RemoteRound(address, Path(name).resolve())
        try:
            with remote.naming_the_store():
                yield remote
        except BaseException:
            with suppress(LawnscoreError):
                remote.put(all_of_it=False)
            raise
        remote.put(all_of_it=True)


def _file_system(address: str) -> tuple[AbstractFileSystem, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError:
        raise LawnscoreError(
            "a round at an address needs the package fsspec, which is not installed",
            "Install it: pip install 'lawnscore[remote]'.",
        ) from None
    try:
        fs, root = url_to_fs(address)
    except ImportError as error:
        raise LawnscoreError(
            f"this kind of address needs one more package ({error})", "Install it.", shown(address)
        ) from None
    except Exception as error:  # each kind of address has its own
        raise LawnscoreError(
            f"this is no address that can be opened ({type(error).__name__})",
            "Name a folder, or an address such as s3://BUCKET/ROUND.",
            shown(address),
        ) from None
    return fs, str(root).rstrip("/")


def _unreachable(address: str, error: Exception) -> LawnscoreError:
    return LawnscoreError(
        f"the store cannot be read ({_words(error)})",
        "Check the address, the network and your credentials, and run again.",
        shown(address),
    )


def _words(error: Exception) -> str:
    """Return what kind of error it was; its text may hold an address with a password."""
    return getattr(error, "strerror", None) or type(error).__name__


def _name(info: FileInfo) -> str:
    return str(info["name"]).rstrip("/").rpartition("/")[2]


def _is_plain(relative: str) -> bool:
    """Return whether a path stays below the folder that it is taken from."""
    parts = relative.split("/")
    return not any(part in {"", ".", ".."} or "\\" in part or "\0" in part for part in parts)


def _content_id(info: FileInfo) -> str:
    return next((str(info[name]) for name in _CONTENT_IDS if info.get(name)), "")


def _changed_ns(info: FileInfo) -> int:
    changed = next((info[name] for name in _TIMES if info.get(name)), 0)
    if isinstance(changed, str):
        try:
            changed = datetime.fromisoformat(changed)
        except ValueError:
            return 0
    seconds = changed.timestamp() if isinstance(changed, datetime) else float(changed)
    return int(seconds * 1e9)


def _stamp_text(info: FileInfo) -> str:
    return f"{info.get('size')} {_content_id(info)} {_changed_ns(info)}"


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
