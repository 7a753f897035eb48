"""Starts with the board."""

import sys
import time

import machine

import board
import config
import node

# Once the watchdog runs, the prompt lasts as long as its patience: whoever wants it must ask now.
print("Ctrl-C within 3 seconds for the prompt; there, `import selftest; selftest.main()` asks all sensors")
time.sleep(3)
try:
    settings = config.load(".")
    node.Node(settings, board.Board(settings)).run()
except Exception as error:  # noqa: BLE001 - no watchdog runs before the first turn; a fault that passes must not end it
    sys.print_exception(error)  # type: ignore[attr-defined] # MicroPython's own
    print("The board starts again in 30 seconds")
    time.sleep(30)
    machine.reset()
