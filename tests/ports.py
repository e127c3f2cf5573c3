"""Ports that nobody uses: each test finds its own, so that two suites can run at once."""

import socket

_given: set[int] = set()


def free_ports(count: int = 1) -> int:
    """Return the first of so many ports in a row that neither UDP nor TCP uses here, and that were not given before.

    The system chooses where to begin, at random: another suite that looks at the same moment gets others.
    """
    while True:
        first = _chosen_by_the_system()
        ports = range(first, first + count)
        if ports.stop <= 65_536 and not _given.intersection(ports) and all(map(_is_free, ports)):
            _given.update(ports)
            return first


def _chosen_by_the_system() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_port:
        any_port.bind(("", 0))
        return int(any_port.getsockname()[1])


def _is_free(port: int) -> bool:
    try:
        for kind, address in ((socket.SOCK_DGRAM, ""), (socket.SOCK_STREAM, "127.0.0.1")):
            with socket.socket(socket.AF_INET, kind) as claim:
                claim.bind((address, port))
    except OSError:
        return False
    return True
