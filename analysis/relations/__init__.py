"""Growth beside conditions and pot positions: observed, not caused."""
