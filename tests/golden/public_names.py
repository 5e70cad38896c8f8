"""Print what the public names of hairtone give for the photos beside it, one value a line.

Started by ``golden.py`` in a folder with ``photos`` and the study ``hand``. A name that is gone or
is called otherwise shows as a line of its own and stops nothing.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

import hairtone as ht

ROWS, PLACES = [0, 1, 100, 255], [0, 20, 40, 59]  # of the draws that are printed
CHART = "chart24-after-2014-11"


@functools.cache
def measured(name: str) -> Any:
    """Return the result of one photo."""
    return ht.measure(f"photos/{name}", chart=CHART)


def profile(name: str, place: int = 1) -> Any:
    """Return the profile of one hair of a photo."""
    return measured(name).tresses[place - 1].profile


@functools.cache
def study() -> Any:
    """Return the study ``hand``, measured."""
    return ht.measure_study(ht.read_study("hand"))


def draws_of(name: str, place: int) -> dict[str, Any]:
    """Return some draws of one hair as numbers, and the hash of all of them."""
    draws = np.asarray(profile(name, place).draws)
    return {
        "shape": draws.shape,
        "some": draws[np.ix_(ROWS, PLACES)].astype(np.float64).round(3),
        "all": hashlib.sha256(draws.round(3).tobytes()).hexdigest()[:16],
    }


def zone_series(zone: str) -> dict[int, Any]:
    """Return the colour of one zone of block A's first hair, by wash."""
    return {n: ht.zone_estimates(profile(f"A_{n}.jpg"))[zone] for n in (0, 1, 2, 4, 6, 8)}


def leaves(value: Any, path: str) -> Iterator[tuple[str, str]]:
    """Yield the numbers and words in a value, each with the way to it."""
    if hasattr(value, "to_dict") and not hasattr(value, "columns"):
        value = value.to_dict()
    elif hasattr(value, "to_csv"):
        value = value.to_csv(index=False, float_format="%.4f").splitlines()
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        for key, entry in value.items():
            yield from leaves(entry, f"{path}.{key}")
    elif isinstance(value, np.ndarray) and value.size > 400:
        flat = value.reshape(-1).astype(np.float64)
        yield path, f"{value.shape} mean {flat.mean():.4f} first {flat[0]:.4f} last {flat[-1]:.4f}"
    elif isinstance(value, np.ndarray):
        yield (
            path,
            np.array2string(
                value,
                precision=4,
                floatmode="fixed",
                separator=" ",
                threshold=401,
                max_line_width=9999,
            ).replace("\n", "")
            if value.dtype.kind == "f"
            else str(value.tolist()),
        )
    elif isinstance(value, list | tuple):
        for at, entry in enumerate(value):
            yield from leaves(entry, f"{path}[{at}]")
    else:
        yield path, f"{value:.4f}" if isinstance(value, float | np.floating) else str(value)


def root_to_ends(name: str, place: int) -> Any:
    """Return how much roots and ends of one hair differ."""
    return ht.measure_evenness(profile(name, place)).root_to_ends


def compared() -> Any:
    """Return two treatments compared over readings of four pairs, one partner missing."""
    values = {"a": (3.1, 2.7, 3.9, 3.3), "b": (2.2, 2.1, None, 2.9)}
    readings = [
        ht.Reading(value=value, treatment=name, tress=f"{name}{at}", zone="ends", pair=f"P{at}")
        for name, row in values.items()
        for at, value in enumerate(row)
        if value is not None
    ]
    return ht.compare_treatments(readings[::-1], measure="root_to_ends", margin=1.5)


GROUPS = [[3.1, 3.3, 2.9], [2.2, 2.6, 2.4], [2.9, 3.0, 3.4]]

VALUES: dict[str, Callable[[], Any]] = {
    "names": lambda: sorted(ht.__all__),
    "references": lambda: sorted(ht.known_references()),
    "reference": lambda: ht.load_reference(CHART).edition,
    "statuses": lambda: {
        n: measured(n).status for n in ("A_0.jpg", "careless.jpg", "no_chart.jpg", "phone.heic")
    },
    "chart": lambda: measured("A_0.jpg").to_dict()["chart"],
    "deep": lambda: measured("deep.tif").to_dict()["tresses"],
    "profile A_8": lambda: profile("A_8.jpg", 2).lab,
    "profile phone": lambda: profile("phone.heic", 1).lab,
    "profile raw": lambda: profile("camera.dng", 1).lab,
    "sampling": lambda: profile("A_8.jpg", 2).sampling_covariance[::20],
    "draws A_0": lambda: draws_of("A_0.jpg", 1),
    "draws A_8": lambda: draws_of("A_8.jpg", 3),
    "draws careless": lambda: draws_of("careless.jpg", 2),
    "draws raw": lambda: draws_of("camera.dng", 2),
    "frame": lambda: measured("careless.jpg").to_frame(),
    "evenness": lambda: ht.measure_evenness(profile("A_0.jpg", 2)),
    "zones": lambda: {z: e.lab for z, e in ht.zone_estimates(profile("C_0.jpg", 2)).items()},
    "span": lambda: ht.span_estimate(profile("C_0.jpg", 2), 0.3, 0.5).lab,
    "difference": lambda: ht.colour_difference(
        *(ht.zone_estimates(profile("A_8.jpg", 2))[zone] for zone in ("roots", "ends")),
        paired=True,
    ),
    "uptake": lambda: ht.measure_uptake(profile("A_before.jpg", 2), profile("A_0.jpg", 2)),
    "porous": lambda: ht.find_porous_onset(profile("A_before.jpg", 2), profile("A_0.jpg", 2)),
    "fade": lambda: ht.measure_fade(
        ht.zone_estimates(profile("A_before.jpg"))["roots"], zone_series("roots"), zone="roots"
    ),
    "repeatability": lambda: ht.measure_repeatability(GROUPS),
    "repeats": lambda: ht.repeats_needed(0.7, half_width=0.5),
    "leveller": lambda: ht.leveller_effect(
        [root_to_ends("A_0.jpg", 2), root_to_ends("B_0.jpg", 1)],
        [root_to_ends("A_0.jpg", 3), root_to_ends("B_0.jpg", 2)],
    ),
    "plan": lambda: ht.plan_design(("a", "b"), tresses=4, washes=(0, 4), replicates=2, seed=3),
    "comparison": compared,
    "formulas": lambda: [
        float(formula((50.0, 20.0, -30.0), (52.0, 18.0, -25.0)))
        for formula in (ht.delta_e, ht.delta_e_94, ht.delta_e_ab, ht.delta_e_cmc)
    ],
    "conversion": lambda: ht.xyz_to_lab(np.array([20.0, 30.0, 40.0]), white=(95.0, 100.0, 108.0)),
    "study counts": lambda: study().counts,
    "study photo": lambda: study().to_dict()["photos"][0],
    "page": lambda: ht.write_report(ht.analyse(study()), audience="stylist", out="out").name,
}  # fmt: skip

if __name__ == "__main__":
    for name, make in VALUES.items():
        try:
            lines = [f"{path}: {text}" for path, text in leaves(make(), name)]
        except Exception as error:
            lines = [f"{name}: {type(error).__name__}: {error}"]
        print("\n".join(lines), flush=True)
