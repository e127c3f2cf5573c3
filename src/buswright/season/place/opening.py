"""Open the place of a season by what the user called it."""

from __future__ import annotations

from pathlib import Path

from buswright.errors import UserError
from buswright.season.place.local import LocalPlace, Place
from buswright.season.place.remote import RemotePlace
from buswright.wording import WHY_EMPTY


def open_place(text: str) -> Place:
    """Return the place that a path or a URL names; nothing is made yet.

    Raises
    ------
    UserError
        It is empty, a file, or a URL that needs what isn't installed.
    """
    if not text:
        raise UserError("the name of the season is empty", hint=WHY_EMPTY)
    if "://" in text:
        return RemotePlace(text)
    path = Path(text)
    if path.exists() and not path.is_dir():
        raise UserError(f"{path}: this is a file, not a folder", hint="name the folder that holds the season")
    return LocalPlace(path)
