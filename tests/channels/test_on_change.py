"""A channel whose message is sent only on change: the time between its samples is no gap."""

from __future__ import annotations

from pathlib import Path

from buswright.channels.carfile.load import load_car_file
from buswright.channels.samples.series import Quality
from buswright.notebook.opening import open_session
from tests.cars.cases import clean_run


def test_what_is_sent_on_change_is_never_after_a_gap(tmp_path: Path) -> None:
    case = clean_run("francais", 3, 0.7, "run", tmp_path).case
    car = load_car_file(case.car_file)
    assert any(entry.change_driven for entry in car.frames.values())
    session = open_session(case.capture, car)
    for name in ("rapport", "ventilateur"):
        series = session[name]
        assert len(series) > 3
        assert series.quality is None or not (series.quality & Quality.AFTER_GAP).any()
