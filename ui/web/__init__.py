"""The web server, sign-in, and the processes that `tidetray start` keeps running."""
