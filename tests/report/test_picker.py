"""Lines clicked on a photograph come back in its own pixels, whatever the zoom."""

from __future__ import annotations

import dataclasses
import io
import json

import numpy as np
import pytest
from PIL import Image
from report.browser import opened_browser, opened_page

from hairtone.photo.types import Encoding, Photo
from hairtone.report import picker as picker_module
from hairtone.report.picker import Picker, pick, points_text, preview_jpeg

WIDTH, HEIGHT = 1632, 1224
IDENTITY = np.repeat(np.linspace(0, 1, 256)[:, None], 3, axis=1)


def photo(*, width=WIDTH, height=HEIGHT, mark=None):
    """A grey photograph with a white cross at `mark`."""
    pixels = np.full((height, width, 3), 120, np.uint8)
    if mark:
        x, y = mark
        pixels[y - 40 : y + 41, x - 1 : x + 2] = 255
        pixels[y - 1 : y + 2, x - 40 : x + 41] = 255
    return Photo(
        name="tress.jpg",
        sha256="0" * 64,
        pixels=pixels,
        encoding=Encoding(name="sRGB", table=IDENTITY, to_xyz=np.eye(3)),
    )


def test_a_line_set_from_python_is_written_as_the_sheet_wants_it():
    picker = pick(photo())

    picker.set_line([[10, 20.04], [30.26, 400]], place=2, width=90)

    assert picker.line_text(2) == "10,20 30.3,400"
    assert picker.line_text(1) == ""  # one hair is still without a line
    assert [line["place"] for line in picker.lines] == [1, 2]


def test_outlines_follow_the_lines():
    """A dark stripe of 120 pixels on grey: its outline, to a step of a 240th of the length."""
    made = photo()
    pixels = np.array(made.pixels)
    pixels[:, 640:760] = (40 + np.arange(120) % 4 * 12)[:, None]
    picker = pick(dataclasses.replace(made, pixels=pixels))

    picker.set_line([[700, 100], [700, 1100]])
    (free,) = picker.outlines
    picker.set_line([[700, 100], [700, 1100]], width=60, regrowth=[700, 300])
    (limited,) = picker.outlines
    picker.set_line([[700, 100], [700, 130]])
    (short,) = picker.outlines

    assert np.ptp(np.array(free["points"])[:, 0]) == pytest.approx(120, abs=2 * 1000 / 240)
    assert np.ptp(np.array(limited["points"])[:, 0]) == pytest.approx(60, abs=0.1)
    assert np.array(limited["points"])[:, 1].min() == pytest.approx(300, abs=0.1)
    assert (short["points"], short["doubt"]) == ([], True)
    assert "30 pixels long" in short["says"]


def test_one_point_is_no_line_and_three_corners_are_no_chart():
    picker = pick(photo())

    picker.set_line([[10, 20]])
    picker.corners = [[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]]

    assert picker.line_text() == ""
    assert picker.corners_text() == ""


def test_points_that_are_no_points_are_refused():
    with pytest.raises(ValueError, match=r"shape \(3,\), expected \(n, 2\)"):
        pick(photo(), corners=[1.0, 2.0, 3.0])


@pytest.mark.parametrize("size", [(1632, 1224), (4032, 3024), (600, 900)])
def test_the_preview_has_the_photos_shape_and_no_notes(size):
    width, height = size

    shown = Image.open(io.BytesIO(preview_jpeg(photo(width=width, height=height))))

    assert max(shown.size) == min(1600, max(size))
    assert shown.width / shown.height == pytest.approx(width / height, abs=0.002)  # half a pixel
    assert not shown.getexif()
    assert np.asarray(shown).mean() == pytest.approx(120, abs=1)  # JPEG's rounding


def test_a_linear_photo_is_shown_with_a_tone_curve():
    raw = photo(width=100, height=80)
    linear = Photo(
        name="a.dng",
        sha256=raw.sha256,
        pixels=raw.pixels,
        encoding=Encoding(name="linear raw", table=IDENTITY, to_xyz=np.eye(3), is_linear=True),
    )

    shown = np.asarray(Image.open(io.BytesIO(preview_jpeg(linear))))

    # IEC 61966-2-1 of 120/255: 1.055 * 0.4706 ** (1 / 2.4) - 0.055 = 0.7157, 182.5 of 255
    assert shown.mean() == pytest.approx(182.5, abs=1.5)


