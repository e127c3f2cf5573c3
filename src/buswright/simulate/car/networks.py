"""The Wrenfell 3's networks: two buses, five modules, and what they send."""

from __future__ import annotations

from buswright.simulate.car.definition import Bus, Message, Node
from buswright.simulate.car.messages import CHASSIS_MESSAGES, DAMPER_MESSAGES, DAMPER_MESSAGES_FD, ENGINE_MESSAGES

NAME = "Wrenfell 3"

ENGINE_BUS = Bus("engine", "can0", 500_000)
CHASSIS_BUS = Bus("chassis", "can1", 1_000_000)
CHASSIS_BUS_FD = Bus("chassis", "can1", 1_000_000, 4_000_000)

NODES = (
    Node("engine_controller", "Runs the engine and the gearbox.", 18.0, 210.0, 45.0),
    Node("power_node", "Switches and measures all loads.", -31.0, 120.0, 90.0),
    Node("inertial_node", "Accelerations, turn rates and satellite position.", 6.0, 340.0, 25.0),
    Node("damper_node", "Reads 0-5 V sensors with 12 bits and sends millivolts.", 44.0, 95.0, 30.0),
    Node("wheel_node", "Wheel speeds, brake pressures and brake temperatures.", -12.0, 160.0, 40.0),
)


def messages(*, fd: bool = False) -> tuple[Message, ...]:
    """Return all messages of the car; with `fd` the dampers come in one CAN FD frame."""
    return (*ENGINE_MESSAGES, *(DAMPER_MESSAGES_FD if fd else DAMPER_MESSAGES), *CHASSIS_MESSAGES)


def buses(*, fd: bool = False) -> tuple[Bus, Bus]:
    """Return both buses."""
    return ENGINE_BUS, CHASSIS_BUS_FD if fd else CHASSIS_BUS
