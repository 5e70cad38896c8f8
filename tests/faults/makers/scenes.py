"""What the camera saw."""

import numpy as np
from faults.makers.material import SkipFault, delin, fault, lin
from PIL import Image, ImageFilter


def _chartpix(s):
    x0, y0, x1, y1 = s.box("chart")
    return x0, y0, x1, y1, s.a.astype(float).copy()


@fault("SCN-01", "refused", ["chart", "not found"])
def _(s):
    """chart missing"""
    x0, y0, x1, y1, a = _chartpix(s)
    a[y0:y1, x0:x1] = np.median(a[max(0, y0 - 40) : y0, x0:x1].reshape(-1, 3), 0)
    s.scene(a)
    s.sheet()


@fault("SCN-02", "refused", ["chart-covered"])
def _(s):
    """35 % of the chart covered by a skin-coloured shape"""
    x0, y0, x1, y1, a = _chartpix(s)
    a[y0:y1, x0 : x0 + int(0.35 * (x1 - x0))] = (205, 160, 135)
    s.scene(a)
    s.sheet()


@fault("SCN-03", "correct", [])
def _(s):
    """chart upside down: found by its patches, the same number"""
    x0, y0, x1, y1, a = _chartpix(s)
    a[y0:y1, x0:x1] = a[y0:y1, x0:x1][::-1, ::-1]
    s.scene(a)
    s.sheet()


@fault("SCN-04", "flagged", ["mirrored"])
def _(s):
    """whole photo mirrored (front camera)"""
    s.box("chart")
    s.scene(s.a[:, ::-1])
    s.sheet()


@fault("SCN-05", "refused", ["two charts"])
def _(s):
    """a second, smaller chart"""
    x0, y0, x1, y1, a = _chartpix(s)
    im = Image.fromarray(a[y0:y1, x0:x1].astype("uint8"))
    k = min(0.5, 0.9 * max(y0, s.h - y1) / (y1 - y0))
    if k < 0.1:
        raise SkipFault("no room above or below the chart")
    b = np.asarray(im.resize((int(im.width * k), int(im.height * k))))
    ty = 0 if y0 > s.h - y1 else s.h - b.shape[0]
    a[ty : ty + b.shape[0], s.w - b.shape[1] :] = b
    s.scene(a)
    s.sheet()


