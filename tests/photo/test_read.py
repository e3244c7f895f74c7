"""Reading photos: orientation, time, colour profiles, size, and files that are no photos."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, ImageCms

from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo import exif as exif_module
from lawnscore.photo import icc
from lawnscore.photo.decoders import TIFF_PIXELS_MAX
from lawnscore.photo.kinds import kind_of, words_for
from lawnscore.photo.read import Photo, read_photo, reduction_for
from tests.photo.bad_files import BAD, HEIGHT, WIDTH, encoded, png_bomb, upright

# Rows and columns stored so that each orientation of CIPA DC-008 (tag 0x0112) shows `upright`.
STORED: dict[int, Callable[[np.ndarray], np.ndarray]] = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: a.transpose(1, 0, 2)[::-1, ::-1],
    8: lambda a: np.rot90(a, -1),
}


def exif_with(*, orientation: int | None = None, detail: dict[int, object] | None = None) -> bytes:
    block = Image.Exif()
    block[0x010F] = "Acre"
    block[0x0110] = "Acre Pocket 4"
    if orientation is not None:
        block[0x0112] = orientation
    block.get_ifd(0x8769).update(detail or {})
    return block.tobytes()


def save(path: Path, picture: np.ndarray, kind: str = "JPEG", **options: object) -> Path:
    image = Image.fromarray(np.ascontiguousarray(picture))
    if kind == "HEIF":
        file = pillow_heif.HeifFile()
        file.add_frombytes("RGB", image.size, image.tobytes())
        file[0].info.update(options)
        file.save(path, quality=95)
    else:
        if kind == "JPEG":
            options = {"quality": 95, "subsampling": 0, **options}
        image.save(path, kind, **options)
    return path


def refusal(path: Path) -> PhotoRefused:
    with pytest.raises(PhotoRefused) as caught:
        read_photo(path)
    error = caught.value
    assert error.reason == "unreadable"
    assert "\n" not in error.line()
    assert len(error.line()) < 400 + len(str(path))
    return error


# ------------------------------------------------------------------ orientation


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_orientation_is_applied_once(tmp_path: Path, kind: str, orientation: int) -> None:
    # For HEIF the writer states the rotation in the container and in Exif: the known trap.
    stored = STORED[orientation](upright())
    path = save(tmp_path / "photo", stored, kind, exif=exif_with(orientation=orientation))
    photo = read_photo(path)
    assert (photo.width_px, photo.height_px) == (WIDTH, HEIGHT)
    assert photo.rgb.shape == (HEIGHT, WIDTH, 3)
    assert np.abs(photo.rgb.astype(int) - upright()).mean() < 3


def test_heic_states_its_rotation_in_the_container(tmp_path: Path) -> None:
    path = save(tmp_path / "a", STORED[6](upright()), "HEIF", exif=exif_with(orientation=6))
    assert b"irot" in path.read_bytes()  # else the test above would not be the trap


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_orientation_out_of_range_is_upright(tmp_path: Path, orientation: int) -> None:
    path = save(tmp_path / "a.jpg", upright(), exif=exif_with(orientation=orientation))
    assert read_photo(path).rgb.shape == (HEIGHT, WIDTH, 3)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_reduced_and_turned_agree(tmp_path: Path, orientation: int) -> None:
    stored = STORED[orientation](upright())
    path = save(tmp_path / "a.jpg", stored, exif=exif_with(orientation=orientation))
    photo = read_photo(path, reduction=4)
    expected = cv2.resize(upright(), (WIDTH // 4, HEIGHT // 4), interpolation=cv2.INTER_AREA)
    assert photo.reduction == 4
    assert np.abs(photo.rgb.astype(int) - expected).mean() < 3


# ------------------------------------------------------------------ what the camera wrote


def test_exif_tag_numbers_are_those_of_the_standard() -> None:
    # CIPA DC-008 (Exif), as listed by Pillow's table of tags.
    names = {
        "Make": exif_module.MAKE,
        "Model": exif_module.MODEL,
        "Orientation": exif_module.ORIENTATION,
        "ExifOffset": exif_module.EXIF_IFD,
        "DateTimeOriginal": exif_module.DATE_TIME_ORIGINAL,
        "DateTimeDigitized": exif_module.DATE_TIME_DIGITIZED,
        "OffsetTimeOriginal": exif_module.OFFSET_TIME_ORIGINAL,
        "OffsetTimeDigitized": exif_module.OFFSET_TIME_DIGITIZED,
        "SubsecTimeOriginal": exif_module.SUB_SEC_TIME_ORIGINAL,
        "SubsecTimeDigitized": exif_module.SUB_SEC_TIME_DIGITIZED,
        "ExifImageWidth": exif_module.PIXEL_X_DIMENSION,
        "ExifImageHeight": exif_module.PIXEL_Y_DIMENSION,
        "FocalLengthIn35mmFilm": exif_module.FOCAL_LENGTH_IN_35MM,
        "ExifInteroperabilityOffset": exif_module.INTEROP_IFD,
    }
    assert {name: ExifTags.TAGS.get(tag) for name, tag in names.items()} == {n: n for n in names}
    # The numbers themselves, from the standard's tables of tags.
    assert (exif_module.ORIENTATION, exif_module.DATE_TIME_ORIGINAL) == (0x0112, 0x9003)
    assert (exif_module.OFFSET_TIME_ORIGINAL, exif_module.FOCAL_LENGTH_IN_35MM) == (0x9011, 0xA405)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_time_focal_length_and_camera(tmp_path: Path, kind: str) -> None:
    block = exif_with(
        detail={0x9003: "2026:05:01 10:11:12", 0x9011: "+01:00", 0x9291: "25", 0xA405: 26}
    )
    photo = read_photo(save(tmp_path / "a", upright(), kind, exif=block))
    assert photo.taken_at == "2026-05-01T10:11:12.250+01:00"
    assert photo.focal_35mm == 26
    assert photo.camera == "Acre Pocket 4"


@pytest.mark.parametrize(
    ("detail", "expected"),
    [
        ({0x9003: "2026:05:01 10:11:12"}, "2026-05-01T10:11:12"),
        ({0x9003: "2026:05:01 10:11:12", 0x9011: "Z"}, "2026-05-01T10:11:12+00:00"),
        ({0x9003: "2026:05:01 10:11:12", 0x9011: "   :  "}, "2026-05-01T10:11:12"),
        ({0x9003: "0000:00:00 00:00:00"}, None),
        ({0x9003: "    :  :     :  :  "}, None),
        ({0x9003: "2026:02:30 10:11:12"}, None),
        ({0x9004: "2026:05:01 10:11:12", 0x9012: "-03:30"}, "2026-05-01T10:11:12-03:30"),
        ({}, None),
    ],
)
def test_time_is_known_or_unknown_never_guessed(
    tmp_path: Path, detail: dict[int, object], expected: str | None
) -> None:
    path = save(tmp_path / "a.jpg", upright(), exif=exif_with(detail=detail))
    assert read_photo(path).taken_at == expected


def test_focal_length_of_a_cropped_photo_is_unknown(tmp_path: Path) -> None:
    whole = {0xA405: 26, 0xA002: WIDTH * 10, 0xA003: HEIGHT * 10}
    cropped = {0xA405: 26, 0xA002: WIDTH * 10, 0xA003: WIDTH * 10}
    assert read_photo(save(tmp_path / "a", upright(), exif=exif_with(detail=whole))).focal_35mm
    photo = read_photo(save(tmp_path / "b", upright(), exif=exif_with(detail=cropped)))
    assert photo.focal_35mm is None


@pytest.mark.parametrize("value", [0, (0, 0), "wide", b"\xff\xfe"])
def test_nonsense_in_exif_is_unknown(tmp_path: Path, value: object) -> None:
    block = exif_module.read_exif(None, (4, 3))
    assert block == exif_module.CameraNotes()
    assert exif_module._focal_35mm({0xA405: value}, (4, 3)) is None


@given(st.binary(max_size=200))
@settings(max_examples=60, deadline=None)
def test_broken_exif_never_raises(data: bytes) -> None:
    exif_module.read_exif(b"Exif\0\0" + data, (4, 3))
    exif_module.read_exif(b"Exif\0\0II*\0\x08\0\0\0" + data, (4, 3))


# ------------------------------------------------------------------ colour profiles


def p3_profile() -> bytes:
    """Return a Display P3 profile of our own writing (ICC.1): primaries and sRGB's curve."""

    def s15(values: list[float]) -> bytes:
        return b"".join(struct.pack(">i", round(v * 65536)) for v in values)

    curve = b"para\0\0\0\0\0\3\0\0" + s15([2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045])
    tags = [(b"wtpt", b"XYZ \0\0\0\0" + s15([0.9642, 1.0, 0.8249]))]
    for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), icc.P3_TO_PCS.T, strict=True):
        tags.append((name, b"XYZ \0\0\0\0" + s15(list(column))))
    tags += [(name, curve) for name in (b"rTRC", b"gTRC", b"bTRC")]
    tags.append((b"desc", b"desc\0\0\0\0\0\0\0\x03P3\0" + bytes(79)))
    tags.append((b"cprt", b"text\0\0\0\0none\0"))
    table, body, at = struct.pack(">I", len(tags)), b"", 128 + 4 + 12 * len(tags)
    for name, data in tags:
        data += b"\0" * (-len(data) % 4)
        table += struct.pack(">4sII", name, at, len(data))
        at += len(data)
        body += data
    head = struct.pack(">I4sI4s4s4s", at, b"\0\0\0\0", 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    head += bytes(12) + b"acsp" + bytes(28) + s15([0.9642, 1.0, 0.8249])
    return head.ljust(128, b"\0") + table + body


def all_colours() -> np.ndarray:
    levels = np.linspace(0, 255, 17).round().astype(np.uint8)
    grid = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), axis=-1)
    return np.ascontiguousarray(grid.reshape(-1, 17, 3).repeat(8, axis=1))


