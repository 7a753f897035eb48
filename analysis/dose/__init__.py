"""The response to a dose, and what may be said of its best."""
