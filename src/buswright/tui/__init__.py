"""The terminal workbench: screens over snapshots that a worker makes.

Nothing on a screen looks at a bus or a file. `engine` reads, records and measures in a thread of its own and hands
over immutable snapshots (`snapshot`); `app` gives the newest one to the screen in front.
"""
