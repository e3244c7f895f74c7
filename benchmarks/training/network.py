"""The network of the class stage as a PyTorch module; the arithmetic is that of `photo/class_net`.

Batch normalisation steadies the training and is folded into the convolutions when the weights
leave. Most of the network lies at its coarse levels, where a convolution costs little.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F  # noqa: N812  (its usual name)

CELL_PX = 4
N_SHARES = 5
N_OUT = 7
HIDDEN = 32
LEARNED = 3
CAST = 12
DEEP = 2
MIDDLE = 0.5
"""Taken off the channels in training: sums of numbers that are all positive kill thresholds."""


def luminance(linear: torch.Tensor) -> torch.Tensor:
    """Return the luminance (...) of linear sRGB (..., 3) (IEC 61966-2-1)."""
    red, green, blue = linear.unbind(-1)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@dataclass(frozen=True)
class Widths:
    """Channels of the four levels, and of the finest on the way back up."""

    levels: tuple[int, int, int, int] = (24, 32, 72, 112)
    fine: int = 16


def norm_conv(n_in: int, n_out: int, size: int, stride: int = 1) -> nn.Sequential:
    """Return a convolution and its normalisation."""
    pad = 1 if size == 3 else 0
    return nn.Sequential(
        nn.Conv2d(n_in, n_out, size, stride, pad, bias=False), nn.BatchNorm2d(n_out)
    )


class CastBranch(nn.Module):
    """Middles of casts, from the first layer and from what the U knows at 10 mm.

    A cast is a shape, and rare: with weights of its own it neither bends the shares nor is bent
    by them.
    """

    def __init__(self, widths: Widths) -> None:
        super().__init__()
        first, second, *_ = widths.levels
        self.up, self.skip = norm_conv(second, CAST, 1), norm_conv(first, CAST, 1)
        self.c1, self.c2 = norm_conv(CAST, CAST, 3), norm_conv(CAST, CAST, 3)
        self.head = nn.Conv2d(CAST, 1, 1)

    def forward(self, cells: torch.Tensor, y2: torch.Tensor) -> torch.Tensor:
        """Return (B, 1, H, W) logits of cast middles."""
        x = F.relu(F.interpolate(self.up(y2), scale_factor=2.0) + self.skip(cells))
        return self.head(F.relu(self.c2(F.relu(self.c1(x)))))


class Rest(nn.Module):
    """What follows the first layer: a U of convolutions over cells of 5, 10, 20 and 40 mm."""

    def __init__(self, widths: Widths) -> None:
        super().__init__()
        a, b, c, d = widths.levels
        fine = widths.fine
        self.d2, self.d3, self.d4 = (
            norm_conv(a, b, 2, 2),
            norm_conv(b, c, 2, 2),
            norm_conv(c, d, 2, 2),
        )
        self.e2 = nn.ModuleList([norm_conv(b, b, 3)])
        self.e3 = nn.ModuleList([norm_conv(c, c, 3) for _ in range(DEEP)])
        self.e4 = nn.ModuleList([norm_conv(d, d, 3) for _ in range(DEEP)])
        self.u3, self.u2, self.u1 = norm_conv(d, c, 1), norm_conv(c, b, 1), norm_conv(b, fine, 1)
        self.skip = norm_conv(a, fine, 1)
        self.f3, self.f2, self.f1 = norm_conv(c, c, 3), norm_conv(b, b, 3), norm_conv(fine, fine, 3)
        self.head = nn.Conv2d(fine, N_OUT - 1, 1)
        self.casts = CastBranch(widths)

    def forward(
        self, cells: torch.Tensor, context: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Return (B, 7, H, W), what is known at 10 mm on the way back up and what lies deepest."""
        x2 = F.relu(self.d2(cells))
        for layer in self.e2:
            x2 = F.relu(layer(x2))
        x3 = F.relu(self.d3(x2) + context)
        for layer in self.e3:
            x3 = F.relu(layer(x3))
        x4 = F.relu(self.d4(x3))
        for layer in self.e4:
            x4 = F.relu(layer(x4))
        y3 = F.relu(self.f3(F.relu(F.interpolate(self.u3(x4), scale_factor=2.0) + x3)))
        y2 = F.relu(self.f2(F.relu(F.interpolate(self.u2(y3), scale_factor=2.0) + x2)))
        y1 = F.relu(
            self.f1(F.relu(F.interpolate(self.u1(y2), scale_factor=2.0) + self.skip(cells)))
        )
        out = self.head(y1)
        said = torch.cat([out[:, :N_SHARES], self.casts(cells, y2), out[:, N_SHARES:]], 1)
        return said, y2, x4


