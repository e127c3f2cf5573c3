"""Two modules on a bench: the Wrenfell's analogue node, and one of another make-up; each with a plan."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from types import MappingProxyType

from buswright.bench.machine import Bench
from buswright.bench.plan.load import load_plan
from buswright.bench.unattended import run_unattended
from buswright.channels.carfile.load import load_car_file
from buswright.messages.checksum import Checksum, Counter
from buswright.simulate.bench.module import BenchModule, Build
from buswright.simulate.bench.session import perform
from buswright.simulate.bench.stand import Device, Stand
from buswright.simulate.bench.wrenfell import bench_module, broken
from buswright.simulate.car.definition import Bus, Message, Node, checksum, counter, number
from buswright.simulate.databases import dbc_text
from buswright.simulate.run import START_EPOCH_NS

ROOT = Path(__file__).parents[2]
CAR = ROOT / "dbc_examples" / "wrenfell.toml"

FAULTS = MappingProxyType(
    {
        "": set(),
        "swapped-inputs": {("moves its channel", 0), ("moves its channel", 1)},
        "wrong-scale": {("gain", 0)},
        "missing-frame": {("presence", "spare")},
        "slow-rate": {("rate", "late")},
        "noisy-input": {("noise", 0)},
        "dead-input": {("moves its channel", 0)},
        "wrong-sign": {("sign", 0)},
        "no-counter": {("counter", "counted")},
        "slow-sensor": {("time constant", 0)},
        "slow-restart": {("restart", "module")},
        "low-supply": {("sends", "module")},
        "cross-talk": {("cross-talk", 0)},
        "no-acknowledge": {("acknowledged", "module")},
    }
)
"""By fault: the check that must fail, and of what: an input by its number, or a part by its name."""

STEPS = """
[[step]]
name = "pair resistance"
kind = "meter"
unit = "ohm"
low = 54
high = 66

[[step]]
name = "rest"
kind = "listen"
seconds = 3
{inputs}
[[step]]
name = "low supply"
kind = "supply"
volts = 9
seconds = 1.5

