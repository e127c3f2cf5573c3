"""Whether a car still matches its layout document."""

from buswright.layout.verify.verify import differences, with_changes

__all__ = ["differences", "with_changes"]
