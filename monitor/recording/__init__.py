"""Recordings: CSV in and out, and replay through the engine."""
