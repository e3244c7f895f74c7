"""Train the class stage on all worlds, or on all but one.

    python benchmarks/training/train.py --worlds DIR --out FILE --seconds 150
        ... --without rendered        leave a world out
        ... --hold                    keep a third of every world's groups back
        ... --start FILE.pt           go on from weights, or from a network that shipped (.npz)

Writes FILE.npz and FILE.onnx (what the package runs), FILE.pt (to go on from), FILE.json (seed,
seconds, commit, hashes of the worlds) and FILE.errors.npz: for every picture that this network
never saw its shares, the truth, and what the deepest layer says of it.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch.nn import functional as F  # noqa: N812  (its usual name)
from training.network import CELL_PX, Net, export, held_still, read
from training.worlds import MM_PER_PX, SURFACES, WORLDS, World, load

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
EVALUATED_PX = {"field": 576, "wheat": 352}
NOMINAL_STEP = {"field": 0.87, "wheat": 1.0}
CARD_CORRECTED = ("rendered", "sketched")
MIXED = 0.22
"""Crops whose leaf or litter is laid on another crop's ground."""
RESTYLED = 0.3
"""Crops whose surfaces each get colours of their own."""
PLAIN_FROM = 0.7
"""Part of a run after which more and more batches are left as they are."""
BACK = 3
"""Every third group is kept back."""


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
    group = world.group if name not in CARD_CORRECTED else world.group // 8
    back = (group % BACK == BACK - 1) if name != "texture" else group == BACK
    n = np.arange(len(world.rgb))
    train = n if not (hold or without) else n[~back]
    if without:
        train, back = n[:0], np.ones(len(n), bool)
    most = max(1, int((~np.isnan(world.casts[..., 0])).sum(1).max()))
    return OnDevice(
        name,
        torch.from_numpy(world.rgb).permute(0, 3, 1, 2).contiguous().to(device),
        torch.from_numpy(world.label).unsqueeze(1).to(device),
        None if world.shade is None else torch.from_numpy(world.shade).unsqueeze(1).to(device),
        torch.from_numpy(world.casts[:, :most]).to(device), train, n[back],
    )  # fmt: skip


def decode(rgb: torch.Tensor) -> torch.Tensor:
    """Return linear light of sRGB 0 to 1 (IEC 61966-2-1)."""
    return torch.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055).clamp(min=1e-6) ** 2.4)


@dataclass(eq=False)
class Batch:
    """Crops on the device: linear (B, H, W, 3), one-hot labels, heat, shade, known shade."""

    linear: torch.Tensor
    label: torch.Tensor
    heat: torch.Tensor
    shade: torch.Tensor
    shade_known: torch.Tensor


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
    theta = np.stack([np.column_stack([c * flip, -s, 2 * shift[:, 0] / side]),
                      np.column_stack([s * flip, c, 2 * shift[:, 1] / side])], axis=1)  # fmt: skip
    theta_t = torch.tensor(theta, dtype=torch.float32, device=device)
    grid = F.affine_grid(theta_t, [n, 1, px, px], align_corners=False)
    index = torch.from_numpy(ids).to(device)
    rgb = F.grid_sample(
        world.rgb[index].float() / 255, grid, padding_mode="reflection", align_corners=False
    )
    label = F.grid_sample(world.label[index].float(), grid, mode="nearest",
                          padding_mode="reflection", align_corners=False)[:, 0]  # fmt: skip
    if world.shade is None:
        shade, known = torch.zeros(n, cells, cells, device=device), torch.zeros(n, device=device)
    else:
        coarse = F.affine_grid(theta_t, [n, 1, cells, cells], align_corners=False)
        shade = F.grid_sample(world.shade[index].float() / 255, coarse,
                              padding_mode="reflection", align_corners=False)[:, 0]  # fmt: skip
        known = torch.ones(n, device=device)
    heat = cast_heat(world.casts[index], theta_t, side, torch.tensor(step, device=device), cells)
    return Batch(decode(rgb.clamp(0, 1)).permute(0, 2, 3, 1), label, heat, shade, known)


