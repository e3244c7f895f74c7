"""One step of training, recorded once on a GPU and replayed.

A step is some hundred small kernels: asked for one by one they take the processor three times as
long as the GPU takes to run them. What changes from step to step (crops, rate, weight of the whole
photo's shares) lies in tensors that stay where they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import torch
from torch.nn import functional as F  # noqa: N812  (its usual name)

from benchmarks.training.augment import augmented
from benchmarks.training.crops import CELLS, Batch
from benchmarks.training.network import CELL_PX, Net
from benchmarks.training.worlds import SURFACES

OF_SURFACES = (2.0, 1.5, 1.5, 2.0, 1.0)
"""Weight of each surface where the whole crop's shares are asked for."""
MOST_NORM = 4.0
WARM_UP = 4


def shares_of(label: torch.Tensor) -> torch.Tensor:
    """Return (B, 5, cells, cells) shares of the surfaces in each cell."""
    one = torch.stack([(label == k).float() for k in range(len(SURFACES))], 1)
    return F.avg_pool2d(one, CELL_PX)


def losses(
    out: torch.Tensor, keep: torch.Tensor, batch: Batch, whole: torch.Tensor, casts: float = 3.0
) -> torch.Tensor:
    """Return the loss of a batch: cells, photos (by the weight `whole`), cast middles, shade."""
    true = shares_of(batch.label)
    k = keep.unsqueeze(1)
    logp = F.log_softmax(out[:, :5].float(), 1)
    p = logp.exp()
    cell = (-(true * logp).sum(1) * keep).sum() / keep.sum()
    mean_p, mean_t = ((x * k).sum((2, 3)) / k.sum((2, 3)) for x in (p, true))
    off = ((mean_p - mean_t) ** 2).mean(0)
    bias = sum(weight * one for weight, one in zip(OF_SURFACES, off.unbind(), strict=True))
    square = (((p - true) ** 2).sum(1) * keep).mean()
    heat = F.binary_cross_entropy_with_logits(out[:, 5].float(), batch.heat, reduction="none")
    heat = casts * (heat * (1 + 8 * batch.heat) * keep).mean()
    dark = F.binary_cross_entropy_with_logits(out[:, 6].float(), batch.shade, reduction="none")
    dark = (dark * keep * batch.shade_known[:, None, None]).mean()
    return cell + 2 * square + whole * bias + heat + 0.5 * dark


class Step:
    """Steps of a network over one batch's room, of varied crops or of plain ones.

    Parameters
    ----------
    model, optimiser
        What is trained. On a GPU the optimiser must be `capturable`, its rates tensors.
    first
        A batch: its shapes stay.
    forget, casts, restyled
        How often the mood is forgotten, weight of the cast middles, how often surfaces get
        colours of their own.
    faster
        Compile what is recorded: a minute at first, a third less a step.
    """

    def __init__(
        self, model: Net, optimiser: torch.optim.Optimizer, first: Batch, *, forget: float,
        casts: float, restyled: float, faster: bool = False,
    ) -> None:  # fmt: skip
        self.batch = Batch(*(getattr(first, f.name).clone() for f in fields(Batch)))
        device = first.linear.device
        self.keep = torch.ones(len(first.label), CELLS, CELLS, device=device)
        self.whole = torch.tensor(2.0, device=device)
        self.loss = torch.zeros((), device=device)
        vary, see, judge = augmented, model, losses
        if faster:
            vary, see, judge = (torch.compile(f, dynamic=False) for f in (augmented, model, losses))

        def once(*, plain: bool) -> None:
            batch = self.batch if plain else vary(self.batch, restyled)
            with torch.autocast(device.type, dtype=torch.bfloat16):
                out = see(batch.linear, self.keep, forget)
            loss = judge(out, self.keep, batch, self.whole, casts)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(model.parameters(), MOST_NORM)
            optimiser.step()
            self.loss.copy_(loss.detach())

        self._once = {plain: _recorded(once, plain) for plain in (False, True)}

    def take(self, *, plain: bool) -> None:
        """Take one step over the batch that lies in :attr:`batch`."""
        self._once[plain]()


def _recorded(once: Callable[..., None], plain: bool) -> Callable[[], None]:
    """Return a step to call: recorded where there is a GPU."""
    if not torch.cuda.is_available():
        return lambda: once(plain=plain)
    aside = torch.cuda.Stream()
    aside.wait_stream(torch.cuda.current_stream())
    with torch.cuda.stream(aside):
        for _ in range(WARM_UP):
            once(plain=plain)
    torch.cuda.current_stream().wait_stream(aside)
    graph = torch.cuda.CUDAGraph()
    with torch.cuda.graph(graph):
        once(plain=plain)
    return graph.replay
