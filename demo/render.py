"""Render the invented study: ``python demo/render.py FOLDER [WORKERS]``."""

import sys
from pathlib import Path

from hairtone.scene.demo import render_demo

if __name__ == "__main__":
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    print(render_demo(Path(sys.argv[1]), workers=workers))
