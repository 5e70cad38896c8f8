"""The desk: hairtone as a page in the browser, for people who do not code.

An extension of Jupyter Server. It shows the studies of one folder, takes photographs in, keeps the
service record, measures in processes of their own, and says what came of it.
"""

from __future__ import annotations

import sys
from typing import Any

# Jupyter Server's checks of its own events would first build a grammar of international addresses,
# which nothing here holds: a second of the two in which the page is to be there.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]


def _jupyter_server_extension_points() -> list[dict[str, Any]]:
    """Where Jupyter Server finds the desk."""
    from hairtone.desk.app import Desk

    return [{"module": "hairtone.desk.app", "app": Desk}]