def by_little_cms(picture: np.ndarray, profile: bytes) -> np.ndarray:
    return np.asarray(
        ImageCms.profileToProfile(
            Image.fromarray(picture),
            ImageCms.ImageCmsProfile(io.BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    )


def test_display_p3_agrees_with_little_cms() -> None:
    # Reference: Little CMS through Pillow's ImageCms, the same profile on all colours.
    expected = by_little_cms(all_colours(), p3_profile())
    result = icc.to_srgb(all_colours(), p3_profile())
    assert np.abs(result.astype(int) - expected).max() <= 1
    assert np.abs(all_colours().astype(int) - expected).max() > 20  # the profile does matter


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_embedded_profile_is_respected(tmp_path: Path, kind: str) -> None:
    options = {"lossless": True} if kind == "WEBP" else {}
    plain = read_photo(save(tmp_path / "plain", upright(), kind, **options)).rgb
    tagged = read_photo(
        save(tmp_path / "tagged", upright(), kind, icc_profile=p3_profile(), **options)
    ).rgb
    assert np.abs(tagged.astype(int) - by_little_cms(plain, p3_profile())).max() <= 1
    assert np.abs(tagged.astype(int) - plain).max() > 8


def test_an_srgb_profile_changes_nothing(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    plain = read_photo(save(tmp_path / "a", upright()))
    tagged = read_photo(save(tmp_path / "b", upright(), icc_profile=profile))
    assert np.array_equal(plain.rgb, tagged.rgb)


def test_a_photo_in_p3_and_the_same_in_srgb_read_alike(tmp_path: Path) -> None:
    # The same colours, written in the two encodings, come out the same to within rounding.
    linear = icc.srgb_decode(upright() / 255)
    to_p3 = np.linalg.inv(icc.P3_TO_PCS) @ icc.SRGB_TO_PCS
    in_p3 = np.rint(icc.srgb_encode(linear @ to_p3.T) * 255).astype(np.uint8)
    tagged = read_photo(save(tmp_path / "a.png", in_p3, "PNG", icc_profile=p3_profile())).rgb
    assert np.abs(tagged.astype(int) - upright()).max() <= 1


def test_matrices_agree_with_colour_science() -> None:
    # Reference: colour-science's primaries and white points, adapted to D50 by Bradford.
    colour = pytest.importorskip("colour")
    d50 = colour.xy_to_XYZ(colour.RGB_COLOURSPACES["ProPhoto RGB"].whitepoint)
    for name, ours in {
        "sRGB": icc.SRGB_TO_PCS,
        "Adobe RGB (1998)": icc.ADOBE_RGB_TO_PCS,
        "Display P3": icc.P3_TO_PCS,
    }.items():
        space = colour.RGB_COLOURSPACES[name]
        white = colour.xy_to_XYZ(space.whitepoint)
        adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, d50, "Bradford")
        np.testing.assert_allclose(ours, adapt @ space.matrix_RGB_to_XYZ, atol=2e-4)


def test_srgb_curve_is_that_of_the_standard() -> None:
    # IEC 61966-2-1: the linear part ends at 0.0031308, slope 12.92; 0.5 encodes 0.2140.
    np.testing.assert_allclose(icc.srgb_decode(np.array([0.0, 0.5, 1.0])), [0, 0.21404114, 1])
    codes = np.arange(256) / 255
    np.testing.assert_allclose(icc.srgb_encode(icc.srgb_decode(codes)), codes, atol=1e-9)


@pytest.mark.parametrize("kind", range(5))
def test_parametric_curves_agree_with_little_cms(kind: int) -> None:
    # ICC.1 parametric curve types 0 to 4, against Little CMS on the same profile.
    numbers = {
        0: [1.8],
        1: [2.2, 0.95, 0.05],
        2: [2.0, 0.9, 0.05, 0.02],
        3: [2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045],
        4: [2.2, 0.9, 0.1, 0.2, 0.05, 0.0, 0.005],
    }[kind]
    body = b"".join(struct.pack(">i", round(v * 65536)) for v in numbers)
    curve = icc._curve(b"para\0\0\0\0" + struct.pack(">H", kind) + b"\0\0" + body)
    old = b"para\0\0\0\0\0\3\0\0"
    profile = p3_profile()
    if len(body) <= 20:  # fits into the place of the curve in our profile
        at = profile.index(old)
        new = b"para\0\0\0\0" + struct.pack(">H", kind) + b"\0\0" + body
        profile = profile[:at] + new.ljust(32, b"\0") + profile[at + 32 :]
        for start in range(at + 32, len(profile) - 32):
            if profile[start : start + 12] == old:
                profile = profile[:start] + new.ljust(32, b"\0") + profile[start + 32 :]
        parsed = icc.parse_profile(profile)
        np.testing.assert_allclose(parsed.curves[:, 0], curve)
        grey = np.repeat(np.arange(256, dtype=np.uint8)[:, None, None], 3, axis=2)
        expected = by_little_cms(grey.copy(), profile).astype(int)
        assert np.abs(icc.to_srgb(grey, profile).astype(int) - expected).max() <= 1
    assert (np.diff(curve) >= 0).all()


def test_a_profile_that_cannot_be_used_does_not_cost_the_photo(tmp_path: Path) -> None:
    path = save(tmp_path / "a.jpg", upright(), icc_profile=b"nonsense" * 40)
    assert np.abs(read_photo(path).rgb.astype(int) - upright()).mean() < 3


def test_adobe_rgb_named_only_by_exif(tmp_path: Path) -> None:
    block = Image.Exif()
    block.get_ifd(0x8769)[0xA001] = 0xFFFF
    block.get_ifd(0x8769)[0xA005] = {1: "R03"}
    notes = exif_module.read_exif(block.tobytes(), (4, 3))
    assert notes.adobe_rgb
    green = icc.to_srgb(np.full((64, 64, 3), (90, 140, 70), np.uint8), icc.adobe_rgb())
    assert green[0, 0, 0] < 90 - 20  # Adobe's green primary is wider: less red in sRGB


# ------------------------------------------------------------------ size, content, speed paths


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ((4000, 3000), 2),
        ((3000, 4000), 2),
        ((8064, 6048), 4),
        ((2000, 1500), 1),
        ((3400, 100), 1),
        ((3401, 100), 2),
        ((16320, 12240), 8),
        ((40000, 3000), 8),
    ],
)
def test_reduction_brings_the_longer_side_into_range(size: tuple[int, int], expected: int) -> None:
    assert reduction_for(size) == expected


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_reduction_gives_means_of_squares(tmp_path: Path, kind: str) -> None:
    photo = read_photo(save(tmp_path / "a", upright()[:118, :157], kind), reduction=2)
    assert (photo.width_px, photo.height_px) == (157, 118)
    assert photo.rgb.shape == (59, 79, 3)
    assert np.abs(photo.rgb[5, 5].astype(int) - upright()[10, 10]).max() < 6


