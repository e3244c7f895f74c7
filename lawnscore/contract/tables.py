"""The tables lawnscore writes: fixed columns, types and meanings, right even when empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from lawnscore.contract.measures import MEASURES

Type = Literal["string", "integer", "number", "boolean", "date", "datetime"]

_PANDAS_TYPES: dict[Type, str] = {
    "string": "string",
    "integer": "Int64",
    "number": "float64",
    "boolean": "boolean",
    "date": "string",
    "datetime": "string",
}


@dataclass(frozen=True)
class Column:
    """One column: name, type (Frictionless Table Schema), one-line meaning, required or not.

    Dates are ISO 8601 text (YYYY-MM-DD), times ISO 8601 with their offset where known.
    """

    name: str
    type: Type
    meaning: str
    required: bool = False
    allowed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """One table of the contract: file stem, meaning, key and columns in order."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()

    @property
    def column_names(self) -> list[str]:
        """Names of the columns in order."""
        return [column.name for column in self.columns]

    def frame(self, rows: Sequence[Mapping[str, object]] | pd.DataFrame) -> pd.DataFrame:
        """Return rows as a DataFrame with exactly this table's columns, order and types.

        Missing columns become empty; columns the table does not know are dropped. An empty
        sequence gives an empty table with the right columns.
        """
        data = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
        out = data.reindex(columns=self.column_names)
        return out.astype({c.name: _PANDAS_TYPES[c.type] for c in self.columns})


STAGES = ("before", "after", "check")
STAGE_ORDER = {"before": 0, "check": 1, "after": 2}
"""In the order of a day: a check without work stands where the work would."""

_PLACE = (
    Column("lawn", "string", "lawn, as in lawns.csv", True),
    Column("zone", "string", "zone of the lawn; `all` when it has no parts", True),
)
_DATE = Column("date", "date", "date of the visit", True)
_STAGE = Column("stage", "string", "before the work, after it, or check", True, STAGES)

PHOTO_SCORES = Table(
    "photo_scores",
    "one row a photo",
    (
        *_PLACE,
        Column("spot", "string", "spot in the zone, when the file name says it"),
        _DATE,
        _STAGE,
        Column("photo", "string", "path of the photo relative to the round", True),
        Column("sha256", "string", "SHA-256 of the file"),
        Column("status", "string", "scored or refused", True, ("scored", "refused")),
        Column("reason", "string", "why it was refused, one word"),
        Column("taken_at", "datetime", "when it was taken, with the offset where known"),
        Column("card_delta_e", "number", "median CIEDE2000 of the patches, each left out in turn"),
        Column("mm_per_px", "number", "millimetres a pixel of the full photo at the card"),
        Column("tilt_deg", "number", "angle between the camera axis and straight down"),
        Column("area_m2", "number", "ground that was measured"),
        *(Column(m.name, "number", m.meaning) for m in MEASURES.values()),
        *(
            Column(f"{m.name}_se", "number", f"standard error of {m.name} within the photo")
            for m in MEASURES.values()
        ),
        Column("mm_per_px_se", "number", "standard error of mm_per_px"),
        Column(
            "straw_soil_confidence", "number", "0 to 1: chance that straw is right to 10 points"
        ),
        Column("shade_pct", "number", "share of the measured ground in cast shade"),
        Column("card", "string", "name of the card"),
        Column(
            "colour_reference",
            "string",
            "where the card's reference colours come from",
            False,
            ("measured", "learned", "nominal"),
        ),
        Column("detail", "string", "why it was refused, in words; of a scored photo what to mind"),
        Column("version", "string", "program version that scored it", True),
        Column("settings_id", "string", "id of the settings that it was scored with", True),
        Column(
            "checked_points",
            "integer",
            "points read by eye that its shares were corrected by; empty where they were not",
        ),
        Column(
            "checked_casts",
            "integer",
            "casts marked by eye that its count was corrected by; empty where it was not",
        ),
        Column("camera", "string", "make and model of the camera, where the file says it"),
    ),
    ("photo",),
)

