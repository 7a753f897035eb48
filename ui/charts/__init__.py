"""Pictures as Vega-Lite specifications, and as files."""
