"""ICC profiles and PNG files written by hand."""

import struct
import zlib

import numpy as np
from faults.makers.material import delin, lin

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
