"""The technician's visit: the session, its talk in the terminal, and taking it up where it was left."""
