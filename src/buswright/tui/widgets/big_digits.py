"""A number in digits that are read from across the garage."""

from __future__ import annotations

_WIDE, _HIGH = 3, 5

_DIGITS = {
    "0": "###|# #|# #|# #|###",
    "1": " # |## | # | # |###",
    "2": "###|  #|###|#  |###",
    "3": "###|  #| ##|  #|###",
    "4": "# #|# #|###|  #|  #",
    "5": "###|#  |###|  #|###",
    "6": "###|#  |###|# #|###",
    "7": "###|  #|  #| # | # ",
    "8": "###|# #|###|# #|###",
    "9": "###|# #|###|  #|###",
    " ": "   |   |   |   |   ",
}


def big(number: int, *, digits: int, size: int = 1) -> list[str]:
    """Draw a number.

    Parameters
    ----------
    number
        Not negative.
    digits
        Room for so many, so that nothing moves when there is one more; a longer number takes more.
    size
        1: five lines, six cells a digit and two between; 2: twice as high and wide.

    Returns
    -------
    list[str]
        5 * size lines of equal width.
    """
    rows: list[str] = []
    text = str(number).rjust(digits)
    for row in range(_HIGH):
        cells = " ".join(_DIGITS[digit].split("|")[row] for digit in text)
        rows += ["".join(("█" if cell == "#" else " ") * 2 * size for cell in cells)] * size
    return rows
