"""Floods and drains: found in readings, expected from the geometry, learned per tray."""
