"""The samples of a channel over the whole capture, for a plot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from buswright.channels.following.model import Plotted
from buswright.channels.samples.series import Series
from buswright.health.channels.evidence import Channels


def whole_of(recent: Plotted, channels: Channels, now_ns: int, most: int) -> Plotted:
    """Return what is plotted over the capture up to a moment; the recent samples where it wasn't measured."""
    measured = channels.get(recent.series.name)
    if measured is None or not len(measured.series):
        return recent
    series = measured.series
    come = series.time_ns <= now_ns
    series = series if come.all() else series.take(come)
    return replace(recent, series=thinned(series, most)) if len(series) else recent


def thinned(series: Series, most: int) -> Series:
    """Keep the lowest and the highest sample of each stretch, so that no spike is lost; at most about `most`."""
    count = len(series)
    if count <= most:
        return series
    stretch = -(-2 * count // most)
    whole = count // stretch * stretch
    value = np.asarray(series.value[:whole], dtype=np.float64).reshape(-1, stretch)
    lost = np.isnan(value)
    starts = np.arange(0, whole, stretch)
    lowest = np.where(lost, np.inf, value).argmin(axis=1) + starts
    highest = np.where(lost, -np.inf, value).argmax(axis=1) + starts
    return series.take(np.unique(np.concatenate([lowest, highest, np.arange(whole, count)])))
