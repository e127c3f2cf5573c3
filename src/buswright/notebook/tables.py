"""Channels as other libraries have them: pandas frames and Arrow tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from buswright.channels import units
from buswright.channels.exported import MEANING, array_of, column_of, time_columns, with_units
from buswright.channels.samples.indexed import Index, index_of, pandas
from buswright.channels.samples.series import Floats, Int64s, Series

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from buswright.frames.table import Event


def long_columns(found: Sequence[Series], *, valid_only: bool) -> dict[str, Any]:
    """Return the samples of channels below each other, by time: the columns of the long table, n rows each."""
    parts = [each.take(each.valid) if valid_only else each for each in found]
    sizes = [len(each) for each in parts]

    def joined(columns: Sequence[Any], dtype: Any) -> Any:
        return np.concatenate(columns).astype(dtype, copy=False)[order] if columns else np.zeros(0, dtype)

    def texts(words: Sequence[str]) -> Any:
        return np.repeat(np.array(words, dtype=object), sizes)[order] if words else np.zeros(0, object)

    times = np.concatenate([each.time_ns for each in parts]) if parts else np.zeros(0, np.int64)
    order = np.argsort(times, kind="stable")
    nothing = [
        np.full(size, np.nan) if each.volts is None else each.volts for each, size in zip(parts, sizes, strict=True)
    ]
    clear = [
        np.zeros(size, np.uint16) if each.quality is None else each.quality
        for each, size in zip(parts, sizes, strict=True)
    ]
    return {
        "time_ns": times[order],
        "channel": texts([each.name for each in parts]),
        "raw": joined([each.raw_value for each in parts], np.float64),
        "volts": joined(nothing, np.float64),
        "value": joined([each.value for each in parts], np.float64),
        "unit": texts([units.shown(each.unit) for each in parts]),
        "quality": joined(clear, np.uint16),
        "valid": joined([each.valid for each in parts], np.bool_),
    }


@dataclass(frozen=True, slots=True)
class Wide:
    """Channels on one time base.

    Attributes
    ----------
    time_ns : int64[k]
        The times of the rows.
    values
        By channel, float64[k], NaN where they can't be used.
    unit_of
        Their units, as screens show them.
    """

    time_ns: Int64s
    values: Mapping[str, Floats]
    unit_of: Mapping[str, str]


def wide_frame(wide: Wide, first_ns: int, *, index: Index, valid_only: bool) -> pd.DataFrame:
    """Return channels on one time base as `Session.to_pandas` says."""
    frame: pd.DataFrame = pandas().DataFrame(dict(wide.values), index=index_of(wide.time_ns, first_ns, index))
    frame = frame.dropna() if valid_only else frame
    frame.attrs["units"] = dict(wide.unit_of)
    return frame


def long_frame(found: Sequence[Series], first_ns: int, *, index: Index, valid_only: bool) -> pd.DataFrame:
    """Return the samples of channels below each other as `Session.to_pandas` says."""
    columns = long_columns(found, valid_only=valid_only)
    frame: pd.DataFrame = pandas().DataFrame(columns, index=index_of(columns.pop("time_ns"), first_ns, index))
    frame.attrs["units"] = {each.name: units.shown(each.unit) for each in found}
    return frame


def event_frame(events: Sequence[Event], first_ns: int, *, index: Index) -> pd.DataFrame:
    """Return events as `Session.markers` says."""
    timed = sorted((time_ns, place) for place, each in enumerate(events) if (time_ns := each.time_ns) is not None)
    ordered = [events[place] for _, place in timed]
    columns = {
        "kind": [each.kind for each in ordered],
        "bus": [each.bus or "" for each in ordered],
        "number": pandas().array([each.values.get("number") for each in ordered], dtype="Int64"),
        "text": [each.text for each in ordered],
    }
    times = np.array([time_ns for time_ns, _ in timed], dtype=np.int64)
    frame: pd.DataFrame = pandas().DataFrame(columns, index=index_of(times, first_ns, index))
    return frame


def wide_table(wide: Wide, first_ns: int, *, valid_only: bool) -> pa.Table:
    """Return channels on one time base as `Session.to_arrow` says."""
    import pyarrow as pa

    fields, arrays = time_columns(wide.time_ns)
    fields.append(pa.field("seconds", pa.float64(), metadata={"unit": "s"}))
    arrays.append(array_of((wide.time_ns - first_ns) / 1e9))
    for name, value in wide.values.items():
        fields.append(pa.field(column_of(name), pa.float64(), metadata={"unit": wide.unit_of[name]}))
        arrays.append(array_of(value, np.isnan(value)))
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=with_units(MEANING, wide.unit_of)))
    return table.drop_null() if valid_only else table


def long_table(found: Sequence[Series], *, valid_only: bool) -> pa.Table:
    """Return the samples of channels below each other as `Session.to_arrow` says."""
    import pyarrow as pa

    columns = long_columns(found, valid_only=valid_only)
    fields, arrays = time_columns(columns.pop("time_ns"))
    for name, column in columns.items():
        if column.dtype == object:
            array = pa.array(column, pa.string()).dictionary_encode()
        else:
            array = array_of(column, np.isnan(column) if name in ("raw", "volts") else None)
        fields.append(pa.field(name, array.type))
        arrays.append(array)
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=MEANING))
