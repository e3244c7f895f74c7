"""One photo -> one row: the straight line through the stages."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore.card.design import size_warning
from lawnscore.card.reference import ReferenceCard, load_reference, nominal_reference
from lawnscore.contract.errors import PhotoRefused
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo import quality
from lawnscore.photo.casts import Casts, find_casts
from lawnscore.photo.class_net import GROUND_MM_PER_PX
from lawnscore.photo.classes import UNLIKE_KNOWN, ClassMap, classify
from lawnscore.photo.colour import ColourFit, fit_colour
from lawnscore.photo.find import CardFit, find_card
from lawnscore.photo.ground import Ground, flatten
from lawnscore.photo.measures import Measures, area_of, measure
from lawnscore.photo.method import method_version
from lawnscore.photo.patches import BarePatches, find_patches
from lawnscore.photo.quality import Check
from lawnscore.photo.read import Photo, read_photo

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Row = dict[str, object]
Polygon = tuple[tuple[float, float], ...]

COARSEST_READ_MM_PER_PX = 1.3
"""A photo that was read reduced is read again, less reduced, when a pixel of what was read
covers more than this at the card, mm: the ground is wanted at about 1 mm."""

_UNLIKE = (
    "this ground is unlike any that the method was tried on, so its errors are wide: look at the "
    "picture of what was seen before you trust the figures"
)

ROW_COLUMNS = (
    "photo",
    "sha256",
    "status",
    "reason",
    "taken_at",
    "card_delta_e",
    "mm_per_px",
    "tilt_deg",
    "area_m2",
    *MEASURES,
    *(f"{name}_se" for name in MEASURES),
    "mm_per_px_se",
    "straw_soil_confidence",
    "shade_pct",
    "card",
    "colour_reference",
    "detail",
    "version",
    "settings_id",
    "camera",
)
"""Columns of `photo_scores.csv` that a photo fills, in order."""


@dataclass(frozen=True, eq=False)
class PhotoViews:
    """What each stage saw, for the picture and for study."""

    photo: Photo
    card_fit: CardFit
    colour_fit: ColourFit
    ground: Ground
    classes: ClassMap
    casts: Casts
    patches: BarePatches


@dataclass(frozen=True, eq=False)
class PhotoScore:
    """One photo, scored or refused.

    Parameters
    ----------
    row
        Columns of `photo_scores.csv` from `photo` on; unknown is ``None`` or NaN.
    measured_polygon_px
        Corners (x, y) of the measured ground in the upright photo at full size; empty when
        refused.
    refused
        Whether the photo was refused.
    checks
        Quality checks in the order made; of a refused photo those made until then.
    patch_residual_lab
        CIELAB residual of each card patch, for the ageing of the card; ``None`` when refused.
    sampling_se
        By measure: what is to be added to the errors of the row when the photo speaks for the
        lawn around it.
    views
        What each stage saw, when it was asked for.
    """

    row: Row
    measured_polygon_px: Polygon
    refused: bool
    checks: tuple[Check, ...] = ()
    patch_residual_lab: NDArray[np.float64] | None = None
    sampling_se: dict[str, float] = field(default_factory=dict)
    views: PhotoViews | None = None


def score_photo(
    path: Path | str,
    card: ReferenceCard | Path | str | None = None,
    *,
    settings: ScoringSettings | None = None,
    keep_views: bool = False,
) -> PhotoScore:
    """Score one photo of a lawn with the reference card in it.

    Parameters
    ----------
    path
        The photo: JPEG, HEIC, PNG or TIFF.
    card
        A reference card, the name of a design, or a file of measured or learned colours;
        ``None`` takes that of the settings, ``"auto"`` what the markers say, at its nominal
        colours.
    settings
        Settings that change the numbers; the defaults when ``None``.
    keep_views
        Keep what each stage saw in :attr:`PhotoScore.views`.

    Returns
    -------
    PhotoScore
        A bad photo gives a refused row with its reason, never an exception.

    Raises
    ------
    LawnscoreError
        When the card is not known or its file cannot be read.
    """
    settings = ScoringSettings() if settings is None else settings
    chosen = settings.card if card is None else card
    reference = chosen if isinstance(chosen, ReferenceCard) else load_reference(str(chosen))
    attempt = _Attempt(_empty_row(Path(path), settings), [])
    try:
        views, measures = _see(Path(path), reference, settings, attempt)
    except PhotoRefused as refusal:
        return _refused(Path(path), refusal, attempt)
    return _scored(views, measures, attempt, keep_views=keep_views)


@dataclass(frozen=True, eq=False)
class _Attempt:
    """What is known so far: a refused row still says what was found out before."""

    row: Row
    checks: list[Check]

    def require(self, *checks: Check) -> None:
        """Note checks and refuse on the first that failed."""
        self.checks.extend(checks)
        quality.refuse_failed(checks)


def _see(
    path: Path, reference: ReferenceCard | None, settings: ScoringSettings, attempt: _Attempt
) -> tuple[PhotoViews, Measures]:
    """Walk through the stages; whatever cannot go on raises PhotoRefused."""
    photo, card_fit = _read_and_find(path, reference, attempt)
    attempt.row.update(detail=size_warning(card_fit.design) or None)
    attempt.require(quality.check_tilt(card_fit, settings.max_tilt_deg))
    attempt.require(quality.check_sharpness(photo, card_fit))
    reference = reference or nominal_reference(card_fit.design)
    attempt.row.update(card=reference.name, colour_reference=reference.source)
    colour_fit = fit_colour(card_fit, reference)
    attempt.row.update(card_delta_e=colour_fit.card_delta_e)
    attempt.require(quality.check_card_light(card_fit, colour_fit))
    ground = flatten(
        photo,
        card_fit,
        mm_per_px=GROUND_MM_PER_PX,
        max_distance_m=settings.max_distance_m,
        max_tilt_deg=settings.max_tilt_deg,
    )
    sample = quality.ground_sample(ground)
    attempt.require(
        quality.check_burnt(sample),
        quality.check_black(sample),
        quality.check_level(sample),
        quality.check_light(sample, colour_fit),
        quality.check_bright(ground, colour_fit),
    )
    classes = classify(ground, colour_fit)
    if classes.strangeness > UNLIKE_KNOWN:
        attempt.row.update(
            detail="; ".join(filter(None, (str(attempt.row["detail"] or ""), _UNLIKE)))
        )
    attempt.require(quality.check_shade(classes), quality.check_leaf_light(classes))
    casts = find_casts(classes, ground)
    patches = find_patches(
        classes, min_area_cm2=settings.bare_patch_min_cm2, origin_mm=_corner_mm(ground)
    )
    measures = measure(classes, casts, patches, ground, settings)
    return PhotoViews(photo, card_fit, colour_fit, ground, classes, casts, patches), measures


def _read_and_find(
    path: Path, reference: ReferenceCard | None, attempt: _Attempt
) -> tuple[Photo, CardFit]:
    design = None if reference is None else reference.design
    photo = read_photo(path)
    attempt.row.update(sha256=photo.sha256, taken_at=photo.taken_at, camera=photo.camera or None)
    card_fit = find_card(photo, design)
    while photo.reduction > 1 and card_fit.mm_per_px * photo.reduction > COARSEST_READ_MM_PER_PX:
        photo = read_photo(path, reduction=photo.reduction // 2)
        card_fit = find_card(photo, design)
    attempt.row.update(
        mm_per_px=card_fit.mm_per_px,
        mm_per_px_se=card_fit.mm_per_px_se,
        tilt_deg=card_fit.tilt_deg,
    )
    return photo, card_fit


def _corner_mm(ground: Ground) -> tuple[float, float]:
    half = 0.5 * ground.mm_per_px
    return (float(ground.origin_mm[0]) - half, float(ground.origin_mm[1]) - half)


def _empty_row(path: Path, settings: ScoringSettings) -> Row:
    row: Row = dict.fromkeys(ROW_COLUMNS)
    row.update(photo=path.as_posix(), version=method_version(), settings_id=settings.settings_id)
    return row


def _scored(
    views: PhotoViews, measures: Measures, attempt: _Attempt, *, keep_views: bool
) -> PhotoScore:
    row = attempt.row
    row.update(status="scored", area_m2=area_of(views.classes), shade_pct=measures.shade_pct)
    row.update(straw_soil_confidence=float(views.classes.straw_soil_confidence))
    row.update({name: _known(value) for name, value in measures.values.items()})
    row.update({f"{name}_se": _known(value) for name, value in measures.se.items()})
    return PhotoScore(
        row=row,
        measured_polygon_px=tuple(
            (float(x), float(y)) for x, y in views.ground.measured_polygon_px
        ),
        refused=False,
        checks=tuple(attempt.checks),
        patch_residual_lab=views.colour_fit.patch_residual_lab,
        sampling_se=measures.sampling_se,
        views=views if keep_views else None,
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _refused(path: Path, refusal: PhotoRefused, attempt: _Attempt) -> PhotoScore:
    row, found = attempt.row, refusal.detail or REASONS[refusal.reason].meaning
    row.update(
        status="refused",
        reason=refusal.reason,
        detail="; ".join(filter(None, (found, str(row["detail"] or "")))),
    )
    if row["sha256"] is None:
        row["sha256"] = _digest(path)
    return PhotoScore(row=row, measured_polygon_px=(), refused=True, checks=tuple(attempt.checks))


def _digest(path: Path) -> str | None:
    try:
        if not path.is_file():
            return None
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None
