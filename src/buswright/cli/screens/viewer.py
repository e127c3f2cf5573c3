"""The process of one viewer of a served workbench: run by the server, with what it needs in the environment."""

from __future__ import annotations

import argparse
import sys


def main() -> int:
    """Show the workbench until the viewer leaves or the worker has gone."""
    from buswright.cli.screens.kept import document_of, sheet_of
    from buswright.cli.screens.serving import Told
    from buswright.cli.terminal.at_terminal import logged
    from buswright.tui.served.bench import ServedWorkbench
    from buswright.worker.across import RemoteEngine

    told = Told.from_environment()
    options = argparse.Namespace(**told.options)
    engine = RemoteEngine(told.address, told.secret, control=told.control)
    with logged():
        ServedWorkbench(
            engine,
            control=told.control,
            screen=options.screen,
            document=document_of(options) if told.control else None,
            sheet=sheet_of(options) if told.control else None,
        ).run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
