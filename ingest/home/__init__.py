"""A home as a whole: accounts, first set-up, health, the embedded broker."""
