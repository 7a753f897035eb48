"""`python -m tidetray`: the command `tidetray`."""

from tidetray.ui.cli.main import main

main()
