"""Renders short films of serve drills, with exact truth, for tests and measurements.

Nothing here is used by the tool itself, and nothing here uses `placement`: flight, bounce, lens,
light and encoder are written a second time so that a mistake cannot hide on both sides.
The one thing shared is the sizes of the table and the projection of `calibration`.

Run ``python -m tests.scene --help``.
"""
