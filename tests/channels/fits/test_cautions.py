"""What to mind, by what a sensor measures."""

from __future__ import annotations

import pytest

from buswright.channels.fits.cautions import cautions_of


@pytest.mark.parametrize(
    ("asked", "begin"),
    [
        ({"unit": "degC"}, ["Boiling water"]),
        ({"unit": "degF", "kind": "thermistor"}, ["Boiling water"]),
        ({"unit": "degC", "kind": "thermocouple"}, ["Exhaust parts"]),
        ({"unit": "bar"}, ["Press with a fluid"]),
        ({"unit": "barg"}, ["Press with a fluid"]),
        ({"unit": "bar", "role": "brake_pressure"}, ["Press with a fluid", "A fitting in a brake line"]),
        ({"unit": "mm", "role": "damper_travel"}, ["Keep hands clear"]),
        ({"unit": "mm"}, []),
        ({"unit": "degC", "own": ["Its cable is short."]}, ["Its cable is short.", "Boiling water"]),
        ({"unit": "nonsense"}, []),
    ],
)
def test_a_sensor_is_calibrated_with_care(asked, begin):
    found = cautions_of(**asked)
    assert len(found) == len(begin)
    assert all(text.startswith(words) for text, words in zip(found, begin, strict=True))


def test_nothing_is_said_twice():
    (own,) = cautions_of("degC")
    assert cautions_of("degC", own=[own]) == (own,)
