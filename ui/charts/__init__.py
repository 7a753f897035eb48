"""Pictures of trays and layouts: Vega-Lite specifications, strips as HTML, and pictures as files."""
