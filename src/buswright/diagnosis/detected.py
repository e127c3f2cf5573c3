"""Every fault that a detector finds: what the manual says of it, its headline, and its word beside an identifier."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class Detected(NamedTuple):
    """A fault that detectors find.

    Attributes
    ----------
    meaning
        Its line in the manual.
    headline
        What it says of its subject, {}, in a few words.
    word
        What one word says of an identifier that has it; empty where its subject is never an identifier.
    """

    meaning: str
    headline: str
    word: str = ""


DETECTED: Mapping[str, Detected] = MappingProxyType(
    {
        "bad-lines": Detected("lines of the capture could not be read", "lines of the capture could not be read"),
        "clock-jump": Detected("the recorder's clock jumped", "the recorder's clock jumped"),
        "capture-drop": Detected("the recorder lost frames; the bus carried them", "the recorder lost frames"),
        "echo": Detected("the capture holds every frame twice", "the capture holds its frames twice"),
        "host-timestamps": Detected(
            "software made the time stamps, late and in clumps", "software made the time stamps"
        ),
        "filter-in-force": Detected(
            "the recorder passed only some identifiers", "the recorder passed only some identifiers"
        ),
        "bus-errors": Detected("error frames", "{} has error frames"),
        "bus-overload": Detected("the load leaves too little room", "{} is overloaded"),
        "babbling-node": Detected(
            "one identifier is sent far too often and delays others", "{} floods the bus", "babbles"
        ),
        "no-acknowledge": Detected("a sender repeats a frame that nobody acknowledges", "nobody acknowledges {}"),
        "bus-off": Detected("a controller left the bus because of its errors", "a controller went off {}"),
        "wrong-bitrate": Detected(
            "errors only, as the recorder's bit rate is not that of the bus; or frames that show another rate than the "
            "one in the car file or the call",
            "the bit rate of {} is wrong",
        ),
        "segment-open": Detected(
            "the modules behind one place of the daisy chain went silent together", "modules of {} went silent together"
        ),
        "power-cycle": Detected(
            "all modules of a bus or of the car restarted one after the other: key or main power, off and on",
            "all modules restarted one after the other",
        ),
        "module-missing": Detected("a module sent nothing, or stopped and did not return", "{} is missing"),
        "late-start": Detected("a module sent its first frame long after the others", "{} started late"),
        "module-reset": Detected(
            "a module went silent and returned with a restarted clock or restarted counters", "{} restarted"
        ),
        "id-missing": Detected(
            "one identifier is silent while the others of its module keep arriving", "{} went silent", "was away"
        ),
        "frames-lost": Detected(
            "frames were sent and not received: timing and counter went on", "frames of {} were lost", "lost some"
        ),
        "sender-skips": Detected(
            "frames were not sent: the timing went on, the counter paused", "{} was not sent when due", "skips"
        ),
        "late-frames": Detected("jitter is above the limit", "{} is late", "irregular"),
        "rhythm-changed": Detected("a message kept another period for a while", "{} changed its period", "changed"),
        "duplicate-id": Detected("two modules send one identifier", "two modules send {}", "2 senders"),
        "counter-jump": Detected(
            "a counter skips, repeats or goes back without a gap", "the message counter of {} jumped", "counter"
        ),
        "checksum-wrong": Detected("payloads fail their own checksum", "checksums of {} are wrong", "checksum"),
        "frozen-frame": Detected(
            "frames arrive, but nothing in them changes, not even the counter", "{} is frozen", "frozen"
        ),
        "wrong-length": Detected("the length is not the database's, or it changes", "{} has a wrong length", "length"),
        "unknown-id": Detected("an identifier is in no database and no car file", "{} is unknown", "unknown id"),
        "byte-order": Detected("bytes of a signal are read in the wrong order", "{} is read in the wrong byte order"),
        "signedness": Detected("a signal is read with the wrong sign", "{} is read with the wrong sign"),
        "bit-position": Detected(
            "a signal is read some bits beside its place, so that it holds bits of its neighbour",
            "{} is read some bits beside its place",
        ),
        "mux-undefined": Detected(
            "a multiplexer has values that the database doesn't know", "{} has unknown multiplexer values", "odd mux"
        ),
        "scale-or-unit": Detected("a scale of the database is off by a known factor", "{} has a wrong scale or unit"),
        "out-of-range": Detected("values far beyond the database's range", "{} leaves the database's range"),
        "sender-invalid": Detected(
            "the module marks values as not available or in error", "the module calls {} not available"
        ),
        "open-circuit": Detected(
            "an input reads what an open wire or an unplugged sensor gives", "{} reads as open", "open"
        ),
        "short-to-ground": Detected(
            "an input stands at 0 V where an open wire would not", "{} reads as shorted to ground"
        ),
        "short-to-supply": Detected(
            "an input stands at its supply where an open wire would not", "{} reads as shorted to a supply"
        ),
        "supply-lost": Detected(
            "the channels of one supply left their live bands together", "{} was lost for its channels", "no supply"
        ),
        "loose-contact": Detected(
            "short dropouts to the level of an open wire, back to the same value", "{} has a loose contact", "loose"
        ),
        "chafed-wire": Detected(
            "the same, tied to a position of steering, damper or throttle, or to ground where an open wire reads high",
            "{} has a chafed wire",
            "chafed",
        ),
        "supply-sag": Detected(
            "a reference voltage is off, or the channels of one supply scale by one factor", "{} sags", "sags"
        ),
        "ground-shift": Detected(
            "channels of one ground move by the same millivolts when a load is switched",
            "{} shifts under load",
            "ground",
        ),
        "cross-talk": Detected("an input copies a part of the input beside it", "{} copies its neighbour"),
        "ignition-noise": Detected(
            "noise that grows with the engine speed, both ways and all the time",
            "{} has noise from the ignition",
            "noisy",
        ),
        "impossible-rate": Detected(
            "a step faster than the quantity can change, which stays", "{} stepped faster than it can"
        ),
        "saturated": Detected("a quantity runs against the end of its sensor's or input's range", "{} is clipped"),
        "offset": Detected("a zero is off", "the zero of {} is off"),
        "gain": Detected("a factor is off", "the scale of {} is off"),
        "unit-mixup": Detected("a unit or a reference was mixed up", "the unit of {} is mixed up"),
        "calibration-overdue": Detected("the calibration is past its due date", "the calibration of {} is overdue"),
        "swapped-channels": Detected("two channels are exchanged", "{} and its twin are exchanged"),
        "sign-flipped": Detected("a channel goes the wrong way", "{} goes the wrong way"),
        "stuck": Detected("a value doesn't move while the car does", "{} is stuck"),
        "drift": Detected("a channel wanders away from its partners", "{} drifts"),
        "under-sampled": Detected("samples are too far apart for what is measured", "{} comes too slowly"),
    }
)
"""By name, lowest layer first: a detector's finding that lacks its entry here is refused."""
