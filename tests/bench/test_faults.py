"""A good module and every bad one, of two make-ups: the right check fails, and no other."""

import pytest

from tests.bench.benches import FAULTS, bench_of, subject


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("bench")


QUICK = ("", "swapped-inputs", "wrong-scale", "no-acknowledge")
"""Faults of the bigger module that the suite tries; of the other it tries all, and the acceptance tier all of both."""
CASES = [
    pytest.param(which, fault, marks=() if which == "hub" or fault in QUICK else pytest.mark.acceptance)
    for which in ("wrenfell", "hub")
    for fault in FAULTS
]


@pytest.mark.parametrize(("which", "fault"), CASES)
def test_the_right_check_fails_and_no_other(which, fault, folder):
    result = bench_of(which, folder, fault).result()
    found = {(check.name, check.subject) for check in result.failed if check.verdict == "fail"}
    assert found == {(name, subject(which, part)) for name, part in FAULTS[fault]}
    assert not result.notes
    if fault != "no-acknowledge":
        assert result.count("pass") > 20
        assert not [check for check in result.checks if check.verdict == "not done"]
