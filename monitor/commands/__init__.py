"""(edge) The commands, one file for each kind of person or work; only these and cli.py choose parts and know all rooms.

Each file has `add(command)`, which puts its commands into the table, and functions that take the parsed arguments and
give the exit status. What a command does stands in the rooms; here parts are chosen and joined. Each imports only what
it needs, so that a small command stays quick on a Pi.
"""