class Net(nn.Module):
    """Colour table, first layer and rest."""

    def __init__(self, widths: Widths | None = None) -> None:
        super().__init__()
        self.widths = widths or Widths()
        first, _, third, _ = self.widths.levels
        self.mood0, self.mood1 = nn.Linear(5, HIDDEN), nn.Linear(HIDDEN, HIDDEN)
        self.mood2 = nn.Linear(HIDDEN, HIDDEN)
        self.pixel0, self.pixel1 = nn.Linear(5, HIDDEN), nn.Linear(HIDDEN, HIDDEN)
        self.pixel2 = nn.Linear(HIDDEN, LEARNED)
        self.stem = norm_conv(LEARNED + 1, first, CELL_PX, CELL_PX)
        self.context = nn.Linear(first + HIDDEN, third)
        self.rest = Rest(self.widths)

    def features(self, linear: torch.Tensor) -> torch.Tensor:
        """Return (..., 5) of (..., 3) linear sRGB."""
        held = linear.clamp(0, 1.5)
        total = held.sum(-1, keepdim=True) + 0.01
        return torch.cat([(held + 1e-7).sqrt(), 2 * held[..., :2] / total], -1)

    def mood(self, linear: torch.Tensor, some: int = 4000) -> torch.Tensor:
        """Return (B, 32): the mean of what each of the photo's colours (B, n, 3) says."""
        n = linear.shape[1]
        linear = linear[:, torch.randint(n, (min(some, n),), device=linear.device)]
        x = F.leaky_relu(self.mood0(self.features(linear)), 0.0)
        x = F.relu(self.mood1(x))
        return F.relu(self.mood2(x.mean(1)))

    def channels(self, linear: torch.Tensor, mood: torch.Tensor) -> torch.Tensor:
        """Return (B, n, 4) channels of (B, n, 3) colours."""
        x = F.relu(self.pixel0(self.features(linear)) + mood[:, None])
        x = torch.sigmoid(self.pixel2(F.relu(self.pixel1(x))))
        y = luminance(linear).clamp(0, 1)
        return torch.cat([(y + 1e-9).pow(1 / 3).unsqueeze(-1), x], -1)

    def forward(
        self, linear: torch.Tensor, keep: torch.Tensor, forget: float = 0.0
    ) -> torch.Tensor:
        """Return outputs (B, 7, H/4, W/4) of linear sRGB (B, H, W, 3)."""
        b, h, w, _ = linear.shape
        flat = linear.reshape(b, h * w, 3)
        mood = self.mood(flat)
        if forget:
            mood = mood * (torch.rand(b, 1, device=linear.device) > forget)
        seen = self.channels(flat, mood).transpose(1, 2).reshape(b, -1, h, w)
        if self.training:
            seen = seen + (torch.rand_like(seen) - 0.5) / 128
        keep = keep.unsqueeze(1)
        cells = F.relu(self.stem(seen - MIDDLE)) * keep
        mean = cells.mean((2, 3))
        context = self.context(torch.cat([mean, mood], 1))
        return self.rest(cells, context[..., None, None])[0]


def folded(layer: nn.Sequential) -> tuple[torch.Tensor, torch.Tensor]:
    """Return weight and bias of a convolution with its normalisation multiplied in."""
    conv, norm = layer[0], layer[1]
    gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
    return conv.weight * gain[:, None, None, None], norm.bias - norm.running_mean * gain


