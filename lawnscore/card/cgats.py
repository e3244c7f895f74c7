"""Read and write measured colours as CGATS.17 text (ISO 28178).

Columns LAB, XYZ, RGB or spectral reflectance; the sample's name or id names the patch. Lab and
XYZ are D50, 2 degree observer, as the graphic arts have it, unless the header names D65.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import (
    D50,
    D65,
    decode_srgb,
    lab_to_xyz,
    linear_to_lab_d50,
    xyz_to_linear,
)
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_whole

Array = NDArray[np.float64]

_NAME_FIELDS = ("SAMPLE_NAME", "SAMPLENAME", "SAMPLE_LOC", "SAMPLE_ID", "SAMPLEID")
_SPECTRAL = re.compile(r"(?:SPECTRAL_(?:NM)?_?|NM_?|R_?|SPEC_)(\d{3})$")


@dataclass(frozen=True, eq=False)
class CgatsTable:
    """Samples of one file: header words, sample names, linear sRGB (D65) ``(n, 3)``."""

    header: dict[str, str]
    names: tuple[str, ...]
    linear_srgb: Array


def _words(line: str, number: int, path: Path) -> list[str]:
    try:
        return shlex.split(line, comments=True, posix=True)
    except ValueError:
        raise LawnscoreError(
            "a quotation mark is not closed", "Close it.", f"{path}, line {number}"
        ) from None


@dataclass(frozen=True, eq=False)
class _Lines:
    header: dict[str, str]
    fields: list[str]
    rows: list[tuple[int, list[str]]]


def _split(text: str, path: Path) -> _Lines:
    """Sort the lines of the first table into header, field names and rows."""
    header: dict[str, str] = {}
    fields: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    place = "header"
    for number, line in enumerate(text.splitlines(), start=1):
        words = _words(line, number, path)
        if not words:
            continue
        key = words[0].upper()
        if key in {"BEGIN_DATA_FORMAT", "BEGIN_DATA"}:
            place = "fields" if key == "BEGIN_DATA_FORMAT" else "rows"
        elif key in {"END_DATA_FORMAT", "END_DATA"}:
            place = "header"
            if key == "END_DATA":
                break
        elif place == "fields":
            fields += [w.upper() for w in words]
        elif place == "rows":
            rows.append((number, words))
        elif len(words) > 1:
            header[key] = " ".join(words[1:])
    if not fields or not rows:
        raise LawnscoreError(
            "not CGATS text: BEGIN_DATA_FORMAT or BEGIN_DATA is missing",
            "Export the measurements as CGATS.17 text.",
            path,
        )
    return _Lines(header, fields, rows)


def _numbers(lines: _Lines, columns: list[int], path: Path) -> Array:
    found = []
    for number, words in lines.rows:
        place = f"{path}, line {number}"
        if len(words) != len(lines.fields):
            raise LawnscoreError(
                f"{len(words)} values for {len(lines.fields)} columns",
                "Give each row one value a column.",
                place,
            )
        try:
            found.append([float(words[c].replace(",", ".")) for c in columns])
        except ValueError:
            bad = next(words[c] for c in columns if not _is_number(words[c]))
            raise LawnscoreError(f"`{bad}` is not a number", "Mend the value.", place) from None
    return np.array(found)


def _is_number(word: str) -> bool:
    try:
        float(word.replace(",", "."))
    except ValueError:
        return False
    return True


def _columns(fields: list[str], names: Iterable[str]) -> list[int] | None:
    names = list(names)
    return [fields.index(n) for n in names] if all(n in fields for n in names) else None


def _linear(lines: _Lines, path: Path) -> Array:
    """Return linear sRGB from the best columns there are."""
    white = D65 if "D65" in " ".join(lines.header.values()).upper() else D50
    spectral = {
        int(m.group(1)): n for n, f in enumerate(lines.fields) if (m := _SPECTRAL.fullmatch(f))
    }
    if len(spectral) >= 16:
        order = sorted(spectral)
        values = _numbers(lines, [spectral[nm] for nm in order], path)
        return _from_spectra(np.array(order, dtype=np.float64), values)
    lab = _columns(lines.fields, ("LAB_L", "LAB_A", "LAB_B"))
    if lab:
        return xyz_to_linear(lab_to_xyz(_numbers(lines, lab, path), white), white)
    xyz = _columns(lines.fields, ("XYZ_X", "XYZ_Y", "XYZ_Z"))
    if xyz:
        values = _numbers(lines, xyz, path)
        return xyz_to_linear(values / (100.0 if values.max() > 2.0 else 1.0), white)
    rgb = _columns(lines.fields, ("RGB_R", "RGB_G", "RGB_B"))
    if rgb:
        values = _numbers(lines, rgb, path)
        top = 255.0 if values.max() > 100.0 else 100.0 if values.max() > 1.0 else 1.0
        return decode_srgb(values / top)
    raise LawnscoreError(
        f"no colour columns among: {', '.join(lines.fields)}",
        "Export LAB_L LAB_A LAB_B, XYZ_X XYZ_Y XYZ_Z, RGB_R RGB_G RGB_B or spectral data.",
        path,
    )


def _from_spectra(nm: Array, values: Array) -> Array:
    """Return linear sRGB of reflectances under D50, 2 degree observer (CIE 15)."""
    from lawnscore.card.observer import d50_weights

    share = values / (100.0 if values.max() > 2.0 else 1.0)
    return xyz_to_linear(share @ d50_weights(nm), D50)


def read_cgats(text: str, path: Path) -> CgatsTable:
    """Return the samples of CGATS.17 text.

    Raises
    ------
    LawnscoreError
        With file and line when the text is not a table of colours.
    """
    lines = _split(text, path)
    name_field = next((f for f in _NAME_FIELDS if f in lines.fields), None)
    if name_field is None:
        raise LawnscoreError("no column names the samples", "Add SAMPLE_NAME or SAMPLE_ID.", path)
    linear = _linear(lines, path)
    column = lines.fields.index(name_field)
    names = tuple(words[column] for _, words in lines.rows)
    return CgatsTable(lines.header, names, linear)


def write_cgats(
    path: Path, names: Iterable[str], linear_srgb: Array, *, header: dict[str, str]
) -> None:
    """Write colours as CGATS.17 text: Lab under D50, 2 degree observer."""
    rows = list(zip(names, linear_to_lab_d50(linear_srgb), strict=True))
    out = ["CGATS.17", *(f'{key} "{value}"' for key, value in header.items())]
    out += ['WEIGHTING_FUNCTION "ILLUMINANT, D50"', 'WEIGHTING_FUNCTION "OBSERVER, 2 degree"']
    out += ["NUMBER_OF_FIELDS 5", "BEGIN_DATA_FORMAT"]
    out += ["SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B", "END_DATA_FORMAT"]
    out += [f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA"]
    out += [
        f'{n} "{name}" {lab[0]:.3f} {lab[1]:.3f} {lab[2]:.3f}'
        for n, (name, lab) in enumerate(rows, start=1)
    ]
    out += ["END_DATA", ""]
    write_whole(path, "\n".join(out).encode("utf-8"))
