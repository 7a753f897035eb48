from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.store.message_numbers import FARTHEST_CLAIM, MOST_RANGES, MessageNumbers


def test_numbers_in_order_are_one_range() -> None:
    numbers = MessageNumbers()
    for number in (1, 2, 3):
        numbers.add(number)
    assert numbers.ranges == ((1, 3),)
    assert numbers.upto() == 3
    assert 3 in numbers
    assert 4 not in numbers


def test_a_hole_holds_the_receipt_back_until_it_is_filled() -> None:
    numbers = MessageNumbers([(1, 3), (5, 9)])
    assert numbers.upto() == 3
    assert numbers.missing(10) == [(4, 4)]
    numbers.add(4)
    assert numbers.ranges == ((1, 9),)
    assert numbers.upto() == 9


def test_nothing_is_settled_before_the_first_number() -> None:
    numbers = MessageNumbers([(2, 5)])
    assert numbers.upto() == 0
    assert numbers.missing(4) == [(1, 1)]


def test_missing_reaches_beyond_the_last_range() -> None:
    assert MessageNumbers([(1, 2)]).missing(6) == [(3, 5)]
    assert MessageNumbers().missing(3) == [(1, 2)]
    assert MessageNumbers([(4, 9)]).missing(3) == [(1, 2)]


@given(st.lists(st.integers(1, 60)), st.lists(st.tuples(st.integers(1, 60), st.integers(0, 9))))
def test_behaves_like_a_set(singles: list[int], spans: list[tuple[int, int]]) -> None:
    numbers, model = MessageNumbers(), set()
    for number in singles:
        numbers.add(number)
        model.add(number)
    for first, length in spans:
        numbers.add(first, first + length)
        model |= set(range(first, first + length + 1))
    assert {n for first, last in numbers.ranges for n in range(first, last + 1)} == model
    assert all(b[0] > a[1] + 1 for a, b in zip(numbers.ranges, numbers.ranges[1:], strict=False))
    assert all((n in numbers) == (n in model) for n in range(80))
    missing = {n for first, last in numbers.missing(50) for n in range(first, last + 1)}
    assert missing == set(range(1, 50)) - model
    assert numbers.upto() == next(n for n in range(100) if n + 1 not in model)


def test_a_claim_is_far_only_from_all_that_came() -> None:
    numbers = MessageNumbers([(1, 5), (50_000, 50_010)])
    reach = FARTHEST_CLAIM
    assert [numbers.is_far(n) for n in (3, 5 + reach, 6 + reach, 49_999 - reach, 50_000 - reach, 50_010 + reach)] == [
        False,
        False,
        True,
        True,
        False,
        False,
    ]
    assert numbers.is_far(10**9)
    assert not MessageNumbers().is_far(10**9), "the first of a boot may have any number"


@given(st.sets(st.integers(1, 40)), st.integers(1, 40))
def test_a_number_taken_out_is_missing_again(numbers: set[int], number: int) -> None:
    found = MessageNumbers()
    for each in numbers:
        found.add(each)
    found.discard(number)
    assert [each for each in range(1, 42) if each in found] == sorted(numbers - {number})


@given(st.sets(st.integers(1, 40)), st.integers(1, 40), st.integers(0, 20))
def test_those_taken_out_are_counted_and_missing_again(numbers: set[int], first: int, length: int) -> None:
    found = MessageNumbers([(each, each) for each in numbers])
    gone = numbers & {*range(first, first + length + 1)}
    assert found.take_out(first, first + length) == len(gone)
    assert [each for each in range(1, 62) if each in found] == sorted(numbers - gone)


def test_a_crowded_one_takes_only_what_lengthens_a_range() -> None:
    numbers = MessageNumbers([(3 * n, 3 * n) for n in range(1, MOST_RANGES)])
    assert numbers.has_room(10**6)
    numbers.add(10**6)
    assert [numbers.has_room(number) for number in (10**6 - 1, 10**6 + 1, 10**6 + 2, 1, 2, 3)] == [
        True,
        True,
        False,
        False,
        True,
        True,
    ]
