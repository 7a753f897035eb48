"""Results drawn: Vega-Lite specifications as plain dicts, in one palette.

They stand beside the results, below the pages, so that a page, a report and a notebook draw the very same dict.
"""
