"""How long a frame is on the wire, to the bit: checksum and stuff bits included (ISO 11898-1)."""

from __future__ import annotations

import numpy as np

from tests.cars.car import Message

TAIL = 13
"""Bits that are never stuffed: three delimiters, seven at the end, three between frames."""


def worst_bits(message: Message) -> int:
    """Give the most bits that a frame of this message can take."""
    head = (39 if message.extended else 19) + 15 + 8 * message.length
    return head + (head - 1) // 4 + TAIL


def exact_bits(message: Message, payload: np.ndarray) -> np.ndarray:
    """Give the bits of each frame, the pause after it included."""
    identifier = message.identifier
    if message.extended:
        head = f"0{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}000{message.length:04b}"
    else:
        head = f"0{identifier:011b}000{message.length:04b}"
    count = len(payload)
    fixed = np.broadcast_to(np.array([int(bit) for bit in head], dtype=np.uint8), (count, len(head)))
    bits = np.concatenate([fixed, np.unpackbits(payload[:, : message.length], axis=1)], axis=1)
    remainder = np.zeros(count, dtype=np.int32)
    for column in bits.T:
        top = (remainder >> 14 & 1) ^ column
        remainder = (remainder << 1 & 0x7FFF) ^ (0x4599 * top)
    check = (remainder[:, None] >> np.arange(14, -1, -1) & 1).astype(np.uint8)
    last, run, stuffed = np.full(count, 2, dtype=np.uint8), np.zeros(count, dtype=np.int8), np.zeros(count, dtype=int)
    for column in np.concatenate([bits, check], axis=1).T:
        run = np.where(column == last, run + 1, 1).astype(np.int8)
        full = run == 5
        stuffed += full
        last = np.where(full, 1 - column, column).astype(np.uint8)
        run[full] = 1
    return bits.shape[1] + 15 + stuffed + TAIL
