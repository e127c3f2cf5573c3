"""A session as a notebook has it: channels by name, and what other libraries take."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from html import escape
from typing import TYPE_CHECKING

from buswright.channels.samples.series import Series
from buswright.channels.units import shown
from buswright.errors import UserError
from buswright.notebook.tables import Wide, event_frame, long_frame, long_table, wide_frame, wide_table
from buswright.wording import plural

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from buswright.channels import session
    from buswright.channels.carfile.model import CarFile
    from buswright.channels.limits import Exceedance
    from buswright.channels.samples.indexed import Index
    from buswright.channels.samples.resample import Resampled
    from buswright.channels.samples.series import Int64s
    from buswright.frames.captures.capture import Capture
    from buswright.messages.decoding.decode import Counts

MARKS = frozenset({"marker", "note"})
"""Kinds of events that a person left in a capture."""

SHOWN_CHANNELS = 200
"""Channels that a notebook shows of a session."""


class Session(Mapping[str, Series]):
    """Channels of a capture by name, computed when asked for, then kept.

    The capture is read once, when the first channel is asked for; raw values are kept, a few bytes a sample.

    Parameters
    ----------
    decoded
        What `open_session` made: the program works with it, and a user has no need to.
    """

    def __init__(self, decoded: session.Session) -> None:
        self._decoded = decoded

    # Channels by name ---------------------------------------------------------------------------------------------

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the channels: the car file's, in its order; without one the signals that occur."""
        return self._decoded.names

    def __iter__(self) -> Iterator[str]:
        return iter(self._decoded)

    def __len__(self) -> int:
        return len(self._decoded)

    def __contains__(self, name: object) -> bool:
        return name in self._decoded

    def __getitem__(self, name: str) -> Series:
        return self._decoded[name]

    @property
    def car(self) -> CarFile | None:
        """The car file, where one was given."""
        return self._decoded.car

    @property
    def capture(self) -> Capture | None:
        """The capture, where the session was opened on one: its files, buses, events and problems."""
        return self._decoded.capture

    @property
    def counts(self) -> Counts:
        """What became of every frame: decoded, unknown, too short."""
        return self._decoded.counts

    @property
    def first_ns(self) -> int:
        """Time of the capture's first frame, from which seconds count; 0 if there is none."""
        return self._decoded.first_ns

    def exceedances(self, name: str | None = None) -> tuple[Exceedance, ...]:
        """Find where a channel, or any, was beyond its cautions and warnings, by time.

        Parameters
        ----------
        name
            One channel; None: all.
        """
        return self._decoded.exceedances(name)

    # For other libraries --------------------------------------------------------------------------------------------

    def resampled(
        self, rate_hz: float, names: str | Iterable[str] | None = None
    ) -> tuple[Int64s, dict[str, Resampled]]:
        """Bring channels to one time grid, as arrays: low-passed before their rate is lowered, no value across gaps.

        Parameters
        ----------
        rate_hz
            Of the grid; its points are counted from the capture's first frame.
        names
            As for `to_pandas`.

        Returns
        -------
        time int64[k], and value and quality by name.

        Raises
        ------
        UserError
            The rate is impossible, a pattern fits no channel, or frames have no time stamps.
        """
        return self._decoded.resampled(rate_hz, self._chosen(names))

    def to_pandas(
        self,
        names: str | Iterable[str] | None = None,
        *,
        rate: float | None = None,
        index: Index = "time",
        valid_only: bool = False,
    ) -> pd.DataFrame:
        """Return channels as a data frame; `attrs["units"]` has their units by name.

        Parameters
        ----------
        names
            A name or a pattern with the wildcards * ? [..], or several; None: all channels.
        rate
            Common rate in Hz: a column a channel, NaN where it can't be used. None: one row a sample at native
            rates, by time, with the columns channel, raw, volts, value, unit, quality and valid; raw is a float64,
            exact to 2**53, and NaN where the frame was too short.
        index
            "time": moments in UTC (a capture without a date begins in 1970). "seconds": from the capture's first
            frame.
        valid_only
            Leave out samples that can't be used; with a rate, rows in which any of the channels can't.

        Raises
        ------
        UserError
            pandas isn't installed, a pattern fits no channel, or the rate is impossible.
        KeyError
            There is no channel of that name.
        """
        wanted = self._chosen(names)
        if rate is None:
            return long_frame([self[name] for name in wanted], self.first_ns, index=index, valid_only=valid_only)
        return wide_frame(self._wide(wanted, rate), self.first_ns, index=index, valid_only=valid_only)

    def to_arrow(
        self, names: str | Iterable[str] | None = None, *, rate: float | None = None, valid_only: bool = False
    ) -> pa.Table:
        """Return channels as an Arrow table, which polars and DuckDB read without a copy.

        The columns are those of `to_pandas`, with `time_ns` and `time` before them, and `seconds` with a rate. Values
        that can't be used are null with a rate. Units stand in the metadata, as in the Parquet files of `decode`.

        Parameters
        ----------
        names, rate, valid_only
            As for `to_pandas`.
        """
        wanted = self._chosen(names)
        if rate is None:
            return long_table([self[name] for name in wanted], valid_only=valid_only)
        return wide_table(self._wide(wanted, rate), self.first_ns, valid_only=valid_only)

    def _wide(self, names: Sequence[str], rate_hz: float) -> Wide:
        points, columns = self._decoded.resampled(rate_hz, names)
        unit_of = {name: shown(self[name].unit) for name in names}
        return Wide(points, {name: columns[name].value for name in names}, unit_of)

    def _chosen(self, names: str | Iterable[str] | None) -> list[str]:
        """Return the channels that names or patterns mean; None means all.

        Raises
        ------
        KeyError
            A name without a wildcard is no channel; the text names the closest.
        UserError
            A pattern fits no channel.
        """
        if names is None:
            return list(self.names)
        found: dict[str, None] = {}
        for word in [names] if isinstance(names, str) else names:
            exact = word in self or not set("*?[") & set(word)
            fitting = [word] if exact else [name for name in self.names if fnmatchcase(name, word)]
            if not fitting:
                raise UserError(f"{word}: fits no channel", hint="list(session) has the names; * stands for any text")
            found |= dict.fromkeys(fitting)
        return list(found)

    def markers(self, *, index: Index = "time") -> pd.DataFrame:
        """Return the markers and notes of the capture as a data frame: kind, bus, number and text, by time.

        Parameters
        ----------
        index
            As for `to_pandas`.
        """
        first_ns = self.first_ns  # reads the capture, and with it its events
        events = self.capture.events if self.capture is not None else ()
        return event_frame([each for each in events if each.kind in MARKS], first_ns, index=index)

    def __repr__(self) -> str:
        where = f" of {', '.join(path.name for path in self.capture.paths)}" if self.capture is not None else ""
        if self.car is not None:
            return f"<Session{where}: {plural(len(self.names), 'channel')} of {self.car.path.name}>"
        known = plural(len(self.names), "signal") if self._decoded.is_read else "signals, not read yet"
        return f"<Session{where}: {known}>"

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the channels, as far as they are known without reading the capture."""
        shown_names = () if self.car is None and not self._decoded.is_read else self.names[:SHOWN_CHANNELS]
        rows = []
        for name in shown_names:
            channel = self.car.channels[name] if self.car is not None else None
            made_of = "" if channel is None else channel.signal or channel.formula or ""
            unit = shown(channel.unit if channel is not None else self[name].unit)
            rows.append("".join(f"<td>{escape(str(cell))}</td>" for cell in (name, unit, made_of)))
        more = len(self.names) - len(rows) if rows else 0
        table = "".join(f"<tr>{row}</tr>" for row in rows)
        head = "<tr><th>channel</th><th>unit</th><th>made of</th></tr>" if rows else ""
        last = f"<p>and {more} more</p>" if more else ""
        return f"<p>{escape(repr(self))}</p><table>{head}{table}</table>{last}"

    def _ipython_key_completions_(self) -> list[str]:
        """Names to complete session["..."] with; none before a capture without a car file was read."""
        return [] if self.car is None and not self._decoded.is_read else list(self.names)