def page_of(picker):
    """The widget's own files on a page with a stand-in for the notebook's model."""
    script = (picker_module._WEB / "picker.js").read_text(encoding="utf-8")
    style = (picker_module._WEB / "picker.css").read_text(encoding="utf-8")
    state = {
        name: getattr(picker, name)
        for name in ("name", "size", "lines", "outlines", "corners", "mode", "current")
    }
    return f"""<!doctype html><meta charset="utf-8"><style>{style}</style><div id="here"></div>
<script type="module">
const state = {json.dumps(state)};
state.image = new Uint8Array({list(picker.image)});
const heard = {{}};
window.model = {{
  state,
  saved: {{}},
  get: (name) => state[name],
  set: (name, value) => {{ state[name] = value; }},
  on: (name, act) => {{ (heard[name] ||= []).push(act); }},
  off: () => {{}},
  save_changes: () => {{
    window.model.saved = JSON.parse(JSON.stringify({{...state, image: null}}));
  }},
  tell: (name, value) => {{
    state[name] = value;
    (heard["change:" + name] || []).forEach((f) => f());
  }},
}};
{script.replace("export default", "const widget =")}
widget.render({{ model: window.model, el: document.getElementById("here") }});
</script>"""


@pytest.fixture(scope="module")
def browser():
    with opened_browser() as running:
        yield running


@pytest.fixture
def page(browser):
    with opened_page(browser) as opened:
        opened.set_content(page_of(pick(photo(mark=(800, 600)))))
        opened.wait_for_selector("svg image")
        yield opened
        assert not opened.said


def place_on_screen(page, x, y):
    """Where an original pixel lies in the window."""
    return page.evaluate(
        """([x, y]) => { const svg = document.querySelector(".ht-pick svg");
        const p = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM()); return [p.x, p.y]; }""",
        [x, y],
    )


def click(page, x, y):
    page.mouse.click(*place_on_screen(page, x, y))


def lines(page):
    return page.evaluate("window.model.saved.lines")


@pytest.mark.browser
def test_clicks_read_back_within_a_pixel_and_survive_zoom(page):
    wanted = [[300.0, 100.0], [320.0, 600.0], [310.0, 1100.0]]

    click(page, *wanted[0])
    page.keyboard.press("+")
    page.keyboard.press("+")
    page.evaluate("document.querySelector('.ht-pick .view').scrollTo(0, 0)")
    for point in wanted[1:]:
        page.evaluate(
            """([x, y, width]) => { const view = document.querySelector(".ht-pick .view");
            const svg = view.querySelector("svg"), s = svg.clientWidth / width;
            view.scrollTo(x * s - 200, y * s - 200); }""",
            [*point, WIDTH],
        )
        click(page, *point)

    found = np.array(lines(page)[0]["points"])
    assert np.abs(found - wanted).max() <= 1.0  # the promise: within 1 px of the original


@pytest.mark.browser
def test_the_picture_lies_under_the_coordinates_it_is_read_in(page):
    """The white cross drawn at (800, 600) is found where that pixel is said to be."""
    x, y = place_on_screen(page, 800, 600)
    size = 9

    shot = page.screenshot(
        clip={"x": x - size, "y": y - size, "width": 2 * size, "height": 2 * size}
    )

    grey = np.asarray(Image.open(io.BytesIO(shot)).convert("L"), dtype=float)
    rows, columns = grey.mean(axis=1), grey.mean(axis=0)
    middle = [np.average(np.arange(2 * size) + 0.5, weights=v - v.min()) for v in (columns, rows)]
    assert middle == pytest.approx([size, size], abs=1.0)  # a screen pixel


@pytest.mark.browser
def test_points_are_dragged_nudged_deleted_and_reversed(page):
    for point in ((300, 100), (300, 500), (300, 900)):
        click(page, *point)
    page.mouse.move(*place_on_screen(page, 300, 500))
    page.mouse.down()
    page.mouse.move(*place_on_screen(page, 400, 520), steps=4)
    page.mouse.up()
    dragged = lines(page)[0]["points"]
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    nudged = lines(page)[0]["points"]
    page.keyboard.press("r")
    reversed_line = lines(page)[0]["points"]
    page.keyboard.press("]")
    page.keyboard.press("Delete")

    assert dragged[1] == pytest.approx([400, 520], abs=1.0)
    assert nudged[1] == pytest.approx([dragged[1][0] + 1, dragged[1][1] + 10], abs=0.05)
    assert reversed_line == nudged[::-1]
    assert lines(page)[0]["points"] == reversed_line[1:]


@pytest.mark.browser
def test_the_square_sets_the_width_of_the_strip(page):
    for point in ((300, 200), (300, 1000)):
        click(page, *point)
    grip = page.locator(".ht-pick .grip").bounding_box()
    page.mouse.move(grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2)
    page.mouse.down()
    page.mouse.move(*place_on_screen(page, 260, 600), steps=4)
    page.mouse.up()

    assert lines(page)[0]["width"] == pytest.approx(80, abs=2.0)  # twice 40, a pixel a side


def outline(points, *, of, doubt=False):
    return {"place": 1, "of": of, "points": points, "says": "As wide as that.", "doubt": doubt}


