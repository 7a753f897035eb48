"""The report: its contents once, set out as a page and as a PDF."""
