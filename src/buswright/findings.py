"""A finding: a fault with its evidence. The fault catalogue and the one table of thresholds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from functools import partial
from types import MappingProxyType


class Layer(IntEnum):
    """Where a fault sits, lowest first; a lower finding explains higher ones in its time window."""

    CAPTURE = 0
    BUS = 1
    NODE = 2
    DECODING = 3
    ELECTRICAL = 4
    CALIBRATION = 5
    PHYSICS = 6


class Severity(IntEnum):
    """How much a finding matters."""

    NOTE = 0
    SUSPECT = 1
    FAULT = 2


_CATALOGUE: Mapping[Layer, str] = MappingProxyType(
    {
        Layer.CAPTURE: "bad-lines clock-jump capture-drop echo host-timestamps filter-in-force",
        Layer.BUS: "bus-errors bus-overload babbling-node no-acknowledge bus-off wrong-bitrate segment-open "
        "power-cycle",
        Layer.NODE: "module-missing late-start module-reset id-missing frames-lost sender-skips late-frames "
        "rhythm-changed duplicate-id counter-jump checksum-wrong frozen-frame wrong-length unknown-id",
        Layer.DECODING: "byte-order signedness bit-position mux-undefined scale-or-unit out-of-range sender-invalid",
        Layer.ELECTRICAL: "open-circuit short-to-ground short-to-supply supply-lost supply-sag ground-shift "
        "loose-contact chafed-wire ignition-noise impossible-rate saturated cross-talk",
        Layer.CALIBRATION: "offset gain unit-mixup calibration-overdue",
        Layer.PHYSICS: "swapped-channels sign-flipped stuck drift under-sampled",
    }
)
"""A star marks what no detector finds yet."""

FAULTS: Mapping[str, Layer] = MappingProxyType(
    {fault.rstrip("*"): layer for layer, faults in _CATALOGUE.items() for fault in faults.split()}
)
"""Every fault name and its layer. The names are stable: scripts use them."""

OVER_RUNS: Mapping[str, Layer] = MappingProxyType(
    {
        "zero-drift": Layer.CALIBRATION,
        "noise-grows": Layer.ELECTRICAL,
        "rate-sinks": Layer.NODE,
        "restarts-grow": Layer.NODE,
    }
)
"""Faults that only many runs show, and their layers."""

FAULTS_NOT_USED_YET = frozenset(
    fault[:-1] for faults in _CATALOGUE.values() for fault in faults.split() if fault.endswith("*")
)
"""Those that no detector finds yet."""


_LIKELY = 0.7
_SURENESS = ((0.9, "sure"), (_LIKELY, "likely"), (0.4, "possible"), (0.0, "inconclusive"))
"""From which confidence on which word is used (a choice)."""


@dataclass(frozen=True, slots=True)
class Rival:
    """Another cause that the same evidence fits as well, or nearly.

    Attributes
    ----------
    fault, subject
        As of a finding.
    why
        Why this run can't tell the two apart.
    """

    fault: str
    subject: str
    why: str


@dataclass(frozen=True, slots=True)
class Condition:
    """What the car did when something that comes and goes came: occasions against one quantity.

    Attributes
    ----------
    about
        What kind of quantity: "vertical acceleration", "engine speed", "temperature", "position" (of the steering, a
        damper, the throttle), "supply voltage" or "time".
    by
        The channel that says so; empty for time.
    where
        The region in which occasions lie closest, in words: "while steering_angle was above 65 deg".
    inside, occasions
        Occasions in the region, and all.
    share
        Of the time that was spent in the region, 0..1.
    lift
        How many times more often it came there than over the whole run.
    chance
        Of so many or more there if they came at random, everything that was tried counted; 0..1.
    clear
        Whether chance is ruled out.
    """

    about: str
    by: str
    where: str
    inside: int
    occasions: int
    share: float
    lift: float
    chance: float
    clear: bool


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault with its evidence.

    Attributes
    ----------
    fault
        A name from `FAULTS`, or from `OVER_RUNS`.
    layer, severity
        Where it sits and how much it matters.
    subject
        `bus:chassis`, `module:damper_node`, `id:chassis/1A0`, `channel:damper_fl`, `supply:5V-A`,
        `ground:G2`, `plug:C12` or `capture`.
    start_ns, end_ns
        First and last moment it was seen, on the capture's clock; None where it has no time.
    count
        How often it was seen.
    confidence
        0..1: at most the share of such findings that were right on cars that no detector was tuned on.
    evidence
        What was seen, in sentences with numbers.
    threshold
        The thresholds used, in words with numbers.
    ruled_out
        What it could have been and why it is not.
    next_check
        The next physical check.
    caution
        Safety caution for that check; empty where there is none.
    explains
        Findings of higher layers that this one accounts for.
    conditions
        Of what comes and goes, what it was held against, the least likely by chance first; empty where it came too
        seldom.
    rivals
        What else the evidence fits, the likelier first; `next_check` tells it from the first.
    """

    fault: str
    layer: Layer
    severity: Severity
    subject: str
    start_ns: int | None
    end_ns: int | None
    count: int
    confidence: float
    evidence: tuple[str, ...]
    threshold: str
    ruled_out: tuple[str, ...] = ()
    next_check: str = ""
    caution: str = ""
    explains: tuple[Finding, ...] = ()
    conditions: tuple[Condition, ...] = ()
    rivals: tuple[Rival, ...] = ()

    @property
    def inconclusive(self) -> bool:
        """Whether this run does not decide it: another cause fits nearly as well, or hardly anything speaks for it."""
        return self.confidence < (_LIKELY if self.rivals else _SURENESS[-2][0])

    @property
    def how_sure(self) -> str:
        """Say how sure it is, in words and in percent: "likely (80 %)"."""
        words = (word for least, word in _SURENESS if self.confidence >= least)
        return f"{'inconclusive' if self.inconclusive else next(words)} ({self.confidence * 100:.0f} %)"

    def __post_init__(self) -> None:
        if FAULTS.get(self.fault, OVER_RUNS.get(self.fault)) is not self.layer:
            raise ValueError(f"finding {self.fault!r} does not stand in the catalogue on layer {self.layer.name}")
        if not 0.0 <= self.confidence <= 1.0:
            raise ValueError(f"finding {self.fault!r} has a confidence of {self.confidence:g}, which isn't in 0..1")


