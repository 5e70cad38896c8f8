import sys
from pathlib import Path

HERE = str(Path(__file__).parent)
if HERE not in sys.path:  # child processes import the stand-in by name, from the same search path
    sys.path.insert(0, HERE)