def test_reduction_must_be_one_that_jpeg_has(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="3"):
        read_photo(save(tmp_path / "a.jpg", upright()), reduction=3)


def test_hash_is_that_of_the_file(tmp_path: Path) -> None:
    path = save(tmp_path / "a.jpg", upright())
    photo = read_photo(path)
    assert isinstance(photo, Photo)
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.path == path


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_kind_is_told_by_content_not_by_name(tmp_path: Path, kind: str) -> None:
    photo = read_photo(save(tmp_path / "photo.txt", upright(), kind))
    assert photo.kind.upper().replace("HEIC", "HEIF") == kind


def test_sixteen_bits_a_channel(tmp_path: Path) -> None:
    wide = upright().astype(np.uint16) * 257
    for name in ("a.png", "a.tif"):
        cv2.imwrite(str(tmp_path / name), wide[..., ::-1])
        assert np.abs(read_photo(tmp_path / name).rgb.astype(int) - upright()).max() <= 1


def test_maker_data_after_the_picture_is_no_damage(tmp_path: Path) -> None:
    path = save(tmp_path / "a.jpg", upright())
    path.write_bytes(path.read_bytes() + b"MAKER" + bytes(5000))
    assert read_photo(path).rgb.shape == (HEIGHT, WIDTH, 3)


