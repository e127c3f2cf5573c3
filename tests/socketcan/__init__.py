"""Tests that need real CAN sockets, on virtual CAN interfaces can0 and can1 (`ip link add can0 type vcan`, mtu 72, up).

They skip elsewhere, and are run by hand: `pytest -m socketcan tests/socketcan`, as root for the one in which an
interface goes down and up.
"""
