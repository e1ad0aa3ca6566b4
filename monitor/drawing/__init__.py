"""The picture layer of page, report and office: pure functions from records to SVG or to shapes."""
