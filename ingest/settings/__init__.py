"""`tidetray.toml`: read, checked, changed with its comments kept."""
