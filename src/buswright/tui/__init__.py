"""The terminal workbench: screens over snapshots that a worker makes.

Nothing on a screen looks at a bus or a file. `engine` reads, records and measures in a thread of its own and hands
over immutable snapshots (`snapshot`); `app` gives the newest one to the screen in front.
"""

import os

os.environ.setdefault("TEXTUAL_FPS", "120")
"""Textual looks so often a second for what is to be drawn, and a key waits for that; it reads it when it is loaded."""
