from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from buswright.diagnosis.case import Sighting, Window, sighting
from buswright.diagnosis.mute import EXPLAINS, accounts_for, mute
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
