"""What the program thinks at places of a photo, kept so that it is asked only once.

The places are looked up in the cells of the class map; nothing of this is ever shown to a reader.
What is kept lies in .lawnscore/points/ and is made again whenever the method changes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_whole
from lawnscore.contract.rows import Row
from lawnscore.photo.classes import SURFACES
from lawnscore.scoring.ledger import FOLDER, Ledger
from lawnscore.scoring.method import load_card, method_of
from lawnscore.scoring.tables import read_table

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.photo.classes import ClassMap
    from lawnscore.photo.ground import Ground
    from lawnscore.photo.score import PhotoViews
    from lawnscore.register.folder import Round

Array = NDArray[np.float64]
Place = tuple[float, float]

KEPT = Path(FOLDER) / "points"


@dataclass(frozen=True, eq=False)
class ProgramView:
    """What the program sees in one photo.

    Parameters
    ----------
    shares
        (n, 5) shares at the places asked for; NaN where a place is not on measured ground.
    casts
        (c, 3) x and y (mm) of what may be casts, and how surely each is one.
    """

    shares: Array
    casts: Array


def measured_pixels(ground: Ground, classes: ClassMap) -> NDArray[np.bool_]:
    """Return the pixels (h, w) of the ground that lie in cells the shares are made from."""
    side = round(classes.cell_mm / ground.mm_per_px)
    whole = np.repeat(np.repeat(classes.weight > 0, side, axis=0), side, axis=1)
    height, width = (min(a, b) for a, b in zip(whole.shape, ground.mask.shape, strict=True))
    return np.asarray(whole[:height, :width] & ~ground.mask[:height, :width])


def shares_at(classes: ClassMap, ground: Ground, places_mm: Array) -> Array:
    """Return the shares (n, 5) of the cells that hold the places (n, 2); NaN off the ground."""
    corner = np.asarray(ground.origin_mm) - 0.5 * ground.mm_per_px
    cell = np.floor((np.reshape(places_mm, (-1, 2)) - corner) / classes.cell_mm).astype(int)
    col, row = cell.T
    height, width = classes.weight.shape
    inside = (col >= 0) & (row >= 0) & (col < width) & (row < height)
    out = np.full((len(cell), len(SURFACES)), np.nan)
    at = row[inside], col[inside]
    out[inside] = np.where(classes.weight[at][:, None] > 0, classes.shares[at], np.nan)
    return out


def current_photos(opened: Round) -> dict[str, str]:
    """Return the path of each scored photo of the round by its SHA-256, as it was last scored."""
    scores = read_table(opened.path, "photo_scores")
    return photos_in(opened, scores)


def photos_in(opened: Round, scores: pd.DataFrame) -> dict[str, str]:
    """Return the path of each scored photo of a table by its SHA-256, where it is still there."""
    there = {place.relative for place in opened.photos}
    good = scores[(scores["status"] == "scored") & scores["photo"].isin(list(there))]
    return dict(zip(good["sha256"].astype(str), good["photo"].astype(str), strict=True))


class Program:
    """Asks the program about photos of a round.

    Parameters
    ----------
    opened
        The round.
    scores
        Its table of photos; by default the one in reports/.

    Raises
    ------
    LawnscoreError
        When the round is not scored, or its card cannot be read.
    """

    def __init__(self, opened: Round, scores: pd.DataFrame | None = None) -> None:
        self.opened = opened
        self.scores = read_table(opened.path, "photo_scores") if scores is None else scores
        self.current = photos_in(opened, self.scores)
        self.card = load_card(opened)
        method = self.method = method_of(opened, self.card)
        text = "\n".join((method.version, method.settings_id, method.card_id))
        self._method = hashlib.sha256(text.encode()).hexdigest()[:12]

    def plain_rows(self) -> list[Row]:
        """Return the rows of the scored photos as they were before any correction, where known.

        They come from the ledger; a photo that is not in it has its row of the table, unless that
        is corrected.
        """
        rows = []
        with Ledger(self.opened.path) as ledger:
            for row in self.scores.to_dict("records"):
                if row["sha256"] not in self.current:
                    continue
                kept = ledger.score(str(row["sha256"]), self.method)
                if kept is not None and kept.get("status") == "scored":
                    rows.append(kept)
                elif not isinstance(row["checked_points"], int):
                    rows.append({str(k): v for k, v in row.items()})
        return rows

    def views(self, path: Path) -> PhotoViews:
        """Return what each stage sees in a photo.

        Raises
        ------
        LawnscoreError
            When the photo cannot be scored any more.
        """
        from lawnscore.photo.score import score_photo

        score = score_photo(path, self.card, settings=self.opened.settings.scoring, keep_views=True)
        if score.views is None:
            raise LawnscoreError(
                f"the photo is refused ({score.row['reason']})",
                "Score the round anew: `lawnscore score`.",
                path,
            )
        return score.views

    def at(
        self, path: Path, sha256: str, places: Sequence[Place], *, views: PhotoViews | None = None
    ) -> ProgramView:
        """Return what the program sees at places of a photo, in order.

        ``views`` saves scoring the photo again where they are at hand.

        Raises
        ------
        LawnscoreError
            When the photo cannot be scored any more.
        """
        file = self.opened.path / KEPT / f"{sha256[:24]}-{self._method}.json"
        kept = _read(file)
        keys = [_key(place) for place in places]
        if any(key not in kept["shares"] for key in keys):
            views = self.views(path) if views is None else views
            kept["casts"] = _casts(views).round(4).tolist()
            found = shares_at(views.classes, views.ground, np.array(places, dtype=np.float64))
            for key, shares in zip(keys, found, strict=True):
                known = np.isfinite(shares).all()
                kept["shares"][key] = shares.round(5).tolist() if known else None
            write_whole(file, json.dumps(kept).encode())
        unknown = [np.nan] * len(SURFACES)
        values = [kept["shares"][key] or unknown for key in keys]
        return ProgramView(
            np.array(values, dtype=np.float64).reshape(-1, len(SURFACES)),
            np.array(kept["casts"], dtype=np.float64).reshape(-1, 3),
        )


def _casts(views: PhotoViews) -> Array:
    casts = views.casts
    return np.column_stack([casts.x_mm, casts.y_mm, casts.probability])


def _key(place: Place) -> str:
    return f"{place[0]:.2f},{place[1]:.2f}"


def _read(file: Path) -> Row:
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        if isinstance(kept["shares"], dict) and isinstance(kept["casts"], list):
            return {"shares": kept["shares"], "casts": kept["casts"]}
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return {"shares": {}, "casts": []}
