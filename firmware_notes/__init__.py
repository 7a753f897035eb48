"""The node: contract, wiring, calibration, and its program for MicroPython in `node`."""
