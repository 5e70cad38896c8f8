"""Published values recomputed with this project's own code, each with source and deviation."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from hairtone.chart.reference import load_reference
from hairtone.colorimetry import VIEWINGS, Floats, delta_e, xyz_to_lab
from hairtone.errors import StoreError
from hairtone.measures.fade import fit_curves
from hairtone.measures.words import grade_change

Row = dict[str, str]
_FOUR: Final = 0.5e-4  # half the last of four published decimals
_CERTIFIED: Final = 1e-4  # relative; the source asks four digits of a good solver


class Recomputed(NamedTuple):
    """One published value and what this project computes for it.

    Attributes
    ----------
    what, source : str
        The value, and who published it.
    published, found, tolerance : float
        Same units; the tolerance is what the source's last digit allows, or as the source states.
    """

    what: str
    source: str
    published: float
    found: float
    tolerance: float


def run_checks(tables: Path) -> Any:
    """Every published check as a DataFrame.

    Parameters
    ----------
    tables : Path
        Folder with the published tables, source on line 1 of each.

    Returns
    -------
    DataFrame
        what, source, published, found, deviation, tolerance, passed.

    Raises
    ------
    StoreError
        A table is missing.
    """
    import pandas as pd

    checks = [check for run in _RUNS for check in run(tables)]
    frame = pd.DataFrame(checks, columns=list(Recomputed._fields))
    frame["deviation"] = frame.found - frame.published
    frame["passed"] = frame.deviation.abs() <= frame.tolerance
    order = ["what", "source", "published", "found", "deviation", "tolerance", "passed"]
    return frame[order]


def summary(checks: Any) -> Any:
    """Checks by source: how many, the largest deviation against its tolerance, how many passed.

    Parameters
    ----------
    checks : DataFrame
        From `run_checks`.
    """
    share = (checks.deviation.abs() / checks.tolerance).rename("worst, share of tolerance")
    frame = checks.assign(**{share.name: share}).groupby("source", sort=False)
    found = frame.agg({"what": "size", share.name: "max", "passed": "sum"})
    return found.rename(columns={"what": "values"}).round(3).reset_index()


def _rows(tables: Path, name: str) -> tuple[str, list[Row]]:
    """Source and rows of a table."""
    path = tables / name
    if not path.is_file():
        raise StoreError(
            "table-missing",
            f"The published table {name} is not there.",
            where=tables.name,
            remedy="Give the checkout's folder 'shared' as TABLES.",
        )
    lines = path.read_text(encoding="utf-8").splitlines()
    source = lines[0].removeprefix("# source:").strip()
    return source, list(csv.DictReader(line for line in lines if not line.startswith("#")))


def _numbers(row: Row, *names: str) -> Floats:
    return np.array([float(row[name]) for name in names])


def _differences(tables: Path) -> Iterator[Recomputed]:
    source, rows = _rows(tables, "ciede2000_sharma_2005.csv")
    for row in rows:
        found = float(delta_e(_numbers(row, "L1", "a1", "b1"), _numbers(row, "L2", "a2", "b2")))
        what = f"CIEDE2000, pair {row['pair']}"
        yield Recomputed(what, source, float(row["delta_e_00"]), found, _FOUR)


def _cielab(tables: Path) -> Iterator[Recomputed]:
    source, rows = _rows(tables, "cielab_from_xyz_cie142.csv")
    for row in rows:
        for side in "12":
            xyz = _numbers(row, f"X{side}", f"Y{side}", f"Z{side}")
            found, loose = xyz_to_lab(xyz), _FOUR + _spread_of_rounding(xyz)
            for axis, value, tolerance in zip("Lab", found, loose, strict=True):
                what = f"CIELAB {axis}*, pair {row['pair']}, colour {side}"
                yield Recomputed(what, source, float(row[f"{axis}{side}"]), float(value), tolerance)


def _spread_of_rounding(xyz: Floats) -> Floats:
    """How far L*a*b* can move when XYZ was rounded to four decimals: 0.002 in a* when dark."""
    moved = xyz_to_lab(xyz + _FOUR * np.eye(3)) - xyz_to_lab(xyz)
    return np.asarray(np.abs(moved).sum(axis=0))


def _greys(tables: Path) -> Iterator[Recomputed]:
    source, rows = _rows(tables, "iso105_a02_greys.csv")
    for row in rows:
        step = float(row["difference"])
        grade = grade_change([50.0, 0.0, 0.0], [50.0 + step, 0.0, 0.0])
        numbers = [float(part) for part in row["grade"].split("-")]
        # steps are printed to 0.1; 0.05 of a difference is at most 0.05 / 0.85 / ln 2 of a grade
        yield Recomputed(f"grey scale grade {row['grade']}", source, float(np.mean(numbers)),
                    float(grade.gsc), 0.06)  # fmt: skip


def _editions(tables: Path) -> Iterator[Recomputed]:
    source, rows = _rows(tables, "chart24_editions.csv")
    for row in rows:
        pair = [load_reference(row[key]).lab(VIEWINGS["D50/2"]) for key in ("first", "second")]
        apart = delta_e(*pair)
        what = f"{row['first']} against {row['second']}"
        # each edition meets its published Lab to 0.005
        yield Recomputed(f"{what}, mean", source, float(row["mean"]), float(apart.mean()), 0.01)
        yield Recomputed(
            f"{what}, largest", source, float(row["largest"]), float(apart.max()), 0.01
        )


def _rising(x: Floats, b: Floats) -> Floats:
    return np.asarray(b[:, :1] * (1 - np.exp(-b[:, 1:2] * x)))


def _two_falls(x: Floats, b: Floats) -> Floats:
    falls = b[:, 1:2] * np.exp(-x * b[:, 3:4]) + b[:, 2:3] * np.exp(-x * b[:, 4:5])
    return np.asarray(b[:, :1] + falls)


_CURVES: Final[dict[str, Callable[[Floats, Floats], Floats]]] = {
    "Misra1a": _rising,
    "BoxBOD": _rising,
    "MGH17": _two_falls,
}


def _curve_fits(tables: Path) -> Iterator[Recomputed]:
    source, rows = _rows(tables, "strd_nonlinear_certified.csv")
    _, data = _rows(tables, "strd_nonlinear_data.csv")
    for name, curve in _CURVES.items():
        mine = [row for row in rows if row["dataset"] == name]
        x, y = np.array([_numbers(r, "x", "y") for r in data if r["dataset"] == name]).T
        start = np.array([float(row["start2"]) for row in mine])
        fit = fit_curves(
            lambda b, curve=curve, x=x: curve(x, b),  # type: ignore[misc]
            y[None],
            start,
            white=np.eye(len(y)),
        )
        spread = np.sqrt(fit.squares[0] / float(mine[0]["dof"]) * np.diag(fit.covariance[0]))
        for row, value, sd in zip(mine, fit.parameters[0], spread, strict=True):
            published, published_sd = float(row["certified"]), float(row["certified_sd"])
            what = f"{name}, {row['parameter']}"
            yield Recomputed(what, source, published, float(value), _CERTIFIED * abs(published))
            yield Recomputed(
                f"{what}, SD", source, published_sd, float(sd), _CERTIFIED * published_sd
            )


_RUNS: Final = (_differences, _cielab, _greys, _editions, _curve_fits)
