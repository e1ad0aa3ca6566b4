"""The hand-over report: facts, story, pictures, HTML, PDF, share codes."""
