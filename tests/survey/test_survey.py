"""A whole survey of the simulated car: likeness with known channels, which bits changed, the draft."""

from __future__ import annotations

import json
from pathlib import Path

import cantools
import jsonschema
import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.session import Session
from buswright.cli.main import main
from buswright.frames.captures.opening import open_capture
from buswright.frames.table import concatenate
from buswright.health.described import Described
from buswright.health.track import HealthTracker
from buswright.messages.database import load_database
from buswright.messages.decoding.decode import Decoder
from buswright.survey.draft import MARK, draft_messages, draft_text
from buswright.survey.gather import MOST_ROWS, SurveyFold
from buswright.survey.likeness import rounded
from buswright.survey.survey import Survey, survey
from tests.messages.frame_batches import frames_of

ROOT = Path(__file__).parents[2]
RUN, CHASSIS, CAR = ROOT / "captures/wrenfell_run.log", ROOT / "dbc_examples/wrenfell_chassis.dbc", "wrenfell.toml"


@pytest.fixture(scope="module")
def found() -> Survey:
    """The run with the engine's database hidden."""
    capture = open_capture([RUN])
    databases = {"can1": [load_database(CHASSIS)]}
    fold, tracker = SurveyFold({}), HealthTracker(databases=databases)
    for frames in capture:
        fold.update(frames)
        tracker.update(frames)
    session = Session(capture, None, databases=databases)
    return survey(fold.result(), tracker.result(), Described(None, databases, {}), session)


def test_only_what_is_unknown(found: Survey) -> None:
    assert {each.name.bus for each in found.ids} == {"can0"}
    assert found.explained == len({each.id for each in load_database(CHASSIS)})


def test_known_channels_are_recognised(found: Survey) -> None:
    """Vehicle speed is sent by the engine controller in 0.01 km/h (its database, hidden here), and by the receiver."""
    (own,) = [each for each in found.ids if each.name == FrameName("can0", 0x121, False)]
    number = next(k for k, field in enumerate(own.layout.fields) if field.start == 48)
    best = own.likeness[number][0]
    assert (best.channel, best.unit) == ("can1/GNSS_SPEED/GroundSpeed", "km/h")
    assert (best.scale, best.offset) == (0.01, 0.0)
    assert best.r > 0.999
    assert best.clear


def test_the_multiplexer_of_the_car_is_found(found: Survey) -> None:
    (own,) = [each for each in found.ids if each.name == FrameName("can0", 0x130, False)]
    assert own.layout.multiplexer is not None
    assert own.layout.multiplexer.values == (1, 2, 3)


def test_the_draft_decodes_to_what_the_survey_saw(found: Survey, tmp_path: Path) -> None:
    path = tmp_path / "draft.dbc"
    path.write_text(draft_text(found))
    outside = cantools.database.load_file(path)
    assert isinstance(outside, cantools.database.Database)
    drafted = load_database(path)
    assert [message.name for message in outside.messages] == [message.name for message in drafted]
    frames = concatenate(list(open_capture([RUN])))
    checked = 0
    for each in found.ids:
        messages = [message for message in drafted if message.id == each.name.id]
        if not messages:
            continue
        rows = (frames.id == each.name.id) & (frames.bus == frames.buses.index("can0"))
        assert MARK in messages[0].comment
        payload = each.gathered.payload[:1_000]
        batch = Decoder(drafted).decode(
            frames_of([(each.name.id, each.name.extended, row.tobytes()) for row in payload])
        )
        (table,) = batch
        for field in each.layout.fields:
            if not field.sure:
                continue
            signal = messages[0].signal(field.name)
            assert MARK in signal.comment
            present = each.rows(field)[:1_000]
            raw = np.asarray(table[field.name].raw)[present]
            assert np.array_equal(raw, field.read(payload[present]))
            checked += 1
        assert rows.any()
    assert checked > 40


def test_names_in_the_draft_are_unique(found: Survey) -> None:
    for message in draft_messages(found):
        assert len({signal.name for signal in message.signals}) == len(message.signals)


def test_a_fold_is_the_same_however_the_run_is_cut() -> None:
    frames = concatenate(list(open_capture([RUN])))
    whole, pieces = SurveyFold({}), SurveyFold({})
    whole.update(frames)
    for piece in frames.pieces(1_777):
        pieces.update(piece)
    one, two = whole.result(), pieces.result()
    assert one.keys() == two.keys()
    for name, each in one.items():
        assert np.array_equal(each.flips, two[name].flips)
        assert np.array_equal(each.payload, two[name].payload)
        assert len(each.payload) <= MOST_ROWS


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    draft, page = tmp_path / "d.dbc", tmp_path / "p.html"
    call = ["survey", str(RUN), "--dbc", f"can1={CHASSIS}", "--out", str(draft), "--html", str(page)]
    assert main([*call, "--around", "12.3"]) == 0
    text = capsys.readouterr().out
    assert "Changed within a second of 12.3:" in text
    assert "looks like can1/GNSS_SPEED/GroundSpeed, 0.01 km/h per bit" in text
    assert "CRC-8 SAE J1850" in text
    assert page.read_text().count('class="plot"') > 30
    (tmp_path / "car.toml").write_text(
        'format = 1\n[car]\nname = "X"\n[bus.engine]\nbitrate = 1_000_000\ninterfaces = ["can0"]\n'
        'databases = ["d.dbc"]\n'
    )
    assert main(["check", str(tmp_path / "car.toml"), "--fail-on", "suspect"]) == 0


def test_a_line_that_could_not_be_read_is_counted_and_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run, page = tmp_path / "run.log", tmp_path / "p.html"
    run.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:3000]) + b"no frame at all\n")
    assert main(["survey", str(run), "--html", str(page)]) == 0
    assert "problem: 1 × not a frame line, first at" in capsys.readouterr().out
    assert "problem: 1 × not a frame line, first at" in page.read_text(encoding="utf-8")
    assert main(["survey", str(run), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    schema = json.loads((ROOT / "src/buswright/report/schemas/survey.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, schema)
    (problem,) = document["problems"]
    assert (problem["count"], problem["line"]) == (1, 3001)


def test_bits_that_are_other_while_a_condition_holds(capsys: pytest.CaptureFixture[str]) -> None:
    """The brake switch and the pedal's travel go with the pressure in the front circuit."""
    car = str(ROOT / "dbc_examples" / CAR)
    assert main(["survey", str(RUN), "--car", car, "--while", "brake_pressure_front > 20", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    first = [each["signal"] for each in document["changes"][:3]]
    assert "PedalTravel" in first
    assert "BrakeSwitch" in first
    assert document["ids"] == []


def test_numbers_are_rounded_no_further_than_they_are_known() -> None:
    assert rounded(0.10004, 0.0002) == 0.1
    assert rounded(0.10004, 0.00001) == 0.10004
    assert rounded(0.001, 0.01) == 0.0