@pytest.mark.parametrize("name", ["ü ö 🌱.jpg", "-rf.jpg", "two\nlines.jpg", "x" * 250, " .jpg"])
def test_odd_names(tmp_path: Path, name: str) -> None:
    assert read_photo(save(tmp_path / name, upright())).width_px == WIDTH


# ------------------------------------------------------------------ what is refused


@pytest.mark.parametrize("name", BAD)
def test_bad_files_are_refused_in_words(tmp_path: Path, name: str) -> None:
    make, words = BAD[name]
    path = tmp_path / "photo.jpg"
    path.write_bytes(make())
    assert words in refusal(path).detail


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
@pytest.mark.parametrize("reduction", [1, 2])
def test_the_picture_is_ours_to_change(tmp_path: Path, kind: str, reduction: int) -> None:
    rgb = read_photo(save(tmp_path / "a", upright(), kind), reduction=reduction).rgb
    assert rgb.flags.writeable
    assert rgb.flags.c_contiguous
    assert rgb.dtype == np.uint8


def test_a_photo_all_black_is_for_the_later_checks(tmp_path: Path) -> None:
    path = save(tmp_path / "a.jpg", np.zeros_like(upright()))
    assert read_photo(path).rgb.max() == 0


def test_a_little_padding_before_the_end_is_no_damage(tmp_path: Path) -> None:
    # Some cameras pad the end of the picture (from memory).
    data = encoded("JPEG")
    path = tmp_path / "a.jpg"
    for padding in (b"\xff\xff", b"\0\0", b"\x55" * 5):
        path.write_bytes(data[:-2] + padding + data[-2:])
        assert read_photo(path).width_px == WIDTH


