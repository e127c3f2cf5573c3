"""The library as a notebook uses it: the page of the manual, a user's script, data frames, answers."""

import doctest
import json
import subprocess
import sys

import duckdb
import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import polars as pl
import pytest

import buswright as bw
from buswright.channels.samples.series import Series
from buswright.cli.main import main
from buswright.cli.manual import page
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.table import Event
from buswright.simulate.faults.written import read_fault
from buswright.simulate.source import SimulatedCapture, demo_car, write_car
from tests import user_script

S = 1_000_000_000


@pytest.fixture(scope="module")
def flaky():
    """A session of the demo's car with an open wire from 2 to 4 s."""
    fault = read_fault("open-circuit:channel:oil_pressure@2-4s")
    return bw.open_session(SimulatedCapture(6.0, 1, faults=[fault]), demo_car())


def test_the_notebook_page_is_true(tmp_path, monkeypatch):
    """Every example gives what stands below it, and the plot is drawn."""
    monkeypatch.chdir(tmp_path)
    mpl.use("Agg")
    runner = doctest.DocTestRunner(verbose=False)
    said: list[str] = []
    for text, least in ((page("notebook"), 30), (bw.__doc__, 3)):
        examples = doctest.DocTestParser().get_doctest(text, {}, "notebook", "notebook.md", 0)
        assert len(examples.examples) > least
        runner.run(examples, out=said.append)
    plt.close("all")
    assert said == []
    picture = plt.imread(tmp_path / "oil.png")
    assert picture.std() > 0.05


def test_a_users_script_runs():
    found = user_script.main()
    assert found["oil"] == pytest.approx(found["numpy"])
    assert (found["units"], found["findings"], found["first"]) == (4, 0, 75)


def test_opening_loads_no_arrow_and_writing_no_pandas(tmp_path):
    code = (
        "import sys, buswright as bw; bw.open_session('demo'); bw.health\n"
        "def loaded(): print([name for name in ('pandas', 'pyarrow', 'textual', 'scipy') if name in sys.modules])\n"
        "loaded()\n"
        "from buswright.season.numbers import Numbers, write_numbers; from pathlib import Path\n"
        "write_numbers(Path(sys.argv[1]), [Numbers('gear', 'run', '', 1.0, 50, mean=2.5)]); loaded()"
    )
    words = [sys.executable, "-c", code, str(tmp_path / "numbers.parquet")]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert said == "[]\n['pyarrow']\n"
    (row,) = pl.read_parquet(tmp_path / "numbers.parquet").to_dicts()
    assert (row["channel"], row["samples"], row["mean"], row["zero"]) == ("gear", 50, 2.5, None)


def test_the_function_is_found_whatever_was_imported_of_its_package():
    import buswright.health.track

    assert callable(bw.health)
    assert buswright.health is bw.health


def test_a_bad_sample_is_nan_for_other_libraries_and_evidence_in_value(flaky):
    oil = flaky["oil_pressure"]
    bad = ~oil.valid
    assert 80 < bad.sum() < 120
    for values in (oil.to_numpy(), np.asarray(oil), oil.to_pandas().to_numpy(), np.array(oil, dtype=np.float32)):
        assert np.array_equal(np.isnan(values), bad)
    assert np.isfinite(oil.value[bad]).all()
    assert len(oil.to_pandas(valid_only=True)) == len(oil) - bad.sum()
    assert oil.to_pandas().attrs == {"unit": "bar", "units": {"oil_pressure": "bar"}}
    assert f"{bad.sum()} can't be used" in repr(oil)


def test_valid_only_leaves_rows_out_of_each_form(flaky):
    bad = int(np.count_nonzero(~flaky["oil_pressure"].valid))
    for give in (flaky.to_pandas, flaky.to_arrow):
        assert len(give("oil_pressure")) - len(give("oil_pressure", valid_only=True)) == bad
        whole, kept = (len(give("oil_*e", rate=50, valid_only=only)) for only in (False, True))
        assert whole - kept == pytest.approx(bad, abs=5)


def test_polars_and_duckdb_take_the_arrow_table(flaky):
    for rate in (None, 20):
        arrow, frame = flaky.to_arrow("oil_pressure", rate=rate), flaky.to_pandas("oil_pressure", rate=rate)
        column, where = ("value", "valid") if rate is None else ("oil_pressure", "oil_pressure is not null")
        times = frame.index.as_unit("ns").asi8
        taken = pl.DataFrame(arrow)
        assert taken["time"].dt.epoch("ns").to_list() == times.tolist()
        assert np.array_equal(taken[column].to_numpy(), frame[column], equal_nan=True)
        usable = frame["valid"] if rate is None else frame[column].notna()
        rows = duckdb.sql(f"select {column}, epoch_ns(time) from arrow where {where}").fetchall()
        assert rows == list(zip(frame[column][usable], times[usable], strict=True))
        mean = duckdb.sql(f"select mean({column}) from arrow where {where}").fetchall()[0][0]
        assert mean == pytest.approx(frame[column][usable].mean(), rel=1e-12)


def test_only_what_is_meant_to_be_used_is_public(flaky):
    """Every public name of what a notebook holds stands on the page; the program's own names are elsewhere."""
    lists = page("notebook").partition("## All names")[2]
    fields = {"name", "unit", "time_ns", "value", "raw", "volts", "quality", "period_s", "kind", "segments"}
    fields |= {"effective_hz", "labels", "first_ns", "keys", "values", "items", "get", "findings"}
    for thing in (flaky, flaky["gear"], bw.Answer):
        public = {name for name in dir(thing) if not name.startswith("_")}
        assert {name for name in public - fields if f"`{name}`" not in lists} == set()
    assert "recorded" not in dir(flaky)
    assert dir(bw) == sorted(bw.__all__)


