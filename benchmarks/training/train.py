"""Train the class stage on all worlds, or on all but one.

    python -m benchmarks.training.train --worlds DIR --out FILE --seconds 150
        ... --without rendered        leave a world out
        ... --hold                    keep a third of every world's groups back
        ... --start FILE.pt           go on from weights, or from a network that shipped (.npz)

Further scenes NAME-*.npz that come into DIR while it runs are trained on from then on.

Writes FILE.npz and FILE.onnx (what the package runs), FILE.pt (to go on from), FILE.json (seed,
seconds, commit, hashes of the worlds) and FILE.errors.npz: for every picture that this network
never saw its shares, the truth, and how torn it is between straw and soil.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import time
from pathlib import Path

import numpy as np
import torch

from benchmarks.training.augment import RESTYLED
from benchmarks.training.crops import (
    CELLS,
    SHARE,
    SHARE_CASTS,
    Batch,
    OnDevice,
    crops,
    draw,
    grown,
    put,
)
from benchmarks.training.network import Net, Widths, export, held_still, read
from benchmarks.training.step import Step, shares_of
from benchmarks.training.worlds import WORLDS, load

PLAIN_FROM = 0.7
"""Part of a run after which more and more batches are left as they are."""
EVALUATED_PX = {"field": 576, "wheat": 352}
AT_ONCE = 4
"""Batches that are drawn together."""
FOLLOW_EVERY = 5
"""Steps between two looks of the mean of the weights at them."""
GROW_EVERY = 2000
"""Steps between two looks for further scenes."""


@torch.no_grad()
def errors(model: Net, worlds: list[OnDevice]) -> dict[str, np.ndarray]:
    """Return shares and truth of every picture kept back, world by world."""
    model.eval()
    rng = np.random.default_rng(0)
    found: dict[str, list[np.ndarray]] = {
        k: [] for k in ("world", "picture", "said", "true", "split")
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
                out = model(batch.linear, keep)
            p = out[:, :5].float().softmax(1)
            q = p[:, 1] * p[:, 2] / (p[:, 1] + p[:, 2] + 1e-6)
            found["world"].append(np.full(len(ids), number))
            found["picture"].append(ids)
            true = shares_of(batch.label).mean((2, 3))
            values = {"said": p.mean((2, 3)), "true": true, "split": q.mean((1, 2))}
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


def grow(worlds: list[OnDevice], folder: Path, taken: set[Path]) -> list[OnDevice]:
    """Return the worlds with the scenes of NAME-*.npz that have come since the last look."""
    found = []
    for world in worlds:
        new = sorted(set(folder.glob(f"{world.name}-*.npz")) - taken) if len(world.train) else []
        new = [file for file in new if ".part" not in file.name]
        for file in new:
            world = grown(world, load(file))
            print(f"{file.stem}: {len(world.train)} scenes", flush=True)
        taken.update(new)
        found.append(world)
    return found


def train(a: argparse.Namespace) -> None:
    """Train for a time, then write weights and errors."""
    torch.manual_seed(a.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    rng = np.random.default_rng(a.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    files = [file for name in WORLDS if (file := a.worlds / f"{name}.npz").exists()]
    worlds = [put(f.stem, load(f), device, without=f.stem in a.without, hold=a.hold) for f in files]
    print({w.name: (len(w.train), len(w.held)) for w in worlds}, device, flush=True)
    model = Net(Widths(tuple(a.levels), a.fine)).to(device)
    folded_before = bool(a.start) and a.start.suffix == ".npz"
    if folded_before:
        model = read(a.start).to(device)
    elif a.start:
        model.load_state_dict(torch.load(a.start, map_location=device))
    if a.only_casts:
        model.requires_grad_(requires_grad=False)
        model.rest.casts.requires_grad_()
    if folded_before:
        held_still(model)
    if a.only_casts:
        model.rest.casts.train()
    branch = set(model.rest.casts.parameters())
    groups = [
        {
            "params": [p for p in model.parameters() if p.requires_grad and (p in branch) == casts],
            "lr": torch.tensor(0.02 * a.rate, device=device),
            "by": a.faster_casts if casts else 1.0,
        }
        for casts in (False, True)
    ]
    groups = [group for group in groups if group["params"]]
    fast = device == "cuda"
    optimiser = torch.optim.AdamW(groups, weight_decay=1e-2, fused=fast, capturable=fast)
    average = {k: v.detach().clone() for k, v in model.state_dict().items()}
    moving = [k for k, v in average.items() if v.dtype.is_floating_point]
    followed, now = ([d[k] for k in moving] for d in (average, model.state_dict()))
    often = SHARE_CASTS if a.only_casts else SHARE
    learning, taken = [w for w in worlds if len(w.train)], set[Path]()
    stride = Step(model, optimiser, draw(learning, a.batch, rng, often)[0], forget=a.forget,
                  casts=a.casts, restyled=a.restyled, faster=a.faster)  # fmt: skip
    aside = torch.cuda.Stream() if fast else None  # crops are cut while the step before runs
    ready: list[Batch] = []
    start, step, shown = time.time(), 0, 0.0
    while True:
        done = max(
            (time.time() - start) / a.seconds if a.seconds else 0, step / a.steps if a.steps else 0
        )
        if done >= 1:
            break
        with torch.cuda.stream(aside):
            ready = ready or draw(learning, a.batch, rng, often, AT_ONCE)
            batch = ready.pop()
        if aside is not None:
            torch.cuda.current_stream().wait_stream(aside)
        stride.batch.take(batch)
        if aside is not None:
            aside.wait_stream(torch.cuda.current_stream())
        rate = a.rate * min(1.0, done / 0.04 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        for group in optimiser.param_groups:
            group["lr"].fill_(group["by"] * rate)
        stride.whole.fill_(2.0 + 18.0 * done)
        stride.keep.fill_(1.0)
        if rng.random() < 0.4:
            y, x = rng.integers(0, CELLS - 20, 2)
            stride.keep[:, y : y + 24, x : x + 30] = 0
        late = max(0.0, (done - PLAIN_FROM) / (1 - PLAIN_FROM))
        stride.take(plain=bool(rng.random() < a.plain * late))
        step += 1
        if step % FOLLOW_EVERY == 0:
            follow = a.follow if step > 0.2 / a.follow else 0.05
            with torch.no_grad():
                torch._foreach_lerp_(followed, now, 1 - (1 - follow) ** FOLLOW_EVERY)
        if step % GROW_EVERY == 0:
            learning = grow(learning, a.worlds, taken)
        if done - shown > 0.1:
            shown = done
            print(f"{step:6d} steps, {time.time() - start:.0f} s, {stride.loss.item():.3f}",
                  flush=True)  # fmt: skip
            if a.chatty:
                say(errors(model, worlds), "")
    model.load_state_dict(average)
    model.eval()
    found = errors(model, worlds)
    print(f"{step} steps in {time.time() - start:.0f} s; without {a.without}")
    say(found, "end")
    np.savez(a.out.with_suffix(".errors.npz"), **found)
    torch.save(model.state_dict(), a.out.with_suffix(".pt"))
    export(model, a.out, casts=not a.no_casts)
    scenes = {w.name: len(w.rgb) for w in learning}
    record = {
        "seed": a.seed, "steps": step, "seconds": round(time.time() - start), "batch": a.batch,
        "rate": a.rate, "plain": a.plain, "restyled": a.restyled, "without": a.without,
        "hold": a.hold, "start": str(a.start or ""), "torch": torch.__version__, "commit": commit(),
        "worlds": {f.stem: {"pictures": scenes.get(f.stem, 0), "sha256": digest(f)}
                   for f in (*files, *sorted(taken))},
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
    parser.add_argument("--levels", type=int, nargs=4, default=list(Widths().levels))
    parser.add_argument("--fine", type=int, default=Widths().fine)
    parser.add_argument("--faster", action="store_true", help="compile the step")
    parser.add_argument("--chatty", action="store_true", help="say the errors as it goes")
    train(parser.parse_args())


if __name__ == "__main__":
    main()
