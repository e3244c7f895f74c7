"""Why a photo is refused: one registry, read by the code, the messages and the documents."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """One reason of refusal: its word, what it means and how to retake the photo."""

    word: str
    meaning: str
    advice: str


_ALL = (
    Reason(
        "unreadable",
        "the file is not a photo that can be opened",
        "Copy the original from the phone again, as JPEG, HEIC, PNG or TIFF.",
    ),
    Reason(
        "cardless",
        "the reference card was not found",
        "Lay the card flat, face up, wholly inside the frame and retake the photo.",
    ),
    Reason(
        "mirrored",
        "the card reads as in a mirror",
        "Switch off the mirror option of the camera and retake the photo.",
    ),
    Reason(
        "blurred",
        "the photo is not sharp enough to tell leaf from straw",
        "Wipe the lens, hold still, wait for the focus and retake the photo.",
    ),
    Reason(
        "lamplit",
        "the light was a lamp, a flash or dusk, not daylight",
        "Retake the photo by daylight, without flash.",
    ),
    Reason(
        "overexposed",
        "too much of the ground or the card is burnt out",
        "Tap on the turf to expose for it, turn off the flash and retake the photo.",
    ),
    Reason(
        "underexposed",
        "the ground or the card is too dark to measure",
        "Retake the photo with more light; wait for full daylight.",
    ),
    Reason(
        "covered",
        "too much of the card is hidden",
        "Clear leaves and grass off the card, keep hands and feet away and retake the photo.",
    ),
    Reason(
        "glaring",
        "the card glares, so its colours cannot be read",
        "Use a matt card, turn so that the sun is not mirrored in it and retake the photo.",
    ),
    Reason(
        "tilted",
        "the camera looked at the ground too obliquely",
        "Hold the phone level above the turf, straight down, and retake the photo.",
    ),
    Reason(
        "coarse",
        "the ground is too far away: a pixel covers too many millimetres",
        "Hold the phone at chest height, without zoom or crop, and retake the photo.",
    ),
    Reason(
        "cramped",
        "too little ground is left to measure around the card",
        "Step back, put the card near an edge of the frame and retake the photo.",
    ),
    Reason(
        "shaded",
        "the light on the card is unlike the light on the lawn",
        "Lay the card in the same light as the turf (both in sun or both in shade) and retake.",
    ),
    Reason(
        "miscoloured",
        "the colours of the card do not fit any sensible correction",
        "Check that the round names the card in the photo; clean, dry or reprint the card.",
    ),
    Reason(
        "failed",
        "the program failed on this photo; the fault is its own, not the photo's",
        "Keep the photo and report it with the text in .lawnscore/faults.txt.",
    ),
)

REASONS: dict[str, Reason] = {reason.word: reason for reason in _ALL}
"""Every reason of refusal by its word, in the order in which they are checked."""
