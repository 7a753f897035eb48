"""What browser tests press with."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser

from tests.browser.opened import press

MOVES = """
<h1>A page</h1>
<button onclick="window.pressed = (window.pressed || 0) + 1">Save</button>
<script>
let moves = TIMES;
document.addEventListener("mousedown", event => {
    if (moves-- > 0) {
        event.target.style.marginLeft = "300px";
        setTimeout(() => { document.querySelector("button").style.marginLeft = "0" }, 200);
    }
});
</script>
"""


@pytest.mark.parametrize(("moves", "presses"), [(0, 1), (1, 1), (2, 1)])
def test_a_press_that_a_moving_page_swallows_is_made_again_and_one_that_arrived_is_not(
    browser: Browser, moves: int, presses: int
) -> None:
    page = browser.new_page()
    page.set_content(MOVES.replace("TIMES", str(moves)))
    press(page.get_by_role("button", name="Save"))
    assert page.evaluate("window.pressed") == presses
    page.close()


def test_a_button_that_never_takes_a_press_fails_a_test(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content(MOVES.replace("TIMES", "9"))
    with pytest.raises(pytest.fail.Exception, match="did not arrive"):
        press(page.get_by_role("button", name="Save"))
    page.close()
