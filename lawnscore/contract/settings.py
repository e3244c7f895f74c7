"""Settings of a round: what `round.toml` may say, with its defaults, as frozen objects."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import Any

from lawnscore.contract.errors import LawnscoreError


@dataclass(frozen=True)
class ConditionWeights:
    """Weights of the parts of `condition`; only their proportions matter."""

    cover: float = 45.0
    colour: float = 15.0
    evenness: float = 15.0
    bare_patches: float = 15.0
    casts: float = 10.0


@dataclass(frozen=True)
class ScoringSettings:
    """What changes the numbers of a photo. Its hash is the `settings_id` of each row."""

    card: str = "auto"
    bare_patch_min_cm2: float = 25.0
    max_distance_m: float = 1.6
    max_tilt_deg: float = 40.0
    condition: ConditionWeights = field(default_factory=ConditionWeights)

    @property
    def settings_id(self) -> str:
        """Eight hexadecimal digits that change when any of these settings does."""
        text = json.dumps(asdict(self), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:8]


@dataclass(frozen=True)
class HistorySettings:
    """What changes the verdicts and flags, not the numbers of a photo."""

    recovery_default_days: float = 42.0
    visit_gap_days: int = 70
    hemisphere: str = "north"
    latitude_deg: float | None = None
    new_prints: str = ""

    @property
    def print_days(self) -> tuple[str, ...]:
        """Days (YYYY-MM-DD) from which a new print of the card was used, in order.

        Raises
        ------
        ValueError
            When `new_prints` is not such days with commas between.
        """
        days = [day.strip() for day in self.new_prints.split(",") if day.strip()]
        return tuple(sorted(date.fromisoformat(day).isoformat() for day in days))

    @property
    def south(self) -> bool:
        """Whether the round lies on the southern half: by its latitude, else its hemisphere."""
        if self.latitude_deg is not None:
            return self.latitude_deg < 0
        return self.hemisphere == "south"


@dataclass(frozen=True)
class ReportSettings:
    """What the reports look like. Area unit `m2` or `sq ft`; language `en` or `de`."""

    business: str = ""
    contact: str = ""
    email: str = ""
    logo: str = ""
    language: str = "en"
    locale: str = ""
    area_unit: str = "m2"


@dataclass(frozen=True)
class RecordSettings:
    """What the yearly record follows (`eu` or `us`), and the user's own limit of N."""

    rule: str = "eu"
    n_limit_kg_ha: float | None = None


@dataclass(frozen=True)
class RatesSettings:
    """The user's own hours and prices, for `lawnscore survey`; what is left out is not known."""

    visit_h: float | None = None
    scarify_h_100_m2: float | None = None
    seed_h_100_m2: float | None = None
    top_dress_h_100_m2: float | None = None
    feed_h_100_m2: float | None = None
    cart_off_l_m2: float | None = None
    cart_off_h_m3: float | None = None
    box_l: float | None = None
    hour_price: float | None = None
    cart_off_price_m3: float | None = None
    seed_price_kg: float | None = None
    top_dressing_price_t: float | None = None
    feed_price_kg: float | None = None
    currency: str = "EUR"


@dataclass(frozen=True)
class RouteSettings:
    """Where a day begins and ends, for the order of its visits; unknown when left out."""

    start_latitude_deg: float | None = None
    start_longitude_deg: float | None = None


@dataclass(frozen=True)
class PointsSettings:
    """Whether points read by eye correct the shares of the tables: `no` or `yes`."""

    correct: str = "no"


@dataclass(frozen=True)
class FilingSettings:
    """How far in time a slip speaks for the photos behind it."""

    gap_min: float = 15.0
    slip_hours: float = 4.0


@dataclass(frozen=True)
class PhotosSettings:
    """Where older originals lie that were moved out of the round; empty when none were."""

    elsewhere: str = ""


@dataclass(frozen=True)
class Settings:
    """All of `round.toml`; each field is a table of it, such as `[scoring]`."""

    scoring: ScoringSettings = field(default_factory=ScoringSettings)
    history: HistorySettings = field(default_factory=HistorySettings)
    report: ReportSettings = field(default_factory=ReportSettings)
    record: RecordSettings = field(default_factory=RecordSettings)
    points: PointsSettings = field(default_factory=PointsSettings)
    rates: RatesSettings = field(default_factory=RatesSettings)
    route: RouteSettings = field(default_factory=RouteSettings)
    filing: FilingSettings = field(default_factory=FilingSettings)
    photos: PhotosSettings = field(default_factory=PhotosSettings)


