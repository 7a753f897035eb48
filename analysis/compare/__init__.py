"""Treatments compared, with the tray as the experimental unit."""
