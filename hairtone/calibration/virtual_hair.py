"""From camera light to L*a*b* by virtual hair: what hair of such a response looks like [ours].

Thousands of hair reflectances are seen by the fitted camera and light; L*a*b* and reflectance are
regressed on the cube roots of the responses: a cubic, then a local line through what it leaves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats

RIDGE: Final = 1e-4  # of the cubic; our choice
NEIGHBOURS: Final = 200  # of the local line; our choice
LOCAL_RIDGE: Final = np.array([1e-6, 0.002, 0.002, 0.002])  # of level and slopes; our choice
# distance between responses: mean, red-green, yellow-blue; chromatic axes weigh more; our choice
OPPONENT: Final = np.array([[1 / 3, 1 / 3, 1 / 3], [3.0, -3.0, 0.0], [1.5, 1.5, -3.0]]).T
LEAST: Final = 1e-5  # responses below are held there
_POWERS: Final = np.array(
    [(i, j, k) for i in range(4) for j in range(4 - i) for k in range(4 - i - j)]
)


def roots(light: Floats) -> Floats:
    """Cube roots of camera light, the scale all regressions live on."""
    return np.cbrt(np.maximum(light, LEAST))


def cubic(root: Floats) -> Floats:
    """The 20 terms of a cubic, shape (…, 20)."""
    r, g, b = np.moveaxis(root, -1, 0)
    one = np.ones_like(r)
    powers = [[one, v, v * v, v * v * v] for v in (r, g, b)]
    return np.stack([powers[0][i] * powers[1][j] * powers[2][k] for i, j, k in _POWERS], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LocalFit:
    """What the regression says around some colours.

    Attributes
    ----------
    root : ndarray, shape (n, 3)
        Where it was asked.
    shift, slope : ndarray, shape (n, 3) and (n, 3, 3)
        The local line: added to the cubic, and its slope over `root`.
    scatter : ndarray, shape (n, 3, 3)
        Covariance of L*a*b* of hair with this response.
    shapes : ndarray, shape (n, q)
        Mean reflectance of hair with this response, in the prior's basis.
    """

    root: Floats
    shift: Floats
    slope: Floats
    scatter: Floats
    shapes: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairRegression:
    """L*a*b* and reflectance of hair over the cube root of its camera response.

    Attributes
    ----------
    root : ndarray, shape (m, 3)
        Responses of the virtual hair.
    hair : ndarray, shape (m, q)
        Their reflectances in the prior's basis.
    rest : ndarray, shape (m, 3)
        L*a*b* that the cubic leaves.
    coefficients : ndarray, shape (20, 3)
        Of the cubic.
    """

    root: Floats
    hair: Floats
    rest: Floats
    coefficients: Floats

    def cubic_lab(self, root: Floats) -> Floats:
        """L*a*b* by the cubic alone, shape (…, 3)."""
        return np.asarray(cubic(root) @ self.coefficients)

    def lab(self, root: Floats) -> Floats:
        """L*a*b* by the cubic and the local line, shape (n, 3)."""
        return np.asarray(self.cubic_lab(root) + self._lines_through(root).found[:, 0])

    def around(self, root: Floats) -> LocalFit:
        """Local lines through the nearest virtual hair around each colour (n, 3)."""
        local = self._lines_through(root)
        left = self.rest[local.near] - local.line @ local.found
        weight = local.weighted[:, 0]
        scatter = np.swapaxes(left * weight[..., None], 1, 2) @ left
        hair = np.linalg.solve(local.normal, local.weighted @ self.hair[local.near])
        return LocalFit(
            root=root,
            shift=local.found[:, 0],
            slope=local.found[:, 1:],
            scatter=scatter / weight.sum(axis=1)[:, None, None],
            shapes=np.asarray(hair[:, 0], np.float64),
        )

    def _lines_through(self, root: Floats) -> _Lines:
        seen, asked = self.root @ OPPONENT, root @ OPPONENT
        some = _may_be_near(seen, asked)
        seen = seen[some]
        square = (asked**2).sum(axis=1)[:, None] + (seen**2).sum(axis=1) - 2 * asked @ seen.T
        near = np.argpartition(square, NEIGHBOURS, axis=1)[:, :NEIGHBOURS]
        distance = np.sqrt(np.maximum(np.take_along_axis(square, near, axis=1), 0.0))
        reach = distance / distance.max(axis=1, keepdims=True)
        weight = (1 - reach**3) ** 3 + 1e-6
        near = some[near]
        away = self.root[near] - root[:, None]
        line = np.concatenate([np.ones((*near.shape, 1)), away], axis=2)
        weighted = np.swapaxes(line * weight[..., None], 1, 2)
        normal = weighted @ line + np.diag(LOCAL_RIDGE)
        found = np.linalg.solve(normal, weighted @ self.rest[near])
        return _Lines(near=near, line=line, weighted=weighted, normal=normal, found=found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Local lines (n) through k neighbours each: `near` (n, k) of the virtual hair, its terms
    `line` (n, k, 4) and, times their weights, `weighted` (n, 4, k), `normal` (n, 4, 4), and the
    coefficients `found` (n, 4, 3)."""

    near: NDArray[np.intp]
    line: Floats
    weighted: Floats
    normal: Floats
    found: Floats


def _may_be_near(seen: Floats, asked: Floats) -> NDArray[np.intp]:
    """Indices of the `seen` that may be among the nearest of any of the `asked`.

    By the triangle inequality: as many lie within `enough` of the middle of what is asked, so each
    asked colour, `apart` from it, has its nearest within `enough + apart`.
    """
    middle = asked.mean(axis=0)
    apart = np.sqrt(((asked - middle) ** 2).sum(axis=1).max())
    distance = np.sqrt(((seen - middle) ** 2).sum(axis=1))
    enough = np.partition(distance, NEIGHBOURS)[NEIGHBOURS]
    return np.flatnonzero(distance <= (enough + 2 * apart) * (1 + 1e-9))


def regress_hair(hair: Floats, lab: Floats, camera: Floats) -> HairRegression:
    """The regression for one camera and light.

    Parameters
    ----------
    hair : ndarray, shape (m, q)
        Virtual hair in the prior's basis.
    lab : ndarray, shape (m, 3)
        Its L*a*b*.
    camera : ndarray, shape (q, 3)
        Balanced sensitivity x light in the basis.
    """
    root = roots(hair @ camera)
    design = cubic(root)
    normal = design.T @ design + RIDGE * np.eye(design.shape[1])
    coefficients = np.asarray(np.linalg.solve(normal, design.T @ lab), np.float64)
    return HairRegression(
        root=root, hair=hair, rest=lab - design @ coefficients, coefficients=coefficients
    )
