"""A drive: what the driver, the car and the engine did, as columns over time. Axes: x forward, y left, z up."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

Floats = np.ndarray

SLOW = 0.01
"""Seconds between the steps of car and engine."""
FAST = 0.002
"""Seconds between the steps of what moves with the road."""

STEPS = ("gear", "fan", "starter")
"""Quantities without values between two steps."""

KINDS = ("run", "idle", "cold", "hot", "standing", "paddock")
"""What a drive can be."""


@dataclass
class World:
    """Quantities over time: for each name the seconds between values and the values.

    Units: m/s, g, deg/s, deg, mm, bar, kPa (absolute pressures), degC, rpm, %, V, A.
    """

    seconds: float
    columns: dict[str, tuple[float, Floats]] = field(default_factory=dict)
    phases: list[tuple[str, float, float]] = field(default_factory=list)
    cylinders: int = 4
    strokes: int = 4

    def at(self, name: str, times: Floats) -> Floats:
        """Give a quantity at these seconds."""
        step, values = self.columns[name]
        place = np.clip(times / step, 0, len(values) - 1.001)
        index = place.astype(np.int64)
        if name in STEPS:
            return values[index]
        part = place - index
        return values[index] * (1 - part) + values[index + 1] * part

    def phase(self, name: str) -> tuple[float, float]:
        """Give the seconds in which a phase lasts, (0, 0) for none of that name."""
        for phase, start, end in self.phases:
            if phase == name:
                return start, end
        return 0.0, 0.0


def coloured(rng: np.random.Generator, n: int, step: float, low: float, high: float) -> Floats:
    """Give noise of standard deviation 1 between two frequencies."""
    size = int(2 ** np.ceil(np.log2(max(n, 16))))
    spectrum = np.fft.rfft(rng.standard_normal(size))
    hertz = np.fft.rfftfreq(size, step)
    spectrum *= (hertz >= low) / (1 + (hertz / high) ** 4)
    noise = np.fft.irfft(spectrum, size)[:n]
    return noise / max(float(noise.std()), 1e-12)


def lag(values: Floats, step: float, tau: float, start: float | None = None) -> Floats:
    """Give what a first-order lag makes of it."""
    if tau <= 0:
        return values
    # exact recursion in blocks: y[k] = a y[k-1] + (1-a) x[k]
    a = float(np.exp(-step / tau))
    out = np.empty_like(values)
    y = float(values[0]) if start is None else start
    block = max(1, min(len(values), int(30 / max(-np.log(a), 1e-9))))
    powers = a ** np.arange(1, block + 1)
    for begin in range(0, len(values), block):
        x = values[begin : begin + block]
        p = powers[: len(x)]
        out[begin : begin + len(x)] = p * y + (1 - a) * p * np.cumsum(x / p) * a / a
        y = float(out[begin + len(x) - 1])
    return out


def _track(rng: np.random.Generator) -> tuple[Floats, Floats, list[tuple[int, int, int]]]:
    """Give curvature (1/m) and target speed (m/s) for each metre of a lap, and kerbs (from, to, side)."""
    kappa: list[Floats] = []
    kerbs: list[tuple[int, int, int]] = []
    length = 0
    sign = 1 if rng.random() < 0.5 else -1
    for corner in range(int(rng.integers(5, 8))):
        straight = int(rng.integers(60, 170))
        radius = float(rng.uniform(14, 60))
        turn = float(rng.uniform(0.7, 2.2))
        bend = max(12, int(radius * turn))
        kappa += [np.zeros(straight), np.full(bend, sign / radius)]
        length += straight + bend
        if rng.random() < 0.6:
            kerbs.append((length - 6, length + int(rng.integers(3, 10)), -sign if rng.random() < 0.7 else sign))
        # Both directions occur whatever the dice say: one-sided tracks can't tell left from right.
        sign = -sign if corner % 2 == 0 or rng.random() < 0.4 else sign
    kappa.append(np.zeros(60))
    curve = np.concatenate(kappa)
    width = 13
    window = np.hanning(width)
    curve = np.convolve(np.concatenate([curve[-width:], curve, curve[:width]]), window / window.sum(), "same")
    curve = curve[width:-width]
    grip = float(rng.uniform(11, 15))
    speed = np.minimum(np.sqrt(grip / np.maximum(np.abs(curve), 1e-4)), float(rng.uniform(38, 52)))
    braking = float(rng.uniform(7.5, 10.5))
    for _ in range(2):
        for i in range(len(speed) - 2, -1, -1):
            speed[i] = min(speed[i], np.sqrt(speed[i + 1] ** 2 + 2 * braking))
        speed[-1] = min(speed[-1], np.sqrt(speed[0] ** 2 + 2 * braking))
    return curve, speed, kerbs


def _script(rng: np.random.Generator, kind: str, seconds: float) -> list[tuple[str, float, float]]:
    """Give the phases of a drive: off (key on, engine off), crank, idle, laps, paddock, stop, end."""
    if kind == "standing":
        return [("off", 0.0, seconds)]
    steps: list[tuple[str, float]] = [("off", rng.uniform(5, 9)), ("crank", rng.uniform(0.7, 1.4))]
    if kind == "idle":
        steps += [("idle", seconds)]
    elif kind == "hot":
        steps = [("idle", rng.uniform(5, 10)), ("laps", seconds - 26), ("stop", seconds)]
    elif kind == "paddock":
        steps += [("idle", rng.uniform(6, 10)), ("paddock", seconds - 26), ("stop", seconds)]
    else:
        steps.append(("idle", rng.uniform(6, 10)))
        if seconds > 80 and rng.random() < 0.15:  # stalled, and started again
            steps += [("off", rng.uniform(1.5, 3)), ("crank", rng.uniform(0.7, 1.2)), ("idle", rng.uniform(2, 4))]
        steps += [
            ("laps", seconds - 36 - sum(long for _, long in steps[3:])),
            ("stop", rng.uniform(14, 16)),
            ("end", seconds),
        ]
    phases: list[tuple[str, float, float]] = []
    now = 0.0
    for name, long in steps:
        end = min(seconds, now + long)
        if end > now:
            phases.append((name, now, end))
        now = end
    if phases[-1][2] < seconds:
        phases[-1] = (phases[-1][0], phases[-1][1], seconds)
    return phases


def drive(seed: int, kind: str = "run", seconds: float = 90.0, cylinders: int = 4) -> World:
    """Drive a car and return what happened.

    Parameters
    ----------
    seed
        Another seed is another car, track and driver.
    kind
        One of `KINDS`.
    seconds
        How long.
    cylinders
        Of the engine.
    """
    rng = np.random.default_rng([seed, 71])
    n = int(seconds / SLOW) + 2
    phases = _script(rng, kind, seconds)
    mode = np.empty(n, dtype=object)
    for name, start, end in phases:
        mode[int(start / SLOW) : int(end / SLOW) + 2] = name
    modes = mode.tolist()
    curve, target, kerbs = _track(rng)
    curves, targets, lap = curve.tolist(), target.tolist(), len(curve)

    idle = float(rng.uniform(950, 1500))
    redline = float(rng.uniform(7500, 11500))
    radius = float(rng.uniform(0.24, 0.31))
    top = float(target.max()) * 1.1
    ratios = [0.93 * redline / 60 * 2 * np.pi * radius / (top * part) for part in (0.33, 0.48, 0.65, 0.82, 1.0)]
    power = float(rng.uniform(110, 190))
    traction = float(rng.uniform(5.5, 8.0))
    stopping = float(rng.uniform(11.0, 14.0))
    fast_idle = 1.0
    ambient = float(rng.uniform(14, 30))
    water = {"cold": ambient, "hot": float(rng.uniform(82, 92)), "standing": float(rng.uniform(ambient, 70))}.get(
        kind, float(rng.uniform(35, 85)) if rng.random() < 0.75 else ambient
    )
    warmth = (water - ambient) / 70
    oil = ambient + warmth * float(rng.uniform(55, 72))
    box = ambient + warmth * 40
    fan_on, fan_off = (float(rng.uniform(93, 97)), float(rng.uniform(87, 91)))
    heating = float(rng.uniform(0.25, 0.45))

    names = ("v", "s", "ax", "kappa", "rpm", "thr", "brk", "gear", "water", "oil", "box", "fan")
    made = {name: np.zeros(n) for name in names}
    v = s = thr = brk = rpm = 0.0
    gear, shifting, fan, stood = 0, 0.0, False, 0.0
    if kind == "hot":
        rpm = idle
    blip_until, blip = -1.0, 0.0
    slow_speed, slow_curve, slow_until = 0.0, 0.0, 0.0
    k = 0.0
    wander = coloured(rng, n, SLOW, 0.2, 1.2).tolist()
    shake = coloured(rng, n, SLOW, 0.3, 3.0).tolist()
    for i in range(n):
        now, m = i * SLOW, modes[i]
        want_thr = want_brk = want_k = 0.0
        running = m not in ("off", "crank", "end")
        if m == "laps":
            j = int(s) % lap
            ahead = targets[j]
            err = ahead - v
            if err > 0.6:
                want_thr = min(1.0, 0.25 + err * 0.45)
            elif err > -0.5:
                want_thr = 0.22 + 0.03 * shake[i]
            else:
                want_brk = min(1.0, 0.12 - err * 0.3)
            want_k = curves[j] + 0.0006 * wander[i] * (v > 5)
        elif m == "paddock":
            if now > slow_until:
                slow_until = now + float(rng.uniform(3, 8))
                slow_speed = 0.0 if rng.random() < 0.25 else float(rng.uniform(1.5, 8))
                slow_curve = 0.0 if rng.random() < 0.4 else float(rng.uniform(-0.12, 0.12))
            err = slow_speed - v
            want_thr = min(0.35, 0.08 + err * 0.08) if err > 0.2 else 0.0
            want_brk = min(0.4, -err * 0.12) if err < -0.3 else (0.12 if slow_speed == 0 else 0.0)
            want_k = slow_curve if v > 0.5 else k
        elif m in ("stop", "end"):
            want_brk = 0.28 if v > 0.3 else (0.15 if stood < 2 else 0.0)
            want_k = 0.0
            stood += SLOW if v <= 0.3 else 0.0
        elif m == "idle":
            if now > blip_until and rng.random() < 0.0015:
                blip_until, blip = now + float(rng.uniform(0.3, 0.9)), float(rng.uniform(0.15, 0.5))
            want_thr = blip if now < blip_until else 0.0
        elif m == "off" and 2.0 < now < 4.5:
            want_brk = 0.35 if 2.2 < now < 3.2 else 0.0
            want_thr = 0.98 if 3.6 < now < 4.2 else 0.0
        shifting = max(0.0, shifting - SLOW)
        if shifting > 0:
            want_thr = 0.0 if m == "laps" else want_thr
        thr += (want_thr - thr) * SLOW / 0.07
        brk += (want_brk - brk) * SLOW / 0.06
        k += (want_k - k) * SLOW / (0.12 if m == "laps" else 0.6)
        moving = running and m != "idle"
        push = 0.0
        if moving and shifting <= 0:
            push = max(0.0, thr - 0.02) * min(traction, power / max(v, 4.0)) * (1.0 if m == "laps" else 0.6)
        drag = (0.0011 * v * v + 0.15 + (0.9 if thr < 0.05 and v > 6 else 0.0)) * (1 if v > 0.05 else 0)
        a = push - drag - brk * stopping * (1 if v > 0.05 else 0)
        before = v
        v = max(0.0, v + a * SLOW)
        s += v * SLOW
        if not moving or v < 0.4:
            gear = 0 if v < 0.2 and thr < 0.05 else max(gear, 1 if moving else 0)
        else:
            gear = max(gear, 1)
            wheel = v / (2 * np.pi * radius) * 60 * ratios[gear - 1]
            if shifting <= 0:
                if wheel > 0.92 * redline and gear < 5 and thr > 0.3:
                    gear, shifting = gear + 1, 0.12
                elif (
                    wheel < 0.46 * redline and gear > 1 and wheel * ratios[gear - 2] / ratios[gear - 1] < 0.85 * redline
                ):
                    gear, shifting = gear - 1, 0.15
        idle_now = idle * (1 + 0.25 * max(0.0, min(1.0, (60 - water) / 50)) * fast_idle)
        if m == "crank":
            want_rpm, tau = 230 + 35 * np.sin(now * 2 * np.pi * 4.5), 0.06
        elif not running:
            want_rpm, tau = 0.0, 0.25
        else:
            wheel = v / (2 * np.pi * radius) * 60 * ratios[gear - 1] if gear else 0.0
            free = idle_now * (1 + 0.012 * shake[i]) + thr * (2600 if gear else 5200)
            want_rpm, tau = (max(free if v < 6 else 0.0, wheel) if gear else free), 0.08 if gear else 0.2
        rpm += (want_rpm - rpm) * SLOW / tau
        if not running and rpm < 8 and m != "crank":
            rpm = 0.0
        load = rpm / redline * (0.25 + thr)
        opening = min(1.0, max(0.04, (water - 80) / 14))
        water += SLOW * (
            heating * 2.2 * load
            + (0.04 if rpm > 300 else 0)
            - opening * (water - ambient) * (0.0035 + 0.00035 * v + 0.006 * fan) * (rpm > 300)
            - 0.0002 * (water - ambient)
        )
        oil += SLOW * (
            0.55 * load + 0.01 * (water - oil) * (rpm > 300) - 0.0045 * (oil - ambient) * (rpm > 300) * (0.3 + 0.03 * v)
        )
        box += SLOW * (0.006 * v - 0.001 * (box - ambient))
        fan = (water > fan_on) or (fan and water > fan_off)
        row = (v, s, (v - before) / SLOW, k, rpm, thr, brk, gear, water, oil, box, fan)
        for name, value in zip(names, row, strict=True):
            made[name][i] = value
    return _finish(rng, World(seconds, {}, phases, cylinders), made, modes, kerbs, lap, ambient, idle, redline)


def _finish(rng, world, made, modes, kerbs, lap, ambient, idle, redline) -> World:  # type: ignore[no-untyped-def]
    """Compute everything that follows from speed, curvature, throttle and engine speed."""
    n = len(made["v"])
    v, kappa, rpm, thr, brk = (made[name] for name in ("v", "kappa", "rpm", "thr", "brk"))
    ax = lag(made["ax"], SLOW, 0.02)
    yaw = v * kappa
    ay = v * yaw
    put = world.columns
    modes_array = np.array(modes, dtype=object)
    key = modes_array != "gone"

    def slow(name: str, values: Floats) -> None:
        put[name] = (SLOW, np.asarray(values, dtype=float))

    running = rpm > 400
    slow("rpm", rpm)
    slow("throttle", np.clip(thr * 100, 0, 100))
    slow("gear", made["gear"])
    slow("v", v)
    slow("yaw", np.degrees(yaw))
    slow("kappa", kappa)
    front = brk * float(rng.uniform(55, 85))
    slow("brake_f", lag(front, SLOW, 0.015))
    slow("brake_r", lag(front * float(rng.uniform(0.55, 0.75)), SLOW, 0.02))
    base, under = float(rng.uniform(1.6, 2.6)), float(rng.uniform(0.0004, 0.0012))
    steer = np.degrees(base * kappa + under * ay) * float(rng.uniform(4.5, 9.0))
    # hands move a little even at rest
    slow("steer", steer + 0.25 * coloured(rng, n, SLOW, 0.05, 1.0) * (0.3 + (v > 1)))
    # engine
    closed, open_ = float(rng.uniform(28, 40)), float(rng.uniform(95, 99))
    baro = float(rng.uniform(93, 102))
    pressure = np.where(
        running, closed + (open_ - closed) * np.clip(thr / np.clip(rpm / redline + 0.25, 0.3, 1.2), 0, 1) ** 0.7, baro
    )
    slow("map", np.minimum(lag(np.minimum(pressure, baro), SLOW, 0.06, baro), baro))
    slow("baro", np.full(n, baro))
    oil = made["oil"]
    thin = np.clip(1.35 - 0.006 * (oil - 40), 0.55, 1.4)
    relief = float(rng.uniform(4.6, 6.0))
    p_oil = np.minimum((rpm > 100) * (0.35 + rpm / 1000 * float(rng.uniform(0.62, 0.85))) * thin, relief + 0.0001 * rpm)
    p_oil = p_oil * (1 - float(rng.uniform(0, 0.25)) * np.clip(np.abs(ay) / 9.81 - 0.9, 0, 0.6))  # surge in long bends
    slow("p_oil", lag(p_oil, SLOW, 0.25))
    time = np.arange(n) * SLOW
    pump = (rpm > 60) | ((time < 2.5) & (modes_array == "off"))
    rail = float(rng.uniform(3.0, 4.2))
    slow("p_fuel", lag(np.where(pump, rail - 0.006 * (100 - put["map"][1]) * running, 0.75 * rail), SLOW, 0.2, 0.3))
    slow("p_water", 0.1 + np.clip(made["water"] - ambient, 0, None) * 0.011 + rpm * 1.5e-5)
    slow("t_water", made["water"])
    slow("t_oil", oil)
    slow("t_box", made["box"])
    slow("t_air", ambient + 3 * (1 - np.exp(-time / 60)) * running + 0.2 * coloured(rng, n, SLOW, 0.0, 0.05))
    slow("t_ambient", np.full(n, ambient))
    slow("t_module", ambient + 6 + 4 * (1 - np.exp(-time / 120)))
    lam = np.where(thr > 0.7, 0.88, np.where((thr < 0.03) & (rpm > 2.2 * idle), 1.26, 1.0)) + 0.008 * coloured(
        rng, n, SLOW, 0.5, 2.5
    )
    slow("lambda", np.where(running, lag(lam, SLOW, 0.12), lag(np.where(running, lam, 1.25), SLOW, 0.3)))
    hot = np.where(running, 330 + 420 * np.clip(thr, 0, 1) * np.clip(rpm / redline, 0, 1) ** 0.5 + 0.012 * rpm, ambient)
    for cylinder in range(1, world.cylinders + 1):
        warm = ambient if world.phases[0][0] == "off" else None
        slow(f"egt{cylinder}", lag(hot * float(rng.uniform(0.96, 1.04)), SLOW, float(rng.uniform(1.6, 2.6)), warm))
    # electrics
    fan = made["fan"]
    pump_on = pump.astype(float)
    starter = modes_array == "crank"
    amps = 6 + 14 * lag(fan, SLOW, 0.15) + 5 * pump_on + 4 * running
    slow("amps", amps)
    slow("starter", starter.astype(float))
    slow("fan", fan)
    rest = float(rng.uniform(12.3, 12.8))
    charge = float(rng.uniform(13.8, 14.4))
    dip = float(rng.uniform(9.6, 10.6))
    battery = np.where(
        starter,
        dip + 0.5 * np.sin(time * 2 * np.pi * 9),
        np.where(rpm > 700, charge - 0.012 * (amps - 15), rest - 0.02 * (amps - 6)),
    )
    slow("vbat", lag(battery, SLOW, 0.04, rest) + 0.012 * coloured(rng, n, SLOW, 0.5, 20.0))
    # wheels
    half = float(rng.uniform(0.6, 0.75))
    spin = np.clip(thr, 0, 1) * np.clip(1 - v / 45, 0, 1) * 0.045 * (v > 1)
    lock = -0.03 * brk * (v > 3)
    locks = np.where((brk > 0.55) & (v > 8) & (rng.random(n) < 0.002), rng.choice([-1, 1], n), 0)
    for wheel, side, driven in (("fl", 1, 0), ("fr", -1, 0), ("rl", 1, 1), ("rr", -1, 1)):
        speed = (
            (v - side * half * yaw)
            * (1 + spin * driven + lock * (0.7 if driven else 1.0))
            * float(rng.normal(1, 0.002))
        )
        if not driven:
            for moment in np.flatnonzero(locks == side).tolist():  # a front wheel locks for a moment
                long = int(rng.uniform(15, 45))
                dent = 1 - float(rng.uniform(0.3, 0.8)) * np.hanning(long)
                rows = slice(moment, min(moment + long, n))
                speed[rows] *= dent[: rows.stop - rows.start]
        speed = speed + 0.03 * coloured(rng, n, SLOW, 1.0, 15.0) * (v > 2)
        slow(f"ws_{wheel}", np.where(speed > 0.6, speed, 0.0))
    late = int(rng.uniform(5, 18))
    gps = np.concatenate([np.full(late, v[0]), v[:-late]]) + 0.03 * coloured(rng, n, SLOW, 0.0, 2.0)
    slow("v_gps", np.maximum(gps, 0.02))
    heading = np.cumsum(yaw) * SLOW
    north, east = np.cumsum(v * np.cos(heading)) * SLOW, np.cumsum(v * np.sin(-heading)) * SLOW
    latitude = float(rng.uniform(35, 55))
    slow("lat", latitude + north / 111_320.0)
    slow("lon", float(rng.uniform(-5, 15)) + east / (111_320.0 * np.cos(np.radians(latitude))))
    slow("key", key.astype(float))
    # what moves with the road
    fast = np.arange(int(world.seconds / FAST) + 3) * FAST

    def up(values: Floats) -> Floats:
        return np.interp(fast, time, values)

    m = len(fast)
    vf, axf, ayf, rpmf = up(v), up(ax), up(ay), up(rpm)
    place = up(made["s"]) % lap
    laps_now = up((modes_array == "laps").astype(float)) > 0.5
    kerb_left, kerb_right = np.zeros(m), np.zeros(m)
    for start, end, side in kerbs:
        on = (place >= start) & (place < end) & laps_now
        (kerb_left if side > 0 else kerb_right)[on] = 1.0
    ramp = np.hanning(21) / np.hanning(21).sum()
    kerb_left, kerb_right = np.convolve(kerb_left, ramp, "same"), np.convolve(kerb_right, ramp, "same")
    roll, pitch = float(rng.uniform(7, 12)), float(rng.uniform(4, 8))
    rough = np.clip(vf / 25, 0, 1.3) * (vf > 0.3)
    heave = float(rng.uniform(0.004, 0.009)) * vf * vf
    sums = np.zeros(m)
    static = float(rng.uniform(26, 32))
    on_stands = world.phases[-1][0] == "off" and rng.random() < 0.4  # wheels hang
    for corner, side, end in (("fl", 1, 1), ("fr", -1, 1), ("rl", 1, -1), ("rr", -1, -1)):
        kerb = kerb_left if side > 0 else kerb_right
        noise = 1.1 * rough * coloured(rng, m, FAST, 0.8, 14.0)
        thump = kerb * (5.0 * coloured(rng, m, FAST, 3.0, 22.0) + 3.0)
        settle = lag(-side * roll * ayf / 9.81 - end * pitch * axf / 9.81 * (1.2 if end > 0 else 1.0), FAST, 0.05)
        travel = static * (1.0 if end > 0 else 1.12) + settle + heave + noise + thump
        travel = np.where(vf < 0.05, lag(travel, FAST, 0.1), travel)
        put[f"d_{corner}"] = (FAST, np.full(m, 2.0) if on_stands else travel)
        sums += noise * 0.03 + kerb * 0.35 * coloured(rng, m, FAST, 5.0, 40.0)
    engine = np.clip(rpmf / redline, 0, 1)
    for axis, values, level in (("ax", axf / 9.81, 0.012), ("ay", ayf / 9.81, 0.012), ("az", 1.0 + sums, 0.02)):
        shaking = level * engine * coloured(rng, m, FAST, 20.0, 150.0) + 0.02 * rough * coloured(
            rng, m, FAST, 2.0, 30.0
        )
        put[axis] = (FAST, values + shaking)
    put["bumps"] = (FAST, np.abs(sums) + 0.25 * (kerb_left + kerb_right))
    return world
