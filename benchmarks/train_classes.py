"""Train the network of the class stage on rendered scenes.

    python benchmarks/train_classes.py make --scenes 2000 --out DIR     render the scenes
    python benchmarks/train_classes.py train --data DIR --out FILE.npz   train (needs PyTorch)
    python benchmarks/train_classes.py leaf --data DIR --net FILE.npz    fit the leaf colour
    python benchmarks/train_classes.py check --data DIR --net FILE.npz   score scenes kept back

The scenes come from `lawnscore.demo` with `family="train"`: soils, turfs and cameras that the
accuracy benchmark never uses. No photograph is used in training.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import fields, replace
from pathlib import Path

import numpy as np

SIDE_PX = 352
MM_PER_PX = 1.25
CELL_PX = 4
CELL_MM = CELL_PX * MM_PER_PX
SIDE_MM = SIDE_PX * MM_PER_PX
N_OUT = 7
FINE = 8
MIDDLE = 0.5
"""Taken off the channels in training: sums of numbers that are all positive kill thresholds."""
TEXTURES = 6


def make_scene(job: tuple[int, str]) -> str:
    """Render scene number `seed` and store what training needs."""
    seed, folder = job
    out = Path(folder) / f"scene_{seed:06d}.npz"
    if out.exists():
        return ""
    import cv2

    cv2.setNumThreads(1)
    try:
        scene = training_scene(seed)
    except Exception as error:
        return f"{seed}: {type(error).__name__} {error}"
    part = out.with_suffix(".part.npz")
    np.savez(part, **scene)
    part.rename(out)
    return ""


def training_scene(seed: int) -> dict[str, np.ndarray]:
    """Render one piece of flattened ground and fit its colours as the scoring does."""
    import cv2

    from lawnscore.demo.cases import random_camera
    from lawnscore.demo.ground_sample import photograph_ground
    from lawnscore.demo.ink import Ink
    from lawnscore.demo.printed_card import print_card
    from lawnscore.demo.scene import grow_lawn
    from lawnscore.demo.truth import cell_shares
    from lawnscore.photo.classes import levels_of

    rng = np.random.default_rng([seed, 77])
    room_mm = SIDE_MM + 25.0
    lawn, light = training_lawn(rng, room_mm)
    camera = another_sensor(random_camera(rng, family="train"), rng)
    ink = INKS[seed % len(INKS)]
    card = print_card("turf-a5", Ink(**ink) if ink else None)
    coarse = rng.random() < 0.2
    native = float(rng.uniform(0.75, 2.2) if coarse else rng.uniform(0.4, 0.75))
    seen = native * (2.0 if native < 0.62 else 1.0)
    scene = grow_lawn(lawn, seed=int(rng.integers(2**31)))
    sample = photograph_ground(
        scene, light, camera, seed=int(rng.integers(2**31)), mm_per_px=seen,
        native_mm_per_px=native, card=card,
    )  # fmt: skip
    rgb = to_ground(sample.rgb, seen, cv2)
    room = (round(room_mm / MM_PER_PX),) * 2
    green = (scene.surface == 0).astype(np.float32)
    true, sun, green = (
        cv2.resize(x, room, interpolation=cv2.INTER_AREA)[:SIDE_PX, :SIDE_PX]
        for x in (sample.corrected, sample.sun, green)
    )
    lit = green * (sun > 0.9)
    leaf = (
        (true * lit[..., None]).sum((0, 1)) / lit.sum() if lit.sum() > 500 else np.full(3, np.nan)
    )
    cells = SIDE_PX // CELL_PX
    casts = np.full((96, 3), np.nan)
    inside = (
        sample.casts[(sample.casts[:, :2] < SIDE_MM).all(1)] if len(sample.casts) else sample.casts
    )
    casts[: len(inside)] = inside[:96]
    shade = 1.0 - cv2.resize(sun, (cells, cells), interpolation=cv2.INTER_AREA)
    shares = cell_shares(scene.surface, scene.mm_per_px, cell_mm=CELL_MM)
    levels = levels_of(rgb)
    return {
        "index": levels.index(rgb),
        "table": colour_fit_of(sample, card, rng).correct(levels.colours()).astype(np.float16),
        "shares": shares[:cells, :cells].astype(np.float16),
        "casts": casts,
        "shade": shade.astype(np.float16),
        "leaf": leaf,
    }


def training_lawn(rng: np.random.Generator, room_mm: float):
    """Draw what grows and the light on it: half as lawns are, half far outside."""
    from lawnscore.demo.cases import odd_lawn, random_lawn, random_light

    if rng.random() < 0.6:
        kind = str(
            rng.choice(
                ["any", "shade", "casts", "patches", "leaves"], p=[0.42, 0.16, 0.24, 0.1, 0.08]
            )
        )
        lawn = random_lawn(rng, kind=kind, family="train")
    else:
        kind = str(
            rng.choice(
                ["any", "shade", "casts", "carpet", "mossy", "weedy", "stony", "bare"],
                p=[0.28, 0.1, 0.14, 0.18, 0.07, 0.1, 0.06, 0.07],
            )
        )
        lawn = odd_lawn(rng, kind=kind, family="train")
    lawn = replace(lawn, texture=int(rng.integers(0, TEXTURES)))
    if rng.random() < 0.15:  # trodden or sieved soil between: no lawn is all crumbs
        lawn = replace(lawn, soil_smooth=float(rng.uniform(0.2, 1.0)))
    light = random_light(rng, shade=kind == "shade" or rng.random() < 0.22)
    # A light is made for a whole photo; here the edge must cross half a metre.
    inside = tuple(float(v) for v in rng.uniform(0, room_mm, 2))
    light = replace(light, shade_at_mm=inside)
    if light.shade == "edge" and rng.random() < 0.7:
        light = replace(light, shade_share=0.5)
    return replace(lawn, width_mm=room_mm, height_mm=room_mm), light


def another_sensor(camera, rng: np.random.Generator):
    """Shift and widen the bands of a camera: five sensors are too few to learn from."""

    def moved(bands):
        return tuple(
            (centre + rng.normal(0, 5), width * rng.lognormal(0, 0.12), height)
            for centre, width, height in bands
        )

    b = camera.bands
    bands = type(b)(moved(b.red), moved(b.green), moved(b.blue), float(b.cut_nm + rng.normal(0, 5)))
    return replace(camera, bands=bands)


def to_ground(rgb: np.ndarray, mm_per_px: float, cv2) -> np.ndarray:
    """Flatten as the scoring does: bilinear, from the photo's scale to the ground's."""
    step = MM_PER_PX / mm_per_px
    shift = 0.5 * step - 0.5  # centre of ground pixel 0 in the photo's pixels
    matrix = np.array([[step, 0, shift], [0, step, shift]])
    return cv2.warpAffine(
        rgb, matrix, (SIDE_PX, SIDE_PX), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip


def colour_fit_of(sample, card, rng: np.random.Generator):
    """Fit the colours by the card: measured references in two of three scenes, else nominal."""
    from lawnscore.card.reference import ReferenceCard, nominal_reference
    from lawnscore.photo.colour import fit_colour
    from lawnscore.photo.find import CardFit

    design, n = card.design, len(card.design.patches)
    reference = nominal_reference(design)
    if rng.random() < 0.67:
        known = np.asarray(sample.patch_linear)
        reference = ReferenceCard(design, "printed", known, "measured", np.zeros((n, 3)))
    values = np.asarray(sample.patch_rgb)
    blank = dict.fromkeys(f.name for f in fields(CardFit))
    seen = CardFit(**{
        **blank, "design": design, "patch_rgb": values, "patch_sd": np.asarray(sample.patch_sd),
        "patch_ok": values.max(1) < 0.985, "patch_state": ("used",) * n,
    })  # fmt: skip
    return fit_colour(seen, reference)


INKS: list[dict[str, object]] = [
    {},
    {"strength": (1.0, 1.0, 1.0, 1.0), "dot_gain": 0.0},
    {"strength": (1.06, 0.94, 0.97, 1.05), "dot_gain": 0.04, "paper": 0.84},
    {"strength": (0.9, 0.97, 1.1, 1.0), "dot_gain": -0.02, "paper": 0.9},
    {"strength": (0.97, 0.9, 0.9, 0.9), "dot_gain": 0.03, "fade": 0.35},
]
"""Printers and ages of the card."""


def make(args: argparse.Namespace) -> None:
    """Render the scenes on all cores."""
    Path(args.out).mkdir(parents=True, exist_ok=True)
    jobs = [(args.first + i, args.out) for i in range(args.scenes)]
    start, failed = time.time(), []
    with ProcessPoolExecutor(args.processes) as pool:
        for problem in pool.map(make_scene, jobs, chunksize=4):
            if problem:
                failed.append(problem)
    print(f"{len(jobs)} scenes in {time.time() - start:.0f} s, {len(failed)} failed")
    print("\n".join(failed[:10]))


def load(folder: str) -> dict[str, np.ndarray]:
    """Read all scenes of a folder into arrays of one row a scene."""
    files = sorted(Path(folder).glob("scene_*.npz"))
    rows = [dict(np.load(file)) for file in files if ".part" not in file.name]
    return {key: np.stack([row[key] for row in rows]) for key in rows[0]}


def compact(data: dict[str, np.ndarray]) -> None:
    """Keep of each scene the colours that occur, and number its pixels by them."""
    index, table = data["index"], data["table"]
    places = [np.flatnonzero(np.bincount(one.ravel(), minlength=table.shape[1])) for one in index]
    most = max(len(place) for place in places)
    fewer = np.zeros((len(index), most, 3), table.dtype)
    number = np.zeros(table.shape[1], np.uint16)
    for k, place in enumerate(places):
        number[place] = np.arange(len(place), dtype=np.uint16)
        index[k] = number[index[k]]
        fewer[k, : len(place)] = table[k, place]
    data["table"], data["colours"] = fewer, np.array([len(place) for place in places])


def cast_heat(centres: np.ndarray, cells: int) -> np.ndarray:
    """Return (cells, cells): a bump at the middle of each cast; rows are x, y, diameter in mm."""
    heat = np.zeros((cells, cells), np.float32)
    yy, xx = np.mgrid[:cells, :cells]
    for x, y, diameter in centres[~np.isnan(centres[:, 0])]:
        sigma = max(0.9, diameter / CELL_MM / 5)
        near = (xx + 0.5 - x / CELL_MM) ** 2 + (yy + 0.5 - y / CELL_MM) ** 2
        heat = np.maximum(heat, np.exp(-near / (2 * sigma**2)))
    return heat


def build_model(torch):
    """Return the network as a PyTorch module; the arithmetic is that of `photo.class_net`."""
    nn, F = torch.nn, torch.nn.functional

    class Rest(nn.Module):
        """What follows the stem: a small U of convolutions over cells, twice and four times.

        Most of it lies at the coarsest level, where a convolution costs a sixteenth; the finest
        level is narrow on its way out.
        """

        def __init__(self, wide, deep):
            super().__init__()
            a, b, c = wide

            def block(n, times):
                layers = []
                for _ in range(times):
                    layers += [nn.Conv2d(n, n, 3, 1, 1), nn.ReLU()]
                return nn.Sequential(*layers)

            self.d2, self.d3 = nn.Conv2d(a, b, 2, 2), nn.Conv2d(b, c, 2, 2)
            self.e2, self.e3 = block(b, 1), block(c, deep)
            self.u2, self.u1 = nn.Conv2d(c, b, 1), nn.Conv2d(b, FINE, 1)
            self.skip = nn.Conv2d(a, FINE, 1)
            self.f2, self.f1 = block(b, 1), block(FINE, 1)
            self.head = nn.Conv2d(FINE, N_OUT, 1)

        def forward(self, cells, context):
            x2 = self.e2(F.relu(self.d2(cells)))
            x3 = self.e3(F.relu(self.d3(x2) + context))
            y2 = self.f2(F.relu(F.interpolate(self.u2(x3), scale_factor=2.0) + x2))
            y1 = self.f1(F.relu(F.interpolate(self.u1(y2), scale_factor=2.0) + self.skip(cells)))
            return self.head(y1)

    class Net(nn.Module):
        """Colour table, stem and rest; the same arithmetic as `lawnscore.photo.class_net`."""

        def __init__(self, learned=3, hidden=32, wide=(16, 32, 64), deep=3):
            super().__init__()
            self.mood0, self.mood1 = nn.Linear(5, hidden), nn.Linear(hidden, hidden)
            self.mood2 = nn.Linear(hidden, hidden)
            self.pixel0, self.pixel1 = nn.Linear(5, hidden), nn.Linear(hidden, hidden)
            self.pixel2 = nn.Linear(hidden, learned)
            self.stem = nn.Conv2d(learned + 1, wide[0], CELL_PX, CELL_PX)
            self.context = nn.Linear(wide[0] + hidden, wide[2])
            self.rest = Rest(wide, deep)

        def features(self, linear):
            held = linear.clamp(0, 1.5)
            total = held.sum(-1, keepdim=True) + 0.01
            return torch.cat([held.sqrt(), 2 * held[..., :2] / total], -1)

        def mood(self, linear, counts):
            """What all colours of a photo say together: the mean of what each one says."""
            x = F.relu(self.mood1(F.relu(self.mood0(self.features(linear)))))
            x = torch.einsum("bn,bnc->bc", counts / counts.sum(1, keepdim=True), x)
            return F.relu(self.mood2(x))

        def table(self, linear, mood):
            x = F.relu(self.pixel0(self.features(linear)) + mood[:, None])
            x = F.relu(self.pixel1(x))
            x = torch.sigmoid(self.pixel2(x))
            y = (linear @ linear.new_tensor([0.2126, 0.7152, 0.0722])).clamp(0, 1)
            return torch.cat([(y + 1e-9).pow(1 / 3).unsqueeze(-1), x], -1)

        def forward(self, channels, keep, mood):
            keep = keep.unsqueeze(1)
            cells = F.relu(self.stem(channels - MIDDLE)) * keep
            mean = cells.sum((2, 3)) / keep.sum((2, 3)).clamp(min=1)
            context = self.context(torch.cat([mean, mood], 1))
            return self.rest(cells, context[..., None, None])

        def export(self, path):
            """Write PATH.npz (colour table, stem, context) and PATH.onnx (the rest)."""

            def t(x):
                return x.detach().cpu().numpy().astype(np.float32)

            out = {}
            for name in (*(f"{n}{k}" for n in ("mood", "pixel") for k in range(3)), "context"):
                layer = getattr(self, name)
                out[f"{name}.weight"], out[f"{name}.bias"] = t(layer.weight).T.copy(), t(layer.bias)
            # (out, channel, row, column) -> (row, column, channel) flat, out
            stem = t(self.stem.weight).transpose(2, 3, 1, 0)
            out["stem.weight"] = stem.reshape(-1, stem.shape[-1]) / np.float32(255.0)
            out["stem.bias"] = t(self.stem.bias - MIDDLE * self.stem.weight.sum((1, 2, 3)))
            np.savez(path, **out)
            a, c = self.stem.out_channels, self.context.out_features
            cells = torch.zeros(1, a, 96, 80)
            free = {2: "h", 3: "w"}
            torch.onnx.export(
                self.rest.cpu().eval(),
                (cells, torch.zeros(1, c, 1, 1)),
                str(path.with_suffix(".onnx")),
                opset_version=13,
                dynamo=False,
                input_names=["cells", "context"],
                output_names=["out"],
                dynamic_axes={"cells": free, "out": free},
            )

    return Net


def start_from(model, path: str, torch) -> None:
    """Fill a model with the weights of FILE.npz and FILE.onnx (needs onnx)."""
    import onnx
    from onnx import numpy_helper

    stored = dict(np.load(path))
    rest = onnx.load(Path(path).with_suffix(".onnx")).graph.initializer
    state = {f"rest.{i.name}": numpy_helper.to_array(i) for i in rest}
    state = {name: array for name, array in state.items() if name in model.state_dict()}
    for name in (*(f"{n}{k}" for n in ("mood", "pixel") for k in range(3)), "context"):
        state[f"{name}.weight"], state[f"{name}.bias"] = (
            stored[f"{name}.weight"].T, stored[f"{name}.bias"],
        )  # fmt: skip
    k = len(stored["stem.bias"])
    stem = 255.0 * stored["stem.weight"].reshape(CELL_PX, CELL_PX, -1, k).transpose(3, 2, 0, 1)
    state["stem.weight"] = stem
    state["stem.bias"] = stored["stem.bias"] + MIDDLE * stem.sum((1, 2, 3))
    model.load_state_dict({n: torch.tensor(np.array(a, np.float32)) for n, a in state.items()})


def revive(model, fired: dict[str, object], torch) -> str:
    """Start anew every unit that fires on hardly any cell; say how many of each layer."""
    layers = dict(model.named_modules())
    readers = {
        "mood0": ["mood1"], "mood1": ["mood2"], "mood2": [],
        "pixel0": ["pixel1"], "pixel1": ["pixel2"],
        "stem": ["rest.d2", "rest.skip", "context"], "rest.d2": ["rest.e2.0"],
        "rest.e2.0": ["rest.d3"], "rest.d3": ["rest.e3.0"], "rest.e3.0": ["rest.e3.2"],
        "rest.e3.2": ["rest.e3.4"], "rest.e3.4": ["rest.u2"],
        "rest.f2.0": ["rest.u1"], "rest.f1.0": ["rest.head"],
    }  # fmt: skip
    said = []
    with torch.no_grad():
        for name, share in fired.items():
            dead = torch.nonzero(share < 0.002).flatten()
            said.append(f"{name} {len(dead)} of {len(share)}")
            if not len(dead):
                continue
            layer = layers[name]
            std = (2.0 / layer.weight[0].numel()) ** 0.5
            layer.weight[dead] = std * torch.randn_like(layer.weight[dead])
            layer.bias[dead] = 0.0
            for other in readers[name]:
                weight = layers[other].weight
                weight[:, dead] = 0.1 * weight.std() * torch.randn_like(weight[:, dead])
    return ", ".join(said)


def train(args: argparse.Namespace) -> None:
    """Train on all scenes but every sixteenth, and report on those."""
    import torch

    F = torch.nn.functional
    torch.manual_seed(args.seed)
    rng = np.random.default_rng(args.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    data = load(args.data)
    whole = {key: data[key][15].copy() for key in ("index", "table")}
    compact(data)
    n = len(data["index"])
    cells = SIDE_PX // CELL_PX
    print(f"{n} scenes on {device}", flush=True)
    heat = np.stack([cast_heat(c, cells) for c in data["casts"]])
    index = torch.from_numpy(data["index"].view(np.int16)).to(device)
    table = torch.from_numpy(data["table"]).to(device)
    shares = torch.from_numpy(data["shares"].astype(np.float32)).permute(0, 3, 1, 2).to(device)
    shade = torch.from_numpy(data["shade"].astype(np.float32)).to(device)
    heat_t = torch.from_numpy(heat).to(device)
    colours = data["colours"]
    held = torch.arange(n) % 16 == 15
    fit_ids = torch.where(~held)[0].numpy()

    wide = tuple(int(x) for x in args.wide.split(","))
    model = build_model(torch)(args.learned, wide=wide, deep=args.deep).to(device)
    optimiser = torch.optim.AdamW(model.parameters(), lr=args.rate, weight_decay=1e-4)
    per_epoch = max(1, len(fit_ids) // args.batch)
    steps = max(20, args.epochs * per_epoch)

    def pace() -> float:
        """Set the learning rate by the share of the steps, or of the time, that is spent."""
        done = step / steps
        if args.seconds:
            done = max(done, (time.time() - start) / args.seconds)
        rate = args.rate * min(1.0, done / 0.05 + 0.02) * 0.5 * (1 + np.cos(np.pi * min(done, 1)))
        for group in optimiser.param_groups:
            group["lr"] = rate
        return done

    def run(ids, flip=None, augment=False):
        lin = table[ids, : int(colours[ids].max())].float()
        if augment:  # the colour fit is never perfect: gain, hue, offset
            gain = torch.exp(0.03 * torch.randn(len(ids), 1, 1, device=device))
            tint = torch.exp(0.012 * torch.randn(len(ids), 1, 3, device=device))
            lin = lin * gain * tint + 0.002 * torch.randn(len(ids), 1, 3, device=device)
        some = index[ids].reshape(len(ids), -1)[:, ::7].long() & 0xFFFF
        counts = torch.zeros(lin.shape[:2], device=device).scatter_add_(
            1, some, torch.ones_like(some, dtype=torch.float32)
        )
        mood = model.mood(lin, counts)
        if augment and args.forget:  # now and then the colours of the whole say nothing
            mood = mood * (torch.rand(len(ids), 1, device=device) > args.forget)
        pixel = model.table(lin, mood)  # (B, colours, C)
        if augment:
            pixel = pixel + (torch.rand_like(pixel) - 0.5) / 255
        idx, sh, he, sd = index[ids], shares[ids], heat_t[ids], shade[ids]
        if flip is not None:
            if flip[0]:
                idx, sh, he, sd = idx.flip(1), sh.flip(2), he.flip(1), sd.flip(1)
            if flip[1]:
                idx, sh, he, sd = idx.flip(2), sh.flip(3), he.flip(2), sd.flip(2)
            if flip[2]:
                idx, sh, he, sd = (x.transpose(-1, -2) for x in (idx, sh, he, sd))
        flat = idx.reshape(len(ids), -1).long() & 0xFFFF
        chan = torch.gather(pixel, 1, flat.unsqueeze(-1).expand(-1, -1, pixel.shape[-1]))
        chan = chan.transpose(1, 2).reshape(len(ids), -1, *idx.shape[1:])
        keep = torch.ones(len(ids), cells, cells, device=device)
        if augment and rng.random() < 0.5:
            a, b = rng.integers(0, cells - 20, 2)
            keep[:, a : a + 30, b : b + 42] = 0
        return model(chan, keep, mood), keep, sh, he, sd

    def losses(out, keep, sh, he, sd):
        k = keep.unsqueeze(1)
        logp = F.log_softmax(out[:, :5], 1)
        p = logp.exp()
        cross = -(sh * logp).sum(1)
        cell = (cross * keep).sum() / keep.sum()
        mean_p = (p * k).sum((2, 3)) / k.sum((2, 3))
        mean_t = (sh * k).sum((2, 3)) / k.sum((2, 3))
        bias = ((mean_p - mean_t) ** 2 * mean_p.new_tensor([2.0, 1.0, 1.0, 2.0, 1.0])).sum(1)
        square = ((p - sh) ** 2).sum(1)
        heat = F.binary_cross_entropy_with_logits(out[:, 5], he, reduction="none")
        heat = 3 * (heat * (1 + 8 * he) * keep).mean()
        dark = (F.binary_cross_entropy_with_logits(out[:, 6], sd, reduction="none") * keep).mean()
        total = cell + 2 * (square * keep).mean() + 60 * bias.mean() + heat + args.dark * dark
        return total, mean_p, mean_t

    def report(tag):
        model.eval()
        got, want = [], []
        with torch.no_grad():
            for ids in torch.where(held)[0].split(16):
                _, mean_p, mean_t = losses(*run(ids.numpy()))
                got.append(mean_p.cpu())
                want.append(mean_t.cpu())
        model.train()
        e = 100 * (torch.cat(got) - torch.cat(want)).numpy()
        rms = np.sqrt((e**2).mean(0)).round(2)
        print(
            f"{tag} held back: bias {e.mean(0).round(2)} rms {rms} "
            f"p95 {np.percentile(abs(e[:, 0]), 95):.1f}",
            flush=True,
        )
        return e

    def firing() -> dict[str, object]:
        """Return the share of places where each unit of each layer passes its threshold."""
        fired: dict[str, object] = {}

        def watch(name):
            def hook(_module, _given, out):
                dims = [
                    d for d in range(out.dim()) if d != (1 if out.dim() == 4 else out.dim() - 1)
                ]
                share = (out > 0).float().mean(dims)
                fired[name] = torch.maximum(fired.get(name, share), share)

            return hook

        watched = ["mood0", "mood1", "mood2", "pixel0", "pixel1", "stem"]
        watched += [f"rest.{k}" for k in ("d2", "e2.0", "d3", "f2.0", "f1.0")]
        watched += [f"rest.e3.{2 * k}" for k in range(args.deep)]
        layers = dict(model.named_modules())
        hooks = [layers[name].register_forward_hook(watch(name)) for name in watched]
        with torch.no_grad():
            for ids in np.array_split(fit_ids[:: max(1, len(fit_ids) // 64)], 8):
                run(ids)
        for hook in hooks:
            hook.remove()
        return fired

    if args.start:
        start_from(model, args.start, torch)
        report("as it starts")
        print("started anew:", revive(model, firing(), torch), flush=True)
        report("with new units")
    step, start = 0, time.time()
    pace()
    for epoch in range(args.epochs):
        order = rng.permutation(fit_ids)
        for b in range(per_epoch):
            ids = order[b * args.batch : (b + 1) * args.batch]
            out = run(ids, rng.random(3) < 0.5, augment=True)
            loss, _, _ = losses(*out)
            optimiser.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(model.parameters(), 1.0)
            optimiser.step()
            step += 1
            if pace() >= 1.0:
                break
        if epoch % args.report == args.report - 1 or epoch == args.epochs - 1:
            report(f"epoch {epoch + 1} loss {loss.item():.3f} {time.time() - start:.0f} s")
        if step >= steps or (args.seconds and time.time() - start > args.seconds):
            break
    report("final")
    model.eval()
    with torch.no_grad():
        out, *_ = run(np.array([15]))
    np.savez(Path(args.out).with_suffix(".check.npz"), out=out.cpu().numpy(), **whole)
    model.export(Path(args.out))


def check(args: argparse.Namespace) -> None:
    """Compare the arithmetic of the package with the truth of the scenes kept back."""
    from lawnscore.photo.class_net import by_cell

    net = open_net(args.net)
    known = np.load(Path(args.net).with_suffix(".check.npz"))
    keep = np.ones([s // CELL_PX for s in known["index"].shape], bool)
    out = net.cells(known["table"].astype(np.float32), by_cell(known["index"]), keep)
    print("largest difference from training:", abs(out - known["out"][0].transpose(1, 2, 0)).max())
    errors = []
    for file in sorted(Path(args.data).glob("scene_*.npz"))[: args.scenes]:
        scene = np.load(file)
        out = net.cells(scene["table"].astype(np.float32), by_cell(scene["index"]), keep)
        e = np.exp(out[..., :5] - out[..., :5].max(-1, keepdims=True))
        share = e / e.sum(-1, keepdims=True)
        errors.append(100 * (share.mean((0, 1)) - scene["shares"].astype(float).mean((0, 1))))
    e = np.array(errors)
    print(len(e), "scenes, bias", e.mean(0).round(2), "rms", np.sqrt((e**2).mean(0)).round(2))


def open_net(path: str):
    """Return the network of a file, as the package runs it."""
    from lawnscore.photo.class_net import ClassNet, read_onnx

    stored = np.load(path)
    rest = read_onnx(Path(path).with_suffix(".onnx"))
    return ClassNet({k: stored[k].astype(np.float32) for k in stored.files}, rest)


def leaf_row(job: tuple[str, str]) -> tuple[np.ndarray, np.ndarray] | None:
    """Return features of the leaf colour and what they should add up to, or None."""
    from lawnscore.photo.class_net import by_cell
    from lawnscore.photo.leaf import leaf_features

    file, path = job
    scene, net = np.load(file), open_net(path)
    linear = scene["table"].astype(np.float32)
    keep = np.ones([s // CELL_PX for s in scene["index"].shape], bool)
    index = by_cell(scene["index"])
    out = net.cells(linear, index, keep)
    powers = np.exp(out[..., :5] - out[..., :5].max(-1, keepdims=True))
    green = (powers / powers.sum(-1, keepdims=True))[..., 0]
    lit = out[..., 6] < np.log(0.35 / 0.65)
    truth = scene["leaf"]
    if not np.isfinite(truth).all() or lit.sum() < 300 or scene["shares"][..., 0].mean() < 0.08:
        return None
    features, pure = leaf_features(index, linear, green, lit)
    return features, np.log(truth) - np.log(pure)


def leaf(args: argparse.Namespace) -> None:
    """Fit the regression of the leaf colour and write it into the network's file."""
    from lawnscore.photo.leaf import scarcity

    files = sorted(str(file) for file in Path(args.data).glob("scene_*.npz"))
    with ProcessPoolExecutor(2) as pool:
        found = pool.map(leaf_row, [(f, args.net) for f in files], chunksize=8)
        rows = [row for row in found if row]
    features, wanted = (np.array(part) for part in zip(*rows, strict=True))
    part = np.arange(len(rows)) % 5

    def fit(chosen):
        a = features[chosen]
        return np.linalg.solve(a.T @ a + 0.1 * np.eye(a.shape[1]), a.T @ wanted[chosen])

    left_out = np.concatenate(
        [features[part == k] @ fit(part != k) - wanted[part == k] for k in range(5)]
    )
    order = np.concatenate([np.flatnonzero(part == k) for k in range(5)])
    spread = left_out / np.array([scarcity(row[7]) for row in features[order]])[:, None]
    covariance = spread.T @ spread / len(spread)
    se = np.sqrt(np.diag(covariance))
    print(f"{len(rows)} scenes, relative error of red, green, blue left out: {se.round(3)}")
    stored = {k: v for k, v in dict(np.load(args.net)).items() if k != "leaf.se"}
    stored["leaf.weight"] = fit(part >= 0).astype(np.float32)
    stored["leaf.covariance"] = covariance.astype(np.float32)
    np.savez(args.net, **stored)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    commands = parser.add_subparsers(required=True)
    p = commands.add_parser("make")
    p.add_argument("--scenes", type=int, default=2000)
    p.add_argument("--first", type=int, default=0)
    p.add_argument("--out", required=True)
    p.add_argument("--processes", type=int, default=os.cpu_count())
    p.set_defaults(run=make)
    p = commands.add_parser("train")
    p.add_argument("--data", required=True)
    p.add_argument("--out", required=True)
    p.add_argument("--epochs", type=int, default=60)
    p.add_argument("--batch", type=int, default=16)
    p.add_argument("--rate", type=float, default=4e-3)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--learned", type=int, default=3)
    p.add_argument("--wide", default="16,32,64")
    p.add_argument("--deep", type=int, default=3)
    p.add_argument("--forget", type=float, default=0.0)
    p.add_argument("--dark", type=float, default=0.5, help="weight of the large shadows")
    p.add_argument("--start", help="weights to start from; units that never fire start anew")
    p.add_argument("--report", type=int, default=5)
    p.add_argument("--seconds", type=float, default=0)
    p.set_defaults(run=train)
    p = commands.add_parser("check")
    p.add_argument("--data", required=True)
    p.add_argument("--net", required=True)
    p.add_argument("--scenes", type=int, default=200)
    p.set_defaults(run=check)
    p = commands.add_parser("leaf")
    p.add_argument("--data", required=True)
    p.add_argument("--net", required=True)
    p.set_defaults(run=leaf)
    args = parser.parse_args()
    args.run(args)


if __name__ == "__main__":
    sys.exit(main())
