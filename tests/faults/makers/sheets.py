"""Study sheets."""

import io
import zipfile

from faults.makers.material import MAKERS, fault


def _raw(fid, outcome, says, title, build, name="study.csv"):
    @fault(fid, outcome, says)
    def mk(s):
        s.put("good2.jpg", s.jpeg)
        s.put(name, build(s), sub=".")

    MAKERS[fid]["title"] = title


def two_rows(s):
    return [s.rowfor("photos/good.jpg"), s.rowfor("photos/good2.jpg")]


_raw(
    "SHT-01",
    "correct",
    [],
    "UTF-8 with byte-order mark",
    lambda s: b"\xef\xbb\xbf" + s.csvtext(two_rows(s)).encode(),
)
_raw("SHT-02", "correct", [], "semicolons", lambda s: s.csvtext(two_rows(s), sep=";").encode())
_raw(
    "SHT-03",
    "correct",
    [],
    "UTF-16 with tabs (spreadsheet 'Unicode text')",
    lambda s: s.csvtext(two_rows(s), sep="\t").encode("utf-16"),
)
_raw(
    "SHT-04",
    "correct",
    [],
    "'sep=;' first line",
    lambda s: b"sep=;\r\n" + s.csvtext(two_rows(s), sep=";").encode(),
)
_raw(
    "SHT-05",
    "sheet-refused",
    ["study.csv", "encoding"],
    "Windows-1252 with accents",
    lambda s: s.csvtext([s.rowfor("photos/Jos\u00e9.jpg"), *two_rows(s)]).encode("cp1252"),
)
_raw(
    "SHT-06",
    "sheet-refused",
    ["line 2", "column"],
    "decimal commas unquoted in a comma file: every cell shifts",
    lambda s: (
        ",".join([*s.head, "L"]) + "\n" + "".join(",".join(r) + ",45,3\n" for r in two_rows(s))
    ).encode(),
)
_raw(
    "SHT-07",
    "correct",
    [],
    "decimal commas with semicolons",
    lambda s: s.csvtext(
        [[*r, "45,3"] for r in two_rows(s)], head=[*s.head, "note_L"], sep=";"
    ).encode(),
)
_raw(
    "SHT-08",
    "sheet-refused",
    ["line 4", "same photo"],
    "the same row twice",
    lambda s: s.csvtext(two_rows(s) + two_rows(s)[:1]).encode(),
)
_raw(
    "SHT-09",
    "sheet-refused",
    ["column", "twice"],
    "the photo column twice",
    lambda s: s.csvtext(
        [[r[s.col], *r] for r in two_rows(s)], head=[s.head[s.col], *s.head]
    ).encode(),
)
_raw("SHT-10", "sheet-refused", ["no photos"], "header only", lambda s: s.csvtext([]).encode())
_raw("SHT-11", "sheet-refused", ["empty"], "0-byte sheet", lambda s: b"")
_raw(
    "SHT-12",
    "sheet-refused",
    ["quote"],
    "quote never closed",
    lambda s: s.csvtext(two_rows(s)).encode() + b'"photos/good.jpg,1\n',
)
_raw(
    "SHT-13",
    "sheet-refused",
    ["line 3", "columns"],
    "short row",
    lambda s: s.csvtext([two_rows(s)[0], ["photos/good2.jpg"]]).encode(),
)
_ids = ("007", "NA", "None", "TRUE", "1E5", "3-4", "12345678901234567890")
_raw(
    "SHT-14",
    "correct",
    [],
    "ids 007, NA, None, TRUE, 1E5, 3-4, 20 digits stay text exactly as typed",
    lambda s: s.csvtext(
        [r + list(v) for r, v in zip(two_rows(s), (_ids, _ids[::-1]), strict=False)],
        head=s.head + [f"id{k}" for k in range(len(_ids))],
    ).encode(),
)
_raw(
    "SHT-15",
    "sheet-refused",
    ["line 2", "date", "which"],
    "date 01/02/2025: day or month first cannot be told",
    lambda s: s.csvtext(
        [[*r, "01/02/2025"] for r in two_rows(s)], head=[*s.head, "date_taken"]
    ).encode(),
)
_raw(
    "SHT-16",
    "sheet-refused",
    ["line 2", "NUL"],
    "NUL byte in a name",
    lambda s: s.csvtext([s.rowfor("photos/go\0od.jpg"), *two_rows(s)]).encode(),
)
_raw(
    "SHT-17",
    "correct",
    [],
    "old Mac line ends (CR only)",
    lambda s: s.csvtext(two_rows(s), nl="\r").encode(),
)
_raw(
    "SHT-18",
    "correct",
    [],
    "trailing blank and no-break space round the name",
    lambda s: s.csvtext([s.rowfor("photos/good.jpg\xa0 "), *two_rows(s)[1:]]).encode(),
)
_raw(
    "SHT-19",
    "sheet-refused",
    ["study.xlsx", "not a workbook"],
    "CSV named .xlsx",
    lambda s: s.csvtext(two_rows(s)).encode(),
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
        for r in two_rows(s):
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
    lambda s, wb, ws: [wb.create_sheet("Other").append(r) for r in ([*s.head], *two_rows(s))],
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
