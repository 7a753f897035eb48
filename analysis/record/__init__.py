"""The only reader of the store and the notebook: a trial as frames."""
