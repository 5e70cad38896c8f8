"""Print numbers of ten real photographs as JSON: ``ten_real_photos.py FOLDER``.

Corners of the chart, what its patches are off by in the fit and when left out of it, and draws of a
strip along the left side, whatever it shows. A refused strip is told by its code.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

import hairtone as ht

PHOTOS = (
    "lights_chart/1.jpg", "lights_chart/9.jpg", "lights_chart/17.jpg", "lights_chart/13.jpg",
    "arcu/color_checker (2).jpg", "arcu/color_checker_mini (3).jpg",
    "arcu/color_checker (7).jpg", "colour_science/classic_on_wall_1055x709.png",
    "arcu/color_checker_mini (5).jpg", "misc_pedrodiamel/img-colorchecker.jpg",
)  # fmt: skip
ROWS, PLACES = [0, 1, 100, 255], [0, 30, 59]


def numbers_of(path: Path) -> dict[str, Any]:
    """Return what is kept of one photograph."""
    with Image.open(path) as picture:
        width, height = picture.size
    line = [(0.06 * width, 0.15 * height), (0.06 * width, 0.85 * height)]
    result = ht.measure(path, line=line, chart="chart24-after-2014-11")
    told: dict[str, Any] = {
        "photo": path.name,
        "status": result.status,
        "error": result.error.code if result.error else None,
        "flags": sorted(flag.code for flag in result.flags),
        "chart": result.chart.to_dict() if result.chart else None,
        "strips": [],
    }
    for tress in result.tresses:
        strip: dict[str, Any] = {"error": tress.error.code if tress.error else None}
        if tress.profile is not None:
            draws = np.asarray(tress.profile.draws, np.float64)[np.ix_(ROWS, PLACES)]
            strip |= {
                "flags": sorted(flag.code for flag in tress.flags),
                "lab": tress.profile.lab[PLACES].round(3).tolist(),
                "draws": draws.round(3).tolist(),
            }
        told["strips"].append(strip)
    return told


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    paths = [sorted(folder.glob(name))[0] for name in PHOTOS]
    print(json.dumps([numbers_of(path) for path in paths], ensure_ascii=False))
