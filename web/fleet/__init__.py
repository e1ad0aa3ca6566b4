"""The office's pages: the fleet as its dispatcher and technicians see it. Reads and changes through monitor/fleet."""
