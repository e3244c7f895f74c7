"""What is done to a batch so that no look of a world is learned by heart.

Everything here is drawn and done on the device, without a number that comes back from it, so that
a step can be recorded once and replayed.
"""

from __future__ import annotations

import torch
from torch.nn import functional as F  # noqa: N812  (its usual name)

from benchmarks.training.crops import Batch
from benchmarks.training.network import CELL_PX, luminance

MIXED = 0.22
"""Crops whose leaf or litter is laid on another crop's ground."""
RESTYLED = 0.3
"""Crops whose surfaces each get colours of their own."""
FREE = 0.12
"""Crops whose colours are varied as if no card had corrected them."""
SHADOW_REACH = 5


def augmented(batch: Batch, often: float = RESTYLED) -> Batch:
    """Return a batch with colours, sharpness and what lies on what varied."""
    linear = restyled(batch.linear, batch.label, often)
    linear = recoloured(linear, batch.corrected)
    new = mixed(
        Batch(
            linear, batch.label, batch.heat, batch.shade, batch.shade_known, batch.corrected
        )
    )  # fmt: skip
    new.linear = softened(new.linear)
    return new


def recoloured(linear: torch.Tensor, corrected: torch.Tensor) -> torch.Tensor:
    """Vary gain, tint, saturation and gamma: little where a card corrected the colours."""
    b, device = len(linear), linear.device
    free = torch.rand(b, device=device) < FREE
    wide = torch.where(corrected & ~free, 0.15, 1.0)[:, None, None, None]

    def normal(*shape: int) -> torch.Tensor:
        return torch.randn(b, *shape, device=device)

    gain = torch.exp(0.3 * wide * normal(1, 1, 1))
    tint = torch.exp(0.06 * wide * normal(1, 1, 3))
    out = linear * gain * tint
    out = (out + 1e-5) ** torch.exp(0.12 * wide * normal(1, 1, 1))
    grey = luminance(out)[..., None]
    out = grey + (out - grey) * (1 + 0.2 * wide * normal(1, 1, 1)).clamp(0.4, 1.7)
    out = out + 0.004 * wide * normal(1, 1, 3)
    noise = 0.012 * torch.rand(b, 1, 1, 1, device=device) * torch.randn_like(out)
    return (out + noise * (out.clamp(min=0) + 0.01).sqrt()).clamp(0, 1.4)


def restyled(linear: torch.Tensor, label: torch.Tensor, often: float = RESTYLED) -> torch.Tensor:
    """Give leaf, straw, soil and litter of some crops other colours, each its own.

    Then colour alone says less, and shape and grain must say the rest. The masks are softened:
    a hard edge would tell where they end.
    """
    b, device = len(linear), linear.device
    which = (torch.rand(b, 1, 1, device=device) < often).float()
    gain = torch.exp(0.22 * torch.randn(b, 4, 1, device=device)
                     + 0.07 * torch.randn(b, 4, 3, device=device))  # fmt: skip
    rich = 1 + 0.25 * torch.randn(b, 4, 1, device=device)
    own = torch.cat([gain - 1, rich - 1], 2) * which
    masks = [label == 0, label == 1, (label == 2) | (label == 3), label == 4]
    soft = F.avg_pool2d(torch.stack([m.float() for m in masks], 1), 3, 1, 1)
    change = torch.einsum("bkhw,bkc->bhwc", soft, own)
    grey = luminance(linear)[..., None]
    out = grey + (linear - grey) * (1 + change[..., 3:]).clamp(0.3, 1.8)
    return (out * (1 + change[..., :3])).clamp(0, 1.4)


def softened(linear: torch.Tensor) -> torch.Tensor:
    """Blur some crops and sharpen others: not every photo is as sharp."""
    picture = linear.permute(0, 3, 1, 2)
    soft = F.avg_pool2d(F.pad(picture, (1, 1, 1, 1), mode="reflect"), 3, 1)
    part = (torch.rand(len(linear), 1, 1, 1, device=linear.device) * 2.0 - 0.9).clamp(-0.4, 1)
    return (picture + part * (soft - picture)).clamp(0, 1.4).permute(0, 2, 3, 1)


def mixed(batch: Batch) -> Batch:
    """Lay what is leaf, straw or litter in a crop over the ground of another, with its shadow."""
    (b, rows, cols), device = batch.label.shape, batch.label.device
    order = torch.rand(b, device=device).argsort()
    which = torch.rand(b, device=device) < MIXED
    top = torch.rand(b, 1, 1, device=device)
    over = (
        (batch.label == 0)
        | ((batch.label == 1) & (top < 0.45))
        | ((batch.label == 4) & (top < 0.7))
    )
    over = over & ~((batch.label == 0) & (top > 0.9))
    over = (over & which[:, None, None]).float()
    below, label, heat = batch.linear[order], batch.label[order], batch.heat[order]
    down, right = torch.randint(-SHADOW_REACH, SHADOW_REACH + 1, (2, 1), device=device)
    thrown = over[:, (torch.arange(rows, device=device) + down) % rows]
    thrown = thrown[:, :, (torch.arange(cols, device=device) + right) % cols]
    thrown = F.avg_pool2d(thrown.unsqueeze(1), 5, 1, 2)[:, 0]
    dark = 1 - thrown * torch.rand(b, 1, 1, device=device) * 0.75
    use = which[:, None, None].float()
    inside = over[..., None]
    linear = batch.linear * (1 - use[..., None]) + use[..., None] * (
        inside * batch.linear + (1 - inside) * below * dark[..., None])  # fmt: skip
    new = torch.where(over > 0, batch.label, label)
    new = torch.where(which[:, None, None], new, batch.label)
    hidden = F.avg_pool2d(over.unsqueeze(1), CELL_PX)[:, 0]
    heat = torch.where(which[:, None, None], heat * (hidden < 0.6), batch.heat)
    known = batch.shade_known * (~which)
    return Batch(linear, new, heat, batch.shade, known, batch.corrected)