@pytest.mark.browser
def test_the_outline_is_drawn_where_it_was_grown_and_only_for_its_own_line(page):
    ground = [[[300, 200], [300, 1000]], None, None]
    for point in ground[0]:
        click(page, *point)
    corners = [[250, 200], [360, 1000], [300, 1000]]
    ground[0] = lines(page)[0]["points"]

    page.evaluate("(o) => window.model.tell('outlines', [o])", outline(corners, of=ground))
    drawn = page.locator(".ht-pick polygon.edge").get_attribute("points")
    said = page.locator(".ht-pick .says").text_content()
    page.keyboard.press("ArrowRight")

    assert drawn == "250,200 360,1000 300,1000"
    assert "As wide as that." in said
    assert page.locator(".ht-pick polygon.edge").count() == 0  # the line has moved on


@pytest.mark.browser
def test_a_doubtful_outline_is_told_apart_without_colour(page):
    for point in ((300, 200), (300, 1000)):
        click(page, *point)
    ground = [lines(page)[0]["points"], None, None]
    corners = [[250, 200], [360, 1000], [300, 1000]]

    page.evaluate(
        "(o) => window.model.tell('outlines', [o])", outline(corners, of=ground, doubt=True)
    )

    assert page.locator(".ht-pick polygon.doubt").get_attribute("stroke-dasharray") != "none"


@pytest.mark.browser
def test_the_mark_of_new_growth_lies_on_the_line_and_survives_zoom(page):
    for point in ((300, 100), (300, 1100)):
        click(page, *point)
    page.click("[data-act=mark]")
    page.keyboard.press("+")
    page.evaluate("document.querySelector('.ht-pick .view').scrollTo(0, 0)")
    click(page, 309, 260)
    marked = lines(page)[0]
    page.mouse.move(*place_on_screen(page, 300, 260))
    page.mouse.down()
    page.mouse.move(*place_on_screen(page, 340, 330), steps=4)
    page.mouse.up()
    dragged = lines(page)[0]
    page.keyboard.press("m")

    assert marked["mark"] == pytest.approx([300, 260], abs=1.0)
    assert dragged["mark"] == pytest.approx([300, 330], abs=1.0)
    assert len(dragged["points"]) == 2  # neither click added a point to the line
    assert lines(page)[0]["mark"] is None


@pytest.mark.browser
def test_the_mark_follows_its_line_and_the_width_can_be_set_free(page):
    page.evaluate(
        "window.model.tell('lines', [{place: 1, points: [[300, 100], [300, 1100]], width: 80, "
        "mark: [300, 260]}])"
    )
    page.locator(".ht-pick svg").focus()
    page.keyboard.press("]")
    page.keyboard.press("]")
    page.keyboard.press("Shift+ArrowRight")
    moved = lines(page)[0]
    page.click("[data-act=free]")

    assert moved["points"][1] == [310, 1100]
    assert moved["mark"][0] == pytest.approx(301.6, abs=0.15)  # 160 of 1000 down, 10 aside
    assert lines(page)[0]["width"] is None
    assert page.locator("[data-act=free]").is_hidden()


@pytest.mark.browser
def test_several_hairs_and_the_charts_corners_are_kept_apart(page):
    for point in ((300, 200), (300, 1000)):
        click(page, *point)
    page.click("[data-act=add]")
    for point in ((600, 200), (600, 1000)):
        click(page, *point)
    page.click("[data-act=corners]")
    for point in ((900, 300), (1400, 300), (1400, 700), (900, 700), (950, 350)):
        click(page, *point)

    saved = page.evaluate("window.model.saved")
    assert [line["place"] for line in saved["lines"]] == [1, 2]
    assert [len(line["points"]) for line in saved["lines"]] == [2, 2]
    assert (
        np.abs(
            np.array(saved["corners"]) - [[900, 300], [1400, 300], [1400, 700], [900, 700]]
        ).max()
        <= 1
    )


@pytest.mark.browser
def test_undo_takes_the_last_step_back_and_python_is_heard(page):
    click(page, 300, 200)
    click(page, 300, 1000)
    page.keyboard.press("z")
    after_undo = lines(page)[0]["points"]
    page.evaluate(
        "window.model.tell('lines', [{place: 1, points: [[5, 5], [50, 60]], width: null}])"
    )

    assert len(after_undo) == 1
    assert page.locator(".ht-pick .dot").count() == 2


@pytest.mark.browser
def test_a_hostile_file_name_is_text(browser):
    picker = Picker(
        image=preview_jpeg(photo(width=200, height=100)),
        name='<img src=x onerror="window.ran = 1">',
        size=[200, 100],
        lines=[],
    )
    with opened_page(browser) as page:
        page.set_content(page_of(picker))
        page.wait_for_selector("svg image")

        assert page.evaluate("window.ran") is None


def test_points_are_told_to_a_tenth_of_a_pixel():
    assert points_text([[1.04, 2.06], [3, 4]]) == "1,2.1 3,4"
