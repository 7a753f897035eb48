"""Pages under three words, each with the question that it answers; what speaks to statisticians alone is known."""

from __future__ import annotations

import pandas as pd
import pytest

from tidetray.analysis.base.words import is_technical
from tidetray.ui.words import GROUPS, PAGES, QUESTIONS, place


def test_every_page_is_under_one_tab_and_has_a_question() -> None:
    listed = [page for pages in GROUPS.values() for page in pages]
    assert sorted(listed) == sorted(PAGES) == sorted(QUESTIONS)
    assert list(GROUPS) == ["Today", "Results", "Manage"]
    assert all(question.endswith("?") and len(question) < 70 for question in QUESTIONS.values())


def test_a_position_that_nobody_noted_is_no_number() -> None:
    assert place(1, 3) == "row 1, column 3"
    assert place(pd.NA, pd.NA) == place(float("nan"), 2) == "position not noted"


@pytest.mark.parametrize(
    ("sentence", "technical"),
    [
        ("compare with the Welch row and the Games-Howell pairs", True),
        ("could never give a p below 0.33", True),
        ("The pots do not scatter like a normal distribution", True),
        ("Pots on one tray share its water and light.", False),
        ("Check t8-b3: 15.74 and 15.13 g.", False),
        ("Growth slowed down over the trial.", False),
    ],
)
def test_what_speaks_to_statisticians_is_known_by_its_words(sentence: str, technical: bool) -> None:
    assert is_technical(sentence) is technical
