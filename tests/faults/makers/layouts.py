"""Pixel layouts, turns and colour management."""

import io
import zlib

import numpy as np
from faults.makers.material import MAKERS, fault
from faults.makers.profiles import icc_profile, png, to_space
from PIL import Image


@fault("PIX-01", "refused", ["CMYK"])
def _(s):
    """CMYK JPEG"""
    s.put("bad.jpg", s.enc("JPEG", s.rgb.convert("CMYK"), quality=92))
    s.sheet()


@fault("PIX-02", "refused", ["grey"])
def _(s):
    """greyscale JPEG: no hue can be measured"""
    s.put("bad.jpg", s.enc("JPEG", s.rgb.convert("L"), quality=92))
    s.sheet()


@fault("PIX-03", "refused", ["grey"])
def _(s):
    """16-bit greyscale PNG (Pillow's convert('RGB') makes it white)"""
    g = np.asarray(s.rgb.convert("L")).astype(">u2") * 257
    raw = b"".join(b"\0" + r.astype(">u2").tobytes() for r in g)
    s.put("bad.png", png(s.w, s.h, 16, 0, zlib.compress(raw, 1)))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("PIX-04", "correct", [])
def _(s):
    """16-bit RGB PNG: same number, and not cut to 8 bits"""
    g = s.a.astype(">u2") * 257
    raw = b"".join(b"\0" + r.astype(">u2").tobytes() for r in g)
    s.put("bad.png", png(s.w, s.h, 16, 2, zlib.compress(raw, 1)))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("PIX-05", "refused", ["transparent"])
