"""Trials made up without an effect and with one: how often each sentence is wrong, and how often an interval holds.

A module per part of `analysis`; `cells.py` says what a cell is. `tests/bench/claims.py` runs all of them at 400 trials
a cell, `test_claims.py` a few trials of each.
"""
