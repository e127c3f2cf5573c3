"""Calibrations made of other calibrations: in another unit, held at the outer points, or one behind the other."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration, Floats, Limits, Need, Range, References, nominal_references


@dataclass(frozen=True, slots=True)
class Wrapped(Calibration):
    """Another calibration, of which only what becomes of the value is changed."""

    inner: Calibration

    @property
    def needs(self) -> tuple[Need, ...]:
        """Channels that the calibration inside wants."""
        return self.inner.needs

    def limits(self, margin: float, references: References | None = None) -> Limits:
        """Limits of the calibration inside: they are on the electrical side."""
        return self.inner.limits(margin, references)


@dataclass(frozen=True, slots=True)
class InUnit(Wrapped):
    """A calibration whose value is wanted in another unit than its own (a thermistor in degF)."""

    kind: ClassVar[str] = "unit"

    @property
    def range(self) -> Range:
        """Outer points, in this unit."""
        inner = self.inner.range
        low, high = units.convert(np.array(inner.value), self.inner.unit, self.unit).tolist()
        return Range(inner.electrical, (low, high))

    def apply(self, electrical: Floats, references: References | None = None) -> Floats:
        """Apply the calibration inside, then convert."""
        return units.convert(self.inner.apply(electrical, references), self.inner.unit, self.unit)

    def invert(self, value: Floats, references: References | None = None) -> Floats:
        """Convert, then invert the calibration inside."""
        return self.inner.invert(units.convert(value, self.unit, self.inner.unit), references)

    def describe(self) -> str:
        """Describe the calibration inside, and the unit."""
        return f"{self.inner.describe()}; shown in {self.unit}"


@dataclass(frozen=True, slots=True)
class Clamped(Wrapped):
    """A calibration held at its outer points. What lies beyond is still reported as outside."""

    kind: ClassVar[str] = "clamp"

    @property
    def range(self) -> Range:
        """Outer points."""
        return self.inner.range

    def apply(self, electrical: Floats, references: References | None = None) -> Floats:
        """Bring the input within the outer points, then apply."""
        low, high = self.inner.limits(0.0, references)
        return self.inner.apply(np.clip(electrical, low, high), references)

    def invert(self, value: Floats, references: References | None = None) -> Floats:
        """Bring the value within the outer points, then invert."""
        return self.inner.invert(np.clip(value, self.range.low, self.range.high), references)

    def describe(self) -> str:
        """Describe the calibration inside, and that it is held."""
        return f"{self.inner.describe()}; held at the outer points"


@dataclass(frozen=True, slots=True)
class Stages(Calibration):
    """Calibrations one behind the other: the electronics, then the sensor."""

    kind: ClassVar[str] = "stages"
    stages: tuple[Calibration, ...]

    @property
    def needs(self) -> tuple[Need, ...]:
        """Channels that any stage wants."""
        return tuple(dict.fromkeys(need for stage in self.stages for need in stage.needs))

    @property
    def range(self) -> Range:
        """Where every stage is within its own outer points, at nominal references."""
        references = nominal_references(self)
        ends = np.array([float(end) for end in self.limits(0.0, references)])
        low, high = self.apply(ends, references).tolist()
        return Range((float(ends[0]), float(ends[1])), (low, high))

    def apply(self, electrical: Floats, references: References | None = None) -> Floats:
        """Apply stage after stage, converting the unit between them."""
        value = self.stages[0].apply(electrical, references)
        for before, stage in itertools.pairwise(self.stages):
            value = stage.apply(units.convert(value, before.unit, stage.electrical), references)
        return value

    def invert(self, value: Floats, references: References | None = None) -> Floats:
        """Invert stage after stage, the last one first."""
        return self._back_from(len(self.stages), value, references)

    def _back_from(self, count: int, value: Floats, references: References | None) -> Floats:
        """From what comes out of the first `count` stages to what goes into the first."""
        for index in reversed(range(count)):
            stage = self.stages[index]
            value = stage.invert(value, references)
            if index:
                value = units.convert(value, stage.electrical, self.stages[index - 1].unit)
        return value

    def limits(self, margin: float, references: References | None = None) -> Limits:
        """Take the narrowest of the stages' limits, carried back to the input of the first."""
        low, high = self.stages[0].limits(margin, references)
        for count, (before, stage) in enumerate(itertools.pairwise(self.stages), start=1):
            ends = [
                self._back_from(count, units.convert(np.asarray(end), stage.electrical, before.unit), references)
                for end in stage.limits(margin, references)
            ]
            low, high = np.fmax(low, np.fmin(*ends)), np.fmin(high, np.fmax(*ends))
        return low, high

    def describe(self) -> str:
        """Describe the stages one after the other."""
        return "; then ".join(f"{number}. {stage.describe()}" for number, stage in enumerate(self.stages, start=1))
