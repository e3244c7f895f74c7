"""Which print of the card is in a photo, as the round's settings say.

Prints of one design go by one name, and under nominal colours by the same figures, though each
printer's colours are its own: what they bring is in a change across two prints as across two cards
(:mod:`lawnscore.history.change_error`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd


def prints_told_apart(photo_scores: pd.DataFrame, print_days: Sequence[str]) -> pd.DataFrame:
    """Return the table of photos with the print's day behind the card's name.

    Parameters
    ----------
    photo_scores
        The table of photos. The first print keeps the name alone, as do measured and learned
        colours, which are a print's own and come with a name of their own.
    print_days
        Days (YYYY-MM-DD) from which a new print of the card was used, in order.

    Examples
    --------
    >>> photos = pd.DataFrame({"date": ["2025-09-01", "2026-04-02"], "card": "turf-a5"})
    >>> prints_told_apart(photos, ["2026-03-01"])["card"].tolist()
    ['turf-a5', 'turf-a5 (print of 2026-03-01)']
    """
    if not len(print_days) or "card" not in photo_scores or photo_scores.empty:
        return photo_scores
    days = np.array(["", *print_days])
    date = photo_scores["date"].astype("object").fillna("").astype(str).to_numpy()
    since = days[np.searchsorted(days[1:], date, side="right")]
    card = photo_scores["card"].astype("object")
    again = card.notna().to_numpy() & (since != "")
    if "colour_reference" in photo_scores:
        source = photo_scores["colour_reference"].astype("object")
        again &= ~source.isin(("measured", "learned")).to_numpy(bool)
    named = card.where(~again, card.astype(str) + " (print of " + since + ")")
    return photo_scores.assign(card=named)
