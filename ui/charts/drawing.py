"""Pictures drawn by a process of their own, while this one works out what the next ones show.

In: specifications as JSON, as soon as they are known. Out: their SVG, as the drawing library writes it. The library
keeps the interpreter to itself while it draws, so that a thread would gain nothing.
`python -m tidetray.ui.charts.drawing` is the process: a line of JSON in for each picture, a line of JSON out. It ends
when its input does, and so with whoever started it. Whatever becomes of it, each picture is drawn: here, if need be.
Loads nothing but the library.
"""

from __future__ import annotations

import json
import subprocess
import sys
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

FONTS = Path(__file__).parents[1] / "fonts"

WAIT_S = 60.0
"""One picture takes part of a second: a process that has not answered by then is not waited for."""


@cache
def library() -> Any:
    """The drawing library, with our fonts."""
    import vl_convert  # noqa: PLC0415

    vl_convert.register_font_directory(str(FONTS))
    return vl_convert


def drawn(spec: str) -> str:
    """The SVG of a specification, drawn here."""
    return str(library().vegalite_to_svg(spec))


class Drawer:
    """Draws beside this process between `with` and its end."""

    def __init__(self) -> None:
        self._line = ThreadPoolExecutor(1, thread_name_prefix="drawing")
        self._begun: dict[str, Future[str]] = {}
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        command = [sys.executable, "-m", "tidetray.ui.charts.drawing"]
        pipe, nowhere = subprocess.PIPE, subprocess.DEVNULL
        try:
            self._process = subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=nowhere, encoding="utf-8")
        except OSError:  # no more processes, or no memory for one
            self._process = None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None:
            self._process.kill()  # it holds nothing that could be lost
        self._line.shutdown(cancel_futures=True)
        if self._process is not None:
            self._process.communicate()

    def begin(self, spec: str) -> None:
        """Draw this, if it was not begun already."""
        if spec not in self._begun:
            self._begun[spec] = self._line.submit(self._ask, spec)

    def drawn(self, spec: str) -> str:
        """The SVG of a specification, as the function of this name gives it."""
        self.begin(spec)
        try:
            found = self._begun[spec].result(WAIT_S)
        except TimeoutError:
            found = ""
            if self._process is not None:
                self._process.kill()
        return found or drawn(spec)

    def _ask(self, spec: str) -> str:
        """Empty where the process has ended, or cannot draw this."""
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            return ""
        try:
            process.stdin.write(json.dumps(spec) + "\n")
            process.stdin.flush()
            answer = process.stdout.readline()
        except (OSError, ValueError):  # a broken or a closed pipe
            return ""
        return str(json.loads(answer)) if answer.endswith("\n") else ""


def main() -> None:
    for line in sys.stdin:
        sys.stdout.write(json.dumps(drawn(json.loads(line))) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
