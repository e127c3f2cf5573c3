"""Worst-case response times on CAN, written down from the published analysis and from nothing else.

R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted,
revisited and revised", Real-Time Systems 35:239-272, 2007. It shares no code with the program, which is held to
it: integers and fractions only, and no step that the paper doesn't have. Times may be in any unit, as long as all
of them are in the same one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

Time = int | Fraction


@dataclass(frozen=True, slots=True)
class Message:
    """One stream of frames: the longest frame time C, the period T, the release jitter J (the paper's symbols)."""

    frame_time: Time
    period: Time
    jitter: Time = 0


@dataclass(frozen=True, slots=True)
class Response:
    """What the analysis says about one message.

    ``instances`` holds R(q) of each instance in the busy period of this priority, in order, each counted from the
    event that releases the message (its own jitter is included). It is empty where the busy period never ends.
    """

    blocking: Time
    busy_period: Time | None
    instances: tuple[Time, ...]

    @property
    def worst(self) -> Time | None:
        return max(self.instances, default=None)


def longest_frame_bits(length: int, *, extended: bool) -> int:
    """Bits of the longest classical data frame with the intermission (equations 1 to 4).

    34 bits besides the data are subject to stuffing with an 11-bit identifier and 54 with a 29-bit one; 13 bits
    (CRC delimiter to intermission) are not. After the first bit one stuff bit can follow each four others.
    """
    if not 0 <= length <= 8:
        raise ValueError(f"a classical frame carries 0 to 8 bytes, not {length}")
    exposed = (54 if extended else 34) + 8 * length
    return exposed + 13 + (exposed - 1) // 4


def arbitration(identifier: int, *, extended: bool) -> tuple[int, int, int]:
    """Sort data frames as arbitration does, the winner first.

    The first eleven bits decide. At the same eleven bits, an 11-bit identifier goes on with a dominant RTR and a
    dominant IDE bit, a 29-bit one with recessive SRR and IDE bits, so the 11-bit frame wins (ISO 11898-1).
    """
    return (identifier >> 18, 1, identifier & 0x3FFFF) if extended else (identifier, 0, 0)


def rounded_up(dividend: Time, divisor: Time) -> int:
    return -int(-dividend // divisor)


def response_times(messages: Sequence[Message], bit_time: Time, below: Time = 0) -> list[Response]:
    """Analyse messages that share a bus, given in the order of their priority, the highest first.

    Parameters
    ----------
    messages
        Frame times are given, so those of CAN FD can be put in.
    bit_time
        One bit of the arbitration phase: a higher priority that is released within this time still gets in first.
    below
        The longest frame of anything else on this bus that loses against all messages and isn't among them.
    """
    return [response(messages, place, bit_time, below) for place in range(len(messages))]


def response(messages: Sequence[Message], place: int, bit_time: Time, below: Time) -> Response:
    this, higher = messages[place], messages[:place]
    # Blocking: a frame that has just been started is never interrupted.
    blocking = max([below, *(message.frame_time for message in messages[place + 1 :])])
    busy = busy_period(this, higher, blocking)
    if busy is None:
        return Response(blocking, None, ())
    instances = []
    for number in range(rounded_up(busy + this.jitter, this.period)):
        waiting = queueing_delay(number, this, higher, blocking, bit_time)
        instances.append(this.jitter + waiting - number * this.period + this.frame_time)
    return Response(blocking, busy, tuple(instances))


def busy_period(this: Message, higher: Sequence[Message], blocking: Time) -> Time | None:
    """Length of the longest time in which this priority or a higher one waits or is sent; None where it never ends.

    t = B + sum over this and higher of ceil((t + J) / T) C. As ceil(x) >= x, no t solves it where the load is above
    one, nor at a load of exactly one with blocking or jitter on top; below one the paper shows that it converges.
    """
    streams = [*higher, this]
    load = sum((Fraction(each.frame_time) / each.period for each in streams), Fraction(0))
    if load > 1 or (load == 1 and (blocking or any(each.jitter for each in streams))):
        return None
    length: Time = this.frame_time
    while True:
        longer = blocking + sum(rounded_up(length + each.jitter, each.period) * each.frame_time for each in streams)
        if longer == length:
            return length
        length = longer


def queueing_delay(number: int, this: Message, higher: Sequence[Message], blocking: Time, bit_time: Time) -> Time:
    """Time from the start of the busy period until instance ``number`` (from 0) begins on the wire.

    w = B + q C + sum over higher of ceil((w + J + tau) / T) C.
    """
    ahead = blocking + number * this.frame_time
    waiting = ahead
    while True:
        longer = ahead + sum(
            rounded_up(waiting + each.jitter + bit_time, each.period) * each.frame_time for each in higher
        )
        if longer == waiting:
            return waiting
        waiting = longer
