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
import json
import pathlib
import shutil
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1]))

from faults.makers import files, layouts, names, scenes, sheets
from faults.makers.material import MAKERS, SkipFault, Study
from faults.makers.profiles import icc_profile, to_space

__all__ = ["MAKERS", "check", "icc_profile", "main", "to_space"]

# importing a module of makers registers them
MODULES = (files, layouts, names, scenes, sheets)


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
