"""What runs beside the desk's server: looking at photos, measuring, writing pages.

One request a line comes in as JSON by standard input, ``{"id", "task", …}``; answers go out the
same way: ``{"id", "progress": […]}`` any number of times, then ``{"id", "ok"}`` or
``{"id", "error"}``. When the server is gone, the process ends.
"""

from __future__ import annotations

import json
import os
import re
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hairtone.errors import HairtoneError

Say = Callable[[int, int, str], None]


def check(asked: dict[str, Any], say: Say) -> dict[str, Any]:
    """Verdict on one photo, with the places of chart and hair to draw on it."""
    from hairtone.desk.looking import check_photo

    return check_photo(Path(asked["folder"]), asked["photo"])


def preview(asked: dict[str, Any], say: Say) -> dict[str, Any]:
    """Write a small picture of a photo."""
    from hairtone.desk.looking import write_preview

    write_preview(Path(asked["file"]), Path(asked["out"]), longest=int(asked["longest"]))
    return {}


def outline(asked: dict[str, Any], say: Say) -> dict[str, Any]:
    """The outline that would be measured along a drawn line."""
    from hairtone.desk.looking import outline_along

    return outline_along(Path(asked["file"]), asked["line"])


def result(asked: dict[str, Any], say: Say) -> dict[str, Any]:
    """Measure a study and put its result page together."""
    from hairtone.desk.answer import make_result

    return make_result(Path(asked["folder"]), say)


def page(asked: dict[str, Any], say: Say) -> dict[str, Any]:
    """Write a page to hand over, as PDF too where asked for."""
    from hairtone.desk.answer import write_page

    return write_page(Path(asked["folder"]), asked["what"], asked.get("who", ""), say)


def sample(asked: dict[str, Any], say: Say) -> dict[str, Any]:
    """Render the sample to try and measure it."""
    from hairtone.desk.looking import render_sample

    render_sample(Path(asked["folder"]), say)
    return result(asked, say)


TASKS = {task.__name__: task for task in (check, preview, outline, result, page, sample)}


def main() -> None:
    """Serve the desk until it closes the pipe."""
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what a library prints goes nowhere
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for line in sys.stdin:
        asked = json.loads(line)

        def tell(answer: dict[str, Any], number: int = asked["id"]) -> None:
            out.write(json.dumps({"id": number, **answer}, ensure_ascii=False) + "\n")
            out.flush()

        def say(done: int, total: int, words: str, tell: Any = tell) -> None:
            tell({"progress": [done, total, words]})

        tell(_answer(asked, say))


def _answer(asked: dict[str, Any], say: Say) -> dict[str, Any]:
    try:
        return {"ok": TASKS[asked["task"]](asked, say)}
    except HairtoneError as error:
        faults = getattr(error, "faults", ())
        lines = [str(fault) for fault in faults] or [str(error)]
        return {"error": {"code": error.code, "lines": lines}}
    except MemoryError:
        return {"error": {"code": "memory", "lines": ["This needs more memory than there is."]}}
    except OSError as error:
        said = f"The disk or the system refused ({error.strerror or type(error).__name__})."
        return {"error": {"code": "unreadable", "lines": [said]}}
    except Exception as error:  # a bug of ours costs this request, never the desk
        return {"error": {"code": "bug", "lines": [_bug(error)]}}


def _bug(error: Exception) -> str:
    """What failed and in which line of ours; no path of a person's."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    words = re.sub(r"(/|[A-Za-z]:\\)\S*", "…", str(error))[:120]
    return (
        f"hairtone made a mistake here ({type(error).__name__} in {Path(frame.filename).name}, "
        f"line {frame.lineno}: {words}). Nothing of yours is lost. Please tell its makers."
    )


if __name__ == "__main__":
    main()
