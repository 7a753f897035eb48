"""One pot: its growth in a sentence, its places, its neighbours; one that never stood there is refused."""

from __future__ import annotations

import pytest

from tests.made_trials import event, made_plan, open_trial, treatment, weekly
from tidetray.analysis.questions.pot import pot

DAYS = (0.0, 7.0, 14.0)
PLAN = made_plan(["dry", "floods-3"], [treatment(0), treatment(3)], pots=8)


def masses(rate: float = 1.4) -> dict[str, list[float]]:
    return {each.name: [1.0, rate, rate**2] for each in PLAN.pots}


def test_a_pot_tells_its_growth_its_tray_and_its_neighbours() -> None:
    weighed = masses() | {"t1-2": [1.0, 1.5, 2.25]}
    with open_trial(
        PLAN, weekly(weighed, DAYS), [event("pot moved", 9.0, pot="t1-8", tray="tray-1", row=4, column=1)]
    ) as data:
        found = pot(data, "t1-2")
        moved = pot(data, "t1-8")
    # ln 1.5 / 7 = 5.79 % a day, ln 1.4 / 7 = 4.81 %
    assert found.summary == (
        "t1-2 grew 5.8 % a day: 1.00 g on day 0, 2.25 g on day 14. The other pots on tray-1 grew 4.8 % a day."
    )
    assert set(found.neighbours["pot"]) == {"t1-1", "t1-3", "t1-7"}
    assert found.picture() is not None
    assert len(moved.places) == 2
    assert moved.events["kind"].tolist() == ["pot moved"]


def test_a_pot_weighed_once_or_never_says_what_is_missing() -> None:
    weighed = {name: [each[0], float("nan"), float("nan")] for name, each in masses().items() if name != "t2-1"}
    with open_trial(PLAN, weekly(weighed, DAYS)) as data:
        assert pot(data, "t1-1").summary == "t1-1 weighed 1.00 g on day 0. Growth needs a second weigh-in."
        never = pot(data, "t2-1")
    assert never.summary == "t2-1 has not been weighed yet."
    assert never.picture() is None


def test_no_such_pot_is_refused() -> None:
    with open_trial(PLAN, weekly(masses(), DAYS)) as data, pytest.raises(ValueError, match="no pot 't9-9'"):
        pot(data, "t9-9")
