"""Pictures for the reports: the ground of a photo, what was seen in it, and pairs of one spot.

Every picture is drawn anew from pixels, so no camera data, place or thumbnail is passed on.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import io
import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from lawnscore.contract.files import make_folder, write_whole
from lawnscore.contract.rows import Row
from lawnscore.register.folder import PHOTOS
from lawnscore.report.load import LawnRows
from lawnscore.report.window import GroundNote, Window, common_window, seen_cells
from lawnscore.scoring.processes import Lost, each_done

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image as Picture

    from lawnscore.card.reference import ReferenceCard
    from lawnscore.contract.settings import ScoringSettings
    from lawnscore.photo.score import PhotoScore, PhotoViews

PICTURES = Path(".lawnscore") / "pictures"
GROUND_LONGEST_PX = 2400  # kept for pairs; a pair is cut out of it
SEEN_LONGEST_PX = 1200  # photo and what was seen, side by side: twice the column it is shown in
GROUND_QUALITY, SEEN_QUALITY = 86, 74
PAIR_LONGEST_PX = 1000
PAIR_SHORTEST_MM = 250.0  # a narrower strip of common ground shows nothing; our choice
MOST_CANDIDATES = 6
PAIR_SHARE_BYTES = 2_000_000  # of a customer's page, before base64 adds a third
PAIR_MOST_BYTES = 320_000
_KEY_LENGTH = 20
_KEPT = re.compile(r"[0-9a-f]{20}(-ground\.jpg|-seen\.jpg|\.json)")
_QUALITIES = (84, 78, 72, 64, 56, 48, 40)


@dataclass(frozen=True, eq=False)
class Pair:
    """Two pictures of the same window of ground, or one alone (``before`` is then ``None``).

    ``same_spot`` is true only when a marked spot was photographed on both occasions.
    """

    before: Row | None
    after: Row
    before_jpeg: bytes
    after_jpeg: bytes
    width_px: int
    height_px: int
    width_mm: float
    same_spot: bool

    @property
    def before_uri(self) -> str:
        """The earlier picture as a data URI."""
        return _uri(self.before_jpeg)

    @property
    def after_uri(self) -> str:
        """The later picture as a data URI."""
        return _uri(self.after_jpeg)


def _uri(jpeg: bytes) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode()


def candidate_pairs(lawn: LawnRows, zone: str, change: Row | None) -> list[tuple[Row | None, Row]]:
    """Return the photos that could be set side by side, the likeliest first; no file is read.

    The occasions are those of ``change``, so that pictures and text speak of the same two; without
    one the last occasion stands alone. A spot photographed both times is preferred, then the photo
    held most level.

    Returns
    -------
    list
        Pairs of an earlier and a later photo; the earlier is ``None`` when there is but one
        occasion to show. Empty when no photo was scored.
    """
    scored = [p for p in lawn.zone_rows("photos", zone) if p["status"] == "scored"]
    if not scored:
        return []
    occasions = list(dict.fromkeys((p["date"], p["stage"]) for p in scored))
    first = last = occasions[-1]
    if change is not None and change["zone"] == zone:
        asked = [(change[f"{end}_date"], change[f"{end}_stage"]) for end in ("from", "to")]
        if all(occasion in occasions for occasion in asked):
            first, last = asked
    after = [p for p in scored if (p["date"], p["stage"]) == last]
    if first == last:
        return [(None, min(after, key=_tilt))]
    before = [p for p in scored if (p["date"], p["stage"]) == first]
    spots = {p["spot"] for p in before if p["spot"]} & {p["spot"] for p in after if p["spot"]}
    pairs = [
        (b, a) for b in before for a in after if not spots or (b["spot"] == a["spot"] in spots)
    ]
    pairs.sort(key=lambda pair: _tilt(pair[0]) + _tilt(pair[1]))
    return [*pairs[:MOST_CANDIDATES]]


def same_spot(before: Row | None, after: Row) -> bool:
    """Tell whether both photos name the same spot."""
    return before is not None and bool(after["spot"]) and before["spot"] == after["spot"]


def _tilt(photo: Row) -> float:
    return 90.0 if photo["tilt_deg"] is None else float(photo["tilt_deg"])


def picture_key(photo: Row) -> str:
    """Return the name under which a photo's pictures are kept."""
    made_from = (photo["sha256"], photo["settings_id"], photo["version"], photo["card"])
    return hashlib.sha256(repr(made_from).encode()).hexdigest()[:_KEY_LENGTH]


@dataclass(frozen=True)
class Drawn:
    """How many pictures were drawn, and one line for each that could not be."""

    n: int
    lost: tuple[str, ...] = ()


