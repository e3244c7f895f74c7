"""Inputs that `benchmarks/robustness/fuzz.py` starts from, sound ones for each reader."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from pathlib import Path

import numpy as np
from PIL import Image

from lawnscore.card.design import card_design
from lawnscore.card.draw import card_json
from lawnscore.filing.slip_code import SlipCode, slip_text
from lawnscore.photo.icc import display_p3
from lawnscore.register.new import settings_text

ROOT = Path(__file__).resolve().parents[2]


def photo_seeds() -> list[bytes]:
    import pillow_heif

    pixels = (
        np.random.default_rng(0).integers(0, 255, (20, 20, 3), np.uint8).repeat(4, 0).repeat(4, 1)
    )
    picture = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0x9003] = "2026:05:01 10:11:12"
    out = []
    for kind in ("JPEG", "PNG", "TIFF", "WEBP"):
        stream = io.BytesIO()
        picture.save(stream, kind, exif=exif)
        out.append(stream.getvalue())
    stream = io.BytesIO()
    picture.save(stream, "JPEG", progressive=True, quality=40)
    out.append(stream.getvalue())
    stream = io.BytesIO()
    pillow_heif.from_pillow(picture).save(stream, quality=30)
    out.append(stream.getvalue())
    return out


def exif_seeds() -> list[bytes]:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Maker", "Model", 3
    detail = exif.get_ifd(0x8769)
    detail[0x9003], detail[0x9011], detail[0x9291] = "2026:05:01 10:11:12", "+02:00", "25"
    detail[0xA405], detail[0xA002], detail[0xA003] = 26, 4000, 3000
    return [exif.tobytes()]


def profile_seeds() -> list[bytes]:
    from PIL import ImageCms

    built = [ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()]
    assert display_p3().curves.shape == (256, 3)
    return built


def card_seeds() -> list[bytes]:
    return [(ROOT / "sample_images" / "card.txt").read_bytes()]


def json_seeds() -> list[bytes]:
    card = card_json(card_design("turf-a5"))
    card["patches"] = card["patches"][:3]
    return [json.dumps(card).encode()]


def csv_seeds() -> list[bytes]:
    return [
        b"lawn,zone,area_m2,name\noak,front,120,Oak\n",
        b"date;lawn;task;rate;rate_unit\r\n5.3.2026;oak;feed;12,5;g/m2\r\n",
        b"date,mean_c\n2026-03-05,7.5\n",
        b'sep=;\nlawn;zone;notes\noak;all;"two\nlines"\n',
    ]


def slip_seeds() -> list[bytes]:
    return [slip_text(SlipCode("mill lane", "front", "before", "gate")).encode()]


def journal_seeds() -> list[bytes]:
    return [
        b'{"folder": "photos/oak"}\n{"source": "../a.jpg", "target": "photos/oak/a.jpg",'
        b' "sha256": "00", "state": "copying"}\n{"target": "photos/oak/a.jpg", "state": "filed"}\n'
    ]


def backup_seeds() -> list[bytes]:
    file = {"path": "a", "entry": "a", "size": 1, "modified_ns": 1}
    file["sha256"] = hashlib.sha256(b"x").hexdigest()
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a", "x")
        archive.writestr("lawnscore-backup.json", json.dumps({"files": [file]}))
    return [out.getvalue()]


def toml_seeds() -> list[bytes]:
    return [
        settings_text().encode(),
        b'[scoring]\ncard = "auto"\nmax_tilt_deg = 40\n[scoring.condition]\ncover = 45.5\n'
        b'[history]\nvisit_gap_days = 70\nhemisphere = "north"\nlatitude_deg = 52.5\n'
        b'[report]\nbusiness = "A"\narea_unit = "sq ft"\n',
    ]
