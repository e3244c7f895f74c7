"""Who sends the report: business, contact and logo, as `round.toml` has them."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import ReportSettings

LOGO_LONGEST_PX = 480  # twice its largest size on the page, for fine screens


@dataclass(frozen=True)
class Letterhead:
    """Business name, contact line and logo (PNG bytes, empty when there is none)."""

    business: str = ""
    contact: str = ""
    logo_png: bytes = b""

    @property
    def logo_uri(self) -> str:
        """The logo as a data URI, empty when there is none."""
        if not self.logo_png:
            return ""
        return "data:image/png;base64," + base64.b64encode(self.logo_png).decode()


def read_letterhead(settings: ReportSettings, round_path: Path) -> Letterhead:
    """Read the letterhead; the logo is drawn anew, so nothing hidden in its file is passed on.

    Raises
    ------
    LawnscoreError
        When the logo is not in the round's folder or cannot be opened as a picture.
    """
    logo = _logo(settings.logo, round_path) if settings.logo else b""
    return Letterhead(settings.business, settings.contact, logo)


def _logo(name: str, round_path: Path) -> bytes:
    from PIL import Image, UnidentifiedImageError

    path = (round_path / name).resolve()
    if not path.is_relative_to(round_path.resolve()):
        raise LawnscoreError(
            f"logo `{name}` lies outside the round", "Copy it into the round.", "round.toml"
        )
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for
            raise ValueError("not a file")
        with Image.open(path) as opened:
            picture = opened.convert("RGBA")
    except FileNotFoundError:
        raise LawnscoreError(
            f"logo `{name}` is not there", "Put the file there or empty `logo`.", "round.toml"
        ) from None
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError):
        raise LawnscoreError(
            f"logo `{name}` is not a picture that can be opened",
            "Save it as PNG or JPEG.",
            "round.toml",
        ) from None
    picture.thumbnail((LOGO_LONGEST_PX, LOGO_LONGEST_PX))
    clean = Image.new("RGBA", picture.size)
    clean.paste(picture)
    out = io.BytesIO()
    clean.save(out, "PNG", optimize=True)
    return out.getvalue()