def test_the_demo_is_a_source_of_frames_too():
    capture = bw.open_capture("demo")
    assert len(next(iter(capture))) > 3000
    assert repr(capture) == "<Capture of demo: simulated>"
    with pytest.raises(bw.UserError, match="no such file"):
        bw.open_capture("./demo")


def test_names_are_chosen_by_word_pattern_or_list(flaky):
    def chosen(names):
        return list(flaky.resampled(1, names)[1])

    assert chosen("damper_f?") == ["damper_fl", "damper_fr"]
    assert chosen(["gear", "damper_f*", "damper_fl"])[:3] == ["gear", "damper_fl", "damper_fr"]
    assert chosen(None) == list(flaky)
    with pytest.raises(bw.UserError, match=r"nothing\*: fits no channel"):
        flaky.to_pandas("nothing*")
    with pytest.raises(KeyError, match="oil_pressure"):
        flaky.to_pandas("oil_presure")
    with pytest.raises(bw.UserError, match="no such index"):
        flaky.to_pandas("gear", index="minutes")


def test_between_takes_seconds_of_the_capture_and_times(flaky):
    damper = flaky["damper_fl"]  # whose first sample is later than the capture's first frame
    start = pd.Timestamp(flaky.first_ns + S, tz="UTC")
    wanted = np.count_nonzero((damper.time_ns >= flaky.first_ns + S) & (damper.time_ns <= flaky.first_ns + 2 * S))
    for low, high in (
        (1, 2),
        (np.float64(1), 2.0),
        (start.to_pydatetime(), start.to_pydatetime() + pd.Timedelta("1s")),
        (start.to_datetime64(), (start + pd.Timedelta("1s")).to_datetime64()),
        ("1", "2"),
    ):
        assert len(damper.between(low, high)) == pytest.approx(wanted, abs=1), (low, high)
    assert len(damper.between(1, 2).between(1.5)) == pytest.approx(wanted / 2, abs=2)  # seconds stay the capture's
    with pytest.raises(bw.UserError, match="end is before the start"):
        damper.between(2, 1)
    with pytest.raises(bw.UserError, match="is not a time"):
        damper.between("soon")
    undated = Series("x", "", np.arange(3) * S, np.arange(3.0))
    with pytest.raises(bw.UserError, match="no absolute time"):
        undated.between("2026-04-11T10:00:01")


class _Marked(SimulatedCapture):
    """With two markers, not in the order of their times, and an event that nobody left."""

    @property
    def events(self):
        first = self.first_time_ns()
        return (
            Event(first + 2 * S, None, "marker", {"number": 2}, "plug C12"),
            Event(first + S, "can0", "note", {}, "rain"),
            Event(first, "can0", "drop", {"number": 7}, "lost"),
        )


def test_markers_are_a_frame():
    session = bw.open_session(_Marked(3.0, 1), demo_car())
    table = session.markers(index="seconds")
    assert table.index.tolist() == [1.0, 2.0]
    assert table["text"].tolist() == ["rain", "plug C12"]
    assert table["number"].isna().tolist() == [True, False]
    assert isinstance(session.markers().index, pd.DatetimeIndex)
    assert bw.open_session(iter([]), demo_car()).markers().empty


def test_what_a_notebook_shows_is_short_and_harmless(flaky, tmp_path):
    assert repr(flaky) == "<Session of demo: 91 channels of wrenfell.toml>"
    assert flaky._ipython_key_completions_() == list(flaky)
    html = flaky._repr_html_()
    assert html.count("<tr>") == 92
    (tmp_path / "x.dbc").write_text('BU_: A\nBO_ 256 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "<b>" A\n')
    (tmp_path / "<i>.log").write_text("(1.0) can0 100#01\n")
    session = bw.open_session(tmp_path / "<i>.log", dbc=tmp_path / "x.dbc")
    assert repr(session) == "<Session of <i>.log: signals, not read yet>"
    assert session._ipython_key_completions_() == []
    assert session["can0/M/S"].value.tolist() == [1]
    assert session._ipython_key_completions_() == ["can0/M/S"]
    assert "&lt;b&gt;" in session._repr_html_()
    assert "<b>" not in session._repr_html_()
    assert "<i>" not in session._repr_html_()


def test_answers_are_those_of_the_commands(tmp_path, capsys, monkeypatch):
    log = tmp_path / "run.log"
    car = write_car(tmp_path)
    fault = read_fault("open-circuit:channel:oil_pressure@2-4s")
    with log.open("wb") as stream:
        write_candump(SimulatedCapture(6.0, 1, faults=[fault]), stream)
    for name, ask in (("health", bw.health), ("diagnose", bw.diagnose)):
        answer = ask(log, car)
        assert answer.findings
        assert repr(answer) == f"<{name} of {log}: 1 finding, worst: fault>"
        capsys.readouterr()
        main([name, str(log), "--car", str(car), "--json"])
        assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(answer.to_dict()))
        assert answer.to_pandas()["subject"].tolist() == ["channel:oil_pressure"]
    assert "open-circuit" in answer._repr_html_()
    monkeypatch.setenv("COLUMNS", "100")
    main(["diagnose", str(log), "--car", str(car)])
    assert capsys.readouterr().out.rstrip("\n") == str(answer)
    compared = bw.compare(log, log, car)
    assert (compared.findings, repr(compared)) == ((), f"<compare of {log}, {log}: 0 differences>")
    assert bw.diagnose(log, car, stop=1.5).findings == ()
    with pytest.raises(bw.UserError, match="no such file"):
        bw.health("gone.log")
