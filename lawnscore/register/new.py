"""A new round: folders, settings with every default, and example files to fill in."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import Settings
from lawnscore.contract.tables import CUSTOMERS, LAWNS, STAGES, TASKS, WEATHER, WORK
from lawnscore.register import programme
from lawnscore.register.folder import OWN_README

_MEANING = {
    "scoring": "What changes the numbers of a photo. After a change every photo is scored again.",
    "scoring.card": "the card in the photos; auto tells it by its markers. Or a file of `lawnscore`"
    " that holds its measured or learned colours",
    "scoring.bare_patch_min_cm2": "smallest bare patch that counts, cm2",
    "scoring.max_distance_m": "ground farther from the card than this is not measured, m",
    "scoring.max_tilt_deg": "photos tilted more than this are refused, degrees",
    "scoring.condition": "Weights of the parts of the condition; only their proportions matter.",
    "history": "What changes verdicts and flags, not the numbers of a photo.",
    "history.recovery_default_days": "days to recover when neither lawn nor round tell yet",
    "history.visit_gap_days": "growing days without a visit from which a lawn is flagged",
    "history.hemisphere": "north or south",
    "history.new_prints": "days from which a new print of the card was used, commas between",
    "history.latitude_deg": "degrees, south negative, for daylight; unknown when left out",
    "report": "What the reports look like.",
    "report.business": "your name at the top of a report",
    "report.contact": "how customers reach you",
    "report.email": "your address, from which drafts for customers are to be sent",
    "report.logo": "picture for the top of a report, relative to the round",
    "report.language": "en or de",
    "report.locale": "how dates and numbers are written, such as en_GB; empty follows the language",
    "report.area_unit": "m2 or sq ft",
    "record": "What `lawnscore record` follows.",
    "record.rule": "eu or us: whose rules of records of plant protection",
    "record.n_limit_kg_ha": "your own limit of N a year, kg/ha; none when left out",
    "points": "Points read by eye (points.csv), to check the numbers by.",
    "filing": "How far in time a printed slip speaks for the photos behind it.",
    "filing.gap_min": "a longer break between two photos needs a word, minutes",
    "filing.slip_hours": "a photo taken longer after its slip is left, hours",
    "photos": "Older photos may lie on another disk, under the same LAWN/ZONE/DATE-STAGE folders.",
    "photos.elsewhere": "that folder, such as /media/archive/photos; empty when there is none",
    "points.correct": "yes corrects the shares of the tables by them; no leaves them as they are",
    "rates": "Your own hours and prices, for `lawnscore survey`. What is left out is not known.",
    "rates.visit_h": "hours a visit before and after the work: travel, setting up, clearing away",
    "rates.scarify_h_100_m2": "hours to scarify 100 m2 in one pass",
    "rates.seed_h_100_m2": "hours to sow 100 m2",
    "rates.top_dress_h_100_m2": "hours to top-dress 100 m2",
    "rates.feed_h_100_m2": "hours to feed 100 m2",
    "rates.cart_off_l_m2": "loose material that one pass brings up, l/m2; where work.csv tells, it"
    " goes before",
    "rates.cart_off_h_m3": "hours to rake up and cart off 1 m3",
    "rates.box_l": "what one of your boxes holds, l, where work.csv counts boxes",
    "rates.hour_price": "price of an hour; without it no price is given",
    "rates.cart_off_price_m3": "price to dispose of 1 m3",
    "rates.seed_price_kg": "price of 1 kg of seed",
    "rates.top_dressing_price_t": "price of 1 t of top-dressing",
    "rates.feed_price_kg": "price of 1 kg of feed",
    "rates.currency": "three letters of ISO 4217",
    "route": "Where a day begins and ends, for the order of its visits.",
    "route.start_latitude_deg": "degrees, south negative; unknown when left out",
    "route.start_longitude_deg": "degrees, west negative; unknown when left out",
}
"""What each setting means; one without an entry is listed without words."""

_EXAMPLE_WITHOUT_DEFAULT = "52.5"

_LAWNS_EXAMPLES = (
    "One row a lawn and zone. A lawn with no parts has the zone `all`.",
    "Rows that start with # are not read. Invented examples:",
    {"lawn": "mill-lane-3", "zone": "front", "area_m2": "140", "name": "3 Mill Lane",
     "turf": "ryegrass and fescue", "shade": "part", "soil": "loam", "drainage": "good",
     "slope": "flat"},
    {"lawn": "mill-lane-3", "zone": "shaded side", "area_m2": "60", "name": "3 Mill Lane",
     "shade": "full", "soil": "clay", "drainage": "poor", "slope": "gentle"},
    {"lawn": "elm-row-9", "zone": "all", "area_m2": "85", "name": "9 Elm Row"},
)  # fmt: skip
_WORK_EXAMPLES = (
    f"One row a task: {', '.join(TASKS)}.",
    "An empty zone is the whole lawn. Rows that start with # are not read. Invented examples:",
    {"date": "2026-03-05", "lawn": "mill-lane-3", "zone": "front", "task": "scarify",
     "machine": "scarifier", "setting": "2", "passes": "2", "depth_mm": "3",
     "material_off": "6", "material_unit": "boxes"},
    {"date": "2026-05-07", "lawn": "mill-lane-3", "zone": "front", "task": "feed",
     "product": "May feed 4-0-8", "rate": "30", "rate_unit": "g/m2", "n_pct": "4",
     "p2o5_pct": "0", "k2o_pct": "8", "form": "granular", "product_used_kg": "4.2"},
)  # fmt: skip
_WEATHER_EXAMPLES = (
    "One row a day; mean_c is the mean air temperature in degrees Celsius.",
    "Rows that start with # are not read. Invented examples:",
    {"date": "2026-03-05", "mean_c": "7.5", "rain_mm": "2.4"},
    {"date": "2026-03-06", "mean_c": "8.1", "rain_mm": "0"},
)
_CUSTOMERS_EXAMPLES = (
    "One row a customer. A lawn names its customer in `customer` of lawns.csv; without that, the",
    "customer is called as the lawn. Rows that start with # are not read. Invented examples:",
    {"customer": "example-family", "name": "Example family", "email": "family@example.org",
     "language": "en", "reports": "email"},
    {"customer": "elm-row-9", "name": "Mr Example", "address": "9 Elm Row", "reports": "paper"},
)  # fmt: skip
_PHOTOS_README = f"""Where photos go
===============