def cast_heat(
    casts: torch.Tensor, theta: torch.Tensor, side: int, step: torch.Tensor, cells: int
) -> torch.Tensor:
    """Return (B, cells, cells): a bump at the middle of each cast (x, y, diameter in mm)."""
    place = 2 * casts[..., :2] / MM_PER_PX / side - 1  # in the picture, -1 to 1
    inverse = torch.linalg.inv(theta[:, :, :2])
    inner = torch.einsum("bij,bkj->bki", inverse, place - theta[:, None, :, 2])
    at = (inner + 1) * cells / 2
    sigma = (casts[..., 2] / CELL_MM / 5 / step[:, None].float()).clamp(min=0.9)
    line = torch.arange(cells, device=casts.device) + 0.5
    x, y = (
        torch.exp(-((line - at[..., k : k + 1]) ** 2) / (2 * sigma[..., None] ** 2)) for k in (0, 1)
    )
    heat = (y[..., :, None] * x[..., None, :]).nan_to_num(0.0)
    return heat.amax(1) if casts.shape[1] else heat.sum(1)


def recoloured(linear: torch.Tensor, corrected: torch.Tensor) -> torch.Tensor:
    """Vary gain, tint, saturation and gamma: little where a card corrected the colours."""
    b, device = len(linear), linear.device
    free = torch.rand(b, device=device) < 0.12
    wide = torch.where(corrected & ~free, 0.15, 1.0)[:, None, None, None]

    def normal(*shape: int) -> torch.Tensor:
        return torch.randn(b, *shape, device=device)

    gain = torch.exp(0.3 * wide * normal(1, 1, 1))
    tint = torch.exp(0.06 * wide * normal(1, 1, 3))
    out = linear * gain * tint
    out = (out + 1e-5) ** torch.exp(0.12 * wide * normal(1, 1, 1))
    grey = (out @ out.new_tensor([0.2126, 0.7152, 0.0722]))[..., None]
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
    grey = (linear @ linear.new_tensor([0.2126, 0.7152, 0.0722]))[..., None]
    out = grey + (linear - grey) * (1 + change[..., 3:]).clamp(0.3, 1.8)
    return (out * (1 + change[..., :3])).clamp(0, 1.4)


def softened(linear: torch.Tensor) -> torch.Tensor:
    """Blur some crops and sharpen others: not every photo is as sharp."""
    picture = linear.permute(0, 3, 1, 2)
    soft = F.avg_pool2d(F.pad(picture, (1, 1, 1, 1), mode="reflect"), 3, 1)
    part = (torch.rand(len(linear), 1, 1, 1, device=linear.device) * 2.0 - 0.9).clamp(-0.4, 1)
    return (picture + part * (soft - picture)).clamp(0, 1.4).permute(0, 2, 3, 1)


def mixed(batch: Batch, rng: np.random.Generator) -> Batch:
    """Lay what is leaf, straw or litter in a crop over the ground of another, with its shadow."""
    b, device = len(batch.linear), batch.linear.device
    order = torch.from_numpy(rng.permutation(b)).to(device)
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
    reach = [int(v) for v in rng.integers(-5, 6, 2)]
    thrown = F.avg_pool2d(torch.roll(over, reach, (1, 2)).unsqueeze(1), 5, 1, 2)[:, 0]
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
    return Batch(linear, new, heat, batch.shade, known)


def shares_of(label: torch.Tensor) -> torch.Tensor:
    """Return (B, 5, cells, cells) shares of the surfaces in each cell."""
    one = torch.stack([(label == k).float() for k in range(len(SURFACES))], 1)
    return F.avg_pool2d(one, CELL_PX)


def losses(
    out: torch.Tensor, keep: torch.Tensor, batch: Batch, *, whole: float = 10.0, casts: float = 3.0
) -> torch.Tensor:
    """Return the loss of a batch: cells, photos, cast middles, shade."""
    true = shares_of(batch.label)
    k = keep.unsqueeze(1)
    logp = F.log_softmax(out[:, :5].float(), 1)
    p = logp.exp()
    cell = (-(true * logp).sum(1) * keep).sum() / keep.sum()
    mean_p, mean_t = ((x * k).sum((2, 3)) / k.sum((2, 3)) for x in (p, true))
    bias = ((mean_p - mean_t) ** 2 * mean_p.new_tensor([2.0, 1.5, 1.5, 2.0, 1.0])).sum(1).mean()
    square = (((p - true) ** 2).sum(1) * keep).mean()
    heat = F.binary_cross_entropy_with_logits(out[:, 5].float(), batch.heat, reduction="none")
    heat = casts * (heat * (1 + 8 * batch.heat) * keep).mean()
    dark = F.binary_cross_entropy_with_logits(out[:, 6].float(), batch.shade, reduction="none")
    dark = (dark * keep * batch.shade_known[:, None, None]).mean()
    return cell + 2 * square + whole * bias + heat + 0.5 * dark


