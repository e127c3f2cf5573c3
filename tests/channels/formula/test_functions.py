"""What live formulas keep of the samples before."""

import numpy as np

from buswright.channels.formula.functions import usable_so_far
from buswright.channels.samples.series import Quality, Series

MS = 1_000_000


def test_a_sample_before_a_cut_keeps_its_quality_beside_samples_that_have_none():
    def samples(first: int, quality: np.ndarray | None) -> Series:
        return Series("x", "", (first + np.arange(3)) * MS, first + np.arange(3.0), quality=quality)

    marked = np.full(3, Quality.INTERPOLATED, dtype=np.uint16)
    for before, after in ((marked, None), (None, marked), (marked, marked)):
        joined = usable_so_far(samples(10, after), samples(5, before))
        assert joined.time_ns.tolist() == [7 * MS, 10 * MS, 11 * MS, 12 * MS]
        assert joined.value.tolist() == [7, 10, 11, 12]
        assert joined.quality is not None
        assert joined.quality.tolist() == [0 if part is None else part[0] for part in (before, after, after, after)]
    assert usable_so_far(samples(10, None), samples(5, None)).quality is None
