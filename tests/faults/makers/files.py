"""Broken and hostile photo files."""

import json
import zlib

import numpy as np
from faults.makers.material import MAKERS, fault
from faults.makers.profiles import png
from PIL import Image


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
