"""The module screen, driven with keys at three sizes."""

from dataclasses import replace

from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.scope import Scope, modules_known
from buswright.health.channels.evidence import ChannelEvidence
from buswright.simulate.source import SimulatedCapture, demo_car

from ..made import FAULTS, SECONDS, snapshot_of
from ..piloted import SIZES, piloted, settled, text_of


def narrowed(module="damper_node", faulty=True):
    """The snapshot with one module in view, as the worker makes it."""
    from buswright.channels.session import Session

    base, car = snapshot_of(faulty), demo_car()
    scope = Scope(module, car)
    session = Session(list(SimulatedCapture(SECONDS, faults=FAULTS if faulty else ())), car)
    channels = tuple(each for each in base.channels if scope.holds(each))
    inputs = [
        ChannelEvidence(
            session[each.name], channel=(known := car.channels[each.name]), sensor=car.sensors.get(known.sensor)
        )
        for each in channels
        if not each.formula
    ]
    return replace(
        base,
        scope=scope,
        channels=channels,
        inputs=tuple(inputs),
        modules=modules_known(car, {}),
        findings=diagnose(base.health, car=car, scope=scope),
    )


def shown(snapshot, keys=(), size=(120, 40), screen="module"):
    async def steps(app, pilot, worker):
        for key in keys:
            await pilot.press(key)
        await settled(pilot)
        assert not app.notices, app.notices
        return text_of(app), worker.asked, type(app.screen).__name__

    return piloted(steps, snapshot=snapshot, size=size, screen=screen)


def test_one_look_shows_identifiers_with_rates_and_inputs_with_noise():
    snapshot = narrowed()

    async def steps(app, pilot, worker):
        found = []
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await settled(pilot)
            found.append(text_of(app))
            assert [len(found[-1]), app.size.width] == [size[1], size[0]]
        assert not app.notices, app.notices
        return found

    for lines in piloted(steps, snapshot=snapshot, screen="module"):
        text = "\n".join(lines)
        assert "only damper_node" in lines[0]
        assert "6 of 6 identifiers arrive" in text
        assert "wheel_node" not in text  # it is missing in this run, and none of this module's business
        row = next(each for each in lines if each.startswith("ok") and "DAMPERS_A" in each).split()
        assert row[:5] == ["ok", "1A0", "DAMPERS_A", "200.5", "200.0"]
        assert "Supply: node_supply 13." in text
        dampers = next(each for each in lines if each.startswith("damper_fl ")).split()
        assert dampers[1] == "healthy"
        assert dampers[3] == "V"


def test_other_screens_follow_the_module():
    snapshot = narrowed()
    whole, _, _ = shown(replace(snapshot_of(), modules=snapshot.modules), screen="overview")
    assert any("module-missing" in each for each in whole)
    for screen in ("overview", "identifiers", "channels", "findings"):
        lines, _, _ = shown(snapshot, screen=screen)
        assert "only damper_node" in lines[0]
        assert not any("wheel" in each for each in lines), screen


def test_without_a_module_one_is_chosen_from_a_list():
    snapshot = replace(snapshot_of(), modules=modules_known(demo_car(), {}))
    lines, asked, _ = shown(snapshot, ("down", "enter"))
    assert any("look at one module alone" in each for each in lines)
    assert ("look_only_at", snapshot.modules[1]) in asked
    lines, _, _ = shown(replace(snapshot_of(), modules=()))
    assert any("add --car or --dbc" in each for each in lines)


def test_keys_lead_to_plot_page_and_whole_car():
    snapshot = narrowed()
    assert shown(snapshot, ("enter",))[2] == "IdDetailScreen"
    assert shown(snapshot, ("tab", "enter"))[2] == "PlotScreen"
    _, asked, _ = shown(snapshot, ("tab", "w"))
    assert ("look_only_at", None) in asked


def test_a_wide_window_tells_what_the_module_to_choose_sends():
    snapshot = replace(snapshot_of(), modules=modules_known(demo_car(), {}))
    for size in SIZES:
        lines, _, _ = shown(snapshot, ("down",), size=size)
        told = any("INERTIAL_1" not in each and "ENGINE_1" in each and "of 200.0 1/s" in each for each in lines)
        assert told is (size[0] >= 110)
        assert any("engine_speed" in each and "rpm" in each for each in lines) is told


def test_a_high_window_plots_the_input_under_the_cursor():
    for size in SIZES:
        lines, _, _ = shown(narrowed(), ("tab",), size=size)
        below = lines[next(at for at, each in enumerate(lines) if "damper_fl healthy" in each) + 2 : -2]
        assert any("⠒" in each or "⣀" in each or "⠉" in each for each in below) is (size[1] >= 60)


def test_the_input_under_the_cursor_is_explained():
    lines, _, _ = shown(narrowed(), ("tab",))
    assert any("damper_fl healthy: " in each and "healthy is 0.25 to 4.75 V" in each for each in lines)
    assert any("plug C" in each for each in lines)


def test_a_key_of_the_overview_looks_at_the_module_under_its_cursor():
    snapshot = replace(snapshot_of(False), modules=modules_known(demo_car(), {}))
    _, asked, screen = shown(snapshot, ("tab", "a"), screen="overview")
    assert screen == "ModuleScreen"
    assert [each[0] for each in asked] == ["look_only_at"]
    _, asked, screen = shown(snapshot, ("ctrl+p", *"only damper_node", "enter"), screen="overview")
    assert ("look_only_at", "damper_node") in asked


def test_a_page_of_another_module_says_that_it_is_none_of_this_one():
    snapshot = narrowed()
    page = next(name for name in snapshot.health.ids if name not in snapshot.verdicts.ids)
    from buswright.tui.screens.identifiers.page import IdDetailScreen

    async def steps(app, pilot, worker):
        app.push_screen(IdDetailScreen(page))
        await settled(pilot)
        await settled(pilot)
        assert not app.notices, app.notices
        return text_of(app)

    lines = piloted(steps, snapshot=snapshot, screen="module")
    assert any("Only damper_node is looked at" in each for each in lines)