@dataclass(frozen=True, slots=True)
class Threshold:
    """A detector's default, which a car file may override per channel or frame.

    Attributes
    ----------
    default
        Value in `unit`.
    unit
        Unit of the value; "" for ratios and counts.
    meaning
        What it decides, one sentence.
    not_used_yet
        No detector reads it yet.
    """

    default: float
    unit: str
    meaning: str
    not_used_yet: bool = False


_Unread = partial(Threshold, not_used_yet=True)

THRESHOLDS: Mapping[str, Threshold] = MappingProxyType(
    {
        # Rules of the trade without a published source, unless a comment says otherwise.
        "missing_periods": Threshold(1.5, "periods", "a gap longer than this holds a missing frame"),
        "missing_periods_loaded": Threshold(2.5, "periods", "the same above 70 % bus load, where frames run late"),
        "id_missing_periods": Threshold(
            10.0, "periods", "an identifier silent for longer, and for over 1 s, is missing"
        ),
        "id_missing_s": Threshold(1.0, "s", "an identifier silent for longer, and for over 10 periods, is missing"),
        "startup_ignore_s": Threshold(2.0, "s", "nothing is called missing this soon after the start"),
        "jitter_sd": Threshold(0.10, "periods", "standard deviation of the period worth a look"),
        "jitter_p999": Threshold(0.5, "periods", "99.9th percentile of the period's deviation that is a fault"),
        "load_suspect": Threshold(0.60, "", "bus load over 1 s worth a look"),
        "load_fault": Threshold(0.80, "", "bus load over 1 s that is a fault"),
        "load_peak_suspect": Threshold(0.90, "", "bus load over 100 ms worth a look"),
        "plan_mean": Threshold(0.40, "", "mean bus load up to which something new is planned for"),
        "plan_peak": Threshold(0.60, "", "bus load over 100 ms up to which something new is planned for"),
        "plan_worst": Threshold(
            0.70, "", "bus load with every frame at its longest, up to which something is planned for"
        ),
        "error_frames_per_minute": Threshold(1.0, "1/min", "error frames up to this rate are a note"),
        "error_frames_per_second": Threshold(1.0, "1/s", "error frames above this rate, over ten seconds, are a fault"),
        "error_burst": Threshold(16.0, "", "error frames within 50 ms that can put a module off the bus"),
        "bad_lines_share": Threshold(0.01, "", "share of a capture's lines that could not be read, worth a look"),
        "clock_jump_s": Threshold(0.001, "s", "time going back by less is frames out of order, by more a clock jump"),
        "common_shift_share": Threshold(0.9, "", "share of the identifiers that one clock jump must explain"),
        "echo_share": Threshold(0.95, "", "share of the frames that came as a pair, so that one is an echo"),
        "host_spacing_share": Threshold(
            0.10, "", "share of spacings impossible on the wire from which host stamps are worth a look"
        ),
        "together_share": Threshold(0.9, "", "share of the identifiers due that must be silent to say all were"),
        "babble_rate": Threshold(3.0, "", "rate over nominal rate from which an identifier babbles"),
        "babble_share": Threshold(0.20, "", "bus load of one identifier from which it babbles"),
        "reset_periods": Threshold(
            3.0, "periods", "identifiers of a module silent for longer, and for reset_s, are a reset"
        ),
        "reset_s": Threshold(
            0.05, "s", "identifiers of a module silent for longer, and for reset_periods, are a reset"
        ),
        "feed_dip": Threshold(0.1, "", "fall of a supply before a restart, from its median, that points at the feed"),
        "feed_dip_s": Threshold(0.2, "s", "how long before a restart the supply is looked at"),
        "lost_share_suspect": Threshold(0.001, "", "share of an identifier's frames missing, worth a look"),
        "lost_share_fault": Threshold(0.01, "", "share of an identifier's frames missing that is a fault"),
        "spread_share": Threshold(
            0.6, "", "share of a bus's identifiers losing frames alike that points at the recorder"
        ),
        "counter_share_fault": Threshold(0.01, "", "share of wrong counter steps or checksums that is a fault"),
        "frozen_s": Threshold(0.5, "s", "a payload repeated with its counter for longer is frozen"),
        "frozen_frames": Threshold(
            10.0, "", "a payload repeated with its counter in at least so many frames is frozen"
        ),
        "two_sender_families": Threshold(2.0, "", "payload bits differing between two streams over those within one"),
        "debounce_s": Threshold(0.2, "s", "a channel must stand at a rail this long"),
        "debounce_slow_s": Threshold(1.0, "s", "a temperature must stand at a rail this long"),
        "group_s": Threshold(0.1, "s", "channels that leave their live bands within this time fail together"),
        "group_share": Threshold(0.6, "", "share of the channels on one supply or plug that must fail together"),
        "reference_off_suspect_v": Threshold(
            0.1, "V", "a reference voltage this far off its nominal value worth a look"
        ),
        "reference_off_fault_v": Threshold(0.25, "V", "a reference voltage this far off its nominal value is a fault"),
        "sag_share": Threshold(0.03, "", "channels of one supply that fall by more than this part show a sag"),
        "sag_spread": Threshold(0.02, "", "how much the factors of these channels may differ"),
        "crosstalk_correlation": Threshold(0.5, "", "correlation with the neighbour that is a fault"),
        "ground_shift_suspect_v": Threshold(0.010, "V", "common shift of channels on one ground worth a look"),
        "ground_shift_fault_v": Threshold(0.025, "V", "common shift of channels on one ground that is a fault"),
        "noise_ratio_suspect": Threshold(2.0, "", "noise running over noise at key-on, worth a look"),
        "noise_ratio_fault": Threshold(5.0, "", "noise running over noise at key-on that is a fault"),
        "noise_correlation": Threshold(0.6, "", "correlation of noise and engine speed that points at the ignition"),
        "spike_sd": Threshold(8.0, "", "robust standard deviations that make a spike"),
        "spike_steps": Threshold(3.0, "steps", "a spike is at least so many raw steps high"),
        "spike_window_s": Threshold(0.5, "s", "a spike is measured from the median of what came this long before"),
        "spike_s": Threshold(0.1, "s", "a spike is over sooner"),
        "spike_return": Threshold(0.02, "of span", "a spike goes further than this, and comes back closer than it"),
        "gap_periods": Threshold(3.0, "periods", "a channel silent for longer, and for gap_s, has a gap"),
        "gap_s": Threshold(0.05, "s", "a channel silent for longer, and for gap_periods, has a gap"),
        "spikes_per_minute": Threshold(3.0, "1/min", "spikes per minute that are a loose contact"),
        "position_lift": Threshold(5.0, "", "how much more often in one position than on average is a chafed wire"),
        "saturation_samples": Threshold(5.0, "", "consecutive samples at the end of the scale"),
        "saturation_share": Threshold(0.001, "", "share of a session at the end of the scale"),
        "stuck_s": Threshold(2.0, "s", "no change for longer, while the car moves, is stuck"),
        "stuck_samples": Threshold(50.0, "", "no change for at least this many samples"),
        "high_byte_values": Threshold(5.0, "", "distinct high-byte values before byte order can be judged"),
        "roughness_ratio": Threshold(4.0, "", "roughness of one byte order over the other that decides"),
        "unit_guess": Threshold(0.02, "", "how close a fitted gain must be to a known unit factor"),
        "calibration_residual": _Unread(0.01, "of span", "largest calibration residual that is not flagged"),
        "period_changed": Threshold(0.02, "", "change of a period from run to run worth a look"),
        "period_changed_fault": Threshold(0.25, "", "change of a period from run to run that is a fault"),
        "load_up": Threshold(0.05, "", "rise of a bus's load from run to run worth a look"),
        "zero_moved": Threshold(0.02, "of span", "shift of a value at rest from run to run worth a look"),
        "zero_moved_fault": Threshold(0.05, "of span", "shift of a value at rest from run to run that is a fault"),
        "noise_up": Threshold(2.0, "", "noise at rest over that of an earlier run worth a look"),
        "noise_up_fault": Threshold(5.0, "", "noise at rest over that of an earlier run that is a fault"),
        "calibration_extrapolation": Threshold(0.10, "of span", "extrapolation beyond the outer points not flagged"),
    }
)
"""Default thresholds by name; a car file overrides them under `thresholds`."""
