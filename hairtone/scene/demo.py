"""The invented study, rendered: a training salon's three tresses over eight washes."""

from __future__ import annotations

import csv
import dataclasses
import shutil
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import delta_e
from hairtone.locations import demo_path
from hairtone.scene.layout import CHART_MM, AlongHair, tress_hair
from hairtone.scene.render import render_scene, write_photo
from hairtone.scene.types import (
    ChartPlacement,
    Development,
    Jpeg,
    Lens,
    LightShape,
    Scene,
    SceneTruth,
    Sensor,
    Shine,
    Tress,
    flat_board,
)
from hairtone.spectra.cameras import draw_scene_camera
from hairtone.spectra.hair import Dye, HairRecipe
from hairtone.spectra.lights import white_led

FIBRE_MM: Final = 0.2  # width of a strand that stands out from its neighbour; our choice
FRAME: Final = (1632, 1224)  # pixels the places of chart and tress below are stated in
TRUTH_COLUMNS: Final = (
    "photo", "subject", "wash", "zone", "L", "a", "b", "viewing", "root_to_ends",
    "roots_x", "roots_y", "ends_x", "ends_y",
)  # fmt: skip


def render_demo(folder: Path, *, workers: int = 2) -> Path:
    """Write the invented study: 30 photos, sheet, settings and the truth about them.

    Parameters
    ----------
    folder : Path
        Where the study goes; made if need be. Files of a former demo are replaced.
    workers : int, optional
        Photos rendered at a time.

    Returns
    -------
    Path
        The folder, with ``photos/``, ``photos.csv``, ``study.toml`` and ``truth.csv``.

    Notes
    -----
    The scenario is ``demo/scenario.toml``; the sheet's rows say which photos there are. The same
    hairtone renders the same bytes.
    """
    folder = Path(folder)
    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    with demo_path("photos.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    (folder / "photos").mkdir(parents=True, exist_ok=True)

    def render(number: int) -> SceneTruth:
        row = rows[number]
        photo = render_scene(demo_scene(scenario, row, number=number))
        write_photo(photo, folder / row["photo"])
        return photo.truth

    with ThreadPoolExecutor(max_workers=max(workers, 1)) as pool:
        truths = list(pool.map(render, range(len(rows))))
    for name in ("photos.csv", "study.toml"):
        shutil.copyfile(demo_path(name), folder / name)
    with (folder / "truth.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, TRUTH_COLUMNS, lineterminator="\n")
        writer.writeheader()
        for row, truth in zip(rows, truths, strict=True):
            writer.writerows(_truth_rows(row, truth))
    return folder


def demo_scene(scenario: dict[str, Any], row: dict[str, str], *, number: int) -> Scene:
    """The scene behind a row of the demo's sheet.

    Parameters
    ----------
    scenario : dict
        ``demo/scenario.toml``.
    row : dict
        Of the sheet: photo, subject, wash, date.
    number : int
        Of the row; photos differ in how hair, chart and light lie.
    """
    seed = int(scenario["seed"]) + number
    rng = np.random.default_rng(seed)
    width, height = scenario["size"]
    scale = width / FRAME[0]
    chart_px = float(scenario["chart_width_px"]) * scale
    tone = dict(scenario["development"])
    for key in ("look_chroma", "look_hue"):
        tone[key] = tuple((float(a), float(p)) for a, p in tone[key])
    return Scene(
        size=(width, height),
        light=white_led(**scenario["light"]),
        camera=draw_scene_camera(seed=scenario["camera"]["seed"]),
        chart=ChartPlacement(
            centre=tuple(scale * (np.array([1120.0, 660.0]) + rng.normal(0, 8, 2))),
            width_px=chart_px * rng.normal(1, 0.01),
            turn_deg=rng.normal(0, 1.5),
            tilt_deg=rng.uniform(0, 3),
            tilt_axis_deg=rng.uniform(0, 360),
            gloss=0.0012,
        ),
        tresses=(_tress(scenario, row, rng, scale=scale, mm_per_px=CHART_MM / chart_px),),
        board=flat_board(0.21),
        board_texture=0.01,
        light_shape=LightShape(gradient=tuple(rng.normal(0, 0.03, 2)), vignetting=0.03),
        lens=Lens(flare=0.006, blur_px=0.6),
        sensor=Sensor(exposure=0.66 * rng.normal(1, 0.02), full_well=20_000.0),
        development=Development(**tone),
        jpeg=Jpeg(
            quality=93, taken=f"{row['date']}T{9 + number // 4:02d}:{15 * (number % 4):02d}:00"
        ),
        seed=seed,
    )


def _taken(row: dict[str, str], number: int) -> str:
    """When the photo was taken: before colouring in the morning, after it in the afternoon."""
    hour = 9 if row["wash"] == "before" else 14
    return f"{row['date']}T{hour:02d}:{number:02d}:00"


def _tress(
    scenario: dict[str, Any],
    row: dict[str, str],
    rng: np.random.Generator,
    *,
    scale: float,
    mm_per_px: float,
) -> Tress:
    hair = dict(scenario["hair"])
    fibre_spread = hair.pop("fibre_spread")
    recipe = HairRecipe(**hair, dyes=tuple(Dye(**dye) for dye in scenario["dyes"]))
    dye, along = _after_washes(scenario["tresses"][row["subject"]], row["wash"])
    roots = np.array([440.0, 190.0]) + rng.normal(0, 6, 2)
    ends = np.array([440.0, 1110.0]) + rng.normal(0, 10, 2)
    return Tress(
        roots=tuple(scale * roots),
        ends=tuple(scale * ends),
        width_px=150.0 * scale,
        hair=tress_hair(recipe, along, dye=dye, fibre_spread=fibre_spread),
        bow_px=rng.normal(0, 5) * scale,
        taper=0.12,
        fibre_px=max(1.0, FIBRE_MM / mm_per_px),
        strand_shading=0.08,
        lock_shading=0.012,
        curvature=0.1,
        shines=(Shine(position=rng.uniform(0.3, 0.45), width=0.07, strength=0.02),),
        cast_shadow=0.12,
    )


def _after_washes(course: dict[str, float], wash: str) -> tuple[float, AlongHair]:
    """Dye left at the roots, and what changes along the hair, at that wash."""
    along = AlongHair(
        dye_at_ends=course["uptake"], melanin_at_ends=course["lightened"], onset=course["onset"]
    )
    if wash == "before":
        return 0.0, along
    n = int(wash)
    left = course["fast"] * np.exp(-n / course["fast_washes"])
    left += (1 - course["fast"]) * np.exp(-n / course["slow_washes"])
    faster = left ** (course["ends_loss"] - 1)
    return float(left), dataclasses.replace(along, dye_at_ends=course["uptake"] * float(faster))


def _truth_rows(row: dict[str, str], truth: SceneTruth) -> list[dict[str, Any]]:
    tress = truth.tresses[0]
    zones = tress.zones()
    first, last = tress.line[0], tress.line[-1]
    return [
        {
            "photo": row["photo"],
            "subject": row["subject"],
            "wash": row["wash"],
            "zone": zone,
            **{axis: f"{value:.3f}" for axis, value in zip("Lab", lab, strict=True)},
            "viewing": "D65/10",
            "root_to_ends": f"{float(delta_e(zones['roots'], zones['ends'])):.3f}",
            "roots_x": f"{first[0]:.1f}",
            "roots_y": f"{first[1]:.1f}",
            "ends_x": f"{last[0]:.1f}",
            "ends_y": f"{last[1]:.1f}",
        }
        for zone, lab in zones.items()
    ]
