"""Linear mixed models by REML, small and checked: variance parts, means, degrees of freedom.

References
----------
.. [1] H. D. Patterson, R. Thompson, Biometrika 58 (1971) 545-554, doi:10.1093/biomet/58.3.545.
.. [2] M. G. Kenward, J. H. Roger, Biometrics 53 (1997) 983-997, doi:10.2307/2533558.
.. [3] F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110-114, doi:10.2307/3002019.

Formulas from memory; the tests hold them against published fits and a second implementation.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError

_STEPS: Final = 100  # of Fisher scoring; a fit that settles takes 5 to 20
_SETTLED: Final = 1e-9  # expected gain of log-likelihood by one more step
_AGREEMENT: Final = 1e-4  # of the log-likelihoods of two starts
_SINGULAR: Final = 1e-9  # smallest share of an eigenvalue that still counts as information


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """A fitted mixed model.

    Attributes
    ----------
    means : ndarray, shape (p,)
        Of the fixed columns.
    covariance : ndarray, shape (p, p)
        Of `means`, raised for the variances being estimates [2]_.
    variances : ndarray, shape (q,)
        Of the random parts, then of the scatter of each kind. A random part may come out below 0
        where the readings of one group differ more than chance: held at 0, the model would state
        comparisons between groups too surely.
    log_likelihood : float
        Restricted [1]_, with every constant, as the usual software prints it.
    weights : ndarray, shape (p, n)
        Each mean is this weighted sum of the readings.
    """

    means: Floats
    covariance: Floats
    variances: Floats
    log_likelihood: float
    weights: Floats
    _plain: Floats  # covariance of the means without the raise, (p, p)
    _slopes: Floats  # of `_plain` by each variance, (q, p, p)
    _spread: Floats  # covariance of the variances, (q, q)

    def variance(self, contrast: ArrayLike) -> float:
        """Variance of a weighted sum of the means."""
        c = np.asarray(contrast, np.float64)
        return float(c @ self.covariance @ c)

    def freedom(self, contrast: ArrayLike) -> float:
        """Degrees of freedom of the t law of a weighted sum of the means [3]_, at least 1."""
        c = np.asarray(contrast, np.float64)
        slope = np.einsum("i,qij,j->q", c, self._slopes, c)
        plain, spread = float(c @ self._plain @ c), float(slope @ self._spread @ slope)
        return max(1.0, 2 * plain**2 / spread) if spread > 0 else 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Model:
    """A model cut into blocks that share nothing, padded to one size.

    Attributes
    ----------
    values : ndarray, shape (b, m)
        Readings; 0 in the padding.
    fixed : ndarray, shape (b, m, p)
        Fixed columns.
    parts : ndarray, shape (q, b, m, m)
        Covariance pattern of each variance.
    padding : ndarray, shape (b, m, m)
        1 on the diagonal of the padding.
    free : int
        Readings less fixed columns.
    """

    values: Floats
    fixed: Floats
    parts: Floats
    padding: Floats
    free: int

    def covariance(self, variances: Floats) -> Floats:
        """Covariance of the readings, block by block."""
        return np.asarray(np.tensordot(variances, self.parts, axes=1) + self.padding)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FitState:
    """The model at given variances: what a step of Fisher scoring needs."""

    log_likelihood: float
    score: Floats
    information: Floats
    means: Floats
    plain: Floats
    inverse: Floats
    firsts: Floats
    seconds: Floats


def fit_mixed(
    values: ArrayLike,
    fixed: ArrayLike,
    *,
    groups: Sequence[Sequence[Hashable]] = (),
    scatter: Sequence[Hashable] | None = None,
) -> MixedFit:
    """A mixed model fitted by REML [1]_, checked from two starting points.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings.
    fixed : array_like, shape (n, p)
        Columns of the fixed part, of full rank.
    groups : sequence of (sequence, length n), optional
        One for each random part: readings with the same label share one draw of it.
    scatter : sequence, length n, optional
        Kind of each reading; each kind has a scatter of its own. One kind without it.

    Raises
    ------
    MeasureError
        ``not-estimable``: these readings do not tell the parts apart. ``not-settled``: the two
        starts disagree, or the likelihood has no finite maximum.
    """
    y, x = np.asarray(values, np.float64), np.asarray(fixed, np.float64)
    scale = float(np.std(y - x @ np.linalg.lstsq(x, y, rcond=None)[0])) or 1.0
    kinds = [0] * len(y) if scatter is None else list(scatter)
    labels = [_numbered(group) for group in groups]
    model, order = _blocks(y / scale, x, labels, _numbered(kinds))
    _require_information(model)
    count = len(model.parts)
    starts = [np.r_[np.zeros(len(labels)), np.ones(count - len(labels))], np.full(count, 0.5)]
    fits = [found for start in starts if (found := _climb(model, start)) is not None]
    if len(fits) < len(starts) or abs(np.ptp([s.log_likelihood for _, s in fits])) > _AGREEMENT:
        raise MeasureError(
            "not-settled",
            f"The model of {len(y)} readings with {count} variances does not settle.",
            remedy="More tresses of each treatment, or fewer groupings, would settle it.",
        )
    variances, state = max(fits, key=lambda fit: fit[1].log_likelihood)
    return _stated(model, variances, state, scale, order)


def _numbered(labels: Sequence[Hashable]) -> NDArray[np.intp]:
    """Labels as whole numbers from 0, in order of appearance."""
    number: dict[Hashable, int] = {}
    return np.array([number.setdefault(label, len(number)) for label in labels], dtype=np.intp)


def _blocks(
    y: Floats, x: Floats, labels: Sequence[NDArray[np.intp]], kinds: NDArray[np.intp]
) -> tuple[_Model, NDArray[np.intp]]:
    """The model in blocks that share no group, and the place of each reading in them."""
    block = _block_of(len(y), labels)
    sizes = np.bincount(block)
    sorted_by_block = np.argsort(block, kind="stable")
    within = np.empty(len(y), dtype=np.intp)
    within[sorted_by_block] = np.arange(len(y)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    shape = len(sizes), int(sizes.max())
    place = block * shape[1] + within
    filled = np.zeros(shape[0] * shape[1], dtype=bool)
    filled[place] = True
    real = filled.reshape(shape)
    values, fixed = np.zeros(filled.shape), np.zeros((len(filled), x.shape[1]))
    values[place], fixed[place] = y, x
    parts = []
    for group in labels:
        spot = np.full(len(filled), -1)
        spot[place] = group
        grid = spot.reshape(shape)
        parts.append((grid[:, :, None] == grid[:, None, :]) & real[:, :, None] & real[:, None, :])
    spot = np.full(len(filled), -1)
    spot[place] = kinds
    eye = np.eye(shape[1], dtype=bool)
    parts += [(spot.reshape(shape) == kind)[:, :, None] & eye for kind in range(kinds.max() + 1)]
    return _Model(
        values=values.reshape(shape),
        fixed=fixed.reshape(*shape, x.shape[1]),
        parts=np.array(parts, dtype=np.float64),
        padding=(~real)[:, :, None] * eye.astype(np.float64),
        free=len(y) - x.shape[1],
    ), place


def _block_of(count: int, labels: Sequence[NDArray[np.intp]]) -> NDArray[np.intp]:
    """Block of each reading: those that any chain of shared groups ties together."""
    block = np.arange(count)
    for _ in range(count):  # spread the smallest number through every group until nothing moves
        before = block
        for group in labels:
            least = np.full(group.max() + 1, count)
            np.minimum.at(least, group, block)
            block = least[group]
        if np.array_equal(before, block):
            break
    return _numbered(block.tolist())


def _require_information(model: _Model) -> None:
    """Refuse a model whose variances the design cannot tell apart."""
    state = _state(model, np.ones(len(model.parts))) if model.free > 0 else None
    eigenvalues = np.linalg.eigvalsh(state.information) if state is not None else np.zeros(1)
    if eigenvalues[0] <= _SINGULAR * eigenvalues[-1]:
        raise MeasureError(
            "not-estimable",
            f"{model.free} degrees of freedom do not tell {len(model.parts)} variances apart.",
            remedy="More tresses of each treatment, or fewer groupings, are needed.",
        )


def _state(model: _Model, variances: Floats) -> _FitState | None:
    """Likelihood, score and expected information; None where the covariance is not positive."""
    covariance = model.covariance(variances)
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        return None
    inverse: Floats = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
    x, y = model.fixed, model.values
    weighted = inverse @ x  # V⁻¹X, (b, m, p)
    columns = x.shape[-1]
    flat = weighted.reshape(-1, columns)
    normal = x.reshape(-1, columns).T @ flat
    sign, size = np.linalg.slogdet(normal)
    if sign <= 0 or not np.isfinite(inverse).all():
        return None
    plain: Floats = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    means = plain @ (flat.T @ y.ravel())
    misfit = y - x @ means
    rest = (inverse @ misfit[..., None])[..., 0]
    turned, pulled = inverse @ model.parts, model.parts @ weighted  # V⁻¹G; G V⁻¹X, (q, b, m, p)
    count = len(turned)
    firsts = flat.T @ pulled.reshape(count, -1, columns)
    seconds = pulled.reshape(count, 1, -1, columns).swapaxes(-1, -2) @ (inverse @ pulled).reshape(
        1, count, -1, columns
    )
    inner = plain @ firsts
    trace = np.trace(turned, axis1=-2, axis2=-1).sum(axis=1) - np.trace(inner, axis1=1, axis2=2)
    squares = (model.parts @ rest[..., None])[..., 0].reshape(count, -1) @ rest.ravel()
    log_determinant = 2 * np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum()
    return _FitState(
        log_likelihood=float(
            -0.5 * (log_determinant + size + (rest * misfit).sum() + model.free * np.log(2 * np.pi))
        ),
        score=0.5 * (squares - trace),
        information=_information(turned, inner, seconds, plain),
        means=means,
        plain=plain,
        inverse=inverse,
        firsts=firsts,
        seconds=seconds,
    )


def _information(turned: Floats, inner: Floats, seconds: Floats, plain: Floats) -> Floats:
    """Expected information of the variances: half the traces of PGPG, (q, q)."""
    count = len(turned)
    flat = turned.reshape(count, -1)
    return np.asarray(
        0.5
        * (
            flat @ turned.swapaxes(-1, -2).reshape(count, -1).T
            - 2 * (seconds.reshape(count * count, -1) @ plain.T.ravel()).reshape(count, count)
            + inner.reshape(count, -1) @ inner.swapaxes(-1, -2).reshape(count, -1).T
        )
    )


def _climb(model: _Model, variances: Floats) -> tuple[Floats, _FitState] | None:
    """Variances at the maximum of the likelihood by Fisher scoring; None where there is none."""
    state = _state(model, variances)
    for _ in range(_STEPS):
        if state is None:
            return None
        try:
            step = np.linalg.solve(state.information, state.score)
        except np.linalg.LinAlgError:
            return None
        if abs(float(step @ state.score)) < _SETTLED:
            return variances, state
        size = 1.0
        while size > 1e-6:
            ahead = _state(model, variances + size * step)
            if ahead is not None and ahead.log_likelihood >= state.log_likelihood - 1e-12:
                break
            size /= 2
        else:
            return None
        variances, state = variances + size * step, ahead
    return None


def _stated(
    model: _Model, variances: Floats, state: _FitState, scale: float, place: NDArray[np.intp]
) -> MixedFit:
    """The fit in the unit of the readings, its covariance raised [2]_."""
    spread: Floats = np.asarray(np.linalg.inv(state.information), dtype=np.float64)
    plain = state.plain
    curved = state.seconds - state.firsts[:, None] @ plain @ state.firsts[None]
    raised = plain + 2 * plain @ (spread[..., None, None] * curved).sum(axis=(0, 1)) @ plain
    weights = plain @ (state.inverse @ model.fixed).reshape(-1, len(plain)).T
    return MixedFit(
        means=state.means * scale,
        covariance=raised * scale**2,
        variances=variances * scale**2,
        log_likelihood=state.log_likelihood - model.free * float(np.log(scale)),
        weights=weights[:, place],
        _plain=plain * scale**2,
        _slopes=np.asarray(plain @ state.firsts @ plain),
        _spread=spread * scale**4,
    )
