"""The terminal: what it shows, and the talk around it."""
