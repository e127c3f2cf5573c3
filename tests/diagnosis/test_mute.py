from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.diagnosis.case import Sighting, Window, sighting
from buswright.diagnosis.mute import EXPLAINS, accounts_for, mute, rank, spoils_values
from buswright.findings import FAULTS, Finding, Layer, Severity


def seen(
    fault: str,
    subject: str,
    start_s: float,
    end_s: float,
    severity: Severity = Severity.FAULT,
    reach: tuple[str, ...] = (),
) -> Sighting:
    return sighting(
        fault, severity, subject, windows=[Window(int(start_s * 1e9), int(end_s * 1e9))], count=1, confidence=0.9,
        evidence=["seen"], threshold="any", next_check="look", reach=reach,
    )  # fmt: skip


DROP = seen("capture-drop", "capture", 10, 11, reach=("id:main/100", "channel:oil"))
LOST = seen("frames-lost", "id:main/100", 10.2, 10.8)


def test_a_lower_layer_takes_in_what_it_explains() -> None:
    (root,) = mute([LOST, DROP])
    assert root.fault == "capture-drop"
    assert [one.fault for one in root.explains] == ["frames-lost"]


def test_only_on_its_subjects_in_its_time_and_of_its_kind() -> None:
    for other in (
        seen("frames-lost", "id:main/200", 10.2, 10.8),
        seen("frames-lost", "id:main/100", 14, 15),
        seen("checksum-wrong", "id:main/100", 10.2, 10.8),
    ):
        assert not accounts_for(DROP, other)
        assert len(mute([DROP, other])) == 2


def test_a_note_does_not_mute_a_fault() -> None:
    note = seen("capture-drop", "capture", 10, 11, Severity.NOTE, ("id:main/100",))
    assert not accounts_for(note, LOST)


def test_any_fault_below_explains_values_above_the_node_layer() -> None:
    assert accounts_for(DROP, seen("open-circuit", "channel:oil", 10.1, 10.9))
    assert not accounts_for(DROP, seen("open-circuit", "channel:oil", 10.1, 30))


def test_what_moves_values_within_their_bands_explains_numbers_over_the_run() -> None:
    sag = seen("supply-sag", "supply:5V-A", 30, 90, reach=("channel:steer",))
    number = replace(seen("offset", "channel:steer", 0, 0), windows=())
    assert accounts_for(sag, number)
    # An open wire that stands at a rail is left out of such numbers.
    assert not accounts_for(seen("open-circuit", "channel:steer", 30, 90), number)


def test_a_module_without_a_name_is_reached_where_all_its_identifiers_are() -> None:
    drop = seen("capture-drop", "capture", 10, 11, reach=("id:main/100", "id:main/200"))
    assert accounts_for(drop, seen("bus-off", "module:main/100+200", 10.1, 10.9))
    assert not accounts_for(drop, seen("bus-off", "module:main/100+300", 10.1, 10.9))
    assert not accounts_for(drop, seen("bus-off", "module:dash", 10.1, 10.9))


def test_a_wrong_zero_accounts_for_no_shape() -> None:
    offset = seen("offset", "channel:fl", 0, 60)
    assert accounts_for(offset, seen("drift", "channel:fl", 0, 60))
    assert not accounts_for(offset, seen("under-sampled", "channel:fl", 0, 60))


def test_what_explains_may_be_explained() -> None:
    babble = seen("babbling-node", "id:main/080", 10, 20, reach=("bus:main", "id:main/100"))
    load = seen("bus-overload", "bus:main", 10, 20, reach=("id:main/100",))
    late = seen("late-frames", "id:main/100", 11, 19)
    (root,) = mute([late, load, babble])
    assert root.fault == "babbling-node"
    assert {one.fault for one in root.explains} == {"bus-overload", "late-frames"}
    assert all(not one.explains for one in root.explains)


