"""Meter checks and checks by eye as data, and typed readings."""
