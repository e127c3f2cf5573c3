"""What a run shows of its channels: one value that all channel detectors work on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from buswright.channels import units
from buswright.channels.carfile.model import CarFile, Channel, FrameName, Sensor
from buswright.channels.expectation import Expectation
from buswright.channels.glitches import Watched
from buswright.channels.guessing import guess, is_bookkeeping
from buswright.channels.limits import Exceedance
from buswright.channels.samples.series import BAD, Bools, Floats, Int64s, Quality, Series
from buswright.channels.samples.tally import BadSamples, bad_samples
from buswright.channels.watching import watch
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.driving import Driving, find_driving
from buswright.health.channels.grid import COARSE_NS, FINE_NS, Grid, grid_of
from buswright.health.channels.stretches import Stretches, excursions, held_values, stretches_of
from buswright.messages.model import Signal

if TYPE_CHECKING:
    from buswright.channels.session import Session

Shared = Literal["supply", "ground", "plug", "module", "bus", "message"]
"""What channels can have in common, so that they fail together."""

AMPLIFIED_V = (0.25, 4.75)
"""Live band of a sensor of 0.5 to 4.5 V (common practice, no source)."""
DIVIDER_V = (0.08, 4.92)
"""Live band of pots and thermistors (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class ChannelEvidence:
    """One channel over a run. Columns are computed when a detector asks, and kept.

    Its *quantity* is the sensor's electrical value where it has a sensor, else the value: electrical faults show only
    before a calibration.

    Attributes
    ----------
    series
        All its samples.
    channel, sensor
        As the car file describes them; None without.
    signal
        The signal it comes from; None for a computed channel.
    frame
        The frame it comes in; None for a computed one, and where the message has no one identifier.
    message
        `bus/message`; None for a computed one.
    module
        Who sends it; None where nobody says.
    expected
        How its samples should come.
    watched
        Its step and span; None for a computed one.
    """

    series: Series
    channel: Channel | None = None
    sensor: Sensor | None = None
    signal: Signal | None = None
    frame: FrameName | None = None
    message: str | None = None
    module: str | None = None
    expected: Expectation | None = None
    watched: Watched | None = None

    def __len__(self) -> int:
        return len(self.series)

    def with_series(self, series: Series) -> ChannelEvidence:
        """Return the same channel with other samples."""
        return replace(self, series=series)

    @property
    def name(self) -> str:
        """Of the channel; without a car file `bus/message/signal`."""
        return self.series.name

    @property
    def subject(self) -> str:
        """As findings name it."""
        return f"channel:{self.name}"

    @property
    def bus(self) -> str | None:
        """The bus it comes from."""
        return None if self.message is None else self.message.partition("/")[0]

    @property
    def computed(self) -> bool:
        """Whether a formula makes it."""
        return self.signal is None

    @property
    def role(self) -> str | None:
        """What it stands for: the car file's role; without a car file what name and unit tell."""
        return self._guessed[0] if self.channel is None else self.channel.role

    @property
    def position(self) -> str | None:
        """Where on the car it sits, found like the role."""
        return self._guessed[1] if self.channel is None else self.channel.position

    @cached_property
    def _guessed(self) -> tuple[str | None, str | None]:
        if self.signal is None or self.message is None:
            return None, None
        found = guess(self.signal.name, self.message.partition("/")[2], self.signal.unit)
        return (found.role if found.fits else None), found.position

    @property
    def measures(self) -> bool:
        """Whether it is a quantity that is measured: no state, no counter or checksum, not computed."""
        return self.signal is not None and self.series.kind == "continuous" and not is_bookkeeping(self.signal.name)

    def shares(self, what: Shared) -> str | None:
        """Return the supply, ground, plug, module, bus or message that it hangs on; None where nobody says."""
        if what in ("supply", "ground", "plug"):
            return (getattr(self.channel.wiring, what) or None) if self.channel is not None else None
        return self.module if what == "module" else self.bus if what == "bus" else self.message

    # The quantity ---------------------------------------------------------------------------------------------------

    @property
    def electrical(self) -> bool:
        """Whether its quantity is the sensor's electrical one."""
        return self.series.volts is not None

    @property
    def quantity(self) -> Floats:
        """The electrical values, else the values; float64[n]."""
        return self.series.value if self.series.volts is None else self.series.volts

    @property
    def quantity_unit(self) -> str:
        """Unit of the quantity."""
        return self.sensor.calibration.electrical if self.sensor is not None and self.electrical else self.series.unit

    @property
    def per_volt(self) -> float | None:
        """How many of its quantity's units a volt is, where it is a voltage; None where it is none."""
        unit = self.quantity_unit
        if not self.electrical or not units.compatible(unit, "V"):
            return None
        return 1.0 / abs(units.line(unit, "V")[0])

    @cached_property
    def volts(self) -> Floats | None:
        """The sensor's voltage in V; float64[n]; None where its quantity is no voltage."""
        per = self.per_volt
        return None if per is None else self.quantity if per == 1.0 else self.quantity / per

    @property
    def step(self) -> float:
        """What one raw step makes of the quantity; 0 where unknown."""
        return self.watched.step if self.watched is not None else 0.0

    @property
    def span(self) -> float | None:
        """What the quantity covers from end to end; None where nobody says."""
        return self.watched.span if self.watched is not None else None

    @property
    def live_band(self) -> tuple[float, float] | None:
        """Where the quantity of intact wiring lies, in its unit: `healthy`, else a usual band for the kind; or None."""
        if self.sensor is None or not self.electrical:
            return None
        if self.sensor.healthy is not None:
            return self.sensor.healthy
        per = self.per_volt
        if per is None:
            return None
        low, high = self.sensor.calibration.range.electrical
        kind = self.sensor.calibration.kind
        if kind in ("thermistor", "rtd"):
            return DIVIDER_V[0] * per, DIVIDER_V[1] * per
        inside = np.isfinite(low) and np.isfinite(high) and low / per >= AMPLIFIED_V[0] and high / per <= AMPLIFIED_V[1]
        return (AMPLIFIED_V[0] * per, AMPLIFIED_V[1] * per) if inside else None

    # Samples --------------------------------------------------------------------------------------------------------

    @cached_property
    def there(self) -> Bools:
        """Samples that the frame held, with a finite quantity, however wrong; bool[n]."""
        found = np.isfinite(self.quantity)
        if self.series.quality is not None:
            absent = Quality.SHORT_FRAME | Quality.MUX_ABSENT | Quality.BAD_CHECKSUM
            found &= (self.series.quality & np.uint16(absent)) == 0
        return found

    @cached_property
    def bad(self) -> Bools:
        """Samples with a bit of `BAD`, or without a value; bool[n]."""
        return ~self.series.valid

    @cached_property
    def measured(self) -> Bools:
        """Samples that were measured, however implausible: whole, not repeated, at no rail, not disowned; bool[n]."""
        found = self.there & np.isfinite(self.series.value)
        if self.series.quality is not None:
            found &= (self.series.quality & np.uint16(BAD & ~Quality.IMPLAUSIBLE)) == 0
        return found

    @cached_property
    def bad_samples(self) -> BadSamples:
        """How many these are, why, and since when."""
        return bad_samples(self.series)

    @cached_property
    def bad_stretches(self) -> Stretches:
        """Bad samples in a row."""
        return stretches_of(self.bad, self.series.segments)

    def beyond(self, low: float, high: float) -> Stretches:
        """Find samples in a row whose quantity lies at or beyond one end; see `there`."""
        with np.errstate(invalid="ignore"):
            chosen = self.there & ((self.quantity <= low) | (self.quantity >= high))
        return stretches_of(chosen, self.series.segments)

    @cached_property
    def fast_noise(self) -> float:
        """Robust noise of the quantity over the whole run, in its unit; NaN under 20 samples."""
        found = noise_of(self.quantity[self.there])
        return float("nan") if found is None else found

    def excursions(self, *, sds: float, steps: float, of_span: float, longest_s: float) -> Stretches:
        """Find short departures of the quantity that come back.

        A departure is at least `sds` robust standard deviations of its noise, `steps` raw steps and `of_span` of its
        span; it comes back within `of_span` after at most `longest_s` seconds.
        """
        span = self.span or 0.0
        noise = self.fast_noise if np.isfinite(self.fast_noise) else 0.0
        least = max(sds * noise, steps * self.step, of_span * span)
        if least <= 0:
            return Stretches(np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))
        value = np.where(self.there, self.quantity, np.nan)
        back = max(of_span * span, 3.0 * noise)
        series = self.series
        return excursions(
            series.time_ns, value, series.segments, least=least, back=back, longest_ns=round(longest_s * 1e9)
        )

    def held(self, least: int) -> Stretches:
        """Find where one raw value (without one: one quantity) came at least `least` times in a row; see `there`."""
        raw = self.series.raw if self.series.raw is not None else self.quantity
        return held_values(raw, self.series.segments, least, self.there)

    # On grids -------------------------------------------------------------------------------------------------------

    @cached_property
    def grid(self) -> Grid:
        """The quantity in windows of 100 ms, samples that are `there`."""
        return self._laid(self.quantity, self.there, FINE_NS)

    @cached_property
    def value_grid(self) -> Grid:
        """The values in windows of 100 ms, in the channel's unit, samples that are `measured`."""
        return self._laid(self.series.value, self.measured, FINE_NS)

    @cached_property
    def noise_grid(self) -> Grid:
        """The quantity in windows of 1 s, for its noise; samples that are not bad."""
        return self._laid(self.quantity, self.there & ~self.bad, COARSE_NS)

    def _laid(self, values: Floats, usable: Bools, width_ns: int) -> Grid:
        series = self.series
        return grid_of(series.time_ns, values, usable, series.segments, width_ns)


