"""Identifiers to messages: exact ones, J1939 parameter groups, several buses, many identifiers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.table import Flag
from buswright.messages.decoding.decode import Decoder
from buswright.messages.match import (
    EVERY_BUS,
    Group,
    Kind,
    Matcher,
    _IdentifierTable,
    by_bus,
    by_group,
    distance,
    parameter_group,
    split_source,
    with_source,
)
from buswright.messages.model import J1939, Database, Message, Signal
from tests.messages.frame_batches import frames_of


def message(name: str, identifier: int, *, extended: bool = False, protocol: str = "") -> Message:
    return Message(name, identifier, extended, 8, (Signal("s", 0, 8),), protocol=protocol)


def names(matcher: Matcher, *identifiers: tuple[int, bool]) -> list[str]:
    codes = matcher.match(frames_of([(identifier, extended, bytes(8)) for identifier, extended in identifiers]))
    return [matcher.groups[code].name for code in codes]


def test_an_identifier_of_11_bits_is_another_one_than_of_29() -> None:
    database = Database((), (message("short", 0x123), message("long", 0x123, extended=True)))
    assert names(Matcher(database), (0x123, False), (0x123, True), (0x124, True)) == ["short", "long", "00000124"]


def test_databases_bound_to_a_bus_win_over_those_for_every_bus() -> None:
    own, shared = Database((), (message("own", 0x10),)), Database((), (message("any", 0x10), message("both", 0x20)))
    matcher = Matcher({"chassis": own, EVERY_BUS: [shared]}, bus_names={"can1": "chassis"})
    frames = frames_of(
        [(0x10, False, b""), (0x10, False, b""), (0x20, False, b""), (0x20, False, b"")],
        buses=("can0", "can1"),
        bus=[0, 1, 0, 1],
    )
    groups = [matcher.groups[code] for code in matcher.match(frames)]
    assert [(g.bus, g.name) for g in groups] == [
        ("can0", "any"),
        ("chassis", "own"),
        ("can0", "both"),
        ("chassis", "both"),
    ]


def test_two_interfaces_of_one_bus_are_one_group() -> None:
    matcher = Matcher(Database((), (message("m", 1),)), bus_names={"can0": "main", "can1": "main"})
    codes = matcher.match(frames_of([(1, False, b""), (1, False, b"")], buses=("can0", "can1"), bus=[0, 1]))
    assert codes[0] == codes[1]


def test_the_last_of_two_claims_decodes_as_in_cantools() -> None:
    assert names(Matcher(Database((), (message("first", 1), message("last", 1)))), (1, False)) == ["last"]


def test_two_messages_of_one_name_keep_apart() -> None:
    matcher = Matcher(Database((), (message("m", 0x1A0), message("m", 0x1B0))))
    assert names(matcher, (0x1A0, False), (0x1B0, False)) == ["m", "m_1B0"]


def test_error_and_remote_frames_carry_no_signals() -> None:
    database = Database((), (message("m", 1),))
    decoder = Decoder(database)
    flags = [0, Flag.ERROR, Flag.REMOTE, Flag.ERROR | Flag.REMOTE, Flag.ERROR]
    # The class of an error frame may have any bit and looks like an identifier.
    rows = [(1, False, bytes(8)), (1, False, bytes(8)), (1, False, b""), (1, False, b""), (0x1FFFFFFF, False, bytes(8))]
    batch = decoder.decode(frames_of(rows, flags=flags))
    assert [len(table) for table in batch] == [1]
    assert (decoder.counts.errors, decoder.counts.remotes) == (3, 1)


def test_buses_that_appear_later_and_another_capture() -> None:
    matcher = Matcher(Database((), (message("m", 1),)))
    for buses in (("a",), ("a", "b"), ("c",), ("a",)):
        bus = len(buses) - 1
        code = matcher.match(frames_of([(1, False, b"")], buses=buses, bus=[bus]))[0]
        assert matcher.groups[code].bus == buses[bus]


def test_an_interface_without_a_bus_name_is_its_own_bus_and_empty_databases_bind_nothing() -> None:
    database = Database((), (message("m", 0x10),))
    matcher = Matcher({"chassis": [], "engine": [database]}, bus_names={"can0": "engine"})
    assert list(by_bus({"chassis": [], "engine": [database]})) == ["engine"]
    assert by_bus(database) == {EVERY_BUS: database}
    assert matcher.find("can0", 0x10, False) == Group(Kind.MESSAGE, "engine", database.messages[0])
    assert matcher.find("can1", 0x10, False) == Group(Kind.UNMATCHED, "can1", id=0x10)
    assert matcher.find("can0", 0x10, True) == Group(Kind.UNMATCHED, "engine", id=0x10, extended=True)


def test_every_frame_of_a_mixed_batch_has_its_own_group() -> None:
    """Wide and short identifiers, error and remote frames, on two buses, in any order: one at a time and together."""
    rows = [(0x7FF, False, b""), (0x7FF, True, b""), (0x1FFFFFFF, True, b""), (0x5, False, b""), (0x5, True, b""),
            (0x1FFFFFFF, True, b""), (0x7FF, True, b"")]  # fmt: skip
    flags = [0, 0, 0, 0, 0, int(Flag.ERROR), int(Flag.REMOTE)]
    bus = [0, 1, 0, 1, 1, 0, 1]
    frames = frames_of(rows, buses=("a", "b"), bus=bus, flags=flags)
    database = Database((), (message("top", 0x7FF), message("wide", 0x1FFFFFFF, extended=True)))
    expected = [("a", "top"), ("b", "000007FF"), ("a", "wide"), ("b", "005"), ("b", "00000005"), None, None]
    kinds = [Kind.MESSAGE, Kind.UNMATCHED, Kind.MESSAGE, Kind.UNMATCHED, Kind.UNMATCHED, Kind.ERROR, Kind.REMOTE]
    together, alone = Matcher(database), Matcher(database)
    for matcher, parts in ((together, [frames]), (alone, [frames.slice(k, k + 1) for k in range(len(rows))])):
        groups = [matcher.groups[code] for part in parts for code in matcher.match(part)]
        assert [group.kind for group in groups] == kinds
        assert [(group.bus, group.name) for group in groups[:5]] == expected[:5]


@pytest.mark.parametrize("count", [0, 1, 256, 257, 65_536, 65_537])
def test_frames_are_sorted_by_group_and_keep_their_order(count: int) -> None:
    """A byte numbers 256 groups, two bytes 65,536."""
    rng = np.random.default_rng(count)
    codes = rng.permutation(
        np.concatenate([np.arange(count) * 2 + 1, rng.integers(0, max(count, 1), count // 2) * 2 + 1])
    )
    codes = codes.astype(np.int32)
    found, ends, order = by_group(codes)
    assert np.array_equal(found, np.unique(codes))
    assert np.array_equal(order, np.argsort(codes, kind="stable"))
    assert np.array_equal(ends, np.searchsorted(np.sort(codes), found, side="right"))


# --- J1939 -----------------------------------------------------------------------------------------------------

# Identifier, parameter group, PDU type, destination, source. Computed with J1939-PGN 0.4 and checked against
# can-j1939 2.0.12's MessageId; structure as in the Linux kernel's Documentation/networking/j1939.rst.
IDENTIFIERS = [
    (0x18FEF100, 65265, 0),
    (0x0CF00400, 61444, 0),
    (0x18FEEE00, 65262, 0),
    (0x18EAFF00, 59904, 0),
    (0x18EA00F9, 59904, 249),
    (0x0C000003, 0, 3),
    (0x18F0010B, 61441, 11),
    (0x0C820E0F, 33280, 15),
    (0x18FECA03, 65226, 3),
    (0x1CEBFF00, 60160, 0),
    (0x18EEFF80, 60928, 128),
    (0x18FF5027, 65360, 39),
    (0x19F80165, 129025, 101),
    # By the rule itself, at its border: PDU format 239 still has a destination.
    (0x18EF1227, 0xEF00, 0x27),
]


@pytest.mark.parametrize(("identifier", "group", "source"), IDENTIFIERS)
def test_parameter_groups(identifier: int, group: int, source: int) -> None:
    assert parameter_group(identifier) == group
    defined = message("PG", (identifier & ~0xFF) | 0xFE, extended=True, protocol=J1939)
    expected = [f"PG@{source:02X}"] if group not in (60160, 60416) else [f"{identifier:08X}"]
    assert names(Matcher(Database((), (defined,))), (identifier, True)) == expected


def test_sources_are_kept_apart_and_priority_does_not_matter() -> None:
    matcher = Matcher(Database((), (message("EEC1", 0x0CF004FE, extended=True, protocol=J1939),)))
    found = names(matcher, (0x0CF00400, True), (0x0CF00401, True), (0x18F00400, True), (0x0CF004FE, True))
    assert found == ["EEC1@00", "EEC1@01", "EEC1@00", "EEC1@FE"]


def test_an_exact_match_wins_over_the_parameter_group() -> None:
    messages = (
        message("ANY", 0x18FEF1FE, extended=True, protocol=J1939),
        message("RETARDER", 0x18FEF110, extended=True, protocol=J1939),
        message("PLAIN", 0x18FEF120, extended=True),
    )
    matcher = Matcher(Database((), messages))
    found = names(matcher, (0x18FEF110, True), (0x18FEF111, True), (0x18FEF120, True), (0x1CFEF110, True))
    assert found == ["RETARDER@10", "ANY@11", "PLAIN", "RETARDER@10"]


def test_of_two_definitions_of_a_group_the_nearer_decodes() -> None:
    """The same source, then any source; among these the same destination."""
    seen = 0x18EA1205
    ranked = [0x18EA1205, 0x18EA3405, 0x18EA12FE, 0x18EA34FE, 0x18EA1206]
    worst_first = ranked[::-1]
    assert sorted(worst_first, key=lambda defined: distance(defined, seen)) == ranked
    assert distance(seen, seen) == (False, True, False)
    assert distance(0x18EA12FE, 0x18EA12FE) == (False, False, False)


@pytest.mark.parametrize(
    ("name", "parts"),
    [("EEC1@0A", ("EEC1", 0x0A)), ("A@B@FF", ("A@B", 0xFF)), ("EEC1", ("EEC1", None)), ("EEC1@0a", ("EEC1@0a", None)),
     ("EEC1@A", ("EEC1@A", None)), ("@0A", ("@0A", None))],
)  # fmt: skip
def test_a_source_address_stands_behind_the_name(name: str, parts: tuple[str, int | None]) -> None:
    assert split_source(name) == parts


def test_a_source_address_is_the_lowest_byte() -> None:
    assert with_source(0x18FEF1FE, 0x0A) == 0x18FEF10A
    assert with_source(0x18FEF100, 0xFF) == 0x18FEF1FF


def test_a_destination_does_not_belong_to_the_group_below_pdu_format_240() -> None:
    messages = (
        message("REQUEST", 0x18EAFFFE, extended=True, protocol=J1939),
        message("TO_12", 0x0C8212FE, extended=True, protocol=J1939),
        message("TO_34", 0x0C8234FE, extended=True, protocol=J1939),
    )
    matcher = Matcher(Database((), messages))
    found = names(matcher, (0x18EA00F9, True), (0x0C823405, True), (0x0C821205, True), (0x0C825605, True))
    assert found == ["REQUEST@F9", "TO_34@05", "TO_12@05", "TO_12@05"]


def test_the_group_is_used_only_where_the_database_says_j1939() -> None:
    matcher = Matcher(Database((), (message("EEC1", 0x0CF004FE, extended=True),)))
    assert names(matcher, (0x0CF00400, True)) == ["0CF00400"]


def test_multi_packet_transfers_are_counted() -> None:
    decoder = Decoder(Database((), (message("EEC1", 0x0CF004FE, extended=True, protocol=J1939),)))
    decoder.decode(
        frames_of([(0x1CEBFF00, True, bytes(8)), (0x1CECFF00, True, bytes(8)), (0x1CEBFF00, True, bytes(8))])
    )
    assert decoder.counts.transport == {("can0", "1CEBFF00"): 2, ("can0", "1CECFF00"): 1}
    assert decoder.counts.unmatched == {}
    transport = [group for group in decoder.matcher.groups if group.kind is Kind.TRANSPORT]
    assert [(group.id, group.extended) for group in transport] == [(0x1CEBFF00, True), (0x1CECFF00, True)]
    plain = Decoder(Database((), (message("m", 1),)))
    plain.decode(frames_of([(0x1CEBFF00, True, bytes(8))]))
    assert plain.counts.unmatched == {("can0", "1CEBFF00"): 1}


# --- many identifiers ------------------------------------------------------------------------------------------


@given(st.lists(st.integers(0, (1 << 29) - 1), min_size=1, max_size=300), st.integers(0, 2**32))
def test_the_identifier_table_finds_what_was_added_and_nothing_else(known: list[int], seed: int) -> None:
    table = _IdentifierTable()
    half = len(known) // 2 + 1
    table.add(np.array(known[:half], dtype=np.uint32))
    table.add(np.array(known, dtype=np.uint32))
    assert len(table) == len(set(known))
    identifiers = np.array(known, dtype=np.uint32)
    numbers = table.find(identifiers)
    assert numbers is not None
    assert [table.identifier(n) for n in numbers] == known
    stranger = np.random.default_rng(seed).integers(0, 1 << 29, dtype=np.uint32)
    found = table.find(np.array([stranger], dtype=np.uint32))
    assert (found is not None) == (int(stranger) in set(known))


def test_thousands_of_identifiers_need_no_hash_without_collisions() -> None:
    known = np.random.default_rng(1).integers(0, 1 << 29, 20_000, dtype=np.uint32)
    table = _IdentifierTable()
    table.add(known)
    assert table._hash is None
    numbers = table.find(known)
    assert numbers is not None
    assert np.array_equal(table._identifiers[numbers], known)
    assert table.find(known + np.uint32(1 << 30)) is None


def test_beyond_a_limit_unmatched_identifiers_are_counted_together(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("buswright.messages.match.MAX_UNMATCHED", 10)
    decoder = Decoder(Database((), (message("m", 1, extended=True),)))
    decoder.decode(frames_of([(identifier, True, b"") for identifier in range(100)]))
    assert len(decoder.counts.unmatched) == 10
    assert decoder.counts.unlisted == 89
    assert decoder.counts.decoded == 1
    assert decoder.matcher.groups[2].kind is Kind.UNLISTED