def test_roots_come_by_gravity_then_layer() -> None:
    found = mute(
        [
            seen("wrong-length", "id:main/300", 1, 2, Severity.SUSPECT),
            seen("module-missing", "module:a", 1, 2),
            seen("clock-jump", "capture", 1, 1, Severity.SUSPECT),
        ]
    )
    assert [one.fault for one in found] == ["module-missing", "clock-jump", "wrong-length"]


def test_the_table_names_faults_of_the_catalogue() -> None:
    of_shared_wiring = {
        "open-circuit",
        "short-to-ground",
        "short-to-supply",
        "loose-contact",
        "ignition-noise",
    }  # a plug's accounts for those of its channels
    for cause, effects in EXPLAINS.items():
        frames = FAULTS[cause] <= Layer.NODE
        by_time = cause in ("clock-jump", "echo")  # values stay right, and how they follow each other doesn't
        assert by_time or all((FAULTS[effect] <= Layer.NODE) == frames for effect in effects)
        assert cause not in effects or cause in of_shared_wiring


def flat(found: tuple[Finding, ...]) -> list[tuple[str, str]]:
    return sorted((one.fault, one.subject) for root in found for one in (root, *root.explains))


@given(
    st.lists(
        st.tuples(
            st.sampled_from(sorted(FAULTS)), st.sampled_from(["id:main/100", "bus:main"]), st.integers(0, 5),
            st.integers(0, 5), st.sampled_from(list(Severity)),
        ),
        max_size=12,
        unique_by=lambda row: row[:2],
    )
)  # fmt: skip
def test_nothing_is_ever_lost_or_told_twice(rows: list[tuple[str, str, int, int, Severity]]) -> None:
    made = [seen(f, s, a, a + b, v, ("id:main/100", "bus:main")) for f, s, a, b, v in rows]
    assert flat(mute(made)) == sorted((one.finding.fault, one.finding.subject) for one in made)


# Row by row -----------------------------------------------------------------------------------------------------------

HIT = ("id:main/100",)


def test_roots_of_one_gravity_and_layer_come_sure_ones_first_then_early_ones_then_by_subject() -> None:
    late = seen("wrong-length", "id:main/100", 5, 6)
    early = seen("checksum-wrong", "id:main/200", 1, 2)
    same = seen("frozen-frame", "id:main/300", 1, 2)
    sure = replace(late, finding=replace(late.finding, confidence=0.99, subject="id:main/400"))
    late, early, same = (replace(one, finding=replace(one.finding, confidence=0.5)) for one in (late, early, same))
    timeless = replace(same, finding=replace(same.finding, start_ns=None, subject="id:main/500"))
    order = [sure, timeless, early, same, late]
    assert sorted([late, same, timeless, early, sure], key=rank) == order
    assert [one.subject for one in mute([late, same, early, sure])] == [
        "id:main/400", "id:main/200", "id:main/300", "id:main/100",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("start_s", "end_s", "covered"), [(9.75, 11.25, True), (9.7, 10.0, False), (11.0, 11.3, False), (9.0, 9.7, False)]
)
def test_what_follows_may_begin_and_end_a_quarter_of_a_second_beside(
    start_s: float, end_s: float, covered: bool
) -> None:
    assert accounts_for(DROP, seen("frames-lost", HIT[0], start_s, end_s)) is covered


@pytest.mark.parametrize(("length_s", "covered"), [(1.0, True), (1.11, True), (1.12, False), (2.0, False)])
def test_nine_tenths_must_lie_inside(length_s: float, covered: bool) -> None:
    """The cause covers 10.25 to 11.25 with its slack: of 1.11 s that is 0.901, of 1.12 s 0.893."""
    cause = seen("capture-drop", "capture", 10.5, 11, reach=HIT)
    assert accounts_for(cause, seen("frames-lost", HIT[0], 10.25, 10.25 + length_s)) is covered


