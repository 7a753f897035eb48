"""Starts with the board."""

import time

import board
import config
import node

# Once the watchdog runs, the prompt lasts as long as its patience: whoever wants it must ask now.
print("Ctrl-C within 3 seconds for the prompt; there, `import selftest; selftest.main()` asks all sensors")
time.sleep(3)
settings = config.load(".")
node.Node(settings, board.Board(settings)).run()
