"""Cars that no detector was tuned on: own physics, own wiring, own frames, and faults put in before the converter.

Nothing here knows how faults are found. A `world` is a drive; a style of `styles` builds a `car` with wires, converters
and messages; the `recorder` samples the world through it into a candump file; `faults` break one thing in between, or
in the description; `cases` say what is true about the result, and whether frames can show it at all.

`python -m tests.cars.evaluate --seeds 0-5` has the cases diagnosed and prints how often the answer was right, with
`--faults open-circuit,stuck` for some of them, and `--clean 4` for false alarms in clean driving. Tune with the seeds
0 to 99 only: those from 1000 on are for reports.
"""
