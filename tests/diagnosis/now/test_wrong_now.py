"""What is wrong at the moment shown."""

from dataclasses import replace

from buswright.findings import Layer, Severity

from ...tui.made import snapshot_of, some_id
from ...tui.made_variants import SECOND, finding, live, reception, without_car


def now_of(snapshot):
    return {each.subject: each for each in snapshot.verdicts.wrong_now}


def silenced(snapshot, *names, for_s=3.0):
    """These identifiers last came so long ago."""
    last = snapshot.source.now_ns - round(for_s * SECOND)
    ids, now = dict(snapshot.health.ids), dict(snapshot.recent.ids)
    for text in names:
        name = some_id(snapshot, text)
        ids[name] = replace(ids[name], last_ns=last)
        now[name] = replace(now[name], last_ns=last)
    return replace(snapshot, health=replace(snapshot.health, ids=ids), recent=replace(snapshot.recent, ids=now))


def test_nothing_is_wrong_in_a_good_run():
    assert snapshot_of(False).verdicts.wrong_now == ()


def test_a_module_that_is_gone_is_told_with_its_finding_once_there_is_one():
    one = now_of(replace(snapshot_of(), findings=()))["module:wheel_node"]
    assert (one.what, one.finding) == ("module-missing", None)
    assert one.seen == "None of its 3 identifiers comes."
    assert 5.8 < (one.since_ns - snapshot_of().source.first_ns) / SECOND < 6.0  # pulled out at 6.0 s
    with_finding = now_of(snapshot_of())["module:wheel_node"]
    assert with_finding.finding is snapshot_of().findings[0]
    assert with_finding.check == snapshot_of().findings[0].next_check


def test_a_finding_that_was_over_before_is_not_the_one_of_now():
    old = replace(
        snapshot_of().findings[0], start_ns=snapshot_of().source.first_ns, end_ns=snapshot_of().source.first_ns
    )
    assert now_of(replace(snapshot_of(), findings=(old,)))["module:wheel_node"].finding is None


def test_some_identifiers_of_a_module_are_named():
    found = now_of(silenced(snapshot_of(False), "chassis/1A0", "chassis/1B0"))
    assert list(found) == ["module:damper_node"]
    one = found["module:damper_node"]
    assert one.what == "id-missing"
    assert one.seen == "1A0 and 1B0 silent; the other 4 of 6 come."


def test_a_gone_adapter_and_a_silent_bus_stand_for_all_that_is_on_them():
    gone = now_of(live(receptions=(reception("engine"), reception("chassis", connected=False))))
    assert list(gone) == ["bus:chassis"]
    assert gone["bus:chassis"].what == "no adapter"
    assert "Plug the adapter back in" in gone["bus:chassis"].check
    silent = now_of(live(late_ns=3 * SECOND))
    assert list(silent) == ["bus:engine", "bus:chassis"]
    assert {each.what for each in silent.values()} == {"bus silent"}


def test_single_identifiers_have_rows_while_they_are_few():
    few = now_of(without_car())
    assert list(few) == ["id:can1/110", "id:can1/111", "id:can1/112"]
    assert few["id:can1/110"].seen == "It is silent."
    many = now_of(silenced(without_car(), "can1/1A0", "can1/1A1"))
    assert list(many) == ["bus:can1"]
    assert "5 identifiers are silent" in many["bus:can1"].seen
    assert "1A1" in many["bus:can1"].seen


def test_a_finding_about_another_thing_is_not_joined():
    """After an unplugging the bus had a finding, about its time stamps: that is no reason to check those."""
    base = live(receptions=(reception("engine"), reception("chassis", connected=False)), late_ns=3 * SECOND)
    start, end = base.source.first_ns, base.source.now_ns
    about = {"subject": "bus:chassis", "start_ns": start, "end_ns": end}
    stamps = finding("host-timestamps", Layer.CAPTURE, Severity.SUSPECT, **about)
    one = now_of(replace(base, findings=(stamps,)))["bus:chassis"]
    assert (one.what, one.finding) == ("no adapter", None)
    assert one.check.startswith("Plug the adapter back in")
    lost = finding("capture-drop", Layer.CAPTURE, Severity.FAULT, **about)
    assert now_of(replace(base, findings=(stamps, lost)))["bus:chassis"].finding is lost


def test_what_accounts_for_the_silence_is_shown_in_its_place():
    base = snapshot_of()
    missing = next(each for each in base.findings if each.fault == "module-missing")
    root = finding(
        "bus-off", Layer.BUS, Severity.FAULT, "bus:chassis", start_ns=missing.start_ns, end_ns=missing.end_ns,
        explains=(missing,),
    )  # fmt: skip
    one = now_of(replace(base, findings=(root,)))["module:wheel_node"]
    assert (one.what, one.finding) == ("bus-off", root)