photos/LAWN/ZONE/DATE-STAGE/any name.jpg

LAWN, ZONE   as in lawns.csv; a lawn with no parts has the zone `all`
DATE         YYYY-MM-DD, the date of the visit
STAGE        {STAGES[0]} the work, {STAGES[1]} it, or {STAGES[2]} (no work done)

for example  photos/mill-lane-3/front/2026-03-05-before/IMG_0001.jpg

A file name may start with a spot that is photographed at every visit, and two hyphens:
             photos/mill-lane-3/front/2026-03-05-before/gate--IMG_0001.jpg

JPEG, HEIC, PNG and TIFF are read. Keep the originals: lawnscore never changes, moves or deletes
them. With slips printed by `lawnscore slips`, `lawnscore file` puts a phone's photos here for you.
"""


@dataclass(frozen=True)
class NewRound:
    """What was made, and what was there before and left as it was; relative to the round."""

    path: Path
    made: tuple[str, ...]
    kept: tuple[str, ...]


def new_round(path: Path | str) -> NewRound:
    """Make a round, or what an unfinished one lacks. Files that are there are left as they are.

    Raises
    ------
    LawnscoreError
        When everything is there already, or the folder cannot be made.
    """
    root = Path(path)
    contents = {
        "round.toml": settings_text(),
        "lawns.csv": _csv_text(LAWNS.column_names, _LAWNS_EXAMPLES),
        "work.csv": _csv_text(WORK.column_names, _WORK_EXAMPLES),
        "weather.csv": _csv_text(WEATHER.column_names, _WEATHER_EXAMPLES),
        programme.FILE_NAME: programme.shipped_text(),
        "customers.csv": _csv_text(CUSTOMERS.column_names, _CUSTOMERS_EXAMPLES),
        f"photos/{OWN_README}": _PHOTOS_README,
    }
    made, kept = [], []
    try:
        for name, text in contents.items():
            file = root / name
            file.parent.mkdir(parents=True, exist_ok=True)
            try:
                with file.open("x", encoding="utf-8", newline="\n") as out:
                    out.write(text)
                made.append(name)
            except FileExistsError:
                kept.append(name)
    except OSError as error:
        raise LawnscoreError(
            f"a round cannot be made here ({error.strerror or error})", "Name another folder.", root
        ) from None
    if not made:
        raise LawnscoreError("this is a round already", "Name another folder.", root)
    return NewRound(root, tuple(made), tuple(kept))


def settings_text() -> str:
    """Return `round.toml` with every setting and its default, each as a comment."""
    lines = [
        "# Settings of this round. Each line that starts with # shows a default:",
        "# take away the # and change the value.",
    ]
    for part in fields(Settings):
        lines += ["", *_table_lines(part.name, getattr(Settings(), part.name))]
    return "\n".join(lines) + "\n"


def _table_lines(name: str, values: Any) -> list[str]:
    lines = [f"# {_MEANING[name]}"] if name in _MEANING else []
    lines.append(f"[{name}]")
    inner: list[str] = []
    for setting in fields(values):
        value = getattr(values, setting.name)
        full = f"{name}.{setting.name}"
        if is_dataclass(value):
            inner += ["", *_table_lines(full, value)]
            continue
        said = _EXAMPLE_WITHOUT_DEFAULT if value is None else json.dumps(value)
        words = _MEANING.get(full, "")
        lines.append(f"# {setting.name} = {said}" + (f"  # {words}" if words else ""))
    return lines + inner


def _csv_text(columns: list[str], examples: tuple[str | dict[str, str], ...]) -> str:
    lines = [",".join(columns)]
    for example in examples:
        if isinstance(example, str):
            lines.append(f'"# {example}"')
        else:
            cells = [example.get(column, "") for column in columns]
            lines.append("# " + ",".join(cells))
    return "\n".join(lines) + "\n"
