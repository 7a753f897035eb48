"""The command `tidetray`: calls in, prints out."""
