"""What is wrong, and where: pure functions over measured numbers. The names below are loaded when first used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .detect import diagnose

__all__ = ["diagnose"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from .detect import diagnose

    return diagnose
