"""What pages and commands write."""
