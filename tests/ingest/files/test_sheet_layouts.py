"""25 layouts as growers keep them: 20 read without a question that the sheet could answer, 5 settled by one."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from zoneinfo import ZoneInfo

import pytest

from tests.sheet_layouts import AWKWARD, LAYOUTS, NOW, POTS, START, UNKNOWABLE, ZONE, Layout, net_g, truth
from tidetray.ingest.files.sheet_trial import Proposal, propose

SAME_NAMES = {f"{kind}-{n}": f"{kind[0].upper()}{n}" for kind in ("dry", "floods") for n in range(1, 5)}
SAME_TREATMENTS = {"dry": "always dry"}


def read(proposal: Proposal) -> dict[tuple[str, str, date], float]:
    """(Pot, treatment, day) -> net mass [g], as the trial would hold it."""
    assert proposal.plan is not None
    treatment_of_tray = {tray.name: tray.treatment for tray in proposal.plan.trays}
    treatment = {pot.name: treatment_of_tray[pot.tray] for pot in proposal.plan.pots}
    out = {}
    for weigh_in in proposal.weigh_ins:
        name = treatment[weigh_in.pot]
        day = weigh_in.time.astimezone(ZoneInfo(ZONE)).date()
        key = (SAME_NAMES.get(weigh_in.pot, weigh_in.pot), SAME_TREATMENTS.get(name, name), day)
        out[key] = round(weigh_in.net_g, 6)
    assert len(out) == len(proposal.weigh_ins)
    return out


def expected(layout: Layout) -> Mapping[tuple[str, str, date], float]:
    if layout.name != "either order of day and month":
        return truth()
    days = {0: date(2026, 6, 5), 31: date(2026, 7, 6)}
    return {(p, t, days[d]): net_g(p, d) for p, t in POTS for d in days}


@pytest.mark.parametrize("layout", [*LAYOUTS, *AWKWARD], ids=lambda layout: layout.name)
def test_a_layout_gives_the_weigh_ins_that_were_written(layout: Layout) -> None:
    first = propose(layout.make(), layout.file, now=NOW)
    assert {question.key for question in first.questions} - UNKNOWABLE == layout.asked
    proposal = layout.settled()
    assert not proposal.questions
    assert not proposal.doubts
    assert read(proposal) == pytest.approx(dict(expected(layout)))


def test_twenty_need_nothing_more_and_five_are_settled_by_a_question(capsys: pytest.CaptureFixture[str]) -> None:
    lines = []
    for layout in LAYOUTS:
        first = propose(layout.make(), layout.file, now=NOW)
        asked = {question.key for question in first.questions}
        doubts = len(propose(layout.make(), layout.file, layout.answers(), now=NOW).doubts)
        lines.append((layout.name, sorted(asked & UNKNOWABLE), sorted(asked - UNKNOWABLE), doubts))
        assert doubts == layout.doubts
    plain = [name for name, _, more, doubts in lines if not more and not doubts]
    with capsys.disabled():
        print()
        for name, usual, more, doubts in lines:
            print(f"{name:42} asks {', '.join(usual):35} {', '.join(more):10} {doubts or '':2}")
        print(f"{len(plain)} of {len(lines)} without a further question")
    assert (len(lines), len(plain)) == (25, 20)


def test_the_trial_begins_on_the_first_day_and_trays_are_not_noted() -> None:
    proposal = LAYOUTS[0].settled()
    assert proposal.plan is not None
    assert proposal.plan.trial.name == "wide"
    assert proposal.plan.trial.started.astimezone(ZoneInfo(ZONE)).date() == START
    assert [(tray.treatment, tray.noted) for tray in proposal.plan.trays] == [("always dry", False), ("floods", False)]
    assert [treatment.culture for treatment in proposal.plan.treatments] == ["emersed", ""]
