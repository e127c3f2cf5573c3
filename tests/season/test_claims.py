"""Two calls of `season add` at once: none does what the other is doing, and whoever ends lets go."""

import os

import pytest

from buswright.cli.main import status_of
from buswright.cli.season import taking_in
from buswright.season.place.claims import Claims, claims_in

from .conftest import CAR, RUN

ONE, TWO = "1" * 64, "2" * 64


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*:DeprecationWarning")
def test_a_claim_holds_against_other_processes_until_it_is_let_go_or_its_process_ends(tmp_path):
    told, tell = os.pipe()
    ended, end = os.pipe()
    process = os.fork()
    if not process:
        os.close(end)  # so that it ends with this test, whatever becomes of it
        try:
            with claims_in(tmp_path / "season" / ".adding") as claims:
                assert claims.take(ONE)
                assert claims.take(TWO)
                claims.release(TWO)
                os.write(tell, b"1")
                os.read(ended, 1)
                os._exit(0)  # without letting go
        finally:
            os._exit(1)
    os.read(told, 1)
    with claims_in(tmp_path / "season" / ".adding") as claims:
        assert not claims.take(ONE)
        assert claims.take(TWO)
        os.write(end, b"1")
        assert os.waitpid(process, 0)[1] == 0
        claims.wait(ONE)
    os.close(end)


def test_where_there_are_no_locks_all_is_granted(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with claims_in(tmp_path / "file" / ".adding") as claims:
        assert claims.take(ONE)
        claims.release(ONE)
    assert [each.name for each in tmp_path.iterdir()] == ["file"]


def test_a_folder_that_was_made_for_nothing_goes_again(tmp_path):
    with claims_in(tmp_path / "season" / ".adding") as claims:
        assert claims.take(ONE)
    assert list(tmp_path.iterdir()) == []


def test_what_another_call_is_taking_in_is_waited_for_and_not_decoded_twice(tmp_path, capsys, monkeypatch):
    for name, first in (("one", 0), ("two", 400)):
        lines = RUN.read_bytes().splitlines(keepends=True)[first : first + 400]
        (tmp_path / f"{name}.log").write_bytes(b"".join(lines))
    place = tmp_path / "season"
    add = ["season", "add", "--jobs", "1", "--car", str(CAR), "--season", str(place)]
    decoded = []
    take_in = taking_in.take_in
    monkeypatch.setattr(taking_in, "take_in", lambda work: [decoded.append(work.name), take_in(work)][1])

    def other_call(claims, sha256):
        assert decoded == ["two.log"], "what is free comes first"
        monkeypatch.setattr(Claims, "take", taken)
        assert status_of([*add, str(tmp_path / "one.log")]) == 0
        monkeypatch.setattr(Claims, "wait", waited)
        claims.wait(sha256)

    taken, waited = Claims.take, Claims.wait
    busy = [True, False]
    monkeypatch.setattr(Claims, "take", lambda claims, sha256: not busy.pop(0) and taken(claims, sha256))
    monkeypatch.setattr(Claims, "wait", other_call)
    assert status_of([*add, str(tmp_path / "one.log"), str(tmp_path / "two.log")]) == 0
    out, err = capsys.readouterr()
    assert err.count("Another season add is taking in one.log: this one waits for it.") == 1
    assert out.endswith(f"{place}: 1 run added, 0 decoded again, 1 there already\n")
    assert decoded == ["two.log", "one.log"]
