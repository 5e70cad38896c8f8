"""Random scenes: varied, repeatable, things not on top of one another; the demo's folder."""

import csv

import numpy as np
import pytest

from hairtone.scene import Wish, random_scene, render_scene
from hairtone.scene.chart import chart_projection, frame_corners
from hairtone.scene.demo import demo_scene, render_demo
from hairtone.scene.layout import AlongHair, TintedPatch, tress_hair
from hairtone.scene.render import tress_line
from hairtone.spectra.hair import HAIR_CLASSES, HairRecipe, draw_hair, hair_reflectance
from hairtone.spectra.lights import LIGHT_FAMILIES


@pytest.mark.parametrize("protocol", ["careful", "ordinary"])
@pytest.mark.parametrize("tresses", [1, 3])
def test_chart_and_tresses_lie_inside_the_frame_and_apart(protocol, tresses):
    for seed in range(20):
        scene = random_scene(seed, protocol=protocol, tresses=tresses)
        corners = frame_corners(chart_projection(scene.chart, frame_width=scene.size[0]))
        assert (corners > 0).all()
        assert (corners < np.array(scene.size) - 1).all()
        box_low, box_high = corners.min(axis=0), corners.max(axis=0)
        for tress in scene.tresses:
            line = tress_line(tress, points=40)
            assert (line > 0).all()
            assert (line < np.array(scene.size) - 1).all()
            outside = np.maximum(box_low - line, line - box_high).max(axis=1)
            assert outside.min() > tress.width_px / 2


def test_scenes_vary_over_lights_and_hair():
    scenes = [random_scene(seed) for seed in range(60)]

    assert len({scene.light.name for scene in scenes}) >= 8
    assert {scene.light.family for scene in scenes} == set(LIGHT_FAMILIES)
    assert len({scene.camera.name for scene in scenes}) == 60


def test_an_unknown_protocol_is_a_slip():
    with pytest.raises(ValueError, match=r"'hasty'.*careful"):
        random_scene(1, protocol="hasty")


@pytest.mark.parametrize("hair_class", HAIR_CLASSES)
def test_a_class_can_be_asked_for(hair_class):
    scene = random_scene(4, wish=Wish(hair_class=hair_class), size=(320, 240))
    lab = render_scene(scene).truth.tresses[0].span_lab(0, 1)

    low, high = {"dark natural": (5, 38), "white": (60, 95)}.get(hair_class, (15, 85))
    assert low < lab[0] < high


def test_even_fibres_give_the_recipe_everywhere():
    recipe = draw_hair("red", seed=1)

    hair = tress_hair(recipe, fibre_spread=0.0)

    assert hair.shape == (31, 8, 81)
    assert hair == pytest.approx(np.broadcast_to(hair_reflectance(recipe), hair.shape))


def test_porous_ends_hold_more_dye_and_a_missed_patch_less():
    recipe = draw_hair("fashion", seed=3)
    missed = TintedPatch(position=0.5, width=0.05, factor=0.3)

    hair = tress_hair(recipe, AlongHair(dye_at_ends=2.0, onset=0.4, patches=(missed,)))

    light = hair.mean(axis=(1, 2))
    assert light[-1] < light[0]
    assert light[15] > light[5]
    assert light[:8] == pytest.approx(np.full(8, light[0]), rel=1e-3)


def test_white_fibres_come_in_eighths():
    hair = tress_hair(HairRecipe(melanin=30.0), white_share=0.25, fibre_spread=0.0)

    light = hair[0].mean(axis=1)
    assert (light > 0.4).sum() == 2
    assert (light < 0.1).sum() == 6


def test_the_demo_is_a_whole_study(tmp_path, monkeypatch):
    """30 photos in the sheet, all there, read by the study's own reader, the truth beside them."""
    from hairtone.scene import demo
    from hairtone.study.sheet import read_study

    def small(scenario, row, *, number):
        return demo_scene({**scenario, "size": (204, 153)}, row, number=number)

    monkeypatch.setattr(demo, "demo_scene", small)
    folder = render_demo(tmp_path / "my demo", workers=2)

    study = read_study(folder)
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    assert len(study.rows) == 30
    assert all((folder / row.photo).is_file() for row in study.rows)
    assert {row.subject for row in study.rows} == {"T1", "T2", "T3"}
    assert [row.wash_text for row in study.rows][:10] == ["before", *map(str, range(9))]
    assert len(truth) == 90
    assert {row["zone"] for row in truth} == {"roots", "mid_lengths", "ends"}


def test_the_demo_shows_what_it_tells():
    """Truth at wash 0: T1 even, T2's ends darker and redder, T3's leveller in between; all fade."""
    import tomllib

    from hairtone.colorimetry import delta_e
    from hairtone.locations import demo_path

    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    scenario["size"] = [408, 306]

    def zones(subject, wash):
        row = {"subject": subject, "wash": wash, "date": "2026-03-04", "photo": ""}
        return render_scene(demo_scene(scenario, row, number=3)).truth.tresses[0].zones()

    gap = {}
    for subject in ("T1", "T2", "T3"):
        just = zones(subject, "0")
        gap[subject] = delta_e(just["roots"], just["ends"])
        left = [delta_e(zones(subject, w)["ends"], zones(subject, "before")["ends"]) for w in "048"]
        assert left[0] > left[1] > left[2] > 1.0
    assert gap["T1"] < 1.0
    assert gap["T2"] > 3.0
    assert gap["T1"] < gap["T3"] < gap["T2"]