[[step]]
name = "dip"
kind = "dip"
"""


def steps_of(inputs):
    """Write the steps of inputs, each (channel, low, high); of all but the first only that they move."""
    parts = []
    for place, (name, low, high) in enumerate(inputs):
        middle = (low + high) / 2
        held = (("low", low), ("middle", middle), ("high", high), ("middle again", middle), ("low again", low))
        steps = [("moves", "move", "")]
        steps += [(called, "hold", f"value = {value}\n") for called, value in held]
        steps += [("jump", "jump", f"value = {middle}\n"), ("open", "open", "")]
        parts += [
            f'\n[[step]]\nname = "{name} {called}"\nkind = "{kind}"\nchannel = "{name}"\n{more}'
            for called, kind, more in steps[: 1 if place else None]
        ]
    return STEPS.format(inputs="".join(parts))


WRENFELL_PLAN = f"""
format = 1
[plan]
name = "Analogue node"
car = "{CAR.as_posix()}"
module = "damper_node"
[frame."chassis/1A0"]
period_ms = 5
length = 8
counter = true
checksum = true
[frame."chassis/1A1"]
period_ms = 5
length = 6
[frame."chassis/1B0"]
period_ms = 20
length = 8
[frame."chassis/1B1"]
period_ms = 50
[frame."chassis/1B2"]
period_ms = 40
length = 8
[frame."chassis/18FF1A42"]
period_ms = 50
[input.damper_fl]
span = [0, 75]
[input.damper_fr]
span = [0, 75]
{steps_of([("damper_fl", 0, 75), ("damper_fr", 0, 75)])}"""

# The other make-up: 29-bit identifiers, high byte first, other rates, sensors in volts at a coarser step.

HUB = Node("hub_node", "Reads two sensors.", -20.0, 150.0, 60.0)
HUB_BUS = Bus("body", "can5", 250_000)
HUB_MESSAGES = (
    Message("HUB_A", 0x0CF01021, "hub_node", "body", 20, 1.0, "Both inputs.", (
        number("Line", "line_v", "V", 0.002, 0, 60, "Line pressure."),
        number("Tank", "tank_v", "V", 0.002, 0, 60, "Tank level."),
        counter(8), checksum(gap=16),
    ), extended=True, big_endian=True, counter=Counter(32, 8), checksum=Checksum("xor", 7)),
    Message("HUB_B", 0x0CF01121, "hub_node", "body", 60, 5.0, "How it is.", (
        number("Supply", "supply", "V", 0.01, 0, 60, "At the plug.", noise=0.02),
        number("Warmth", "warmth", "1", 0.1, 0, 100, "Inside.", noise=0.1),
    ), extended=True, big_endian=True, length=4),
    Message("HUB_C", 0x0CF01221, "hub_node", "body", 50, 9.0, "Spare.", (
        number("Lines", "lines", "1", 1.0, 0, 100, "Number of lines."),
    ), extended=True, big_endian=True, length=2),
)  # fmt: skip
HUB_CAR = """
format = 1
[bus.body]
bitrate = 250_000
interfaces = ["can5"]
databases = ["body.dbc"]
[sensor.line]
kind = "linear"
points = [[0.5, 0.0], [4.5, 16.0]]
unit = "bar"
healthy = [0.25, 4.75]
open_reads = "low"
[sensor.tank]
kind = "linear"
points = [[0.4, 0.0], [4.4, 60.0]]
unit = "l"
healthy = [0.2, 4.7]
open_reads = "high"
[channel.line]
signal = "body/HUB_A/Line"
sensor = "line"
[channel.tank]
signal = "body/HUB_A/Tank"
sensor = "tank"
zero = { add = 1.5 }
[channel.supply]
signal = "body/HUB_B/Supply"
role = "module_supply"
[frame."body/0CF01021"]
counter = { start = 32, length = 8 }
checksum = { kind = "xor", byte = 7 }
"""
HUB_PLAN = f"""
format = 1
[plan]
name = "Hub"
car = "car.toml"
module = "hub_node"
[frame."body/0CF01021"]
period_ms = 20
length = 8
counter = true
checksum = true
[frame."body/0CF01121"]
period_ms = 60
length = 4
[frame."body/0CF01221"]
period_ms = 50
length = 2
[input.line]
span = [0, 16]
[input.tank]
span = [0, 60]
{steps_of([("line", 0, 16), ("tank", 0, 60)])}"""


def hub_module(fault=""):
    """Put the other module on a bench."""
    line = Device(
        "line", "line_v", (0.0, 16.0), 3.0, (0.03, 0.01, 4.98), electrical=lambda value: 0.5 + 4.0 * value / 16.0
    )
    tank = Device(
        "tank", "tank_v", (0.0, 60.0), 20.0, (4.97, 0.01, 4.98), electrical=lambda value: 0.4 + 4.0 * value / 60.0
    )
    stand = Stand({"line": line, "tank": tank}, {"warmth": 25.0, "lines": 2.0})
    build = broken(
        Build(HUB_BUS, HUB, HUB_MESSAGES),
        stand,
        fault,
        device="line",
        other="tank",
        signal="Line",
        spare="HUB_C",
        counted="HUB_A",
        late="HUB_B",
        noise=0.02,
        level=2.0,
    )
    return BenchModule(build, stand, epoch_ns=START_EPOCH_NS)


PARTS = MappingProxyType(
    {
        "wrenfell": {
            "inputs": ("damper_fl", "damper_fr"),
            "spare": "id:chassis/1B2",
            "counted": "id:chassis/1A0",
            "late": "id:chassis/1B0",
            "module": "module:damper_node",
        },
        "hub": {
            "inputs": ("line", "tank"),
            "spare": "id:body/0CF01221",
            "counted": "id:body/0CF01021",
            "late": "id:body/0CF01121",
            "module": "module:hub_node",
        },
    }
)


def subject(which, part):
    """Name what a fault concerns, as checks do."""
    parts = PARTS[which]
    return f"channel:{parts['inputs'][part]}" if isinstance(part, int) else parts[part]


@cache
def given(which, folder):
    """Return plan and car file of a module."""
    folder = Path(folder)
    if which == "wrenfell":
        (folder / "plan.toml").write_text(WRENFELL_PLAN)
        return load_plan(folder / "plan.toml"), load_car_file(CAR)
    (folder / "hub.toml").write_text(HUB_PLAN)
    (folder / "car.toml").write_text(HUB_CAR)
    (folder / "body.dbc").write_text(dbc_text("body", HUB_MESSAGES, nodes=(HUB,)))
    return load_plan(folder / "hub.toml"), load_car_file(folder / "car.toml")


def module_of(which, fault=""):
    """Put a module on a bench."""
    return bench_module(fault) if which == "wrenfell" else hub_module(fault)


def session_of(which, plan, fault=""):
    """Record a session: the frames and the markers."""
    batches, events = [], []
    linger_s = 0.9 if fault == "slow-sensor" else 0.1
    for frames, markers in perform(module_of(which, fault), plan, START_EPOCH_NS, linger_s=linger_s, slice_s=0.5):
        events += markers
        if len(frames):
            batches.append(frames)
    return batches, events


def bench_of(which, folder, fault=""):
    """Test a module from its capture; return the bench."""
    plan, car = given(which, str(folder))
    batches, events = session_of(which, plan, fault)
    bench = Bench(plan, car, by="Ada")
    run_unattended(bench, batches, events, int(batches[0].time_ns[0]))
    return bench


def changed(plan, step_name, /, **values):
    """Return a plan with one step changed."""
    return replace(
        plan, steps=tuple(replace(step, **values) if step.name == step_name else step for step in plan.steps)
    )
