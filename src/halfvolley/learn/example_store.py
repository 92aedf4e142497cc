"""Examples in the memory of the training device, and batches drawn from them."""

from dataclasses import replace

import torch
from torch import Tensor

from halfvolley.errors import BadInput
from halfvolley.learn.augment import Batch
from halfvolley.learn.made import Examples

Drawn = list[tuple[int, Tensor]]
"""Number of a part and rows of it, several times."""
_LEAST_HARD, _MOST_HARD = 0.1, 8.0  # times the mean: all are seen again, none too often


class ExampleStore:
    """All examples on the training device, as bytes.

    Parameters
    ----------
    device : torch.device
        Where training runs.
    """

    def __init__(self, device: torch.device) -> None:
        self.device = device
        self.luma: list[Tensor] = []
        self.chroma: list[Tensor] = []
        self.kind: list[Tensor] = []
        self.ball: list[Tensor] = []
        self.others: list[Tensor] = []
        self.hardness: list[Tensor] = []  # of each, as far as known: its share of the loss
        self.weight: list[float] = []  # of each part: how often it is drawn from
        self._n = 0

    def __len__(self) -> int:
        return self._n

    @property
    def frames(self) -> int:
        """Neighbouring frames of an example."""
        return int(self.luma[0].shape[1])

    def add(self, examples: Examples, weight: float = 1.0) -> None:
        """Copy examples to the device, as one more part.

        Parameters
        ----------
        examples : Examples
            One or more.
        weight : float
            How often the part is drawn from, compared with others.

        Raises
        ------
        BadInput
            If their sides are no multiples of 32, so that they can be halved.
        """
        h, w = examples.luma.shape[-2:]
        if h % 32 or w % 32:
            raise BadInput(f"examples must have sides of multiples of 32 px, got {w} x {h}")
        self.luma.append(torch.from_numpy(examples.luma).to(self.device))
        self.chroma.append(torch.from_numpy(examples.chroma).to(self.device))
        self.kind.append(torch.from_numpy(examples.kind).float().to(self.device))
        self.ball.append(torch.from_numpy(examples.ball).float().to(self.device))
        self.others.append(torch.from_numpy(examples.others_px).float().to(self.device))
        self.hardness.append(torch.ones(len(examples), device=self.device))
        self.weight.append(weight)
        self._n += len(examples)

    def draw(
        self, n: int, parts: int, generator: torch.Generator, hard_share: float = 0.0,
        on_device: torch.Generator | None = None,
    ) -> Drawn:  # fmt: skip
        """Which examples make a random batch; they come from a few of the parts that were added.

        Parameters
        ----------
        n : int
            Crops.
        parts : int
            From how many parts (halls), at most.
        generator : torch.Generator
            Source of chance, on the CPU.
        hard_share : float
            Of each part's crops, drawn by their hardness.
        on_device : torch.Generator, optional
            Source of chance for those, on the device of the store.
        """
        weight = torch.tensor(self.weight)
        chosen = torch.multinomial(weight, min(parts, n), True, generator=generator).tolist()
        each = -(-n // len(chosen))
        hard = round(hard_share * each)
        rows = []
        for part in chosen:
            i = torch.randint(len(self.kind[part]), (each - hard,), generator=generator)
            i = i.to(self.device)
            if hard:
                more = torch.multinomial(self.hardness[part], hard, True, generator=on_device)
                i = torch.cat([more, i])
            rows.append((part, i))
        return rows

    def take(self, drawn: Drawn, n: int) -> Batch:
        """The first `n` of the drawn examples."""
        return Batch(
            torch.cat([self.luma[p][i] for p, i in drawn])[:n].float(),
            torch.cat([self.chroma[p][i] for p, i in drawn])[:n].float(),
            torch.cat([self.kind[p][i] for p, i in drawn])[:n],
            torch.cat([self.ball[p][i] for p, i in drawn])[:n],
            torch.cat([self.others[p][i] for p, i in drawn])[:n],
        )

    def found_hard(self, drawn: Drawn, loss: Tensor) -> None:
        """Remember how hard drawn examples were.

        Parameters
        ----------
        drawn : list of (int, tensor)
            From `draw`.
        loss : (n,) tensor
            Of the first n of them.
        """
        share = (loss / loss.mean().clamp(min=1e-9)).clamp(_LEAST_HARD, _MOST_HARD)
        first = 0
        for part, rows in drawn:
            mine = share[first : first + len(rows)]
            self.hardness[part][rows[: len(mine)]] = mine
            first += len(rows)


def last_frames(batch: Batch, n: int, step: int = 1) -> Batch:
    """The batch with the last `n` of its frames, every `step`-th."""
    f = batch.luma.shape[1]
    chosen = [f - 1 - step * k for k in range(n)][::-1]
    if chosen[0] < 0:
        raise BadInput(f"{n} frames, every {step}th, were asked for of crops of {f}")
    both = [c for i in chosen for c in (2 * i, 2 * i + 1)]
    return replace(batch, luma=batch.luma[:, chosen], chroma=batch.chroma[:, both])
