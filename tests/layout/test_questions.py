"""What a draft leaves open is asked with what was measured; answers change the file, and nothing is asked twice."""

import pytest

from buswright.channels.carfile.load import check_car_data, load_car_file
from buswright.errors import UserError
from buswright.layout.draft.car_file import GivenDatabase, draft
from buswright.layout.draft.questions import Seen, open_questions, unanswered
from buswright.messages.database import load_database

DBC = """VERSION ""
NS_ :
BS_:
BU_: box dash
BO_ 256 INPUTS: 8 box
 SG_ AIN1 : 0|16@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ AIN2 : 16|16@1+ (1,0) [0|5000] "mV" Vector__XXX
 SG_ AIN3 : 32|12@1+ (1,0) [0|4095] "" Vector__XXX
 SG_ Speed : 48|16@1+ (0.1,0) [0|300] "km/h" Vector__XXX
BO_ 257 LIGHTS: 1 dash
 SG_ Lamp : 0|1@1+ (1,0) [0|1] "" Vector__XXX
CM_ SG_ 256 AIN1 "Oil temperature.";
"""
SEEN = {"oil_temperature": Seen(1.2, 1.5, 3.0, 50.0)}


@pytest.fixture
def path(tmp_path):
    (tmp_path / "box.dbc").write_text(DBC, encoding="cp1252")
    given = [GivenDatabase(tmp_path / "box.dbc", load_database(tmp_path / "box.dbc"), "main")]
    path = tmp_path / "car.toml"
    path.write_text(draft([], given, folder=tmp_path).text(), encoding="utf-8")
    return path


def questions(path):
    text = path.read_text(encoding="utf-8")
    return {each.text: each for each in open_questions(text, load_car_file(path), SEEN, {})}


def answered(path, question, answer):
    """Answer one, write the file, and return what comes of it."""
    made = questions(path)[question].reply(answer) if isinstance(question, str) else question.reply(answer)
    text = made.edit(path.read_text(encoding="utf-8"))
    assert check_car_data(path, text.encode()).errors == ()
    path.write_text(text, encoding="utf-8")
    return made


def test_only_what_a_person_decides_is_asked(path):
    assert list(questions(path)) == [
        "What is the car called?",
        "Bus main: which bit rate?",
        "Bus main: which two modules have its terminating resistors?",
        "Which sensor is channel oil_temperature?",
        "Which sensor is channel ain2?",
        "Which sensor is channel ain3?",
    ]
    assert unanswered(load_car_file(path)) == ["oil_temperature", "ain2", "ain3"]


def test_answers_stand_in_the_file_and_are_not_asked_again(path):
    answered(path, "What is the car called?", "Hill car")
    answered(path, "Bus main: which bit rate?", "1M")
    answered(path, "Bus main: which two modules have its terminating resistors?", "dash, box")
    car = load_car_file(path)
    assert (car.car.name, car.buses["main"].bitrate, car.buses["main"].terminators) == (
        "Hill car",
        1_000_000,
        ("dash", "box"),
    )
    assert all(text.startswith("Which sensor") for text in questions(path))
    lines = path.read_text(encoding="utf-8").splitlines()
    assert "bitrate = 1000000" in lines  # without the comment that asked for it
    assert 'name = "Hill car"' in lines


def test_a_sensor_is_offered_with_what_it_would_have_read_and_asks_for_its_resistor(path):
    question = questions(path)["Which sensor is channel oil_temperature?"]
    assert "main/INPUTS/AIN1: Oil temperature." in question.seen
    assert "Measured: 1.2 to 3 V, mostly 1.5 V, 50/s." in question.seen
    # 1.5 V under 2,200 ohm to 5 V are R = 943 ohm; 1/T = A + B ln R + C (ln R)^3 (Steinhart and Hart) gives 362.2 K
    (likely,) = (line for line in question.seen if line.startswith("  1 ntc_10k"))
    assert "mostly 89.06" in likely
    made = answered(path, "Which sensor is channel oil_temperature?", "1")
    assert "generic" in made.said
    (pull_up,) = made.then
    assert "2200" in pull_up.seen[0]
    answered(path, pull_up, "1000")
    car = load_car_file(path)
    channel = car.channels["oil_temperature"]
    assert (channel.sensor, channel.role) == ("ntc_10k", "oil_temperature")
    assert "pull_up = 1000.0" in path.read_text(encoding="utf-8")
    assert "# [sensor.ntc_10k]" not in path.read_text(encoding="utf-8")


def test_two_points_make_a_sensor_and_counts_ask_for_volts(path):
    made = answered(path, "Which sensor is channel ain2?", "0.5 0, 4.5 10 bar")
    (name,) = made.then
    answered(path, name, "fuel pressure")
    made = answered(path, "Which sensor is channel ain3?", "pressure_10_bar")
    scale, name = made.then
    answered(path, scale, "0.004888")
    answered(path, name, "brake_front")
    car = load_car_file(path)
    assert car.sensors["ain2_sensor"].calibration.range.value == (0.0, 10.0)
    assert car.sensors["ain2_sensor"].healthy == (0.25, 4.75)
    assert car.channels["fuel_pressure"].sensor == "ain2_sensor"
    assert (car.channels["brake_front"].sensor, car.channels["brake_front"].input_scale) == (
        "pressure_10_bar",
        0.004888,
    )


@pytest.mark.parametrize(
    ("question", "answer", "says"),
    [
        ("Bus main: which bit rate?", "fast", "not a bit rate"),
        ("Bus main: which two modules have its terminating resistors?", "box", "two terminating"),
        ("Bus main: which two modules have its terminating resistors?", "box dsh", 'no module "dsh"'),
        ("Which sensor is channel ain2?", "9", "no number 9"),
        ("Which sensor is channel ain2?", "wheel_speed", "fits mV"),
        ("Which sensor is channel ain2?", "0.5 0, 4.5 10 furlongs", "not known"),
    ],
)
def test_an_answer_that_cannot_be_taken_says_why_and_what_to_type(path, question, answer, says):
    with pytest.raises(UserError, match=says) as caught:
        questions(path)[question].reply(answer)
    assert caught.value.hint
