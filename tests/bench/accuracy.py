"""How true the figures are: rendered photos of known truth, and real photos of a chart.

``python tests/bench/accuracy.py [--photos 40] [--first 0] [--raw] [--protocol both] [--cache DIR]
[--real]``

Rendered photos come from cameras, lights and hair that the calibration's prior does not contain.
Each is measured as found and along its true line, and by general libraries in the same run.
"""

from __future__ import annotations

import argparse
import io
import tempfile
import time
from pathlib import Path

import numpy as np
from baseline import baseline_zones
from cases import Case, rendered_cases
from PIL import Image
from real_photos import print_real_photos
from scoring import Score, print_coverage, print_errors, score_zones

from hairtone import pipeline
from hairtone.chart.reference import DEFAULT_CHART, load_reference
from hairtone.colorimetry import Floats
from hairtone.errors import HairtoneError
from hairtone.photo.encodings import linear_raw_encoding
from hairtone.photo.types import Photo
from hairtone.request import HairRequest, PhotoRequest
from hairtone.result import TressResult
from hairtone.scene.types import ZONES

LINE_WIDTH = 0.8  # width of a given strip, share of the tress


def main() -> None:
    """Render, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=40, help="rendered photos (default 40)")
    parser.add_argument("--first", type=int, default=0, help="number of the first: other draws")
    parser.add_argument("--raw", action="store_true", help="linear sensor values, no camera tone")
    parser.add_argument("--protocol", choices=("careful", "ordinary", "both"), default="both")
    parser.add_argument("--cache", type=Path, help="folder that keeps rendered photos")
    parser.add_argument("--real", action="store_true", help="real photos of a chart too")
    parser.add_argument("--verbose", action="store_true", help="one line a photo")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        cases = rendered_cases(
            arguments.photos,
            is_raw=arguments.raw,
            protocol=arguments.protocol,
            cache=arguments.cache,
            first=arguments.first,
        )
        if cases:
            compare(cases, Path(scratch), is_verbose=arguments.verbose)
    if arguments.real:
        print_real_photos(is_verbose=arguments.verbose)


def compare(cases: list[Case], scratch: Path, *, is_verbose: bool) -> None:
    """Every way of measuring over every case, and the table."""
    reference = load_reference(DEFAULT_CHART)
    found: list[Score] = []
    given: list[Score] = []
    plain: list[Score] = []
    unaided, took, astray = 0, 0.0, []
    for case in cases:
        begun = time.process_time()
        ours = measured(case, scratch, is_line_given=False)
        took += time.process_time() - begun
        along = measured(case, scratch, is_line_given=True)
        picture = case.pixels if case.pixels is not None else _decoded(case.jpeg)
        zones, chart_found = baseline_zones(picture, case.tress, case.corners, reference=reference)
        unaided += chart_found
        plain.append(score_zones(zones, case.zones, facts=facts_of(case)))
        for result, scores in ((ours, found), (along, given)):
            if isinstance(result, Score):
                scores.append(result)
        if isinstance(ours, Score) and ours.hairs != 1:
            astray.append(f"{case.number} ({ours.hairs})")
        if is_verbose or isinstance(ours, str) or isinstance(along, str):
            print(_line(case, ours, along, plain[-1]))
    lights = len({case.light for case in cases})
    print(f"\n{len(cases)} rendered photos, {lights} lights, {took / len(cases):.2f} s CPU a photo")
    print(f"{'':<34} {'done':>7}  {'colour ΔE00':>13}  {'root to ends':>13}  {'L*':>6}")
    print_errors("hairtone, hair found", found, photos=len(cases))
    print_errors("hairtone, line given", given, photos=len(cases))
    print_errors("OpenCV + 3×3 + scikit-image", plain, photos=len(cases))
    print(f"OpenCV found the chart by itself in {unaided} of {len(cases)}.")
    print(f"Photos with another number of tresses found than 1: {', '.join(astray) or 'none'}.")
    for name, scores in (("hair found", found), ("line given", given)):
        if scores:
            print_coverage(name, scores)


def measured(case: Case, scratch: Path, *, is_line_given: bool) -> Score | str:
    """The score of hairtone on a case, or the reason it was refused."""
    hair = HairRequest(place=0, roots=case.roots_side)
    if is_line_given:
        width = LINE_WIDTH * case.tress.width
        hair = HairRequest(place=1, line=case.tress.line, width=width)
    try:
        tresses = _tresses(case, scratch / f"{case.number}.jpg", hair)
    except HairtoneError as error:
        return f"{error.code}: {error.says}"
    tress = min(tresses, key=lambda t: _distance(t, case), default=None)
    if tress is None or tress.error is not None:
        return "no hair" if tress is None else f"{tress.error.code}: {tress.error.says}"
    told = tress.to_dict()
    return score_zones(
        {zone: np.array(told["zones"][zone]["lab"]) for zone in ZONES},
        case.zones,
        u95={zone: told["zones"][zone]["u95"] for zone in ZONES},
        gap=told["evenness"]["root_to_ends"],
        facts=facts_of(case),
        hairs=len(tresses),
    )


def tress_of(case: Case) -> TressResult | None:
    """The hair of a case as found; None where the photo was refused."""
    hair = HairRequest(place=0, roots=case.roots_side)
    with tempfile.TemporaryDirectory() as scratch:
        try:
            tresses = _tresses(case, Path(scratch) / "photo.jpg", hair)
        except HairtoneError:
            return None
    return min(tresses, key=lambda t: _distance(t, case), default=None)


def _tresses(case: Case, path: Path, hair: HairRequest) -> tuple[TressResult, ...]:
    request = PhotoRequest(path=path, chart_is_stated=True, hairs=(hair,))
    if case.pixels is None:
        path.write_bytes(case.jpeg)
        result = pipeline.measure_photo(request)
    else:
        result = pipeline.measure_pixels(_raw_photo(case), request)
    if result.error is not None:
        raise result.error
    return result.tresses


def _raw_photo(case: Case) -> Photo:
    return Photo(
        name=f"{case.number}.raw",
        sha256=f"{case.number:064x}",
        pixels=case.pixels,
        encoding=linear_raw_encoding(65536),
        format="RAW",
    )


def _distance(tress: TressResult, case: Case) -> float:
    if tress.line is None:
        return np.inf
    middle = np.asarray(tress.line).mean(axis=0)
    return float(np.hypot(*(middle - case.tress.line.mean(axis=0))))


def facts_of(case: Case) -> dict[str, str]:
    """What a score is grouped by."""
    return {
        "hair_class": case.hair_class,
        "light_family": case.light_family,
        "protocol": case.protocol,
    }


def _decoded(jpeg: bytes) -> Floats:
    return np.asarray(Image.open(io.BytesIO(jpeg)))


def _line(case: Case, ours: Score | str, along: Score | str, plain: Score) -> str:
    def told(score: Score | str) -> str:
        if isinstance(score, str):
            return f"[{score}]"
        said = " ".join(f"{e:.1f}({u:.1f})" for e, u in zip(score.errors, score.u95, strict=True))
        return f"{said} gap {score.gap_error:+.2f}"

    return (
        f"{case.number:>3} {case.protocol[:4]} {case.hair_class[:7]:<7} {case.light[:22]:<22} "
        f"{told(ours)} | line {told(along)} | plain {plain.errors.mean():.1f} "
        f"gap {plain.gap_error:+.2f}"
    )


if __name__ == "__main__":
    main()