VISIT_SCORES = Table(
    "visit_scores",
    "one row a lawn, zone, date and stage",
    (
        *_PLACE,
        _DATE,
        _STAGE,
        Column("photos", "integer", "photos scored", True),
        Column("refused", "integer", "photos refused", True),
        Column("area_m2", "number", "ground measured, all photos together"),
        *(
            column
            for m in MEASURES.values()
            for column in (
                Column(m.name, "number", m.meaning),
                Column(f"{m.name}_low", "number", f"lower end of the 95 % interval of {m.name}"),
                Column(f"{m.name}_high", "number", f"upper end of the 95 % interval of {m.name}"),
            )
        ),
        Column("version", "string", "program version(s) the photos were scored with"),
        Column("settings_id", "string", "settings id(s) the photos were scored with"),
        Column("colour_reference", "string", "where reference colours come from; worst of them"),
        Column("card", "string", "name(s) of the card(s) in the photos"),
        *(
            Column(
                f"{m.name}_shared_se", "number", f"standard error of {m.name} shared by its photos"
            )
            for m in MEASURES.values()
        ),
        Column(
            "checked_points",
            "integer",
            "points read by eye that its shares were corrected by; empty where they were not",
        ),
        Column(
            "checked_casts",
            "integer",
            "casts marked by eye that its count was corrected by; empty where it was not",
        ),
        Column("camera", "string", "make and model of the camera(s), as far as the files say"),
        Column(
            "lights",
            "number",
            "in how many lights its photos were taken: hours apart; effective number",
        ),
        Column("phones", "number", "with how many phones its photos were taken; effective number"),
    ),
    ("lawn", "zone", "date", "stage"),
)

CHANGES = Table(
    "changes",
    "one row a lawn, zone, measure and pair of photographed occasions",
    (
        *_PLACE,
        Column("measure", "string", "column name of the measure", True),
        Column(
            "kind",
            "string",
            "which pair of occasions",
            True,
            ("work", "visit", "since_renovation", "since_before_work", "year"),
        ),
        Column("from_date", "date", "first occasion", True),
        Column("from_stage", "string", "stage of the first occasion", True, STAGES),
        Column("to_date", "date", "second occasion", True),
        Column("to_stage", "string", "stage of the second occasion", True, STAGES),
        Column("change", "number", "second less first"),
        Column("low", "number", "lower end of the 95 % interval"),
        Column("high", "number", "upper end of the 95 % interval"),
        Column(
            "verdict",
            "string",
            "by the interval, corrected for the number of measures",
            False,
            ("better", "worse", "no clear change"),
        ),
        Column("smallest_detectable", "number", "smallest change these photos could have shown"),
        Column("n_paired_spots", "integer", "spots photographed on both occasions"),
        Column("method_changed", "boolean", "scored by different versions, settings or cards"),
        Column("differs", "string", "what the occasions differ in: card, phone, version, ..."),
    ),
    ("lawn", "zone", "measure", "kind", "from_date", "from_stage", "to_date", "to_stage"),
)

RECOVERY = Table(
    "recovery",
    "one row a lawn, zone and renovation",
    (
        *_PLACE,
        Column("renovation_date", "date", "date of the renovation", True),
        Column("task", "string", "work done", True),
        Column("cover_before", "number", "green cover before the work, %"),
        Column("cover_after", "number", "green cover just after the work, %"),
        Column("cover_now", "number", "green cover at the last visit, %"),
        Column("days_since", "integer", "days from the renovation to the last visit"),
        Column("recovered_pct", "number", "share of the lost cover that has come back, %"),
        Column("days_to_95", "number", "days to 95 % of the cover before"),
        Column("days_to_95_low", "number", "lower end of its 95 % interval"),
        Column("days_to_95_high", "number", "upper end; empty when not reached is possible"),
        Column(
            "state",
            "string",
            "how the recovery goes",
            True,
            ("recovering", "recovered", "slow", "too few visits"),
        ),
        Column("expected_days_to_95", "number", "what was to be expected"),
        Column("expected_from", "string", "where the expected course comes from"),
        Column("clock", "string", "days or growth potential", False, ("days", "growth")),
        Column("note", "string", "what the numbers alone do not say"),
        Column("back_by", "date", "first visit with 95 % of the cover before or more"),
    ),
    ("lawn", "zone", "renovation_date", "task"),
)

