"""What is planned with: the frames of one identifier, and the bit rates of its bus."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from buswright.channels.carfile.model import FrameName
from buswright.errors import UserError
from buswright.frames.wire.arbitration import rank
from buswright.frames.wire.bits import FdForm, Stuffing, classic_bits, fd_bits

Origin = Literal["capture", "declared", "added"]
"""Seen on the bus; only declared by car file or database; or proposed."""


class Rates(NamedTuple):
    """Bit rates of a bus.

    Attributes
    ----------
    bits_per_s
        In arbitration, and of everything on a classic bus.
    data_bits_per_s
        Of the data phase of CAN FD frames that switch; None: they are taken as sent at the other rate throughout.
    form
        Form of the CAN FD frames.
    """

    bits_per_s: int
    data_bits_per_s: int | None = None
    form: FdForm = "iso"

    @property
    def bit_ns(self) -> int:
        """How long a bit of arbitration takes, rounded up; nanoseconds."""
        return -(-1_000_000_000 // self.bits_per_s)

    def time_ns(self, nominal: int, data: int) -> int:
        """How long bits of both phases take, rounded up; nanoseconds."""
        fast = self.data_bits_per_s or self.bits_per_s
        return -(-1_000_000_000 * (nominal * fast + data * self.bits_per_s) // (self.bits_per_s * fast))


@dataclass(frozen=True, slots=True)
class Bits:
    """Lengths that so many frames were measured to have, interframe space included, at (nominal, data) bit rate."""

    shortest: tuple[int, int]
    longest: tuple[int, int]
    mean: tuple[float, float]
    frames: int


@dataclass(frozen=True, slots=True)
class Stream:
    """The frames of one identifier, as they are planned with.

    Attributes
    ----------
    name
        Bus and identifier.
    label, module
        Its message and who sends it; "" where nobody says.
    length
        Payload bytes of its longest frame.
    fd, switched
        CAN FD format, and whether it switches to the data bit rate.
    period_ns
        Time from one frame to the next.
    jitter_ns
        How much later than its period says a frame may be handed over.
    deadline_ns
        When it must have arrived, from the moment that its period says: its period, unless somebody says more.
    clocked
        Whether a clock sends it. Otherwise its deadline counts from the moment that a frame is handed over, and period
        and jitter are those of the envelope that its frames keep to.
    period_from, jitter_from
        Who says so, in words.
    origin
        Where the stream comes from.
    measured
        Lengths that its frames had; None where none was seen.
    """

    name: FrameName
    length: int
    period_ns: int
    deadline_ns: int
    jitter_ns: int = 0
    fd: bool = False
    switched: bool = False
    clocked: bool = True
    label: str = ""
    module: str = ""
    period_from: str = ""
    jitter_from: str = ""
    origin: Origin = "declared"
    measured: Bits | None = None

    def __post_init__(self) -> None:
        if self.period_ns <= 0 or self.deadline_ns <= 0 or self.jitter_ns < 0:
            raise UserError(
                f"{self.name}: period {self.period_ns} ns, deadline {self.deadline_ns} ns, jitter {self.jitter_ns} ns",
                hint="a period and a deadline are longer than 0, a jitter is not negative",
            )

    @property
    def rank(self) -> int:
        """Its place in arbitration: the lower one wins."""
        return rank(self.name.id, self.name.extended)

    @property
    def hz(self) -> float:
        """Frames per second."""
        return 1e9 / self.period_ns

    def bits(self, stuffing: Stuffing, form: FdForm = "iso") -> tuple[int, int]:
        """Bits of its longest frame at the nominal and the data bit rate, interframe space included.

        Worst: classic frames by the formula of Davis et al. (2007); CAN FD frames by the exact maximum over every
        identifier and payload (`frames.wire.bits.fd_bits`). Best: no stuff bit.
        """
        return bits_of(self.name, self.length, stuffing, form, fd=self.fd, switched=self.switched)

    def longest_ns(self, rates: Rates) -> int:
        """How long its longest frame can take, nanoseconds: whatever it holds."""
        return rates.time_ns(*self.bits("worst", rates.form))

    def shortest_ns(self, rates: Rates) -> int:
        """How long its shortest frame takes: as measured, else its longest payload without a stuff bit."""
        return rates.time_ns(*(self.measured.shortest if self.measured else self.bits("best", rates.form)))


def bits_of(
    name: FrameName, length: int, stuffing: Stuffing, form: FdForm, *, fd: bool, switched: bool
) -> tuple[int, int]:
    """Bits of a frame as `Stream.bits` gives them."""
    if fd:
        return fd_bits(length, name.extended, stuffing, switched=switched, fd=form)
    return classic_bits(length, name.extended, stuffing), 0
