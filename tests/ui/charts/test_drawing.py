"""Pictures drawn by a process of their own: the same text as here, whatever becomes of the process."""

from __future__ import annotations

import subprocess
import sys

import pandas as pd
import pytest

from tidetray.analysis.pictures.base import layer, measured, plain
from tidetray.ui.charts.drawing import Drawer
from tidetray.ui.charts.files import as_json, svg


def spec(value: float) -> dict[str, object]:
    rows = pd.DataFrame({"x": [0.0, 1.0], "y": [1.0, value]})
    return plain([layer(rows, {"type": "point"}, {"x": measured("x"), "y": measured("y")})], height=80)


def test_a_process_draws_the_same_and_ends_with_its_user() -> None:
    with Drawer() as drawer:
        process = drawer._process
        assert process is not None
        for value in (2.0, 3.0):
            drawer.begin(as_json(spec(value), 200))
        for value in (3.0, 2.0, 4.0):
            assert svg(spec(value), width_px=200, by=drawer.drawn) == svg(spec(value), width_px=200)
        assert process.poll() is None
    assert process.poll() is not None


def test_pictures_are_drawn_when_the_process_is_gone() -> None:
    with Drawer() as drawer:
        assert drawer._process is not None
        drawer._process.kill()
        drawer._process.wait(10)
        assert svg(spec(2.0), width_px=200, by=drawer.drawn) == svg(spec(2.0), width_px=200)


def test_pictures_are_drawn_where_no_process_can_be_started(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with Drawer() as drawer:
        assert drawer._process is None
        assert svg(spec(2.0), width_px=200, by=drawer.drawn) == svg(spec(2.0), width_px=200)


def test_an_error_ends_the_process_too() -> None:
    seen: list[subprocess.Popen[str] | None] = []

    def ask() -> None:
        with Drawer() as drawer:
            seen.append(drawer._process)
            drawer.begin(as_json(spec(2.0), 200))
            raise ValueError("of the answers")

    with pytest.raises(ValueError, match="of the answers"):
        ask()
    assert seen[0] is not None
    assert seen[0].poll() is not None


def test_it_loads_nothing_but_the_library_and_ends_with_its_input() -> None:
    """A tenth of a second and a process of little memory: no pandas, no scipy."""
    script = "import sys, tidetray.ui.charts.drawing as d; d.main(); print({*sys.modules} & {'pandas', 'scipy'})"
    command = [sys.executable, "-c", script]
    done = subprocess.run(command, input="", capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "set()"