def test_the_bomb_is_small() -> None:
    assert len(png_bomb(30_000)) < 20_000


def test_opaque_alpha_is_no_reason_to_refuse(tmp_path: Path) -> None:
    image = Image.fromarray(upright()).convert("RGBA")
    image.save(tmp_path / "a.png")
    assert np.array_equal(read_photo(tmp_path / "a.png").rgb, upright())


def test_folders_links_pipes_and_missing_files(tmp_path: Path) -> None:
    (tmp_path / "folder.jpg").mkdir()
    assert "folder" in refusal(tmp_path / "folder.jpg").detail
    (tmp_path / "link.jpg").symlink_to(tmp_path / "nowhere.jpg")
    assert "link to a file that is not there" in refusal(tmp_path / "link.jpg").detail
    assert "no such file" in refusal(tmp_path / "missing.jpg").detail
    (tmp_path / "loop.jpg").symlink_to(tmp_path / "loop.jpg")
    refusal(tmp_path / "loop.jpg")
    os.mkfifo(tmp_path / "pipe.jpg")
    assert "pipe" in refusal(tmp_path / "pipe.jpg").detail
    refusal(tmp_path / ("x" * 300))
    refusal(Path("nul\0byte.jpg"))


def test_refusal_names_the_file_on_one_line(tmp_path: Path) -> None:
    path = tmp_path / "two\nlines\x1b[31m.jpg"
    path.write_bytes(b"")
    line = refusal(path).line()
    assert r"two\nlines\x1b[31m.jpg" in line
    assert "Copy the original" in line