def test_just_nine_tenths_are_enough() -> None:
    """The last nanosecond of its slack counts: 900 of 1,000 ns, and 899."""
    last = DROP.windows[0].end_ns + 250_000_000
    for inside, covered in ((900, True), (899, False)):
        start = last + 1 - inside
        assert accounts_for(DROP, replace(LOST, windows=(Window(start, start + 1000),))) is covered


def test_all_windows_of_an_effect_count_together_and_each_finds_its_own_cause() -> None:
    cause = replace(DROP, windows=tuple(Window(at * 10**9, (at + 1) * 10**9) for at in (10, 20, 30)))
    inside = tuple(Window(int(at * 1e9), int((at + 0.5) * 1e9)) for at in (10.1, 20.2, 30.3))
    assert accounts_for(cause, replace(LOST, windows=inside))
    assert accounts_for(cause, replace(LOST, windows=inside[1:]))
    beside = Window(25_000_000_000, 25_500_000_000)
    assert not accounts_for(cause, replace(LOST, windows=(inside[0], beside, inside[2])))
    many = (*inside, *inside, *inside, *inside, *inside)
    assert accounts_for(cause, replace(LOST, windows=tuple(sorted((*many, beside)))))  # 7.5 s of 8 s


def test_what_was_somewhere_in_its_windows_counts_where_they_overlap() -> None:
    coarse = replace(LOST, windows=(Window(0, 10**10),), coarse=True)
    assert accounts_for(DROP, coarse)
    assert not accounts_for(DROP, replace(coarse, coarse=False))
    before = replace(coarse, windows=(Window(0, 9_749_999_999),))
    assert not accounts_for(DROP, before)
    assert accounts_for(DROP, replace(coarse, windows=(Window(0, 9_750_000_000),)))


def test_moments_without_length_are_inside_or_not() -> None:
    for at_s, inside in ((9.7, False), (9.75, True), (11.25, True), (11.3, False)):
        assert accounts_for(DROP, seen("frames-lost", HIT[0], at_s, at_s)) is inside


def test_a_cause_without_windows_covers_the_whole_run_and_an_effect_without_any_needs_such_a_one() -> None:
    whole, of_all = replace(DROP, windows=()), replace(LOST, windows=())
    assert accounts_for(whole, LOST)
    assert accounts_for(whole, of_all)
    assert not accounts_for(DROP, of_all)


def lines(count: int, severity: Severity = Severity.NOTE) -> Sighting:
    one = seen("bad-lines", "capture", 0, 1, severity, HIT)
    return replace(one, finding=replace(one.finding, count=count))


@pytest.mark.parametrize(("frames", "explained"), [(6, True), (7, False)])
def test_a_damaged_line_costs_up_to_three_frames_whenever(frames: int, explained: bool) -> None:
    """A damaged line costs a frame, lines run together cost two. A note explains them too, at any time."""
    lost = seen("frames-lost", HIT[0], 50, 51)
    assert accounts_for(lines(2), replace(lost, finding=replace(lost.finding, count=frames))) is explained


@pytest.mark.parametrize(
    ("own", "other", "explained"),
    [
        (Severity.NOTE, Severity.NOTE, True),
        (Severity.NOTE, Severity.SUSPECT, False),
        (Severity.SUSPECT, Severity.FAULT, True),
        (Severity.SUSPECT, Severity.SUSPECT, True),
    ],
)
def test_a_note_explains_notes_alone(own: Severity, other: Severity, explained: bool) -> None:
    cause, effect = (
        replace(one, finding=replace(one.finding, severity=severity)) for one, severity in ((DROP, own), (LOST, other))
    )
    assert accounts_for(cause, effect) is explained


