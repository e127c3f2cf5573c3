"""All verdicts of one moment, each made once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.buses import BusState, judge_buses
from buswright.diagnosis.now.identifiers import IdState, Unseen, judge_identifiers, judge_unseen
from buswright.diagnosis.now.inputs import InputState, judge_input
from buswright.diagnosis.now.modules import Sender, judge_modules
from buswright.diagnosis.now.moment import Moment
from buswright.diagnosis.now.wrong_now import WrongNow, wrong_now


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """How everything is.

    Attributes
    ----------
    ids, unseen
        Identifiers that came; those that are expected or asked for and never did.
    buses
        What is received first.
    senders
        Modules, and identifiers that belong to none, those to look at first in front.
    wrong_now
        What is wrong now, buses first.
    inputs
        Of the one module that is looked at; none of a whole car.
    """

    ids: Mapping[FrameName, IdState]
    unseen: tuple[Unseen, ...]
    buses: tuple[BusState, ...]
    senders: tuple[Sender, ...]
    wrong_now: tuple[WrongNow, ...]
    inputs: tuple[InputState, ...] = ()


NOTHING_JUDGED = Verdicts({}, (), (), (), ())


def judge(moment: Moment) -> Verdicts:
    """Judge everything: buses and identifiers from the numbers, modules from their identifiers, the rest from those."""
    ids, unseen, buses = judge_identifiers(moment), judge_unseen(moment), judge_buses(moment)
    senders = judge_modules(moment, ids, unseen)
    inputs = tuple(judge_input(each) for each in moment.inputs)
    return Verdicts(ids, unseen, buses, senders, wrong_now(moment, buses, senders), inputs)
