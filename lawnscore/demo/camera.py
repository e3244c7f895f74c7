"""Daylight and phone-like cameras.

A camera is three spectral responses (sums of Gaussian bands behind an infrared cut) and the
processing of a phone: white balance with an error, a 3 x 3 matrix fitted to leaves, soils and
inks under D55, saturation, exposure, local tone mapping, a tone curve, blur, noise, sharpening,
vignetting and JPEG. Responses are invented; they stand for no product. Cameras of the family
``train`` differ from those of ``report`` so that a method is reported on cameras it never saw.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field

import numpy as np

from lawnscore.card.colourspace import LUMINANCE
from lawnscore.demo import spectra
from lawnscore.demo.spectra import WAVELENGTHS_NM, Floats


@dataclass(frozen=True)
class Light:
    """Daylight on the lawn.

    Parameters
    ----------
    sun_elevation_deg, sun_azimuth_deg
        Where the sun stands; the azimuth is where its light comes from, in the frame of the
        scene, from +x towards +y.
    sun_share
        Share of the light on level ground that comes straight from the sun: 0 overcast, 0.85
        clear.
    sun_cct_k, sky_cct_k
        Correlated colour temperatures; the sun 2500 to 6500 K, the sky 4000 to 25000 K.
    shade
        ``none``, ``edge`` (one straight shadow edge), ``dapple`` (under a tree).
    shade_share, shade_soft_mm, shade_angle_deg
        Share of the ground in shade, width of the half-shadow, direction of the edge.
    shade_green
        0 to 1: how far the light in the shade has passed through leaves.
    shade_seed
        Of the dapple: the same seed, the same dapple at the same place.
    shade_at_mm
        Where a straight edge lies when it shades one half, in the frame of the scene.
    """

    sun_elevation_deg: float = 45.0
    sun_azimuth_deg: float = 200.0
    sun_share: float = 0.0
    sun_cct_k: float = 5300.0
    sky_cct_k: float = 6500.0
    shade: str = "none"
    shade_share: float = 0.0
    shade_soft_mm: float = 12.0
    shade_angle_deg: float = 30.0
    shade_green: float = 0.0
    shade_seed: int = 0
    shade_at_mm: tuple[float, float] = (1000.0, 800.0)

    def sun_spectrum(self) -> Floats:
        """Spectrum of the sun's light on level ground, (31,), luminance ``sun_share``."""
        return self.sun_share * spectra.low_sun(self.sun_cct_k)

    def sky_spectrum(self) -> Floats:
        """Spectrum of the sky's light on level ground, (31,), luminance 1 - ``sun_share``."""
        return (1.0 - self.sun_share) * spectra.daylight(self.sky_cct_k)

    def total_spectrum(self) -> Floats:
        """Spectrum of all light on open level ground, (31,), luminance 1."""
        return self.sun_spectrum() + self.sky_spectrum()

    def as_d65(self) -> WhiteLight:
        """Return light of the same strengths and directions whose colour is D65 throughout."""
        return WhiteLight(**asdict(self))

    def sun_direction(self) -> Floats:
        """Unit vector (x, y, up) towards the sun."""
        e, a = np.deg2rad(self.sun_elevation_deg), np.deg2rad(self.sun_azimuth_deg)
        return np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])


@dataclass(frozen=True)
class WhiteLight(Light):
    """Sun and sky both of the colour of D65: what a perfect colour correction would show."""

    def sun_spectrum(self) -> Floats:
        """Spectrum of the sun's light on level ground, (31,)."""
        return self.sun_share * spectra.daylight(6504.0)

    def sky_spectrum(self) -> Floats:
        """Spectrum of the sky's light on level ground, (31,)."""
        return (1.0 - self.sun_share) * spectra.daylight(6504.0)


@dataclass(frozen=True)
class Bands:
    """Spectral responses: per channel a list of (centre nm, width nm, height)."""

    red: tuple[tuple[float, float, float], ...]
    green: tuple[tuple[float, float, float], ...]
    blue: tuple[tuple[float, float, float], ...]
    cut_nm: float = 675.0

    def response(self) -> Floats:
        """Return the responses, (31, 3), each channel with sum 1."""
        cut = 1.0 / (1.0 + np.exp((WAVELENGTHS_NM - self.cut_nm) / 8.0))
        columns = []
        for bands in (self.red, self.green, self.blue):
            total = np.zeros(spectra.N_WAVELENGTHS)
            for centre, width, height in bands:
                total += height * np.exp(-0.5 * ((WAVELENGTHS_NM - centre) / width) ** 2)
            columns.append(total * cut / float((total * cut).sum()))
        return np.column_stack(columns)