def _(s):
    """alpha: the left half transparent over real pixels"""
    im = s.rgb.convert("RGBA")
    al = np.full((s.h, s.w), 255, "uint8")
    al[:, : s.w // 2] = 0
    im.putalpha(Image.fromarray(al))
    s.put("bad.png", s.enc("PNG", im))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("PIX-06", "flagged", ["reduced-colours"])
def _(s):
    """palette PNG with 64 colours"""
    s.put("bad.png", s.enc("PNG", s.rgb.quantize(64)))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("PIX-07", "refused", ["animated"])
def _(s):
    """animated WebP, two different frames"""
    a = s.rgb.resize((400, 300))
    s.put("bad.webp", s.enc("WEBP", a, save_all=True, append_images=[a.rotate(180)]))
    s.sheet(("photos/good.jpg", "photos/bad.webp"))


@fault("PIX-08", "refused", ["pages"])
def _(s):
    """two-page TIFF"""
    a = s.rgb
    s.put("bad.tif", s.enc("TIFF", a, save_all=True, append_images=[a.rotate(180)]))
    s.sheet(("photos/good.jpg", "photos/bad.tif"))


@fault("PIX-09", "refused", ["NaN"], needs=("tifffile",))
def _(s):
    """float TIFF with NaN and Inf"""
    import tifffile

    f = (s.a / 255).astype("float32")
    f[s.h // 4 : s.h // 2, s.w // 4 : s.w // 2] = np.nan
    f[0, 0] = np.inf
    b = io.BytesIO()
    tifffile.imwrite(b, f, photometric="rgb")
    s.put("bad.tif", b.getvalue())
    s.sheet(("photos/good.jpg", "photos/bad.tif"))


@fault("PIX-10", "refused", ["float"], needs=("tifffile",))
def _(s):
    """float TIFF, range 0..1, no statement whether linear or sRGB-encoded"""
    import tifffile

    b = io.BytesIO()
    tifffile.imwrite(b, (s.a / 255).astype("float32"), photometric="rgb")
    s.put("bad.tif", b.getvalue())
    s.sheet(("photos/good.jpg", "photos/bad.tif"))


def _orient(o, fid, fmt, name):
    @fault(fid, "correct", [])
    def mk(s):
        e = Image.Exif()
        e[0x0112] = o
        inv = {
            1: None,
            3: Image.Transpose.ROTATE_180,
            6: Image.Transpose.ROTATE_90,
            2: Image.Transpose.FLIP_LEFT_RIGHT,
        }[o]
        im = s.rgb.transpose(inv) if inv is not None else s.rgb
        kw = {"quality": 92} if fmt == "JPEG" else {}
        if fmt == "TIFF":
            kw["tiffinfo"] = {0x112: o}
        else:
            kw["exif"] = e
        s.put(name, s.enc(fmt, im, **kw))
        s.sheet(("photos/good.jpg", "photos/" + name))

    MAKERS[fid]["title"] = (
        f"{fmt} stored turned, orientation tag {o}: upright result, the same number, "
        "chart not called mirrored"
    )


_orient(6, "PIX-11", "JPEG", "bad.jpg")
_orient(2, "PIX-12", "JPEG", "bad.jpg")
_orient(6, "PIX-13", "PNG", "bad.png")
_orient(6, "PIX-14", "TIFF", "bad.tif")


@fault("PIX-15", "flagged", ["metadata"])
def _(s):
    """invalid orientation tag 9 and random bytes as EXIF"""
    s.put(
        "bad.jpg",
        s.enc(
            "JPEG",
            quality=92,
            exif=b"Exif\0\0" + s.rng.integers(0, 256, 200, dtype=np.uint8).tobytes(),
        ),
    )
    s.sheet()


def _space(space, fid):
    @fault(fid, "correct", [])
    def mk(s):
        im = Image.fromarray((to_space(s.a, space) + 0.5).astype("uint8"))
        s.put(
            "bad.jpg", s.enc("JPEG", im, quality=95, subsampling=0, icc_profile=icc_profile(space))
        )
        s.sheet()

    MAKERS[fid]["title"] = (
        f"same scene stored in {space} with its ICC profile: dE00 <= 0.5 from the sRGB one"
    )


for _s, _i in (("p3", "COL-01"), ("adobe", "COL-02"), ("rec2020", "COL-03")):
    _space(_s, _i)


@fault("COL-04", "refused", ["colour profile"])
def _(s):
    """damaged ICC profile"""
    p = icc_profile("p3")
    s.put("bad.jpg", s.enc("JPEG", quality=92, icc_profile=p[:200] + b"\xff" * 300))
    s.sheet()


@fault("COL-05", "refused", ["colour profile"])
def _(s):
    """grey-space ICC profile on an RGB picture"""
    p = bytearray(icc_profile("p3"))
    p[16:20] = b"GRAY"
    s.put("bad.jpg", s.enc("JPEG", quality=92, icc_profile=bytes(p)))
    s.sheet()


@fault("COL-06", "flagged", ["colour-space-from-exif"])
def _(s):
    """Adobe RGB by EXIF only (ColorSpace 65535 + interop R03), no ICC"""
    e = Image.Exif()
    e.get_ifd(0x8769)[0xA001] = 65535
    e.get_ifd(0xA005)[1] = "R03"
    im = Image.fromarray((to_space(s.a, "adobe") + 0.5).astype("uint8"))
    s.put("bad.jpg", s.enc("JPEG", im, quality=95, exif=e))
    s.sheet()


@fault("COL-07", "flagged", ["colour-space-assumed"])
def _(s):
    """no profile and no EXIF: sRGB has to be assumed, and said"""
    s.put("bad.jpg", s.enc("JPEG", quality=92))
    s.sheet()


@fault("COL-08", "flagged", ["gain-map"])
def _(s):
    """HDR gain-map JPEG (second picture + hdrgm XMP): base picture measured, flagged"""
    g = Image.fromarray(s.a[::4, ::4, 1]).convert("RGB")
    x = (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf='
        b'"http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        b'<rdf:Description xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/" '
        b'hdrgm:Version="1.0"/></rdf:RDF></x:xmpmeta>'
    )
    s.put("bad.jpg", s.enc("MPO", save_all=True, append_images=[g], quality=92, xmp=x))
    s.sheet()
