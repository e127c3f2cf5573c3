"""What stays of findings in the channels of a live bus, and what is taken back."""

from buswright.diagnosis.case import SECOND, Case, Window, sighting
from buswright.diagnosis.now import lasting as lasting_module
from buswright.diagnosis.now.lasting import lasting
from buswright.findings import Severity

from ..made import health

CASE = Case(health())


def seconds(start, end):
    return Window(round(start * SECOND), round(end * SECOND))


def seen(*windows, fault="loose-contact", subject="channel:a", said="x"):
    return sighting(
        fault, Severity.SUSPECT, subject, windows=windows, count=max(1, len(windows)), confidence=0.9,
        evidence=[said], threshold="x", next_check="x",
    )  # fmt: skip


def after(*judgements):
    """Return what is there after judgements: what was found, and the time that was judged."""
    found = ()
    for now, span in judgements:
        found = lasting(CASE, found, now, span)
    return found


def test_what_is_found_again_is_told_as_it_is_now():
    (one,) = after(
        ([seen(seconds(3, 4), said="old")], seconds(0, 10)), ([seen(seconds(3, 5), said="new")], seconds(0, 20))
    )
    assert one.sighting.finding.evidence == ("new",)
    assert one.sighting.windows == (seconds(3, 5),)


def test_what_is_not_found_again_in_the_same_time_was_none():
    assert after(([seen(seconds(3, 4))], seconds(0, 10)), ([], seconds(0, 20))) == ()


def test_what_lies_before_the_kept_minutes_stays():
    (one,) = after(([seen(seconds(3, 4))], seconds(0, 300)), ([], seconds(10, 310)), ([], seconds(200, 500)))
    assert one.sighting.finding.start_ns == 3 * SECOND


def test_moments_that_are_no_longer_kept_are_counted():
    first = seen(seconds(3, 4), seconds(8, 9), seconds(290, 291))
    again = seen(seconds(290, 291), seconds(305, 306))
    (one,) = after(([first], seconds(0, 300)), ([again], seconds(10, 310)))
    finding = one.sighting.finding
    assert (finding.count, finding.start_ns, finding.end_ns) == (4, 3 * SECOND, 306 * SECOND)
    assert finding.evidence == ("x", "It was seen twice before that, first at 3.000 s.")
    assert one.sighting.windows == (seconds(3, 4), seconds(8, 9), seconds(290, 291), seconds(305, 306))
    assert one.shown_by == seconds(3, 306)
    (one,) = after(([first], seconds(0, 300)), ([again], seconds(10, 310)), ([again], seconds(20, 320)))
    assert one.sighting.finding.count == 4


def test_what_concerns_the_whole_run_stays_once_the_time_that_showed_it_is_gone():
    zero = seen(fault="offset")
    early = [([zero], seconds(0, 10)), ([zero], seconds(0, 300))]
    assert len(after(*early, ([], seconds(12, 312)), ([], seconds(300, 600)))) == 1, "the car stood in these seconds"
    assert after(*early, ([], seconds(0, 310))) == ()
    assert after(([zero], seconds(50, 350)), ([], seconds(60, 360))) == ()


def test_no_more_than_so_many_stay(monkeypatch):
    monkeypatch.setattr(lasting_module, "MOST", 3)
    many = [seen(seconds(at, at + 1), subject=f"channel:{at}") for at in range(9)]
    assert len(after((many, seconds(0, 10)), ([], seconds(100, 400)))) == 3


def test_what_lies_across_the_beginning_of_the_kept_minutes_is_in_them():
    """A moment that ended as they begin is found again there; only what ended before is counted from earlier."""
    across, before = seen(seconds(9, 10)), seen(seconds(8, 9.9))
    (one,) = after(([across], seconds(0, 300)), ([seen(seconds(10, 11))], seconds(10, 310)))
    assert (one.sighting.finding.count, one.sighting.finding.start_ns) == (1, 10 * SECOND)
    (one,) = after(([before], seconds(0, 300)), ([seen(seconds(10, 11))], seconds(10, 310)))
    assert (one.sighting.finding.count, one.sighting.finding.start_ns) == (2, 8 * SECOND)


def test_others_that_show_the_same_stay_apart():
    one, other = seen(seconds(3, 4)), seen(seconds(3, 4), subject="channel:b")
    fault = seen(seconds(3, 4), fault="stuck")
    again = after(([one, other, fault], seconds(0, 300)), ([one], seconds(200, 500)))
    assert [(each.sighting.finding.fault, each.sighting.finding.subject) for each in again] == [
        ("loose-contact", "channel:a"), ("loose-contact", "channel:b"), ("stuck", "channel:a"),
    ]  # fmt: skip


def test_what_is_not_found_again_was_none_if_half_of_its_time_is_judged_again():
    """It was shown by 3 to 5 s: the middle is 4 s."""
    for start, stays in ((4, 0), (4.1, 1)):
        assert len(after(([seen(seconds(3, 5))], seconds(0, 300)), ([], seconds(start, 310)))) == stays


def test_what_concerns_the_whole_run_keeps_the_end_of_the_time_that_first_showed_it():
    zero = seen(fault="offset")
    (one,) = after(([zero], seconds(0, 300)), ([zero], seconds(10, 310)))
    assert one.shown_by == seconds(10, 300)
    (later,) = after(([zero], seconds(0, 10)), ([zero], seconds(10, 310)))
    assert later.shown_by == seconds(10, 310)
    (first,) = after(([zero], seconds(5, 10)))
    assert first.shown_by == seconds(5, 10)


def test_the_latest_that_no_longer_show_stay():
    many = [seen(seconds(at / 100, at / 100 + 0.001), subject=f"channel:{at}") for at in range(lasting_module.MOST + 5)]
    kept = after((many, seconds(0, 10)), ([], seconds(100, 400)))
    assert [one.sighting.finding.subject for one in kept] == [f"channel:{at}" for at in range(5, 105)]
