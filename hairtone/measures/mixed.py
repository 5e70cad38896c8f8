"""Mixed model of readings: treatment, zone and wash fixed, blocks and tresses random."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.measures.significance import MeanDifference

Cell = tuple[str, str, str]  # treatment, zone, wash


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One figure of one tress in one photo.

    Attributes
    ----------
    value : float
        The figure.
    treatment, tress : str
        What was done, and to which tress (the unit that counts).
    zone, wash : str
        Where and when; empty where the figure has none.
    pair : str
        Hairs of one pair share it (split tress, half head); empty without pairing.
    block : str
        Batch, operator …; empty without blocks.
    photo : str
        Re-comb + re-shoot repeats are told apart by it.
    """

    value: float
    treatment: str
    tress: str
    zone: str = ""
    wash: str = ""
    pair: str = ""
    block: str = ""
    photo: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """Means of every cell and their covariance.

    Attributes
    ----------
    cells : tuple of (treatment, zone, wash)
        In order.
    means : ndarray, shape (c,)
        Of the cells.
    covariance : ndarray, shape (c, c)
        Of `means`.
    freedom : float
        Tress-level degrees of freedom.
    """

    cells: tuple[Cell, ...]
    means: Floats
    covariance: Floats
    freedom: float

    def difference(self, first: Cell, second: Cell) -> MeanDifference:
        """Mean of one cell less that of another."""
        contrast = np.zeros(len(self.cells))
        contrast[self.cells.index(first)] += 1
        contrast[self.cells.index(second)] -= 1
        return MeanDifference(
            difference=float(contrast @ self.means),
            standard_error=float(np.sqrt(contrast @ self.covariance @ contrast)),
            freedom=self.freedom,
        )


def fit_mixed(readings: Sequence[Reading]) -> MixedFit | None:
    """``value ~ treatment*zone*wash + (1 | block/tress)`` by REML; None where it does not settle.

    Fixed effects are written as one mean for each cell, the same model. Pairs, where there are
    any, are the blocks. Repeats are averaged first, or what a tress does in one zone would count
    once a photo; and each zone and wash is scaled by its own scatter, which the model takes as
    one for all (ends scatter more than roots).

    Parameters
    ----------
    readings : sequence of Reading
        Of one measure.
    """
    readings = _means_of_repeats(readings)
    scale = _scatter(readings)
    cells = sorted({(r.treatment, r.zone, r.wash) for r in readings})
    fixed = np.array(
        [[float((r.treatment, r.zone, r.wash) == cell) for cell in cells] for r in readings]
    )
    values = np.array([r.value / scale[r.zone, r.wash] for r in readings])
    found = _fitted(readings, fixed, values)
    if found is None:
        return None
    back = np.array([scale[zone, wash] for _, zone, wash in cells])
    tresses = {r.tress for r in readings}
    blocks = {_block(r) for r in readings}
    treatments = {r.treatment for r in readings}
    shared = len(blocks) - 1 if len(blocks) < len(tresses) else 0
    return MixedFit(
        cells=tuple(cells),
        means=found[0] * back,
        covariance=found[1] * np.outer(back, back),
        freedom=max(1.0, float(len(tresses) - len(treatments) - shared)),
    )


def _block(reading: Reading) -> str:
    """What a tress shares its surroundings with: its pair, else its block, else only itself."""
    return reading.pair or reading.block or reading.tress


def _fitted(
    readings: Sequence[Reading], fixed: Floats, values: Floats
) -> tuple[Floats, Floats] | None:
    """Means of the cells and their covariance; None where the fit does not settle.

    An effect that the data cannot tell from the scatter (a tress read once, a block of one tress)
    is left out: the scatter holds it.
    """
    blocks = np.array([_block(r) for r in readings])
    tresses = len({r.tress for r in readings})
    has_repeats, is_shared = len(readings) > tresses, len(set(blocks)) < tresses
    if not has_repeats and not is_shared:
        return _plain(fixed, values)
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    nested = VCSpec(*_tress_columns(readings, blocks)) if has_repeats and is_shared else None
    model = MixedLM(values, fixed, groups=blocks, exog_re=np.ones((len(values), 1)), exog_vc=nested)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a variance of 0 is an answer; settling is asked below
            found = model.fit(reml=True, method=["lbfgs", "powell"])
    except (np.linalg.LinAlgError, ValueError):
        return None
    count = fixed.shape[1]
    means = np.asarray(found.fe_params)
    covariance = np.asarray(found.cov_params())[:count, :count]
    sound = np.isfinite(means).all() and np.isfinite(covariance).all()
    return (means, covariance) if sound and found.converged else None


def _plain(fixed: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Least squares, one scatter for all."""
    inverse = np.linalg.inv(fixed.T @ fixed)
    means = inverse @ fixed.T @ values
    rest = values - fixed @ means
    free = max(len(values) - fixed.shape[1], 1)
    return np.asarray(means), np.asarray(inverse * float(rest @ rest) / free)


def _means_of_repeats(readings: Sequence[Reading]) -> list[Reading]:
    """One reading for each tress, zone and wash."""
    found: dict[tuple[str, ...], list[Reading]] = {}
    for r in readings:
        found.setdefault((r.treatment, r.tress, r.pair, r.block, r.zone, r.wash), []).append(r)
    return [
        replace(group[0], value=float(np.mean([r.value for r in group])))
        for group in found.values()
    ]


def _scatter(readings: Sequence[Reading]) -> dict[tuple[str, str], float]:
    """SD within treatments of each zone and wash; 1 where there is none."""
    out = {}
    for place in {(r.zone, r.wash) for r in readings}:
        groups: dict[str, list[float]] = {}
        for r in readings:
            if (r.zone, r.wash) == place:
                groups.setdefault(r.treatment, []).append(r.value)
        squares = sum(float(np.var(v)) * len(v) for v in groups.values())
        freedom = sum(len(v) - 1 for v in groups.values())
        sd = np.sqrt(squares / freedom) if freedom > 0 else 0.0
        out[place] = float(sd) if sd > 0 else 1.0
    return out


def _tress_columns(
    readings: Sequence[Reading], blocks: Floats
) -> tuple[list[str], list[list[list[str]]], list[list[Floats]]]:
    """Indicator of each tress within each block, as the library wants it."""
    names, columns = [], []
    for block in sorted(set(blocks)):
        inside = [r.tress for r, b in zip(readings, blocks, strict=True) if b == block]
        tresses = sorted(set(inside))
        columns.append(np.array([[float(t == one) for one in tresses] for t in inside]))
        names.append([str(t) for t in tresses])
    return ["tress"], [names], [columns]
