"""One question after the other about a drafted car file; every answer is written at once, so it can be left off."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli.terminal.streams import put_lines
from buswright.errors import UserError
from buswright.wording import plural
from buswright.writing import write_whole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buswright.channels.carfile.model import CarFile
    from buswright.layout.draft.questions import Answer, Question

HELP = "Enter skips a question, q stops. Every answer is written at once; the same command goes on later."


@dataclass(slots=True)
class Asked:
    """How many questions were answered and skipped, and whether it was stopped before the last."""

    answered: int = 0
    skipped: int = 0
    stopped: bool = False

    def told(self, path: Path) -> str:
        """Say it in one line."""
        left = f", {self.skipped} skipped" if self.skipped else ""
        text = f"{path}: {plural(self.answered, 'question')} answered{left}."
        return f"{text} The same command goes on with what is open." if self.skipped or self.stopped else text


def ask(
    path: Path, questions: Callable[[str, CarFile], Iterator[Question]], *, untrusted: bool, line: Callable[[], str]
) -> Asked:
    """Ask what a car file leaves open.

    Parameters
    ----------
    path
        The car file.
    questions
        Yields what is open, from the file's text and what was read of it; each time anew, as answers change both.
    untrusted
        Read nothing outside its folder.
    line
        Returns the next line typed; empty at the end of input.
    """
    from buswright.channels.carfile.load import load_car_file

    asked, done = Asked(), set[str]()
    put_lines([HELP])
    pending: list[Question] = []
    while True:
        text = path.read_bytes().decode("utf-8")
        fresh = questions(text, load_car_file(path, untrusted=untrusted))
        question = pending.pop(0) if pending else next((each for each in fresh if each.text not in done), None)
        if question is None:
            return asked
        done.add(question.text)
        put_lines(["", question.text, *(f"  {each}" for each in question.seen)])
        answer = _answer(question, path, text, untrusted=untrusted, line=line, asked=asked)
        if asked.stopped:
            return asked
        if answer is not None:
            pending = [*answer.then, *pending]


def _answer(
    question: Question, path: Path, text: str, *, untrusted: bool, line: Callable[[], str], asked: Asked
) -> Answer | None:
    """Return the answer that was taken and written; None where the question was skipped or everything stopped."""
    while True:
        print("> ", end="", flush=True)
        typed = line()
        if not sys.stdin.isatty():
            put_lines([typed.strip()])
        word = typed.strip()
        if not typed or word.lower() in ("q", "quit"):
            asked.stopped = True
            return None
        if not word:
            asked.skipped += 1
            return None
        try:
            answer = question.reply(word)
            _write(path, answer.edit(text), untrusted=untrusted)
        except UserError as error:
            put_lines([f"  {error.message}", *([f"  {error.hint}"] if error.hint else [])])
            if sys.stdin.isatty():
                continue
            asked.skipped += 1  # the next line of a pipe answers the next question
            return None
        asked.answered += 1
        if answer.said:
            put_lines([f"  {answer.said}"])
        return answer


def _write(path: Path, text: str, *, untrusted: bool) -> None:
    """Write a changed car file, unless it has become faulty."""
    from buswright.channels.carfile.load import check_car_data

    result = check_car_data(path, text.encode("utf-8"), untrusted=untrusted)
    if result.errors:
        first = result.errors[0]
        raise UserError(f"that would make the car file faulty: {first.key}: {first.text}", hint=first.hint)
    write_whole(path, text)
