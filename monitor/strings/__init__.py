"""The one catalogue of English words: the findings, the page, the report, and what they share."""
