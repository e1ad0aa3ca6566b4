"""The run loop of the live monitor."""