RANGES: dict[str, tuple[float, float]] = {
    "scoring.bare_patch_min_cm2": (0.2, 100_000),
    "scoring.max_distance_m": (0.1, 10),
    "scoring.max_tilt_deg": (1, 80),
    **{f"scoring.condition.{part.name}": (0, 1e6) for part in fields(ConditionWeights)},
    "history.recovery_default_days": (1, 1000),
    "history.visit_gap_days": (1, 3650),
    "history.latitude_deg": (-90, 90),
    "record.n_limit_kg_ha": (0, 1000),
    **{f"rates.{rate.name}": (0, 1e6) for rate in fields(RatesSettings) if rate.default is None},
    "route.start_latitude_deg": (-90, 90),
    "route.start_longitude_deg": (-180, 180),
    "filing.gap_min": (1, 1440),
    "filing.slip_hours": (0.25, 24),
}
"""What each number may be. A patch cannot be smaller than a cell of the ground (4 mm square)."""

CHOICES: dict[str, tuple[str, ...]] = {
    "history.hemisphere": ("north", "south"),
    "report.area_unit": ("m2", "sq ft"),
    "record.rule": ("eu", "us"),
    "points.correct": ("no", "yes"),
}
"""What a text may be where only some will do."""


def read_settings(path: Path) -> Settings:
    """Read `round.toml`.

    Raises
    ------
    LawnscoreError
        When the file is missing, is not TOML, or has a key, a type or a value that will not do.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise LawnscoreError(
            "there is no round.toml", "Make a round with `lawnscore new`.", path
        ) from None
    except OSError as error:
        raise LawnscoreError(
            f"cannot be opened ({error.strerror})", "Allow yourself to read it.", path
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LawnscoreError(f"not a TOML file ({error})", "Mend the line named.", path) from None
    except RecursionError:
        raise LawnscoreError(
            "brackets are nested too deep", "Write the settings as `lawnscore new` does.", path
        ) from None
    settings: Settings = _build(Settings, data, "", path)
    return settings


def _build(kind: Any, data: dict[str, object], prefix: str, path: Path) -> Any:
    known = {f.name: f for f in fields(kind)}
    default = kind()
    values: dict[str, Any] = {}
    for key, value in data.items():
        name = f"{prefix}{key}"
        if key not in known:
            raise LawnscoreError(
                f"unknown setting `{name}`", f"Use one of: {', '.join(known)}.", path
            )
        values[key] = _convert(getattr(default, key), value, name, path)
    settings = kind(**values)
    if isinstance(settings, HistorySettings):
        try:
            _ = settings.print_days
        except ValueError:
            raise LawnscoreError(
                f"`history.new_prints` is {settings.new_prints!r}",
                "It must be days as 2026-03-01, with commas between.",
                path,
            ) from None
    if isinstance(settings, ConditionWeights) and not any(asdict(settings).values()):
        raise LawnscoreError("all weights of the condition are 0", "Give one of them more.", path)
    return settings


def _convert(default: object, value: object, name: str, path: Path) -> object:
    if is_dataclass(default):
        if not isinstance(value, dict):
            raise LawnscoreError(f"`{name}` must be a table", f"Write it as [{name}].", path)
        return _build(type(default), value, f"{name}.", path)
    number = isinstance(default, int | float) or default is None
    if number and isinstance(value, int | float) and not isinstance(value, bool):
        low, high = RANGES[name]
        whole = isinstance(default, int)
        if not low <= value <= high or (whole and value != int(value)):
            wanted = f"{'a whole number' if whole else 'a number'} from {low:g} to {high:g}"
            raise LawnscoreError(f"`{name}` is {value}", f"It must be {wanted}.", path)
        return int(value) if whole else float(value)
    if isinstance(default, str) and isinstance(value, str):
        if value not in CHOICES.get(name, (value,)):
            wanted = " or ".join(CHOICES[name])
            raise LawnscoreError(f"`{name}` is {value!r}", f"It must be {wanted}.", path)
        return value
    wanted = "a number" if number else "text in quotes"
    raise LawnscoreError(f"`{name}` is {value!r}", f"It must be {wanted}.", path)
