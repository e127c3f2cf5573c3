import os
import time
from pathlib import Path

import pytest

from buswright.errors import CaptureError, UserError
from buswright.season.work.processes import Processes
from buswright.writing import WritingError


def deed(item):
    kind, place = item
    if kind == "die":
        os._exit(9)
    if kind == "refuse":
        raise CaptureError("no frames", hint="look")
    if kind == "full":
        raise WritingError("disk full")
    if kind == "wait":
        try:
            Path(place).write_text(str(os.getpid()))
            time.sleep(60)
        finally:
            Path(place).unlink()
    return os.getpid(), len(place)


@pytest.fixture(autouse=True)
def found(monkeypatch):
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2]))


def test_items_go_to_processes_and_one_that_dies_costs_its_item_alone():
    items = [("", "a"), ("die", ""), ("refuse", ""), ("", "abc"), ("", "ab")]
    with Processes(2) as processes:
        done = dict(processes.each(deed, items))
        assert len(done) == 5
        results = [done[item] for item in items if item[0] == ""]
        assert os.getpid() not in {process for process, _ in results}
        assert [length for _, length in results] == [1, 3, 2]
        assert (done["refuse", ""].message, done["refuse", ""].hint) == ("no frames", "look")
        assert isinstance(done["die", ""], UserError)
        assert "died" in done["die", ""].message
        assert dict(processes.each(deed, [("", "alone")])) == {("", "alone"): (os.getpid(), 5)}
        with pytest.raises(WritingError, match="disk full"):
            list(processes.each(deed, [("full", ""), ("", "x")]))


def test_when_the_block_ends_processes_remove_what_is_half_written(tmp_path):
    with Processes(2) as processes:
        working = processes.each(deed, [("wait", str(tmp_path / "half")), ("", "x")])
        next(working)
        while not (tmp_path / "half").exists():
            time.sleep(0.01)
        process = int((tmp_path / "half").read_text() or 0)
    assert not (tmp_path / "half").exists()
    with pytest.raises(ProcessLookupError):
        os.kill(process, 0)
