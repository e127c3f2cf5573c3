"""The workbench of one viewer: what it would save goes to the viewer's browser, and its keys stop nothing."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, cast

from buswright.tui.app import Workbench

if TYPE_CHECKING:
    from buswright.tui.exporting import Export
    from buswright.worker.across import RemoteEngine
    from buswright.worker.engine import Engine
    from buswright.worker.snapshot import Snapshot


class ServedWorkbench(Workbench):
    """The app of one viewer.

    Parameters
    ----------
    worker
        Stands for the worker, which is in another process.
    control
        Whether this viewer may change something; else it writes no file on the computer that serves.
    screen, document, sheet
        As for `Workbench`.
    """

    def __init__(
        self,
        worker: RemoteEngine,
        *,
        control: bool,
        screen: str = "overview",
        document: Callable[[Path], str] | None = None,
        sheet: Callable[[Snapshot, Path], str] | None = None,
    ) -> None:
        super().__init__(cast("Engine", worker), screen=screen, theme="dusk", document=document, sheet=sheet)
        self._control = control
        worker.refused = lambda why: self.notify(why, severity="warning", timeout=6)
        worker.ended = self._leave

    def _leave(self) -> None:
        self.post_message(self.Leave())

    def action_picture(self) -> None:
        """Give a picture of the screen to the browser, which saves it."""
        name = f"buswright-{self.current_mode}.svg"
        self.deliver_text(io.StringIO(self.export_screenshot()), save_filename=name, mime_type="image/svg+xml")

    def copy(self, text: str) -> None:
        """Give a text to the browser, which saves it: this computer's clipboard is not the viewer's."""
        self._deliver_text(f"buswright-{self.current_mode}.txt", text)

    def export(self, export: Export) -> None:
        """Give a file to the browser, which saves it; nothing stays on the computer that serves."""
        with TemporaryDirectory() as folder:
            path = Path(folder) / export.name
            export.write(path)
            self._deliver_text(export.name, path.read_text(encoding="utf-8"))

    def _deliver_text(self, name: str, text: str) -> None:
        self.deliver_text(io.StringIO(text), save_filename=name)
        self.notify(f"{name} goes to your browser", timeout=4)

    def _save(self, what: str, hint: str, name: str, write: Callable[[Path], str]) -> None:
        """Write a file beside the worker, for a viewer that may."""
        from buswright.worker.across import READ_ONLY

        if self._control:
            super()._save(what, hint, name, write)
        else:
            self.notify(READ_ONLY, severity="warning", timeout=6)

    async def action_quit(self) -> None:
        """Leave; a recording goes on where it runs."""
        self.exit()
