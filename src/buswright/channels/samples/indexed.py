"""Samples under an index as pandas has it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy.typing as npt

from buswright.channels.units import shown
from buswright.errors import UserError, needing

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

Index = Literal["time", "seconds"]
"""How rows are indexed: by the moment in UTC, or by seconds from the capture's first frame."""


def index_of(time_ns: npt.NDArray[np.int64], first_ns: int, index: Index) -> pd.Index[Any]:
    """Return the index of samples at these times.

    Raises
    ------
    UserError
        There is no such index, or pandas isn't installed.
    """
    library = pandas()
    made: pd.Index[Any]
    if index == "seconds":
        made = library.Index((time_ns - first_ns) / 1e9, name="seconds")
    elif index == "time":
        made = library.DatetimeIndex(time_ns.view("datetime64[ns]"), name="time").tz_localize("UTC")
    else:
        raise UserError(f"index={index!r}: there is no such index", hint='give "time" or "seconds"')
    return made


def pandas_series(name: str, unit: str, value: npt.NDArray[np.float64], index: pd.Index[Any]) -> pd.Series[float]:
    """Return values as a pandas series that knows its unit."""
    made: pd.Series[float] = pandas().Series(value, index=index, name=name)
    made.attrs |= {"unit": shown(unit), "units": {name: shown(unit)}}
    return made


def pandas() -> Any:
    """Return pandas, loaded when first asked for.

    Raises
    ------
    UserError
        It isn't installed.
    """
    with needing("to_pandas needs pandas", "pandas"):
        import pandas as pd
    return pd
