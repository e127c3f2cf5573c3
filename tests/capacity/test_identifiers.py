"""Free identifiers and clashes."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from buswright.capacity.proposed.identifiers import alike, clashes_of, free_ranges
from buswright.channels.carfile.model import FrameName


def base(number):
    return FrameName("main", number, False)


def wide(number):
    return FrameName("main", number, True)


def test_free_ranges_leave_out_what_controllers_and_scan_tools_keep():
    assert free_ranges([base(0x000), base(0x100), base(0x101), wide(0x50)]) == ((0x001, 0x0FF), (0x102, 0x7DE))
    assert free_ranges([wide(0x10)], extended=True) == ((0, 0x0F), (0x11, (1 << 29) - 1))


@given(st.sets(st.integers(0, 2047)))
def test_every_identifier_is_free_or_not(used):
    free = {number for part in free_ranges(map(base, used)) for number in range(part.first, part.last + 1)}
    assert free == set(range(0x7DF)) - used


def test_clashes():
    seen, declared = {base(0x123), wide(0x200)}, {base(0x300)}
    found = list(clashes_of([base(0x123), base(0x200), base(0x300), base(0x400), wide(0x300)], seen, declared))
    assert [(clash.name, clash.other, clash.kind) for clash in found] == [
        (base(0x123), base(0x123), "taken"),
        (base(0x200), wide(0x200), "other width"),
        (base(0x300), base(0x300), "declared"),
        (wide(0x300), base(0x300), "other width"),
    ]
    assert [(clash.name.id, clash.other.extended) for clash in alike({base(1), wide(1), base(2)})] == [(1, True)]