class _Plain(nn.Module):
    """The rest with normalisation folded in, for export."""

    def __init__(self, rest: Rest, *, casts: bool) -> None:
        super().__init__()
        self.rest = rest
        self.left = [k for k in range(N_OUT) if casts or k != N_SHARES]
        for module in rest.modules():
            if isinstance(module, nn.Sequential):
                weight, bias = folded(module)
                conv = nn.Conv2d(
                    weight.shape[1], weight.shape[0], weight.shape[2], module[0].stride,
                    module[0].padding,
                )  # fmt: skip
                conv.weight.data, conv.bias.data = weight.detach().clone(), bias.detach().clone()
                module[0], module[1] = conv, nn.Identity()

    def forward(
        self, cells: torch.Tensor, context: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        out, near, deep = self.rest(cells, context)
        return out[:, self.left], near, deep


def read(path: Path) -> Net:
    """Return the network of PATH.npz and PATH.onnx, to go on from.

    What was folded into the convolutions stays there: the normalisations of the network returned
    change nothing, and :func:`held_still` keeps them from following the batches.
    """
    import onnx
    from onnx import numpy_helper

    stored = np.load(path.with_suffix(".npz"))
    loaded = onnx.load(str(path.with_suffix(".onnx"))).graph.initializer
    rest = {entry.name.removeprefix("rest."): numpy_helper.to_array(entry) for entry in loaded}
    a, b, c, d = (len(stored["stem.bias"]), *(len(rest[f"d{k}.0.weight"]) for k in (2, 3, 4)))
    model = Net(Widths((a, b, c, d), rest["head.weight"].shape[1]))

    def put(place: torch.Tensor, value: np.ndarray) -> None:
        place.data.copy_(torch.tensor(value))

    for name in (*(f"{n}{k}" for n in ("mood", "pixel") for k in range(3)), "context"):
        layer = getattr(model, name)
        put(layer.weight, stored[f"{name}.weight"].T)
        put(layer.bias, stored[f"{name}.bias"])
    stem = (255.0 * stored["stem.weight"]).reshape(CELL_PX, CELL_PX, LEARNED + 1, a)
    stem = stem.transpose(3, 2, 0, 1)
    put(model.stem[0].weight, stem)
    put(model.stem[1].bias, stored["stem.bias"] + MIDDLE * stem.sum((1, 2, 3)))
    for name, module in model.rest.named_modules():
        if isinstance(module, nn.Sequential) and f"{name}.0.weight" in rest:
            put(module[0].weight, rest[f"{name}.0.weight"])
            put(module[1].bias, rest[f"{name}.0.bias"])
    keep = list(range(N_OUT))
    if len(rest["head.bias"]) == N_OUT:  # from before casts had a branch
        keep.remove(N_SHARES)
    put(model.rest.head.weight, rest["head.weight"][keep[: N_OUT - 1]])
    put(model.rest.head.bias, rest["head.bias"][keep[: N_OUT - 1]])
    if "casts.head.weight" in rest:
        put(model.rest.casts.head.weight, rest["casts.head.weight"])
        put(model.rest.casts.head.bias, rest["casts.head.bias"])
    for module in model.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.running_var.fill_(1.0 - module.eps)
    return model


def held_still(model: nn.Module) -> None:
    """Let the normalisations take what they have stored, in training too."""
    for module in model.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()


def export(model: Net, path: Path, *, casts: bool = True) -> None:
    """Write PATH.npz (colour table, first layer, context) and PATH.onnx (the rest).

    Without casts their branch is left out, and what it costs.
    """
    import copy

    model = copy.deepcopy(model).cpu().eval()

    def t(x: torch.Tensor) -> np.ndarray:
        return x.detach().numpy().astype(np.float32)

    out = {}
    for name in (*(f"{n}{k}" for n in ("mood", "pixel") for k in range(3)), "context"):
        layer = getattr(model, name)
        out[f"{name}.weight"], out[f"{name}.bias"] = t(layer.weight).T.copy(), t(layer.bias)
    weight, bias = folded(model.stem)
    stem = t(weight).transpose(2, 3, 1, 0)  # row, column, channel, out
    out["stem.weight"] = stem.reshape(-1, stem.shape[-1]) / np.float32(255.0)
    out["stem.bias"] = t(bias - MIDDLE * weight.sum((1, 2, 3)))
    np.savez(path.with_suffix(".npz"), **out)
    first, _, third, _ = model.widths.levels
    free = {2: "h", 3: "w"}
    torch.onnx.export(
        _Plain(model.rest, casts=casts).eval(),
        (torch.zeros(1, first, 96, 80), torch.zeros(1, third, 1, 1)),
        str(path.with_suffix(".onnx")), opset_version=13, dynamo=False,
        input_names=["cells", "context"], output_names=["out", "near", "deep"],
        dynamic_axes={"cells": free, "out": free, "near": free, "deep": free},
    )  # fmt: skip