@given(data=st.binary(max_size=400), start=st.sampled_from(["", "JPEG", "PNG", "TIFF", "WEBP"]))
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, start: str
) -> None:
    good = encoded(start, Image.fromarray(upright()[:64, :64])) if start else b""
    path = tmp_path_factory.mktemp("any") / "photo"
    cut = len(good) * (len(data) % 7) // 7
    path.write_bytes(good[:cut] + data)
    with pytest.raises(PhotoRefused):
        read_photo(path)
        raise PhotoRefused("unreadable")  # reading it is as good


@given(st.binary(min_size=0, max_size=64))
def test_every_beginning_has_a_kind_or_words(head: bytes) -> None:
    assert bool(kind_of(head)) or words_for(head)


def test_a_picture_too_long_to_be_warped_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "long.png"
    Image.new("RGB", (1_100_000, 64), (10, 200, 30)).save(path)
    with pytest.raises(PhotoRefused, match="too long to be a photo") as refused:
        read_photo(path)
    assert refused.value.reason == "unreadable"


def test_a_tiff_is_reduced_in_strips_as_it_would_be_whole(tmp_path: Path) -> None:
    pixels = np.random.default_rng(4).integers(0, 255, (1501, 1203, 3), np.uint8)
    Image.fromarray(pixels).save(tmp_path / "a.tif")
    Image.fromarray(pixels).save(tmp_path / "a.png")
    for reduction in (1, 2, 4, 8):
        tiff = read_photo(tmp_path / "a.tif", reduction=reduction).rgb
        np.testing.assert_array_equal(tiff, read_photo(tmp_path / "a.png", reduction=reduction).rgb)


@pytest.mark.parametrize("pixels", [(9000, 9000)])
def test_a_tiff_that_would_fill_the_memory_is_refused(
    tmp_path: Path, pixels: tuple[int, int]
) -> None:
    path = tmp_path / "large.tif"
    Image.new("RGB", pixels).save(path, compression="tiff_lzw")
    with pytest.raises(PhotoRefused, match="too large"):
        read_photo(path)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="looks at /proc")
def test_the_largest_tiff_that_is_read_takes_less_than_a_gigabyte(tmp_path: Path) -> None:
    side = int(TIFF_PIXELS_MAX**0.5)
    path = tmp_path / "large.tif"
    Image.new("RGB", (side, side), (30, 90, 40)).save(path)  # uncompressed: 240 MB to hold
    code = (
        "import sys; from lawnscore.photo.read import read_photo\n"
        "read_photo(sys.argv[1])\n"
        "lines = open('/proc/self/status').read().splitlines()\n"
        "print(next(line.split()[1] for line in lines if line.startswith('VmHWM:')))"
    )
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(
        [sys.executable, "-c", code, path], capture_output=True, text=True, check=True, env=env
    )
    assert int(done.stdout) * 1024 < 1_000_000_000