ATTENTION = Table(
    "attention",
    "one row a lawn and zone that wants attention, most urgent first",
    (
        Column("rank", "integer", "1 is most urgent", True),
        *_PLACE,
        Column("flag", "string", "what is the matter; one word of the list of flags", True),
        Column("since", "date", "since when"),
        Column("measure", "string", "measure that shows it"),
        Column("evidence", "string", "one sentence with its numbers", True),
        Column("next_step", "string", "what a practitioner would do next", True),
        Column("urgency", "number", "expected loss that orders the ranks"),
        Column("facts", "string", "what the evidence is made from, as JSON"),
    ),
    ("lawn", "zone", "flag"),
)

LAWNS = Table(
    "lawns",
    "the register: one row a lawn and zone",
    (
        *_PLACE,
        Column("area_m2", "number", "area of the zone"),
        Column("name", "string", "name for people to read"),
        Column("turf", "string", "kind of turf"),
        Column("shade", "string", "none, part or full", False, ("none", "part", "full")),
        Column("notes", "string", "anything else"),
        Column("soil", "string", "kind of soil"),
        Column("drainage", "string", "good, fair or poor", False, ("good", "fair", "poor")),
        Column("slope", "string", "flat, gentle or steep", False, ("flat", "gentle", "steep")),
        Column("left", "date", "when it left the round; empty while it is on it"),
        Column("latitude_deg", "number", "place of the lawn, degrees, south negative"),
        Column("longitude_deg", "number", "place of the lawn, degrees, west negative"),
        Column("customer", "string", "whose it is, as in customers.csv; empty is the lawn's name"),
    ),
    ("lawn", "zone"),
)

TASKS: dict[str, bool] = {
    "mow": False,
    "clear casts": False,
    "scarify": True,
    "aerate": False,
    "hollow-tine": True,
    "overseed": True,
    "top-dress": True,
    "feed": False,
    "spray": False,
    "irrigate": False,
    "rake": False,
    "edge": False,
    "clear leaves": False,
    "other": False,
}
"""Tasks of work.csv; True marks a renovation (sets the sward back on purpose)."""

WORK = Table(
    "work",
    "work done: one row a task",
    (
        _DATE,
        *_PLACE,
        Column("task", "string", "what was done", True, tuple(TASKS)),
        Column("product", "string", "product, as on the label"),
        Column("rate", "number", "amount laid down per area"),
        Column("rate_unit", "string", "unit of the rate, such as g/m2 or l/ha"),
        Column("area_m2", "number", "area worked; empty is the whole zone"),
        Column("n_pct", "number", "N on the label, %"),
        Column("p2o5_pct", "number", "P2O5 on the label, %"),
        Column("k2o_pct", "number", "K2O on the label, %"),
        Column("ca_pct", "number", "Ca, %"),
        Column("mg_pct", "number", "Mg, %"),
        Column("fe_pct", "number", "Fe, %"),
        Column("s_pct", "number", "S, %"),
        Column("form", "string", "granular or liquid", False, ("granular", "liquid")),
        Column("method", "string", "how it was put on"),
        Column("machine", "string", "machine used"),
        Column("setting", "string", "its setting"),
        Column("passes", "integer", "passes over the lawn"),
        Column("height_mm", "number", "mowing height"),
        Column("depth_mm", "number", "working depth"),
        Column("material_off", "number", "how much material came off"),
        Column("material_unit", "string", "boxes, litres or kg", False, ("boxes", "l", "kg")),
        Column("product_used_kg", "number", "weight taken out of the bag"),
        Column("who", "string", "who did it"),
        Column("weather", "string", "weather at the time"),
        Column("notes", "string", "anything else"),
        Column("registration_no", "string", "registration number of a plant protection product"),
        Column("start_time", "string", "when the work began, HH:MM"),
        Column("target", "string", "what a spray was meant for"),
        Column("wind", "string", "wind at the time"),
        Column("certificate", "string", "certificate of who did it"),
    ),
)

