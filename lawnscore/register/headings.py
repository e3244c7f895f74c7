"""Which headings of hand-kept files are understood, and in which units."""

from __future__ import annotations

from dataclasses import dataclass

from lawnscore.contract.tables import Table
from lawnscore.register.sheet import normal_heading

# Exact by definition: international foot and inch of 1959 (NIST SP 811, appendix B.8).
_M2_PER_SQ_FT = 0.09290304
_MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Heading:
    """What a heading stands for: the column, and ``factor * value + offset`` in its unit."""

    column: str
    factor: float = 1.0
    offset: float = 0.0


_SPELLINGS: dict[str, dict[str, str]] = {
    "": {
        "lawn": "customer garden lawn_id",
        "zone": "part section",
        "date": "day visit visit_date",
        "area_m2": "area m2 sqm area_sqm area_sq_m size_m2 area_in_m2 square_metres square_meters",
        "notes": "note comment comments remark remarks",
    },
    "lawns": {
        "name": "customer_name lawn_name",
        "turf": "grass turf_type grass_type",
        "soil": "soil_type",
        "latitude_deg": "latitude lat",
        "longitude_deg": "longitude lon lng long",
    },
    "customers": {
        "customer": "client customer_id",
        "name": "customer_name full_name",
        "email": "e_mail mail email_address e_mail_address",
        "phone": "telephone tel mobile",
        "address": "postal_address street",
        "language": "lang",
        "reports": "report reports_by",
    },
    "work": {
        "task": "job work",
        "rate_unit": "unit rate_units",
        "n_pct": "n nitrogen nitrogen_pct",
        "p2o5_pct": "p2o5",
        "k2o_pct": "k2o",
        "ca_pct": "ca calcium",
        "mg_pct": "mg magnesium",
        "fe_pct": "fe iron iron_pct",
        "s_pct": "s sulphur sulfur",
        "height_mm": "height mowing_height mowing_height_mm height_of_cut_mm",
        "depth_mm": "depth working_depth_mm",
        "material_off": "material boxes_off",
        "product_used_kg": "used_kg product_used product_kg",
        "who": "by operator done_by",
    },
    "weather": {
        "mean_c": "mean mean_temp mean_temperature temperature temp temp_c mean_temp_c t_mean",
        "rain_mm": "rain rainfall rainfall_mm precipitation precipitation_mm",
        "leaf_wetness_h": "leaf_wetness",
        "soil_c": "soil soil_temp soil_temperature soil_temp_c",
    },
    "complaints": {
        "said": "complaint what what_was_said words message",
        "photos": "photo pictures files",
    },
}
"""Other spellings of a column by table; the table without a name holds for all."""

_OTHER_UNITS: dict[str, Heading] = {
    "area_sq_ft": Heading("area_m2", _M2_PER_SQ_FT),
    "area_sqft": Heading("area_m2", _M2_PER_SQ_FT),
    "area_ft2": Heading("area_m2", _M2_PER_SQ_FT),
    "area_sq_yd": Heading("area_m2", 9 * _M2_PER_SQ_FT),
    "height_in": Heading("height_mm", _MM_PER_INCH),
    "depth_in": Heading("depth_mm", _MM_PER_INCH),
    "height_cm": Heading("height_mm", 10.0),
    "depth_cm": Heading("depth_mm", 10.0),
    "rain_in": Heading("rain_mm", _MM_PER_INCH),
    "mean_f": Heading("mean_c", 5 / 9, -160 / 9),
    "temp_f": Heading("mean_c", 5 / 9, -160 / 9),
    "product_used_g": Heading("product_used_kg", 0.001),
}

CELL_UNITS: dict[str, tuple[str, ...]] = {
    "area_m2": ("m2", "m²", "sqm", "sq m"),
    "height_mm": ("mm",),
    "depth_mm": ("mm",),
    "rain_mm": ("mm",),
    "mean_c": ("°C", "C"),
    "soil_c": ("°C", "C"),
    "latitude_deg": ("°",),
    "longitude_deg": ("°",),
    "leaf_wetness_h": ("h",),
    "product_used_kg": ("kg",),
    **{f"{n}_pct": ("%",) for n in ("n", "p2o5", "k2o", "ca", "mg", "fe", "s")},
}
"""Units that may stand behind a number, because they are the column's own."""


OTHER_WORDS: dict[str, dict[str, str]] = {
    "task": {
        "mowing": "mow", "cut": "mow", "cast clearing": "clear casts",
        "disperse casts": "clear casts",
        "brush casts": "clear casts", "clear worm casts": "clear casts", "scarifying": "scarify",
        "scarification": "scarify", "aerating": "aerate", "aeration": "aerate",
        "spike": "aerate", "solid-tine": "aerate", "solid tine": "aerate",
        "hollow tine": "hollow-tine",
        "hollow-tining": "hollow-tine", "hollow tining": "hollow-tine",
        "overseeding": "overseed", "seed": "overseed", "seeding": "overseed",
        "top dress": "top-dress", "topdress": "top-dress", "top dressing": "top-dress",
        "top-dressing": "top-dress", "topdressing": "top-dress", "feeding": "feed",
        "fertilise": "feed", "fertilize": "feed", "spraying": "spray", "water": "irrigate",
        "watering": "irrigate", "irrigation": "irrigate", "raking": "rake", "edging": "edge",
        "leaf clearing": "clear leaves", "leaves": "clear leaves",
    },
    "material_unit": {"box": "boxes", "litre": "l", "litres": "l", "liter": "l", "liters": "l"},
    "shade": {"no": "none", "some": "part", "partial": "part", "half": "part", "heavy": "full"},
    "form": {"granules": "granular", "granule": "granular"},
    "language": {"english": "en", "german": "de", "deutsch": "de", "englisch": "en"},
    "reports": {"e-mail": "email", "post": "paper", "letter": "paper", "print": "paper",
                "no": "none"},
}  # fmt: skip
"""Other words for the allowed values of a column."""


def known_headings(table: Table) -> dict[str, Heading]:
    """Return every understood heading of a table of the round, in its normal form.

    >>> from lawnscore.contract.tables import LAWNS
    >>> known_headings(LAWNS)[normal_heading("Area (m²)")].column
    'area_m2'
    """
    columns = set(table.column_names)
    known = {h: heading for h, heading in _OTHER_UNITS.items() if heading.column in columns}
    for spellings in (_SPELLINGS[""], _SPELLINGS.get(table.name, {})):
        for column, others in spellings.items():
            if column in columns:
                known.update({other: Heading(column) for other in others.split()})
    known.update({normal_heading(column): Heading(column) for column in columns})
    return known