def joined(parts: list[Batch]) -> Batch:
    """Return batches as one."""
    return Batch(*(torch.cat([getattr(p, f) for p in parts])
                   for f in ("linear", "label", "heat", "shade", "shade_known")))  # fmt: skip


def draw(
    worlds: list[OnDevice], n: int, rng: np.random.Generator, often: dict[str, float]
) -> tuple[Batch, torch.Tensor]:
    """Return a batch of crops of all worlds, and which of them a card corrected."""
    share = np.array([often[w.name] for w in worlds])
    counts = rng.multinomial(n, share / share.sum())
    parts, corrected = [], []
    for world, count in zip(worlds, counts, strict=True):
        if count:
            ids = rng.choice(world.train, count)
            parts.append(crops(world, ids, rng, plain=False))
            corrected += [world.name in CARD_CORRECTED] * int(count)
    batch = joined(parts)
    return batch, torch.tensor(corrected, device=batch.linear.device)


@torch.no_grad()
def errors(model: Net, worlds: list[OnDevice]) -> dict[str, np.ndarray]:
    """Return shares, truth and deep means of every picture kept back, world by world."""
    model.eval()
    rng = np.random.default_rng(0)
    found: dict[str, list[np.ndarray]] = {
        k: [] for k in ("world", "picture", "said", "true", "deep", "split")
    }
    for number, world in enumerate(WORLDS):
        here = next((w for w in worlds if w.name == world), None)
        if here is None or not len(here.held):
            continue
        for ids in np.array_split(here.held, max(1, len(here.held) // 24)):
            px = EVALUATED_PX.get(world, 352)
            batch = crops(here, ids, rng, plain=True, px=px)
            keep = torch.ones(len(ids), px // 4, px // 4, device=batch.linear.device)
            with torch.autocast(batch.linear.device.type, dtype=torch.bfloat16):
                out, deep = model(batch.linear, keep)
            p = out[:, :5].float().softmax(1)
            q = p[:, 1] * p[:, 2] / (p[:, 1] + p[:, 2] + 1e-6)
            found["world"].append(np.full(len(ids), number))
            found["picture"].append(ids)
            true = shares_of(batch.label).mean((2, 3))
            values = {"said": p.mean((2, 3)), "true": true, "deep": deep, "split": q.mean((1, 2))}
            for name, value in values.items():
                found[name].append(value.float().cpu().numpy())
    model.train()
    return {k: np.concatenate(v) for k, v in found.items()}


def say(found: dict[str, np.ndarray], tag: str) -> None:
    """Print bias and RMS error of the shares by world, in points."""
    for number, world in enumerate(WORLDS):
        here = found["world"] == number
        if here.any():
            e = 100 * (found["said"][here] - found["true"][here])[:, :4]
            print(f"{tag} {world:9s} {here.sum():4d} bias {e.mean(0).round(1)} "
                  f"rms {np.sqrt((e**2).mean(0)).round(1)}", flush=True)  # fmt: skip


def train(a: argparse.Namespace) -> None:
    """Train for a time, then write weights and errors."""
    torch.manual_seed(a.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    rng = np.random.default_rng(a.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    files = [a.worlds / f"{name}.npz" for name in WORLDS]
    worlds = [
        put(f.stem, load(f), device, without=f.stem in a.without, hold=a.hold)
        for f in files if f.exists()
    ]  # fmt: skip
    learning = [w for w in worlds if len(w.train)]
    print({w.name: (len(w.train), len(w.held)) for w in worlds}, device, flush=True)
    model = Net().to(device)
    folded_before = bool(a.start) and a.start.suffix == ".npz"
    if folded_before:
        model = read(a.start).to(device)
    elif a.start:
        model.load_state_dict(torch.load(a.start, map_location=device))
    if a.only_casts:
        model.requires_grad_(requires_grad=False)
        model.rest.casts.requires_grad_()
    branch = set(model.rest.casts.parameters())
    groups = [
        {
            "params": [p for p in model.parameters() if p.requires_grad and p not in branch],
            "by": 1.0,
        },
        {"params": list(branch), "by": a.faster_casts},
    ]
    optimiser = torch.optim.AdamW(groups, lr=a.rate, weight_decay=1e-2, fused=device == "cuda")
    average = {k: v.detach().clone() for k, v in model.state_dict().items()}
    moving = [k for k, v in average.items() if v.dtype.is_floating_point]
    followed, now = ([d[k] for k in moving] for d in (average, model.state_dict()))
    start, step, shown = time.time(), 0, 0.0
    while True:
        done = max(
            (time.time() - start) / a.seconds if a.seconds else 0, step / a.steps if a.steps else 0
        )
        if done >= 1:
            break
        for group in optimiser.param_groups:
            warm = min(1.0, done / 0.04 + 0.02)
            group["lr"] = group["by"] * a.rate * warm * 0.5 * (1 + np.cos(np.pi * done))
        if folded_before:
            held_still(model)
        if a.only_casts:
            model.rest.casts.train()
        batch, corrected = draw(learning, a.batch, rng, SHARE_CASTS if a.only_casts else SHARE)
        late = max(0.0, (done - PLAIN_FROM) / (1 - PLAIN_FROM))
        if rng.random() >= a.plain * late:
            batch.linear = restyled(batch.linear, batch.label, a.restyled)
            batch.linear = recoloured(batch.linear, corrected)
            batch = mixed(batch, rng)
            batch.linear = softened(batch.linear)
        keep = torch.ones(a.batch, CELLS, CELLS, device=device)
        if rng.random() < 0.4:
            y, x = rng.integers(0, CELLS - 20, 2)
            keep[:, y : y + 24, x : x + 30] = 0
        with torch.autocast(device, dtype=torch.bfloat16):
            out, _ = model(batch.linear, keep, a.forget)
        loss = losses(out, keep, batch, whole=2.0 + 18.0 * done, casts=a.casts)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 4.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            torch._foreach_lerp_(followed, now, a.follow if step > 0.2 / a.follow else 0.05)
        if done - shown > 0.2:
            shown = done
            say(errors(model, worlds), f"{step:6d} {loss.item():.3f}") if a.chatty else print(
                step, round(loss.item(), 3), flush=True)  # fmt: skip
    model.load_state_dict(average)
    model.eval()
    found = errors(model, worlds)
    print(f"{step} steps in {time.time() - start:.0f} s; without {a.without}")
    say(found, "end")
    np.savez(a.out.with_suffix(".errors.npz"), **found)
    torch.save(model.state_dict(), a.out.with_suffix(".pt"))
    export(model, a.out, casts=not a.no_casts)
    record = {
        "seed": a.seed, "steps": step, "seconds": round(time.time() - start), "batch": a.batch,
        "rate": a.rate, "plain": a.plain, "restyled": a.restyled, "without": a.without,
        "hold": a.hold, "start": str(a.start or ""), "torch": torch.__version__, "commit": commit(),
        "worlds": {f.stem: {"pictures": len(w.rgb), "sha256": digest(f)}
                   for f, w in zip((f for f in files if f.exists()), worlds, strict=True)},
    }  # fmt: skip
    a.out.with_suffix(".json").write_text(json.dumps(record, indent=2) + "\n")


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def commit() -> str:
    """Return the commit of the working tree, empty where there is none."""
    run = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True, check=False)
    return run.stdout.strip()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--without", nargs="*", default=[], choices=WORLDS)
    parser.add_argument("--hold", action="store_true")
    parser.add_argument("--start", type=Path)
    parser.add_argument("--seconds", type=float, default=0.0)
    parser.add_argument("--steps", type=int, default=0)
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument(
        "--no-casts", action="store_true", help="leave their branch out of FILE.onnx"
    )
    parser.add_argument("--plain", type=float, default=0.85, help="batches left as they are, last")
    parser.add_argument("--restyled", type=float, default=RESTYLED, help="crops with new colours")
    parser.add_argument("--follow", type=float, default=0.002, help="of the mean of the weights")
    parser.add_argument("--faster-casts", type=float, default=1.0, help="rate of casts over others")
    parser.add_argument("--only-casts", action="store_true", help="leave all but casts as it is")
    parser.add_argument("--casts", type=float, default=3.0, help="weight of the cast middles")
    parser.add_argument("--forget", type=float, default=0.3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--chatty", action="store_true", help="say the errors as it goes")
    train(parser.parse_args())


if __name__ == "__main__":
    main()
