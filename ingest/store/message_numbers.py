"""Which message numbers of one node and boot have come: closed ranges and what they leave out. No I/O.

Numbers run 1, 2, 3 … within a boot. A number counts as settled when it was committed, or when
the node said that it no longer holds it; a receipt reaches up to the last number before the
first unsettled one.
"""

from __future__ import annotations

from bisect import bisect_right

Range = tuple[int, int]

FARTHEST_CLAIM = 10_000
"""A number that could only be guessed from a message that cannot be read counts within this reach of one that came.
A node numbers without gaps and holds fewer messages than that at once; made-up numbers would each be a range."""

MOST_RANGES = 1000
"""Ranges kept of one boot: a node sends a handful of messages at once, and leaves no more gaps than that."""
MOST_GAPS = 500
"""Gaps of one boot that are known one by one, of numbers that a node gave up; of older ones a count is kept."""


class MessageNumbers:
    """A set of message numbers kept as sorted, disjoint, non-adjacent closed ranges."""

    def __init__(self, ranges: list[Range] | None = None) -> None:
        self._ranges: list[Range] = []
        for first, last in ranges or []:
            self.add(first, last)

    @property
    def ranges(self) -> tuple[Range, ...]:
        return tuple(self._ranges)

    def __contains__(self, number: int) -> bool:
        at = bisect_right(self._ranges, (number, 1 << 62)) - 1
        return at >= 0 and self._ranges[at][1] >= number

    def add(self, first: int, last: int | None = None) -> None:
        last = first if last is None else last
        if self._ranges and self._ranges[-1][1] == first - 1:
            # the common case: the next number in order
            self._ranges[-1] = (self._ranges[-1][0], last)
            return
        low = bisect_right(self._ranges, (first, 0))
        if low and self._ranges[low - 1][1] >= first - 1:
            low -= 1
        high = low
        while high < len(self._ranges) and self._ranges[high][0] <= last + 1:
            first = min(first, self._ranges[high][0])
            last = max(last, self._ranges[high][1])
            high += 1
        self._ranges[low:high] = [(first, last)]

    def add_new(self, number: int) -> bool:
        """Add one; whether it was not there."""
        if (self._ranges and self._ranges[-1][1] >= number) and number in self:
            return False
        self.add(number)
        return True

    def has_room(self, number: int) -> bool:
        """Whether one may be added: MOST_RANGES are there at most, unless it lengthens one of them."""
        if len(self._ranges) < MOST_RANGES:
            return True
        return any(each in self for each in (number - 1, number, number + 1))

    def take_out(self, first: int, last: int) -> int:
        """Take out all from `first` to `last`; how many were there."""
        found = 0
        low = bisect_right(self._ranges, (first, 0))
        if low and self._ranges[low - 1][1] >= first:
            low -= 1
        high, left = low, []
        while high < len(self._ranges) and self._ranges[high][0] <= last:
            begins, ends = self._ranges[high]
            found += min(ends, last) - max(begins, first) + 1
            left += [(begins, first - 1), (last + 1, ends)]
            high += 1
        self._ranges[low:high] = [(begins, ends) for begins, ends in left if begins <= ends]
        return found

    def oldest_half(self) -> Range:
        """From the first number of the lowest range to the last of the one in the middle."""
        return self._ranges[0][0], self._ranges[(len(self._ranges) - 1) // 2][1]

    def discard(self, number: int) -> None:
        """Take one out again."""
        self.take_out(number, number)

    def is_far(self, number: int) -> bool:
        """Whether no number within FARTHEST_CLAIM has come, though others have."""
        at = bisect_right(self._ranges, (number, 1 << 62))
        before = number - self._ranges[at - 1][1] if at else None
        after = self._ranges[at][0] - number if at < len(self._ranges) else None
        away = [each for each in (before, after) if each is not None]
        return bool(away) and min(away) > FARTHEST_CLAIM

    def missing(self, below: int) -> list[Range]:
        """The ranges of numbers from 1 that have not come, up to but without `below`."""
        gaps: list[Range] = []
        expected = 1
        for first, last in self._ranges:
            if expected >= below:
                break
            if first > expected:
                gaps.append((expected, min(first, below) - 1))
            expected = last + 1
        if expected < below:
            gaps.append((expected, below - 1))
        return gaps

    def upto(self) -> int:
        """The highest number up to which all have come; 0 if the first is missing."""
        return self._ranges[0][1] if self._ranges and self._ranges[0][0] == 1 else 0

    def highest(self) -> int:
        return self._ranges[-1][1] if self._ranges else 0
