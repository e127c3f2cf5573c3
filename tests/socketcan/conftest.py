"""can0 and can1, where they are there and virtual; a sender for each."""

import socket

import pytest

from .sending import VIRTUAL, Sender, kind_of

INTERFACES = ("can0", "can1")


@pytest.fixture(scope="session")
def interfaces():
    """The names of two virtual CAN interfaces; skips where there are none."""
    if not hasattr(socket, "AF_CAN"):
        pytest.skip("this system has no CAN sockets")
    missing = [name for name in INTERFACES if kind_of(name) not in VIRTUAL]
    if missing:
        pytest.skip(f"no virtual CAN interface {' or '.join(missing)}")
    return INTERFACES


@pytest.fixture
def senders(interfaces):
    made = [Sender(name) for name in interfaces]
    yield made
    for sender in made:
        sender.close()
