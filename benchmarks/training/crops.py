"""Crops of the worlds on the device that trains: turned, scaled, flipped, with their truth."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import torch
from torch.nn import functional as F  # noqa: N812  (its usual name)

from benchmarks.training.network import CELL_PX
from benchmarks.training.worlds import MADE, MM_PER_PX, World, kept_back

CROP_PX = 256
CELLS = CROP_PX // CELL_PX
CELL_MM = CELL_PX * MM_PER_PX
SHARE = {"rendered": 0.36, "sketched": 0.3, "field": 0.22, "wheat": 0.08, "texture": 0.04}
"""How often a crop comes from a world."""
SHARE_CASTS = {"rendered": 0.42, "sketched": 0.42, "field": 0.1, "wheat": 0.04, "texture": 0.02}
"""The same where casts alone are learned: photographs serve as ground without any."""
STEP = {"rendered": (0.75, 1.3), "sketched": (0.75, 1.3), "field": (0.55, 1.3),
        "wheat": (0.8, 1.6), "texture": (0.7, 1.3)}  # fmt: skip
"""Source pixels a ground pixel, lowest and highest."""
NOMINAL_STEP = {"field": 0.87, "wheat": 1.0}


@dataclass(eq=False)
class OnDevice:
    """A world on the device, with the numbers of the pictures to train on."""

    name: str
    rgb: torch.Tensor
    label: torch.Tensor
    shade: torch.Tensor | None
    casts: torch.Tensor
    train: np.ndarray
    held: np.ndarray


def put(name: str, world: World, device: str, *, without: bool, hold: bool) -> OnDevice:
    """Move a world to the device and part its groups."""
    back = kept_back(name, world.group)
    n = np.arange(len(world.rgb))
    train = n if not (hold or without) else n[~back]
    if without:
        train, back = n[:0], np.ones(len(n), bool)
    made = name in MADE  # no photograph has known casts
    return OnDevice(
        name,
        torch.from_numpy(world.rgb).permute(0, 3, 1, 2).contiguous().to(device),
        torch.from_numpy(world.label).unsqueeze(1).to(device),
        None if world.shade is None else torch.from_numpy(world.shade).unsqueeze(1).to(device),
        torch.from_numpy(world.casts if made else world.casts[:, :1]).to(device), train, n[back],
    )  # fmt: skip


def grown(world: OnDevice, more: World) -> OnDevice:
    """Return a made world with further scenes, all of them to train on."""
    n, device = np.arange(len(more.rgb)), world.rgb.device
    new = put(world.name, more, str(device), without=False, hold=False)
    joined = {
        k: torch.cat([getattr(world, k), getattr(new, k)])
        for k in ("rgb", "label", "shade", "casts")
    }
    return OnDevice(
        world.name, **joined, train=np.r_[world.train, len(world.rgb) + n], held=world.held
    )


def decode(rgb: torch.Tensor) -> torch.Tensor:
    """Return linear light of sRGB 0 to 1 (IEC 61966-2-1)."""
    return torch.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055).clamp(min=1e-6) ** 2.4)


@dataclass(eq=False)
class Batch:
    """Crops on the device.

    Parameters
    ----------
    linear
        (B, H, W, 3) linear sRGB.
    label
        (B, H, W) number of the surface.
    heat
        (B, cells, cells) a bump at the middle of each cast.
    shade, shade_known
        (B, cells, cells) cast shade, (B,) 1 where somebody said it.
    corrected
        (B,) bool: whether a card corrected the colours.
    """

    linear: torch.Tensor
    label: torch.Tensor
    heat: torch.Tensor
    shade: torch.Tensor
    shade_known: torch.Tensor
    corrected: torch.Tensor

    def take(self, other: Batch) -> None:
        """Take the values of another batch of the same shape, and stay where this is."""
        for field in fields(self):
            getattr(self, field.name).copy_(getattr(other, field.name))


def crops(
    world: OnDevice, ids: np.ndarray, rng: np.random.Generator, *, plain: bool, px: int = CROP_PX
) -> Batch:
    """Return crops of pictures, turned, scaled and flipped at random, or the plain middle."""
    device, n, cells = world.rgb.device, len(ids), px // CELL_PX
    side = world.rgb.shape[-1]
    if plain:
        step = np.full(n, NOMINAL_STEP.get(world.name, 1.0))
        turn, flip, shift = np.zeros(n), np.ones(n), np.zeros((n, 2))
    else:
        step = np.exp(rng.uniform(*np.log(STEP[world.name]), n))
        turn = rng.uniform(0, 2 * np.pi, n)
        flip = rng.choice([-1.0, 1.0], n)
        shift = rng.uniform(-1, 1, (n, 2)) * np.maximum(side - px * step, 0.15 * side)[:, None] / 2
    half = px * step / side
    c, s = half * np.cos(turn), half * np.sin(turn)
    said = np.column_stack(
        [c * flip, -s, 2 * shift[:, 0] / side, s * flip, c, 2 * shift[:, 1] / side, step]
    )
    moved = torch.from_numpy(said.astype(np.float32)).to(device)
    theta = moved[:, :6].reshape(n, 2, 3)
    grid = F.affine_grid(theta, [n, 1, px, px], align_corners=False)
    index = torch.from_numpy(ids).to(device)
    rgb = F.grid_sample(
        world.rgb[index].float() / 255, grid, padding_mode="reflection", align_corners=False
    )
    label = F.grid_sample(world.label[index].float(), grid, mode="nearest",
                          padding_mode="reflection", align_corners=False)[:, 0]  # fmt: skip
    if world.shade is None:
        shade, known = torch.zeros(n, cells, cells, device=device), torch.zeros(n, device=device)
    else:
        coarse = F.affine_grid(theta, [n, 1, cells, cells], align_corners=False)
        shade = F.grid_sample(world.shade[index].float() / 255, coarse,
                              padding_mode="reflection", align_corners=False)[:, 0]  # fmt: skip
        known = torch.ones(n, device=device)
    heat = cast_heat(world.casts[index], theta, side, moved[:, 6], cells)
    corrected = torch.full((n,), world.name in MADE, device=device)
    return Batch(decode(rgb.clamp(0, 1)).permute(0, 2, 3, 1), label, heat, shade, known, corrected)


def cast_heat(
    casts: torch.Tensor, theta: torch.Tensor, side: int, step: torch.Tensor, cells: int
) -> torch.Tensor:
    """Return (B, cells, cells): a bump at the middle of each cast (x, y, diameter in mm)."""
    place = 2 * casts[..., :2] / MM_PER_PX / side - 1  # in the picture, -1 to 1
    (a, b, x0), (c, d, y0) = theta[:, 0].T, theta[:, 1].T
    x, y = place[..., 0] - x0[:, None], place[..., 1] - y0[:, None]
    area = (a * d - b * c)[:, None]
    inner = torch.stack(
        [d[:, None] * x - b[:, None] * y, a[:, None] * y - c[:, None] * x], -1
    ) / area[..., None]  # fmt: skip
    at = (inner + 1) * cells / 2
    sigma = (casts[..., 2] / CELL_MM / 5 / step[:, None]).clamp(min=0.9)
    line = torch.arange(cells, device=casts.device) + 0.5
    across, down = (
        torch.exp(-((line - at[..., k : k + 1]) ** 2) / (2 * sigma[..., None] ** 2)) for k in (0, 1)
    )
    return (down[..., :, None] * across[..., None, :]).nan_to_num(0.0).amax(1)


def joined(parts: list[Batch]) -> Batch:
    """Return batches as one."""
    return Batch(*(torch.cat([getattr(p, f.name) for p in parts]) for f in fields(Batch)))


def draw(
    worlds: list[OnDevice],
    n: int,
    rng: np.random.Generator,
    often: dict[str, float],
    times: int = 1,
) -> list[Batch]:
    """Return batches of `n` crops of all worlds; drawn together, several cost little more."""
    share = np.array([often[w.name] for w in worlds])
    counts = rng.multinomial(n * times, share / share.sum())
    batch = joined(
        [
            crops(world, rng.choice(world.train, count), rng, plain=False)
            for world, count in zip(worlds, counts, strict=True)
            if count
        ]
    )
    order = torch.from_numpy(rng.permutation(n * times)).to(batch.label.device)
    return [
        Batch(*(getattr(batch, f.name)[part] for f in fields(Batch))) for part in order.split(n)
    ]
