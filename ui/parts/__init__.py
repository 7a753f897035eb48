"""Pieces that several pages are built of."""
