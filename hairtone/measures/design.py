"""A randomised, blinded plan of tresses, as a sheet ready to be filled in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hairtone.errors import MeasureError
from hairtone.measures.words import Shown


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTress:
    """One tress of a plan.

    Attributes
    ----------
    subject : str
        Code that tells nothing of the treatment.
    treatment : str
        What is done to it; in the key only.
    letter : str
        What the sheet calls the treatment while blinded.
    pair, block : str
        Pair it belongs to, and its block; empty without.
    order : int
        When it is coloured, 1 first.
    """

    subject: str
    treatment: str
    letter: str
    pair: str
    block: str
    order: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignPlan(Shown):
    """A plan: which tress gets which treatment, in which order, and which photos are taken.

    Attributes
    ----------
    tresses : tuple of PlannedTress
        In the order they are coloured.
    washes : tuple of str
        ``"before"``, ``"0"``, ``"1"`` …
    replicates : int
        Re-comb + re-shoot photos of each state.
    seed : int
        Of the randomisation; the same seed gives the same plan.
    """

    tresses: tuple[PlannedTress, ...]
    washes: tuple[str, ...]
    replicates: int
    seed: int

    def to_frame(self) -> Any:
        """The blinded sheet, columns as photos.csv; every photo in a random order of tresses."""
        import pandas as pd

        rng = np.random.default_rng(self.seed + 1)
        rows = []
        for wash in self.washes:
            for replicate in range(1, self.replicates + 1):
                for at in rng.permutation(len(self.tresses)):
                    rows.append(self._row(self.tresses[at], wash, replicate))
        return pd.DataFrame(rows)

    def _row(self, tress: PlannedTress, wash: str, replicate: int) -> dict[str, Any]:
        state = wash if wash == "before" else f"w{wash}"
        return {
            "photo": f"photos/{tress.subject}_{state}_{replicate}.jpg",
            "subject": tress.subject,
            "wash": wash,
            "treatment": tress.letter,
            "replicate": replicate,
            "pair": tress.pair,
            "hair_batch": tress.block,
        }

    def key_frame(self) -> Any:
        """The key that unblinds: subject, letter, treatment, pair, block, order; keep it apart."""
        import pandas as pd

        names = ("order", "subject", "letter", "treatment", "pair", "block")
        return pd.DataFrame([{name: getattr(t, name) for name in names} for t in self.tresses])


def plan_design(
    treatments: Sequence[str],
    *,
    tresses: int,
    washes: Sequence[int] = (0, 1, 2, 4, 6, 8),
    replicates: int = 3,
    blocks: Sequence[str] = (),
    seed: int,
) -> DesignPlan:
    """Tresses dealt to treatments at random within pairs and blocks.

    Every pair (split tress or matched tresses) holds each treatment once; pairs are spread evenly
    over the blocks; order of work and letters are random too.

    Parameters
    ----------
    treatments : sequence of str
        Two or more keys of study.toml.
    tresses : int
        Of each treatment, 2 or more; `tresses_needed` says how many.
    washes : sequence of int, optional
        After which photos are taken; a photo before and one of wash 0 are always in.
    replicates : int, optional
        Photos of each state, re-combed in between.
    blocks : sequence of str, optional
        Batches of hair, operators or days.
    seed : int
        Of the randomisation; write it down.

    Raises
    ------
    MeasureError
        ``plan-too-small``: under two treatments or tresses, or a treatment named twice.
    """
    names = list(treatments)
    if len(names) < 2 or len(set(names)) != len(names) or tresses < 2 or replicates < 1:
        raise MeasureError(
            "plan-too-small",
            f"{len(names)} treatments of {tresses} tresses with {replicates} photos of each state.",
            remedy="Plan two different treatments or more, two tresses or more of each.",
        )
    rng = np.random.default_rng(seed)
    letters = [chr(ord("A") + k) for k in range(len(names))]
    blinded = dict(zip(rng.permutation(names), letters, strict=True))
    total = len(names) * tresses
    codes = iter(rng.permutation([f"T{k + 1:0{max(2, len(str(total)))}d}" for k in range(total)]))
    dealt = []
    for pair in range(tresses):
        block = blocks[pair % len(blocks)] if blocks else ""
        for treatment in rng.permutation(names):
            dealt.append((str(next(codes)), str(treatment), f"P{pair + 1:02d}", block))
    order = _order_of_work(len(names), tresses, rng)
    planned = [
        PlannedTress(
            subject=subject,
            treatment=treatment,
            letter=blinded[treatment],
            pair=pair,
            block=block,
            order=int(order[at]) + 1,
        )
        for at, (subject, treatment, pair, block) in enumerate(dealt)
    ]
    taken = sorted({0, *(int(n) for n in washes)})
    return DesignPlan(
        tresses=tuple(sorted(planned, key=lambda tress: tress.order)),
        washes=("before", *(str(n) for n in taken)),
        replicates=replicates,
        seed=seed,
    )


def _order_of_work(each: int, pairs: int, rng: np.random.Generator) -> np.ndarray[Any, Any]:
    """Pairs in random order, the tresses of a pair one after the other."""
    first = rng.permutation(pairs) * each
    return np.asarray(np.repeat(first, each) + np.tile(np.arange(each), pairs))
