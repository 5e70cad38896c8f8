"""What every maker works with: the good photo, its sheet, and the register of makers."""

import csv
import io
import pathlib

import numpy as np
from PIL import Image

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


class Study:
    """The good material and what shapes it; `d` is the folder of the fault being made."""

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
