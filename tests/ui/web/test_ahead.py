"""What the pages need is loaded before anybody opens one; in a process of its own, since here it is loaded already."""

from __future__ import annotations

import subprocess
import sys

import pytest

LOADED = """
import sys, time
from tidetray.ui.web.ahead import load_ahead
{before}
load_ahead().join({seconds})
wanted = {{"pandas", "scipy.optimize", "tidetray.analysis.questions.tune", "tidetray.ui.changes.setting_up"}}
print(sorted(wanted - set(sys.modules)))
"""


@pytest.mark.parametrize("before", ["", "sys.modules['tidetray.ui.changes.pots_on_trays'] = None"])
def test_all_is_loaded_even_where_one_module_fails(before: str) -> None:
    said = subprocess.run(
        [sys.executable, "-c", LOADED.format(before=before, seconds=100)], capture_output=True, text=True, check=True
    )
    assert said.stdout == "[]\n"
    assert ("cannot be loaded ahead" in said.stderr) == bool(before)


def test_the_check_can_fail() -> None:
    said = subprocess.run(
        [sys.executable, "-c", LOADED.format(before="", seconds=0)], capture_output=True, text=True, check=True
    )
    assert "scipy.optimize" in said.stdout
