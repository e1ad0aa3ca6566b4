"""Mutation testing of the core: what is changed on purpose must fail a test."""
