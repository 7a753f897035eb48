"""The answer to a comparison in words: what is said in each case, and that the answer is repeated without a slip."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.made_trials import made_plan, open_trial, treatment, weekly
from tidetray.analysis.questions.compare import CompareAnswer, compare

DAYS = (0.0, 7.0, 14.0, 21.0, 28.0)


def asked(
    rates: dict[int, float], *, trays: int = 3, slip: tuple[str, float] | None = None, seed: int = 2
) -> CompareAnswer:
    """Treatments by floods a day -> growth [1/day]; `slip`: a pot whose last mass is this many times too high."""
    rng = np.random.default_rng(seed)
    order = [treatment(floods) for floods in rates]
    plan = made_plan([each.name for each in order] * trays, order)
    rate_of = dict(zip([each.name for each in order], rates.values(), strict=True))
    tray_rate = {tray.tray.name: rate_of[tray.treatment] + rng.normal(0, 0.0006) for tray in plan.trays}
    masses = {}
    for pot in plan.pots:
        start = rng.uniform(1.0, 1.3)
        rate = tray_rate[pot.tray]
        masses[pot.name] = [start * math.exp(rate * day + rng.normal(0, 0.01)) for day in DAYS]
    if slip is not None:
        masses[slip[0]][-1] *= slip[1]
    with open_trial(plan, weekly(masses, DAYS)) as data:
        return compare(data)


def test_the_fastest_is_named_with_its_rate_and_what_it_surely_outgrows() -> None:
    first, *more = asked({0: 0.03, 3: 0.045, 6: 0.055}).sentences
    assert first.startswith("Fastest: floods-6, 5.")
    assert " % a day (" in first
    assert "doubles in 13 days" in first or "doubles in 12 days" in first
    assert more[0] == "Surely faster than floods-3 and dry."
    assert more[1] == "Also sure: floods-3 faster than dry."
    assert "beat" not in " ".join((first, *more))


def test_what_cannot_be_told_yet_says_how_many_trays_would_tell() -> None:
    first, *more = asked({0: 0.03, 3: 0.0501, 6: 0.051}, seed=4).sentences
    assert first.startswith("Fastest so far: floods-")
    assert "dry." in more[0]
    assert any("not known yet" in line and "more tray" in line for line in more)


def test_one_tray_each_says_to_give_a_second() -> None:
    answer = asked({0: 0.03, 6: 0.05}, trays=1)
    assert answer.sentences[0].startswith("Fastest so far: floods-6, 5.")
    assert any("only one tray each" in line and "second tray" in line for line in answer.sentences)
    assert not any("Surely" in line for line in answer.sentences)


def test_no_number_is_said_of_a_rate_that_is_not_known() -> None:
    """No pot was weighed twice under one treatment: there are masses to compare, and no rates."""
    plan = made_plan(["dry", "floods-6"] * 2, [treatment(0), treatment(6)])
    masses = {pot.name: [1.0 + 0.02 * n, math.nan] for n, pot in enumerate(plan.pots)}
    masses |= {pot.name: [math.nan, 1.4 + 0.03 * n] for n, pot in enumerate(plan.pots) if n % 2}
    with open_trial(plan, weekly(masses, (0.0, 7.0))) as data:
        answer = compare(data)
    assert answer.summary == "Fastest: not known yet of any treatment."
    assert not any("nan" in line for line in (*answer.sentences, *answer.cautions))


def test_masses_too_regular_to_be_weighed_are_named_as_the_reason() -> None:
    """Masses that follow a formula: no p, and a sentence that sent people to look for a reason that was nowhere."""
    order = [treatment(0), treatment(3), treatment(6)]
    plan = made_plan([each.name for each in order] * 2, order)
    rate = {"dry": 0.03, "floods-3": 0.048, "floods-6": 0.05}
    of = {tray.tray.name: rate[tray.treatment] for tray in plan.trays}
    masses = {
        pot.name: [(1.1 + 0.07 * (n % 5)) * math.exp((of[pot.tray] + 0.0015 * (n % 3)) * day) for day in DAYS]
        for n, pot in enumerate(plan.pots)
    }
    with open_trial(plan, weekly(masses, DAYS)) as data:
        told = compare(data)
    assert told.sentences[-1].startswith("Floods-6 or dry or floods-3: not known. Growth cannot be compared: ")
    assert "check how the values were entered" in told.sentences[-1]
    assert not any("cannot be compared" in each for each in told.keep_in_mind)


def test_no_difference_is_said_plainly() -> None:
    assert "No difference between treatments is sure yet." in asked({0: 0.05, 6: 0.05}, seed=9).sentences


@pytest.mark.parametrize("seed", [2, 5])
def test_the_answer_is_repeated_without_a_pot_in_doubt(seed: int) -> None:
    """A tenfold slip in one pot: the pot is named, and the answer without it is that of the right mass."""
    assert asked({0: 0.03, 6: 0.05}, seed=seed).doubtful == ()
    answer = asked({0: 0.03, 6: 0.05}, slip=("t6-2", 10.0), seed=seed)
    assert answer.doubtful[0].startswith("Check t6-2 on day 28 (")
    assert "g was expected" in answer.doubtful[0]
    said = answer.doubtful[1]
    assert said.startswith("Without t6-2 the answer")
    assert "Fastest: floods-6" in said or "is the same" in said


def test_the_mass_of_a_day_has_its_own_answer() -> None:
    verdict = asked({0: 0.03, 6: 0.05}).mass_verdict
    assert verdict is not None
    assert verdict.first.startswith("Heaviest: floods-6, ")
    assert verdict.more == ("Surely heavier than dry.",)
