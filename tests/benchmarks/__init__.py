"""Benches of the program: each figure beside a floor measured in the same run. See __main__.py."""
