"""Faults, put in where they happen: on the wire, in the supply, in the sensor, in the frames or in the description."""

from __future__ import annotations

from collections.abc import Callable

from tests.cars.faults.calibration import calibration_overdue, gain, offset, unit_mixup
from tests.cars.faults.combined import cold_junction_lost, loose_plug, message_order, plug_off, reference_open
from tests.cars.faults.decoding import (
    bit_position,
    byte_order,
    mux_undefined,
    out_of_range,
    scale_or_unit,
    sender_invalid,
    signedness,
)
from tests.cars.faults.electrical import (
    chafed_wire,
    cross_talk,
    ground_shift,
    ignition_noise,
    impossible_rate,
    loose_contact,
    open_circuit,
    saturated,
    short_to_ground,
    short_to_supply,
    supply_lost,
    supply_sag,
)
from tests.cars.faults.frames import capture_drop, frames_lost, frozen_frame, module_missing, module_reset
from tests.cars.faults.physics import drift, sign_flipped, stuck, swapped_channels, under_sampled
from tests.cars.faults.plan import Named, NoTargetError, Plan

SINGLE: dict[str, Callable[[Plan], None]] = {
    "byte-order": byte_order,
    "signedness": signedness,
    "bit-position": bit_position,
    "mux-undefined": mux_undefined,
    "scale-or-unit": scale_or_unit,
    "out-of-range": out_of_range,
    "sender-invalid": sender_invalid,
    "open-circuit": open_circuit,
    "short-to-ground": short_to_ground,
    "short-to-supply": short_to_supply,
    "loose-contact": loose_contact,
    "chafed-wire": chafed_wire,
    "ignition-noise": ignition_noise,
    "impossible-rate": impossible_rate,
    "saturated": saturated,
    "cross-talk": cross_talk,
    "offset": offset,
    "gain": gain,
    "unit-mixup": unit_mixup,
    "calibration-overdue": calibration_overdue,
    "swapped-channels": swapped_channels,
    "sign-flipped": sign_flipped,
    "stuck": stuck,
    "drift": drift,
    "under-sampled": under_sampled,
    "frames-lost": frames_lost,
}
COMBINED: dict[str, Callable[[Plan], None]] = {
    "supply-lost": supply_lost,
    "supply-sag": supply_sag,
    "ground-shift": ground_shift,
    "module-reset": module_reset,
    "module-missing": module_missing,
    "frozen-frame": frozen_frame,
    "capture-drop": capture_drop,
    "loose-plug": loose_plug,
    "reference-open": reference_open,
    "plug-off": plug_off,
    "message-order": message_order,
    "cold-junction-lost": cold_junction_lost,
}
INJECTORS = SINGLE | COMBINED
"""By the name of the case; most are named after the fault."""

__all__ = ["COMBINED", "INJECTORS", "SINGLE", "Named", "NoTargetError", "Plan"]
