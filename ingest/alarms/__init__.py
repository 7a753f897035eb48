"""What is watched, what is kept of it, and how people are notified."""
