"""The fence: python-can in two modules, and a way to transmit in one that can't reach hardware."""

import ast
from pathlib import Path

import pytest

import buswright

PACKAGE = Path(buswright.__file__).parent
MAY_IMPORT_CAN = {"frames/formats/library_process.py", "frames/live/bus.py"}
MAY_TRANSMIT = {"simulate/live/loopback.py"}
MAY_SPEAK_TO_PROCESSES = {
    "frames/formats/in_parts.py",
    "frames/formats/part_process.py",
    "frames/formats/readers.py",
    "worker/across.py",
    "tui/served/server.py",
}
"""Their ways to send end in processes of this program, or in a browser: no bus is in reach of them."""
TRANSMITTING = {
    "send",
    "send_periodic",
    "send_bytes",
    "sendall",
    "sendfile",
    "sendmsg",
    "sendmsg_afalg",
    "sendto",
    "send_fds",
    "ThreadBasedCyclicSendTask",
    "CyclicSendTask",
    "BCMSocket",
    "Notifier",
}
"""Whatever python-can, a socket or a connection can be told to transmit with."""


def modules():
    return {path.relative_to(PACKAGE).as_posix(): path for path in sorted(PACKAGE.rglob("*.py"))}


def names_of(tree):
    """Every word by which code could reach something: attributes, names, imports, and strings given to getattr."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.Name):
            yield node.id
        elif isinstance(node, ast.alias):
            yield from node.name.split(".")
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def imports_of(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield node.module or ""
        elif isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) in (
            "import_module",
            "__import__",
        ):
            yield from (arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str))


def imports_can(text):
    """Whether a module imports python-can for more than the type checker."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            node.body = [ast.Pass()]
    return any(name == "can" or name.startswith("can.") for name in imports_of(tree))


def transmits(text):
    return TRANSMITTING & set(names_of(ast.parse(text)))


@pytest.mark.parametrize("name", modules())
def test_python_can_is_imported_only_where_it_may_be(name):
    if name not in MAY_IMPORT_CAN:
        assert not imports_can(modules()[name].read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", modules())
def test_nothing_can_transmit_but_the_loopback(name):
    if name not in MAY_TRANSMIT | MAY_SPEAK_TO_PROCESSES:
        assert transmits(modules()[name].read_text(encoding="utf-8")) == set()


@pytest.mark.parametrize("name", sorted(MAY_SPEAK_TO_PROCESSES))
def test_what_speaks_to_processes_knows_no_live_bus(name):
    text = modules()[name].read_text(encoding="utf-8")
    assert not imports_can(text)
    assert not [each for each in imports_of(ast.parse(text)) if each.startswith("buswright.frames.live")]
    assert transmits(text) <= {"send", "send_bytes"}


def test_what_wraps_a_live_bus_shows_receive_and_close_alone():
    from buswright.frames.live.bus import Listener, _Bus

    shown = {name for name in dir(_Bus) if not name.startswith("_")}
    assert shown == {"receive", "close"}
    assert {name for name in vars(Listener) if not name.startswith("_")} == {"receive", "close"}


@pytest.mark.parametrize(
    "text",
    [
        "bus.send(message)",
        "getattr(bus, 'send')(message)",
        "bus.send_periodic(message, 0.1)",
        "sock.sendto(data, address)",
        "from can import CyclicSendTask",
    ],
)
def test_the_fence_can_be_hit(text):
    assert transmits(text)


@pytest.mark.parametrize("text", ["import can", "from can.bus import BusABC", "import_module('can')"])
def test_the_other_fence_can_be_hit(text):
    assert imports_can(text)
    assert not imports_can("import cantools\nfrom buswright.frames import candump")
