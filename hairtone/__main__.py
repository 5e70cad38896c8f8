"""``python -m hairtone``."""

import sys

from hairtone.cli import main

if __name__ == "__main__":
    sys.exit(main())
