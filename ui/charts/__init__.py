"""Pictures of trays and layouts as Vega-Lite specifications, and pictures as files."""
