"""Where the lawns of the demo round lie, and what its customers said. All of it is invented.

The places are in the North Sea, so that they are nobody's.
"""

from __future__ import annotations

from lawnscore.demo.round_plan import PhotoJob

BASE = (53.30, 2.50)
"""Where a day begins and ends: latitude and longitude, degrees."""

PLACES: dict[str, tuple[float, float]] = {
    "alder-bank": (53.34, 2.47),
    "brook-end": (53.26, 2.58),
    "cooper-yard": (53.33, 2.58),
    "dove-lane": (53.25, 2.41),
    "elm-corner": (53.37, 2.53),
    "fuller-green": (53.28, 2.63),
    "glebe-house": (53.31, 2.42),
}
"""Place of each lawn: latitude and longitude, degrees."""

SURVEYED = {True: "alder-bank", False: "glebe-house"}
"""Lawn that is surveyed in the small round, and in the full one."""


def complaint_rows(jobs: list[PhotoJob], *, small: bool = False) -> list[dict[str, object]]:
    """Return the rows of complaints.csv; a photo without a card is the customer's own.

    Parameters
    ----------
    jobs
        The photos of the round.
    """
    cardless = next(job for job in jobs if job.flaw == "cardless")
    rows: list[dict[str, object]] = [
        {"date": cardless.date, "lawn": cardless.lawn, "zone": cardless.zone,
         "said": "There is mud all over the grass, my son comes in with it on his shoes.",
         "photos": cardless.relative, "notes": "invented"}
    ]  # fmt: skip
    if not small:
        rows.append(
            {"date": "2025-10-05", "lawn": "cooper-yard", "zone": "all",
             "said": "A month after you tore it up it is still half bare. It was better before.",
             "notes": "invented"}
        )  # fmt: skip
    return rows
