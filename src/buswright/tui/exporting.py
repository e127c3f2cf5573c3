"""What leaves the workbench: text for the clipboard, and files, each where the user says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from buswright.tui.resilient import Resilient
from buswright.tui.widgets.prompt import Confirm, Prompt
from buswright.wording import plural
from buswright.writing import write_whole


@dataclass(frozen=True, slots=True)
class Export:
    """What a screen gives away as a file.

    Attributes
    ----------
    what, hint
        As it is called, and what may be typed.
    name
        Of the file, proposed.
    write
        Writes it and says where it is.
    """

    what: str
    hint: str
    name: str
    write: Callable[[Path], str]

    @classmethod
    def of_text(cls, name: str, text: str) -> Export:
        """Give away the lists of a screen as text."""

        def write(path: Path) -> str:
            write_whole(path, f"{text}\n")
            return f"{plural(text.count(chr(10)) + 1, 'line')} saved as {path}"

        return cls("the screen", "Text: all rows of the lists, their columns apart by tabs.", f"{name}.txt", write)


class Exporting(Resilient):
    """An app that copies and saves."""

    def copy(self, text: str) -> None:
        """Put a text on the clipboard of the terminal, which may be far away."""
        self.copy_to_clipboard(text)
        lines = plural(text.count("\n") + 1, "line")
        told = f"copied {lines}. If nothing arrives, the terminal doesn't let programs copy: E saves a file."
        self.notify(told, timeout=5)

    def export(self, export: Export) -> None:
        """Ask where to write it."""
        self._save(export.what, export.hint, export.name, export.write)

    def _save(self, what: str, hint: str, name: str, write: Callable[[Path], str]) -> None:
        """Ask where to write a file; one that is there is overwritten only if the user says so."""

        def asked(text: str | None) -> None:
            if not text:
                return
            path = Path(text).expanduser()
            if path.exists():
                question = Confirm(f"{path} is there already.", "Overwrite it?")
                self.push_screen(question, lambda yes: self._write(what, write, path) if yes else None)
            else:
                self._write(what, write, path)

        self.push_screen(Prompt(f"Save {what} as", hint, name), asked)

    def _write(self, what: str, write: Callable[[Path], str], path: Path) -> None:
        """Write a file beside the drawing: a large capture takes its time."""

        def work() -> None:
            try:
                told = write(path)
            except Exception as fault:  # noqa: BLE001  (told; the workbench goes on)
                self.call_from_thread(self.trouble, f"{what} could not be written", fault)
            else:
                self.call_from_thread(self.notify, told, timeout=10)

        self.notify(f"writing {what}…", timeout=4)
        self.run_worker(work, thread=True)