@dataclass(frozen=True)
class Camera:
    """A camera and how it is set for one photo.

    Parameters
    ----------
    name, family, bands
        Identity and responses.
    focal_35mm
        Focal length, 35 mm equivalent by the diagonal (43.27 mm).
    white_balance
        Factors on red, green, blue that are wrong in the white balance; (1, 1, 1) is right.
    saturation
        1 as fitted, above 1 more colourful.
    exposure_ev
        Stops above or below the automatic exposure.
    tone
        Strength of the S-shaped tone curve, 0 (plain sRGB) to 1.
    local_tone
        Strength of local tone mapping, 0 to 0.5.
    blur_px, motion_px
        Standard deviation of lens blur; length of a motion blur.
    noise
        Standard deviation at middle grey in linear light.
    sharpen, vignetting
        Amount of unsharp masking; loss of light in the corners (0 to 0.5).
    jpeg_quality, chroma
        JPEG quality and ``4:2:0`` or ``4:4:4``.
    """

    name: str = "train-a"
    family: str = "train"
    bands: Bands = field(default_factory=lambda: _BODIES["train-a"])
    focal_35mm: float = 26.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    saturation: float = 1.1
    exposure_ev: float = 0.0
    tone: float = 0.5
    local_tone: float = 0.15
    blur_px: float = 0.7
    motion_px: float = 0.0
    noise: float = 0.008
    sharpen: float = 0.5
    vignetting: float = 0.15
    jpeg_quality: int = 90
    chroma: str = "4:2:0"

    def to_linear(self, light: Light) -> Floats:
        """Return the matrix (31, 3) from radiance to processed linear RGB under this light.

        A perfect white on open level ground is (1, 1, 1) when the white balance is right.
        """
        raw = self.bands.response()
        white = light.total_spectrum() @ raw
        balanced = raw / white * np.asarray(self.white_balance)
        return np.asarray(balanced @ _colour_matrix(self.bands, self.saturation))


def _colour_matrix(bands: Bands, saturation: float) -> Floats:
    """Return the 3 x 3 (rows in, columns out) fitted to natural reflectances under D55."""
    samples = _fitting_reflectances()
    light = spectra.daylight(5500.0)
    raw = bands.response()
    seen = (samples * light) @ raw / (light @ raw)
    wanted = spectra.to_linear_srgb(samples)
    # White must stay white: fit the colour differences, then close each column to 1.
    weight = 1.0 / (0.05 + wanted.mean(axis=1, keepdims=True))
    rows = np.vstack([seen * weight, 100.0 * np.ones((1, 3))])
    target = np.vstack([wanted * weight, 100.0 * np.ones((1, 3))])
    matrix = np.linalg.lstsq(rows, target, rcond=None)[0]
    luma = np.tile(LUMINANCE[:, None], (1, 3))
    return np.asarray(matrix @ (saturation * np.eye(3) + (1.0 - saturation) * luma))


def _fitting_reflectances() -> Floats:
    rows = [spectra.leaf(c) for c in (0.5, 1.0, 2.0, 4.0)]
    rows += [spectra.straw(p) for p in (0.5, 1.5)]
    rows += [spectra.soil(h, goethite=g, haematite=r) for h, g, r in
             ((1.5, 0.6, 0.2), (0.3, 1.0, 0.9), (0.1, 0.3, 0.05))]  # fmt: skip
    rows += [np.full(spectra.N_WAVELENGTHS, v) for v in (0.04, 0.2, 0.8)]
    for centre in (420, 460, 500, 540, 580, 620, 660):  # broad bands stand for inks and flowers
        band = np.exp(-0.5 * ((WAVELENGTHS_NM - centre) / 40.0) ** 2)
        rows += [0.05 + 0.5 * band, 0.6 - 0.5 * band]
    return np.array(rows)


_BODIES: dict[str, Bands] = {
    "train-a": Bands(((600, 34, 1.0), (540, 30, 0.12)), ((532, 38, 1.0),), ((456, 27, 1.0),)),
    "train-b": Bands(((608, 30, 1.0), (450, 20, 0.05)), ((538, 42, 1.0), (600, 30, 0.12)),
                     ((462, 30, 1.0), (530, 30, 0.08)), 665.0),
    "train-c": Bands(((594, 38, 1.0), (545, 26, 0.25)), ((526, 40, 1.0), (460, 25, 0.1)),
                     ((450, 25, 1.0),), 682.0),
    "train-d": Bands(((604, 40, 1.0),), ((542, 36, 1.0),),
                     ((468, 28, 1.0), (540, 40, 0.12)), 670.0),
    "train-e": Bands(((590, 32, 0.9), (630, 24, 0.5)), ((530, 34, 1.0), (570, 30, 0.25)),
                     ((445, 24, 0.9), (475, 20, 0.5)), 678.0),
    "report-a": Bands(((597, 36, 1.0), (530, 40, 0.15)), ((535, 44, 1.0),),
                      ((459, 31, 1.0),), 672.0),
    "report-b": Bands(((612, 33, 1.0), (560, 24, 0.2)), ((524, 36, 1.0), (590, 26, 0.18)),
                      ((453, 23, 1.0), (510, 25, 0.15)), 685.0),
    "report-c": Bands(((602, 28, 1.0),), ((545, 40, 1.0), (455, 22, 0.08)),
                      ((465, 26, 1.0),), 662.0),
    "report-d": Bands(((588, 40, 1.0), (440, 25, 0.06)), ((529, 32, 1.0), (565, 36, 0.2)),
                      ((448, 29, 1.0),), 680.0),
}  # fmt: skip

_FOCAL_35MM = {"a": 26.0, "b": 24.0, "c": 28.0, "d": 25.0, "e": 27.0}

CAMERAS: dict[str, Camera] = {
    name: Camera(
        name=name, family=name.split("-")[0], bands=bands, focal_35mm=_FOCAL_35MM[name[-1]]
    )
    for name, bands in _BODIES.items()
}
"""Cameras by name: five for training and four for reporting."""