@fault("SCN-06", "refused", ["chart", "version"])
def _(s):
    """another chart version: same layout, every patch off by a few units"""
    x0, y0, x1, y1, a = _chartpix(s)
    g = np.random.default_rng(s.seed).normal(0, 14, (4, 6, 3))
    k = np.kron(g, np.ones((-(-(y1 - y0) // 4), -(-(x1 - x0) // 6), 1)))[: y1 - y0, : x1 - x0]
    a[y0:y1, x0:x1] += k
    s.scene(a)
    s.sheet()


@fault("SCN-07", "flagged", ["clipped"])
def _(s):
    """highlights clipped (linear gain 2.5)"""
    s.scene(delin(lin(s.a) * 2.5))
    s.sheet()


@fault("SCN-08", "refused", ["under-exposed"])
def _(s):
    """4.5 stops under"""
    s.scene(delin(lin(s.a) * 0.044))
    s.sheet()


@fault("SCN-09", "flagged", ["blur"])
def _(s):
    """motion blur, 41 px"""
    a = s.a.astype(float)
    k = 41
    c = np.cumsum(np.pad(a, ((0, 0), (k // 2 + 1, k // 2), (0, 0)), "edge"), 1)
    s.scene((c[:, k:] - c[:, :-k]) / k)
    s.sheet()


@fault("SCN-10", "flagged", ["blur"])
def _(s):
    """out of focus"""
    s.scene(np.asarray(s.rgb.filter(ImageFilter.GaussianBlur(9))))
    s.sheet()


@fault("SCN-11", "refused", ["mixed light"])
def _(s):
    """warm light on the left, cool on the right"""
    t = np.linspace(0, 1, s.w)[None, :, None]
    g = (1 - t) * np.array([1.15, 1, 0.7]) + t * np.array([0.85, 1, 1.25])
    s.scene(delin(lin(s.a) * g))
    s.sheet()


@fault("SCN-12", "flagged", ["uneven light"])
def _(s):
    """brightness falls to 35 % from left to right"""
    s.scene(delin(lin(s.a) * np.linspace(1, 0.35, s.w)[None, :, None]))
    s.sheet()


@fault("SCN-13", "flagged", ["glare"])
def _(s):
    """glare spot on the chart"""
    x0, y0, x1, y1, a = _chartpix(s)
    yy, xx = np.mgrid[: s.h, : s.w]
    r = 0.18 * (x1 - x0)
    s.scene(
        delin(
            lin(a)
            + 0.6
            * np.exp(
                -((xx - (x0 + 0.35 * (x1 - x0))) ** 2 + (yy - (y0 + 0.5 * (y1 - y0))) ** 2)
                / (2 * r * r)
            )[..., None]
        )
    )
    s.sheet()


@fault("SCN-14", "flagged", ["colour filter"])
def _(s):
    """app colour filter over the whole photo: cross-talk, faded blacks, S-curve"""
    v = s.a / 255 @ np.array([[0.9, 0.08, 0.02], [0.05, 0.9, 0.05], [0.02, 0.12, 0.86]]).T
    v = 0.06 + 0.9 * (v + 0.12 * np.sin(2 * np.pi * (v - 0.0)) * -0.5)
    s.scene(255 * v)
    s.sheet()


@fault("SCN-15", "flagged", ["retouched"])
def _(s):
    """beauty filter: hair region smoothed and lifted, chart untouched"""
    x0, y0, x1, y1 = s.box("hair")
    a = s.a.astype(float).copy()
    b = np.asarray(s.rgb.filter(ImageFilter.GaussianBlur(6))).astype(float)
    a[y0:y1, x0:x1] = b[y0:y1, x0:x1] * 1.06 + 6
    s.scene(a)
    s.sheet()


@fault("SCN-16", "refused", ["screen"])
def _(s):
    """photo of a screen: pixel grid, banding, raised black"""
    yy, xx = np.mgrid[: s.h, : s.w]
    m = np.stack([0.78 + 0.22 * np.cos(2 * np.pi * (xx / 3.07 + i / 3)) for i in range(3)], -1)
    m *= (0.9 + 0.1 * np.cos(2 * np.pi * yy / 3.11))[..., None]
    s.scene(
        255
        * (0.05 + 0.95 * (delin(lin(s.a) * m) / 255))
        * (0.96 + 0.04 * np.sin(yy / 37.0)[..., None])
    )
    s.sheet()


@fault("SCN-17", "flagged", ["screenshot"])
def _(s):
    """phone screenshot: PNG, screen size, bars, no camera metadata"""
    c = Image.new("RGB", (1170, 2532), (0, 0, 0))
    im = s.rgb.copy()
    im.thumbnail((1170, 1900))
    c.paste(im, (0, 300))
    c.paste((240, 240, 240), (0, 0, 1170, 120))
    s.put("bad.png", s.enc("PNG", c))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("SCN-18", "flagged", ["edited"])
def _(s):
    """edited: Software tag, tone curve, saved again at quality 71"""
    e = Image.Exif()
    e[0x0131] = "Some Photo Editor 12"
    e[0x0110] = "TestModel"
    v = s.a / 255.0
    s.put(
        "bad.jpg",
        s.enc(
            "JPEG",
            Image.fromarray((255 * (v**0.9) + 0.5).clip(0, 255).astype("uint8")),
            quality=71,
            exif=e,
        ),
    )
    s.sheet()


def _dated(s, name, when, **kw):
    e = Image.Exif()
    e[0x0132] = when
    e.get_ifd(0x8769)[0x9003] = when
    s.put(name, s.enc("JPEG", quality=92, exif=e, **kw))


@fault("SCN-19", "flagged", ["time order"])
def _(s):
    """EXIF dates run against the wash numbers"""
    _dated(s, "w0.jpg", "2025:03:10 10:00:00")
    _dated(s, "w5.jpg", "2025:03:01 10:00:00")
    s.put(
        "study.csv",
        s.csvtext(
            [[*s.rowfor("photos/w0.jpg"), "0"], [*s.rowfor("photos/w5.jpg"), "5"]],
            head=[*s.head, "wash_no"],
        ).encode(),
        sub=".",
    )


@fault("SCN-20", "sheet-refused", ["same picture"])
def _(s):
    """the same bytes under two names for two washes"""
    s.put("w5.jpg", s.jpeg)
    s.put(
        "study.csv",
        s.csvtext(
            [[*s.rowfor("photos/good.jpg"), "0"], [*s.rowfor("photos/w5.jpg"), "5"]],
            head=[*s.head, "wash_no"],
        ).encode(),
        sub=".",
    )


@fault("SCN-21", "flagged", ["same picture"])
def _(s):
    """the same picture saved again, cropped 2 %, for another wash"""
    dx, dy = s.w // 50, s.h // 50
    s.put("w5.jpg", s.enc("JPEG", s.rgb.crop((dx, dy, s.w - dx, s.h - dy)), quality=80))
    s.put(
        "study.csv",
        s.csvtext(
            [[*s.rowfor("photos/good.jpg"), "0"], [*s.rowfor("photos/w5.jpg"), "5"]],
            head=[*s.head, "wash_no"],
        ).encode(),
        sub=".",
    )


@fault("SCN-22", "refused", ["too few pixels"])
def _(s):
    """thumbnail: 160 px wide"""
    s.put("bad.jpg", s.enc("JPEG", s.rgb.resize((160, max(1, 160 * s.h // s.w))), quality=85))
    s.sheet()


@fault("SCN-23", "flagged", ["shadow"])
def _(s):
    """hard shadow over half of the hair only, chart fully lit"""
    x0, y0, x1, y1 = s.box("hair")
    v = lin(s.a)
    v[y0 : (y0 + y1) // 2, x0:x1] *= 0.45
    s.scene(delin(v))
    s.sheet()


@fault("SCN-24", "flagged", ["heavily compressed"])
def _(s):
    """messenger copy: 1/2 size, quality 30, 4:2:0"""
    s.put("bad.jpg", s.enc("JPEG", s.rgb.resize((s.w // 2, s.h // 2)), quality=30, subsampling=2))
    s.sheet()
