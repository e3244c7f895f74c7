"""What wants attention: one registry of flags, read by the code, the reports and the documents."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One flag: its words, what they mean, the next step, and what to mind while doing it.

    The next steps are common practice (no source); where one can do harm, ``caution`` defers to
    the label, local rules and licensed practice.
    """

    word: str
    meaning: str
    next_step: str
    caution: str = ""

    @property
    def advice(self) -> str:
        """Next step and caution in one text."""
        return f"{self.next_step} {self.caution}".strip()


_ALL = (
    Flag(
        "cover falling",
        "green cover has fallen away from the lawn's own past, its season and the other lawns",
        "Look on site within the week: check drainage, shade, mowing height, wear, pests and "
        "disease, and photograph the same spots again.",
        "Renovate only while the grass is growing.",
    ),
    Flag(
        "recovery slow",
        "green cover comes back after a renovation more slowly than it should",
        "Check that seed and soil are moist, that birds and leaves leave the seed alone, and "
        "whether the soil is warm enough; oversow thin places while it still is.",
        "Feed only as the label allows on young grass; keep off and mow high until it is firm.",
    ),
    Flag(
        "bare patches growing",
        "more of the ground lies in bare patches than before and than on the other lawns",
        "Find the cause first (wear, dryness, grubs, disease, spills, dogs), loosen the soil and "
        "oversow the patches.",
        "Have pests and diseases named by someone who knows them before anything is treated.",
    ),
    Flag(
        "colour fading",
        "the leaf has lost green that the season does not explain",
        "Check moisture and thatch, when it was last fed and whether the mower blade is sharp; "
        "take a soil test before feeding.",
        "Feed by the label's rate and season and local rules; iron stains paving.",
    ),
    Flag(
        "casts rising",
        "there are more earthworm casts than this lawn's own past and the other lawns explain",
        "Scatter casts when they are dry, before mowing; collect clippings and leaves, mow a "
        "little higher.",
        "Earthworms are good for the soil and killing them is against the law in many places.",
    ),
    Flag(
        "uneven",
        "one zone of the lawn has clearly less green cover than its other zones",
        "Compare shade, drainage, soil and wear of the zone with the rest, and treat it as a zone "
        "of its own.",
    ),
    Flag(
        "disease weather",
        "days of cool wet leaf in a row: weather in which Microdochium patch spreads",
        "Look for patches of 25 mm or more, brush off dew, clear leaves, let air in. The weather "
        "is a caution, not a diagnosis.",
        "Avoid fast nitrogen late in the year; leave treatment to licensed practice.",
    ),
    Flag(
        "not visited",
        "the lawn has not been photographed for too long",
        "Visit and photograph it, or say in lawns.csv that it has left the round.",
    ),
    Flag(
        "photos too poor",
        "the last photos are too few or too poor to tell how the lawn does",
        "Retake the photos, at least four, at the usual spots, with the card flat and in the same "
        "light as the turf.",
    ),
)

FLAGS: dict[str, Flag] = {flag.word: flag for flag in _ALL}
"""Every flag by its words."""