@pytest.mark.parametrize(
    ("cause", "effect", "explained"),
    [
        ("module-reset", "stuck", True),  # it spoils values, so what lies above can't be judged
        ("clock-jump", "open-circuit", False),  # it leaves values right
        ("clock-jump", "stuck", True),  # but not how they follow each other
        ("late-frames", "stuck", False),
        ("late-frames", "counter-jump", False),
        ("open-circuit", "offset", True),
        ("open-circuit", "short-to-ground", True),
        ("short-to-ground", "open-circuit", True),
        ("offset", "drift", True),
        ("offset", "stuck", False),  # a wrong zero leaves the shape
        ("gain", "under-sampled", False),
        ("gain", "swapped-channels", False),
        ("gain", "sign-flipped", False),
        ("gain", "impossible-rate", True),
        ("stuck", "open-circuit", False),  # nothing explains what lies below it
        ("offset", "gain", False),
        ("stuck", "drift", False),
    ],
)
def test_a_fault_accounts_for_what_lies_above_where_it_spoils_values(cause: str, effect: str, explained: bool) -> None:
    assert accounts_for(seen(cause, "channel:a", 1, 9), seen(effect, "channel:a", 2, 8)) is explained


def test_which_faults_spoil_values() -> None:
    made = {fault: seen(fault, "channel:a", 1, 2).finding for fault in FAULTS}
    spoiling = {fault for fault, one in made.items() if spoils_values(one) and one.layer <= Layer.NODE}
    assert spoiling == {
        "bad-lines", "capture-drop", "wrong-bitrate", "bus-off", "segment-open", "power-cycle", "module-missing",
        "module-reset", "id-missing", "duplicate-id", "checksum-wrong", "frozen-frame", "wrong-length",
        "no-acknowledge", "babbling-node",
    }  # fmt: skip
    assert all(spoils_values(one) for one in made.values() if one.layer > Layer.NODE)


def test_a_number_over_the_run_is_moved_by_what_lasts_for_a_part_of_it() -> None:
    def explained(cause: str, number: str) -> bool:
        timed = seen(cause, "channel:steer", 30, 90)
        return accounts_for(timed, replace(seen(number, "channel:steer", 0, 0), windows=()))

    assert [number for number in ("offset", "gain", "unit-mixup", "drift") if explained("supply-sag", number)] == [
        "offset", "gain", "unit-mixup", "drift",
    ]  # fmt: skip
    assert not explained("supply-sag", "under-sampled")
    assert explained("open-circuit", "under-sampled")
    assert not explained("supply-lost", "drift")
    assert not explained("ground-shift", "unit-mixup")


def test_nothing_explains_itself_in_a_circle() -> None:
    """Each could account for the other: the first in rank order is given its cause, and that one stays a root."""
    one = seen("open-circuit", "channel:a", 1, 9, reach=("channel:b",))
    other = seen("short-to-ground", "channel:b", 1, 9, Severity.SUSPECT, reach=("channel:a",))
    assert accounts_for(one, other)
    assert accounts_for(other, one)
    (root,) = mute([other, one])
    assert (root.fault, [each.fault for each in root.explains]) == ("short-to-ground", ["open-circuit"])


def test_an_effect_goes_to_the_lowest_layer_that_accounts_for_it() -> None:
    high = seen("module-reset", "module:a", 1, 9, reach=HIT)
    low = seen("bus-overload", "bus:main", 1, 9, Severity.SUSPECT, reach=HIT)
    lost = seen("frames-lost", HIT[0], 2, 8)
    found = {one.fault: [each.fault for each in one.explains] for one in mute([lost, high, low])}
    assert found == {"module-reset": [], "bus-overload": ["frames-lost"]}


def test_what_stands_below_a_root_is_flat_and_in_rank_order() -> None:
    root = seen("power-cycle", "capture", 1, 9, reach=("module:a", *HIT))
    reset = seen("module-reset", "module:a", 1, 9, Severity.SUSPECT, reach=HIT)
    wrong = seen("wrong-length", HIT[0], 2, 3)
    jump = seen("counter-jump", HIT[0], 2, 3, Severity.NOTE)
    (found,) = mute([jump, wrong, reset, root])
    assert [(one.fault, one.explains) for one in found.explains] == [
        ("wrong-length", ()), ("module-reset", ()), ("counter-jump", ()),
    ]  # fmt: skip