@dataclass(frozen=True)
class PictureBook:
    """The pictures of a round, drawn when first wanted and kept in `.lawnscore/pictures`."""

    round_path: Path
    settings: ScoringSettings
    elsewhere: Path | None = None

    @property
    def folder(self) -> Path:
        """Where the pictures are kept."""
        return self.round_path / PICTURES

    def draw(
        self,
        photos: Iterable[Row],
        *,
        progress: Callable[[int, int, str], None] | None = None,
        workers: int | None = None,
    ) -> Drawn:
        """Draw what is missing, in processes of which none ends the report by dying."""
        wanted = {picture_key(p): p for p in photos if p["status"] == "scored" and p["sha256"]}
        missing = [(key, p) for key, p in wanted.items() if not self._meta(key).exists()]
        jobs = [
            (str(path), str(p["sha256"]), key, str(self.folder), self.settings)
            for key, p in missing
            if (path := self._original(str(p["photo"]))) is not None
        ]
        if not jobs:
            return Drawn(0)
        make_folder(self.folder)
        lost = []
        for count, (index, result) in enumerate(each_done(_draw_one, jobs, workers), start=1):
            path = Path(jobs[index][0])
            if isinstance(result, Lost):
                place = "/".join(path.parts[-4:])
                lost.append(f"{place}: no picture, the process that drew it {result.how}.")
            if progress:
                progress(count, len(jobs), path.name)
        return Drawn(len(jobs), tuple(lost))

    def _original(self, relative: str) -> Path | None:
        own = _inside(self.round_path, relative)
        if own is None and self.elsewhere is not None:
            return _inside(self.elsewhere, relative.removeprefix(f"{PHOTOS}/"))
        return own

    def seen(self, photo: Row) -> Path | None:
        """Return the picture of a photo beside what was seen in it; ``None`` when not at hand."""
        path = self.folder / f"{picture_key(photo)}-seen.jpg"
        return path if path.exists() else None

    def best_pair(
        self, candidates: Iterable[tuple[Row | None, Row]], *, budget_bytes: int
    ) -> Pair | None:
        """Return the pair that shows most ground in common, or ``None`` when none shows enough."""
        pairs = list(candidates)
        keys = {picture_key(row) for pair in pairs for row in pair if row is not None}
        metas = {key: self._read_meta(key) for key in keys}
        found = [(self._area(pair, metas), -k, k) for k, pair in enumerate(pairs)]
        known = [entry for entry in found if entry[0] > 0]
        if not known:
            return None
        return self.pair(*pairs[max(known)[2]], budget_bytes=budget_bytes)

    def _area(self, pair: tuple[Row | None, Row], metas: Mapping[str, GroundNote | None]) -> float:
        rows = [row for row in pair if row is not None]
        known = [meta for row in rows if (meta := metas[picture_key(row)]) is not None]
        window = common_window(known) if len(known) == len(rows) else None
        if window is None or window.shorter_mm < PAIR_SHORTEST_MM:
            return 0.0
        return window.width_mm * window.height_mm

    def pair(self, before: Row | None, after: Row, *, budget_bytes: int) -> Pair | None:
        """Cut the ground both photos show out of them; ``None`` when a picture is not at hand."""
        rows = [after] if before is None else [before, after]
        known = [meta for row in rows if (meta := self._read_meta(picture_key(row))) is not None]
        window = common_window(known) if len(known) == len(rows) else None
        if window is None:
            return None
        jpegs, size = [], (0, 0)
        for row, meta in zip(rows, known, strict=True):
            jpeg, size = self._cut(picture_key(row), meta, window, budget_bytes)
            jpegs.append(jpeg)
        return Pair(
            before=before,
            after=after,
            before_jpeg=jpegs[0] if before is not None else b"",
            after_jpeg=jpegs[-1],
            width_px=size[0],
            height_px=size[1],
            width_mm=window.width_mm,
            same_spot=same_spot(before, after),
        )

    def forget_all_but(self, photos: Iterable[Row]) -> None:
        """Remove the pictures of photos that are gone or were scored anew."""
        current = {picture_key(photo) for photo in photos}
        for path in self.folder.glob("*"):
            if _KEPT.fullmatch(path.name) and path.name[:_KEY_LENGTH] not in current:
                path.unlink(missing_ok=True)

    def _meta(self, key: str) -> Path:
        return self.folder / f"{key}.json"

    def _read_meta(self, key: str) -> GroundNote | None:
        try:
            meta: GroundNote = json.loads(self._meta(key).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return None
        return meta if isinstance(meta, dict) and "seen" in meta else None

    def _cut(
        self, key: str, meta: GroundNote, window: Window, budget_bytes: int
    ) -> tuple[bytes, tuple[int, int]]:
        from PIL import Image

        scale, (x0, y0) = meta["mm_per_px"], meta["origin_mm"]
        with Image.open(self.folder / f"{key}-ground.jpg") as picture:
            box = (
                (window.left - x0) / scale,
                (window.top - y0) / scale,
                (window.right - x0) / scale,
                (window.bottom - y0) / scale,
            )
            height = window.height_mm
            longest = max(window.width_mm, height)
            size = tuple(
                max(1, round(side / longest * PAIR_LONGEST_PX))
                for side in (window.width_mm, height)
            )
            cut = picture.resize((size[0], size[1]), Image.Resampling.LANCZOS, box=box)
        return _jpeg_within(cut, budget_bytes), (size[0], size[1])


def _inside(round_path: Path, relative: str) -> Path | None:
    parts = PurePosixPath(relative)
    if parts.is_absolute() or ".." in parts.parts:
        return None
    path = round_path / parts
    return path if path.is_file() else None


def _draw_one(job: tuple[str, str, str, str, ScoringSettings]) -> None:
    """Score one photo again, keeping what was seen, and draw its pictures."""
    from lawnscore.card.reference import load_reference
    from lawnscore.photo.score import score_photo

    path, sha256, key, folder, settings = job
    base = Path(path)
    card = load_reference(settings.card, base=Path(folder).parents[1])  # the round
    score = score_photo(base, card, settings=settings, keep_views=True)
    if score.views is None or score.row["sha256"] != sha256:
        write_whole(Path(folder) / f"{key}.json", b"{}")  # not to be tried again
        return
    _draw_views(Path(folder), key, score.views)


def _draw_views(folder: Path, key: str, views: PhotoViews) -> None:
    from lawnscore.photo.overlay import corrected_ground, draw_overlay

    keep_pictures(
        folder,
        key,
        ground=corrected_ground(views),
        seen=draw_overlay(views),
        origin_mm=views.ground.origin_mm,
        mm_per_px=views.ground.mm_per_px,
    )


@dataclass(frozen=True)
class DrawingScorer:
    """Scores a photo and keeps its pictures at once, so that no report has to score it again.

    For the ``scorer`` of :func:`lawnscore.points.score.score_round`; goes to other processes.
    """

    round_path: Path

    def __call__(
        self, path: Path, card: ReferenceCard | None, *, settings: ScoringSettings
    ) -> PhotoScore:
        """Return the score of a photo; a picture that cannot be written is left to the report."""
        from lawnscore.photo.score import score_photo

        score = score_photo(path, card, settings=settings, keep_views=True)
        if score.views is None:
            return score
        with contextlib.suppress(OSError):
            make_folder(self.round_path / PICTURES)
            _draw_views(self.round_path / PICTURES, picture_key(score.row), score.views)
        return replace(score, views=None)


def _round_of(photo: Path) -> Path:
    return next((p for p in photo.parents if (p / "round.toml").exists()), photo.parent)


def keep_pictures(
    folder: Path,
    key: str,
    *,
    ground: NDArray[np.uint8],
    seen: NDArray[np.uint8],
    origin_mm: tuple[float, float],
    mm_per_px: float,
) -> None:
    """Write a photo's pictures into ``folder``; the description comes last and makes them count.

    Parameters
    ----------
    ground, seen
        Corrected ground, black outside the photo, and overlay; (H, W, 3) uint8 sRGB each.
    origin_mm
        Place of the centre of the first pixel of ``ground`` in the card's frame.
    mm_per_px
        Size of a pixel of ``ground``.
    """
    kept = _shrunk(ground, GROUND_LONGEST_PX)
    write_whole(
        folder / f"{key}-ground.jpg", _jpeg(kept, quality=GROUND_QUALITY, progressive=False)
    )
    side_by_side = _shrunk(seen, SEEN_LONGEST_PX)
    write_whole(folder / f"{key}-seen.jpg", _jpeg(side_by_side, quality=SEEN_QUALITY))
    corner = [origin - mm_per_px / 2 for origin in origin_mm]
    meta: GroundNote = {
        "origin_mm": corner,
        "mm_per_px": mm_per_px * ground.shape[1] / kept.width,
        "seen": seen_cells(ground, corner, mm_per_px),
    }
    write_whole(folder / f"{key}.json", json.dumps(meta).encode("ascii"))


def _shrunk(rgb: NDArray[np.uint8], longest_px: int) -> Picture:
    """Return a picture whose longer side is no longer than this."""
    import cv2
    from PIL import Image

    share = longest_px / max(rgb.shape[:2])
    if share < 1:
        size = (round(share * rgb.shape[1]), round(share * rgb.shape[0]))
        return Image.fromarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    return Image.fromarray(rgb)


def _jpeg(picture: Picture, *, quality: int, progressive: bool = True) -> bytes:
    """Encode for a page; what is only read again takes half the time when not progressive."""
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality, optimize=True, progressive=progressive)
    return out.getvalue()


def _jpeg_within(picture: Picture, budget_bytes: int) -> bytes:
    """Encode a picture as well as fits a number of bytes; made smaller where no quality does."""
    while True:
        data = _jpeg(picture, quality=_QUALITIES[0])
        if len(data) <= budget_bytes:
            return data
        first, end = 1, len(_QUALITIES)  # the best that fits lies between; halved each time
        found = b""
        while first < end:
            middle = (first + end) // 2
            data = _jpeg(picture, quality=_QUALITIES[middle])
            if len(data) <= budget_bytes:
                found, end = data, middle
            else:
                first = middle + 1
        if found:
            return found
        picture = picture.resize((max(1, picture.width * 3 // 4), max(1, picture.height * 3 // 4)))