WEATHER = Table(
    "weather",
    "weather: one row a day",
    (
        _DATE,
        Column("mean_c", "number", "mean air temperature, degrees Celsius", True),
        Column("rain_mm", "number", "rain, mm"),
        Column("leaf_wetness_h", "number", "hours of wet leaf"),
        Column("soil_c", "number", "mean soil temperature in the root zone, degrees Celsius"),
    ),
    ("date",),
)

COMPLAINTS = Table(
    "complaints",
    "what customers found fault with: one row a complaint",
    (
        Column("date", "date", "date on which it was said", True),
        *_PLACE,
        Column("said", "string", "what was said, in the customer's words", True),
        Column("photos", "string", "photos of it, paths in the round, `;` between"),
        Column("notes", "string", "anything else"),
    ),
    ("date", "lawn", "zone", "said"),
)

SEEN_WORDS = ("green leaf", "straw", "soil", "cast", "litter", "cannot tell")
"""What a reader may say of a point; the first five are the surfaces, in the order of the shares."""

POINTS = Table(
    "points",
    "what readers saw: one row a point, a cast, or a tile looked at for casts",
    (
        Column("kind", "string", "point, cast or tile", True, ("point", "cast", "tile")),
        Column("photo", "string", "path of the photo relative to the round", True),
        Column("sha256", "string", "SHA-256 of the photo that was read", True),
        Column("draw", "string", "id of the page that was read", True),
        Column("number", "integer", "number of the point or tile in its photo", True),
        Column("x_mm", "number", "place in the frame of the card; of a tile its middle", True),
        Column("y_mm", "number", "place in the frame of the card; of a tile its middle", True),
        Column("side_mm", "number", "side of a tile; empty otherwise"),
        Column("seen", "string", "what the reader saw; empty for a tile", False, SEEN_WORDS),
        Column("reader", "string", "who read it", True),
        Column("session", "string", "id of the reader's sitting", True),
        Column("read_at", "datetime", "when it was read, with the offset", True),
    ),
)
"""points.csv of a round: kept by `lawnscore points read`, which only adds to it."""

OUTPUT_TABLES: dict[str, Table] = {
    t.name: t for t in (PHOTO_SCORES, VISIT_SCORES, CHANGES, RECOVERY, ATTENTION)
}
"""Tables written to reports/."""

LANGUAGES = ("en", "de")
"""Languages that reports ship in."""

CUSTOMERS = Table(
    "customers",
    "who the lawns are of: one row a customer",
    (
        Column("customer", "string", "short name, as `customer` in lawns.csv, or a lawn", True),
        Column("name", "string", "name for people to read, as a message greets them"),
        Column("email", "string", "e-mail address that reports go to"),
        Column("phone", "string", "telephone number"),
        Column("address", "string", "postal address"),
        Column("language", "string", "of their reports; empty is the round's", False, LANGUAGES),
        Column(
            "reports",
            "string",
            "how they want reports; empty is email",
            False,
            ("email", "paper", "none"),
        ),
        Column("notes", "string", "anything else"),
    ),
    ("customer",),
)

SENT = Table(
    "sent",
    "what went out to customers: one row a lawn and message",
    (
        Column("date", "date", "day on which the draft or the page was made", True),
        Column("customer", "string", "customer, as in customers.csv", True),
        *_PLACE[:1],
        Column("visit", "date", "last visit that the report tells of", True),
        Column("file", "string", "the draft, or the PDF for paper, in reports/", True),
        Column("sha256", "string", "SHA-256 of the PDF that went out", True),
    ),
)
"""reports/sent.csv: kept by `lawnscore report --outbox`, which only adds to it."""

INPUT_TABLES: dict[str, Table] = {t.name: t for t in (LAWNS, WORK, WEATHER, COMPLAINTS, CUSTOMERS)}
"""Tables people keep by hand in the round."""