@dataclass(frozen=True)
class Channels(Mapping[str, ChannelEvidence]):
    """All channels of a run by name.

    Attributes
    ----------
    by_name
        Channels that came.
    absent
        Channels of the car file of which no sample came.
    exceedances
        Where channels were beyond their cautions and warnings, by time.
    car
        The car file; None without one.
    undefined_mux
        By "bus/message/multiplexer": frames in which it has a value that the database doesn't know.
    """

    by_name: Mapping[str, ChannelEvidence]
    absent: tuple[str, ...] = ()
    exceedances: tuple[Exceedance, ...] = ()
    car: CarFile | None = None
    undefined_mux: Mapping[str, int] = field(default_factory=dict)

    def __getitem__(self, name: str) -> ChannelEvidence:
        return self.by_name[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.by_name)

    def __len__(self) -> int:
        return len(self.by_name)

    def with_role(self, *roles: str, position: str | None = None) -> tuple[ChannelEvidence, ...]:
        """Return the channels of these roles, of one position where one is given."""
        return tuple(
            each
            for each in self.by_name.values()
            if each.role in roles and (position is None or each.position == position)
        )

    def groups(self, what: Shared, among: Iterable[ChannelEvidence] | None = None) -> dict[str, list[ChannelEvidence]]:
        """Return the channels by what they hang on; those of which nobody says are left out."""
        found: dict[str, list[ChannelEvidence]] = {}
        for each in self.by_name.values() if among is None else among:
            shared = each.shares(what)
            if shared is not None:
                found.setdefault(shared, []).append(each)
        return found

    @cached_property
    def number(self) -> Int64s:
        """Windows of the fine grid from the first sample to the last, those of pauses left out; int64[k]."""
        parts = [each.grid.number for each in self.by_name.values() if len(each.grid)]
        if not parts:
            return np.zeros(0, dtype=np.int64)
        own = np.unique(np.concatenate(parts))
        near = np.flatnonzero((np.diff(own) > 1) & (np.diff(own) <= COARSE_NS // FINE_NS * 10))
        between = [np.arange(own[at] + 1, own[at + 1]) for at in near.tolist()]
        return np.unique(np.concatenate([own, *between])) if between else own

    @cached_property
    def driving(self) -> Driving:
        """What the car did."""
        engine, engine_by = self._first("rpm", "engine_speed")
        speed, speed_by = self._first("km/h", "vehicle_speed", "wheel_speed")
        return find_driving(self.number, engine, speed, (*engine_by, *speed_by))

    def _first(self, unit: str, *roles: str) -> tuple[Floats | None, Sequence[str]]:
        """Values of the first role that channels have, in a unit, at `number`; of several channels the median."""
        for role in roles:
            columns, names = [], []
            for each in self.with_role(role):
                if len(each.value_grid) and units.compatible(each.series.unit, unit):
                    columns.append(units.convert(each.value_grid.held(self.number), each.series.unit, unit))
                    names.append(each.name)
            if columns:
                stacked = np.vstack(columns)
                known = np.isfinite(stacked).any(axis=0)
                middle = np.full(stacked.shape[1], np.nan)
                middle[known] = np.nanmedian(stacked[:, known], axis=0)
                return middle, names
        return None, ()


def measure_channels(session: Session, names: Iterable[str] | None = None) -> Channels:
    """Collect what a session shows of its channels.

    Parameters
    ----------
    session
        The capture, decoded.
    names
        Which channels; None: all.
    """
    car = session.car
    found: dict[str, ChannelEvidence] = {}
    absent: list[str] = []
    for name in session.names if names is None else names:
        series = session[name]
        if not len(series):
            absent.append(name)
            continue
        channel = car.channels[name] if car is not None else None
        sensor = car.sensors[channel.sensor] if car is not None and channel is not None and channel.sensor else None
        home = session.home(name)
        signal = frame = module = watched = None
        expected = session.expected(name)
        if home is not None:
            group = session.recorded.messages[home].group
            wanted = channel.signal.signal if channel is not None and channel.signal else name.rpartition("/")[2]
            signal = session.recorded.messages[home].signals[wanted].signal
            if group.message is not None and group.source is None:
                frame = FrameName(group.bus, group.message.id, group.message.extended)
            if car is not None:
                module = car.module_of(group.bus, group.name)
            elif group.message is not None and group.message.senders:
                module = group.message.senders[0]
            watched = watch(series, signal, expected, car)
        found[name] = ChannelEvidence(series, channel, sensor, signal, frame, home, module, expected, watched)
    return Channels(
        found, tuple(absent), session.exceedances() if names is None else (), car, session.counts.undefined_mux
    )
